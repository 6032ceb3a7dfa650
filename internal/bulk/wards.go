package bulk

import (
	"context"
	"time"

	"tidemark/internal/drain"
	"tidemark/internal/fault"
	"tidemark/internal/fhirdate"
	"tidemark/internal/fhirjson"
	"tidemark/internal/store"
)

// wards know at which ward a drain was at a time. A transfer does not rewrite
// what was before it: the places of then are in the history of the Encounters
// and of the Device.
type wards struct {
	moves []drain.Move            // of the Device
	stays map[string][]drain.Stay // by patient, with their moves
	ward  map[string]string       // by place
}

// ward is the ward at which the drain was at t, at the latest as far as is known.
func (s *stay) ward(t time.Time) string { return s.wards.ward[s.place(t)] }

// place is the bed, where one is known, at which the drain was at t.
func (s *stay) place(t time.Time) string {
	if t.After(s.now) {
		t = s.now
	}
	d := s.drain
	d.Moves = s.wards.moves
	return drain.Where(d, s.placed, s.wards.stays[s.patient], t).Place
}

// wardsOf reads the history of a drain's places. v is the Device's version.
func (t *tabulator) wardsOf(ctx context.Context, c *course, v store.Version) (wards, error) {
	w := wards{stays: map[string][]drain.Stay{}, ward: map[string]string{}}
	var err error
	if w.moves, err = t.moves(ctx, v.Key); err != nil {
		return w, err
	}
	patients := map[string]bool{c.drain.Patient: true}
	for _, p := range c.placements {
		patients[p.Patient] = true
	}
	for _, e := range c.entries {
		patients[e.Patient] = true
	}
	delete(patients, "")
	for p := range patients {
		stays, err := t.Store.Stays(ctx, p)
		if err != nil {
			return w, err
		}
		if err := t.over.advance(ctx); err != nil {
			return w, err
		}
		stays = asOf(&t.over, "Encounter", ofPatient(p), stays, func(s drain.Stay) string { return s.ID }, func(f store.Facts) *drain.Stay { return f.Stay })
		for i := range stays {
			if stays[i].Moves, err = t.moves(ctx, store.Key{Type: "Encounter", ID: stays[i].ID}); err != nil {
				return w, err
			}
			for _, m := range stays[i].Moves {
				w.ward[m.Place] = ""
			}
			for _, place := range stays[i].Places {
				w.ward[place] = ""
			}
		}
		w.stays[p] = stays
	}
	w.ward[c.drain.Ward] = ""
	for _, m := range w.moves {
		w.ward[m.Place] = ""
	}
	for place := range w.ward {
		if w.ward[place], err = t.wardOf(ctx, place); err != nil {
			return w, err
		}
	}
	return w, nil
}

// moves gives the places that the versions of an Encounter or a Device up to the
// horizon name, each from the time at which the hospital said so, else at which
// that was written.
func (t *tabulator) moves(ctx context.Context, key store.Key) ([]drain.Move, error) {
	var moves []drain.Move
	for n := int64(1); ; n++ {
		v, err := t.Store.ReadVersion(ctx, key, n)
		if fault.Is(err, fault.NotFound) || err == nil && v.Seq > t.job.Horizon {
			return moves, nil
		}
		if err != nil {
			return nil, err
		}
		if v.Deleted() {
			continue
		}
		f, err := factsOf(v, t.reader())
		if err != nil {
			return nil, err
		}
		place := ""
		switch {
		case f.Drain != nil:
			place = f.Drain.Ward
		case f.Stay != nil && len(f.Stay.Places) > 0:
			place = f.Stay.Places[len(f.Stay.Places)-1]
		}
		from := v.At
		if said, err := since(v, place); err == nil && !said.IsZero() {
			from = said
		}
		switch last := len(moves) - 1; {
		case place == "":
		case last < 0: // before that nobody knows of another
			moves = append(moves, drain.Move{Place: place})
		case moves[last].Place != place && !from.Before(moves[last].From):
			moves = append(moves, drain.Move{Place: place, From: from})
		}
	}
}

// since is from when the Encounter says that the patient is at the place.
func since(v store.Version, place string) (at time.Time, err error) {
	n, err := fhirjson.Parse(v.Body.JSON)
	if err != nil {
		return at, err
	}
	for _, l := range n.Each("location") {
		if ref := l.Path("location").Str("reference"); ref == "Location/"+place {
			if t, err := fhirdate.Instant(l.Path("period").Str("start")); err == nil {
				at = t
			}
		}
	}
	return at, nil
}

// wardOf is the ward that a place is, or is part of.
func (t *tabulator) wardOf(ctx context.Context, place string) (string, error) {
	var chain []drain.Place
	for id := place; id != "" && len(chain) < 16; {
		p, _, err := t.Store.Place(ctx, id)
		if err != nil {
			return "", err
		}
		p.ID = id
		chain = append(chain, p)
		id = p.PartOf
	}
	return drain.Ward(chain).ID, nil
}
