package bulk

import (
	"bytes"
	"context"
	"encoding/csv"
	"flag"
	"fmt"
	"math/big"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/parquet-go/parquet-go"
	"pgregory.net/rapid"

	"tidemark/internal/auth"
	"tidemark/internal/balance"
	"tidemark/internal/drain"
	"tidemark/internal/fault"
	"tidemark/internal/policy"
	"tidemark/internal/store"
	"tidemark/internal/window"
)

var update = flag.Bool("update", false, "write the golden files")

// sheetOf are the rows of a table by column name, from all its files.
func (b *bench) sheetOf(s *Service, j *Job, table string) []map[string]string {
	b.t.Helper()
	return b.sheetAs(s, caller(everything), j, table)
}

func (b *bench) sheetAs(s *Service, who *auth.Principal, j *Job, table string) []map[string]string {
	b.t.Helper()
	var out []map[string]string
	i := slices.IndexFunc(Tables(), func(t Table) bool { return t.Name == table })
	columns := Tables()[i].Columns
	for _, f := range j.Files {
		if f.Table != table {
			continue
		}
		data := b.content(s, who, j, f.Name)
		var rows []map[string]string
		if strings.HasSuffix(f.Name, ".csv") {
			lines, err := csv.NewReader(bytes.NewReader(data)).ReadAll()
			if err != nil {
				b.t.Fatal(err)
			}
			for _, line := range lines[1:] {
				row := map[string]string{}
				for i, name := range lines[0] {
					row[name] = line[i]
				}
				rows = append(rows, row)
			}
		} else {
			rows = readParquet(b.t, data, columns)
		}
		if int64(len(rows)) != f.Count {
			b.t.Errorf("%s: %d rows, count says %d", f.Name, len(rows), f.Count)
		}
		out = append(out, rows...)
	}
	return out
}

// readParquet reads a file by its own schema and gives the cells as CSV has
// them.
func readParquet(t testing.TB, data []byte, columns []Column) []map[string]string {
	t.Helper()
	f, err := parquet.OpenFile(bytes.NewReader(data), int64(len(data)))
	if err != nil {
		t.Fatal(err)
	}
	var out []map[string]string
	fields := f.Schema().Fields()
	rows := parquet.NewReader(f)
	buf := make([]parquet.Row, 64)
	for {
		n, err := rows.ReadRows(buf)
		for _, r := range buf[:n] {
			row := map[string]string{}
			for i, v := range r {
				if v.IsNull() {
					row[fields[i].Name()] = ""
					continue
				}
				c := cell{set: true}
				switch v.Kind() {
				case parquet.ByteArray:
					c.text = string(v.ByteArray())
				case parquet.Int32:
					c.n = int64(v.Int32())
				case parquet.Int64:
					c.n = v.Int64()
				case parquet.Boolean:
					if v.Boolean() {
						c.n = 1
					}
				}
				row[fields[i].Name()] = c.csv(columns[i].Kind)
			}
			out = append(out, row)
		}
		if err != nil {
			return out
		}
	}
}

func number(t testing.TB, s string) *big.Rat {
	t.Helper()
	r, ok := new(big.Rat).SetString(s)
	if !ok {
		t.Fatalf("%q is no number", s)
	}
	return r
}

// TestTablesAgree reads both formats back: the same rows, emptyings that add
// up to the days, and days that are what package balance says.
func TestTablesAgree(t *testing.T) {
	b := newBench(t)
	b.hospital(6, 4)
	s, who := b.service(func(o *Options) { o.FileRows = 100 }), caller(everything)
	asCSV := b.export(s, who, b.request(OfSystem, "", "_outputFormat=csv"))
	b.clock.mu.Lock()
	b.clock.now = asCSV.Time.Add(-time.Millisecond) // the same transactionTime
	b.clock.mu.Unlock()
	asParquet := b.export(s, who, b.request(OfSystem, "", "_outputFormat=parquet"))
	if asCSV.Phase != Complete || asParquet.Phase != Complete {
		t.Fatal(asCSV.Error, asParquet.Error)
	}
	if len(asParquet.Files) < 4 {
		t.Errorf("%d files; the rows were to be split", len(asParquet.Files))
	}
	for _, table := range Tables() {
		a, p := b.sheetOf(s, asCSV, table.Name), b.sheetOf(s, asParquet, table.Name)
		if len(a) == 0 && table.Name != "concern" && table.Name != "changed" { // no rule is evaluated here, and nothing to replace
			t.Error(table.Name, "is empty")
		}
		if d := cmp.Diff(a, p); d != "" {
			t.Error(table.Name, d)
		}
		for _, row := range a {
			for _, c := range table.Columns {
				if row[c.Name] == "" && !c.Null {
					t.Fatalf("%s: %s is empty", table.Name, c.Name)
				}
			}
		}
	}
	sums := map[string]*big.Rat{}
	for _, row := range b.sheetOf(s, asParquet, "emptying") {
		key := row["drain_id"] + row["placement_id"] + " " + row["day"]
		if sums[key] == nil {
			sums[key] = new(big.Rat)
		}
		if row["net_ml"] != "" {
			sums[key].Add(sums[key], number(t, row["net_ml"]))
		}
	}
	days := b.sheetOf(s, asParquet, "drain-day")
	net := map[string]*big.Rat{}
	for _, row := range days {
		if row["net_ml"] == "" {
			if row["readings"] != "0" {
				t.Errorf("a day with readings has no volume: %v", row)
			}
			continue
		}
		net[row["drain_id"]+row["placement_id"]+" "+row["day"]] = number(t, row["net_ml"])
	}
	for key, sum := range sums {
		if net[key] == nil && sum.Sign() == 0 {
			continue // none of its emptyings was measured
		}
		if net[key] == nil || net[key].Cmp(sum) != 0 {
			t.Errorf("%s: emptyings give %v, the day %v", key, sum, net[key])
		}
	}
	b.agree(days, asParquet.Time)
}

// agree computes the days anew from the store, as $drain-output does.
func (b *bench) agree(days []map[string]string, now time.Time) {
	b.t.Helper()
	settings := policy.Default().For(nil, drain.Drain{})
	seen := 0
	for after := ""; ; {
		drains, err := b.store.Drains(b.t.Context(), store.DrainQuery{After: after, Limit: 100})
		if err != nil {
			b.t.Fatal(err)
		}
		if len(drains) == 0 {
			break
		}
		for _, d := range drains {
			after = d.ID
			ps, _ := b.store.Placements(b.t.Context(), d.ID)
			es, _ := b.store.Entries(b.t.Context(), store.EntryQuery{Drain: d.ID})
			if len(ps) != 1 || ps[0].Start.IsZero() || !ps[0].End.IsZero() {
				continue
			}
			ws, err := settings.Calendar.Windows(window.Day, ps[0].Start, now)
			if err != nil {
				b.t.Fatal(err)
			}
			for _, total := range balance.Totals(es, ps[0].Start, time.Time{}, ws, balance.Charted, settings.Balance, now) {
				i := slices.IndexFunc(days, func(r map[string]string) bool { return r["drain_id"] == d.ID && r["day"] == total.Window.Label })
				if i < 0 {
					b.t.Errorf("%s has no row for %s", d.ID, total.Window.Label)
					continue
				}
				seen++
				row := days[i]
				if total.Absent != "" {
					if row["net_ml"] != "" || row["measured_ml"] != "" {
						b.t.Errorf("%s %s: nothing was read, the row says %s", d.ID, total.Window.Label, row["net_ml"])
					}
					continue
				}
				want := []string{volume(total.Net).csv(Decimal), volume(total.Measured).csv(Decimal), decimal(total.Coverage).csv(Decimal), fmt.Sprint(total.N), fmt.Sprint(total.Preliminary), float(total.U, total.HasU).csv(Decimal)}
				got := []string{row["net_ml"], row["measured_ml"], row["coverage"], row["readings"], row["preliminary"], row["expanded_uncertainty_ml"]}
				if d := cmp.Diff(want, got); d != "" {
					b.t.Error(total.Window.Label, d)
				}
			}
		}
	}
	if seen < 10 {
		b.t.Errorf("only %d days were compared", seen)
	}
}

const (
	deviceText = `{"resourceType":"Device","id":"d","status":"active","deviceName":[{"name":%q,"type":"user-friendly-name"}],"patient":{"reference":"Patient/p"}}`
	placedText = `{"resourceType":"DeviceUseStatement","id":"u","status":"active","subject":{"reference":"Patient/p"},"device":{"reference":"Device/d"},"timingPeriod":{"start":"2026-11-25T06:00:00Z"}}`
)

func emptied(id, at, value, more string) string {
	return fmt.Sprintf(`{"resourceType":"Observation","id":%q,"status":"final","code":{"coding":[{"system":"http://loinc.org","code":"9203-1"}]},"subject":{"reference":"Patient/p"},"device":{"reference":"Device/d"},"effectiveDateTime":%q%s,"valueQuantity":{"value":%s,"system":"http://unitsofmeasure.org","code":"mL"}}`, id, at, more, value)
}

func TestEmptyingRow(t *testing.T) {
	b := newBench(t)
	b.put(fmt.Sprintf(deviceText, "Drain 1"))
	b.put(placedText)
	more := `,"performer":[{"reference":"Practitioner/n"}],"component":[` +
		`{"code":{"coding":[{"system":"http://loinc.org","code":"72290-0"}]},"valueCodeableConcept":{"coding":[{"system":"http://tidemark.example.org/fhir/CodeSystem/drain","code":"serosanguineous"}]}},` +
		`{"code":{"coding":[{"system":"http://tidemark.example.org/fhir/CodeSystem/drain","code":"measuring-vessel"}]},"valueCodeableConcept":{"coding":[{"system":"http://tidemark.example.org/fhir/CodeSystem/drain","code":"graduated-cylinder"}]}},` +
		`{"code":{"coding":[{"system":"http://tidemark.example.org/fhir/CodeSystem/drain","code":"suction-state"}]},"valueCodeableConcept":{"coding":[{"system":"http://tidemark.example.org/fhir/CodeSystem/drain","code":"lost"}]}},` +
		`{"code":{"coding":[{"system":"http://tidemark.example.org/fhir/CodeSystem/drain","code":"reservoir-fill"}]},"valueQuantity":{"value":45,"system":"http://unitsofmeasure.org","code":"%"}},` +
		`{"code":{"coding":[{"system":"http://tidemark.example.org/fhir/CodeSystem/drain","code":"instilled-volume"}]},"valueQuantity":{"value":10,"system":"http://unitsofmeasure.org","code":"mL"}}]`
	v := b.put(emptied("o", "2026-11-25T09:00:00Z", "40.50", more))
	b.put(emptied("wrong", "2026-11-25T09:30:00Z", "7", ""))
	b.put(strings.Replace(emptied("wrong", "2026-11-25T09:30:00Z", "7", ""), `"final"`, `"entered-in-error"`, 1))
	b.commit(store.Write{Key: store.Key{Type: "DetectedIssue", ID: "f"}, Method: store.Put, Body: store.Body{JSON: []byte(`{"resourceType":"DetectedIssue","id":"f","meta":{}}`), Meta: len(`{"resourceType":"DetectedIssue","id":"f","meta":{`)},
		Facts: store.Facts{Concern: &drain.Concern{ID: "f", Drain: "d", Patient: "p", Kind: "function", Severity: drain.Moderate, Since: start, Evidence: []drain.Evidence{
			{Rule: "suction-lost", Readings: []string{"o"}}, {Rule: "reservoir-half", Readings: []string{"p"}}}}}})
	s, who := b.service(), caller(everything)
	rows := b.sheetOf(s, b.export(s, who, b.request(OfSystem, "", "_outputFormat=parquet")), "emptying")
	if len(rows) != 1 {
		t.Fatalf("%d rows, want the one that counts", len(rows))
	}
	u, _ := policy.Default().For(nil, drain.Drain{}).Balance.ReadingU(drain.Entry{Measured: drain.Measure{Known: true, Volume: drain.MLInt(40)}, Vessel: drain.GraduatedCylinder})
	want := map[string]string{
		"observation_id": "o", "patient_id": "p", "drain_id": "d", "placement_id": "u", "drain_label": "Drain 1", "ward_id": "", "compartment": "wound", "place_id": "", "shift": "day", "zone": "UTC", "post_op_day": "1", "post_op_from": "placement", "site": "", "side": "", "status": "final",
		"effective_at": "2026-11-25T09:00:00Z", "recorded_at": v.At.Format(time.RFC3339Nano), "day": "2026-11-25",
		"measured_ml": "40.5", "instilled_ml": "10", "net_ml": "30.5", "absent_reason": "", "estimated": "false", "standard_uncertainty_ml": float(u, true).csv(Decimal),
		"interval_start": "2026-11-25T06:00:00Z", "interval_hours": "3", "rate_ml_per_h": "10.166667", "vessel": "graduated-cylinder", "appearance": "serosanguineous", "appearance_rank": "1",
		"colour": "", "suction": "lost", "patency": "", "fill_percent": "45", "performer": "Practitioner/n", "concerns": "function", "concern_rules": "suction-lost", "concern_ids": "f",
	}
	if d := cmp.Diff(want, rows[0]); d != "" {
		t.Error(d)
	}
}

func TestFormulasAreNeutralised(t *testing.T) {
	b := newBench(t)
	b.put(fmt.Sprintf(deviceText, "=HYPERLINK(\"http://x\")"))
	b.put(placedText)
	b.put(emptied("o", "2026-11-25T09:00:00Z", "10", ""))
	s, who := b.service(), caller(everything)
	j := b.export(s, who, b.request(OfSystem, "", "_outputFormat=csv"))
	for _, table := range Tables() {
		for _, row := range b.sheetOf(s, j, table.Name) {
			if row["drain_label"] != "'=HYPERLINK(\"http://x\")" {
				t.Errorf("%s: %s", table.Name, row["drain_label"])
			}
		}
	}
	// Parquet is read by programs: there the label stays what it is.
	j = b.export(s, who, b.request(OfSystem, "", "_outputFormat=parquet"))
	if got := b.sheetOf(s, j, "emptying")[0]["drain_label"]; got != "=HYPERLINK(\"http://x\")" {
		t.Error(got)
	}
}

// TestTableSnapshot changes a drain's readings after the horizon is fixed.
func TestTableSnapshot(t *testing.T) {
	b := newBench(t)
	b.put(fmt.Sprintf(deviceText, "Drain 1"))
	b.put(placedText)
	b.put(emptied("kept", "2026-11-25T07:00:00Z", "10", ""))
	b.put(emptied("corrected", "2026-11-25T08:00:00Z", "20", ""))
	b.put(emptied("deleted", "2026-11-25T09:00:00Z", "30", ""))
	b.put(strings.Replace(emptied("moved", "2026-11-25T10:00:00Z", "40", ""), "Device/d", "Device/other", 1))
	s, who := b.service(), caller(everything)
	s.Settle = 0
	id, err := s.Start(t.Context(), who, b.request(OfSystem, "", "_outputFormat=csv"), "")
	if err != nil {
		t.Fatal(err)
	}
	s.scan = scanFunc(func(ctx context.Context, typ string, after, upTo int64, limit int) ([]store.Version, error) {
		if after == 0 {
			b.put(emptied("corrected", "2026-11-25T08:00:00Z", "25", ""))
			b.put(emptied("corrected", "2026-11-25T08:00:00Z", "26", ""))
			b.delete("Observation", "deleted")
			b.put(emptied("moved", "2026-11-25T10:00:00Z", "40", ""))
			b.put(emptied("new", "2026-11-25T11:00:00Z", "50", ""))
			b.put(strings.Replace(placedText, "06:00", "05:00", 1))
		}
		return feed{b.store}.Scan(ctx, typ, after, upTo, limit)
	})
	for s.next(t.Context(), 1) {
	}
	j, _, err := s.Status(t.Context(), who, id)
	if err != nil || j.Phase != Complete {
		t.Fatal(j, err)
	}
	got := map[string]string{}
	for _, row := range b.sheetOf(s, j, "emptying") {
		got[row["observation_id"]] = row["net_ml"] + " after " + row["interval_hours"] + " h"
	}
	if d := cmp.Diff(map[string]string{"kept": "10 after 1 h", "corrected": "20 after 1 h", "deleted": "30 after 1 h"}, got); d != "" {
		t.Error(d)
	}
}

func TestTableFilterAndGroup(t *testing.T) {
	b := newBench(t)
	b.put(fmt.Sprintf(deviceText, "Drain 1"))
	b.put(placedText)
	b.put(emptied("early", "2026-11-25T06:30:00Z", "10", ""))
	b.put(emptied("late", "2026-11-25T09:00:00Z", "20", ""))
	b.put(`{"resourceType":"Group","id":"mine","type":"person","actual":true,"member":[{"entity":{"reference":"Patient/p"}}]}`)
	b.put(`{"resourceType":"Group","id":"nobody","type":"person","actual":true}`)
	s, who := b.service(), caller(everything)
	for _, test := range []struct {
		level        Level
		group, query string
		want         []string
	}{
		{OfSystem, "", "", []string{"early", "late"}},
		{OfSystem, "", "&_typeFilter=Observation%3Fdate%3Dge2026-11-25T08:00:00Z", []string{"late"}},
		{OfSystem, "", "&_typeFilter=Observation%3Fpatient%3Dp%26date%3Dlt2026-11-25T08:00:00Z", []string{"early"}},
		{OfSystem, "", "&_typeFilter=Observation%3Fpatient%3Dq", nil},
		{OfGroup, "mine", "", []string{"early", "late"}},
		{OfGroup, "nobody", "", nil},
		{OfPatients, "", "", []string{"early", "late"}},
	} {
		j := b.export(s, who, b.request(test.level, test.group, "_outputFormat=csv"+test.query))
		var got []string
		for _, row := range b.sheetOf(s, j, "emptying") {
			got = append(got, row["observation_id"])
		}
		if d := cmp.Diff(test.want, got); d != "" {
			t.Error(test, d)
		}
		if len(j.Files) != len(Tables())-1 { // but for changed
			t.Errorf("%v: %d files, want all tables, empty or not", test, len(j.Files))
		}
	}
}

func TestEmptyGroupHoldsNobody(t *testing.T) {
	b := newBench(t)
	b.put(patient("a", "x"))
	b.put(`{"resourceType":"Group","id":"nobody","type":"person","actual":true}`)
	s, who := b.service(), caller(everything)
	if j := b.export(s, who, b.request(OfGroup, "nobody", "")); len(b.resources(s, who, j)) != 0 {
		t.Error("a group without members exported somebody")
	}
}

func TestTablesNeedAllReadings(t *testing.T) {
	b := newBench(t)
	for _, scope := range []string{"system/Observation.rs", "system/Device.rs system/DeviceUseStatement.rs system/DetectedIssue.rs system/Observation.rs?code=1", "patient/*.rs"} {
		if _, err := b.service().Start(t.Context(), caller(scope), b.request(OfSystem, "", "_outputFormat=csv"), ""); !fault.Is(err, fault.Forbidden) {
			t.Error(scope, err)
		}
	}
}

// TestDictionary keeps the dictionary, the CSV head and the Parquet schema the
// same; the golden file is what readers rely on.
func TestDictionary(t *testing.T) {
	rows, err := csv.NewReader(bytes.NewReader(DictionaryCSV())).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	i := 1
	for _, table := range Tables() {
		fields := schema(table).Fields()
		if len(fields) != len(table.Columns) {
			t.Fatal(table.Name, len(fields), "columns")
		}
		for k, c := range table.Columns {
			f := fields[k]
			if f.Name() != c.Name || f.Optional() != c.Null || c.Words == "" {
				t.Errorf("%s.%s: Parquet has %s, optional %v", table.Name, c.Name, f.Name(), f.Optional())
			}
			want := map[Kind]string{Text: "STRING", Decimal: "DECIMAL(18,6)", Instant: "TIMESTAMP(isAdjustedToUTC=true,unit=MICROS)", Date: "DATE", Integer: "INT(64,true)", Boolean: "BOOLEAN"}[c.Kind]
			if got := f.Type().String(); got != want {
				t.Errorf("%s.%s is %s, want %s", table.Name, c.Name, got, want)
			}
			if d := cmp.Diff([]string{table.Name, c.Name, string(c.Kind), c.Unit, fmt.Sprint(c.Null), c.Words}, rows[i]); d != "" {
				t.Error(d)
			}
			i++
		}
	}
	const golden = "testdata/dictionary.md"
	if *update {
		if err := os.WriteFile(golden, DictionaryMarkdown(), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(string(want), string(DictionaryMarkdown())); d != "" {
		t.Error("the dictionary has changed; look at it, and run with -update:", d)
	}
}

func TestDecimal(t *testing.T) {
	for in, want := range map[string]string{
		"0": "0", "12.5": "12.5", "-3": "-3", "-0.0000005": "0", "0.0000005": "0", "0.0000015": "0.000002", "-0.0000015": "-0.000002",
		"1/3": "0.333333", "-1/3": "-0.333333", "2/3": "0.666667", "29.5735295625": "29.57353", "1000000000000": "", "999999999999.999999": "999999999999.999999",
	} {
		if got := decimal(number(t, in)).csv(Decimal); got != want {
			t.Errorf("%s is %q, want %q", in, got, want)
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		r := big.NewRat(rapid.Int64Range(-1e15, 1e15).Draw(t, "n"), rapid.Int64Range(1, 1e6).Draw(t, "d"))
		c := decimal(r)
		if !c.set {
			return
		}
		got, _ := new(big.Rat).SetString(c.csv(Decimal))
		if off := new(big.Rat).Sub(got, r); off.Abs(off).Cmp(big.NewRat(1, 2_000_000)) > 0 {
			t.Fatalf("%v became %v", r, got)
		}
	})
}

// TestStays places one drain in two patients, one after the other.
func TestStays(t *testing.T) {
	b := newBench(t)
	b.put(fmt.Sprintf(deviceText, "Drain 1"))
	b.put(placedText)
	b.put(`{"resourceType":"DeviceUseStatement","id":"first","status":"completed","subject":{"reference":"Patient/q"},"device":{"reference":"Device/d"},"timingPeriod":{"start":"2026-11-24T06:00:00Z","end":"2026-11-24T20:00:00Z"}}`)
	b.put(strings.Replace(emptied("before", "2026-11-24T16:00:00Z", "30", ""), "Patient/p", "Patient/q", 1))
	b.put(emptied("now", "2026-11-25T10:00:00Z", "20", ""))
	s, who := b.service(), caller(everything)
	j := b.export(s, who, b.request(OfSystem, "", "_outputFormat=csv"))
	var got []string
	for _, r := range b.sheetOf(s, j, "emptying") {
		got = append(got, strings.Join([]string{r["observation_id"], r["placement_id"], r["patient_id"], r["interval_hours"], r["rate_ml_per_h"]}, " "))
	}
	for _, r := range b.sheetOf(s, j, "drain-day") {
		got = append(got, strings.Join([]string{r["placement_id"], r["patient_id"], r["day"], r["net_ml"], r["in_place_hours"]}, " "))
	}
	want := []string{"before first q 10 3", "now u p 4 5", "first q 2026-11-23  1", "first q 2026-11-24 30 13", "u p 2026-11-24  1", "u p 2026-11-25 20 5.000"}
	if d := cmp.Diff(want[:5], got[:min(len(got), 5)]); d != "" {
		t.Error(d)
	}
	if len(got) != 6 || !strings.HasPrefix(got[5], want[5]) {
		t.Error(got)
	}
}

// A transfer moves the drain from then on; the rows of before keep their ward.
func TestWardOfThen(t *testing.T) {
	b := newBench(t)
	b.put(fmt.Sprintf(deviceText, "Drain 1"))
	b.put(placedText)
	b.put(`{"resourceType":"Location","id":"bed","physicalType":{"coding":[{"code":"bd"}]},"partOf":{"reference":"Location/w1"}}`)
	b.put(`{"resourceType":"Location","id":"w1","physicalType":{"coding":[{"code":"wa"}]}}`)
	stay := func(place, start string) string {
		return fmt.Sprintf(`{"resourceType":"Encounter","id":"s","status":"in-progress","class":{"code":"IMP"},"subject":{"reference":"Patient/p"},"location":[{"location":{"reference":"Location/%s"},"status":"active","period":{"start":%q}}]}`, place, start)
	}
	b.put(stay("bed", "2026-11-24T20:00:00Z"))
	b.put(emptied("before", "2026-11-25T08:00:00Z", "30", ""))
	b.put(stay("w2", "2026-11-25T09:00:00Z"))
	b.put(emptied("then", "2026-11-25T10:00:00Z", "20", ""))
	s := b.service()
	j := b.export(s, caller(everything), b.request(OfSystem, "", "_outputFormat=csv"))
	var got []string
	for _, r := range b.sheetOf(s, j, "emptying") {
		got = append(got, r["observation_id"]+" "+r["ward_id"])
	}
	if d := cmp.Diff([]string{"before w1", "then w2"}, got); d != "" {
		t.Error(d)
	}
}

// The days count from the Encounter in which the drain was placed, by the ward's
// clock: on 25 October 2026 Berlin had 25 hours, and the ward's day begins at 07:00.
func TestPostOpDay(t *testing.T) {
	const encounter = `{"resourceType":"Encounter","id":%q,"status":%q,"class":{"code":"IMP"},"subject":{"reference":"Patient/p"},"period":{"start":%q%s}}`
	in := func(id, status, start, more string) string { return fmt.Sprintf(encounter, id, status, start, more) }
	placed := strings.Replace(placedText, "2026-11-25T06:00:00Z", "2026-10-25T10:00:00+01:00", 1)
	p, err := policy.Parse([]byte("calendar:\n  zone: Europe/Berlin\n...\n"), "policy.yaml")
	if err != nil {
		t.Fatal(err)
	}
	for name, test := range map[string]struct {
		placed     string
		encounters []string
		scope      string
		want       string
	}{
		"admitted before the day began":     {placed, []string{in("e", "in-progress", "2026-10-24T06:30:00+02:00", "")}, everything, "3 encounter"},
		"admitted after it began":           {placed, []string{in("e", "in-progress", "2026-10-24T07:00:00+02:00", "")}, everything, "2 encounter"},
		"discharged since":                  {placed, []string{in("e", "finished", "2026-10-24T07:00:00+02:00", `,"end":"2026-10-27T10:00:00+01:00"`)}, everything, "2 encounter"},
		"of two, the later":                 {placed, []string{in("e", "in-progress", "2026-10-20T07:00:00+02:00", ""), in("f", "in-progress", "2026-10-25T07:00:00+01:00", "")}, everything, "1 encounter"},
		"an earlier Encounter was over":     {placed, []string{in("e", "finished", "2026-10-20T07:00:00+02:00", `,"end":"2026-10-23T10:00:00+02:00"`)}, everything, "1 placement"},
		"admitted only after the placement": {placed, []string{in("e", "in-progress", "2026-10-26T06:00:00+01:00", "")}, everything, "1 placement"},
		"planned only":                      {placed, []string{in("e", "planned", "2026-10-24T07:00:00+02:00", "")}, everything, "1 placement"},
		"an Encounter without a start":      {placed, []string{`{"resourceType":"Encounter","id":"e","status":"in-progress","class":{"code":"IMP"},"subject":{"reference":"Patient/p"}}`}, everything, "1 placement"},
		"no Encounter":                      {placed, nil, everything, "1 placement"},
		"no right to Encounters":            {placed, []string{in("e", "in-progress", "2026-10-24T07:00:00+02:00", "")}, "system/Observation.rs system/Device.rs system/DeviceUseStatement.rs system/DetectedIssue.rs", "1 placement"},
		"a placement without a start":       {strings.Replace(placed, `,"timingPeriod":{"start":"2026-10-25T10:00:00+01:00"}`, "", 1), []string{in("e", "in-progress", "2026-10-24T07:00:00+02:00", "")}, everything, "2 encounter"},
		"neither":                           {strings.Replace(placed, `,"timingPeriod":{"start":"2026-10-25T10:00:00+01:00"}`, "", 1), nil, everything, " "},
	} {
		t.Run(name, func(t *testing.T) {
			b := newBench(t)
			b.put(fmt.Sprintf(deviceText, "Drain 1"))
			b.put(test.placed)
			for _, e := range test.encounters {
				b.put(e)
			}
			b.put(emptied("o", "2026-10-26T07:30:00+01:00", "10", ""))
			s, who := b.service(func(o *Options) {
				o.Settings = func(_ context.Context, d drain.Drain, _ []drain.Placement) (policy.Settings, error) {
					return p.For(nil, d), nil
				}
			}), caller(test.scope)
			j := b.export(s, who, b.request(OfSystem, "", "_outputFormat=csv"))
			rows := b.sheetAs(s, who, j, "emptying")
			if len(rows) != 1 || rows[0]["post_op_day"]+" "+rows[0]["post_op_from"] != test.want {
				t.Errorf("emptying: %v, want %s", rows, test.want)
			}
			for _, row := range b.sheetAs(s, who, j, "drain-day") {
				if row["day"] == "2026-10-26" && row["post_op_day"]+" "+row["post_op_from"] != test.want {
					t.Errorf("drain-day: %v, want %s", row, test.want)
				}
			}
		})
	}
}

// Files by month hold the rows of the whole tables, each in the month of its
// day: that of the ward, which begins at 07:00 in Berlin, where November begins
// at 23:00 UTC.
func TestTablesByMonth(t *testing.T) {
	b := newBench(t)
	b.hospital(4, 3)
	b.put(fmt.Sprintf(deviceText, "Drain 1"))
	b.put(strings.Replace(placedText, "2026-11-25T06:00:00Z", "2026-09-30T10:00:00Z", 1))
	b.put(`{"resourceType":"DeviceUseStatement","id":"nobody-said","status":"completed","subject":{"reference":"Patient/p"},"device":{"reference":"Device/d"}}`)
	b.put(emptied("october", "2026-11-01T06:59:59+01:00", "10", ""))
	b.put(emptied("november", "2026-11-01T07:00:00+01:00", "20", ""))
	b.put(emptied("september", "2026-10-01T06:30:00+02:00", "30", ""))
	p, err := policy.Parse([]byte("calendar:\n  zone: Europe/Berlin\n...\n"), "policy.yaml")
	if err != nil {
		t.Fatal(err)
	}
	s, who := b.service(func(o *Options) {
		o.FileRows = 60 // each month in several files
		o.Settings = func(_ context.Context, d drain.Drain, _ []drain.Placement) (policy.Settings, error) {
			return p.For(nil, d), nil
		}
	}), caller(everything)
	months := func(j *Job) map[string]string { // of each emptying
		out := map[string]string{}
		for _, f := range j.Files {
			if f.Table == "emptying" {
				for _, row := range b.sheetOf(s, &Job{ID: j.ID, Files: []File{f}}, "emptying") {
					out[row["observation_id"]] = f.Month
					if f.Month != row["day"][:7] {
						t.Errorf("%s: a row of %s", f.Name, row["day"])
					}
				}
			}
		}
		return out
	}
	for _, format := range []string{"csv", "parquet"} {
		whole := b.export(s, who, b.request(OfSystem, "", "_outputFormat="+format))
		b.clock.mu.Lock()
		b.clock.now = whole.Time.Add(-time.Millisecond) // the same transactionTime
		b.clock.mu.Unlock()
		parts := b.export(s, who, b.request(OfSystem, "", "_partition=month&_outputFormat="+format))
		if whole.Phase != Complete || parts.Phase != Complete {
			t.Fatal(whole.Error, parts.Error)
		}
		rows := func(j *Job, table string) (out []string) {
			for _, row := range b.sheetOf(s, j, table) {
				out = append(out, fmt.Sprint(row))
			}
			slices.Sort(out)
			return out
		}
		for _, table := range Tables() {
			if d := cmp.Diff(rows(whole, table.Name), rows(parts, table.Name)); d != "" {
				t.Errorf("%s: %s", table.Name, d)
			}
			if table.Name != "changed" && !slices.ContainsFunc(parts.Files, func(f File) bool { return f.Table == table.Name }) {
				t.Errorf("%s has no file, and so no columns", table.Name)
			}
		}
		got := months(parts)
		for id, month := range map[string]string{"september": "2026-09", "october": "2026-10", "november": "2026-11"} {
			if got[id] != month {
				t.Errorf("%s of %s lies in %q", id, month, got[id])
			}
		}
		several, none := map[string]int{}, false
		for _, f := range parts.Files {
			several[f.Table+f.Month]++
			none = none || f.Table == "placement" && f.Month == "" && f.Count == 1
		}
		if several["emptying2026-11"] < 2 || !none {
			t.Errorf("files: %v; the placement without a time is alone in one: %v", several, none)
		}
		for _, f := range whole.Files {
			if f.Month != "" {
				t.Errorf("%s is of a month, and nobody asked", f.Name)
			}
		}
		left, err := filepath.Glob(filepath.Join(s.Dir, "*", "*", "*.rows"))
		if err != nil || len(left) > 0 {
			t.Errorf("left over: %v %v", left, err)
		}
	}
}
