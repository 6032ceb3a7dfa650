package escalate

import (
	"fmt"
	"slices"
	"time"

	"tidemark/internal/drain"
)

// reservoirFull holds when the reservoir was found full, so that its suction had
// gone: a check since the last emptying shows a fill of 100 % or more, or the last
// emptying does, by its fill or by a volume (measured, irrigant included) of the
// reservoir's capacity or more. It ends with the next emptying that shows neither.
func reservoirFull(v *view) *Finding {
	var since time.Time
	var last []drain.Entry // what showed it last
	var volume drain.Volume
	// Checks since the last emptying, then that emptying, then the checks before it…
	to := len(v.entries)
	for k := 0; ; k++ {
		iv := v.back(k)
		after := time.Time{}
		if iv != nil {
			after = iv.end
		}
		for to > 0 && v.entries[to-1].At.After(after) {
			to--
			v.work++
			if e := v.entries[to]; v.fullByFill(e) {
				if since = e.At; last == nil {
					last = []drain.Entry{e}
				}
			}
		}
		if iv == nil {
			break
		}
		of := iv.entries
		full, sum := v.full(iv)
		for to > 0 && !v.entries[to-1].At.Before(iv.entries[0].At) {
			to--
			if e := v.entries[to]; e.Kind == drain.Check && v.fullByFill(e) && !full { // made before it
				full, of = true, []drain.Entry{e}
			}
		}
		if !full {
			break
		}
		if since = iv.end; last == nil {
			last, volume = of, sum
		}
	}
	if last == nil {
		return nil
	}
	var headline, text string
	f := v.finding(drain.Moderate, since, "", "", last...)
	for _, e := range last {
		if v.fullByFill(e) {
			headline = fmt.Sprintf("Reservoir full at %s", v.at(e.At))
			text = fmt.Sprintf("The reservoir was %s %% full at %s.", exactly(e.Fill.Value), v.at(e.At))
			f.figure("fill", exactly(e.Fill.Value), "%", exactly(v.FullPercent))
			break
		}
	}
	if volume.Cmp(v.capacity()) >= 0 {
		headline = fmt.Sprintf("Reservoir was full: %s from a reservoir of %s", ml(volume), ml(v.capacity()))
		if text != "" {
			text += " "
		}
		text += fmt.Sprintf("%s were emptied at %s from a reservoir of %s.", ml(volume), v.at(last[len(last)-1].At), ml(v.capacity()))
		f.figure("volume emptied", exactly(volume), "mL", exactly(v.capacity()))
	}
	f.Headline, f.Text = headline, text+" A full reservoir gives no suction."
	return f
}

// full reports whether an emptying found the reservoir full, and what was measured.
func (v *view) full(iv *interval) (bool, drain.Volume) {
	var sum drain.Volume
	for _, e := range iv.entries {
		if e.Measured.Known {
			sum = sum.Add(e.Measured.Volume)
		}
	}
	return sum.Cmp(v.capacity()) >= 0 || slices.ContainsFunc(iv.entries, v.fullByFill), sum
}

func (v *view) fullByFill(e drain.Entry) bool {
	return e.Fill.Known && e.Fill.Value.Cmp(v.FullPercent) >= 0
}

// reservoirHalf holds when a check after the last emptying shows the reservoir
// half full or more; a check of the same instant is taken as made before it. A
// later check that shows less does not end it, for only emptying does that.
func reservoirHalf(v *view) *Finding {
	var emptied time.Time
	if last := v.back(0); last != nil {
		emptied = last.end
	}
	var run []drain.Entry
	for _, e := range slices.Backward(v.entries) {
		v.work++
		if !e.At.After(emptied) {
			break
		}
		if e.Kind == drain.Check && e.Fill.Known && e.Fill.Value.Cmp(v.HalfPercent) >= 0 {
			run = append(run, e)
		}
	}
	if len(run) == 0 {
		return nil
	}
	latest, first := run[0], run[len(run)-1]
	headline := fmt.Sprintf("Reservoir %s %% full and not emptied", exactly(latest.Fill.Value))
	text := fmt.Sprintf("The reservoir was %s %% full at %s and has not been emptied since. Threshold: %s %%; suction falls long before a reservoir is full.",
		exactly(latest.Fill.Value), v.at(latest.At), exactly(v.HalfPercent))
	return v.finding(drain.Moderate, first.At, headline, text, run...).
		figure("fill", exactly(latest.Fill.Value), "%", exactly(v.HalfPercent))
}
