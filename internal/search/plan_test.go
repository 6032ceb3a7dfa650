package search

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"tidemark/internal/fhirjson"
)

// The generators draw from few values, so that documents and queries meet.
var (
	someSystem = rapid.SampledFrom([]string{"", "http://loinc.org", "http://unitsofmeasure.org", "urn:Local"})
	someCode   = rapid.SampledFrom([]string{"", "a", "A", "8867-4", "final", `x|y`})
	someRef    = rapid.SampledFrom([]string{"Patient/1", "Patient/2", "Device/1", "Observation/1", "Procedure/1", "https://ward.example.org/fhir/Patient/1", "https://other.example.org/Patient/1", "#1", "urn:uuid:1", "Patient/1/_history/2"})
	someDate   = rapid.SampledFrom([]string{"2026", "2026-02", "2026-02-01", "2026-02-28", "2026-02-01T00:00:00Z", "2026-02-28T22:59:59.999Z", "1970-01-01T00:00:00Z", "2026-13"})
	someNumber = rapid.SampledFrom([]string{"0", "1", "1.0", "35", "35.4", "0.035", "1000", "-3", "1e2", "0.3333333333333333333333"})
	someUnit   = rapid.SampledFrom([]string{"mL", "mL", "L", "L", "[foz_us]", "/min", "Cel", "K", "[degF]", "[pH]", "drops"})
	unitSystem = rapid.SampledFrom([]string{"http://unitsofmeasure.org", "http://unitsofmeasure.org", "http://unitsofmeasure.org", "", "urn:Local"})
	someText   = rapid.SampledFrom([]string{"Müller", "muller", "Mu", "Élodie Anna", "anna", "%", "x"})
)

func coding(t *rapid.T) *fhirjson.Node {
	return fhirjson.Obj("system", someSystem.Draw(t, "system"), "code", someCode.Draw(t, "code"), "display", someText.Draw(t, "display"))
}

func concept(t *rapid.T) *fhirjson.Node {
	var codings []*fhirjson.Node
	for range rapid.IntRange(0, 2).Draw(t, "codings") {
		codings = append(codings, coding(t))
	}
	return fhirjson.Obj("coding", codings, "text", someText.Draw(t, "text"))
}

func reference(t *rapid.T) *fhirjson.Node {
	n := fhirjson.Obj()
	if rapid.Bool().Draw(t, "literal") {
		n.Set("reference", fhirjson.Str(someRef.Draw(t, "ref")))
	}
	if rapid.Bool().Draw(t, "logical") {
		n.Set("identifier", fhirjson.Obj("system", someSystem.Draw(t, "system"), "value", someCode.Draw(t, "value")))
	}
	return n
}

func quantity(t *rapid.T) *fhirjson.Node {
	n := fhirjson.Obj("value", fhirjson.Num(someNumber.Draw(t, "value")), "unit", someUnit.Draw(t, "unit"), "system", unitSystem.Draw(t, "system"), "code", someUnit.Draw(t, "code"))
	if c := rapid.SampledFrom([]string{"", "<", "<=", ">", ">="}).Draw(t, "comparator"); c != "" {
		n.Set("comparator", fhirjson.Str(c))
	}
	return n
}

func value(t *rapid.T, n *fhirjson.Node) {
	switch rapid.IntRange(-2, 4).Draw(t, "value") {
	case -2, -1, 0:
		n.Set("valueQuantity", quantity(t))
	case 1:
		n.Set("valueCodeableConcept", concept(t))
	case 2:
		n.Set("valueString", fhirjson.Str(someText.Draw(t, "string")))
	case 3:
		n.Set("valueQuantity", fhirjson.Obj("extension", fhirjson.Arr(fhirjson.Obj("url", "urn:x"))))
	}
}

func randomDoc(t *rapid.T) Doc {
	n := fhirjson.Obj("resourceType", "Observation", "id", rapid.SampledFrom([]string{"1", "2"}).Draw(t, "id"),
		"status", someCode.Draw(t, "status"), "code", concept(t), "subject", reference(t), "focus", fhirjson.Arr(reference(t)), "performer", fhirjson.Arr(reference(t)),
		"identifier", fhirjson.Arr(fhirjson.Obj("type", concept(t), "system", someSystem.Draw(t, "system"), "value", someCode.Draw(t, "value"))),
		"meta", fhirjson.Obj("profile", fhirjson.Arr("http://x/"+someCode.Draw(t, "profile")), "tag", fhirjson.Arr(coding(t))))
	value(t, n)
	switch rapid.IntRange(0, 3).Draw(t, "effective") {
	case 0:
		n.Set("effectiveDateTime", fhirjson.Str(someDate.Draw(t, "date")))
	case 1:
		p := fhirjson.Obj()
		for _, end := range []string{"start", "end"} {
			if rapid.Bool().Draw(t, end) {
				p.Set(end, fhirjson.Str(someDate.Draw(t, end+" date")))
			}
		}
		n.Set("effectivePeriod", p)
	case 2:
		n.Set("effectiveTiming", fhirjson.Obj("event", fhirjson.Arr(someDate.Draw(t, "event"), someDate.Draw(t, "event"))))
	}
	var components []*fhirjson.Node
	for range rapid.IntRange(0, 2).Draw(t, "components") {
		c := fhirjson.Obj("code", concept(t))
		value(t, c)
		components = append(components, c)
	}
	if components != nil {
		n.Set("component", &fhirjson.Node{Kind: fhirjson.Array, Items: components})
	}
	return Extract(n, ExtractOptions{Base: base, Zone: zurich})
}

func token(t *rapid.T) string {
	code := strings.ReplaceAll(someCode.Draw(t, "code"), "|", `\|`)
	if rapid.Bool().Draw(t, "any system") {
		return code
	}
	return someSystem.Draw(t, "system") + "|" + code
}

func number(t *rapid.T) string {
	return rapid.SampledFrom(append([]string{""}, prefixes...)).Draw(t, "prefix") + someNumber.Draw(t, "number")
}

func quantityValue(t *rapid.T) string {
	if rapid.IntRange(0, 3).Draw(t, "any unit") == 0 {
		return number(t)
	}
	return number(t) + "|" + unitSystem.Draw(t, "system") + "|" + someUnit.Draw(t, "unit")
}

// someParam favours the parameters whose plans have something to get wrong.
var someParam = rapid.Custom(func(t *rapid.T) string {
	if rapid.IntRange(0, 3).Draw(t, "any") > 0 {
		return rapid.SampledFrom([]string{"date", "value-quantity", "value-quantity", "combo-value-quantity", "patient", "patient", "subject", "focus", "code", "combo-code", "identifier", "code-value-quantity", "value-string"}).Draw(t, "param")
	}
	params := Params("Observation")
	return params[rapid.IntRange(0, len(params)-1).Draw(t, "param")].Name
})

// randomPair draws a parameter with a value that suits its kind. Half of the
// draws have a modifier, which may be refused.
func randomPair(t *rapid.T) Pair {
	kinds := map[Kind]func() string{
		Token: func() string { return token(t) },
		Reference: func() string {
			return rapid.SampledFrom([]string{"1", "2", "Patient/1", "Device/1", "https://ward.example.org/fhir/Patient/1", "https://other.example.org/Patient/1", "urn:uuid:1", "urn:Local|a"}).Draw(t, "ref")
		},
		Date: func() string {
			return rapid.SampledFrom(append([]string{""}, prefixes...)).Draw(t, "prefix") + someDate.Draw(t, "date")
		},
		String:   func() string { return someText.Draw(t, "text") },
		URI:      func() string { return "http://x/" + someCode.Draw(t, "uri") },
		Quantity: func() string { return quantityValue(t) },
	}
	p, _ := Lookup("Observation", someParam.Draw(t, "param"))
	one := func(p Param) string {
		if p.Kind != Composite {
			return kinds[p.Kind]()
		}
		var parts []string
		for _, c := range p.Components {
			x, _ := Lookup("Observation", c)
			parts = append(parts, kinds[x.Kind]())
		}
		return strings.Join(parts, "$")
	}
	var values []string
	for range rapid.IntRange(1, 2).Draw(t, "values") {
		values = append(values, one(p))
	}
	name := p.Name
	if m := modifiers(p); rapid.Bool().Draw(t, "modified") {
		modifier := m[rapid.IntRange(0, len(m)-1).Draw(t, "modifier")]
		name += ":" + modifier
		switch modifier {
		case "missing":
			values = []string{"true"}
		case "of-type":
			values = []string{"urn:Local|a|A"}
		case "identifier":
			values = []string{token(t)}
		}
	}
	return Pair{name, strings.Join(values, ",")}
}

// A plan is a necessary condition, and the very condition when it is exact.
func TestPlanProperty(t *testing.T) {
	matched, exact := 0, 0
	rapid.Check(t, func(t *rapid.T) {
		clauses := func(n int) (out []Clause) {
			for range n {
				// A refused parameter adds nothing.
				q, _, err := ParseQuery("Observation", []Pair{randomPair(t)}, options)
				if err == nil {
					out = append(out, q.Where...)
				}
			}
			return out
		}
		var docs []Doc
		for range 6 {
			docs = append(docs, randomDoc(t))
		}
		for range 60 {
			q := Query{Type: "Observation", Where: clauses(rapid.IntRange(1, 2).Draw(t, "clauses"))}
			for range max(0, rapid.IntRange(-3, 2).Draw(t, "alternatives")) {
				q.Within = append(q.Within, append(clauses(1), InCompartment("Patient", "1")))
			}
			plan := q.Plan()
			for _, d := range docs {
				m, a := q.Match(d), plan.Admits(d)
				if m && len(q.Where) > 0 {
					matched++
				}
				if m && plan.Exact {
					exact++
				}
				if m && !a || plan.Exact && m != a {
					t.Fatalf("match %v, plan admits %v (exact %v)\nquery %+v\nplan %+v\ndoc %+v", m, a, plan.Exact, q, plan, d)
				}
			}
		}
	})
	t.Logf("%d matches, %d of exact plans", matched, exact)
	if matched < 100 || exact < 20 {
		t.Error("hardly any query matched: the property says nothing")
	}
}

// Prefixes complement each other on what has a single value.
func TestPrefixProperty(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := randomDoc(t)
		value := someDate.Draw(t, "value")
		if value == "2026-13" {
			t.Skip()
		}
		match := func(prefix string) bool {
			q, _, err := ParseQuery("Observation", []Pair{{"date", prefix + value}}, options)
			if err != nil {
				t.Fatal(err)
			}
			return q.Match(d)
		}
		if !slices.ContainsFunc(d.Entries, func(e Entry) bool { return e.Param == "date" && e.Lo < e.Hi }) {
			if match("eq") || match("ne") || match("lt") || match("gt") {
				t.Fatal("a resource without a date matches")
			}
			return
		}
		switch {
		case match("eq") == match("ne"):
			t.Fatal("eq and ne agree")
		case match("ge") != (match("gt") || match("eq")), match("le") != (match("lt") || match("eq")):
			t.Fatal("ge or le is not gt or lt, or eq")
		case match("sa") && !match("gt"), match("eb") && !match("lt"):
			t.Fatal("sa without gt, or eb without lt")
		case !match("gt") && !match("lt") && !match("eq"):
			t.Fatal("neither gt, lt nor eq")
		}
	})
}

func TestCompareProperty(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		number := rapid.StringMatching(`-?(0|[1-9][0-9]{0,25})(\.[0-9]{1,25})?(e-?[0-9]{1,2})?`)
		a, b := number.Draw(t, "a"), number.Draw(t, "b")
		if want := rat(a).Cmp(rat(b)); compare(a, b) != want {
			t.Fatalf("compare(%s, %s) is not %d", a, b, want)
		}
		lo, hi := outwards(a)
		if c := fmt.Sprintf("%.400f", lo); compare(c, a) > 0 {
			t.Fatalf("%s is above %s", c, a)
		}
		if c := fmt.Sprintf("%.400f", hi); compare(c, a) < 0 {
			t.Fatalf("%s is below %s", c, a)
		}
	})
}

// Identical documents have identical keys, and a key does not depend on where
// its parts end.
func TestKeys(t *testing.T) {
	var h hasher
	if h.key("T", "p", keySystemCode, "ab", "c") == h.key("T", "p", keySystemCode, "a", "bc") {
		t.Error("system and code run into each other")
	}
	// Stored keys must not change; recompute with
	// printf 'Observation\0\0t\0' | sha256sum, first 8 bytes, little endian.
	if got := uint64(h.key("Observation", "", keyType, "", "")); got != 0xe3d466b0157c8e51 {
		t.Errorf("the key of a type has become %#x: stores must be indexed anew", got)
	}
	keys := doc(t, resources["heart"]).Keys()
	if !slices.IsSorted(keys) || len(slices.Compact(slices.Clone(keys))) != len(keys) {
		t.Error("keys are not sorted and distinct")
	}
}

// Whatever tree a body holds, reading it must not fail, nor any use of what was read.
func FuzzExtract(f *testing.F) {
	for _, text := range resources {
		f.Add([]byte(text))
	}
	f.Fuzz(func(t *testing.T, body []byte) {
		n, err := fhirjson.Parse(body)
		if err != nil {
			t.Skip()
		}
		d := Extract(n, ExtractOptions{Base: base, Zone: zurich})
		d.Keys()
		d.Numbers()
		d.Strings()
		for _, p := range Params(d.Type) {
			d.SortValue(SortKey{Param: p.Name})
			d.Refs(p.Name)
			missing := Clause{Param: p.Name, Kind: p.Kind, Modifier: "missing", Values: []Value{{Bool: true}}}
			present := Clause{Param: p.Name, Kind: p.Kind, Modifier: "missing", Values: []Value{{}}}
			if (Query{Type: d.Type, Where: []Clause{missing}}).Match(d) == (Query{Type: d.Type, Where: []Clause{present}}).Match(d) {
				t.Errorf("%s is both missing and present, or neither", p.Name)
			}
		}
	})
}

const emptying = `{"resourceType":"Observation","id":"3f2c","meta":{"profile":["http://tidemark.example.org/fhir/StructureDefinition/drain-emptying"]},"identifier":[{"system":"urn:x","value":"88231"}],"status":"final",
"category":[{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/observation-category","code":"exam"}]}],
"code":{"coding":[{"system":"http://loinc.org","code":"9203-1"}]},"subject":{"reference":"Patient/p1"},"device":{"reference":"Device/d1"},
"effectiveDateTime":"2026-02-01T08:00:00+01:00","performer":[{"reference":"Practitioner/n1"}],
"valueQuantity":{"value":35,"unit":"mL","system":"http://unitsofmeasure.org","code":"mL"},
"component":[{"code":{"coding":[{"system":"http://loinc.org","code":"72290-0"}]},"valueCodeableConcept":{"coding":[{"system":"http://tidemark.example.org/fhir/CodeSystem/drain","code":"serous"}]}},
{"code":{"coding":[{"system":"http://tidemark.example.org/fhir/CodeSystem/drain","code":"suction-state"}]},"valueCodeableConcept":{"coding":[{"system":"http://tidemark.example.org/fhir/CodeSystem/drain","code":"charged"}]}}]}`

func BenchmarkExtract(b *testing.B) {
	n, err := fhirjson.Parse([]byte(emptying))
	if err != nil {
		b.Fatal(err)
	}
	opts := ExtractOptions{Base: base, Zone: zurich}
	b.ReportAllocs()
	for b.Loop() {
		Extract(n, opts)
	}
}

func BenchmarkKeys(b *testing.B) {
	d := doc(b, emptying)
	b.ReportAllocs()
	for b.Loop() {
		d.Keys()
	}
	b.ReportMetric(float64(len(d.Keys())), "keys")
}

func BenchmarkMatch(b *testing.B) {
	d := doc(b, emptying)
	for _, query := range []string{"patient=p1&code=http://loinc.org|9203-1", "date=ge2026-01-01&date=lt2026-03-01", "value-quantity=gt1|http://unitsofmeasure.org|[foz_us]", "component-code-value-concept=72290-0$serous"} {
		b.Run(query, func(b *testing.B) {
			q := parse(b, "Observation", query)
			b.ReportAllocs()
			for b.Loop() {
				if !q.Match(d) {
					b.Fatal("no match")
				}
			}
		})
	}
}

func BenchmarkParseQuery(b *testing.B) {
	p := pairs("patient=p1&code=http://loinc.org|9203-1&date=ge2026-01-01&_sort=-date&_count=100")
	rand.Shuffle(len(p), func(i, k int) { p[i], p[k] = p[k], p[i] })
	for b.Loop() {
		if _, _, err := ParseQuery("Observation", p, options); err != nil {
			b.Fatal(err)
		}
	}
}
