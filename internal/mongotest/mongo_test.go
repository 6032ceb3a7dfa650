package mongotest

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"log/slog"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"strings"
	"sync"
	"testing"
	"time"

	"go.mongodb.org/mongo-driver/v2/bson"
	driver "go.mongodb.org/mongo-driver/v2/mongo"
	client "go.mongodb.org/mongo-driver/v2/mongo/options"

	"tidemark/internal/drain"
	"tidemark/internal/fault"
	"tidemark/internal/search"
	"tidemark/internal/store"
	"tidemark/internal/store/mongo"
	"tidemark/internal/store/storetest"
)

// opened is a store that its test can close, open again and open twice.
type opened struct {
	*mongo.Store
	options mongo.Options
}

func (o *opened) Reopen(tb testing.TB) store.Store {
	tb.Helper()
	if err := o.Close(); err != nil {
		tb.Fatal(err)
	}
	return open(tb, o.options)
}

func (o *opened) Second(tb testing.TB) store.Store {
	tb.Helper()
	return open(tb, o.options)
}

func options(url string) mongo.Options {
	return mongo.Options{URL: url, Extract: storetest.Extract, Clock: time.Now, Logger: slog.New(slog.DiscardHandler)}
}

func open(tb testing.TB, o mongo.Options) *opened {
	tb.Helper()
	s, err := mongo.Open(context.Background(), o)
	if err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(func() {
		if err := s.Close(); err != nil {
			tb.Error(err)
		}
	})
	return &opened{s, o}
}

func TestStore(t *testing.T) {
	watch := newShapes()
	var once sync.Once
	// The server has no transactions; those of MongoDB run from package store/mongo.
	// Twenty thousand writes take it six minutes: TIDEMARK_LONG=1 asks for them.
	lacks := []storetest.Ability{storetest.Transactions}
	if os.Getenv("TIDEMARK_LONG") == "" {
		lacks = append(lacks, storetest.Bulk)
	}
	storetest.Run(t, func(tb testing.TB) store.Store {
		o := options(Start(tb).URL("tidemark"))
		// On a busy machine this server takes longer over a large resource than a
		// write may take; the suite is not about that limit.
		o.WriteTimeout, o.Lease = time.Minute, 4*time.Minute
		open(tb, o)
		once.Do(func() { watch.declared(tb, o.URL) })
		o.Monitor = watch.monitor()
		return open(tb, o)
	}, lacks...)
	// Single tests do not walk every index.
	if run := flag.Lookup("test.run").Value.String(); !raced && !strings.Contains(run, "/") && !t.Failed() {
		watch.check(t)
	}
}

// TestPretendedTransactions runs what the suite asks of a Commit of several
// writes that is not refused, through the code for transactions.
func TestPretendedTransactions(t *testing.T) {
	srv := Start(t)
	srv.PretendTransactions()
	s := open(t, options(srv.URL("tidemark")))
	if !s.Transactions() {
		t.Fatal("the store sees no transactions")
	}
	ctx := context.Background()
	first, second, third := identified(t, "a", "5"), identified(t, "b", "5"), identified(t, "a", "5")
	first.Unless, second.Unless, third.Expect = byIdentifier("5"), byIdentifier("5"), 1
	if _, err := s.Commit(ctx, []store.Write{first, second}, nil); !errors.Is(err, store.ErrMatched) {
		t.Errorf("two of one condition: %v", err)
	}
	last := identified(t, "a", "6")
	last.Expect = store.Any
	r, err := s.Commit(ctx, []store.Write{first, third, {Key: first.Key, Method: store.Delete}, last, patient(t, "p", "x")}, []store.AuditRecord{{ID: "r", At: time.Now(), Action: "C", Outcome: "0"}})
	if err != nil {
		t.Fatal(err, errors.Unwrap(err))
	}
	if !r[0].Created || r[1].Version.Number != 2 || !r[2].Version.Deleted() || r[3].Version.Number != 4 || !r[3].Created {
		t.Errorf("results %+v", r)
	}
	if vs := changes(t, s, 0); len(vs) != 5 {
		t.Errorf("the feed has %+v", vs)
	}
	if records, _, err := s.AuditRecords(ctx, store.AuditQuery{Count: 5}); err != nil || len(records) != 1 {
		t.Errorf("audit %v, %v", records, err)
	}
	bad := patient(t, "p", "y")
	bad.Expect = 7
	if _, err := s.Commit(ctx, []store.Write{patient(t, "new", "x"), bad}, nil); !fault.Is(err, fault.Precondition) {
		t.Errorf("got %v", err)
	}
	if _, err := s.Read(ctx, store.Key{Type: "Patient", ID: "new"}); !fault.Is(err, fault.NotFound) {
		t.Errorf("a refused transaction wrote: %v", err)
	}
	if n, err := s.LastSeq(ctx); err != nil || n != r[4].Version.Seq {
		t.Errorf("the feed stands at %d, %v", n, err)
	}
}

// TestWithoutTransactions has a later write of a Commit refused, before and
// after the first is made.
func TestWithoutTransactions(t *testing.T) {
	srv := Start(t)
	a, b := open(t, options(srv.URL("tidemark"))), open(t, options(srv.URL("tidemark")))
	ctx := context.Background()
	commit(t, a, patient(t, "p", "x"))
	pinned := patient(t, "p", "y")
	pinned.Expect = 5
	if _, err := a.Commit(ctx, []store.Write{patient(t, "new", "x"), pinned}, nil); !fault.Is(err, fault.Precondition) {
		t.Errorf("got %v", err)
	}
	if _, err := a.Read(ctx, store.Key{Type: "Patient", ID: "new"}); !fault.Is(err, fault.NotFound) {
		t.Errorf("what the check refused was written: %v", err)
	}
	// Another process replaces what the second write is pinned to, after the check.
	pinned.Expect = 1
	reached, release := srv.Hold("insert version")
	var r []store.Result
	var err error
	done := make(chan struct{})
	go func() {
		r, err = a.Commit(ctx, []store.Write{patient(t, "new", "x"), pinned, patient(t, "other", "x")}, nil)
		close(done)
	}()
	<-reached
	commit(t, b, patient(t, "p", "z"))
	release()
	<-done
	if err != nil || len(r) != 3 || !r[0].Created || r[1].Version.Number != 0 || r[2].Version.Number != 0 {
		t.Errorf("%+v, %v", r, err)
	}
	if v, err := a.Read(ctx, pinned.Key); err != nil || !strings.Contains(string(v.Body.JSON), `"z"`) {
		t.Errorf("%s, %v", v.Body.JSON, err)
	}
	if _, err := a.Read(ctx, store.Key{Type: "Patient", ID: "other"}); !fault.Is(err, fault.NotFound) {
		t.Errorf("what stands behind a refused write was written: %v", err)
	}
	// One that is not pinned is made again.
	reached, release = srv.Hold("insert version")
	done = make(chan struct{})
	go func() {
		r, err = a.Commit(ctx, []store.Write{patient(t, "new", "y"), patient(t, "p", "w"), patient(t, "other", "x")}, nil)
		close(done)
	}()
	<-reached
	commit(t, b, patient(t, "p", "zz"))
	release()
	<-done
	if err != nil || len(r) != 3 || r[0].Version.Number != 2 || r[1].Version.Number != 4 || !r[2].Created {
		t.Errorf("%+v, %v", r, err)
	}
	if vs := changes(t, b, 0); len(vs) != 7 {
		t.Errorf("the feed has %d", len(vs))
	}
}

func patient(tb testing.TB, id, family string) store.Write {
	tb.Helper()
	return storetest.Put(tb, fmt.Sprintf(`{"resourceType":"Patient","id":%q,"meta":{},"name":[{"family":%q}]}`, id, family))
}

func commit(tb testing.TB, s store.Store, w store.Write) store.Version {
	tb.Helper()
	r, err := s.Commit(context.Background(), []store.Write{w}, nil)
	if err != nil {
		tb.Fatal(err, errors.Unwrap(err))
	}
	return r[0].Version
}

func changes(tb testing.TB, s store.Store, after int64) []store.Version {
	tb.Helper()
	vs, err := s.Changes(context.Background(), after, 1000)
	if err != nil {
		tb.Fatal(err)
	}
	return vs
}

// scan gives the ids of all patients at a place in the feed.
func scan(tb testing.TB, s store.Store, upTo int64) string {
	tb.Helper()
	vs, err := s.Scan(context.Background(), "Patient", 0, upTo, 100)
	if err != nil {
		tb.Fatal(err)
	}
	var ids []string
	for _, v := range vs {
		ids = append(ids, v.ID)
	}
	return strings.Join(ids, " ")
}

// eventually waits for what another process or the server does.
func eventually(tb testing.TB, what string, f func() bool) {
	tb.Helper()
	for range 1500 {
		if f() {
			return
		}
		time.Sleep(20 * time.Millisecond)
	}
	tb.Fatalf("never happened: %s", what)
}

func TestOpenAtOnce(t *testing.T) {
	srv := Start(t)
	var wg sync.WaitGroup
	errs := make([]error, 8)
	for i := range errs {
		wg.Go(func() {
			s, err := mongo.Open(context.Background(), options(srv.URL("tidemark")))
			if err == nil {
				err = s.Close()
			}
			errs[i] = err
		})
	}
	wg.Wait()
	if err := errors.Join(errs...); err != nil {
		t.Fatal(err)
	}
	watch := newShapes()
	watch.declared(t, srv.URL("tidemark"))
	s := open(t, options(srv.URL("tidemark")))
	commit(t, s, patient(t, "p", "x"))
	if _, ok := watch.keys["version by_key"]; !ok {
		t.Errorf("indexes are missing: %v", watch.keys)
	}
}

func TestNewerSchemaIsRefused(t *testing.T) {
	srv := Start(t)
	open(t, options(srv.URL("tidemark")))
	setSchema(t, srv.URL(""), 99)
	if _, err := mongo.Open(context.Background(), options(srv.URL("tidemark"))); !fault.Is(err, fault.Unavailable) || !strings.Contains(err.Error(), "schema 99") {
		t.Errorf("a newer schema: %v", err)
	}
	setSchema(t, srv.URL(""), 2)
	open(t, options(srv.URL("tidemark")))
}

// TestUpgrade opens a database of schema 1, whose documents lack the keys of
// parameters that were added since.
func TestUpgrade(t *testing.T) {
	srv := Start(t)
	o := options(srv.URL("tidemark"))
	old := o
	old.Extract = storetest.ExtractBefore
	before := open(t, old)
	storetest.Upgrade(t, before, func() store.Store {
		if err := before.Close(); err != nil {
			t.Fatal(err)
		}
		setSchema(t, srv.URL(""), 1)
		watch := newShapes()
		watch.declared(t, o.URL)
		o.Monitor = watch.monitor()
		s := open(t, o)
		for w := range watch.wrong {
			t.Error(w)
		}
		return s
	})
}

// TestFindingsAreConcerns opens a database of schema 3, which has a finding of
// each rule: they are read as concerns, and replaced by the next versions.
func TestFindingsAreConcerns(t *testing.T) {
	srv := Start(t)
	before := open(t, options(srv.URL("tidemark")))
	noon := time.Date(2026, 5, 1, 12, 0, 0, 0, time.UTC)
	put := func(s store.Store, c drain.Concern) {
		t.Helper()
		w := storetest.Put(t, fmt.Sprintf(`{"resourceType":"DetectedIssue","id":%q,"meta":{},"status":"final"}`, c.ID))
		w.Facts.Concern = &c
		commit(t, s, w)
	}
	ended := drain.Concern{ID: "f1", Version: 1, Drain: "d", Patient: "p", Kind: "rapid", Severity: drain.High, Since: noon, Until: noon.Add(time.Hour), Withdrawn: true, Headline: "120 mL in 1 h.", Policy: "h"}
	lasting := drain.Concern{ID: "f2", Version: 1, Drain: "d", Patient: "p", Kind: "no-output", Severity: drain.Low, Since: noon.Add(time.Minute), Headline: "Nothing in 8 h."}
	put(before, ended)
	put(before, lasting)
	if err := before.Close(); err != nil {
		t.Fatal(err)
	}
	// The document of a finding, as schema 3 had it.
	finding := func(c drain.Concern, more ...bson.E) {
		t.Helper()
		doc := append(bson.D{{Key: "version", Value: c.Version}, {Key: "rule", Value: c.Kind}, {Key: "severity", Value: string(c.Severity)}, {Key: "since", Value: c.Since.UnixMicro()}, {Key: "text", Value: c.Headline}}, more...)
		change(t, srv.URL(""), "version", bson.D{{Key: "type", Value: "DetectedIssue"}, {Key: "id", Value: c.ID}},
			bson.D{{Key: "$set", Value: bson.D{{Key: "fact.finding", Value: doc}}}, {Key: "$unset", Value: bson.D{{Key: "fact.concern", Value: ""}}}})
	}
	finding(ended, bson.E{Key: "until", Value: ended.Until.UnixMicro()}, bson.E{Key: "withdrawn", Value: true}, bson.E{Key: "acknowledged", Value: noon.Add(3 * time.Minute).UnixMicro()},
		bson.E{Key: "announced", Value: noon.Add(2 * time.Minute).UnixMicro()}, bson.E{Key: "evidence", Value: bson.A{"e1", "e2"}}, bson.E{Key: "policy", Value: "h"})
	finding(lasting)
	setSchema(t, srv.URL(""), 3)

	s := open(t, options(srv.URL("tidemark")))
	ended = ended.OfFinding([]string{"e1", "e2"}, noon.Add(3*time.Minute), noon.Add(2*time.Minute))
	lasting = lasting.OfFinding(nil, time.Time{}, time.Time{})
	check := func(since time.Time, want ...drain.Concern) {
		t.Helper()
		if got, err := s.Concerns(t.Context(), "d", since); err != nil || !reflect.DeepEqual(got, want) {
			t.Errorf("concerns that ended since %v or last: %+v, %v; want %+v", since, got, err, want)
		}
	}
	checkOpen := func(want ...drain.Concern) {
		t.Helper()
		if got, err := s.OpenConcerns(t.Context(), "", 10); err != nil || !reflect.DeepEqual(got, want) {
			t.Errorf("open concerns: %+v, %v; want %+v", got, err, want)
		}
	}
	check(time.Time{}, lasting, ended)
	check(ended.Until, lasting, ended)
	check(ended.Until.Add(time.Microsecond), lasting)
	checkOpen(lasting)

	lasting.Until = noon.Add(2 * time.Hour)
	put(s, lasting)
	lasting.Version = 2
	check(time.Time{}, lasting, ended)
	check(lasting.Until.Add(time.Microsecond))
	checkOpen()
}

func setSchema(t *testing.T, url string, n int64) {
	t.Helper()
	change(t, url, "meta", bson.D{{Key: "_id", Value: "schema"}}, bson.D{{Key: "$set", Value: bson.D{{Key: "version", Value: n}}}})
}

// change changes a document behind the store's back.
func change(t *testing.T, url, collection string, which, how bson.D) {
	t.Helper()
	c, err := driver.Connect(client.Client().ApplyURI(url))
	if err != nil {
		t.Fatal(err)
	}
	defer c.Disconnect(context.Background())
	if r, err := c.Database("tidemark").Collection(collection).UpdateOne(context.Background(), which, how); err != nil || r.MatchedCount != 1 {
		t.Fatalf("change %v: %+v, %v", which, r, err)
	}
}

// TestFeedOfThree has two processes write and a third read: what it has passed
// never gets anything before it, and nothing is missed.
func TestFeedOfThree(t *testing.T) {
	srv := Start(t)
	writers := []*opened{open(t, options(srv.URL("tidemark"))), open(t, options(srv.URL("tidemark")))}
	reader := open(t, options(srv.URL("tidemark")))
	const each = 30
	done := make(chan struct{})
	var wg sync.WaitGroup
	for n, s := range writers {
		for k := range 2 {
			wg.Go(func() {
				for i := range each {
					w := patient(t, fmt.Sprint("p", (i+k)%4), fmt.Sprint(n, "-", i))
					if _, err := s.Commit(context.Background(), []store.Write{w}, nil); err != nil {
						t.Error(err)
					}
				}
			})
		}
	}
	go func() { wg.Wait(); close(done) }()
	var after int64
	var at time.Time
	number := map[store.Key]int64{}
	read := 0
	for ended := false; ; {
		vs := changes(t, reader, after)
		for _, v := range vs {
			if v.Seq <= after || v.At.Before(at) {
				t.Fatalf("%d at %v after %d at %v", v.Seq, v.At, after, at)
			}
			if number[v.Key]++; number[v.Key] != v.Number {
				t.Fatalf("%s/%d comes as number %d", v.Key, v.Number, number[v.Key])
			}
			after, at = v.Seq, v.At
		}
		read += len(vs)
		if len(vs) == 0 && ended {
			break
		}
		select {
		case <-done:
			ended = true
		default:
		}
	}
	if read != 4*each {
		t.Errorf("read %d of %d", read, 4*each)
	}
}

// slow opens stores whose lease ends soon.
func slow(tb testing.TB, srv *Server) *opened {
	tb.Helper()
	o := options(srv.URL("tidemark") + "?serverSelectionTimeoutMS=500")
	o.Lease = 300 * time.Millisecond
	return open(tb, o)
}

// TestLateWrite holds the insert of one process beyond its lease. The feed
// waits, goes on without it, and shows it at a new place when it comes.
func TestLateWrite(t *testing.T) {
	srv := Start(t)
	a, b := slow(t, srv), slow(t, srv)
	first := commit(t, b, patient(t, "p0", "x"))
	reached, release := srv.Hold("insert version")
	defer release()
	late := make(chan store.Version, 1)
	go func() { late <- commit(t, a, patient(t, "late", "x")) }()
	<-reached
	second := commit(t, b, patient(t, "p1", "x"))
	if second.Seq != first.Seq+2 {
		t.Fatalf("the held write has no number of its own: %d, then %d", first.Seq, second.Seq)
	}
	if vs := changes(t, b, first.Seq); len(vs) > 0 {
		t.Fatalf("the feed passed a write that may still come: %+v", vs)
	}
	if n, err := b.LastSeq(context.Background()); err != nil || n != first.Seq {
		t.Fatalf("the feed stands at %d, %v; want %d", n, err, first.Seq)
	}
	// Searches need not wait for it.
	if n, err := b.Count(context.Background(), search.Query{Type: "Patient"}, 0); err != nil || n != 2 {
		t.Errorf("%d found, %v", n, err)
	}
	if p, err := b.Search(context.Background(), search.Query{Type: "Patient", Count: 10}); err != nil || len(p.Matches) != 2 {
		t.Errorf("%d found, %v", len(p.Matches), err)
	}
	eventually(t, "the number is given up", func() bool { vs := changes(t, b, first.Seq); return len(vs) == 1 && vs[0].Seq == second.Seq })
	release()
	v := <-late
	if v.Seq <= second.Seq || v.At.Before(second.At) {
		t.Errorf("the late write has number %d at %v, behind %d at %v", v.Seq, v.At, second.Seq, second.At)
	}
	for _, s := range []*opened{a, b} {
		if vs := changes(t, s, second.Seq); len(vs) != 1 || vs[0].ID != "late" || vs[0].Seq != v.Seq {
			t.Errorf("behind the second: %+v, want %+v", vs, v)
		}
		if vs := changes(t, s, 0); len(vs) != 3 {
			t.Errorf("all: %+v", vs)
		}
		if got := scan(t, s, second.Seq); got != "p0 p1" {
			t.Errorf("a scan up to the second gives %s", got)
		}
		if got := scan(t, s, v.Seq); got != "p0 p1 late" {
			t.Errorf("a scan up to the late one gives %s", got)
		}
	}
}

// TestLateWriteOfDeadWriter is TestLateWrite for a process that dies when its
// insert has arrived: whoever reads the feed gives it its place.
func TestLateWriteOfDeadWriter(t *testing.T) {
	srv := Start(t)
	a, b := slow(t, srv), slow(t, srv)
	first := commit(t, b, patient(t, "p0", "x"))
	reached, release := srv.Hold("insert version")
	done := make(chan struct{})
	go func() { commit(t, a, patient(t, "late", "x")); close(done) }()
	<-reached
	second := commit(t, b, patient(t, "p1", "x"))
	eventually(t, "the number is given up", func() bool { return len(changes(t, b, first.Seq)) == 1 })
	// What a would look up next, to find its number gone, it never gets.
	dead, bury := srv.Hold("find fence")
	defer func() { bury(); <-done }()
	release()
	<-dead
	// It is there under the number that was given up, which nobody shows.
	if got := scan(t, b, second.Seq); got != "p0 p1" {
		t.Errorf("a scan gives %s", got)
	}
	eventually(t, "the late write is found", func() bool { vs := changes(t, b, second.Seq); return len(vs) == 1 && vs[0].ID == "late" })
	v, err := b.Read(context.Background(), store.Key{Type: "Patient", ID: "late"})
	if err != nil || v.Seq <= second.Seq {
		t.Errorf("%+v, %v", v, err)
	}
}

// TestAbandonedNumber has a writer die before its insert: the feed goes on.
func TestAbandonedNumber(t *testing.T) {
	srv := Start(t)
	a, b := slow(t, srv), slow(t, srv)
	reached, release := srv.Hold("insert version")
	go func() {
		// The server goes away before the insert arrives, so nobody is told.
		if _, err := a.Commit(context.Background(), []store.Write{patient(t, "never", "x")}, nil); !fault.Is(err, fault.Unavailable) {
			t.Errorf("got %v", err)
		}
	}()
	<-reached
	srv.Stop()
	release()
	time.Sleep(50 * time.Millisecond)
	srv.Resume()
	var v store.Version
	eventually(t, "the store is back", func() bool {
		r, err := b.Commit(context.Background(), []store.Write{patient(t, "p1", "x")}, nil)
		if err == nil {
			v = r[0].Version
		}
		return err == nil
	})
	eventually(t, "the number is given up", func() bool { vs := changes(t, b, 0); return len(vs) == 1 && vs[0].Seq == v.Seq })
}

// identified claims an identifier.
func identified(tb testing.TB, id, value string) store.Write {
	tb.Helper()
	w := storetest.Put(tb, fmt.Sprintf(`{"resourceType":"Observation","id":%q,"meta":{},"status":"final","identifier":[{"system":"http://hospital.example.org/entry","value":%q}]}`, id, value))
	w.Method, w.Expect, w.Claims = store.Post, store.Absent, []string{"http://hospital.example.org/entry|" + value}
	return w
}

// byIdentifier is the condition that no Observation has the identifier.
func byIdentifier(value string) *search.Query {
	return &search.Query{Type: "Observation", Count: 5, Where: []search.Clause{{Param: "identifier", Kind: search.Token, Values: []search.Value{{System: "http://hospital.example.org/entry", Code: value}}}}}
}

// TestLostAnswer loses the answer to an insert that was made: the store looks
// and says so.
func TestLostAnswer(t *testing.T) {
	srv := Start(t)
	s := open(t, options(srv.URL("tidemark")))
	commit(t, s, patient(t, "p0", "x"))
	srv.LoseAnswers("insert version", 1)
	v := commit(t, s, identified(t, "o1", "1"))
	if v.Number != 1 || v.ID != "o1" {
		t.Errorf("%+v", v)
	}
	if vs := changes(t, s, 0); len(vs) != 2 {
		t.Errorf("the feed has %+v", vs)
	}
	_, err := s.Commit(context.Background(), []store.Write{identified(t, "o2", "1")}, nil)
	if !fault.Is(err, fault.Conflict) {
		t.Errorf("the same entry again: %v", err)
	}
}

// TestInDoubt cuts the server off while an insert is under way. The caller is
// told that it is in doubt, and a retry with the same identifier leaves one
// entry, whatever became of the first.
func TestInDoubt(t *testing.T) {
	for _, arrives := range []bool{true, false} {
		t.Run(fmt.Sprintf("arrives=%v", arrives), func(t *testing.T) {
			srv := Start(t)
			s := slow(t, srv)
			commit(t, s, patient(t, "p0", "x"))
			reached, release := srv.Hold("insert version")
			if arrives {
				srv.StopAfter("insert version")
			}
			failed := make(chan error, 1)
			go func() {
				_, err := s.Commit(context.Background(), []store.Write{identified(t, "o1", "1")}, nil)
				failed <- err
			}()
			<-reached
			if !arrives {
				srv.Stop()
			}
			release()
			err := <-failed
			if !fault.Is(err, fault.Unavailable) || !strings.Contains(err.Error(), "in doubt") {
				t.Fatalf("got %v", err)
			}
			srv.Resume()
			eventually(t, "the retry is decided", func() bool {
				_, err := s.Commit(context.Background(), []store.Write{identified(t, "o2", "1")}, nil)
				switch {
				case err == nil && arrives:
					t.Fatal("the entry was made twice")
				case err == nil, fault.Is(err, fault.Conflict) && arrives:
					return true
				case !fault.Is(err, fault.Unavailable):
					t.Fatal(err)
				}
				return false
			})
			if n, err := s.Count(context.Background(), search.Query{Type: "Observation"}, 0); err != nil || n != 1 {
				t.Errorf("%d entries, %v", n, err)
			}
		})
	}
}

// TestServerAwayAndBack has a store live through its server's absence.
func TestServerAwayAndBack(t *testing.T) {
	srv := Start(t)
	o := options(srv.URL("tidemark") + "?serverSelectionTimeoutMS=300")
	s := open(t, o)
	kept := commit(t, s, patient(t, "p0", "x"))
	srv.Stop()
	for name, err := range map[string]error{
		"Ping": s.Ping(context.Background()),
		"Commit": func() error {
			_, err := s.Commit(context.Background(), []store.Write{patient(t, "p1", "x")}, nil)
			return err
		}(),
		"Read": func() error { _, err := s.Read(context.Background(), kept.Key); return err }(),
	} {
		if !fault.Is(err, fault.Unavailable) || fault.Of(err).RetryAfter == 0 {
			t.Errorf("%s while the server is away: %v", name, err)
		}
	}
	srv.Resume()
	eventually(t, "the store is back", func() bool { return s.Ping(context.Background()) == nil })
	if v, err := s.Read(context.Background(), kept.Key); err != nil || v.Seq != kept.Seq {
		t.Errorf("%+v, %v", v, err)
	}
	commit(t, s, patient(t, "p1", "x"))
}

// TestServerRestart reads what was acknowledged from a server started anew.
func TestServerRestart(t *testing.T) {
	dir := t.TempDir()
	var kept store.Version
	t.Run("before", func(t *testing.T) {
		kept = commit(t, open(t, options(StartIn(t, dir).URL("tidemark"))), patient(t, "p0", "x"))
	})
	t.Run("after", func(t *testing.T) {
		s := open(t, options(StartIn(t, dir).URL("tidemark")))
		if v, err := s.Read(context.Background(), kept.Key); err != nil || v.Seq != kept.Seq {
			t.Errorf("%+v, %v", v, err)
		}
		if v := commit(t, s, patient(t, "p0", "y")); v.Seq != kept.Seq+1 || v.Number != 2 {
			t.Errorf("%+v follows %+v", v, kept)
		}
	})
}

const (
	childURL = "TIDEMARK_MONGOTEST_CHILD_URL"
	childLog = "TIDEMARK_MONGOTEST_CHILD_LOG"
)

// child writes without end and notes what was acknowledged, until it is killed.
func child(url, file string) error {
	s, err := mongo.Open(context.Background(), options(url))
	if err != nil {
		return err
	}
	f, err := os.OpenFile(file, os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	name := strings.TrimSuffix(filepath.Base(file), ".log")
	for i := 0; ; i++ {
		id := fmt.Sprintf("%s-%d", name, i)
		json := fmt.Sprintf(`{"resourceType":"Patient","id":%q,"meta":{}}`, id)
		doc, err := storetest.Extract(context.Background(), []byte(json))
		if err != nil {
			return err
		}
		w := store.Write{Key: store.Key{Type: "Patient", ID: id}, Method: store.Put, Doc: doc, Body: store.Body{JSON: []byte(json), Meta: len(json) - 2}}
		if _, err := s.Commit(context.Background(), []store.Write{w}, nil); err != nil {
			return err
		}
		if _, err := fmt.Fprintln(f, id); err != nil {
			return err
		}
	}
}

// TestKilledProcesses kills two processes that write. What they acknowledged
// is there, the feed settles and shows all of it, and others go on.
func TestKilledProcesses(t *testing.T) {
	srv := Start(t)
	s := slow(t, srv)
	dir := t.TempDir()
	var cmds []*exec.Cmd
	var logs []string
	for i := range 2 {
		file := filepath.Join(dir, fmt.Sprintf("child%d.log", i))
		cmd := exec.Command(os.Args[0])
		cmd.Env = append(os.Environ(), childURL+"="+srv.URL("tidemark"), childLog+"="+file)
		cmd.Stderr = os.Stderr
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		defer cmd.Process.Kill()
		cmds, logs = append(cmds, cmd), append(logs, file)
	}
	lines := func(file string) []string {
		b, _ := os.ReadFile(file) // not there yet
		return strings.Fields(string(b))
	}
	eventually(t, "both write", func() bool { return len(lines(logs[0])) > 5 && len(lines(logs[1])) > 5 })
	for _, cmd := range cmds {
		if err := cmd.Process.Kill(); err != nil {
			t.Fatal(err)
		}
		cmd.Wait() // says that it was killed
	}
	last := commit(t, s, patient(t, "after", "x"))
	seen := map[string]bool{}
	eventually(t, "the feed settles", func() bool {
		for _, v := range changes(t, s, 0) {
			seen[v.ID] = true
		}
		return seen[last.ID]
	})
	for _, file := range logs {
		for _, id := range lines(file) {
			if _, err := s.Read(context.Background(), store.Key{Type: "Patient", ID: id}); err != nil {
				t.Errorf("%s was acknowledged: %v", id, err)
			}
			if !seen[id] {
				t.Errorf("%s was acknowledged and is not in the feed", id)
			}
		}
	}
}
