package escalate

import (
	"fmt"
	"slices"
	"time"

	"tidemark/internal/drain"
	"tidemark/internal/window"
)

// suctionLost holds when the last entry that says anything of the suction says
// lost: the closed reservoir re-expanded, so there is a leak, or the tube is out.
// Where entries of one instant disagree, lost counts. It is about a state and ends
// with a later entry that shows the reservoir charged, or suction off by intent.
//
// A drain that keeps losing it is not mended by another squeeze: three times lost
// and recharged within 12 h holds until a check shows it charged for 4 h.
func suctionLost(v *view) *Finding {
	run := v.run(
		func(e drain.Entry) bool { return e.Suction == drain.Lost },
		func(e drain.Entry) bool { return e.Suction == drain.Charged || e.Suction == drain.Off })
	if len(run) > 0 {
		last := run[len(run)-1]
		text := fmt.Sprintf("The closed reservoir had filled with air at %s and has not been charged since: the drain does not drain.", v.at(run[0].At))
		if len(run) > 1 {
			text = fmt.Sprintf("The closed reservoir had filled with air %d times from %s to %s and has not been charged since: the drain does not drain.", len(run), v.at(run[0].At), v.at(last.At))
		}
		return v.finding(drain.High, run[0].At, "Suction lost", text, run...).
			figure("suction", string(drain.Lost), "", string(drain.Charged))
	}
	losses, recharged := v.losses()
	if len(losses) < v.LostTimes {
		return nil
	}
	of := make([]drain.Entry, 0, len(losses)+1)
	for _, l := range slices.Backward(losses) {
		of = append(of, l)
	}
	since := losses[v.LostTimes-1].At // when the first of so many was lost
	if n := len(losses); n > v.LostTimes {
		since = losses[n-1].At
	}
	text := fmt.Sprintf("Suction was lost and recharged %d times from %s to %s, last recharged at %s. Check it again: this closes when it is found charged %s after that.",
		len(losses), v.at(of[0].At), v.at(of[len(of)-1].At), v.at(recharged.At), window.Span(v.LostUntil))
	headline := fmt.Sprintf("Suction lost %d times in %s", len(losses), window.Span(v.LostWithin))
	return v.finding(drain.High, since, headline, text, append(of, recharged)...).
		figure("times lost", fmt.Sprint(len(losses)), "1", fmt.Sprint(v.LostTimes))
}

// losses gives the times at which suction was lost within so long of the last of
// them, the latest first, where it was recharged since and not yet found charged for
// long enough; and what says that it was recharged.
func (v *view) losses() (losses []drain.Entry, recharged drain.Entry) {
	if v.LostTimes <= 0 {
		return nil, recharged
	}
	var last drain.Entry // the latest that says charged
	lost := false        // the one after in time says lost
	for i := len(v.entries) - 1; i >= 0; i-- {
		e := v.entries[i]
		v.work++
		if e.Suction == "" {
			continue
		}
		if len(losses) == 0 {
			switch {
			case e.Suction == drain.Charged:
				if last.ID == "" {
					last = e
				}
				recharged = e
				if last.At.Sub(e.At) >= v.LostUntil {
					return nil, recharged
				}
				continue
			case e.Suction == drain.Off || recharged.ID == "":
				return nil, recharged
			}
			losses, lost = append(losses, e), true
			continue
		}
		if losses[0].At.Sub(e.At) > v.LostWithin {
			break
		}
		if e.Suction == drain.Lost && !lost {
			losses = append(losses, e)
		}
		lost = e.Suction == drain.Lost
	}
	return losses, recharged
}

// suctionOff holds when the last entry that says anything of the suction says off,
// on a drain that is meant to have it. It is about a state.
func suctionOff(v *view) *Finding {
	if !v.suctions() {
		return nil
	}
	run := v.run(
		func(e drain.Entry) bool { return e.Suction == drain.Off },
		func(e drain.Entry) bool { return e.Suction == drain.Charged || e.Suction == drain.Lost })
	if len(run) == 0 {
		return nil
	}
	text := fmt.Sprintf("Suction has been off since %s, on a closed-suction drain.", v.at(run[0].At))
	return v.finding(drain.Moderate, run[0].At, "Suction is off", text, run...).
		figure("suction", string(drain.Off), "", string(drain.Charged))
}

// suctions reports whether the drain works by suction: all do of which the type
// does not say otherwise.
func (v *view) suctions() bool {
	return v.subject.Drain.Type != "passive-closed" && v.subject.Drain.Type != "open"
}

// suctionUnknown holds when the last three emptyings say nothing of the suction,
// nor a check since the first of them. It ends with the next entry that does.
func suctionUnknown(v *view) *Finding {
	if !v.suctions() || v.SuctionUnknownAfter <= 0 {
		return nil
	}
	first := v.back(v.SuctionUnknownAfter - 1)
	if first == nil {
		return nil
	}
	var of []drain.Entry
	for _, e := range slices.Backward(v.entries) {
		v.work++
		if e.At.Before(first.entries[0].At) {
			break
		}
		if e.Suction != "" {
			return nil
		}
		if e.Kind == drain.Emptying {
			of = append(of, e)
		}
	}
	// Since there were so many: that is the last emptying of the first three in a row.
	since := first
	k := v.SuctionUnknownAfter
	for ; ; k++ {
		iv := v.back(k)
		if iv == nil || slices.ContainsFunc(iv.entries, func(e drain.Entry) bool { return e.Suction != "" }) || v.saysSuction(iv, since) {
			break
		}
		since = iv
	}
	at := v.back(k - v.SuctionUnknownAfter).end
	headline := fmt.Sprintf("Suction not charted at the last %d emptyings", v.SuctionUnknownAfter)
	text := fmt.Sprintf("The last %d emptyings, from %s on, do not mention the suction: chart it.", v.SuctionUnknownAfter, v.at(first.end))
	slices.Reverse(of)
	return v.finding(drain.Low, at, headline, text, of...).
		figure("emptyings without suction", fmt.Sprint(v.SuctionUnknownAfter), "1", fmt.Sprint(v.SuctionUnknownAfter))
}

// saysSuction reports whether an entry between two emptyings, one after the other,
// says anything of the suction.
func (v *view) saysSuction(before, after *interval) bool {
	i, _ := slices.BinarySearchFunc(v.entries, before.end, func(e drain.Entry, t time.Time) int { return e.At.Compare(t) })
	for ; i < len(v.entries) && v.entries[i].At.Before(after.end); i++ {
		v.work++
		if v.entries[i].Suction != "" {
			return true
		}
	}
	return false
}

// blocked holds when the last entry that says anything of the patency says
// occluded: high. Sluggish alone is moderate; together with an output that stopped,
// or leakage around the drain, it is high too. It is about a state and ends with a
// later entry that shows the tube patent.
func blocked(v *view) *Finding {
	run := v.run(
		func(e drain.Entry) bool { return e.Patency == drain.Occluded || e.Patency == drain.Sluggish },
		func(e drain.Entry) bool { return e.Patency == drain.Patent })
	if len(run) == 0 {
		return nil
	}
	last := run[len(run)-1]
	for _, e := range run { // of one instant the worse counts
		if e.At.Equal(last.At) && e.Patency == drain.Occluded {
			last = e
		}
	}
	if last.Patency == drain.Occluded {
		return v.finding(drain.High, run[0].At, "Drain blocked", fmt.Sprintf("The tube was charted occluded at %s.", v.at(last.At)), run...).
			figure("patency", string(last.Patency), "", string(drain.Patent))
	}
	severity, headline := drain.Moderate, "Drain sluggish"
	text := fmt.Sprintf("The tube was charted sluggish at %s.", v.at(last.At))
	evidence := run
	if s, stopped := v.stop(); stopped {
		severity, headline = drain.High, "Drain probably blocked: sluggish, and hardly any output"
		text += fmt.Sprintf(" Only %s came by %s, instead of %s.", s.low.About(), v.at(s.to), s.promised.About())
		evidence = append(evidence, charted(s.of)...)
	}
	if signs := v.signs(drain.Leakage); len(signs.words) > 0 {
		if severity == drain.Moderate {
			headline = "Drain probably blocked: sluggish, and leaking around the tube"
		}
		severity = drain.High
		text += " Fluid leaks around the tube."
		evidence = append(evidence, signs.by...)
	}
	return v.finding(severity, run[0].At, headline, text, evidence...).
		figure("patency", string(last.Patency), "", string(drain.Patent))
}
