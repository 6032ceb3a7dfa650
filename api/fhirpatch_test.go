package api_test

import (
	"strings"
	"testing"
)

// TestFHIRPathPatch: a Parameters body patches like a JSON Patch does, alone
// and in Bundles, with the same guards.
func TestFHIRPathPatch(t *testing.T) {
	f := open(t)
	all := f.token("system/*.cruds", "")
	f.ward(all)
	op := func(parts string) string {
		return `{"resourceType":"Parameters","parameter":[{"name":"operation","part":[` + parts + `]}]}`
	}
	gender := op(`{"name":"type","valueCode":"add"},{"name":"path","valueString":"Patient"},{"name":"name","valueString":"gender"},{"name":"value","valueCode":"female"}`)
	replace := func(path, value string) string {
		return op(`{"name":"type","valueCode":"replace"},{"name":"path","valueString":"` + path + `"},{"name":"value",` + value + `}`)
	}
	if b := f.must(200, "PATCH", "/fhir/Patient/a", all, gender, "If-Match", `W/"1"`); !strings.Contains(b, `"gender":"female"`) || !strings.Contains(b, `"versionId":"2"`) {
		t.Errorf("patched: %s", b)
	}
	f.must(412, "PATCH", "/fhir/Patient/a", all, replace("Patient.gender", `"valueCode":"male"`), "If-Match", `W/"1"`)
	f.must(200, "PATCH", "/fhir/Patient?_id=a", all, replace("Patient.gender", `"valueCode":"male"`))
	for name, c := range map[string]struct {
		path, body string
		want       int
	}{
		"an element that R4 lacks":   {"Patient/a", replace("Patient.colour", `"valueCode":"male"`), 422},
		"a code that R4 lacks":       {"Patient/a", replace("Patient.gender", `"valueCode":"blue"`), 422},
		"another id":                 {"Patient/a", replace("Patient.id", `"valueString":"b"`), 422},
		"a mandatory element":        {"Observation/oa", op(`{"name":"type","valueCode":"delete"},{"name":"path","valueString":"Observation.status"}`), 422},
		"more than names":            {"Patient/a", replace("Patient.name.where(use='x').text", `"valueString":"x"`), 422},
		"no Parameters":              {"Patient/a", `{"resourceType":"Patient","id":"a"}`, 415},
		"no JSON":                    {"Patient/a", `{`, 400},
		"nobody":                     {"Patient/nobody", gender, 404},
		"what the service writes":    {"DetectedIssue/x", gender, 405},
		"an array that is not there": {"Patient/a", op(`{"name":"type","valueCode":"move"},{"name":"path","valueString":"Patient.telecom"},{"name":"source","valueInteger":0},{"name":"destination","valueInteger":0}`), 422},
	} {
		if got, _, b := f.do("PATCH", "/fhir/"+c.path, all, c.body); got != c.want {
			t.Errorf("%s: %d, want %d: %s", name, got, c.want, b)
		}
	}
	if b := f.must(200, "GET", "/fhir/Patient/a", all, ""); !strings.Contains(b, `"versionId":"3"`) {
		t.Errorf("a refused patch changed something: %s", b)
	}
	for _, kind := range []string{"batch", "transaction"} {
		value := map[string]string{"batch": "other", "transaction": "unknown"}[kind]
		b := f.must(200, "POST", "/fhir", all, `{"resourceType":"Bundle","type":"`+kind+`","entry":[{"resource":`+replace("Patient.gender", `"valueCode":"`+value+`"`)+`,"request":{"method":"PATCH","url":"Patient/a"}}]}`)
		if got := f.must(200, "GET", "/fhir/Patient/a", all, ""); !strings.Contains(b, `"status":"200 OK"`) || !strings.Contains(got, `"gender":"`+value+`"`) {
			t.Errorf("%s: %s, then %s", kind, b, got)
		}
	}
	tag := op(`{"name":"type","valueCode":"add"},{"name":"path","valueString":"Patient.meta"},{"name":"name","valueString":"tag"},{"name":"value","valueCoding":{"system":"http://t","code":"reviewed"}}`)
	if b := f.must(200, "PATCH", "/fhir/Patient/a", all, tag); !strings.Contains(b, `"tag":[{"system":"http://t","code":"reviewed"}]`) || strings.Count(b, `"versionId"`) != 1 {
		t.Errorf("a tag in meta: %s", b)
	}
	// Rights are those of an update.
	if got, _, b := f.do("PATCH", "/fhir/Patient/a", f.token("user/Patient.rs", ""), gender); got != 403 {
		t.Errorf("without the right to update: %d %s", got, b)
	}
	if got, _, b := f.do("PATCH", "/fhir/Patient/b", f.token("patient/*.cruds", "a"), gender); got != 404 {
		t.Errorf("another patient's: %d %s", got, b)
	}
}
