package mongo

import (
	"cmp"
	"context"
	"errors"
	"math"
	"slices"
	"strings"

	"go.mongodb.org/mongo-driver/v2/bson"
	"go.mongodb.org/mongo-driver/v2/mongo/options"

	"tidemark/internal/budget"
	"tidemark/internal/search"
	"tidemark/internal/store"
	"tidemark/internal/store/engine"
)

// place is where a candidate stands in the order: by a number or an id, then
// by the creation of its resource.
type place struct {
	N    int64  `json:"n,omitempty"`
	ID   string `json:"i,omitempty"`
	Born int64  `json:"b"`
}

// candidate is a version that an index gave, which was its resource's at the
// snapshot.
type candidate struct {
	place
	then *version // at the snapshot
	now  *version // the current one, with its body once it is loaded; nil while that is not known
	doc  search.Doc
	sure bool // the index alone decided that it matches
}

// run is one execution of a search.
//
// All pages of one search describe the resources as they were when the first
// page was made: versions are never changed, so the snapshot of then can be
// walked later. A resource stands at the place that it had then, and is shown
// as it is now if it matches now. So one that matches throughout is seen once,
// wherever its changes move it. What was created since is not seen.
type run struct {
	ctx   context.Context
	s     *Store
	q     search.Query
	plan  search.Plan
	exact bool
	order engine.Order
	desc  bool
	snap  snapshot

	filter  bson.D // on what every candidate has
	held    int    // bytes of what next has found
	sources engine.Merge[candidate, *walk]
}

func (s *Store) newRun(ctx context.Context, q search.Query, snap snapshot) *run {
	p := q.Plan()
	r := &run{ctx: ctx, s: s, q: q, plan: p, snap: snap, exact: engine.Exact(p)}
	r.sources.Compare = func(a, b candidate) int { return r.cmp(a.place, b.place) }
	r.order, r.desc = engine.OrderOf(q)
	r.filter = bson.D{is("until", bson.D{is("$gt", snap.Settled)}), is("seq", bson.D{is("$lte", snap.Top)}), is("method", bson.D{is("$ne", string(store.Delete))})}
	if lo, hi := engine.Updated(q.Where); lo > math.MinInt64 || hi < math.MaxInt64 {
		r.filter = append(r.filter, is("at", bson.D{is("$gte", lo), is("$lt", hi)}))
	}
	return r
}

// keyed is the condition that a version has a key of every group, and those of
// one of the alternatives.
func keyed(groups [][]int64, within [][][]int64) bson.A {
	var all bson.A
	for _, g := range groups {
		all = append(all, bson.D{keyIn(g)})
	}
	var some bson.A
	for _, alternative := range within {
		some = append(some, bson.D{is("$and", keyed(alternative, nil))})
	}
	switch len(some) {
	case 0:
	case 1:
		all = append(all, keyed(within[0], nil)...)
	default:
		all = append(all, bson.D{is("$or", some)})
	}
	return all
}

func keyIn(group []int64) bson.E {
	if len(group) == 1 {
		return is("keys", group[0])
	}
	return in("keys", append([]int64{}, group...))
}

// narrow reports whether the plan has keys beside that of the type.
func (r *run) narrow() bool {
	typeOnly := search.Query{Type: r.q.Type}.Plan().Keys
	wide := func(groups [][]int64) bool {
		return !slices.ContainsFunc(groups, func(g []int64) bool { return !slices.Equal(g, typeOnly[0]) })
	}
	return !wide(r.plan.Keys) || len(r.plan.Within) > 0 && !slices.ContainsFunc(r.plan.Within, wide)
}

// cmp orders places.
func (r *run) cmp(a, b place) int {
	n := cmp.Or(cmp.Compare(a.N, b.N), strings.Compare(a.ID, b.ID))
	if r.desc {
		n = -n
	}
	return cmp.Or(n, cmp.Compare(a.Born, b.Born))
}

// place is where a version stands.
func (r *run) place(v *version) place {
	switch r.order {
	case engine.ByUpdate:
		return place{N: v.At, Born: v.Born}
	case engine.ByID:
		return place{ID: v.Res, Born: v.Born}
	case engine.ByDate:
		if v.Span != undated {
			return place{N: v.Date, Born: v.Born}
		}
		return place{N: r.noDate(), Born: v.Born}
	}
	return place{Born: v.Born}
}

// start sets up what next walks. from is the place of the last resource of the
// page before, nil for the first page.
func (r *run) start(from *place) error {
	if r.nothing() {
		return nil
	}
	var err error
	switch {
	case r.plan.IDs != nil:
		err = r.gather(from, "current", bson.D{is("type", r.q.Type), in("id", append([]string{}, r.plan.IDs...))})
	case r.order == engine.ByDate && (r.narrow() || !r.otherwise()):
		r.walkDates(from)
	default:
		err = r.narrower(from)
	}
	if !errors.Is(err, errTooMany) {
		return err
	}
	switch r.order {
	case engine.ByDate:
		r.walkDates(from)
	case engine.ByUpdate:
		r.walk(from, &walk{index: "by_update", field: "at", filter: bson.D{is("type", r.q.Type)}})
	case engine.ByID:
		r.walk(from, &walk{index: "current", field: "id", filter: bson.D{is("type", r.q.Type)}})
	default:
		return engine.TooCostly()
	}
	return nil
}

// nothing reports whether a group has no key at all, which nothing matches.
func (r *run) nothing() bool {
	empty := func(groups [][]int64) bool {
		return slices.ContainsFunc(groups, func(g []int64) bool { return len(g) == 0 })
	}
	return empty(r.plan.Keys) || r.plan.IDs != nil && len(r.plan.IDs) == 0 || len(r.plan.Within) > 0 && !slices.ContainsFunc(r.plan.Within, func(a [][]int64) bool { return !empty(a) })
}

// otherwise reports whether an index other than that of keys narrows the search.
func (r *run) otherwise() bool {
	lo, hi := engine.Updated(r.q.Where)
	return len(r.plan.Prefixes) > 0 || len(r.plan.Ranges) > 0 || lo > math.MinInt64 || hi < math.MaxInt64
}

// errTooMany says that an index gives more candidates than can be sorted.
var errTooMany = errors.New("too many resources to sort")

// narrower gathers through the index that fits best, and sorts. A walk in the
// order of another index does not: it may pass all resources of the type.
func (r *run) narrower(from *place) error {
	switch lo, hi := engine.Updated(r.q.Where); {
	case r.narrow():
		return r.gather(from, "by_key", nil)
	case len(r.plan.Prefixes) > 0:
		return r.gather(from, "by_value", bson.D{textCondition(r.q.Type, r.plan.Prefixes[0])})
	case len(r.plan.Ranges) > 0:
		return r.gather(from, "by_value", bson.D{numberCondition(r.q.Type, r.plan.Ranges[0])})
	case r.order != engine.ByUpdate && (lo > math.MinInt64 || hi < math.MaxInt64):
		return r.gather(from, "by_update", bson.D{is("type", r.q.Type)})
	case r.order == engine.ByValues:
		return r.gather(from, "by_key", nil)
	}
	return errTooMany // the order has an index of its own
}

// walkDates walks the index of keys: by date those of a day at most, the few
// longer ones beside them, and those without a date behind.
func (r *run) walkDates(from *place) {
	for _, span := range []int{withinIt, longer, undated} {
		w := walk{index: "by_key", field: "date", filter: bson.D{is("span", span)}, undated: span == undated}
		var bounds bson.D
		if r.plan.DateTo < search.MaxDate {
			bounds = append(bounds, is("$lt", r.plan.DateTo))
		}
		if r.plan.DateFrom > search.NoDate {
			if span == withinIt {
				bounds = append(bounds, is("$gte", r.plan.DateFrom-day))
			}
			w.filter = append(w.filter, is("dateEnd", bson.D{is("$gt", r.plan.DateFrom)}))
		}
		if len(bounds) > 0 && !w.undated {
			w.filter = append(w.filter, is("$and", bson.A{bson.D{is("date", bounds)}}))
		}
		r.walk(from, &w)
	}
}

// all is a filter with the conditions on every candidate added to its own.
func (r *run) all(own bson.D) bson.D {
	and := keyed(r.plan.Keys, r.plan.Within)
	out := make(bson.D, 0, len(own)+len(r.filter)+1)
	for _, e := range own {
		if e.Key == "$and" {
			and = append(and, e.Value.(bson.A)...)
			continue
		}
		out = append(out, e)
	}
	return append(append(out, r.filter...), is("$and", and))
}

// gatherLimit leaves room for versions that turn out to be superseded.
const gatherLimit = store.MaxSort + store.MaxSort/4

// gather reads all candidates of a query and sorts them.
func (r *run) gather(from *place, index string, filter bson.D) error {
	projection := placeOnly
	if r.order == engine.ByValues {
		projection = withoutIndex
	}
	found, err := list[*version](r.ctx, r.s, versions, index, r.all(filter), options.Find().SetProjection(projection).SetLimit(gatherLimit))
	if err != nil {
		return err
	}
	if len(found) == gatherLimit {
		return errTooMany
	}
	all, err := r.check(found, nil)
	if err != nil {
		return err
	}
	if len(all) > store.MaxSort {
		return errTooMany
	}
	if r.order != engine.ByValues {
		slices.SortFunc(all, func(a, b candidate) int { return r.cmp(a.place, b.place) })
		for i := range all {
			if from == nil || r.cmp(all[i].place, *from) > 0 {
				r.sources.Held = all[i:]
				break
			}
		}
		return nil
	}
	for i := range all {
		if all[i].doc, err = r.s.doc(r.ctx, all[i].then); err != nil {
			return err
		}
	}
	slices.SortFunc(all, func(a, b candidate) int { return cmp.Or(r.q.Order(a.doc, b.doc), cmp.Compare(a.Born, b.Born)) })
	if from == nil {
		r.sources.Held = all
		return nil
	}
	i := slices.IndexFunc(all, func(c candidate) bool { return c.Born == from.Born })
	if i < 0 {
		return engine.BadCursor()
	}
	r.sources.Held = all[i+1:]
	return nil
}

// check turns versions from an index into candidates: for each resource the
// version that it had at the snapshot. A version that is no longer that was
// found because nobody noted yet that it was superseded.
func (r *run) check(found []*version, at func(*version) place) ([]candidate, error) {
	// Of several versions of a resource at one place the newest tells.
	best := map[place]int{}
	var vs []*version
	for _, v := range found {
		if !r.snap.has(v.Seq) {
			continue
		}
		p := place{Born: v.Born}
		if at != nil {
			p = at(v)
		}
		if i, ok := best[p]; ok {
			if v.Number > vs[i].Number {
				vs[i] = v
			}
			continue
		}
		best[p] = len(vs)
		vs = append(vs, v)
	}
	next, err := r.s.successors(r.ctx, vs)
	if err != nil {
		return nil, err
	}
	out := make([]candidate, 0, len(vs))
	for i, v := range vs {
		seq, newer := next[i]
		switch {
		case !newer:
			out = append(out, candidate{place: r.place(v), then: v, now: v, sure: r.exact})
		case !r.snap.has(seq): // what it is now is asked when its turn comes
			out = append(out, candidate{place: r.place(v), then: v})
		default:
			then, err := r.asOf(v)
			if err != nil {
				return nil, err
			}
			if then != nil && (at == nil || at(then) == at(v)) {
				out = append(out, candidate{place: r.place(then), then: then})
			}
		}
	}
	return out, nil
}

// asOf finds what a resource was at the snapshot, from a version that it was
// before; nil when it was deleted.
func (r *run) asOf(v *version) (*version, error) {
	projection := placeOnly
	if r.order == engine.ByValues {
		projection = withoutIndex
	}
	all, err := list[*version](r.ctx, r.s, versions, "resource", bson.D{is("type", v.Type), is("id", v.Res), is("n", bson.D{is("$gt", v.Number)})}, newest(projection))
	if err != nil {
		return nil, err
	}
	i := slices.IndexFunc(all, func(x *version) bool { return r.snap.has(x.Seq) })
	if i < 0 || all[i].deleted() {
		return nil, nil
	}
	return all[i], nil
}

// walk yields the candidates of one index in order, a chunk at a time.
type walk struct {
	r            *run
	index, field string
	filter       bson.D
	undated      bool // those without a date, by creation alone

	at    place // behind which to go on
	begun bool
	rest  bool // others with the value of at may follow it
	chunk int
	buf   []candidate
	end   bool
}

// walk adds a walk that goes on behind a place.
func (r *run) walk(from *place, w *walk) {
	w.r, w.chunk = r, min(max(r.q.Count+1, 16), 256)
	w.at, w.rest = place{N: search.NoDate, Born: math.MinInt64}, w.undated
	if from != nil {
		behind := r.order == engine.ByDate && from.N == r.noDate()
		switch {
		case behind == w.undated:
			w.at, w.begun, w.rest = *from, true, true
		case behind:
			w.end = true // all of it was in front
		}
	}
	r.sources.Sources = append(r.sources.Sources, w)
}

// noDate is the place of those without a date: the end, in either direction.
func (r *run) noDate() int64 {
	if r.desc {
		return math.MinInt64
	}
	return math.MaxInt64
}

// Peek gives the next candidate.
func (w *walk) Peek() (c candidate, ok bool, err error) {
	if err := w.fill(); err != nil || len(w.buf) == 0 {
		return c, false, err
	}
	return w.buf[0], true, nil
}

// Drop takes it.
func (w *walk) Drop() { w.buf = w.buf[1:] }

// Last says that those without a date come after all that have one.
func (w *walk) Last(c candidate) bool { return w.undated && c.N != w.r.noDate() }

// value is the field of a place, as it is stored.
func (w *walk) value() any {
	switch {
	case w.field == "id":
		return w.at.ID
	case w.undated:
		return int64(search.NoDate)
	}
	return w.at.N
}

// query reads the versions of the walk under one more condition.
func (w *walk) query(condition bson.D, dir, limit int) ([]*version, error) {
	return list[*version](w.r.ctx, w.r.s, versions, w.index, w.r.all(slices.Concat(w.filter, condition)), options.Find().SetLimit(int64(limit)).SetProjection(placeOnly).
		SetSort(bson.D{is(w.field, dir), is("born", dir)}))
}

// fill reads the next chunk: first the rest of those with the value where the
// last one ended, by creation, then those beyond.
func (w *walk) fill() error {
	for len(w.buf) == 0 && !w.end {
		limit := w.chunk
		w.chunk = min(2*w.chunk, 2048)
		if !w.rest {
			if err := w.beyond(limit); err != nil {
				return err
			}
			continue
		}
		found, err := w.query(bson.D{is(w.field, w.value()), is("born", bson.D{is("$gt", w.at.Born)})}, 1, limit)
		if err != nil {
			return err
		}
		if len(found) == limit {
			w.at.Born = found[len(found)-1].Born
		} else {
			w.rest, w.end = false, w.undated
		}
		if err := w.take(found); err != nil {
			return err
		}
	}
	return nil
}

// beyond reads those behind the value where the last one ended.
func (w *walk) beyond(limit int) error {
	var condition bson.D
	dir, op := 1, "$gt"
	if w.r.desc {
		dir, op = -1, "$lt"
	}
	if w.begun {
		condition = bson.D{is(w.field, bson.D{is(op, w.value())})}
	}
	found, err := w.query(condition, dir, limit)
	if err != nil {
		return err
	}
	w.end = len(found) < limit
	if !w.end {
		// The last value may have more: it is read again from its first.
		last := w.r.place(found[len(found)-1])
		found = slices.DeleteFunc(found, func(v *version) bool { p := w.r.place(v); return p.N == last.N && p.ID == last.ID })
		w.at, w.begun, w.rest = place{N: last.N, ID: last.ID, Born: math.MinInt64}, true, true
	}
	return w.take(found)
}

// take checks what was read and appends it.
func (w *walk) take(found []*version) error {
	more, err := w.r.check(found, w.r.place)
	if err != nil {
		return err
	}
	slices.SortStableFunc(more, func(a, b candidate) int { return w.r.cmp(a.place, b.place) })
	w.buf = append(w.buf, more...)
	return nil
}

// loaded is how many candidates are read at a time.
const loaded = 256

// next gives up to n matches, or fewer when they are more than a page may hold.
func (r *run) next(n int) ([]candidate, error) {
	var out []candidate
	for len(out) < n && r.held <= store.MaxPageBytes {
		var part []candidate
		for len(part) < min(n-len(out), loaded) {
			c, ok, err := r.sources.Next()
			if err != nil {
				return nil, err
			}
			if !ok {
				break
			}
			part = append(part, c)
		}
		if len(part) == 0 {
			break
		}
		matched, err := r.load(part)
		if err != nil {
			return nil, err
		}
		for _, c := range matched {
			r.held += len(c.now.Body)
			if err := budget.Bytes(r.ctx, len(c.now.Body)); err != nil {
				return nil, err
			}
		}
		out = append(out, matched...)
	}
	return out, nil
}

// load reads the current versions of candidates and keeps those that match.
func (r *run) load(part []candidate) ([]candidate, error) {
	var ids, moved []string
	for _, c := range part {
		switch {
		case c.now == nil:
			moved = append(moved, c.then.Res)
		case c.now.Body == nil:
			ids = append(ids, c.now.ID)
		}
	}
	bodies := map[string]*version{} // by _id, and of those that moved by logical id
	read := func(index string, filter bson.D, name func(*version) string) error {
		vs, err := list[*version](r.ctx, r.s, versions, index, filter, options.Find().SetProjection(withoutIndex))
		for _, v := range vs {
			if have := bodies[name(v)]; have == nil || have.Number < v.Number {
				bodies[name(v)] = v
			}
		}
		return err
	}
	for chunk := range slices.Chunk(ids, 500) {
		if err := read(byID, bson.D{in("_id", chunk)}, func(v *version) string { return v.ID }); err != nil {
			return nil, err
		}
	}
	for chunk := range slices.Chunk(moved, 500) {
		if err := read("current", bson.D{is("type", r.q.Type), in("id", chunk), is("until", int64(never))}, func(v *version) string { return v.Res }); err != nil {
			return nil, err
		}
	}
	var out []candidate
	for _, c := range part {
		var err error
		switch {
		case c.now != nil && c.now.Body == nil:
			c.now = bodies[c.now.ID]
		case c.now == nil && bodies[c.then.Res] != nil:
			c.now = bodies[c.then.Res]
		case c.now == nil: // it was written while it was read
			c.now, err = one[version](r.ctx, r.s, versions, "resource", bson.D{is("type", r.q.Type), is("id", c.then.Res)}, newest(withoutIndex))
		}
		if err != nil {
			return nil, err
		}
		if c.now == nil || c.now.deleted() {
			continue
		}
		if !c.sure {
			d, err := r.s.doc(r.ctx, c.now)
			if err != nil {
				return nil, err
			}
			if err := budget.Values(r.ctx, r.q.Effort()); err != nil {
				return nil, err
			}
			if !r.q.Match(d) {
				continue
			}
		}
		out = append(out, c)
	}
	return out, r.ctx.Err()
}

// firstMatches gives up to n resources that match now, without bodies being
// kept in any order.
func (s *Store) firstMatches(ctx context.Context, q search.Query, n int) ([]*version, error) {
	q.Sort, q.Cursor, q.Count = nil, "", n
	r := s.newRun(ctx, q, everything)
	if err := r.start(nil); err != nil {
		return nil, err
	}
	found, err := r.next(n)
	out := make([]*version, len(found))
	for i, c := range found {
		out[i] = c.now
	}
	return out, err
}

// mark is the place of a page.
type mark struct {
	Snapshot snapshot `json:"s"`
	Place    place    `json:"p"`
}

// Search implements store.Store.
func (s *Store) Search(ctx context.Context, q search.Query) (store.Page, error) {
	leave, err := s.enter(ctx)
	if err != nil {
		return store.Page{}, err
	}
	defer leave()
	out, err := s.search(ctx, q)
	if err != nil {
		return store.Page{}, wrap(ctx, err, "search")
	}
	return out, nil
}

func (s *Store) search(ctx context.Context, q search.Query) (out store.Page, err error) {
	sum := engine.Digest(q.Type, q.Where, q.Within, q.Sort)
	var m mark
	var from *place
	if q.Cursor != "" {
		if err := engine.ReadCursor(q.Cursor, sum, &m); err != nil {
			return out, err
		}
		from, out.Prev = &m.Place, true
	} else if m.Snapshot, err = s.snapshot(ctx); err != nil {
		return out, err
	}
	count := engine.PageSize(q.Count)
	q.Count = count
	r := s.newRun(ctx, q, m.Snapshot)
	if err := r.start(from); err != nil {
		return out, err
	}
	found, err := r.next(count + 1)
	if err != nil {
		return out, err
	}
	if len(found) > count || r.held > store.MaxPageBytes {
		found = found[:min(count, len(found))]
		out.Next = engine.Cursor(sum, mark{m.Snapshot, found[count-1].place})
	}
	for _, c := range found {
		out.Matches = append(out.Matches, c.now.stored())
	}
	return out, nil
}

// Count implements store.Store.
func (s *Store) Count(ctx context.Context, q search.Query, limit int) (int, error) {
	leave, err := s.enter(ctx)
	if err != nil {
		return 0, err
	}
	defer leave()
	n, err := s.count(ctx, q, limit)
	return n, wrap(ctx, err, "count")
}

func (s *Store) count(ctx context.Context, q search.Query, limit int) (int, error) {
	stop := math.MaxInt
	if limit > 0 {
		stop = limit + 1
	}
	q.Sort, q.Cursor, q.Count = nil, "", min(stop, 256)
	r := s.newRun(ctx, q, everything)
	if err := r.start(nil); err != nil {
		return 0, err
	}
	n := 0
	for n < stop {
		var part []candidate
		for len(part) < min(stop-n, 500) {
			c, ok, err := r.sources.Next()
			if err != nil {
				return 0, err
			}
			if !ok {
				break
			}
			if c.sure { // counted without its body
				n++
				if n == stop {
					return n, nil
				}
				continue
			}
			part = append(part, c)
		}
		if len(part) == 0 {
			break
		}
		matched, err := r.load(part)
		if err != nil {
			return 0, err
		}
		n += len(matched)
	}
	return min(n, stop), ctx.Err()
}
