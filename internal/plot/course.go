package plot

import (
	"bytes"
	"cmp"
	"image/png"
	"math"
	"slices"
	"time"

	"tidemark/internal/balance"
	"tidemark/internal/drain"
	"tidemark/internal/fault"
	"tidemark/internal/trend"
)

// Course is what the picture shows of one drain.
type Course struct {
	Title, Subtitle string
	Bed, Patient    string         // "" if unknown or not to be shown
	Zone            *time.Location // the ward's; nil is UTC
	Placed, Removed time.Time      // zero: not known, still in place
	Now             time.Time      // the instant for which the picture is drawn
	Intervals       []balance.Interval
	Days            []balance.Total
	// Trend of the last Trend.N rates, its points at hours from TrendOrigin. The
	// zero Result is "not asked for".
	Trend       trend.Result
	TrendOrigin time.Time
	TrendSpan   time.Duration
	Entries     []drain.Entry // for appearance and suction
	Concerns    []drain.Concern
	Caution     string // small print; never left out
	// Width and Height in points (1/72 inch). 0 is A5 across.
	Width, Height float64
}

// Sizes that can be drawn legibly, in points; A5 is 210 mm × 148 mm (ISO 216).
const (
	A5Width, A5Height   = 595, 420
	minWidth, minHeight = 360, 340
	maxSide             = 2400
	minDPI, maxDPI      = 36, 600
	maxPixels           = 9e6 // of a PNG, which takes 4 bytes each while it is drawn; A4 at 300 dpi is 8.7 million
)

// SVG draws the course as a document that stands alone: text stays text, no
// script, no style sheet, nothing fetched; its title and desc say in words what
// it shows.
func SVG(c Course) ([]byte, error) {
	c, err := c.prepared()
	if err != nil {
		return nil, err
	}
	drawn := &svgCanvas{height: c.Height}
	render(drawn, c)
	return document(drawn.out.Bytes(), c), nil
}

// PNG draws the course with so many dots per inch.
func PNG(c Course, dpi int) ([]byte, error) {
	c, err := c.prepared()
	if err != nil {
		return nil, err
	}
	if dpi < minDPI || dpi > maxDPI {
		return nil, fault.New(fault.Invalid, "value", "a resolution of %d dots per inch cannot be drawn: ask for %d to %d", dpi, minDPI, maxDPI)
	}
	if pixels := c.Width / 72 * c.Height / 72 * float64(dpi) * float64(dpi); pixels > maxPixels {
		return nil, fault.New(fault.Invalid, "too-costly", "a picture of %.0f million pixels is too large: ask for a smaller size or fewer than %d dots per inch", pixels/1e6, dpi)
	}
	drawn := newPNG(c.Width, c.Height, dpi)
	render(drawn, c)
	var out bytes.Buffer
	if err := png.Encode(&out, drawn.Image()); err != nil {
		return nil, fault.Wrap(err, "writing the chart")
	}
	return out.Bytes(), nil
}

// prepared returns the course in drawing order with defaults filled in. It does
// not change the caller's slices.
func (c Course) prepared() (Course, error) {
	if c.Width == 0 {
		c.Width = A5Width
	}
	if c.Height == 0 {
		c.Height = A5Height
	}
	if c.Zone == nil {
		c.Zone = time.UTC
	}
	c.Intervals = slices.Clone(c.Intervals)
	slices.SortFunc(c.Intervals, func(a, b balance.Interval) int {
		return a.Last().Compare(b.Last())
	})
	c.Days = slices.Clone(c.Days)
	slices.SortFunc(c.Days, func(a, b balance.Total) int { return a.Window.Start.Compare(b.Window.Start) })
	entries := c.Entries
	c.Entries = nil
	for _, e := range entries {
		if e.Counts() && (e.Kind == drain.Emptying || e.Kind == drain.Check) {
			c.Entries = append(c.Entries, e)
		}
	}
	slices.SortFunc(c.Entries, func(a, b drain.Entry) int { return cmp.Or(a.At.Compare(b.At), cmp.Compare(a.ID, b.ID)) })
	c.Concerns = slices.Clone(c.Concerns)
	slices.SortFunc(c.Concerns, func(a, b drain.Concern) int {
		return cmp.Or(b.Severity.Weight()-a.Severity.Weight(), a.Since.Compare(b.Since), cmp.Compare(a.Kind, b.Kind), cmp.Compare(a.ID, b.ID))
	})
	if !(c.Width >= minWidth && c.Width <= maxSide && c.Height >= minHeight && c.Height <= maxSide) {
		return c, fault.New(fault.Invalid, "value", "a picture of %g by %g points cannot be drawn legibly: ask for at least %d by %d and at most %d a side",
			c.Width, c.Height, minWidth, minHeight, maxSide)
	}
	return c, nil
}

// looks returns the entries that describe the fluid.
func (c Course) looks() (looks []drain.Entry) {
	for _, e := range c.Entries {
		if e.Appearance != "" {
			looks = append(looks, e)
		}
	}
	return looks
}

// empty reports whether there is nothing to put on a time axis.
func (c Course) empty() bool {
	return len(c.Intervals) == 0 && len(c.Entries) == 0 && len(c.Concerns) == 0
}

// out reports whether the drain was not in place on a day, so that no reading is
// missing.
func (c Course) out(d balance.Total) bool {
	return d.N == 0 && d.InPlace == 0 && !(c.Placed.IsZero() && c.Removed.IsZero())
}

// span returns the period that covers everything drawn.
func (c Course) span() (from, to time.Time) {
	add := func(t time.Time) {
		if t.IsZero() {
			return
		}
		if from.IsZero() || t.Before(from) {
			from = t
		}
		if to.IsZero() || t.After(to) {
			to = t
		}
	}
	for _, iv := range c.Intervals {
		add(iv.Start)
		add(iv.End)
	}
	for _, d := range c.Days {
		add(d.Window.Start)
		add(d.Window.End)
	}
	for _, e := range c.Entries {
		add(e.At)
	}
	for _, f := range c.Concerns {
		add(f.Since)
	}
	add(c.Placed)
	add(c.Removed)
	if c.Removed.IsZero() || c.Now.Before(c.Removed) {
		add(c.Now)
	}
	return from, to
}

// drawable limits a figure to what an axis can show, and reports NaN. No real
// figure comes near the limit, but a typing error may.
func drawable(v float64) (float64, bool) {
	const bound = 1e7
	return min(max(v, -bound), bound), !math.IsNaN(v)
}
