package escalate

import (
	"fmt"
	"math/big"
	"strings"
	"time"

	"tidemark/internal/drain"
)

// readingDoubt holds when an emptying of the last 24 h can hardly be as charted:
//
//   - more than its vessel holds;
//   - more than 1.5 times what the reservoir holds;
//   - finer than the marks of its vessel, unless charted as an estimate;
//   - the same measured volume as another emptying within 10 minutes, which may be
//     one emptying entered twice (the later of the two is the doubtful one);
//   - net output below zero: less came out than was put in.
//
// The readings count all the same, in every figure. The finding is about events
// and ends 24 h after the last doubtful reading, or when that is corrected.
func readingDoubt(v *view) *Finding {
	doubts := v.doubts()
	if len(doubts) == 0 {
		return nil
	}
	var texts []string
	var evidence []drain.Entry
	for i, d := range doubts {
		evidence = append(evidence, d.of...)
		if i < longestList {
			texts = append(texts, d.text)
		}
	}
	if more := len(doubts) - longestList; more > 0 {
		texts = append(texts, count(more, "more doubt.", "more doubts."))
	}
	f := v.finding(drain.Low, doubts[0].at, strings.Join(texts, " ")+" The readings count as charted until they are corrected.", evidence...)
	for _, d := range doubts {
		f.Figures = append(f.Figures, d.figure)
	}
	return f
}

func readingDoubtTurns(v *view) []time.Time {
	var turns []time.Time
	for _, d := range v.doubts() {
		turns = append(turns, d.at.Add(v.DoubtLast))
	}
	return turns
}

// doubt is one thing that is odd about a reading.
type doubt struct {
	at     time.Time
	text   string
	figure Figure
	of     []drain.Entry
}

func (v *view) findDoubts() []doubt {
	oldest := v.now.Add(-v.DoubtLast)  // and this instant is out
	latest := map[string]drain.Entry{} // of each volume, the last reading so far
	var doubts []doubt
	for _, e := range v.entries {
		if e.Kind != drain.Emptying || !e.Measured.Known || !e.At.After(oldest.Add(-v.DoubleWithin-1)) {
			continue
		}
		if !e.At.After(oldest) {
			latest[e.Measured.Volume.Key()] = e
			continue
		}
		add := func(figure Figure, of []drain.Entry, format string, args ...any) {
			text := fmt.Sprintf("The reading of %s at %s ", ml(e.Measured.Volume), v.at(e.At)) + fmt.Sprintf(format, args...)
			doubts = append(doubts, doubt{e.At, text, figure, of})
		}
		self := []drain.Entry{e}
		volume := e.Measured.Volume
		vessel := v.Vessels[e.Vessel]
		if vessel.Capacity.Sign() > 0 && volume.Cmp(vessel.Capacity) > 0 {
			add(Figure{"volume in a " + string(e.Vessel), exactly(volume), "mL", exactly(vessel.Capacity)}, self,
				"is more than the %s of a %s.", ml(vessel.Capacity), e.Vessel)
		}
		if most := times(v.capacity(), v.ReservoirFactor); volume.Cmp(most) > 0 {
			add(Figure{"volume from the reservoir", exactly(volume), "mL", exactly(most)}, self,
				"is more than %s times the %s of the reservoir.", exactly(v.ReservoirFactor), ml(v.capacity()))
		}
		if vessel.Graduation.Sign() > 0 && !e.Estimated && !new(big.Rat).Quo(volume.Rat(), vessel.Graduation.Rat()).IsInt() {
			add(Figure{"volume read in a " + string(e.Vessel), exactly(volume), "mL", exactly(vessel.Graduation)}, self,
				"is finer than the marks of a %s, every %s.", e.Vessel, ml(vessel.Graduation))
		}
		if before, ok := latest[volume.Key()]; ok && e.At.Sub(before.At) <= v.DoubleWithin {
			add(Figure{"time between two readings of " + ml(volume), minutes(e.At.Sub(before.At)), "min", minutes(v.DoubleWithin)}, []drain.Entry{before, e},
				"is the same as that at %s; within %s it may have been entered twice.", v.at(before.At), spell(v.DoubleWithin))
		}
		if net, _ := e.Net(); net.Sign() < 0 {
			add(Figure{"net output", exactly(net), "mL", "0"}, self,
				"is less than the %s of irrigant put in: net %s.", ml(e.Instilled), ml(net))
		}
		latest[volume.Key()] = e
	}
	return doubts
}
