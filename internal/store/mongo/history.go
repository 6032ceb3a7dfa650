package mongo

import (
	"context"
	"math"
	"slices"

	"go.mongodb.org/mongo-driver/v2/bson"
	"go.mongodb.org/mongo-driver/v2/mongo/options"

	"tidemark/internal/search"
	"tidemark/internal/store"
)

// countHistory is how many versions are counted for HistoryPage.Total.
const countHistory = 10000

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
	sum := digest(q.Type, q.ID, q.Since, q.Until, q.Within, q.Types)
	before := int64(math.MaxInt64)
	if q.Cursor != "" {
		if err := readCursor(q.Cursor, sum, &before); err != nil {
			return out, err
		}
	}
	if q.ID != "" {
		cur, err := s.current(ctx, store.Key{Type: q.Type, ID: q.ID})
		if err != nil {
			return out, err
		}
		if cur == nil {
			return out, notFound(store.Key{Type: q.Type, ID: q.ID})
		}
	}
	part, err := s.between(ctx, q)
	if err != nil {
		return out, err
	}
	filter, index := historyFilter(q)
	if len(q.Within) == 0 {
		if out.Total, err = s.countHistory(ctx, filter, index, part); err != nil {
			return out, err
		}
	}
	part.hi = min(part.hi, before-1)
	count := page(q.Count)
	for chunk := count + 1; ; chunk = min(2*chunk, 2000) {
		found, err := list[*version](ctx, s, versions, index, append(slices.Clone(filter), part.condition()), options.Find().SetSort(bson.D{is("seq", -1)}).SetLimit(int64(chunk)).SetProjection(withoutIndex))
		if err != nil {
			return out, err
		}
		for _, v := range found {
			part.hi = v.Seq - 1
			ok, err := s.visible(ctx, q, v)
			if err != nil {
				return out, err
			}
			if !ok {
				continue
			}
			if len(out.Versions) == count {
				out.Next = cursor(sum, out.Versions[count-1].Seq)
				return out, nil
			}
			out.Versions = append(out.Versions, v.stored())
		}
		if len(found) < chunk {
			return out, nil
		}
	}
}

func (p stretch) condition() bson.E { return is("seq", bson.D{is("$gte", p.lo), is("$lte", p.hi)}) }

// between turns times into places in the feed, along which they never fall.
func (s *Store) between(ctx context.Context, q store.HistoryQuery) (stretch, error) {
	p := stretch{1, math.MaxInt64}
	end := func(op string, at int64, dir int) (*version, error) {
		return one[version](ctx, s, versions, "time", bson.D{is("at", bson.D{is(op, at)})}, options.Find().SetSort(bson.D{is("at", dir), is("seq", dir)}).SetProjection(bson.D{is("seq", 1)}))
	}
	if !q.Since.IsZero() {
		since := q.Since.UnixMilli()
		if q.Since.Nanosecond()%1e6 != 0 {
			since++
		}
		v, err := end("$gte", since, 1)
		if err != nil || v == nil {
			return stretch{1, 0}, err
		}
		p.lo = v.Seq
	}
	if !q.Until.IsZero() {
		v, err := end("$lte", q.Until.UnixMilli(), -1)
		if err != nil || v == nil {
			return stretch{1, 0}, err
		}
		p.hi = v.Seq
	}
	return p, nil
}

// historyFilter selects the versions, and names the index to walk. Rights that
// have keys are walked by these, so that one patient's history does not pass
// everybody's; those of a deletion are of the version before it. Versions are
// then sorted by the server, which keeps no more than a page of them.
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
	return append(filter, is("$or", some)), "keys"
}

// countHistory counts up to its limit, -1 beyond.
func (s *Store) countHistory(ctx context.Context, filter bson.D, index string, part stretch) (int, error) {
	n, err := s.db.Collection(versions).CountDocuments(ctx, append(slices.Clone(filter), part.condition()), options.Count().SetHint(index).SetLimit(countHistory+1))
	if n > countHistory {
		n = -1
	}
	return int(n), err
}

// visible judges a version by the caller's rights, a deletion by the version before it.
func (s *Store) visible(ctx context.Context, q store.HistoryQuery, v *version) (bool, error) {
	if len(q.Within) == 0 {
		return true, nil
	}
	for judged := v; ; {
		if !judged.deleted() {
			d, err := s.doc(judged)
			if err != nil {
				return false, err
			}
			return search.Query{Type: v.Type, Within: q.Within}.Match(d), nil
		}
		var err error
		judged, err = one[version](ctx, s, versions, byID, bson.D{is("_id", versionID(v.key(), judged.Number-1))}, options.Find().SetProjection(withoutIndex))
		if err != nil || judged == nil {
			return false, err
		}
	}
}
