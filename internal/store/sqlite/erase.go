package sqlite

import (
	"context"
	"encoding/binary"
	"errors"
	"path/filepath"
	"slices"
	"time"

	"tidemark/internal/store"
	"tidemark/internal/store/engine"
)

// Erase implements store.Store. It removes search texts first, because it needs
// the content that it erases to find them; an interrupted call can be repeated.
func (s *Store) Erase(ctx context.Context, e store.Erasure, audit []store.AuditRecord) ([]store.Result, error) {
	changes, err := s.changesOf(ctx, e.Writes)
	if err != nil {
		return nil, err
	}
	if err := s.unsay(ctx, e.Words); err != nil {
		return nil, err
	}
	var results []store.Result
	err = s.write(ctx, false, func(w *writer) (err error) {
		if results, err = w.putAll(changes); err != nil {
			return err
		}
		if err := w.insertKeys(); err != nil {
			return err
		}
		if err := w.erase(e); err != nil {
			return err
		}
		return w.audit(audit)
	})
	if err != nil {
		return nil, err
	}
	if e.More {
		return results, nil
	}
	return results, s.clear(ctx)
}

// erase removes the content of the versions.
func (w *writer) erase(e store.Erasure) error {
	numbers := map[store.Key][]int64{}
	for _, k := range e.Whole {
		numbers[k] = nil
	}
	for _, v := range e.Versions {
		if all, whole := numbers[v.Key]; !whole || all != nil {
			numbers[v.Key] = append(all, v.Number)
		}
	}
	for k, some := range numbers {
		r, err := w.c.one("SELECT rid, number, deleted FROM resource WHERE type = ? AND id = ?", k.Type, k.ID)
		switch {
		case err != nil:
			return err
		case r == nil:
			return engine.NotFound(k)
		case !r.bool(2) && (some == nil || slices.Contains(some, r.int(1))):
			return engine.Living(k)
		}
		const gone = "UPDATE version SET method = 'DELETE', meta = ?, body = NULL WHERE rid = ?"
		rid := r.int(0)
		past, err := w.keysOf(rid) // by which the past keys are found
		if err != nil {
			return err
		}
		if some == nil {
			err = w.c.exec(gone, erased, rid)
		}
		for _, n := range some {
			err = errors.Join(err, w.c.exec(gone+" AND number = ?", erased, rid, n))
		}
		for _, key := range past {
			err = errors.Join(err, w.c.exec("DELETE FROM past_key WHERE key = ? AND rid = ?", key, rid))
		}
		left, lerr := w.keysOf(rid)
		for _, key := range left {
			err = errors.Join(err, w.c.exec("INSERT OR IGNORE INTO past_key (key, rid) VALUES (?, ?)", key, rid))
		}
		if err = errors.Join(err, lerr); err != nil {
			return err
		}
		if some != nil {
			continue
		}
		const silent = "UPDATE audit SET query = '' WHERE query <> '' AND entity <> '' AND "
		err = errors.Join(w.c.exec(silent+"entity = ?", k.String()),
			w.c.exec(silent+"entity >= ? AND entity < ?", k.String()+ofVersions, k.String()+ofVersionsEnd))
		if err != nil {
			return err
		}
	}
	for _, p := range e.Patients {
		if err := w.c.exec("UPDATE audit SET query = '' WHERE query <> '' AND patient <> '' AND patient = ?", p); err != nil {
			return err
		}
	}
	return nil
}

// keysOf gives the keys that the earlier versions of a resource have.
func (w *writer) keysOf(rid int64) (keys []int64, err error) {
	var bodies []row
	err = w.c.quick(func(r row) error { bodies = append(bodies, slices.Clone(r)); return nil },
		"SELECT v.body, r.type, r.id FROM version v JOIN resource r ON r.rid = v.rid WHERE v.rid = ? AND v.body IS NOT NULL AND v.seq <> r.seq", rid)
	for _, r := range bodies {
		d, err := w.s.extract(context.Background(), r.blob(0))
		if err != nil {
			return nil, err
		}
		d.Type, d.ID = r.text(1), r.text(2)
		keys = append(keys, d.Keys()...)
	}
	slices.Sort(keys)
	return slices.Compact(keys), err
}

// unsay removes the search text of audit records that contains one of the words.
func (s *Store) unsay(ctx context.Context, words []string) error {
	if len(words) == 0 {
		return nil
	}
	var seqs []int64
	err := s.read(ctx, "read the audit records", func(c *conn) error {
		return c.rows(ctx, func(r row) error {
			if engine.Spoken(r.text(1), words) {
				seqs = append(seqs, r.int(0))
			}
			return nil
		}, "SELECT seq, query FROM audit WHERE query <> ''")
	})
	for part := range slices.Chunk(seqs, dropStep) {
		if err != nil {
			break
		}
		err = s.write(ctx, true, func(w *writer) error {
			for _, seq := range part {
				if err := w.c.exec("UPDATE audit SET query = '' WHERE seq = ?", seq); err != nil {
					return err
				}
			}
			return nil
		})
	}
	return err
}

// The engine leaves content that was deleted, or moved within the file, in the
// unused space of pages and in free pages. clear searches the whole file for such
// space and zeroes it, a few pages at a time so that others can write meanwhile.
// Then the log, which holds the old pages, is emptied. Space that others have
// reused meanwhile is already overwritten.
func (s *Store) clear(ctx context.Context) error {
	for _, find := range []func(context.Context) ([]int64, error){s.untidy, s.unused} {
		pages, err := find(ctx)
		if err != nil {
			return err
		}
		for part := range slices.Chunk(pages, clearStep) {
			if err := s.write(ctx, false, func(w *writer) error { return w.clear(part) }); err != nil {
				return err
			}
		}
	}
	return s.emptyLog(ctx)
}

const clearStep = 64 // pages of one transaction

// untidy lists the pages of trees whose unused room holds something.
func (s *Store) untidy(ctx context.Context) (pages []int64, err error) {
	var trees []string
	err = s.read(ctx, "read the data file", func(c *conn) error {
		return c.quick(func(r row) error { trees = append(trees, r.text(0)); return nil },
			"SELECT name FROM sqlite_schema WHERE rootpage > 0 UNION ALL SELECT 'sqlite_schema'")
	})
	for _, tree := range trees { // one by one: a snapshot keeps the log from starting over
		if err != nil {
			break
		}
		err = s.read(ctx, "read the data file", func(c *conn) error {
			return c.rows(ctx, func(r row) error {
				if _, changed := tidy(r.int(0), slices.Clone(r.blob(1))); changed {
					pages = append(pages, r.int(0))
				}
				return nil
			}, "SELECT p.pgno, p.data FROM dbstat s JOIN sqlite_dbpage p ON p.pgno = s.pageno WHERE s.name = ? AND s.pagetype <> 'overflow'", tree)
		})
	}
	return pages, err
}

// unused lists the free pages that hold something.
func (s *Store) unused(ctx context.Context) (pages []int64, err error) {
	err = s.read(ctx, "read the data file", func(c *conn) error {
		free, err := freePages(c)
		for n, used := range free {
			b, perr := page(c, n)
			if err = errors.Join(err, perr); err != nil {
				return err
			}
			if !empty(b[used:]) {
				pages = append(pages, n)
			}
		}
		return err
	})
	slices.Sort(pages)
	return pages, err
}

func page(c *conn, n int64) ([]byte, error) {
	r, err := c.one("SELECT data FROM sqlite_dbpage WHERE pgno = ?", n)
	if err != nil || r == nil {
		return make([]byte, pageSize), err
	}
	return r.blob(0), nil
}

// freePages gives the free pages and how many bytes of each are in use, which
// are those of the list itself: https://www.sqlite.org/fileformat2.html#the_freelist
func freePages(c *conn) (map[int64]int, error) {
	free := map[int64]int{}
	b, err := page(c, 1)
	for trunk := int64(binary.BigEndian.Uint32(b[32:])); err == nil && trunk != 0; trunk = int64(binary.BigEndian.Uint32(b)) {
		if b, err = page(c, trunk); err != nil {
			break
		}
		n := min(int(binary.BigEndian.Uint32(b[4:])), len(b)/4-2)
		free[trunk] = 8 + 4*n
		for i := range n {
			free[int64(binary.BigEndian.Uint32(b[8+4*i:]))] = 0
		}
	}
	return free, err
}

func empty(b []byte) bool { return !slices.ContainsFunc(b, func(c byte) bool { return c != 0 }) }

// clear writes zeros into the unused room of the pages, as they are now.
func (w *writer) clear(pages []int64) error {
	free, err := freePages(w.c)
	if err != nil {
		return err
	}
	for _, n := range pages {
		b, err := page(w.c, n)
		if err != nil {
			return err
		}
		b, changed := slices.Clone(b), false
		if used, ok := free[n]; ok {
			changed = !empty(b[used:])
			clear(b[used:])
		} else {
			b, changed = tidy(n, b)
		}
		if !changed {
			continue
		}
		if err := w.c.exec("UPDATE sqlite_dbpage SET data = ? WHERE pgno = ?", b, n); err != nil {
			return err
		}
	}
	return nil
}

// tidy writes zeros into what a page of a tree does not use: the room between
// the pointers to its cells and the first of these, and the blocks that cells
// have left, but for the four bytes that chain them.
// https://www.sqlite.org/fileformat2.html#b_tree_pages
func tidy(number int64, b []byte) (_ []byte, changed bool) {
	head := 0
	if number == 1 {
		head = 100
	}
	pointers := head + 8
	switch b[head] {
	case 2, 5:
		pointers += 4
	case 10, 13:
	default:
		return b, false // no page of a tree
	}
	word := func(at int) int { return int(binary.BigEndian.Uint16(b[at:])) }
	from, to := pointers+2*word(head+3), word(head+5)
	if to == 0 {
		to = 65536
	}
	if from > to || to > len(b) {
		return b, false
	}
	zero := func(from, to int) {
		if !empty(b[from:to]) {
			clear(b[from:to])
			changed = true
		}
	}
	zero(from, to)
	for at := word(head + 1); at != 0; at = word(at) {
		if at+4 > len(b) || at+word(at+2) > len(b) || word(at) != 0 && word(at) <= at {
			return b, changed
		}
		zero(at+4, at+word(at+2))
	}
	return b, changed
}

// emptyLog copies the log into the file and cuts it to nothing. It waits for
// readers that stay, in short steps, since no write gets through in one.
func (s *Store) emptyLog(ctx context.Context) error {
	c, err := connect(ctx, filepath.Join(s.dir, fileName), readWrite, "synchronous(FULL)", "busy_timeout(100)")
	if err != nil {
		return wrap(err, "empty the log")
	}
	defer func() { _ = c.close() }() // it has written nothing of its own
	for {
		s.copying.Lock()
		r, err := c.one("PRAGMA wal_checkpoint(TRUNCATE)")
		s.mark.sync()
		s.copied(err)
		if err != nil || r != nil && r.int(0) == 0 {
			return wrap(err, "empty the log")
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(50 * time.Millisecond):
		}
	}
}
