package sqlite

import (
	"context"

	"tidemark/internal/fault"
)

const (
	sqlState  = "SELECT value, rev FROM state WHERE name = ?"
	sqlStates = "SELECT name FROM state WHERE name >= ? AND (?2 IS NULL OR name < ?2) ORDER BY name"
)

// State implements store.Store.
func (s *Store) State(ctx context.Context, name string) (value []byte, rev int64, err error) {
	err = s.read(ctx, "read a state", func(c *conn) error {
		r, err := c.one(sqlState, name)
		if err == nil && r != nil {
			value, rev = r.blob(0), r.int(1)
		}
		return err
	})
	return value, rev, err
}

// SetState implements store.Store.
func (s *Store) SetState(ctx context.Context, name string, value []byte, rev int64) (int64, error) {
	var out int64
	err := s.write(ctx, true, func(w *writer) error {
		r, err := w.c.one(sqlState, name)
		if err != nil {
			return err
		}
		var have int64
		if r != nil {
			have = r.int(1)
		}
		if have != rev {
			return fault.New(fault.Precondition, "conflict", "The state %q was changed in the meantime.", name)
		}
		if value == nil {
			out = 0
			return w.c.exec("DELETE FROM state WHERE name = ?", name)
		}
		w.rev++
		out = w.rev
		if err := w.c.exec("UPDATE revision SET last = ? WHERE one = 1", w.rev); err != nil {
			return err
		}
		return w.c.exec("INSERT OR REPLACE INTO state (name, value, rev) VALUES (?, ?, ?)", name, value, w.rev)
	})
	return out, err
}

// States implements store.Store.
func (s *Store) States(ctx context.Context, prefix string) ([]string, error) {
	var end any
	if b := after(prefix); b != nil {
		end = string(b)
	}
	return list(ctx, s, func(r row) string { return r.text(0) }, sqlStates, prefix, end)
}
