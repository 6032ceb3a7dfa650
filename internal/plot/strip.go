package plot

import (
	"slices"
	"time"

	"gonum.org/v1/plot/vg"

	"tidemark/internal/drain"
)

// row is a line of signs over the time axis, between the panels.
type row struct {
	name     string
	rule     bool // of findings
	plot     func(middle vg.Length)
	findings []drain.Finding
	key      []keyItem
}

// rows are those that have something to show: appearance, suction, then the
// rules that found something, the most severe first.
func (f *figure) rows() (rows []row) {
	if len(f.c.looks()) > 0 {
		rows = append(rows, row{name: "Appearance", plot: f.appearance})
	}
	if r, ok := f.suction(); ok {
		rows = append(rows, r)
	}
	var rules []string
	byRule := map[string][]drain.Finding{}
	for _, fd := range f.c.Findings {
		if !slices.Contains(rules, fd.Rule) {
			rules = append(rules, fd.Rule)
		}
		byRule[fd.Rule] = append(byRule[fd.Rule], fd)
	}
	for _, rule := range rules {
		rows = append(rows, row{name: ruleWords(rule), rule: true, findings: byRule[rule]})
	}
	const most = 6
	for count(rows) > most {
		rows = gather(rows)
	}
	if len(rules) > 0 {
		rows[len(rows)-1].key = f.findingKey()
	}
	return rows
}

func count(rows []row) (n int) {
	for _, r := range rows {
		if r.rule {
			n++
		}
	}
	return n
}

// gather makes one row of the last two, which are of findings.
func gather(rows []row) []row {
	n := len(rows)
	last, before := rows[n-1], rows[n-2]
	both := row{name: "other findings", rule: true, key: slices.Concat(before.key, last.key)}
	both.findings = slices.Concat(before.findings, last.findings)
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
	f.findings(r.findings, middle)
}

// appearance shows what was emptied looked like, over the time in which it
// collected: back to the look before, or to placement.
func (f *figure) appearance(middle vg.Length) {
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
				f.fill(box((x0+x1-w)/2-2, bottom+0.5, (x0+x1+w)/2+2, top-0.5), white)
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
		draw  func(p *pen, x, y vg.Length)
	}{
		{drain.Lost, "suction lost", func(p *pen, x, y vg.Length) {
			p.circle(x, y, 3.4, white, 1)
			p.line(solid(1), x-2.4, y-2.4, x+2.4, y+2.4)
		}},
		{drain.Off, "suction off", func(p *pen, x, y vg.Length) { p.square(x, y, 2.6) }},
	}
	for _, s := range signs {
		if slices.ContainsFunc(f.c.Entries, func(e drain.Entry) bool { return e.Suction == s.state }) {
			r.key = append(r.key, keyItem{func(p *pen, x, y vg.Length) { s.draw(p, x+keySign/2, y) }, s.words})
		}
	}
	r.plot = func(middle vg.Length) {
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

// findings draws each as the shape of its severity where it began, and a line as
// long as it lasted; the line of an open one ends in an arrow.
func (f *figure) findings(findings []drain.Finding, middle vg.Length) {
	for _, fd := range findings {
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
		if !fd.Acknowledged.IsZero() {
			f.acknowledged(&f.pen, max(f.x(fd.Acknowledged), x0+7), middle)
		}
	}
	// The shapes lie over all lines, the most severe on top.
	for _, fd := range slices.Backward(findings) {
		f.severity(fd.Severity, f.x(fd.Since), middle)
	}
}

func (f *figure) acknowledged(p *pen, x, y vg.Length) {
	w := smallFace.width("a")
	p.fill(box(x-w/2-1, y-3, x+w/2+1, y+3), white)
	p.write(x, y-2, centred, smallFace, "a")
}

// severity draws the shape: a filled triangle, a grey diamond, an empty circle.
func (p *pen) severity(s drain.Severity, x, y vg.Length) {
	switch s {
	case drain.High:
		p.polygon(black, 0.8, vg.Point{X: x - 4.2, Y: y - 3.4}, vg.Point{X: x + 4.2, Y: y - 3.4}, vg.Point{X: x, Y: y + 4.4})
	case drain.Moderate:
		p.polygon(mid, 1, vg.Point{X: x - 4.2, Y: y}, vg.Point{X: x, Y: y - 4.2}, vg.Point{X: x + 4.2, Y: y}, vg.Point{X: x, Y: y + 4.2})
	default:
		p.circle(x, y, 3, white, 1)
	}
}

func (f *figure) findingKey() (key []keyItem) {
	for _, s := range []drain.Severity{drain.High, drain.Moderate, drain.Low} {
		words := string(s)
		if s == drain.High {
			words = "finding: high"
		}
		key = append(key, keyItem{func(p *pen, x, y vg.Length) { p.severity(s, x+keySign/2, y) }, words})
	}
	has := func(is func(drain.Finding) bool) bool { return slices.ContainsFunc(f.c.Findings, is) }
	if has(drain.Finding.Open) {
		key = append(key, keyItem{func(p *pen, x, y vg.Length) {
			p.line(solid(1), x, y, x+keySign, y)
			p.strokes(solid(1), segment(segment(nil, x+keySign-3, y-3, x+keySign, y), x+keySign-3, y+3, x+keySign, y))
		}, "still open"})
	}
	if has(func(fd drain.Finding) bool { return fd.Withdrawn }) {
		key = append(key, keyItem{func(p *pen, x, y vg.Length) { p.line(dashed(1, 2, 2), x, y, x+keySign, y) }, "evidence withdrawn"})
	}
	if has(func(fd drain.Finding) bool { return !fd.Acknowledged.IsZero() }) {
		key = append(key, keyItem{func(p *pen, x, y vg.Length) { f.acknowledged(p, x+keySign/2, y) }, "acknowledged"})
	}
	return key
}
