package bench

import (
	"cmp"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"sync"
	"testing"
	"time"
)

// stores hands every benchmark the same filled stores.
type stores struct {
	mu   sync.Mutex
	dir  string
	temp bool
	have map[int]*hospital
}

var shared = &stores{have: map[int]*hospital{}}

func TestMain(m *testing.M) {
	code := m.Run()
	if shared.temp {
		os.RemoveAll(shared.dir)
	}
	os.Exit(code)
}

// folder is where stores are kept.
func (s *stores) folder(tb testing.TB) string {
	if s.dir != "" {
		return s.dir
	}
	if s.dir = os.Getenv("TIDEMARK_BENCH_DIR"); s.dir == "" {
		d, err := os.MkdirTemp("", "tidemark-bench-")
		if err != nil {
			tb.Fatal(err)
		}
		s.dir, s.temp = d, true
	}
	return s.dir
}

func (s *stores) get(tb testing.TB, sc scale) *hospital {
	tb.Helper()
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.have[sc.days] == nil {
		h := fill(tb, sc, s.folder(tb))
		s.have[sc.days] = h
		if h.loaded > 0 {
			say(tb, "loading: %d Observations in %s, %.0f/s", h.observations, h.loaded.Round(time.Second), float64(h.observations)/h.loaded.Seconds())
		}
	}
	return s.have[sc.days]
}

// scales are the small store, and the large one that TIDEMARK_BENCH_SIZE asks for.
func scales(b *testing.B) []scale {
	if testing.Short() {
		return []scale{short}
	}
	out := []scale{full}
	if text := os.Getenv("TIDEMARK_BENCH_SIZE"); text != "" {
		n, err := strconv.Atoi(text)
		if err != nil || n < 1 {
			b.Fatalf("TIDEMARK_BENCH_SIZE=%q is not a number of Observations", text)
		}
		large := full
		large.days = max(full.days+1, n/14700) // what the 17 wards chart in a day
		large.rounds = 3
		if n > 2_000_000 {
			large.rounds = 1 // a copy takes minutes
		}
		out = append(out, large)
	}
	return out
}

// say prints a figure among the output of the benchmarks.
func say(tb testing.TB, format string, args ...any) {
	if !testing.Short() {
		fmt.Printf("    "+format+"\n", args...)
	}
}

// median and spread of rounds.
func spreadOf[T cmp.Ordered](list []T) (low, median, high T) {
	l := slices.Sorted(slices.Values(list))
	return l[0], l[len(l)/2], l[len(l)-1]
}

func ms(d time.Duration) float64 { return float64(d.Microseconds()) / 1000 }

// each runs f on every scale as a benchmark of its own.
func each(b *testing.B, f func(b *testing.B, sc scale, h *hospital)) {
	for _, sc := range scales(b) {
		h := shared.get(b, sc)
		b.Run(fmt.Sprint(h.observations), func(b *testing.B) { f(b, sc, h) })
	}
}

// BenchmarkPost: one emptying a request over 64 connections.
func BenchmarkPost(b *testing.B) { benchPost(b, 64, 1) }

// BenchmarkBundle: transactions of 100 emptyings over 4 connections.
func BenchmarkBundle(b *testing.B) { benchPost(b, 4, 100) }

func benchPost(b *testing.B, conns, perRequest int) {
	each(b, func(b *testing.B, sc scale, h *hospital) {
		var rates, raws, ratios, bare, p50, p99, groups, own []float64
		for range sc.rounds {
			p := post(b, h, conns, perRequest)
			rates = append(rates, p.rate()*float64(perRequest))
			raws = append(raws, float64(p.rows)/p.raw.Seconds())
			ratios = append(ratios, p.ofRaw(p.raw))
			bare = append(bare, p.ofRaw(p.bare))
			own = append(own, p.own)
			p50, p99, groups = append(p50, ms(p.quantile(.5))), append(p99, ms(p.quantile(.99))), append(groups, p.group)
		}
		for _, m := range []struct {
			name string
			list []float64
		}{{"emptyings/s", rates}, {"raw/s", raws}, {"of-raw", ratios}, {"of-raw-without-audit", bare}, {"p50-ms", p50}, {"p99-ms", p99}, {"a-transaction", groups}, {"idle-transactions/s", own}} {
			low, mid, high := spreadOf(m.list)
			b.ReportMetric(mid, m.name)
			say(b, "%-22s %9.2f  (%.2f to %.2f)", m.name, mid, low, high)
		}
		b.ReportMetric(0, "ns/op")
	})
}

// BenchmarkRead: by id, $drain-output, $escalation-status.
func BenchmarkRead(b *testing.B) { benchRead(b, read, 1) }

// BenchmarkDue: $emptying-due of a ward and of the whole hospital.
func BenchmarkDue(b *testing.B) { benchRead(b, due, 100) }

func benchRead(b *testing.B, f func(testing.TB, *hospital, *site, int) []reading, share int) {
	each(b, func(b *testing.B, sc scale, h *hospital) {
		s := h.look(b)
		defer s.stop(b)
		took := map[string]map[string][]float64{}
		var names []string
		for range sc.rounds {
			for _, r := range f(b, h, s, max(sc.reads/share, 10)) {
				if took[r.name] == nil {
					took[r.name] = map[string][]float64{}
					names = append(names, r.name)
				}
				m := took[r.name]
				m["p50-ms"] = append(m["p50-ms"], ms(r.run.quantile(.5)))
				m["p99-ms"] = append(m["p99-ms"], ms(r.run.quantile(.99)))
				m["bare p50-ms"] = append(m["bare p50-ms"], ms(r.plain.quantile(.5)))
				m["bare p99-ms"] = append(m["bare p99-ms"], ms(r.plain.quantile(.99)))
				m["times bare"] = append(m["times bare"], float64(r.run.quantile(.5))/float64(r.plain.quantile(.5)))
			}
		}
		for _, name := range names {
			for _, m := range []string{"p50-ms", "p99-ms", "bare p50-ms", "bare p99-ms", "times bare"} {
				low, mid, high := spreadOf(took[name][m])
				say(b, "%-28s %-12s %9.3f  (%.3f to %.3f)", name, m, mid, low, high)
			}
		}
		b.ReportMetric(0, "ns/op")
	})
}

// BenchmarkServe: the program itself, from start to ready, and its memory.
func BenchmarkServe(b *testing.B) {
	bin := program(b)
	each(b, func(b *testing.B, sc scale, h *hospital) {
		var ready, now, peak []float64
		for range sc.rounds {
			r, n, p := serve(b, h, bin, sc.reads)
			ready, now, peak = append(ready, ms(r)), append(now, n), append(peak, p)
		}
		for name, list := range map[string][]float64{"ready-ms": ready, "resident-MB": now, "peak-MB": peak} {
			low, mid, high := spreadOf(list)
			b.ReportMetric(mid, name)
			say(b, "%-22s %9.1f  (%.1f to %.1f)", name, mid, low, high)
		}
		if fi, err := os.Stat(filepath.Join(h.dir, storeFile)); err == nil {
			say(b, "%-22s %9.1f", "store-MB", float64(fi.Size())/1e6)
		}
		b.ReportMetric(0, "ns/op")
	})
}

// TestHarness proves that the benchmarks still measure what they say: each
// request is answered, and the baseline writes what the service wrote.
func TestHarness(t *testing.T) {
	h := fill(t, short, t.TempDir())
	if h.observations < 100 || len(h.later) != short.emptyings || len(h.drains) < 15 {
		t.Fatalf("the hospital has %d Observations, %d drains and %d emptyings to post", h.observations, len(h.drains), len(h.later))
	}
	t.Run("post", func(t *testing.T) {
		p := post(t, h, 16, 1)
		if len(p.took) != len(h.later) || p.rows != len(h.later) {
			t.Errorf("%d emptyings: %d answers, %d inserted raw", len(h.later), len(p.took), p.rows)
		}
		if p.group < 1 || p.group > 16 {
			t.Errorf("%.1f emptyings to a transaction over 16 connections", p.group)
		}
	})
	t.Run("bundle", func(t *testing.T) {
		p := post(t, h, 2, 20)
		if len(p.took) == 0 || p.rows != 20*len(p.took) {
			t.Errorf("%d Bundles of 20 answered, %d resources inserted raw", len(p.took), p.rows)
		}
	})
	t.Run("read", func(t *testing.T) {
		s := h.start(t)
		defer s.stop(t)
		for _, r := range append(read(t, h, s, short.reads), due(t, h, s, 10)...) {
			if len(r.run.took) != len(r.plain.took) || len(r.run.last) < 200 {
				t.Errorf("%s: %d answers, %d of the bare handler; one is %s", r.name, len(r.run.took), len(r.plain.took), r.run.last)
			}
		}
	})
	t.Run("hidden", func(t *testing.T) {
		s := h.start(t)
		defer s.stop(t)
		for _, m := range hide(t, h, s, short.reads) {
			if len(m.hidden.took) != short.reads || len(m.unknown.took) != short.reads {
				t.Errorf("%s: %d and %d answers", m.name, len(m.hidden.took), len(m.unknown.took))
			}
		}
	})
	t.Run("serve", func(t *testing.T) {
		if _, now, peak := serve(t, h, program(t), short.reads); now <= 0 || peak < now {
			t.Errorf("%.0f MB resident, %.0f at most", now, peak)
		}
	})
}
