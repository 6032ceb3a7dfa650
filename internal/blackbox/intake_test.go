package blackbox

import (
	"encoding/base64"
	"net/url"
	"strings"
	"testing"
	"time"
)

// What real clients send, and what R4 says of it. Each case names the place in
// R4 that it is tested by, in our own words.

func obsOf(code, subject string) obj {
	return obj{"resourceType": "Observation", "status": "final", "code": concept("http://example.org/codes", code), "subject": ref(subject)}
}

// TestEntryURLs: R4 http.html, "Service Base URL": a URL is made by RFC 3986,
// whose query (3.4) may hold ":" and "/" as they are.
func TestEntryURLs(t *testing.T) {
	c := serve(t).client()
	id := c.patient("u1")
	system := testSys // http://…
	for _, kind := range []string{"batch", "transaction"} {
		a := c.do("POST", "", bundle(kind,
			entry("GET", "Patient?identifier="+system+"|u1"),
			entry("PUT", "Patient?identifier="+system+"|u1", "resource", person("u1")),
			entry("GET", "Observation?code="+loinc+"|9203-1"),
			entry("GET", c.base+"/Patient?identifier="+system+"|u1"))).want(200)
		if statuses(a) != "200 200 200 200" || a.str("entry.0.resource.entry.0.resource.id") != id || a.str("entry.3.resource.entry.0.resource.id") != id {
			t.Errorf("%s: %s %s", kind, statuses(a), a.clip())
		}
	}
	// A path still has to be ours.
	if a := c.do("POST", "", bundle("batch", entry("GET", "http://elsewhere.example.org/fhir/Patient?identifier=x"))); !strings.HasPrefix(statuses(a), "4") {
		t.Errorf("a foreign base: %s", a.clip())
	}
	// R4 http.html#ccreate: If-None-Exist holds what follows the "?" of a
	// search; clients put the search's URL in front.
	for _, head := range []string{"", "?", "Patient?", "/Patient?", c.base + "/Patient?"} {
		criteria := head + "identifier=" + system + "|u1"
		if a := c.do("POST", "Patient", person("u1"), "If-None-Exist", criteria).want(200); a.id() != id {
			t.Errorf("%q: %s", criteria, a.clip())
		}
		a := c.do("POST", "", bundle("transaction", entry("POST", "Patient", "resource", person("u1"), "ifNoneExist", criteria))).want(200)
		if statuses(a) != "200" || a.str("entry.0.resource.id") != id {
			t.Errorf("%q in a transaction: %s", criteria, a.clip())
		}
	}
	c.do("POST", "Patient", person("u1"), "If-None-Exist", "Device?identifier=x").check(400)
	// A "?" inside a value is no end of a URL.
	c.do("POST", "Patient", person("u1"), "If-None-Exist", "identifier="+url.QueryEscape(system)+"|u1?x").check(201)
}

// TestSubsetted: R4 search.html, "Summary": a client must not take a resource
// tagged SUBSETTED for the whole one in an update, and a server may refuse it.
func TestSubsetted(t *testing.T) {
	c := serve(t).client()
	id := c.do("POST", "Patient", obj{"resourceType": "Patient", "identifier": list{obj{"system": testSys, "value": "sub"}}, "name": list{obj{"family": "Whole"}}, "birthDate": "1950-01-02"}).want(201).id()
	part := c.do("GET", "Patient/"+id+"?_elements=identifier", nil).want(200)
	tree := part.tree.(obj)
	for what, a := range map[string]*answer{
		"update":             c.do("PUT", "Patient/"+id, part.body),
		"conditional update": c.do("PUT", "Patient?"+query("identifier", testSys+"|sub"), part.body),
		"create":             c.do("POST", "Patient", part.body),
		"transaction":        c.do("POST", "", bundle("transaction", entry("PUT", "Patient/"+id, "resource", tree))),
		"batch":              c.do("POST", "", bundle("batch", entry("PUT", "Patient/"+id, "resource", tree))),
		"patch":              c.do("PATCH", "Patient/"+id, `[{"op":"add","path":"/meta","value":{"tag":[{"system":"http://terminology.hl7.org/CodeSystem/v3-ObservationValue","code":"SUBSETTED"}]}}]`),
	} {
		refusal := a.body
		if what != "batch" {
			a.check(422)
		} else if statuses(a) != "422" {
			t.Errorf("batch: %s", a.clip())
		}
		if !strings.Contains(string(refusal), "SUBSETTED") {
			t.Errorf("%s: the refusal does not say why: %s", what, a.clip())
		}
	}
	if got := c.do("GET", "Patient/"+id, nil).want(200); got.version() != "1" || got.str("birthDate") != "1950-01-02" {
		t.Errorf("the Patient now: %s", got.clip())
	}
}

// TestTransactionReads: R4 http.html#transaction: the actions of a transaction
// succeed or fail together, a read among them as well.
func TestTransactionReads(t *testing.T) {
	c := serve(t).client()
	gone := c.patient("tr-gone")
	c.do("DELETE", "Patient/"+gone, nil).want(204)
	stays := c.patient("tr-stays")
	for name, bad := range map[string]obj{
		"unknown":        entry("GET", "Patient/nobody"),
		"deleted":        entry("GET", "Patient/"+gone),
		"deleted by it":  entry("GET", "Patient/"+stays),
		"no version":     entry("GET", "Patient/"+stays+"/_history/9"),
		"bad search":     entry("GET", "Patient?birthdate=yesterday"),
		"bad operation":  entry("GET", "Observation/$lastn"),
		"no such thing":  entry("GET", "Observation/$nonsense"),
		"bad format":     entry("GET", "Patient/"+stays+"?_format=xml"),
		"changes itself": entry("POST", "Patient/"+stays+"/$meta-add", "resource", obj{"resourceType": "Parameters"}),
	} {
		a := c.do("POST", "", bundle("transaction", entry("POST", "Patient", "resource", person("tr-new")), entry("DELETE", "Patient/"+stays), bad))
		if a.status < 400 || a.str("resourceType") != "OperationOutcome" || !strings.Contains(strings.Join(a.expressions(), " "), "entry[2]") {
			t.Errorf("%s: %d %s", name, a.status, a.clip())
		}
	}
	if n := len(c.all("Patient?identifier=tr-new")); n != 0 {
		t.Errorf("%d Patients of failed transactions", n)
	}
	c.do("GET", "Patient/"+stays, nil).check(200)
	// What the transaction writes can be read in it.
	a := c.do("POST", "", bundle("transaction", entry("GET", "Patient/tr-put"), entry("GET", "Patient?identifier=tr-put"),
		entry("PUT", "Patient/tr-put", "resource", func() obj { p := person("tr-put"); p["id"] = "tr-put"; return p }()))).want(200)
	if statuses(a) != "200 200 201" || a.str("entry.0.resource.id") != "tr-put" || a.str("entry.1.resource.total") != "1" {
		t.Errorf("%s %s", statuses(a), a.clip())
	}
}

// TestTransactionLinks: R4 http.html, "Transaction Processing Rules" and what
// follows them: conditional references are resolved in the last step, so that
// they find what the transaction makes; a reference to a version stays one and
// gets the new number, whatever the client wrote; links in uuid elements are
// replaced too.
func TestTransactionLinks(t *testing.T) {
	c := serve(t).client()
	byMRN := func(v string) string { return "Patient?identifier=" + testSys + "|" + v }
	a := c.do("POST", "", bundle("transaction",
		entry("POST", "Observation", "resource", obsOf("tl1", byMRN("tl1"))),
		entry("POST", "Patient", "resource", person("tl1")))).want(200)
	if got := a.str("entry.0.resource.subject.reference"); got != "Patient/"+a.str("entry.1.resource.id") {
		t.Errorf("a conditional reference to a POST of the transaction: %q", got)
	}
	old := a.str("entry.1.resource.id")
	// One is there, and the transaction makes another: several match.
	c.do("POST", "", bundle("transaction", entry("POST", "Observation", "resource", obsOf("tl1", byMRN("tl1"))), entry("POST", "Patient", "resource", person("tl1")))).check(412)
	// The one that is there is deleted, or loses its identifier; a patch gives it to another.
	other := c.patient("tl-other")
	a = c.do("POST", "", bundle("transaction", entry("POST", "Observation", "resource", obsOf("tl1", byMRN("tl1"))), entry("DELETE", "Patient/"+old),
		entry("PATCH", "Patient/"+other, "resource", obj{"resourceType": "Binary", "contentType": "application/json-patch+json",
			"data": base64.StdEncoding.EncodeToString([]byte(`[{"op":"replace","path":"/identifier/0/value","value":"tl1"}]`))}))).want(200)
	if got := a.str("entry.0.resource.subject.reference"); got != "Patient/"+other {
		t.Errorf("a conditional reference to what a patch makes match: %q", got)
	}
	c.do("POST", "", bundle("transaction", entry("POST", "Observation", "resource", obsOf("tl1", byMRN("tl1"))), entry("DELETE", "Patient/"+other))).check(412)
	// Deletions come before conditional creates.
	a = c.do("POST", "", bundle("transaction", entry("POST", "Patient", "resource", person("tl1"), "ifNoneExist", "identifier="+testSys+"|tl1"), entry("DELETE", "Patient/"+other))).want(200)
	if statuses(a) != "201 204" || a.str("entry.0.resource.id") == other {
		t.Errorf("%s %s", statuses(a), a.clip())
	}

	put := c.patient("tl2")
	c.do("PUT", "Patient/"+put, func() obj { p := person("tl2"); p["id"] = put; return p }()).want(200)
	a = c.do("POST", "", bundle("transaction",
		entry("POST", "Provenance", "resource", obj{"resourceType": "Provenance", "recorded": "2026-01-01T00:00:00Z", "agent": list{obj{"who": obj{"display": "x"}}},
			"target": list{ref(urn(1) + "/_history/7"), ref("Patient/" + put + "/_history/1"), ref(urn(2) + "/_history/1"), ref("Patient/elsewhere/_history/3")}}),
		entry("POST", "Patient", "fullUrl", urn(1), "resource", person("tl3")),
		entry("PUT", "Patient/"+put, "fullUrl", c.base+"/Patient/"+put, "resource", func() obj { p := person("tl2"); p["id"] = put; return p }()),
		entry("POST", "Patient", "fullUrl", urn(2), "resource", person("tl1"), "ifNoneExist", "identifier=tl1"))).want(200)
	for i, want := range []string{"Patient/" + a.str("entry.1.resource.id") + "/_history/1", "Patient/" + put + "/_history/1", "Patient/" + a.str("entry.3.resource.id") + "/_history/1", "Patient/elsewhere/_history/3"} {
		if got := text(a.tree, "entry.0.resource.target."+string(rune('0'+i))+".reference"); got != want {
			t.Errorf("target %d: %q, want %q", i, got, want)
		}
	}
	a = c.do("POST", "", bundle("transaction",
		entry("POST", "Provenance", "fullUrl", c.base+"/Provenance/x", "resource", obj{"resourceType": "Provenance", "recorded": "2026-01-01T00:00:00Z", "agent": list{obj{"who": obj{"display": "x"}}},
			"target": list{ref(c.base + "/Patient/" + put + "/_history/1"), ref("Patient/" + put + "/_history/2")}}),
		entry("PUT", "Patient/"+put, "fullUrl", c.base+"/Patient/"+put, "resource", func() obj { p := person("tl2"); p["id"] = put; return p }()))).want(200)
	for i := range 2 {
		if got := text(a.tree, "entry.0.resource.target."+string(rune('0'+i))+".reference"); got != "Patient/"+put+"/_history/4" {
			t.Errorf("a version-specific reference to an update: %q", got)
		}
	}

	p := person("tl4")
	p["extension"] = list{obj{"url": "http://example.org/link", "valueUuid": urn(5)}, obj{"url": "http://example.org/other", "valueUuid": urn(6)}}
	a = c.do("POST", "", bundle("transaction", entry("POST", "Patient", "resource", p), entry("POST", "Patient", "fullUrl", urn(5), "resource", person("tl5")))).want(200)
	if got := a.str("entry.0.resource.extension.0.valueUuid"); got != "urn:uuid:"+a.str("entry.1.resource.id") {
		t.Errorf("valueUuid %q", got)
	}
	if got := a.str("entry.0.resource.extension.1.valueUuid"); got != urn(6) {
		t.Errorf("another valueUuid became %q", got)
	}
}

// TestConditionalReferencesAlone: R4 http.html#transaction lets conditional
// references stand in transactions; anywhere else nobody would resolve them.
func TestConditionalReferencesAlone(t *testing.T) {
	c := serve(t).client()
	id := c.patient("cra")
	c.do("POST", "Observation", obsOf("cra", "Patient?identifier=cra")).check(422)
	c.do("PUT", "Observation/cra", func() obj { o := obsOf("cra", "Patient?identifier=cra"); o["id"] = "cra"; return o }()).check(422)
	if a := c.do("POST", "", bundle("batch", entry("POST", "Observation", "resource", obsOf("cra", "Patient?identifier=cra")))).want(200); statuses(a) != "422" {
		t.Errorf("batch: %s", a.clip())
	}
	o := c.do("POST", "Observation", obsOf("cra", "Patient/"+id)).want(201).id()
	c.do("PATCH", "Observation/"+o, `[{"op":"replace","path":"/subject/reference","value":"Patient?identifier=cra"}]`).check(422)
}

// TestOperationsAsEntries: R4 http.html#transaction takes operations and
// searches by POST as entries (its own example looks a code up), and metadata
// is one of the interactions; what is no FHIR JSON travels in a Binary.
func TestOperationsAsEntries(t *testing.T) {
	c := serve(t).client()
	b := c.bed("ops", ago(48*time.Hour))
	c.do("POST", "Observation", emptying(b, ago(time.Hour), "12", "mL")).want(201)
	lookup := obj{"resourceType": "Parameters", "parameter": list{obj{"name": "system", "valueUri": local}, obj{"name": "code", "valueCode": "serous"}}}
	form := obj{"resourceType": "Binary", "contentType": "application/x-www-form-urlencoded", "data": base64.StdEncoding.EncodeToString([]byte("identifier=mrn-ops"))}
	for _, kind := range []string{"batch", "transaction"} {
		a := c.do("POST", "", bundle(kind,
			entry("POST", "CodeSystem/$lookup", "resource", lookup),
			entry("GET", "Device/"+b.drain+"/$drain-output?period=total"),
			entry("POST", "Patient/_search?identifier=mrn-ops"),
			entry("POST", "Patient/_search", "resource", form),
			entry("POST", "Patient/_search", "resource", obj{"resourceType": "Parameters", "parameter": list{obj{"name": "identifier", "valueString": "mrn-ops"}}}),
			entry("GET", "metadata"),
			entry("GET", "Device/"+b.drain+"/$chart"),
			entry("GET", "Device/"+b.drain+"/$drain-output?_format=text/csv"),
		)).want(200)
		if statuses(a) != strings.TrimSpace(strings.Repeat("200 ", 8)) {
			t.Fatalf("%s: %s %s", kind, statuses(a), a.clip())
		}
		for path, want := range map[string]string{
			"entry.0.resource.resourceType": "Parameters", "entry.1.resource.resourceType": "Bundle", "entry.2.resource.total": "1", "entry.3.resource.total": "1", "entry.4.resource.total": "1",
			"entry.5.resource.resourceType": "CapabilityStatement", "entry.6.resource.resourceType": "Binary", "entry.6.resource.contentType": "image/svg+xml", "entry.7.resource.resourceType": "Binary",
		} {
			if got := a.str(path); got != want {
				t.Errorf("%s: %s is %q, want %q", kind, path, got, want)
			}
		}
		svg, err := base64.StdEncoding.DecodeString(a.str("entry.6.resource.data"))
		if err != nil || !strings.Contains(string(svg), "<svg") {
			t.Errorf("%s: the picture: %v %.100s", kind, err, svg)
		}
		csv, err := base64.StdEncoding.DecodeString(a.str("entry.7.resource.data"))
		if err != nil || !strings.Contains(string(csv), ",12") {
			t.Errorf("%s: the table: %v %.300s", kind, err, csv)
		}
	}
	if a := c.do("POST", "", bundle("batch", entry("POST", "metadata", "resource", lookup), entry("POST", "Patient/_search", "resource", person("x")))).want(200); statuses(a) != "405 415" {
		t.Errorf("%s", statuses(a))
	}
}
