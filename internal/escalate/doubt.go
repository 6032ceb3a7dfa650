package escalate

import (
	"fmt"
	"math/big"
	"slices"
	"strings"
	"time"

	"tidemark/internal/drain"
	"tidemark/internal/window"
)

// readingDoubt holds when a reading of the last 24 h can hardly be as charted:
//
//   - more than its vessel holds;
//   - finer than half a graduation of its vessel, unless charted as an estimate;
//   - two readings of one emptying with equal volumes or by two performers, which
//     may be one emptying entered twice (the later of the two is the doubtful one);
//   - an emptying of more than 1.5 times what the reservoir holds;
//   - net output of an emptying below zero: less came out than was put in;
//   - more entries than are read at once: what came before is not compared;
//   - two drains of the patient emptied on one round, each as the other was before,
//     by volume where their usual ones are three times apart and by look where these
//     are two ranks apart or without a rank: they may have been swapped.
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
		if i < mostDoubts {
			texts = append(texts, d.text)
		}
	}
	if more := len(doubts) - mostDoubts; more > 0 {
		texts = append(texts, count(more, "more doubt.", "more doubts."))
	}
	f := v.finding(drain.Low, doubts[0].at, doubts[len(doubts)-1].headline, strings.Join(texts, " ")+" Charted readings count until they are corrected.", evidence...)
	for _, d := range doubts {
		f.Figures = append(f.Figures, d.figure)
	}
	return f
}

// mostDoubts in a text.
const mostDoubts = 5

func readingDoubtTurns(v *view) []time.Time {
	var turns []time.Time
	for _, d := range v.doubts() {
		turns = append(turns, d.at.Add(v.DoubtLast))
	}
	if cut := v.subject.Cut; !cut.IsZero() {
		turns = append(turns, cut.Add(v.LookBack())) // they may all be read again then
	}
	return turns
}

// doubt is one thing that is odd about a reading.
type doubt struct {
	at             time.Time
	headline, text string
	figure         Figure
	of             []drain.Entry
}

func (v *view) findDoubts() []doubt {
	oldest := v.now.Add(-v.DoubtLast) // and this instant is out
	var doubts []doubt
	for _, iv := range v.since(oldest) {
		var before twice
		said := 0
		for i := range iv.entries {
			e := &iv.entries[i]
			if !e.Measured.Known {
				continue
			}
			other := before.of(e)
			if other != nil {
				if said++; said > mostDoubts { // a device that charts every few seconds
					other = nil
				}
			}
			if e.At.After(oldest) {
				doubts = append(doubts, v.doubtsOfReading(other, *e)...)
			}
		}
		doubts = append(doubts, v.doubtsOfEmptying(iv)...)
	}
	doubts = append(doubts, v.doubtsOfSwap(oldest)...)
	if cut := v.subject.Cut; !cut.IsZero() && len(v.entries) > 0 {
		doubts = append(doubts, doubt{
			cut, "Too many entries: those before " + v.at(cut) + " are not compared",
			fmt.Sprintf("So much is charted of this drain that only entries since %s are looked at. Is a device charting?", v.at(cut)),
			Figure{"entries looked at since", cut.UTC().Format(time.RFC3339), "", ""}, v.entries[len(v.entries)-1:],
		})
	}
	slices.SortStableFunc(doubts, func(a, b doubt) int { return a.at.Compare(b.at) })
	return doubts
}

// twice finds the reading of an emptying that another one may repeat.
type twice struct {
	byVolume    map[string]*drain.Entry
	last, other *drain.Entry // the last reading, and the last that its performer did not chart
}

// of gives the latest reading before e, of the same emptying, with the same volume
// or by another performer; nil where there is none.
func (t *twice) of(e *drain.Entry) *drain.Entry {
	if t.byVolume == nil {
		t.byVolume = map[string]*drain.Entry{}
	}
	key := e.Measured.Volume.Key()
	same := t.byVolume[key]
	t.byVolume[key] = e
	if e.DoneBy != "" {
		if t.last != nil && t.last.DoneBy != e.DoneBy {
			t.other = t.last
		}
		t.last = e
		if t.other != nil && (same == nil || same.Before(*t.other)) {
			return t.other
		}
	}
	return same
}

// doubtsOfReading evaluates a reading, and one that it may repeat.
func (v *view) doubtsOfReading(other *drain.Entry, e drain.Entry) (doubts []doubt) {
	volume, vessel := e.Measured.Volume, v.Vessels[e.Vessel]
	name := strings.ReplaceAll(string(e.Vessel), "-", " ")
	add := func(figure Figure, of []drain.Entry, headline, text string) {
		doubts = append(doubts, doubt{e.At, headline, text, figure, of})
	}
	self := []drain.Entry{e}
	if vessel.Capacity.Sign() > 0 && volume.Cmp(vessel.Capacity) > 0 {
		add(Figure{"volume in a " + string(e.Vessel), exactly(volume), "mL", exactly(vessel.Capacity)}, self,
			fmt.Sprintf("%s in a %s that holds %s?", ml(volume), name, ml(vessel.Capacity)),
			fmt.Sprintf("%s were read at %s in a %s, which holds %s.", ml(volume), v.at(e.At), name, ml(vessel.Capacity)))
	}
	half := vessel.Graduation.Scale(1, 2)
	if half.Sign() > 0 && !e.Estimated && !new(big.Rat).Quo(volume.Rat(), half.Rat()).IsInt() {
		add(Figure{"volume read in a " + string(e.Vessel), exactly(volume), "mL", exactly(half)}, self,
			fmt.Sprintf("%s read in a %s marked every %s?", ml(volume), name, ml(vessel.Graduation)),
			fmt.Sprintf("%s were read at %s in a %s, which is marked every %s.", ml(volume), v.at(e.At), name, ml(vessel.Graduation)))
	}
	if other != nil {
		apart := e.At.Sub(other.At)
		words := "Two entries at one time: one emptying?"
		if apart > 0 {
			words = fmt.Sprintf("Two entries %s apart: one emptying?", window.Span(apart))
		}
		add(Figure{"time between two readings", minutes(apart), "min", minutes(v.OneEmptying)}, []drain.Entry{*other, e}, words,
			fmt.Sprintf("%s at %s and %s at %s may be one emptying entered twice.", ml(other.Measured.Volume), v.at(other.At), ml(volume), v.at(e.At)))
	}
	return doubts
}

func (v *view) doubtsOfEmptying(iv interval) (doubts []doubt) {
	add := func(figure Figure, headline, text string) {
		doubts = append(doubts, doubt{iv.end, headline, text, figure, iv.entries})
	}
	if _, volume := v.full(&iv); volume.Cmp(v.capacity().Times(v.ReservoirFactor)) > 0 {
		add(Figure{"volume from the reservoir", exactly(volume), "mL", exactly(v.capacity().Times(v.ReservoirFactor))},
			fmt.Sprintf("%s from a reservoir of %s?", ml(volume), ml(v.capacity())),
			fmt.Sprintf("%s were emptied at %s from a reservoir of %s.", ml(volume), v.at(iv.end), ml(v.capacity())))
	}
	if iv.net.Sign() < 0 {
		add(Figure{"net output", exactly(iv.net), "mL", "0"},
			fmt.Sprintf("Net output below zero: %s", ml(iv.net)),
			fmt.Sprintf("At %s less came out than the irrigant put in: net %s.", v.at(iv.end), ml(iv.net)))
	}
	return doubts
}
