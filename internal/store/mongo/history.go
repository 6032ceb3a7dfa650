package mongo

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"

	"go.mongodb.org/mongo-driver/v2/bson"
	"go.mongodb.org/mongo-driver/v2/mongo/options"

	"tidemark/internal/search"
	"tidemark/internal/store"
	"tidemark/internal/store/engine"
)

// History implements store.Store.
func (s *Store) History(ctx context.Context, q store.HistoryQuery) (store.HistoryPage, error) {
	leave, err := s.enter(ctx)
	if err != nil {
		return store.HistoryPage{}, err
	}
	defer leave()
	out, err := s.history(ctx, q)
	if err != nil {
		return store.HistoryPage{}, wrap(ctx, err, "read the history")
	}
	return out, nil
}

// stretch is a part of the change feed, both ends included.
type stretch struct{ lo, hi int64 }

func (s *Store) history(ctx context.Context, q store.HistoryQuery) (store.HistoryPage, error) {
	out := store.HistoryPage{Total: -1}
	sum := engine.Digest(q.Type, q.ID, q.Since, q.Until, q.Within, q.Types)
	before := int64(math.MaxInt64)
	if q.Cursor != "" {
		if err := engine.ReadCursor(q.Cursor, sum, &before); err != nil {
			return out, err
		}
	}
	if q.ID != "" {
		cur, err := s.current(ctx, store.Key{Type: q.Type, ID: q.ID})
		if err != nil {
			return out, err
		}
		if cur == nil {
			return out, engine.NotFound(store.Key{Type: q.Type, ID: q.ID})
		}
	}
	part, err := s.between(ctx, q)
	if err != nil {
		return out, err
	}
	if len(q.Within) == 0 {
		filter, index := historyFilter(q)
		if out.Total, err = s.countHistory(ctx, filter, index, part); err != nil {
			return out, err
		}
	}
	count := engine.PageSize(q.Count)
	last := int64(0) // the place of the last on the page
	ids := s.chronicle(q, part, before, count+1)
	for {
		some, err := ids(ctx)
		if err != nil || len(some) == 0 {
			return out, err
		}
		found, err := s.bodies(ctx, some)
		if err != nil {
			return out, err
		}
		for _, v := range found {
			ok, err := s.visible(ctx, q, v)
			if err != nil {
				return out, err
			}
			if !ok {
				continue
			}
			if len(out.Versions) == count {
				out.Next = engine.Cursor(sum, last)
				return out, nil
			}
			out.Versions, last = append(out.Versions, v.stored()), placeIn(q, v)
		}
	}
}

// chronicle yields the versions of a history without their bodies, newest
// first, some at a time; none are the end. The server sorts nothing: a sort of
// large documents ends at 100 MB. All histories but one are walked in the order
// of their index. One within rights goes by keys, whose index has another
// order: its numbers are all read, and sorted here.
func (s *Store) chronicle(q store.HistoryQuery, part stretch, before int64, size int) func(context.Context) ([]*version, error) {
	filter, index := historyFilter(q)
	filter = append(filter, part.condition())
	light := bson.D{is("seq", 1), is("n", 1)}
	field := placeOf(q)
	var all []*version // of a history by keys, once it is read
	return func(ctx context.Context) ([]*version, error) {
		if before <= 1 {
			return nil, nil
		}
		limit := size
		size = min(2*size, 2000)
		below := is(field, bson.D{is("$lt", before)})
		if index == "by_key" {
			if all == nil {
				var err error
				if all, err = list[*version](ctx, s, versions, index, both(filter, below), options.Find().SetProjection(light)); err != nil {
					return nil, err
				}
				slices.SortFunc(all, func(a, b *version) int { return cmp.Compare(b.Seq, a.Seq) })
			}
			some := all[:min(limit, len(all))]
			all = all[len(some):]
			return some, nil
		}
		found, err := list[*version](ctx, s, versions, index, both(filter, below), options.Find().SetSort(bson.D{is(field, -1)}).SetLimit(int64(limit)).SetProjection(light))
		if len(found) > 0 {
			before = placeIn(q, found[len(found)-1])
		}
		return found, err
	}
}

// placeOf is the field by which a history is in order: that of an instance
// goes by number, in which versions stand as in the feed, but for one that came
// late and was moved.
func placeOf(q store.HistoryQuery) string {
	if q.ID != "" {
		return "n"
	}
	return "seq"
}

func placeIn(q store.HistoryQuery, v *version) int64 {
	if q.ID != "" {
		return v.Number
	}
	return v.Seq
}

// both adds a condition to a filter that may have one on the same field.
func both(filter bson.D, more bson.E) bson.D {
	out := slices.Clone(filter)
	for i, e := range out {
		if e.Key == more.Key {
			out[i].Value = slices.Concat(e.Value.(bson.D), more.Value.(bson.D))
			return out
		}
	}
	return append(out, more)
}

// bodies reads versions whole, in the order in which they are named.
func (s *Store) bodies(ctx context.Context, named []*version) ([]*version, error) {
	place := map[string]int{}
	for i, v := range named {
		place[v.ID] = i
	}
	out := make([]*version, len(named))
	for part := range slices.Chunk(named, 500) {
		ids := make([]string, len(part))
		for i, v := range part {
			ids[i] = v.ID
		}
		err := s.find(ctx, versions, byID, bson.D{in("_id", ids)}, options.Find().SetProjection(withoutIndex), func(raw bson.Raw) error {
			v := &version{}
			if err := bson.Unmarshal(raw, v); err != nil {
				return fmt.Errorf("read a document of %s: %w", versions, err)
			}
			out[place[v.ID]] = v
			return nil
		})
		if err != nil {
			return nil, err
		}
	}
	return slices.DeleteFunc(out, func(v *version) bool { return v == nil }), nil
}

func (p stretch) condition() bson.E { return is("seq", bson.D{is("$gte", p.lo), is("$lte", p.hi)}) }

// between turns times into places in the feed, along which they never fall.
func (s *Store) between(ctx context.Context, q store.HistoryQuery) (stretch, error) {
	p := stretch{1, math.MaxInt64}
	end := func(op string, at int64, dir int) (*version, error) {
		return one[version](ctx, s, versions, "time", bson.D{is("at", bson.D{is(op, at)})}, options.Find().SetSort(bson.D{is("at", dir), is("seq", dir)}).SetProjection(bson.D{is("seq", 1)}))
	}
	if !q.Since.IsZero() {
		v, err := end("$gte", engine.Millis(q.Since), 1)
		if err != nil || v == nil {
			return stretch{1, 0}, err
		}
		p.lo = v.Seq
	}
	if !q.Until.IsZero() {
		v, err := end("$lte", engine.Milli(q.Until), -1)
		if err != nil || v == nil {
			return stretch{1, 0}, err
		}
		p.hi = v.Seq
	}
	return p, nil
}

// historyFilter selects the versions, and names the index to walk. Rights that
// have keys are walked by these, so that one patient's history does not pass
// everybody's; those of a deletion are of the version before it.
func historyFilter(q store.HistoryQuery) (filter bson.D, index string) {
	var types []string
	switch {
	case q.ID != "":
		return bson.D{is("type", q.Type), is("id", q.ID)}, "resource"
	case q.Type != "":
		types = []string{q.Type}
		filter, index = bson.D{is("type", q.Type)}, "typed"
	case q.Types != nil:
		types = append([]string{}, q.Types...)
		filter, index = bson.D{in("type", types)}, "typed"
	default:
		return nil, "feed"
	}
	if len(q.Within) == 0 {
		return filter, index
	}
	var some bson.A
	for _, typ := range types {
		wide := search.Query{Type: typ}.Plan().Keys[0]
		for _, alternative := range q.Within {
			keys := search.Query{Type: typ, Where: alternative}.Plan().Keys
			if !slices.ContainsFunc(keys, func(g []int64) bool { return !slices.Equal(g, wide) }) {
				return filter, index
			}
			some = append(some, bson.D{is("$and", keyed(keys, nil))})
		}
	}
	if len(some) == 0 {
		return filter, index
	}
	return append(filter, is("$or", some)), "by_key"
}

// countHistory counts up to its limit, -1 beyond.
func (s *Store) countHistory(ctx context.Context, filter bson.D, index string, part stretch) (int, error) {
	n, err := s.db.Collection(versions).CountDocuments(ctx, append(slices.Clone(filter), part.condition()), options.Count().SetHint(index).SetLimit(engine.CountHistory+1))
	if n > engine.CountHistory {
		n = -1
	}
	return int(n), err
}

// visible evaluates a version by the caller's rights, a deletion by the version before it.
func (s *Store) visible(ctx context.Context, q store.HistoryQuery, v *version) (bool, error) {
	if len(q.Within) == 0 {
		return true, nil
	}
	for shown := v; ; {
		if !shown.deleted() {
			d, err := s.doc(ctx, shown)
			if err != nil {
				return false, err
			}
			return search.Query{Type: v.Type, Within: q.Within}.Match(d), nil
		}
		if shown.Erased {
			return false, nil // nobody knows any more whose it was
		}
		var err error
		shown, err = one[version](ctx, s, versions, byID, bson.D{is("_id", versionID(v.key(), shown.Number-1))}, options.Find().SetProjection(withoutIndex))
		if err != nil || shown == nil {
			return false, err
		}
	}
}
