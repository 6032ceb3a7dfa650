package plot

import (
	"fmt"
	"math"
	"strings"
	"time"

	"tidemark/internal/drain"
	"tidemark/internal/window"
)

// look is how the picture shows an appearance: pattern, letters, word.
type look struct {
	appearance drain.Appearance
	pattern    pattern
	letters    string
	word       string
}

// looksKnown in the order of the legend. The patterns are ours: they get denser
// with the rank of the first four, as the fluid gets darker.
var looksKnown = []look{
	{drain.Clear, plain, "C", "clear"},
	{drain.Serous, sparseDots, "S", "serous"},
	{drain.Serosanguineous, risingWide, "SS", "serosanguineous"},
	{drain.Sanguineous, rising, "SA", "sanguineous"},
	{drain.Purulent, cross, "P", "purulent"},
	{drain.Bilious, level, "B", "bilious"},
	{drain.Chylous, upright, "CH", "chylous"},
	{drain.Feculent, nearlyBlack, "F", "feculent"},
	{drain.UrineLike, denseDots, "U", "urine-like"},
	{drain.OtherLook, plain, "O", "other"},
}

func lookOf(a drain.Appearance) look {
	for _, l := range looksKnown {
		if l.appearance == a {
			return l
		}
	}
	return look{a, plain, "?", clean(string(a))}
}

func kindWords(kind string) string { return clean(strings.ReplaceAll(kind, "-", " ")) }

// whose names the bed and the patient, followed by the subtitle.
func (c Course) whose() string {
	var parts []string
	for _, p := range []string{c.Bed, c.Patient, c.Subtitle} {
		if p = strings.TrimSuffix(clean(p), "."); p != "" {
			parts = append(parts, p)
		}
	}
	return strings.Join(parts, " · ")
}

// trendWords returns the trend with its basis and its period, which may be shorter
// than the picture; nothing if no trend was requested.
func trendWords(c Course) string {
	r := c.Trend
	if r.Direction == "" {
		return ""
	}
	span := "Trend of the rate: "
	if c.TrendSpan > 0 {
		span = fmt.Sprintf("Trend of the last %.0f h: ", c.TrendSpan.Hours())
	}
	words := fmt.Sprintf("%s%s, n = %d", span, r.Direction, r.N)
	if !r.Decidable {
		if r.Note != "" {
			words = span + string(r.Direction) + ": " + r.Note
		}
		return clean(words)
	}
	switch p := r.MK.P; {
	case p < 0.001:
		words += ", p < 0.001"
	case p < 0.1:
		words += fmt.Sprintf(", p = %.3f", p)
	default:
		words += fmt.Sprintf(", p = %.2f", p)
	}
	if r.Slope.Pairs > 0 {
		words += fmt.Sprintf("; slope %s mL/h per day", perDay(r.Slope.Value))
		if r.Slope.HasInterval {
			words += fmt.Sprintf(" (%.0f %% interval %s to %s)", 100*r.Slope.Confidence, perDay(r.Slope.Low), perDay(r.Slope.High))
		}
	}
	return clean(words)
}

// perDay turns a slope in mL/h per hour into text in mL/h per day.
func perDay(slope float64) string {
	v := slope * 24
	decimals := 2
	if math.Abs(v) >= 10 {
		decimals = 1
	}
	return number(v, decimals)
}

func clockText(t time.Time, zone *time.Location) string { return t.In(zone).Format("2 Jan 15:04") }

func (c Course) describe() string {
	var s []string
	say := func(format string, args ...any) { s = append(s, fmt.Sprintf(format, args...)) }
	if whose := c.whose(); whose != "" {
		say("%s.", whose)
	}
	if c.empty() {
		say("%s", nothingCharted)
	} else {
		from, to := c.span()
		say("From %s to %s, %s.", from.In(c.Zone).Format("2 Jan 2006 15:04"), to.In(c.Zone).Format("2 Jan 2006 15:04"), c.Zone)
	}
	c.describeEmptyings(say)
	c.describeDays(say)
	if t := trendWords(c); t != "" {
		say("%s.", t)
	}
	c.describeFluid(say)
	c.describeConcerns(say)
	if caution := oneLine(c.Caution); caution != "" {
		say("%s", caution)
	}
	return oneLine(strings.Join(s, " "))
}

// Limits on the days, looks and findings that a description names.
const mostNamed = 14

func (c Course) describeEmptyings(say func(string, ...any)) {
	if len(c.Intervals) == 0 {
		return
	}
	unknown := 0
	for _, iv := range c.Intervals {
		if !iv.Known {
			unknown++
		}
	}
	line := plural(len(c.Intervals), "emptying", "emptyings")
	if unknown > 0 {
		line += fmt.Sprintf(", %d not measured", unknown)
	}
	last := c.Intervals[len(c.Intervals)-1]
	line += ". The last at " + clockText(last.End, c.Zone)
	if last.Known {
		line += ": " + reading(last.Net().Float()) + " mL"
		if rate, ok := last.Rate(); ok {
			line += fmt.Sprintf(", %s mL/h", reading(rate))
		}
	} else {
		line += ", not measured"
	}
	say("%s.", line)
}

func (c Course) describeDays(say func(string, ...any)) {
	days, intro := c.Days, "Daily totals"
	if len(days) == 0 {
		return
	}
	if len(days) > mostNamed {
		days, intro = days[len(days)-mostNamed:], fmt.Sprintf("Daily totals, the last %d of %d", mostNamed, len(days))
	}
	words := make([]string, len(days))
	for i, d := range days {
		words[i] = dayText(d.Window, c.Zone) + " "
		if c.out(d) {
			words[i] += "not in place"
			continue
		}
		if d.N == 0 {
			words[i] += "no reading"
			continue
		}
		words[i] += reading(d.Net.Float()) + " mL"
		if d.HasU {
			words[i] += " ± " + uText(d.U, d.LowerBound)
		}
		if d.Preliminary {
			words[i] += " (preliminary)"
		}
	}
	say("%s: %s.", intro, strings.Join(words, "; "))
}

// dayText returns the date of a ward's day, also of a day cut at its start by the window.
func dayText(w window.Window, zone *time.Location) string {
	if date, err := time.Parse(time.DateOnly, w.Label); err == nil {
		return date.Format(dayLayout)
	}
	return w.Start.In(zone).Format(dayLayout)
}

// dayLayout is the date format of the picture, its description and the ward page.
const dayLayout = "Mon 2 Jan"

func uText(u float64, atLeast bool) string {
	if atLeast {
		return "at least " + reading(u)
	}
	return reading(u)
}

func (c Course) describeFluid(say func(string, ...any)) {
	var words []string
	var last drain.Appearance
	for _, e := range c.looks() {
		if e.Appearance != last {
			words = append(words, lookOf(e.Appearance).word+" from "+clockText(e.At, c.Zone))
			last = e.Appearance
		}
	}
	if n := len(words); n > mostNamed {
		words = words[n-mostNamed:]
	}
	if len(words) > 0 {
		say("Appearance: %s.", strings.Join(words, ", "))
	}
	lost := 0
	for _, e := range c.Entries {
		if e.Suction == drain.Lost {
			lost++
		}
	}
	if lost > 0 {
		say("Suction lost at %s.", plural(lost, "entry", "entries"))
	}
}

func (c Course) describeConcerns(say func(string, ...any)) {
	if len(c.Concerns) == 0 {
		say("No concerns.")
		return
	}
	var open []string
	closed := 0
	for _, f := range c.Concerns {
		if !f.Open() {
			closed++
			continue
		}
		words := fmt.Sprintf("%s: %s since %s", f.Severity, kindWords(f.Kind), clockText(f.Since, c.Zone))
		if f.Acknowledged.Holds() {
			words += ", acknowledged"
		}
		open = append(open, words)
	}
	if n := len(open); n > mostNamed {
		open = append(open[:mostNamed], fmt.Sprintf("and %d more", n-mostNamed))
	}
	if len(open) > 0 {
		say("Open concerns, most severe first: %s.", strings.Join(open, "; "))
	} else {
		say("No open concerns.")
	}
	if closed > 0 {
		say("%s.", plural(closed, "concern over", "concerns over"))
	}
}

func plural(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

const nothingCharted = "Nothing has been charted for this drain in this time."
