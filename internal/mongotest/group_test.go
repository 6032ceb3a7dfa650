package mongotest

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"go.mongodb.org/mongo-driver/v2/bson"
	"go.mongodb.org/mongo-driver/v2/event"
	driver "go.mongodb.org/mongo-driver/v2/mongo"
	client "go.mongodb.org/mongo-driver/v2/mongo/options"
	"go.mongodb.org/mongo-driver/v2/mongo/writeconcern"

	"tidemark/internal/fault"
	"tidemark/internal/fhirjson"
	"tidemark/internal/policy"
	"tidemark/internal/search"
	"tidemark/internal/store"
	"tidemark/internal/store/mongo"
	"tidemark/internal/ward"
)

// rounds counts what waits for a majority: commands, and rounds of commands
// that wait together.
type rounds struct {
	mu               sync.Mutex
	flying           map[int64]bool
	commands, rounds int
}

func (r *rounds) monitor() *event.CommandMonitor {
	r.flying = map[int64]bool{}
	end := func(id int64) {
		r.mu.Lock()
		defer r.mu.Unlock()
		delete(r.flying, id)
	}
	return &event.CommandMonitor{
		Started: func(_ context.Context, e *event.CommandStartedEvent) {
			if w, _ := e.Command.Lookup("writeConcern", "w").StringValueOK(); w != "majority" || e.CommandName == "abortTransaction" {
				return
			}
			r.mu.Lock()
			defer r.mu.Unlock()
			if r.commands++; len(r.flying) == 0 {
				r.rounds++
			}
			r.flying[e.RequestID] = true
		},
		Succeeded: func(_ context.Context, e *event.CommandSucceededEvent) { end(e.RequestID) },
		Failed:    func(_ context.Context, e *event.CommandFailedEvent) { end(e.RequestID) },
	}
}

func (r *rounds) take() (commands, n int) {
	r.mu.Lock()
	defer r.mu.Unlock()
	commands, n = r.commands, r.rounds
	r.commands, r.rounds = 0, 0
	return commands, n
}

// charted is what a POST of an entry with an identifier writes.
func charted(tb testing.TB, id string) ([]store.Write, []store.AuditRecord) {
	tb.Helper()
	return []store.Write{identified(tb, id, id)}, []store.AuditRecord{{ID: "r-" + id, At: time.Now(), Action: "C", Interaction: "create", Outcome: "0", Entity: "Observation/" + id}}
}

// TestMajorityWaits: a POST with an identifier waits twice for a majority, once
// for its claim and number, once for version and audit record; and what 16
// writers ask for at the same time goes together.
func TestMajorityWaits(t *testing.T) {
	srv := Start(t)
	srv.PretendTransactions()
	var r rounds
	o := options(srv.URL("tidemark"))
	o.Monitor = r.monitor()
	s := open(t, o)
	ctx := context.Background()
	post := func(id string) {
		ws, audit := charted(t, id)
		if _, err := s.Commit(ctx, ws, audit); err != nil {
			t.Error(err)
		}
	}
	srv.Delay(300 * time.Millisecond) // so that what is sent together is seen to be so
	r.take()
	post("alone")
	if commands, n := r.take(); n != 2 || commands != 3 {
		t.Errorf("a POST made %d commands in %d waits, want 3 in 2", commands, n)
	}
	conditional := func(id string) store.Write {
		w := identified(t, id, "5")
		w.Unless = byIdentifier("5")
		return w
	}
	if _, err := s.Commit(ctx, []store.Write{conditional("first")}, nil); err != nil {
		t.Fatal(err)
	}
	if commands, n := r.take(); n != 2 {
		t.Errorf("a conditional POST made %d commands in %d waits, want 2", commands, n)
	}
	if _, err := s.Commit(ctx, []store.Write{conditional("second")}, nil); !errors.Is(err, store.ErrMatched) {
		t.Errorf("got %v", err)
	}
	if commands, _ := r.take(); commands != 0 {
		t.Errorf("a conditional POST that was refused waited for a majority %d times", commands)
	}
	srv.Delay(20 * time.Millisecond)
	const writers, each = 16, 8
	var wg sync.WaitGroup
	for w := range writers {
		wg.Go(func() {
			for i := range each {
				post(fmt.Sprintf("o%d-%d", w, i))
			}
		})
	}
	wg.Wait()
	commands, _ := r.take()
	t.Logf("%d POSTs by %d writers: %d commands that wait for a majority, %.2f a POST", writers*each, writers, commands, float64(commands)/writers/each)
	if commands > 2*writers*each {
		t.Errorf("%d POSTs made %d commands that wait for a majority", writers*each, commands)
	}
	srv.Delay(0)
	if records, _, err := s.AuditRecords(ctx, store.AuditQuery{Count: 500}); err != nil || len(records) != writers*each+1 {
		t.Errorf("%d audit records, %v", len(records), err)
	}
	if vs := changes(t, s, 0); len(vs) != writers*each+2 {
		t.Errorf("the feed has %d versions", len(vs))
	}
}

// sent are the commands of transactions, by their number, and those outside.
type sent struct {
	mu      sync.Mutex
	inside  map[string][]string // "command collection" by session and number
	outside []string
}

func (s *sent) monitor() *event.CommandMonitor {
	s.inside = map[string][]string{}
	return &event.CommandMonitor{Started: func(_ context.Context, e *event.CommandStartedEvent) {
		s.mu.Lock()
		defer s.mu.Unlock()
		collection, _ := e.Command.Lookup(e.CommandName).StringValueOK()
		name := e.CommandName + " " + collection
		if auto, ok := e.Command.Lookup("autocommit").BooleanOK(); ok && !auto {
			key := e.Command.Lookup("lsid").String() + e.Command.Lookup("txnNumber").String()
			s.inside[key] = append(s.inside[key], name)
		} else {
			s.outside = append(s.outside, name)
		}
	}}
}

func (s *sent) take() (inside [][]string, outside []string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, names := range s.inside {
		inside = append(inside, names)
	}
	outside = s.outside
	s.inside, s.outside = map[string][]string{}, nil
	return inside, outside
}

// TestOneTransaction: with transactions, whatever one Commit writes - a
// transaction Bundle, a concern with its entry, one resource with its audit
// record - is written by one transaction, and nothing of it outside.
func TestOneTransaction(t *testing.T) {
	srv := Start(t)
	srv.PretendTransactions()
	var w sent
	o := options(srv.URL("tidemark"))
	o.Monitor = w.monitor()
	s := open(t, o)
	commit(t, s, patient(t, "old", "x"))
	entry := identified(t, "o", "1")
	finding := patient(t, "old", "y") // replaces what was there
	audit := []store.AuditRecord{{ID: "r", At: time.Now(), Action: "C", Outcome: "0"}}
	for name, writes := range map[string][]store.Write{
		"one write":                  {patient(t, "single", "x")},
		"an entry and what follows":  {entry, finding},
		"a Bundle with a deletion":   {patient(t, "a", "x"), patient(t, "b", "x"), {Key: store.Key{Type: "Patient", ID: "a"}, Method: store.Delete}},
		"a Bundle that writes twice": {patient(t, "c", "x"), patient(t, "c", "y")},
	} {
		w.take()
		if _, err := s.Commit(context.Background(), writes, audit); err != nil {
			t.Fatal(name, err)
		}
		inside, outside := w.take()
		if len(inside) != 1 {
			t.Errorf("%s: %d transactions: %v", name, len(inside), inside)
			continue
		}
		count := map[string]int{}
		for _, c := range inside[0] {
			count[c]++
		}
		if count["insert version"] != 1 || count["insert audit"] != 1 || count["commitTransaction "] != 1 {
			t.Errorf("%s: %v", name, inside[0])
		}
		for _, c := range outside {
			if c == "insert version" || c == "update version" || c == "insert audit" {
				t.Errorf("%s: %s outside the transaction", name, c)
			}
		}
	}
}

// TestWriteConflicts: transactions that get in each other's way are made again,
// and no caller hears of it.
func TestWriteConflicts(t *testing.T) {
	srv := Start(t)
	srv.PretendTransactions()
	s := open(t, options(srv.URL("tidemark")))
	const writeConflict = 112
	srv.Refuse("insert version", 20, writeConflict, "TransientTransactionError")
	srv.Refuse("insert audit", 5, writeConflict, "TransientTransactionError")
	var wg sync.WaitGroup
	var made atomic.Int64
	for w := range 16 {
		wg.Go(func() {
			for i := range 4 {
				id := fmt.Sprintf("p%d-%d", w, i)
				if _, err := s.Commit(context.Background(), []store.Write{patient(t, id, "x"), patient(t, id+"-2", "x")}, nil); err != nil {
					t.Error(err)
				}
				made.Add(2)
			}
		})
	}
	wg.Wait()
	if vs := changes(t, s, 0); len(vs) != int(made.Load()) {
		t.Errorf("the feed has %d versions of %d", len(vs), made.Load())
	}
}

// TestAuditIsWrittenLater: without transactions, the records of a write that was
// made are written when the server takes them again.
func TestAuditIsWrittenLater(t *testing.T) {
	srv := Start(t)
	s := open(t, options(srv.URL("tidemark")))
	const shutdown = 91
	srv.Refuse("insert audit", 3, shutdown)
	ws, audit := charted(t, "o1")
	if r, err := s.Commit(context.Background(), ws, audit); err != nil || r[0].Version.Number != 1 {
		t.Fatal(r, err)
	}
	eventually(t, "the audit record is written", func() bool {
		records, _, err := s.AuditRecords(context.Background(), store.AuditQuery{Count: 5})
		return err == nil && len(records) == 1 && records[0].ID == "r-o1"
	})
}

// TestOwnDoubtIsDecided: the server goes away when it has carried out an
// insert. As soon as it is back, long before the lease ends, the process that
// sent it knows what became of it: the identifier is taken, its audit record
// is there, and the feed goes on.
func TestOwnDoubtIsDecided(t *testing.T) {
	for _, transactions := range []bool{false, true} {
		t.Run(fmt.Sprintf("transactions=%v", transactions), func(t *testing.T) {
			srv := Start(t)
			if transactions {
				srv.PretendTransactions()
			}
			o := options(srv.URL("tidemark") + "?serverSelectionTimeoutMS=300")
			o.Lease = time.Hour
			s := open(t, o)
			first := commit(t, s, patient(t, "p0", "x"))
			last := "insert version"
			if transactions {
				last = "commitTransaction"
			}
			srv.StopAfter(last)
			ws, audit := charted(t, "o1")
			_, err := s.Commit(context.Background(), ws, audit)
			if !fault.Is(err, fault.Unavailable) {
				t.Fatalf("got %v", err)
			}
			began := time.Now()
			_, err = s.Commit(context.Background(), []store.Write{identified(t, "o2", "o1")}, nil)
			if !fault.Is(err, fault.Unavailable) || time.Since(began) > 8*time.Second {
				t.Errorf("after %v: %v", time.Since(began), err)
			}
			srv.Resume()
			eventually(t, "the identifier is decided", func() bool {
				_, err := s.Commit(context.Background(), []store.Write{identified(t, "o3", "o1")}, nil)
				return fault.Is(err, fault.Conflict)
			})
			var seen string
			defer func() {
				if t.Failed() {
					t.Log(seen)
				}
			}()
			eventually(t, "the audit record is there, and the feed shows the entry", func() bool {
				records, _, err := s.AuditRecords(context.Background(), store.AuditQuery{Count: 5})
				vs := changes(t, s, first.Seq)
				seen = fmt.Sprint(records, vs, err)
				return err == nil && len(records) == 1 && len(vs) == 1 && vs[0].ID == "o1"
			})
		})
	}
}

// TestUnsentIsGivenBack: the server goes away before a version is sent. What was
// taken for it is free as soon as the server is back.
func TestUnsentIsGivenBack(t *testing.T) {
	srv := Start(t)
	o := options(srv.URL("tidemark") + "?serverSelectionTimeoutMS=300")
	o.Lease = time.Hour
	s := open(t, o)
	first := commit(t, s, patient(t, "p0", "x"))
	srv.Stop()
	if _, err := s.Commit(context.Background(), []store.Write{identified(t, "o1", "1")}, nil); !fault.Is(err, fault.Unavailable) {
		t.Fatalf("got %v", err)
	}
	srv.Resume()
	eventually(t, "the identifier is free", func() bool {
		_, err := s.Commit(context.Background(), []store.Write{identified(t, "o2", "1")}, nil)
		return err == nil
	})
	eventually(t, "the feed goes on", func() bool { vs := changes(t, s, first.Seq); return len(vs) == 1 && vs[0].ID == "o2" })
}

// TestOldServer: what is too old is refused with what is needed.
func TestOldServer(t *testing.T) {
	srv := Start(t)
	srv.Wire(7)
	if s, err := mongo.Open(context.Background(), options(srv.URL("tidemark"))); !fault.Is(err, fault.Unavailable) || fault.Of(err).Issues[0].Diagnostics != "The MongoDB server is too old; Tidemark needs 4.4 or newer." {
		t.Errorf("got %v, %v", s, err)
	}
}

// TestServerWithoutHello: servers before 4.4.2 are asked by the older name, and
// what they say there counts: that they have transactions.
func TestServerWithoutHello(t *testing.T) {
	for _, transactions := range []bool{false, true} {
		srv := Start(t)
		srv.WithoutHello()
		if transactions {
			srv.PretendTransactions()
		}
		var asked atomic.Int64
		o := options(srv.URL("tidemark"))
		o.Monitor = &event.CommandMonitor{Started: func(_ context.Context, e *event.CommandStartedEvent) {
			if e.CommandName == "isMaster" {
				asked.Add(1)
			}
		}}
		s := open(t, o)
		if s.Transactions() != transactions || asked.Load() != 1 {
			t.Errorf("transactions %v, asked %d times by the older name", s.Transactions(), asked.Load())
		}
		commit(t, s, patient(t, "p", "x"))
	}
}

// TestRecordsAreOneTransaction: a concern with its entry, a merge and a purge are
// one transaction each, and write nothing of a resource or an audit record outside;
// a transaction that meets a conflict is made again.
func TestRecordsAreOneTransaction(t *testing.T) {
	srv := Start(t)
	srv.PretendTransactions()
	var w sent
	o := options(srv.URL("tidemark"))
	o.Monitor = w.monitor()
	s := open(t, o)
	ctx := context.Background()
	core := ward.New(s, ward.Options{Policy: policy.Default, Clock: time.Now, Logger: slog.New(slog.DiscardHandler), Extract: search.ExtractOptions{Zone: time.UTC}})
	audit := func(id string) []store.AuditRecord {
		return []store.AuditRecord{{ID: id, At: time.Now(), Action: "E", Outcome: "0"}}
	}
	put := func(json string, args ...any) error {
		n, err := fhirjson.Parse(fmt.Appendf(nil, json, args...))
		if err != nil {
			t.Fatal(err)
		}
		_, err = core.Commit(ctx, []ward.Change{{Method: store.Put, Key: store.Key{Type: n.Str("resourceType"), ID: n.Str("id")}, Resource: n}}, audit("w"))
		return err
	}
	ago := func(h int) string { return time.Now().Add(-time.Duration(h) * time.Hour).UTC().Format(time.RFC3339) }
	for _, err := range []error{
		put(`{"resourceType":"Patient","id":"a","identifier":[{"value":"mrn-a"}]}`), put(`{"resourceType":"Patient","id":"b"}`),
		put(`{"resourceType":"Device","id":"d","status":"active","patient":{"reference":"Patient/a"}}`),
		put(`{"resourceType":"DeviceUseStatement","id":"u","status":"active","subject":{"reference":"Patient/a"},"device":{"reference":"Device/d"},"timingPeriod":{"start":%q}}`, ago(9)),
	} {
		if err != nil {
			t.Fatal(err)
		}
	}
	// one wants a single transaction with these commands.
	one := func(what string, conflicts int, want map[string]int, f func() error) {
		t.Helper()
		w.take()
		if err := f(); err != nil {
			t.Fatal(what, err, errors.Unwrap(err))
		}
		inside, outside := w.take()
		whole := 0
		for _, names := range inside {
			if !slices.Contains(names, "commitTransaction ") {
				continue // given up, and made again
			}
			whole++
			count := map[string]int{}
			for _, c := range names {
				count[c]++
			}
			for c, n := range want {
				if count[c] < n {
					t.Errorf("%s: %d times %q in %v", what, count[c], c, names)
				}
			}
		}
		if whole != 1 || len(inside) != 1+conflicts {
			t.Errorf("%s: %d transactions of which %d were committed: %v", what, len(inside), whole, inside)
		}
		for _, c := range outside {
			if c == "insert version" || c == "update version" || c == "insert audit" {
				t.Errorf("%s: %s outside the transaction", what, c)
			}
		}
	}
	one("a concern with its entry", 0, map[string]int{"insert version": 1, "insert audit": 1}, func() error {
		return put(`{"resourceType":"Observation","id":"e","status":"final","code":{"coding":[{"system":"http://loinc.org","code":"9203-1"}]},"subject":{"reference":"Patient/a"},"device":{"reference":"Device/d"},"effectiveDateTime":%q,
			"valueQuantity":{"value":30,"unit":"mL","system":"http://unitsofmeasure.org","code":"mL"},
			"component":[{"code":{"coding":[{"system":"http://loinc.org","code":"72290-0"}]},"valueCodeableConcept":{"coding":[{"system":"http://tidemark.example.org/fhir/CodeSystem/drain","code":"feculent"}]}}]}`, ago(1))
	})
	if cs, err := s.Concerns(ctx, "d", time.Time{}); err != nil || len(cs) == 0 {
		t.Fatal("the entry opened no concern", err)
	}
	types := []string{"Patient", "Device", "DeviceUseStatement", "Observation", "DetectedIssue", "Provenance"}
	const writeConflict = 112
	srv.Refuse("insert version", 1, writeConflict, "TransientTransactionError")
	one("a merge", 1, map[string]int{"insert version": 1, "update version": 1, "insert audit": 1}, func() error {
		_, err := core.Merge(ctx, ward.Merge{Source: "a", Target: "b", Types: types, By: "x", Audit: func(_ store.Method, key store.Key, number int64) store.AuditRecord {
			return audit(fmt.Sprint(key, number))[0]
		}})
		return err
	})
	if es, err := s.Entries(ctx, store.EntryQuery{Patient: "b"}); err != nil || len(es) != 1 {
		t.Errorf("the target has %d entries, %v", len(es), err)
	}
	if err := put(`{"resourceType":"DeviceUseStatement","id":"u","status":"completed","subject":{"reference":"Patient/b"},"device":{"reference":"Device/d"},"timingPeriod":{"start":%q,"end":%q}}`, ago(9), ago(0)); err != nil {
		t.Fatal(err)
	}
	srv.Refuse("insert version", 1, writeConflict, "TransientTransactionError")
	one("a purge", 1, map[string]int{"insert version": 1, "update version": 3, "insert audit": 1}, func() error {
		_, err := core.Purge(ctx, ward.Purge{Patient: "b", Types: types, Audit: func(int64) []store.AuditRecord { return audit("p") }})
		return err
	})
	if v, err := s.Read(ctx, store.Key{Type: "Observation", ID: "e"}); err != nil || !v.Erased {
		t.Errorf("the entry: %+v, %v", v, err)
	}
}

// BenchmarkPosts compares POSTs of entries with an identifier by 16 writers
// with raw inserts of the same documents, four a POST, by 16 writers, each
// waiting for a majority that takes 100 ms: what the server here computes
// should matter less than the waits.
func BenchmarkPosts(b *testing.B) {
	const writers, majority = 16, 100 * time.Millisecond
	each := func(b *testing.B, documents int, unit string, f func(id string) error) {
		b.Helper()
		var next atomic.Int64
		var wg sync.WaitGroup
		b.ResetTimer()
		for range writers {
			wg.Go(func() {
				for {
					n := next.Add(1)
					if n > int64(b.N) {
						return
					}
					if err := f(fmt.Sprint("o", n)); err != nil {
						b.Error(err)
						return
					}
				}
			})
		}
		wg.Wait()
		b.ReportMetric(float64(documents*b.N)/b.Elapsed().Seconds(), unit)
		b.ReportMetric(0, "ns/op")
	}
	b.Run("posts", func(b *testing.B) {
		srv := Start(b)
		srv.PretendTransactions()
		s := open(b, options(srv.URL("tidemark")))
		srv.Delay(majority)
		each(b, 1, "posts/s", func(id string) error {
			ws, audit := charted(b, id)
			_, err := s.Commit(context.Background(), ws, audit)
			return err
		})
	})
	b.Run("raw", func(b *testing.B) {
		srv := Start(b)
		ctx := context.Background()
		c, err := driver.Connect(client.Client().ApplyURI(srv.URL("")).SetWriteConcern(writeconcern.Majority()))
		if err != nil {
			b.Fatal(err)
		}
		defer c.Disconnect(ctx)
		db := c.Database("tidemark")
		srv.Delay(majority)
		each(b, 4, "inserts/s", func(id string) error {
			ws, audit := charted(b, id)
			for collection, doc := range map[string]bson.D{
				"version": {{Key: "_id", Value: id}, {Key: "body", Value: ws[0].Body.JSON}, {Key: "keys", Value: ws[0].Doc.Keys()}},
				"audit":   {{Key: "id", Value: audit[0].ID}, {Key: "at", Value: audit[0].At}, {Key: "entity", Value: audit[0].Entity}},
				"claim":   {{Key: "_id", Value: "claim-" + id}, {Key: "owner", Value: id}},
				"ledger":  {{Key: "_id", Value: "ledger-" + id}, {Key: "v", Value: id}},
			} {
				if _, err := db.Collection(collection).InsertOne(ctx, doc); err != nil {
					return err
				}
			}
			return nil
		})
	})
}
