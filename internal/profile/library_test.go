package profile

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"tidemark/fhirmap"
	"tidemark/internal/fault"
	"tidemark/internal/fhirjson"
	"tidemark/internal/r4"
	"tidemark/internal/search"
)

var update = flag.Bool("update", false, "write the golden files anew")

func library(t testing.TB) *Library {
	t.Helper()
	l, err := New()
	if err != nil {
		t.Fatal(fault.Of(err).Cause)
	}
	return l
}

var kinds = []string{"CodeSystem", "ValueSet", "StructureDefinition", "OperationDefinition", "SearchParameter"}

func TestDefinitions(t *testing.T) {
	l := library(t)
	total := 0
	for _, typ := range kinds {
		last := ""
		for _, n := range l.All(typ) {
			total++
			id := n.Str("id")
			if id <= last {
				t.Errorf("%s/%s is out of order or stands twice", typ, id)
			}
			last = id
			raw, ok := l.Read(typ, id)
			if !ok {
				t.Fatalf("%s/%s cannot be read", typ, id)
			}
			back, err := fhirjson.Parse(raw)
			if err != nil || !back.Equal(n) {
				t.Errorf("%s/%s does not read as it is: %v", typ, id, err)
			}
			for _, is := range r4.Validate(back, r4.Options{Type: typ}).Issues {
				t.Errorf("%s/%s: %v %s", typ, id, is.Expression, is.Diagnostics)
			}
			for _, want := range []string{n.Str("url"), n.Str("url") + "|" + n.Str("version")} {
				if got, ok := l.ByURL(want); !ok || got != n {
					t.Errorf("%s is not found by %s", id, want)
				}
			}
			for _, name := range []string{"version", "name", "title", "status", "date", "publisher", "description"} {
				if n.Str(name) == "" && (typ != "SearchParameter" || name != "title") { // R4 gives it none
					t.Errorf("%s/%s has no %s", typ, id, name)
				}
			}
			if v := n.Get("meta").Str("versionId"); len(v) != 16 {
				t.Errorf("%s/%s has version %q", typ, id, v)
			}
		}
	}
	if entries, _ := files.ReadDir("resources"); len(entries) != total {
		t.Errorf("%d definitions from %d files", total, len(entries))
	}
	for _, url := range []string{fhirmap.Local + "|0", "http://example.org/none", ""} {
		if _, ok := l.ByURL(url); ok {
			t.Errorf("%q is found", url)
		}
	}
	if _, ok := l.Read("ValueSet", "none"); ok {
		t.Error("a value set that does not exist is read")
	}
}

// Invariants of R4 that package r4 has no tables for, and what a definition
// says of others.
func TestDefinitionsHoldTogether(t *testing.T) {
	l := library(t)
	system := l.All("CodeSystem")[0]
	if got, want := system.Get("count").Text, fmt.Sprint(len(l.drain.list)); got != want || len(l.drain.byCode) != len(l.drain.list) {
		t.Errorf("count is %s, there are %s concepts and %d codes", got, want, len(l.drain.byCode))
	}
	for _, c := range l.drain.list {
		if c.Str("display") == "" || c.Str("definition") == "" || len(c.Each("property")) == 0 {
			t.Errorf("%s lacks a display, a definition or a group", c.Str("code"))
		}
	}
	for _, sd := range l.All("StructureDefinition") {
		ids := map[string]bool{}
		for i, e := range sd.Get("differential").Each("element") {
			path := e.Str("path")
			if first, _, _ := strings.Cut(path, "."); first != sd.Str("type") || (i == 0) != (path == first) || ids[e.Str("id")] {
				t.Errorf("%s: element %d is %s (%s)", sd.Str("id"), i, path, e.Str("id"))
			}
			ids[e.Str("id")] = true
			for _, typ := range e.Each("type") {
				for _, p := range typ.Each("profile") {
					if _, ok := l.ByURL(p.Text); !ok {
						t.Errorf("%s refers to %s", sd.Str("id"), p.Text)
					}
				}
			}
			if vs := e.Get("binding").Str("valueSet"); vs != "" {
				if _, err := l.Expand(vs); err != nil {
					t.Errorf("%s binds to %s", sd.Str("id"), vs)
				}
			}
		}
	}
	for _, od := range l.All("OperationDefinition") {
		outs := 0
		for _, p := range od.Each("parameter") {
			if p.Str("type") == "" || p.Str("max") == "" || p.Get("min") == nil {
				t.Errorf("%s: parameter %s is incomplete", od.Str("id"), p.Str("name"))
			}
			if p.Str("use") == "out" {
				outs++
			}
		}
		if od.Str("code") != od.Str("id") || outs != 1 || len(od.Each("resource")) == 0 || !od.IsTrue("instance") {
			t.Errorf("%s is no operation of ours", od.Str("id"))
		}
	}
}

// gps are the SNOMED CT concepts that may be passed on, all of the Global
// Patient Set 2020-09 (CC BY 4.0).
var gps = map[string]bool{
	"263707001": true, "70150004": true, "39477002": true, "78014005": true, "87612001": true,
	"371244009": true, "371246006": true, "371252007": true, "371254008": true, "405738005": true, "371242008": true,
	"371240000": true, "371251000": true, "371250004": true,
}

func TestNotices(t *testing.T) {
	l := library(t)
	for _, typ := range kinds {
		for _, n := range l.All(typ) {
			notice, text := n.Str("copyright"), string(n.Bytes())
			if strings.Contains(text, `"`+fhirmap.LOINC+`"`) && !strings.Contains(notice, "http://loinc.org/license") {
				t.Errorf("%s/%s uses LOINC without its notice", typ, n.Str("id"))
			}
			if strings.Contains(text, `"`+fhirmap.SNOMED+`"`) && !strings.Contains(notice, "Creative Commons Attribution 4.0") {
				t.Errorf("%s/%s uses SNOMED CT without its notice", typ, n.Str("id"))
			}
		}
	}
	for url, set := range l.sets {
		for _, c := range set {
			if c.system == fhirmap.SNOMED && !gps[c.code] {
				t.Errorf("%s passes on SNOMED CT %s, which is not known to be of the Global Patient Set", url, c.code)
			}
		}
	}
}

func TestExpansions(t *testing.T) {
	l := library(t)
	var b strings.Builder
	for _, vs := range l.All("ValueSet") {
		n, err := l.ExpandOperation(vs.Str("url"), Expansion{Count: -1})
		if err != nil {
			t.Fatal(err)
		}
		for _, is := range r4.Validate(n, r4.Options{Type: "ValueSet"}).Issues {
			t.Errorf("%s: %v %s", vs.Str("id"), is.Expression, is.Diagnostics)
		}
		codes, err := l.Expand(vs.Str("url"))
		if err != nil {
			t.Fatal(err)
		}
		list := n.Get("expansion").Each("contains")
		if len(list) == 0 || len(list) != len(codes) || n.Get("expansion").Get("total").Text != fmt.Sprint(len(list)) {
			t.Errorf("%s: %d in the expansion, %d for searches", vs.Str("id"), len(list), len(codes))
		}
		fmt.Fprintln(&b, vs.Str("id"))
		seen := map[string]bool{}
		for i, c := range list {
			token := c.Str("system") + "|" + c.Str("code")
			if seen[token] || codes[i].System+"|"+codes[i].Code != token {
				t.Errorf("%s: %s stands twice or out of order", vs.Str("id"), token)
			}
			seen[token] = true
			if known := l.drain.byCode[c.Str("code")]; c.Str("system") == fhirmap.Local && (known == nil || known.Str("display") != c.Str("display")) {
				t.Errorf("%s: %s is not so in the code system", vs.Str("id"), token)
			}
			fmt.Fprintf(&b, "\t%s\t%s\n", token, c.Str("display"))
		}
	}
	golden(t, "expansions.golden", b.String())
}

func golden(t *testing.T, name, got string) {
	t.Helper()
	file := filepath.Join("testdata", name)
	if *update {
		if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(want), got); diff != "" {
		t.Errorf("%s (-want +got):\n%s", name, diff)
	}
}

const set = fhirmap.Canonical + "/ValueSet/"

func TestExpandPages(t *testing.T) {
	l := library(t)
	rapid.Check(t, func(t *rapid.T) {
		vs := rapid.SampledFrom(l.All("ValueSet")).Draw(t, "set")
		filter := rapid.SampledFrom([]string{"", "e", "DRAIN", "fluid output", "9203", "no such thing"}).Draw(t, "filter")
		size := rapid.IntRange(1, 7).Draw(t, "size")
		all, err := l.ExpandOperation(vs.Str("url"), Expansion{Filter: filter, Count: -1})
		if err != nil {
			t.Fatal(err)
		}
		want := all.Get("expansion").Each("contains")
		var got []*fhirjson.Node
		for {
			page, err := l.ExpandOperation(vs.Str("url"), Expansion{Filter: filter, Offset: len(got), Count: size})
			if err != nil {
				t.Fatal(err)
			}
			e := page.Get("expansion")
			if e.Get("total").Text != fmt.Sprint(len(want)) {
				t.Fatalf("total is %s of %d", e.Get("total").Text, len(want))
			}
			list := e.Each("contains")
			if len(list) == 0 {
				break
			}
			got = append(got, list...)
		}
		if !(&fhirjson.Node{Items: got}).Equal(&fhirjson.Node{Items: want}) {
			t.Fatalf("pages of %d give %d of %d", size, len(got), len(want))
		}
		for _, c := range want {
			if !contains(c.Str("display")+" "+c.Str("code"), filter) {
				t.Fatalf("%s does not hold %q", c.Bytes(), filter)
			}
		}
	})
	if n, err := l.ExpandOperation(set+"patency", Expansion{}); err != nil || n.Get("expansion").Get("contains") != nil || n.Get("expansion").Get("total").Text != "3" {
		t.Errorf("a count of 0 gives %v, %v", n, err)
	}
}

func TestAnswersToCodes(t *testing.T) {
	l := library(t)
	for _, c := range []struct {
		url, system, code, display string
		result                     string
		fault                      fault.Kind
	}{
		{set + "suction-state", fhirmap.Local, "lost", "", "true", 0},
		{set + "suction-state|1.0.0", fhirmap.Local, "lost", "lOST", "true", 0},
		{set + "suction-state", fhirmap.Local, "lost", "Charged", "false", 0},
		{set + "suction-state", fhirmap.Local, "Lost", "", "false", 0},
		{set + "suction-state", fhirmap.LOINC, "lost", "", "false", 0},
		{set + "compartment", fhirmap.Local, "biliary", "Biliary  drain", "true", 0},
		{set + "drain-output-code", fhirmap.LOINC, "9203-1", "Fluid output wound drain", "true", 0},
		{set + "intake-output-code", fhirmap.LOINC, "9187-6", "", "true", 0},
		{set + "intake-output-code", fhirmap.LOINC, "9203-1", "", "false", 0},
		{set + "site-assessment-code", fhirmap.LOINC, "72301-5", "any words", "true", 0},
		{set + "suction-state|2", fhirmap.Local, "lost", "", "", fault.NotFound},
		{fhirmap.Local, fhirmap.Local, "lost", "", "", fault.NotFound},
	} {
		n, err := l.ValidateCode(c.url, Coding{System: c.system, Code: c.code, Display: c.display})
		if err != nil || c.fault != 0 {
			if !fault.Is(err, c.fault) {
				t.Errorf("%v: %v", c, err)
			}
			continue
		}
		if got := n.Each("parameter")[0].Get("valueBoolean").Text; got != c.result || n.Each("parameter")[0].Str("name") != "result" {
			t.Errorf("%v: %s", c, n.Bytes())
		}
		if r4.Validate(n, r4.Options{Type: "Parameters"}).Failed() {
			t.Errorf("%v: not valid: %s", c, n.Bytes())
		}
	}

	n, err := l.Lookup(Coding{System: fhirmap.Local, Code: "dislodged"}, nil)
	if err != nil {
		t.Fatal(err)
	}
	text := string(n.Bytes())
	for _, want := range []string{`"valueString":"Drain dislodged"`, `"valueCode":"component"`, `"valueCode":"issue-rule"`, `"name":"name","valueString":"DrainCodes"`} {
		if !strings.Contains(text, want) {
			t.Errorf("the look-up lacks %s: %s", want, text)
		}
	}
	for _, c := range l.drain.list {
		n, err := l.Lookup(Coding{System: fhirmap.Local, Code: c.Str("code")}, nil)
		if err != nil || r4.Validate(n, r4.Options{Type: "Parameters"}).Failed() {
			t.Errorf("%s: %v", c.Str("code"), err)
		}
	}
	for _, c := range []struct {
		system, code string
		kind         fault.Kind
	}{
		{fhirmap.Local, "Lost", fault.NotFound}, {fhirmap.LOINC, "9203-1", fault.NotFound}, {"", "lost", fault.Invalid}, {fhirmap.Local, "", fault.Invalid},
	} {
		if _, err := l.Lookup(Coding{System: c.system, Code: c.code}, nil); !fault.Is(err, c.kind) {
			t.Errorf("%v: %v", c, err)
		}
	}
	if _, err := l.Expand(set + "none"); !fault.Is(err, fault.NotFound) {
		t.Errorf("an unknown set: %v", err)
	}
	if _, err := l.ExpandOperation(set+"patency", Expansion{Offset: -1}); !fault.Is(err, fault.Invalid) {
		t.Errorf("an offset below 0: %v", err)
	}
}

func BenchmarkNew(b *testing.B) {
	for b.Loop() {
		if _, err := New(); err != nil {
			b.Fatal(err)
		}
	}
}

// The search parameters of our own are what searches know: the table is made
// from them.
func TestSearchParameters(t *testing.T) {
	l := library(t)
	own := 0
	for _, typ := range search.Types() {
		for _, p := range search.Params(typ) {
			if !strings.HasPrefix(p.URL, fhirmap.Canonical) {
				continue
			}
			own++
			n, ok := l.ByURL(p.URL)
			if !ok {
				t.Errorf("%s %s: no definition %s", typ, p.Name, p.URL)
				continue
			}
			base := n.Each("base")
			if n.Str("code") != p.Name || n.Str("type") != string(p.Kind) || len(base) != 1 || base[0].Text != typ || n.Str("expression") != typ+"."+p.Name {
				t.Errorf("%s %s is not what %s says", typ, p.Name, p.URL)
			}
		}
	}
	if want := len(l.All("SearchParameter")); own != want || own == 0 {
		t.Errorf("%d of %d search parameters are in the table; go run ./internal/search/gen", own, want)
	}
}

// The definitions are R4 to the letter, and so is what _summary and _elements
// leave of them: what is mandatory stays, and what may change the meaning.
func TestDefinitionsAndTheirPartsAreR4(t *testing.T) {
	l := library(t)
	for _, typ := range kinds {
		for _, n := range l.All(typ) {
			valid := func(what string, part *fhirjson.Node) {
				if err := r4.Validate(part, r4.Options{}).As(fault.Rule); err != nil {
					t.Errorf("%s/%s %s: %v", typ, n.Str("id"), what, err)
				}
			}
			valid("as it is", n)
			for what, part := range map[string]*fhirjson.Node{
				"_summary=true": r4.Summary(n, r4.SummaryTrue), "_summary=text": r4.Summary(n, r4.SummaryText),
				"_summary=data": r4.Summary(n, r4.SummaryData), "_elements=title": r4.Elements(n, []string{"title"}),
			} {
				valid(what, part)
				if tags := part.Get("meta").Each("tag"); len(tags) != 1 || tags[0].Str("code") != "SUBSETTED" {
					t.Errorf("%s/%s %s is tagged %v", typ, n.Str("id"), what, tags)
				}
				if part.Str("status") == "" || part.Str("id") == "" {
					t.Errorf("%s/%s %s lacks its status or id", typ, n.Str("id"), what)
				}
			}
		}
	}
	// R4 4.0.1, the element tables on the pages of the types (flags S and ?!, minimum 1).
	for _, c := range []struct {
		typ, mode string
		want      []string
	}{
		{"CodeSystem", "text", []string{"resourceType", "id", "meta", "status", "content"}},
		{"CodeSystem", "true", []string{"resourceType", "id", "meta", "url", "version", "name", "title", "status", "experimental", "date", "publisher", "caseSensitive", "compositional", "versionNeeded", "content", "count", "filter", "property"}},
		{"ValueSet", "text", []string{"resourceType", "id", "meta", "status"}},
		{"StructureDefinition", "text", []string{"resourceType", "id", "meta", "url", "name", "status", "kind", "abstract", "type"}},
		{"OperationDefinition", "text", []string{"resourceType", "id", "meta", "name", "status", "kind", "code", "system", "type", "instance"}},
	} {
		var got []string
		for _, m := range r4.Summary(l.All(c.typ)[0], r4.SummaryMode(c.mode)).Members {
			got = append(got, m.Name)
		}
		slices.Sort(got)
		slices.Sort(c.want)
		if d := cmp.Diff(c.want, got); d != "" {
			t.Errorf("%s _summary=%s: %s", c.typ, c.mode, d)
		}
	}
}
