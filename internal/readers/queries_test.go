//go:build cgo && (amd64 || arm64) && (linux || darwin)

package readers

import (
	"database/sql"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"tidemark/internal/sim"
)

// TestQueries runs each query of QUERIES.md as it stands there, over a simulated
// hospital and the drain that was charted by hand.
func TestQueries(t *testing.T) {
	zone, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	end := time.Date(2026, 3, 31, 12, 0, 0, 0, time.UTC)
	s := serve(t, end, "calendar:\n  zone: Europe/Berlin\n", nil)
	s.hospital(sim.Options{Seed: 7, Patients: 30, Days: 4, End: end, Zone: zone})
	s.byHand()
	paths, _ := s.export(t.TempDir(), "parquet")
	db, err := sql.Open("duckdb", "?autoinstall_known_extensions=false&autoload_known_extensions=false")
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	w := &warehouse{t, db}
	for _, table := range tables {
		if _, err := db.ExecContext(t.Context(), "CREATE VIEW "+strings.ReplaceAll(table, "-", "_")+" AS FROM read_parquet("+pathList(paths["parquet"][table])+")"); err != nil {
			t.Fatal(err)
		}
	}
	page, err := os.ReadFile("../bulk/QUERIES.md")
	if err != nil {
		t.Fatal(err)
	}
	blocks := regexp.MustCompile("(?s)## (\\d)\\..*?```sql\n(.*?)```").FindAllStringSubmatch(string(page), -1)
	if len(blocks) != 8 {
		t.Fatalf("%d queries", len(blocks))
	}
	answers := map[string][][]string{}
	for _, b := range blocks {
		answers[b[1]] = w.rows("SELECT COLUMNS(*)::VARCHAR FROM (" + strings.TrimSuffix(strings.TrimSpace(b[2]), ";") + ")")
		if len(answers[b[1]]) == 0 && b[1] != "6" { // a hospital without outliers is one
			t.Errorf("query %s finds nothing", b[1])
		}
	}
	find := func(query string, want ...string) {
		t.Helper()
		if !slices.ContainsFunc(answers[query], func(row []string) bool {
			for _, x := range want {
				if !slices.Contains(row, x) {
					return false
				}
			}
			return true
		}) {
			t.Errorf("query %s: no row holds %q: %v", query, want, answers[query])
		}
	}
	// By hand: the drain was out from 05:30 to 08:00; on the 29th, 24 h of which the
	// policy asks for a reading every 4 h, one was read; the day of hand-b's second
	// drain gave 5 mL, and nothing else of theirs was charted.
	find("8", "hand", "hand-2", "150")
	find("4", "hand", "6", "1")
	find("7", "hand-b", "5.000000", "-5.000000")
	// 23.5 h are 0.979167 days.
	find("2", "0.979167")
	// The curve only falls, from at most 1.
	last := "1"
	for _, row := range answers["2"] {
		if row[3] > last && !strings.Contains(row[3], "e-") {
			t.Errorf("the share in place rises from %s to %s", last, row[3])
		}
		last = row[3]
	}
}
