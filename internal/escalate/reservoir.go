package escalate

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"tidemark/internal/drain"
)

// suctionLost holds when the last entry that says anything of the suction says
// lost: the closed reservoir re-expanded, so there is a leak, or the tube is out.
// Where entries of one instant disagree, lost counts. It is about a state and ends
// with a later entry that shows the reservoir charged, or suction off by intent.
func suctionLost(v *view) *Finding {
	run := v.run(
		func(e drain.Entry) bool { return e.Suction == drain.Lost },
		func(e drain.Entry) bool { return e.Suction == drain.Charged || e.Suction == drain.Off })
	if len(run) == 0 {
		return nil
	}
	text := fmt.Sprintf("The reservoir was charted as not holding its suction at %s, and not as charged since: the drain is not draining.", v.at(run[0].At))
	if n := len(run); n > 1 {
		text = fmt.Sprintf("The reservoir was charted as not holding its suction %d times, from %s to %s, and not as charged since: the drain is not draining.",
			n, v.at(run[0].At), v.at(run[n-1].At))
	}
	return v.finding(drain.High, run[0].At, text+" The ward's rule calls at every lost suction.", run...).
		figure("suction", string(drain.Lost), "", string(drain.Charged))
}

// reservoirFull holds when the reservoir was found full, so that its suction had
// gone: a check since the last emptying shows a fill of 100 % or more, or the last
// emptying does, by its fill or by a volume (measured, irrigant included) of the
// reservoir's capacity or more. It ends with the next emptying that shows neither.
func reservoirFull(v *view) *Finding {
	var since time.Time
	var last []drain.Entry // what showed it last
	for _, group := range slices.Backward(v.instants()) {
		full, emptied := v.full(group)
		if len(full) > 0 {
			if last == nil {
				last = full
			}
			since = group[0].At
		} else if emptied {
			break
		}
	}
	if last == nil {
		return nil
	}
	at := v.at(last[0].At)
	var texts []string
	f := v.finding(drain.Moderate, since, "", last...)
	for _, e := range last {
		if v.fullByFill(e) {
			texts = append(texts, fmt.Sprintf("The reservoir was charted %s %% full at %s.", exactly(e.Fill.Value), at))
			f.figure("fill", exactly(e.Fill.Value), "%", exactly(v.FullPercent))
			break
		}
	}
	if volume := emptied(last); volume.Cmp(v.capacity()) >= 0 {
		texts = append(texts, fmt.Sprintf("%s were emptied at %s from a reservoir of %s.", ml(volume), at, ml(v.capacity())))
		f.figure("volume emptied", exactly(volume), "mL", exactly(v.capacity()))
	}
	f.Text = fmt.Sprintf("%s A full reservoir no longer draws. The ward's rule calls at a fill of %s %% and at a volume of the reservoir's capacity.",
		strings.Join(texts, " "), exactly(v.FullPercent))
	return f
}

// full gives the entries of one instant by which the reservoir was found full, and
// whether it was emptied then.
func (v *view) full(group []drain.Entry) (by []drain.Entry, wasEmptied bool) {
	byVolume := emptied(group).Cmp(v.capacity()) >= 0
	for _, e := range group {
		wasEmptied = wasEmptied || e.Kind == drain.Emptying
		if v.fullByFill(e) || byVolume && e.Kind == drain.Emptying && e.Measured.Known {
			by = append(by, e)
		}
	}
	return by, wasEmptied
}

func (v *view) fullByFill(e drain.Entry) bool {
	return e.Fill.Known && e.Fill.Value.Cmp(v.FullPercent) >= 0
}

// emptied is the volume measured in the emptyings of one instant.
func emptied(group []drain.Entry) drain.Volume {
	var sum drain.Volume
	for _, e := range group {
		if e.Kind == drain.Emptying && e.Measured.Known {
			sum = sum.Add(e.Measured.Volume)
		}
	}
	return sum
}

// reservoirHalf holds when a check after the last emptying shows the reservoir
// half full or more; a check of the same instant is taken as made before it. A
// later check that shows less does not end it, for only emptying does that.
func reservoirHalf(v *view) *Finding {
	last, emptied := v.lastEmptying()
	var run []drain.Entry
	for _, e := range v.entries {
		if e.Kind == drain.Check && e.Fill.Known && e.Fill.Value.Cmp(v.HalfPercent) >= 0 && (!emptied || e.At.After(last.At)) {
			run = append(run, e)
		}
	}
	if len(run) == 0 {
		return nil
	}
	latest := run[len(run)-1]
	text := fmt.Sprintf("The reservoir was charted %s %% full at %s, and not emptied since. The ward's rule calls at %s %%; suction falls long before a reservoir is full.",
		exactly(latest.Fill.Value), v.at(latest.At), exactly(v.HalfPercent))
	return v.finding(drain.Moderate, run[0].At, text, run...).
		figure("fill", exactly(latest.Fill.Value), "%", exactly(v.HalfPercent))
}
