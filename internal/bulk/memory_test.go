package bulk

import (
	"context"
	"fmt"
	"log/slog"
	"runtime"
	"runtime/metrics"
	"sync"
	"testing"
	"time"

	"tidemark/internal/drain"
	"tidemark/internal/fault"
	"tidemark/internal/policy"
	"tidemark/internal/store"
)

// madeUp is a store that keeps nothing: its drains and their emptyings are made
// up as they are read, so that what an export holds in memory is its own.
type madeUp struct {
	n int // emptyings

	mu     sync.Mutex
	states map[string][]byte
	revs   map[string]int64
}

// perDrain is how many emptyings each drain has: ten days of six.
const perDrain = 60

func (m *madeUp) drains() int { return (m.n + perDrain - 1) / perDrain }

// version is the place in the feed: first the drains, then the emptyings.
func (m *madeUp) version(seq int) store.Version {
	v := store.Version{Number: 1, Seq: int64(seq), At: start.Add(-time.Hour), Method: store.Put}
	head := ""
	if i := seq - 1; i < m.drains() {
		v.Key = store.Key{Type: "Device", ID: fmt.Sprint("d", i)}
		head = fmt.Sprintf(`{"resourceType":"Device","id":%q,"meta":{`, v.ID)
		v.Body = store.Body{Meta: len(head), JSON: fmt.Appendf(nil, `%s},"status":"active","deviceName":[{"name":"Drain %d","type":"user-friendly-name"}],"patient":{"reference":"Patient/p%d"}}`, head, i, i/2)}
		return v
	}
	i := seq - 1 - m.drains()
	v.Key = store.Key{Type: "Observation", ID: fmt.Sprint("o", i)}
	head = fmt.Sprintf(`{"resourceType":"Observation","id":%q,"meta":{`, v.ID)
	v.Body = store.Body{Meta: len(head), JSON: fmt.Appendf(nil, `%s},"status":"final","category":[{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/observation-category","code":"exam"}]}],`+
		`"code":{"coding":[{"system":"http://loinc.org","code":"9203-1","display":"Fluid output wound drain"}]},"subject":{"reference":"Patient/p%d"},"device":{"reference":"Device/d%d"},`+
		`"effectiveDateTime":%q,"performer":[{"reference":"Practitioner/n1"}],"valueQuantity":{"value":%d,"unit":"mL","system":"http://unitsofmeasure.org","code":"mL"}}`,
		head, i/perDrain/2, i/perDrain, m.at(i).Format(time.RFC3339), 20+i%80)}
	return v
}

// at is when an emptying was: every four hours, the last not long ago.
func (m *madeUp) at(i int) time.Time {
	return start.Add(time.Duration(i%perDrain-perDrain) * 4 * time.Hour).Add(time.Duration(i/perDrain%200) * time.Minute)
}

func (m *madeUp) last() int { return m.drains() + m.n }

func (m *madeUp) Read(context.Context, store.Key) (store.Version, error) {
	return store.Version{}, fault.New(fault.NotFound, "not-found", "not made up")
}

func (m *madeUp) ReadVersion(_ context.Context, k store.Key, number int64) (store.Version, error) {
	var i int
	if _, err := fmt.Sscanf(k.ID, "o%d", &i); err != nil || number != 1 {
		return store.Version{}, fault.New(fault.NotFound, "not-found", "not made up")
	}
	return m.version(m.drains() + 1 + i), nil
}

func (m *madeUp) Changes(_ context.Context, after int64, limit int) (out []store.Version, err error) {
	for seq := int(after) + 1; seq <= m.last() && len(out) < limit; seq++ {
		out = append(out, m.version(seq))
	}
	return out, nil
}

func (m *madeUp) Scan(_ context.Context, typ string, after, upTo int64, limit int) (out []store.Version, err error) {
	from, to := max(int(after)+1, 1), min(int(upTo), m.drains())
	switch typ {
	case "Device":
	case "Observation":
		from, to = max(from, m.drains()+1), int(upTo)
	default:
		return nil, nil
	}
	for seq := from; seq <= to && len(out) < limit; seq++ {
		out = append(out, m.version(seq))
	}
	return out, nil
}

func (m *madeUp) LastSeq(context.Context) (int64, error) { return int64(m.last()), nil }

func (m *madeUp) index(drainID string) (i int) {
	if _, err := fmt.Sscanf(drainID, "d%d", &i); err != nil {
		panic(err) // of ours
	}
	return i
}

func (m *madeUp) Stays(context.Context, ...string) ([]drain.Stay, error) { return nil, nil }

func (m *madeUp) Place(context.Context, string) (drain.Place, bool, error) {
	return drain.Place{}, false, nil
}

func (m *madeUp) Placements(_ context.Context, id string) ([]drain.Placement, error) {
	i := m.index(id)
	return []drain.Placement{{ID: fmt.Sprint("u", i), Drain: id, Patient: fmt.Sprint("p", i/2), Status: "active", Start: m.at(0).Add(-4 * time.Hour)}}, nil
}

func (m *madeUp) Entries(_ context.Context, q store.EntryQuery) (out []drain.Entry, err error) {
	d := m.index(q.Drain)
	for i := d * perDrain; i < min((d+1)*perDrain, m.n); i++ {
		out = append(out, drain.Entry{ID: fmt.Sprint("o", i), Version: 1, Kind: drain.Emptying, Drain: q.Drain, Patient: fmt.Sprint("p", d/2), At: m.at(i), Status: "final",
			Measured: drain.Measure{Known: true, Volume: drain.MLInt(int64(20 + i%80))}, Vessel: drain.GraduatedCylinder, Appearance: drain.Serous, Suction: drain.Charged, DoneBy: "Practitioner/n1"})
	}
	return out, nil
}

func (m *madeUp) Concerns(context.Context, string, time.Time) ([]drain.Concern, error) {
	return nil, nil
}

func (m *madeUp) State(_ context.Context, name string) ([]byte, int64, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.states[name], m.revs[name], nil
}

func (m *madeUp) SetState(_ context.Context, name string, value []byte, rev int64) (int64, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.revs[name] != rev {
		return 0, fault.New(fault.Precondition, "conflict", "another revision")
	}
	m.states[name], m.revs[name] = value, rev+1
	return rev + 1, nil
}

func (m *madeUp) States(context.Context, string) (out []string, err error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for name := range m.states {
		out = append(out, name)
	}
	return out, nil
}

// BenchmarkMemory exports made-up rows and reports the most memory that an
// export of its own takes: objects on the heap, garbage among them, and what of
// them was alive when the collector looked. It must not grow with the rows.
func BenchmarkMemory(b *testing.B) {
	rules := policy.Default()
	for _, format := range []struct{ name, query string }{
		{"ndjson", "_type=Observation"}, {"csv", "_outputFormat=csv"}, {"parquet", "_outputFormat=parquet"}, {"parquet-by-month", "_outputFormat=parquet&_partition=month"},
	} {
		for _, n := range []int{50_000, 500_000} {
			b.Run(fmt.Sprintf("%s/%d", format.name, n), func(b *testing.B) {
				x := &bench{t: b, clock: &clock{now: start}, dir: b.TempDir()}
				st := &madeUp{n: n, states: map[string][]byte{}, revs: map[string]int64{}}
				s := New(Options{Store: st, Lease: always{}, Dir: x.dir, Types: types, Clock: x.clock.Now, Logger: slog.New(slog.DiscardHandler), Settle: time.Millisecond,
					Settings: func(_ context.Context, d drain.Drain, _ []drain.Placement) (policy.Settings, error) {
						return rules.For(nil, d), nil
					}})
				var heap, live uint64
				for b.Loop() {
					runtime.GC()
					before := readHeap()
					done, stopped := make(chan struct{}), make(chan struct{})
					go func() {
						defer close(stopped)
						for tick := time.NewTicker(2 * time.Millisecond); ; {
							select {
							case <-done:
								tick.Stop()
								return
							case <-tick.C:
								h := readHeap()
								heap, live = max(heap, h.objects-min(h.objects, before.objects)), max(live, h.live-min(h.live, before.live))
							}
						}
					}()
					j := x.export(s, caller(everything), x.request(OfSystem, "", format.query))
					close(done)
					<-stopped
					rows, size := int64(0), int64(0)
					for _, f := range j.Files {
						if f.Table == "" || f.Table == "emptying" {
							rows += f.Count
						}
						size += f.Size
					}
					if j.Phase != Complete || rows != int64(n) {
						b.Fatal(j.Phase, j.Error, rows)
					}
					b.ReportMetric(float64(size)/(1<<20), "file-MB")
					b.ReportMetric(float64(len(j.Files)), "files")
				}
				b.ReportMetric(float64(heap)/(1<<20), "peak-heap-MB")
				b.ReportMetric(float64(live)/(1<<20), "peak-live-MB")
				b.ReportMetric(float64(n)*float64(b.N)/b.Elapsed().Seconds(), "rows/s")
			})
		}
	}
}

type heapSize struct{ objects, live uint64 }

func readHeap() heapSize {
	s := []metrics.Sample{{Name: "/memory/classes/heap/objects:bytes"}, {Name: "/gc/heap/live:bytes"}}
	metrics.Read(s)
	return heapSize{s[0].Value.Uint64(), s[1].Value.Uint64()}
}
