package plot

import (
	"image/color"
	"math"
	"strings"
	"unicode"
	"unicode/utf8"

	xfont "golang.org/x/image/font"
	gonum "gonum.org/v1/plot"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// Greys. Text and all that carries meaning is black; greys only fill.
var (
	black = color.Gray{0}
	dark  = color.Gray{90}
	mid   = color.Gray{170}
	light = color.Gray{222}
	white = color.Gray{255}
)

// face is a kind of lettering.
type face struct {
	size vg.Length
	bold bool
}

// Lettering, in points. 7 pt is the least that reads well in print.
var (
	titleFace = face{12, true}
	headFace  = face{8, true}
	textFace  = face{7.5, false}
	smallFace = face{7, false}
)

func (f face) font() font.Font {
	// Liberation Sans has the measures of the common sans-serif fonts, so that
	// what was measured here fits where another of them is used.
	fnt := font.Font{Typeface: "Liberation", Variant: "Sans", Size: f.size}
	if f.bold {
		fnt.Weight = xfont.WeightBold
	}
	return fnt
}

func (f face) lookup() font.Face {
	return gonum.DefaultTextHandler.Cache().Lookup(f.font(), f.size)
}

func (f face) width(s string) vg.Length {
	fnt := f.lookup()
	return fnt.Width(s)
}

// fit cuts a text to a width.
func (f face) fit(s string, width vg.Length) string {
	if f.width(s) <= width {
		return s
	}
	runes := []rune(s)
	for n := len(runes) - 1; n > 0; n-- {
		if cut := strings.TrimRight(string(runes[:n]), " ") + "…"; f.width(cut) <= width {
			return cut
		}
	}
	return ""
}

// wrap breaks a text into lines of a width; a last line that is not the end of
// the text says so.
func (f face) wrap(s string, width vg.Length, most int) (lines []string) {
	line := ""
	for _, word := range strings.Fields(s) {
		switch longer := strings.TrimSpace(line + " " + word); {
		case f.width(longer) <= width:
			line = longer
		case line == "":
			line = f.fit(word, width)
		default:
			if len(lines) == most-1 {
				return append(lines, f.fit(line+" …"+word, width))
			}
			lines = append(lines, line)
			line = f.fit(word, width)
		}
	}
	if line != "" {
		lines = append(lines, line)
	}
	return lines
}

// clean makes a text that a picture can hold: on one line and of a bounded length.
func clean(s string) string {
	const most = 400
	s = oneLine(s)
	if runes := []rune(s); len(runes) > most {
		s = string(runes[:most-1]) + "…"
	}
	return s
}

// oneLine makes text that any document can hold, without line ends, control
// characters and broken encoding.
func oneLine(s string) string {
	return strings.Join(strings.Fields(strings.Map(func(r rune) rune {
		switch {
		case r == '\n' || r == '\t' || r == '\r':
			return ' '
		case unicode.IsControl(r) || r == 0xFFFE || r == 0xFFFF:
			return utf8.RuneError
		}
		return r
	}, strings.ToValidUTF8(s, "\uFFFD"))), " ")
}

// pen draws on a canvas.
type pen struct{ draw.Canvas }

// Where a text stands to its point: the share of its width left of it.
const (
	fromLeft = 0.0
	centred  = 0.5
	toRight  = 1.0
)

func (p *pen) write(x, baseline vg.Length, align float64, f face, s string) {
	if s == "" {
		return
	}
	p.SetColor(black)
	p.FillString(f.lookup(), vg.Point{X: x - vg.Length(align)*f.width(s), Y: baseline}, s)
}

func box(x0, y0, x1, y1 vg.Length) vg.Rectangle {
	return vg.Rectangle{Min: vg.Point{X: x0, Y: y0}, Max: vg.Point{X: x1, Y: y1}}
}

func (p *pen) fill(r vg.Rectangle, c color.Color) {
	p.SetColor(c)
	p.Fill(r.Path())
}

func (p *pen) outline(r vg.Rectangle, width vg.Length) {
	p.strokes(draw.LineStyle{Color: black, Width: width}, r.Path())
}

func (p *pen) strokes(s draw.LineStyle, path vg.Path) {
	if len(path) == 0 {
		return
	}
	p.SetLineStyle(s)
	p.Stroke(path)
}

func (p *pen) line(s draw.LineStyle, x0, y0, x1, y1 vg.Length) {
	p.strokes(s, segment(nil, x0, y0, x1, y1))
}

func segment(path vg.Path, x0, y0, x1, y1 vg.Length) vg.Path {
	path.Move(vg.Point{X: x0, Y: y0})
	path.Line(vg.Point{X: x1, Y: y1})
	return path
}

func solid(width vg.Length) draw.LineStyle { return draw.LineStyle{Color: black, Width: width} }

func dashed(width vg.Length, dashes ...vg.Length) draw.LineStyle {
	return draw.LineStyle{Color: black, Width: width, Dashes: dashes}
}

// Patterns that fill a rectangle.
type pattern int

const (
	plain pattern = iota
	sparseDots
	denseDots
	rising
	risingWide
	cross
	level
	upright
	nearlyBlack
)

// hatch fills a rectangle with a pattern of black on white.
func (p *pen) hatch(r vg.Rectangle, k pattern) {
	p.fill(r, white)
	thin := solid(0.6)
	switch k {
	case sparseDots:
		p.dots(r, 4.2, 0.55)
	case denseDots:
		p.dots(r, 2.4, 0.6)
	case rising:
		p.strokes(thin, slanted(nil, r, 2.2, 1))
	case risingWide:
		p.strokes(thin, slanted(nil, r, 4.5, 1))
	case cross:
		p.strokes(solid(0.5), slanted(slanted(nil, r, 4, 1), r, 4, -1))
	case level:
		var path vg.Path
		for y := r.Min.Y + 1.5; y < r.Max.Y; y += 2.2 {
			path = segment(path, r.Min.X, y, r.Max.X, y)
		}
		p.strokes(thin, path)
	case upright:
		var path vg.Path
		for x := r.Min.X + 1.5; x < r.Max.X; x += 2.6 {
			path = segment(path, x, r.Min.Y, x, r.Max.Y)
		}
		p.strokes(thin, path)
	case nearlyBlack:
		p.fill(r, dark)
	}
}

// slanted adds lines at 45° through a rectangle; slope is 1 or −1. The lines
// hang on the page, not on the rectangle, so that neighbours match.
func slanted(path vg.Path, r vg.Rectangle, step, slope vg.Length) vg.Path {
	// A line is y = slope·x + c; c runs over the corners.
	lo, hi := r.Min.Y-slope*r.Min.X, r.Min.Y-slope*r.Min.X
	for _, x := range []vg.Length{r.Min.X, r.Max.X} {
		for _, y := range []vg.Length{r.Min.Y, r.Max.Y} {
			lo, hi = min(lo, y-slope*x), max(hi, y-slope*x)
		}
	}
	for k := math.Ceil(float64(lo / step)); ; k++ {
		c := vg.Length(k) * step
		if c >= hi {
			return path
		}
		// Between the x at which it meets the lower and the upper edge.
		a, b := (r.Min.Y-c)/slope, (r.Max.Y-c)/slope
		x0, x1 := max(r.Min.X, min(a, b)), min(r.Max.X, max(a, b))
		if x0 < x1 {
			path = segment(path, x0, slope*x0+c, x1, slope*x1+c)
		}
	}
}

func (p *pen) dots(r vg.Rectangle, step, radius vg.Length) {
	var path vg.Path
	for row, y := 0, r.Min.Y+step/2; y < r.Max.Y-radius; row, y = row+1, y+step {
		x := r.Min.X + step/2
		if row%2 == 1 {
			x += step / 2
		}
		for ; x < r.Max.X-radius; x += step {
			path = append(path, box(x-radius, y-radius, x+radius, y+radius).Path()...)
		}
	}
	if len(path) > 0 {
		p.SetColor(black)
		p.Fill(path)
	}
}

// polygon draws a closed shape.
func (p *pen) polygon(inside color.Color, width vg.Length, pts ...vg.Point) {
	var path vg.Path
	path.Move(pts[0])
	for _, pt := range pts[1:] {
		path.Line(pt)
	}
	path.Close()
	p.SetColor(inside)
	p.Fill(path)
	p.strokes(solid(width), path)
}

func (p *pen) circle(x, y, radius vg.Length, inside color.Color, width vg.Length) {
	var path vg.Path
	path.Move(vg.Point{X: x + radius, Y: y})
	path.Arc(vg.Point{X: x, Y: y}, radius, 0, 2*math.Pi)
	path.Close()
	p.SetColor(inside)
	p.Fill(path)
	p.strokes(solid(width), path)
}

func (p *pen) cross(x, y, r vg.Length) {
	p.strokes(solid(1.2), segment(segment(nil, x-r, y-r, x+r, y+r), x-r, y+r, x+r, y-r))
}
