package blackbox

import (
	"bytes"
	"cmp"
	"encoding/json"
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/santhosh-tekuri/jsonschema/v6"

	"tidemark/internal/fault"
	"tidemark/internal/fhirjson"
	"tidemark/internal/r4"
)

// mutants is how many mutants of the official examples are validated.
const mutants = 4000

// mutated are the types of the examples that are changed: those that take
// writes, and the one that the service writes itself.
var mutated = append(slices.Clone(served), "DetectedIssue")

// place is a value in a document: the object or array that holds it, and where.
type place struct {
	path   string
	parent any // map[string]any or []any
	name   string
	index  int
	value  any
}

func (p place) member() bool { _, ok := p.parent.(map[string]any); return ok }

func (p place) set(v any) {
	switch parent := p.parent.(type) {
	case map[string]any:
		parent[p.name] = v
	case []any:
		parent[p.index] = v
	}
}

// add puts a further member beside the place.
func (p place) add(name string, v any) { p.parent.(map[string]any)[name] = v }

func (p place) has(name string) bool { _, ok := p.parent.(map[string]any)[name]; return ok }

// places lists all values of a document but the document itself, in an order
// that is always the same.
func places(v any, at string) []place {
	var out []place
	switch v := v.(type) {
	case map[string]any:
		for _, k := range slices.Sorted(maps.Keys(v)) {
			p := place{path: at + "." + k, parent: v, name: k, value: v[k]}
			out = append(append(out, p), places(v[k], p.path)...)
		}
	case []any:
		for i := range v {
			p := place{path: fmt.Sprintf("%s[%d]", at, i), parent: v, index: i, value: v[i]}
			out = append(append(out, p), places(v[i], p.path)...)
		}
	}
	return out
}

// mutation is one way to change a document at a place. The change may well
// leave it valid: that the validators agree is what is asked.
type mutation struct {
	name string
	fits func(place) bool
	make func(place)
}

var (
	token    = regexp.MustCompile(`^[A-Za-z][A-Za-z0-9-]*$`)
	dateText = regexp.MustCompile(`^\d{4}(-\d\d(-\d\d(T.*)?)?)?$`)
	whole    = regexp.MustCompile(`^\d+$`)
	choice   = regexp.MustCompile(`^(value|effective|deceased|multipleBirth|onset|timing|occurred|identified|born|age)[A-Z]`)
)

func isText(p place) bool   { _, ok := p.value.(string); return ok }
func isNumber(p place) bool { _, ok := p.value.(json.Number); return ok }
func isObject(p place) bool { _, ok := p.value.(map[string]any); return ok }
func isList(p place) bool   { _, ok := p.value.([]any); return ok }
func isBool(p place) bool   { _, ok := p.value.(bool); return ok }
func anywhere(place) bool   { return true }
func isDate(p place) bool {
	return isText(p) && dateText.MatchString(p.value.(string)) && p.name != "value"
}

func replaced(v any) func(place) { return func(p place) { p.set(v) } }

// remark is an extension as any element may carry it.
func remark() obj {
	return obj{"extension": list{obj{"url": "http://example.org/note", "valueString": "x"}}}
}

var mutations = []mutation{
	{"removed", place.member, func(p place) { delete(p.parent.(map[string]any), p.name) }},
	{"unknown member", isObject, func(p place) { p.value.(map[string]any)["colour"] = "red" }},
	{"name in capitals", place.member, func(p place) {
		delete(p.parent.(map[string]any), p.name)
		p.add(strings.ToUpper(p.name), p.value)
	}},
	{"number for text", isText, replaced(num("1"))},
	{"boolean for text", isText, replaced(true)},
	{"object for text", isText, replaced(obj{"text": "x"})},
	{"text for object", isObject, replaced("x")},
	{"text for boolean", isBool, replaced("true")},
	{"text for number", isNumber, func(p place) { p.set(string(p.value.(json.Number))) }},
	{"a list for one", func(p place) bool { return p.member() && !isList(p) }, func(p place) { p.set(list{p.value}) }},
	{"one for a list", func(p place) bool { l, ok := p.value.([]any); return ok && len(l) > 0 }, func(p place) { p.set(p.value.([]any)[0]) }},
	{"list in a list", isList, func(p place) { p.set(list{p.value}) }},
	{"item twice", isList, func(p place) { p.set(append(slices.Clone(p.value.([]any)), p.value.([]any)[0])) }},
	{"empty text", isText, replaced("")},
	{"empty object", isObject, replaced(obj{})},
	{"empty list", isList, replaced(list{})},
	{"null", anywhere, replaced(nil)},
	{"null in a list", isList, func(p place) { p.set(append(slices.Clone(p.value.([]any)), nil)) }},
	{"bad code", func(p place) bool { return isText(p) && token.MatchString(p.value.(string)) }, replaced("no-such-code")},
	{"blanks around text", isText, func(p place) { p.set(" " + p.value.(string) + "  ") }},
	{"control character", isText, func(p place) { p.set(p.value.(string) + "\u0001") }},
	{"30 February", isDate, replaced("2026-02-30")},
	{"month 13", isDate, replaced("2026-13-01")},
	{"hour 25", isDate, replaced("2026-02-03T25:00:00Z")},
	{"hour 24", isDate, replaced("2026-02-03T24:00:00Z")},
	{"no zone", isDate, replaced("2026-02-03T10:00:00")},
	{"no seconds", isDate, replaced("2026-02-03T10:00Z")},
	{"blank for T", isDate, replaced("2026-02-03 10:00:00Z")},
	{"short day", isDate, replaced("2026-2-3")},
	{"year only", isDate, replaced("2026")},
	{"zone +15:00", isDate, replaced("2026-02-03T10:00:00+15:00")},
	{"a far future", isDate, replaced("9998-12-31T23:59:59.999+14:00")},
	{"fraction", func(p place) bool { return isNumber(p) }, replaced(num("3.5"))},
	{"negative", isNumber, func(p place) { p.set(num("-" + strings.TrimPrefix(string(p.value.(json.Number)), "-"))) }},
	{"exponent", isNumber, replaced(num("1E1"))},
	{"more digits", isNumber, func(p place) {
		if n := string(p.value.(json.Number)); whole.MatchString(n) {
			p.set(num("1" + n + "0000000000"))
		} else {
			p.set(num(n + "000"))
		}
	}},
	{"second type of a choice", func(p place) bool { return p.member() && choice.MatchString(p.name) }, func(p place) {
		stem := choice.FindStringSubmatch(p.name)[1]
		for _, typ := range []string{"DateTime", "Boolean", "Period", "Integer", "Range", "Reference"} {
			if !p.has(stem + typ) {
				p.add(stem+typ, map[string]any{"DateTime": "2026-02-03", "Boolean": true, "Period": obj{"start": "2026"},
					"Integer": num("1"), "Range": obj{"low": obj{"value": num("1")}}, "Reference": obj{"display": "x"}}[typ])
				return
			}
		}
	}},
	{"id with underscore", func(p place) bool { return p.name == "id" && isText(p) }, replaced("a_b")},
	{"id of 65", func(p place) bool { return p.name == "id" && isText(p) }, replaced(strings.Repeat("a", 65))},
	{"element with id", isObject, func(p place) { p.value.(map[string]any)["id"] = "here" }},
	{"element with extension", isObject, func(p place) {
		if _, is := p.value.(map[string]any)["resourceType"]; !is {
			p.value.(map[string]any)["extension"] = remark()["extension"]
		}
	}},
	{"partner", func(p place) bool { return p.member() && !isList(p) && p.name[0] != '_' }, func(p place) { p.add("_"+p.name, remark()) }},
	{"partner alone", func(p place) bool { return p.member() && !isList(p) && p.name[0] != '_' }, func(p place) {
		delete(p.parent.(map[string]any), p.name)
		p.add("_"+p.name, remark())
	}},
	{"target of another type", func(p place) bool { return p.name == "reference" && isText(p) }, replaced("MedicationKnowledge/x")},
	{"target not contained", func(p place) bool { return p.name == "reference" && isText(p) }, replaced("#nobody")},
	{"target by urn", func(p place) bool { return p.name == "reference" && isText(p) }, replaced("urn:uuid:0d5ae8c3-31b5-4b5c-8e4a-0c4f5f4e2d11")},
	{"another resourceType", func(p place) bool { return p.name == "resourceType" }, replaced("Specimens")},
	{"swapped with a neighbour", func(p place) bool { return p.member() && len(p.parent.(map[string]any)) > 1 }, func(p place) {
		m := p.parent.(map[string]any)
		names := slices.Sorted(maps.Keys(m))
		other := names[(slices.Index(names, p.name)+1)%len(names)]
		m[p.name], m[other] = m[other], m[p.name]
	}},
}

// mutant is an example with one change.
type mutant struct {
	file, how, at string
	body          []byte
	tree          any
}

// cut is a mutant not yet made: which mutation, at which place.
type cut struct {
	file            string
	mutation, place int
}

// verdict is what the validators say of a mutant; nil errors let it pass.
type verdict struct {
	mutant
	ours           *fault.List
	google, schema error
	hollow         []string
}

func (m mutant) verdict() verdict {
	v := verdict{mutant: m, hollow: hollow(m.tree, "")}
	n, err := fhirjson.Parse(m.body)
	if err != nil {
		v.ours = &fault.List{}
		v.ours.Add("structure", "", "%v", err)
	} else {
		v.ours = r4.Validate(n, r4.Options{})
	}
	body := m.body
	if tree, _ := parse(body); tree != nil {
		if whole, had := filled(tree); had {
			body, _ = json.Marshal(whole)
		}
	}
	v.google = google(body)
	typ, _, _ := strings.Cut(m.file, "-")
	if s := schemaOf(typ); s != nil {
		doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(body))
		if err == nil {
			err = s.Validate(doc)
		}
		v.schema = err
	}
	return v
}

func (v verdict) accepted() bool { return !v.ours.Failed() }

func (v verdict) disagree() bool {
	if v.accepted() {
		return v.google != nil || v.schema != nil
	}
	// google/fhir alone is blind to too much (ids of contained resources, _id)
	// for its consent to mean anything.
	return v.google == nil && v.schema == nil && schemaOf("Observation") != nil
}

func (v verdict) String() string {
	s := fmt.Sprintf("%s: %s at %s", v.file, v.how, v.at)
	for _, i := range v.ours.Issues {
		s += fmt.Sprintf("\n\tr4: %s %s: %s", i.Code, i.Expression, i.Diagnostics)
	}
	if v.google != nil {
		s += fmt.Sprintf("\n\tgoogle/fhir: %.300s", v.google)
	}
	if v.schema != nil {
		s += fmt.Sprintf("\n\tJSON Schema: %.500s", v.schema)
	}
	return s
}

// class is a kind of disagreement, with the argument why it is none of r4's
// faults.
type class struct {
	name, why string
	is        func(verdict) bool
}

var classes = []class{
	{"hollow", "google/fhir sees no empty object, text or list and no null, JSON Schema only empty texts and null members; hollow sees them all", func(v verdict) bool {
		return !v.accepted() && len(v.hollow) > 0
	}},
	{"control character", "R4's prose forbids them in a string and so in all that is made of strings, XML in a narrative; the patterns of both validators let them pass", func(v verdict) bool {
		return !v.accepted() && bytes.Contains(v.body, []byte(`\u0001`))
	}},
	{"invariant", "neither validator knows the invariants; the keys are listed in blind", func(v verdict) bool {
		return !v.accepted() && onlyIssues(v, unseen)
	}},
	{"reference that is no URL", "to JSON Schema a reference is any text, and google/fhir keeps what it cannot read as a URI; R4 has a URL there, without blanks", func(v verdict) bool {
		return !v.accepted() && onlyIssues(v, func(i fault.Issue) bool {
			return i.Code == "value" && strings.HasSuffix(strings.Join(i.Expression, " "), ".reference")
		}) && slices.ContainsFunc(places(v.tree, ""), func(p place) bool {
			s, _ := p.value.(string)
			return p.name == "reference" && (strings.Contains(s, " ") || !strings.ContainsAny(s, "/:#"))
		})
	}},
	{"id of two contained resources", "an id names one resource; neither validator compares those of contained ones", func(v verdict) bool {
		return !v.accepted() && v.how == "item twice" && strings.HasSuffix(v.at, ".contained") && onlyIssues(v, func(i fault.Issue) bool { return i.Code == "value" })
	}},
	{"extension of Extension.url", "url is an attribute in R4's definition and no element, so that it has neither id nor extension; both validators take _url", func(v verdict) bool {
		return !v.accepted() && strings.HasPrefix(v.how, "partner") && strings.HasSuffix(v.at, ".url") && onlyIssues(v, func(i fault.Issue) bool {
			return strings.HasSuffix(strings.Join(i.Expression, " "), "url")
		})
	}},
	{"base64 with blanks", "R4's pattern of base64Binary has them between the groups of four; google/fhir alone refuses", func(v verdict) bool {
		return v.accepted() && v.schema == nil && v.how == "blanks around text" && strings.Contains(v.google.Error(), "expected binary data")
	}},
	{"code of an extension alone", "a primitive may have an extension in place of its value, which google/fhir refuses for a code that is bound to no list", func(v verdict) bool {
		return v.accepted() && v.schema == nil && v.how == "partner alone" && strings.HasSuffix(v.google.Error(), "invalid Code format")
	}},
	{"exponent of five digits", "R4's pattern of decimal sets no limit to the exponent; google/fhir's JSON parser does", func(v verdict) bool {
		return v.accepted() && v.schema == nil && v.google.Error() == "invalid JSON" && wideExponent.Match(v.body)
	}},
}

// blind are the invariants that mutants of the examples break.
var blind = []string{"cpt-2", "dom-3", "drt-1", "ext-1", "obs-3", "org-1", "per-1", "qty-3", "ref-1"}

// unseen says whether a fault is a broken invariant, which both validators miss.
func unseen(i fault.Issue) bool {
	key, _, _ := strings.Cut(i.Diagnostics, ":")
	return i.Code == "invariant" && slices.Contains(blind, key)
}

var wideExponent = regexp.MustCompile(`\d[eE][+-]?\d{5,}`)

// onlyIssues says whether all that r4 finds is of one kind, apart from the
// invariants that this breaks with it.
func onlyIssues(v verdict, kind func(fault.Issue) bool) bool {
	return slices.ContainsFunc(v.ours.Issues, kind) &&
		!slices.ContainsFunc(v.ours.Issues, func(i fault.Issue) bool { return !kind(i) && !unseen(i) })
}

// sample picks the mutants: as many of each mutation of each type as the
// number allows, so that common shapes do not crowd out rare ones.
func sample(t *testing.T, dir string) []mutant {
	files, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	bodies := map[string][]byte{}
	strata := map[string][]cut{}
	for _, f := range files {
		typ, _, _ := strings.Cut(f.Name(), "-")
		if !slices.Contains(mutated, typ) {
			continue
		}
		body := read(t, filepath.Join(dir, f.Name()))
		bodies[f.Name()] = body
		tree, err := parse(body)
		if err != nil {
			t.Fatalf("%s: %v", f.Name(), err)
		}
		for i, p := range places(tree, "") {
			for j, m := range mutations {
				if m.fits(p) {
					key := typ + " " + m.name
					strata[key] = append(strata[key], cut{f.Name(), j, i})
				}
			}
		}
	}
	random := rand.New(rand.NewPCG(4, 1))
	var cuts []cut
	keys := slices.Sorted(maps.Keys(strata))
	for _, k := range keys {
		s := strata[k]
		random.Shuffle(len(s), func(i, j int) { s[i], s[j] = s[j], s[i] })
	}
	for round := 0; len(cuts) < mutants; round++ {
		before := len(cuts)
		for _, k := range keys {
			if s := strata[k]; round < len(s) && len(cuts) < mutants {
				cuts = append(cuts, s[round])
			}
		}
		if len(cuts) == before {
			break
		}
	}
	slices.SortStableFunc(cuts, func(a, b cut) int {
		return cmp.Or(strings.Compare(a.file, b.file), a.mutation-b.mutation, a.place-b.place)
	})
	var out []mutant
	for _, c := range cuts {
		tree, err := parse(bodies[c.file])
		if err != nil {
			t.Fatal(err)
		}
		p := places(tree, "")[c.place]
		mutations[c.mutation].make(p)
		body, err := json.Marshal(tree)
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, mutant{c.file, mutations[c.mutation].name, p.path, body, tree})
	}
	return out
}

// TestMutationsOfExamples changes the official examples in one place and holds
// R4's own rules, as the service has them, against two validators that know
// nothing of it: what it takes, both take; what it refuses, one refuses. Where
// they differ, the difference is of a class that is argued.
func TestMutationsOfExamples(t *testing.T) {
	dir := sandbox(t, "fhir-r4-examples", "examples")
	if schemaOf("Observation") == nil {
		t.Log("the official JSON Schema is not installed: only what r4 takes is validated, by google/fhir")
	}
	var taken, refused int
	counts := map[string]int{}
	var faults []string
	for _, m := range sample(t, dir) {
		v := m.verdict()
		if v.accepted() {
			taken++
		} else {
			refused++
		}
		if !v.disagree() {
			continue
		}
		i := slices.IndexFunc(classes, func(c class) bool { return c.is(v) })
		if i < 0 {
			faults = append(faults, v.String())
			continue
		}
		counts[classes[i].name]++
	}
	t.Logf("%d mutants are taken, %d refused", taken, refused)
	for _, c := range classes {
		t.Logf("%4d %s: %s", counts[c.name], c.name, c.why)
	}
	if taken < mutants/10 || refused < mutants/2 {
		t.Errorf("too few of a kind to tell anything")
	}
	if len(faults) > 0 {
		t.Errorf("%d disagreements are of no class:\n%s", len(faults), strings.Join(faults[:min(10, len(faults))], "\n"))
	}
}
