package api_test

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"tidemark/api"
	"tidemark/internal/app"
	"tidemark/internal/auth"
)

// face is the whole service over a real embedded store, with real tokens.
type face struct {
	t   testing.TB
	key *auth.LocalKey
	url string
	log *lockedBuffer
}

// lockedBuffer takes what the service logs while a test reads it.
type lockedBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *lockedBuffer) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *lockedBuffer) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

func open(t testing.TB) *face {
	t.Helper()
	log := &lockedBuffer{}
	a, err := app.New(context.Background(), app.Config{Listen: "127.0.0.1:0", Data: t.TempDir(), BaseURL: "http://tidemark.test",
		Logger: slog.New(slog.NewTextHandler(log, nil))})
	if err != nil {
		t.Fatal(err)
	}
	a.Start()
	t.Cleanup(func() {
		ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
		defer cancel()
		if err := a.Stop(ctx); err != nil {
			t.Error(err)
		}
	})
	return &face{t: t, key: a.Key(), url: "http://" + a.Addr(), log: log}
}

func (f *face) token(scope, patient string) string {
	f.t.Helper()
	tok, err := f.key.Mint(auth.TokenRequest{Subject: "Practitioner/t", Scope: scope, Patient: patient, TTL: time.Hour, Now: time.Now()})
	if err != nil {
		f.t.Fatal(err)
	}
	return tok
}

// do sends a request and returns status, headers and body.
func (f *face) do(method, path, token, body string, header ...string) (int, http.Header, string) {
	f.t.Helper()
	req, err := http.NewRequest(method, f.url+path, strings.NewReader(body))
	if err != nil {
		f.t.Fatal(err)
	}
	if body != "" {
		req.Header.Set("Content-Type", "application/fhir+json")
	}
	if token != "" {
		req.Header.Set("Authorization", "Bearer "+token)
	}
	for i := 0; i+1 < len(header); i += 2 {
		req.Header.Set(header[i], header[i+1])
	}
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		f.t.Fatal(err)
	}
	defer res.Body.Close()
	b, err := io.ReadAll(res.Body)
	if err != nil {
		f.t.Fatal(err)
	}
	return res.StatusCode, res.Header, string(b)
}

func (f *face) must(want int, method, path, token, body string, header ...string) string {
	f.t.Helper()
	got, _, b := f.do(method, path, token, body, header...)
	if got != want {
		f.t.Fatalf("%s %s: %d, want %d: %s", method, path, got, want, b)
	}
	return b
}

const secret = "Marigold" // a name that must not leave patient b's compartment

// wardOf fills the store with two patients, a and b, each with a drain and
// entries; returns the id of an open finding of b.
func (f *face) ward(all string) (finding string) {
	f.t.Helper()
	now := time.Now().UTC()
	for _, p := range []string{"a", "b"} {
		name := "Alder"
		if p == "b" {
			name = secret
		}
		f.must(201, "PUT", "/fhir/Patient/"+p, all, fmt.Sprintf(`{"resourceType":"Patient","id":%q,"name":[{"family":%q}]}`, p, name))
		f.must(201, "PUT", "/fhir/Device/d"+p, all, fmt.Sprintf(`{"resourceType":"Device","id":"d%s","status":"active","deviceName":[{"name":"Drain of %s","type":"user-friendly-name"}],"patient":{"reference":"Patient/%s"},"location":{"reference":"Location/w"}}`, p, name, p))
		f.must(201, "PUT", "/fhir/DeviceUseStatement/u"+p, all, fmt.Sprintf(`{"resourceType":"DeviceUseStatement","id":"u%s","status":"active","subject":{"reference":"Patient/%s"},"device":{"reference":"Device/d%s"},"timingPeriod":{"start":%q}}`,
			p, p, p, now.Add(-72*time.Hour).Format(time.RFC3339)))
		f.must(201, "PUT", "/fhir/Observation/o"+p, all, entry("o"+p, p, "9203-1", "http://loinc.org", now.Add(-time.Hour), "purulent", name))
		f.must(201, "PUT", "/fhir/Encounter/e"+p, all, fmt.Sprintf(`{"resourceType":"Encounter","id":"e%s","status":"in-progress","class":{"system":"http://terminology.hl7.org/CodeSystem/v3-ActCode","code":"IMP"},"subject":{"reference":"Patient/%s"}}`, p, p))
	}
	f.must(201, "PUT", "/fhir/Location/w", all, `{"resourceType":"Location","id":"w","name":"Ward 1"}`)
	b := f.must(200, "GET", "/fhir/DetectedIssue?patient=b", all, "")
	var bundle struct {
		Entry []struct{ Resource struct{ ID string } }
	}
	if err := json.Unmarshal([]byte(b), &bundle); err != nil || len(bundle.Entry) == 0 {
		f.t.Fatalf("no finding for the purulent fluid of b: %s", b)
	}
	return bundle.Entry[0].Resource.ID
}

func entry(id, patient, code, system string, at time.Time, look, note string) string {
	component := ""
	if look != "" {
		component = fmt.Sprintf(`,"component":[{"code":{"coding":[{"system":"http://loinc.org","code":"72290-0"}]},"valueCodeableConcept":{"coding":[{"system":"http://tidemark.example.org/fhir/CodeSystem/drain","code":%q}]}}]`, look)
	}
	return fmt.Sprintf(`{"resourceType":"Observation","id":%q,"status":"final","code":{"coding":[{"system":%q,"code":%q}]},"subject":{"reference":"Patient/%s"},"device":{"reference":"Device/d%s"},"effectiveDateTime":%q,"valueQuantity":{"value":30,"unit":"mL","system":"http://unitsofmeasure.org","code":"mL"},"note":[{"text":%q}]%s}`,
		id, system, code, patient, patient, at.Format(time.RFC3339), cmp.Or(note, "as usual"), component)
}

// routes is one request for every route that needs a token.
func routes(finding string) []struct{ method, path, body string } {
	obs := entry("ob", "b", "9203-1", "http://loinc.org", time.Now().UTC().Add(-time.Hour), "", "x")
	bundle := func(kind, method, url, res string) string {
		if res != "" {
			res = `"resource":` + res + ","
		}
		return fmt.Sprintf(`{"resourceType":"Bundle","type":%q,"entry":[{%s"request":{"method":%q,"url":%q}}]}`, kind, res, method, url)
	}
	return []struct{ method, path, body string }{
		{"GET", "/fhir/Patient/b", ""}, {"GET", "/fhir/Patient/b/_history/1", ""}, {"GET", "/fhir/Patient/b/_history", ""},
		{"GET", "/fhir/Patient/_history", ""}, {"GET", "/fhir/_history", ""}, {"GET", "/fhir/Patient", ""}, {"POST", "/fhir/Patient/_search", ""},
		{"GET", "/fhir?_type=Patient,Observation", ""}, {"GET", "/fhir?_type=Patient,Encounter&_id=b,eb&_sort=_id", ""}, {"POST", "/fhir/_search?_type=Patient,Device", ""},
		{"GET", "/fhir/Observation?subject:Patient.family=" + secret, ""}, {"GET", "/fhir/Patient?_has:Observation:patient:code=9203-1", ""},
		{"GET", "/fhir/Observation?_include=Observation:subject", ""}, {"GET", "/fhir/Patient?_revinclude=Observation:patient", ""},
		{"GET", "/fhir/Patient/b/Observation", ""}, {"GET", "/fhir/Patient/b/*", ""}, {"POST", "/fhir/Observation", obs}, {"PUT", "/fhir/Observation/ob", obs},
		{"PUT", "/fhir/Observation?identifier=x", obs}, {"PATCH", "/fhir/Observation/ob", `[{"op":"replace","path":"/status","value":"amended"}]`},
		{"DELETE", "/fhir/Observation/ob", ""}, {"DELETE", "/fhir/Observation?identifier=x", ""},
		{"POST", "/fhir", bundle("batch", "GET", "Patient/b", "")}, {"POST", "/fhir", bundle("transaction", "GET", "Patient/b", "")},
		{"POST", "/fhir", bundle("transaction", "PUT", "Observation/ob", obs)},
		{"GET", "/fhir/Device/db/$drain-output", ""}, {"GET", "/fhir/Device/db/$escalation-status", ""}, {"GET", "/fhir/Patient/b/$escalation-status", ""},
		{"GET", "/fhir/Location/w/$escalation-status", ""}, {"GET", "/fhir/Location/w/$emptying-due", ""}, {"GET", "/fhir/Location/w/$handover", ""}, {"GET", "/fhir/Device/db/$removal-review", ""},
		{"GET", "/fhir/Patient/b/$fluid-balance", ""}, {"GET", "/fhir/Device/db/$chart", ""}, {"GET", "/fhir/Patient/b/$everything", ""},
		{"GET", "/fhir/Device/db/$everything", ""}, {"GET", "/fhir/Observation/$lastn?patient=b&category=exam", ""},
		{"GET", "/fhir/Observation/$stats?subject=Patient/b&code=9203-1&system=http://loinc.org&duration=100&statistic=count", ""},
		{"POST", "/fhir/DetectedIssue/" + finding + "/$acknowledge", `{"resourceType":"Parameters","parameter":[{"name":"action","valueString":"seen"}]}`},
		{"GET", "/fhir/Patient/b/$meta", ""}, {"POST", "/fhir/Patient/b/$meta-add", `{"resourceType":"Parameters","parameter":[{"name":"meta","valueMeta":{"tag":[{"code":"x"}]}}]}`},
		{"GET", "/fhir/Observation/ob/$validate", ""}, {"GET", "/fhir/DetectedIssue/" + finding, ""}, {"GET", "/fhir/DetectedIssue", ""},
		{"GET", "/fhir/AuditEvent", ""}, {"GET", "/fhir/ValueSet", ""}, {"GET", "/fhir/ValueSet/$expand?url=http://tidemark.example.org/fhir/ValueSet/drain-appearance", ""},
		{"GET", "/fhir/CodeSystem/$lookup?system=http://tidemark.example.org/fhir/CodeSystem/drain&code=serous", ""},
	}
}

// TestEveryRouteNeedsATokenAndAScope walks every route without a token, with
// one that does not hold, with one without a scope, and with one for another
// type: none may answer with data.
func TestEveryRouteNeedsATokenAndAScope(t *testing.T) {
	f := open(t)
	all := f.token("system/*.cruds", "")
	finding := f.ward(all)
	other := f.token("system/Organization.cruds", "")
	none := f.token("user/Group.d", "")
	for _, r := range routes(finding) {
		header := []string{}
		if strings.HasSuffix(r.path, "_search") {
			header = []string{"Content-Type", "application/x-www-form-urlencoded"}
		}
		if r.method == "PATCH" {
			header = []string{"Content-Type", "application/json-patch+json"}
		}
		for _, c := range []struct {
			name, token string
			want        []int
		}{
			{"no token", "", []int{401}}, {"a token that does not hold", all[:len(all)-8] + "AAAAAAAA", []int{401}},
			{"a scope for next to nothing", none, []int{403, 200}}, {"another type's scope", other, []int{403, 200, 404}},
		} {
			got, _, body := f.do(r.method, r.path, c.token, r.body, header...)
			if !slices.Contains(c.want, got) {
				t.Errorf("%s %s with %s: %d, want one of %v: %s", r.method, r.path, c.name, got, c.want, body)
			}
			// A batch answers 200 and refuses entry by entry.
			if got == 200 && !strings.Contains(r.body, `"batch"`) && !strings.Contains(r.body, `"transaction"`) && r.path != "/fhir/_history" {
				t.Errorf("%s %s with %s was answered: %s", r.method, r.path, c.name, body)
			}
			if strings.Contains(body, secret) || strings.Contains(body, `"valueQuantity"`) {
				t.Errorf("%s %s with %s gives data away: %s", r.method, r.path, c.name, body)
			}
		}
	}
	// Nothing of what was refused has been done.
	if body := f.must(200, "GET", "/fhir/Observation/ob", all, ""); !strings.Contains(body, `"versionId":"1"`) {
		t.Errorf("a refused write has been done: %s", body)
	}
}

// TestPatientScopesLeakNothing walks the same routes with the rights of
// patient a's compartment: nothing of patient b may show, and an id of b's
// must look like one that never was.
func TestPatientScopesLeakNothing(t *testing.T) {
	f := open(t)
	all := f.token("system/*.cruds", "")
	finding := f.ward(all)
	mine := f.token("patient/*.cruds", "a")
	for _, r := range routes(finding) {
		header := []string{}
		if strings.HasSuffix(r.path, "_search") {
			header = []string{"Content-Type", "application/x-www-form-urlencoded"}
		}
		if r.method == "PATCH" {
			header = []string{"Content-Type", "application/json-patch+json"}
		}
		got, _, body := f.do(r.method, r.path, mine, r.body, header...)
		// What the caller said himself may come back: the self link of a search,
		// the subject of $stats.
		body = strings.NewReplacer("family="+secret, "", `"subject":{"reference":"Patient/b"},"effectivePeriod"`, "").Replace(body)
		for _, leak := range []string{secret, `Patient/b"`, `Device/db"`, `Observation/ob"`} {
			if strings.Contains(body, leak) && !strings.Contains(body, "OperationOutcome") {
				t.Errorf("%s %s shows %s of another patient (%d): %s", r.method, r.path, leak, got, body)
			}
		}
		if strings.Contains(body, secret) {
			t.Errorf("%s %s shows another patient's name: %s", r.method, r.path, body)
		}
	}
	for _, path := range []string{"Patient/%s", "Observation/o%s", "Device/d%s", "Device/d%s/$drain-output", "Patient/%s/$fluid-balance", "Patient/%s/_history", "Observation/o%s/_history/1"} {
		g1, _, b1 := f.do("GET", "/fhir/"+fmt.Sprintf(path, "b"), mine, "")
		g2, _, b2 := f.do("GET", "/fhir/"+fmt.Sprintf(path, "nobody"), mine, "")
		if g1 != 404 || g2 != 404 || strings.ReplaceAll(b1, "b.", "nobody.") != b2 && len(b1)+len("nobody")-1 != len(b2) {
			t.Errorf("%s: another patient's %d %s differs from an unknown one's %d %s", path, g1, b1, g2, b2)
		}
	}
	// Reading every Patient does not open what is derived from one's Observations.
	mixed := f.token("user/Patient.r user/Device.r user/DetectedIssue.r patient/Observation.r", "a")
	for path, want := range map[string]int{
		"Patient/a/$fluid-balance": 200, "Patient/b/$fluid-balance": 404, "Patient/a/$escalation-status": 200, "Patient/b/$escalation-status": 404,
		"Device/da/$drain-output": 200, "Device/db/$drain-output": 404, "Device/db/$removal-review": 404, "Device/db/$chart": 404, "Device/db/$escalation-status": 404,
	} {
		if got, _, b := f.do("GET", "/fhir/"+path, mixed, ""); got != want {
			t.Errorf("GET %s with mixed scopes: %d, want %d: %s", path, got, want, b)
		}
	}
	var count struct{ Total int }
	for typ, want := range map[string]int{"Patient": 1, "Observation": 1, "Device": 1, "Encounter": 1} {
		if err := json.Unmarshal([]byte(f.must(200, "GET", "/fhir/"+typ+"?_summary=count&_total=accurate", mine, "")), &count); err != nil || count.Total != want {
			t.Errorf("%s: total %d, want %d", typ, count.Total, want)
		}
	}
	// A write into the other compartment, and out of the own one.
	now := time.Now().UTC()
	if got, _, b := f.do("POST", "/fhir/Observation", mine, strings.Replace(entry("x", "b", "9203-1", "http://loinc.org", now, "", ""), `"id":"x",`, "", 1)); got != 403 {
		t.Errorf("an entry for another patient: %d %s", got, b)
	}
	if got, _, b := f.do("PUT", "/fhir/Observation/oa", mine, entry("oa", "b", "9203-1", "http://loinc.org", now, "", "")); got != 403 {
		t.Errorf("moving an entry to another patient: %d %s", got, b)
	}
	if got, _, b := f.do("PUT", "/fhir/Observation/ob", mine, entry("ob", "a", "9203-1", "http://loinc.org", now, "", "")); got != 404 {
		t.Errorf("taking over another patient's entry: %d %s", got, b)
	}
}

// TestAssistantsAndNurses: the two ready-made roles of the ward.
func TestAssistantsAndNurses(t *testing.T) {
	f := open(t)
	all := f.token("system/*.cruds", "")
	finding := f.ward(all)
	role := func(name string) string {
		scope, ok := auth.RoleScope(name)
		if !ok {
			t.Fatalf("no role %s", name)
		}
		return f.token(scope, "")
	}
	assistant, nurse := role("nursing-assistant"), role("nurse")
	now := time.Now().UTC().Add(-time.Minute)
	emptying := strings.Replace(entry("x", "a", "9203-1", "http://loinc.org", now, "serous", ""), `"id":"x",`, "", 1)
	site := fmt.Sprintf(`{"resourceType":"Observation","status":"final","code":{"coding":[{"system":"http://tidemark.example.org/fhir/CodeSystem/drain","code":"drain-site-assessment"}]},"subject":{"reference":"Patient/a"},"device":{"reference":"Device/da"},"effectiveDateTime":%q,"component":[{"code":{"coding":[{"system":"http://tidemark.example.org/fhir/CodeSystem/drain","code":"redness"}]},"valueBoolean":true}]}`, now.Format(time.RFC3339))
	smuggled := strings.Replace(site, `"coding":[{"system":"http://tidemark.example.org/fhir/CodeSystem/drain","code":"drain-site-assessment"}]`,
		`"coding":[{"system":"http://loinc.org","code":"9203-1"},{"system":"http://tidemark.example.org/fhir/CodeSystem/drain","code":"drain-site-assessment"}]`, 1)
	ack := `{"resourceType":"Parameters","parameter":[{"name":"action","valueString":"assessed"}]}`
	for _, c := range []struct {
		who, token, method, path, body string
		want                           int
	}{
		{"assistant", assistant, "POST", "/fhir/Observation", emptying, 201},
		{"assistant", assistant, "POST", "/fhir/Observation", site, 403},
		{"assistant", assistant, "POST", "/fhir/Observation", smuggled, 422},
		{"assistant", assistant, "POST", "/fhir/DetectedIssue/" + finding + "/$acknowledge", ack, 403},
		{"assistant", assistant, "DELETE", "/fhir/Observation/oa", "", 403},
		{"nurse", nurse, "POST", "/fhir/Observation", emptying, 201},
		{"nurse", nurse, "POST", "/fhir/Observation", site, 201},
		{"nurse", nurse, "POST", "/fhir/DetectedIssue/" + finding + "/$acknowledge", ack, 200},
		{"nurse", nurse, "DELETE", "/fhir/Patient/a", "", 403},
		{"analytics", role("analytics"), "POST", "/fhir/Observation", emptying, 403},
		{"analytics", role("analytics"), "GET", "/fhir/Observation", "", 200},
	} {
		if got, _, b := f.do(c.method, c.path, c.token, c.body); got != c.want {
			t.Errorf("%s %s %s: %d, want %d: %s", c.who, c.method, c.path, got, c.want, b)
		}
	}
}

// TestEveryAccessIsAudited: reads, writes and refusals.
func TestEveryAccessIsAudited(t *testing.T) {
	f := open(t)
	all := f.token("system/*.cruds", "")
	f.ward(all)
	f.must(200, "GET", "/fhir/Patient/b", all, "", "X-Request-Id", "read-b")
	f.must(401, "GET", "/fhir/Patient/b", "nonsense", "", "X-Request-Id", "refused-b")
	f.must(403, "GET", "/fhir/Patient/b", f.token("user/Group.d", ""), "", "X-Request-Id", "forbidden-b")
	f.must(200, "POST", "/fhir", all, `{"resourceType":"Bundle","type":"batch","entry":[{"request":{"method":"GET","url":"Patient/a"}},{"request":{"method":"GET","url":"Patient/b"}}]}`, "X-Request-Id", "batch")
	want := map[string]int{"read-b": 1, "refused-b": 1, "forbidden-b": 1, "batch": 3}
	got := map[string]int{}
	deadline := time.Now().Add(5 * time.Second)
	for time.Now().Before(deadline) {
		clear(got)
		var b struct {
			Entry []struct {
				Resource struct {
					Outcome string
					Entity  []struct {
						What struct{ Identifier struct{ Value string } }
					}
				}
			}
		}
		if err := json.Unmarshal([]byte(f.must(200, "GET", "/fhir/AuditEvent?_count=200", all, "")), &b); err != nil {
			t.Fatal(err)
		}
		for _, e := range b.Entry {
			for _, x := range e.Resource.Entity {
				if id := x.What.Identifier.Value; id != "" {
					got[id]++
				}
			}
		}
		ok := true
		for id, n := range want {
			ok = ok && got[id] == n
		}
		if ok {
			break
		}
		time.Sleep(20 * time.Millisecond)
	}
	for id, n := range want {
		if got[id] != n {
			t.Errorf("request %s left %d AuditEvents, want %d", id, got[id], n)
		}
	}
	if strings.Contains(f.log.String(), secret) {
		t.Error("the log holds a patient's name")
	}
	for _, path := range []string{"/fhir/AuditEvent", "/fhir/AuditEvent/x"} {
		for _, m := range []string{"POST", "PUT", "DELETE"} {
			if code, _, _ := f.do(m, path, all, `{"resourceType":"AuditEvent"}`); code != 405 {
				t.Errorf("%s %s: %d, want 405: audit is append-only", m, path, code)
			}
		}
	}
}

// Every operation is asked for by every role, and by tokens that lack a part of
// what it needs: the server refuses exactly those that the table refuses.
func TestRightsOfOperations(t *testing.T) {
	f := open(t)
	concern := f.ward(f.token("system/*.cruds", ""))
	f.must(201, "PUT", "/fhir/Group/g", f.token("system/*.cruds", ""), `{"resourceType":"Group","id":"g","type":"person","actual":true}`)
	ids := map[string]string{"Device": "db", "Patient": "b", "Location": "w", "Observation": "ob", "DetectedIssue": concern, "Group": "g",
		"ValueSet": "drain-appearance", "CodeSystem": "drain", "Encounter": "eb", "DeviceUseStatement": "ub"}
	scopes := []string{"user/*.cu", "user/*.s", "user/*.rs", "patient/*.rs", "system/*.r", "user/Observation.rs?code=http://loinc.org|9203-1 user/Device.rs user/DetectedIssue.rs"}
	for _, role := range auth.RoleNames() {
		scope, _ := auth.RoleScope(role)
		scopes = append(scopes, scope)
	}
	for _, typ := range []string{"Device", "Patient", "Location", "Observation", "DetectedIssue", "ValueSet", "CodeSystem"} {
		for _, a := range []string{"c", "r", "u", "s"} {
			scopes = append(scopes, "user/"+typ+"."+a)
		}
		scopes = append(scopes, "user/"+typ+".ru user/Observation.r", "user/"+typ+".r user/Observation.rs user/DetectedIssue.rs")
	}
	tokens := map[string]string{}
	for _, s := range scopes {
		patient := ""
		if strings.HasPrefix(s, "patient/") {
			patient = "b"
		}
		tokens[s] = f.token(s, patient)
	}
	allowed, refused := 0, 0
	for _, op := range api.Operations() {
		on := op.Types
		switch {
		case op.Spans:
			continue // what it spans is asked in internal/bulk
		case on == nil:
			on = []string{"Device", "Observation"}
		}
		for _, typ := range on {
			id, known := ids[typ]
			if op.Level == api.AtInstance && !known {
				continue // of the types that every operation on all of them has
			}
			path := "/fhir/" + typ + "/" + op.Name
			if op.Level == api.AtInstance {
				path = "/fhir/" + typ + "/" + id + "/" + op.Name
			}
			method, body := "GET", ""
			if op.Affects {
				method, body = "POST", `{"resourceType":"Parameters"}` // which is refused for what it lacks
			}
			for scope, token := range tokens {
				p := &auth.Principal{Patient: map[bool]string{true: "b"}[strings.HasPrefix(scope, "patient/")]}
				p.Scopes, _ = auth.ParseScopes(scope)
				want := p.May([]string{typ}, op.Needs...)
				got, _, answer := f.do(method, path, token, body)
				if (got == 403) != (want != nil) || got >= 500 || got == 401 {
					t.Errorf("%s %s with %q: %d, the table says %v: %s", method, path, scope, got, want, answer)
				}
				if want == nil {
					allowed++
				} else {
					refused++
				}
			}
		}
	}
	if allowed < 100 || refused < 100 {
		t.Errorf("%d allowed, %d refused: the walk is too short to say anything", allowed, refused)
	}
}

// Whoever empties must see: these roles read what the ward sees of its drains.
func TestWhoEmptiesSees(t *testing.T) {
	f := open(t)
	f.ward(f.token("system/*.cruds", ""))
	for _, role := range []string{"nursing-assistant", "nurse", "wall"} {
		scope, _ := auth.RoleScope(role)
		token := f.token(scope, "")
		for _, path := range []string{"Location/w/$emptying-due", "Location/w/$handover", "Location/w/$escalation-status", "Device/db/$escalation-status", "Device/db/$drain-output", "Patient/b/$fluid-balance", "Device/db/$removal-review"} {
			if got, _, body := f.do("GET", "/fhir/"+path, token, ""); got != 200 {
				t.Errorf("%s of %s: %d: %s", path, role, got, body)
			}
		}
	}
}
