package plot

import (
	"image/color"
	"math"
	"strings"
	"unicode"
	"unicode/utf8"
)

// Greys. Text and all that carries meaning is black; greys only fill.
var (
	black = color.Gray{0}
	dark  = color.Gray{90}
	mid   = color.Gray{170}
	light = color.Gray{222}
	white = color.Gray{255}
)

// Lettering, in points. 7 pt is the least that reads well in print.
var (
	titleFace = face{12, true}
	headFace  = face{8, true}
	textFace  = face{7.5, false}
	smallFace = face{7, false}
)

// fit cuts a text to a width.
func (f face) fit(s string, width float64) string {
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

// wrap breaks a text into lines of a width; if the text is cut, the last line
// shows it.
func (f face) wrap(s string, width float64, most int) (lines []string) {
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

// clean makes text safe for a picture: one line of limited length.
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
type pen struct {
	canvas
}

// Alignment of a text at its point: the share of its width to the left of it.
const (
	fromLeft = 0.0
	centred  = 0.5
	toRight  = 1.0
)

func (p *pen) write(x, baseline float64, align float64, f face, s string) {
	if s == "" {
		return
	}
	p.text(x-align*f.width(s), baseline, f, s)
}

func box(x0, y0, x1, y1 float64) rectangle {
	return rectangle{Min: point{X: x0, Y: y0}, Max: point{X: x1, Y: y1}}
}

func (p *pen) area(r rectangle, c color.Gray) { p.fill(r.Path(), c) }

func (p *pen) outline(r rectangle, width float64) {
	p.strokes(lineStyle{Color: black, Width: width}, r.Path())
}

func (p *pen) strokes(s lineStyle, edge path) {
	if len(edge) == 0 {
		return
	}
	p.stroke(edge, s)
}

func (p *pen) line(s lineStyle, x0, y0, x1, y1 float64) {
	p.strokes(s, segment(nil, x0, y0, x1, y1))
}

func segment(lines path, x0, y0, x1, y1 float64) path {
	lines.move(x0, y0)
	lines.line(x1, y1)
	return lines
}

func solid(width float64) lineStyle { return lineStyle{Color: black, Width: width} }

func dashed(width float64, dashes ...float64) lineStyle {
	return lineStyle{Color: black, Width: width, Dashes: dashes}
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
func (p *pen) hatch(r rectangle, k pattern) {
	p.area(r, white)
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
		var lines path
		for y := r.Min.Y + 1.5; y < r.Max.Y; y += 2.2 {
			lines = segment(lines, r.Min.X, y, r.Max.X, y)
		}
		p.strokes(thin, lines)
	case upright:
		var lines path
		for x := r.Min.X + 1.5; x < r.Max.X; x += 2.6 {
			lines = segment(lines, x, r.Min.Y, x, r.Max.Y)
		}
		p.strokes(thin, lines)
	case nearlyBlack:
		p.area(r, dark)
	}
}

// slanted adds lines at 45° through a rectangle; slope is 1 or −1. The lines
// are aligned to the page, not the rectangle, so that neighbours match.
func slanted(lines path, r rectangle, step, slope float64) path {
	// A line is y = slope·x + c; c runs over the corners.
	lo, hi := r.Min.Y-slope*r.Min.X, r.Min.Y-slope*r.Min.X
	for _, x := range []float64{r.Min.X, r.Max.X} {
		for _, y := range []float64{r.Min.Y, r.Max.Y} {
			lo, hi = min(lo, y-slope*x), max(hi, y-slope*x)
		}
	}
	for k := math.Ceil(float64(lo / step)); ; k++ {
		c := float64(k) * step
		if c >= hi {
			return lines
		}
		// Between the x at which it meets the lower and the upper edge.
		a, b := (r.Min.Y-c)/slope, (r.Max.Y-c)/slope
		x0, x1 := max(r.Min.X, min(a, b)), min(r.Max.X, max(a, b))
		if x0 < x1 {
			lines = segment(lines, x0, slope*x0+c, x1, slope*x1+c)
		}
	}
}

func (p *pen) dots(r rectangle, step, radius float64) {
	var lines path
	for row, y := 0, r.Min.Y+step/2; y < r.Max.Y-radius; row, y = row+1, y+step {
		x := r.Min.X + step/2
		if row%2 == 1 {
			x += step / 2
		}
		for ; x < r.Max.X-radius; x += step {
			lines = append(lines, box(x-radius, y-radius, x+radius, y+radius).Path()...)
		}
	}
	if len(lines) > 0 {
		p.fill(lines, black)
	}
}

// polygon draws a closed shape.
func (p *pen) polygon(inside color.Gray, width float64, pts ...point) {
	edge := path{{points: pts, closed: true}}
	p.fill(edge, inside)
	p.strokes(solid(width), edge)
}

func (p *pen) circle(x, y, radius float64, inside color.Gray, width float64) {
	edge := path{{points: []point{{x, y}}, radius: radius}}
	p.fill(edge, inside)
	p.strokes(solid(width), edge)
}

func (p *pen) cross(x, y, r float64) {
	p.strokes(solid(1.2), segment(segment(nil, x-r, y-r, x+r, y+r), x-r, y+r, x+r, y-r))
}
