package plot

import (
	"slices"
	"time"

	gonum "gonum.org/v1/plot"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"tidemark/internal/drain"
)

// Measures of the page in points.
const (
	margin    = 14
	rowHeight = 11
	nameWidth = 74 // the column left of the time axis, for the names of rows
	leastTall = 48 // of a panel
)

// figure is the page while it is drawn, from the top to the bottom.
type figure struct {
	pen
	c           Course
	left, right vg.Length // ends of the time axis
	y           vg.Length // how far down the page is used
	from, to    time.Time // of the time axis
	ticks       []timeTick
	key         []keyItem
}

// render draws the course on a page.
func render(canvas draw.Canvas, c Course) {
	f := &figure{pen: pen{canvas}, c: c}
	f.fill(f.Rectangle, white)
	f.y = f.Max.Y - margin
	f.left, f.right = f.Min.X+margin, f.Max.X-margin
	f.heading()
	bottom := f.caution()
	if c.empty() {
		f.outline(box(f.left, bottom+8, f.right, f.y-8), 0.6)
		middle := (f.y + bottom) / 2
		f.write((f.left+f.right)/2, middle, centred, titleFace, textFit(titleFace, nothingCharted, f.right-f.left-8))
		f.write((f.left+f.right)/2, middle-14, centred, textFace, textFit(textFace, "That is not the same as no output: look at the drain.", f.right-f.left-8))
		return
	}
	f.timeAxis()

	rates, totals := f.ratePanel(), f.totalPanel()
	rows := f.rows()
	f.keys(rows)
	key := f.layKey()
	const (
		headings   = 12 // above each panel
		trendLine  = 11
		timeLabels = 22
	)
	fixed := vg.Length(2*headings + timeLabels + 8)
	var trend []string
	if words := trendWords(c.Trend); words != "" {
		trend = textFace.wrap("Trend: "+words, f.right-f.left+nameWidth, 2)
	}
	fixed += trendLine * vg.Length(len(trend))
	// What does not fit at a legible size is left out, from the least to the most
	// needed: rows of findings are gathered into one, then lines of the key go.
	room := func() vg.Length {
		return f.y - bottom - fixed - rowHeight*vg.Length(len(rows)) - keyLine*vg.Length(len(key))
	}
	for room() < 2*leastTall && len(rows) > 1 && rows[len(rows)-2].rule && rows[len(rows)-1].rule {
		rows = gather(rows)
	}
	for room() < 2*leastTall && len(key) > 0 {
		key = key[1:] // the first explain the plainest signs
	}
	tall := max(room(), leastTall)
	upper, lower := tall*0.54, tall*0.46

	f.eventWords()
	f.panel(rates, upper, headings)
	for _, line := range trend {
		f.y -= trendLine
		f.write(f.left-nameWidth, f.y+3, fromLeft, textFace, line)
	}
	for _, r := range rows {
		f.row(r)
	}
	f.panel(totals, lower, headings)
	f.timeLabels()
	f.drawKey(key, bottom)
}

func textFit(f face, s string, width vg.Length) string { return f.fit(clean(s), width) }

func (f *figure) heading() {
	title := f.c.Title
	if clean(title) == "" {
		title = "Course of a drain"
	}
	f.y -= titleFace.size
	f.write(f.left, f.y, fromLeft, titleFace, textFit(titleFace, title, f.right-f.left))
	if f.c.Subtitle != "" {
		f.y -= textFace.size + 3
		f.write(f.left, f.y, fromLeft, textFace, textFit(textFace, f.c.Subtitle, f.right-f.left))
	}
	f.y -= 6
}

// caution writes the small print at the foot and gives its upper edge.
func (f *figure) caution() vg.Length {
	lines := smallFace.wrap(oneLine(f.c.Caution), f.right-f.left, 6)
	y := f.Min.Y + margin - 4
	for _, line := range slices.Backward(lines) {
		f.write(f.left, y, fromLeft, smallFace, line)
		y += smallFace.size + 1.5
	}
	return y + 2
}

// timeAxis settles where the time axis begins and ends on the page and in time.
func (f *figure) timeAxis() {
	f.left += nameWidth
	f.from, f.to = f.c.span()
	// A little air, so that the first and the last mark stand clear of the frame.
	air := max(time.Duration((seconds(f.to)-seconds(f.from))*0.01)*time.Second, 10*time.Minute)
	if seconds(f.to)-seconds(f.from) < 3600 {
		air = time.Hour
	}
	f.from, f.to = f.from.Add(-air), f.to.Add(air)
	f.ticks = timeTicks(f.from, f.to, f.c.Zone, int((f.right-f.left)/58))
}

// x is where an instant stands on the page, held within the axis.
func (f *figure) x(t time.Time) vg.Length {
	from, to := seconds(f.from), seconds(f.to)
	part := (seconds(t) - from) / (to - from)
	return f.left + vg.Length(min(max(part, 0), 1))*(f.right-f.left)
}

// panel is one plot over the time axis.
type panel struct {
	heading string
	lo, hi  float64
	ticks   []gonum.Tick
	plot    func(p *pen, x func(time.Time) vg.Length, y func(float64) vg.Length, r vg.Rectangle)
	message string // in place of figures where there are none
}

// draws lets a function be added to a plot.
type draws func(draw.Canvas, *gonum.Plot)

func (d draws) Plot(c draw.Canvas, p *gonum.Plot) { d(c, p) }

func (f *figure) panel(s panel, tall, headings vg.Length) {
	f.y -= headings
	f.write(f.left-nameWidth, f.y+3, fromLeft, headFace, textFit(headFace, s.heading, nameWidth))
	p := gonum.New()
	p.BackgroundColor = nil
	p.X.Min, p.X.Max = seconds(f.from), seconds(f.to)
	p.X.Padding, p.Y.Padding = 0, 0
	p.X.Tick.Length, p.Y.Tick.Length = 4, 3
	p.Y.Min, p.Y.Max = s.lo, s.hi
	p.Y.Tick.Label.Font = font.From(smallFace.font(), smallFace.size)
	p.Y.Tick.Marker = gonum.ConstantTicks(s.ticks)
	marks := make(gonum.ConstantTicks, len(f.ticks))
	for i, t := range f.ticks {
		marks[i].Value = seconds(t.At)
	}
	p.X.Tick.Marker = marks
	p.Add(draws(func(c draw.Canvas, p *gonum.Plot) {
		_, y := p.Transforms(&c)
		in := &pen{c}
		f.grid(in, y(s.lo), y(s.hi))
		for _, t := range s.ticks {
			in.line(draw.LineStyle{Color: light, Width: 0.5}, f.left, y(t.Value), f.right, y(t.Value))
		}
		f.events(in, y(s.lo), y(s.hi))
		s.plot(in, f.x, y, c.Rectangle)
		if s.lo < 0 {
			in.line(solid(0.8), f.left, y(0), f.right, y(0))
		}
		if s.message != "" {
			words := textFit(textFace, s.message, f.right-f.left-4)
			x, baseline, w := (f.left+f.right)/2, (y(s.lo)+y(s.hi))/2-3, textFace.width(words)
			in.fill(box(x-w/2-2, baseline-3, x+w/2+2, baseline+8), white)
			in.write(x, baseline, centred, textFace, words)
		}
	}))
	area := draw.Canvas{Canvas: f.Canvas.Canvas, Rectangle: box(f.left-nameWidth, f.y-tall, f.right, f.y)}
	// The frame of the data begins where the labels of the value axis end: what
	// is missing to the left end of the time axis is taken off the area.
	area.Min.X += f.left - p.DataCanvas(area).Min.X
	p.Draw(area)
	f.y -= tall
}

func (f *figure) grid(p *pen, bottom, top vg.Length) {
	for _, t := range f.ticks {
		grey := light
		if t.Strong {
			grey = mid
		}
		p.line(draw.LineStyle{Color: grey, Width: 0.5}, f.x(t.At), bottom, f.x(t.At), top)
	}
}

// timeLabels writes the dates under the lowest panel, and how they are meant.
func (f *figure) timeLabels() {
	end := vg.Length(0) // right end of the last label
	for _, t := range f.ticks {
		x, w := f.x(t.At), smallFace.width(t.Label)
		at := min(max(x-w/2, f.left-10), f.right-w)
		if t.Label == "" || at < end {
			continue
		}
		f.write(at, f.y-7, fromLeft, smallFace, t.Label)
		end = at + w + 4
	}
	caption := f.from.In(f.c.Zone).Format("2006")
	if year := f.to.In(f.c.Zone).Format("2006"); year != caption {
		caption += "–" + year
	}
	caption += ", time in " + clean(f.c.Zone.String())
	for i, d := range clockChanges(f.from, f.to, f.c.Zone) {
		if i == 0 {
			caption += ", clock changed on " + d
		} else {
			caption += " and " + d
		}
	}
	if f.to.Sub(f.from) > 48*time.Hour {
		caption += "; a date stands at its midnight"
	}
	for _, d := range f.c.Days {
		if d.Window.Whole {
			caption += "; a bar is a day of the ward, from " + d.Window.Start.In(f.c.Zone).Format("15:04")
			break
		}
	}
	f.write(f.left-nameWidth, f.y-17, fromLeft, smallFace, textFit(smallFace, caption, f.right-f.left+nameWidth))
	f.y -= 22
}

// event is an instant that is marked over all panels.
type event struct {
	at   time.Time
	word string
}

func (f *figure) eventsShown() (shown []event) {
	for _, e := range []event{{f.c.Placed, "placed"}, {f.c.Removed, "removed"}, {f.c.Now, "now"}} {
		if !e.at.IsZero() && !e.at.Before(f.from) && !e.at.After(f.to) {
			shown = append(shown, e)
		}
	}
	return shown
}

func (f *figure) events(p *pen, bottom, top vg.Length) {
	for _, e := range f.eventsShown() {
		p.line(dashed(0.8, 1.5, 1.5), f.x(e.at), bottom, f.x(e.at), top)
	}
}

// eventWords names the dotted lines above the upper panel.
func (f *figure) eventWords() {
	free := f.left - 20
	for _, e := range f.eventsShown() {
		x, w := f.x(e.at), smallFace.width(e.word)
		at := min(max(x-w/2, free), f.right-w)
		if at > x || at+w < x {
			continue // the word would not stand at its line
		}
		f.write(at, f.y-9, fromLeft, smallFace, e.word)
		free = at + w + 4
	}
}

// keyItem explains one sign.
type keyItem struct {
	draw  func(p *pen, x, y vg.Length) // y is the middle of the line
	words string
}

const (
	keyLine = 10.5
	keySign = 14
)

func (f *figure) explain(words string, draw func(p *pen, x, y vg.Length)) {
	f.key = append(f.key, keyItem{draw, words})
}

// layKey breaks the key into lines.
func (f *figure) layKey() (lines [][]keyItem) {
	used := vg.Length(0)
	for _, k := range f.key {
		w := keySign + 3 + smallFace.width(k.words) + 9
		if used == 0 || used+w > f.right-f.left+nameWidth+9 {
			lines, used = append(lines, nil), 0
		}
		lines[len(lines)-1] = append(lines[len(lines)-1], k)
		used += w
	}
	return lines
}

func (f *figure) drawKey(lines [][]keyItem, bottom vg.Length) {
	y := bottom + keyLine*vg.Length(len(lines)) - 3
	for _, line := range lines {
		x := f.left - nameWidth
		for _, k := range line {
			k.draw(&f.pen, x, y)
			f.write(x+keySign+3, y-2.4, fromLeft, smallFace, k.words)
			x += keySign + 3 + smallFace.width(k.words) + 9
		}
		y -= keyLine
	}
}

func (f *figure) keys(rows []row) {
	for _, l := range looksKnown {
		if slices.ContainsFunc(f.c.Entries, func(e drain.Entry) bool { return e.Appearance == l.appearance }) {
			f.explain(l.letters+" "+l.word, func(p *pen, x, y vg.Length) {
				r := box(x, y-3.5, x+keySign, y+3.5)
				p.hatch(r, l.pattern)
				p.outline(r, 0.6)
			})
		}
	}
	for _, r := range rows {
		f.key = append(f.key, r.key...)
	}
}
