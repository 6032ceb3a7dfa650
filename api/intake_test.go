package api_test

import (
	"encoding/base64"
	"encoding/json"
	"fmt"
	"net/http"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"
)

// decoded is a JSON body as a tree.
func decoded(t *testing.T, body string) map[string]any {
	t.Helper()
	var m map[string]any
	if err := json.Unmarshal([]byte(body), &m); err != nil {
		t.Fatalf("%v: %.300s", err, body)
	}
	return m
}

// links are the links of a Bundle by relation.
func links(t *testing.T, body string) map[string]string {
	t.Helper()
	out := map[string]string{}
	for _, l := range decoded(t, body)["link"].([]any) {
		l := l.(map[string]any)
		u := l["url"].(string)
		out[l["relation"].(string)] = u[strings.Index(u, "/fhir"):]
	}
	return out
}

func patientNamed(id, family string) string {
	return fmt.Sprintf(`{"resourceType":"Patient","id":%q,"name":[{"family":%q}]}`, id, family)
}

// TestPreconditions: RFC 7232 is what R4 http.html builds its conditions on.
// 2.3: a tag is compared as text. 3.1: If-Match holds for the current version
// only. 3.2: If-None-Match: * holds when there is no current version.
func TestPreconditions(t *testing.T) {
	f := open(t)
	all := f.token("system/*.cruds", "")
	f.must(201, "PUT", "/fhir/Patient/p", all, patientNamed("p", "One"))
	for _, tag := range []string{`W/"0"`, `W/"01"`, `"+1"`, `W/"x"`, `nonsense`, `W/"2"`} {
		f.must(412, "PUT", "/fhir/Patient/p", all, patientNamed("p", "Two"), "If-Match", tag)
		f.must(412, "DELETE", "/fhir/Patient/p", all, "", "If-Match", tag)
	}
	f.must(200, "GET", "/fhir/Patient/p", all, "", "If-None-Match", `W/"01"`)
	f.must(412, "PUT", "/fhir/Patient/p", all, patientNamed("p", "Two"), "If-None-Match", "*")
	f.must(412, "PUT", "/fhir/Patient/p", all, patientNamed("p", "Two"), "If-None-Match", `W/"1"`)
	f.must(200, "PUT", "/fhir/Patient/p", all, patientNamed("p", "Two"), "If-None-Match", `W/"7"`)
	f.must(201, "PUT", "/fhir/Patient/q", all, patientNamed("q", "One"), "If-None-Match", "*")
	f.must(204, "DELETE", "/fhir/Patient/q", all, "")
	f.must(201, "PUT", "/fhir/Patient/q", all, patientNamed("q", "Again"), "If-None-Match", "*")
	f.must(412, "PUT", "/fhir/Patient/q", all, patientNamed("q", "Again"), "If-None-Match", "*")
	// Of many at once one creates.
	codes := make(chan int)
	for range 8 {
		go func() {
			got, _, _ := f.do("PUT", "/fhir/Patient/race", all, patientNamed("race", "One"), "If-None-Match", "*")
			codes <- got
		}()
	}
	count := map[int]int{}
	for range 8 {
		count[<-codes]++
	}
	if count[201] != 1 || count[412] != 7 {
		t.Errorf("eight creating PUTs: %v", count)
	}
}

// TestSearchWords: R4 search.html: 3.1.1.5.5 strings are compared without case
// and accents, which a keyboard's apostrophe is no less; references by an id
// alone that two types have should fail; a canonical is named with |version;
// _query names another search, which must not be passed over.
func TestSearchWords(t *testing.T) {
	f := open(t)
	all := f.token("system/*.cruds", "")
	for id, name := range map[string]string{"n1": "O'Brien", "n2": "O’Brien", "n3": "Oʼbrien", "n4": "Obrecht"} {
		f.must(201, "PUT", "/fhir/Patient/"+id, all, patientNamed(id, name))
	}
	for _, q := range []string{"O'Brien", "o%E2%80%99brien", "O%C2%B4Bri", "o%60brien"} {
		if got := f.find(all, "/fhir/Patient?family="+q).keys("match"); len(got) != 3 {
			t.Errorf("%s finds %v", q, got)
		}
	}
	f.must(400, "GET", "/fhir/Patient?_query=mpi&family=x", all, "")
	obs := func(id, subject string) string {
		return fmt.Sprintf(`{"resourceType":"Observation","id":%q,"status":"final","code":{"text":"x"},"subject":{"reference":%q}}`, id, subject)
	}
	f.must(201, "PUT", "/fhir/Observation/s1", all, obs("s1", "Patient/n1"))
	if got := f.find(all, "/fhir/Observation?subject=n1").keys("match"); len(got) != 1 {
		t.Errorf("subject=n1 finds %v", got)
	}
	f.must(201, "PUT", "/fhir/Location/n1", all, `{"resourceType":"Location","id":"n1","name":"x"}`)
	f.must(400, "GET", "/fhir/Observation?subject=n1", all, "")
	f.must(400, "GET", "/fhir/Patient?_has:Observation:patient:subject=n1", all, "")
	for _, q := range []string{"subject=Patient/n1", "subject:Patient=n1", "patient=n1"} {
		if got := f.find(all, "/fhir/Observation?"+q).keys("match"); len(got) != 1 {
			t.Errorf("%s finds %v", q, got)
		}
	}
	// Somebody who may not see the Location is not told of it.
	if got := f.find(f.token("user/Observation.rs user/Patient.rs", ""), "/fhir/Observation?subject=n1").keys("match"); len(got) != 1 {
		t.Errorf("without rights to Location: %v", got)
	}
	one := decoded(t, f.must(200, "GET", "/fhir/ValueSet/drain-appearance", all, ""))
	url, version := one["url"].(string), one["version"].(string)
	if got := f.find(all, "/fhir/ValueSet?url="+url+"%7C"+version).keys("match"); len(got) != 1 {
		t.Errorf("url with its version: %v", got)
	}
	if got := f.find(all, "/fhir/ValueSet?url="+url+"%7C0.0.0").keys("match"); len(got) != 0 {
		t.Errorf("url with another version: %v", got)
	}
}

// TestTimes: R4 datatypes.html, instant and dateTime: the pattern sets no limit
// to the digits of a second.
func TestTimes(t *testing.T) {
	f := open(t)
	all := f.token("system/*.cruds", "")
	const at = "2026-02-01T10:00:00.12345678901234567890Z"
	f.must(201, "PUT", "/fhir/Observation/t", all, `{"resourceType":"Observation","id":"t","status":"final","code":{"text":"x"},"effectiveDateTime":"`+at+`"}`)
	if b := f.must(200, "GET", "/fhir/Observation/t", all, ""); !strings.Contains(b, at) {
		t.Errorf("came back as %s", b)
	}
	if got := f.find(all, "/fhir/Observation?date=2026-02-01T10:00:00.123456789012Z").keys("match"); len(got) != 1 {
		t.Errorf("the time finds %v", got)
	}
}

// TestPatchIndexes: RFC 6901, 4: an array index has no leading zero.
func TestPatchIndexes(t *testing.T) {
	f := open(t)
	all := f.token("system/*.cruds", "")
	f.must(201, "PUT", "/fhir/Patient/p", all, `{"resourceType":"Patient","id":"p","name":[{"family":"A","given":["x","y"]}]}`)
	for _, path := range []string{"/name/00/family", "/name/0/given/01"} {
		f.must(400, "PATCH", "/fhir/Patient/p", all, `[{"op":"replace","path":"`+path+`","value":"z"}]`, "Content-Type", "application/json-patch+json")
	}
	f.must(200, "PATCH", "/fhir/Patient/p", all, `[{"op":"replace","path":"/name/0/given/1","value":"z"}]`, "Content-Type", "application/json-patch+json")
}

// TestSharedIdentifiers: R4 observation.html: an identifier is that of the
// observation, but order numbers repeat over results; of drain entries, which a
// front end may send twice, one identifier stays one entry.
func TestSharedIdentifiers(t *testing.T) {
	f := open(t)
	all := f.token("system/*.cruds", "")
	f.ward(all)
	with := func(res string) string {
		return strings.Replace(res, `"status":`, `"identifier":[{"system":"http://orders","value":"4711"}],"status":`, 1)
	}
	for range 2 {
		f.must(201, "POST", "/fhir/Observation", all, with(`{"resourceType":"Observation","status":"final","code":{"text":"sodium"},"subject":{"reference":"Patient/a"},"device":{"reference":"Device/analyser"}}`))
	}
	at := time.Now().UTC().Add(-time.Minute)
	f.must(201, "POST", "/fhir/Observation", all, with(strings.Replace(entry("x", "a", "9203-1", "http://loinc.org", at, "", ""), `"id":"x",`, "", 1)))
	f.must(409, "POST", "/fhir/Observation", all, with(strings.Replace(entry("x", "a", "9203-1", "http://loinc.org", at, "", ""), `"id":"x",`, "", 1)))
}

// TestIncludedVersions: R4 search.html, _include: where a reference names a
// version, that version is to be returned.
func TestIncludedVersions(t *testing.T) {
	f := open(t)
	all := f.token("system/*.cruds", "")
	f.must(201, "PUT", "/fhir/Patient/v", all, patientNamed("v", "Before"))
	f.must(200, "PUT", "/fhir/Patient/v", all, patientNamed("v", "After"))
	f.must(201, "PUT", "/fhir/Provenance/old", all, `{"resourceType":"Provenance","id":"old","recorded":"2026-01-01T00:00:00Z","agent":[{"who":{"display":"x"}}],"target":[{"reference":"Patient/v/_history/1"}]}`)
	f.must(201, "PUT", "/fhir/Provenance/new", all, `{"resourceType":"Provenance","id":"new","recorded":"2026-01-01T00:00:00Z","agent":[{"who":{"display":"x"}}],"target":[{"reference":"Patient/v"}]}`)
	names := func(path string) []string {
		return regexp.MustCompile(`Before|After`).FindAllString(f.must(200, "GET", path, all, ""), -1)
	}
	for path, want := range map[string][]string{
		"/fhir/Provenance?_id=old&_include=Provenance:target":            {"Before"},
		"/fhir/Provenance?_id=new&_include=Provenance:target":            {"After"},
		"/fhir/Provenance?_id=old,new&_include=Provenance:target":        {"Before", "After"},
		"/fhir/Provenance?_id=old,new&_include=Provenance:target:Device": nil,
	} {
		got := names(path)
		slices.Sort(got)
		slices.Sort(want)
		if !slices.Equal(got, want) {
			t.Errorf("%s: %v, want %v", path, got, want)
		}
	}
}

// TestPageLinks: RFC 5005 by way of R4 search.html, paging: first and previous
// beside next. A link that the service did not write is refused, whatever it says.
func TestPageLinks(t *testing.T) {
	f := open(t)
	all := f.token("system/*.cruds", "")
	for i := range 7 {
		id := fmt.Sprintf("g%d", i)
		f.must(201, "PUT", "/fhir/Patient/"+id, all, patientNamed(id, id))
	}
	for _, path := range []string{"/fhir/Patient?_sort=family&_count=2", "/fhir/Patient/_history?_count=2", "/fhir/ValueSet?_count=3", "/fhir?_type=Patient,Device&_count=2", "/fhir/AuditEvent?_count=2"} {
		ids := regexp.MustCompile(`"fullUrl":"[^"]*"`)
		var forward []string
		var pages []string
		at := path
		for at != "" && len(pages) < 4 {
			b := f.must(200, "GET", at, all, "")
			l := links(t, b)
			if len(pages) > 0 && l["first"] == "" {
				t.Errorf("%s: page %d has no first: %v", path, len(pages), l)
			}
			forward = append(forward, strings.Join(ids.FindAllString(b, -1), " "))
			pages = append(pages, b)
			at = l["next"]
		}
		if path == "/fhir/AuditEvent?_count=2" {
			continue // each look adds to it
		}
		for i := len(pages) - 1; i > 0; i-- {
			prev := links(t, pages[i])["previous"]
			if prev == "" {
				t.Fatalf("%s: page %d has no previous", path, i)
			}
			pages[i-1] = f.must(200, "GET", prev, all, "")
			if got := strings.Join(ids.FindAllString(pages[i-1], -1), " "); got != forward[i-1] {
				t.Errorf("%s: before page %d comes %s, want %s", path, i, got, forward[i-1])
			}
		}
		if links(t, pages[0])["previous"] != "" {
			t.Errorf("%s: the first page has a previous one", path)
		}
	}
	// A cursor of one's own making, which would tell where what is hidden sorts.
	next := links(t, f.must(200, "GET", "/fhir/Patient?_sort=family&_count=2", all, ""))["next"]
	text := next[strings.Index(next, "_cursor=")+len("_cursor="):]
	raw, err := base64.RawURLEncoding.DecodeString(text)
	if err != nil {
		t.Fatal(err)
	}
	inner := decoded(t, string(raw[16:]))["c"].(string)
	raw[20] ^= 1
	for _, forged := range []string{inner, base64.RawURLEncoding.EncodeToString(raw), base64.RawURLEncoding.EncodeToString(append(make([]byte, 16), `{"c":"`+inner+`"}`...)), "x", text + "&_cursor=" + inner, inner + "&_cursor=" + text} {
		f.must(400, "GET", "/fhir/Patient?_sort=family&_count=2&_cursor="+forged, all, "")
	}
	f.must(200, "GET", next+"&_count=3", all, "") // a client's own page size
}

// TestHeaders431: R4 http.html, status codes: what goes wrong is told in an
// OperationOutcome, a URL that is too long as well.
func TestHeaders431(t *testing.T) {
	f := open(t)
	all := f.token("system/*.cruds", "")
	if b := f.must(431, "GET", "/fhir/Patient?_id="+strings.Repeat("x", 70<<10), all, ""); !strings.Contains(b, `"OperationOutcome"`) {
		t.Errorf("%.300s", b)
	}
	f.must(431, "GET", "/fhir/Patient", all, "", "X-Filler", strings.Repeat("x", 70<<10))
	f.must(200, "GET", "/fhir/Patient?_id="+strings.Repeat("x", 30<<10), all, "")
}

// TestTokenEndpoint: SMART App Launch 2.2, conformance: token_endpoint is
// required; that of the local key answers as OAuth 2.0 (RFC 6749, 5.2) has it.
func TestTokenEndpoint(t *testing.T) {
	f := open(t)
	c := decoded(t, f.must(200, "GET", "/fhir/.well-known/smart-configuration", "", ""))
	if c["token_endpoint"] != "http://tidemark.test/token" {
		t.Errorf("token_endpoint %v", c["token_endpoint"])
	}
	if b := f.must(400, "POST", "/token", "", "grant_type=client_credentials", "Content-Type", "application/x-www-form-urlencoded"); decoded(t, b)["error"] != "unsupported_grant_type" {
		t.Errorf("%s", b)
	}
}

// TestAuthorizationTwice: RFC 7230, 3.2.2: a header that is no list stands once.
func TestAuthorizationTwice(t *testing.T) {
	f := open(t)
	req, err := http.NewRequest("GET", f.url+"/fhir/Patient", nil)
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Add("Authorization", "Bearer "+f.token("system/*.cruds", ""))
	req.Header.Add("Authorization", "Bearer "+f.token("user/Group.d", ""))
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	res.Body.Close()
	if res.StatusCode != 400 {
		t.Errorf("%d", res.StatusCode)
	}
}

// TestRightsOfWrites: what a token may not read, no write tells it.
func TestRightsOfWrites(t *testing.T) {
	f := open(t)
	all := f.token("system/*.cruds", "")
	f.ward(all)
	mine := f.token("patient/*.cruds", "a")
	// A Group names others.
	f.must(201, "PUT", "/fhir/Group/g", all, `{"resourceType":"Group","id":"g","type":"person","actual":true,"member":[{"entity":{"reference":"Patient/a"}},{"entity":{"reference":"Patient/b"}}]}`)
	for method, body := range map[string]string{"GET": "", "PUT": `{"resourceType":"Group","id":"g","type":"person","actual":true,"member":[{"entity":{"reference":"Patient/a"}}]}`, "DELETE": ""} {
		if got, _, b := f.do(method, "/fhir/Group/g", mine, body); got != 403 || strings.Contains(b, "Patient/b") {
			t.Errorf("%s a Group that holds others: %d %s", method, got, b)
		}
	}
	f.must(403, "GET", "/fhir/Group?member=Patient/a", mine, "")
	// A Patient is created under a new id, which is not the launch patient's.
	f.must(403, "POST", "/fhir/Patient", mine, patientNamed("a", "Second"))
	if got := f.find(all, "/fhir/Patient?family=Second").keys("match"); len(got) != 0 {
		t.Errorf("a second Patient: %v", got)
	}
	// Update without read: a patch would tell what is there.
	writer := f.token("user/Patient.cus", "")
	for _, patch := range []string{`[{"op":"test","path":"/name/0/family","value":"` + secret + `"}]`, `[{"op":"add","path":"/active","value":true}]`} {
		if got, _, b := f.do("PATCH", "/fhir/Patient/b", writer, patch, "Content-Type", "application/json-patch+json"); got != 403 || strings.Contains(b, secret) {
			t.Errorf("%s without read: %d %s", patch, got, b)
		}
	}
	// A conditional create that finds one does not show it.
	f.must(201, "PUT", "/fhir/Patient/c", all, `{"resourceType":"Patient","id":"c","identifier":[{"system":"s","value":"c"}],"name":[{"family":"`+secret+`"}]}`)
	for _, b := range []string{
		f.must(200, "POST", "/fhir/Patient", writer, `{"resourceType":"Patient"}`, "If-None-Exist", "identifier=s|c"),
		f.must(200, "POST", "/fhir", writer, `{"resourceType":"Bundle","type":"transaction","entry":[{"resource":{"resourceType":"Patient"},"request":{"method":"POST","url":"Patient","ifNoneExist":"identifier=s|c"}}]}`),
	} {
		if strings.Contains(b, secret) {
			t.Errorf("shows what may not be read: %s", b)
		}
	}
	// What was moved to another patient takes its past along.
	f.must(201, "PUT", "/fhir/Observation/moved", all, `{"resourceType":"Observation","id":"moved","status":"final","code":{"text":"x"},"subject":{"reference":"Patient/a"},"valueString":"`+secret+`"}`)
	f.must(200, "GET", "/fhir/Observation/moved/_history/1", mine, "")
	f.must(200, "PUT", "/fhir/Observation/moved", all, `{"resourceType":"Observation","id":"moved","status":"final","code":{"text":"x"},"subject":{"reference":"Patient/b"}}`)
	for _, path := range []string{"/fhir/Observation/moved", "/fhir/Observation/moved/_history/1", "/fhir/Observation/moved/_history"} {
		f.must(404, "GET", path, mine, "")
	}
	if b := f.must(200, "GET", "/fhir/Observation/_history", mine, ""); strings.Contains(b, secret) {
		t.Errorf("the history of the type shows it: %s", b)
	}
	// _lastUpdated in a scope means the same in search and read.
	for scope, want := range map[string]int{"user/Patient.rs?_lastUpdated=ge2020": 200, "user/Patient.rs?_lastUpdated=lt2020": 404} {
		token := f.token(scope, "")
		f.must(want, "GET", "/fhir/Patient/a", token, "")
		if n := len(f.find(token, "/fhir/Patient?_id=a").keys("match")); (n == 1) != (want == 200) {
			t.Errorf("%s: read %d, search finds %d", scope, want, n)
		}
	}
	f.must(200, "PUT", "/fhir/Patient/a", f.token("user/Patient.ru?_lastUpdated=ge2020", ""), patientNamed("a", "Alder"))
	// A patient sees who looked, not whom else they looked for.
	f.must(200, "GET", "/fhir/Observation?patient=b&patient=a", all, "")
	deadline := time.Now().Add(5 * time.Second)
	for seen := false; !seen && time.Now().Before(deadline); time.Sleep(20 * time.Millisecond) {
		b := f.must(200, "GET", "/fhir/AuditEvent?_count=200&subtype=search-type", mine, "")
		seen = strings.Contains(b, "search-type")
		if strings.Contains(b, `"query"`) {
			t.Fatalf("shows a colleague's query: %s", b)
		}
	}
}

// TestValidateProfiles: R4 resource-validate: where a profile is named by which
// the server cannot validate, it is to say so.
func TestValidateProfiles(t *testing.T) {
	f := open(t)
	all := f.token("system/*.cruds", "")
	body := func(profile string) string {
		return `{"resourceType":"Parameters","parameter":[{"name":"profile","valueUri":"` + profile + `"},{"name":"resource","resource":{"resourceType":"Patient","gender":"female"}}]}`
	}
	const r4 = "http://hl7.org/fhir/StructureDefinition/"
	for profile, want := range map[string]string{
		r4 + "Patient": "information", r4 + "Patient|4.0.1": "information", r4 + "DomainResource": "information", r4 + "Resource": "information",
		r4 + "Observation": "error", "http://tidemark.example.org/fhir/StructureDefinition/drain-emptying": "error",
	} {
		b := f.must(200, "POST", "/fhir/Patient/$validate", all, body(profile))
		if got := decoded(t, b)["issue"].([]any)[0].(map[string]any)["severity"]; got != want {
			t.Errorf("%s: %v, want %s: %s", profile, got, want, b)
		}
	}
	for _, unknown := range []string{r4 + "Patient|3.0.1", r4 + "vitalsigns", "http://example.org/StructureDefinition/x"} {
		if b := f.must(404, "POST", "/fhir/Patient/$validate", all, body(unknown)); !strings.Contains(b, "held here") && !strings.Contains(b, "No profile") {
			t.Errorf("%s: %s", unknown, b)
		}
	}
}

// TestAuditNamesVersions: R4 auditevent.html: entity.what names what was used,
// in the version that a write made.
func TestAuditNamesVersions(t *testing.T) {
	f := open(t)
	all := f.token("system/*.cruds", "")
	f.must(201, "PUT", "/fhir/Patient/p", all, patientNamed("p", "One"))
	f.must(200, "PUT", "/fhir/Patient/p", all, patientNamed("p", "Two"))
	f.must(200, "PATCH", "/fhir/Patient/p", all, `[{"op":"add","path":"/active","value":true}]`, "Content-Type", "application/json-patch+json")
	f.must(204, "DELETE", "/fhir/Patient/p", all, "")
	f.must(201, "PUT", "/fhir/Patient/p", all, patientNamed("p", "Back"))
	b := f.must(200, "GET", "/fhir/AuditEvent?patient=p&_count=200", all, "")
	for i := 1; i <= 5; i++ {
		if !strings.Contains(b, fmt.Sprintf(`"Patient/p/_history/%d"`, i)) {
			t.Errorf("no AuditEvent of version %d", i)
		}
	}
}

// TestAuditSearch: R4 search.html holds for AuditEvent as for any type: commas
// are or, repetition is and, modifiers and prefixes mean what they mean, and
// what is not understood is refused or said to be ignored.
func TestAuditSearch(t *testing.T) {
	f := open(t)
	all := f.token("system/*.cruds", "")
	f.ward(all)
	f.must(200, "PUT", "/fhir/Patient/a", all, patientNamed("a", "Alder"))
	f.must(200, "GET", "/fhir/Patient/a", all, "")
	f.must(404, "GET", "/fhir/Patient/nobody", all, "")
	f.must(204, "DELETE", "/fhir/Encounter/ea", all, "")
	f.must(200, "GET", "/fhir/Patient/a/_history/1", f.token("patient/Patient.rs", "a"), "")
	count := func(query string) int {
		t.Helper()
		b := f.must(200, "GET", "/fhir/AuditEvent?_total=accurate&_count=200&"+query, all, "")
		m := decoded(t, b)
		n := 0
		if es, ok := m["entry"].([]any); ok {
			for _, e := range es {
				if e.(map[string]any)["search"].(map[string]any)["mode"] == "match" {
					n++
				}
			}
		}
		if total := int(m["total"].(float64)); total != n {
			t.Errorf("%s: total %d, %d entries", query, total, n)
		}
		return n
	}
	deadline := time.Now().Add(5 * time.Second) // reads are noted behind their answers
	for count("entity=Patient/a&action=R") < 2 && time.Now().Before(deadline) {
		time.Sleep(20 * time.Millisecond)
	}
	for query, want := range map[string]int{
		"entity=Patient/a&action=C":                    0, // PUT makes a U
		"entity=Patient/a&action=U":                    6, // his drain, placement, entry and stay are his too
		"entity=Patient/a&action=R":                    2,
		"entity=Patient/a&action=R,U":                  8,
		"entity=Patient/a&action:not=R":                6,
		"entity=Patient/a&action=R&action=U":           0,
		"entity=Encounter/ea&subtype=delete":           1,
		"entity=Encounter/ea,Patient/nobody&outcome=4": 1,
		"action=D":                               1,
		"action=D&date=lt2020-01-01":             0,
		"action=D&date=ge2020-01-01":             1,
		"action=D&date=ge2020-01-01&date=lt2021": 0,
		"action=D&outcome:missing=true":          0,
		"action=D&_lastUpdated=ge2020":           1,
		"action=D&type=rest":                     1,
		"action=D&subtype=http://hl7.org/fhir/restful-interaction%7Cdelete": 1,
		"action=D&subtype=http://example.org%7Cdelete":                      0,
		"agent=Practitioner/t&action=D":                                     1,
		"agent=Practitioner/other":                                          0,
	} {
		if got := count(query); got != want {
			t.Errorf("%s: %d, want %d", query, got, want)
		}
	}
	if b := f.must(200, "GET", "/fhir/Patient/a/AuditEvent?action=U", all, ""); strings.Count(b, `"mode":"match"`) < 2 {
		t.Errorf("the compartment: %.500s", b)
	}
	for _, bad := range []string{"date=yesterday", "action:exact=D", "_sort:x=date", "_total=x"} {
		f.must(400, "GET", "/fhir/AuditEvent?"+bad, all, "")
	}
	f.must(400, "GET", "/fhir/AuditEvent?flavour=x", all, "", "Prefer", "handling=strict")
	if b := f.must(200, "GET", "/fhir/AuditEvent?flavour=x&action=D", all, ""); !strings.Contains(b, `"outcome"`) || strings.Contains(links(t, b)["self"], "flavour") {
		t.Errorf("an unknown parameter: %.500s", b)
	}
	if b := f.must(200, "GET", "/fhir/AuditEvent?action=D&_count=0", all, ""); decoded(t, b)["total"].(float64) != 1 || strings.Contains(b, `"entry"`) {
		t.Errorf("_count=0: %s", b)
	}
	if b := f.must(200, "GET", "/fhir/AuditEvent?action=D&_elements=action", all, ""); !strings.Contains(b, "SUBSETTED") || strings.Contains(b, `"entity"`) {
		t.Errorf("_elements: %s", b)
	}
	if b := f.must(200, "GET", "/fhir/AuditEvent?subtype=update&entity=Patient/a&_include=AuditEvent:entity:Patient", all, ""); !strings.Contains(b, `"mode":"include"`) {
		t.Errorf("_include: %s", b)
	}
	// Pages of either order see each of them once.
	var orders [][]string
	for _, sort := range []string{"date", "-date"} {
		orders = append(orders, f.pages(all, "/fhir/AuditEvent?action=U&_count=3&_sort="+sort, func() {}).keys("match"))
	}
	slices.Reverse(orders[0])
	if len(orders[0]) < 10 || len(slices.Compact(slices.Sorted(slices.Values(orders[0])))) != len(orders[0]) || len(orders[1]) != len(orders[0]) {
		t.Errorf("pages: %d up, %d down", len(orders[0]), len(orders[1]))
	}
}

// TestNarrative: R4 narrative.html: the narrative must say what the data say;
// a server that changes data keeps it so, or drops it.
func TestNarrative(t *testing.T) {
	f := open(t)
	all := f.token("system/*.cruds", "")
	patch := func(id, ops string, want int) (body, warning string) {
		t.Helper()
		got, h, b := f.do("PATCH", "/fhir/Observation/"+id, all, ops, "Content-Type", "application/json-patch+json")
		if got != want {
			t.Fatalf("%s: %d, want %d: %s", id, got, want, b)
		}
		return b, h.Get("Warning")
	}
	const change = `[{"op":"replace","path":"/valueQuantity/value","value":27}]`
	for _, status := range []string{"generated", "extensions", "additional"} {
		f.must(201, "PUT", "/fhir/Observation/"+status, all, `{"resourceType":"Observation","id":"`+status+`","text":{"status":"`+status+`","div":"<div xmlns=\"http://www.w3.org/1999/xhtml\">Emptied: 9 mL</div>"},"status":"final","code":{"text":"A & <b>"},"valueQuantity":{"value":9,"unit":"mL","system":"http://unitsofmeasure.org","code":"mL"}}`)
	}
	if b, w := patch("generated", change, 200); strings.Contains(b, "9 mL") || !strings.Contains(b, "27 mL") || !strings.Contains(b, `"status":"generated"`) || !strings.Contains(w, "generated anew") {
		t.Errorf("generated: %s %s", w, b)
	}
	if b, w := patch("extensions", change, 200); strings.Contains(b, `"div"`) || !strings.Contains(w, "dropped") {
		t.Errorf("extensions: %s %s", w, b)
	}
	patch("additional", change, 422)
	if b, w := patch("additional", strings.Replace(change, "]", `,{"op":"replace","path":"/text/div","value":"<div xmlns=\"http://www.w3.org/1999/xhtml\">Emptied: 27 mL, clotted</div>"}]`, 1), 200); !strings.Contains(b, "clotted") || w != "" {
		t.Errorf("a patch of both: %s %s", w, b)
	}
	if b, w := patch("additional", `[{"op":"add","path":"/meta/tag","value":[{"code":"x"}]}]`, 200); !strings.Contains(b, "clotted") || w != "" {
		t.Errorf("a patch of meta: %s %s", w, b)
	}
	b := f.must(200, "POST", "/fhir", all, `{"resourceType":"Bundle","type":"transaction","entry":[{"request":{"method":"PATCH","url":"Observation/generated"},"resource":{"resourceType":"Binary","contentType":"application/json-patch+json","data":"`+
		base64.StdEncoding.EncodeToString([]byte(strings.Replace(change, "27", "28", 1)))+`"}}]}`)
	if !strings.Contains(b, "generated anew") || !strings.Contains(b, "28 mL") {
		t.Errorf("in a transaction: %s", b)
	}
}

// TestXProvenance: R4 provenance.html, X-Provenance: a write may bring its
// Provenance in a header, without the target, which is what it makes.
func TestXProvenance(t *testing.T) {
	f := open(t)
	all := f.token("system/*.cruds", "")
	const p = `{"resourceType":"Provenance","recorded":"2026-02-01T10:00:00Z","agent":[{"who":{"display":"the engine"}}]}`
	f.must(201, "PUT", "/fhir/Patient/p", all, patientNamed("p", "One"), "X-Provenance", p)
	f.must(200, "PUT", "/fhir/Patient/p", all, patientNamed("p", "Two"), "X-Provenance", p)
	f.must(200, "PATCH", "/fhir/Patient/p", all, `[{"op":"add","path":"/active","value":true}]`, "Content-Type", "application/json-patch+json", "X-Provenance", p)
	f.must(204, "DELETE", "/fhir/Patient/p", all, "", "X-Provenance", p)
	b := f.must(200, "GET", "/fhir/Provenance?target=Patient/p", all, "")
	for i := 1; i <= 4; i++ {
		if strings.Count(b, fmt.Sprintf(`"target":[{"reference":"Patient/p/_history/%d"}]`, i)) != 1 {
			t.Errorf("version %d: %s", i, b)
		}
	}
	id := decoded(t, f.must(201, "POST", "/fhir/Patient", all, `{"resourceType":"Patient"}`, "X-Provenance", p))["id"].(string)
	if got := f.find(all, "/fhir/Provenance?target=Patient/"+id).keys("match"); len(got) != 1 {
		t.Errorf("of a create: %v", got)
	}
	// Nothing is written when the Provenance cannot be, and it is never passed over.
	for name, c := range map[string]struct {
		want   int
		token  string
		path   string
		body   string
		header string
	}{
		"broken":        {400, all, "/fhir/Patient", `{"resourceType":"Patient","id":"no"}`, `{"resourceType":"Provenance"`},
		"with a target": {400, all, "/fhir/Patient", `{"resourceType":"Patient","id":"no"}`, strings.Replace(p, `"recorded"`, `"target":[{"reference":"Patient/x"}],"recorded"`, 1)},
		"without agent": {400, all, "/fhir/Patient", `{"resourceType":"Patient","id":"no"}`, `{"resourceType":"Provenance","recorded":"2026-02-01T10:00:00Z"}`},
		"no right":      {403, f.token("user/Patient.cruds", ""), "/fhir/Patient", `{"resourceType":"Patient","id":"no"}`, p},
		"a Bundle":      {400, all, "/fhir", `{"resourceType":"Bundle","type":"transaction"}`, p},
	} {
		if got, _, b := f.do("POST", c.path, c.token, c.body, "X-Provenance", c.header); got != c.want && !(c.want == 400 && got == 422) {
			t.Errorf("%s: %d, want %d: %s", name, got, c.want, b)
		}
	}
	if got := f.find(all, "/fhir/Patient").keys("match"); len(got) != 1 {
		t.Errorf("Patients: %v", got)
	}
}

// TestChainsIntoContained: R4 search.html, contained resources: they are no
// matches of their own, but a chained condition is evaluated inside them.
func TestChainsIntoContained(t *testing.T) {
	f := open(t)
	all := f.token("system/*.cruds", "")
	f.must(201, "PUT", "/fhir/Patient/out", all, patientNamed("out", "Outside"))
	obs := func(id, contained, subject string) {
		f.must(201, "PUT", "/fhir/Observation/"+id, all, `{"resourceType":"Observation","id":"`+id+`"`+contained+`,"status":"final","code":{"text":"x"},"subject":{"reference":"`+subject+`"}}`)
	}
	obs("c1", `,"contained":[{"resourceType":"Patient","id":"p","name":[{"family":"Inside"}],"birthDate":"1950-01-02"}]`, "#p")
	obs("c2", `,"contained":[{"resourceType":"Patient","id":"p","name":[{"family":"Other"}],"birthDate":"1950-01-02"}]`, "#p")
	obs("c3", "", "Patient/out")
	for query, want := range map[string]string{
		"patient.family=Inside":                                   "Observation/c1",
		"subject:Patient.family=inside":                           "Observation/c1",
		"subject:Patient.family=Outside":                          "Observation/c3",
		"patient.family=Inside,Outside":                           "Observation/c1 Observation/c3",
		"patient.birthdate=1950-01-02":                            "Observation/c1 Observation/c2",
		"patient.birthdate=1950-01-02&patient.family:exact=Other": "Observation/c2",
		"patient.family=Nobody":                                   "",
		"subject:Location.name=Inside":                            "",
		"patient.organization.name=x":                             "",
		"subject=p":                                               "",
	} {
		got := f.find(all, "/fhir/Observation?"+query).keys("match")
		slices.Sort(got)
		if strings.Join(got, " ") != want {
			t.Errorf("%s finds %v, want %s", query, got, want)
		}
	}
	if got := f.find(all, "/fhir/Patient?family=Inside").keys("match"); len(got) != 0 {
		t.Errorf("a contained Patient is a match of its own: %v", got)
	}
}
