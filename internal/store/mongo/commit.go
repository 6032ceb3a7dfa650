package mongo

import (
	"cmp"
	"context"
	"errors"
	"math/rand/v2"
	"slices"
	"sync"
	"time"

	"go.mongodb.org/mongo-driver/v2/bson"
	"go.mongodb.org/mongo-driver/v2/mongo"
	"go.mongodb.org/mongo-driver/v2/mongo/options"
	"go.mongodb.org/mongo-driver/v2/mongo/readconcern"

	"tidemark/internal/fault"
	"tidemark/internal/search"
	"tidemark/internal/store"
	"tidemark/internal/store/engine"
)

// errAgain reports a write conflict: repeat the step on the current state.
var errAgain = errors.New("write conflict")

// maxTries is how often a step is repeated. Each time another writer has succeeded.
const maxTries = 200

// pause waits for a random time, longer with every try, so that writers of one
// resource do not collide again.
func pause(ctx context.Context, try int) error {
	if try >= maxTries {
		return engine.Unavailable(nil, "Too many concurrent writes of the same resource; try again.")
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

// Commit implements store.Store. Without transactions, it checks all
// writes before it makes the first. A write that still conflicts is repeated on the
// then current state. If that is refused after others were made, it and the writes
// after it are left out: their results are zero, and the log says so.
func (s *Store) Commit(ctx context.Context, writes []store.Write, audit []store.AuditRecord) ([]store.Result, error) {
	leave, err := s.enter(ctx)
	if err != nil {
		return nil, err
	}
	defer leave()
	if err := sized(writes); err != nil {
		return nil, err
	}
	records := recordsOf(audit)
	if len(writes) == 0 {
		return []store.Result{}, wrap(ctx, s.insertRecords(ctx, records), "write audit records")
	}
	var results []store.Result
	if s.transactions || len(writes) == 1 {
		results, err = s.commitWhole(ctx, writes, records, nil)
	} else {
		results, err = s.commitInOrder(ctx, writes, records)
	}
	return results, wrap(ctx, err, "write")
}

func sized(writes []store.Write) error {
	for _, w := range writes {
		if len(w.Body.JSON) > store.MaxResource {
			return fault.New(fault.TooLarge, "too-long", "The resource has %d bytes; at most %d can be stored.", len(w.Body.JSON), store.MaxResource)
		}
	}
	return nil
}

// commitWhole makes all writes or none, together with an erasure.
func (s *Store) commitWhole(ctx context.Context, writes []store.Write, records []record, erase *store.Erasure) ([]store.Result, error) {
	for try := 0; ; try++ {
		p := newPlan(writes, records, try > 0)
		p.erase = erase
		err := s.ready(ctx, p)
		if err == nil {
			switch {
			case erase != nil: // alone: it may take long, and hit what others write
				s.transactAll([]*plan{p})
				err = p.err
			case len(p.docs) > 0:
				s.writing.do(p)
				err = p.err
			case len(records) > 0:
				err = s.insertRecords(ctx, records)
			}
		}
		if err == nil {
			return p.results, nil
		}
		s.drop(ctx, p, err)
		if errors.Is(err, errAgain) {
			err = pause(ctx, try)
		}
		if err != nil {
			return nil, err
		}
	}
}

// drop releases what a failed plan has taken, now or when the server is back, and
// then decides writes in doubt.
func (s *Store) drop(ctx context.Context, p *plan, err error) {
	if p.made == 0 && (fault.Is(err, fault.Unavailable) || away(err)) {
		s.doubts.add(s, p)
		return
	}
	ctx, cancel := s.decisive(ctx)
	defer cancel()
	if s.giveBack(ctx, p) != nil {
		p.decided = true
		s.doubts.add(s, p)
	}
}

// commitInOrder makes several writes without a transaction.
func (s *Store) commitInOrder(ctx context.Context, writes []store.Write, records []record) ([]store.Result, error) {
	results := make([]store.Result, 0, len(writes))
	made := 0
	for try := 0; len(results) < len(writes); try++ {
		p := newPlan(writes[len(results):], nil, try > 0)
		err := s.ready(ctx, p)
		if err == nil && len(p.docs) > 0 {
			err = s.insert(p)
		}
		if made == 0 && p.made > 0 {
			// From here on the write goes ahead even if its caller gives up.
			var cancel context.CancelFunc
			ctx, cancel = s.decisive(ctx)
			defer cancel()
		}
		made += p.made
		if err == nil {
			results = append(results, p.results...)
			continue
		}
		if p.made > 0 {
			results = append(results, p.results[:p.of[p.made]]...)
		}
		if s.drop(ctx, p, err); errors.Is(err, errAgain) {
			err = pause(ctx, try)
		}
		if err != nil {
			if made == 0 {
				return nil, err
			}
			s.log.ErrorContext(ctx, "a write after others that were made is left out, because the server has no transactions", "made", made, "of", len(writes), "resource", writes[len(results)].Key.String(), "error", err)
			break
		}
	}
	if err := s.insertRecords(ctx, records); err != nil {
		s.recordLater(&plan{writes: writes, records: records, made: made, decided: true}, err)
	}
	return append(results, make([]store.Result, len(writes)-len(results))...), nil
}

// recordLater writes the audit records of a completed write when the server is
// back. The write is valid, so its caller must not get an error.
func (s *Store) recordLater(p *plan, err error) {
	s.log.Warn("the audit records of a write wait for the database", "records", p.recordIDs(), "error", err)
	s.doubts.add(s, p)
}

// plan is the outcome of checking some writes: what to insert and to take.
type plan struct {
	writes  []store.Write
	records []record // of the audit, written with the versions
	results []store.Result
	docs    []*version // to insert, in order
	of      []int      // which write and result a document belongs to
	before  []*version // what it takes the place of; nil for a first version
	wants   []claim    // to be taken before
	unsure  []int      // writes whose condition is to be looked at again once it is claimed
	taken   []claim    // which may be in doubt
	since   time.Time  // before the first claim or number was taken
	entries []entry    // numbers, one for each document, once they are taken; may be in doubt
	now     map[store.Key]*version
	known   map[store.Key]bool // now holds what there is
	careful bool               // read even where a clash would tell
	erase   *store.Erasure     // made with the writes

	sent    time.Time // when something was sent last of which no answer came
	made    int       // documents that were written
	decided bool      // made is known for certain
	err     error     // of the write
}

// fresh reports whether what was taken, claims and numbers, is still surely
// the plan's. Others take it away after they have seen it for a whole lease;
// half of one is left to the insert, which ends within writeTimeout.
func (p *plan) fresh(lease time.Duration) bool {
	return time.Since(p.since) < lease/2
}

// over is when nothing of what was sent can arrive any more.
func (p *plan) over(s *Store) time.Time {
	return p.sent.Add(min(s.limit, s.lease))
}

func newPlan(writes []store.Write, records []record, careful bool) *plan {
	return &plan{writes: writes, records: records, careful: careful, since: time.Now(), now: map[store.Key]*version{}, known: map[store.Key]bool{}}
}

func (p *plan) ids() []string {
	out := make([]string, len(p.docs))
	for i, d := range p.docs {
		out[i] = d.ID
	}
	return out
}

// name is a resource of the plan, for the log.
func (p *plan) name() string {
	if len(p.writes) == 0 {
		return ""
	}
	return p.writes[0].Key.String()
}

func (p *plan) recordIDs() []string {
	out := make([]string, len(p.records))
	for i, r := range p.records {
		out[i] = r.ID
	}
	return out
}

// insert writes the documents of one plan in order, without a transaction. The
// error is errAgain if another writer was first, inDoubt if the outcome is unknown.
func (s *Store) insert(p *plan) (err error) {
	ctx, cancel := s.decisive(context.Background())
	defer cancel()
	p.sent = time.Now()
	_, err = s.db.Collection(versions).InsertMany(ctx, documents(p))
	p.made, err = s.arrived(p, err)
	if p.made > 0 {
		s.settle(ctx, p)
		s.supersede(ctx, p)
	}
	return err
}

// arrived returns how many documents of a plan are written, from the answer to an
// ordered insert, or from the database if there was no answer.
func (s *Store) arrived(p *plan, err error) (made int, _ error) {
	if err == nil {
		return len(p.docs), nil
	}
	if places, clash := duplicates(err); clash {
		return places[0], errAgain
	}
	if refused(err) {
		p.sent = time.Time{}
		return 0, err
	}
	s.look(err, p)
	return p.made, p.err
}

// look reads the database to find the outcome of plans that got no answer.
func (s *Store) look(err error, ps ...*plan) {
	ctx, cancel := context.WithTimeout(context.Background(), s.limit/2)
	defer cancel()
	var ids []string
	for _, p := range ps {
		ids = append(ids, p.ids()...)
	}
	seqs, lookErr := s.seqsWith(ctx, ids, readconcern.Linearizable())
	for _, p := range ps {
		if lookErr != nil {
			p.err = inDoubt(errors.Join(err, lookErr))
			continue
		}
		made := 0
		for made < len(p.docs) && seqs[p.docs[made].ID] == p.docs[made].Seq {
			made++
		}
		switch {
		case made == len(p.docs):
			p.made, p.err = made, nil
		case seqs[p.docs[made].ID] != 0:
			p.made, p.err = made, errAgain
		default:
			p.err = inDoubt(err) // not there now, but it may still be on its way
		}
	}
}

func documents(ps ...*plan) []any {
	var out []any
	for _, p := range ps {
		for _, d := range p.docs {
			out = append(out, d)
		}
	}
	return out
}

// giveBack releases what was taken for documents that were not written.
func (s *Store) giveBack(ctx context.Context, p *plan) error {
	var errs []error
	if len(p.entries) > p.made {
		errs = append(errs, s.void(ctx, p.entries[p.made:]))
	}
	for _, t := range p.taken {
		if !slices.ContainsFunc(p.docs[:p.made], func(d *version) bool { return d.Res == t.Owner && d.Number == t.Number }) {
			errs = append(errs, s.release(ctx, t))
		}
	}
	return errors.Join(errs...)
}

// settle checks that the numbers of a slow plan are still valid and replaces those
// that are not. No reader gives up the numbers of a fresh plan.
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

// supersede marks the previous versions as no longer current. This only saves
// searches from reading them; nothing depends on it.
func (s *Store) supersede(ctx context.Context, ps ...*plan) {
	if err := s.markBefore(ctx, ps); err != nil {
		s.log.DebugContext(ctx, "older versions are not marked", "error", err)
	}
}

func (s *Store) markBefore(ctx context.Context, ps []*plan) error {
	var models []mongo.WriteModel
	for _, p := range ps {
		for i, b := range p.before {
			if b != nil && b.Until == never && (p.made == 0 || i < p.made) {
				models = append(models, mongo.NewUpdateOneModel().SetFilter(bson.D{is("_id", b.ID)}).SetHint(byID).SetUpdate(bson.D{is("$set", bson.D{is("until", p.docs[i].Seq)})}))
			}
		}
	}
	if len(models) == 0 {
		return nil
	}
	_, err := s.db.Collection(versions).BulkWrite(ctx, models, options.BulkWrite().SetOrdered(false))
	return err
}

// ready checks the writes of a plan and takes the claims and numbers that it
// needs, both at once: each is a wait for a majority. A plan that is made again
// takes claims first, since it knows that others want them.
func (s *Store) ready(ctx context.Context, p *plan) error {
	if err := s.draft(ctx, p); err != nil {
		if len(p.writes) > 1 && !p.careful && !fault.Is(err, fault.Unavailable) && !away(err) && ctx.Err() == nil {
			return errAgain // it may have missed a concurrent write
		}
		return err
	}
	if len(p.docs) == 0 {
		return nil
	}
	var err error
	if p.careful {
		if err = s.takeClaims(ctx, p); err == nil {
			n := p.numbering()
			s.numbers.do(n)
			err = p.numbered(n)
		}
	} else {
		n := p.numbering()
		var numbered sync.WaitGroup
		numbered.Go(func() { s.numbers.do(n) })
		err = s.takeClaims(ctx, p)
		numbered.Wait()
		err = cmp.Or(err, p.numbered(n))
	}
	switch {
	case err != nil:
		return err
	case !p.fresh(s.lease):
		return errAgain
	}
	p.number()
	return nil
}

// numbering asks for a number of the change feed for each document.
func (p *plan) numbering() *numbering { return &numbering{ids: p.ids(), began: time.Now()} }

func (p *plan) numbered(n *numbering) error {
	p.entries = n.entries
	return p.unanswered(n.began, n.err)
}

// unanswered records when something was sent that may still arrive, and returns err.
func (p *plan) unanswered(began time.Time, err error) error {
	if err != nil && !refused(err) && began.After(p.sent) {
		p.sent = began
	}
	return err
}

// number puts the numbers that were taken into documents and results.
func (p *plan) number() {
	born := map[store.Key]int64{}
	places := map[string]int{}
	for i, d := range p.docs {
		d.Seq, d.At = p.entries[i].Seq, p.entries[i].At
		places[d.ID] = i
		if d.Born == 0 {
			if d.Number == 1 {
				born[d.key()] = d.Seq
			}
			d.Born = born[d.key()]
		}
		// What a later document of the same plan supersedes is written as such.
		if b := p.before[i]; b != nil {
			if k, ok := places[b.ID]; ok {
				p.docs[k].Until = d.Seq
			}
		}
		p.results[p.of[i]].Version = d.stored()
	}
	for i, r := range p.results { // those that answer with a version made above
		if r.Version.Seq == 0 {
			p.results[i].Version = p.docs[places[versionID(r.Version.Key, r.Version.Number)]].stored()
		}
	}
}

// draft checks the writes in order, each on what those before it make, and
// fills in documents, results but for their numbers, and the claims it wants.
func (s *Store) draft(ctx context.Context, p *plan) error {
	if err := s.readAll(ctx, p); err != nil {
		return err
	}
	p.results = make([]store.Result, len(p.writes))
	for i := range p.writes {
		if err := s.draftWrite(ctx, p, i); err != nil {
			return err
		}
	}
	return nil
}

// readAll reads the current versions of several resources together. It may miss a
// concurrent write; then the plan's write conflicts and is repeated.
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
	if p.careful { // one by one, which misses nothing
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

func (s *Store) draftWrite(ctx context.Context, p *plan, i int) error {
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
		matched, err := s.matches(ctx, p, *w.Unless)
		if err == nil && matched {
			err = store.Matched(w.Unless.Type)
		}
		if err != nil {
			return err
		}
	}
	var there *engine.Current
	if cur != nil {
		there = &engine.Current{Number: cur.Number, Deleted: cur.deleted()}
	}
	if err := engine.Expect(w, there); err != nil {
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
		if err := p.wantIdentifiers(s, w, v, cur); err != nil {
			return err
		}
	}
	if w.Unless != nil {
		p.want(s, conditionID(w.Unless), v, true)
		p.unsure = append(p.unsure, i)
	}
	p.results[i] = store.Result{Created: !deletion && (cur == nil || cur.deleted())}
	p.docs, p.of, p.before = append(p.docs, v), append(p.of, i), append(p.before, cur)
	p.now[w.Key], p.known[w.Key] = v, true
	return nil
}

// matches reports whether a resource matches after the previous writes of the
// plan.
func (s *Store) matches(ctx context.Context, p *plan, q search.Query) (bool, error) {
	for _, v := range p.now {
		if v == nil || v.Seq != 0 || v.deleted() || v.Type != q.Type {
			continue // not of this plan: only its own versions have no number
		}
		d, err := s.doc(ctx, v)
		if err != nil {
			return false, err
		}
		if q.Match(d) {
			return true, nil
		}
	}
	return s.matchesOther(ctx, p, q)
}

// matchesOther reports whether a resource matches that the plan does not write.
func (s *Store) matchesOther(ctx context.Context, p *plan, q search.Query) (bool, error) {
	stored, err := s.firstMatches(ctx, q, 1+len(p.docs))
	return slices.ContainsFunc(stored, func(v *version) bool {
		mine := p.now[v.key()]
		return mine == nil || mine.Seq != 0
	}), err
}
