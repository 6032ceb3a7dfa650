package profile

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"tidemark/fhirmap"
	"tidemark/internal/concern"
	"tidemark/internal/drain"
	"tidemark/internal/fhirjson"
	"tidemark/internal/r4"
)

func parse(t testing.TB, text string) *fhirjson.Node {
	t.Helper()
	n, err := fhirjson.Parse([]byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return n
}

func local(code string) *fhirjson.Node { return of(fhirmap.Local, code) }

func of(system, code string) *fhirjson.Node {
	return fhirjson.Obj("coding", fhirjson.Arr(fhirjson.Obj("system", system, "code", code)))
}

func component(code *fhirjson.Node, name string, value any) *fhirjson.Node {
	return fhirjson.Obj("code", code, name, value)
}

func quantity(value, unit string) *fhirjson.Node {
	return fhirjson.Obj("value", fhirjson.Num(value), "unit", unit, "system", fhirmap.UCUM, "code", unit)
}

// emptying is an entry as a charting front end sends it.
func emptying() *fhirjson.Node {
	return fhirjson.Obj(
		"resourceType", "Observation",
		"meta", fhirjson.Obj("profile", fhirjson.Arr(ours+"drain-emptying")),
		"identifier", fhirjson.Arr(fhirjson.Obj("system", "http://example.org/entries", "value", "e-1")),
		"status", "final",
		"category", fhirjson.Arr(of(fhirmap.Category, "exam")),
		"code", of(fhirmap.LOINC, "9203-1"),
		"subject", fhirjson.Obj("reference", "Patient/p1"),
		"effectiveDateTime", "2026-11-25T14:05:00+01:00",
		"performer", fhirjson.Arr(fhirjson.Obj("reference", "Practitioner/n1")),
		"valueQuantity", quantity("35", "mL"),
		"device", fhirjson.Obj("reference", "Device/d1"),
		"component", fhirjson.Arr(
			component(of(fhirmap.LOINC, fhirmap.LOINCAppearance), "valueCodeableConcept", local("serosanguineous")),
			component(of(fhirmap.LOINC, fhirmap.LOINCColour), "valueCodeableConcept", of(fhirmap.SNOMED, "371240000")),
			component(local(fhirmap.CodeSuction), "valueCodeableConcept", local("charged")),
			component(local(fhirmap.CodeFill), "valueQuantity", quantity("40", "%")),
			component(local(fhirmap.CodeVessel), "valueCodeableConcept", local("medicine-cup")),
			component(local(fhirmap.CodeInstilled), "valueQuantity", quantity("10", "mL")),
			component(local(fhirmap.CodePatency), "valueCodeableConcept", local("patent")),
		),
	)
}

func siteAssessment() *fhirjson.Node {
	n := emptying()
	n.Get("meta").Set("profile", fhirjson.Arr(ours+"drain-site-assessment"))
	n.Set("code", local(fhirmap.CodeSite))
	n.Delete("valueQuantity")
	n.Set("component", fhirjson.Arr(
		component(local("redness"), "valueBoolean", true),
		component(local("suture"), "valueBoolean", true),
	))
	return n
}

func charted(t testing.TB, n *fhirjson.Node) *drain.Entry {
	t.Helper()
	f, _ := fhirmap.Decode(n, time.UTC)
	return f.Entry
}

func compartmentsOf(l *Library) map[string]drain.Compartment {
	out := map[string]drain.Compartment{}
	for _, c := range l.sets[set+"compartment"] {
		out[c.code] = drain.Compartment(c.code)
	}
	return out
}

func codingsOf(n *fhirjson.Node) *fhirjson.Node { return n.Get("code").Get("coding") }

func add(array *fhirjson.Node, items ...*fhirjson.Node) { array.Items = append(array.Items, items...) }

func TestValidate(t *testing.T) {
	l := library(t)
	bare := func(change func(n *fhirjson.Node)) *fhirjson.Node { // claims no profile
		n := emptying()
		n.Delete("meta")
		change(n)
		return n
	}
	change := func(n *fhirjson.Node, f func(n *fhirjson.Node)) *fhirjson.Node { f(n); return n }
	for _, c := range []struct {
		name string
		n    *fhirjson.Node
		want []string // code and expression of each fault
	}{
		{"an emptying", emptying(), nil},
		{"a site assessment", siteAssessment(), nil},
		{"a reservoir check", change(emptying(), func(n *fhirjson.Node) {
			n.Get("meta").Set("profile", fhirjson.Arr(ours+"reservoir-check|1.0.0"))
			n.Set("code", local(fhirmap.CodeCheck))
			n.Delete("valueQuantity")
		}), nil},
		{"urine", change(emptying(), func(n *fhirjson.Node) {
			n.Get("meta").Set("profile", fhirjson.Arr(ours+"intake-output"))
			n.Set("code", of(fhirmap.LOINC, "9187-6"))
			n.Delete("device")
			n.Delete("component")
		}), nil},
		{"no volume, and why", change(emptying(), func(n *fhirjson.Node) {
			n.Delete("valueQuantity")
			n.Set("dataAbsentReason", of(fhirmap.Absent, "not-performed"))
		}), nil},
		{"a heart rate", bare(func(n *fhirjson.Node) { n.Set("code", of(fhirmap.LOINC, "8867-4")); n.Delete("component") }), nil},
		{"the skin code beside a site assessment", change(siteAssessment(), func(n *fhirjson.Node) {
			add(codingsOf(n), fhirjson.Obj("system", fhirmap.LOINC, "code", "72301-5"), fhirjson.Obj("system", fhirmap.SNOMED, "code", "128045006"))
		}), nil},
		{"a local translation of a LOINC code", change(emptying(), func(n *fhirjson.Node) {
			add(codingsOf(n), fhirjson.Obj("system", fhirmap.LOINC, "code", "9161-1"), fhirjson.Obj("system", fhirmap.Local, "code", fhirmap.CodeOutput))
		}), nil},

		{"codes that do not exist", bare(func(n *fhirjson.Node) {
			add(n.Get("category"), local("fluid_balance"))
			add(n.Get("component"), component(local("reservoir-colour"), "valueCodeableConcept", local("blue")))
			n.Set("extension", fhirjson.Arr(fhirjson.Obj("url", "http://example.org/x", "valueCoding", fhirjson.Obj("system", fhirmap.Local, "code", "x"))))
		}), []string{
			"code-invalid Observation.category[1].coding[0].code",
			"code-invalid Observation.component[7].code.coding[0].code",
			"code-invalid Observation.component[7].value.coding[0].code",
			"code-invalid Observation.extension[0].value.code",
		}},
		{"a site assessment hidden in an emptying", bare(func(n *fhirjson.Node) {
			add(codingsOf(n), fhirjson.Obj("system", fhirmap.Local, "code", fhirmap.CodeSite))
		}), []string{"business-rule Observation.code"}},
		{"a total hidden in a site assessment", change(siteAssessment(), func(n *fhirjson.Node) {
			add(codingsOf(n), fhirjson.Obj("system", fhirmap.LOINC, "code", "9257-7"))
		}), []string{"business-rule Observation.code"}},
		{"a reservoir check hidden in a site assessment", change(siteAssessment(), func(n *fhirjson.Node) {
			codingsOf(n).Items = append([]*fhirjson.Node{fhirjson.Obj("system", fhirmap.Local, "code", fhirmap.CodeCheck)}, codingsOf(n).Items...)
		}), []string{"business-rule Observation.code"}},
		{"a site assessment contained in an emptying", bare(func(n *fhirjson.Node) {
			inner := siteAssessment()
			inner.Set("id", fhirjson.Str("s"))
			n.Set("contained", fhirjson.Arr(inner))
			n.Set("hasMember", fhirjson.Arr(fhirjson.Obj("reference", "#s")))
		}), []string{"business-rule Observation.code"}},
		{"signs in an emptying", bare(func(n *fhirjson.Node) {
			add(n.Get("component"), component(local("redness"), "valueBoolean", true))
			add(n.Get("component").Items[2].Get("code").Get("coding"), fhirjson.Obj("system", fhirmap.Local, "code", "pus"))
		}), []string{
			"business-rule Observation.component[2].code.coding[1]",
			"business-rule Observation.component[7].code.coding[0]",
		}},
		{"signs in what the service does not know", bare(func(n *fhirjson.Node) {
			n.Set("code", of(fhirmap.LOINC, "39135-9"))
			n.Set("component", fhirjson.Arr(component(local("suture"), "valueBoolean", false)))
		}), []string{"business-rule Observation.component[0].code.coding[0]"}},
		{"a component twice", bare(func(n *fhirjson.Node) {
			add(n.Get("component"),
				component(local(fhirmap.CodeInstilled), "valueQuantity", quantity("1", "mL")),
				component(of(fhirmap.LOINC, fhirmap.LOINCAppearance), "valueCodeableConcept", local("clear")),
				component(of("http://example.org/codes", "smell"), "valueString", "none"),
				component(of("http://example.org/codes", "smell"), "valueString", "none"))
		}), []string{
			"business-rule Observation.component[7].code.coding[0]",
			"business-rule Observation.component[8].code.coding[0]",
		}},
		{"in and out at once", bare(func(n *fhirjson.Node) {
			add(codingsOf(n), fhirjson.Obj("system", fhirmap.LOINC, "code", "9000-1"))
		}), []string{"business-rule Observation.code"}},
		{"a weight that is a volume", bare(func(n *fhirjson.Node) {
			add(codingsOf(n), fhirjson.Obj("system", fhirmap.LOINC, "code", fhirmap.LOINCWeight))
		}), []string{"business-rule Observation.code"}},

		{"a claim that does not hold", parse(t, `{"resourceType":"Observation","status":"final","meta":{"profile":["`+ours+`drain-emptying"]},
			"code":{"coding":[{"system":"http://loinc.org","code":"8867-4"}]},"effectivePeriod":{"start":"2026-11-25T14:05:00Z","end":"2026-11-25"}}`), []string{
			"required Observation.category", "code-invalid Observation.code", "required Observation.subject", "required Observation.performer",
			"required Observation.device", "invariant Observation.value", "invariant Observation.effective",
		}},
		{"another category", change(emptying(), func(n *fhirjson.Node) {
			n.Set("category", fhirjson.Arr(of(fhirmap.Category, "vital-signs")))
		}), []string{"value Observation.category"}},
		{"the time of a profile", change(emptying(), func(n *fhirjson.Node) { n.Delete("effectiveDateTime") }), []string{"required Observation.effective"}},
		{"a Timing", change(emptying(), func(n *fhirjson.Node) {
			n.Delete("effectiveDateTime")
			n.Set("effectiveTiming", fhirjson.Obj("event", fhirjson.Arr("2026-11-25T14:05:00Z")))
		}), []string{"value Observation.effective", "invariant Observation.effective"}},
		{"a value in a check", change(emptying(), func(n *fhirjson.Node) {
			n.Get("meta").Set("profile", fhirjson.Arr(ours+"reservoir-check"))
			n.Set("code", local(fhirmap.CodeCheck))
		}), []string{"value Observation.value"}},
		{"a component of the wrong type", change(siteAssessment(), func(n *fhirjson.Node) {
			add(n.Get("component"), component(local("pus"), "valueString", "a little"))
		}), []string{"value Observation.component[2].value"}},
		{"the profile of another type", change(emptying(), func(n *fhirjson.Node) {
			n.Get("meta").Set("profile", fhirjson.Arr(ours+"drain", ours+"none", "http://example.org/other", ours+"drain-emptying|9"))
		}), []string{"value Observation", "not-found Observation.meta.profile[1]", "not-found Observation.meta.profile[3]"}},

		{"a drain", parse(t, `{"resourceType":"Device","meta":{"profile":["`+ours+`drain"]},"deviceName":[{"name":"Drain 1","type":"user-friendly-name"}],
			"type":{"coding":[{"system":"`+fhirmap.Local+`","code":"bulb"}]},"property":[{"type":{"coding":[{"system":"`+fhirmap.Local+`","code":"reservoir-capacity"}]},
			"valueQuantity":[{"value":100,"system":"http://unitsofmeasure.org","code":"mL"}]}]}`), nil},
		{"a drain without a name or type", parse(t, `{"resourceType":"Device","meta":{"profile":["`+ours+`drain"]},"property":[{"type":{"coding":[{"system":"`+fhirmap.Local+`","code":"size"}]}}]}`), []string{
			"code-invalid Device.property[0].type.coding[0].code", "required Device.deviceName", "required Device.type",
		}},
		{"a placement", parse(t, `{"resourceType":"DeviceUseStatement","meta":{"profile":["`+ours+`drain-placement"]},"status":"active","subject":{"reference":"Patient/p"},"device":{"reference":"Device/d"},
			"timingPeriod":{"start":"2026-11-20"},"extension":[{"url":"`+ours+`body-side","valueCodeableConcept":{"text":"left"}}]}`), nil},
		{"a side as a string, and an extension that is none", parse(t, `{"resourceType":"DeviceUseStatement","status":"active","subject":{"reference":"Patient/p"},"device":{"reference":"Device/d"},
			"extension":[{"url":"`+ours+`body-side","valueString":"left"},{"url":"`+ours+`side","valueString":"left"},{"url":"`+ours+`drain","valueString":"left"}]}`), []string{
			"extension DeviceUseStatement.extension[0].value", "extension DeviceUseStatement.extension[1].url", "extension DeviceUseStatement.extension[2].url",
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			if r4.Validate(c.n, r4.Options{}).Failed() {
				t.Fatalf("the case is no valid R4: %v", r4.Validate(c.n, r4.Options{}).As(0))
			}
			list := l.Validate(c.n)
			var got []string
			for _, is := range list.Issues {
				got = append(got, is.Code+" "+strings.Join(is.Expression, ","))
				if len(is.Diagnostics) < 30 {
					t.Errorf("no fix: %q", is.Diagnostics)
				}
			}
			slices.Sort(got)
			want := slices.Sorted(slices.Values(c.want))
			if !slices.Equal(got, want) {
				t.Errorf("got\n\t%s\nwant\n\t%s", strings.Join(got, "\n\t"), strings.Join(want, "\n\t"))
			}
		})
	}
}

// The concerns that the service writes are what its profile says.
func TestOwnConcernsConform(t *testing.T) {
	l := library(t)
	at := time.Date(2026, 11, 25, 13, 0, 0, 0, time.UTC)
	kinds := concern.Kinds()
	for i, c := range l.sets[set+"issue-rule"] {
		k := drain.Concern{
			ID: "f1", Drain: "d1", Patient: "p1", Kind: kinds[i%len(kinds)], Severity: drain.High, Since: at, Headline: "One line.",
			Announced: drain.Announced{At: at, Reason: concern.Repeated}, Policy: "0123456789ab",
			Evidence:     []drain.Evidence{{Rule: c.code, Severity: drain.High, Since: at, Text: "The figures.", Readings: []string{"o1"}}},
			Acknowledged: drain.Acknowledged{Void: "acknowledged 10:05, worse since: 210 mL"},
		}
		n := fhirmap.Concern(k, nil)
		if list, err := l.Conforms(n, ours+"escalation"); err != nil || len(list.Issues) > 0 {
			t.Errorf("%s: %v %v", c.code, err, list)
		}
		fhirmap.Acknowledge(n, concern.Acknowledge(k, "Practitioner/n1", at).Acknowledged, "seen", "", "")
		list, err := l.Conforms(n, ours+"escalation")
		if err != nil || len(list.Issues) > 0 || len(l.Validate(n).Issues) > 0 {
			t.Errorf("%s: %v %v %v", c.code, err, list, l.Validate(n).Issues)
		}
	}
	for url, ok := range map[string]bool{
		"http://hl7.org/fhir/StructureDefinition/Observation": true, "http://hl7.org/fhir/StructureDefinition/Observation|4.0.1": true,
		"http://hl7.org/fhir/StructureDefinition/Device": false, ours + "body-side": false, fhirmap.Local: false, ours + "drain-emptying|1.0.0": true,
	} {
		if list, err := l.Conforms(emptying(), url); (err == nil) != ok || ok && len(list.Issues) > 0 {
			t.Errorf("%s: %v %v", url, list, err)
		}
	}
}

// However it is dressed, an Observation that matches a right to chart output
// and one to chart the site is refused, and so is one that holds a sign without
// being a site assessment.
func TestRightsCannotBeMixed(t *testing.T) {
	l := library(t)
	var fluids []coding
	for _, id := range []string{"drain-output-code", "intake-output-code"} {
		for _, c := range l.sets[set+id] {
			fluids = append(fluids, c.coding)
		}
	}
	fluids = append(fluids, coding{fhirmap.Local, fhirmap.CodeCheck}, coding{fhirmap.LOINC, fhirmap.LOINCWeight}, coding{fhirmap.LOINC, "9097-7"})
	signs := l.sets[set+"site-sign"]
	fluid := rapid.SampledFrom(fluids)
	other := rapid.Custom(func(t *rapid.T) coding {
		return coding{rapid.SampledFrom([]string{"http://example.org/codes", fhirmap.SNOMED}).Draw(t, "system"), rapid.StringMatching(`[0-9a-z]{1,9}`).Draw(t, "code")}
	})
	codings := func(t *rapid.T, list []coding) *fhirjson.Node {
		array := &fhirjson.Node{Kind: fhirjson.Array}
		for _, c := range rapid.Permutation(append(list, rapid.SliceOfN(other, 0, 3).Draw(t, "others")...)).Draw(t, "order") {
			add(array, fhirjson.Obj("system", c.system, "code", c.code))
		}
		return fhirjson.Obj("coding", array)
	}
	refused := func(t *rapid.T, n *fhirjson.Node, where string) {
		for _, is := range l.Validate(n).Issues {
			if is.Code == "business-rule" && strings.HasPrefix(is.Expression[0], where) {
				return
			}
		}
		t.Fatalf("accepted: %s", n.Bytes())
	}
	rapid.Check(t, func(t *rapid.T) {
		n := emptying()
		n.Set("code", codings(t, []coding{fluid.Draw(t, "fluid"), {fhirmap.Local, fhirmap.CodeSite}}))
		refused(t, n, "Observation.code")
	})
	rapid.Check(t, func(t *rapid.T) {
		n := emptying()
		n.Set("code", codings(t, []coding{fluid.Draw(t, "fluid")}))
		list := n.Get("component")
		i := rapid.IntRange(0, len(list.Items)).Draw(t, "place")
		sign := fhirjson.Obj("code", codings(t, []coding{rapid.SampledFrom(signs).Draw(t, "sign").coding}), "valueBoolean", true)
		list.Items = slices.Insert(list.Items, i, sign)
		refused(t, n, fmt.Sprintf("Observation.component[%d]", i))
	})
	rapid.Check(t, func(t *rapid.T) { // and what is charted apart is accepted
		n := emptying()
		n.Delete("meta")
		n.Set("code", codings(t, []coding{fluid.Draw(t, "fluid")}))
		if issues := l.Validate(n).Issues; len(issues) > 0 {
			t.Fatalf("refused: %v", issues)
		}
	})
}

// A local code is accepted wherever it stands exactly when the code system has it.
func TestLocalCodesAnywhere(t *testing.T) {
	l := library(t)
	rapid.Check(t, func(t *rapid.T) {
		code := rapid.OneOf(
			rapid.StringMatching(`[a-z]{1,8}(-[a-z]{1,8})?`),
			rapid.Custom(func(t *rapid.T) string { return rapid.SampledFrom(l.drain.list).Draw(t, "concept").Str("code") }),
		).Draw(t, "code")
		n := fhirjson.Obj("system", fhirmap.Local, "code", code)
		for range rapid.IntRange(0, 20).Draw(t, "depth") {
			if rapid.Bool().Draw(t, "array") {
				n = fhirjson.Obj("items", fhirjson.Arr("x", n))
			} else {
				n = fhirjson.Obj("item", n)
			}
		}
		root := fhirjson.Obj("resourceType", "Basic", "tree", n)
		known := l.drain.byCode[code] != nil
		if got := l.Validate(root).Failed(); got == known {
			t.Fatalf("%q: known %v, refused %v", code, known, got)
		}
	})
}

func FuzzValidate(f *testing.F) {
	l := library(f)
	for _, n := range []*fhirjson.Node{emptying(), siteAssessment()} {
		f.Add(n.Bytes())
	}
	f.Add([]byte(`{"resourceType":"Observation","meta":{"profile":[1,null,{"a":1}]},"code":[{"coding":[[1]]}],"component":{"code":{"coding":"x"}},"contained":[{"resourceType":"Observation","component":[3]}]}`))
	f.Fuzz(func(t *testing.T, data []byte) {
		n, err := fhirjson.Parse(data)
		if err != nil {
			return
		}
		for _, is := range l.Validate(n).Issues {
			if len(is.Expression) != 1 || is.Diagnostics == "" {
				t.Errorf("an issue without a place or a text: %+v", is)
			}
		}
		for _, sd := range l.All("StructureDefinition") {
			if _, err := l.Conforms(n, sd.Str("url")); (err == nil) == (sd.Str("type") == "Extension") {
				t.Errorf("%s: %v", sd.Str("id"), err)
			}
		}
	})
}

func BenchmarkValidate(b *testing.B) {
	l := library(b)
	claims, plain := emptying(), emptying()
	plain.Delete("meta")
	for name, n := range map[string]*fhirjson.Node{"plain": plain, "claiming a profile": claims} {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if l.Validate(n).Failed() {
					b.Fatal("refused")
				}
			}
		})
	}
}
