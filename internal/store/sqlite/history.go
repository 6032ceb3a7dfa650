package sqlite

import (
	"cmp"
	"context"
	"slices"

	"tidemark/internal/budget"
	"tidemark/internal/search"
	"tidemark/internal/store"
	"tidemark/internal/store/engine"
)

const (
	sqlFirstAt = "SELECT at FROM version WHERE seq >= ? ORDER BY seq LIMIT 1"
	sqlRid     = "SELECT rid FROM resource WHERE type = ? AND id = ?"
	sqlTypes   = "WITH RECURSIVE t (type) AS (SELECT min(type) FROM version UNION ALL SELECT (SELECT min(v.type) FROM version v WHERE v.type > t.type) FROM t WHERE t.type IS NOT NULL) SELECT type FROM t WHERE type IS NOT NULL"

	// Places of versions in the feed, newest first.
	sqlHistoryOf   = "SELECT seq FROM version WHERE rid = ? AND seq >= ? AND seq <= ? ORDER BY number DESC LIMIT ?"
	sqlHistoryType = "SELECT seq FROM version WHERE type = ? AND seq >= ? AND seq <= ? ORDER BY seq DESC LIMIT ?"
	sqlHistory     = "SELECT seq FROM version WHERE seq >= ? AND seq <= ? ORDER BY seq DESC LIMIT ?"
	sqlCountOf     = "SELECT count(*) FROM version WHERE rid = ? AND seq >= ? AND seq <= ?"
	sqlCountType   = "SELECT count(*) FROM (SELECT 1 FROM version WHERE type = ? AND seq >= ? AND seq <= ? LIMIT ?)"

	sqlEver   = "SELECT rid FROM key_idx WHERE key = ?1 UNION SELECT rid FROM past_key WHERE key = ?1 LIMIT ?2"
	sqlBefore = "SELECT " + versionColumns + " FROM version v JOIN resource r ON r.rid = v.rid WHERE v.rid = (SELECT rid FROM version WHERE seq = ?1) AND v.number = ?2"
)

// stretch is a part of the change feed, both ends included.
type stretch struct{ lo, hi int64 }

// firstAt finds the first version that is not older than at, in milliseconds.
// Times never fall along the feed, so no index on them is needed.
func firstAt(c *conn, at, end int64) (int64, error) {
	lo, hi := int64(1), end+1
	for lo < hi {
		mid := lo + (hi-lo)/2
		r, err := c.one(sqlFirstAt, mid)
		if err != nil {
			return 0, err
		}
		if r == nil || r.int(0) >= at {
			hi = mid
		} else {
			lo = mid + 1
		}
	}
	return lo, nil
}

// History implements store.Store.
func (s *Store) History(ctx context.Context, q store.HistoryQuery) (store.HistoryPage, error) {
	out := store.HistoryPage{Total: -1}
	sum := engine.Digest(q.Type, q.ID, q.Since, q.Until, q.Within, q.Types)
	before := last
	if q.Cursor != "" {
		if err := engine.ReadCursor(q.Cursor, sum, &before); err != nil {
			return out, err
		}
	}
	count := engine.PageSize(q.Count)
	err := s.snapshot(ctx, "read the history", func(c *conn) error {
		h := history{ctx: ctx, s: s, c: c, q: q}
		if err := h.bounds(); err != nil {
			return err
		}
		if err := h.selection(); err != nil {
			return err
		}
		if len(q.Within) == 0 {
			var err error
			if out.Total, err = h.total(); err != nil {
				return err
			}
		}
		if before < last {
			h.hi = min(h.hi, before-1)
		}
		held := 0
		for {
			v, ok, err := h.next(count + 1)
			if err != nil || !ok {
				return err
			}
			if held += len(v.Body.JSON); len(out.Versions) == count || held > store.MaxPageBytes && len(out.Versions) > 0 {
				out.Next = engine.Cursor(sum, out.Versions[len(out.Versions)-1].Seq)
				return nil
			}
			if err := budget.Bytes(ctx, len(v.Body.JSON)); err != nil {
				return err
			}
			out.Versions = append(out.Versions, v)
		}
	})
	if err != nil {
		return store.HistoryPage{}, err
	}
	return out, nil
}

// history is one execution of a history query.
type history struct {
	ctx context.Context
	s   *Store
	c   *conn
	q   store.HistoryQuery
	stretch

	rid   int64    // of an instance
	types []string // else: the types, nil for all
	known []int64  // when the versions were gathered by keys: their places, newest first
	keyed bool

	buf   []int64
	drawn bool // the feed has no more behind buf
}

// bounds turns times into places in the feed.
func (h *history) bounds() (err error) {
	end, err := h.c.number(sqlLastSeq)
	if err != nil {
		return err
	}
	h.stretch = stretch{1, end}
	if !h.q.Since.IsZero() {
		if h.lo, err = firstAt(h.c, engine.Millis(h.q.Since), end); err != nil {
			return err
		}
	}
	if !h.q.Until.IsZero() {
		n, err := firstAt(h.c, engine.Milli(h.q.Until)+1, end)
		if err != nil {
			return err
		}
		h.hi = n - 1
	}
	return nil
}

// selection finds which versions to walk.
func (h *history) selection() error {
	switch {
	case h.q.ID != "":
		r, err := h.c.one(sqlRid, h.q.Type, h.q.ID)
		if err != nil {
			return err
		}
		if r == nil {
			return engine.NotFound(store.Key{Type: h.q.Type, ID: h.q.ID})
		}
		h.rid = r.int(0)
		return nil
	case h.q.Type != "":
		h.types = []string{h.q.Type}
	case h.q.Types != nil:
		h.types = slices.Compact(slices.Sorted(slices.Values(h.q.Types)))
	}
	if len(h.q.Within) == 0 {
		return nil
	}
	return h.byKeys()
}

// byKeys gathers the versions of all resources that ever had a key of the
// rights, so that one patient's history does not walk everybody's. Where that
// is too many, the feed is walked.
func (h *history) byKeys() error {
	types := h.types
	if types == nil {
		err := h.c.rows(h.ctx, func(r row) error { types = append(types, r.text(0)); return nil }, sqlTypes)
		if err != nil {
			return err
		}
	}
	rids := map[int64]bool{}
	for _, typ := range types {
		for _, alternative := range h.q.Within {
			p := search.Query{Type: typ, Where: alternative}.Plan()
			least := []int64(nil)
			for i, group := range p.Keys {
				found := map[int64]bool{}
				for _, key := range group {
					err := h.c.rows(h.ctx, func(r row) error { found[r.int(0)] = true; return nil }, sqlEver, key, store.MaxSort+1)
					if err != nil {
						return err
					}
				}
				if i == 0 || len(found) < len(least) {
					least = least[:0]
					for rid := range found {
						least = append(least, rid)
					}
				}
			}
			for _, rid := range least {
				rids[rid] = true
			}
			if len(rids) > store.MaxSort {
				return nil
			}
		}
	}
	h.keyed = true
	for rid := range rids {
		err := h.c.rows(h.ctx, func(r row) error { h.known = append(h.known, r.int(0)); return nil }, sqlHistoryOf, rid, h.lo, h.hi, last)
		if err != nil {
			return err
		}
	}
	slices.SortFunc(h.known, func(a, b int64) int { return cmp.Compare(b, a) })
	return nil
}

// total counts the versions of a query without rights.
func (h *history) total() (int, error) {
	switch {
	case h.rid != 0:
		n, err := h.c.number(sqlCountOf, h.rid, h.lo, h.hi)
		return int(n), err
	case h.types == nil:
		return int(max(0, h.hi-h.lo+1)), nil // the feed has no gaps
	}
	total := 0
	for _, typ := range h.types {
		n, err := h.c.number(sqlCountType, typ, h.lo, h.hi, engine.CountHistory+1)
		if err != nil {
			return 0, err
		}
		if total += int(n); total > engine.CountHistory {
			return -1, nil
		}
	}
	return total, nil
}

// next returns the next version that the caller may see.
func (h *history) next(chunk int) (v store.Version, ok bool, err error) {
	for {
		if err := h.ctx.Err(); err != nil {
			return v, false, err
		}
		if len(h.buf) == 0 && !h.drawn {
			if err := h.draw(chunk); err != nil {
				return v, false, err
			}
		}
		if len(h.buf) == 0 {
			return v, false, nil
		}
		if v, err = load(h.c, h.buf[0]); err != nil {
			return v, false, err
		}
		h.buf, h.hi = h.buf[1:], v.Seq-1
		if ok, err = h.visible(v); err != nil || ok {
			return v, ok, err
		}
	}
}

// draw reads the next places in the feed.
func (h *history) draw(chunk int) error {
	add := func(r row) error { h.buf = append(h.buf, r.int(0)); return nil }
	switch {
	case h.keyed:
		h.buf, h.drawn = h.known, true
		for len(h.buf) > 0 && h.buf[0] > h.hi {
			h.buf = h.buf[1:]
		}
		return nil
	case h.rid != 0:
		h.drawn = true
		return h.c.rows(h.ctx, add, sqlHistoryOf, h.rid, h.lo, h.hi, last)
	case h.types == nil:
		if err := h.c.rows(h.ctx, add, sqlHistory, h.lo, h.hi, chunk); err != nil {
			return err
		}
	default:
		// The newest of every type hold the newest of all; the rest is read again.
		for _, typ := range h.types {
			if err := h.c.rows(h.ctx, add, sqlHistoryType, typ, h.lo, h.hi, chunk); err != nil {
				return err
			}
		}
		slices.SortFunc(h.buf, func(a, b int64) int { return cmp.Compare(b, a) })
	}
	h.drawn = len(h.buf) < chunk
	h.buf = h.buf[:min(len(h.buf), chunk)]
	return nil
}

// visible evaluates a version by the caller's rights, a deletion by the version before it.
func (h *history) visible(v store.Version) (bool, error) {
	if len(h.q.Within) == 0 {
		return true, nil
	}
	shown := v
	for shown.Deleted() {
		if shown.Erased {
			return false, nil // nobody knows any more whose it was
		}
		r, err := h.c.one(sqlBefore, shown.Seq, shown.Number-1)
		if err != nil || r == nil {
			return false, err
		}
		shown = versionOf(r)
	}
	d, err := h.s.doc(h.ctx, shown)
	if err != nil {
		return false, err
	}
	return search.Query{Type: v.Type, Within: h.q.Within}.Match(*d), nil
}
