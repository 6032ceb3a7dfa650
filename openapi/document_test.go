package openapi_test

import (
	"encoding/json"
	"net/http/httptest"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"tidemark/api"
	"tidemark/internal/fhirjson"
	"tidemark/internal/profile"
	"tidemark/internal/r4"
	"tidemark/internal/search"
	"tidemark/openapi"
)

func source(t *testing.T) openapi.Source {
	t.Helper()
	lib, err := profile.New()
	if err != nil {
		t.Fatal(err)
	}
	src, err := api.Describe(lib)
	if err != nil {
		t.Fatal(err)
	}
	return src
}

// The document in the repository is the one that the tables give.
func TestDocumentIsUpToDate(t *testing.T) {
	want, err := openapi.Document(source(t))
	if err != nil {
		t.Fatal(err)
	}
	got := openapi.JSON()
	if string(got) == string(want) {
		return
	}
	a, b := strings.Split(string(got), "\n"), strings.Split(string(want), "\n")
	i := 0
	for i < min(len(a), len(b)) && a[i] == b[i] {
		i++
	}
	t.Errorf("openapi.json is not what the service offers; run go generate ./openapi. Line %d is\n%.200s\nand would be\n%.200s", i+1, at(a, i), at(b, i))
}

func at(lines []string, i int) string {
	if i < len(lines) {
		return lines[i]
	}
	return "(the end)"
}

type operation struct {
	OperationID string
	Tags        []string
	Summary     string
	Parameters  []map[string]any
	Responses   map[string]any
}

func paths(t *testing.T) map[string]map[string]operation {
	t.Helper()
	var d struct {
		Paths map[string]map[string]operation
		Tags  []struct{ Name string }
	}
	if err := json.Unmarshal(openapi.JSON(), &d); err != nil {
		t.Fatal(err)
	}
	return d.Paths
}

// Every table is in the document, and nothing beside them.
func TestTablesAndDocumentAgree(t *testing.T) {
	src, doc := source(t), paths(t)
	want := map[string]bool{
		"get /livez": true, "get /readyz": true, "get /board": true, "get /docs": true, "get /openapi.json": true,
		"get /fhir/metadata": true, "get /fhir/.well-known/smart-configuration": true, "post /fhir": true, "get /fhir/_history": true, "get /fhir": true, "post /fhir/_search": true,
	}
	rows := map[string][]string{
		"read": {"get /{id}"}, "vread": {"get /{id}/_history/{vid}"}, "history-instance": {"get /{id}/_history"}, "history-type": {"get /_history"},
		"search-type": {"get ", "post /_search"}, "create": {"post "}, "update": {"put /{id}", "put "}, "patch": {"patch /{id}", "patch "}, "delete": {"delete /{id}", "delete "},
	}
	operations := func(base string, ops []openapi.Operation) {
		for _, o := range ops {
			path := base + "/" + o.Name
			if o.Instance {
				path = base + "/{id}/" + o.Name
			}
			want["post "+path] = true
			if !o.Affects {
				want["get "+path] = true
			}
		}
	}
	for _, ty := range src.Types {
		for _, i := range ty.Interactions {
			if rows[i] == nil {
				t.Errorf("%s: the test does not know the interaction %s", ty.Name, i)
			}
			for _, r := range rows[i] {
				method, rest, _ := strings.Cut(r, " ")
				want[method+" /fhir/"+ty.Name+rest] = true
			}
		}
		operations("/fhir/"+ty.Name, ty.Operations)
		if n := len(search.Params(ty.Name)); ty.Name != "AuditEvent" && len(ty.Search) != n {
			t.Errorf("%s has %d search parameters, the document %d", ty.Name, n, len(ty.Search))
		}
	}
	operations("/fhir", src.Operations)
	for _, c := range src.Compartments {
		want["get /fhir/"+c.Owner+"/{id}/*"] = true
		for _, h := range c.Holds {
			want["get /fhir/"+c.Owner+"/{id}/"+h] = true
		}
	}
	for _, e := range src.Endpoints {
		want[strings.ToLower(e.Method)+" "+e.Path] = true
	}
	for path, item := range doc {
		for method := range item {
			if !want[method+" "+path] {
				t.Errorf("the document has %s %s, which is in no table", method, path)
			}
			delete(want, method+" "+path)
		}
	}
	for w := range want {
		// What takes a resource or a Coding alone has no GET.
		if method, path, _ := strings.Cut(w, " "); method == "get" && doc[path]["post"].OperationID != "" && strings.HasSuffix(path, "/$validate") {
			continue
		}
		t.Errorf("the document lacks %s", w)
	}
}

func TestEveryOperationIsReadable(t *testing.T) {
	ids := map[string]string{}
	id := regexp.MustCompile(`^[A-Za-z.\-]+$`)
	for path, item := range paths(t) {
		for method, o := range item {
			where := method + " " + path
			if o.Summary == "" || len(o.Tags) != 1 || len(o.Responses) == 0 {
				t.Errorf("%s has no summary, tag or answer", where)
			}
			if other := ids[o.OperationID]; other != "" || !id.MatchString(o.OperationID) {
				t.Errorf("operationId %q of %s: taken by %q or of odd letters", o.OperationID, where, other)
			}
			ids[o.OperationID] = where
		}
	}
}

func TestCautionsStandInTheDocument(t *testing.T) {
	var d struct{ Info struct{ Description string } }
	if err := json.Unmarshal(openapi.JSON(), &d); err != nil {
		t.Fatal(err)
	}
	for _, say := range []string{"does not diagnose", "examples until the hospital approves", "licensed clinician decide", "bedside", "silent service is not a safe patient", "$escalation-status says"} {
		if !strings.Contains(d.Info.Description, say) {
			t.Errorf("the description lacks %q", say)
		}
	}
}

// What must be sent is what the definitions say.
func TestOnlyWhatIsNeededIsRequired(t *testing.T) {
	needed := map[string]bool{}
	for _, ty := range source(t).Types {
		for _, o := range ty.Operations {
			for _, p := range o.Params {
				if p.Required {
					needed[ty.Name+" "+o.Name+" "+p.Name] = true
				}
			}
		}
	}
	for what, want := range map[string]bool{
		"Device $drain-output period": false, "Device $drain-output start": false, "DetectedIssue $acknowledge action": true,
		"DetectedIssue $acknowledge note": false, "ValueSet $expand url": true, "ValueSet $expand filter": false,
	} {
		if needed[what] != want {
			t.Errorf("%s: required is %v", what, needed[what])
		}
	}
}

// Every reference leads somewhere.
func TestReferencesResolve(t *testing.T) {
	var root any
	if err := json.Unmarshal(openapi.JSON(), &root); err != nil {
		t.Fatal(err)
	}
	n := 0
	var walk func(v any)
	walk = func(v any) {
		switch x := v.(type) {
		case map[string]any:
			if ref, ok := x["$ref"].(string); ok {
				n++
				to := root
				for _, part := range strings.Split(strings.TrimPrefix(ref, "#/"), "/") {
					m, _ := to.(map[string]any)
					to = m[part]
				}
				if to == nil {
					t.Errorf("%s leads nowhere", ref)
				}
			}
			for _, c := range x {
				walk(c)
			}
		case []any:
			for _, c := range x {
				walk(c)
			}
		}
	}
	walk(root)
	if n == 0 {
		t.Error("no reference was looked at")
	}
}

// The examples are what the service's own validation accepts.
func TestExamplesAreValid(t *testing.T) {
	lib, err := profile.New()
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	check := func(name string, n *fhirjson.Node) {
		issues := append(r4.Validate(n, r4.Options{}).Issues, lib.Validate(n).Issues...)
		for _, is := range issues {
			t.Errorf("%s: %s %v", name, is.Diagnostics, is.Expression)
		}
	}
	for _, e := range openapi.Examples() {
		names = append(names, e.Name)
		n, err := fhirjson.Parse(e.Body)
		if err != nil {
			t.Fatalf("%s: %v", e.Name, err)
		}
		if n.Str("resourceType") != "Bundle" {
			check(e.Name, n)
		}
		for _, entry := range n.Each("entry") {
			check(e.Name, entry.Get("resource"))
		}
		if !strings.Contains(string(openapi.JSON()), `"`+e.Name+`"`) {
			t.Errorf("the document lacks the example %s", e.Name)
		}
	}
	for _, must := range []string{"emptying", "reservoir-check", "site-assessment", "emptying-and-site"} {
		if !slices.Contains(names, must) {
			t.Errorf("there is no example %s", must)
		}
	}
}

// Bodies of any type are told apart by resourceType, and no decimal is left to a
// generator's own precision.
func TestBodiesAndDecimals(t *testing.T) {
	n, err := fhirjson.Parse(openapi.JSON())
	if err != nil {
		t.Fatal(err)
	}
	var walk func(path string, n *fhirjson.Node)
	walk = func(path string, n *fhirjson.Node) {
		if n.Kind == fhirjson.Object && n.Str("type") == "number" && n.Str("format") != "double" {
			t.Errorf("%s is a number of format %q", path, n.Str("format"))
		}
		for i, x := range n.Items {
			walk(path+"/"+strconv.Itoa(i), x)
		}
		for _, m := range n.Members {
			walk(path+"/"+m.Name, m.Value)
		}
	}
	walk("", n)
	generic := n.Path("components", "schemas", "AnyResource")
	mapping := generic.Path("discriminator", "mapping")
	if generic.Path("discriminator").Str("propertyName") != "resourceType" || len(generic.Each("oneOf")) < 20 {
		t.Errorf("AnyResource is not told apart by resourceType: %s", generic.Bytes())
	}
	for _, one := range generic.Each("oneOf") {
		to := one.Str("$ref")
		if name := to[strings.LastIndex(to, "/")+1:]; mapping.Str(name) != to {
			t.Errorf("resourceType %s leads to %q", name, mapping.Str(name))
		}
	}
	for path, want := range map[string]string{"/fhir/Device/$validate": "AnyResource", "/fhir/Device/{id}/$meta-add": "Parameters"} {
		if got := n.Path("paths", path, "post", "requestBody", "content", "application/fhir+json", "schema").Str("$ref"); got != "#/components/schemas/"+want {
			t.Errorf("%s takes %q", path, got)
		}
	}
}

func TestHandler(t *testing.T) {
	ask := func(method string, headers ...string) *httptest.ResponseRecorder {
		r := httptest.NewRequest(method, "/openapi.json", nil)
		for i := 0; i+1 < len(headers); i += 2 {
			r.Header.Set(headers[i], headers[i+1])
		}
		w := httptest.NewRecorder()
		openapi.Handler("/").ServeHTTP(w, r)
		return w
	}
	plain, head, packed := ask("GET"), ask("HEAD"), ask("GET", "Accept-Encoding", "gzip, br")
	if plain.Code != 200 || plain.Body.String() != string(openapi.JSON()) || plain.Header().Get("Content-Type") != "application/json; charset=utf-8" {
		t.Errorf("GET: %d, %d bytes of %s", plain.Code, plain.Body.Len(), plain.Header().Get("Content-Type"))
	}
	if head.Code != 200 || head.Body.Len() != 0 || head.Header().Get("Content-Length") != plain.Header().Get("Content-Length") {
		t.Errorf("HEAD: %d, %d bytes, says %s", head.Code, head.Body.Len(), head.Header().Get("Content-Length"))
	}
	if packed.Header().Get("Content-Encoding") != "gzip" || packed.Body.Len() >= plain.Body.Len()/4 {
		t.Errorf("gzip: %q, %d bytes", packed.Header().Get("Content-Encoding"), packed.Body.Len())
	}
	if same := ask("GET", "If-None-Match", plain.Header().Get("ETag")); same.Code != 304 || same.Body.Len() != 0 {
		t.Errorf("unchanged: %d with %d bytes", same.Code, same.Body.Len())
	}
}
