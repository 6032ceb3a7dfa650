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

// TestOwnSearchParameters: they are read like any definition, named in
// /fhir/metadata, and serve searches, chains and the constraints of scopes.
func TestOwnSearchParameters(t *testing.T) {
	f := open(t)
	all := f.token("system/*.cruds", "")
	finding := f.ward(all)
	const url = "http://tidemark.example.org/fhir/SearchParameter/DetectedIssue-severity"
	meta := f.must(200, "GET", "/fhir/metadata", "", "")
	if !strings.Contains(meta, `{"name":"severity","definition":"`+url+`","type":"token"}`) {
		t.Error("metadata does not name severity with its definition")
	}
	if got := f.find(all, "/fhir/SearchParameter?url="+url+"&base=DetectedIssue").keys("match"); len(got) != 1 || got[0] != "SearchParameter/DetectedIssue-severity" {
		t.Errorf("the definition: %v", got)
	}
	f.must(200, "GET", "/fhir/SearchParameter/DetectedIssue-status", all, "")
	// Nobody emptied b's drain before: overdue, a moderate finding, ended with the entry and so amended.
	for path, want := range map[string]bool{
		"DetectedIssue?severity=moderate&patient=b":          true,
		"DetectedIssue?severity=low":                         false,
		"DetectedIssue?severity=low,moderate&status=amended": true,
		"DetectedIssue?severity=moderate&status=cancelled":   false,
		"DetectedIssue?severity:not=moderate":                false,
		"DetectedIssue?severity:missing=true":                false,
		"DetectedIssue?severity=moderate&_sort=severity":     true,
		"?_type=DetectedIssue,Observation&status=amended":    true,
	} {
		got := slices.Contains(f.find(all, strings.Replace("/fhir/"+path, "/?", "?", 1)).keys("match"), "DetectedIssue/"+finding)
		if got != want {
			t.Errorf("%s: found %v, want %v", path, got, want)
		}
	}
	if got := f.find(all, "/fhir/Device?_has:DeviceUseStatement:device:status=active").keys("match"); len(got) != 2 {
		t.Errorf("drains in place: %v", got)
	}
	if got := f.find(all, "/fhir/Patient?_has:DetectedIssue:patient:severity=moderate").keys("match"); !slices.Contains(got, "Patient/b") {
		t.Errorf("patients with a finding: %v", got)
	}
	for scope, want := range map[string]int{"user/DetectedIssue.rs?severity=moderate": 200, "user/DetectedIssue.rs?severity=low": 404} {
		if got, _, b := f.do("GET", "/fhir/DetectedIssue/"+finding, f.token(scope, ""), ""); got != want {
			t.Errorf("with %s: %d, want %d: %s", scope, got, want, b)
		}
	}
}
