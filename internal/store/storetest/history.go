package storetest

import (
	"context"
	"fmt"
	"slices"
	"sync"
	"testing"
	"time"

	"tidemark/internal/fault"
	"tidemark/internal/search"
	"tidemark/internal/store"
)

var historyTests = []test{
	{name: "history of an instance, a type, the system", run: historyLevels},
	{name: "history between times", run: historyTimes},
	{name: "history within rights", run: historyRights},
	{name: "history pages while writing", run: historyPages},
	{name: "change feed", run: changeFeed},
	{name: "change feed under concurrent writers", run: changeFeedRace},
}

// historyOf walks all pages and gives "Type/id/version" of each.
func historyOf(tb testing.TB, s store.Store, q store.HistoryQuery, size int) []string {
	tb.Helper()
	var out []string
	var before store.Version
	for {
		q.Count = size
		h, err := s.History(context.Background(), q)
		if err != nil {
			tb.Fatal(err)
		}
		if h.Next != "" && len(h.Versions) != size {
			tb.Fatalf("a page of %d with count %d", len(h.Versions), size)
		}
		for _, v := range h.Versions {
			if before.Seq != 0 && v.Seq >= before.Seq {
				tb.Fatalf("%d after %d", v.Seq, before.Seq)
			}
			if v.Deleted() != (len(v.Body.JSON) == 0) {
				tb.Fatalf("%s with %d bytes", v.Method, len(v.Body.JSON))
			}
			before = v
			out = append(out, fmt.Sprintf("%s/%d", v.Key, v.Number))
		}
		if h.Next == "" {
			return out
		}
		q.Cursor = h.Next
	}
}

func versionsAre(tb testing.TB, s store.Store, q store.HistoryQuery, want ...string) {
	tb.Helper()
	for _, size := range []int{1, 2, 50} {
		if got := historyOf(tb, s, q, size); !slices.Equal(got, want) {
			tb.Errorf("%+v by %d: got %v, want %v", q, size, got, want)
		}
	}
	h, err := s.History(context.Background(), store.HistoryQuery{Type: q.Type, ID: q.ID, Since: q.Since, Until: q.Until, Within: q.Within, Types: q.Types, Count: 1})
	if err != nil {
		tb.Fatal(err)
	}
	if h.Total != len(want) && (h.Total != -1 || len(q.Within) == 0) {
		tb.Errorf("%+v: total %d, want %d", q, h.Total, len(want))
	}
}

func historyLevels(t *testing.T, s store.Store) {
	commit(t, s, patient(t, "a", "1"))
	commit(t, s, Put(t, `{"resourceType":"Device","id":"d","meta":{}}`))
	commit(t, s, patient(t, "b", "1"))
	commit(t, s, patient(t, "a", "2"))
	commit(t, s, remove("Patient", "a"))
	commit(t, s, Put(t, `{"resourceType":"Location","id":"l","meta":{}}`))
	commit(t, s, patient(t, "a", "3"))
	versionsAre(t, s, store.HistoryQuery{Type: "Patient", ID: "a"}, "Patient/a/4", "Patient/a/3", "Patient/a/2", "Patient/a/1")
	versionsAre(t, s, store.HistoryQuery{Type: "Patient"}, "Patient/a/4", "Patient/a/3", "Patient/a/2", "Patient/b/1", "Patient/a/1")
	versionsAre(t, s, store.HistoryQuery{}, "Patient/a/4", "Location/l/1", "Patient/a/3", "Patient/a/2", "Patient/b/1", "Device/d/1", "Patient/a/1")
	versionsAre(t, s, store.HistoryQuery{Types: []string{"Location", "Device", "Group"}}, "Location/l/1", "Device/d/1")
	versionsAre(t, s, store.HistoryQuery{Types: []string{"Group"}})
	versionsAre(t, s, store.HistoryQuery{Type: "Group"})
	_, err := s.History(context.Background(), store.HistoryQuery{Type: "Patient", ID: "never", Count: 5})
	isFault(t, err, fault.NotFound)
}

func historyTimes(t *testing.T, s store.Store) {
	var at []time.Time
	for i := range 4 {
		at = append(at, commit(t, s, patient(t, "a", fmt.Sprint(i)))[0].Version.At)
		time.Sleep(3 * time.Millisecond)
	}
	q := store.HistoryQuery{Type: "Patient", ID: "a"}
	all := []string{"Patient/a/4", "Patient/a/3", "Patient/a/2", "Patient/a/1"}
	for _, level := range []store.HistoryQuery{q, {Type: "Patient"}, {}} {
		level.Since = at[1]
		versionsAre(t, s, level, all[:3]...)
		level.Until = at[2]
		versionsAre(t, s, level, all[1:3]...)
		level.Since = time.Time{}
		versionsAre(t, s, level, all[1:]...)
		level.Since = at[1].Add(time.Microsecond)
		versionsAre(t, s, level, all[1:2]...)
		level.Since, level.Until = at[3].Add(time.Millisecond), time.Time{}
		versionsAre(t, s, level)
		level.Since, level.Until = time.Time{}, at[0].Add(-time.Nanosecond)
		versionsAre(t, s, level)
	}
}

func historyRights(t *testing.T, s store.Store) {
	commitEach(t, s,
		reading{id: "a", patient: "p1", at: stamp(0)}.write(t), reading{id: "b", patient: "p2", at: stamp(0)}.write(t),
		reading{id: "a", patient: "p2", at: stamp(0)}.write(t), // was charted for the wrong patient
		reading{id: "c", patient: "p1", at: stamp(1)}.write(t),
		remove("Observation", "c"), remove("Observation", "b"), patient(t, "p1", "Ahlgren"))
	q := store.HistoryQuery{Type: "Observation", Within: [][]search.Clause{where(t, "Observation", "patient=p1")}}
	versionsAre(t, s, q, "Observation/c/2", "Observation/c/1", "Observation/a/1")
	q.ID = "a"
	versionsAre(t, s, q, "Observation/a/1")
	q.ID, q.Within = "", [][]search.Clause{where(t, "Observation", "patient=p2")}
	versionsAre(t, s, q, "Observation/b/2", "Observation/a/2", "Observation/b/1")
	q.Within = append(q.Within, where(t, "Observation", "patient=p1"))
	versionsAre(t, s, q, "Observation/b/2", "Observation/c/2", "Observation/c/1", "Observation/a/2", "Observation/b/1", "Observation/a/1")
	q.Within = [][]search.Clause{where(t, "Observation", "patient=p3")}
	versionsAre(t, s, q)
	q.Within = [][]search.Clause{where(t, "Observation", "status:not=amended")}
	versionsAre(t, s, q, "Observation/b/2", "Observation/c/2", "Observation/c/1", "Observation/a/2", "Observation/b/1", "Observation/a/1")
	system := store.HistoryQuery{Types: []string{"Observation", "Device"}, Within: [][]search.Clause{where(t, "Observation", "patient=p1")}}
	versionsAre(t, s, system, "Observation/c/2", "Observation/c/1", "Observation/a/1")
	system.Types = nil // Patient has no parameter "patient", so no patient is seen
	versionsAre(t, s, system, "Observation/c/2", "Observation/c/1", "Observation/a/1")
	compartment := search.Clause{Param: search.Compartment, Kind: search.Reference, Values: []search.Value{{Ref: "Patient/p1"}}}
	system.Within = [][]search.Clause{{compartment}}
	versionsAre(t, s, system, "Patient/p1/1", "Observation/c/2", "Observation/c/1", "Observation/a/1")
}

func historyPages(t *testing.T, s store.Store) {
	var want []string
	for i := range 20 {
		commit(t, s, patient(t, fmt.Sprint("p", i%3), fmt.Sprint(i)))
		want = append(want, fmt.Sprintf("Patient/p%d/%d", i%3, i/3+1))
	}
	slices.Reverse(want)
	q := store.HistoryQuery{Type: "Patient", Count: 6}
	var got []string
	for {
		h, err := s.History(context.Background(), q)
		if err != nil {
			t.Fatal(err)
		}
		for _, v := range h.Versions {
			got = append(got, fmt.Sprintf("%s/%d", v.Key, v.Number))
		}
		if q.Cursor = h.Next; q.Cursor == "" {
			break
		}
		commit(t, s, patient(t, fmt.Sprint("p", len(got)%3), "later"))
	}
	if !slices.Equal(got, want) {
		t.Errorf("got %v, want %v", got, want)
	}
}

func changeFeed(t *testing.T, s store.Store) {
	ctx := context.Background()
	if seq, err := s.LastSeq(ctx); err != nil || seq != 0 {
		t.Errorf("an empty feed stands at %d, %v", seq, err)
	}
	var all []store.Version
	for i := range 7 {
		w := patient(t, fmt.Sprint("p", i%2), fmt.Sprint(i))
		if i == 4 {
			w = remove("Patient", "p0")
		}
		all = append(all, commit(t, s, w)[0].Version)
	}
	for _, c := range []struct{ after, limit int }{{0, 100}, {0, 3}, {3, 3}, {7, 3}} {
		after := int64(0)
		if c.after > 0 {
			after = all[c.after-1].Seq
		}
		got, err := s.Changes(ctx, after, c.limit)
		if err != nil {
			t.Fatal(err)
		}
		want := all[c.after:min(len(all), c.after+c.limit)]
		if len(got) != len(want) {
			t.Fatalf("after %d, at most %d: got %d, want %d", c.after, c.limit, len(got), len(want))
		}
		for i := range got {
			sameVersion(t, got[i], want[i])
		}
	}
	if seq, err := s.LastSeq(ctx); err != nil || seq != all[6].Seq {
		t.Errorf("the feed stands at %d, %v; want %d", seq, err, all[6].Seq)
	}
}

// changeFeedRace reads the feed while eight writers write: what a reader has
// passed never gets a new version before it.
func changeFeedRace(t *testing.T, s store.Store) {
	ctx := context.Background()
	const writers, each = 8, 25
	var mu sync.Mutex
	wrote := map[int64]store.Version{}
	done := make(chan struct{})
	var read []store.Version
	var failed error
	var reader sync.WaitGroup
	reader.Go(func() {
		var after int64
		for ended := false; ; {
			settled, err := s.LastSeq(ctx)
			var more []store.Version
			if err == nil {
				more, err = s.Changes(ctx, after, 10)
			}
			if err != nil {
				failed = err
				return
			}
			for _, v := range more {
				read = append(read, v)
				after = v.Seq
			}
			if len(more) == 0 {
				if after < settled {
					failed = fmt.Errorf("LastSeq said %d, Changes gave nothing behind %d", settled, after)
					return
				}
				if ended {
					return
				}
			}
			select {
			case <-done:
				ended = true
			default:
			}
		}
	})
	errs := race(writers, func(n int) error {
		for i := range each {
			r, err := s.Commit(ctx, []store.Write{patient(t, fmt.Sprint("p", (n+i)%5), fmt.Sprint(n, "-", i))}, nil)
			if err != nil {
				return err
			}
			mu.Lock()
			wrote[r[0].Version.Seq] = r[0].Version
			mu.Unlock()
		}
		return nil
	})
	close(done)
	reader.Wait()
	for _, err := range append(errs, failed) {
		if err != nil {
			t.Fatal(err)
		}
	}
	if len(read) != writers*each || len(wrote) != writers*each {
		t.Fatalf("%d versions were written, the feed gave %d", len(wrote), len(read))
	}
	number := map[store.Key]int64{}
	for i, v := range read {
		sameVersion(t, v, wrote[v.Seq])
		if i > 0 && (v.Seq <= read[i-1].Seq || v.At.Before(read[i-1].At)) {
			t.Errorf("%d at %v after %d at %v", v.Seq, v.At, read[i-1].Seq, read[i-1].At)
		}
		if number[v.Key]++; v.Number != number[v.Key] {
			t.Errorf("%s has version %d at place %d", v.Key, v.Number, number[v.Key])
		}
	}
}
