package blackbox

import (
	"bytes"
	"compress/gzip"
	"fmt"
	"net/http"
	"regexp"
	"strings"
	"testing"
	"time"
)

// A line is one line of the FHIR R4 conformance checklist of the project,
// named by its number.
type line struct {
	no   string
	says string
	test func(t *testing.T, c *client)
}

func runLines(t *testing.T, c *client, lines []line) {
	for _, l := range lines {
		t.Run("line "+l.no+" "+l.says, func(t *testing.T) { l.test(t, c.in(t)) })
	}
}

// patient creates one with an identifier of its own and gives its id.
func (c *client) patient(identifier string) string {
	c.t.Helper()
	return c.do("POST", "Patient", person(identifier)).want(201).id()
}

func person(identifier string) obj {
	return obj{"resourceType": "Patient", "identifier": list{obj{"system": testSys, "value": identifier}}, "name": list{obj{"family": "Probe"}}}
}

// refused posts bodies that break R4 and wants 400 or 422 for each.
func (c *client) refused(typ string, bodies ...string) {
	c.t.Helper()
	for _, b := range bodies {
		if a := c.do("POST", typ, b); a.status != 400 && a.status != 422 {
			c.t.Errorf("%d for %.300s", a.status, b)
		}
	}
}

// kept posts bodies and wants them back as they were.
func (c *client) kept(typ string, bodies ...string) {
	c.t.Helper()
	for _, b := range bodies {
		a := c.do("POST", typ, b)
		if a.check(201) {
			sameButMeta(c.t, b, c.do("GET", typ+"/"+a.id(), nil).want(200))
		}
	}
}

const obsHead = `{"resourceType":"Observation","status":"final","code":{"text":"probe"}`

func obsWith(member string) string { return obsHead + "," + member + "}" }

func TestLinesRouting(t *testing.T) {
	s := serve(t)
	root := strings.TrimSuffix(s.base, "/fhir")
	runLines(t, s.client(), []line{
		{"1", "paths are case-sensitive", func(t *testing.T, c *client) {
			id := c.do("POST", "Patient", person("case")).want(201).id()
			c.do("GET", "patient/"+id, nil).check(404)
			c.do("GET", "PATIENT/"+id, nil).check(404)
			c.do("GET", "Patient/"+strings.ToUpper(id)+"X", nil).check(404)
		}},
		{"2", "unknown type 404, interaction not offered 405 with Allow", func(t *testing.T, c *client) {
			c.do("GET", "Spaceship", nil).check(404)
			c.do("GET", "Spaceship/1", nil).check(404)
			c.do("POST", "Spaceship", obj{"resourceType": "Spaceship"}).check(404)
			c.do("GET", "Medication/1", nil).check(404)
			for _, r := range [][2]string{{"DELETE", "AuditEvent/1"}, {"POST", "DetectedIssue"}, {"PUT", "ValueSet/x"}, {"PATCH", "StructureDefinition/x"}, {"TRACE", "Patient"}} {
				body := any(obj{"resourceType": strings.Split(r[1], "/")[0], "id": "x", "status": "final"})
				if r[0] == "PATCH" {
					body = list{obj{"op": "remove", "path": "/x"}}
				}
				if r[0] == "DELETE" || r[0] == "TRACE" {
					body = nil
				}
				if a := c.do(r[0], r[1], body); a.check(405) && a.header.Get("Allow") == "" {
					t.Errorf("%s: 405 without Allow", a.what)
				}
			}
		}},
		{"3", "the base with and without a slash", func(t *testing.T, c *client) {
			b := obj{"resourceType": "Bundle", "type": "batch", "entry": list{obj{"request": obj{"method": "GET", "url": "Patient?_summary=count"}}}}
			for _, base := range []string{c.base, c.base + "/"} {
				c.do("POST", base, b).check(200)
				a := c.do("GET", base+"?_type=Patient", nil)
				if a.status >= 300 && a.status < 400 {
					t.Errorf("%s: redirected", a.what)
				}
				c.do("GET", base+"/metadata", nil).check(200, 404)
			}
			one, two := c.do("GET", c.base+"?_type=Patient", nil), c.do("GET", c.base+"/?_type=Patient", nil)
			if one.status != two.status {
				t.Errorf("GET of the base: %d and %d", one.status, two.status)
			}
		}},
		{"4", "HEAD answers wherever GET does", func(t *testing.T, c *client) {
			id := c.patient("head")
			for _, p := range []string{"Patient/" + id, "Patient/" + id + "/_history/1", "Patient/" + id + "/_history", "Patient?_id=" + id, "metadata", "Patient/none", "Patient?birthdate=x", root + "/livez"} {
				g, h := c.do("GET", p, nil), c.do("HEAD", p, nil)
				if g.status != h.status || len(h.body) > 0 || g.etag() != h.etag() || g.header.Get("Content-Type") != h.header.Get("Content-Type") {
					t.Errorf("%s: GET %d %q %q, HEAD %d %q %q with %d bytes", p, g.status, g.etag(), g.header.Get("Content-Type"), h.status, h.etag(), h.header.Get("Content-Type"), len(h.body))
				}
			}
		}},
		{"5", "odd ids never reach storage", func(t *testing.T, c *client) {
			for _, id := range []string{"a_b", "a%20b", "a%2Fb", "%2e%2e%2f", strings.Repeat("x", 65), "%00", "ä", "a;b", "'--", "a%25b", "%E2%80%AE", "a\\b"} {
				for _, p := range []string{"Patient/" + id, "Patient/" + id + "/_history", "Patient/" + id + "/$everything", "Patient/" + id + "/Observation"} {
					if a := c.do("GET", p, nil); a.status != 400 && a.status != 404 {
						t.Errorf("%s: %d", a.what, a.status)
					}
				}
				if a := c.do("PUT", "Patient/"+id, person("x")); a.status != 400 && a.status != 404 {
					t.Errorf("%s: %d", a.what, a.status)
				}
			}
			c.do("GET", "Patient/"+strings.Repeat("x", 64), nil).check(404)
		}},
		{"6", "request ids", func(t *testing.T, c *client) {
			if a := c.do("GET", "Patient/none", nil, "X-Request-Id", "req-77", "X-Correlation-Id", "corr-9"); a.header.Get("X-Request-Id") != "req-77" || a.header.Get("X-Correlation-Id") != "corr-9" {
				t.Errorf("echo: %q %q", a.header.Get("X-Request-Id"), a.header.Get("X-Correlation-Id"))
			}
			one, two := c.do("GET", "Patient/none", nil).header.Get("X-Request-Id"), c.do("GET", "Patient/none", nil).header.Get("X-Request-Id")
			if one == "" || one == two {
				t.Errorf("ids of ours: %q and %q", one, two)
			}
			if a := c.do("GET", "metadata", nil, "X-Request-Id", "<script>"); strings.Contains(a.header.Get("X-Request-Id"), "<") {
				t.Errorf("a bad id is echoed: %q", a.header.Get("X-Request-Id"))
			}
		}},
		{"7", "query strings are UTF-8, + is a blank", func(t *testing.T, c *client) {
			p := c.do("POST", "Patient", `{"resourceType":"Patient","name":[{"text":"Änne von Weiß"}]}`).want(201).id()
			for _, q := range []string{"name=%C3%84nne+von+Wei%C3%9F", "name=%C3%84nne%20von%20Wei%C3%9F", "name:exact=Änne%20von%20Weiß"} {
				if got := c.do("GET", "Patient?"+q, nil).want(200).ids("match"); len(got) != 1 {
					t.Errorf("%s: %v", q, got)
				}
			}
			o := c.do("POST", "Observation", note(p, "zone", "2026-02-01T10:00:00+01:00", nil)).want(201).id()
			for q, n := range map[string]int{"date=ge2026-02-01T10:00:00%2B01:00": 1, "date=gt2026-02-01T10:00:00%2B01:00": 0, "date=2026-02-01T09:00:00Z": 1} {
				if got := c.do("GET", "Observation?_id="+o+"&"+q, nil).want(200).ids("match"); len(got) != n {
					t.Errorf("%s: %v", q, got)
				}
			}
			if a := c.do("GET", "Observation?date=ge2026-02-01T10:00:00+01:00", nil); a.status != 400 {
				t.Errorf("a blank in a date: %d", a.status)
			}
		}},
	})
}

func TestLinesNegotiation(t *testing.T) {
	s := serve(t)
	c := s.client()
	id := c.patient("formats")
	runLines(t, c, []line{
		{"8", "application/fhir+json, UTF-8, no BOM", func(t *testing.T, c *client) {
			for _, p := range []string{"Patient/" + id, "Patient", "Patient/none", "metadata", "Patient/" + id + "/_history"} {
				a := c.do("GET", p, nil)
				if ct := a.header.Get("Content-Type"); ct != "application/fhir+json" && !strings.EqualFold(ct, "application/fhir+json; charset=utf-8") {
					t.Errorf("%s: Content-Type %q", p, ct)
				}
				if bytes.HasPrefix(a.body, []byte("\xef\xbb\xbf")) {
					t.Errorf("%s: BOM", p)
				}
			}
		}},
		{"9", "what means JSON", func(t *testing.T, c *client) {
			for _, accept := range []string{"", "application/json", "text/json", "*/*", "application/*", "application/fhir+json;charset=utf-8", "application/fhir+xml;q=0.9, application/fhir+json;q=0.5",
				"text/html,application/xhtml+xml,*/*;q=0.1", "application/fhir+json,application/json", "APPLICATION/JSON"} {
				c.do("GET", "Patient/"+id, nil, "Accept", accept).check(200)
			}
		}},
		{"10", "formats we lack are 406", func(t *testing.T, c *client) {
			for _, accept := range []string{"application/fhir+xml", "text/turtle", "image/png", "application/xml", "application/fhir+xml, text/turtle;q=0.5", "application/fhir+json;q=0"} {
				if a := c.do("GET", "Patient/"+id, nil, "Accept", accept); !a.check(406) || a.str("resourceType") != "OperationOutcome" {
					t.Errorf("%s: %s", accept, a.clip())
				}
			}
		}},
		{"11", "bodies we do not read are 415", func(t *testing.T, c *client) {
			before := c.do("GET", "Patient?_summary=count", nil).str("total")
			for _, ct := range []string{"text/plain", "application/fhir+xml", "application/xml", "", "multipart/form-data", "application/x-www-form-urlencoded", "junk"} {
				c.do("POST", "Patient", person("media"), "Content-Type", ct).check(415)
				c.do("PUT", "Patient/media", `{"resourceType":"Patient","id":"media"}`, "Content-Type", ct).check(415)
			}
			if after := c.do("GET", "Patient?_summary=count", nil).str("total"); after != before {
				t.Errorf("%s Patients became %s", before, after)
			}
			for _, ct := range []string{"application/json", "application/fhir+json; charset=utf-8", "application/json;charset=UTF-8"} {
				c.do("POST", "Patient", person("media-"+ct), "Content-Type", ct).check(201)
			}
		}},
		{"12", "_format overrides Accept", func(t *testing.T, c *client) {
			for _, f := range []string{"json", "application/json", "application/fhir%2Bjson", "application/fhir+json", "text/json"} {
				c.do("GET", "Patient/"+id+"?_format="+f, nil, "Accept", "application/fhir+xml").check(200)
			}
			for _, f := range []string{"xml", "application/fhir%2Bxml", "ttl", "html", "nonsense"} {
				c.do("GET", "Patient/"+id+"?_format="+f, nil).check(406)
				c.do("GET", "metadata?_format="+f, nil).check(406)
			}
			c.do("POST", "Patient?_format=json", person("x"), "Content-Type", "text/plain").check(415)
		}},
		{"13", "fhirVersion", func(t *testing.T, c *client) {
			c.do("GET", "Patient/"+id, nil, "Accept", "application/fhir+json; fhirVersion=4.0").check(200)
			c.do("GET", "Patient/"+id, nil, "Accept", "application/fhir+json; fhirVersion=5.0").check(406)
			c.do("POST", "Patient", person("v4"), "Content-Type", "application/fhir+json; fhirVersion=4.0").check(201)
			c.do("POST", "Patient", person("v5"), "Content-Type", "application/fhir+json; fhirVersion=5.0").check(415)
			if a := c.do("POST", "Patient", person("mixed"), "Content-Type", "application/fhir+json; fhirVersion=4.0", "Accept", "application/fhir+json; fhirVersion=3.0"); a.status < 400 {
				t.Errorf("different versions in the two headers: %d", a.status)
			}
		}},
		{"14", "gzip both ways", func(t *testing.T, c *client) {
			big := c.do("POST", "Patient", obj{"resourceType": "Patient", "name": list{obj{"text": strings.Repeat("lang ", 2000)}}}).want(201)
			plain, packed := c.do("GET", "Patient/"+big.id(), nil), c.do("GET", "Patient/"+big.id(), nil, "Accept-Encoding", "gzip")
			if packed.header.Get("Content-Encoding") != "gzip" || plain.header.Get("Content-Encoding") != "" || plain.etag() != packed.etag() || !bytes.Equal(plain.body, packed.body) {
				t.Errorf("gzip: %q %q %s %s", plain.header.Get("Content-Encoding"), packed.header.Get("Content-Encoding"), plain.etag(), packed.etag())
			}
			if a := c.do("GET", "Patient/"+big.id(), nil, "Accept-Encoding", "gzip;q=0"); a.header.Get("Content-Encoding") != "" {
				t.Error("gzip;q=0 gets gzip")
			}
			var z bytes.Buffer
			w := gzip.NewWriter(&z)
			fmt.Fprint(w, `{"resourceType":"Patient"}`)
			w.Close()
			if a := c.do("POST", "Patient", z.Bytes(), "Content-Encoding", "gzip"); a.status != 201 && a.status != 415 {
				t.Errorf("a gzip body: %d", a.status)
			}
			c.do("POST", "Patient", `{"resourceType":"Patient"}`, "Content-Encoding", "gzip").check(400, 415)
			c.do("POST", "Patient", `{"resourceType":"Patient"}`, "Content-Encoding", "br").check(415)
			c.do("POST", "Patient", z.Bytes()[:z.Len()-6], "Content-Encoding", "gzip").check(400)
		}},
	})
}

func TestLinesJSON(t *testing.T) {
	s := serve(t, "--max-body", "3000000")
	c := s.client()
	decimal := func(d string) string { return obsWith(`"valueQuantity":{"value":` + d + `}`) }
	runLines(t, c, []line{
		{"15", "decimals keep their digits", func(t *testing.T, c *client) {
			for _, d := range []string{"1.0", "1.00", "72.50", "1E-22", "1.000000000000000000E-245", "123456789012345678901234567890", "-0.0", "0", "0.1", "1e3", "1.5E+2", "0.0000000000000000000000000000001", "9007199254740993"} {
				a := c.do("POST", "Observation", decimal(d))
				if !a.check(201) {
					continue
				}
				if g := c.do("GET", "Observation/"+a.id(), nil); !regexp.MustCompile(`"value":` + regexp.QuoteMeta(d) + `[},]`).Match(g.body) {
					t.Errorf("%s comes back in %s", d, g.clip())
				}
			}
		}},
		{"16", "what is no decimal", func(t *testing.T, c *client) {
			for _, d := range []string{`"72.5"`, "NaN", "Infinity", "01", "+1", ".5", "1.", "0x10", "true", "--1", "1e", "1_000"} {
				c.refused("Observation", decimal(d))
			}
		}},
		{"17", "integers", func(t *testing.T, c *client) {
			for _, i := range []string{"3.0", "3.5", "2147483648", "-2147483649", `"3"`, "1e1"} {
				c.refused("Observation", obsWith(`"valueInteger":`+i))
			}
			c.kept("Observation", obsWith(`"valueInteger":2147483647`), obsWith(`"valueInteger":-2147483648`))
			c.refused("Patient", `{"resourceType":"Patient","telecom":[{"system":"phone","value":"1","rank":0}]}`, `{"resourceType":"Patient","telecom":[{"system":"phone","value":"1","rank":-1}]}`,
				`{"resourceType":"Patient","photo":[{"size":-1}]}`)
			c.kept("Patient", `{"resourceType":"Patient","telecom":[{"system":"phone","value":"1","rank":1}]}`, `{"resourceType":"Patient","photo":[{"size":0,"contentType":"image/png"}]}`)
		}},
		{"18", "primitive extensions", func(t *testing.T, c *client) {
			c.kept("Patient",
				`{"resourceType":"Patient","birthDate":"1970-03-30","_birthDate":{"extension":[{"url":"http://hl7.org/fhir/StructureDefinition/patient-birthTime","valueDateTime":"1970-03-30T12:01:00+02:00"}]}}`,
				`{"resourceType":"Patient","_birthDate":{"extension":[{"url":"http://example.org/why","valueString":"unknown"}]}}`,
				`{"resourceType":"Patient","name":[{"_given":[{"extension":[{"url":"http://example.org/x","valueCode":"masked"}]}]}]}`)
			gap := *c
			gap.unvalidated = "google/fhir does not take the null that R4's JSON page puts beside an extension"
			gap.kept("Patient", `{"resourceType":"Patient","name":[{"given":["A",null,"C"],"_given":[null,{"extension":[{"url":"http://example.org/x","valueCode":"masked"}]},{"id":"g3"}]}]}`)
			c.kept("Observation", obsWith(`"_effectiveDateTime":{"extension":[{"url":"http://hl7.org/fhir/StructureDefinition/data-absent-reason","valueCode":"unknown"}]}`))
		}},
		{"19", "null", func(t *testing.T, c *client) {
			c.refused("Patient", `{"resourceType":"Patient","birthDate":null}`, `{"resourceType":"Patient","name":null}`, `{"resourceType":"Patient","name":[null]}`, `{"resourceType":"Patient","name":[{"given":["A",null]}]}`,
				`{"resourceType":"Patient","name":[{"given":["A"],"_given":[null]}]}`, `null`)
		}},
		{"20", "empty things", func(t *testing.T, c *client) {
			c.refused("Patient", `{"resourceType":"Patient","name":[]}`, `{"resourceType":"Patient","name":[{}]}`, `{"resourceType":"Patient","name":[{"family":""}]}`, `{"resourceType":"Patient","maritalStatus":{}}`,
				`{"resourceType":"Patient","name":[{"given":[""]}]}`, `{"resourceType":"Patient","_birthDate":{}}`, `{"resourceType":"Patient","extension":[]}`, `{"resourceType":"Patient","contained":[]}`)
		}},
		{"21", "unknown elements are named", func(t *testing.T, c *client) {
			for body, path := range map[string]string{
				`{"resourceType":"Patient","colour":"red"}`:                        "Patient.colour",
				`{"resourceType":"Patient","name":[{"family":"A"},{"famly":"B"}]}`: "Patient.name[1].famly",
				`{"resourceType":"Patient","contained":[{"resourceType":"Organization","id":"o","colour":"red"}],"managingOrganization":{"reference":"#o"}}`: "colour",
				`{"resourceType":"Patient","_colour":{"id":"x"}}`: "colour",
				`{"resourceType":"Patient","valueString":"x"}`:    "valueString",
			} {
				a := c.do("POST", "Patient", body)
				if a.status != 400 && a.status != 422 {
					t.Errorf("%d for %s", a.status, body)
				} else if !strings.Contains(strings.Join(a.expressions(), " ")+a.diagnostics(), path) {
					t.Errorf("%s: %s is not named: %s", body, path, a.clip())
				}
			}
			b := c.do("POST", "", obj{"resourceType": "Bundle", "type": "batch", "entry": list{obj{"resource": obj{"resourceType": "Patient", "colour": "red"}, "request": obj{"method": "POST", "url": "Patient"}}}}).want(200)
			if st := b.str("entry.0.response.status"); !strings.HasPrefix(st, "4") || !strings.Contains(b.clip(), "colour") {
				t.Errorf("inside a Bundle: %s", b.clip())
			}
		}},
		{"22", "contained resources", func(t *testing.T, c *client) {
			c.kept("Patient", `{"resourceType":"Patient","contained":[{"resourceType":"Organization","id":"org1","name":"Ward","extension":[{"url":"http://example.org/e","valueDecimal":1.50}]}],"managingOrganization":{"reference":"#org1"}}`)
			c.refused("Patient", `{"resourceType":"Patient","contained":[{"resourceType":"Organization","id":"a","contained":[{"resourceType":"Organization","id":"b","name":"x"}],"partOf":{"reference":"#b"}}],"managingOrganization":{"reference":"#a"}}`,
				`{"resourceType":"Patient","contained":[{"resourceType":"Organization","id":"a","name":"x","meta":{"versionId":"3"}}],"managingOrganization":{"reference":"#a"}}`,
				`{"resourceType":"Patient","contained":[{"resourceType":"Organization","id":"a","name":"x","meta":{"security":[{"code":"R"}]}}],"managingOrganization":{"reference":"#a"}}`)
		}},
		{"23", "unknown extensions are kept", func(t *testing.T, c *client) {
			c.kept("Patient", `{"resourceType":"Patient","extension":[{"url":"http://example.org/unheard","extension":[{"url":"a","valueDecimal":1.500},{"url":"b","valuePeriod":{"start":"2026"}}]}]}`)
			if a := c.do("POST", "Patient", `{"resourceType":"Patient","modifierExtension":[{"url":"http://example.org/not-really","valueBoolean":true}]}`); a.status != 201 && a.status != 400 && a.status != 422 {
				t.Errorf("modifierExtension: %d", a.status)
			}
		}},
		{"24", "duplicate keys; members in any order", func(t *testing.T, c *client) {
			c.refused("Patient", `{"resourceType":"Patient","active":true,"active":false}`, `{"resourceType":"Patient","resourceType":"Patient"}`, `{"resourceType":"Patient","name":[{"family":"A","family":"B"}]}`)
			c.kept("Patient", `{"active":true,"name":[{"family":"A"}],"resourceType":"Patient"}`)
		}},
		{"25", "narrative", func(t *testing.T, c *client) {
			div := func(s string) string {
				return `{"resourceType":"Patient","text":{"status":"generated","div":"<div xmlns=\"http://www.w3.org/1999/xhtml\">` + s + `</div>"}}`
			}
			c.kept("Patient", div(`<p>A &lt; B, <b>fett</b> &#228; <a href=\"#x\">y</a></p><table><tr><td>1</td></tr></table>`))
			for _, bad := range []string{`<script>alert(1)</script>`, `<p onclick=\"x()\">a</p>`, `<form><input/></form>`, `<link rel=\"stylesheet\" href=\"http://x\"/>`, `<iframe src=\"http://x\"/>`, `<object/>`, `<a href=\"javascript:x()\">a</a>`} {
				c.refused("Patient", div(bad))
			}
			c.refused("Patient", `{"resourceType":"Patient","text":{"status":"generated","div":"<p>no div</p>"}}`, `{"resourceType":"Patient","text":{"status":"generated","div":"plain"}}`, `{"resourceType":"Patient","text":{"status":"generated"}}`, div(``), div(`   `), div(`<p>`))
		}},
		{"26", "dateTime", func(t *testing.T, c *client) {
			at := func(d string) string { return obsWith(`"effectiveDateTime":"` + d + `"`) }
			for _, d := range []string{"2026", "2026-02", "2024-02-29", "2026-02-01T10:00:00Z", "2026-02-01T10:00:00.123456+05:30", "2026-02-01T10:00:00-14:00"} {
				c.kept("Observation", at(d))
			}
			leap := *c
			leap.unvalidated = "google/fhir does not know the leap second, which R4's pattern allows"
			leap.kept("Observation", at("2016-12-31T23:59:60Z"))
			for _, d := range []string{"2026-02-01T10:00:00", "2026-02-01T10:00Z", "2026-02-01T24:00:00Z", "2026-02-30", "2026-02-30T10:00:00Z", "2026-13", "2026-00", "26", "2026-2-1", "2026-02-01T10:00:00+14:01", "2026-02-01T10:00:00+15:00", "2026-02-01 10:00:00Z", "2025-02-29", "2026-02-01T", "yesterday", "2026-02-01T10:00:00z", "0000"} {
				c.refused("Observation", at(d))
			}
		}},
		{"27", "instant, date, time", func(t *testing.T, c *client) {
			c.kept("Observation", obsWith(`"issued":"2026-02-01T10:00:00.5+01:00"`), obsWith(`"valueTime":"10:30:00"`))
			c.refused("Observation", obsWith(`"issued":"2026-02-01"`), obsWith(`"issued":"2026-02-01T10:00:00"`), obsWith(`"issued":"2026-02-01T10:00Z"`), obsWith(`"valueTime":"10:30:00Z"`), obsWith(`"valueTime":"10:30"`), obsWith(`"valueTime":"25:00:00"`))
			c.refused("Patient", `{"resourceType":"Patient","birthDate":"2026-02-01T10:00:00Z"}`, `{"resourceType":"Patient","birthDate":"2026-02-30"}`)
		}},
		{"28", "precision and zone stay", func(t *testing.T, c *client) {
			c.kept("Observation", obsWith(`"effectiveDateTime":"2026-02"`), obsWith(`"effectiveDateTime":"2026-02-01T10:00:00+01:00"`), obsWith(`"effectivePeriod":{"start":"2026","end":"2026-02-01T10:00:00.10-00:00"}`))
		}},
		{"29", "code, uri, string, id, oid, uuid", func(t *testing.T, c *client) {
			c.refused("Observation", `{"resourceType":"Observation","status":" final","code":{"text":"x"}}`, obsWith(`"code2":1`), obsWith(`"category":[{"coding":[{"code":"a  b"}]}]`), obsWith(`"category":[{"coding":[{"code":"a "}]}]`),
				obsWith(`"category":[{"coding":[{"system":"http://a b","code":"c"}]}]`), obsWith(`"valueString":"a\u0000b"`), obsWith(`"valueString":"a\u0007b"`), `{"resourceType":"Observation","id":"a_b","status":"final","code":{"text":"a\u0001"}}`)
			c.kept("Observation", obsWith(`"valueString":"a\tb\r\nc"`), obsWith(`"category":[{"coding":[{"system":"http://a/b?c=d#e","code":"a b"}]}]`), obsWith(`"valueString":"\u00e4 \ud83d\ude80 \"quoted\" \\ / "`))
			c.refused("Observation", obsWith(`"valueString":"half \ud83d"`), obsWith("\"valueString\":\"bad \xff utf-8\""))
		}},
		{"30", "1 MB strings; the limit is 413", func(t *testing.T, c *client) {
			a := c.do("POST", "Observation", obsWith(`"valueString":"`+strings.Repeat("x", 1<<20-1000)+`"`))
			a.check(201)
			a = c.do("POST", "Observation", obsWith(`"valueString":"`+strings.Repeat("x", 3<<20)+`"`))
			if a.check(413) && a.str("resourceType") != "OperationOutcome" {
				t.Error(a.clip())
			}
		}},
		{"31", "choice elements", func(t *testing.T, c *client) {
			c.refused("Observation", obsWith(`"valueString":"a","valueInteger":1`), obsWith(`"effectiveDateTime":"2026","effectivePeriod":{"start":"2026"}`), obsWith(`"valueAddress":{"text":"x"}`), obsWith(`"value":"x"`), obsWith(`"valueMoney":{"value":1}`),
				obsWith(`"_valueString":{"id":"a"},"valueInteger":1`), obsWith(`"component":[{"code":{"text":"c"},"valueString":"a","valueBoolean":true}]`))
			c.refused("Patient", `{"resourceType":"Patient","deceasedBoolean":true,"deceasedDateTime":"2026"}`)
		}},
		{"32", "required bindings, not the others", func(t *testing.T, c *client) {
			c.refused("Observation", `{"resourceType":"Observation","status":"done","code":{"text":"x"}}`, `{"resourceType":"Observation","status":"FINAL","code":{"text":"x"}}`, obsWith(`"valueQuantity":{"value":1,"comparator":"~"}`))
			c.refused("Patient", `{"resourceType":"Patient","name":[{"use":"pet","family":"x"}]}`, `{"resourceType":"Patient","gender":"M"}`, `{"resourceType":"Patient","contact":[{"name":{"family":"x"},"gender":"f"}]}`)
			c.kept("Observation", obsWith(`"category":[{"coding":[{"system":"http://example.org/mine","code":"odd"}]}],"interpretation":[{"coding":[{"code":"very"}]}]`))
		}},
		{"33", "invariants", func(t *testing.T, c *client) {
			for name, b := range map[string]string{
				"obs-3": obsWith(`"referenceRange":[{"id":"r"}]`), "obs-6": obsWith(`"valueString":"a","dataAbsentReason":{"text":"b"}`),
				"obs-7": `{"resourceType":"Observation","status":"final","code":{"coding":[{"system":"http://s","code":"a"}]},"valueString":"x","component":[{"code":{"coding":[{"system":"http://s","code":"a"}]},"valueString":"y"}]}`,
				"qty-3": obsWith(`"valueQuantity":{"value":1,"code":"mL"}`), "per-1": obsWith(`"effectivePeriod":{"start":"2026-02-02","end":"2026-02-01"}`),
				"ext-1": obsWith(`"extension":[{"url":"http://x","valueString":"a","extension":[{"url":"b","valueString":"c"}]}]`), "ext-1 none": obsWith(`"extension":[{"url":"http://x"}]`),
				"ref-1": obsWith(`"subject":{"reference":"#nobody"}`),
				"rng-2": obsWith(`"valueRange":{"low":{"value":2},"high":{"value":1}}`), "rat-1": obsWith(`"valueRatio":{"numerator":{"value":1}}`),
			} {
				a := c.do("POST", "Observation", b)
				if a.status != 400 && a.status != 422 {
					t.Errorf("%s: %d for %s", name, a.status, b)
				}
			}
			c.refused("Patient", `{"resourceType":"Patient","contact":[{"gender":"male"}]}`, `{"resourceType":"Patient","telecom":[{"value":"1"}]}`)
		}},
	})
}

var location = regexp.MustCompile(`/fhir/(\w+)/([A-Za-z0-9.-]{1,64})/_history/(\d+)$`)

func TestLinesCreateAndRead(t *testing.T) {
	s := serve(t)
	runLines(t, s.client(), []line{
		{"34", "201 and Location", func(t *testing.T, c *client) {
			a := c.do("POST", "Patient", person("34")).want(201)
			m := location.FindStringSubmatch(a.header.Get("Location"))
			if m == nil || m[1] != "Patient" || m[2] != a.id() || m[3] != "1" || !strings.HasPrefix(a.header.Get("Location"), c.base) {
				t.Errorf("Location %q", a.header.Get("Location"))
			}
			c.do("GET", a.header.Get("Location"), nil).check(200)
		}},
		{"35", "ETag and Last-Modified are those of meta", func(t *testing.T, c *client) {
			a := c.do("POST", "Patient", person("35")).want(201)
			for _, x := range []*answer{a, c.do("GET", "Patient/"+a.id(), nil).want(200)} {
				last, err := time.Parse(time.RFC3339, x.str("meta.lastUpdated"))
				if err != nil || x.etag() != `W/"1"` || x.version() != "1" || x.header.Get("Last-Modified") != last.UTC().Format(http.TimeFormat) {
					t.Errorf("%s: %q %q against %s", x.what, x.etag(), x.header.Get("Last-Modified"), x.str("meta"))
				}
			}
		}},
		{"36", "the client's id and version are ignored", func(t *testing.T, c *client) {
			p := person("36")
			p["id"], p["meta"] = "mine", obj{"versionId": "77", "lastUpdated": "2001-01-01T00:00:00Z"}
			a := c.do("POST", "Patient", p).want(201)
			if a.id() == "mine" || a.version() != "1" || strings.HasPrefix(a.str("meta.lastUpdated"), "2001") {
				t.Error(a.clip())
			}
			c.do("GET", "Patient/mine", nil).check(404)
		}},
		{"37", "other meta is kept", func(t *testing.T, c *client) {
			c.kept("Patient", `{"resourceType":"Patient","meta":{"source":"http://example.org/app","profile":["http://example.org/p1"],"security":[{"system":"http://terminology.hl7.org/CodeSystem/v3-Confidentiality","code":"R"}],"tag":[{"system":"http://t","code":"x","display":"X"}],"extension":[{"url":"http://example.org/m","valueString":"v"}]}}`)
		}},
		{"38", "resourceType and URL", func(t *testing.T, c *client) {
			c.do("POST", "Patient", obj{"resourceType": "Device"}).check(400)
			c.do("PUT", "Patient/x", obj{"resourceType": "Device", "id": "x"}).check(400)
			c.do("POST", "Patient", obj{"id": "x"}).check(400)
			c.do("POST", "Patient", obj{"resourceType": 7}).check(400)
		}},
		{"39", "not JSON is 400, a broken rule 422", func(t *testing.T, c *client) {
			for _, b := range []string{"", "x", "{", `{"resourceType":"Patient"`, `[]`, `"Patient"`, `7`, `{"resourceType":"Patient"}{}`, "{\"resourceType\":\"Patient\",}", "\x00", `{'resourceType':'Patient'}`} {
				if a := c.do("POST", "Patient", []byte(b)); a.status != 400 {
					t.Errorf("%q: %d", b, a.status)
				}
			}
		}},
		{"40", "POST to an id is 405, a posted Bundle is not executed", func(t *testing.T, c *client) {
			c.do("POST", "Patient/x", person("x")).check(405)
			b := obj{"resourceType": "Bundle", "type": "transaction", "entry": list{obj{"resource": person("line40"), "request": obj{"method": "POST", "url": "Patient"}}}}
			if a := c.do("POST", "Bundle", b); a.status < 400 && a.str("type") == "transaction-response" {
				t.Error("POST [base]/Bundle executed it")
			}
			if n := len(c.all("Patient?identifier=line40")); n != 0 {
				t.Errorf("POST [base]/Bundle made %d Patients", n)
			}
		}},
		{"41", "return=minimal", func(t *testing.T, c *client) {
			a := c.do("POST", "Patient", person("41"), "Prefer", "return=minimal").want(201)
			if len(a.body) > 0 || a.header.Get("Location") == "" || a.etag() == "" {
				t.Errorf("%v %s", a.header, a.body)
			}
			id := location.FindStringSubmatch(a.header.Get("Location"))[2]
			u := c.do("PUT", "Patient/"+id, obj{"resourceType": "Patient", "id": id}, "Prefer", "return=minimal").want(200)
			if len(u.body) > 0 || u.etag() != `W/"2"` {
				t.Errorf("%v %s", u.header, u.body)
			}
		}},
		{"42", "return=representation", func(t *testing.T, c *client) {
			a := c.do("POST", "Patient", person("42"), "Prefer", "return=representation").want(201)
			if a.str("resourceType") != "Patient" || a.id() == "" || a.version() != "1" {
				t.Error(a.clip())
			}
		}},
		{"43", "return=OperationOutcome", func(t *testing.T, c *client) {
			if a := c.do("POST", "Patient", person("43"), "Prefer", "return=OperationOutcome").want(201); a.str("resourceType") != "OperationOutcome" {
				t.Error(a.clip())
			}
		}},
		{"44", "without Prefer the representation", func(t *testing.T, c *client) {
			for range 2 {
				if a := c.do("POST", "Patient", person("44")).want(201); a.str("resourceType") != "Patient" {
					t.Error(a.clip())
				}
			}
		}},
		{"45", "failures are OperationOutcomes whatever Prefer says", func(t *testing.T, c *client) {
			for _, p := range []string{"return=minimal", "return=representation"} {
				if a := c.do("POST", "Patient", `{"resourceType":"Patient","gender":"x"}`, "Prefer", p); a.status < 400 || a.str("resourceType") != "OperationOutcome" {
					t.Errorf("%s: %d %s", p, a.status, a.clip())
				}
			}
		}},
		{"46", "several preferences", func(t *testing.T, c *client) {
			for _, h := range [][]string{{"Prefer", "return=minimal, handling=strict"}, {"Prefer", "handling=strict; return=minimal"}, {"Prefer", "handling=strict", "Prefer", "return=minimal"}} {
				if a := c.do("POST", "Patient", person("46"), h...).want(201); len(a.body) > 0 {
					t.Errorf("%v: return=minimal is not read", h)
				}
				c.do("GET", "Patient?nonsense=1", nil, h...).check(400)
			}
		}},
		{"47", "read", func(t *testing.T, c *client) {
			id := c.patient("47")
			a := c.do("GET", "Patient/"+id, nil).want(200)
			if a.id() != id || a.etag() == "" || a.header.Get("Last-Modified") == "" {
				t.Errorf("%v %s", a.header, a.clip())
			}
		}},
		{"48", "unknown 404, deleted 410", func(t *testing.T, c *client) {
			c.do("GET", "Patient/nobody", nil).check(404)
			id := c.patient("48")
			c.do("DELETE", "Patient/"+id, nil).want(200, 204)
			c.do("GET", "Patient/"+id, nil).check(410)
		}},
		{"49", "vread", func(t *testing.T, c *client) {
			id := c.patient("49")
			c.do("PUT", "Patient/"+id, obj{"resourceType": "Patient", "id": id, "active": true}).want(200)
			c.do("DELETE", "Patient/"+id, nil).want(200, 204)
			for v, family := range map[string]string{"1": "Probe", "2": ""} {
				a := c.do("GET", "Patient/"+id+"/_history/"+v, nil).want(200)
				if a.version() != v || a.etag() != `W/"`+v+`"` || a.str("name.0.family") != family {
					t.Error(a.clip())
				}
			}
			c.do("GET", "Patient/"+id+"/_history/3", nil).check(410)
			for _, v := range []string{"4", "0", "-1", "x", "99999999999999999999", "1.0"} {
				c.do("GET", "Patient/"+id+"/_history/"+v, nil).check(404, 400)
			}
			c.do("GET", "Patient/nobody/_history/1", nil).check(404)
		}},
		{"50", "If-None-Match", func(t *testing.T, c *client) {
			id := c.patient("50")
			for _, h := range []string{`W/"1"`, `W/"7", W/"1"`, "*"} {
				if a := c.do("GET", "Patient/"+id, nil, "If-None-Match", h); a.check(304) && len(a.body) > 0 {
					t.Error("304 with a body")
				}
			}
			c.do("GET", "Patient/"+id, nil, "If-None-Match", `W/"2"`).check(200)
		}},
		{"51", "If-Modified-Since", func(t *testing.T, c *client) {
			id := c.patient("51")
			last := c.do("GET", "Patient/"+id, nil).header.Get("Last-Modified")
			c.do("GET", "Patient/"+id, nil, "If-Modified-Since", last).check(304)
			c.do("GET", "Patient/"+id, nil, "If-Modified-Since", "Mon, 01 Jan 2001 00:00:00 GMT").check(200)
			c.do("GET", "Patient/"+id, nil, "If-Modified-Since", last, "If-None-Match", `W/"9"`).check(200)
			c.do("GET", "Patient/"+id, nil, "If-Modified-Since", "rubbish").check(200)
		}},
		{"52", "strong ETags compare equal", func(t *testing.T, c *client) {
			id := c.patient("52")
			c.do("GET", "Patient/"+id, nil, "If-None-Match", `"1"`).check(304)
			c.do("PUT", "Patient/"+id, obj{"resourceType": "Patient", "id": id}, "If-Match", `"1"`).check(200)
		}},
	})
}

func TestLinesUpdatePatchDelete(t *testing.T) {
	s := serve(t)
	bare := func(id string) obj { return obj{"resourceType": "Patient", "id": id} }
	runLines(t, s.client(), []line{
		{"53", "PUT updates and creates", func(t *testing.T, c *client) {
			a := c.do("PUT", "Patient/p53", bare("p53")).want(201)
			if a.version() != "1" || !strings.HasSuffix(a.header.Get("Location"), "/Patient/p53/_history/1") {
				t.Errorf("%v %s", a.header, a.clip())
			}
			p := bare("p53")
			p["active"] = true
			b := c.do("PUT", "Patient/p53", p).want(200)
			if b.version() != "2" || b.etag() != `W/"2"` || !strings.HasSuffix(b.header.Get("Location"), "/_history/2") {
				t.Errorf("%v %s", b.header, b.clip())
			}
		}},
		{"54", "an id that breaks the pattern", func(t *testing.T, c *client) {
			c.do("PUT", "Patient/p_54", bare("p_54")).check(400)
		}},
		{"55", "body without id or with another", func(t *testing.T, c *client) {
			c.do("PUT", "Patient/p55", obj{"resourceType": "Patient"}).check(400)
			c.do("PUT", "Patient/p55", bare("other")).check(400)
			c.do("GET", "Patient/p55", nil).check(404)
		}},
		{"56", "If-Match", func(t *testing.T, c *client) {
			id := c.patient("56")
			c.do("PUT", "Patient/"+id, bare(id), "If-Match", `W/"2"`).check(412)
			c.do("PUT", "Patient/p56-new", bare("p56-new"), "If-Match", `W/"1"`).check(412)
			for _, m := range []string{"rubbish", `W/"x"`, `W/"-1"`, `""`} {
				c.do("PUT", "Patient/"+id, bare(id), "If-Match", m).check(400, 412)
			}
			if a := c.do("GET", "Patient/"+id, nil); a.version() != "1" {
				t.Errorf("a refused update made version %s", a.version())
			}
			c.do("PUT", "Patient/"+id, bare(id), "If-Match", `W/"1"`).check(200)
		}},
		{"59", "PUT brings a deleted resource back", func(t *testing.T, c *client) {
			id := c.patient("59")
			c.do("DELETE", "Patient/"+id, nil).want(200, 204)
			a := c.do("PUT", "Patient/"+id, bare(id)).want(200, 201)
			if a.version() != "3" {
				t.Errorf("version %s", a.version())
			}
			c.do("GET", "Patient/"+id, nil).check(200)
			if got := c.all("Patient?_id=" + id); len(got) != 1 {
				t.Errorf("found %v", got)
			}
		}},
		{"60", "identical content is answered one way", func(t *testing.T, c *client) {
			c.do("PUT", "Patient/p60", bare("p60")).want(201)
			one, two := c.do("PUT", "Patient/p60", bare("p60")).want(200), c.do("PUT", "Patient/p60", bare("p60")).want(200)
			if (one.version() == "1") != (two.version() == "1") {
				t.Errorf("versions %s and %s", one.version(), two.version())
			}
		}},
		{"61", "JSON Patch operations", func(t *testing.T, c *client) {
			id := c.do("POST", "Patient", `{"resourceType":"Patient","active":true,"name":[{"family":"A","given":["B","C"]}]}`).want(201).id()
			a := c.do("PATCH", "Patient/"+id, list{obj{"op": "test", "path": "/active", "value": true}, obj{"op": "add", "path": "/name/0/given/-", "value": "D"}, obj{"op": "replace", "path": "/active", "value": false},
				obj{"op": "copy", "from": "/name/0/family", "path": "/name/0/text"}, obj{"op": "move", "from": "/name/0/given/0", "path": "/name/0/given/1"}, obj{"op": "remove", "path": "/name/0/given/2"}, obj{"op": "add", "path": "/birthDate", "value": "1970-01-01"}}).want(200)
			if got, want := canonical(dig(a.tree, "name")), `[{"family":"A","given":["C","B"],"text":"A"}]`; got != want || a.str("active") != "false" || a.version() != "2" {
				t.Errorf("%s", a.clip())
			}
			c.do("PATCH", "Patient/"+id, list{obj{"op": "replace", "path": "/active", "value": true}, obj{"op": "remove", "path": "/nowhere"}}).check(400, 422)
			if g := c.do("GET", "Patient/"+id, nil); g.version() != "2" || g.str("active") != "false" {
				t.Errorf("half a patch was done: %s", g.clip())
			}
		}},
		{"62", "failing tests and bad documents", func(t *testing.T, c *client) {
			id := c.patient("62")
			c.do("PATCH", "Patient/"+id, list{obj{"op": "test", "path": "/active", "value": true}}).check(422)
			for _, b := range []any{"{}", "x", "[1]", list{obj{"op": "jump", "path": "/a"}}, list{obj{"op": "add"}}, list{obj{"op": "replace", "path": "name", "value": 1}}, list{obj{"op": "add", "path": "/name/7/family", "value": "x"}}, list{obj{"op": "add", "path": "/active"}}, "null", ""} {
				c.do("PATCH", "Patient/"+id, b).check(400, 422)
			}
			for _, ct := range []string{"application/json", "application/merge-patch+json", "text/plain", ""} {
				c.do("PATCH", "Patient/"+id, "[]", "Content-Type", ct).check(415)
			}
			if g := c.do("GET", "Patient/"+id, nil); g.version() != "1" {
				t.Errorf("a refused patch made version %s", g.version())
			}
		}},
		{"63", "the result is validated", func(t *testing.T, c *client) {
			id := c.do("POST", "Observation", obsHead+"}").want(201).id()
			c.do("PATCH", "Observation/"+id, list{obj{"op": "remove", "path": "/status"}}).check(400, 422)
			c.do("PATCH", "Observation/"+id, list{obj{"op": "add", "path": "/colour", "value": "red"}}).check(400, 422)
			c.do("PATCH", "Observation/"+id, list{obj{"op": "replace", "path": "", "value": 7}}).check(400, 422)
			if g := c.do("GET", "Observation/"+id, nil); g.version() != "1" {
				t.Errorf("version %s", g.version())
			}
		}},
		{"64", "a patch cannot change id, type, version", func(t *testing.T, c *client) {
			id := c.patient("64")
			for _, p := range []list{{obj{"op": "replace", "path": "/id", "value": "x"}}, {obj{"op": "replace", "path": "/resourceType", "value": "Device"}}, {obj{"op": "remove", "path": "/id"}}} {
				if a := c.do("PATCH", "Patient/"+id, p); a.status < 300 && (a.id() != id || a.str("resourceType") != "Patient") {
					t.Error(a.clip())
				}
			}
			for _, p := range []list{{obj{"op": "replace", "path": "/meta/versionId", "value": "99"}}, {obj{"op": "replace", "path": "/meta/lastUpdated", "value": "2001-01-01T00:00:00Z"}}, {obj{"op": "remove", "path": "/meta"}}} {
				if a := c.do("PATCH", "Patient/"+id, p); a.status < 300 && (a.version() == "99" || a.version() == "" || strings.HasPrefix(a.str("meta.lastUpdated"), "2001")) {
					t.Error(a.clip())
				}
			}
		}},
		{"65", "If-Match, 404, 410 for patch", func(t *testing.T, c *client) {
			id, p := c.patient("65"), list{obj{"op": "add", "path": "/active", "value": true}}
			c.do("PATCH", "Patient/"+id, p, "If-Match", `W/"3"`).check(412)
			c.do("PATCH", "Patient/"+id, p, "If-Match", `W/"1"`).check(200)
			c.do("PATCH", "Patient/nobody", p).check(404)
			c.do("DELETE", "Patient/"+id, nil).want(200, 204)
			c.do("PATCH", "Patient/"+id, p).check(410)
		}},
		{"66", "FHIRPath Patch works or is 415; history shows PUT", func(t *testing.T, c *client) {
			id := c.patient("66")
			a := c.do("PATCH", "Patient/"+id, obj{"resourceType": "Parameters", "parameter": list{obj{"name": "operation", "part": list{obj{"name": "type", "valueCode": "add"}, obj{"name": "path", "valueString": "Patient"}, obj{"name": "name", "valueString": "active"}, obj{"name": "value", "valueBoolean": true}}}}}, "Content-Type", "application/fhir+json")
			if a.check(200) && a.str("active") != "true" {
				t.Error(a.clip())
			}
			c.do("PATCH", "Patient/"+id, obj{"resourceType": "Patient", "id": id}, "Content-Type", "application/fhir+json").check(415)
			c.do("PATCH", "Patient/"+id, list{obj{"op": "add", "path": "/birthDate", "value": "1970"}}).want(200)
			if h := c.do("GET", "Patient/"+id+"/_history", nil).want(200); h.str("entry.0.request.method") != "PUT" {
				t.Errorf("history shows a patch as %s", h.str("entry.0.request.method"))
			}
		}},
		{"67", "digits survive a patch", func(t *testing.T, c *client) {
			id := c.do("POST", "Observation", obsWith(`"valueQuantity":{"value":1.5000},"component":[{"code":{"text":"c"},"valueQuantity":{"value":1E-22}},{"code":{"text":"d"},"valueQuantity":{"value":12345678901234567890.10}}]`)).want(201).id()
			a := c.do("PATCH", "Observation/"+id, list{obj{"op": "replace", "path": "/status", "value": "amended"}}).want(200)
			for _, d := range []string{`"value":1.5000`, `"value":1E-22`, `"value":12345678901234567890.10`} {
				if !bytes.Contains(a.body, []byte(d)) {
					t.Errorf("%s is lost: %s", d, a.clip())
				}
			}
			b := c.do("PATCH", "Observation/"+id, `[{"op":"replace","path":"/valueQuantity/value","value":2.50}]`).want(200)
			if !bytes.Contains(b.body, []byte(`"value":2.50`)) {
				t.Errorf("2.50 in a patch becomes %s", b.clip())
			}
		}},
		{"68", "markup in narrative survives a patch", func(t *testing.T, c *client) {
			id := c.do("POST", "Patient", `{"resourceType":"Patient","active":true,"text":{"status":"additional","div":"<div xmlns=\"http://www.w3.org/1999/xhtml\"><b>A &amp; B</b></div>"}}`).want(201).id()
			// What it says beside the data may no longer be true, and nobody but the client can tell.
			c.do("PATCH", "Patient/"+id, list{obj{"op": "replace", "path": "/active", "value": false}}).check(422)
			a := c.do("PATCH", "Patient/"+id, list{obj{"op": "add", "path": "/meta", "value": obj{"tag": list{obj{"code": "x"}}}}}).want(200)
			if d := a.str("text.div"); d != `<div xmlns="http://www.w3.org/1999/xhtml"><b>A &amp; B</b></div>` {
				t.Errorf("div %q", d)
			}
			id = c.do("POST", "Patient", `{"resourceType":"Patient","active":true,"text":{"status":"generated","div":"<div xmlns=\"http://www.w3.org/1999/xhtml\">active: true</div>"}}`).want(201).id()
			a = c.do("PATCH", "Patient/"+id, list{obj{"op": "replace", "path": "/active", "value": false}}).want(200)
			if d := a.str("text.div"); strings.Contains(d, "true") || !strings.Contains(d, "false") || a.header.Get("Warning") == "" {
				t.Errorf("stale, or not told: %q %q", d, a.header.Get("Warning"))
			}
		}},
		{"69", "delete", func(t *testing.T, c *client) {
			id := c.patient("69")
			if a := c.do("DELETE", "Patient/"+id, nil); a.check(200, 204) && a.status == 204 && len(a.body) > 0 {
				t.Error("204 with a body")
			}
			c.do("GET", "Patient/"+id, nil).check(410)
			if got := c.all("Patient?_id=" + id); len(got) != 0 {
				t.Errorf("found %v", got)
			}
			c.do("GET", "Patient/"+id+"/_history/1", nil).check(200)
		}},
		{"70", "deleting twice", func(t *testing.T, c *client) {
			id := c.patient("70")
			first := c.do("DELETE", "Patient/"+id, nil)
			c.do("DELETE", "Patient/"+id, nil).check(first.status)
			c.do("DELETE", "Patient/never-there", nil).check(first.status)
			if h := c.do("GET", "Patient/"+id+"/_history", nil).want(200); h.str("total") != "2" {
				t.Errorf("deleting twice makes %s versions", h.str("total"))
			}
		}},
		{"71", "types that may not be deleted", func(t *testing.T, c *client) {
			c.do("DELETE", "AuditEvent/x", nil).check(405)
			c.do("DELETE", "ValueSet/x", nil).check(405)
		}},
		{"72", "If-Match on delete", func(t *testing.T, c *client) {
			id := c.patient("72")
			c.do("DELETE", "Patient/"+id, nil, "If-Match", `W/"9"`).check(412)
			c.do("GET", "Patient/"+id, nil).check(200)
			c.do("DELETE", "Patient/"+id, nil, "If-Match", `W/"1"`).check(200, 204)
		}},
		{"73", "a delete is a history entry without resource", func(t *testing.T, c *client) {
			id := c.patient("73")
			c.do("DELETE", "Patient/"+id, nil).want(200, 204)
			h := c.do("GET", "Patient/"+id+"/_history", nil).want(200)
			if h.str("entry.0.request.method") != "DELETE" || dig(h.tree, "entry.0.resource") != nil {
				t.Error(h.clip())
			}
		}},
	})
}
