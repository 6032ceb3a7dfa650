package storetest

import (
	"bytes"
	"context"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"tidemark/internal/drain"
	"tidemark/internal/fault"
	"tidemark/internal/search"
	"tidemark/internal/store"
)

var eraseTests = []test{
	{name: "erase whole resources", run: eraseWhole},
	{name: "erase single versions", run: eraseVersions},
	{name: "erase refuses what is current", run: eraseLiving},
	{name: "erase between writers", run: eraseRace},
}

func audited(id, entity, patient, query string) store.AuditRecord {
	return store.AuditRecord{ID: id, At: time.Unix(1_700_000_000, 0).UTC(), Action: "R", Interaction: "read", Outcome: "0", Agent: "Practitioner/n", Entity: entity, Patient: patient, Query: query}
}

// erasable is a patient with an identifier, an entry and some past, and another
// beside him.
func erasable(t *testing.T, s store.Store) {
	t.Helper()
	ctx := context.Background()
	p := patient(t, "gone", "Quillfeather")
	p.Claims = []string{"urn:mrn|7"}
	commit(t, s, p)
	p = patient(t, "gone", "Quillfeather-Moss")
	p.Claims = []string{"urn:mrn|7"}
	commit(t, s, p)
	commit(t, s, patient(t, "stays", "Other"))
	e := Put(t, `{"resourceType":"Observation","id":"e","meta":{},"status":"final","code":{"text":"Quillfeather's drain"},"subject":{"reference":"Patient/gone"}}`)
	e.Facts.Entry = &drain.Entry{ID: "e", Drain: "d", Patient: "gone", At: time.Unix(1_700_000_000, 0).UTC(), Kind: drain.Emptying}
	commit(t, s, e)
	if err := s.Audit(ctx, []store.AuditRecord{
		audited("a1", "", "", "family=quillfeather&birthdate=1950"), audited("a2", "Patient/gone/_history/1", "", "_elements=name"),
		audited("a3", "", "gone", "subject=Patient%2Fgone"), audited("a4", "", "", "family=Other"),
	}); err != nil {
		t.Fatal(err)
	}
}

func eraseGone(t *testing.T, s store.Store) []store.Result {
	t.Helper()
	rs, err := s.Erase(context.Background(), store.Erasure{
		Writes: []store.Write{remove("Observation", "e"), remove("Patient", "gone")},
		Whole:  []store.Key{{Type: "Observation", ID: "e"}, {Type: "Patient", ID: "gone"}}, Patients: []string{"gone"}, Words: []string{"Quillfeather"},
	}, []store.AuditRecord{audited("by", "Patient/gone", "gone", "")})
	if err != nil {
		t.Fatal(err)
	}
	return rs
}

func eraseWhole(t *testing.T, s store.Store) {
	ctx := context.Background()
	erasable(t, s)
	before, err := s.Changes(ctx, 0, 100)
	if err != nil {
		t.Fatal(err)
	}
	rs := eraseGone(t, s)
	if len(rs) != 2 || !rs[1].Version.Deleted() || rs[1].Version.Number != 3 {
		t.Fatalf("the deletions: %+v", rs)
	}
	check := func() {
		t.Helper()
		v, err := s.Read(ctx, store.Key{Type: "Patient", ID: "gone"})
		if err != nil || !v.Deleted() || !v.Erased || v.Number != 3 {
			t.Errorf("read: %+v, %v", v, err)
		}
		for n := int64(1); n <= 3; n++ {
			if v, err := s.ReadVersion(ctx, store.Key{Type: "Patient", ID: "gone"}, n); err != nil || !v.Erased || !v.Deleted() || len(v.Body.JSON) > 0 {
				t.Errorf("version %d: %+v, %v", n, v, err)
			}
		}
		versionsAre(t, s, store.HistoryQuery{Type: "Patient", ID: "gone"}, "Patient/gone/3", "Patient/gone/2", "Patient/gone/1")
		versionsAre(t, s, store.HistoryQuery{Type: "Patient", Within: [][]search.Clause{{search.InCompartment("Patient", "gone")}}})
		after, err := s.Changes(ctx, 0, 100)
		if err != nil || len(after) != len(before)+2 {
			t.Fatalf("the feed has %d versions, had %d: %v", len(after), len(before), err)
		}
		for i, b := range before {
			a := after[i]
			if a.Seq != b.Seq || a.Key != b.Key || a.Number != b.Number || !a.At.Equal(b.At) {
				t.Errorf("place %d of the feed: %v, was %v", i, a, b)
			}
			if kept := b.ID == "stays"; kept == a.Erased || kept != bytes.Equal(a.Body.JSON, b.Body.JSON) {
				t.Errorf("%s/%d: erased %v", a.Key, a.Number, a.Erased)
			}
		}
		if es, err := s.Entries(ctx, store.EntryQuery{Patient: "gone"}); err != nil || len(es) > 0 {
			t.Errorf("entries: %v, %v", es, err)
		}
		if es, err := s.Entries(ctx, store.EntryQuery{Drain: "d"}); err != nil || len(es) > 0 {
			t.Errorf("entries of the drain: %v, %v", es, err)
		}
		texts := map[string]string{}
		rec, _, err := s.AuditRecords(ctx, store.AuditQuery{Count: 100})
		if err != nil {
			t.Fatal(err)
		}
		for _, r := range rec {
			texts[r.ID] = r.Query
			if r.Agent != "Practitioner/n" {
				t.Errorf("%s is by %q", r.ID, r.Agent)
			}
		}
		if len(texts) != 5 || texts["a1"]+texts["a2"]+texts["a3"] != "" || texts["a4"] != "family=Other" {
			t.Errorf("the audit says %v", texts)
		}
	}
	check()
	// What was erased may be erased again, and its identifier is free.
	if _, err := s.Erase(ctx, store.Erasure{Whole: []store.Key{{Type: "Patient", ID: "gone"}}, Words: []string{"Quillfeather"}}, nil); err != nil {
		t.Fatal(err)
	}
	check()
	p := patient(t, "stays", "Other")
	p.Claims = []string{"urn:mrn|7"}
	commit(t, s, p)
	// Where it is brought back, the past stays as it is.
	if rs := commit(t, s, patient(t, "gone", "New")); rs[0].Version.Number != 4 {
		t.Errorf("brought back as version %d", rs[0].Version.Number)
	}
	versionsAre(t, s, store.HistoryQuery{Type: "Patient", ID: "gone"}, "Patient/gone/4", "Patient/gone/3", "Patient/gone/2", "Patient/gone/1")
}

func eraseVersions(t *testing.T, s store.Store) {
	ctx := context.Background()
	for i := range 4 {
		commit(t, s, Put(t, fmt.Sprintf(`{"resourceType":"Observation","id":"o","meta":{},"status":"final","code":{"text":"c%d"},"subject":{"reference":"Patient/p%d"}}`, i, i)))
	}
	key := store.Key{Type: "Observation", ID: "o"}
	if _, err := s.Erase(ctx, store.Erasure{Versions: []store.VersionOf{{Key: key, Number: 1}, {Key: key, Number: 3}}}, nil); err != nil {
		t.Fatal(err)
	}
	for n, want := range []bool{true, false, true, false} {
		if v, err := s.ReadVersion(ctx, key, int64(n+1)); err != nil || v.Erased != want || (len(v.Body.JSON) == 0) != want {
			t.Errorf("version %d: erased %v, %v", n+1, v.Erased, err)
		}
	}
	of := func(p string) []string {
		return historyOf(t, s, store.HistoryQuery{Type: "Observation", Within: [][]search.Clause{{search.InCompartment("Patient", p)}}}, 50)
	}
	for p, want := range map[string][]string{"p0": nil, "p1": {"Observation/o/2"}, "p2": nil, "p3": {"Observation/o/4"}} {
		if got := of(p); !slices.Equal(got, want) {
			t.Errorf("history within %s: %v, want %v", p, got, want)
		}
	}
}

func eraseLiving(t *testing.T, s store.Store) {
	ctx := context.Background()
	erasable(t, s)
	key := store.Key{Type: "Patient", ID: "gone"}
	for _, e := range []store.Erasure{{Whole: []store.Key{key}}, {Versions: []store.VersionOf{{Key: key, Number: 2}}}} {
		if _, err := s.Erase(ctx, e, nil); !fault.Is(err, fault.Conflict) {
			t.Errorf("%+v: %v", e, err)
		}
	}
	w := remove("Patient", "gone")
	w.Expect = 1
	if _, err := s.Erase(ctx, store.Erasure{Writes: []store.Write{w}, Whole: []store.Key{key}}, nil); !fault.Is(err, fault.Precondition) {
		t.Errorf("planned on another version: %v", err)
	}
	if v, err := s.Read(ctx, key); err != nil || v.Number != 2 || !strings.Contains(string(v.Body.JSON), "Moss") {
		t.Errorf("a refused erasure changed it: %+v, %v", v, err)
	}
}

// eraseRace: of an erasure and writers of the same resource one is first, and
// nothing that was written before the erasure is left.
func eraseRace(t *testing.T, s store.Store) {
	ctx := context.Background()
	erasable(t, s)
	done := make(chan error, 1)
	go func() {
		for i := range 20 {
			w := patient(t, "gone", fmt.Sprint("Quillfeather", i))
			w.Expect = store.Exists
			if _, err := s.Commit(ctx, []store.Write{w}, nil); err != nil {
				done <- err
				return
			}
		}
		done <- nil
	}()
	eraseGone(t, s)
	if err := <-done; err != nil && !fault.Is(err, fault.Gone) {
		t.Fatal(err)
	}
	all, err := s.Changes(ctx, 0, 1000)
	if err != nil {
		t.Fatal(err)
	}
	for _, v := range all {
		if v.ID == "gone" && !v.Erased {
			t.Errorf("%s/%d is left", v.Key, v.Number)
		}
	}
}
