package bulk

import (
	"database/sql"
	"fmt"
	"path/filepath"
	"runtime"
	"syscall"
	"testing"
	"time"

	"tidemark/internal/fhirjson"
	"tidemark/internal/store"
)

// many charts n emptyings of 200 drains.
func (b *bench) many(n int) {
	b.t.Helper()
	var batch []store.Write
	for d := range 200 {
		for _, text := range []string{
			fmt.Sprintf(`{"resourceType":"Device","id":"d%d","status":"active","deviceName":[{"name":"Drain %d","type":"user-friendly-name"}],"patient":{"reference":"Patient/p%d"}}`, d, d, d/2),
			fmt.Sprintf(`{"resourceType":"DeviceUseStatement","id":"u%d","status":"active","subject":{"reference":"Patient/p%d"},"device":{"reference":"Device/d%d"},"timingPeriod":{"start":"2026-01-01T00:00:00Z"}}`, d, d/2, d),
		} {
			tree, err := fhirjson.Parse([]byte(text))
			if err != nil {
				b.t.Fatal(err)
			}
			batch = append(batch, write(store.Key{Type: tree.Str("resourceType"), ID: tree.Str("id")}, tree))
		}
	}
	first := time.Date(2026, 1, 1, 4, 0, 0, 0, time.UTC)
	for i := range n {
		d, at := i%200, first.Add(time.Duration(i/200)*4*time.Hour)
		tree, err := fhirjson.Parse(fmt.Appendf(nil, `{"resourceType":"Observation","id":"o%d","status":"final","category":[{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/observation-category","code":"exam"}]}],`+
			`"code":{"coding":[{"system":"http://loinc.org","code":"9203-1","display":"Fluid output wound drain"}]},"subject":{"reference":"Patient/p%d"},"device":{"reference":"Device/d%d"},`+
			`"effectiveDateTime":%q,"performer":[{"reference":"Practitioner/n1"}],"valueQuantity":{"value":%d,"unit":"mL","system":"http://unitsofmeasure.org","code":"mL"},`+
			`"component":[{"code":{"coding":[{"system":"http://loinc.org","code":"72290-0"}]},"valueCodeableConcept":{"coding":[{"system":"http://tidemark.example.org/fhir/CodeSystem/drain","code":"serous"}]}},`+
			`{"code":{"coding":[{"system":"http://tidemark.example.org/fhir/CodeSystem/drain","code":"suction-state"}]},"valueCodeableConcept":{"coding":[{"system":"http://tidemark.example.org/fhir/CodeSystem/drain","code":"charged"}]}}]}`,
			i, d/2, d, at.Format(time.RFC3339), 20+i%80))
		if err != nil {
			b.t.Fatal(err)
		}
		batch = append(batch, write(store.Key{Type: "Observation", ID: fmt.Sprint("o", i)}, tree))
		if len(batch) >= 2000 || i == n-1 {
			if _, err := b.store.Commit(b.t.Context(), batch, nil); err != nil {
				b.t.Fatal(err)
			}
			batch = batch[:0]
		}
	}
	b.clock.advance(400 * 24 * time.Hour)
}

const benchRows = 120_000

// raw reads the same rows from the same file, as they lie there, through the
// driver alone.
func (b *bench) raw(db *sql.DB) int {
	rows, err := db.QueryContext(b.t.Context(), "SELECT body FROM version WHERE type = 'Observation' ORDER BY seq")
	if err != nil {
		b.t.Fatal(err)
	}
	defer rows.Close()
	n := 0
	for rows.Next() {
		var body []byte
		if err := rows.Scan(&body); err != nil {
			b.t.Fatal(err)
		}
		n++
	}
	if err := rows.Err(); err != nil {
		b.t.Fatal(err)
	}
	return n
}

// BenchmarkExport exports Observations and reports the rate against reading
// the same rows raw.
func BenchmarkExport(b *testing.B) {
	x := newBench(b)
	x.many(benchRows)
	// The same driver as the store's, with nothing in between.
	db, err := sql.Open("sqlite", filepath.Join(x.dir, "tidemark.db"))
	if err != nil {
		b.Fatal(err)
	}
	defer db.Close()
	for _, test := range []struct {
		name, query string
		scan        Scanner
	}{
		{"store", "_type=Observation", x.store},
		{"feed", "_type=Observation", feed{x.store}},
		{"filtered", "_type=Observation&_typeFilter=Observation%3Fcode%3D9203-1", x.store},
		{"csv", "_outputFormat=csv", x.store},
		{"parquet", "_outputFormat=parquet", x.store},
	} {
		b.Run(test.name, func(b *testing.B) {
			x.t = b
			s, who := x.service(), caller(everything)
			s.scan = test.scan
			var raw, export, rawCPU, exportCPU time.Duration
			for b.Loop() {
				began, spent := time.Now(), cpu()
				if n := x.raw(db); n != benchRows {
					b.Fatal(n)
				}
				raw, rawCPU = raw+time.Since(began), rawCPU+cpu()-spent
				began, spent = time.Now(), cpu()
				j := x.export(s, who, x.request(OfSystem, "", test.query))
				export, exportCPU = export+time.Since(began), exportCPU+cpu()-spent
				if j.Phase != Complete {
					b.Fatal(j.Error)
				}
				if err := s.Delete(b.Context(), who, j.ID); err != nil {
					b.Fatal(err)
				}
			}
			rows := float64(benchRows * b.N)
			b.ReportMetric(rows/export.Seconds(), "rows/s")
			b.ReportMetric(rows/raw.Seconds(), "raw/s")
			b.ReportMetric(raw.Seconds()/export.Seconds(), "of-raw")
			// The two rates suffer unequally when the machine is busy; their processor time does not.
			b.ReportMetric(float64(rawCPU)/float64(exportCPU), "of-raw-cpu")
			var m runtime.MemStats
			runtime.ReadMemStats(&m)
			b.ReportMetric(float64(m.HeapInuse)/(1<<20), "heap-MB")
		})
	}
}

// cpu is the processor time that the process has used.
func cpu() time.Duration {
	var u syscall.Rusage
	if syscall.Getrusage(syscall.RUSAGE_SELF, &u) != nil {
		return 0
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}
