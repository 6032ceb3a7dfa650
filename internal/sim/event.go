package sim

import (
	"slices"
	"time"

	"tidemark/internal/drain"
)

// Event is something that really happened to a drain, whatever was charted.
type Event struct {
	Drain string    `json:"drain"` // id of the Device
	Event string    `json:"event"` // one of events, "neglect": nobody goes there, or a fault of charting: "charting-late" …
	Onset time.Time `json:"onset"`
	End   time.Time `json:"end"`
}

// events are the kinds of events of a hospital with Options.Events, which occur
// equally often.
var events = [...]struct {
	name  string
	lasts time.Duration // 0: until the drain comes out
	begin func(*tube, int64)
}{
	{"bleed-20", 12 * hours, bleed(20)},
	{"bleed-40", 12 * hours, bleed(40)},
	{"bleed-95", 12 * hours, bleed(95)},
	{"suspect-fluid", 24 * hours, spoils},
	{"suction-lost", 24 * hours, loseSuction},
	{"block", 0, blockUnsaid},
	{"site-signs", 24 * hours, signs(drain.Redness, drain.Swelling, drain.Tenderness)},
	{"dislodged", 0, dislodge},
}

// Limits on a random event: the shortest time after the placement and before the
// end of the stay, so that there is time to notice it.
const (
	soonest = 12 * 60
	latest  = 16 * 60
)

// bleed adds blood, in mL/h, to the fluid that forms.
func bleed(rate int64) func(*tube, int64) {
	name := map[int64]string{20: "bleed-20", 40: "bleed-40", 95: "bleed-95"}[rate]
	return func(t *tube, at int64) {
		forms(rate)(t, at)
		turns(drain.Sanguineous, "red")(t, at)
		t.begins(name, at)
	}
}

// spoils turns the fluid into one that should not be there.
func spoils(t *tube, at int64) {
	kinds := [...]struct {
		drain.Appearance
		colour string
	}{{drain.Purulent, "yellow"}, {drain.Bilious, "green"}, {drain.Chylous, "white"}, {drain.Feculent, "brown"}, {drain.UrineLike, "yellow"}}
	k := kinds[t.bed.rand.IntN(len(kinds))]
	turns(k.Appearance, k.colour)(t, at)
}

// blockUnsaid blocks a drain that still gives 1 mL/h or more, and nobody charts
// the blockage.
func blockUnsaid(t *tube, at int64) {
	if t.flow >= 1000 {
		t.unsaid = true
		block(t, at)
	}
}

// heals ends what an event did.
func heals(t *tube, at int64) {
	t.run(at)
	t.extra, t.looks, t.colour, t.suction, t.signs = 0, "", "", drain.Charged, nil
	t.over(at)
}

// measured is the course of a bed of a hospital with Options.Events: up to three
// drains that heal.
func (b *bed) measured() *Course {
	bulbs := [...]port{leftAxilla, rightBreast, leftNeck, flank, rightGroin, pelvis, upperLeft, wall}
	c := &Course{Name: "measured", Story: "heals, or has one event"}
	from := b.rand.IntN(len(bulbs))
	for i := range 1 + (b.number+b.stay)%3 {
		c.ports = append(c.ports, bulbs[(from+i*3)%len(bulbs)])
	}
	return c
}

// draw sets how a drain heals in a hospital with Options.Events, and its event if
// it has one. Flows are ours.
func (t *tube) draw() {
	b := t.bed
	t.flow, t.decay = b.between(2000, 9000), b.between(36, 120)*60
	t.beats = nil
	if !b.chance(b.h.Events) {
		return
	}
	e := &events[b.rand.IntN(len(events))]
	from, to := t.since+soonest, b.anchor-latest
	if to <= from {
		return
	}
	onset := b.between(from, to)
	before := func(at int64) time.Duration { return time.Duration(b.anchor-at) * minutes }
	t.beats = append(t.beats, beat{before(onset), e.begin})
	if end := onset + int64(e.lasts/minutes); e.lasts > 0 && end < b.anchor {
		t.beats = append(t.beats, beat{before(end), heals})
	}
}

// begins records that an event begins, unless the same event is still open.
func (t *tube) begins(name string, at int64) {
	if !slices.ContainsFunc(t.events, func(e Event) bool { return e.Event == name }) {
		t.events = append(t.events, Event{Drain: t.id, Event: name, Onset: t.bed.h.clock(at)})
	}
}

// fault records wrong, late or missing charting that lasts a number of minutes, but
// not beyond the end of the run.
func (t *tube) fault(name string, at, lasts int64) {
	if t.bed.h.Truth != nil {
		end := min(at+lasts, t.bed.h.end)
		t.bed.h.Truth(Event{Drain: t.id, Event: name, Onset: t.bed.h.clock(at), End: t.bed.h.clock(max(at, end))})
	}
}

// over records that all events have ended.
func (t *tube) over(at int64) {
	for _, e := range t.events {
		if e.End = t.bed.h.clock(at); t.bed.h.Truth != nil {
			t.bed.h.Truth(e)
		}
	}
	t.events = nil
}
