package api_test

import (
	"encoding/json"
	"io"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// places read a query.
var places = []string{
	"/fhir", "/fhir/Patient/a/*", "/fhir/Device/da/*", "/fhir/DetectedIssue", "/fhir/ValueSet", "/fhir/SearchParameter",
	"/fhir/ValueSet/$expand", "/fhir/ValueSet/$validate-code", "/fhir/ValueSet/compartment/$expand", "/fhir/CodeSystem/$lookup",
	"/fhir/CodeSystem/drain", "/fhir/StructureDefinition",
}

// asker sends a query to a place: whatever is asked, the answer is JSON, never
// a 5xx, and no page is offered that is none.
func asker(face *face) func(t rapid.TB, place byte, query string, post bool) {
	all := face.token("system/*.cruds", "")
	face.ward(all)
	ask := func(t rapid.TB, target string, form string) (int, found) {
		method := "GET"
		if form != "" {
			method = "POST"
		}
		r, err := http.NewRequest(method, face.url+strings.TrimPrefix(target, "http://tidemark.test"), strings.NewReader(form))
		if err != nil {
			t.Fatal(err)
		}
		r.Header.Set("Authorization", "Bearer "+all)
		if form != "" {
			r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		}
		res, err := http.DefaultClient.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		defer res.Body.Close()
		body, err := io.ReadAll(res.Body)
		if err != nil {
			t.Fatal(err)
		}
		var b found
		if err := json.Unmarshal(body, &b); err != nil || res.StatusCode >= 500 {
			t.Fatalf("%s %s %q: %d %s", method, target, form, res.StatusCode, body)
		}
		return res.StatusCode, b
	}
	return func(t rapid.TB, place byte, query string, post bool) {
		target := places[int(place)%len(places)]
		pairs, err := url.ParseQuery(query)
		if err != nil {
			return
		}
		query = pairs.Encode()
		form := ""
		if post && query != "" && !strings.Contains(target, "$") && !strings.HasSuffix(target, "drain") {
			target, form = target+"/_search", query
		} else {
			target += "?" + query
		}
		code, b := ask(t, target, form)
		if next := b.link("next"); code == 200 && next != "" {
			if code, _ := ask(t, next, ""); code != 200 {
				t.Errorf("%s %q: the next page %s answers %d", target, form, next, code)
			}
		}
	}
}

func FuzzRequests(f *testing.F) {
	for i, seed := range []string{
		"_type=Patient,Device&_sort=-_lastUpdated&_count=1", "_tag=x&_cursor=.~.", "_type=Observation&_type=Observation,Device&_elements=Device.status",
		"severity=high,low&status:not=final&_sort=severity", "_type=Patient,Device&_include=Device:patient&_revinclude=*&_summary=count",
		"_has:Observation:patient:code=x&_lastUpdated=ge2020", "url=http://tidemark.example.org/fhir/ValueSet/compartment&filter=b&offset=1&count=2147483647",
		"system=http://tidemark.example.org/fhir/CodeSystem/drain&code=lost&property=a,b&version=1.0.0", "patient.name=x&_sort=_id,-date,&_total=none",
		"_summary=text&_elements=a.b,c&_format=json", "url=x|y|z&valueSetVersion=|&coding=x", "_lastUpdated=ap2026&_id=a,b,,c&_count=0", "_sort=-&_type=,,&_count=-1",
	} {
		for place := range places {
			f.Add(byte(place), seed, i%2 == 0)
		}
	}
	ask := asker(open(f))
	f.Fuzz(func(t *testing.T, place byte, query string, post bool) { ask(t, place, query, post) })
}

// TestRandomRequests asks for what is put together from names and values that
// mean something to one or another of the places.
func TestRandomRequests(t *testing.T) {
	ask := asker(open(t))
	name := rapid.SampledFrom([]string{"_type", "_id", "_lastUpdated", "_tag", "_profile", "_sort", "_count", "_total", "_summary", "_elements", "_include", "_revinclude", "_cursor", "_format",
		"patient", "status", "severity", "code", "date", "name", "identifier", "subject:Patient.name", "_has:Observation:patient:code", "code:not", "name:exact", "date:missing", "_include:iterate",
		"url", "filter", "offset", "count", "system", "version", "display", "coding", "property", "valueSetVersion", "displayLanguage", "includeDesignations", "base"})
	value := rapid.SampledFrom([]string{"", "Patient,Device", "Observation", "DetectedIssue,Observation,Encounter", "AuditEvent", "a", "da,db", "x~y", ".~.", "~", "ge2020", "ap2026-11", "high", "final,amended", "http://loinc.org|9203-1",
		"-_lastUpdated,_id", "_id", "-date", "severity", "0", "1", "2", "-1", "99999999999999999999", "none", "accurate", "count", "true", "text", "data", "status,Patient.name,a.b", "*", "Observation:subject", "Provenance:target", "true", "false", "en", "de",
		"http://tidemark.example.org/fhir/ValueSet/compartment", "http://tidemark.example.org/fhir/CodeSystem/drain", "biliary", "1.0.0", "\x00", "é\\,|$", "json", "xml"})
	rapid.Check(t, func(t *rapid.T) {
		var pairs url.Values = map[string][]string{}
		for range rapid.IntRange(0, 5).Draw(t, "pairs") {
			pairs.Add(name.Draw(t, "name"), value.Draw(t, "value"))
		}
		ask(t, rapid.Byte().Draw(t, "place"), pairs.Encode(), rapid.Bool().Draw(t, "post"))
	})
}
