package drain

import (
	"cmp"
	"slices"
	"time"
)

// Whereabouts say where a drain is.
type Whereabouts struct {
	Place string // logical id of the Location, a bed where one is known; "" where none is
	Home  bool   // the patient has gone home with the drain
}

// Where is the one rule for where a drain is: where its patient is by the
// Encounter that lasts at t; else, when an Encounter of this placement has
// finished, at home; else where Device.location says. So a transfer moves the
// drain at once, everywhere. The ward is what the place is part of: Ward.
//
// placed is when the drain was placed, zero where that is not known: a stay that
// was over by then says nothing of it. Of stays that last at the same time the
// one that began last holds. The rule answers for the past where the stays and
// the drain have their moves, so that a transfer never rewrites what was before.
func Where(d Drain, placed time.Time, stays []Stay, t time.Time) Whereabouts {
	here := During(stays, t)
	place := moved(d.Moves, t, d.Ward)
	if here == nil {
		for _, s := range stays {
			if s.Finished && !s.Start.After(t) && (s.End.IsZero() || s.End.After(placed)) {
				return Whereabouts{Home: true}
			}
		}
		return Whereabouts{Place: place}
	}
	last := ""
	if n := len(here.Places); n > 0 {
		last = here.Places[n-1]
	}
	return Whereabouts{Place: cmp.Or(moved(here.Moves, t, last), place)}
}

// During is the stay that the patient is in at t: of several, the one that began
// last. It is nil without one.
func During(stays []Stay, t time.Time) *Stay {
	var here *Stay
	for i := range stays {
		s := &stays[i]
		if s.Start.After(t) || !s.Open && !(s.Finished && s.End.After(t)) {
			continue
		}
		if here == nil || cmp.Or(here.Start.Compare(s.Start), cmp.Compare(s.ID, here.ID)) < 0 {
			here = s
		}
	}
	return here
}

// moved is the place of the last move at or before t; the first one's before it.
func moved(moves []Move, t time.Time, now string) string {
	if len(moves) == 0 {
		return now
	}
	place := moves[0].Place
	for _, m := range moves {
		if m.From.After(t) {
			break
		}
		place = m.Place
	}
	return place
}

// Ward finds the ward among a place and what it is part of, innermost first: the
// first that says it is one, else what a bed or room is part of, else the place
// itself.
func Ward(chain []Place) Place {
	if i := slices.IndexFunc(chain, func(p Place) bool { return p.Kind == "wa" }); i >= 0 {
		return chain[i]
	}
	if len(chain) == 0 {
		return Place{}
	}
	i := 0
	for i+1 < len(chain) && (i == 0 && chain[0].Kind == "" || chain[i].Kind == "bd" || chain[i].Kind == "ro") {
		i++
	}
	return chain[i]
}
