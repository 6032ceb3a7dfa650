package bulk

import (
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"tidemark/internal/fault"
	"tidemark/internal/search"
)

func parse(t testing.TB, level Level, query string, lenient bool) (Request, error) {
	t.Helper()
	pairs, err := search.ParsePairs(query)
	if err != nil {
		t.Fatal(err)
	}
	return ParseRequest(level, "", pairs, types, lenient)
}

func TestParseRequest(t *testing.T) {
	at := time.Date(2026, 11, 18, 7, 0, 0, 0, time.UTC)
	for _, test := range []struct {
		query string
		want  Request
	}{
		{"", Request{Level: OfSystem, Format: NDJSON}},
		{"_outputFormat=application/fhir+ndjson", Request{Level: OfSystem, Format: NDJSON}},
		{"_outputFormat=ndjson&_type=Patient,Device&_type=Observation", Request{Level: OfSystem, Format: NDJSON, Types: []string{"Patient", "Device", "Observation"}}},
		{"_since=2026-11-18T07:00:00Z&_until=2026-11-18T08:00:00%2B01:00", Request{Level: OfSystem, Format: NDJSON, Since: at, Until: at}},
		{"_outputFormat=csv&_partition=month", Request{Level: OfSystem, Format: CSV, ByMonth: true}},
		{"_elements=id,Observation.status", Request{Level: OfSystem, Format: NDJSON, Elements: []string{"id", "Observation.status"}}},
		{"_typeFilter=Observation%3Fcode%3Da,b%26status%3Dfinal,Device%3Fstatus%3Dactive", Request{Level: OfSystem, Format: NDJSON, Filters: []string{"Observation?code=a,b&status=final", "Device?status=active"}}},
		{"_outputFormat=text/csv&_typeFilter=Observation%3Fdate%3Dge2026-11-18", Request{Level: OfSystem, Format: CSV, Filters: []string{"Observation?date=ge2026-11-18"}}},
		{"_outputFormat=application/vnd.apache.parquet", Request{Level: OfSystem, Format: Parquet}},
	} {
		got, err := parse(t, OfSystem, test.query, false)
		if err != nil {
			t.Errorf("%s: %v", test.query, err)
			continue
		}
		if d := cmp.Diff(test.want, got); d != "" {
			t.Errorf("%s: %s", test.query, d)
		}
	}
}

func TestRequestRefused(t *testing.T) {
	for _, test := range []struct {
		level       Level
		query, says string
		lenient     bool // passed over when asked for leniently
	}{
		{OfSystem, "_outputFormat=xml", "_outputFormat", false},
		{OfSystem, "_type=Patient,Medication", `"Medication"`, true},
		{OfSystem, "_type=AuditEvent", `"AuditEvent"`, true},
		{OfPatients, "_type=Location", "belongs to no patient", true},
		{OfSystem, "_since=2026-11-18", "_since", false},
		{OfSystem, "_since=2026-11-18T00:00:00", "_since", false},
		{OfSystem, "_since=2026-11-19T00:00:00Z&_until=2026-11-18T00:00:00Z", "_until", false},
		{OfSystem, "_typefilter=Observation%3Fcode%3D1", "_typefilter", true},
		{OfSystem, "_typeFilter=Observation", "a search such as", true},
		{OfSystem, "_typeFilter=Observation%3Fnonsense%3D1", "nonsense", true},
		{OfSystem, "_typeFilter=Observation%3Fsubject:Patient.name%3Dx", "chained", true},
		{OfSystem, "_typeFilter=Observation%3F_count%3D1", "something other", true},
		{OfSystem, "_type=Device&_typeFilter=Observation%3Fcode%3D1", "not exported", true},
		{OfSystem, "includeAssociatedData=LatestProvenanceResources", "includeAssociatedData", true},
		{OfSystem, "_outputFormat=csv&_partition=week", "there is month", true},
		{OfSystem, "_partition=month", "flat tables only", true},
		{OfSystem, "patient=Patient/1", "patient is a parameter", false},
		{OfPatients, "patient=1", "Patient/123", false},
		{OfSystem, "_outputFormat=text/csv&_until=2026-11-18T00:00:00Z", "flat tables", false},
		{OfSystem, "_outputFormat=text/csv&_type=Device", "flat tables", false},
		{OfSystem, "_outputFormat=text/csv&_typeFilter=Observation%3Fcode%3D1", "not by code", false},
	} {
		_, err := parse(t, test.level, test.query, false)
		if !fault.Is(err, fault.Invalid) || !strings.Contains(strings.ToLower(err.Error()), strings.ToLower(test.says)) {
			t.Errorf("%s: %v", test.query, err)
		}
		r, err := parse(t, test.level, test.query, true)
		if (err == nil) != test.lenient || test.lenient && len(r.Ignored) != 1 {
			t.Errorf("%s, lenient: %v, passed over %q", test.query, err, r.Ignored)
		}
	}
}

func TestLenientIsReported(t *testing.T) {
	b := newBench(t)
	b.put(patient("a", "x"))
	s, who := b.service(), caller(everything)
	r, err := parse(t, OfSystem, "_type=Patient,Medication", true)
	if err != nil {
		t.Fatal(err)
	}
	j := b.export(s, who, r)
	i := slices.IndexFunc(j.Files, func(f File) bool { return f.Role == ErrorLog })
	if i < 0 || !strings.Contains(string(b.content(s, who, j, j.Files[i].Name)), "Medication") {
		t.Errorf("%+v", j.Files)
	}
	if len(b.resources(s, who, j)) != 1 {
		t.Error("the rest was not exported")
	}
	// Nothing that was asked for is left: that is not the same as everything.
	if r, err = parse(t, OfSystem, "_type=Medication", true); err != nil {
		t.Fatal(err)
	}
	if j = b.export(s, who, r); len(b.resources(s, who, j)) != 0 {
		t.Error("everything was exported instead of nothing")
	}
}

func FuzzParseRequest(f *testing.F) {
	for _, s := range []string{"", "_type=Patient&_since=2026-11-18T07:00:00Z", "_typeFilter=Observation%3Fcode%3Da,b,Device%3Fstatus%3Dactive", "_outputFormat=text/csv", "patient=Patient/1,Patient/2", "_elements=a,b"} {
		f.Add(s, false)
		f.Add(s, true)
	}
	f.Fuzz(func(t *testing.T, query string, lenient bool) {
		pairs, err := search.ParsePairs(query)
		if err != nil {
			return
		}
		r, err := ParseRequest(OfPatients, "", pairs, types, lenient)
		if err != nil {
			if fault.Of(err).Kind != fault.Invalid {
				t.Fatal(err)
			}
			return
		}
		for _, typ := range r.Types {
			if !slices.Contains(types, typ) {
				t.Fatalf("type %q", typ)
			}
		}
		for _, text := range r.Filters {
			if _, err := parseFilter(text, search.ParseOptions{}); err != nil {
				t.Fatalf("the filter %q was let through: %v", text, err)
			}
		}
	})
}
