package blackbox

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"net/url"
	"strings"
	"testing"
	"time"
)

// chaos makes bad input from a seed.
type chaos struct{ *rand.Rand }

func (r chaos) of(words ...string) string { return words[r.IntN(len(words))] }

// junk is a short text that somebody might not have thought of.
func (r chaos) junk() string {
	switch r.IntN(8) {
	case 0:
		b := make([]byte, r.IntN(30))
		for i := range b {
			b[i] = byte(r.IntN(256))
		}
		return string(b)
	case 1:
		return strings.Repeat(r.of("a", "9", "|", ",", "\\", ":", "%", ".", "$", "é", "\x00", "/"), r.IntN(300))
	case 2:
		return r.of("", "null", "true", "-1", "0", "1e999", "99999999999999999999999999", "0x1", "NaN", "1e-999999999", "9e99999")
	case 3:
		return r.of("'", `"`, "--", ";", "<script>", "${x}", "{{x}}", "%s%n", "../../etc/passwd", "\r\nX: y", "\u202e", "\ufeff", "\U0001F600", "a\x00b", "\xff\xfe")
	case 4:
		return r.of("2026", "2026-13", "2026-02-30", "ge2026-01-01", "gt", "ap2026", "eb0001-01-01", "9999-12-31T23:59:59.999999999+14:00", "0000", "-2026", "2026-01-01T00:00:60Z", "sa9999999-01-01", "lt0001-01-01T00:00:00+14:00")
	case 5:
		return r.of("http://loinc.org|9203-1", "|", "||", "|||", "5|u|mL", "gt5.0||mL", "1e400||mL", "5|http://unitsofmeasure.org|[foz_us]", "0.000000000000000000000000000001||L", "a$b", "$", "$$", "a$gt5$c", `a\,b`, `\`, "Patient/1", "Patient/", "/1", "#x", "urn:uuid:x", "5|http://unitsofmeasure.org|((((m", "1||10*999999999", "1||%25")
	case 6:
		return r.of("Patient", "Observation", "Device", "_history", "_search", "$validate", "$drain-output", "metadata", "*", "..", ".")
	}
	return fmt.Sprint(r.Int64())
}

func (r chaos) path() string {
	parts := []string{}
	for range r.IntN(5) {
		switch r.IntN(3) {
		case 0:
			parts = append(parts, r.of("Patient", "Observation", "Device", "DeviceUseStatement", "DetectedIssue", "AuditEvent", "ValueSet", "Location", "Subscription", "Provenance", "Group", "Bundle"))
		case 1:
			parts = append(parts, r.of("x1", "bad-d1", "bad", "_history", "_search", "$validate", "$drain-output", "$fluid-balance", "$escalation-status", "$emptying-due", "$handover", "$removal-review", "$everything", "$meta", "$meta-add", "$expand", "$lookup", "$validate-code", "$export", "$lastn", "$stats", "$chart", "$acknowledge", "1", "metadata", ".well-known"))
		default:
			parts = append(parts, url.PathEscape(r.junk()))
		}
	}
	return strings.Join(parts, r.of("/", "/", "/", "//"))
}

func (r chaos) query() string {
	var parts []string
	for range r.IntN(4) {
		name := r.of("_id", "_count", "_sort", "_include", "_revinclude", "_summary", "_elements", "_total", "_format", "_lastUpdated", "_has:Observation:patient:code", "code", "date", "patient", "subject", "device", "value-quantity", "code-value-quantity",
			"component-code-value-concept", "identifier", "name", "status", "period", "start", "end", "attribution", "_since", "_at", "_cursor", "_type", "url", "system", "combo-code", "_tag", "_has", "patient.name", "subject:Patient.name", "device.patient.identifier", "category", "max", "resource", r.junk())
		if r.IntN(4) == 0 {
			name += ":" + r.of("missing", "exact", "contains", "not", "in", "text", "identifier", "of-type", "Patient", "iterate", "above", r.junk())
		}
		if r.IntN(10) == 0 {
			parts = append(parts, r.of("=", "&", "%zz", "a=b=c", ";", "%", "?")) // not even a query
			continue
		}
		parts = append(parts, url.QueryEscape(name)+"="+url.QueryEscape(r.junk()))
	}
	return strings.Join(parts, "&")
}

// broken gives a body: something valid with something done to it.
func (r chaos) broken(valid []byte) []byte {
	b := bytes.Clone(valid)
	switch r.IntN(10) {
	case 0:
		return []byte(r.junk())
	case 1:
		return b[:r.IntN(len(b))]
	case 2:
		for range 1 + r.IntN(5) {
			b[r.IntN(len(b))] = byte(r.IntN(256))
		}
		return b
	case 3:
		n := 10 + r.IntN(20000)
		open, end := r.of(`{"a":`, "[", `{"extension":[`, `{"resourceType":"Patient","contained":[`), ""
		if r.IntN(2) == 0 {
			end = strings.Repeat("}", n)
		}
		return []byte(strings.Repeat(open, n) + "1" + end)
	case 4:
		i := bytes.IndexByte(b, ',')
		return append(append(bytes.Clone(b[:i]), b[bytes.IndexByte(b, '{')+1:i]...), b[i:]...)
	case 5:
		return bytes.Replace(b, []byte(`"`), []byte(r.of(`""`, `'`, "\xff", "\x00", `\u0000"`, "\ufeff\"")), 1+r.IntN(3))
	}
	// Replace a node of the tree by something else.
	var tree any
	if json.Unmarshal(b, &tree) != nil {
		return b
	}
	tree = r.twist(tree)
	out, err := json.Marshal(tree)
	if err != nil {
		return b
	}
	return bytes.ReplaceAll(out, []byte(`"@huge@"`), []byte(r.of("1e999999999", strings.Repeat("9", 5000), "-0", "1E-99999", "0."+strings.Repeat("0", 3000)+"1")))
}

func (r chaos) twist(v any) any {
	if r.IntN(4) == 0 {
		return []any{nil, true, 7, -1.5, "@huge@", "", r.junk(), obj{}, list{}, list{nil}, obj{r.junk(): r.junk()}, obj{"resourceType": r.junk()}, list{list{1}}, obj{"reference": r.junk()}, obj{"value": "@huge@", "system": ucum, "code": "mL"}}[r.IntN(15)]
	}
	switch v := v.(type) {
	case map[string]any:
		n, i := r.IntN(len(v)+1), 0
		for k := range v {
			if i++; i == n {
				v[k] = r.twist(v[k])
			}
		}
		if r.IntN(6) == 0 {
			v[r.of("extension", "contained", "_status", "meta", "id", "text", "component", "valueQuantity", "entry", r.junk())] = r.twist(obj{})
		}
	case []any:
		if len(v) > 0 {
			i := r.IntN(len(v))
			v[i] = r.twist(v[i])
		}
	}
	return v
}

// TestBadInput throws seeded nonsense at the service. That nothing is a 5xx
// and every refusal is an OperationOutcome, the client sees to; that nothing
// panics, the log.
func TestBadInput(t *testing.T) {
	s := serve(t)
	c := s.client()
	b := c.bed("bad", ago(48*time.Hour))
	sample := func(v any) []byte { j, _ := json.Marshal(v); return j }
	good := emptying(b, ago(time.Hour), "5.50", "mL")
	good["component"] = list{obj{"code": concept(local, "instilled-volume"), "valueQuantity": obj{"value": num("1"), "system": ucum, "code": "mL"}}}
	valid := map[string][]byte{
		"Observation": sample(good), "Patient": sample(obj{"resourceType": "Patient", "name": list{obj{"family": "A", "given": list{"B"}}}, "text": obj{"status": "generated", "div": `<div xmlns="http://www.w3.org/1999/xhtml"><b>x</b></div>`}}),
		"Device":                sample(obj{"resourceType": "Device", "status": "active", "type": concept(local, "bulb"), "patient": ref("Patient/bad"), "property": list{obj{"type": concept(local, "reservoir-capacity"), "valueQuantity": list{obj{"value": 100, "system": ucum, "code": "mL"}}}}}),
		"DeviceUseStatement":    sample(c.placement(b, "active", obj{"start": "2026-01-01T00:00:00Z"})),
		"Subscription":          sample(obj{"resourceType": "Subscription", "status": "requested", "reason": "r", "criteria": "Observation?code=x", "channel": obj{"type": "rest-hook", "endpoint": "http://127.0.0.1:1/x"}}),
		"Group":                 sample(obj{"resourceType": "Group", "type": "person", "actual": true, "member": list{obj{"entity": ref("Patient/bad")}}}),
		"":                      sample(bundle("transaction", entry("POST", "Patient", "fullUrl", urn(1), "resource", person("bad")), entry("PUT", "Observation?identifier=x", "resource", good), entry("GET", "Patient?name=x"), entry("DELETE", "Patient/x9"))),
		"Observation/$validate": sample(obj{"resourceType": "Parameters", "parameter": list{obj{"name": "resource", "resource": good}, obj{"name": "mode", "valueCode": "create"}}}),
		"Patient/bad/$meta-add": sample(obj{"resourceType": "Parameters", "parameter": list{obj{"name": "meta", "valueMeta": obj{"tag": list{obj{"system": "s", "code": "c"}}}}}}),
	}
	targets := []string{}
	for k := range valid {
		targets = append(targets, k)
	}
	for seed := range uint64(6) {
		t.Run(fmt.Sprintf("seed %d", seed), func(t *testing.T) {
			t.Parallel()
			c := c.in(t)
			r := chaos{rand.New(rand.NewPCG(seed, 42))}
			send := func(method, path string, body any, header ...string) {
				if t.Failed() {
					return // the first find says enough
				}
				a, err := c.try(method, path, body, header...)
				if err != nil && !strings.Contains(err.Error(), "invalid") && !strings.Contains(err.Error(), "unsupported protocol") && !strings.Contains(err.Error(), "missing") {
					t.Errorf("seed %d: %s %.200q: %v", seed, method, path, err)
				}
				if t.Failed() && a != nil {
					t.Logf("seed %d: %s %.300q %v\nbody %.600q", seed, method, path, header, body)
				}
			}
			for range 40 {
				send(r.of("GET", "GET", "GET", "HEAD", "DELETE", "OPTIONS", "BREW"), r.path()+"?"+r.query(), nil)
				send("GET", r.of("Observation", "Patient", "Device", "Observation/_history", "AuditEvent", "_history", "Device/bad-d1/$drain-output", "Patient/bad/$fluid-balance", "Patient/bad/Observation", "Patient/bad/*", "", "Patient/bad/$everything", "ValueSet", "SearchParameter", "ValueSet/$expand", "ValueSet/$validate-code", "CodeSystem/$lookup")+"?"+r.query(), nil)
				send("POST", r.of("Observation", "Patient", "Device")+"/_search", r.query(), "Content-Type", "application/x-www-form-urlencoded")
				target := r.of(targets...)
				send("POST", target, r.broken(valid[target]))
				typ := r.of("Observation", "Patient", "Device", "DeviceUseStatement")
				send("PUT", typ+"/fz"+fmt.Sprint(r.IntN(5)), r.broken(valid[typ]), r.of("If-Match", "If-None-Match", "Prefer", "X-Request-Id", "If-None-Exist"), url.QueryEscape(r.junk()))
				send("PATCH", "Patient/bad", r.broken([]byte(`[{"op":"add","path":"/name/0/given/-","value":"x"},{"op":"test","path":"/active","value":true},{"op":"move","from":"/name","path":"/name/0"},{"op":"copy","from":"","path":"/text"}]`)))
				send("GET", "Patient/bad", nil, r.of("Accept", "Accept-Encoding", "If-Modified-Since", "If-None-Match", "Authorization", "Range", "Prefer", "X-Correlation-Id", "Content-Encoding", "Expect", "Cookie", "Origin"), strings.ToValidUTF8(strings.Map(func(r rune) rune {
					if r < ' ' || r == 0x7f {
						return -1
					}
					return r
				}, r.junk()), ""))
			}
		})
	}
}

// TestBadHTTP speaks what is hardly HTTP; the service must survive.
func TestBadHTTP(t *testing.T) {
	s := serve(t)
	addr := strings.TrimSuffix(strings.TrimPrefix(s.base, "http://"), "/fhir")
	token := s.token("--scope", "system/*.cruds")
	for name, raw := range map[string]string{
		"bad escape":              "GET /fhir/%zz HTTP/1.1\r\nHost: x\r\n\r\n",
		"NUL":                     "GET /fhir/\x00 HTTP/1.1\r\nHost: x\r\n\r\n",
		"no host":                 "GET /fhir/Patient HTTP/1.1\r\n\r\n",
		"odd host":                "GET /fhir/Patient HTTP/1.1\r\nHost: a b\r\n\r\n",
		"absolute form":           "GET http://elsewhere/fhir/Patient HTTP/1.1\r\nHost: x\r\nAuthorization: Bearer " + token + "\r\n\r\n",
		"asterisk":                "OPTIONS * HTTP/1.1\r\nHost: x\r\n\r\n",
		"connect":                 "CONNECT elsewhere:443 HTTP/1.1\r\nHost: elsewhere:443\r\n\r\n",
		"two lengths":             "POST /fhir/Patient HTTP/1.1\r\nHost: x\r\nContent-Length: 5\r\nContent-Length: 6\r\n\r\nhello!",
		"length and chunks":       "POST /fhir/Patient HTTP/1.1\r\nHost: x\r\nContent-Length: 5\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\n",
		"negative length":         "POST /fhir/Patient HTTP/1.1\r\nHost: x\r\nContent-Length: -5\r\n\r\n",
		"a short body":            "POST /fhir/Patient HTTP/1.1\r\nHost: x\r\nAuthorization: Bearer " + token + "\r\nContent-Type: application/fhir+json\r\nContent-Length: 500\r\n\r\n{\"resourceType\":",
		"broken chunks":           "POST /fhir/Patient HTTP/1.1\r\nHost: x\r\nAuthorization: Bearer " + token + "\r\nContent-Type: application/fhir+json\r\nTransfer-Encoding: chunked\r\n\r\nzz\r\n{}\r\n",
		"huge header":             "GET /fhir/Patient HTTP/1.1\r\nHost: x\r\nX: " + strings.Repeat("a", 2<<20) + "\r\n\r\n",
		"many authorizations":     "GET /fhir/Patient HTTP/1.1\r\nHost: x\r\nAuthorization: Bearer x\r\nAuthorization: Bearer " + token + "\r\n\r\n",
		"HTTP/0.9":                "GET /fhir/Patient\r\n",
		"nonsense":                "\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03",
		"expect":                  "POST /fhir/Patient HTTP/1.1\r\nHost: x\r\nExpect: 100-continue\r\nContent-Length: 999999999999\r\n\r\n",
		"path above the root":     "GET /fhir/../../etc/passwd HTTP/1.1\r\nHost: x\r\n\r\n",
		"double slashes":          "GET //fhir//Patient HTTP/1.1\r\nHost: x\r\n\r\n",
		"encoded path separators": "GET /fhir%2FPatient HTTP/1.1\r\nHost: x\r\n\r\n",
	} {
		t.Run(name, func(t *testing.T) {
			conn, err := net.Dial("tcp", addr)
			if err != nil {
				t.Fatal(err)
			}
			defer conn.Close()
			_ = conn.SetDeadline(time.Now().Add(3 * time.Second))
			_, _ = io.WriteString(conn, raw) // the service may hang up early
			if c, ok := conn.(*net.TCPConn); ok {
				_ = c.CloseWrite()
			}
			got, _ := io.ReadAll(io.LimitReader(conn, 4096))
			if line, _, _ := strings.Cut(string(got), "\r\n"); strings.Contains(line, " 5") && !strings.Contains(line, " 505 ") || strings.Contains(line, " 200 ") && name == "many authorizations" {
				t.Errorf("%s: %s", name, got)
			}
		})
	}
	s.clientWith(token).do("GET", "Patient", nil).want(200)
}
