package api_test

import (
	"encoding/json"
	"fmt"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"tidemark/internal/auth"
)

// anonymous makes an entry one that the service gives an id.
func anonymous(entry string) string {
	_, rest, _ := strings.Cut(entry, `,"status"`)
	return `{"resourceType":"Observation","status"` + rest
}

// TestPatientScopesCannotWriteElsewhere: R4 counts an Observation into the
// compartment of its performer too. That opens it for reading, not a way into
// the record of somebody else.
func TestPatientScopesCannotWriteElsewhere(t *testing.T) {
	f := open(t)
	all := f.token("system/*.cruds", "")
	f.ward(all)
	mine := f.token("patient/*.cruds", "a")
	now := time.Now().UTC().Add(-time.Minute)
	performed := func(id, subject string) string {
		return strings.Replace(entry(id, subject, "9203-1", "http://loinc.org", now, "", ""), `"effectiveDateTime"`, `"performer":[{"reference":"Patient/a"}],"effectiveDateTime"`, 1)
	}
	bundle := func(method, url, res string) string {
		return fmt.Sprintf(`{"resourceType":"Bundle","type":"transaction","entry":[{"resource":%s,"request":{"method":%q,"url":%q}}]}`, res, method, url)
	}
	// An entry of b's that a performed, as one of them really might.
	f.must(201, "PUT", "/fhir/Observation/shared", all, performed("shared", "b"))
	f.must(200, "GET", "/fhir/Observation/shared", mine, "")
	for _, c := range []struct {
		name, method, path, body string
		header                   []string
	}{
		{"create", "POST", "/fhir/Observation", anonymous(performed("x", "b")), nil},
		{"create in a transaction", "POST", "/fhir", bundle("POST", "Observation", anonymous(performed("x", "b"))), nil},
		{"update as create", "PUT", "/fhir/Observation/new", performed("new", "b"), nil},
		{"update", "PUT", "/fhir/Observation/shared", performed("shared", "b"), nil},
		{"pull into the own record", "PUT", "/fhir/Observation/shared", performed("shared", "a"), nil},
		{"push out of the own record", "PUT", "/fhir/Observation/oa", performed("oa", "b"), nil},
		{"patch", "PATCH", "/fhir/Observation/shared", `[{"op":"replace","path":"/status","value":"entered-in-error"}]`, []string{"Content-Type", "application/json-patch+json"}},
		{"patch out of the own record", "PATCH", "/fhir/Observation/oa", `[{"op":"add","path":"/performer","value":[{"reference":"Patient/a"}]},{"op":"replace","path":"/subject/reference","value":"Patient/b"}]`, []string{"Content-Type", "application/json-patch+json"}},
		{"delete", "DELETE", "/fhir/Observation/shared", "", nil},
		{"conditional delete", "DELETE", "/fhir/Observation?_id=shared", "", nil},
		{"meta", "POST", "/fhir/Observation/shared/$meta-add", `{"resourceType":"Parameters","parameter":[{"name":"meta","valueMeta":{"tag":[{"code":"x"}]}}]}`, nil},
	} {
		if got, _, b := f.do(c.method, c.path, mine, c.body, c.header...); got != 403 {
			t.Errorf("%s: %d, want 403: %s", c.name, got, b)
		}
	}
	if b := f.must(200, "GET", "/fhir/Observation/shared", all, ""); !strings.Contains(b, `"versionId":"1"`) {
		t.Errorf("what was refused was done: %s", b)
	}
	f.must(201, "POST", "/fhir/Observation", mine, anonymous(performed("x", "a")))
}

// TestNoWordOfOthersDrains: what the guard against the wrong drain says to a
// caller with one patient is the same for another's drain as for one that
// never was, on the way in and in $validate.
func TestNoWordOfOthersDrains(t *testing.T) {
	f := open(t)
	all := f.token("system/*.cruds", "")
	f.ward(all)
	f.must(200, "PUT", "/fhir/Observation/ob", all, strings.Replace(entry("ob", "b", "9203-1", "http://loinc.org", time.Now().UTC().Add(-time.Hour), "", "x"), "final", "entered-in-error", 1))
	f.must(200, "PUT", "/fhir/DeviceUseStatement/ub", all, `{"resourceType":"DeviceUseStatement","id":"ub","status":"completed","subject":{"reference":"Patient/b"},"device":{"reference":"Device/db"},"timingPeriod":{"start":"2026-01-02T03:04:05Z","end":"2026-01-09T03:04:05Z"}}`)
	mine := f.token("patient/*.cruds", "a")
	for _, at := range []time.Time{time.Now().UTC(), time.Date(2026, 1, 5, 0, 0, 0, 0, time.UTC), time.Date(2020, 1, 1, 0, 0, 0, 0, time.UTC)} {
		var said []string
		for _, device := range []string{"db", "dx"} {
			e := strings.Replace(anonymous(entry("x", "a", "9203-1", "http://loinc.org", at, "", "")), "Device/da", "Device/"+device, 1)
			for _, path := range []string{"/fhir/Observation", "/fhir/Observation/$validate"} {
				got, _, b := f.do("POST", path, mine, e)
				said = append(said, fmt.Sprint(got, " ", strings.ReplaceAll(b, device, "dx")))
			}
		}
		if said[0] != said[2] || said[1] != said[3] {
			t.Errorf("at %s another's drain and an unknown one differ:\n%s", at, strings.Join(said, "\n"))
		}
		for _, s := range said {
			if !strings.Contains(s, "Device/dx of this patient is registered") {
				t.Errorf("at %s: %s", at, s)
			}
		}
	}
	// $validate compares with what is stored; not with what others' entries say.
	ob := func(drain string) string {
		return strings.Replace(entry("ob", "b", "9203-1", "http://loinc.org", time.Now().UTC().Add(-time.Hour), "", "x"), "Device/db", "Device/"+drain, 1)
	}
	_, _, b1 := f.do("POST", "/fhir/Observation/$validate", mine, ob("db"))
	_, _, b2 := f.do("POST", "/fhir/Observation/$validate", mine, ob("dx"))
	if strings.ReplaceAll(b1, "db", "dx") != b2 {
		t.Errorf("$validate tells another's drain from an unknown one:\n%s\n%s", b1, b2)
	}
	// At the bedside the word stays what it was.
	e := strings.Replace(anonymous(entry("x", "a", "9203-1", "http://loinc.org", time.Now().UTC(), "", "")), "Device/da", "Device/db", 1)
	if got, _, b := f.do("POST", "/fhir/Observation", all, e); got != 422 || !strings.Contains(b, "Wrong drain?") {
		t.Errorf("a nurse is told: %d %s", got, b)
	}
}

// TestReusedDrain: a drain that went from one patient to another does not take
// the first one's readings along, where the caller may see the second only.
func TestReusedDrain(t *testing.T) {
	f := open(t)
	all := f.token("system/*.cruds", "")
	now := time.Now().UTC()
	for _, p := range []string{"a", "b"} {
		f.must(201, "PUT", "/fhir/Patient/"+p, all, fmt.Sprintf(`{"resourceType":"Patient","id":%q}`, p))
	}
	device := func(p string) string {
		return fmt.Sprintf(`{"resourceType":"Device","id":"d","status":"active","patient":{"reference":"Patient/%s"}}`, p)
	}
	use := func(p, status, period string) string {
		return fmt.Sprintf(`{"resourceType":"DeviceUseStatement","id":"u%s","status":%q,"subject":{"reference":"Patient/%s"},"device":{"reference":"Device/d"},"timingPeriod":{%s}}`, p, status, p, period)
	}
	at := func(h int) time.Time { return now.Add(time.Duration(h) * time.Hour) }
	stamp := func(h int) string { return at(h).Format(time.RFC3339) }
	reading := func(id, p string, h int, look string) string {
		return strings.Replace(entry(id, p, "9203-1", "http://loinc.org", at(h), look, ""), "Device/d"+p, "Device/d", 1)
	}
	f.must(201, "PUT", "/fhir/Device/d", all, device("b"))
	f.must(201, "PUT", "/fhir/DeviceUseStatement/ub", all, use("b", "completed", `"start":"`+stamp(-96)+`","end":"`+stamp(-48)+`"`))
	f.must(201, "PUT", "/fhir/Observation/before", all, strings.Replace(reading("before", "b", -50, "purulent"), `"value":30`, `"value":777`, 1))
	f.must(200, "PUT", "/fhir/Device/d", all, device("a"))
	f.must(201, "PUT", "/fhir/DeviceUseStatement/ua", all, use("a", "active", `"start":"`+stamp(-40)+`"`))
	f.must(201, "PUT", "/fhir/Observation/after", all, reading("after", "a", -1, "serous"))
	mine := f.token("patient/*.cruds", "a")
	volume := regexp.MustCompile(`[^.0-9a-f](777|807)[^0-9a-f]`) // alone and with the other; no part of a time or an id
	for _, path := range []string{
		"Device/d/$drain-output", "Device/d/$drain-output?start=" + url.QueryEscape(stamp(-200)), "Device/d/$drain-output?period=total&start=" + url.QueryEscape(stamp(-200)) + "&end=" + url.QueryEscape(stamp(0)),
		"Device/d/$drain-output?attribution=spread&start=" + url.QueryEscape(stamp(-200)), "Device/d/$drain-output?_format=csv&start=" + url.QueryEscape(stamp(-200)),
		"Device/d/$chart", "Device/d/$removal-review", "Device/d/$escalation-status", "Patient/a/$fluid-balance?start=" + url.QueryEscape(stamp(-200)), "Device/d/$everything", "Device/d/_history", "Device/d/Observation", "Observation?device=d",
	} {
		b := f.must(200, "GET", "/fhir/"+path, mine, "")
		if volume.MatchString(b) {
			t.Errorf("%s shows the volume of the patient before: %s", path, b)
		}
		for _, leak := range []string{"Observation/before", "Patient/b\"", "purulent", "suspect-fluid"} {
			if strings.Contains(b, leak) {
				t.Errorf("%s shows %s of the patient before: %s", path, leak, b)
			}
		}
	}
	if b := f.must(200, "GET", "/fhir/Device/d/$drain-output?period=total&start="+url.QueryEscape(stamp(-200)), all, ""); !strings.Contains(b, "Observation/before") || !volume.MatchString(b) {
		t.Errorf("who may see all does not see the stay before: %s", b)
	}
}

// TestMixedScopesAreNotAdded: full rights over one patient and a part of the
// codes for all others do not make full rights over the others.
func TestMixedScopesAreNotAdded(t *testing.T) {
	f := open(t)
	all := f.token("system/*.cruds", "")
	f.ward(all)
	const rest = " user/Patient.rs user/Device.rs user/Location.rs user/DetectedIssue.rs"
	some := f.token("patient/Observation.rs user/Observation.rs?code=http://loinc.org|9192-6"+rest, "a")
	finding := f.token("user/Observation.rs user/Patient.rs user/Device.rs user/Location.rs patient/DetectedIssue.rs", "a")
	device := f.token("user/Observation.rs user/Patient.rs patient/Device.rs user/Location.rs user/DetectedIssue.rs", "a")
	for _, c := range []struct {
		name, token, path string
		refused           bool
	}{
		{"some codes", some, "Device/da/$drain-output", false}, {"some codes", some, "Device/db/$drain-output", true},
		{"some codes", some, "Patient/b/$fluid-balance", true}, {"some codes", some, "Device/db/$removal-review", true}, {"some codes", some, "Device/db/$chart", true},
		{"some codes", some, "Device/db/$escalation-status", true}, {"some codes", some, "Patient/b/$escalation-status", true}, {"some codes", some, "Patient/a/$escalation-status", false},
		{"some codes", some, "Location/w/$escalation-status", true}, {"some codes", some, "Location/w/$emptying-due", true},
		{"one patient's findings", finding, "Device/da/$escalation-status", false}, {"one patient's findings", finding, "Device/db/$escalation-status", true},
		{"one patient's findings", finding, "Location/w/$escalation-status", true}, {"one patient's findings", finding, "Device/db/$chart", true},
		{"one patient's drains", device, "Location/w/$emptying-due", true}, {"one patient's drains", device, "Location/w/$handover", true}, {"one patient's drains", device, "Patient/b/$handover", true}, {"one patient's drains", device, "Patient/a/$handover", false}, {"some codes", some, "Location/w/$handover", true},
	} {
		got, _, b := f.do("GET", "/fhir/"+c.path, c.token, "")
		if refused := got == 403 || got == 404; refused != c.refused || !refused && got != 200 {
			t.Errorf("%s: %s: %d: %.300s", c.name, c.path, got, b)
		}
	}
}

// TestConditionsSeeOnlyOwn: a condition of a create, update, patch, deletion
// or reference is a search like any other, so it may not say what is there of
// others'.
func TestConditionsSeeOnlyOwn(t *testing.T) {
	f := open(t)
	all := f.token("system/*.cruds", "")
	f.ward(all)
	now := time.Now().UTC().Add(-time.Minute)
	with := func(p, id, value string) string {
		return strings.Replace(entry(id, p, "9203-1", "http://loinc.org", now, "", ""), `"status"`, `"identifier":[{"system":"urn:x","value":"`+value+`"}],"status"`, 1)
	}
	f.must(201, "PUT", "/fhir/Observation/named", all, with("b", "named", "of-b"))
	mine := f.token("patient/*.cruds", "a")
	create := func(token, condition string) (int, string) {
		got, _, b := f.do("POST", "/fhir/Observation", token, anonymous(entry("x", "a", "9203-1", "http://loinc.org", now, "", "")), "If-None-Exist", condition)
		return got, b
	}
	for _, condition := range []string{"identifier=urn:x|of-b", "_id=named", "subject=Patient/b", "subject:Patient.family=" + secret, "device=db", "_has:DetectedIssue:implicated:patient=b"} {
		if got, b := create(mine, condition); got != 201 && got != 400 || strings.Contains(b, "named") || strings.Contains(b, secret) {
			t.Errorf("If-None-Exist %s: %d %s", condition, got, b)
		}
		if got, _, b := f.do("DELETE", "/fhir/Observation?"+strings.ReplaceAll(condition, "|", "%7C"), mine, ""); got != 204 && got != 400 || strings.Contains(b, "named") {
			t.Errorf("DELETE %s: %d %s", condition, got, b)
		}
		if got, _, b := f.do("PATCH", "/fhir/Observation?"+strings.ReplaceAll(condition, "|", "%7C"), mine, `[{"op":"replace","path":"/status","value":"amended"}]`, "Content-Type", "application/json-patch+json"); got != 404 && got != 400 || strings.Contains(b, "named") {
			t.Errorf("PATCH %s: %d %s", condition, got, b)
		}
	}
	if b := f.must(200, "GET", "/fhir/Observation/named", all, ""); !strings.Contains(b, `"versionId":"1"`) {
		t.Errorf("another's entry was changed: %s", b)
	}
	// A chain in a condition holds for those who may follow it.
	if got, b := create(all, "subject:Patient.family="+secret); got != 200 && got != 412 {
		t.Errorf("a chain in If-None-Exist is passed over: %d %s", got, b)
	}
	// A conditional reference finds nothing of others'.
	body := fmt.Sprintf(`{"resourceType":"Bundle","type":"transaction","entry":[{"resource":%s,"request":{"method":"POST","url":"Observation"}}]}`,
		strings.Replace(anonymous(entry("x", "a", "9203-1", "http://loinc.org", now, "", "")), "Patient/a", "Patient?family="+secret, 1))
	known, _, b1 := f.do("POST", "/fhir", mine, body)
	unknown, _, b2 := f.do("POST", "/fhir", mine, strings.Replace(body, "family="+secret, "family=Nobody", 1))
	if known != unknown || b1 != b2 {
		t.Errorf("a conditional reference tells a patient from none: %d %s / %d %s", known, b1, unknown, b2)
	}
}

// TestOthersIDsLookUnknown: with no right to see it, an id that is there looks
// like one that is not, in deletions and in updates that name a version, and a
// deleted resource cannot be taken over.
func TestOthersIDsLookUnknown(t *testing.T) {
	f := open(t)
	all := f.token("system/*.cruds", "")
	f.ward(all)
	now := time.Now().UTC().Add(-time.Minute)
	f.must(201, "PUT", "/fhir/Observation/gone", all, entry("gone", "b", "9203-1", "http://loinc.org", now, "", ""))
	f.must(204, "DELETE", "/fhir/Observation/gone", all, "")
	mine := f.token("patient/*.cruds", "a")
	patch := []string{"Content-Type", "application/json-patch+json"}
	for _, c := range []struct {
		name, method, body string
		header             []string
	}{
		{"read", "GET", "", nil}, {"delete", "DELETE", "", nil}, {"delete a version", "DELETE", "", []string{"If-Match", `W/"1"`}}, {"delete any", "DELETE", "", []string{"If-Match", "*"}},
		{"patch", "PATCH", `[]`, patch}, {"patch a version", "PATCH", `[]`, append(patch, "If-Match", `W/"1"`)},
		{"update a version", "PUT", "update", []string{"If-Match", `W/"1"`}}, {"update any", "PUT", "update", []string{"If-Match", "*"}},
	} {
		var said []string
		for _, id := range []string{"ob", "gone", "nobody"} {
			body := c.body
			if body == "update" {
				body = entry(id, "a", "9203-1", "http://loinc.org", now, "", "")
			}
			got, _, b := f.do(c.method, "/fhir/Observation/"+id, mine, body, c.header...)
			said = append(said, fmt.Sprint(got, " ", strings.ReplaceAll(b, "Observation/"+id+" ", "Observation/nobody ")))
		}
		if said[0] != said[2] || said[1] != said[2] {
			t.Errorf("%s: there, deleted and unknown differ:\n%s", c.name, strings.Join(said, "\n"))
		}
	}
	if got, _, b := f.do("PUT", "/fhir/Observation/gone", mine, entry("gone", "a", "9203-1", "http://loinc.org", now, "", "")); got != 404 {
		t.Errorf("another's deleted entry is taken over: %d %s", got, b)
	}
	// One that was another's before shows its own versions only.
	f.must(200, "PUT", "/fhir/Observation/ob", all, entry("ob", "a", "9203-1", "http://loinc.org", now, "", "moved"))
	f.must(200, "GET", "/fhir/Observation/ob/_history/2", mine, "")
	f.must(404, "GET", "/fhir/Observation/ob/_history/1", mine, "")
	for _, path := range []string{"Observation/ob/_history", "Observation/_history"} {
		if b := f.must(200, "GET", "/fhir/"+path, mine, ""); strings.Contains(b, secret) || strings.Contains(b, "Patient/b") || strings.Contains(b, `"total"`) {
			t.Errorf("%s shows a version of another patient: %s", path, b)
		}
	}
}

// TestAnsweredCreatesAreAudited: a create that what is there answers shows it
// to the caller, so it leaves an AuditEvent, in a transaction too.
func TestAnsweredCreatesAreAudited(t *testing.T) {
	f := open(t)
	all := f.token("system/*.cruds", "")
	f.ward(all)
	patient := `{"resourceType":"Patient","name":[{"family":"x"}]}`
	f.must(200, "POST", "/fhir/Patient", all, patient, "If-None-Exist", "_id=b", "X-Request-Id", "alone")
	f.must(200, "POST", "/fhir", all, `{"resourceType":"Bundle","type":"transaction","entry":[{"resource":`+patient+`,"request":{"method":"POST","url":"Patient","ifNoneExist":"_id=b"}},{"request":{"method":"DELETE","url":"Observation/none"}}]}`, "X-Request-Id", "together")
	want := map[string]int{"alone": 1, "together": 3}
	f.audited(want)
}

// audited waits until each request has left as many AuditEvents.
func (f *face) audited(want map[string]int) {
	f.t.Helper()
	auditor, err := f.key.Mint(auth.TokenRequest{Subject: "Practitioner/auditor", Scope: "system/AuditEvent.s", TTL: time.Hour, Now: time.Now()})
	if err != nil {
		f.t.Fatal(err)
	}
	var got map[string]int
	for end := time.Now().Add(time.Minute); time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
		var b struct {
			Entry []struct {
				Resource struct {
					Entity []struct {
						What struct{ Identifier struct{ Value string } }
					}
				}
			}
		}
		if err := json.Unmarshal([]byte(f.must(200, "GET", "/fhir/AuditEvent?_count=200&agent=Practitioner/t", auditor, "")), &b); err != nil {
			f.t.Fatal(err)
		}
		got = map[string]int{}
		for _, e := range b.Entry {
			for _, x := range e.Resource.Entity {
				got[x.What.Identifier.Value]++
			}
		}
		enough := true
		for id, n := range want {
			enough = enough && got[id] >= n
		}
		if enough {
			break
		}
	}
	for id, n := range want {
		if got[id] != n {
			f.t.Errorf("request %s left %d AuditEvents, want %d", id, got[id], n)
		}
	}
}

// TestAuditIsFiledByWhatWasSeen: rights beyond the patient in context do not
// file what they open under that patient, who might be shown it.
func TestAuditIsFiledByWhatWasSeen(t *testing.T) {
	f := open(t)
	all := f.token("system/*.cruds", "")
	f.ward(all)
	both := f.token("user/Observation.rs patient/AuditEvent.rs", "a")
	f.must(200, "GET", "/fhir/Observation/ob", both, "", "X-Request-Id", "wide")
	f.audited(map[string]int{"wide": 1})
	if b := f.must(200, "GET", "/fhir/AuditEvent", both, ""); strings.Contains(b, "Observation/ob") {
		t.Errorf("the audit of a holds an access to b: %s", b)
	}
	narrow := f.token("patient/*.rs", "a")
	f.must(200, "GET", "/fhir/Observation/oa", narrow, "", "X-Request-Id", "narrow")
	f.audited(map[string]int{"narrow": 1})
	if b := f.must(200, "GET", "/fhir/AuditEvent", narrow, ""); !strings.Contains(b, "Observation/oa") {
		t.Errorf("the audit of a lacks an access: %s", b)
	}
}

// TestDrainsOfOthersCannotBePlaced: a placement would make another's drain one
// of the own, readings and all.
func TestDrainsOfOthersCannotBePlaced(t *testing.T) {
	f := open(t)
	all := f.token("system/*.cruds", "")
	f.ward(all)
	for _, mine := range []string{f.token("patient/*.cruds", "a"), f.token("patient/DeviceUseStatement.cruds user/Device.rs user/Observation.rs", "a")} {
		use := func(id, device string) string {
			return fmt.Sprintf(`{"resourceType":"DeviceUseStatement","id":%q,"status":"active","subject":{"reference":"Patient/a"},"device":{"reference":"Device/%s"},"timingPeriod":{"start":"2026-01-01T00:00:00Z"}}`, id, device)
		}
		var said []string
		for _, device := range []string{"db", "dx"} {
			for _, r := range []struct{ method, path, body string }{
				{"POST", "/fhir/DeviceUseStatement", strings.Replace(use("x", device), `"id":"x",`, "", 1)}, {"PUT", "/fhir/DeviceUseStatement/new", use("new", device)},
				{"PUT", "/fhir/DeviceUseStatement/ua", use("ua", device)}, {"POST", "/fhir/DeviceUseStatement/$validate", use("x", device)},
			} {
				got, _, b := f.do(r.method, r.path, mine, r.body)
				if got != 422 && !strings.Contains(r.path, "$") || !strings.Contains(b, "of this patient is registered") {
					t.Errorf("%s %s with %s: %d %s", r.method, r.path, device, got, b)
				}
				said = append(said, fmt.Sprint(got, strings.ReplaceAll(b, device, "dx")))
			}
		}
		for i := range 4 {
			if said[i] != said[i+4] {
				t.Errorf("another's drain and an unknown one differ:\n%s\n%s", said[i], said[i+4])
			}
		}
		// The own placement may be put right.
		f.must(200, "PUT", "/fhir/DeviceUseStatement/ua", mine, use("ua", "da"))
	}
	if b := f.must(200, "GET", "/fhir/Device/db/$escalation-status", all, ""); !strings.Contains(b, `"Patient/b"`) {
		t.Errorf("the drain of b changed hands: %s", b)
	}
}
