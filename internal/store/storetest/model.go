package storetest

import (
	"context"
	"fmt"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"tidemark/internal/fault"
	"tidemark/internal/search"
	"tidemark/internal/store"
)

var modelTests = []test{
	{name: "random operations", run: randomOperations},
}

// model is what a store promises, in the simplest form: all versions in a list.
type model struct {
	feed   []store.Version
	claims map[string]string // value → id, of Observations
}

func (m *model) versions(k store.Key) []store.Version {
	var out []store.Version
	for _, v := range m.feed {
		if v.Key == k {
			out = append(out, v)
		}
	}
	return out
}

// current lists the undeleted resources of a type in the order of creation.
func (m *model) current(typ string) []store.Version {
	var out []store.Version
	for _, v := range m.feed {
		if v.Type != typ || v.Number != 1 {
			continue
		}
		all := m.versions(v.Key)
		if last := all[len(all)-1]; !last.Deleted() {
			out = append(out, last)
		}
	}
	return out
}

// search gives the ids that match in order.
func (m *model) search(t *rapid.T, q search.Query) []string {
	type hit struct {
		id  string
		doc search.Doc
	}
	var hits []hit
	for _, v := range m.current(q.Type) {
		d, err := Extract(context.Background(), v.Body.JSON)
		if err != nil {
			t.Fatal(err)
		}
		d.LastUpdated = v.At
		if q.Match(d) {
			hits = append(hits, hit{v.ID, d})
		}
	}
	if len(q.Sort) == 0 {
		q.Sort = []search.SortKey{{Param: search.PrimaryDate(q.Type)}}
	}
	slices.SortStableFunc(hits, func(a, b hit) int { return q.Order(a.doc, b.doc) })
	ids := []string{}
	for _, h := range hits {
		ids = append(ids, h.id)
	}
	return ids
}

// expected is the kind of refusal of a write, or -1.
func (m *model) expected(w store.Write) fault.Kind {
	all := m.versions(w.Key)
	deleted := len(all) > 0 && all[len(all)-1].Deleted()
	switch {
	case w.Expect == store.Absent && len(all) > 0:
		return fault.Conflict
	case len(all) == 0 && (w.Expect == store.Exists || w.Method == store.Delete && w.Expect <= 0):
		return fault.NotFound
	case w.Expect == store.Exists && deleted:
		return fault.Gone
	case w.Expect > 0 && int(w.Expect) != len(all):
		return fault.Precondition
	}
	if w.Method != store.Delete {
		for _, c := range w.Claims {
			if id, ok := m.claims[c]; ok && id != w.Key.ID {
				return fault.Conflict
			}
		}
	}
	return -1
}

// randomOperations compares a store with the model over random operations.
// The store is not emptied between runs: each run writes ids of its own.
func randomOperations(t *testing.T, s store.Store) {
	ctx := context.Background()
	run := 0
	rapid.Check(t, func(rt *rapid.T) {
		run++
		m := model{claims: map[string]string{}}
		pat := func(i int) string { return fmt.Sprintf("p%d-%d", run, i) }
		start, err := s.LastSeq(ctx)
		if err != nil {
			rt.Fatal(err)
		}
		id := rapid.Custom(func(t *rapid.T) string { return fmt.Sprintf("o%d-%d", run, rapid.IntRange(0, 5).Draw(t, "id")) })
		draw := func(rt *rapid.T) store.Write {
			if rapid.IntRange(0, 3).Draw(rt, "delete") == 0 {
				w := remove("Observation", id.Draw(rt, "id"))
				w.Expect = store.Expect(rapid.IntRange(-2, 3).Draw(rt, "expect"))
				if w.Expect == store.Absent {
					w.Expect = store.Any
				}
				return w
			}
			r := reading{id: id.Draw(rt, "id"), patient: pat(rapid.IntRange(0, 2).Draw(rt, "patient")), device: fmt.Sprintf("d%d-%d", run, rapid.IntRange(0, 1).Draw(rt, "device")),
				code: rapid.SampledFrom([]string{"9203-1", "9179-3"}).Draw(rt, "code"), status: rapid.SampledFrom([]string{"final", "amended"}).Draw(rt, "status"),
				value: rapid.SampledFrom([]string{"0", "1.50", "20", "400"}).Draw(rt, "value")}
			at := rapid.IntRange(0, 4).Draw(rt, "at")
			if at > 0 {
				r.at = stamp(at)
			}
			w := r.write(t)
			w.Expect = store.Expect(rapid.IntRange(-2, 3).Draw(rt, "expect"))
			w.Facts.Entry = entry(r.id, r.device, r.patient, noon.Add(time.Duration(at)*time.Minute), r.value)
			for _, c := range rapid.SliceOfNDistinct(rapid.IntRange(0, 3), 0, 2, rapid.ID).Draw(rt, "claims") {
				w.Claims = append(w.Claims, fmt.Sprintf("%d|%d", run, c))
			}
			return w
		}
		rt.Repeat(map[string]func(*rapid.T){
			"": func(rt *rapid.T) {},
			"write": func(rt *rapid.T) {
				w := draw(rt)
				want := m.expected(w)
				rs, err := s.Commit(ctx, []store.Write{w}, nil)
				if want >= 0 {
					if !fault.Is(err, want) {
						rt.Fatalf("%s %s expecting %d: got %v, want kind %d", w.Method, w.Key, w.Expect, err, want)
					}
					return
				}
				if err != nil {
					rt.Fatalf("%s %s expecting %d: %v", w.Method, w.Key, w.Expect, err)
				}
				v, all := rs[0].Version, m.versions(w.Key)
				if w.Method == store.Delete && all[len(all)-1].Deleted() {
					if v.Seq != all[len(all)-1].Seq {
						rt.Fatalf("a second deletion made %+v", v)
					}
					return
				}
				if v.Number != int64(len(all)+1) || rs[0].Created != (w.Method != store.Delete && (len(all) == 0 || all[len(all)-1].Deleted())) {
					rt.Fatalf("got %+v after %d versions", rs[0], len(all))
				}
				m.feed = append(m.feed, v)
				for c, id := range m.claims {
					if id == w.Key.ID {
						delete(m.claims, c)
					}
				}
				for _, c := range w.Claims {
					m.claims[c] = w.Key.ID
				}
			},
			"read": func(rt *rapid.T) {
				k := store.Key{Type: "Observation", ID: id.Draw(rt, "id")}
				all := m.versions(k)
				v, err := s.Read(ctx, k)
				if len(all) == 0 {
					if !fault.Is(err, fault.NotFound) {
						rt.Fatalf("%s: %v", k, err)
					}
					return
				}
				if err != nil || v.Seq != all[len(all)-1].Seq || string(v.Body.JSON) != string(all[len(all)-1].Body.JSON) {
					rt.Fatalf("%s: %+v, %v", k, v, err)
				}
				n := rapid.IntRange(1, len(all)).Draw(rt, "number")
				if v, err := s.ReadVersion(ctx, k, int64(n)); err != nil || v.Seq != all[n-1].Seq {
					rt.Fatalf("%s/%d: %+v, %v", k, n, v, err)
				}
			},
			"search": func(rt *rapid.T) {
				params := []string{fmt.Sprint("patient=", pat(0), ",", pat(1), ",", pat(2))}
				params = append(params, rapid.SliceOfN(rapid.SampledFrom([]string{"patient=" + pat(0), "status=final", "status:not=final", "code=9203-1,x", fmt.Sprintf("device=d%d-1", run),
					"date=ge" + stamp(2), "date=lt" + stamp(3), "date=" + stamp(1), "value-quantity=gt1.4|http://unitsofmeasure.org|mL"}), 0, 3).Draw(rt, "where")...)
				if sort := rapid.SampledFrom([]string{"", "date", "-date", "_id", "-_id", "_lastUpdated", "-_lastUpdated", "status", "-value-quantity,date"}).Draw(rt, "sort"); sort != "" {
					params = append(params, "_sort="+sort)
				}
				q := query(t, "Observation", params...)
				if rapid.Bool().Draw(rt, "rights") {
					q.Within = [][]search.Clause{where(t, "Observation", "patient="+pat(1)), where(t, "Observation", "status=final", "patient="+pat(0))}
				}
				want := m.search(rt, q)
				q.Count = rapid.IntRange(1, 4).Draw(rt, "count")
				if got := pages(t, s, q); !slices.Equal(got, want) {
					rt.Fatalf("%v by %d: got %v, want %v", params, q.Count, got, want)
				}
				if n, err := s.Count(ctx, q, 0); err != nil || n != len(want) {
					rt.Fatalf("%v: count %d, %v, want %d", params, n, err, len(want))
				}
			},
			"history": func(rt *rapid.T) {
				var want []int64
				for _, v := range slices.Backward(m.feed) {
					want = append(want, v.Seq)
				}
				q := store.HistoryQuery{Type: "Observation", Count: store.MaxPage}
				h, err := s.History(ctx, q)
				if err != nil {
					rt.Fatal(err)
				}
				var got []int64
				for _, v := range h.Versions {
					if v.Seq > start {
						got = append(got, v.Seq)
					}
				}
				if !slices.Equal(got, want[:min(len(want), store.MaxPage)]) {
					rt.Fatalf("history %v, want %v", got, want)
				}
			},
			"changes": func(rt *rapid.T) {
				got, err := s.Changes(ctx, start, 10000)
				if err != nil || len(got) != len(m.feed) {
					rt.Fatalf("%d changes, %v; want %d", len(got), err, len(m.feed))
				}
				for i := range got {
					if got[i].Seq != m.feed[i].Seq || got[i].Key != m.feed[i].Key || got[i].Method != m.feed[i].Method {
						rt.Fatalf("change %d is %+v, want %+v", i, got[i], m.feed[i])
					}
				}
			},
			"entries": func(rt *rapid.T) {
				drainID := fmt.Sprintf("d%d-%d", run, rapid.IntRange(0, 1).Draw(rt, "drain"))
				want := map[string]int64{}
				for _, v := range m.current("Observation") {
					d, _ := Extract(context.Background(), v.Body.JSON)
					if slices.Contains(d.Refs("device"), "Device/"+drainID) {
						want[v.ID] = v.Number
					}
				}
				got, err := s.Entries(ctx, store.EntryQuery{Drain: drainID})
				if err != nil || len(got) != len(want) {
					rt.Fatalf("%d entries, %v; want %v", len(got), err, want)
				}
				for i, e := range got {
					if want[e.ID] != e.Version || i > 0 && !got[i-1].Before(e) {
						rt.Fatalf("entry %+v at %d; want versions %v", e, i, want)
					}
				}
			},
		})
	})
}
