package ward

import (
	"context"
	"fmt"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"pgregory.net/rapid"

	"tidemark/internal/drain"
	"tidemark/internal/store"
)

// rowCounter counts what is read of a store: calls, and rows that they give.
type rowCounter struct {
	Store
	calls, rows atomic.Int64
}

func (c *rowCounter) count(rows int) { c.calls.Add(1); c.rows.Add(int64(rows)) }

func (c *rowCounter) Read(ctx context.Context, key store.Key) (store.Version, error) {
	c.count(1)
	return c.Store.Read(ctx, key)
}

func (c *rowCounter) Entries(ctx context.Context, q store.EntryQuery) ([]drain.Entry, error) {
	es, err := c.Store.Entries(ctx, q)
	c.count(len(es))
	return es, err
}

func (c *rowCounter) Latest(ctx context.Context, drains []string, to time.Time, most int) (map[string]store.Latest, error) {
	all, err := c.Store.Latest(ctx, drains, to, most)
	for _, l := range all {
		c.count(len(l.Entries) + len(l.Placements))
	}
	return all, err
}

func (c *rowCounter) Concerns(ctx context.Context, drainID string, ended time.Time) ([]drain.Concern, error) {
	cs, err := c.Store.Concerns(ctx, drainID, ended)
	c.count(len(cs))
	return cs, err
}

func (c *rowCounter) Placements(ctx context.Context, drainID string) ([]drain.Placement, error) {
	ps, err := c.Store.Placements(ctx, drainID)
	c.count(len(ps))
	return ps, err
}

// work makes a hospital whose drain has so many entries, one every so long, and what
// a POST, a status and a sweep then read.
func work(tb testing.TB, n int, every time.Duration) (h *hospital, rows map[string]int64) {
	h = newHospital(tb)
	var cs []Change
	for i := range n {
		cs = append(cs, puts(emptying(fmt.Sprintf("e%05d", i), (time.Duration(i+1)*every).Hours(), "10", looks("serous"), part("suction-state", "charged")))...)
	}
	end := (time.Duration(n+1) * every).Hours()
	h.at(end)
	for len(cs) > 0 {
		some := cs[:min(500, len(cs))]
		cs = cs[len(some):]
		if _, err := h.Load(context.Background(), some); err != nil {
			tb.Fatal(err)
		}
	}
	h.sweep(true)
	c := &rowCounter{Store: h.db}
	h.Service = h.another(c)
	rows = map[string]int64{}
	do := func(what string, f func()) {
		c.rows.Store(0)
		f()
		rows[what] = c.rows.Load()
	}
	do("POST", func() { h.put(emptying("last", end, "10", looks("serous"), part("suction-state", "charged"))) })
	do("status", func() {
		if _, err := h.DrainStatus(context.Background(), "d1"); err != nil {
			tb.Fatal(err)
		}
	})
	h.Service = h.another(c)
	do("sweep", func() {
		if err := h.Reevaluate(context.Background(), "d1"); err != nil {
			tb.Fatal(err)
		}
	})
	return h, rows
}

// A drain that has been charted 5,000 times costs what one with 50 entries does.
func TestWorkDoesNotGrowWithTheStay(t *testing.T) {
	_, short := work(t, 50, 4*time.Hour)
	_, long := work(t, 5000, 4*time.Hour)
	for what, rows := range long {
		// All 50 are read of the one, fewestEntries of the other, which has been in for so
		// long that there is a concern about that.
		if most := short[what] + fewestEntries - 50 + 1; rows > most {
			t.Errorf("a %s reads %d rows with 5,000 entries, %d with 50", what, rows, short[what])
		}
	}
	t.Log(short, long)
}

// 8,000 entries in a day, as from a device: what is read is bounded all the same,
// and that the rest is not looked at is said.
func TestMoreEntriesThanAnybodyReads(t *testing.T) {
	h, rows := work(t, 8000, 24*time.Hour/8000)
	for what, n := range rows {
		if n > mostEntries+fewestEntries+4*mostEvidence {
			t.Errorf("a %s reads %d rows", what, n)
		}
	}
	if got := h.text("reading-doubt"); !strings.Contains(got, "only entries since") {
		t.Errorf("it says %q", got)
	}
	t.Log(rows)
}

// What is found by what is read is what the whole stay shows, also where that is
// much longer than what is read.
func TestBoundedReadingFindsWhatTheWholeStayShows(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		h, done := fresh(t, rt)
		defer done()
		n := rapid.IntRange(fewestEntries+1, 4*fewestEntries).Draw(rt, "entries")
		var cs []Change
		for i := range n {
			cs = append(cs, puts(at(reading(rt, fmt.Sprintf("o%04d", i)), float64(i)+rapid.Float64Range(0, 0.9).Draw(rt, "minutes")))...)
		}
		h.at(float64(n))
		h.commit(cs...)
		h.sweep(true)
		for i := range 3 {
			h.at(float64(n + i*3))
			h.put(at(reading(rt, fmt.Sprintf("p%d", i)), float64(n+i*3)-0.1))
			h.shown(rt)
			h.Service = h.another(h.db) // reads anew
			h.shown(rt)
		}
	})
}

func at(n obj, hour float64) obj {
	return with(n, "effectiveDateTime", t0.Add(span(hour)).Format(time.RFC3339))
}

// Two drains of a patient are charted on each other's: one doubt, on the later of
// the two, whoever is charted first; it goes when one is put right.
func TestSwap(t *testing.T) {
	for name, order := range map[string][]int{"as it was": {0, 1}, "the earlier one charted last": {1, 0}} {
		t.Run(name, func(t *testing.T) {
			h := newHospital(t)
			h.put(device("d2"), with(placement("d2", "p1", t0), "id", "use-2"))
			for i := range 3 {
				hour := float64(4 * (i + 1))
				h.at(hour + 0.2)
				h.put(emptying(fmt.Sprint("a", i), hour+0.1, "60"), onDrain(emptying(fmt.Sprint("b", i), hour, "15"), "d2", "p1"))
			}
			swapped := []obj{onDrain(emptying("b3", 16, "62"), "d2", "p1"), emptying("a3", 16.1, "15")}
			for i, n := range order {
				h.at(16.2 + float64(i)/10)
				h.put(swapped[n])
			}
			h.sweep(false)
			h.want("reading-doubt", "low a3 b3")
			h.at(17)
			h.put(onDrain(emptying("b3", 16, "16"), "d2", "p1"))
			h.sweep(false)
			h.want("reading-doubt", "")
		})
	}
}

// BenchmarkLong is a POST, with validation, guard and rules, durably, and a status,
// of a drain with so many entries.
func BenchmarkLong(b *testing.B) {
	for _, c := range []struct {
		n     int
		every time.Duration
	}{{50, 4 * time.Hour}, {5000, 4 * time.Hour}, {400, 10 * time.Minute}, {800, 3 * time.Minute}, {8000, 24 * time.Hour / 8000}} {
		h, _ := work(b, c.n, c.every)
		hour := h.clock().Sub(t0).Hours()
		step := c.every.Hours()
		b.Run(fmt.Sprintf("POST/%d every %s", c.n, c.every), func(b *testing.B) {
			for b.Loop() {
				hour += step
				h.at(hour)
				c := Change{Method: store.Post, Key: store.Key{Type: "Observation"}, Resource: emptying("x", hour, "10", looks("serous"), part("suction-state", "charged")), Expect: store.Absent}
				if _, err := h.Commit(context.Background(), []Change{c}, nil); err != nil {
					b.Fatal(err)
				}
			}
		})
		b.Run(fmt.Sprintf("status/%d every %s", c.n, c.every), func(b *testing.B) {
			for b.Loop() {
				if _, err := h.DrainStatus(context.Background(), "d1"); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
