package escalate

import (
	"fmt"
	"time"

	"tidemark/internal/drain"
)

// dislodged holds when the drain came out unplanned: its placement ended as
// stopped, or an entry charts it as out, whichever way the placement was closed
// after that. It is about an event, and ends when the drain is charted as placed
// anew, or by itself after some days.
func dislodged(v *view) *Finding {
	out, by := v.cameOut()
	if out.IsZero() || v.DislodgedLast > 0 && v.now.Sub(out) >= v.DislodgedLast {
		return nil
	}
	words := "The placement was ended as stopped"
	if len(by) > 0 {
		words = "The drain was charted as out"
	}
	text := fmt.Sprintf("%s at %s: it came out unplanned. The ward's rule calls at every drain that does.", words, v.at(out))
	return v.finding(drain.High, out, text, by...).figure("came out", out.UTC().Format(time.RFC3339), "", "")
}

// cameOut gives the earliest instant at which the drain is charted as out in this
// stay, and the entries that chart it; zero where it is not.
func (v *view) cameOut() (out time.Time, by []drain.Entry) {
	by = filter(v.entries, func(e drain.Entry) bool { return e.Dislodged })
	if len(by) > 0 {
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
