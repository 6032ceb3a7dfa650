package mongo

import (
	"context"

	"go.mongodb.org/mongo-driver/v2/bson"
	"go.mongodb.org/mongo-driver/v2/mongo/options"

	"tidemark/internal/store"
)

// Changes implements store.Store. It shows what is settled.
func (s *Store) Changes(ctx context.Context, after int64, limit int) ([]store.Version, error) {
	leave, err := s.enter(ctx)
	if err != nil {
		return nil, err
	}
	defer leave()
	out, err := s.changes(ctx, after, limit)
	return out, wrap(ctx, err, "read the change feed")
}

func (s *Store) changes(ctx context.Context, after int64, limit int) ([]store.Version, error) {
	n, err := s.snapshot(ctx)
	if err != nil {
		return nil, err
	}
	late, err := s.fenced(ctx)
	if err != nil {
		return nil, err
	}
	var out []store.Version
	for after < n.Settled && len(out) < limit {
		part, err := list[version](ctx, s, versions, "feed", bson.D{is("seq", bson.D{is("$gt", after), is("$lte", n.Settled)})},
			options.Find().SetSort(bson.D{is("seq", 1)}).SetLimit(int64(limit-len(out))).SetProjection(withoutIndex))
		if err != nil {
			return nil, err
		}
		if len(part) == 0 {
			break
		}
		for _, v := range part {
			if after = v.Seq; !late[v.Seq] {
				out = append(out, v.stored())
			}
		}
	}
	return out, nil
}

// LastSeq implements store.Store.
func (s *Store) LastSeq(ctx context.Context) (int64, error) {
	leave, err := s.enter(ctx)
	if err != nil {
		return 0, err
	}
	defer leave()
	seq, err := s.lastSeq(ctx)
	return seq, wrap(ctx, err, "read the change feed")
}

// lastSeq is the number of the last settled version. Settled numbers behind it
// have none and never will.
func (s *Store) lastSeq(ctx context.Context) (int64, error) {
	n, err := s.snapshot(ctx)
	if err != nil {
		return 0, err
	}
	late, err := s.fenced(ctx)
	if err != nil {
		return 0, err
	}
	for to := n.Settled; ; {
		v, err := one[version](ctx, s, versions, "feed", bson.D{is("seq", bson.D{is("$lte", to)})}, options.Find().SetSort(bson.D{is("seq", -1)}).SetProjection(bson.D{is("seq", 1)}))
		if err != nil || v == nil {
			return 0, err
		}
		if !late[v.Seq] {
			return v.Seq, nil
		}
		to = v.Seq - 1
	}
}
