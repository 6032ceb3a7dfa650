package storetest

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"tidemark/internal/fault"
	"tidemark/internal/search"
	"tidemark/internal/store"
)

var writeTests = []test{
	{name: "create and read", run: createAndRead},
	{name: "versions", run: versions},
	{name: "expectations", run: expectations},
	{name: "delete twice and bring back", run: deleteTwice},
	{name: "one of 50 If-Match wins", run: ifMatch},
	{name: "20 conditional creates leave one", run: unless},
	{name: "conditional write that matches", run: unlessPut},
	{name: "conditional write with several matches", run: unlessSeveral},
	{name: "claims", run: claims},
	{name: "20 claims leave one", run: claimRace},
	{name: "all or none", needs: Transactions, run: allOrNone},
	{name: "a write sees those before it", needs: Transactions, run: seesBefore},
	{name: "two concurrent writers", run: twoWriters},
	{name: "bytes are kept", run: bytesKept},
	{name: "ids by case and byte", run: idsByByte},
	{name: "largest resource", run: largest},
	{name: "cancelled context", run: cancelled},
	{name: "cancelled while many write", run: cancelledBusy},
}

func createAndRead(t *testing.T, s store.Store) {
	ctx := context.Background()
	before := time.Now().Add(-time.Minute)
	w := patient(t, "p1", "Ahlgren")
	r := commit(t, s, w)[0]
	v := r.Version
	if !r.Created || v.Number != 1 || v.Seq < 1 || v.Key != w.Key || v.Method != store.Put {
		t.Errorf("result %+v", r)
	}
	if v.At.Before(before) || v.At.Location() != time.UTC || v.At.Nanosecond()%1e6 != 0 {
		t.Errorf("At is %v, want now in UTC with milliseconds", v.At)
	}
	sameVersion(t, v, store.Version{Key: w.Key, Number: 1, Seq: v.Seq, At: v.At, Method: store.Put, Body: w.Body})
	got, err := s.Read(ctx, w.Key)
	if err != nil {
		t.Fatal(err)
	}
	sameVersion(t, got, v)
	want := fmt.Sprintf(`{"resourceType":"Patient","id":"p1","meta":{"versionId":"1","lastUpdated":"%s"},"name":[{"family":"Ahlgren"}]}`, v.At.Format("2006-01-02T15:04:05.000Z"))
	if string(got.JSON()) != want {
		t.Errorf("JSON %s\nwant %s", got.JSON(), want)
	}
	for _, k := range []store.Key{{Type: "Patient", ID: "p2"}, {Type: "Device", ID: "p1"}, {Type: "", ID: ""}} {
		_, err := s.Read(ctx, k)
		isFault(t, err, fault.NotFound)
	}
	post := patient(t, "p3", "Berg")
	post.Method, post.Expect = store.Post, store.Absent
	if r := commit(t, s, post)[0]; r.Version.Method != store.Post || !r.Created {
		t.Errorf("POST gave %+v", r)
	}
	if r, err := s.Commit(ctx, nil, nil); err != nil || len(r) != 0 {
		t.Errorf("empty commit: %v, %v", r, err)
	}
}

func versions(t *testing.T, s store.Store) {
	ctx := context.Background()
	var all []store.Version
	for i := range 5 {
		r := commit(t, s, patient(t, "p1", fmt.Sprint("name", i)))[0]
		if r.Version.Number != int64(i+1) || r.Created != (i == 0) {
			t.Errorf("write %d gave %+v", i, r)
		}
		if i > 0 && (r.Version.Seq <= all[i-1].Seq || r.Version.At.Before(all[i-1].At)) {
			t.Errorf("version %+v after %+v", r.Version, all[i-1])
		}
		all = append(all, r.Version)
	}
	for _, want := range all {
		got, err := s.ReadVersion(ctx, want.Key, want.Number)
		if err != nil {
			t.Fatal(err)
		}
		sameVersion(t, got, want)
	}
	got, err := s.Read(ctx, all[0].Key)
	if err != nil {
		t.Fatal(err)
	}
	sameVersion(t, got, all[4])
	for _, n := range []int64{0, -1, 6, 1 << 40} {
		_, err := s.ReadVersion(ctx, all[0].Key, n)
		isFault(t, err, fault.NotFound)
	}
	_, err = s.ReadVersion(ctx, store.Key{Type: "Patient", ID: "none"}, 1)
	isFault(t, err, fault.NotFound)
}

func expectations(t *testing.T, s store.Store) {
	commit(t, s, patient(t, "there", "a"), patient(t, "gone", "a"))
	commit(t, s, remove("Patient", "gone"))
	const fine = fault.Kind(-1)
	for _, c := range []struct {
		id     string
		expect store.Expect
		delete bool
		want   fault.Kind
	}{
		{"new1", store.Absent, false, fine},
		{"there", store.Absent, false, fault.Conflict},
		{"gone", store.Absent, false, fault.Conflict},
		{"never", store.Exists, false, fault.NotFound},
		{"gone", store.Exists, false, fault.Gone},
		{"never", 1, false, fault.Precondition},
		{"there", 2, false, fault.Precondition},
		{"there", 7, false, fault.Precondition},
		{"gone", 1, false, fault.Precondition},
		{"never", store.Any, true, fault.NotFound},
		{"never", store.Exists, true, fault.NotFound},
		{"gone", store.Exists, true, fault.Gone},
		{"there", 2, true, fault.Precondition},
		{"there", 1, false, fine},
		{"there", store.Exists, false, fine},
		{"there", store.Any, false, fine},
		{"new2", store.Any, false, fine},
		{"gone", 2, false, fine}, // the version of the deletion: bring back
		{"new2", 1, true, fine},
		{"there", store.Exists, true, fine},
	} {
		name := fmt.Sprintf("%s expect %d delete %v", c.id, c.expect, c.delete)
		w := patient(t, c.id, "b")
		if c.delete {
			w = remove("Patient", c.id)
		}
		w.Expect = c.expect
		_, err := s.Commit(context.Background(), []store.Write{w}, nil)
		if c.want == fine {
			if err != nil {
				t.Errorf("%s: %v", name, err)
			}
			continue
		}
		if !fault.Is(err, c.want) {
			t.Errorf("%s: got %v, want kind %d", name, err, c.want)
		}
	}
}

func deleteTwice(t *testing.T, s store.Store) {
	ctx := context.Background()
	commit(t, s, patient(t, "p1", "Ahlgren"))
	found(t, s, query(t, "Patient", "family=ahlgren"), "p1")
	first := commit(t, s, remove("Patient", "p1"))[0]
	if v := first.Version; v.Number != 2 || !v.Deleted() || len(v.Body.JSON) != 0 || first.Created {
		t.Errorf("deletion gave %+v", first)
	}
	v, err := s.Read(ctx, store.Key{Type: "Patient", ID: "p1"})
	if err != nil {
		t.Fatal(err)
	}
	sameVersion(t, v, first.Version)
	again := commit(t, s, remove("Patient", "p1"))[0]
	if again.Version.Number != 2 || again.Version.Seq != first.Version.Seq || !again.Version.Deleted() {
		t.Errorf("deleting what is deleted made %+v", again.Version)
	}
	found(t, s, query(t, "Patient", "family=ahlgren"))
	found(t, s, query(t, "Patient"))
	back := commit(t, s, patient(t, "p1", "Berg"))[0]
	if back.Version.Number != 3 || !back.Created {
		t.Errorf("bringing back gave %+v", back)
	}
	found(t, s, query(t, "Patient", "family=berg"), "p1")
	found(t, s, query(t, "Patient", "family=ahlgren"))
}

// race runs f n times at once and returns the errors.
func race(n int, f func(i int) error) []error {
	errs := make([]error, n)
	var wg sync.WaitGroup
	start := make(chan struct{})
	for i := range n {
		wg.Go(func() {
			<-start
			errs[i] = f(i)
		})
	}
	close(start)
	wg.Wait()
	return errs
}

func ifMatch(t *testing.T, s store.Store) {
	commit(t, s, patient(t, "p1", "zero"))
	writes := make([]store.Write, 50)
	for i := range writes {
		writes[i] = patient(t, "p1", fmt.Sprint("writer", i))
		writes[i].Expect = 1
	}
	won := -1
	for i, err := range race(len(writes), func(i int) error {
		_, err := s.Commit(context.Background(), writes[i:i+1], nil)
		return err
	}) {
		switch {
		case err == nil && won >= 0:
			t.Errorf("writers %d and %d both replaced version 1", won, i)
		case err == nil:
			won = i
		default:
			isFault(t, err, fault.Precondition)
		}
	}
	if won < 0 {
		t.Fatal("nobody replaced version 1")
	}
	v, err := s.Read(context.Background(), writes[0].Key)
	if err != nil || v.Number != 2 || string(v.Body.JSON) != string(writes[won].Body.JSON) {
		t.Errorf("after writer %d won there is %d %s, %v", won, v.Number, v.Body.JSON, err)
	}
}

func identified(tb testing.TB, id, value string) store.Write {
	tb.Helper()
	return Put(tb, fmt.Sprintf(`{"resourceType":"Patient","id":%q,"meta":{},"identifier":[{"system":"http://hospital.example.org/mrn","value":%q}]}`, id, value))
}

func unless(t *testing.T, s store.Store) {
	q := query(t, "Patient", "identifier=http://hospital.example.org/mrn|77")
	created := -1
	for i, err := range race(20, func(i int) error {
		w := identified(t, fmt.Sprint("p", i), "77")
		w.Method, w.Expect, w.Unless = store.Post, store.Absent, &q
		_, err := s.Commit(context.Background(), []store.Write{w}, nil)
		return err
	}) {
		switch {
		case err == nil && created >= 0:
			t.Errorf("writers %d and %d both created", created, i)
		case err == nil:
			created = i
		case !errors.Is(err, store.ErrMatched) || !fault.Is(err, fault.Precondition):
			t.Errorf("writer %d: %v", i, err)
		}
	}
	found(t, s, query(t, "Patient"), fmt.Sprint("p", created))
}

// unlessPut is the same for a conditional update that finds nothing: what was
// refused is in no version, and nobody is told that it is.
func unlessPut(t *testing.T, s store.Store) {
	q := query(t, "Patient", "identifier=http://hospital.example.org/mrn|77")
	commit(t, s, identified(t, "a", "77"))
	w := identified(t, "b", "77")
	w.Unless = &q
	if _, err := s.Commit(context.Background(), []store.Write{w}, nil); !errors.Is(err, store.ErrMatched) {
		t.Errorf("got %v, want ErrMatched", err)
	}
	_, err := s.Read(context.Background(), w.Key)
	isFault(t, err, fault.NotFound)
}

func unlessSeveral(t *testing.T, s store.Store) {
	commit(t, s, identified(t, "a", "1"))
	commit(t, s, identified(t, "b", "1"))
	q := query(t, "Patient", "identifier=http://hospital.example.org/mrn|1")
	w := identified(t, "c", "1")
	w.Unless = &q
	refused(t, s, fault.Precondition, w)
	commit(t, s, remove("Patient", "a"))
	refused(t, s, fault.Precondition, w)
	commit(t, s, remove("Patient", "b"))
	if r := commit(t, s, w)[0]; !r.Created || r.Version.ID != "c" {
		t.Errorf("got %+v, want c created", r)
	}
}

func claims(t *testing.T, s store.Store) {
	claim := func(w store.Write, values ...string) store.Write { w.Claims = values; return w }
	commit(t, s, claim(identified(t, "a", "1"), "mrn|1", "mrn|2"))
	f := refused(t, s, fault.Conflict, claim(identified(t, "b", "1"), "mrn|0", "mrn|1"))
	if f.Issues[0].Code != "duplicate" {
		t.Errorf("code %q, want duplicate", f.Issues[0].Code)
	}
	_, err := s.Read(context.Background(), store.Key{Type: "Patient", ID: "b"})
	isFault(t, err, fault.NotFound)
	commit(t, s, claim(identified(t, "b", "0"), "mrn|0")) // was not taken by the refused write
	commit(t, s, claim(identified(t, "a", "1"), "mrn|1")) // keeps its own, drops mrn|2
	commit(t, s, claim(identified(t, "c", "2"), "mrn|2")) // so that another may have it
	again := claim(identified(t, "a", "1"), "mrn|1")
	again.Expect = store.Absent
	refused(t, s, fault.Conflict, again)                                                 // a create of what is there
	refused(t, s, fault.Conflict, claim(identified(t, "f", "1"), "mrn|1"))               // does not let go of its identifier
	commit(t, s, claim(Put(t, `{"resourceType":"Device","id":"d","meta":{}}`), "mrn|1")) // claims are per type
	refused(t, s, fault.Conflict, claim(identified(t, "c", "2"), "mrn|2", "mrn|1"))      // an update is checked too
	commit(t, s, claim(identified(t, "d", "x"), "MRN|1", "mrn|1 "))                      // by bytes
	commit(t, s, remove("Patient", "a"))                                                 // a deletion lets go
	commit(t, s, claim(identified(t, "e", "1"), "mrn|1"))                                //
	refused(t, s, fault.Conflict, claim(identified(t, "a", "1"), "mrn|1"))               // bringing back claims anew
	commit(t, s, claim(identified(t, "a", "3"), "mrn|3"))                                //
	found(t, s, query(t, "Patient", "_sort=_id"), "a", "b", "c", "d", "e")
}

func claimRace(t *testing.T, s store.Store) {
	won := 0
	for _, err := range race(20, func(i int) error {
		w := identified(t, fmt.Sprint("p", i), "1")
		w.Claims = []string{"mrn|1"}
		_, err := s.Commit(context.Background(), []store.Write{w}, nil)
		return err
	}) {
		if err == nil {
			won++
			continue
		}
		isFault(t, err, fault.Conflict)
	}
	if won != 1 {
		t.Errorf("%d hold one identifier", won)
	}
}

func allOrNone(t *testing.T, s store.Store) {
	ctx := context.Background()
	commit(t, s, with(patient(t, "old", "before"), store.Facts{}))
	seq, err := s.LastSeq(ctx)
	if err != nil {
		t.Fatal(err)
	}
	bad := patient(t, "old", "x")
	bad.Expect = 9
	d := with(Put(t, `{"resourceType":"Observation","id":"o","meta":{},"status":"final"}`), store.Facts{Entry: entry("o", "d1", "p1", noon, "5")})
	_, err = s.Commit(ctx, []store.Write{patient(t, "new", "new"), patient(t, "old", "after"), d, bad}, []store.AuditRecord{{ID: "r1", At: noon, Action: "C", Outcome: "0"}})
	isFault(t, err, fault.Precondition)
	_, err = s.Read(ctx, store.Key{Type: "Patient", ID: "new"})
	isFault(t, err, fault.NotFound)
	found(t, s, query(t, "Patient", "family=before"), "old")
	found(t, s, query(t, "Patient", "family=after"))
	found(t, s, query(t, "Patient", "family=new"))
	if e, err := s.Entries(ctx, store.EntryQuery{Drain: "d1"}); err != nil || len(e) > 0 {
		t.Errorf("entries %v, %v", e, err)
	}
	if v, err := s.Changes(ctx, seq, 10); err != nil || len(v) > 0 {
		t.Errorf("changes %v, %v", v, err)
	}
	if a, _, err := s.AuditRecords(ctx, store.AuditQuery{Count: 10}); err != nil || len(a) > 0 {
		t.Errorf("audit %v, %v", a, err)
	}
	// Others that wrote at the same time are not touched by one that fails.
	for i, err := range race(20, func(i int) error {
		writes := []store.Write{patient(t, fmt.Sprint("q", i), "q"), patient(t, fmt.Sprint("r", i), "r")}
		if i%2 == 0 {
			writes = append(writes, bad)
		}
		_, err := s.Commit(ctx, writes, nil)
		return err
	}) {
		if (err == nil) == (i%2 == 0) {
			t.Errorf("writer %d: %v", i, err)
		}
	}
	for i := range 20 {
		for _, id := range []string{fmt.Sprint("q", i), fmt.Sprint("r", i)} {
			if _, err := s.Read(ctx, store.Key{Type: "Patient", ID: id}); (err == nil) == (i%2 == 0) {
				t.Errorf("%s: %v", id, err)
			}
		}
	}
}

func seesBefore(t *testing.T, s store.Store) {
	q := query(t, "Patient", "identifier=http://hospital.example.org/mrn|5")
	first, matches, third, last := identified(t, "a", "5"), identified(t, "b", "5"), identified(t, "a", "5"), identified(t, "c", "5")
	first.Unless, matches.Unless, last.Unless = &q, &q, &q
	third.Expect = 1
	if f := refused(t, s, fault.Precondition, first, matches); !errors.Is(f, store.ErrMatched) {
		t.Errorf("two of one condition: %v", f)
	}
	r := commit(t, s, first, third, remove("Patient", "a"), identified(t, "a", "6"), last)
	if !r[0].Created || r[1].Version.Number != 2 || !r[2].Version.Deleted() || r[3].Version.Number != 4 || !r[3].Created || !r[4].Created {
		t.Errorf("results %+v", r)
	}
	if !r[0].Version.At.Equal(r[4].Version.At) && r[4].Version.At.Before(r[0].Version.At) {
		t.Error("time falls within a commit")
	}
	found(t, s, query(t, "Patient", "_sort=_id"), "a", "c")
}

func twoWriters(t *testing.T, s store.Store) {
	const each, ids = 60, 7
	for _, err := range race(2, func(n int) error {
		for i := range each {
			if _, err := s.Commit(context.Background(), []store.Write{patient(t, fmt.Sprint("p", i%ids), fmt.Sprint("w", n, "-", i))}, nil); err != nil {
				return err
			}
		}
		return nil
	}) {
		if err != nil {
			t.Fatal(err)
		}
	}
	total := 0
	for i := range ids {
		h, err := s.History(context.Background(), store.HistoryQuery{Type: "Patient", ID: fmt.Sprint("p", i), Count: store.MaxPage})
		if err != nil {
			t.Fatal(err)
		}
		for n, v := range h.Versions {
			if v.Number != int64(len(h.Versions)-n) {
				t.Errorf("p%d has version %d at place %d of %d", i, v.Number, n, len(h.Versions))
			}
		}
		total += len(h.Versions)
	}
	if total != 2*each {
		t.Errorf("%d versions of %d writes", total, 2*each)
	}
}

func bytesKept(t *testing.T, s store.Store) {
	for i, value := range []string{"1.50", "0.0", "1e2", "1E-3", "100.000000", "12345678901234567890.123456789", "-0.10"} {
		id := fmt.Sprint("o", i)
		r := reading{id: id, patient: "p1", at: stamp(i), value: value, more: `,"_status":{"extension":[{"url":"http://x.example.org/é","valueString":"\u2028 \"tab\t"}]},"note":[{"text":"日本 𝄞 \u0000"}]`}
		w := r.write(t)
		commit(t, s, w)
		v, err := s.Read(context.Background(), w.Key)
		if err != nil {
			t.Fatal(err)
		}
		if string(v.Body.JSON) != string(w.Body.JSON) {
			t.Errorf("stored %s\nread   %s", w.Body.JSON, v.Body.JSON)
		}
	}
}

func idsByByte(t *testing.T, s store.Store) {
	ids := []string{"-", ".", "0", "10", "9", "A", "AA", "Z", "a", "aA", "aa", "b", strings.Repeat("x", 64)}
	for i := range ids {
		commit(t, s, patient(t, ids[(i*7)%len(ids)], ids[(i*7)%len(ids)]))
	}
	found(t, s, query(t, "Patient", "_sort=_id"), ids...)
	for _, id := range ids {
		v, err := s.Read(context.Background(), store.Key{Type: "Patient", ID: id})
		if err != nil || v.ID != id || !strings.Contains(string(v.Body.JSON), fmt.Sprintf("%q", id)) {
			t.Errorf("%s: %v %v", id, v.ID, err)
		}
	}
	_, err := s.Read(context.Background(), store.Key{Type: "patient", ID: "a"})
	isFault(t, err, fault.NotFound)
	found(t, s, query(t, "Patient", "_id=aa,A", "_sort=_id"), "A", "aa")
}

func largest(t *testing.T, s store.Store) {
	head, tail := `{"resourceType":"Patient","id":"big","meta":{},"text":{"status":"generated","div":"`, `"}}`
	json := head + strings.Repeat("x", store.MaxResource-len(head)-len(tail)) + tail
	w := Put(t, json)
	commit(t, s, w)
	v, err := s.Read(context.Background(), w.Key)
	if err != nil || string(v.Body.JSON) != json {
		t.Fatalf("read %d bytes of %d, %v", len(v.Body.JSON), len(json), err)
	}
	w.Body.JSON = append([]byte(json), ' ')
	refused(t, s, fault.TooLarge, w)
	if v, err := s.Read(context.Background(), w.Key); err != nil || v.Number != 1 {
		t.Errorf("version %d, %v", v.Number, err)
	}
}

func cancelled(t *testing.T, s store.Store) {
	commit(t, s, patient(t, "p1", "Ahlgren"))
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	late, stop := context.WithDeadline(context.Background(), time.Now().Add(-time.Second))
	defer stop()
	q := query(t, "Patient")
	for name, f := range map[string]func(context.Context) error{
		"Commit": func(ctx context.Context) error {
			_, err := s.Commit(ctx, []store.Write{patient(t, "p2", "x")}, nil)
			return err
		},
		"Read": func(ctx context.Context) error {
			_, err := s.Read(ctx, store.Key{Type: "Patient", ID: "p1"})
			return err
		},
		"ReadVersion": func(ctx context.Context) error {
			_, err := s.ReadVersion(ctx, store.Key{Type: "Patient", ID: "p1"}, 1)
			return err
		},
		"Search":  func(ctx context.Context) error { _, err := s.Search(ctx, q); return err },
		"Count":   func(ctx context.Context) error { _, err := s.Count(ctx, q, 0); return err },
		"History": func(ctx context.Context) error { _, err := s.History(ctx, store.HistoryQuery{Count: 10}); return err },
		"Changes": func(ctx context.Context) error { _, err := s.Changes(ctx, 0, 10); return err },
		"Scan":    func(ctx context.Context) error { _, err := s.Scan(ctx, "Patient", 0, 1, 10); return err },
		"LastSeq": func(ctx context.Context) error { _, err := s.LastSeq(ctx); return err },
		"Entries": func(ctx context.Context) error { _, err := s.Entries(ctx, store.EntryQuery{Drain: "d"}); return err },
		"Drains": func(ctx context.Context) error {
			_, err := s.Drains(ctx, store.DrainQuery{Places: []string{"w"}})
			return err
		},
		"PlacesWithin": func(ctx context.Context) error { _, err := s.PlacesWithin(ctx, "w"); return err },
		"Audit":        func(ctx context.Context) error { return s.Audit(ctx, []store.AuditRecord{{ID: "x", At: noon}}) },
		"AuditRecords": func(ctx context.Context) error {
			_, _, err := s.AuditRecords(ctx, store.AuditQuery{Count: 1})
			return err
		},
		"State":    func(ctx context.Context) error { _, _, err := s.State(ctx, "x"); return err },
		"SetState": func(ctx context.Context) error { _, err := s.SetState(ctx, "x", []byte("1"), 0); return err },
		"Ping":     func(ctx context.Context) error { return s.Ping(ctx) },
	} {
		if err := f(ctx); !errors.Is(err, context.Canceled) {
			t.Errorf("%s with a cancelled context: %v", name, err)
		}
		if err := f(late); !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("%s after its deadline: %v", name, err)
		}
	}
	found(t, s, q, "p1")
	if _, rev, err := s.State(context.Background(), "x"); rev != 0 || err != nil {
		t.Errorf("state was set: %d, %v", rev, err)
	}
}

// cancelledBusy cancels writers at random points: each is told either that
// nothing happened or what did.
func cancelledBusy(t *testing.T, s store.Store) {
	var acknowledged atomic.Int64
	outcome := race(60, func(i int) error {
		ctx, cancel := context.WithTimeout(context.Background(), time.Duration(i%20)*200*time.Microsecond)
		defer cancel()
		_, err := s.Commit(ctx, []store.Write{patient(t, fmt.Sprint("p", i), "x")}, nil)
		if err == nil {
			acknowledged.Add(1)
		}
		return err
	})
	for i, err := range outcome {
		if err != nil && !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("writer %d: %v", i, err)
		}
		_, rerr := s.Read(context.Background(), store.Key{Type: "Patient", ID: fmt.Sprint("p", i)})
		if err == nil && rerr != nil {
			t.Errorf("writer %d was acknowledged, but: %v", i, rerr)
		}
	}
	n, err := s.Count(context.Background(), search.Query{Type: "Patient", Count: 1}, 0)
	if err != nil || n < int(acknowledged.Load()) {
		t.Errorf("%d resources, %d acknowledged, %v", n, acknowledged.Load(), err)
	}
}
