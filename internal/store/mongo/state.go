package mongo

import (
	"context"

	"go.mongodb.org/mongo-driver/v2/bson"
	"go.mongodb.org/mongo-driver/v2/mongo/options"

	"tidemark/internal/fault"
)

// state is a named value. A deleted one keeps its revision, so that revisions
// of a name grow for ever and a lease can be fenced by them.
type state struct {
	Name  string `bson:"_id"`
	Value []byte `bson:"value"`
	Rev   int64  `bson:"rev"`
	Gone  bool   `bson:"gone"`
}

// State implements store.Store.
func (s *Store) State(ctx context.Context, name string) ([]byte, int64, error) {
	leave, err := s.enter(ctx)
	if err != nil {
		return nil, 0, err
	}
	defer leave()
	have, err := s.state(ctx, name)
	if err != nil || have == nil || have.Gone {
		return nil, 0, wrap(ctx, err, "read a state")
	}
	return have.Value, have.Rev, nil
}

func (s *Store) state(ctx context.Context, name string) (*state, error) {
	return one[state](ctx, s, states, byID, bson.D{is("_id", name)}, nil)
}

// SetState implements store.Store.
func (s *Store) SetState(ctx context.Context, name string, value []byte, rev int64) (int64, error) {
	leave, err := s.enter(ctx)
	if err != nil {
		return 0, err
	}
	defer leave()
	ctx, cancel := s.decisive(ctx)
	defer cancel()
	next, err := s.setState(ctx, name, value, rev)
	return next, wrap(ctx, err, "write a state")
}

func (s *Store) setState(ctx context.Context, name string, value []byte, rev int64) (int64, error) {
	changed := fault.New(fault.Precondition, "conflict", "The state %q was changed in the meantime.", name)
	next := state{Name: name, Value: value, Gone: value == nil}
	if next.Value == nil {
		next.Value = []byte{}
	}
	from := rev
	if rev == 0 {
		have, err := s.state(ctx, name)
		switch {
		case err != nil:
			return 0, err
		case have == nil && next.Gone:
			return 0, nil
		case have == nil:
			next.Rev = 1
			_, err := s.collection(states).InsertOne(ctx, next)
			if _, clash := duplicates(err); clash {
				return 0, changed
			}
			return 1, err
		case !have.Gone:
			return 0, changed
		}
		from = have.Rev
	}
	next.Rev = from + 1
	r, err := s.collection(states).UpdateOne(ctx, bson.D{is("_id", name), is("rev", from), is("gone", rev == 0)},
		bson.D{is("$set", bson.D{is("value", next.Value), is("rev", next.Rev), is("gone", next.Gone)})}, options.UpdateOne().SetHint(byID))
	switch {
	case err != nil:
		return 0, err
	case r.MatchedCount == 0:
		return 0, changed
	case next.Gone:
		return 0, nil
	}
	return next.Rev, nil
}

// States implements store.Store.
func (s *Store) States(ctx context.Context, prefix string) ([]string, error) {
	leave, err := s.enter(ctx)
	if err != nil {
		return nil, err
	}
	defer leave()
	bounds := bson.D{is("$gte", prefix)}
	if end := after(prefix); end != "" {
		bounds = append(bounds, is("$lt", end))
	}
	found, err := list[state](ctx, s, states, byID, bson.D{is("_id", bounds), is("gone", false)}, options.Find().SetSort(bson.D{is("_id", 1)}).SetProjection(bson.D{is("_id", 1)}))
	out := make([]string, len(found))
	for i, x := range found {
		out[i] = x.Name
	}
	return out, wrap(ctx, err, "list states")
}
