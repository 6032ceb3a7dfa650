package drain

import (
	"cmp"
	"slices"
	"time"
)

// Emptied is one emptying of a reservoir and all that was charted of it. A bulb
// that is poured into a small vessel is read two or three times, and two people
// may each chart a part: rates, courses, due times and findings are about the
// emptying, not about the cup.
type Emptied struct {
	// Readings are the entries, in order; there is at least one.
	Readings []Entry
	// Known: every reading was measured. Measured and Instilled are sums over those
	// that were.
	Known               bool
	Measured, Instilled Volume
}

// Emptyings makes one emptying of the readings that were taken within so long
// after its first. The entries may come in any order and be of any kind: those
// that are not of an emptying, and those that do not count, are passed over. All
// are taken to be of one drain and one stay. The emptyings may share memory with them.
//
// This is the one place that does so. Readings of one instant belong together
// whatever the span is.
func Emptyings(entries []Entry, within time.Duration) []Emptied {
	readings := entries // most courses hold nothing else, and need no copy
	if slices.ContainsFunc(entries, func(e Entry) bool { return e.Kind != Emptying || !e.Counts() }) {
		readings = nil
		for i := range entries {
			if e := &entries[i]; e.Kind == Emptying && e.Counts() {
				readings = append(readings, *e)
			}
		}
	}
	if !slices.IsSortedFunc(readings, Entry.Compare) {
		readings = slices.SortedFunc(slices.Values(readings), Entry.Compare)
	}
	var all []Emptied
	for from, i := 0, 1; i <= len(readings); i++ {
		if i == len(readings) || readings[i].At.Sub(readings[from].At) > within {
			all = append(all, emptied(readings[from:i:i]))
			from = i
		}
	}
	return all
}

func emptied(readings []Entry) Emptied {
	e := Emptied{Readings: readings, Known: true}
	for i := range readings {
		r := &readings[i]
		if !r.Measured.Known {
			e.Known = false
			continue
		}
		e.Measured = e.Measured.Add(r.Measured.Volume)
		e.Instilled = e.Instilled.Add(r.Instilled)
	}
	return e
}

// First is when the first reading was taken.
func (e Emptied) First() time.Time { return e.Readings[0].At }

// At is when the emptying was over: the time of the last reading.
func (e Emptied) At() time.Time { return e.Last().At }

// Last is the last reading.
func (e Emptied) Last() Entry { return e.Readings[len(e.Readings)-1] }

// Net is measured minus instilled; it may be negative, and is 0 unless Known.
func (e Emptied) Net() Volume {
	if !e.Known {
		return Volume{}
	}
	return e.Measured.Sub(e.Instilled)
}

// Fill before emptying is that of the first reading that says it.
func (e Emptied) Fill() Percent {
	for i := range e.Readings {
		if f := e.Readings[i].Fill; f.Known {
			return f
		}
	}
	return Percent{}
}

// Suction after emptying is that of the last reading that says it; where those of
// one instant disagree, a loss counts.
func (e Emptied) Suction() Suction {
	var last *Entry
	for i := range slices.Backward(e.Readings) {
		r := &e.Readings[i]
		if r.Suction == "" {
			continue
		}
		if last == nil || r.At.Equal(last.At) && r.Suction == Lost {
			last = r
		}
	}
	if last == nil {
		return ""
	}
	return last.Suction
}

// Appearance is the darkest of the readings. A look without a rank is said before
// any that has one, since it is a finding of its own.
func (e Emptied) Appearance() Appearance {
	var look Appearance
	for i := range e.Readings {
		look = worse(look, e.Readings[i].Appearance)
	}
	return look
}

// worse gives the look that must not be lost: one without a rank, other than
// "other", before a darker one before a lighter one.
func worse(a, b Appearance) Appearance {
	weight := func(a Appearance) int {
		rank, ranked := a.Rank()
		switch {
		case a == "":
			return -2
		case ranked:
			return rank
		case a == OtherLook:
			return -1
		}
		return 100
	}
	if weight(b) > weight(a) {
		return b
	}
	return a
}

// Milked reports whether the tubing was milked or stripped with it.
func (e Emptied) Milked() bool {
	return slices.ContainsFunc(e.Readings, func(r Entry) bool { return r.Did(TubingMilked) })
}

// Preliminary reports whether a reading is.
func (e Emptied) Preliminary() bool { return slices.ContainsFunc(e.Readings, Entry.Preliminary) }

// IDs are those of the readings, in order.
func (e Emptied) IDs() []string {
	ids := make([]string, len(e.Readings))
	for i := range e.Readings {
		ids[i] = e.Readings[i].ID
	}
	return ids
}

// Compare is the order of Before, for sorting.
func (e Entry) Compare(o Entry) int { return cmp.Or(e.At.Compare(o.At), cmp.Compare(e.ID, o.ID)) }
