package escalate

import (
	"fmt"
	"slices"
	"time"

	"tidemark/internal/drain"
)

// dislodged holds when the drain came out unplanned: its placement ended as
// stopped, or an entry charts it as out, whichever way the placement was closed
// after that. It is about an event, and ends when the drain is charted as placed
// anew, or by itself after some days.
//
// It holds too while the Device is not active although its placement is open: then
// nobody knows whether there is still a drain in the patient. That ends when one of
// the two is put right.
func dislodged(v *view) *Finding {
	out, by := v.cameOut()
	if out.IsZero() {
		return v.inactive()
	}
	if v.DislodgedLast > 0 && v.now.Sub(out) >= v.DislodgedLast {
		return nil
	}
	text := fmt.Sprintf("The placement ended as stopped at %s: the drain came out unplanned.", v.at(out))
	if len(by) > 0 {
		text = fmt.Sprintf("The drain was charted as out at %s.", v.at(out))
	}
	return v.finding(drain.High, out, "Drain came out", text, by...).figure("came out", out.UTC().Format(time.RFC3339), "", "")
}

func (v *view) inactive() *Finding {
	if v.subject.Drain.Active || !v.stay.InPlace || v.stay.Status == "" {
		return nil
	}
	since := v.stay.Start
	if n := len(v.entries); n > 0 {
		since = v.entries[n-1].At
	}
	if since.IsZero() {
		since = v.now
	}
	return v.finding(drain.High, since, "Drain set inactive while it is still in place",
		"The Device is not active, but its placement is open: end the placement if the drain is out, or set the Device to active.").
		figure("device", "not active", "", "active")
}

// cameOut gives the earliest instant at which the drain is charted as out in this
// stay, and the entries that chart it; zero where it is not.
func (v *view) cameOut() (out time.Time, by []drain.Entry) {
	for _, e := range slices.Backward(v.entries) {
		if v.DislodgedLast > 0 && v.now.Sub(e.At) >= v.DislodgedLast {
			break // what was charted before is past
		}
		v.work++
		if e.Dislodged {
			by = append(by, e)
		}
	}
	if n := len(by); n > 0 {
		slices.Reverse(by)
		return by[0].At, by
	}
	if v.stay.Status != drain.PlacementStopped || v.stay.InPlace {
		return time.Time{}, nil
	}
	if !v.stay.End.IsZero() {
		return v.stay.End, nil
	}
	// Stopped, nobody knows when: not before the last that is charted.
	out, _ = v.lastCharted()
	if out.IsZero() {
		out = v.now
	}
	return out, nil
}

func dislodgedTurns(v *view) []time.Time {
	if out, _ := v.cameOut(); !out.IsZero() && v.DislodgedLast > 0 {
		return []time.Time{out.Add(v.DislodgedLast)}
	}
	return nil
}
