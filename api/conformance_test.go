package api_test

import (
	"slices"
	"strings"
	"testing"
)

// TestConformanceSearch: the definitions are sorted, paged and cut like what
// is stored.
func TestConformanceSearch(t *testing.T) {
	f := open(t)
	all := f.token("system/*.cruds", "")
	up := f.find(all, "/fhir/ValueSet?_sort=name&_count=200").keys("match")
	down := f.find(all, "/fhir/ValueSet?_sort=-name&_count=200").keys("match")
	slices.Reverse(down)
	if len(up) < 10 || !slices.Equal(up, down) {
		t.Errorf("by name: up %v, down reversed %v", up, down)
	}
	if got := f.pages(all, "/fhir/ValueSet?_sort=name&_count=7", func() {}).keys("match"); !slices.Equal(got, up) {
		t.Errorf("in pages: %v, want %v", got, up)
	}
	if got := f.find(all, "/fhir/ValueSet?_lastUpdated=lt2020").keys("match"); len(got) != 0 {
		t.Errorf("before 2020: %v", got)
	}
	if got := f.find(all, "/fhir/ValueSet?_lastUpdated=ge2026&_count=200").keys("match"); len(got) != len(up) {
		t.Errorf("since 2026: %v", got)
	}
	for _, path := range []string{"/fhir/CodeSystem/drain?_elements=title", "/fhir/CodeSystem/drain?_summary=text", "/fhir/CodeSystem?_id=drain&_summary=data"} {
		body := f.must(200, "GET", path, all, "")
		for _, stays := range []string{`"status":"active"`, `"content":"complete"`, `"SUBSETTED"`} {
			if !strings.Contains(body, stays) {
				t.Errorf("%s lacks %s: %.300s", path, stays, body)
			}
		}
		if concepts := strings.Contains(body, `"concept":`); concepts != strings.Contains(path, "data") {
			t.Errorf("%s: concepts %v", path, concepts)
		}
	}
}
