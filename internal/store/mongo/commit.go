package mongo

import (
	"context"
	"errors"
	"math/rand/v2"
	"slices"
	"time"

	"go.mongodb.org/mongo-driver/v2/bson"
	"go.mongodb.org/mongo-driver/v2/mongo"
	"go.mongodb.org/mongo-driver/v2/mongo/options"
	"go.mongodb.org/mongo-driver/v2/mongo/readconcern"
	"go.mongodb.org/mongo-driver/v2/mongo/writeconcern"

	"tidemark/internal/fault"
	"tidemark/internal/search"
	"tidemark/internal/store"
)

// errAgain says that another writer came between, and that the step is to be
// made again on what is there now.
var errAgain = errors.New("another writer came between")

// maxTries is how often a step is made again. Each time some other writer got on.
const maxTries = 200

// pause waits a little, longer with every try, and at random, so that writers
// of one resource do not meet again.
func pause(ctx context.Context, try int) error {
	if try >= maxTries {
		return unavailable(nil, "Too many others write the same at the same time; try again.")
	}
	t := time.NewTimer(time.Duration(rand.Int64N(int64(min(try+1, 20)) * int64(2*time.Millisecond))))
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// Commit implements store.Store. Without transactions, all writes are checked
// before the first is made; one that clashes all the same is made again on
// what is there then. When that is refused after others were made, it and
// those behind it are left out: their results are zero, and the log says so.
func (s *Store) Commit(ctx context.Context, writes []store.Write, audit []store.AuditRecord) ([]store.Result, error) {
	leave, err := s.enter(ctx)
	if err != nil {
		return nil, err
	}
	defer leave()
	for _, w := range writes {
		if len(w.Body.JSON) > store.MaxResource {
			return nil, fault.New(fault.TooLarge, "too-long", "The resource has %d bytes; at most %d can be stored.", len(w.Body.JSON), store.MaxResource)
		}
	}
	var results []store.Result
	switch {
	case len(writes) == 0:
		return []store.Result{}, wrap(ctx, s.writeAudit(ctx, audit), "write audit records")
	case s.transactions && len(writes) > 1:
		results, err = s.commitAll(ctx, writes, audit)
	default:
		results, err = s.commitInOrder(ctx, writes, audit)
	}
	return results, wrap(ctx, err, "write")
}

// commitInOrder makes the writes without a transaction.
func (s *Store) commitInOrder(ctx context.Context, writes []store.Write, audit []store.AuditRecord) ([]store.Result, error) {
	results := make([]store.Result, 0, len(writes))
	made := 0
	for try := 0; len(results) < len(writes); try++ {
		p := newPlan(writes[len(results):], try > 0)
		done, n, err := s.attempt(ctx, p)
		results = append(results, done...)
		if made == 0 && n > 0 {
			// From here on the write is made, and its caller may go away.
			var cancel context.CancelFunc
			ctx, cancel = decisive(ctx)
			defer cancel()
		}
		made += n
		if errors.Is(err, errAgain) {
			err = pause(ctx, try)
		}
		if err != nil {
			if made == 0 {
				return nil, err
			}
			s.log.ErrorContext(ctx, "a write behind others that were made is left out, for want of transactions", "made", made, "of", len(writes), "resource", writes[len(results)].Key.String(), "error", err)
			break
		}
	}
	if err := s.writeAudit(ctx, audit); err != nil {
		ids := make([]string, len(audit))
		for i, r := range audit {
			ids[i] = r.ID
		}
		s.log.ErrorContext(ctx, "the audit records of a write that was made are lost", "records", ids, "error", err)
	}
	return append(results, make([]store.Result, len(writes)-len(results))...), nil
}

// commitAll makes the writes in one transaction. The numbers of the change
// feed are taken outside of it, so that transactions do not wait for each
// other; those of one that fails are void.
func (s *Store) commitAll(ctx context.Context, writes []store.Write, audit []store.AuditRecord) ([]store.Result, error) {
	for try := 0; ; try++ {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		results, err := s.transact(ctx, writes, audit)
		if !errors.Is(err, errAgain) {
			return results, err
		}
		if err := pause(ctx, try); err != nil {
			return nil, err
		}
	}
}

func (s *Store) transact(ctx context.Context, writes []store.Write, audit []store.AuditRecord) (results []store.Result, err error) {
	sess, err := s.client.StartSession()
	if err != nil {
		return nil, err
	}
	ctx, cancel := decisive(ctx)
	defer cancel()
	defer sess.EndSession(ctx)
	var p *plan
	asked := false // the server was asked to commit
	_, err = sess.WithTransaction(ctx, func(tx context.Context) (any, error) {
		if p != nil {
			s.void(ctx, p.entries) // of the try before, which was rolled back
		}
		p, asked = newPlan(writes, true), false
		if err := s.prepareWrites(tx, ctx, p); err != nil {
			return nil, err
		}
		if len(p.docs) > 0 {
			if _, err := s.db.Collection(versions).InsertMany(tx, p.documents()); err != nil {
				if _, clash := duplicates(err); clash {
					return nil, errAgain
				}
				return nil, err
			}
		}
		err := s.writeAudit(tx, audit)
		asked = err == nil
		return nil, err
	}, options.Transaction().SetReadConcern(readconcern.Snapshot()).SetWriteConcern(writeconcern.Majority()))
	switch {
	case err == nil:
	case asked:
		return nil, inDoubt(err) // its numbers are left to the lease
	default:
		if p != nil && !away(err) {
			s.void(ctx, p.entries)
		}
		return nil, err
	}
	s.settle(ctx, p)
	s.supersede(ctx, p, len(p.docs))
	return p.results, nil
}

// plan is what some writes come to.
type plan struct {
	writes  []store.Write
	results []store.Result
	docs    []*version // to insert, in order
	of      []int      // which write and result a document belongs to
	before  []*version // what it takes the place of; nil for a first version
	taken   []claim
	since   time.Time // before the first claim or number was taken
	entries []entry   // numbers, one for each document, once they are taken
	now     map[store.Key]*version
	known   map[store.Key]bool // now holds what there is
	careful bool               // read even where a clash would tell
}

// fresh reports whether what was taken, claims and numbers, is still surely
// the plan's. Others take it away after they have seen it for a whole lease;
// half of one is left to the insert, which ends within writeTimeout.
func (p *plan) fresh(lease time.Duration) bool {
	return time.Since(p.since) < lease/2
}

func newPlan(writes []store.Write, careful bool) *plan {
	return &plan{writes: writes, careful: careful, since: time.Now(), now: map[store.Key]*version{}, known: map[store.Key]bool{}}
}

func (p *plan) documents() []any {
	out := make([]any, len(p.docs))
	for i, d := range p.docs {
		out[i] = d
	}
	return out
}

// attempt makes the writes of a plan, or those before the first that it cannot
// make. It gives their results, and how many versions were written. errAgain
// stands for one that clashed.
func (s *Store) attempt(caller context.Context, p *plan) ([]store.Result, int, error) {
	if err := s.prepareWrites(caller, caller, p); err != nil {
		if !away(err) {
			s.giveBack(caller, p, 0)
		}
		return nil, 0, err
	}
	if len(p.docs) == 0 {
		return p.results, 0, nil
	}
	ctx, cancel := decisive(caller)
	defer cancel()
	made, err := s.insert(ctx, p)
	if made > 0 {
		s.settle(ctx, p)
		s.supersede(ctx, p, made)
	}
	if err == nil {
		return p.results, made, nil
	}
	if fault.Is(err, fault.Unavailable) || away(err) {
		return nil, 0, err // what was taken is left to its lease
	}
	s.giveBack(caller, p, made)
	return p.results[:p.of[made]], made, err
}

// insert writes the documents in order and says how many it wrote. The error
// is errAgain when another writer was first, inDoubt when nobody can say.
func (s *Store) insert(ctx context.Context, p *plan) (made int, err error) {
	if len(p.docs) == 1 {
		_, err = s.db.Collection(versions).InsertOne(ctx, p.docs[0])
	} else {
		_, err = s.db.Collection(versions).InsertMany(ctx, p.documents())
	}
	if err == nil {
		return len(p.docs), nil
	}
	if places, clash := duplicates(err); clash {
		return places[0], errAgain
	}
	if refused(err) {
		return 0, err
	}
	// No answer, or one that says nothing: what is there tells, if it can be read.
	ids := make([]string, len(p.docs))
	for i, d := range p.docs {
		ids[i] = d.ID
	}
	look, cancel := context.WithTimeout(context.WithoutCancel(ctx), writeTimeout/2)
	defer cancel()
	seqs, lookErr := s.seqsWith(look, ids, readconcern.Linearizable())
	if lookErr != nil {
		return 0, inDoubt(errors.Join(err, lookErr))
	}
	for made < len(p.docs) && seqs[p.docs[made].ID] == p.docs[made].Seq {
		made++
	}
	switch {
	case made == len(p.docs):
		return made, nil
	case seqs[p.docs[made].ID] != 0:
		return made, errAgain
	}
	return 0, inDoubt(err) // not there now, but it may still be on its way
}

// giveBack makes free what was taken for documents that were not written.
func (s *Store) giveBack(caller context.Context, p *plan, made int) {
	ctx, cancel := decisive(caller)
	defer cancel()
	if len(p.entries) > made {
		s.void(ctx, p.entries[made:])
	}
	for _, t := range p.taken {
		if !slices.ContainsFunc(p.docs[:made], func(d *version) bool { return d.Res == t.Owner && d.Number == t.Number }) {
			s.release(ctx, t)
		}
	}
}

// settle makes sure that the numbers of a slow plan still stand, and gives it
// others where they do not. While the plan was fresh nobody took them away.
func (s *Store) settle(ctx context.Context, p *plan) {
	if p.fresh(s.lease) {
		return
	}
	var seqs []int64
	for _, e := range p.entries {
		seqs = append(seqs, e.Seq)
	}
	given, err := list[fence](ctx, s, fences, byID, bson.D{in("_id", seqs)}, nil)
	for _, g := range given {
		var e entry
		if e, err = s.move(ctx, g.Version, g.Seq); err != nil {
			break
		}
		for i, d := range p.docs {
			if d.ID == g.Version {
				d.Seq, d.At = e.Seq, e.At
				p.results[p.of[i]].Version = d.stored()
			}
		}
	}
	if err != nil { // whoever reads the feed moves what is left
		s.log.WarnContext(ctx, "a slow write may get another place in the change feed", "error", err)
	}
}

// supersede notes on the versions before that they are no longer current. It
// spares searches from looking at them, and nothing rests on it.
func (s *Store) supersede(ctx context.Context, p *plan, made int) {
	var models []mongo.WriteModel
	for i := range made {
		if b := p.before[i]; b != nil {
			models = append(models, mongo.NewUpdateOneModel().SetFilter(bson.D{is("_id", b.ID)}).SetHint(byID).SetUpdate(bson.D{is("$set", bson.D{is("until", p.docs[i].Seq)})}))
		}
	}
	if len(models) == 0 {
		return
	}
	if _, err := s.db.Collection(versions).BulkWrite(ctx, models, options.BulkWrite().SetOrdered(false)); err != nil {
		s.log.DebugContext(ctx, "older versions are not marked", "error", err)
	}
}

// prepareWrites checks the writes in order, each on what those before it make,
// takes claims and numbers, and fills in documents and results. Reads and
// claims go through tx, which is a transaction or ctx.
func (s *Store) prepareWrites(tx, ctx context.Context, p *plan) error {
	if err := s.readAll(tx, p); err != nil {
		return err
	}
	p.results = make([]store.Result, len(p.writes))
	for i := range p.writes {
		if err := s.prepareWrite(tx, p, i); err != nil {
			return err
		}
	}
	if len(p.docs) == 0 {
		return nil
	}
	ids := make([]string, len(p.docs))
	for i, d := range p.docs {
		ids[i] = d.ID
	}
	sure, cancel := decisive(ctx)
	defer cancel()
	var err error
	if p.entries, err = s.feed.take(sure, s, ids, nil); err != nil {
		return err
	}
	if !p.fresh(s.lease) {
		return errAgain
	}
	born := map[store.Key]int64{}
	for i, d := range p.docs {
		d.Seq, d.At = p.entries[i].Seq, p.entries[i].At
		if d.Born == 0 {
			if d.Number == 1 {
				born[d.key()] = d.Seq
			}
			d.Born = born[d.key()]
		}
		if k := i + 1; k < len(p.docs) {
			// What a later document of the same plan supersedes is written as such.
			for _, l := range p.docs[k:] {
				if l.key() == d.key() && l.Number == d.Number+1 {
					d.Until = p.entries[slices.Index(p.docs, l)].Seq
				}
			}
		}
		p.results[p.of[i]].Version = d.stored()
	}
	for i, r := range p.results { // those that answer with a version made above
		if r.Version.Seq == 0 {
			id := versionID(r.Version.Key, r.Version.Number)
			k := slices.IndexFunc(p.docs, func(d *version) bool { return d.ID == id })
			p.results[i].Version = p.docs[k].stored()
		}
	}
	return nil
}

// readAll reads the current versions of several resources together. One that
// is written just then may be missed; its write clashes, and is made again.
func (s *Store) readAll(ctx context.Context, p *plan) error {
	if len(p.writes) == 1 {
		return nil
	}
	var keys []store.Key
	for _, w := range p.writes {
		if !p.known[w.Key] {
			p.known[w.Key] = true
			keys = append(keys, w.Key)
		}
	}
	if p.careful && !s.transactions { // one by one, which misses nothing
		clear(p.known)
		return nil
	}
	found, err := s.currents(ctx, keys)
	if err != nil {
		return err
	}
	for _, v := range found {
		p.now[v.key()] = v
	}
	return nil
}

func (s *Store) prepareWrite(ctx context.Context, p *plan, i int) error {
	w := &p.writes[i]
	number := func(cur *version) int64 {
		if cur == nil {
			return 1
		}
		return cur.Number + 1
	}
	if blind := w.Expect == store.Absent && w.Method != store.Delete && !p.careful; !p.known[w.Key] && !blind {
		cur, err := s.current(ctx, w.Key)
		if err != nil {
			return err
		}
		p.known[w.Key], p.now[w.Key] = true, cur
	}
	cur := p.now[w.Key]
	if w.Unless != nil {
		v, err := s.unless(ctx, p, w, number(cur))
		if err != nil {
			return err
		}
		if v != nil {
			p.results[i] = store.Result{Version: v.stored(), Existing: true}
			return nil
		}
	}
	if err := expect(w, cur); err != nil {
		return err
	}
	deletion := w.Method == store.Delete
	if deletion && cur.deleted() {
		p.results[i] = store.Result{Version: cur.stored()}
		return nil
	}
	v := &version{ID: versionID(w.Key, number(cur)), Type: w.Key.Type, Res: w.Key.ID, Number: number(cur), Method: string(w.Method), Until: never, Date: search.NoDate, DateEnd: search.NoDate}
	if cur != nil {
		v.Born = cur.Born
	}
	if deletion {
		v.Keys, v.Span, v.Date, v.DateEnd = cur.Keys, cur.Span, cur.Date, cur.DateEnd
	} else {
		v.Body, v.Meta = w.Body.JSON, int32(w.Body.Meta)
		d := w.Doc
		d.Type, d.ID = w.Key.Type, w.Key.ID
		v.index(d)
		v.Fact = factOf(v.Res, v.Number, w.Facts)
		var err error
		if v.Claims, err = s.identifiers(ctx, p, w, cur, v.Number); err != nil {
			return err
		}
	}
	p.results[i] = store.Result{Created: !deletion && (cur == nil || cur.deleted())}
	p.docs, p.of, p.before = append(p.docs, v), append(p.of, i), append(p.before, cur)
	p.now[w.Key], p.known[w.Key] = v, true
	return nil
}

// unless answers a conditional write: the one resource that matches, or nil
// after taking the claim of the condition.
func (s *Store) unless(ctx context.Context, p *plan, w *store.Write, number int64) (*version, error) {
	id := conditionID(w.Unless)
	for try := 0; ; try++ {
		c, err := s.claim(ctx, id)
		if err != nil {
			return nil, err
		}
		how, err := s.standing(ctx, w.Key.Type, c)
		if err != nil {
			return nil, err
		}
		own := c != nil && slices.ContainsFunc(p.taken, func(t claim) bool { return t.Nonce == c.Nonce })
		if how != pending || own {
			found, err := s.matches(ctx, p, *w.Unless)
			switch {
			case err != nil:
				return nil, err
			case len(found) > 1:
				return nil, fault.New(fault.Precondition, "multiple-matches", "Several %s resources match the condition; make it name one.", w.Unless.Type)
			case len(found) == 1:
				return found[0], nil
			}
			if ok, err := s.take(ctx, p, c, id, w.Key.ID, number); err != nil || ok {
				return nil, err
			}
		}
		if err := s.await(ctx, p, try); err != nil {
			return nil, err
		}
	}
}

// matches gives up to two resources that match, as the writes before in the
// plan leave them.
func (s *Store) matches(ctx context.Context, p *plan, q search.Query) ([]*version, error) {
	var out []*version
	for _, v := range p.now {
		if v == nil || v.Seq != 0 || v.deleted() || v.Type != q.Type {
			continue // not of this plan, which alone has versions without a number
		}
		d, err := s.doc(v)
		if err != nil {
			return nil, err
		}
		if q.Match(d) {
			out = append(out, v)
		}
	}
	stored, err := s.firstMatches(ctx, q, 2+len(p.docs))
	if err != nil {
		return nil, err
	}
	for _, v := range stored {
		if mine := p.now[v.key()]; mine == nil || mine.Seq != 0 {
			out = append(out, v)
		}
	}
	return out, nil
}

// expect judges Write.Expect.
func expect(w *store.Write, cur *version) error {
	deletion := w.Method == store.Delete
	switch e := w.Expect; {
	case e == store.Absent && cur != nil:
		return fault.New(fault.Conflict, "duplicate", "%s exists already; use another id, or update it.", w.Key)
	case e == store.Exists && cur == nil, e == store.Any && cur == nil && deletion, e == store.Absent && deletion:
		return notFound(w.Key)
	case e == store.Exists && cur.deleted():
		return fault.New(fault.Gone, "deleted", "%s was deleted.", w.Key)
	case e > 0 && cur == nil:
		return fault.New(fault.Precondition, "conflict", "%s does not exist, so it has no version %d.", w.Key, int64(e))
	case e > 0 && cur.Number != int64(e):
		return fault.New(fault.Precondition, "conflict", "%s is at version %d, not %d; read it again and repeat the change on that.", w.Key, cur.Number, int64(e))
	}
	return nil
}

func notFound(k store.Key) error {
	return fault.New(fault.NotFound, "not-found", "%s does not exist.", k)
}
