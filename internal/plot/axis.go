package plot

import (
	"cmp"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
)

// seconds is the scale of the time axis: true time, so that a day over a clock
// change is drawn as long as it lasted.
func seconds(t time.Time) float64 {
	return float64(t.Unix()) + float64(t.Nanosecond())/1e9
}

// timeTick is a mark of the time axis.
type timeTick struct {
	At     time.Time
	Label  string // empty: a mark without words
	Strong bool   // a midnight
}

// timeTicks marks the midnights of the zone, and hours if the span is short, with
// a limited number of labels. Where the clock skips midnight, it marks the first
// moment after the gap.
func timeTicks(from, to time.Time, zone *time.Location, labels int) (ticks []timeTick) {
	labels = max(labels, 2)
	from, to = from.In(zone), to.In(zone)
	days := (seconds(to) - seconds(from)) / 86400
	if hours := days * 24; hours <= 48 {
		every := 12
		for _, n := range []int{1, 2, 3, 6} {
			if hours/float64(n) <= float64(labels-1) {
				every = n
				break
			}
		}
		y, m, d := from.Date()
		dated := false
		for h := 0; ; h += every {
			at := time.Date(y, m, d, h, 0, 0, 0, zone)
			if at.After(to) {
				return ticks
			}
			if at.Before(from) {
				continue
			}
			// The clock that goes forward maps two hours to one instant.
			if n := len(ticks); n > 0 && !ticks[n-1].At.Before(at) {
				continue
			}
			t := timeTick{At: at, Label: at.Format("15:04"), Strong: at.Hour() == 0 && at.Minute() == 0}
			if t.Strong || !dated {
				t.Label = at.Format("2 Jan 15:04")
				dated = true
			}
			ticks = append(ticks, t)
		}
	}
	every := 1
	for _, n := range []int{1, 2, 3, 7, 14, 28, 91, 364, 3640, 36400, 364000} {
		every = n
		if days/float64(n) <= float64(labels) {
			break
		}
	}
	bare := 1
	if days > 60 {
		bare = every
	}
	y, m, d := from.Date()
	for n := 0; ; n += bare {
		at := time.Date(y, m, d+n, 0, 0, 0, 0, zone)
		if at.After(to) {
			return ticks
		}
		if at.Before(from) {
			continue
		}
		t := timeTick{At: at, Strong: true}
		// Counted from the day of the start, so that the first midnight is labelled.
		if (n-1)%every == 0 || every == 1 {
			t.Label = at.Format("2 Jan")
			if days <= 10 {
				t.Label = at.Format(dayLayout)
			}
		}
		ticks = append(ticks, t)
	}
}

// clockChanges lists the dates of clock changes in the zone; it names three at
// most.
func clockChanges(from, to time.Time, zone *time.Location) (dates []string) {
	at := from.In(zone)
	for range 8 {
		_, next := at.ZoneBounds()
		if next.IsZero() || !next.After(at) || next.After(to) {
			break
		}
		_, before := at.Zone()
		if _, after := next.Zone(); before != after {
			dates = append(dates, next.Format("2 Jan"))
		}
		at = next
	}
	if len(dates) > 3 {
		return nil
	}
	return dates
}

// tick is a mark of a value axis.
type tick struct {
	Value float64
	Label string
}

// valueAxis chooses round marks for figures from lo to hi, both finite, and the
// range that holds the figures and zero.
func valueAxis(lo, hi float64) (lower, upper float64, ticks []tick) {
	lo, hi = min(lo, 0), max(hi, 0)
	if hi-lo < 1e-9 {
		hi = 1
	}
	step := math.Pow(10, math.Floor(math.Log10((hi-lo)/3)))
	for _, m := range []float64{1, 2, 5, 10} {
		if (hi-lo)/(m*step) <= 4.5 {
			step *= m
			break
		}
	}
	decimals := max(0, int(-math.Floor(math.Log10(step*1.0001))))
	for k := math.Floor(lo / step); k*step <= hi+step/1e6; k++ {
		if v := k * step; v >= lo-step/1e6 {
			ticks = append(ticks, tick{Value: v, Label: number(v, decimals)})
		}
	}
	return lo, hi, ticks
}

// number writes a figure as it is printed, with a true minus sign and no "-0".
func number(v float64, decimals int) string {
	s := strconv.FormatFloat(v, 'f', decimals, 64)
	if n, err := strconv.ParseFloat(s, 64); err == nil && n == 0 {
		s = strings.TrimPrefix(s, "-")
	}
	return strings.Replace(s, "-", "−", 1)
}

// reading formats a figure as the ward page does: whole from 10 up, otherwise with
// one decimal, halves rounded away from zero.
func reading(v float64) string {
	if math.Abs(v) >= 10 {
		return number(math.Round(v), 0)
	}
	return strings.TrimSuffix(number(math.Round(v*10)/10, 1), ".0")
}

// ceiling returns how high an axis reaches. One or two figures far above all
// others would flatten the rest, so they are drawn to the top of the axis with a
// break and their figure in text. The factor of three over the next is ours.
func ceiling(values []float64) (top float64, clipped bool) {
	sorted := slices.Clone(values)
	slices.SortFunc(sorted, func(a, b float64) int { return cmp.Compare(b, a) })
	for k := 1; k <= 2 && k+3 < len(sorted); k++ {
		if next := sorted[k]; next > 0 && sorted[k-1] > 3*next {
			return next * 1.25, true
		}
	}
	if len(sorted) == 0 {
		return 0, false
	}
	return max(sorted[0], 0), false
}
