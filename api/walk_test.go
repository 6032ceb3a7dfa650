package api_test

import (
	"fmt"
	"strings"
	"testing"
	"time"
)

// A nurse plans a walk; the drains of the patient are due before it, and no
// longer when it is over.
func TestPlannedWalk(t *testing.T) {
	f := open(t)
	all := f.token("system/*.cruds", "")
	f.ward(all)
	walk := func(status string) string {
		return fmt.Sprintf(`{"resourceType":"Task","id":"walk","status":%q,"intent":"plan","code":{"coding":[{"system":"http://tidemark.example.org/fhir/CodeSystem/drain","code":"planned-walk"}]},"for":{"reference":"Patient/a"},"restriction":{"period":{"start":%q}}}`,
			status, time.Now().UTC().Add(20*time.Minute).Format(time.RFC3339))
	}
	due := func() string { return f.must(200, "GET", "/fhir/Location/w/$emptying-due", all, "") }
	if b := due(); strings.Contains(b, `"planned"`) || strings.Count(b, `"emptying-due"`) != 2 || !strings.Contains(b, `"display":"Alder"`) {
		t.Errorf("before: %s", b)
	}
	reader := f.token("user/Task.rs", "")
	if got, _, _ := f.do("PUT", "/fhir/Task/walk", reader, walk("requested")); got != 403 {
		t.Errorf("written with the right to read: %d", got)
	}
	f.must(201, "PUT", "/fhir/Task/walk", f.token("user/Task.crus", ""), walk("requested"))
	if b := due(); strings.Count(b, `"planned"`) != 1 || strings.Index(b, `"planned"`) > strings.Index(b, `Device/db`) {
		t.Errorf("the walk is not first: %s", b)
	}
	if b := f.must(200, "GET", "/fhir/Task?patient=a&code=planned-walk&status=requested", reader, ""); !strings.Contains(b, `"total":1`) {
		t.Errorf("search: %s", b)
	}
	if b := f.must(422, "POST", "/fhir/Task", all, `{"resourceType":"Task","status":"requested","intent":"plan","code":{"coding":[{"system":"http://tidemark.example.org/fhir/CodeSystem/drain","code":"planned-walk"}]},"for":{"reference":"Patient/a"}}`); !strings.Contains(b, "restriction.period.start") {
		t.Errorf("without a time: %s", b)
	}
	f.must(200, "PUT", "/fhir/Task/walk", all, walk("completed"))
	if b := due(); strings.Contains(b, `"planned"`) {
		t.Errorf("a walk that is over: %s", b)
	}
}

// The patient has gone home with the drain: it leaves the ward, and the
// patient's own token charts it.
func TestHomeWithADrain(t *testing.T) {
	f := open(t)
	all := f.token("system/*.cruds", "")
	f.ward(all)
	f.must(200, "PUT", "/fhir/Encounter/ea", all, `{"resourceType":"Encounter","id":"ea","status":"finished","class":{"system":"http://terminology.hl7.org/CodeSystem/v3-ActCode","code":"IMP"},"subject":{"reference":"Patient/a"}}`)
	for _, op := range []string{"$emptying-due", "$escalation-status"} {
		if b := f.must(200, "GET", "/fhir/Location/w/"+op, all, ""); strings.Contains(b, "Device/da") || !strings.Contains(b, "Device/db") {
			t.Errorf("%s of the ward: %s", op, b)
		}
	}
	mine := f.token("patient/*.cruds", "a")
	f.must(201, "POST", "/fhir/Observation", mine, anonymous(entry("x", "a", "9203-1", "http://loinc.org", time.Now().UTC().Add(-time.Minute), "serous", "")))
	if b := f.must(200, "GET", "/fhir/Patient/a/$escalation-status", mine, ""); !strings.Contains(b, "Device/da") {
		t.Errorf("of the patient: %s", b)
	}
}
