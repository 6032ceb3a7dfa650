package sqlite

import (
	"context"
	"fmt"
	"path/filepath"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"tidemark/internal/drain"
	"tidemark/internal/search"
	"tidemark/internal/store"
	"tidemark/internal/store/storetest"
)

// emptying is a charted emptying of one of many drains.
func emptying(tb testing.TB, n int) store.Write {
	d := n % 500
	at := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC).Add(time.Duration(n/500) * 3 * time.Hour).Add(time.Duration(d) * time.Second)
	ml := fmt.Sprint(20 + n%80)
	w := storetest.Put(tb, fmt.Sprintf(`{"resourceType":"Observation","id":"01890000-0000-7000-8000-%012d","meta":{},"status":"final",`+
		`"category":[{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/observation-category","code":"exam"}]}],`+
		`"code":{"coding":[{"system":"http://loinc.org","code":"9203-1","display":"Fluid output wound drain"}]},"subject":{"reference":"Patient/p%d"},"device":{"reference":"Device/d%d"},`+
		`"effectiveDateTime":%q,"performer":[{"reference":"Practitioner/n%d"}],"valueQuantity":{"value":%s,"unit":"mL","system":"http://unitsofmeasure.org","code":"mL"},`+
		`"component":[{"code":{"coding":[{"system":"http://loinc.org","code":"72290-0"}]},"valueCodeableConcept":{"coding":[{"system":"http://tidemark.example.org/fhir/CodeSystem/drain","code":"serous"}]}},`+
		`{"code":{"coding":[{"system":"http://tidemark.example.org/fhir/CodeSystem/drain","code":"suction-state"}]},"valueCodeableConcept":{"coding":[{"system":"http://tidemark.example.org/fhir/CodeSystem/drain","code":"charged"}]}}]}`,
		n, d/2, d, at.Format(time.RFC3339), n%40, ml))
	v, _ := drain.ParseML(ml)
	w.Method, w.Expect = store.Post, store.Absent
	w.Facts.Entry = &drain.Entry{Kind: drain.Emptying, Drain: fmt.Sprint("d", d), Patient: fmt.Sprint("p", d/2), At: at, Status: "final", Measured: drain.Measure{Known: true, Volume: v},
		Appearance: drain.Serous, Suction: drain.Charged, DoneBy: fmt.Sprint("Practitioner/n", n%40)}
	return w
}

// BenchmarkCommit writes b.N emptyings from 64 goroutines, each one Commit of
// its own, then the same rows raw, in groups of the size that the writer made,
// into an empty file in the same file system. It reports both rates and their
// ratio.
func BenchmarkCommit(b *testing.B) {
	s := openIn(b, options(b), nil)
	writes := make([]store.Write, b.N)
	for i := range writes {
		writes[i] = emptying(b, i)
	}
	var next atomic.Int64
	took := make([]time.Duration, b.N)
	b.ResetTimer()
	start := time.Now()
	var wg sync.WaitGroup
	for range 64 {
		wg.Go(func() {
			for {
				i := int(next.Add(1)) - 1
				if i >= b.N {
					return
				}
				began := time.Now()
				if _, err := s.Commit(context.Background(), writes[i:i+1], nil); err != nil {
					b.Error(err)
					return
				}
				took[i] = time.Since(began)
			}
		})
	}
	wg.Wait()
	service := time.Since(start)
	b.StopTimer()
	slices.Sort(took)
	b.ReportMetric(float64(b.N)/service.Seconds(), "commits/s")
	b.ReportMetric(float64(took[b.N*99/100].Microseconds())/1000, "p99-ms")
	raw := rawInserts(b, writes, 64)
	b.ReportMetric(float64(b.N)/raw.Seconds(), "raw/s")
	b.ReportMetric(raw.Seconds()/service.Seconds(), "of-raw")
}

// BenchmarkTransaction writes transactions of 100.
func BenchmarkTransaction(b *testing.B) {
	s := openIn(b, options(b), nil)
	writes := make([]store.Write, b.N*100)
	for i := range writes {
		writes[i] = emptying(b, i)
	}
	b.ResetTimer()
	start := time.Now()
	var next atomic.Int64
	var wg sync.WaitGroup
	for range 4 {
		wg.Go(func() {
			for {
				i := int(next.Add(1)) - 1
				if i >= b.N {
					return
				}
				if _, err := s.Commit(context.Background(), writes[i*100:i*100+100], nil); err != nil {
					b.Error(err)
					return
				}
			}
		})
	}
	wg.Wait()
	service := time.Since(start)
	b.StopTimer()
	b.ReportMetric(float64(len(writes))/service.Seconds(), "resources/s")
	raw := rawInserts(b, writes, 100)
	b.ReportMetric(float64(len(writes))/raw.Seconds(), "raw/s")
	b.ReportMetric(raw.Seconds()/service.Seconds(), "of-raw")
}

// rawInserts writes the same rows with nothing around them: one connection,
// prepared statements, everything worked out before, groups of a transaction.
func rawInserts(b *testing.B, writes []store.Write, group int) time.Duration {
	type raw struct {
		text string
		args []any
	}
	rows := make([][]raw, len(writes))
	for i, w := range writes {
		x, f := indexOf(w.Doc), factOf(w.Key.ID, w.Facts)
		seq := i + 1
		rows[i] = []raw{
			{"INSERT INTO resource (rid, type, id, number, seq, at, deleted, date, date_end, fact, fact_key, fact_at) VALUES (?,?,?,?,?,?,?,?,?,?,?,?)",
				[]any{seq, w.Key.Type, w.Key.ID, 1, seq, seq, false, x.date, x.end, f.row.kind, f.row.key, f.row.at}},
			{"INSERT INTO version (seq, rid, number, type, at, method, meta, body) VALUES (?,?,?,?,?,?,?,?)", []any{seq, seq, 1, w.Key.Type, seq, "POST", w.Body.Meta, w.Body.JSON}},
			{f.text, append(slices.Clip(f.args), int64(1))},
		}
		for keys := x.keys; len(keys) > 0; {
			n := 1 // in the groups that insertKeys makes
			for 2*n <= min(len(keys), 16) {
				n *= 2
			}
			var args []any
			for _, k := range keys[:n] {
				args = append(args, k, x.date, seq)
			}
			rows[i] = append(rows[i], raw{"INSERT INTO key_idx (key, date, rid) VALUES " + values(n, 3), args})
			keys = keys[n:]
		}
		for _, n := range x.nums {
			rows[i] = append(rows[i], raw{"INSERT INTO num_idx (param, value, rid) VALUES (?,?,?)", []any{n.param, n.value, seq}})
		}
	}
	c, err := connect(context.Background(), filepath.Join(b.TempDir(), fileName), readWrite, "journal_mode(WAL)", "synchronous(FULL)", cacheSize(writerCache))
	if err != nil {
		b.Fatal(err)
	}
	defer func() { _ = c.close() }()
	if err := (&writer{c: c}).migrate(); err != nil {
		b.Fatal(err)
	}
	start := time.Now()
	for len(rows) > 0 {
		n := min(group, len(rows))
		if err := c.exec("BEGIN IMMEDIATE"); err != nil {
			b.Fatal(err)
		}
		for _, r := range rows[:n] {
			for _, x := range r {
				if err := c.exec(x.text, x.args...); err != nil {
					b.Fatal(err)
				}
			}
		}
		if err := c.exec("COMMIT"); err != nil {
			b.Fatal(err)
		}
		rows = rows[n:]
	}
	return time.Since(start)
}

// filled is a store with n emptyings.
func filled(b *testing.B, n int) *opened {
	s := openIn(b, options(b), nil)
	for i := 0; i < n; i += 500 {
		var writes []store.Write
		for k := i; k < i+500 && k < n; k++ {
			writes = append(writes, emptying(b, k))
		}
		if _, err := s.Commit(context.Background(), writes, nil); err != nil {
			b.Fatal(err)
		}
	}
	return s
}

func BenchmarkRead(b *testing.B) {
	s := filled(b, 20000)
	ctx := context.Background()
	parse := func(params ...search.Pair) search.Query {
		q, _, err := search.ParseQuery("Observation", params, search.ParseOptions{})
		if err != nil {
			b.Fatal(err)
		}
		return q
	}
	newest := parse(search.Pair{Name: "patient", Value: "p7"}, search.Pair{Name: "_sort", Value: "-date"})
	coded := parse(search.Pair{Name: "code", Value: "9203-1"}, search.Pair{Name: "patient", Value: "p7"}, search.Pair{Name: "date", Value: "ge2026-01-03"})
	from := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
	for name, f := range map[string]func() error{
		"read by id": func() error {
			_, err := s.Read(ctx, store.Key{Type: "Observation", ID: "01890000-0000-7000-8000-000000000777"})
			return err
		},
		"page newest": func() error { _, err := s.Search(ctx, newest); return err },
		"page coded":  func() error { _, err := s.Search(ctx, coded); return err },
		"week of drain": func() error {
			_, err := s.Entries(ctx, store.EntryQuery{Drain: "d7", From: from, To: from.AddDate(0, 0, 7)})
			return err
		},
		"count of code": func() error { _, err := s.Count(ctx, parse(search.Pair{Name: "code", Value: "9203-1"}), 0); return err },
		"1000 changes":  func() error { _, err := s.Changes(ctx, 5000, 1000); return err },
	} {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			for range b.N {
				if err := f(); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
