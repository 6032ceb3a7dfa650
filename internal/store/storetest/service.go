package storetest

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync/atomic"
	"testing"
	"time"

	"tidemark/internal/fault"
	"tidemark/internal/store"
)

var serviceTests = []test{
	{name: "audit", run: audit},
	{name: "audit by entity and version", run: auditVersions},
	{name: "audit beside writes", run: auditBeside},
	{name: "dropping audit records", run: dropAudit},
	{name: "state", run: state},
	{name: "one of 20 takes a lease", run: lease},
	{name: "use after Close", run: afterClose},
	{name: "reopening", needs: Reopening, run: reopening},
	{name: "two processes", needs: Sharing, run: twoProcesses},
}

func record(i int) store.AuditRecord {
	return store.AuditRecord{ID: fmt.Sprintf("r%02d", i), At: noon.Add(time.Duration(i) * time.Second), Action: []string{"C", "R", "U"}[i%3],
		Interaction: []string{"create", "read", "update"}[i%3], Outcome: []string{"0", "0", "0", "8"}[i%4], Agent: fmt.Sprint("Practitioner/n", i%2),
		Client: "ward app", Address: "192.0.2.1", Entity: fmt.Sprint("Observation/o", i%5), Query: "?x=1", Patient: fmt.Sprint("p", i%3), Detail: "why", Request: fmt.Sprint("req", i)}
}

func auditIDs(tb testing.TB, s store.Store, q store.AuditQuery, want ...int) {
	tb.Helper()
	var ids []string
	for _, i := range want {
		ids = append(ids, fmt.Sprintf("r%02d", i))
	}
	for _, size := range []int{1, 3, 100} {
		q.Count, q.Cursor = size, ""
		var got []string
		for {
			list, next, err := s.AuditRecords(context.Background(), q)
			if err != nil {
				tb.Fatal(err)
			}
			if len(list) > size {
				tb.Fatalf("%d with count %d", len(list), size)
			}
			for _, r := range list {
				got = append(got, r.ID)
			}
			if q.Cursor = next; next == "" {
				break
			}
		}
		if !slices.Equal(got, ids) {
			tb.Errorf("%+v by %d: got %v, want %v", q, size, got, ids)
		}
	}
}

func audit(t *testing.T, s store.Store) {
	ctx := context.Background()
	var all []store.AuditRecord
	for i := range 10 {
		all = append(all, record(i))
	}
	if err := s.Audit(ctx, all[3:]); err != nil {
		t.Fatal(err)
	}
	if err := s.Audit(ctx, all[:3]); err != nil { // older ones come late
		t.Fatal(err)
	}
	if err := s.Audit(ctx, nil); err != nil {
		t.Fatal(err)
	}
	got, next, err := s.AuditRecords(ctx, store.AuditQuery{ID: "r07", Count: 10})
	if err != nil || next != "" {
		t.Fatal(next, err)
	}
	equal(t, "record", got, []store.AuditRecord{all[7]})
	auditIDs(t, s, store.AuditQuery{}, 9, 8, 7, 6, 5, 4, 3, 2, 1, 0)
	auditIDs(t, s, store.AuditQuery{Agent: "Practitioner/n1"}, 9, 7, 5, 3, 1)
	auditIDs(t, s, store.AuditQuery{Patient: "p0"}, 9, 6, 3, 0)
	auditIDs(t, s, store.AuditQuery{Entity: "Observation/o2"}, 7, 2)
	auditIDs(t, s, store.AuditQuery{Entity: "Observation/o"})
	auditIDs(t, s, store.AuditQuery{Action: "C"}, 9, 6, 3, 0)
	auditIDs(t, s, store.AuditQuery{Interaction: "read"}, 7, 4, 1)
	auditIDs(t, s, store.AuditQuery{Outcome: "8"}, 7, 3)
	auditIDs(t, s, store.AuditQuery{Outcome: "0", Patient: "p0"}, 9, 6, 0)
	auditIDs(t, s, store.AuditQuery{Agent: "Practitioner/n1", Action: "R", Outcome: "8"}, 7)
	auditIDs(t, s, store.AuditQuery{From: all[3].At, To: all[6].At}, 5, 4, 3)
	auditIDs(t, s, store.AuditQuery{Patient: "p0", From: all[3].At}, 9, 6, 3)
	auditIDs(t, s, store.AuditQuery{Patient: "nobody"})
	var same []store.AuditRecord
	for i := range 20 {
		r := record(20 + i)
		r.At = noon.Add(time.Hour)
		same = append(same, r)
	}
	for i := range same { // one time for all: the later written is the newer
		if err := s.Audit(ctx, same[i:i+1]); err != nil {
			t.Fatal(err)
		}
	}
	auditIDs(t, s, store.AuditQuery{From: noon.Add(time.Hour), Patient: "p0"}, 39, 36, 33, 30, 27, 24, 21)
}

// auditVersions: an entity stands for its versions too, and for no other whose
// name begins alike.
func auditVersions(t *testing.T, s store.Store) {
	var all []store.AuditRecord
	for i, entity := range []string{"Patient/p", "Patient/p/_history/1", "Patient/p-2", "Patient/p.x/_history/1", "Patient/p/_history/12", "Patient/p0", "Patient/p/_history/2", ""} {
		r := record(i)
		r.Entity = entity
		all = append(all, r)
	}
	if err := s.Audit(context.Background(), all); err != nil {
		t.Fatal(err)
	}
	auditIDs(t, s, store.AuditQuery{Entity: "Patient/p"}, 6, 4, 1, 0)
	auditIDs(t, s, store.AuditQuery{Entity: "Patient/p/_history/1"}, 1)
	auditIDs(t, s, store.AuditQuery{Entity: "Patient/p", From: all[1].At, To: all[6].At}, 4, 1)
	auditIDs(t, s, store.AuditQuery{Entity: "Patient/p", ID: all[4].ID}, 4)
}

func auditBeside(t *testing.T, s store.Store) {
	ctx := context.Background()
	_, err := s.Commit(ctx, []store.Write{patient(t, "p1", "x")}, []store.AuditRecord{record(1), record(2)})
	if err != nil {
		t.Fatal(err)
	}
	auditIDs(t, s, store.AuditQuery{}, 2, 1)
	if _, err := s.Commit(ctx, nil, []store.AuditRecord{record(3)}); err != nil {
		t.Fatal(err)
	}
	auditIDs(t, s, store.AuditQuery{}, 3, 2, 1)
	w := patient(t, "p1", "y")
	w.Expect = 9
	_, err = s.Commit(ctx, []store.Write{w}, []store.AuditRecord{record(4)})
	isFault(t, err, fault.Precondition)
	auditIDs(t, s, store.AuditQuery{}, 3, 2, 1)
}

func dropAudit(t *testing.T, s store.Store) {
	ctx := context.Background()
	for i := range 10 {
		if err := s.Audit(ctx, []store.AuditRecord{record(i)}); err != nil {
			t.Fatal(err)
		}
	}
	if n, err := s.DropAudit(ctx, record(4).At); err != nil || n != 4 {
		t.Errorf("dropped %d, %v; want 4", n, err)
	}
	auditIDs(t, s, store.AuditQuery{}, 9, 8, 7, 6, 5, 4)
	auditIDs(t, s, store.AuditQuery{Entity: "Observation/o2"}, 7)
	if n, err := s.DropAudit(ctx, record(4).At); err != nil || n != 0 {
		t.Errorf("dropped %d again, %v", n, err)
	}
}

func state(t *testing.T, s store.Store) {
	ctx := context.Background()
	get := func(name, want string, rev int64) {
		t.Helper()
		v, r, err := s.State(ctx, name)
		if err != nil || string(v) != want || r != rev {
			t.Errorf("%s is %q at %d, %v; want %q at %d", name, v, r, err, want, rev)
		}
	}
	set := func(name, value string, rev int64) int64 {
		t.Helper()
		next, err := s.SetState(ctx, name, []byte(value), rev)
		if err != nil || next <= rev {
			t.Fatalf("set %s at %d: %d, %v", name, rev, next, err)
		}
		return next
	}
	get("a", "", 0)
	r1 := set("a", "one", 0)
	get("a", "one", r1)
	_, err := s.SetState(ctx, "a", []byte("two"), 0)
	isFault(t, err, fault.Precondition)
	_, err = s.SetState(ctx, "b", []byte("x"), r1)
	isFault(t, err, fault.Precondition)
	r2 := set("a", "two", r1)
	_, err = s.SetState(ctx, "a", nil, r1)
	isFault(t, err, fault.Precondition)
	get("a", "two", r2)
	if _, err := s.SetState(ctx, "a", nil, r2); err != nil {
		t.Fatal(err)
	}
	get("a", "", 0)
	if r3 := set("a", "three", 0); r3 <= r2 {
		t.Errorf("revision %d of a name that had %d", r3, r2)
	}
	for _, name := range []string{"job/2", "job/10", "job/1", "jobs", "Job/1", "jo", "job/é"} {
		set(name, "", 0)
	}
	for prefix, want := range map[string][]string{"job/": {"job/1", "job/10", "job/2", "job/é"}, "": {"Job/1", "a", "jo", "job/1", "job/10", "job/2", "job/é", "jobs"}, "x": {}, "job/1": {"job/1", "job/10"}} {
		got, err := s.States(ctx, prefix)
		if err != nil {
			t.Fatal(err)
		}
		equal(t, "states "+prefix, append([]string{}, got...), want)
	}
	if v, rev, err := s.State(ctx, "jo"); err != nil || rev == 0 || len(v) != 0 {
		t.Errorf("an empty value: %q at %d, %v", v, rev, err)
	}
}

func lease(t *testing.T, s store.Store) {
	var won atomic.Int64
	for _, err := range race(20, func(i int) error {
		_, err := s.SetState(context.Background(), "lease", []byte(fmt.Sprint(i)), 0)
		if err == nil {
			won.Add(1)
		}
		return err
	}) {
		if err != nil {
			isFault(t, err, fault.Precondition)
		}
	}
	if won.Load() != 1 {
		t.Errorf("%d hold the lease", won.Load())
	}
}

func afterClose(t *testing.T, s store.Store) {
	ctx := context.Background()
	commit(t, s, patient(t, "p1", "x"))
	if err := s.Ping(ctx); err != nil {
		t.Fatal(err)
	}
	// Writers that are at it are told what became of their write.
	errs := make(chan error, 30)
	for i := range cap(errs) {
		go func() {
			_, err := s.Commit(ctx, []store.Write{patient(t, fmt.Sprint("q", i), "x")}, nil)
			errs <- err
		}()
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	for range cap(errs) {
		if err := <-errs; err != nil {
			isFault(t, err, fault.Unavailable)
		}
	}
	_, err := s.Commit(ctx, []store.Write{patient(t, "p2", "x")}, nil)
	isFault(t, err, fault.Unavailable)
	_, err = s.Read(ctx, store.Key{Type: "Patient", ID: "p1"})
	isFault(t, err, fault.Unavailable)
	_, err = s.Search(ctx, query(t, "Patient"))
	isFault(t, err, fault.Unavailable)
	isFault(t, s.Ping(ctx), fault.Unavailable)
	if err := s.Close(); err != nil {
		t.Errorf("closing again: %v", err)
	}
}

func reopening(t *testing.T, s store.Store) {
	ctx := context.Background()
	r, ok := s.(Reopener)
	if !ok {
		t.Fatalf("%T is no Reopener", s)
	}
	w := reading{id: "o1", patient: "p1", at: stamp(0), value: "1.50"}.write(t)
	w.Facts.Entry, w.Claims = entry("o1", "d1", "p1", noon, "1.50"), []string{"x|1"}
	first := commit(t, s, w)[0].Version
	commit(t, s, patient(t, "p1", "a"))
	last := commit(t, s, patient(t, "p1", "b"))[0].Version
	rev, err := s.SetState(ctx, "mark", []byte("5"), 0)
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Audit(ctx, []store.AuditRecord{record(1)}); err != nil {
		t.Fatal(err)
	}
	p, err := s.Search(ctx, query(t, "Observation", "_count=1"))
	if err != nil || len(p.Matches) != 1 {
		t.Fatal(p, err)
	}
	s = r.Reopen(t)
	v, err := s.Read(ctx, first.Key)
	if err != nil {
		t.Fatal(err)
	}
	sameVersion(t, v, first)
	found(t, s, query(t, "Observation", "patient=p1"), "o1")
	entryIDs(t, s, store.EntryQuery{Drain: "d1"}, "o1")
	auditIDs(t, s, store.AuditQuery{}, 1)
	if v, r, err := s.State(ctx, "mark"); err != nil || string(v) != "5" || r != rev {
		t.Errorf("state %q at %d, %v", v, r, err)
	}
	if seq, err := s.LastSeq(ctx); err != nil || seq != last.Seq {
		t.Errorf("the feed stands at %d, %v; want %d", seq, err, last.Seq)
	}
	next := commit(t, s, patient(t, "p1", "c"))[0].Version
	if next.Number != 3 || next.Seq <= last.Seq || next.At.Before(last.At) {
		t.Errorf("after reopening %+v follows %+v", next, last)
	}
	other := reading{id: "o2", patient: "p1", at: stamp(0)}.write(t)
	other.Claims = []string{"x|1"}
	refused(t, s, fault.Conflict, other)
	if next, err := s.SetState(ctx, "mark", []byte("6"), rev); err != nil || next <= rev {
		t.Errorf("revision %d after %d, %v", next, rev, err)
	}
}

func twoProcesses(t *testing.T, s store.Store) {
	sh, ok := s.(Sharer)
	if !ok {
		t.Fatalf("%T is no Sharer", s)
	}
	other := sh.Second(t)
	both := []store.Store{s, other}
	commit(t, s, patient(t, "p1", "a"))
	if v, err := other.Read(context.Background(), store.Key{Type: "Patient", ID: "p1"}); err != nil || v.Number != 1 {
		t.Fatalf("the other process reads %+v, %v", v, err)
	}
	won := 0
	for _, err := range race(20, func(i int) error {
		w := patient(t, "p1", fmt.Sprint(i))
		w.Expect = 1
		_, err := both[i%2].Commit(context.Background(), []store.Write{w}, nil)
		return err
	}) {
		if err == nil {
			won++
			continue
		}
		isFault(t, err, fault.Precondition)
	}
	if won != 1 {
		t.Errorf("%d replaced version 1", won)
	}
	q := query(t, "Patient", "identifier=http://hospital.example.org/mrn|77")
	for _, err := range race(20, func(i int) error {
		w := identified(t, fmt.Sprint("x", i), "77")
		w.Expect, w.Unless = store.Absent, &q
		_, err := both[i%2].Commit(context.Background(), []store.Write{w}, nil)
		return err
	}) {
		if err != nil && !errors.Is(err, store.ErrMatched) {
			t.Error(err)
		}
	}
	for _, s := range both {
		if n, err := s.Count(context.Background(), q, 0); err != nil || n != 1 {
			t.Errorf("%d with one identifier, %v", n, err)
		}
	}
}
