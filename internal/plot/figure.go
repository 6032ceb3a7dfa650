package plot

import (
	"slices"
	"time"

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
	page        rectangle
	c           Course
	left, right float64   // ends of the time axis
	y           float64   // how far down the page is used
	from, to    time.Time // of the time axis
	ticks       []timeTick
	key         []keyItem
}

// render draws the course on a page.
func render(on canvas, c Course) {
	f := &figure{pen: pen{on}, page: box(0, 0, c.Width, c.Height), c: c}
	f.area(f.page, white)
	f.y = f.page.Max.Y - margin
	f.left, f.right = f.page.Min.X+margin, f.page.Max.X-margin
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
	fixed := 2*headings + timeLabels + 8.0
	var trend []string
	if words := trendWords(c); words != "" {
		trend = textFace.wrap(words, f.right-f.left+nameWidth, 2)
	}
	fixed += trendLine * float64(len(trend))
	// Whatever does not fit at a legible size is left out, the least needed first:
	// rows of concerns are merged into one, then lines of the key are dropped.
	room := func() float64 {
		return f.y - bottom - fixed - rowHeight*float64(len(rows)) - keyLine*float64(len(key))
	}
	for room() < 2*leastTall && len(rows) > 1 && rows[len(rows)-2].kind && rows[len(rows)-1].kind {
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

func textFit(f face, s string, width float64) string { return f.fit(clean(s), width) }

func (f *figure) heading() {
	title := f.c.Title
	if clean(title) == "" {
		title = "Course of a drain"
	}
	f.y -= titleFace.size
	drawn := ""
	if !f.c.Now.IsZero() { // paper does not update
		drawn = "Drawn " + f.c.Now.In(f.c.Zone).Format("Mon 2 Jan 2006 15:04")
		f.write(f.right, f.y, toRight, smallFace, drawn)
	}
	f.write(f.left, f.y, fromLeft, titleFace, textFit(titleFace, title, f.right-f.left-smallFace.width(drawn)-8))
	if words := f.c.whose(); words != "" {
		f.y -= textFace.size + 3
		f.write(f.left, f.y, fromLeft, textFace, textFit(textFace, words, f.right-f.left))
	}
	f.y -= 6
}

// caution writes the small print at the foot and gives its upper edge.
func (f *figure) caution() float64 {
	lines := smallFace.wrap(oneLine(f.c.Caution), f.right-f.left, 6)
	y := f.page.Min.Y + margin - 4
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
	// A margin keeps the first and the last mark clear of the frame.
	air := max(time.Duration((seconds(f.to)-seconds(f.from))*0.01)*time.Second, 10*time.Minute)
	if seconds(f.to)-seconds(f.from) < 3600 {
		air = time.Hour
	}
	f.from, f.to = f.from.Add(-air), f.to.Add(air)
	f.ticks = timeTicks(f.from, f.to, f.c.Zone, int((f.right-f.left)/58))
}

// x returns the position of an instant on the page, clamped to the axis.
func (f *figure) x(t time.Time) float64 {
	from, to := seconds(f.from), seconds(f.to)
	part := (seconds(t) - from) / (to - from)
	return f.left + float64(min(max(part, 0), 1))*(f.right-f.left)
}

// panel is one plot over the time axis.
type panel struct {
	heading string
	lo, hi  float64
	ticks   []tick
	plot    func(p *pen, x func(time.Time) float64, y func(float64) float64, r rectangle)
	message string // in place of figures where there are none
}

// panel draws one, with its value axis left of the data.
func (f *figure) panel(s panel, tall, headings float64) {
	f.y -= headings
	f.write(f.left-nameWidth, f.y+3, fromLeft, headFace, textFit(headFace, s.heading, nameWidth))
	const mark, air = 3, 4.5 // of a tick, and below the time axis
	data := box(f.left, f.y-tall+air, f.right, f.y-air/2)
	y := func(v float64) float64 { return data.Min.Y + (v-s.lo)/(s.hi-s.lo)*(data.Max.Y-data.Min.Y) }
	p := &f.pen
	f.grid(p, data.Min.Y, data.Max.Y)
	for _, t := range s.ticks {
		p.line(lineStyle{Color: light, Width: 0.5}, f.left, y(t.Value), f.right, y(t.Value))
	}
	f.events(p, data.Min.Y, data.Max.Y)
	s.plot(p, f.x, y, data)
	if s.lo < 0 {
		p.line(solid(0.8), f.left, y(0), f.right, y(0))
	}
	if s.message != "" {
		words := textFit(textFace, s.message, f.right-f.left-4)
		x, baseline, w := (f.left+f.right)/2, (data.Min.Y+data.Max.Y)/2-3, textFace.width(words)
		p.area(box(x-w/2-2, baseline-3, x+w/2+2, baseline+8), white)
		p.write(x, baseline, centred, textFace, words)
	}
	p.line(solid(0.5), data.Min.X, data.Min.Y, data.Max.X, data.Min.Y)
	for _, t := range f.ticks {
		p.line(solid(0.5), f.x(t.At), data.Min.Y, f.x(t.At), data.Min.Y-mark)
	}
	if len(s.ticks) > 0 {
		p.line(solid(0.5), data.Min.X, data.Min.Y, data.Min.X, data.Max.Y)
	}
	for _, t := range s.ticks {
		p.line(solid(0.5), data.Min.X-mark, y(t.Value), data.Min.X, y(t.Value))
		p.write(data.Min.X-mark-1.5, y(t.Value)-2.4, toRight, smallFace, t.Label)
	}
	f.y -= tall
}

func (f *figure) grid(p *pen, bottom, top float64) {
	for _, t := range f.ticks {
		grey := light
		if t.Strong {
			grey = mid
		}
		p.line(lineStyle{Color: grey, Width: 0.5}, f.x(t.At), bottom, f.x(t.At), top)
	}
}

// timeLabels writes the dates under the lowest panel, with a note on how to read them.
func (f *figure) timeLabels() {
	end := float64(0) // right end of the last label
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

func (f *figure) events(p *pen, bottom, top float64) {
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
	draw  func(p *pen, x, y float64) // y is the middle of the line
	words string
}

const (
	keyLine = 10.5
	keySign = 14
)

func (f *figure) explain(words string, draw func(p *pen, x, y float64)) {
	f.key = append(f.key, keyItem{draw, words})
}

// layKey breaks the key into lines.
func (f *figure) layKey() (lines [][]keyItem) {
	used := float64(0)
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

func (f *figure) drawKey(lines [][]keyItem, bottom float64) {
	y := bottom + keyLine*float64(len(lines)) - 3
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
			f.explain(l.letters+" "+l.word, func(p *pen, x, y float64) {
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
