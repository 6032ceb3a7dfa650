package bench

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"tidemark/internal/search"
	"tidemark/internal/store"
	embedded "tidemark/internal/store/sqlite"
)

// trail writes n AuditEvents of 90 days that end at end: 1,000 patients, 200 staff,
// nine reads to a write, a refusal among a thousand.
func trail(tb testing.TB, dir string, n int, end time.Time) {
	tb.Helper()
	db, err := embedded.Open(context.Background(), embedded.Options{Dir: dir, Clock: func() time.Time { return end },
		Extract: func(context.Context, []byte) (search.Doc, error) { return search.Doc{}, nil }})
	if err != nil {
		tb.Fatal(err)
	}
	step := 90 * 24 * time.Hour / time.Duration(n)
	records := make([]store.AuditRecord, 0, 1000)
	for i := range n {
		r := store.AuditRecord{
			ID: fmt.Sprintf("a%09d", i), At: end.Add(-step * time.Duration(n-i)), Action: "R", Interaction: "read", Outcome: "0",
			Agent: fmt.Sprintf("Practitioner/staff-%d", i%200), Client: "board", Address: "192.0.2.7",
			Patient: fmt.Sprintf("p%d", i%1000), Entity: fmt.Sprintf("Observation/o%d", i/20),
		}
		switch {
		case i%1000 == 1:
			r.Outcome, r.Detail = "8", "The token has no scope for it."
		case i%10 == 0:
			r.Action, r.Interaction, r.Entity = "C", "create", r.Entity+"/_history/1"
		case i%10 == 5:
			r.Interaction, r.Entity, r.Query = "search-type", "", "Observation?patient="+r.Patient
		}
		if records = append(records, r); len(records) == cap(records) || i == n-1 {
			if err := db.Audit(context.Background(), records); err != nil {
				tb.Fatal(err)
			}
			records = records[:0]
		}
	}
	if err := db.Close(); err != nil {
		tb.Fatal(err)
	}
}

// BenchmarkAudit: searches of AuditEvents among half a million, each 20 times over
// one connection.
func BenchmarkAudit(b *testing.B) {
	n := 500_000
	if testing.Short() {
		n = 5000
	}
	dir, err := os.MkdirTemp(shared.folder(b), "audit-")
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { os.RemoveAll(dir) })
	now := time.Date(2026, 11, 20, 12, 0, 0, 0, time.UTC)
	s := &site{dir: dir}
	s.clock.Store(now.Unix())
	clock := func() time.Time { return time.Unix(s.clock.Load(), 0) }
	began := time.Now()
	trail(b, dir, n, now)
	info, err := os.Stat(filepath.Join(dir, storeFile))
	if err != nil {
		b.Fatal(err)
	}
	say(b, "%d AuditEvents written in %s, %.0f MB", n, time.Since(began).Round(100*time.Millisecond), float64(info.Size())/1e6)
	s.App = open(b, dir, clock)
	s.App.Start()
	defer s.stop(b)
	s.token = mint(b, s.Key(), now)
	day := now.Add(-30 * 24 * time.Hour)
	hour := day.Add(time.Hour)
	dates := "date=ge" + day.Format("2006-01-02T15:04:05Z") + "&date=lt" + hour.Format("2006-01-02T15:04:05Z")
	for _, query := range []string{
		"_count=50", "_sort=-date&_count=50", "patient=p7", "patient=p7,p8", "patient=p7&action=C", "agent=Practitioner/staff-7&_count=50",
		"entity=Observation/o7", "outcome=8", "outcome=8&_total=accurate", "action=C&_count=50", "subtype=search-type&_count=50",
		dates, dates + "&_total=accurate", dates + "&_sort=date", "patient=p7&_summary=count", "action:not=R&_count=50", "_id=a000000007",
	} {
		req := request("GET", "/fhir/AuditEvent?"+query, s.token, nil)
		var r run
		b.Run(query, func(b *testing.B) {
			for range b.N {
				r = send(b, s.Addr(), [][][]byte{slices.Repeat([][]byte{req}, 20)}, nil)
				r.only(b, 200)
			}
		})
		if !bytes.Contains(r.last, []byte(`"AuditEvent"`)) && !bytes.Contains(r.last, []byte(`"total"`)) {
			b.Errorf("%s: finds nothing: %.300s", query, r.last)
		}
		say(b, "%-70s median %6.1f ms  slowest %6.1f ms  %d matches", query, ms(r.quantile(0.5)), ms(r.quantile(1)), bytes.Count(r.last, []byte(`"match"`)))
	}
}
