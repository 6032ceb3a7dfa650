package bulk

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	gocmp "github.com/google/go-cmp/cmp"
)

// Tables that are kept up by exports _since the one before are those of a whole
// export: after corrections, deletions, a drain placed again and one that is gone.
func TestTablesSince(t *testing.T) {
	t.Run("whole", func(t *testing.T) { tablesSince(t, "") })
	t.Run("by month", func(t *testing.T) { tablesSince(t, "&_partition=month") })
}

func tablesSince(t *testing.T, layout string) {
	b := newBench(t)
	b.hospital(6, 4)
	b.put(fmt.Sprintf(deviceText, "Drain 1"))
	b.put(placedText)
	b.put(`{"resourceType":"Patient","id":"p","gender":"female","birthDate":"1961-02-03"}`)
	b.put(emptied("o", "2026-11-25T09:00:00Z", "40.50", ""))
	b.put(emptied("gone", "2026-11-25T10:00:00Z", "11", ""))
	s, who := b.service(), caller(everything)
	b.clock.advance(time.Hour)
	take := func(query string) (*Job, map[string][]string) {
		t.Helper()
		j := b.export(s, who, b.request(OfSystem, "", "_outputFormat=parquet"+layout+query))
		if j.Phase != Complete {
			t.Fatal(j.Error)
		}
		out := map[string][]string{}
		for _, table := range Tables() {
			for _, row := range b.sheetOf(s, j, table.Name) {
				var cells []string
				for _, c := range table.Columns {
					cells = append(cells, c.Name+"="+row[c.Name])
				}
				out[table.Name] = append(out[table.Name], strings.Join(cells, "|")+"|")
			}
		}
		return j, out
	}
	first, have := take("")
	b.clock.advance(time.Hour)
	b.put(emptied("o", "2026-11-25T09:00:00Z", "41", ""))
	b.delete("Observation", "gone")
	b.put(`{"resourceType":"Patient","id":"p","gender":"male","birthDate":"1961-02-03"}`)
	b.put(strings.Replace(placedText, `"active"`, `"completed"`, 1))
	b.clock.advance(time.Hour)
	_, change := take("&_since=" + instant(first.Time))

	gone := map[string]bool{}
	for _, row := range change["changed"] {
		kind, rest, _ := strings.Cut(strings.TrimPrefix(row, "kind="), "|id=")
		gone["|"+kind+"_id="+strings.TrimSuffix(rest, "|")+"|"] = true
	}
	if !gone["|drain_id=d|"] || !gone["|patient_id=p|"] {
		t.Fatalf("not among what to replace: %v", change["changed"])
	}
	ofDrains := []string{"emptying", "drain-day", "placement", "concern", "site-assessment"}
	for _, table := range Tables() {
		name := table.Name
		if name == "changed" {
			continue
		}
		key := "patient_id="
		if slices.Contains(ofDrains, name) {
			key = "drain_id="
		}
		have[name] = slices.DeleteFunc(have[name], func(row string) bool {
			i := strings.Index("|"+row, "|"+key)
			if i < 0 {
				return false
			}
			rest := ("|" + row)[i:]
			return gone[rest[:strings.Index(rest[1:], "|")+2]]
		})
		have[name] = append(have[name], change[name]...)
		slices.SortFunc(have[name], cmp.Compare[string])
	}
	_, whole := take("")
	for _, table := range Tables() {
		slices.SortFunc(whole[table.Name], cmp.Compare[string])
		if table.Name == "changed" {
			continue
		}
		// Days that go on end with the export; the two were taken a moment apart.
		now := func(rows []string) (out []string) {
			for _, r := range rows {
				r, _, _ = strings.Cut(r, "|end_at=")
				r, _, _ = strings.Cut(r, "|days_in_place=")
				out = append(out, r)
			}
			return out
		}
		if d := gocmp.Diff(now(whole[table.Name]), now(have[table.Name])); d != "" {
			t.Errorf("%s: %s", table.Name, d)
		}
	}
	if len(change["emptying"]) >= len(whole["emptying"]) {
		t.Errorf("the change is as large as the whole: %d rows", len(change["emptying"]))
	}
}
