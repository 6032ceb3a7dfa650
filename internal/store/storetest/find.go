package storetest

import (
	"context"
	"fmt"
	"slices"
	"testing"
	"time"

	"tidemark/internal/fault"
	"tidemark/internal/search"
	"tidemark/internal/store"
)

var searchTests = []test{
	{name: "search by keys", run: byKeys},
	{name: "search by dates", run: byDates},
	{name: "search by numbers and strings", run: byNumbers},
	{name: "search follows updates", run: followsUpdates},
	{name: "search within rights", run: withinRights},
	{name: "sort and ties", run: sorts},
	{name: "last updated", run: lastUpdated},
	{name: "count stops at its limit", run: countLimit},
	{name: "cursors of others", run: foreignCursors},
	{name: "paging while writing", run: pagingWhileWriting},
	{name: "a sort that is too costly", slow: true, needs: Bulk, run: tooCostly},
}

func byKeys(t *testing.T, s store.Store) {
	commitEach(t, s,
		reading{id: "a", patient: "p1", device: "d1", at: stamp(0), value: "10"}.write(t),
		reading{id: "b", patient: "p1", device: "d2", at: stamp(1), value: "20", code: "9179-3"}.write(t),
		reading{id: "c", patient: "p2", device: "d3", at: stamp(2), value: "30"}.write(t),
		reading{id: "d", patient: "p1", device: "d1", at: stamp(3), value: "40", status: "amended"}.write(t),
		patient(t, "p1", "Ahlgren"),
		Put(t, `{"resourceType":"Device","id":"d1","meta":{},"patient":{"reference":"Patient/p1"},"status":"active"}`))
	found(t, s, query(t, "Observation"), "a", "b", "c", "d")
	found(t, s, query(t, "Observation", "patient=p1"), "a", "b", "d")
	found(t, s, query(t, "Observation", "subject=Patient/p1", "device=Device/d1"), "a", "d")
	found(t, s, query(t, "Observation", "device=d1,d3"), "a", "c", "d")
	found(t, s, query(t, "Observation", "code=9203-1", "patient=p1"), "a", "d")
	found(t, s, query(t, "Observation", "code=http://loinc.org|9203-1,http://loinc.org|9179-3", "status=final"), "a", "b", "c")
	found(t, s, query(t, "Observation", "status:not=final"), "d")
	found(t, s, query(t, "Observation", "patient=p1", "status:not=final"), "d")
	found(t, s, query(t, "Observation", "patient=none"))
	found(t, s, query(t, "Observation", "_id=c,a,zz"), "a", "c")
	found(t, s, query(t, "Observation", "_id=c,a", "patient=p1"), "a")
	found(t, s, query(t, "Observation", "device:missing=true"))
	found(t, s, query(t, "Device", "patient=p1"), "d1")
	found(t, s, query(t, "Encounter", "patient=p1"))
}

func byDates(t *testing.T, s store.Store) {
	obs := func(id, at string) store.Write { return reading{id: id, patient: "p1", at: at}.write(t) }
	commitEach(t, s,
		obs("d1", "2026-03-01T12:00:00Z"), obs("d2", "2026-03-01T12:00:00.500Z"), obs("d3", "2026-03-01T13:00:00+01:00"),
		obs("d4", "2026-03-01"), obs("d5", "2026"), obs("d6", "2026-03-02T00:00:00Z"), obs("d7", ""),
		Put(t, `{"resourceType":"Encounter","id":"e1","meta":{},"status":"finished","period":{"start":"2025-01-01T00:00:00Z","end":"2026-02-01T00:00:00Z"}}`),
		Put(t, `{"resourceType":"Encounter","id":"e2","meta":{},"status":"in-progress","period":{"start":"2025-06-01T00:00:00Z"}}`),
		Put(t, `{"resourceType":"Encounter","id":"e3","meta":{},"status":"finished","period":{"end":"2025-03-01T00:00:00Z"}}`))
	asc := "_sort=date"
	found(t, s, query(t, "Observation", asc), "d5", "d4", "d1", "d3", "d2", "d6", "d7")
	found(t, s, query(t, "Observation", "_sort=-date"), "d6", "d2", "d1", "d3", "d4", "d5", "d7")
	found(t, s, query(t, "Observation", asc, "date=2026-03-01"), "d4", "d1", "d3", "d2")
	found(t, s, query(t, "Observation", asc, "date=ge2026-03-01"), "d5", "d4", "d1", "d3", "d2", "d6")
	found(t, s, query(t, "Observation", asc, "date=gt2026-03-01"), "d5", "d6")
	found(t, s, query(t, "Observation", asc, "date=sa2026-03-01"), "d6")
	found(t, s, query(t, "Observation", asc, "date=lt2026-03-01T12:00:00Z"), "d5", "d4")
	found(t, s, query(t, "Observation", "_sort=-date", "date=ge2026-03-01T12:00:00Z", "date=lt2026-03-02", "patient=p1"), "d2", "d1", "d3", "d4", "d5")
	found(t, s, query(t, "Encounter", "_sort=date", "date=ge2026-01-15"), "e1", "e2")
	found(t, s, query(t, "Encounter", "_sort=date", "date=ge2026-02-02"), "e2")
	found(t, s, query(t, "Encounter", "date=lt2025-01-01"), "e3")
}

func byNumbers(t *testing.T, s store.Store) {
	val := func(id, v string) store.Write { return reading{id: id, patient: "p1", at: stamp(0), value: v}.write(t) }
	commitEach(t, s, val("v1", "0"), val("v2", "0.1"), val("v3", "30"), val("v4", "30.5"), val("v5", "1000"),
		reading{id: "v6", patient: "p1", at: stamp(0), more: `,"valueQuantity":{"value":1.5,"system":"http://unitsofmeasure.org","code":"L"}`}.write(t),
		reading{id: "v7", patient: "p1", at: stamp(0), more: `,"valueQuantity":{"value":5,"comparator":"<","system":"http://unitsofmeasure.org","code":"mL"}`}.write(t))
	unit := "|http://unitsofmeasure.org|mL"
	found(t, s, query(t, "Observation", "value-quantity=ge1000"+unit), "v5", "v6")
	found(t, s, query(t, "Observation", "value-quantity=gt30"+unit), "v4", "v5", "v6")
	found(t, s, query(t, "Observation", "value-quantity=0.1"+unit), "v2")
	found(t, s, query(t, "Observation", "value-quantity=lt0.1"+unit, "_id=v1,v2,v3"), "v1")
	for i, name := range []string{"Ahlgren", "ähnlich", "AHLBERG", "Berg", "ahl", "\U0010FFFFx"} {
		commit(t, s, patient(t, fmt.Sprint("p", i), name))
	}
	found(t, s, query(t, "Patient", "family=ahl"), "p0", "p2", "p4")
	found(t, s, query(t, "Patient", "family=AH"), "p0", "p1", "p2", "p4")
	found(t, s, query(t, "Patient", "family:exact=ahl"), "p4")
	found(t, s, query(t, "Patient", "family:contains=BERG"), "p2", "p3")
	found(t, s, query(t, "Patient", "_sort=family", "family=ahl"), "p4", "p2", "p0")
	found(t, s, query(t, "Patient", "_sort=-family", "family=ahl"), "p0", "p2", "p4")
}

func followsUpdates(t *testing.T, s store.Store) {
	commitEach(t, s, reading{id: "a", patient: "p1", at: stamp(0), value: "10"}.write(t), reading{id: "b", patient: "p1", at: stamp(5), value: "20"}.write(t))
	// Another patient, another time, another value: nothing of the old stays.
	commit(t, s, reading{id: "a", patient: "p2", at: stamp(10), value: "15", status: "corrected"}.write(t))
	found(t, s, query(t, "Observation", "patient=p1"), "b")
	found(t, s, query(t, "Observation", "patient=p2"), "a")
	found(t, s, query(t, "Observation", "_sort=date"), "b", "a")
	found(t, s, query(t, "Observation", "status=final"), "b")
	found(t, s, query(t, "Observation", "value-quantity=10|http://unitsofmeasure.org|mL"))
	found(t, s, query(t, "Observation", "value-quantity=15|http://unitsofmeasure.org|mL"), "a")
	commit(t, s, reading{id: "a", patient: "p2", at: stamp(10), value: "15", status: "corrected"}.write(t)) // the same again
	found(t, s, query(t, "Observation", "patient=p2", "status=corrected"), "a")
	commit(t, s, remove("Observation", "a"))
	found(t, s, query(t, "Observation", "patient=p2"))
	found(t, s, query(t, "Observation"), "b")
}

// where gives the clauses of a search, as rights have them.
func where(tb testing.TB, typ string, params ...string) []search.Clause {
	return query(tb, typ, params...).Where
}

func withinRights(t *testing.T, s store.Store) {
	for i := range 12 {
		commit(t, s, reading{id: fmt.Sprintf("o%02d", i), patient: fmt.Sprint("p", i%3), at: stamp(i), value: "1", code: []string{"9203-1", "9179-3"}[i%2]}.write(t))
	}
	q := query(t, "Observation")
	q.Within = [][]search.Clause{where(t, "Observation", "patient=p1")}
	found(t, s, q, "o01", "o04", "o07", "o10")
	q.Within = append(q.Within, where(t, "Observation", "patient=p2", "code=9203-1"))
	found(t, s, q, "o01", "o02", "o04", "o07", "o08", "o10")
	q.Where = where(t, "Observation", "code=9203-1")
	found(t, s, q, "o02", "o04", "o08", "o10")
	q.Sort = []search.SortKey{{Param: "date", Desc: true}}
	found(t, s, q, "o10", "o08", "o04", "o02")
	q.Where, q.Within = nil, [][]search.Clause{where(t, "Observation", "patient=nobody")}
	found(t, s, q)
	q.Within = [][]search.Clause{where(t, "Observation", "status:not=final"), where(t, "Observation", "_id=o03")}
	found(t, s, q, "o03")
}

func sorts(t *testing.T, s store.Store) {
	// Written in another order than that of ids; c and a share a date, so do e and b.
	commitEach(t, s,
		reading{id: "c", patient: "p1", at: stamp(5), value: "2"}.write(t), reading{id: "a", patient: "p1", at: stamp(5), value: "10"}.write(t),
		reading{id: "e", patient: "p1", at: stamp(1), value: "2"}.write(t), reading{id: "b", patient: "p1", at: stamp(1), status: "amended"}.write(t),
		reading{id: "d", patient: "p1", value: "1"}.write(t))
	for sort, want := range map[string][]string{
		"date":         {"e", "b", "c", "a", "d"},
		"-date":        {"c", "a", "e", "b", "d"},
		"_id":          {"a", "b", "c", "d", "e"},
		"-_id":         {"e", "d", "c", "b", "a"},
		"status,-_id":  {"b", "e", "d", "c", "a"},
		"status":       {"b", "c", "a", "e", "d"},
		"-status":      {"c", "a", "e", "d", "b"},
		"-date,_id":    {"a", "c", "b", "e", "d"},
		"status,-date": {"b", "c", "a", "e", "d"},
	} {
		t.Run(sort, func(t *testing.T) {
			found(t, s, query(t, "Observation", "_sort="+sort), want...)
			found(t, s, query(t, "Observation", "_sort="+sort, "patient=p1"), want...)
		})
	}
	t.Run("value-quantity", func(t *testing.T) {
		found(t, s, query(t, "Observation", "_sort=value-quantity"), "d", "c", "e", "a", "b")
		found(t, s, query(t, "Observation", "_sort=-value-quantity"), "a", "c", "e", "d", "b")
	})
	// Without _sort: by the date of the type, then in the order of creation.
	found(t, s, query(t, "Observation", "patient=p1"), "e", "b", "c", "a", "d")
	for _, id := range []string{"z", "y", "x"} {
		commit(t, s, patient(t, id, id))
	}
	commit(t, s, patient(t, "z", "changed"))
	found(t, s, query(t, "Patient"), "z", "y", "x")
}

func lastUpdated(t *testing.T, s store.Store) {
	at := map[string]time.Time{}
	for _, id := range []string{"a", "b", "c", "d"} {
		at[id] = commit(t, s, patient(t, id, id))[0].Version.At
		time.Sleep(3 * time.Millisecond)
	}
	at["b"] = commit(t, s, patient(t, "b", "again"))[0].Version.At
	if !at["b"].After(at["d"]) {
		t.Fatalf("times do not grow: %v", at)
	}
	text := func(t time.Time) string { return t.Format("2006-01-02T15:04:05.000Z") }
	found(t, s, query(t, "Patient", "_sort=_lastUpdated"), "a", "c", "d", "b")
	found(t, s, query(t, "Patient", "_sort=-_lastUpdated"), "b", "d", "c", "a")
	found(t, s, query(t, "Patient", "_sort=_lastUpdated", "_lastUpdated=ge"+text(at["c"])), "c", "d", "b")
	found(t, s, query(t, "Patient", "_sort=-_lastUpdated", "_lastUpdated=gt"+text(at["c"])), "b", "d")
	found(t, s, query(t, "Patient", "_sort=_lastUpdated", "_lastUpdated=lt"+text(at["d"])), "a", "c")
	found(t, s, query(t, "Patient", "_lastUpdated="+text(at["d"])), "d")
	found(t, s, query(t, "Patient", "_lastUpdated=ge"+text(at["c"]), "_lastUpdated=le"+text(at["d"])), "c", "d")
}

func countLimit(t *testing.T, s store.Store) {
	for i := range 9 {
		commit(t, s, reading{id: fmt.Sprint("o", i), patient: "p1", at: stamp(i), status: []string{"final", "amended"}[i%2]}.write(t))
	}
	for _, c := range []struct {
		q           search.Query
		limit, want int
	}{
		{query(t, "Observation"), 0, 9}, {query(t, "Observation"), 5, 6}, {query(t, "Observation"), 8, 9}, {query(t, "Observation"), 9, 9}, {query(t, "Observation"), 100, 9},
		{query(t, "Observation", "patient=p1", "status=final"), 0, 5}, {query(t, "Observation", "patient=p1", "status=final"), 2, 3},
		{query(t, "Observation", "status:not=final"), 2, 3}, {query(t, "Observation", "status:not=final"), 0, 4}, {query(t, "Observation", "patient=none"), 5, 0},
	} {
		if n, err := s.Count(context.Background(), c.q, c.limit); err != nil || n != c.want {
			t.Errorf("%+v limit %d: %d, %v; want %d", c.q.Where, c.limit, n, err, c.want)
		}
	}
}

func foreignCursors(t *testing.T, s store.Store) {
	ctx := context.Background()
	for i := range 6 {
		commit(t, s, reading{id: fmt.Sprint("o", i), patient: "p1", at: stamp(i)}.write(t), patient(t, fmt.Sprint("p", i), "x"))
	}
	q := query(t, "Observation", "patient=p1", "_count=2")
	p, err := s.Search(ctx, q)
	if err != nil || p.Next == "" {
		t.Fatalf("%+v, %v", p, err)
	}
	rights := q
	rights.Within = [][]search.Clause{where(t, "Observation", "patient=p1")}
	for _, other := range []search.Query{query(t, "Observation", "_count=2"), query(t, "Patient", "_count=2"),
		query(t, "Observation", "patient=p2", "_count=2"), query(t, "Observation", "patient=p1", "_count=2", "_sort=-date"), rights} {
		other.Cursor = p.Next
		_, err := s.Search(ctx, other)
		isFault(t, err, fault.Invalid)
	}
	for _, text := range []string{"x", "!", p.Next + "A", p.Next[:len(p.Next)-2], "AAAAAAAAAAAAAAAAAAAA"} {
		forged := q
		forged.Cursor = text
		_, err := s.Search(ctx, forged)
		isFault(t, err, fault.Invalid)
		_, err = s.History(ctx, store.HistoryQuery{Count: 2, Cursor: text})
		isFault(t, err, fault.Invalid)
		_, _, err = s.AuditRecords(ctx, store.AuditQuery{Count: 2, Cursor: text})
		isFault(t, err, fault.Invalid)
	}
	h, err := s.History(ctx, store.HistoryQuery{Count: 2})
	if err != nil || h.Next == "" {
		t.Fatal(h, err)
	}
	_, err = s.History(ctx, store.HistoryQuery{Type: "Patient", Count: 2, Cursor: h.Next})
	isFault(t, err, fault.Invalid)
	q.Cursor, q.Count = p.Next, 4 // the size of a page may change
	if p, err = s.Search(ctx, q); err != nil || len(p.Matches) != 4 || p.Matches[0].ID != "o2" {
		t.Errorf("%+v, %v", p, err)
	}
}

// pagingWhileWriting walks pages in several orders while resources are
// created, moved in every order, deleted and brought back. What matches
// throughout is seen exactly once.
func pagingWhileWriting(t *testing.T, s store.Store) {
	ctx := context.Background()
	const n = 60
	steady := map[string]bool{}
	for i := range n {
		id := fmt.Sprintf("o%02d", (i*37)%n)
		commit(t, s, reading{id: id, patient: "p1", at: stamp(i), value: fmt.Sprint(i), status: "final"}.write(t))
		steady[id] = true
	}
	for _, sort := range []string{"", "date", "-date", "_id", "-_id", "_lastUpdated", "-_lastUpdated", "value-quantity", "-status,date"} {
		t.Run("by "+or(sort, "default"), func(t *testing.T) {
			q := query(t, "Observation", "patient=p1", "_count=7")
			if sort != "" {
				q = query(t, "Observation", "patient=p1", "_count=7", "_sort="+sort)
			}
			seen := map[string]int{}
			for round := 0; ; round++ {
				p, err := s.Search(ctx, q)
				if err != nil {
					t.Fatal(err)
				}
				for _, v := range p.Matches {
					seen[v.ID]++
				}
				if q.Cursor = p.Next; q.Cursor == "" {
					break
				}
				// Between pages: move some to the front, some to the end, in every order at once.
				for i := range 6 {
					id := fmt.Sprintf("o%02d", (round*11+i*17)%n)
					shift := 500
					if i%2 == 0 {
						shift = -500
					}
					commit(t, s, reading{id: id, patient: "p1", at: stamp(shift + round), value: fmt.Sprint(1000 + shift - round), status: []string{"final", "amended"}[i%2]}.write(t))
				}
				// One leaves and comes back, one leaves, one is new.
				commit(t, s, reading{id: fmt.Sprintf("new-%s-%d", sort[min(1, len(sort)):min(3, len(sort))], round), patient: "p1", at: stamp(round), value: "3"}.write(t))
				if round == 1 {
					commit(t, s, remove("Observation", "o05"))
				}
				if round == 3 {
					commit(t, s, reading{id: "o05", patient: "p1", at: stamp(3), value: "5"}.write(t))
				}
			}
			for id := range steady {
				if id != "o05" && seen[id] != 1 {
					t.Errorf("%s was seen %d times", id, seen[id])
				}
			}
			for id, k := range seen {
				if k > 1 {
					t.Errorf("%s was seen %d times", id, k)
				}
			}
		})
	}
}

func tooCostly(t *testing.T, s store.Store) {
	for i := 0; i <= store.MaxSort; i += 250 {
		writes := make([]store.Write, 0, 250)
		for k := i; k < i+250 && k <= store.MaxSort; k++ {
			writes = append(writes, Put(t, fmt.Sprintf(`{"resourceType":"Location","id":"l%d","meta":{},"name":"x"}`, k)))
		}
		commit(t, s, writes...)
	}
	_, err := s.Search(context.Background(), query(t, "Location", "_sort=name"))
	if f := isFault(t, err, fault.Invalid); f.Issues[0].Code != "too-costly" {
		t.Errorf("code %q", f.Issues[0].Code)
	}
	for _, sort := range []string{"_id", "-_lastUpdated", "_lastUpdated"} { // walk an index
		p, err := s.Search(context.Background(), query(t, "Location", "_sort="+sort))
		if err != nil || len(p.Matches) != search.DefaultCount {
			t.Errorf("%s: %d, %v", sort, len(p.Matches), err)
		}
	}
	commit(t, s, remove("Location", "l5"))
	p, err := s.Search(context.Background(), query(t, "Location", "_sort=name", "_count=3"))
	if err != nil {
		t.Fatal(err)
	}
	var ids []string
	for _, v := range p.Matches {
		ids = append(ids, v.ID)
	}
	if !slices.Equal(ids, []string{"l0", "l1", "l2"}) {
		t.Errorf("got %v", ids)
	}
}
