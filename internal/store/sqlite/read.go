package sqlite

import (
	"context"

	"tidemark/internal/fault"
	"tidemark/internal/store"
	"tidemark/internal/store/engine"
)

// versionColumns are what versionOf reads, of "version v" and "resource r".
const (
	versionColumns = "r.type, r.id, v.number, v.seq, v.at, v.method, v.meta, v.body"
	versionWidth   = 8
)

// erased is version.meta of an erased version, which reads as a deletion.
const erased = -1

func versionOf(r row) store.Version {
	v := store.Version{
		Key: store.Key{Type: r.text(0), ID: r.text(1)}, Number: r.int(2), Seq: r.int(3), At: engine.OfMilli(r.int(4)),
		Method: store.Method(r.text(5)), Body: store.Body{JSON: r.blob(7), Meta: int(r.int(6))},
	}
	if v.Body.Meta == erased {
		v.Body.Meta, v.Erased = 0, true
	}
	return v
}

const (
	sqlRead        = "SELECT " + versionColumns + " FROM resource r JOIN version v ON v.seq = r.seq WHERE r.type = ? AND r.id = ?"
	sqlReadVersion = "SELECT " + versionColumns + " FROM resource r JOIN version v ON v.rid = r.rid WHERE r.type = ? AND r.id = ? AND v.number = ?"
	sqlLoad        = "SELECT " + versionColumns + " FROM version v JOIN resource r ON r.rid = v.rid WHERE v.seq = ?"
	sqlChanges     = "SELECT " + versionColumns + " FROM version v JOIN resource r ON r.rid = v.rid WHERE v.seq > ? ORDER BY v.seq LIMIT ?"
	// The last version of each resource at a horizon: mostly the current one.
	sqlScan = "SELECT " + versionColumns + " FROM version v JOIN resource r ON r.rid = v.rid WHERE v.type = ?1 AND v.seq > ?2 AND v.seq <= ?3" +
		" AND (r.seq = v.seq OR NOT EXISTS (SELECT 1 FROM version n WHERE n.rid = v.rid AND n.number = v.number + 1 AND n.seq <= ?3)) ORDER BY v.seq LIMIT ?4"
	sqlLastSeq = "SELECT ifnull(max(seq), 0) FROM version"
)

// load reads a version by its place in the change feed.
func load(c *conn, seq int64) (store.Version, error) {
	r, err := c.one(sqlLoad, seq)
	if err != nil {
		return store.Version{}, err
	}
	return versionOf(r), nil
}

// Read implements store.Store.
func (s *Store) Read(ctx context.Context, key store.Key) (store.Version, error) {
	return s.readOne(ctx, engine.NotFound(key), sqlRead, key.Type, key.ID)
}

// ReadVersion implements store.Store.
func (s *Store) ReadVersion(ctx context.Context, key store.Key, number int64) (store.Version, error) {
	none := fault.New(fault.NotFound, "not-found", "%s has no version %d.", key, number)
	return s.readOne(ctx, none, sqlReadVersion, key.Type, key.ID, number)
}

func (s *Store) readOne(ctx context.Context, none error, text string, args ...any) (v store.Version, err error) {
	err = s.read(ctx, "read", func(c *conn) error {
		r, err := c.one(text, args...)
		if err != nil {
			return err
		}
		if r == nil {
			return none
		}
		v = versionOf(r)
		return nil
	})
	return v, err
}

// Changes implements store.Store. There is one writer, and readers see whole
// transactions in order, so no earlier version can appear later.
func (s *Store) Changes(ctx context.Context, after int64, limit int) ([]store.Version, error) {
	return list(ctx, s, versionOf, sqlChanges, after, limit)
}

// Scan implements store.Store.
func (s *Store) Scan(ctx context.Context, typ string, after, upTo int64, limit int) ([]store.Version, error) {
	return list(ctx, s, versionOf, sqlScan, typ, after, upTo, limit)
}

// LastSeq implements store.Store.
func (s *Store) LastSeq(ctx context.Context) (seq int64, err error) {
	err = s.read(ctx, "read the change feed", func(c *conn) error {
		seq, err = c.number(sqlLastSeq)
		return err
	})
	return seq, err
}
