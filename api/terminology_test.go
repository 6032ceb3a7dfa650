package api_test

import (
	"encoding/json"
	"fmt"
	"net/url"
	"slices"
	"strings"
	"testing"
)

const (
	drainCodes = "http://tidemark.example.org/fhir/CodeSystem/drain"
	suction    = "http://tidemark.example.org/fhir/ValueSet/suction-state"
)

// outcome of an operation that answers Parameters.
type parameters struct {
	Parameter []struct {
		Name, ValueString, ValueCode string
		ValueBoolean                 *bool
		Part                         []struct{ Name, ValueCode, ValueString string }
	}
}

func (p parameters) text(name string) string {
	for _, x := range p.Parameter {
		if x.Name == name {
			if x.ValueBoolean != nil {
				return fmt.Sprint(*x.ValueBoolean)
			}
			return x.ValueString + x.ValueCode
		}
	}
	return ""
}

func body(params ...string) string {
	return `{"resourceType":"Parameters","parameter":[` + strings.Join(params, ",") + `]}`
}

// TestValidateCode: R4 4.0.1, operation ValueSet/$validate-code: one of code,
// coding and codeableConcept; a concept is in when one of its codings is.
func TestValidateCode(t *testing.T) {
	f := open(t)
	all := f.token("system/*.cruds", "")
	in := fmt.Sprintf(`{"name":"url","valueUri":%q}`, suction)
	coding := func(system, code, more string) string {
		return fmt.Sprintf(`{"system":%q,"code":%q%s}`, system, code, more)
	}
	concept := func(codings ...string) string {
		return `{"name":"codeableConcept","valueCodeableConcept":{"coding":[` + strings.Join(codings, ",") + `],"text":"x"}}`
	}
	lost, other := coding(drainCodes, "lost", ""), coding("http://other.example.org", "lost", "")
	for name, c := range map[string]struct {
		path, body string
		result     string // of 200; else the status
		message    string
		display    string
	}{
		"code":                       {"?url=" + suction + "&system=" + drainCodes + "&code=lost", "", "true", "", "Lost"},
		"code of another system":     {"?url=" + suction + "&system=http://loinc.org&code=lost", "", "false", "not in the value set " + suction, ""},
		"right display":              {"?url=" + suction + "&system=" + drainCodes + "&code=lost&display=lost", "", "true", "", "Lost"},
		"wrong display":              {"?url=" + suction + "&system=" + drainCodes + "&code=lost&display=kept", "", "false", `its display is "Lost"`, "Lost"},
		"version of the system":      {"?url=" + suction + "&system=" + drainCodes + "&code=lost&systemVersion=1.0.0", "", "true", "", "Lost"},
		"another version":            {"?url=" + suction + "&system=" + drainCodes + "&code=lost&systemVersion=9", "", "false", "version 1.0.0", "Lost"},
		"version of the set":         {"?url=" + suction + "&valueSetVersion=1.0.0&system=" + drainCodes + "&code=lost", "", "true", "", "Lost"},
		"no such version of the set": {"?url=" + suction + "&valueSetVersion=9&system=" + drainCodes + "&code=lost", "", "404", "", ""},
		"two versions of the set":    {"?url=" + suction + "|1.0.0&valueSetVersion=9&system=" + drainCodes + "&code=lost", "", "400", "", ""},
		"no code":                    {"?url=" + suction + "&system=" + drainCodes, "", "400", "", ""},
		"no system":                  {"?url=" + suction + "&code=lost", "", "400", "", ""},
		"no set":                     {"?system=" + drainCodes + "&code=lost", "", "400", "", ""},
		"coding in the URL":          {"?url=" + suction + "&coding=" + drainCodes + "|lost", "", "400", "", ""},
		"a parameter of no meaning":  {"?url=" + suction + "&system=" + drainCodes + "&code=lost&nonsense=1", "", "400", "", ""},
		"another language":           {"?url=" + suction + "&system=" + drainCodes + "&code=lost&displayLanguage=de", "", "400", "", ""},
		"POST code":                  {"", body(in, `{"name":"system","valueUri":"`+drainCodes+`"}`, `{"name":"code","valueCode":"lost"}`), "true", "", "Lost"},
		"POST coding":                {"", body(in, `{"name":"coding","valueCoding":`+lost+`}`), "true", "", "Lost"},
		"POST coding of another":     {"", body(in, `{"name":"coding","valueCoding":`+other+`}`), "false", "not in the value set", ""},
		"POST coding, display":       {"", body(in, `{"name":"coding","valueCoding":`+coding(drainCodes, "lost", `,"display":"kept"`)+`}`), "false", "its display is", "Lost"},
		"POST coding, no code":       {"", body(in, `{"name":"coding","valueCoding":{"system":"x"}}`), "400", "", ""},
		"POST coding that is text":   {"", body(in, `{"name":"coding","valueString":"lost"}`), "400", "", ""},
		"concept, first":             {"", body(in, concept(lost, other)), "true", "", "Lost"},
		"concept, last":              {"", body(in, concept(other, coding("", "x", ""), lost)), "true", "", "Lost"},
		"concept, none":              {"", body(in, concept(other, other)), "false", "None of the codings", ""},
		"concept, one wrong display": {"", body(in, concept(coding(drainCodes, "lost", `,"display":"kept"`), coding(drainCodes, "charged", ""))), "true", "", "Charged"},
		"concept, display wrong":     {"", body(in, concept(other, coding(drainCodes, "lost", `,"display":"kept"`))), "false", "its display is", "Lost"},
		"concept of text alone":      {"", body(in, `{"name":"codeableConcept","valueCodeableConcept":{"text":"lost"}}`), "false", "no coding", ""},
		"code and coding":            {"", body(in, `{"name":"code","valueCode":"lost"}`, `{"name":"coding","valueCoding":`+lost+`}`), "400", "", ""},
		"coding and concept":         {"", body(in, concept(lost), `{"name":"coding","valueCoding":`+lost+`}`), "400", "", ""},
		"two codings":                {"", body(in, `{"name":"coding","valueCoding":`+lost+`}`, `{"name":"coding","valueCoding":`+lost+`}`), "400", "", ""},
		"one set":                    {"/suction-state", body(concept(lost)), "true", "", "Lost"},
		"one set by GET":             {"/suction-state?system=" + drainCodes + "&code=lost", "", "true", "", "Lost"},
		"one set and another":        {"/suction-state", body(in, concept(lost)), "400", "", ""},
		"no such set":                {"/nonsense", body(concept(lost)), "404", "", ""},
	} {
		path, query, _ := strings.Cut(c.path, "?")
		path = "/fhir/ValueSet" + path + "/$validate-code?" + query
		method := "GET"
		if c.body != "" {
			method = "POST"
		}
		got, _, b := f.do(method, path, all, c.body)
		if got != 200 {
			if fmt.Sprint(got) != c.result || !strings.Contains(b, "OperationOutcome") {
				t.Errorf("%s: %d, want %s: %s", name, got, c.result, b)
			}
			continue
		}
		var p parameters
		if err := json.Unmarshal([]byte(b), &p); err != nil {
			t.Fatal(err)
		}
		if p.text("result") != c.result || !strings.Contains(p.text("message"), c.message) || (p.text("message") != "") != (c.result == "false") || p.text("display") != c.display {
			t.Errorf("%s: %s, want %s, %q, %q", name, b, c.result, c.message, c.display)
		}
	}
}

func TestExpand(t *testing.T) {
	f := open(t)
	all := f.token("system/*.cruds", "")
	type set struct {
		Compose   *struct{}
		Expansion struct {
			Total, Offset int
			Parameter     []struct {
				Name         string
				ValueBoolean *bool
			}
			Contains []struct {
				System, Code, Display string
				Designation           []struct{ Language, Value string }
			}
		}
	}
	expand := func(path, body string) set {
		t.Helper()
		method := "GET"
		if body != "" {
			method = "POST"
		}
		var s set
		if err := json.Unmarshal([]byte(f.must(200, method, path, all, body)), &s); err != nil {
			t.Fatal(err)
		}
		return s
	}
	const compartments = "/fhir/ValueSet/compartment/$expand"
	whole := expand(compartments, "")
	if n := len(whole.Expansion.Contains); n == 0 || whole.Expansion.Total != n || whole.Compose != nil || whole.Expansion.Contains[0].Designation != nil {
		t.Errorf("the whole: %+v", whole)
	}
	if s := expand(compartments+"?count=0", ""); s.Expansion.Total != whole.Expansion.Total || len(s.Expansion.Contains) != 0 {
		t.Errorf("count=0: %+v", s.Expansion)
	}
	if s := expand(compartments+"?offset=100000", ""); s.Expansion.Total != whole.Expansion.Total || len(s.Expansion.Contains) != 0 {
		t.Errorf("behind the end: %+v", s.Expansion)
	}
	if s := expand(compartments+"?offset=1&count=1", ""); len(s.Expansion.Contains) != 1 || s.Expansion.Contains[0].Code != whole.Expansion.Contains[1].Code || s.Expansion.Offset != 1 {
		t.Errorf("the second: %+v", s.Expansion)
	}
	if s := expand(compartments+"?filter=BILI", ""); s.Expansion.Total != 1 || s.Expansion.Contains[0].Code != "biliary" {
		t.Errorf("filter: %+v", s.Expansion)
	}
	s := expand("/fhir/ValueSet/$expand", body(`{"name":"url","valueUri":"http://tidemark.example.org/fhir/ValueSet/compartment"}`,
		`{"name":"filter","valueString":"biliary"}`, `{"name":"includeDesignations","valueBoolean":true}`, `{"name":"includeDefinition","valueBoolean":true}`, `{"name":"activeOnly","valueBoolean":true}`))
	if c := s.Expansion.Contains; s.Compose == nil || len(c) != 1 || len(c[0].Designation) != 1 || c[0].Designation[0].Value != "Biliary drain" {
		t.Errorf("with designations and definition: %+v", s)
	}
	var named []string
	for _, p := range s.Expansion.Parameter {
		named = append(named, p.Name)
	}
	if !slices.Equal(named, []string{"filter", "includeDesignations", "includeDefinition", "activeOnly"}) {
		t.Errorf("the expansion names %v", named)
	}
	for query, want := range map[string]int{
		"count=-1": 400, "count=x": 400, "offset=1.5": 400, "count=99999999999": 400, "activeOnly=yes": 400, "displayLanguage=fr": 400, "displayLanguage=en-GB": 200,
		"nonsense=1": 400, "url=" + suction: 400, "activeOnly=false": 200, "excludeNested=true": 200, "filter=" + url.QueryEscape("%_'\\"): 200,
	} {
		if got, _, b := f.do("GET", compartments+"?"+query, all, ""); got != want {
			t.Errorf("%s: %d, want %d: %s", query, got, want, b)
		}
	}
}

func TestLookup(t *testing.T) {
	f := open(t)
	all := f.token("system/*.cruds", "")
	const path = "/fhir/CodeSystem/$lookup"
	for name, c := range map[string]struct {
		query, body string
		status      int
		has, lacks  string
	}{
		"all of it":         {"?system=" + drainCodes + "&code=biliary", "", 200, `"designation"`, ""},
		"by POST":           {"", body(`{"name":"coding","valueCoding":{"system":"` + drainCodes + `","code":"biliary"}}`), 200, `"valueCode":"group"`, ""},
		"the definition":    {"?system=" + drainCodes + "&code=biliary&property=definition", "", 200, `"valueCode":"definition"`, `"designation"`},
		"two properties":    {"?system=" + drainCodes + "&code=biliary&property=group&property=designation", "", 200, `"designation"`, `"valueCode":"definition"`},
		"unknown property":  {"?system=" + drainCodes + "&code=biliary&property=none", "", 200, `"name":"display"`, `"name":"property"`},
		"its version":       {"?system=" + drainCodes + "&version=1.0.0&code=biliary", "", 200, `"name":"version","valueString":"1.0.0"`, ""},
		"another version":   {"?system=" + drainCodes + "&version=2&code=biliary", "", 404, "1.0.0", ""},
		"version in coding": {"", body(`{"name":"coding","valueCoding":{"system":"` + drainCodes + `","version":"2","code":"biliary"}}`), 404, "1.0.0", ""},
		"unknown code":      {"?system=" + drainCodes + "&code=Biliary", "", 404, "case-sensitive", ""},
		"another system":    {"?system=http://loinc.org&code=9203-1", "", 404, drainCodes, ""},
		"no system":         {"?code=biliary", "", 400, "system", ""},
		"no code":           {"?system=" + drainCodes, "", 400, "code", ""},
		"twice":             {"?system=" + drainCodes + "&code=biliary", body(`{"name":"coding","valueCoding":{"system":"` + drainCodes + `","code":"biliary"}}`), 400, "once", ""},
		"a concept":         {"", body(`{"name":"codeableConcept","valueCodeableConcept":{"coding":[{"system":"` + drainCodes + `","code":"biliary"}]}}`), 400, "codeableConcept", ""},
	} {
		method := "GET"
		if c.body != "" {
			method = "POST"
		}
		got, _, b := f.do(method, path+c.query, all, c.body)
		if got != c.status || !strings.Contains(b, c.has) || c.lacks != "" && strings.Contains(b, c.lacks) {
			t.Errorf("%s: %d, want %d with %s and without %q: %s", name, got, c.status, c.has, c.lacks, b)
		}
	}
}
