package mongo

import (
	"context"
	"errors"
	"slices"
	"sync"
	"time"

	"go.mongodb.org/mongo-driver/v2/bson"
	"go.mongodb.org/mongo-driver/v2/mongo/options"
	"go.mongodb.org/mongo-driver/v2/mongo/readconcern"

	"tidemark/internal/fault"
	"tidemark/internal/store/engine"
)

// entry is one number of the change feed. Numbers are taken by inserting the
// next one, so that they have no gaps and no two writers get the same; the
// version is inserted behind it.
type entry struct {
	Seq     int64  `bson:"_id"`
	Version string `bson:"v"`              // _id of the version that is to have the number
	At      int64  `bson:"at"`             // becomes version.At; never falls
	Slow    int64  `bson:"slow,omitempty"` // of engine.Pace, which the processes share
	From    int64  `bson:"from,omitempty"` // when a version is moved: the number that it had
	Void    bool   `bson:"void,omitempty"` // the writer says that there will be no such version
}

// fence is a number that was given up: its writer did not come back within
// the lease. A version that gets it all the same is late, and is moved.
type fence struct {
	Seq     int64  `bson:"_id"`
	Version string `bson:"v"`
	At      int64  `bson:"at"`
}

const (
	settleStep = 2000           // ledger entries looked at in one step
	markStep   = 1000           // the mark of the feed is saved every so many
	fenceAge   = 24 * time.Hour // after which no write of a stopped process can arrive any more
)

// feed is what this process knows of the ledger.
type feed struct {
	alloc sync.Mutex   // one taker of numbers at a time
	tail  entry        // the last entry known, under alloc
	watch engine.Watch // of its time, under alloc

	mu      sync.Mutex
	settled int64               // all numbers up to it are settled; grows
	saved   int64               // of them, those in the saved mark
	pending map[int64]time.Time // numbers seen unsettled, and when first
}

// start reads the mark and the end of the ledger.
func (f *feed) start(ctx context.Context, s *Store) error {
	f.pending = map[int64]time.Time{}
	mark, err := one[struct{ Seq int64 }](ctx, s, meta, byID, bson.D{is("_id", "settled")}, nil)
	if err != nil {
		return err
	}
	if mark != nil {
		f.settled, f.saved = mark.Seq, mark.Seq
	}
	return f.refresh(ctx, s)
}

// refresh reads the end of the ledger.
func (f *feed) refresh(ctx context.Context, s *Store) error {
	e, err := one[entry](ctx, s, ledger, byID, bson.D{is("_id", bson.D{is("$gte", f.tail.Seq)})}, options.Find().SetSort(bson.D{is("_id", -1)}))
	if err == nil && e != nil && e.Seq > f.tail.Seq {
		f.tail = *e
	}
	return err
}

// take gives the next numbers to versions, and their time. With an error come
// those that may have been taken.
func (f *feed) take(ctx context.Context, s *Store, ids []string, from []int64) ([]entry, error) {
	f.alloc.Lock()
	defer f.alloc.Unlock()
	var out []entry
	for try := 0; ; try++ {
		clock := s.clock()
		pace := engine.Pace{At: f.tail.At, Slow: f.tail.Slow}.Next(clock)
		f.watch.Look(pace, clock, s.log)
		docs := make([]any, 0, len(ids)-len(out))
		next := f.tail.Seq
		var es []entry
		for i := len(out); i < len(ids); i++ {
			next++
			e := entry{Seq: next, Version: ids[i], At: pace.At, Slow: pace.Slow}
			if from != nil {
				e.From = from[i]
			}
			es, docs = append(es, e), append(docs, e)
		}
		_, err := s.db.Collection(ledger).InsertMany(ctx, docs)
		places, clash := duplicates(err)
		if err != nil && !clash {
			return append(out, es...), err
		}
		if clash {
			es = es[:places[0]]
		}
		out = append(out, es...)
		if n := len(es); n > 0 {
			f.tail = es[n-1]
		}
		if len(out) == len(ids) {
			return out, nil
		}
		if err := errors.Join(pause(ctx, try), f.refresh(ctx, s)); err != nil {
			return out, err
		}
	}
}

// numbering is what one plan asks of number.
type numbering struct {
	ids     []string
	began   time.Time
	entries []entry
	err     error
}

// number takes numbers for several plans together.
func (s *Store) number(ns []*numbering) {
	ctx, cancel := s.decisive(context.Background())
	defer cancel()
	var ids []string
	for _, n := range ns {
		ids = append(ids, n.ids...)
	}
	entries, err := s.feed.take(ctx, s, ids, nil)
	for _, n := range ns {
		n.entries = entries[:min(len(n.ids), len(entries))]
		entries = entries[len(n.entries):]
		n.err = err
	}
}

// void says that no version will come for the numbers. When that cannot be
// said, the lease says it later.
func (s *Store) void(ctx context.Context, es []entry) error {
	if len(es) == 0 {
		return nil
	}
	var seqs []int64
	var names []string
	for _, e := range es {
		seqs, names = append(seqs, e.Seq), append(names, e.Version)
	}
	// By name too: a number that was taken in doubt may be another's.
	_, err := s.db.Collection(ledger).UpdateMany(ctx, bson.D{in("_id", seqs), in("v", names)}, bson.D{is("$set", bson.D{is("void", true)})}, options.UpdateMany().SetHint(byID))
	if err != nil {
		s.log.DebugContext(ctx, "numbers of the change feed cannot be declared void", "error", err)
	}
	return err
}

// snapshot says which versions a reader sees: all up to settled, and those up
// to top that were not pending when it was taken.
type snapshot struct {
	Settled int64   `json:"s"`
	Top     int64   `json:"t"`
	Pending []int64 `json:"p,omitempty"`
}

// everything is the snapshot of a reader that takes what it finds.
var everything = snapshot{Settled: never - 1, Top: never}

func (n *snapshot) has(seq int64) bool {
	return seq <= n.Settled || seq <= n.Top && !slices.Contains(n.Pending, seq)
}

// snapshot looks at the numbers that are not yet known to be settled, and
// gives up those whose lease has run out.
func (s *Store) snapshot(ctx context.Context) (snapshot, error) {
	f := &s.feed
	f.mu.Lock()
	from := f.settled
	f.mu.Unlock()
	n := snapshot{Settled: from, Top: from}
	for {
		es, err := list[entry](ctx, s, ledger, byID, bson.D{is("_id", bson.D{is("$gt", n.Top)})}, options.Find().SetSort(bson.D{is("_id", 1)}).SetLimit(settleStep))
		if err != nil {
			return n, err
		}
		open, err := s.unsettled(ctx, es)
		if err != nil {
			return n, err
		}
		for _, e := range es {
			n.Top = e.Seq
			if open[e.Seq] {
				n.Pending = append(n.Pending, e.Seq)
			} else if len(n.Pending) == 0 {
				n.Settled = e.Seq
			}
		}
		if len(es) < settleStep {
			break
		}
	}
	f.mu.Lock()
	f.settled = max(f.settled, n.Settled)
	for seq := range f.pending {
		if !slices.Contains(n.Pending, seq) && seq <= n.Top {
			delete(f.pending, seq)
		}
	}
	save := f.settled-f.saved >= markStep
	f.mu.Unlock()
	if save {
		f.saveMark(ctx, s)
	}
	return n, nil
}

// unsettled says which of the entries still wait for their version.
func (s *Store) unsettled(ctx context.Context, es []entry) (map[int64]bool, error) {
	var ids []string
	for _, e := range es {
		if !e.Void {
			ids = append(ids, e.Version)
		}
	}
	if len(ids) == 0 {
		return nil, nil
	}
	seqs, err := s.seqsOf(ctx, ids)
	if err != nil {
		return nil, err
	}
	open := map[int64]bool{}
	var waiting []entry
	for _, e := range es {
		if e.waits(seqs) {
			open[e.Seq] = true
			waiting = append(waiting, e)
		}
	}
	if len(waiting) == 0 {
		return nil, nil
	}
	var asked []int64
	for seq := range open {
		asked = append(asked, seq)
	}
	given, err := list[fence](ctx, s, fences, byID, bson.D{in("_id", asked)}, nil)
	if err != nil {
		return nil, err
	}
	for _, g := range given {
		delete(open, g.Seq)
	}
	now := time.Now()
	for _, e := range waiting {
		if !open[e.Seq] {
			continue
		}
		s.feed.mu.Lock()
		first, ok := s.feed.pending[e.Seq]
		if !ok {
			first = now
			s.feed.pending[e.Seq] = now
		}
		s.feed.mu.Unlock()
		if now.Sub(first) < s.lease {
			continue
		}
		settled, err := s.giveUp(ctx, e)
		if err != nil {
			return nil, err
		}
		if settled {
			delete(open, e.Seq)
		}
	}
	return open, nil
}

// waits reports whether the entry's version may still come, by the numbers of
// the versions that are there.
func (e entry) waits(seqs map[string]int64) bool {
	if e.Void {
		return false
	}
	have, ok := seqs[e.Version]
	if e.From != 0 { // a move: done, or another one came first
		return ok && have == e.From
	}
	return !ok // there under another number: this writer lost
}

func (s *Store) seqsOf(ctx context.Context, ids []string) (map[string]int64, error) {
	return s.seqsWith(ctx, ids, nil)
}

func (s *Store) seqsWith(ctx context.Context, ids []string, rc *readconcern.ReadConcern) (map[string]int64, error) {
	out := make(map[string]int64, len(ids))
	if rc != nil && s.transactions { // linearizable is for one document, and for members of a set
		c := s.db.Collection(versions, options.Collection().SetReadConcern(rc))
		for _, id := range ids {
			cur, err := c.Find(ctx, bson.D{is("_id", id)}, options.Find().SetHint(byID).SetProjection(bson.D{is("seq", 1)}))
			if err != nil {
				return nil, err
			}
			var found []version
			if err := cur.All(ctx, &found); err != nil {
				return nil, err
			}
			for _, v := range found {
				out[id] = v.Seq
			}
		}
		return out, nil
	}
	for part := range slices.Chunk(ids, 1000) {
		found, err := list[version](ctx, s, versions, byID, bson.D{in("_id", part)}, options.Find().SetProjection(bson.D{is("seq", 1)}))
		if err != nil {
			return nil, err
		}
		for _, v := range found {
			out[v.ID] = v.Seq
		}
	}
	return out, nil
}

// giveUp ends the wait for an entry whose lease has run out. First the fence,
// then the look: a writer that inserts after the look finds the fence, and one
// that inserted before the fence is found by the look.
func (s *Store) giveUp(ctx context.Context, e entry) (settled bool, err error) {
	_, err = s.db.Collection(fences).InsertOne(ctx, fence{e.Seq, e.Version, engine.Milli(s.clock())})
	if _, clash := duplicates(err); err != nil && !clash {
		return false, err
	}
	seqs, err := s.seqsWith(ctx, []string{e.Version}, readconcern.Linearizable())
	if err != nil {
		return false, err
	}
	if !e.waits(seqs) { // it came just in time
		_, err := s.db.Collection(fences).DeleteOne(ctx, bson.D{is("_id", e.Seq)}, options.DeleteOne().SetHint(byID))
		return err == nil, err
	}
	s.log.WarnContext(ctx, "a write that was begun did not arrive; its place in the change feed is given up", "seq", e.Seq, "version", e.Version)
	return true, nil
}

// fenced gives the numbers that were given up, after moving the versions that
// came late. Such a version is not shown under its old number.
func (s *Store) fenced(ctx context.Context) (map[int64]bool, error) {
	all, err := list[fence](ctx, s, fences, byID, bson.D{is("_id", bson.D{is("$gt", int64(0))})}, nil)
	if err != nil || len(all) == 0 {
		return nil, err
	}
	out := map[int64]bool{}
	var old []int64
	for _, x := range all {
		out[x.Seq] = true
		seqs, err := s.seqsOf(ctx, []string{x.Version})
		if err != nil {
			return nil, err
		}
		if have, ok := seqs[x.Version]; ok && have == x.Seq {
			if _, err := s.move(ctx, x.Version, x.Seq); err != nil {
				return nil, err
			}
		} else if s.clock().Sub(engine.OfMilli(x.At)) > fenceAge {
			old = append(old, x.Seq)
		}
	}
	if len(old) > 0 {
		if _, err := s.db.Collection(fences).DeleteMany(ctx, bson.D{in("_id", old)}, options.DeleteMany().SetHint(byID)); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// move gives a version that came late a new number. Of several that try, one does.
func (s *Store) move(ctx context.Context, id string, from int64) (entry, error) {
	es, err := s.feed.take(ctx, s, []string{id}, []int64{from})
	if err != nil {
		return entry{}, err
	}
	e := es[0]
	r, err := s.db.Collection(versions).UpdateOne(ctx, bson.D{is("_id", id), is("seq", from)}, bson.D{is("$set", bson.D{is("seq", e.Seq), is("at", e.At)})}, options.UpdateOne().SetHint(byID))
	if err != nil {
		return entry{}, err
	}
	if r.MatchedCount == 0 {
		_ = s.void(ctx, es) // else the lease says so
		v, err := one[version](ctx, s, versions, byID, bson.D{is("_id", id)}, options.Find().SetProjection(bson.D{is("seq", 1), is("at", 1)}))
		if err != nil || v == nil {
			return entry{}, fault.Wrap(err, "find the place of a version in the change feed")
		}
		return entry{Seq: v.Seq, Version: id, At: v.At}, nil
	}
	s.log.WarnContext(ctx, "a write that came late was given a new place in the change feed", "from", from, "seq", e.Seq, "version", id)
	return e, nil
}

// saveMark notes how far the feed is settled, for processes that start. A mark
// that is too low costs them a few reads and nothing else.
func (f *feed) saveMark(ctx context.Context, s *Store) {
	f.mu.Lock()
	settled, saved := f.settled, f.saved
	f.mu.Unlock()
	if settled == saved {
		return
	}
	_, err := s.db.Collection(meta).UpdateOne(ctx, bson.D{is("_id", "settled")}, bson.D{is("$max", bson.D{is("seq", settled)})}, options.UpdateOne().SetUpsert(true).SetHint(byID))
	if err != nil {
		s.log.DebugContext(ctx, "the mark of the change feed is not saved", "error", err)
		return
	}
	f.mu.Lock()
	f.saved = max(f.saved, settled)
	f.mu.Unlock()
}
