package sqlite

import (
	"context"
	"slices"

	"tidemark/internal/fault"
	"tidemark/internal/search"
	"tidemark/internal/store"
	"tidemark/internal/store/engine"
)

// change is a Write with everything that can be prepared outside the writer.
type change struct {
	store.Write
	index index
	fact  fact
	since int64 // where the feed stood when nothing matched Unless; few: check Unless when the write is made
}

// Commit implements store.Store.
func (s *Store) Commit(ctx context.Context, writes []store.Write, audit []store.AuditRecord) ([]store.Result, error) {
	changes, err := s.changesOf(ctx, writes)
	if err != nil {
		return nil, err
	}
	var results []store.Result
	// One write checks all before it changes anything. What follows it could
	// still be refused, and then the first must be rolled back.
	safe := len(writes) <= 1
	err = s.write(ctx, safe, func(w *writer) (err error) {
		if results, err = w.putAll(changes); err != nil {
			return err
		}
		return w.audit(audit)
	})
	if err != nil {
		return nil, err
	}
	return results, nil
}

func (s *Store) changesOf(ctx context.Context, writes []store.Write) ([]change, error) {
	changes := make([]change, len(writes))
	for i, wr := range writes {
		if len(wr.Body.JSON) > store.MaxResource {
			return nil, fault.New(fault.TooLarge, "too-long", "The resource has %d bytes; at most %d can be stored.", len(wr.Body.JSON), store.MaxResource)
		}
		changes[i].Write = wr
		if wr.Unless != nil {
			since, err := s.unless(ctx, *wr.Unless)
			if err != nil {
				return nil, err
			}
			changes[i].since = since
		}
		if wr.Method != store.Delete {
			wr.Doc.Type, wr.Doc.ID = wr.Key.Type, wr.Key.ID
			changes[i].index = indexOf(wr.Doc)
			changes[i].fact = factOf(wr.Key.ID, wr.Facts)
		}
	}
	return changes, nil
}

func (w *writer) putAll(changes []change) ([]store.Result, error) {
	results := make([]store.Result, len(changes))
	at := w.now()
	for i := range changes {
		r, err := w.put(&changes[i], at)
		if err != nil {
			return nil, err
		}
		results[i] = r
	}
	return results, nil
}

// All callers wait for the one writer, so checking a condition there must be
// quick. If exact keys leave few candidates, the writer checks it. Otherwise it is
// checked outside, and the writer checks only what was written since.
const (
	few          = -1
	fewRows      = 64  // candidates
	maxSince     = 500 // versions, some 50 ms of work; beyond, the write is planned again
	sqlSinceThen = "SELECT " + versionColumns + " FROM version v JOIN resource r ON r.rid = v.rid WHERE v.seq > ? AND v.type = ? AND r.seq = v.seq AND r.deleted = 0 LIMIT ?"
)

// unless checks the condition of a write outside the writer, unless few rows can match.
func (s *Store) unless(ctx context.Context, q search.Query) (since int64, err error) {
	err = s.snapshot(ctx, "search", func(c *conn) error {
		r := s.newRun(ctx, c, q, last)
		small := len(r.plan.IDs) > 0 && len(r.plan.IDs) <= fewRows
		for _, g := range r.groups {
			n, err := r.count(g, fewRows+1)
			if err != nil {
				return err
			}
			small = small || n <= fewRows
		}
		if small {
			since = few
			return nil
		}
		if since, err = c.number(sqlLastSeq); err != nil {
			return err
		}
		found, err := s.find(ctx, c, q, 1)
		if err == nil && len(found) > 0 {
			err = store.Matched(q.Type)
		}
		return err
	})
	return since, err
}

// unmatched refuses a write whose condition now matches.
func (w *writer) unmatched(ch *change) error {
	q := *ch.Unless
	if ch.since == few {
		if err := w.insertKeys(); err != nil { // the search has to see them
			return err
		}
		found, err := w.s.find(context.Background(), w.c, q, 1)
		if err == nil && len(found) > 0 {
			err = store.Matched(q.Type)
		}
		return err
	}
	var since []store.Version
	err := w.c.quick(func(r row) error { since = append(since, versionOf(r)); return nil }, sqlSinceThen, ch.since, q.Type, maxSince+1)
	if err != nil {
		return err
	}
	if len(since) > maxSince {
		return store.Matched(q.Type)
	}
	for _, v := range since {
		d, err := w.s.doc(context.Background(), v)
		if err != nil {
			return err
		}
		if q.Match(*d) {
			return store.Matched(q.Type)
		}
	}
	return nil
}

// current is the resource row that a write finds.
type current struct {
	rid, number, seq int64
	deleted          bool
	date             int64
	fact             factRow
}

// put makes one change. Every refusal comes before the first statement that
// changes something.
func (w *writer) put(ch *change, at int64) (store.Result, error) {
	var none store.Result
	if ch.Unless != nil {
		if err := w.unmatched(ch); err != nil {
			return none, err
		}
	}
	r, err := w.c.one("SELECT rid, number, seq, deleted, date, fact, fact_key, fact_at FROM resource WHERE type = ? AND id = ?", ch.Key.Type, ch.Key.ID)
	if err != nil {
		return none, err
	}
	var cur *current
	if r != nil {
		cur = &current{r.int(0), r.int(1), r.int(2), r.bool(3), r.int(4), factRow{r.int(5), r.text(6), r.int(7)}}
	}
	var there *engine.Current
	if cur != nil {
		there = &engine.Current{Number: cur.number, Deleted: cur.deleted}
	}
	if err := engine.Expect(&ch.Write, there); err != nil {
		return none, err
	}
	deletion := ch.Method == store.Delete
	if deletion && cur.deleted {
		v, err := load(w.c, cur.seq)
		return store.Result{Version: v}, err
	}
	if err := w.claimable(ch, cur); err != nil {
		return none, err
	}
	var old *index
	if cur != nil && !cur.deleted {
		x, err := w.indexed(cur)
		if err != nil {
			return none, err
		}
		old = &x
		if cur.seq > w.inserted { // its index keys may still be pending
			if err := w.insertKeys(); err != nil {
				return none, err
			}
		}
	}

	w.seq++
	v := store.Version{Key: ch.Key, Number: 1, Seq: w.seq, At: engine.OfMilli(at), Method: ch.Method}
	var body any
	if !deletion {
		v.Body, body = ch.Body, ch.Body.JSON
	}
	rid := w.seq
	if cur != nil {
		rid, v.Number = cur.rid, cur.number+1
		err = w.c.exec("UPDATE resource SET number = ?, seq = ?, at = ?, deleted = ?, date = ?, date_end = ?, fact = ?, fact_key = ?, fact_at = ? WHERE rid = ?",
			v.Number, v.Seq, at, deletion, ch.index.date, ch.index.end, ch.fact.row.kind, ch.fact.row.key, ch.fact.row.at, rid)
	} else {
		err = w.c.exec("INSERT INTO resource (rid, type, id, number, seq, at, deleted, date, date_end, fact, fact_key, fact_at) VALUES (?,?,?,?,?,?,?,?,?,?,?,?)",
			rid, ch.Key.Type, ch.Key.ID, v.Number, v.Seq, at, deletion, ch.index.date, ch.index.end, ch.fact.row.kind, ch.fact.row.key, ch.fact.row.at)
	}
	if err != nil {
		return none, err
	}
	err = w.c.exec("INSERT INTO version (seq, rid, number, type, at, method, meta, body) VALUES (?,?,?,?,?,?,?,?)",
		v.Seq, rid, v.Number, ch.Key.Type, at, string(ch.Method), ch.Body.Meta, body)
	if err != nil {
		return none, err
	}
	w.sum = versionSum(v.Seq, rid, v.Number, at, string(ch.Method), ch.Body.JSON)
	var idx *index
	if !deletion {
		idx = &ch.index
	}
	if err := w.reindex(rid, ch.Key.Type, old, idx); err != nil {
		return none, err
	}
	if err := w.claim(ch, cur, rid); err != nil {
		return none, err
	}
	var before factRow
	if cur != nil {
		before = cur.fact
	}
	if err := ch.fact.replace(w.c, ch.Key.ID, before, v.Number); err != nil {
		return none, err
	}
	return store.Result{Version: v, Created: !deletion && (cur == nil || cur.deleted)}, nil
}

// indexed is what the current version has in the indexes.
func (w *writer) indexed(cur *current) (index, error) {
	r, err := w.c.one("SELECT r.type, r.id, v.body FROM version v JOIN resource r ON r.rid = v.rid WHERE v.seq = ?", cur.seq)
	if err != nil {
		return index{}, err
	}
	d, err := w.s.extract(context.Background(), r.blob(2))
	if err != nil {
		return index{}, err
	}
	d.Type, d.ID = r.text(0), r.text(1)
	x := indexOf(d)
	x.date = cur.date
	return x, nil
}

// claimable refuses identifiers that another resource holds.
func (w *writer) claimable(ch *change, cur *current) error {
	for _, value := range ch.Claims {
		r, err := w.c.one("SELECT rid FROM claim WHERE type = ? AND value = ?", ch.Key.Type, value)
		if err != nil {
			return err
		}
		if r != nil && (cur == nil || r.int(0) != cur.rid) {
			return engine.Duplicate(ch.Key.Type)
		}
	}
	return nil
}

// claim replaces the claims of the resource with those of the change.
func (w *writer) claim(ch *change, cur *current, rid int64) error {
	if cur != nil {
		var drop []string
		err := w.c.quick(func(r row) error {
			if !slices.Contains(ch.Claims, r.text(0)) {
				drop = append(drop, r.text(0))
			}
			return nil
		}, "SELECT value FROM claim WHERE rid = ?", rid)
		if err != nil {
			return err
		}
		for _, value := range drop {
			if err := w.c.exec("DELETE FROM claim WHERE type = ? AND value = ?", ch.Key.Type, value); err != nil {
				return err
			}
		}
	}
	for _, value := range ch.Claims {
		if err := w.c.exec("INSERT OR REPLACE INTO claim (type, value, rid) VALUES (?, ?, ?)", ch.Key.Type, value, rid); err != nil {
			return err
		}
	}
	return nil
}
