package sqlite

import (
	"context"
	"encoding/binary"
	"errors"
	"slices"
	"time"

	"tidemark/internal/drain"
	"tidemark/internal/store"
	"tidemark/internal/store/engine"
)

// An entry's row has columns for what queries select by, and the rest in one
// value: every evaluation and every answer reads entries by the hundred, and
// through the driver a column costs nearly as much as a row.

const (
	entryColumns = "id, drain, at, patient, chart, version"

	sqlInsertEntry          = "INSERT OR REPLACE INTO entry (" + entryColumns + ") VALUES (?, ?, ?, ?, ?, ?)"
	sqlEntriesOfDrain       = "SELECT " + entryColumns + " FROM entry WHERE drain = ? AND at >= ? AND at < ? ORDER BY at, id"
	sqlEntriesOfPatient     = "SELECT " + entryColumns + " FROM entry WHERE patient = ? AND at >= ? AND at < ? ORDER BY at, id"
	sqlLastEntriesOfDrain   = "SELECT " + entryColumns + " FROM entry WHERE drain = ? AND at >= ? AND at < ? ORDER BY at DESC, id DESC LIMIT ?"
	sqlLastEntriesOfPatient = "SELECT " + entryColumns + " FROM entry WHERE patient = ? AND at >= ? AND at < ? ORDER BY at DESC, id DESC LIMIT ?"
)

// Flags of a chart value.
const (
	isMeasured = 1 << iota
	isEstimated
	isFilled
	isAssessed
	isDislodged
	hasMore // odour and care follow, which older values lack
)

// chartOf is what an entry says beside its columns: flags, then each text with
// its length before it. Exact numbers are text, as Volume.Key writes it.
func chartOf(e *drain.Entry) []byte {
	var flags byte
	set := func(flag byte, on bool) {
		if on {
			flags |= flag
		}
	}
	set(isMeasured, e.Measured.Known)
	set(isEstimated, e.Estimated)
	set(isFilled, e.Fill.Known)
	set(isAssessed, e.Assessed)
	set(isDislodged, e.Dislodged)
	more := e.Odour != "" || len(e.Care) > 0
	set(hasMore, more)
	b := append(make([]byte, 0, 96), flags)
	texts := []string{
		string(e.Kind), e.Status, amount(e.Measured.Volume), e.Measured.Absent, amount(e.Instilled), string(e.Vessel), string(e.Appearance), e.Colour,
		string(e.Suction), string(e.Patency), amount(e.Fill.Value), join(e.Signs), e.Route, e.RouteText, amount(e.Kilograms), e.DoneBy,
	}
	if more {
		texts = append(texts, e.Odour, join(e.Care))
	}
	for _, s := range texts {
		b = binary.AppendUvarint(b, uint64(len(s)))
		b = append(b, s...)
	}
	return b
}

// amount is an exact number, with nothing for zero.
func amount(v drain.Volume) string {
	if v.Sign() == 0 {
		return ""
	}
	return v.Key()
}

var errChart = errors.New("the charted values of an entry cannot be read")

// readChart sets what chartOf has written.
func readChart(e *drain.Entry, chart []byte) error {
	if len(chart) == 0 {
		return errChart
	}
	flags, all, at := chart[0], string(chart), 1 // one copy, of which all texts are parts
	broken := false
	text := func() string {
		n, width := binary.Uvarint(chart[at:])
		if width <= 0 || n > uint64(len(chart)-at-width) {
			broken, at = true, len(chart)
			return ""
		}
		begin := at + width
		at = begin + int(n)
		return all[begin:at]
	}
	number := func() drain.Volume {
		s := text()
		if s == "" {
			return drain.Volume{}
		}
		v, ok := drain.ParseML(s)
		broken = broken || !ok
		return v
	}
	e.Kind, e.Status = drain.Kind(text()), text()
	e.Measured.Volume, e.Measured.Absent = number(), text()
	e.Instilled = number()
	e.Vessel, e.Appearance, e.Colour = drain.Vessel(text()), drain.Appearance(text()), text()
	e.Suction, e.Patency = drain.Suction(text()), drain.Patency(text())
	e.Fill.Value = number()
	e.Signs = split[drain.Sign](text())
	e.Route, e.RouteText = text(), text()
	e.Kilograms = number()
	e.DoneBy = text()
	if flags&hasMore != 0 {
		e.Odour, e.Care = text(), split[drain.Care](text())
	}
	e.Measured.Known, e.Estimated, e.Fill.Known = flags&isMeasured != 0, flags&isEstimated != 0, flags&isFilled != 0
	e.Assessed, e.Dislodged = flags&isAssessed != 0, flags&isDislodged != 0
	if broken || at != len(chart) {
		return errChart
	}
	return nil
}

func entryRow(r row) (drain.Entry, error) {
	e := drain.Entry{ID: r.text(0), Drain: r.text(1), At: r.moment(2), Patient: r.text(3), Version: r.int(5)}
	err := readChart(&e, r.blob(4))
	return e, err
}

// Entries implements store.Store.
func (s *Store) Entries(ctx context.Context, q store.EntryQuery) ([]drain.Entry, error) {
	of, text, textLast := q.Drain, sqlEntriesOfDrain, sqlLastEntriesOfDrain
	if q.Drain == "" {
		of, text, textLast = q.Patient, sqlEntriesOfPatient, sqlLastEntriesOfPatient
	}
	if of == "" {
		return nil, nil // entries without a drain are no drain's
	}
	args := []any{of, engine.Bound(q.From, first), engine.Bound(q.To, last)}
	if q.First > 0 {
		text, args = text+" LIMIT ?", append(args, q.First)
	}
	if q.Last > 0 {
		text, args = textLast, append(args, q.Last)
	}
	var out []drain.Entry
	err := s.read(ctx, "read entries", func(c *conn) (err error) {
		return c.rows(ctx, func(r row) error {
			e, err := entryRow(r)
			out = append(out, e)
			return err
		}, text, args...)
	})
	if err != nil {
		return nil, err
	}
	if q.Last > 0 {
		slices.Reverse(out)
	}
	return out, nil
}

// Latest implements store.Store. A goroutine for each statement, as one that
// can be interrupted takes, would cost more than the statement.
func (s *Store) Latest(ctx context.Context, drains []string, to time.Time, most int) (map[string]store.Latest, error) {
	out := make(map[string]store.Latest, len(drains))
	err := s.snapshot(ctx, "read what was charted lately", func(c *conn) error {
		clear(out)
		for _, id := range drains {
			if err := ctx.Err(); err != nil {
				return err
			}
			var l store.Latest
			err := c.quick(func(r row) error { l.Placements = append(l.Placements, placementRow(r)); return nil }, sqlPlacements, id)
			if err != nil {
				return err
			}
			l.Entries = make([]drain.Entry, 0, most)
			err = c.quick(func(r row) error {
				e, err := entryRow(r)
				l.Entries = append(l.Entries, e)
				return err
			}, sqlLastEntriesOfDrain, id, first, engine.Bound(to, last), most)
			if err != nil {
				return err
			}
			slices.Reverse(l.Entries)
			out[id] = l
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	return out, nil
}

// chartEntries fills the entry table of schema 2 from that of schema 1, which
// had a column for every value.
func (w *writer) chartEntries() error {
	c := w.c
	const columns = "id, drain, at, patient, kind, status, measured, absent, instilled, estimated, vessel, appearance, colour, suction, patency, fill, signs, assessed, dislodged, route, route_text, kilograms, done_by, version"
	const page = 1000
	type place struct {
		drain, id string
		at        int64
	}
	last := place{at: first}
	for {
		var batch []drain.Entry
		err := c.quick(func(r row) error {
			e, err := columnsEntry(r)
			batch, last = append(batch, e), place{r.text(1), r.text(0), r.int(2)}
			return err
		}, "SELECT "+columns+" FROM entry_1 WHERE (drain, at, id) > (?, ?, ?) ORDER BY drain, at, id LIMIT ?", last.drain, last.at, last.id, page)
		if err != nil {
			return err
		}
		for i := range batch {
			e := &batch[i]
			if err := c.exec(sqlInsertEntry, e.ID, e.Drain, engine.Micro(e.At), e.Patient, chartOf(e), e.Version); err != nil {
				return err
			}
		}
		if len(batch) < page {
			return c.script("DROP TABLE entry_1")
		}
	}
}

// columnsEntry reads a row of schema 1.
func columnsEntry(r row) (drain.Entry, error) {
	e := drain.Entry{
		ID: r.text(0), Drain: r.text(1), At: r.moment(2), Patient: r.text(3), Kind: drain.Kind(r.text(4)), Status: r.text(5),
		Measured: drain.Measure{Known: !r.null(6), Absent: r.text(7)}, Estimated: r.bool(9),
		Vessel: drain.Vessel(r.text(10)), Appearance: drain.Appearance(r.text(11)), Colour: r.text(12),
		Suction: drain.Suction(r.text(13)), Patency: drain.Patency(r.text(14)), Fill: drain.Percent{Known: !r.null(15)},
		Signs: split[drain.Sign](r.text(16)), Assessed: r.bool(17), Dislodged: r.bool(18),
		Route: r.text(19), RouteText: r.text(20), DoneBy: r.text(22), Version: r.int(23),
	}
	for _, v := range []struct {
		to     *drain.Volume
		column int
	}{{&e.Measured.Volume, 6}, {&e.Instilled, 8}, {&e.Fill.Value, 15}, {&e.Kilograms, 21}} {
		if r.null(v.column) {
			continue
		}
		var ok bool
		if *v.to, ok = drain.ParseML(r.text(v.column)); !ok {
			return e, errChart
		}
	}
	return e, nil
}
