package plot

import (
	"slices"
	"strings"
	"time"

	"tidemark/internal/balance"
	"tidemark/internal/trend"
)

const (
	rateHeading  = "Rate, mL/h"
	totalHeading = "Daily total, mL"
)

// step is an interval with a rate that can be drawn.
type step struct {
	balance.Interval
	rate float64
}

// ratePanel shows the rate of each interval as a step over the time in which it
// collected, and the trend.
func (f *figure) ratePanel() panel {
	s := panel{heading: rateHeading}
	var steps []step
	var bare, unmeasured []balance.Interval // emptied without a rate; not measured
	preliminary := false
	for _, iv := range f.c.Intervals {
		rate, ok := iv.Rate()
		if ok {
			rate, ok = drawable(rate)
		}
		switch {
		case ok:
			steps = append(steps, step{iv, rate})
			s.lo = min(s.lo, rate)
			preliminary = preliminary || iv.Preliminary()
		case iv.Known:
			bare = append(bare, iv)
		default:
			unmeasured = append(unmeasured, iv)
		}
	}
	rates := make([]float64, len(steps))
	for i, st := range steps {
		rates[i] = st.rate
	}
	top, clipped := ceiling(rates)
	s.hi = top
	line, drawn := f.trendLine(steps)
	if drawn && !clipped {
		s.hi = max(s.hi, line.rate0, line.rate1)
	}
	s.lo, s.hi, s.ticks = valueAxis(s.lo*1.05, s.hi*1.08)
	var beyond []step // drawn only as high as the axis goes
	for i, st := range steps {
		if clipped && st.rate > top {
			beyond = append(beyond, st)
			steps[i].rate = top
		}
	}
	switch {
	case len(f.c.Intervals) == 0:
		s.message, s.ticks = "no emptying charted", nil
	case len(steps) == 0:
		s.message, s.ticks = "no rate yet: it needs a measured emptying with a known start", nil
	}
	// Many steps make a band; the trend is drawn over it.
	dense := len(steps) > 120
	f.rateKey(len(steps) > 0, !dense, preliminary, drawn, line, len(unmeasured) > 0, len(bare) > 0)
	if len(beyond) > 0 {
		f.explainBreak()
	}
	s.plot = func(p *pen, x func(time.Time) float64, y func(float64) float64, r rectangle) {
		for _, iv := range unmeasured {
			gap := box(x(iv.Start), r.Min.Y, x(iv.End), r.Max.Y)
			p.strokes(lineStyle{Color: mid, Width: 0.5}, slanted(nil, gap, 5, -1))
		}
		var outline, area path
		for i, st := range steps {
			if i > 0 && steps[i-1].End.Equal(st.Start) {
				outline.line(x(st.Start), y(st.rate))
				area.line(x(st.Start), y(st.rate))
			} else {
				outline.move(x(st.Start), y(st.rate))
				area.move(x(st.Start), y(0))
				area.line(x(st.Start), y(st.rate))
			}
			outline.line(x(st.End), y(st.rate))
			area.line(x(st.End), y(st.rate))
			if i == len(steps)-1 || !steps[i+1].Start.Equal(st.End) {
				area.line(x(st.End), y(0))
				area.close()
			}
		}
		if len(area) > 0 {
			p.fill(area, light)
		}
		if drawn && !dense {
			p.fitted(line, x, y, r.Min.Y, false)
		}
		if dense {
			p.strokes(solid(0.5), outline)
		} else {
			p.strokes(solid(1), outline)
		}
		for _, st := range steps {
			switch {
			case st.Preliminary():
				p.circle(x(st.End), y(st.rate), 2, white, 0.8)
			case !dense:
				p.circle(x(st.End), y(st.rate), 1.4, black, 0.4)
			}
		}
		for _, st := range beyond {
			p.broken((x(st.Start)+x(st.End))/2, y(top), reading(st.rate), r)
		}
		for _, iv := range unmeasured {
			p.cross(x(iv.End), y(0), 3)
		}
		for _, iv := range bare {
			p.square(x(iv.End), y(0), 2.4)
		}
		if drawn && dense {
			p.fitted(line, x, y, r.Min.Y, true)
		}
	}
	return s
}

// broken marks the top of a column that exceeds the axis, and writes its figure.
func (p *pen) broken(x, y float64, figure string, r rectangle) {
	for _, dy := range []float64{-7, -5} {
		p.line(lineStyle{Color: white, Width: 1.6}, x-6, y+dy-1.5, x+6, y+dy+1.5)
		p.line(solid(0.6), x-6, y+dy-2.3, x+6, y+dy+0.7)
	}
	w := smallFace.width(figure)
	at := min(max(x-w/2, r.Min.X), r.Max.X-w)
	p.area(box(at-1, y+1, at+w+1, y+8), white)
	p.write(at, y+2, fromLeft, smallFace, figure)
}

// explainBreak adds the explanation of the break to the key, once for both panels.
func (f *figure) explainBreak() {
	const words = "higher than drawn, its figure written"
	if slices.ContainsFunc(f.key, func(k keyItem) bool { return k.words == words }) {
		return
	}
	f.explain(words, func(p *pen, x, y float64) {
		p.area(box(x+4, y-4, x+10, y+4), mid)
		for _, dy := range []float64{-1, 1} {
			p.line(lineStyle{Color: white, Width: 1.2}, x+2, y+dy-1, x+12, y+dy+1)
		}
	})
}

func (p *pen) square(x, y, r float64) {
	p.area(box(x-r, y-r, x+r, y+r), white)
	p.outline(box(x-r, y-r, x+r, y+r), 0.8)
}

// fitted is the trend line over the intervals that it is fitted to.
type fitted struct {
	from, to  time.Time
	rate0     float64
	rate1     float64
	noVerdict bool
}

// trendLine covers the last Trend.N rates, because a trend describes the course up
// to now. There is no line if the readings cannot show a trend.
func (f *figure) trendLine(steps []step) (fitted, bool) {
	r := f.c.Trend
	if r.Slope.Pairs == 0 || !r.Decidable || r.N < 2 || len(steps) < 2 || f.c.TrendOrigin.IsZero() {
		return fitted{}, false
	}
	if n := len(steps); n > r.N {
		steps = steps[n-r.N:]
	}
	l := fitted{from: steps[0].Middle(), to: steps[len(steps)-1].Middle()}
	origin := seconds(f.c.TrendOrigin)
	at := func(t time.Time) (float64, bool) {
		return drawable(r.Slope.Intercept + r.Slope.Value*(seconds(t)-origin)/3600)
	}
	var ok0, ok1 bool
	l.rate0, ok0 = at(l.from)
	l.rate1, ok1 = at(l.to)
	l.noVerdict = r.Direction != trend.Falling && r.Direction != trend.Rising
	return l, ok0 && ok1
}

// fitted draws the part of the trend line above the foot of the panel, with an
// outline against what it crosses if asked.
func (p *pen) fitted(l fitted, x func(time.Time) float64, y func(float64) float64, foot float64, edge bool) {
	x0, y0, x1, y1 := x(l.from), y(l.rate0), x(l.to), y(l.rate1)
	switch {
	case y0 < foot && y1 < foot:
		return
	case y0 < foot:
		x0, y0 = x0+(x1-x0)*(foot-y0)/(y1-y0), foot
	case y1 < foot:
		x1, y1 = x0+(x1-x0)*(y0-foot)/(y0-y1), foot
	}
	if edge {
		p.line(lineStyle{Color: white, Width: 3}, x0, y0, x1, y1)
	}
	p.line(l.style(), x0, y0, x1, y1)
}

func (l fitted) style() lineStyle {
	if l.noVerdict {
		return dashed(1, 1.5, 2.5)
	}
	return dashed(1.5, 6, 3)
}

func (f *figure) rateKey(steps, dots, preliminary, trended bool, line fitted, unmeasured, bare bool) {
	if steps {
		f.explain("rate from one emptying to the next", func(p *pen, x, y float64) {
			p.area(box(x, y-3.5, x+keySign, y+1.5), light)
			p.line(solid(1), x, y+1.5, x+keySign, y+1.5)
			if dots {
				p.circle(x+keySign, y+1.5, 1.4, black, 0.4)
			}
		})
	}
	if trended {
		f.explain("trend (Theil–Sen)", func(p *pen, x, y float64) { p.line(line.style(), x, y, x+keySign+1, y) })
	}
	if preliminary {
		f.explain("preliminary entry", func(p *pen, x, y float64) { p.circle(x+keySign/2, y, 2, white, 0.8) })
	}
	if unmeasured {
		f.explain("not known how much collected", func(p *pen, x, y float64) {
			r := box(x, y-3.5, x+keySign, y+3.5)
			p.strokes(lineStyle{Color: mid, Width: 0.5}, slanted(nil, r, 5, -1))
			p.outline(r, 0.4)
		})
		f.explain("emptied, not measured", func(p *pen, x, y float64) { p.cross(x+keySign/2, y, 3) })
	}
	if bare {
		f.explain("measured, rate unknown", func(p *pen, x, y float64) { p.square(x+keySign/2, y, 2.4) })
	}
}

// bar is a day with a total that can be drawn.
type bar struct {
	balance.Total
	net, u float64 // u is 0 where there is none
	least  float64 // lower end of the uncertainty, in the picture
	words  string
	beyond bool // drawn only as high as the axis goes
}

// totalPanel shows the total of each day as a bar over that day, with its
// expanded uncertainty.
func (f *figure) totalPanel() panel {
	s := panel{heading: totalHeading}
	var bars []bar
	var silent []balance.Total // days without a reading
	var tops []float64
	for _, d := range f.c.Days {
		net, ok := drawable(d.Net.Float())
		if f.c.out(d) {
			continue
		}
		if d.N == 0 || !ok {
			silent = append(silent, d)
			continue
		}
		b := bar{Total: d, net: net, words: reading(net)}
		if u, ok := drawable(d.U); ok && d.HasU && u > 0 {
			b.u = u
			b.words += " ±" + reading(u)
		}
		b.least = net - b.u
		if net >= 0 && d.Instilled.Sign() == 0 {
			b.least = max(b.least, 0) // nothing less can have come out
		}
		bars = append(bars, b)
		s.lo = min(s.lo, b.least)
		tops = append(tops, net+b.u)
	}
	top, clipped := ceiling(tops)
	s.hi = top
	for i := range bars {
		if b := &bars[i]; clipped && b.net+b.u > top {
			b.net, b.u, b.beyond = min(b.net, top), 0, true
		}
	}
	air := max(s.hi-s.lo, 1) * 0.2 // for the figures over the bars
	if slices.ContainsFunc(bars, func(b bar) bool { return b.net < 0 }) {
		s.lo -= air
	}
	lo, hi, ticks := valueAxis(s.lo, s.hi)
	s.lo, s.hi, s.ticks = lo, hi+air, ticks
	if len(bars) == 0 {
		s.message, s.ticks = "no day with a measured emptying", nil
	}
	f.totalKey(bars, silent)
	if slices.ContainsFunc(bars, func(b bar) bool { return b.beyond }) {
		f.explainBreak()
	}
	slot := func(d balance.Total) (float64, float64) { return f.x(d.Window.Start), f.x(d.Window.End) }
	fits := func(b bar, words string) bool {
		x0, x1 := slot(b.Total)
		return smallFace.width(words) <= x1-x0+2
	}
	// All whole days look alike: they show their uncertainty only if it fits on each.
	short := slices.ContainsFunc(bars, func(b bar) bool { return b.Window.Whole && !fits(b, b.words) })
	words := func(b bar) string {
		if !short && fits(b, b.words) {
			return b.words
		}
		if w, _, _ := strings.Cut(b.words, " "); fits(b, w) || b.beyond {
			return w
		}
		return ""
	}
	s.plot = func(p *pen, x func(time.Time) float64, y func(float64) float64, r rectangle) {
		for _, b := range bars {
			x0, x1 := slot(b.Total)
			inset := (x1 - x0) * 0.14
			area := box(x0+inset, min(y(0), y(b.net)), x1-inset, max(y(0), y(b.net)))
			p.bar(area, b.Preliminary)
			mid := (x0 + x1) / 2
			top, bottom := y(b.net), y(b.net)
			if b.u > 0 {
				top, bottom = y(b.net+b.u), y(b.least)
				p.whisker(mid, bottom, top, min(3, (x1-x0)*0.3), b.LowerBound, b.least > b.net-b.u)
			}
			if b.net == 0 {
				p.bar(area, b.Preliminary) // over the edge of the whisker
			}
			if b.beyond {
				figure, _, _ := strings.Cut(b.words, " ")
				p.broken(mid, top, figure, r)
				continue
			}
			at := max(top, y(0)) + 2.5
			if b.net < 0 {
				at = min(bottom, y(0)) - 8
			}
			if width := smallFace.width(words(b)); width > 0 {
				p.area(box(mid-width/2-1, at-1, mid+width/2+1, at+6), white)
				p.write(mid, at, centred, smallFace, words(b))
			}
		}
		for _, d := range silent {
			x0, x1 := slot(d)
			p.write((x0+x1)/2, y(0)+2, centred, smallFace, "–")
		}
	}
	return s
}

// bar draws a day's bar. A total of 0 is a thick line; a day without readings has none.
func (p *pen) bar(r rectangle, preliminary bool) {
	if r.Max.Y-r.Min.Y < 0.1 {
		p.line(solid(2), r.Min.X, r.Min.Y, r.Max.X, r.Min.Y)
		return
	}
	if !preliminary {
		p.area(r, mid)
		p.outline(r, 0.8)
		return
	}
	p.area(r, white)
	p.strokes(solid(0.5), slanted(nil, r, 4, 1))
	p.strokes(dashed(0.8, 2.5, 1.5), r.Path())
}

// whisker draws an uncertainty. If it is a lower bound, the whisker ends in
// arrows, except at a lower end that was cut off at zero.
func (p *pen) whisker(x, bottom, top, half float64, atLeast, cut bool) {
	lines := segment(nil, x, bottom, x, top)
	for i, y := range []float64{bottom, top} {
		if i == 0 && cut {
			continue
		}
		if atLeast {
			back := half
			if i == 0 {
				back = -half
			}
			lines = segment(segment(lines, x-half, y-back, x, y), x, y, x+half, y-back)
		} else {
			lines = segment(lines, x-half, y, x+half, y)
		}
	}
	p.strokes(lineStyle{Color: white, Width: 2.6}, lines)
	p.strokes(solid(1), lines)
}

func (f *figure) totalKey(bars []bar, silent []balance.Total) {
	has := func(is func(bar) bool) bool { return slices.ContainsFunc(bars, is) }
	if has(func(b bar) bool { return !b.Preliminary }) {
		f.explain("day complete", func(p *pen, x, y float64) { p.bar(box(x+2, y-4, x+keySign-2, y+4), false) })
	}
	if has(func(b bar) bool { return b.Preliminary }) {
		f.explain("day preliminary", func(p *pen, x, y float64) { p.bar(box(x+2, y-4, x+keySign-2, y+4), true) })
	}
	if has(func(b bar) bool { return b.u > 0 && !b.LowerBound }) {
		f.explain("± expanded uncertainty (k = 2)", func(p *pen, x, y float64) { p.whisker(x+keySign/2, y-4, y+4, 3, false, false) })
	}
	if has(func(b bar) bool { return b.u > 0 && b.LowerBound }) {
		f.explain("± at least this uncertain (k = 2)", func(p *pen, x, y float64) { p.whisker(x+keySign/2, y-4.5, y+4.5, 2.5, true, false) })
	}
	if len(silent) > 0 {
		f.explain("no reading", func(p *pen, x, y float64) { p.write(x+keySign/2, y-2.4, centred, smallFace, "–") })
	}
}
