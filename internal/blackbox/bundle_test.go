package blackbox

import (
	"fmt"
	"strings"
	"testing"
	"time"
)

func bundle(kind string, entries ...any) obj {
	b := obj{"resourceType": "Bundle", "type": kind}
	if len(entries) > 0 {
		b["entry"] = list(entries)
	}
	return b
}

// entry is one request of a Bundle; members come in pairs: fullUrl, resource,
// or a member of request.
func entry(method, url string, members ...any) obj {
	req := obj{"method": method, "url": url}
	e := obj{"request": req}
	for i := 0; i+1 < len(members); i += 2 {
		switch name := members[i].(string); name {
		case "fullUrl", "resource":
			e[name] = members[i+1]
		default:
			req[name] = members[i+1]
		}
	}
	return e
}

func statuses(a *answer) string {
	var out []string
	for _, e := range a.list("entry") {
		s, _, _ := strings.Cut(text(e, "response.status"), " ")
		out = append(out, s)
	}
	return strings.Join(out, " ")
}

func TestLinesBatch(t *testing.T) {
	s := serve(t)
	runLines(t, s.client(), []line{
		{"143", "one response for each entry, in order", func(t *testing.T, c *client) {
			id := c.patient("143")
			a := c.do("POST", "", bundle("batch", entry("GET", "Patient/"+id), entry("POST", "Patient", "resource", person("143b")), entry("GET", "Patient?identifier=143"), entry("DELETE", "Patient/"+id), entry("GET", "Patient/nobody"))).want(200)
			if a.str("type") != "batch-response" || statuses(a) != "200 201 200 204 404" {
				t.Errorf("%s %s", statuses(a), a.clip())
			}
			if e := c.do("POST", "", bundle("batch")).want(200); e.str("type") != "batch-response" || dig(e.tree, "entry") != nil {
				t.Error(e.clip())
			}
		}},
		{"144", "a failing entry fails alone", func(t *testing.T, c *client) {
			a := c.do("POST", "", bundle("batch", entry("POST", "Patient", "resource", obj{"resourceType": "Patient", "gender": "x"}), entry("POST", "Patient", "resource", person("144")), entry("PUT", "Patient/a_b", "resource", obj{"resourceType": "Patient", "id": "a_b"}))).want(200)
			if st := statuses(a); !strings.HasPrefix(st, "4") || !strings.Contains(st, " 201 4") || a.str("entry.0.response.outcome.resourceType") != "OperationOutcome" {
				t.Errorf("%s %s", st, a.clip())
			}
			if len(c.all("Patient?identifier=144")) != 1 {
				t.Error("the good entry took no effect")
			}
		}},
		{"145", "GET gives the resource; POST follows Prefer", func(t *testing.T, c *client) {
			id := c.patient("145")
			b := bundle("batch", entry("GET", "Patient/"+id), entry("GET", "Patient?identifier=145"), entry("POST", "Patient", "resource", person("145b")))
			a := c.do("POST", "", b).want(200)
			if a.str("entry.0.resource.id") != id || a.str("entry.1.resource.type") != "searchset" || a.str("entry.2.resource.resourceType") != "Patient" {
				t.Error(a.clip())
			}
			if m := c.do("POST", "", b, "Prefer", "return=minimal").want(200); dig(m.tree, "entry.2.resource") != nil || m.str("entry.0.resource.id") != id {
				t.Error(m.clip())
			}
		}},
		{"146", "references between entries of a batch are not resolved", func(t *testing.T, c *client) {
			a := c.do("POST", "", bundle("batch", entry("POST", "Patient", "fullUrl", "urn:uuid:7f1b9a4e-0c1d-4d8f-9e55-0f6a00000001", "resource", person("146")),
				entry("POST", "Observation", "resource", obj{"resourceType": "Observation", "status": "final", "code": obj{"text": "146"}, "subject": ref("urn:uuid:7f1b9a4e-0c1d-4d8f-9e55-0f6a00000001")})))
			if a.status == 200 && strings.HasPrefix(text(a.tree, "entry.1.resource.subject.reference"), "Patient/") {
				t.Error("a batch resolved a reference between its entries")
			}
		}},
		{"147", "headers of entries", func(t *testing.T, c *client) {
			id := c.patient("147")
			up := func(m string) obj {
				return entry("PUT", "Patient/"+id, "resource", obj{"resourceType": "Patient", "id": id}, "ifMatch", m)
			}
			a := c.do("POST", "", bundle("batch", up(`W/"9"`), up(`W/"1"`), entry("GET", "Patient/"+id, "ifNoneMatch", `W/"2"`), entry("POST", "Patient", "resource", person("147n"), "ifNoneExist", "identifier=147n"), entry("POST", "Patient", "resource", person("147n"), "ifNoneExist", "identifier=147n"))).want(200)
			if statuses(a) != "412 200 304 201 200" {
				t.Errorf("%s %s", statuses(a), a.clip())
			}
			future := instant(time.Now().Add(time.Hour))
			if a := c.do("POST", "", bundle("batch", entry("GET", "Patient/"+id, "ifModifiedSince", future))).want(200); statuses(a) != "304" {
				t.Errorf("ifModifiedSince: %s", statuses(a))
			}
		}},
		{"148", "broken entries", func(t *testing.T, c *client) {
			for name, e := range map[string]obj{"no request": {"resource": person("x")}, "unknown method": entry("JUMP", "Patient"), "a foreign url": entry("GET", "http://elsewhere.example.org/fhir/Patient/1"), "POST without resource": entry("POST", "Patient"),
				"PUT without resource": entry("PUT", "Patient/x"), "no url": {"request": obj{"method": "GET"}}, "empty": {"fullUrl": "urn:uuid:7f1b9a4e-0c1d-4d8f-9e55-0f6a00000009"}, "type and url differ": entry("POST", "Device", "resource", person("x")), "PATCH without a Binary": entry("PATCH", "Patient/x", "resource", person("x"))} {
				if a := c.do("POST", "", bundle("batch", e)); a.status == 200 && !strings.HasPrefix(statuses(a), "4") || a.status > 422 {
					t.Errorf("batch, %s: %d %s", name, a.status, a.clip())
				}
				if a := c.do("POST", "", bundle("transaction", entry("POST", "Patient", "resource", person("148")), e)); a.status < 400 {
					t.Errorf("transaction, %s: %d %s", name, a.status, a.clip())
				}
			}
			for _, e := range []any{nil, 7, "x", list{}} {
				if a := c.do("POST", "", obj{"resourceType": "Bundle", "type": "batch", "entry": list{e}}); a.status != 400 && a.status != 422 && !strings.HasPrefix(statuses(a), "4") {
					t.Errorf("entry %v: %d %s", e, a.status, a.clip())
				}
			}
			if n := len(c.all("Patient?identifier=148")); n != 0 {
				t.Errorf("%d Patients of failed transactions", n)
			}
		}},
		{"149", "entries pass the same rights; nested Bundles are not executed", func(t *testing.T, c *client) {
			p := s.clientWith(s.token("--scope", "user/Patient.r")).in(t)
			id := c.patient("149")
			if a := p.do("POST", "", bundle("batch", entry("GET", "Patient/"+id), entry("POST", "Patient", "resource", person("149")), entry("GET", "Patient?identifier=149"), entry("DELETE", "Patient/"+id))).want(200); statuses(a) != "200 403 403 403" {
				t.Errorf("%s", statuses(a))
			}
			for _, url := range []string{"", "/", "Bundle"} {
				c.do("POST", "", bundle("batch", entry("POST", url, "resource", bundle("batch", entry("POST", "Patient", "resource", person("149n"))))))
			}
			if n := len(c.all("Patient?identifier=149n")); n != 0 {
				t.Errorf("a nested Bundle was executed %d times", n)
			}
		}},
	})
}

func urn(n int) string { return fmt.Sprintf("urn:uuid:7f1b9a4e-0c1d-4d8f-9e55-%012d", n) }

func TestLinesTransaction(t *testing.T) {
	s := serve(t, "--max-body", "4000000")
	obs := func(code, subject string) obj {
		return obj{"resourceType": "Observation", "status": "final", "code": concept("http://example.org/codes", code), "subject": ref(subject)}
	}
	runLines(t, s.client(), []line{
		{"150", "all or nothing", func(t *testing.T, c *client) {
			before := c.do("GET", "_history?_count=1", nil).want(200).str("total")
			kept := c.patient("150kept")
			b := c.bed("t150", ago(48*time.Hour))
			for name, bad := range map[string]obj{
				"an invalid resource":  entry("POST", "Patient", "resource", obj{"resourceType": "Patient", "gender": "x"}),
				"a stale version":      entry("PUT", "Patient/"+b.patient, "resource", obj{"resourceType": "Patient", "id": b.patient}, "ifMatch", `W/"7"`),
				"a wrong drain":        entry("POST", "Observation", "resource", emptying(bed{b.patient, "nowhere", ""}, ago(time.Hour), "5", "mL")),
				"an unknown type":      entry("POST", "Spaceship", "resource", obj{"resourceType": "Spaceship"}),
				"a failing patch":      entry("PATCH", "Patient/nobody", "resource", obj{"resourceType": "Binary", "contentType": "application/json-patch+json", "data": "W10="}),
				"a dangling condition": entry("POST", "Observation", "resource", obs("150", "Patient?identifier=nobody-at-all")),
				"a unit":               entry("POST", "Observation", "resource", emptying(b, ago(time.Hour), "5", "cc")),
			} {
				a := c.do("POST", "", bundle("transaction", entry("POST", "Patient", "resource", person("150")), entry("DELETE", "Patient/"+kept), entry("POST", "Observation", "resource", emptying(b, ago(time.Hour), "5", "mL")), bad))
				if a.status < 400 || a.str("resourceType") != "OperationOutcome" {
					t.Errorf("%s: %d %s", name, a.status, a.clip())
				}
				if !strings.Contains(strings.Join(a.expressions(), " "), "entry[3]") {
					t.Errorf("%s: no expression names entry[3]: %s", name, a.clip())
				}
			}
			if n := len(c.all("Patient?identifier=150")); n != 0 {
				t.Errorf("%d Patients of failed transactions", n)
			}
			c.do("GET", "Patient/"+kept, nil).check(200)
			if n := len(c.all("Observation?patient=" + b.patient)); n != 0 {
				t.Errorf("%d entries of failed transactions", n)
			}
			if v := volumes(c.do("GET", "Device/"+b.drain+"/$drain-output?period=total", nil)); strings.Trim(fmt.Sprint(mapValues(v)), "[]0. ") != "" {
				t.Errorf("the total is %v", v)
			}
			if h := c.do("GET", "Patient/"+kept+"/_history", nil); h.str("total") != "1" {
				t.Errorf("history of the kept one: %s (system had %s before)", h.str("total"), before)
			}
		}},
		{"151", "order of work", func(t *testing.T, c *client) {
			old := c.do("PUT", "Patient/t151", obj{"resourceType": "Patient", "id": "t151", "identifier": list{obj{"system": testSys, "value": "151"}}}).want(201).id()
			a := c.do("POST", "", bundle("transaction",
				entry("GET", "Patient?identifier=151"),
				entry("PUT", "Observation/t151o", "resource", func() obj { o := obs("151", urn(1)); o["id"] = "t151o"; return o }()),
				entry("POST", "Patient", "fullUrl", urn(1), "resource", person("151"), "ifNoneExist", "identifier=151-other"),
				entry("DELETE", "Patient/"+old))).want(200)
			if statuses(a) != "200 201 201 204" || a.str("type") != "transaction-response" {
				t.Errorf("%s %s", statuses(a), a.clip())
			}
			if got := a.str("entry.0.resource.entry.0.resource.id"); got == old || got != a.str("entry.2.resource.id") {
				t.Errorf("GET runs last and sees %q", got)
			}
		}},
		{"152", "urn:uuid everywhere, forwards, backwards, in circles, in narrative", func(t *testing.T, c *client) {
			org := obj{"resourceType": "Organization", "name": "Ward", "partOf": ref(urn(3))}
			parent := obj{"resourceType": "Organization", "name": "House", "partOf": ref(urn(2))} // a circle
			pat := obj{"resourceType": "Patient", "managingOrganization": ref(urn(2)), "text": obj{"status": "generated", "div": `<div xmlns="http://www.w3.org/1999/xhtml"><a href="` + urn(2) + `">ward</a></div>`},
				"extension": list{obj{"url": "http://example.org/link", "valueUri": urn(2)}, obj{"url": "http://example.org/canon", "valueCanonical": urn(2)}}}
			a := c.do("POST", "", bundle("transaction", entry("POST", "Observation", "fullUrl", urn(5), "resource", obs("152", urn(4))), entry("POST", "Patient", "fullUrl", urn(4), "resource", pat), entry("POST", "Organization", "fullUrl", urn(2), "resource", org), entry("POST", "Organization", "fullUrl", urn(3), "resource", parent))).want(200)
			id := func(i int) string { return a.str(fmt.Sprintf("entry.%d.resource.id", i)) }
			o, p, w, h := c.do("GET", "Observation/"+id(0), nil).want(200), c.do("GET", "Patient/"+id(1), nil).want(200), c.do("GET", "Organization/"+id(2), nil).want(200), c.do("GET", "Organization/"+id(3), nil).want(200)
			for what, got := range map[string][2]string{"subject": {o.str("subject.reference"), "Patient/" + id(1)}, "managingOrganization": {p.str("managingOrganization.reference"), "Organization/" + id(2)}, "partOf": {w.str("partOf.reference"), "Organization/" + id(3)}, "circle": {h.str("partOf.reference"), "Organization/" + id(2)}, "valueUri": {p.str("extension.0.valueUri"), "Organization/" + id(2)}, "canonical": {p.str("extension.1.valueCanonical"), urn(2)}} {
				if got[0] != got[1] {
					t.Errorf("%s: %q, want %q", what, got[0], got[1])
				}
			}
			if d := p.str("text.div"); !strings.Contains(d, "Organization/"+id(2)) || strings.Contains(d, "urn:uuid") {
				t.Errorf("narrative: %s", d)
			}
			if got := c.all("Observation?patient=" + id(1)); len(got) != 1 {
				t.Errorf("the rewritten reference is not searchable: %v", got)
			}
		}},
		{"153", "a relative reference to a matching fullUrl", func(t *testing.T, c *client) {
			a := c.do("POST", "", bundle("transaction", entry("POST", "Patient", "fullUrl", "http://elsewhere.example.org/fhir/Patient/77", "resource", person("153")), entry("POST", "Observation", "fullUrl", "http://elsewhere.example.org/fhir/Observation/78", "resource", obs("153", "Patient/77")),
				entry("POST", "Observation", "fullUrl", urn(1), "resource", obs("153", "Patient/outside")))).want(200)
			if got := a.str("entry.1.resource.subject.reference"); got != "Patient/"+a.str("entry.0.resource.id") {
				t.Errorf("%q", got)
			}
			if got := a.str("entry.2.resource.subject.reference"); got != "Patient/outside" {
				t.Errorf("a reference to the outside became %q", got)
			}
		}},
		{"154", "conditional references", func(t *testing.T, c *client) {
			id := c.patient("154")
			a := c.do("POST", "", bundle("transaction", entry("POST", "Observation", "resource", obs("154", "Patient?"+query("identifier", testSys+"|154"))))).want(200)
			if got := a.str("entry.0.resource.subject.reference"); got != "Patient/"+id {
				t.Errorf("%q", got)
			}
			c.do("POST", "", bundle("transaction", entry("POST", "Observation", "resource", obs("154", "Patient?identifier=none-such")))).check(400, 412, 422)
			c.patient("154")
			c.do("POST", "", bundle("transaction", entry("POST", "Observation", "resource", obs("154", "Patient?identifier=154")))).check(400, 412, 422)
			c.do("POST", "Observation", obs("154", "Patient?identifier=154")).check(422) // nobody resolves it there
		}},
		{"155", "the same resource twice", func(t *testing.T, c *client) {
			id := c.patient("155")
			put := func() obj { return obj{"resourceType": "Patient", "id": id} }
			for name, b := range map[string]obj{
				"twice by id":        bundle("transaction", entry("PUT", "Patient/"+id, "resource", put()), entry("PUT", "Patient/"+id, "resource", put())),
				"update and delete":  bundle("transaction", entry("PUT", "Patient/"+id, "resource", put()), entry("DELETE", "Patient/"+id)),
				"by id and criteria": bundle("transaction", entry("PUT", "Patient/"+id, "resource", put()), entry("PUT", "Patient?identifier=155", "resource", person("155"))),
				"one fullUrl on two": bundle("transaction", entry("POST", "Patient", "fullUrl", urn(1), "resource", person("155x")), entry("POST", "Patient", "fullUrl", urn(1), "resource", person("155x"))),
			} {
				if a := c.do("POST", "", b); a.status < 400 {
					t.Errorf("%s: %d %s", name, a.status, a.clip())
				}
			}
			if g := c.do("GET", "Patient/"+id, nil); g.version() != "1" {
				t.Errorf("version %s", g.version())
			}
			if n := len(c.all("Patient?identifier=155x")); n > 0 {
				t.Errorf("%d Patients were made", n)
			}
			// Two conditional creates with one criterion fail, or make one resource.
			a := c.do("POST", "", bundle("transaction", entry("POST", "Patient", "resource", person("155c"), "ifNoneExist", "identifier=155c"), entry("POST", "Patient", "resource", person("155c"), "ifNoneExist", "identifier=155c")))
			if n := len(c.all("Patient?identifier=155c")); n > 1 || a.status == 200 && (n != 1 || a.str("entry.0.resource.id") != a.str("entry.1.resource.id")) {
				t.Errorf("%d Patients by one criterion: %s", n, a.clip())
			}
		}},
		{"156", "ifNoneExist with one match", func(t *testing.T, c *client) {
			id := c.patient("156")
			a := c.do("POST", "", bundle("transaction", entry("POST", "Patient", "fullUrl", urn(1), "resource", person("156"), "ifNoneExist", "identifier=156"), entry("POST", "Observation", "resource", obs("156", urn(1))))).want(200)
			if statuses(a) != "200 201" || a.str("entry.1.resource.subject.reference") != "Patient/"+id {
				t.Errorf("%s %s", statuses(a), a.clip())
			}
			if n := len(c.all("Patient?identifier=156")); n != 1 {
				t.Errorf("%d", n)
			}
		}},
		{"157", "what responses say", func(t *testing.T, c *client) {
			a := c.do("POST", "", bundle("transaction", entry("POST", "Patient", "resource", person("157")), entry("PUT", "Patient/t157", "resource", obj{"resourceType": "Patient", "id": "t157"})), "Prefer", "return=minimal").want(200)
			for _, e := range a.list("entry") {
				loc := text(e, "response.location")
				if !location.MatchString("/fhir/"+strings.TrimPrefix(loc, c.base+"/")) || text(e, "response.etag") != `W/"1"` || text(e, "response.lastModified") == "" || dig(e, "resource") != nil {
					t.Errorf("%v", e)
				}
			}
		}},
		{"158", "empty transactions; other types", func(t *testing.T, c *client) {
			if a := c.do("POST", "", bundle("transaction")).want(200); a.str("type") != "transaction-response" {
				t.Error(a.clip())
			}
			for _, k := range []string{"searchset", "history", "collection", "document", "message", "batch-response"} {
				c.do("POST", "", bundle(k, entry("POST", "Patient", "resource", person("158")))).check(400)
			}
			c.do("POST", "", obj{"resourceType": "Bundle"}).check(400, 422)
			c.do("POST", "", person("158")).check(400)
			c.do("POST", "", obj{"resourceType": "Bundle", "type": "transaction", "entry": obj{}}).check(400, 422)
			c.do("POST", "", obj{"resourceType": "Bundle", "type": "transaction", "entree": list{}}).check(400, 422)
			if n := len(c.all("Patient?identifier=158")); n != 0 {
				t.Errorf("%d", n)
			}
		}},
		{"159", "a large transaction works, a larger one is 413", func(t *testing.T, c *client) {
			many := func(n int) obj {
				var es []any
				for i := range n {
					es = append(es, entry("POST", "Observation", "resource", obs("159", "Patient/x"), "ifNoneExist", ""))
					delete(es[i].(obj)["request"].(obj), "ifNoneExist")
				}
				return bundle("transaction", es...)
			}
			c.do("POST", "", many(1000), "Prefer", "return=minimal").check(200)
			c.do("POST", "", many(5001), "Prefer", "return=minimal").check(413)
			if a := c.do("GET", "Observation?code=159&_total=accurate&_count=1", nil); a.str("total") != "1000" {
				t.Errorf("%s", a.str("total"))
			}
		}},
		{"160", "a drain, its placement and its entries in one transaction", func(t *testing.T, c *client) {
			placed := ago(48 * time.Hour)
			o := emptying(bed{}, ago(time.Hour), "42", "mL")
			o["subject"], o["device"] = ref(urn(1)), ref(urn(2))
			a := c.do("POST", "", bundle("transaction",
				entry("POST", "Observation", "resource", o),
				entry("POST", "DeviceUseStatement", "resource", obj{"resourceType": "DeviceUseStatement", "status": "active", "subject": ref(urn(1)), "device": ref(urn(2)), "timingPeriod": obj{"start": instant(placed)}}),
				entry("POST", "Device", "fullUrl", urn(2), "resource", obj{"resourceType": "Device", "status": "active", "patient": ref(urn(1)), "type": concept(local, "bulb")}),
				entry("POST", "Patient", "fullUrl", urn(1), "resource", person("160")))).want(200)
			if got := totalOf(c.do("GET", "Device/"+a.str("entry.2.resource.id")+"/$drain-output?period=total", nil)); got != "42" {
				t.Errorf("the total is %s", got)
			}
		}},
	})
}

func TestLinesErrors(t *testing.T) {
	s := serve(t, "--max-body", "100000")
	c := s.client()
	runLines(t, c, []line{
		{"161", "outcomes tell no secrets", func(t *testing.T, c *client) {
			c.do("POST", "Patient", obj{"resourceType": "Patient", "name": list{obj{"family": "Geheimnis", "given": list{7}}}})
			for _, a := range []*answer{c.do("POST", "Patient", obj{"resourceType": "Patient", "name": list{obj{"family": "Geheimnis"}}, "gender": "x"}), c.do("GET", "Patient?birthdate=x", nil), c.do("PUT", "Patient/x", "{}"), c.do("GET", "Observation/$nonsense", nil)} {
				for _, i := range a.list("issue") {
					if text(i, "severity") == "" || text(i, "code") == "" {
						t.Errorf("%s: %v", a.what, i)
					}
				}
				for _, word := range []string{"Geheimnis", "goroutine", ".go:", "SELECT", "sqlite", "/root", "/tmp"} {
					if strings.Contains(string(a.body), word) {
						t.Errorf("%s tells of %s: %s", a.what, word, a.clip())
					}
				}
			}
		}},
		{"162", "statuses", func(t *testing.T, c *client) {
			c.do("POST", "Patient", "{").check(400)
			c.do("GET", "Patient/x/$nonsense", nil).check(404)
			c.do("POST", "Patient", `{"resourceType":"Patient","name":[{"family":"`+strings.Repeat("x", 200000)+`"}]}`).check(413)
			c.do("POST", "", strings.Repeat(" ", 200000)).check(413)
		}},
		{"163", "issue codes fit", func(t *testing.T, c *client) {
			id := c.patient("163")
			c.do("DELETE", "Patient/"+id, nil).want(200, 204)
			c.patient("163m")
			c.patient("163m")
			stale := c.patient("163s")
			for _, tc := range []struct {
				a    *answer
				want string
			}{
				{c.do("POST", "Observation", `{"resourceType":"Observation","code":{"text":"x"}}`), "required"},
				{c.do("POST", "Observation", `{"resourceType":"Observation","status":"done","code":{"text":"x"}}`), "code-invalid value"},
				{c.do("POST", "Observation", obsWith(`"colour":1`)), "structure"},
				{c.do("POST", "Observation", obsWith(`"valueString":"a","dataAbsentReason":{"text":"b"}`)), "invariant"},
				{c.do("GET", "Patient/nobody", nil), "not-found"},
				{c.do("GET", "Patient/"+id, nil), "deleted"},
				{c.do("PUT", "Patient/"+stale, obj{"resourceType": "Patient", "id": stale}, "If-Match", `W/"9"`), "conflict"},
				{c.do("DELETE", "Patient?identifier=163m", nil), "multiple-matches"},
				{s.clientWith("").in(t).do("GET", "Patient/x", nil), "login"},
				{s.clientWith(s.token("--scope", "user/Device.r")).in(t).do("GET", "Patient/x", nil), "forbidden"},
				{c.do("DELETE", "ValueSet/x", nil), "not-supported"},
			} {
				if got := tc.a.str("issue.0.code"); !strings.Contains(tc.want, got) || got == "" {
					t.Errorf("%s: %s, want %s: %s", tc.a.what, got, tc.want, tc.a.clip())
				}
			}
		}},
		{"164", "several faults together", func(t *testing.T, c *client) {
			a := c.do("POST", "Observation", `{"resourceType":"Observation","status":"done","colour":1,"category":[{"coding":[{"system":"a b"}]}],"effectiveDateTime":"2026-02-30"}`)
			if len(a.list("issue")) < 5 {
				t.Errorf("five faults, %d issues: %s", len(a.list("issue")), a.clip())
			}
		}},
	})
	t.Run("line 162 429 with Retry-After", func(t *testing.T) {
		s := serve(t, "--rate-limit", "5")
		c := s.client()
		for range 100 {
			if a := c.do("GET", "Patient/x", nil); a.status == 429 {
				if a.header.Get("Retry-After") == "" || a.str("issue.0.code") != "throttled" {
					t.Errorf("%v %s", a.header, a.clip())
				}
				return
			}
		}
		t.Error("100 requests at 5 a second were never throttled")
	})
}
