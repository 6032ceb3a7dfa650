package plot

import (
	"slices"
	"time"

	"tidemark/internal/drain"
)

// row is a line of signs over the time axis, between the panels.
type row struct {
	name     string
	kind     bool // of concerns
	plot     func(middle float64)
	concerns []drain.Concern
	key      []keyItem
}

// rows are those that have something to show: appearance, suction, then the
// concerns, the most severe first.
func (f *figure) rows() (rows []row) {
	if len(f.c.looks()) > 0 {
		rows = append(rows, row{name: "Appearance", plot: f.appearance})
	}
	if r, ok := f.suction(); ok {
		rows = append(rows, r)
	}
	var kinds []string
	byKind := map[string][]drain.Concern{}
	for _, fd := range f.c.Concerns {
		if !slices.Contains(kinds, fd.Kind) {
			kinds = append(kinds, fd.Kind)
		}
		byKind[fd.Kind] = append(byKind[fd.Kind], fd)
	}
	for _, kind := range kinds {
		rows = append(rows, row{name: kindWords(kind), kind: true, concerns: byKind[kind]})
	}
	const most = 6
	for count(rows) > most {
		rows = gather(rows)
	}
	if len(kinds) > 0 {
		rows[len(rows)-1].key = f.concernKey()
	}
	return rows
}

func count(rows []row) (n int) {
	for _, r := range rows {
		if r.kind {
			n++
		}
	}
	return n
}

// gather makes one row of the last two, which are of concerns.
func gather(rows []row) []row {
	n := len(rows)
	last, before := rows[n-1], rows[n-2]
	both := row{name: "other concerns", kind: true, key: slices.Concat(before.key, last.key)}
	both.concerns = slices.Concat(before.concerns, last.concerns)
	return append(rows[:n-2:n-2], both)
}

func (f *figure) row(r row) {
	f.y -= rowHeight
	middle := f.y + rowHeight/2
	f.grid(&f.pen, f.y, f.y+rowHeight)
	f.events(&f.pen, f.y, f.y+rowHeight)
	f.write(f.left-5, middle-2.5, toRight, textFace, textFit(textFace, r.name, nameWidth-5))
	if r.plot != nil {
		r.plot(middle)
	}
	f.concerns(r.concerns, middle)
}

// appearance shows what was emptied looked like, over the time in which it
// collected: back to the look before, or to placement.
func (f *figure) appearance(middle float64) {
	type run struct {
		from, to time.Time
		look     drain.Appearance
	}
	var runs []run
	before := f.c.Placed
	for _, e := range f.c.Entries {
		if e.Appearance == "" {
			if e.Kind == drain.Emptying {
				before = e.At // what collected up to here was not described
			}
			continue
		}
		r := run{before, e.At, e.Appearance}
		if before.IsZero() || before.After(e.At) {
			r.from = e.At
		}
		if n := len(runs); n > 0 && runs[n-1].look == r.look && runs[n-1].to.Equal(r.from) {
			runs[n-1].to = r.to
		} else {
			runs = append(runs, r)
		}
		before = e.At
	}
	bottom, top := middle-rowHeight/2+1, middle+rowHeight/2-1
	free := f.right // left end of what follows
	for _, r := range slices.Backward(runs) {
		x0, x1 := f.x(r.from), f.x(r.to)
		x0 = min(x0, x1-3) // at the least a sliver, where nobody knows since when
		l := lookOf(r.look)
		b := box(x0, bottom, x1, top)
		f.hatch(b, l.pattern)
		f.outline(b, 0.6)
		for _, words := range []string{l.word, l.letters} {
			w := smallFace.width(words)
			if w+6 <= x1-x0 {
				f.area(box((x0+x1-w)/2-2, bottom+0.5, (x0+x1+w)/2+2, top-0.5), white)
				f.write((x0+x1)/2, middle-2.5, centred, smallFace, words)
				break
			}
			if w+6 <= free-x1 {
				f.write(x1+3, middle-2.5, fromLeft, smallFace, words)
				break
			}
		}
		free = x0
	}
}

// suction marks the looks that found the suction lost or off.
func (f *figure) suction() (row, bool) {
	r := row{name: "Suction"}
	signs := []struct {
		state drain.Suction
		words string
		draw  func(p *pen, x, y float64)
	}{
		{drain.Lost, "suction lost", func(p *pen, x, y float64) {
			p.circle(x, y, 3.4, white, 1)
			p.line(solid(1), x-2.4, y-2.4, x+2.4, y+2.4)
		}},
		{drain.Off, "suction off", func(p *pen, x, y float64) { p.square(x, y, 2.6) }},
	}
	for _, s := range signs {
		if slices.ContainsFunc(f.c.Entries, func(e drain.Entry) bool { return e.Suction == s.state }) {
			r.key = append(r.key, keyItem{func(p *pen, x, y float64) { s.draw(p, x+keySign/2, y) }, s.words})
		}
	}
	r.plot = func(middle float64) {
		for _, s := range signs {
			for _, e := range f.c.Entries {
				if e.Suction == s.state {
					s.draw(&f.pen, f.x(e.At), middle)
				}
			}
		}
	}
	return r, len(r.key) > 0
}

// concerns draws each as the shape of its severity where it began, and a line as
// long as it lasted; the line of an open one ends in an arrow.
func (f *figure) concerns(concerns []drain.Concern, middle float64) {
	for _, fd := range concerns {
		x0, x1 := f.x(fd.Since), f.right
		if !fd.Open() {
			x1 = f.x(fd.Until)
		} else if !f.c.Now.IsZero() {
			x1 = f.x(f.c.Now)
		}
		style := solid(1)
		if fd.Withdrawn {
			style = dashed(1, 2, 2)
		}
		if x1 > x0 {
			f.line(style, x0, middle, x1, middle)
		}
		switch {
		case fd.Open():
			x1 = max(x1, x0+8)
			f.strokes(solid(1), segment(segment(nil, x1-3, middle-3, x1, middle), x1-3, middle+3, x1, middle))
		case x1 > x0+4:
			f.line(solid(1), x1, middle-3, x1, middle+3)
		}
		if !fd.Acknowledged.At.IsZero() {
			f.acknowledged(&f.pen, max(f.x(fd.Acknowledged.At), x0+7), middle)
		}
	}
	// The shapes lie over all lines, the most severe on top.
	for _, fd := range slices.Backward(concerns) {
		f.severity(fd.Severity, f.x(fd.Since), middle)
	}
}

func (f *figure) acknowledged(p *pen, x, y float64) {
	w := smallFace.width("a")
	p.area(box(x-w/2-1, y-3, x+w/2+1, y+3), white)
	p.write(x, y-2, centred, smallFace, "a")
}

// severity draws the shape: a filled triangle, a grey diamond, an empty circle.
func (p *pen) severity(s drain.Severity, x, y float64) {
	switch s {
	case drain.High:
		p.polygon(black, 0.8, point{X: x - 4.2, Y: y - 3.4}, point{X: x + 4.2, Y: y - 3.4}, point{X: x, Y: y + 4.4})
	case drain.Moderate:
		p.polygon(mid, 1, point{X: x - 4.2, Y: y}, point{X: x, Y: y - 4.2}, point{X: x + 4.2, Y: y}, point{X: x, Y: y + 4.2})
	default:
		p.circle(x, y, 3, white, 1)
	}
}

func (f *figure) concernKey() (key []keyItem) {
	for _, s := range []drain.Severity{drain.High, drain.Moderate, drain.Low} {
		words := string(s)
		if s == drain.High {
			words = "concern: high"
		}
		key = append(key, keyItem{func(p *pen, x, y float64) { p.severity(s, x+keySign/2, y) }, words})
	}
	has := func(is func(drain.Concern) bool) bool { return slices.ContainsFunc(f.c.Concerns, is) }
	if has(drain.Concern.Open) {
		key = append(key, keyItem{func(p *pen, x, y float64) {
			p.line(solid(1), x, y, x+keySign, y)
			p.strokes(solid(1), segment(segment(nil, x+keySign-3, y-3, x+keySign, y), x+keySign-3, y+3, x+keySign, y))
		}, "still open"})
	}
	if has(func(fd drain.Concern) bool { return fd.Withdrawn }) {
		key = append(key, keyItem{func(p *pen, x, y float64) { p.line(dashed(1, 2, 2), x, y, x+keySign, y) }, "evidence withdrawn"})
	}
	if has(func(fd drain.Concern) bool { return !fd.Acknowledged.At.IsZero() }) {
		key = append(key, keyItem{func(p *pen, x, y float64) { f.acknowledged(p, x+keySign/2, y) }, "acknowledged"})
	}
	return key
}
