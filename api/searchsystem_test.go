package api_test

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// found is a searchset as these tests look at it.
type found struct {
	Total *int
	Link  []struct{ Relation, URL string }
	Entry []struct {
		FullURL  string
		Search   struct{ Mode string }
		Resource struct {
			ResourceType, ID, Status string
			Meta                     struct{ LastUpdated string }
			Issue                    []struct{ Diagnostics string }
		}
	}
}

func (b found) keys(mode string) []string {
	var out []string
	for _, e := range b.Entry {
		if e.Search.Mode == mode {
			out = append(out, e.Resource.ResourceType+"/"+e.Resource.ID)
		}
	}
	return out
}

func (b found) link(relation string) string {
	for _, l := range b.Link {
		if l.Relation == relation {
			return strings.TrimPrefix(l.URL, "http://tidemark.test")
		}
	}
	return ""
}

func (f *face) find(token, path string) found {
	f.t.Helper()
	var b found
	if err := json.Unmarshal([]byte(f.must(200, "GET", path, token, "")), &b); err != nil {
		f.t.Fatal(err)
	}
	return b
}

// pages walks all pages; between is called after each but the last.
func (f *face) pages(token, path string, between func()) (all found) {
	f.t.Helper()
	for n := 0; path != ""; n++ {
		if n > 100 {
			f.t.Fatalf("more than 100 pages; at %s", path)
		}
		b := f.find(token, path)
		all.Entry = append(all.Entry, b.Entry...)
		if path = b.link("next"); path != "" {
			if len(b.Entry) == 0 {
				f.t.Errorf("an empty page has a next link %s", path)
			}
			between()
		}
	}
	return all
}

// mixed puts resources of three types in turn, with a tag.
func (f *face) mixed(token string) (made []string) {
	f.t.Helper()
	for i := range 12 {
		typ := []string{"Location", "Patient", "Organization"}[i%3]
		key := fmt.Sprintf("%s/%c", typ, 'a'+(i*5)%12) // ids run across the types
		f.must(201, "PUT", "/fhir/"+key, token, simple(key))
		made = append(made, key)
	}
	return made
}

func simple(key string) string {
	typ, id, _ := strings.Cut(key, "/")
	name := `"name":"n"`
	if typ == "Patient" {
		name = `"name":[{"family":"n"}]`
	}
	return fmt.Sprintf(`{"resourceType":%q,"id":%q,"meta":{"tag":[{"system":"http://t","code":"mixed"}]},%s}`, typ, id, name)
}

func TestSystemSearch(t *testing.T) {
	f := open(t)
	all := f.token("system/*.cruds", "")
	made := f.mixed(all)
	byID := slices.Clone(made)
	slices.SortFunc(byID, func(a, b string) int {
		return strings.Compare(a[strings.IndexByte(a, '/'):], b[strings.IndexByte(b, '/'):])
	})
	byType := slices.Clone(made) // in the order of _type, each as created
	order := []string{"Patient", "Organization", "Location"}
	slices.SortStableFunc(byType, func(a, b string) int {
		ta, _, _ := strings.Cut(a, "/")
		tb, _, _ := strings.Cut(b, "/")
		return slices.Index(order, ta) - slices.Index(order, tb)
	})
	reversed := func(s []string) []string { s = slices.Clone(s); slices.Reverse(s); return s }
	const types = "/fhir?_type=Patient,Organization,Location"
	for _, c := range []struct {
		query string
		want  []string
	}{
		{types, byType},
		{types + "&_sort=_id", byID},
		{types + "&_sort=-_id", reversed(byID)},
		{types + "&_sort=_lastUpdated", made},
		{types + "&_sort=-_lastUpdated", reversed(made)},
		{types + "&_tag=http://t|mixed&_sort=_id", byID},
		{types + "&_id=a,b,c&_sort=_id", byID[:3]},
		{types + "&name=n&_sort=_id", byID},
		{types + "&_tag=none", nil},
		{"/fhir?_tag=mixed&_sort=_id", byID},
		{types + "&_type=Patient&_sort=_id", slices.DeleteFunc(slices.Clone(byID), func(k string) bool { return !strings.HasPrefix(k, "Patient/") })},
	} {
		for _, count := range []int{1, 2, 5, 12, 50} {
			path := fmt.Sprintf("%s&_count=%d", c.query, count)
			first := f.find(all, path)
			if first.Total == nil || *first.Total != len(c.want) {
				t.Errorf("%s: total %v, want %d", path, first.Total, len(c.want))
			}
			if len(first.Entry) > count {
				t.Errorf("%s: a page of %d", path, len(first.Entry))
			}
			got := f.pages(all, path, func() {})
			if keys := got.keys("match"); !slices.Equal(keys, c.want) && (!strings.Contains(path, "_lastUpdated") || !ordered(got)) {
				t.Errorf("%s:\n got %v\nwant %v", path, keys, c.want)
			}
		}
	}
	b := f.find(all, types+"&_summary=count")
	if *b.Total != 12 || len(b.Entry) != 0 {
		t.Errorf("count: %v", b)
	}
	if b := f.find(all, types+"&_total=none"); b.Total != nil {
		t.Errorf("_total=none: %d", *b.Total)
	}
	if b := f.find(all, types+"&_tag=http://t|mixed&nonsense=1"); len(b.keys("match")) != 12 || len(b.keys("outcome")) != 1 || strings.Contains(b.link("self"), "nonsense") {
		t.Errorf("an unknown parameter: %v", b)
	}
	if self := f.find(all, types+"&_tag=mixed").link("self"); self != "/fhir?_type=Patient%2COrganization%2CLocation&_tag=mixed" {
		t.Errorf("self: %s", self)
	}
	form := f.must(200, "POST", "/fhir/_search?_type=Patient,Location", all, "_tag=mixed&_sort=_id&_count=3", "Content-Type", "application/x-www-form-urlencoded")
	get := f.must(200, "GET", "/fhir?_type=Patient,Location&_tag=mixed&_sort=_id&_count=3", all, "")
	if form != get {
		t.Errorf("POST\n%s\nGET\n%s", form, get)
	}
	batch := f.must(200, "POST", "/fhir", all, `{"resourceType":"Bundle","type":"batch","entry":[{"request":{"method":"GET","url":"?_type=Patient,Location&_tag=mixed"}}]}`)
	if strings.Count(batch, `"mode":"match"`) != 8 {
		t.Errorf("in a batch: %s", batch)
	}
}

// ordered reports whether the times do not rise or do not fall: several
// writes may share a millisecond.
func ordered(b found) bool {
	up, down := true, true
	for i := 1; i < len(b.Entry); i++ {
		a, z := b.Entry[i-1].Resource.Meta.LastUpdated, b.Entry[i].Resource.Meta.LastUpdated
		up, down = up && a <= z, down && a >= z
	}
	return up || down
}

// TestSystemSearchRefuses: what is wrong is said, with a way out.
func TestSystemSearchRefuses(t *testing.T) {
	f := open(t)
	all := f.token("system/*.cruds", "")
	for path, says := range map[string]string{
		"/fhir?code=9203-1":                                    "not a parameter of",
		"/fhir?_type=Observation,Patient&code=9203-1":          `"code" is not a parameter of Patient`,
		"/fhir?_type=Observation,Patient&_sort=code":           `"code" is not a parameter of Patient`,
		"/fhir?_type=Observation,Patient&code:not=9203-1":      `"code" is not a parameter of Patient`,
		"/fhir?_type=Observation,Patient&encounter.status=x":   `"encounter" is not a parameter of Patient`,
		"/fhir?_type=Observation,AuditEvent":                   "search it alone",
		"/fhir?_type=ValueSet,CodeSystem":                      "search it alone",
		"/fhir?_type=Observation,Condition":                    "keeps no such resources",
		"/fhir?_type=observation":                              "keeps no such resources",
		"/fhir?_type=,":                                        "_type takes types",
		"/fhir?_type:not=Observation":                          "no modifier",
		"/fhir?_type=Patient&_type=Device":                     "No type stands in each",
		"/fhir?_type=Patient,Device&_lastUpdated=yesterday":    "_lastUpdated",
		"/fhir?_type=Patient,Device&_tag:nonsense=x":           "modifier",
		"/fhir?_type=Patient,Device&_cursor=x":                 "page link",
		"/fhir?_type=Patient,Device&_cursor=x~y":               "page link",
		"/fhir?_type=Patient,Device&_cursor=~~":                "page link",
		"/fhir?_type=Patient,Device&_sort=_id&_cursor=x~.":     "page link",
		"/fhir?_type=Patient,Device&_has:Observation:code:x=y": "no reference parameter",
	} {
		got, _, body := f.do("GET", path, all, "")
		var o struct {
			ResourceType string
			Issue        []struct{ Diagnostics string }
		}
		if err := json.Unmarshal([]byte(body), &o); err != nil || got != 400 || o.ResourceType != "OperationOutcome" || !strings.Contains(o.Issue[0].Diagnostics, says) {
			t.Errorf("%s: %d, want 400 that says %q: %s", path, got, says, body)
		}
	}
	f.must(400, "GET", "/fhir?_type=Patient,Device&_tag=x&nonsense=1", all, "", "Prefer", "handling=strict")
	for _, m := range []string{"PUT", "DELETE", "PATCH"} {
		for _, path := range []string{"/fhir", "/fhir/_search", "/fhir/Patient/_search"} {
			if got, h, b := f.do(m, path, all, ""); got != 405 || !strings.Contains(h.Get("Allow"), "POST") {
				t.Errorf("%s %s: %d %s %s", m, path, got, h.Get("Allow"), b)
			}
		}
	}
}

// TestSystemSearchRights: types that the token lacks, constraints and
// compartments hold for each type of one search.
func TestSystemSearchRights(t *testing.T) {
	f := open(t)
	all := f.token("system/*.cruds", "")
	f.ward(all)
	const common = "_lastUpdated=ge2020&_sort=_id"
	for _, c := range []struct {
		scope, patient, path string
		status               int
		want                 string
	}{
		{"user/Patient.rs user/Device.rs", "", "/fhir?_type=Patient,Device&_sort=_id", 200, "Patient/a Patient/b Device/da Device/db"},
		{"user/Patient.rs", "", "/fhir?_type=Patient,Device", 403, ""},
		{"user/Patient.r user/Device.rs", "", "/fhir?_type=Patient,Device", 403, ""},
		{"user/Patient.rs user/Device.rs", "", "/fhir?" + common, 200, "Patient/a Patient/b Device/da Device/db"},
		{"user/Patient.r", "", "/fhir?" + common, 403, ""},
		{"patient/*.rs", "a", "/fhir?_type=Patient,Device,Observation,Encounter,DeviceUseStatement&_sort=_id", 200, "Patient/a Device/da Encounter/ea Observation/oa DeviceUseStatement/ua"},
		{"patient/*.rs", "a", "/fhir?" + common, 200, "Patient/a Device/da Encounter/ea Observation/oa DeviceUseStatement/ua"},
		{"patient/Observation.rs user/Patient.rs", "a", "/fhir?_type=Observation,Patient&_sort=_id", 200, "Patient/a Patient/b Observation/oa"},
		{"user/Observation.rs?code=http://loinc.org|9203-1 user/Device.rs?patient=Patient/b", "", "/fhir?_type=Observation,Device&_sort=-_id", 200, "Observation/ob Observation/oa Device/db"},
		{"user/Observation.rs?code=none user/Device.rs", "", "/fhir?_type=Observation,Device", 200, "Device/da Device/db"},
	} {
		got, _, body := f.do("GET", c.path, f.token(c.scope, c.patient), "")
		if got != c.status {
			t.Errorf("%s with %s: %d, want %d: %s", c.path, c.scope, got, c.status, body)
			continue
		}
		var b found
		if err := json.Unmarshal([]byte(body), &b); err != nil {
			t.Fatal(err)
		}
		// DetectedIssues have ids of the service's own.
		keys := slices.DeleteFunc(b.keys("match"), func(k string) bool { return strings.HasPrefix(k, "DetectedIssue/") })
		if strings.Join(keys, " ") != c.want {
			t.Errorf("%s with %s: %v, want %s", c.path, c.scope, keys, c.want)
		}
	}
	// All of a compartment, which is of the same kind.
	const ofA = "Patient/a Device/da Encounter/ea Observation/oa DeviceUseStatement/ua"
	for _, c := range []struct {
		scope, patient, path string
		status               int
		want                 string
	}{
		{"user/*.rs", "", "/fhir/Patient/a/*?_sort=_id", 200, ofA},
		{"user/*.rs", "", "/fhir/Patient/a/*?_type=Device,Encounter&_sort=_id", 200, "Device/da Encounter/ea"},
		{"user/*.rs", "", "/fhir/Device/da/*?_sort=_id", 200, "Device/da Observation/oa DeviceUseStatement/ua"},
		{"user/*.rs", "", "/fhir/Encounter/ea/*", 200, "Encounter/ea"},
		{"user/*.rs", "", "/fhir/Patient/a/*?_type=Location", 400, ""},
		{"user/*.rs", "", "/fhir/Patient/a/*?code=9203-1", 400, ""},
		{"user/*.rs", "", "/fhir/Patient/nobody/*", 404, ""},
		{"user/*.rs", "", "/fhir/Location/w/*", 404, ""},
		{"patient/*.rs", "a", "/fhir/Patient/a/*?_sort=_id", 200, ofA},
		{"patient/*.rs", "a", "/fhir/Patient/b/*", 404, ""},
		{"user/Patient.rs user/Device.rs", "", "/fhir/Patient/a/*?_sort=_id", 200, "Patient/a Device/da"},
		{"user/Patient.r", "", "/fhir/Patient/a/*", 403, ""},
		{"user/Device.s", "", "/fhir/Patient/a/*", 403, ""},
	} {
		got, _, body := f.do("GET", c.path, f.token(c.scope, c.patient), "")
		var b found
		if err := json.Unmarshal([]byte(body), &b); err != nil || got != c.status {
			t.Errorf("%s with %s: %d, want %d: %s", c.path, c.scope, got, c.status, body)
			continue
		}
		keys := slices.DeleteFunc(b.keys("match"), func(k string) bool { return strings.HasPrefix(k, "DetectedIssue/") })
		if got == 200 && strings.Join(keys, " ") != c.want {
			t.Errorf("%s with %s: %v, want %s", c.path, c.scope, keys, c.want)
		}
	}
	if got := len(f.pages(all, "/fhir/Patient/a/*?_count=2", func() {}).Entry); got != len(f.find(all, "/fhir/Patient/a/*").Entry) {
		t.Errorf("in pages %d", got)
	}
	b := f.find(all, "/fhir?_type=Observation,Encounter&patient=a&_include=Observation:device&_include=Encounter:subject")
	if got := fmt.Sprint(b.keys("match"), b.keys("include")); got != "[Observation/oa Encounter/ea] [Device/da Patient/a]" {
		t.Errorf("includes: %s", got)
	}
}

// TestSystemSearchWhileOthersWrite: a run over pages sees what matches
// throughout exactly once, whatever is written between the pages.
func TestSystemSearchWhileOthersWrite(t *testing.T) {
	f := open(t)
	all := f.token("system/*.cruds", "")
	made := f.mixed(all)
	added := 0
	rapid.Check(t, func(rt *rapid.T) {
		sort := rapid.SampledFrom([]string{"", "&_sort=_id", "&_sort=-_id", "&_sort=_lastUpdated", "&_sort=-_lastUpdated"}).Draw(rt, "sort")
		count := rapid.IntRange(1, 6).Draw(rt, "count")
		extra := []string{}
		got := f.pages(all, fmt.Sprintf("/fhir?_type=Patient,Organization,Location&_tag=mixed%s&_count=%d", sort, count), func() {
			for range rapid.IntRange(0, 3).Draw(rt, "writes") {
				if rapid.Bool().Draw(rt, "new") {
					added++
					key := fmt.Sprintf("%s/%c%d", rapid.SampledFrom([]string{"Patient", "Location"}).Draw(rt, "type"), rapid.RuneFrom([]rune("am")).Draw(rt, "letter"), added)
					f.must(201, "PUT", "/fhir/"+key, all, simple(key))
					extra = append(extra, key)
				} else {
					key := rapid.SampledFrom(made).Draw(rt, "key")
					f.must(200, "PUT", "/fhir/"+key, all, strings.Replace(simple(key), `"name":`, fmt.Sprintf(`"language":"x%d","name":`, added), 1))
					added++
				}
			}
		})
		times := map[string]int{}
		for _, k := range got.keys("match") {
			times[k]++
		}
		for _, k := range made {
			if times[k] != 1 {
				rt.Errorf("%s stands %d times in %v", k, times[k], got.keys("match"))
			}
		}
		for k, n := range times {
			if n != 1 {
				rt.Errorf("%s stands %d times", k, n)
			}
		}
		for _, k := range extra {
			f.must(204, "DELETE", "/fhir/"+k, all, "")
		}
	})
}
