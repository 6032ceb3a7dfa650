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
	"tidemark/internal/store/engine"
)

// claim says which resource has an identifier, or was created under a
// condition. It is taken before the version is inserted. The owner's versions
// decide whether it is valid: a claim is pending until its owner has the version
// for which it was taken, and stale if the owner's current version does not have
// the identifier. So it can be taken again without being released first.
type claim struct {
	ID     string `bson:"_id"`
	Owner  string `bson:"owner"` // logical id
	Number int64  `bson:"n"`     // version for which it was taken
	At     int64  `bson:"at"`    // when, in milliseconds; for people
	Nonce  string `bson:"nonce"` // changes with every taking

	typ       string // of the owner
	condition bool   // of a conditional create, not an identifier
}

// watch records when this process first saw a claim pending, so that one clock
// measures how long a claim is left to its owner.
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

// standing is the state of a claim by the versions of its owner.
type standing int

const (
	free    standing = iota // there is no claim, or a stale one
	held                    // the owner's current version holds it
	pending                 // the owner's version is not there yet
)

// standing returns the state of a claim that another writer took. The claim of a
// condition is never held: once its resource exists, the search finds it.
func (s *Store) standing(ctx context.Context, p *plan, typ string, c *claim) (standing, error) {
	if c == nil {
		return free, nil
	}
	cur, err := (*version)(nil), error(nil)
	if mine := p.now[store.Key{Type: typ, ID: c.Owner}]; mine != nil && mine.Seq == 0 {
		cur = mine // as the plan leaves it
	} else {
		cur, err = s.current(ctx, store.Key{Type: typ, ID: c.Owner})
	}
	switch {
	case err != nil:
		return free, err
	case cur != nil && cur.Number >= c.Number:
		if slices.Contains(cur.Claims, c.ID) {
			return held, nil
		}
		return free, nil
	case s.watch.age(c.Nonce, s.lease) >= s.lease:
		return free, nil // its writer is gone and sends nothing so late: see fresh
	}
	return pending, nil
}

func (s *Store) claim(ctx context.Context, id string) (*claim, error) {
	return one[claim](ctx, s, claims, byID, bson.D{is("_id", id)}, nil)
}

// want adds a claim that the plan has to take for a version. If several versions
// need one identifier, the last gets it.
func (p *plan) want(s *Store, id string, v *version, condition bool) {
	c := claim{ID: id, Owner: v.Res, Number: v.Number, At: engine.Milli(s.clock()), Nonce: bson.NewObjectID().Hex(), typ: v.Type, condition: condition}
	if i := slices.IndexFunc(p.wants, func(w claim) bool { return w.ID == id }); i >= 0 {
		p.wants[i] = c
		return
	}
	p.wants = append(p.wants, c)
}

// wantIdentifiers adds the identifiers that the current version does not have.
func (p *plan) wantIdentifiers(s *Store, w *store.Write, v, cur *version) error {
	for _, value := range w.Claims {
		id := claimID(v.Type, value)
		v.Claims = append(v.Claims, id)
		if cur != nil && slices.Contains(cur.Claims, id) {
			continue
		}
		for _, other := range p.now {
			if other != nil && other.Seq == 0 && other.key() != v.key() && slices.Contains(other.Claims, id) {
				return engine.Duplicate(v.Type)
			}
		}
		p.want(s, id, v, false)
	}
	return nil
}

// taking is the request of one plan to claimAll.
type taking struct {
	claims  []claim
	clashed []bool // there already
	err     error
}

// claimAll inserts the claims of several plans together. Nearly all are new, so it
// does not look them up first.
func (s *Store) claimAll(ts []*taking) {
	ctx, cancel := s.decisive(context.Background())
	defer cancel()
	var docs []any
	for _, t := range ts {
		t.clashed = make([]bool, len(t.claims))
		for _, c := range t.claims {
			docs = append(docs, c)
		}
	}
	_, err := s.db.Collection(claims).InsertMany(ctx, docs, options.InsertMany().SetOrdered(false))
	places, clash := duplicates(err)
	for _, t := range ts {
		if err != nil && !clash {
			t.err = err
		}
		for i := range t.claims {
			t.clashed[i] = slices.Contains(places, i)
		}
		for i := range places {
			places[i] -= len(t.claims)
		}
	}
}

// takeClaims takes the claims that the plan wants, and records in every case which
// ones it may have taken.
func (s *Store) takeClaims(ctx context.Context, p *plan) error {
	if len(p.wants) == 0 {
		return nil
	}
	t := &taking{claims: p.wants}
	began := time.Now()
	s.claiming.do(t)
	var rest []claim
	for i, c := range p.wants {
		if t.clashed[i] {
			rest = append(rest, c)
		} else {
			p.taken = append(p.taken, c)
		}
	}
	if t.err != nil {
		return p.unanswered(began, t.err)
	}
	for _, c := range rest {
		if err := s.contend(ctx, p, c); err != nil {
			return err
		}
	}
	// The previous owner of the claim of a condition may have created its resource.
	for _, i := range p.unsure {
		q := *p.writes[i].Unless
		matched, err := s.matchesOther(ctx, p, q)
		if err == nil && matched {
			err = store.Matched(q.Type)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// patience is how long to wait for the claim of another writer, which usually takes
// a few milliseconds.
const patience = 2 * time.Second

// contend takes an existing claim if it is free.
func (s *Store) contend(ctx context.Context, p *plan, mine claim) error {
	for try := 0; ; try++ {
		c, err := s.claim(ctx, mine.ID)
		if err != nil {
			return err
		}
		how := free
		if c != nil && (mine.condition || c.Owner != mine.Owner) {
			if how, err = s.standing(ctx, p, mine.typ, c); err != nil {
				return err
			}
		}
		if c != nil && !mine.condition && c.Owner == mine.Owner {
			// The owner's own claim is free only for a newer version. Otherwise a
			// create of an existing resource would take it, be refused, and release it.
			cur, err := s.current(ctx, store.Key{Type: mine.typ, ID: mine.Owner})
			if err != nil {
				return err
			}
			if cur != nil && cur.Number >= mine.Number {
				return errAgain
			}
		}
		switch how {
		case held:
			return engine.Duplicate(mine.typ)
		case free:
			if ok, err := s.take(ctx, p, c, mine); err != nil || ok {
				return err
			}
		case pending:
			if left, ok := s.doubts.until(s, c.Nonce); ok {
				return undecided(max(left, time.Second))
			}
			if age := s.watch.age(c.Nonce, s.lease); age >= patience {
				return undecided(max(s.lease-age, time.Second))
			}
			// A writer that has claims or numbers must not wait: two such writers
			// could wait for each other for ever.
			if !p.careful || len(p.taken) > 0 {
				return errAgain
			}
		}
		if err := pause(ctx, try); err != nil {
			return err
		}
	}
}

// undecided is the answer while the outcome of another write is unknown.
func undecided(left time.Duration) error {
	f := fault.New(fault.Unavailable, "transient", "An earlier write with the same identifier or condition is in doubt: the database has not said whether it was kept. This one was not written; try again with the same identifier.")
	f.RetryAfter = left
	return f
}

// take replaces the claim that was seen, nil for none; ok is false if another
// writer was first.
func (s *Store) take(ctx context.Context, p *plan, seen *claim, mine claim) (ok bool, err error) {
	ctx, cancel := s.decisive(ctx)
	defer cancel()
	began := time.Now()
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
	if ok || err != nil { // if in doubt, it is released too
		p.taken = append(p.taken, mine)
	}
	return ok, p.unanswered(began, err)
}

// release removes claims that were taken for a version that will not be written.
func (s *Store) release(ctx context.Context, c claim) error {
	_, err := s.db.Collection(claims).DeleteOne(ctx, bson.D{is("_id", c.ID), is("nonce", c.Nonce)}, options.DeleteOne().SetHint(byID))
	return err
}
