package plot

import (
	"bytes"
	"fmt"
	"image/color"
	"math"
	"strconv"
	"strings"
	"sync"

	"codeberg.org/go-fonts/liberation/liberationsansbold"
	"codeberg.org/go-fonts/liberation/liberationsansregular"
	"git.sr.ht/~sbinet/gg"
	"golang.org/x/image/font"
	"golang.org/x/image/font/opentype"
	"golang.org/x/image/font/sfnt"
	"golang.org/x/image/math/fixed"
)

// A canvas is what a page is drawn on. Lengths are points; the page's y axis
// runs upwards from the lower edge.
type canvas interface {
	fill(path, color.Gray)
	stroke(path, lineStyle)
	text(x, baseline float64, f face, s string)
}

type point struct{ X, Y float64 }

type rectangle struct{ Min, Max point }

// path is a list of lines; each starts at its first point. A circle is a path
// of its own.
type path []part

type part struct {
	points []point
	closed bool
	radius float64 // of a circle around the one point
}

func (p *path) move(x, y float64) { *p = append(*p, part{points: []point{{x, y}}}) }

func (p *path) line(x, y float64) {
	last := &(*p)[len(*p)-1]
	last.points = append(last.points, point{x, y})
}

func (p *path) close() { (*p)[len(*p)-1].closed = true }

// Path is the edge of the rectangle.
func (r rectangle) Path() path {
	return path{{points: []point{r.Min, {r.Max.X, r.Min.Y}, r.Max, {r.Min.X, r.Max.Y}}, closed: true}}
}

type lineStyle struct {
	Color  color.Gray
	Width  float64
	Dashes []float64
}

// The two fonts. Liberation Sans has the metrics of the common sans-serif fonts,
// so text measured here also fits when a viewer uses one of those.
var regular, bold = sync.OnceValue(func() *sfnt.Font { return parsed(liberationsansregular.TTF) }),
	sync.OnceValue(func() *sfnt.Font { return parsed(liberationsansbold.TTF) })

func parsed(ttf []byte) *sfnt.Font {
	f, err := sfnt.Parse(ttf)
	if err != nil {
		panic("plot: the font that is built in cannot be read: " + err.Error())
	}
	return f
}

// face is a font face.
type face struct {
	size float64
	bold bool
}

func (f face) font() *sfnt.Font {
	if f.bold {
		return bold()
	}
	return regular()
}

// width returns the width of a text, including kerning.
func (f face) width(s string) float64 {
	var buf sfnt.Buffer
	fnt := f.font()
	ppem := fixed.I(int(fnt.UnitsPerEm()))
	var sum fixed.Int26_6
	var before sfnt.GlyphIndex
	for i, r := range []rune(s) {
		g, err := fnt.GlyphIndex(&buf, r)
		if err != nil {
			continue
		}
		if i > 0 {
			if k, err := fnt.Kern(&buf, before, g, ppem, font.HintingNone); err == nil {
				sum += k
			}
		}
		if a, err := fnt.GlyphAdvance(&buf, g, ppem, font.HintingNone); err == nil {
			sum += a
		}
		before = g
	}
	return float64(sum) / 64 / float64(fnt.UnitsPerEm()) * f.size
}

// svgCanvas writes the elements of an SVG document. They carry presentation
// attributes, not styles, which a strict content security policy would ignore.
type svgCanvas struct {
	height float64
	out    bytes.Buffer
}

func (c *svgCanvas) d(p path) string {
	var b strings.Builder
	for _, s := range p {
		if s.radius > 0 {
			x, y, r := s.points[0].X, c.height-s.points[0].Y, s.radius
			fmt.Fprintf(&b, "M%s,%sA%s,%s 0 1 0 %s,%sA%s,%s 0 1 0 %s,%sZ", num(x+r), num(y), num(r), num(r), num(x-r), num(y), num(r), num(r), num(x+r), num(y))
			continue
		}
		for i, pt := range s.points {
			b.WriteByte("ML"[min(i, 1)])
			b.WriteString(num(pt.X) + "," + num(c.height-pt.Y))
		}
		if s.closed {
			b.WriteByte('Z')
		}
	}
	return b.String()
}

func (c *svgCanvas) fill(p path, with color.Gray) {
	fmt.Fprintf(&c.out, "<path d=\"%s\" fill=\"%s\"/>\n", c.d(p), hex(with))
}

func (c *svgCanvas) stroke(p path, s lineStyle) {
	dashes := ""
	if len(s.Dashes) > 0 {
		var each []string
		for _, d := range s.Dashes {
			each = append(each, num(d))
		}
		dashes = ` stroke-dasharray="` + strings.Join(each, ",") + `"`
	}
	fmt.Fprintf(&c.out, "<path d=\"%s\" fill=\"none\" stroke=\"%s\" stroke-width=\"%s\"%s/>\n", c.d(p), hex(s.Color), num(s.Width), dashes)
}

// text fixes the width of a text to what the layout assumed, because a viewer
// without these fonts may use a wider one.
func (c *svgCanvas) text(x, baseline float64, f face, s string) {
	weight := ""
	if f.bold {
		weight = ` font-weight="bold"`
	}
	fmt.Fprintf(&c.out, "<text x=\"%s\" y=\"%s\" font-family=\"Liberation Sans, Arial, Helvetica, sans-serif\" font-size=\"%spx\"%s textLength=\"%s\" lengthAdjust=\"spacingAndGlyphs\">%s</text>\n",
		num(x), num(c.height-baseline), num(f.size), weight, num(f.width(s)), escape(s))
}

// num writes a length to a hundredth of a point, finer than print resolves.
func num(v float64) string {
	return strconv.FormatFloat(math.Round(v*100)/100+0, 'f', -1, 64)
}

func hex(c color.Gray) string { return fmt.Sprintf("#%02x%02x%02x", c.Y, c.Y, c.Y) }

// pngCanvas draws pixels.
type pngCanvas struct {
	*gg.Context
	height, scale float64 // height in points, dots a point
	faces         map[face]font.Face
}

func newPNG(width, height float64, dpi int) *pngCanvas {
	scale := float64(dpi) / 72
	c := gg.NewContext(int(width*scale), int(height*scale))
	c.SetLineCapButt()
	return &pngCanvas{c, height, scale, map[face]font.Face{}}
}

func (c *pngCanvas) trace(p path) {
	c.ClearPath()
	for _, s := range p {
		if s.radius > 0 {
			c.NewSubPath()
			c.DrawCircle(s.points[0].X*c.scale, (c.height-s.points[0].Y)*c.scale, s.radius*c.scale)
			continue
		}
		for i, pt := range s.points {
			if x, y := pt.X*c.scale, (c.height-pt.Y)*c.scale; i == 0 {
				c.MoveTo(x, y)
			} else {
				c.LineTo(x, y)
			}
		}
		if s.closed {
			c.ClosePath()
		}
	}
}

func (c *pngCanvas) fill(p path, with color.Gray) {
	c.SetColor(with)
	c.trace(p)
	c.Fill()
}

func (c *pngCanvas) stroke(p path, s lineStyle) {
	c.SetColor(s.Color)
	c.SetLineWidth(s.Width * c.scale)
	dashes := make([]float64, len(s.Dashes))
	for i, d := range s.Dashes {
		dashes[i] = d * c.scale
	}
	c.SetDash(dashes...)
	c.trace(p)
	c.Stroke()
}

func (c *pngCanvas) text(x, baseline float64, f face, s string) {
	shown, ok := c.faces[f]
	if !ok {
		var err error
		if shown, err = opentype.NewFace(f.font(), &opentype.FaceOptions{Size: f.size, DPI: c.scale * 72, Hinting: font.HintingNone}); err != nil {
			panic("plot: the font that is built in cannot be drawn: " + err.Error())
		}
		c.faces[f] = shown
	}
	c.SetColor(black)
	c.SetFontFace(shown)
	c.DrawString(s, x*c.scale, (c.height-baseline)*c.scale)
}
