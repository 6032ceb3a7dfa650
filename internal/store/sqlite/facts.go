package sqlite

import (
	"context"
	"encoding/json"
	"slices"
	"strings"

	"tidemark/internal/drain"
	"tidemark/internal/store"
	"tidemark/internal/store/engine"
)

// Projections, as resource.fact has them.
const (
	noFact = iota
	entryFact
	drainFact
	placementFact
	concernFact
	stayFact
	placeFact
	walkFact
)

// factRow says where the projection of a resource stands. key and at are the
// drain and time of an entry, whose table is ordered by them; the other tables
// are keyed by the resource's id.
type factRow struct {
	kind int64
	key  string
	at   int64
}

// fact is a projection ready to be written. The statement's first argument is
// the id, the last the version where the table keeps it.
type fact struct {
	row       factRow
	text      string
	args      []any
	versioned bool
}

var factTables = [...]string{drainFact: "drain", placementFact: "placement", concernFact: "concern", stayFact: "stay", placeFact: "place", walkFact: "walk"}

const (
	drainColumns     = `id, patient, ward, label, type, capacity, compartment, active`
	placementColumns = `id, drain, patient, status, start, end, site, side`
	stayColumns      = `id, patient, open, places, place, start, finished, end`
	placeColumns     = `id, name, part_of, kind`
	walkColumns      = `id, patient, start, end, open`
)

func insertFact(table, columns string) string {
	return "INSERT OR REPLACE INTO " + table + " (" + columns + ") VALUES " + values(1, strings.Count(columns, ",")+1)
}

// factOf builds the projection of a resource. Its id is the resource's,
// whatever the fact says.
func factOf(id string, f store.Facts) fact {
	switch {
	case f.Entry != nil:
		e := f.Entry
		at := engine.Micro(e.At)
		return fact{factRow{entryFact, e.Drain, at}, sqlInsertEntry, []any{id, e.Drain, at, e.Patient, chartOf(e)}, true}
	case f.Drain != nil:
		d := f.Drain
		return fact{factRow{kind: drainFact}, insertFact("drain", drainColumns), []any{id, d.Patient, d.Ward, d.Label, d.Type, d.Capacity.Key(), string(d.Compartment), d.Active}, false}
	case f.Placement != nil:
		p := f.Placement
		return fact{factRow{kind: placementFact}, insertFact("placement", placementColumns),
			[]any{id, p.Drain, p.Patient, string(p.Status), micros(p.Start), micros(p.End), p.Site, p.Side}, false}
	case f.Concern != nil:
		return fact{factRow{kind: concernFact}, insertFact("concern", concernColumns), concernArgs(id, f.Concern), true}
	case f.Stay != nil:
		s := f.Stay
		place := ""
		if n := len(s.Places); n > 0 {
			place = s.Places[n-1]
		}
		return fact{factRow{kind: stayFact}, insertFact("stay", stayColumns), []any{id, s.Patient, s.Open, join(s.Places), place, micros(s.Start), s.Finished, micros(s.End)}, false}
	case f.Place != nil:
		return fact{factRow{kind: placeFact}, insertFact("place", placeColumns), []any{id, f.Place.Name, f.Place.PartOf, f.Place.Kind}, false}
	case f.Walk != nil:
		w := f.Walk
		return fact{factRow{kind: walkFact}, insertFact("walk", walkColumns), []any{id, w.Patient, micros(w.Start), micros(w.End), w.Open}, false}
	}
	return fact{}
}

// replace takes away what the resource had and writes the new projection.
func (f fact) replace(c *conn, id string, before factRow, version int64) error {
	if before.kind != noFact && before != f.row {
		var err error
		if before.kind == entryFact {
			err = c.exec("DELETE FROM entry WHERE drain = ? AND at = ? AND id = ?", before.key, before.at, id)
		} else {
			err = c.exec("DELETE FROM "+factTables[before.kind]+" WHERE id = ?", id)
		}
		if err != nil {
			return err
		}
	}
	if f.row.kind == noFact {
		return nil
	}
	args := f.args
	if f.versioned {
		args = append(slices.Clip(args), version)
	}
	return c.exec(f.text, args...)
}

// join makes one text of ids or codes, none of which holds a space.
func join[T ~string](list []T) string {
	var b strings.Builder
	for i, s := range list {
		if i > 0 {
			b.WriteByte(' ')
		}
		b.WriteString(string(s))
	}
	return b.String()
}

func split[T ~string](s string) []T {
	if s == "" {
		return nil
	}
	var out []T
	for _, f := range strings.Split(s, " ") {
		out = append(out, T(f))
	}
	return out
}

// volume reads what Volume.Key wrote.
func (r row) volume(i int) drain.Volume {
	v, _ := drain.ParseML(r.text(i)) // written by Key only
	return v
}

func drainRow(r row) drain.Drain {
	return drain.Drain{ID: r.text(0), Patient: r.text(1), Ward: r.text(2), Label: r.text(3), Type: r.text(4), Capacity: r.volume(5),
		Compartment: drain.Compartment(r.text(6)), Active: r.bool(7)}
}

func placementRow(r row) drain.Placement {
	return drain.Placement{ID: r.text(0), Drain: r.text(1), Patient: r.text(2), Status: drain.PlacementStatus(r.text(3)),
		Start: r.moment(4), End: r.moment(5), Site: r.text(6), Side: r.text(7)}
}

func stayRow(r row) drain.Stay {
	return drain.Stay{ID: r.text(0), Patient: r.text(1), Open: r.bool(2), Places: split[string](r.text(3)), Start: r.moment(5), Finished: r.bool(6), End: r.moment(7)}
}

func placeRow(r row) drain.Place {
	return drain.Place{ID: r.text(0), Name: r.text(1), PartOf: r.text(2), Kind: r.text(3)}
}

func walkRow(r row) drain.Walk {
	return drain.Walk{ID: r.text(0), Patient: r.text(1), Start: r.moment(2), End: r.moment(3), Open: r.bool(4)}
}

// list reads rows of one projection.
func list[T any](ctx context.Context, s *Store, make func(row) T, text string, args ...any) ([]T, error) {
	var out []T
	err := s.read(ctx, "read a projection", func(c *conn) error {
		out = nil
		return c.rows(ctx, func(r row) error { out = append(out, make(r)); return nil }, text, args...)
	})
	if err != nil {
		return nil, err
	}
	return out, nil
}

// lookup reads the row of one id.
func lookup[T any](ctx context.Context, s *Store, make func(row) T, text, id string) (out T, ok bool, err error) {
	err = s.read(ctx, "read a projection", func(c *conn) error {
		r, err := c.one(text, id)
		if err == nil && r != nil {
			out, ok = make(r), true
		}
		return err
	})
	return out, ok, err
}

// ids is a list of ids as one argument for json_each, so that the statement
// does not depend on how many they are.
func ids(list []string) string {
	if len(list) == 0 {
		return "[]"
	}
	b, _ := json.Marshal(list) // strings always marshal
	return string(b)
}

const (
	sqlDrain    = "SELECT " + drainColumns + " FROM drain WHERE id = ?"
	sqlOpen     = "end IS NULL AND status NOT IN ('entered-in-error', 'intended', 'completed', 'stopped')" // drain.Placement.Open
	sqlDrainsOf = "SELECT " + drainColumns + ` FROM drain WHERE id IN (
		SELECT id FROM drain WHERE patient = ?1
		UNION SELECT drain FROM placement WHERE patient = ?1 AND status <> 'entered-in-error') ORDER BY id`
	// A Device that is out of use while its placement is open is rare: it is looked
	// for among the open placements, of which there are as many as drains in place.
	sqlDrainsAt = "WITH at (id) AS (SELECT value FROM json_each(?1)), here (patient) AS (SELECT patient FROM stay WHERE open = 1 AND place IN (SELECT id FROM at) AND patient <> '') SELECT " + drainColumns + ` FROM drain WHERE id IN (
		SELECT id FROM drain WHERE active = 1 AND ward IN (SELECT id FROM at)
		UNION SELECT id FROM drain WHERE active = 1 AND patient IN (SELECT patient FROM here)
		UNION SELECT drain FROM placement WHERE patient IN (SELECT patient FROM here) AND ` + sqlOpen + `
		UNION SELECT d.id FROM placement p CROSS JOIN drain d ON d.id = p.drain WHERE p.` + sqlOpen + ` AND d.active = 0 AND d.ward IN (SELECT id FROM at)) ORDER BY id`
	sqlActiveDrains = "SELECT " + drainColumns + " FROM drain WHERE active = 1 AND id > ? ORDER BY id LIMIT ?"
	sqlPlacements   = "SELECT " + placementColumns + " FROM placement WHERE drain = ? ORDER BY start, id"

	sqlOpenPlacements = "SELECT " + placementColumns + " FROM placement WHERE end IS NULL AND id > ? ORDER BY id LIMIT ?"

	sqlStays = "SELECT " + stayColumns + " FROM stay WHERE patient IN (SELECT value FROM json_each(?)) ORDER BY start DESC, id"
	sqlWalks = "SELECT " + walkColumns + " FROM walk WHERE open = 1 AND patient IN (SELECT value FROM json_each(?)) ORDER BY start, id"
	sqlPlace = "SELECT " + placeColumns + " FROM place WHERE id = ?"
	// UNION drops what was seen, so that a circle of places ends.
	sqlPlacesWithin = "WITH RECURSIVE within (id) AS (VALUES (?) UNION SELECT p.id FROM within w JOIN place p ON p.part_of = w.id) SELECT w.id, coalesce(p.name, ''), coalesce(p.part_of, ''), coalesce(p.kind, '') FROM within w LEFT JOIN place p ON p.id = w.id ORDER BY w.id"
)

// Drain implements store.Store, as do the methods below.
func (s *Store) Drain(ctx context.Context, id string) (drain.Drain, bool, error) {
	return lookup(ctx, s, drainRow, sqlDrain, id)
}

func (s *Store) Drains(ctx context.Context, q store.DrainQuery) ([]drain.Drain, error) {
	switch {
	case q.Patient != "":
		return list(ctx, s, drainRow, sqlDrainsOf, q.Patient)
	case q.Places != nil:
		return list(ctx, s, drainRow, sqlDrainsAt, ids(q.Places))
	}
	return list(ctx, s, drainRow, sqlActiveDrains, q.After, q.Limit)
}

func (s *Store) Placements(ctx context.Context, drainID string) ([]drain.Placement, error) {
	return list(ctx, s, placementRow, sqlPlacements, drainID)
}

func (s *Store) OpenPlacements(ctx context.Context, after string, limit int) ([]drain.Placement, error) {
	return list(ctx, s, placementRow, sqlOpenPlacements, after, limit)
}

func (s *Store) Stays(ctx context.Context, patients ...string) ([]drain.Stay, error) {
	return list(ctx, s, stayRow, sqlStays, ids(patients))
}

func (s *Store) Walks(ctx context.Context, patients ...string) ([]drain.Walk, error) {
	return list(ctx, s, walkRow, sqlWalks, ids(patients))
}

func (s *Store) Place(ctx context.Context, id string) (drain.Place, bool, error) {
	return lookup(ctx, s, placeRow, sqlPlace, id)
}

func (s *Store) PlacesWithin(ctx context.Context, id string) ([]drain.Place, error) {
	return list(ctx, s, placeRow, sqlPlacesWithin, id)
}
