package mongo

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"maps"
	"slices"
	"sync"
	"time"

	"go.mongodb.org/mongo-driver/v2/bson"
	"go.mongodb.org/mongo-driver/v2/mongo"
	"go.mongodb.org/mongo-driver/v2/mongo/options"

	"tidemark/internal/fault"
	"tidemark/internal/search"
	"tidemark/internal/store"
)

// claim says which resource has an identifier, or was created under a
// condition. It is taken before the version is inserted. Whether it holds is
// for the version to say: a claim is pending until its owner has the version
// for which it was taken, and stale when the owner's current version does not
// hold it. So nothing has to be released for it to be taken again.
type claim struct {
	ID     string `bson:"_id"`
	Owner  string `bson:"owner"` // logical id
	Number int64  `bson:"n"`     // version for which it was taken
	At     int64  `bson:"at"`    // when, in milliseconds; for people
	Nonce  string `bson:"nonce"` // changes with every taking
}

// watch remembers since when this process has seen claims pending. So the time
// that a claim is left to its owner is measured by one clock.
type watch struct {
	mu    sync.Mutex
	first map[string]time.Time // by nonce
}

// age is how long a claim has been seen.
func (w *watch) age(nonce string, lease time.Duration) time.Duration {
	w.mu.Lock()
	defer w.mu.Unlock()
	now := time.Now()
	if w.first == nil {
		w.first = map[string]time.Time{}
	}
	if len(w.first) > 1000 {
		maps.DeleteFunc(w.first, func(_ string, t time.Time) bool { return now.Sub(t) > 10*lease })
	}
	t, ok := w.first[nonce]
	if !ok {
		t = now
		w.first[nonce] = t
	}
	return now.Sub(t)
}

// claimID is the key of an identifier of a type. It is a digest because
// identifiers have any length.
func claimID(typ, value string) string { return hashed("identifier", typ, value) }

// conditionID is the key of a conditional create. Callers with different rights
// wait for each other too.
func conditionID(q *search.Query) string {
	b, _ := json.Marshal(q.Where) // plain values always marshal
	return hashed("condition", q.Type, string(b))
}

func hashed(parts ...string) string {
	h := sha256.New()
	for _, p := range parts {
		h.Write([]byte(p))
		h.Write([]byte{0})
	}
	return hex.EncodeToString(h.Sum(nil)[:20])
}

// standing is what a claim's owner says of it.
type standing int

const (
	free    standing = iota // nobody holds it: none is there, or a stale one
	held                    // the owner's current version holds it
	pending                 // the owner's version is not there yet
)

// standing judges a claim by its owner. A condition is never held: once its
// resource is there, the search finds it.
func (s *Store) standing(ctx context.Context, typ string, c *claim) (standing, error) {
	if c == nil {
		return free, nil
	}
	cur, err := s.current(ctx, store.Key{Type: typ, ID: c.Owner})
	switch {
	case err != nil:
		return free, err
	case cur != nil && cur.Number >= c.Number:
		if slices.Contains(cur.Claims, c.ID) {
			return held, nil
		}
		return free, nil
	case s.watch.age(c.Nonce, s.lease) >= s.lease:
		return free, nil // its writer is gone, and sends nothing that late: see fresh
	}
	return pending, nil
}

func (s *Store) claim(ctx context.Context, id string) (*claim, error) {
	return one[claim](ctx, s, claims, byID, bson.D{is("_id", id)}, nil)
}

// take puts a claim in the place of the one that was seen, for the plan; ok is
// false when another writer did so first.
func (s *Store) take(ctx context.Context, p *plan, seen *claim, id, owner string, number int64) (ok bool, err error) {
	mine := claim{ID: id, Owner: owner, Number: number, At: s.clock().UnixMilli(), Nonce: bson.NewObjectID().Hex()}
	if seen == nil {
		_, err = s.db.Collection(claims).InsertOne(ctx, mine)
		if _, clash := duplicates(err); clash {
			return false, nil
		}
		ok = err == nil
	} else {
		var r *mongo.UpdateResult
		r, err = s.db.Collection(claims).ReplaceOne(ctx, bson.D{is("_id", seen.ID), is("nonce", seen.Nonce)}, mine, options.Replace().SetHint(byID))
		ok = err == nil && r.MatchedCount == 1
	}
	if ok || err != nil { // in doubt, it is given back too
		p.taken = append(p.taken, mine)
	}
	return ok, err
}

// identifiers takes those that the current version does not hold, and gives
// the keys of all.
func (s *Store) identifiers(ctx context.Context, p *plan, w *store.Write, cur *version, number int64) ([]string, error) {
	var ids []string
	for _, value := range w.Claims {
		id := claimID(w.Key.Type, value)
		ids = append(ids, id)
		if err := s.identifier(ctx, p, w.Key, id, cur, number); err != nil {
			return ids, err
		}
	}
	return ids, nil
}

func (s *Store) identifier(ctx context.Context, p *plan, k store.Key, id string, cur *version, number int64) error {
	for try := 0; ; try++ {
		c, err := s.claim(ctx, id)
		if err != nil {
			return err
		}
		how := free
		if c != nil && c.Owner == k.ID {
			if cur != nil && slices.Contains(cur.Claims, id) {
				return nil
			}
		} else if how, err = s.standing(ctx, k.Type, c); err != nil {
			return err
		}
		switch how {
		case held:
			return fault.At(fault.Conflict, "duplicate", k.Type+".identifier",
				"Another %s has this identifier already; send If-None-Exist to get that one, or correct the identifier.", k.Type)
		case free:
			if ok, err := s.take(ctx, p, c, id, k.ID, number); err != nil || ok {
				return err
			}
		}
		if err := s.await(ctx, p, try); err != nil {
			return err
		}
	}
}

// await waits for another writer's claim to be decided. Who holds claims, or
// is in a transaction, which would not see what comes of it, gives up and
// begins again: two that wait for each other would wait for ever.
func (s *Store) await(ctx context.Context, p *plan, try int) error {
	if len(p.taken) > 0 || mongo.SessionFromContext(ctx) != nil {
		return errAgain
	}
	return pause(ctx, try)
}

// release gives back what was taken for a version that will not come. What
// cannot be given back is free when others have seen it for a lease.
func (s *Store) release(ctx context.Context, c claim) {
	_, err := s.db.Collection(claims).DeleteOne(ctx, bson.D{is("_id", c.ID), is("nonce", c.Nonce)}, options.DeleteOne().SetHint(byID))
	if err != nil {
		s.log.DebugContext(ctx, "an identifier that was reserved for a refused write stays so for a while", "error", err)
	}
}
