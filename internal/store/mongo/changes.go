package mongo

import (
	"context"
	"errors"
	"fmt"

	"go.mongodb.org/mongo-driver/v2/bson"
	"go.mongodb.org/mongo-driver/v2/mongo/options"

	"tidemark/internal/store"
)

// Changes implements store.Store. It returns settled versions only.
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

// lastSeq is the number of the last settled version. Settled numbers after it
// have no version and never will.
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

// scanBytes limits the bodies of one answer of Scan, which always has the first.
const scanBytes = 4 << 20

// Scan implements store.Store. It returns fewer than limit if the bodies are large.
func (s *Store) Scan(ctx context.Context, typ string, after, upTo int64, limit int) ([]store.Version, error) {
	leave, err := s.enter(ctx)
	if err != nil {
		return nil, err
	}
	defer leave()
	out, err := s.scan(ctx, typ, after, upTo, limit)
	return out, wrap(ctx, err, "read the resources of a type")
}

// scan walks the type's part of the feed. What it answers rests on versions
// alone, which are never changed: the same call gives the same answer whatever
// is written meanwhile. A version is the last at upTo when the next one is not
// there or stands beyond. All numbers up to upTo are settled, so that one that
// is not there will not come; one that was given up has been moved beyond, or
// will be.
func (s *Store) scan(ctx context.Context, typ string, after, upTo int64, limit int) ([]store.Version, error) {
	late, err := s.fenced(ctx)
	if err != nil {
		return nil, err
	}
	var out []store.Version
	for len(out) == 0 && after < upTo {
		found, err := s.stretch(ctx, typ, after, upTo, limit)
		if err != nil || len(found) == 0 {
			return nil, err
		}
		after = found[len(found)-1].Seq
		next, err := s.successors(ctx, found)
		if err != nil {
			return nil, err
		}
		for i, v := range found {
			if seq, ok := next[i]; late[v.Seq] || ok && seq <= upTo && !late[seq] {
				continue
			}
			out = append(out, v.stored())
		}
	}
	return out, nil
}

var errEnough = errors.New("enough was read")

// stretch reads the next versions of a type, superseded ones among them.
func (s *Store) stretch(ctx context.Context, typ string, after, upTo int64, limit int) ([]*version, error) {
	var out []*version
	size := 0
	o := options.Find().SetSort(bson.D{is("seq", 1)}).SetLimit(int64(limit)).SetProjection(withoutIndex)
	err := s.find(ctx, versions, "typed", bson.D{is("type", typ), is("seq", bson.D{is("$gt", after), is("$lte", upTo)})}, o, func(raw bson.Raw) error {
		v := &version{}
		if err := bson.Unmarshal(raw, v); err != nil {
			return fmt.Errorf("read a document of %s: %w", versions, err)
		}
		out = append(out, v)
		if size += len(v.Body); size >= scanBytes {
			return errEnough
		}
		return nil
	})
	if errors.Is(err, errEnough) {
		err = nil
	}
	return out, err
}
