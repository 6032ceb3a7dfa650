//go:build cgo && (amd64 || arm64) && (linux || darwin)

package readers

import (
	"bytes"
	"cmp"
	"database/sql"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"math/big"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	_ "github.com/duckdb/duckdb-go/v2" // the driver

	"tidemark/internal/sim"
)

// column is a row of the served data dictionary.
type column struct {
	table, name, kind, unit string
	null                    bool
}

// sqlType is how DuckDB calls the kinds of the dictionary.
var sqlType = map[string]string{
	"text": "VARCHAR", "decimal": "DECIMAL(18,6)", "instant": "TIMESTAMP WITH TIME ZONE", "date": "DATE", "integer": "BIGINT", "boolean": "BOOLEAN",
}

var tables = []string{"emptying", "drain-day", "placement", "concern", "site-assessment", "intake-output", "patient"} // changed is there with _since only

// untried are columns that nothing in these tests fills.
var untried = map[string]bool{"concern.acknowledged_at": true, "concern.acknowledged_by": true, "intake-output.absent_reason": true}

// warehouse is DuckDB with the views p_emptying, p_drain_day of the Parquet
// files, and c_… of the CSV.
type warehouse struct {
	t  *testing.T
	db *sql.DB
}

// rows gives the answer as text, NULL as "".
func (w *warehouse) rows(query string, args ...any) [][]string {
	w.t.Helper()
	rs, err := w.db.QueryContext(w.t.Context(), query, args...)
	if err != nil {
		w.t.Fatalf("%s: %v", query, err)
	}
	defer rs.Close()
	names, err := rs.Columns()
	if err != nil {
		w.t.Fatal(err)
	}
	var out [][]string
	for rs.Next() {
		cells, to := make([]sql.NullString, len(names)), make([]any, len(names))
		for i := range cells {
			to[i] = &cells[i]
		}
		if err := rs.Scan(to...); err != nil {
			w.t.Fatalf("%s: %v", query, err)
		}
		row := make([]string, len(names))
		for i, c := range cells {
			row[i] = c.String
		}
		out = append(out, row)
	}
	if err := rs.Err(); err != nil {
		w.t.Fatalf("%s: %v", query, err)
	}
	return out
}

// none expects that a query, which looks for faults, finds nothing.
func (w *warehouse) none(what, query string, args ...any) {
	w.t.Helper()
	if found := w.rows("SELECT fault::VARCHAR FROM ("+query+") AS fault", args...); len(found) > 0 {
		w.t.Errorf("%s: %d rows, such as %q", what, len(found), found[0])
	}
}

func (w *warehouse) number(query string, args ...any) int {
	w.t.Helper()
	n, err := strconv.Atoi(w.rows(query, args...)[0][0])
	if err != nil {
		w.t.Fatal(err)
	}
	return n
}

// export runs $export in the formats, as of one moment, and fetches the files:
// by format and table their paths, by path the rows that the manifest counts.
func (s *service) export(dir string, formats ...string) (paths map[string]map[string][]string, counts map[string]int) {
	s.t.Helper()
	paths, counts = map[string]map[string][]string{}, map[string]int{}
	jobs := map[string]string{}
	at, release := s.hold()
	for _, f := range formats {
		name, layout, _ := strings.Cut(f, " ")
		status, h, b := s.do(http.MethodGet, "$export?_outputFormat="+name+layout, nil, "Prefer", "respond-async")
		if status != http.StatusAccepted {
			s.t.Fatalf("$export: %d %s", status, b)
		}
		jobs[f] = h.Get("Content-Location")
	}
	release()
	for f, job := range jobs {
		var manifest struct {
			TransactionTime time.Time
			Output, Error   []struct {
				URL       string
				Count     int
				Extension struct{ Table, Month string }
			}
		}
		for {
			status, h, b := s.do(http.MethodGet, job, nil)
			if status == http.StatusOK {
				if err := json.Unmarshal(b, &manifest); err != nil {
					s.t.Fatal(err)
				}
				break
			}
			if status != http.StatusAccepted && status != http.StatusTooManyRequests {
				s.t.Fatalf("the export: %d %s", status, b)
			}
			wait, _ := strconv.Atoi(h.Get("Retry-After"))
			time.Sleep(time.Duration(max(wait, 1)) * time.Second) // as the service asks of its clients
		}
		if !manifest.TransactionTime.Equal(at) || len(manifest.Error) > 0 {
			s.t.Errorf("manifest %+v, want the state of %v without errors", manifest, at)
		}
		paths[f] = map[string][]string{}
		for _, o := range manifest.Output {
			path := filepath.Join(dir, filepath.Base(o.URL))
			if strings.Contains(f, " ") { // by month
				folder := filepath.Join(dir, o.Extension.Table)
				if o.Extension.Table != "patient" {
					folder = filepath.Join(folder, "month="+cmp.Or(o.Extension.Month, "__HIVE_DEFAULT_PARTITION__"))
				}
				if err := os.MkdirAll(folder, 0o700); err != nil {
					s.t.Fatal(err)
				}
				path = filepath.Join(folder, filepath.Base(o.URL))
			}
			if err := os.WriteFile(path, s.want(http.StatusOK, http.MethodGet, o.URL, nil), 0o600); err != nil {
				s.t.Fatal(err)
			}
			i := slices.IndexFunc(tables, func(t string) bool { return strings.HasPrefix(filepath.Base(path), t+"-") })
			if i < 0 {
				s.t.Fatalf("%s is of no table that this test knows", path)
			}
			paths[f][tables[i]] = append(paths[f][tables[i]], path)
			counts[path] = o.Count
		}
	}
	return paths, counts
}

// dictionary reads the dictionary that is served.
func (s *service) dictionary() (out []column) {
	s.t.Helper()
	rows, err := csv.NewReader(bytes.NewReader(s.want(http.StatusOK, http.MethodGet, "bulk-dictionary?_format=text/csv", nil))).ReadAll()
	if err != nil {
		s.t.Fatal(err)
	}
	for _, r := range rows[1:] {
		out = append(out, column{r[0], r[1], r[2], r[3], r[4] == "true"})
	}
	return out
}

func quoted(s string) string { return "'" + strings.ReplaceAll(s, "'", "''") + "'" }

func pathList(paths []string) string {
	var out []string
	for _, p := range paths {
		out = append(out, quoted(p))
	}
	return "[" + strings.Join(out, ", ") + "]"
}

func view(format, table string) string { return format[:1] + "_" + strings.ReplaceAll(table, "-", "_") }

// TestTables reads what $export gives with DuckDB, and holds its sums against
// what the service answers. One drain is charted by hand, with the sums worked
// out beside it; the others are simulated, corrections and deletions included.
func TestTables(t *testing.T) {
	zone, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	// The clocks went forward in the night to Sunday, 29 March 2026.
	end := time.Date(2026, 3, 31, 12, 0, 0, 0, time.UTC)
	s := serve(t, end, "calendar:\n  zone: Europe/Berlin\n", nil)
	s.hospital(sim.Options{Seed: 7, Patients: 30, Days: 4, End: end, Zone: zone})
	s.byHand()
	dir := t.TempDir()
	paths, counts := s.export(dir, "parquet", "csv")
	dictionary := s.dictionary()

	// Nothing is fetched from elsewhere: the driver brings all that it takes.
	db, err := sql.Open("duckdb", "?autoinstall_known_extensions=false&autoload_known_extensions=false")
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	w := &warehouse{t, db}

	for _, table := range tables {
		var columns []column
		var types []string
		for _, c := range dictionary {
			if c.table == table {
				columns = append(columns, c)
				types = append(types, quoted(c.name)+": "+quoted(sqlType[c.kind]))
			}
		}
		if len(columns) == 0 || len(paths["parquet"][table]) == 0 || len(paths["csv"][table]) == 0 {
			t.Fatalf("%s: %d columns in the dictionary, files %v", table, len(columns), paths)
		}
		for _, v := range []string{
			"CREATE VIEW " + view("parquet", table) + " AS FROM read_parquet(" + pathList(paths["parquet"][table]) + ")",
			"CREATE VIEW " + view("sniffed", table) + " AS FROM read_csv(" + pathList(paths["csv"][table]) + ", sample_size = -1)",
			// By the dictionary's types, and what does not fit one is an error.
			"CREATE VIEW " + view("csv", table) + " AS FROM read_csv(" + pathList(paths["csv"][table]) + ", auto_detect = false, header = true, delim = ',', quote = '\"', escape = '\"', columns = {" + strings.Join(types, ", ") + "})",
		} {
			if _, err := db.ExecContext(t.Context(), v); err != nil {
				t.Fatalf("%s: %v", v, err)
			}
		}
		w.described(table, columns, paths)
		w.same(table, columns)
		for format, files := range paths {
			total := 0
			for _, f := range files[table] {
				total += counts[f]
			}
			if n := w.number("SELECT count(*) FROM " + view(format, table)); n != total || n == 0 {
				t.Errorf("%s as %s has %d rows, the manifest counts %d", table, format, n, total)
			}
		}
	}
	w.withinItself()
	w.handChecked()
	w.againstDrainOutput(s)
	w.againstFluidBalance(s)
	w.againstResources(s)
}

// TestTablesByMonth reads the layout by month with DuckDB: the same rows, each
// under the month of its ward's day, in both formats.
func TestTablesByMonth(t *testing.T) {
	zone, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	end := time.Date(2026, 4, 2, 12, 0, 0, 0, time.UTC)
	s := serve(t, end, "calendar:\n  zone: Europe/Berlin\n", nil)
	s.hospital(sim.Options{Seed: 7, Patients: 12, Days: 4, End: end, Zone: zone})
	dir, flat := t.TempDir(), t.TempDir()
	parquet, csv := filepath.Join(dir, "parquet"), filepath.Join(dir, "csv")
	whole, _ := s.export(flat, "parquet")
	s.export(parquet, "parquet &_partition=month")
	s.export(csv, "csv &_partition=month")
	db, err := sql.Open("duckdb", "?autoinstall_known_extensions=false&autoload_known_extensions=false")
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	w := &warehouse{t, db}
	for table, day := range map[string]string{"emptying": "day", "drain-day": "day", "site-assessment": "day", "intake-output": "day", "placement": "timezone('Europe/Berlin', placed_at) - INTERVAL 7 HOUR", "concern": "timezone('Europe/Berlin', opened_at) - INTERVAL 7 HOUR"} {
		months := "read_parquet(" + quoted(filepath.Join(parquet, table, "*", "*.parquet")) + ", hive_partitioning = true, hive_types = {'month': VARCHAR})"
		one := "read_parquet(" + pathList(whole["parquet"][table]) + ")"
		w.none(table+" in another month", "SELECT * FROM "+months+" WHERE month IS DISTINCT FROM strftime("+day+", '%Y-%m')")
		if table != "drain-day" && table != "placement" { // those go on with the clock
			w.none(table+" lacks a row", "(FROM "+one+") EXCEPT ALL (SELECT * EXCLUDE (month) FROM "+months+")")
			w.none(table+" has another row", "(SELECT * EXCLUDE (month) FROM "+months+") EXCEPT ALL (FROM "+one+")")
		}
		n := w.number("SELECT count(*) FROM " + months)
		if n == 0 || n != w.number("SELECT count(*) FROM "+one) || n != w.number("SELECT count(*) FROM read_csv("+quoted(filepath.Join(csv, table, "*", "*.csv"))+", hive_partitioning = true, all_varchar = true)") {
			t.Errorf("%s has %d rows", table, n)
		}
		if table == "emptying" && w.number("SELECT count(DISTINCT month) FROM "+months) != 2 {
			t.Error("not two months of emptyings: the test shows little")
		}
	}
	if w.number("SELECT count(*) FROM "+quoted(filepath.Join(parquet, "patient", "*.parquet"))) == 0 {
		t.Error("no patient")
	}
}

// described: DuckDB sees the columns of the dictionary, in its order, with its
// types.
func (w *warehouse) described(table string, columns []column, paths map[string]map[string][]string) {
	w.t.Helper()
	for _, format := range []string{"parquet", "csv", "sniffed"} {
		got := w.rows("SELECT column_name, column_type FROM (DESCRIBE " + view(format, table) + ")")
		if len(got) != len(columns) {
			w.t.Errorf("%s as %s has %d columns, the dictionary %d", table, format, len(got), len(columns))
			continue
		}
		for i, c := range columns {
			want := sqlType[c.kind]
			if format == "sniffed" && (c.kind == "text" || c.null || c.kind == "decimal" && (got[i][1] == "DOUBLE" || got[i][1] == "BIGINT")) {
				// CSV says nothing of types: what looks like whole numbers is taken for such, what is empty for text.
				want = got[i][1]
			}
			if got[i][0] != c.name || got[i][1] != want {
				w.t.Errorf("%s as %s: column %d is %s %s, want %s %s", table, format, i+1, got[i][0], got[i][1], c.name, want)
			}
		}
	}
	for _, path := range paths["parquet"][table] {
		got := w.rows("SELECT name, repetition_type FROM parquet_schema(" + quoted(path) + ") WHERE num_children IS NULL")
		for i, c := range columns {
			want := map[bool]string{true: "OPTIONAL", false: "REQUIRED"}[c.null]
			if i >= len(got) || got[i][0] != c.name || got[i][1] != want {
				w.t.Errorf("%s: %s is not %s", path, c.name, want)
			}
		}
	}
	// A column that is empty in every row was not tried.
	for _, c := range columns {
		if w.number("SELECT count("+c.name+") FROM "+view("parquet", table)) == 0 && !untried[table+"."+c.name] {
			w.t.Errorf("%s.%s is empty everywhere: chart something that fills it", table, c.name)
		}
	}
}

// same: each row of the one file is a row of the other, cell by cell. Before
// text that a spreadsheet would take for a formula, CSV has an apostrophe.
func (w *warehouse) same(table string, columns []column) {
	w.t.Helper()
	var plain, neutral []string
	for _, c := range columns {
		plain = append(plain, c.name)
		if c.kind == "text" {
			neutral = append(neutral, "CASE WHEN "+c.name+"[1] IN ('=', '+', '-', '@', chr(9), chr(13)) THEN '''' || "+c.name+" ELSE "+c.name+" END")
		} else {
			neutral = append(neutral, c.name)
		}
	}
	p := "SELECT " + strings.Join(neutral, ", ") + " FROM " + view("parquet", table)
	c := "SELECT " + strings.Join(plain, ", ") + " FROM " + view("csv", table)
	w.none(table+": in Parquet and not in CSV", p+" EXCEPT ALL "+c)
	w.none(table+": in CSV and not in Parquet", c+" EXCEPT ALL "+p)
}

// withinItself: the tables agree with one another and each row with itself, as
// the dictionary says.
func (w *warehouse) withinItself() {
	w.t.Helper()
	w.none("two rows of one emptying", "SELECT observation_id FROM p_emptying GROUP BY ALL HAVING count(*) > 1")
	w.none("two rows of one day of a stay", "SELECT drain_id, placement_id, day FROM p_drain_day GROUP BY ALL HAVING count(*) > 1")
	w.none("a day that is not the sum of its emptyings", `
		SELECT e.*, d.net_ml, d.readings FROM (
			SELECT drain_id, placement_id, day, sum(net_ml) AS net, sum(measured_ml) AS measured, sum(instilled_ml) FILTER (net_ml IS NOT NULL) AS instilled, count(net_ml) AS n
			FROM p_emptying GROUP BY ALL
		) e FULL JOIN p_drain_day d ON e.drain_id = d.drain_id AND e.placement_id IS NOT DISTINCT FROM d.placement_id AND e.day = d.day
		WHERE coalesce(e.n, 0) IS DISTINCT FROM d.readings OR d.readings > 0 AND (
			-- Each of the emptyings is rounded to a millionth, and so is the day.
			abs(e.net - d.net_ml) > 0.000001 * e.n OR abs(e.measured - d.measured_ml) > 0.000001 * e.n OR abs(e.instilled - d.instilled_ml) > 0.000001 * e.n)`)
	w.none("net that is not measured less instilled", "FROM p_emptying WHERE net_ml IS DISTINCT FROM measured_ml - instilled_ml")
	w.none("neither a volume nor a reason", "FROM p_emptying WHERE (measured_ml IS NULL) <> (absent_reason IS NOT NULL)")
	// Exact: microseconds and millionths are whole numbers.
	// The readings of one emptying have its interval and its rate: they share the
	// start of the interval, and the last of them ends it.
	const emptyings = `WITH e AS (
		SELECT *, max(effective_at) OVER g AS ended, sum(net_ml) OVER g AS net, bool_or(net_ml IS NULL) OVER g AS unknown
		FROM p_emptying WINDOW g AS (PARTITION BY drain_id, placement_id, interval_start)) `
	w.none("hours that are not the interval's", emptyings+`
		FROM e WHERE (interval_start IS NULL) <> (interval_hours IS NULL)
		OR abs(interval_hours * 3600 - (epoch_us(ended) - epoch_us(interval_start))::DECIMAL(18,0) / 1000000) > 0.0018`)
	w.none("an interval that does not begin with the emptying before", `
		WITH e AS (SELECT drain_id, placement_id, interval_start, min(effective_at) AS began, max(effective_at) AS ended FROM p_emptying GROUP BY ALL),
		ordered AS (SELECT *, lag(ended) OVER (PARTITION BY drain_id, placement_id ORDER BY began) AS before FROM e)
		FROM ordered WHERE before IS NOT NULL AND interval_start <> before`)
	w.none("a rate that is not volume by time", emptyings+`
		FROM e WHERE (rate_ml_per_h IS NULL) <> (unknown OR coalesce(interval_hours, 0) = 0)
		OR abs(rate_ml_per_h::DOUBLE - net::DOUBLE * 3600e6 / (epoch_us(ended) - epoch_us(interval_start))) > 0.000002`)
	w.none("an appearance with another rank", `
		FROM p_emptying WHERE appearance_rank IS DISTINCT FROM CASE appearance WHEN 'clear' THEN 0 WHEN 'serous' THEN 0 WHEN 'serosanguineous' THEN 1 WHEN 'sanguineous' THEN 2 END`)
	w.none("concerns and their ids are not paired", "FROM p_emptying WHERE len(string_split(concerns, ' ')) IS DISTINCT FROM len(string_split(concern_ids, ' '))")
	w.none("a concern without a rule", "FROM p_emptying WHERE coalesce(len(string_split(concern_rules, ' ')), 0) < coalesce(len(string_split(concerns, ' ')), 0)")
	w.none("a day outside its ward's", "FROM p_drain_day WHERE end_at <= start_at OR epoch(end_at) - epoch(start_at) > 25 * 3600 OR in_place_hours::DOUBLE * 3600 > epoch(end_at) - epoch(start_at) + 0.0018")
	w.none("an emptying that is not within its day", `
		SELECT e.observation_id FROM p_emptying e JOIN p_drain_day d ON e.drain_id = d.drain_id AND e.placement_id IS NOT DISTINCT FROM d.placement_id AND e.day = d.day
		WHERE e.effective_at < d.start_at OR e.effective_at > d.end_at`)
	w.none("days with a gap between them", `
		WITH ordered AS (SELECT *, lag(end_at) OVER (PARTITION BY drain_id, placement_id ORDER BY day) AS before FROM p_drain_day)
		FROM ordered WHERE before <> start_at`)
	w.none("coverage outside 0 to 1, or a complete day that is preliminary for it", "FROM p_drain_day WHERE coverage NOT BETWEEN 0 AND 1 OR coverage < 1 AND NOT preliminary")
	w.none("figures of another attribution or of no policy", "FROM p_drain_day WHERE attribution <> 'charted' OR policy_version = ''")
	if n := w.number("SELECT count(*) FROM p_drain_day WHERE epoch(end_at) - epoch(start_at) = 23 * 3600"); n < 5 {
		w.t.Errorf("%d days of 23 h: the night in which the clocks went forward is not there", n)
	}
}

const foz = "29.5735295625" // mL in a US fluid ounce: 231 cubic inches ÷ 128

// byHand charts one drain in two patients, one after the other.
func (s *service) byHand() {
	s.t.Helper()
	put := func(id, text string) { s.want(http.StatusCreated, http.MethodPut, id, []byte(text)) }
	put("Patient/hand-a", `{"resourceType":"Patient","id":"hand-a"}`)
	put("Patient/hand-b", `{"resourceType":"Patient","id":"hand-b"}`)
	put("Location/hand-ward", `{"resourceType":"Location","id":"hand-ward","name":"Ward by hand"}`)
	put("Device/hand", `{"resourceType":"Device","id":"hand","status":"active","deviceName":[{"name":"=1+1; \"links\", Achsel","type":"user-friendly-name"}],"patient":{"reference":"Patient/hand-b"},"location":{"reference":"Location/hand-ward"}}`)
	place := func(id, patient, status, period string) {
		put("DeviceUseStatement/"+id, fmt.Sprintf(`{"resourceType":"DeviceUseStatement","id":%q,"status":%q,"subject":{"reference":"Patient/%s"},"device":{"reference":"Device/hand"},"timingPeriod":%s,
			"bodySite":{"coding":[{"system":"http://snomed.info/sct","code":"80248007","display":"Left breast"}],"text":"left axilla"}}`, id, status, patient, period))
	}
	place("hand-1", "hand-a", "completed", `{"start":"2026-03-27T06:00:00Z","end":"2026-03-28T05:30:00Z"}`)
	place("hand-2", "hand-b", "active", `{"start":"2026-03-28T08:00:00Z"}`)

	observation := func(id, patient, status, at, value, component string) string {
		return fmt.Sprintf(`{"resourceType":"Observation","id":%q,"status":%q,"code":{"coding":[{"system":"http://loinc.org","code":"9203-1"}]},"subject":{"reference":"Patient/%s"},"device":{"reference":"Device/hand"},"performer":[{"reference":"Practitioner/n"}],"effectiveDateTime":%q,%s%s}`,
			id, status, patient, at, value, component)
	}
	quantity := func(value, unit string) string {
		return fmt.Sprintf(`"valueQuantity":{"value":%s,"system":"http://unitsofmeasure.org","code":%q}`, value, unit)
	}
	local := func(code string) string {
		return `{"coding":[{"system":"http://tidemark.example.org/fhir/CodeSystem/drain","code":"` + code + `"}]}`
	}
	emptied := func(id, patient, status, at, value, component string) {
		put("Observation/"+id, observation(id, patient, status, at, value, component))
	}
	emptied("a1", "hand-a", "final", "2026-03-27T11:00:00+01:00", quantity("40", "mL"), "")
	emptied("a2", "hand-a", "final", "2026-03-27T22:00:00Z", quantity("1.5", "[foz_us]"), "")
	emptied("a3", "hand-a", "final", "2026-03-28T05:00:00Z", quantity("12.50", "mL"), `,"component":[{"code":{"coding":[{"system":"http://loinc.org","code":"72289-2"}]},"valueCodeableConcept":{"text":"-rosig, \"trüb\""}},{"code":`+local("patency")+`,"valueCodeableConcept":`+local("sluggish")+`}]`)
	emptied("b1", "hand-b", "final", "2026-03-28T12:00:00Z", quantity("30", "mL"), `,"component":[{"code":`+local("instilled-volume")+`,"valueQuantity":{"value":50,"system":"http://unitsofmeasure.org","code":"mL"}},{"code":`+local("reservoir-fill")+`,"valueQuantity":{"value":45,"system":"http://unitsofmeasure.org","code":"%"}}]`)
	emptied("b2", "hand-b", "final", "2026-03-28T20:00:00Z", quantity("0", "mL"), "")
	emptied("b3", "hand-b", "final", "2026-03-29T04:30:00Z", quantity("25", "mL"), "")
	emptied("b4", "hand-b", "final", "2026-03-29T07:00:00+02:00", quantity("18", "mL"), "") // on the stroke of the day
	emptied("b5", "hand-b", "final", "2026-03-29T12:00:00Z", `"dataAbsentReason":{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/data-absent-reason","code":"not-performed"}]}`, "")
	emptied("b6", "hand-b", "final", "2026-03-30T08:00:00Z", quantity("100", "mL"), "")
	s.want(http.StatusOK, http.MethodPut, "Observation/b6", []byte(observation("b6", "hand-b", "amended", "2026-03-30T08:00:00Z", quantity("10", "mL"), "")))
	emptied("b7", "hand-b", "final", "2026-03-30T09:00:00Z", quantity("7", "mL"), "")
	s.want(http.StatusOK, http.MethodPut, "Observation/b7", []byte(observation("b7", "hand-b", "entered-in-error", "2026-03-30T09:00:00Z", quantity("7", "mL"), "")))
	emptied("b8", "hand-b", "final", "2026-03-30T10:00:00Z", quantity("9", "mL"), "")
	s.want(http.StatusNoContent, http.MethodDelete, "Observation/b8", nil)
	emptied("b9", "hand-b", "cancelled", "2026-03-30T11:00:00Z", quantity("11", "mL"), "")
	emptied("b10", "hand-b", "preliminary", "2026-03-30T12:00:00Z", quantity("5", "mL"), "")
	emptied("b11", "hand-b", "final", "2026-03-31T06:00:00Z", quantity("0.125", "cL"), "")
}

// handChecked: the drain that was charted by hand, worked out by hand.
func (w *warehouse) handChecked() {
	w.t.Helper()
	// 1.5 fl oz are 44.36029434375 mL. The interval is since the emptying before, or since placement at 06:00 and 08:00.
	want := [][]string{
		{"a1", "hand-1", "hand-a", "final", "2026-03-27", "40.000000", "0.000000", "40.000000", "4.000000", "10.000000"},
		{"a2", "hand-1", "hand-a", "final", "2026-03-27", "44.360294", "0.000000", "44.360294", "12.000000", "3.696691"},
		{"a3", "hand-1", "hand-a", "final", "2026-03-27", "12.500000", "0.000000", "12.500000", "7.000000", "1.785714"},
		{"b1", "hand-2", "hand-b", "final", "2026-03-28", "30.000000", "50.000000", "-20.000000", "4.000000", "-5.000000"},
		{"b2", "hand-2", "hand-b", "final", "2026-03-28", "0.000000", "0.000000", "0.000000", "8.000000", "0.000000"},
		{"b3", "hand-2", "hand-b", "final", "2026-03-28", "25.000000", "0.000000", "25.000000", "8.500000", "2.941176"},
		{"b4", "hand-2", "hand-b", "final", "2026-03-29", "18.000000", "0.000000", "18.000000", "0.500000", "36.000000"},
		{"b5", "hand-2", "hand-b", "final", "2026-03-29", "", "0.000000", "", "7.000000", ""},
		{"b6", "hand-2", "hand-b", "amended", "2026-03-30", "10.000000", "0.000000", "10.000000", "20.000000", "0.500000"},
		{"b10", "hand-2", "hand-b", "preliminary", "2026-03-30", "5.000000", "0.000000", "5.000000", "4.000000", "1.250000"},
		{"b11", "hand-2", "hand-b", "final", "2026-03-31", "1.250000", "0.000000", "1.250000", "18.000000", "0.069444"},
	}
	got := w.rows(`SELECT observation_id, placement_id, patient_id, status, day::VARCHAR, measured_ml::VARCHAR, instilled_ml::VARCHAR, net_ml::VARCHAR, interval_hours::VARCHAR, rate_ml_per_h::VARCHAR
		FROM p_emptying WHERE drain_id = 'hand' ORDER BY effective_at`)
	w.equal("the emptyings by hand", got, want)
	// From 07:00 to 07:00; the 28th has 23 h, of which the drain is in place from 09:00 on: 21 h.
	want = [][]string{
		{"hand-1", "2026-03-27", "96.860294", "96.860294", "0.000000", "3", "23.500000"},
		{"hand-2", "2026-03-28", "5.000000", "55.000000", "50.000000", "3", "21.000000"},
		{"hand-2", "2026-03-29", "18.000000", "18.000000", "0.000000", "1", "24.000000"},
		{"hand-2", "2026-03-30", "15.000000", "15.000000", "0.000000", "2", "24.000000"},
	}
	got = w.rows(`SELECT placement_id, day::VARCHAR, net_ml::VARCHAR, measured_ml::VARCHAR, instilled_ml::VARCHAR, readings::VARCHAR, in_place_hours::VARCHAR
		FROM p_drain_day WHERE drain_id = 'hand' AND day < '2026-03-31' ORDER BY day`)
	w.equal("the days by hand", got, want)
	w.equal("text that is hard to write", w.rows("SELECT DISTINCT drain_label, site, colour, patency, ward_id, absent_reason FROM p_emptying WHERE observation_id IN ('a3', 'b5') ORDER BY colour NULLS LAST"), [][]string{
		{`=1+1; "links", Achsel`, "left axilla", `-rosig, "trüb"`, "sluggish", "hand-ward", ""},
		{`=1+1; "links", Achsel`, "left axilla", "", "", "hand-ward", "not-performed"},
	})
	w.equal("per patient", w.rows("SELECT patient_id, sum(net_ml)::VARCHAR, typeof(sum(net_ml)) FROM p_emptying WHERE drain_id = 'hand' GROUP BY patient_id ORDER BY patient_id"), [][]string{
		{"hand-a", "96.860294", "DECIMAL(38,6)"}, {"hand-b", "39.250000", "DECIMAL(38,6)"},
	})
}

func (w *warehouse) equal(what string, got, want [][]string) {
	w.t.Helper()
	for i := range max(len(got), len(want)) {
		var g, x []string
		if i < len(got) {
			g = got[i]
		}
		if i < len(want) {
			x = want[i]
		}
		if !slices.Equal(g, x) {
			w.t.Errorf("%s, row %d:\n got %q\nwant %q", what, i+1, g, x)
		}
	}
}

func rational(t *testing.T, text string) *big.Rat {
	t.Helper()
	r, ok := new(big.Rat).SetString(text)
	if !ok {
		t.Fatalf("%q is no number", text)
	}
	return r
}

// near reports whether two numbers differ by no more than a third.
func near(t *testing.T, a, b, by string) bool {
	t.Helper()
	d := new(big.Rat).Sub(rational(t, a), rational(t, b))
	return d.Abs(d).Cmp(rational(t, by)) <= 0
}

// table is what a derived endpoint says as CSV: rows by the names of the head.
func (s *service) table(path string) (out []map[string]string) {
	s.t.Helper()
	rows, err := csv.NewReader(bytes.NewReader(s.want(http.StatusOK, http.MethodGet, path, nil))).ReadAll()
	if err != nil {
		s.t.Fatal(err)
	}
	for _, r := range rows[1:] {
		row := map[string]string{}
		for i, name := range rows[0] {
			row[name] = r[i]
		}
		out = append(out, row)
	}
	return out
}

// againstDrainOutput: for each drain the days of its present stay, as
// $drain-output has them, and their sum as it has the total.
func (w *warehouse) againstDrainOutput(s *service) {
	w.t.Helper()
	// The last placement of each drain is the present stay.
	stays := w.rows(`SELECT drain_id, arg_max(placement_id, start_at), count(DISTINCT placement_id)::VARCHAR FROM p_drain_day GROUP BY drain_id ORDER BY drain_id`)
	days, unknown, ounces := 0, 0, 0
	for _, stay := range stays {
		device, placement := stay[0], stay[1]
		// An ounce has more decimals than the file's six and the answer's three,
		// which are rounded so that windows add up to their total.
		tolerance := "0"
		if w.number("SELECT count(*) FROM p_emptying WHERE drain_id = ? AND round(measured_ml, 3) <> measured_ml", device) > 0 {
			tolerance = "0.001"
			ounces++
		}
		byDay := map[string]map[string]string{}
		for _, r := range s.table("Device/" + device + "/$drain-output?period=day&_format=text/csv") {
			if day, ok := strings.CutPrefix(r["text"], "Drain output day "); ok {
				byDay[day] = r
			}
		}
		rows := w.rows(`SELECT day::VARCHAR, net_ml::VARCHAR, readings::VARCHAR, coverage::VARCHAR, preliminary::VARCHAR, expanded_uncertainty_ml::VARCHAR, end_at >= (SELECT max(end_at) FROM p_drain_day) AS running
			FROM p_drain_day WHERE drain_id = ? AND placement_id IS NOT DISTINCT FROM nullif(?, '') ORDER BY day`, device, placement)
		for _, r := range rows {
			a := byDay[r[0]]
			delete(byDay, r[0])
			if a == nil {
				w.t.Errorf("%s: $drain-output has no %s", device, r[0])
				continue
			}
			days++
			if r[1] == "" || a["value"] == "" {
				if r[1] != a["value"] || a["absent"] == "" {
					w.t.Errorf("%s %s: DuckDB has %q, the service %q (%s)", device, r[0], r[1], a["value"], a["absent"])
				}
				unknown++
				continue
			}
			if !near(w.t, r[1], a["value"], tolerance) || r[2] != a["reading-count"] {
				w.t.Errorf("%s %s: DuckDB has %s mL of %s readings, the service %s of %s", device, r[0], r[1], r[2], a["value"], a["reading-count"])
			}
			if r[6] == "true" {
				continue // the day goes on: an answer of now covers less of it than the export did
			}
			if !near(w.t, r[3], new(big.Rat).Quo(rational(w.t, a["coverage (%)"]), big.NewRat(100, 1)).FloatString(9), "0.0005") && r[3] != "0.999999" || (r[4] == "true") != (a["status"] == "preliminary") {
				w.t.Errorf("%s %s: coverage %s, preliminary %s; the service: %s %%, %s", device, r[0], r[3], r[4], a["coverage (%)"], a["status"])
			}
			if u := cmp.Or(a["standard_uncertainty"], "0"); !near(w.t, cmp.Or(r[5], "0"), new(big.Rat).Mul(rational(w.t, u), big.NewRat(2, 1)).FloatString(9), "0.001001") {
				w.t.Errorf("%s %s: U = %s, the service has u = %s", device, r[0], r[5], u)
			}
		}
		for day, a := range byDay {
			// The answer goes on to now, the table to the drain's removal.
			if at, err := time.Parse(time.RFC3339, a["start"]); err == nil && a["reading-count"] == "0" && a["value"] == "" &&
				w.number("SELECT count(*) FROM p_drain_day WHERE drain_id = ? AND epoch_us(end_at) > ?", device, at.UnixMicro()) == 0 {
				continue
			}
			w.t.Errorf("%s: %s is in $drain-output and not in the table", device, day)
		}
		sum := w.rows("SELECT coalesce(sum(net_ml), 0)::VARCHAR, count(net_ml)::VARCHAR FROM p_emptying WHERE drain_id = ? AND placement_id IS NOT DISTINCT FROM nullif(?, '')", device, placement)[0]
		for _, r := range s.table("Device/" + device + "/$drain-output?period=total&_format=text/csv") {
			if strings.HasPrefix(r["code"], "drain-output-total") && r["value"] != "" && (!near(w.t, sum[0], r["value"], tolerance) || sum[1] != r["reading-count"]) {
				w.t.Errorf("%s: DuckDB has %s mL of %s readings, the service %s of %s", device, sum[0], sum[1], r["value"], r["reading-count"])
			}
			if r["code"] == "drain-output-rate" {
				last := w.rows("SELECT rate_ml_per_h::VARCHAR FROM p_emptying WHERE drain_id = ? AND rate_ml_per_h IS NOT NULL ORDER BY effective_at DESC LIMIT 1", device)[0][0]
				if !near(w.t, last, r["value"], "0.0005005") {
					w.t.Errorf("%s: the last rate is %s, the service has %s", device, last, r["value"])
				}
			}
		}
	}
	if len(stays) < 40 || days < 100 || len(stays)-ounces < 30 {
		w.t.Errorf("only %d drains and %d days were compared, %d drains not to the last digit", len(stays), days, ounces)
	}
	w.t.Logf("%d drains (%d of them in ounces), %d days, of which nothing is known of %d", len(stays), ounces, days, unknown)
}

// againstFluidBalance: for each patient what all drains gave, day by day.
func (w *warehouse) againstFluidBalance(s *service) {
	w.t.Helper()
	compared := 0
	for _, p := range w.rows("SELECT DISTINCT patient_id FROM p_drain_day ORDER BY 1") {
		// hand-a's drain is in another patient now.
		byDay := map[string]string{}
		for _, r := range s.table("Patient/" + p[0] + "/$fluid-balance?period=day&_format=text/csv") {
			if day, ok := strings.CutPrefix(r["text"], "Fluid balance day "); ok {
				byDay[day] = r["drains-total (mL)"]
			}
		}
		for _, r := range w.rows("SELECT day::VARCHAR, sum(net_ml)::VARCHAR FROM p_drain_day WHERE patient_id = ? GROUP BY day HAVING count(net_ml) > 0 ORDER BY day", p[0]) {
			if byDay[r[0]] == "" || !near(w.t, r[1], byDay[r[0]], "0.0005") {
				w.t.Errorf("Patient/%s %s: DuckDB has %s mL of all drains, $fluid-balance %q", p[0], r[0], r[1], byDay[r[0]])
			}
			compared++
		}
	}
	if compared < 80 {
		w.t.Errorf("only %d days were compared", compared)
	}
	w.t.Logf("%d days of patients", compared)
}

// againstResources: the rows are the Observations of drains that count, no more
// and no fewer, each with its own figures.
func (w *warehouse) againstResources(s *service) {
	w.t.Helper()
	got := map[string][]string{}
	for _, r := range w.rows("SELECT observation_id, status, epoch_us(effective_at)::VARCHAR, measured_ml::VARCHAR, epoch_us(recorded_at)::VARCHAR, patient_id, drain_id FROM p_emptying") {
		got[r[0]] = r
	}
	first := map[string]time.Time{} // when the first version was stored
	s.pages("Observation/_history?_count=500", func(e map[string]any) {
		o, ok := e["resource"].(map[string]any)
		if !ok {
			return // a deletion
		}
		if m := o["meta"].(map[string]any); m["versionId"] == "1" {
			at, err := time.Parse(time.RFC3339, m["lastUpdated"].(string))
			if err != nil {
				w.t.Fatal(err)
			}
			first[o["id"].(string)] = at
		}
	})
	seen, amended, withdrawn := 0, 0, 0
	s.pages("Observation?code=http://loinc.org|9203-1,http://loinc.org|9179-3,http://loinc.org|9113-2,http://loinc.org|9129-8,http://loinc.org|9168-6,http://tidemark.example.org/fhir/CodeSystem/drain|drain-output&device:missing=false&_count=500", func(e map[string]any) {
		o := e["resource"].(map[string]any)
		id, status := o["id"].(string), o["status"].(string)
		q, measured := o["valueQuantity"].(map[string]any)
		if !measured && o["dataAbsentReason"] == nil {
			return // a check of the reservoir
		}
		row := got[id]
		delete(got, id)
		if status == "entered-in-error" || status == "cancelled" {
			withdrawn++
			if row != nil {
				w.t.Errorf("%s does not count and is in the table: %q", id, row)
			}
			return
		}
		if row == nil {
			w.t.Errorf("%s counts and is not in the table", id)
			return
		}
		seen++
		at, err := time.Parse(time.RFC3339, o["effectiveDateTime"].(string))
		if err != nil {
			w.t.Fatal(err)
		}
		want := []string{id, status, fmt.Sprint(at.UnixMicro()), "", fmt.Sprint(first[id].UnixMicro()),
			strings.TrimPrefix(o["subject"].(map[string]any)["reference"].(string), "Patient/"), strings.TrimPrefix(o["device"].(map[string]any)["reference"].(string), "Device/")}
		if measured {
			factor := map[string]string{"mL": "1", "cm3": "1", "cL": "10", "dL": "100", "L": "1000", "[foz_us]": foz}[q["code"].(string)]
			if factor == "" {
				w.t.Fatalf("%s is in %v: say here how much that is", id, q["code"])
			}
			want[3] = new(big.Rat).Mul(rational(w.t, q["value"].(json.Number).String()), rational(w.t, factor)).FloatString(6)
		}
		if !slices.Equal(row, want) {
			w.t.Errorf("got %q\nwant %q", row, want)
		}
		if status == "amended" || status == "corrected" {
			amended++
		}
	})
	for id := range got {
		w.t.Errorf("%s is in the table, and no Observation that counts", id)
	}
	if seen < 500 || amended < 3 || withdrawn < 3 {
		w.t.Errorf("%d Observations, %d of them corrected, %d withdrawn: too few to tell", seen, amended, withdrawn)
	}
	w.t.Logf("%d Observations, %d of them corrected, %d withdrawn", seen, amended, withdrawn)
}
