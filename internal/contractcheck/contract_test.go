package contractcheck

import (
	"bytes"
	"encoding/json"
	"fmt"
	"maps"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// document is the OpenAPI document as far as the tests read it.
type document struct {
	Paths      map[string]map[string]operation
	Components struct {
		Parameters map[string]parameter
	}
}

type operation struct {
	OperationID string
	Tags        []string
	Parameters  []parameter
	Security    *[]any
	RequestBody struct {
		Content map[string]struct {
			Example  json.RawMessage
			Examples map[string]struct{ Value json.RawMessage }
		}
	}
	Responses map[string]struct {
		Content map[string]any
	}
}

type parameter struct {
	Ref      string `json:"$ref"`
	Name, In string
	Required bool
	Schema   struct{ Enum []string }
	Example  any
}

func read(t *testing.T) (document, []byte) {
	t.Helper()
	raw, err := os.ReadFile(filepath.Join("..", "..", "openapi", "openapi.json"))
	if err != nil {
		t.Fatal(err)
	}
	var d document
	if err := json.Unmarshal(raw, &d); err != nil {
		t.Fatal(err)
	}
	for _, item := range d.Paths {
		for method, op := range item {
			for i, p := range op.Parameters {
				if p.Ref != "" {
					op.Parameters[i] = d.Components.Parameters[strings.TrimPrefix(p.Ref, "#/components/parameters/")]
				}
			}
			item[method] = op
		}
	}
	return d, raw
}

// values are what a test sends for a parameter: its example, or each value
// that it may take.
func (p parameter) values() []string {
	switch x := p.Example.(type) {
	case []any:
		var out []string
		for _, v := range x {
			out = append(out, fmt.Sprint(v))
		}
		return out
	case nil:
		return p.Schema.Enum
	default:
		return []string{fmt.Sprint(x)}
	}
}

// absent is the id of a resource of a type that has none.
const absent = "absent"

// walker sends what the document describes.
type walker struct {
	*service
	t         *testing.T
	doc       document
	validator *Validator
	ids       map[string]string // of a resource of each type
}

// check validates an exchange, which the document must allow and which must
// succeed: the document's examples work.
func (w *walker) check(e exchange) {
	w.t.Helper()
	path := e.request.URL.Path
	gone := e.status == 404 && strings.HasSuffix(path, "/"+absent)
	// A caller may have few exports at once, which the walk exceeds; the job of
	// the document's path is nobody's.
	export := e.status == 429 && strings.HasSuffix(path, "/$export") || e.status == 404 && strings.HasPrefix(path, "/fhir/bulk/{")
	if e.status >= 400 && !gone && !export {
		w.t.Errorf("an example of the document is refused: %s", e)
	}
	for _, complaint := range w.validator.Answer(e.request, e.status, e.header, e.body) {
		w.t.Errorf("%s\n\tis not what the document allows: %.1500s", e, complaint)
	}
}

func (w *walker) fill(path string) string {
	typ := strings.Split(strings.TrimPrefix(path, "/fhir/"), "/")[0]
	path = strings.ReplaceAll(path, "{id}", w.ids[typ])
	return strings.ReplaceAll(path, "{vid}", "1")
}

// findIDs looks for a resource of each type, and makes one where the ward has
// none.
func (w *walker) findIDs() {
	made := map[string]string{
		"Group":            `{"resourceType":"Group","id":"example","type":"person","actual":true}`,
		"PractitionerRole": `{"resourceType":"PractitionerRole","id":"example","active":true}`,
		"Organization":     `{"resourceType":"Organization","id":"example","name":"Example hospital"}`,
		"Provenance":       `{"resourceType":"Provenance","id":"example","target":[{"reference":"Device/example-drain"}],"recorded":"2026-11-20T15:10:00+01:00","agent":[{"who":{"reference":"Practitioner/example-nurse"}}]}`,
		"Encounter":        `{"resourceType":"Encounter","id":"example","status":"in-progress","class":{"system":"http://terminology.hl7.org/CodeSystem/v3-ActCode","code":"IMP"},"subject":{"reference":"Patient/example-patient"}}`,
		"Task":             `{"resourceType":"Task","id":"example","status":"requested","intent":"plan","code":{"coding":[{"system":"http://tidemark.example.org/fhir/CodeSystem/drain","code":"planned-walk"}]},"for":{"reference":"Patient/example-patient"},"restriction":{"period":{"start":"2026-11-20T16:00:00+01:00"}}}`,
		"Subscription":     `{"resourceType":"Subscription","id":"example","status":"off","reason":"a test","criteria":"http://tidemark.example.org/fhir/SubscriptionTopic/concern","channel":{"type":"rest-hook","endpoint":"http://127.0.0.1:9/hook","payload":"application/fhir+json","_payload":{"extension":[{"url":"http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition/backport-payload-content","valueCode":"id-only"}]}}}`,
	}
	w.ids = map[string]string{"Patient": "example-patient", "Device": "example-drain", "DeviceUseStatement": "example-placement", "Location": "example-ward", "Practitioner": "example-nurse"}
	for _, path := range slices.Sorted(maps.Keys(w.doc.Paths)) {
		typ, ok := strings.CutPrefix(path, "/fhir/")
		if !ok || strings.ContainsAny(typ, "/$_.") || typ == "metadata" || w.ids[typ] != "" {
			continue
		}
		if body, ok := made[typ]; ok {
			e := w.send(w.t, "PUT", "/fhir/"+typ+"/example", []byte(body), "Content-Type", "application/fhir+json")
			w.check(e)
			w.ids[typ] = "example"
			continue
		}
		found, _ := w.send(w.t, "GET", "/fhir/"+typ+"?_count=1", nil).tree(w.t)["entry"].([]any)
		if len(found) == 0 && typ == "SearchParameter" { // the service defines none of its own
			w.ids[typ] = absent
			continue
		}
		if len(found) == 0 {
			w.t.Errorf("the ward has no %s to try the document with", typ)
			continue
		}
		w.ids[typ] = found[0].(map[string]any)["resource"].(map[string]any)["id"].(string)
	}
}

func TestDocumentHoldsOfTheRunningService(t *testing.T) {
	doc, raw := read(t)
	validator, err := NewValidator(raw)
	if err != nil {
		t.Fatal(err)
	}
	w := &walker{service: demo(t), t: t, doc: doc, validator: validator}

	// The examples first, in their order: the rest rests on them.
	text, err := os.ReadFile(filepath.Join("..", "..", "openapi", "examples.json"))
	if err != nil {
		t.Fatal(err)
	}
	var examples []struct {
		Name, Method, Path string
		Body               json.RawMessage
	}
	if err := json.Unmarshal(text, &examples); err != nil {
		t.Fatal(err)
	}
	for _, ex := range examples {
		e := w.send(t, ex.Method, ex.Path, ex.Body, "Content-Type", "application/fhir+json")
		for _, complaint := range validator.Request(e.request, ex.Body) {
			t.Errorf("the document does not allow its own example %s: %s", ex.Name, complaint)
		}
		w.check(e)
	}
	w.findIDs()

	paths := slices.Sorted(maps.Keys(doc.Paths))
	for _, path := range paths {
		if op, ok := doc.Paths[path]["get"]; ok {
			w.get(path, op)
		}
	}
	for _, method := range []string{"put", "patch", "post", "delete"} {
		for _, path := range paths {
			if op, ok := doc.Paths[path][method]; ok {
				w.write(method, path, op)
			}
		}
	}
	w.capabilities()
}

// get asks without a parameter but the required ones, then with each in turn.
func (w *walker) get(path string, op operation) {
	base, must := w.fill(path), url.Values{}
	for _, p := range op.Parameters {
		if p.In == "query" && p.Required {
			must.Set(p.Name, p.values()[0])
		}
	}
	switch {
	case strings.HasSuffix(path, "/$lastn"): // what it needs is one of several
		must = url.Values{"patient": {"Patient/example-patient"}, "category": {"exam"}}
	case strings.HasSuffix(path, "/$stats"):
		must.Set("code", "9203-1")
		must.Set("system", "http://loinc.org")
		must.Set("duration", "720")
	case strings.HasSuffix(path, "/$validate-code"), strings.HasSuffix(path, "/$lookup"):
		must.Set("code", "serous")
		must.Set("system", "http://tidemark.example.org/fhir/CodeSystem/drain")
	}
	ask := func(v url.Values) exchange {
		e := w.send(w.t, "GET", strings.TrimSuffix(base+"?"+v.Encode(), "?"), nil)
		w.check(e)
		return e
	}
	ask(must)
	w.rights("GET", base, op)
	for _, p := range op.Parameters {
		if p.In != "query" {
			continue
		}
		for _, value := range p.values() {
			v := maps.Clone(must)
			v.Set(p.Name, value)
			if p.Name == "_partition" { // of flat tables alone
				v.Set("_outputFormat", "text/csv")
			}
			e := ask(v)
			if bytes.Contains(e.body, []byte("is not supported here and was ignored")) {
				w.t.Errorf("the document has a parameter %s that is ignored: %s", p.Name, e)
			}
			if got := e.header.Get("Content-Type"); p.Name == "_format" && strings.Contains(value, "/") && value != "application/json" && !strings.HasPrefix(got, value) {
				w.t.Errorf("_format=%s gives %s: %s", value, e.header.Get("Content-Type"), e)
			}
		}
	}
}

// rights: what is open answers without a token, everything else does not.
func (w *walker) rights(method, path string, op operation) {
	bare := *w.service
	bare.token = ""
	e := bare.send(w.t, method, path, nil)
	if open := op.Security != nil && len(*op.Security) == 0; open != (e.status != 401) {
		w.t.Errorf("without a token, where the document says open is %v: %s", open, e)
	}
}

func (w *walker) write(method, path string, op operation) {
	w.rights(strings.ToUpper(method), w.fill(path), op)
	typ := strings.Split(strings.TrimPrefix(path, "/fhir/"), "/")[0]
	target := w.fill(path)
	headers := []string{"Content-Type", "application/fhir+json"}
	send := func(target string, body []byte) {
		w.check(w.send(w.t, strings.ToUpper(method), target, body, headers...))
	}
	current := func() map[string]any {
		return w.send(w.t, "GET", "/fhir/"+typ+"/"+w.ids[typ], nil).tree(w.t)
	}
	one := "_id=" + w.ids[typ]
	switch {
	case strings.HasSuffix(path, "/_search"):
		headers[1] = "application/x-www-form-urlencoded"
		send(target, []byte("_count=2"))
	case strings.HasSuffix(path, "/$merge"), strings.HasSuffix(path, "/$purge"):
		// Each has a scope of its own, which this token lacks: they would take the
		// examples away from under the rest of the walk.
		if e := w.send(w.t, strings.ToUpper(method), target, []byte(`{"resourceType":"Parameters"}`), headers...); e.status != 403 {
			w.t.Errorf("without its own scope: %s", e)
		}
	case strings.Contains(path, "/$"):
		send(target, w.operationBody(path, op, current))
	case method == "post" && path == "/fhir":
		send(target, []byte(`{"resourceType":"Bundle","type":"batch","entry":[{"request":{"method":"GET","url":"Device?_count=1"}},{"request":{"method":"GET","url":"Device/none"}}]}`))
	case method == "post":
		fresh := current()
		delete(fresh, "id")
		delete(fresh, "identifier")
		if typ == "DeviceUseStatement" { // a drain is placed once
			fresh["device"] = map[string]any{"reference": "Device/" + w.unplaced()}
		}
		body, _ := json.Marshal(fresh)
		send(target, body)
	case method == "put":
		body, _ := json.Marshal(current())
		if !strings.Contains(path, "{id}") {
			target += "?" + one
		}
		send(target, body)
	case method == "patch":
		headers[1] = "application/json-patch+json"
		if !strings.Contains(path, "{id}") {
			target += "?" + one
		}
		send(target, []byte(`[{"op":"test","path":"/resourceType","value":"`+typ+`"}]`))
	case method == "delete":
		if !strings.Contains(path, "{id}") {
			send(target+"?_id=none", nil)
			return
		}
		send(w.fill("/fhir/"+typ+"/none"), nil)
	default:
		w.t.Errorf("the test does not know how to send %s %s", method, path)
	}
}

// unplaced makes a drain that has no placement.
func (w *walker) unplaced() string {
	body := `{"resourceType":"Device","id":"example-spare","status":"active","patient":{"reference":"Patient/example-patient"}}`
	w.check(w.send(w.t, "PUT", "/fhir/Device/example-spare", []byte(body), "Content-Type", "application/fhir+json"))
	return "example-spare"
}

func (w *walker) operationBody(path string, op operation, current func() map[string]any) []byte {
	parameters := func(text string) []byte { return []byte(`{"resourceType":"Parameters","parameter":[` + text + `]}`) }
	switch name := path[strings.LastIndex(path, "$"):]; name {
	case "$validate":
		body, _ := json.Marshal(current())
		return body
	case "$meta-add", "$meta-delete":
		return parameters(`{"name":"meta","valueMeta":{"tag":[{"system":"http://hospital.example.org/tags","code":"tried"}]}}`)
	case "$lastn":
		return parameters(`{"name":"patient","valueString":"Patient/example-patient"},{"name":"category","valueString":"exam"}`)
	case "$stats":
		return parameters(`{"name":"subject","valueUri":"Patient/example-patient"},{"name":"coding","valueCoding":{"system":"http://loinc.org","code":"9203-1"}},{"name":"duration","valueDecimal":720},{"name":"statistic","valueCode":"average"}`)
	case "$everything", "$meta", "$escalation-status", "$emptying-due", "$handover", "$removal-review", "$chart":
		return parameters(`{"name":"_format","valueString":"json"}`)
	case "$expand":
		if strings.Contains(path, "{id}") {
			return parameters(`{"name":"count","valueInteger":3}`)
		}
	}
	return op.RequestBody.Content["application/fhir+json"].Example
}

// capabilities compares the CapabilityStatement with the document, both ways.
func (w *walker) capabilities() {
	claimed := map[string]bool{}
	claim := func(what ...string) {
		for _, c := range what {
			claimed[c] = true
		}
	}
	rest := w.send(w.t, "GET", "/fhir/metadata", nil).tree(w.t)["rest"].([]any)[0].(map[string]any)
	each := func(m map[string]any, name string) []map[string]any {
		var out []map[string]any
		items, _ := m[name].([]any)
		for _, x := range items {
			out = append(out, x.(map[string]any))
		}
		return out
	}
	for _, i := range each(rest, "interaction") {
		switch i["code"] {
		case "transaction", "batch":
			claim("post /fhir")
		case "history-system":
			claim("get /fhir/_history")
		case "search-system":
			claim("get /fhir", "post /fhir/_search")
		default:
			w.t.Errorf("the test does not know the interaction %v", i["code"])
		}
	}
	operations := map[string]bool{} // Type/$name
	for _, r := range each(rest, "resource") {
		typ := r["type"].(string)
		base := "/fhir/" + typ
		for _, i := range each(r, "interaction") {
			switch i["code"] {
			case "read":
				claim("get " + base + "/{id}")
			case "vread":
				claim("get " + base + "/{id}/_history/{vid}")
			case "history-instance":
				claim("get " + base + "/{id}/_history")
			case "history-type":
				claim("get " + base + "/_history")
			case "search-type":
				claim("get "+base, "post "+base+"/_search")
			case "create":
				claim("post " + base)
			case "update":
				claim("put " + base + "/{id}")
			case "patch":
				claim("patch " + base + "/{id}")
			case "delete":
				claim("delete " + base + "/{id}")
			default:
				w.t.Errorf("the test does not know the interaction %v", i["code"])
			}
		}
		if r["conditionalUpdate"] == true {
			claim("put "+base, "patch "+base)
		}
		if d, _ := r["conditionalDelete"].(string); d != "" && d != "not-supported" {
			claim("delete " + base)
		}
		for _, o := range each(r, "operation") {
			operations[typ+"/$"+o["name"].(string)] = true
		}
		documented := map[string]bool{}
		for _, p := range w.doc.Paths[base]["get"].Parameters {
			documented[p.Name] = true
		}
		for _, p := range each(r, "searchParam") {
			if !documented[p["name"].(string)] {
				w.t.Errorf("the document lacks the search parameter %s of %s", p["name"], typ)
			}
		}
	}
	for _, o := range each(rest, "operation") {
		operations["/$"+o["name"].(string)] = true
	}
	described := map[string]bool{}
	for path, item := range w.doc.Paths {
		for method := range item {
			if i := strings.LastIndex(path, "/$"); i >= 0 {
				typ, _, _ := strings.Cut(strings.TrimPrefix(strings.TrimPrefix(path[:i], "/fhir"), "/"), "/")
				described[typ+path[i:]] = true
				continue
			}
			parts := strings.Split(path, "/")
			compartment := len(parts) == 5 && parts[3] == "{id}" && parts[4][0] != '_'
			// The files of an export are Bulk Data's, which no CapabilityStatement lists.
			if strings.HasPrefix(path, "/fhir") && !strings.HasPrefix(path, "/fhir/bulk/") && !compartment && !slices.Contains(w.doc.Paths[path][method].Tags, "Service") {
				described[method+" "+path] = true
			}
		}
	}
	maps.Copy(claimed, operations)
	for what := range claimed {
		if !described[what] {
			w.t.Errorf("/fhir/metadata claims %s, which the document lacks", what)
		}
	}
	for what := range described {
		if !claimed[what] {
			w.t.Errorf("the document has %s, which /fhir/metadata does not claim", what)
		}
	}
}

// TestValidatorRefuses: a validator that allows all would prove nothing.
func TestValidatorRefuses(t *testing.T) {
	_, raw := read(t)
	validator, err := NewValidator(raw)
	if err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		method, path string
		status       int
		media, body  string
		good         bool
	}{
		"a patient":           {"GET", "/fhir/Patient/1", 200, "application/fhir+json; charset=utf-8", `{"resourceType":"Patient","id":"1"}`, true},
		"another type":        {"GET", "/fhir/Patient/1", 200, "application/fhir+json", `{"resourceType":"Device","id":"1"}`, false},
		"a bad id":            {"GET", "/fhir/Patient/1", 200, "application/fhir+json", `{"resourceType":"Patient","id":"a b"}`, false},
		"an unknown status":   {"GET", "/fhir/Patient/1", 418, "application/fhir+json", `{"resourceType":"OperationOutcome","issue":[{"severity":"error","code":"value"}]}`, false},
		"another media type":  {"GET", "/fhir/Patient/1", 200, "text/html", `<p>`, false},
		"an error in words":   {"GET", "/fhir/Patient/1", 404, "application/fhir+json", `{"error":"no"}`, false},
		"an unknown path":     {"GET", "/fhir/Nothing/1", 200, "application/fhir+json", `{"resourceType":"Nothing"}`, false},
		"an unknown method":   {"PUT", "/fhir/AuditEvent/1", 200, "application/fhir+json", `{"resourceType":"AuditEvent"}`, false},
		"a bad entry":         {"GET", "/fhir/Patient", 200, "application/fhir+json", `{"resourceType":"Bundle","type":"searchset","entry":[{"resource":{"resourceType":"Observation"}}]}`, false},
		"a good entry":        {"GET", "/fhir/Patient", 200, "application/fhir+json", `{"resourceType":"Bundle","type":"searchset","entry":[{"resource":{"resourceType":"Patient","id":"1"}}]}`, true},
		"a wrong bundle type": {"GET", "/fhir/Patient", 200, "application/fhir+json", `{"resourceType":"Bundle","type":"history"}`, false},
	} {
		t.Run(name, func(t *testing.T) {
			s := &service{root: "http://localhost"}
			complaints := validator.Answer(s.request(t, c.method, c.path), c.status, map[string][]string{"Content-Type": {c.media}}, []byte(c.body))
			if (len(complaints) == 0) != c.good {
				t.Errorf("allowed is %v, want %v: %v", len(complaints) == 0, c.good, complaints)
			}
		})
	}
}
