package sqlite

import (
	"cmp"
	"context"
	"math"
	"slices"
	"strings"

	"tidemark/internal/budget"
	"tidemark/internal/fault"
	"tidemark/internal/search"
	"tidemark/internal/store"
	"tidemark/internal/store/engine"
)

// cand is a candidate with its place in the order: a date or time, an id, or
// the values of the sort keys; ties by rid, which is the order of creation.
type cand struct {
	n    int64
	id   string
	rank search.Rank // engine.ByValues
	rid  int64
	held *store.Version // already checked, when set
}

// run is one execution of a search on one snapshot.
//
// Pages of one run describe the resources as they were when the first page was
// made, the horizon: what changed since is left out of the index walk and put
// back at the place that it had. So a resource that matches throughout is seen
// once, wherever its changes move it. What was created since is not seen.
type run struct {
	ctx   context.Context
	s     *Store
	c     *conn
	q     search.Query
	plan  search.Plan
	exact bool
	order engine.Order
	desc  bool

	groups     [][]int64   // every match has a key of each
	within     [][][]int64 // and those of one of these, when more than one
	dateLo     int64       // key_idx.date >= dateLo
	dateHi     int64       // and < dateHi
	wide       bool        // resources of long ago may reach into the bound
	atLo, atHi int64       // resource.at likewise
	horizon    int64

	sources engine.Merge[cand, *walk]
}

// maxMoved is how many changed resources one run over pages can put back.
const maxMoved = store.MaxSort

func (s *Store) newRun(ctx context.Context, c *conn, q search.Query, horizon int64) *run {
	p := q.Plan()
	r := &run{ctx: ctx, s: s, c: c, q: q, plan: p, groups: p.Keys, within: p.Within, horizon: horizon,
		dateLo: first, dateHi: last, atLo: first, atHi: last}
	r.order, r.desc = engine.OrderOf(q)
	if len(r.within) == 1 {
		r.groups, r.within = slices.Concat(r.groups, r.within[0]), nil
	}
	// An alternative whose index keys are not all of it needs Match, and so do bounds.
	r.exact = engine.Exact(p)
	r.sources.Compare = r.cmp
	r.sources.Both = func(a, b cand) cand { // what was put back has been checked
		if b.held != nil {
			a.held = b.held
		}
		return a
	}
	if p.DateFrom > search.NoDate {
		// The row before the bound may reach into it.
		span := s.span(q.Type)
		if span < last {
			r.dateLo = p.DateFrom - span
		}
		r.wide = span > minute
	}
	if p.DateTo < search.MaxDate {
		r.dateHi = p.DateTo
	}
	r.atLo, r.atHi = engine.Updated(q.Where)
	return r
}

// cmp orders candidates.
func (r *run) cmp(a, b cand) int {
	var n int
	if r.order == engine.ByValues {
		n = r.q.Compare(a.rank, b.rank)
	} else {
		n = cmp.Or(cmp.Compare(a.n, b.n), strings.Compare(a.id, b.id))
		if r.desc {
			n = -n
		}
	}
	return cmp.Or(n, cmp.Compare(a.rid, b.rid))
}

// filter is the condition that a candidate has a key of each group but skip,
// and those of one alternative of within.
func (r *run) filter(date, rid string, skip int) (string, []any) {
	var b strings.Builder
	var args []any
	exists := func(group []int64) {
		if len(group) == 0 {
			b.WriteString("0")
			return
		}
		n := 1
		for n < len(group) { // powers of two, to have few texts
			n *= 2
		}
		b.WriteString("EXISTS (SELECT 1 FROM key_idx x WHERE x.key IN (?" + strings.Repeat(",?", n-1) + ") AND x.date = " + date + " AND x.rid = " + rid + ")")
		for i := range n {
			args = append(args, group[min(i, len(group)-1)])
		}
	}
	if r.wide {
		// Most of what began before the bound has ended before it.
		b.WriteString(" AND (" + date + " >= ? OR EXISTS (SELECT 1 FROM resource w WHERE w.rid = " + rid + " AND w.date_end > ?))")
		args = append(args, r.plan.DateFrom, r.plan.DateFrom)
	}
	for i, g := range r.groups {
		if i != skip {
			b.WriteString(" AND ")
			exists(g)
		}
	}
	for i, alternative := range r.within {
		if i == 0 {
			b.WriteString(" AND (")
		} else {
			b.WriteString(" OR ")
		}
		b.WriteString("(1")
		for _, g := range alternative {
			b.WriteString(" AND ")
			exists(g)
		}
		b.WriteString(")")
	}
	if len(r.within) > 0 {
		b.WriteString(")")
	}
	return b.String(), args
}

const (
	sqlCountKey    = "SELECT count(*) FROM (SELECT 1 FROM key_idx WHERE key = ? AND date >= ? AND date < ? LIMIT ?)"
	sqlCountRange  = "SELECT count(*) FROM (SELECT 1 FROM num_idx WHERE param = ? AND value >= ? AND value <= ? LIMIT ?)"
	sqlCountPrefix = "SELECT count(*) FROM (SELECT 1 FROM str_idx WHERE param = ? AND text >= ? AND text < ? LIMIT ?)"
	sqlCountUpdate = "SELECT count(*) FROM (SELECT 1 FROM resource WHERE type = ? AND deleted = 0 AND at >= ? AND at < ? LIMIT ?)"

	sqlRange  = "SELECT rid FROM num_idx WHERE param = ? AND value >= ? AND value <= ?"
	sqlPrefix = "SELECT rid FROM str_idx WHERE param = ? AND text >= ? AND text < ?"
	sqlUpdate = "SELECT rid FROM resource WHERE type = ? AND deleted = 0 AND at >= ? AND at < ?"
	sqlKey    = "SELECT rid FROM key_idx WHERE key = ? AND date >= ? AND date < ?"

	sqlPlace1  = "SELECT date, at, id FROM resource WHERE rid = ?"
	sqlID      = "SELECT r.rid FROM resource r WHERE r.type = ? AND r.id = ? AND r.deleted = 0"
	sqlCurrent = "SELECT " + versionColumns + ", r.deleted, r.date FROM resource r JOIN version v ON v.seq = r.seq WHERE r.rid = ?"
	sqlAsOf    = "SELECT " + versionColumns + " FROM version v JOIN resource r ON r.rid = v.rid WHERE v.rid = ? AND v.seq <= ? ORDER BY v.number DESC LIMIT 1"
	sqlMoved   = "SELECT DISTINCT rid FROM version WHERE seq > ? AND number > 1 AND rid <= ? LIMIT ?"
)

// choice is what yields candidates: a group of keys, or rows of another index.
type choice struct {
	rows  int // how many, as far as it was counted
	group int // index in groups, -1 for keys of alternatives or none
	keys  []int64
	text  string // else: a query for rids, with its arguments
	args  []any
}

// count adds up the rows of the keys, to at most limit each.
func (r *run) count(keys []int64, limit int) (int, error) {
	total := 0
	for _, k := range keys {
		n, err := r.c.number(sqlCountKey, k, r.dateLo, r.dateHi, limit)
		if err != nil {
			return 0, err
		}
		if total += int(n); total >= limit {
			break
		}
	}
	return total, nil
}

// choose finds the index with the fewest rows. Counting stops early: first
// at a thousand, and where all have more, at what can be sorted.
func (r *run) choose() (choice, error) {
	var all []choice
	for i, g := range r.groups {
		all = append(all, choice{group: i, keys: g})
	}
	var alternatives []choice
	if len(r.within) > 0 {
		// One group of each alternative makes a group that every match has a key of.
		alternatives = append(alternatives, choice{group: -1})
	}
	bounded := len(r.plan.Ranges) > 0 || len(r.plan.Prefixes) > 0 || r.atLo > first || r.atHi < last
	if len(all) == 1 && len(alternatives) == 0 && !bounded && r.order == engine.ByDate {
		return all[0], nil
	}
	var best choice
	for _, limit := range []int{1000, store.MaxSort + 1} {
		best = choice{rows: math.MaxInt}
		for _, d := range all {
			n, err := r.count(d.keys, limit)
			if err != nil {
				return d, err
			}
			if d.rows = n; d.rows < best.rows {
				best = d
			}
		}
		for _, d := range alternatives {
			for _, alternative := range r.within {
				least := choice{rows: math.MaxInt}
				for _, g := range alternative {
					n, err := r.count(g, limit)
					if err != nil {
						return d, err
					}
					if n < least.rows {
						least = choice{rows: n, keys: g}
					}
				}
				d.rows += least.rows
				d.keys = append(d.keys, least.keys...)
			}
			slices.Sort(d.keys)
			d.keys = slices.Compact(d.keys)
			if d.rows < best.rows {
				best = d
			}
		}
		if best.rows < limit {
			break
		}
	}
	if !bounded || best.rows <= 200 {
		return best, nil
	}
	return r.narrower(best)
}

// narrower prefers an index on values where it leaves fewer rows than keys do.
func (r *run) narrower(best choice) (choice, error) {
	limit := min(best.rows, store.MaxSort+1)
	try := func(count, text string, args ...any) error {
		n, err := r.c.number(count, append(slices.Clip(args), limit)...)
		if err == nil && int(n) < limit {
			best, limit = choice{rows: int(n), group: -1, text: text, args: args}, int(n)
		}
		return err
	}
	for _, x := range r.plan.Ranges {
		p := param(r.q.Type, x.Param, x.Base)
		if n, err := r.c.number(sqlCountRange, p, everywhere, everywhere, 1); err != nil || n > 0 {
			if err != nil {
				return best, err
			}
			continue // some values stand for a stretch
		}
		lo := math.Nextafter(math.Nextafter(x.Lo, math.Inf(-1)), math.Inf(-1))
		if err := try(sqlCountRange, sqlRange, p, lo, x.Hi); err != nil {
			return best, err
		}
	}
	for _, x := range r.plan.Prefixes {
		text := prefixOf(x.Text)
		end := after(text)
		if end == nil {
			continue
		}
		if err := try(sqlCountPrefix, sqlPrefix, param(r.q.Type, x.Param, ""), []byte(text), end); err != nil {
			return best, err
		}
	}
	if r.atLo > first || r.atHi < last {
		if err := try(sqlCountUpdate, sqlUpdate, r.q.Type, r.atLo, r.atHi); err != nil {
			return best, err
		}
	}
	return best, nil
}

// start sets up what next walks. from is the last candidate of the page
// before, nil for the first page.
func (r *run) start(from *cand) error {
	if r.plan.IDs != nil {
		var rids []int64
		// What lies outside the rights is passed over by its keys: no id that is
		// hidden should cost more than one that is not there.
		filter, args := "", []any(nil)
		if len(r.q.Within) > 0 {
			filter, args = r.filter("r.date", "r.rid", -1)
		}
		for _, id := range r.plan.IDs {
			row, err := r.c.one(sqlID+filter, append([]any{r.q.Type, id}, args...)...)
			if err != nil {
				return err
			}
			if row != nil {
				rids = append(rids, row.int(0))
			}
		}
		r.exact = false
		return r.hold(rids, from)
	}
	d, err := r.choose()
	if err != nil {
		return err
	}
	switch {
	case d.text != "":
		r.exact = false
		rids, err := r.gather(nil, d.text, d.args...)
		if err != nil {
			return err
		}
		return r.hold(rids, from)
	case r.order == engine.ByDate:
		filter, args := r.filter("k.date", "k.rid", d.group)
		for _, k := range d.keys {
			w := walk{table: "key_idx k WHERE k.key = ?", column: "k.date", rid: "k.rid", key: k, lo: r.dateLo, hi: r.dateHi, filter: filter, args: args}
			if !r.desc && r.dateLo <= search.NoDate {
				undated := w
				undated.undated = true
				defer r.walk(&undated, from) // behind the others, which are asked first
				w.lo = search.NoDate + 1
			}
			r.walk(&w, from)
		}
		return nil
	case d.rows <= store.MaxSort:
		var rids []int64
		for _, k := range d.keys {
			if rids, err = r.gather(rids, sqlKey, k, r.dateLo, r.dateHi); err != nil {
				return err
			}
		}
		// The other groups were not asked, so Match decides.
		r.exact = r.exact && len(r.groups) == 1 && len(r.within) == 0
		return r.hold(rids, from)
	case r.order == engine.ByUpdate:
		filter, args := r.filter("r.date", "r.rid", -1)
		r.walk(&walk{table: "resource r WHERE r.type = ? AND r.deleted = 0", column: "r.at", rid: "r.rid", key: r.q.Type, lo: r.atLo, hi: r.atHi, filter: filter, args: args}, from)
		return nil
	case r.order == engine.ByID:
		filter, args := r.filter("r.date", "r.rid", -1)
		r.walk(&walk{table: "resource r WHERE r.type = ? AND r.deleted = 0", column: "r.id", rid: "r.rid", key: r.q.Type, filter: filter, args: args}, from)
		return nil
	}
	return engine.TooCostly()
}

// gather appends the rids of a query.
func (r *run) gather(rids []int64, text string, args ...any) ([]int64, error) {
	err := r.c.rows(r.ctx, func(row row) error { rids = append(rids, row.int(0)); return nil }, text, args...)
	return rids, err
}

// hold sorts candidates that no index yields in order.
func (r *run) hold(rids []int64, from *cand) error {
	slices.Sort(rids)
	for _, rid := range slices.Compact(rids) {
		if rid > r.horizon {
			continue
		}
		var c cand
		if r.order == engine.ByValues {
			v, d, ok, err := r.check(rid)
			if err != nil {
				return err
			}
			if !ok {
				continue
			}
			if d == nil {
				if d, err = r.s.doc(r.ctx, v); err != nil {
					return err
				}
			}
			c = cand{rank: r.q.Rank(*d), rid: rid}
		} else {
			if err := budget.Rows(r.ctx, 1); err != nil {
				return err
			}
			row, err := r.c.one(sqlPlace1, rid)
			if err != nil {
				return err
			}
			c = r.place(rid, row.int(0), row.int(1), row.text(2))
		}
		if from == nil || r.cmp(c, *from) > 0 {
			r.sources.Held = append(r.sources.Held, c)
		}
		if err := r.ctx.Err(); err != nil {
			return err
		}
	}
	slices.SortFunc(r.sources.Held, r.cmp)
	return nil
}

// place makes a candidate of what an index order goes by.
func (r *run) place(rid, date, at int64, id string) cand {
	switch r.order {
	case engine.ByUpdate:
		return cand{n: at, rid: rid}
	case engine.ByID:
		return cand{id: id, rid: rid}
	}
	if date == search.NoDate && !r.desc {
		date = last // without a date: the end, in either direction
	}
	return cand{n: date, rid: rid}
}

// asOf is the candidate that a resource was at the horizon; ok is false when
// it was deleted then.
func (r *run) asOf(rid int64) (c cand, ok bool, err error) {
	if err := budget.Rows(r.ctx, 1); err != nil {
		return c, false, err
	}
	row, err := r.c.one(sqlAsOf, rid, r.horizon)
	if err != nil || row == nil {
		return c, false, err
	}
	v := versionOf(row)
	if v.Deleted() {
		return c, false, nil
	}
	d, err := r.s.doc(r.ctx, v)
	if err != nil {
		return c, false, err
	}
	c = r.place(rid, d.Date, engine.Milli(v.At), v.ID)
	if r.order == engine.ByValues {
		c = cand{rank: r.q.Rank(*d), rid: rid}
	}
	return c, true, nil
}

// resume sets the run to continue behind a resource of the page before.
func (r *run) resume(rid int64) (*cand, error) {
	from, ok, err := r.asOf(rid)
	if err != nil {
		return nil, err
	}
	if !ok {
		return nil, engine.BadCursor()
	}
	var moved []int64
	err = r.c.rows(r.ctx, func(row row) error { moved = append(moved, row.int(0)); return nil }, sqlMoved, r.horizon, r.horizon, maxMoved+1)
	if err != nil {
		return nil, err
	}
	if len(moved) > maxMoved {
		return nil, fault.New(fault.Invalid, "value", "Too much has changed since the first page; search again without the page link.")
	}
	for _, rid := range moved {
		c, ok, err := r.asOf(rid)
		if err != nil {
			return nil, err
		}
		if !ok || r.cmp(c, from) <= 0 {
			continue
		}
		v, match, err := r.now(rid)
		if err != nil {
			return nil, err
		}
		if match {
			c.held = &v
			r.sources.Held = append(r.sources.Held, c)
		}
	}
	slices.SortFunc(r.sources.Held, r.cmp)
	return &from, nil
}

// now reads a resource that changed since the horizon and says whether it
// matches now.
func (r *run) now(rid int64) (store.Version, bool, error) {
	row, err := r.c.one(sqlCurrent, rid)
	if err != nil || row == nil || row.bool(versionWidth) {
		return store.Version{}, false, err
	}
	v := versionOf(row)
	if v.Type != r.q.Type {
		return v, false, nil
	}
	d, err := r.s.doc(r.ctx, v)
	if err != nil {
		return v, false, err
	}
	match, err := r.match(d)
	return v, match, err
}

// match asks whether a document is found, at the request's expense.
func (r *run) match(d *search.Doc) (bool, error) {
	if err := budget.Values(r.ctx, r.q.Effort()); err != nil {
		return false, err
	}
	return r.q.Match(*d), nil
}

// check reads a candidate from an index; ok says that it belongs to the
// result. What changed since the horizon does not: resume has put it back.
func (r *run) check(rid int64) (v store.Version, d *search.Doc, ok bool, err error) {
	if err = cmp.Or(budget.Rows(r.ctx, 1), r.ctx.Err()); err != nil {
		return v, nil, false, err
	}
	row, err := r.c.one(sqlCurrent, rid)
	if err != nil || row == nil || row.bool(versionWidth) {
		return v, nil, false, err
	}
	if v = versionOf(row); v.Seq > r.horizon {
		return v, nil, false, nil
	}
	if r.exact {
		return v, nil, true, nil
	}
	if d, err = r.s.doc(r.ctx, v); err != nil {
		return v, nil, false, err
	}
	ok, err = r.match(d)
	return v, d, ok, err
}

// doc is what searches find in a version.
func (s *Store) doc(ctx context.Context, v store.Version) (*search.Doc, error) {
	d, err := s.extract(ctx, v.Body.JSON)
	if err != nil {
		return nil, err
	}
	d.Type, d.ID, d.LastUpdated = v.Type, v.ID, v.At
	return &d, nil
}

// walk yields the candidates of one index in order, a chunk at a time.
type walk struct {
	r                  *run
	table, column, rid string
	key                any
	lo, hi             int64 // of an integer column: lo <= column < hi
	filter             string
	args               []any
	undated            bool // the rows without a date, as the last of an ascending walk

	begun bool
	at    cand // the last that was read
	chunk int
	buf   []cand
	end   bool
}

func (r *run) walk(w *walk, from *cand) {
	w.r, w.chunk = r, 32
	if from != nil {
		w.at, w.begun = *from, true
	}
	r.sources.Sources = append(r.sources.Sources, w)
}

// Peek returns the next candidate without taking it; ok is false at the end.
func (w *walk) Peek() (c cand, ok bool, err error) {
	if len(w.buf) == 0 && !w.end {
		if err := w.fill(); err != nil {
			return c, false, err
		}
	}
	if len(w.buf) == 0 {
		return c, false, nil
	}
	return w.buf[0], true, nil
}

// Drop takes it.
func (w *walk) Drop() { w.buf = w.buf[1:] }

// Last says that those without a date come after all that have one.
func (w *walk) Last(c cand) bool { return w.undated && c.n < last }

// fill reads the next chunk.
func (w *walk) fill() error {
	limit := w.chunk
	w.chunk = min(2*w.chunk, 2048)
	text := w.r.order == engine.ByID
	read := func(where, order string, args ...any) error {
		args = slices.Concat([]any{w.key}, args, w.args, []any{limit - len(w.buf)})
		return w.r.c.rows(w.r.ctx, func(row row) error {
			c := cand{rid: row.int(1)}
			if text {
				c.id = row.text(0)
			} else if c.n = row.int(0); w.undated {
				c.n = last
			}
			w.buf = append(w.buf, c)
			return nil
		}, "SELECT "+w.column+", "+w.rid+" FROM "+w.table+where+w.filter+" ORDER BY "+order+" LIMIT ?", args...)
	}
	var err error
	switch {
	case text && !w.begun && !w.r.desc:
		err = read("", w.column)
	case text && !w.begun:
		err = read("", w.column+" DESC")
	case text && !w.r.desc:
		err = read(" AND "+w.column+" > ?", w.column, w.at.id)
	case text:
		err = read(" AND "+w.column+" < ?", w.column+" DESC", w.at.id)
	case w.undated:
		rid := first
		if w.begun && w.at.n == last {
			rid = w.at.rid
		}
		err = read(" AND "+w.column+" = ? AND "+w.rid+" > ?", w.rid, search.NoDate, rid)
	case !w.r.desc:
		n, rid := w.at.n, w.at.rid
		if !w.begun || n < w.lo {
			n, rid = w.lo, first
		}
		err = read(" AND ("+w.column+", "+w.rid+") > (?, ?) AND "+w.column+" < ?", w.column+", "+w.rid, n, rid, w.hi)
	default:
		// Ties are in ascending order here too, so the rest of the last date comes first.
		hi := w.hi
		if w.begun && w.at.n < w.hi {
			hi = w.at.n
			err = read(" AND "+w.column+" = ? AND "+w.rid+" > ?", w.rid, w.at.n, w.at.rid)
		}
		if err == nil && len(w.buf) < limit {
			err = read(" AND "+w.column+" < ? AND "+w.column+" >= ?", w.column+" DESC, "+w.rid, hi, w.lo)
		}
	}
	if err != nil {
		return err
	}
	w.end = len(w.buf) < limit
	if n := len(w.buf); n > 0 {
		w.at, w.begun = w.buf[n-1], true
	}
	return nil
}

// next returns the next match.
func (r *run) next() (c cand, v store.Version, ok bool, err error) {
	for {
		c, ok, err = r.sources.Next()
		if err != nil || !ok {
			return c, v, false, err
		}
		if c.held != nil {
			return c, *c.held, true, nil
		}
		if c.rid > r.horizon {
			continue
		}
		if v, _, ok, err = r.check(c.rid); err != nil || ok {
			return c, v, ok, err
		}
	}
}

// gatherAll reads every candidate of a sort without an index.
func (r *run) gatherAll(from *cand) error {
	o := r.order
	r.order = engine.ByDate
	moved := r.sources.Held
	r.sources.Held = nil
	if err := r.start(nil); err != nil {
		return err
	}
	var rids []int64
	for {
		c, ok, err := r.sources.Next()
		if err != nil {
			return err
		}
		if !ok {
			break
		}
		if rids = append(rids, c.rid); len(rids) > store.MaxSort {
			return engine.TooCostly()
		}
	}
	r.order, r.sources.Held, r.sources.Sources = o, moved, nil
	return r.hold(rids, from)
}

// begin is start for any order.
func (r *run) begin(from *cand) error {
	if r.order == engine.ByValues {
		return r.gatherAll(from)
	}
	return r.start(from)
}

// find returns up to limit matches in the state that the connection sees.
func (s *Store) find(ctx context.Context, c *conn, q search.Query, limit int) ([]store.Version, error) {
	q.Sort, q.Cursor = nil, ""
	r := s.newRun(ctx, c, q, last)
	if err := r.begin(nil); err != nil {
		return nil, err
	}
	var out []store.Version
	for len(out) < limit {
		_, v, ok, err := r.next()
		if err != nil {
			return nil, err
		}
		if !ok {
			break
		}
		out = append(out, v)
	}
	return out, nil
}

// pageStart is where a page begins: where the feed stood at the first one, and the
// last resource of the page before.
type pageStart struct {
	Horizon  int64 `json:"h"`
	Resource int64 `json:"r"`
}

// Search implements store.Store.
func (s *Store) Search(ctx context.Context, q search.Query) (store.Page, error) {
	var out store.Page
	sum := engine.Digest(q.Type, q.Where, q.Within, q.Sort)
	var at pageStart
	if q.Cursor != "" {
		if err := engine.ReadCursor(q.Cursor, sum, &at); err != nil {
			return out, err
		}
		out.Prev = true
	}
	count := engine.PageSize(q.Count)
	err := s.snapshot(ctx, "search", func(c *conn) error {
		horizon, err := c.number(sqlLastSeq)
		if err != nil {
			return err
		}
		var from *cand
		if out.Prev {
			horizon = min(horizon, at.Horizon)
		}
		r := s.newRun(ctx, c, q, horizon)
		if out.Prev {
			if from, err = r.resume(at.Resource); err != nil {
				return err
			}
		}
		if err := r.begin(from); err != nil {
			return err
		}
		var rid int64
		held := 0
		for {
			cd, v, ok, err := r.next()
			if err != nil || !ok {
				return err
			}
			if held += len(v.Body.JSON); len(out.Matches) == count || held > store.MaxPageBytes && len(out.Matches) > 0 {
				out.Next = engine.Cursor(sum, pageStart{horizon, rid})
				return nil
			}
			if err := budget.Bytes(ctx, len(v.Body.JSON)); err != nil {
				return err
			}
			out.Matches, rid = append(out.Matches, v), cd.rid
			if err := ctx.Err(); err != nil {
				return err
			}
		}
	})
	if err != nil {
		return store.Page{}, err
	}
	return out, nil
}

// Count implements store.Store.
func (s *Store) Count(ctx context.Context, q search.Query, limit int) (int, error) {
	q.Sort, q.Cursor = nil, ""
	n := 0
	stop := math.MaxInt
	if limit > 0 {
		stop = limit + 1
	}
	err := s.snapshot(ctx, "count", func(c *conn) error {
		r := s.newRun(ctx, c, q, last)
		if r.exact {
			d, err := r.choose()
			if err != nil {
				return err
			}
			if d.text == "" {
				if filtered := len(r.groups)+len(r.within) > 1; filtered && d.rows > store.MaxSort {
					// Each row of the least group is looked up in the others.
					all, err := r.count(d.keys, maxCounted)
					if err == nil {
						err = budget.Rows(ctx, all)
					}
					if err != nil {
						return err
					}
				}
				text, args := r.countStatement(d, stop)
				return c.rows(ctx, func(row row) error { n = int(row.int(0)); return nil }, text, args...)
			}
		}
		if err := r.begin(nil); err != nil {
			return err
		}
		for n < stop {
			_, _, ok, err := r.next()
			if err != nil || !ok {
				return err
			}
			n++
		}
		return ctx.Err()
	})
	return n, err
}

// maxCounted is how far the rows are counted that a count would look up.
const maxCounted = 1_000_000

// countStatement counts the rows of a choice that have the other keys too.
func (r *run) countStatement(d choice, limit int) (string, []any) {
	if len(d.keys) == 0 {
		return "SELECT 0", nil
	}
	filter, args := r.filter("k.date", "k.rid", d.group)
	bind := make([]any, 0, len(d.keys)+len(args)+1)
	for _, k := range d.keys {
		bind = append(bind, k)
	}
	bind = append(append(bind, args...), limit)
	if len(d.keys) == 1 {
		return "SELECT count(*) FROM (SELECT 1 FROM key_idx k WHERE k.key = ?" + filter + " LIMIT ?)", bind
	}
	return "SELECT count(*) FROM (SELECT DISTINCT k.rid FROM key_idx k WHERE k.key IN (?" + strings.Repeat(",?", len(d.keys)-1) + ")" + filter + " LIMIT ?)", bind
}
