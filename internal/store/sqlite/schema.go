package sqlite

import (
	"context"
	_ "embed"
	"fmt"

	"tidemark/internal/fault"
	"tidemark/internal/search"
)

// applicationID marks a file as ours (PRAGMA application_id): "Tide".
const applicationID = 0x54696465

//go:embed schema/0001.sql
var schema1 string

//go:embed schema/0002.sql
var schema2 string

//go:embed schema/0003.sql
var schema3 string

//go:embed schema/0004.sql
var schema4 string

// step brings a file to the next schema version in one transaction: first with
// statements, then with code for what statements cannot do, such as rebuilding
// index keys from the stored bodies.
type step struct {
	statements string
	more       func(*writer) error // nil for nothing more
}

// steps lead from an empty file to the present schema. To change the schema,
// append a step; never change a step that existing files have taken. An empty file
// takes all steps, so there is one way to reach each version. TestOldFile opens a
// stored file of the first version.
var steps = []step{
	{statements: schema1},
	{statements: schema2, more: (*writer).toSchema2},
	{statements: schema3},
	{statements: schema4, more: (*writer).toSchema4},
}

// Schema is the version of the files that this program writes.
func Schema() int { return len(steps) }

// checkSchema reads the schema version of a file, the number of steps that it has
// taken (0: an empty file), and refuses a file that this program must not touch.
func checkSchema(c *conn) (int, error) {
	version, err := c.number("PRAGMA user_version")
	if err != nil {
		return 0, err
	}
	app, err := c.number("PRAGMA application_id")
	if err != nil {
		return 0, err
	}
	tables, err := c.number("SELECT count(*) FROM sqlite_schema")
	switch {
	case err != nil:
		return 0, err
	case app != applicationID && tables > 0:
		return 0, fault.New(fault.Unavailable, "exception", "The data file was not written by Tidemark; give another data directory.")
	case version > int64(len(steps)):
		return 0, fault.New(fault.Unavailable, "exception",
			"The data file has schema version %d, this program knows up to %d; start the newer Tidemark that wrote it.", version, len(steps))
	}
	return int(version), nil
}

// migrate takes the steps that the file lacks.
func (w *writer) migrate() error {
	version, err := checkSchema(w.c)
	if err != nil {
		return err
	}
	for n := version; n < len(steps); n++ {
		if version > 0 {
			w.s.log.Info("bringing the data file to a newer schema, after which older programs refuse it", "from", n, "to", n+1)
		}
		if err := w.take(steps[n], n+1); err != nil {
			_ = w.c.script("ROLLBACK") // fails when nothing was begun
			return fmt.Errorf("migrate to schema %d: %w", n+1, err)
		}
	}
	return nil
}

func (w *writer) take(s step, version int) error {
	if err := w.c.script("BEGIN IMMEDIATE;\n" + s.statements); err != nil {
		return err
	}
	if s.more != nil {
		if err := s.more(w); err != nil {
			return err
		}
		w.c.finalize() // the prepared statements may use tables that no longer exist
	}
	return w.c.script(fmt.Sprintf("PRAGMA application_id = %d; PRAGMA user_version = %d; COMMIT", applicationID, version))
}

// toSchema2 gives entries their one column, and adds the keys of the search
// parameters that came with it.
func (w *writer) toSchema2() error {
	if err := w.chartEntries(); err != nil {
		return err
	}
	for _, typ := range search.Changed[2] {
		if err := w.indexAnew(typ); err != nil {
			return err
		}
	}
	return w.insertKeys()
}

// indexAnew adds the keys that new parameters give the versions of a type.
// Parameters are only ever added, and so far only ones that are searched by key.
func (w *writer) indexAnew(typ string) error {
	var seqs []int64
	if err := w.c.quick(func(r row) error { seqs = append(seqs, r.int(0)); return nil }, "SELECT seq FROM version WHERE type = ?", typ); err != nil {
		return err
	}
	for _, seq := range seqs {
		r, err := w.c.one("SELECT v.rid, v.body, r.seq, r.date FROM version v JOIN resource r ON r.rid = v.rid WHERE v.seq = ?", seq)
		if err != nil {
			return err
		}
		if r.null(1) {
			continue // a deletion
		}
		rid, current, date := r.int(0), r.int(2) == seq, r.int(3)
		d, err := w.s.extract(context.Background(), r.blob(1))
		if err != nil {
			return fmt.Errorf("read version %d: %w", seq, err)
		}
		d.Type = typ
		for _, k := range d.Keys() {
			if current {
				w.keys = append(w.keys, keyRow{k, date, rid})
				continue
			}
			// Keys that the current version no longer has, for the history. Extra keys do no harm there.
			if err := w.c.exec("INSERT OR IGNORE INTO past_key (key, rid) VALUES (?, ?)", k, rid); err != nil {
				return err
			}
		}
	}
	return nil
}
