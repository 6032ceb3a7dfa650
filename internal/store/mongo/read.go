package mongo

import (
	"context"
	"slices"

	"go.mongodb.org/mongo-driver/v2/bson"
	"go.mongodb.org/mongo-driver/v2/mongo/options"

	"tidemark/internal/store"
	"tidemark/internal/store/engine"
)

// light leaves out what only a few callers need.
var (
	withoutIndex = bson.D{is("keys", 0), is("values", 0), is("fact", 0)}
	withoutBody  = bson.D{is("body", 0), is("values", 0)}
	placeOnly    = bson.D{is("type", 1), is("id", 1), is("n", 1), is("seq", 1), is("at", 1), is("method", 1), is("born", 1), is("span", 1), is("date", 1)}
)

// newest gives the versions of a resource from the newest.
func newest(projection bson.D) *options.FindOptionsBuilder {
	return options.Find().SetSort(bson.D{is("n", -1)}).SetProjection(projection)
}

// current gives the newest version of a resource without its body, nil when
// there is none. One walk of the index finds it whatever is written meanwhile.
func (s *Store) current(ctx context.Context, k store.Key) (*version, error) {
	return one[version](ctx, s, versions, "resource", bson.D{is("type", k.Type), is("id", k.ID)}, newest(withoutBody))
}

// currents is current for many resources, in no order.
func (s *Store) currents(ctx context.Context, keys []store.Key) ([]*version, error) {
	ids := map[string][]string{}
	for _, k := range keys {
		ids[k.Type] = append(ids[k.Type], k.ID)
	}
	found := map[store.Key]*version{}
	for typ, all := range ids {
		for part := range slices.Chunk(all, 500) {
			vs, err := list[*version](ctx, s, versions, "current", bson.D{is("type", typ), in("id", part), is("until", int64(never))}, options.Find().SetProjection(withoutBody))
			if err != nil {
				return nil, err
			}
			for _, v := range vs {
				if have := found[v.key()]; have == nil || have.Number < v.Number {
					found[v.key()] = v
				}
			}
		}
	}
	out := make([]*version, 0, len(found))
	for _, v := range found {
		out = append(out, v)
	}
	return out, nil
}

// successors gives the numbers of the versions that come right after, of those
// that have one, by place in vs.
func (s *Store) successors(ctx context.Context, vs []*version) (map[int]int64, error) {
	out := map[int]int64{}
	if len(vs) == 0 {
		return out, nil
	}
	ids := make([]string, len(vs))
	for i, v := range vs {
		ids[i] = v.next()
	}
	seqs, err := s.seqsOf(ctx, ids)
	for i, id := range ids {
		if seq, ok := seqs[id]; ok {
			out[i] = seq
		}
	}
	return out, err
}

// Read implements store.Store.
func (s *Store) Read(ctx context.Context, key store.Key) (store.Version, error) {
	return s.read(ctx, key, func() (*version, error) {
		return one[version](ctx, s, versions, "resource", bson.D{is("type", key.Type), is("id", key.ID)}, newest(withoutIndex))
	})
}

// ReadVersion implements store.Store.
func (s *Store) ReadVersion(ctx context.Context, key store.Key, number int64) (store.Version, error) {
	return s.read(ctx, key, func() (*version, error) {
		return one[version](ctx, s, versions, byID, bson.D{is("_id", versionID(key, number))}, options.Find().SetProjection(withoutIndex))
	})
}

func (s *Store) read(ctx context.Context, key store.Key, get func() (*version, error)) (store.Version, error) {
	leave, err := s.enter(ctx)
	if err != nil {
		return store.Version{}, err
	}
	defer leave()
	v, err := get()
	switch {
	case err != nil:
		return store.Version{}, wrap(ctx, err, "read a resource")
	case v == nil:
		return store.Version{}, engine.NotFound(key)
	}
	return v.stored(), nil
}
