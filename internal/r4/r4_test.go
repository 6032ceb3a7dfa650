package r4

import (
	"fmt"
	"math/big"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"tidemark/internal/fault"
	"tidemark/internal/fhirjson"
)

func TestTypes(t *testing.T) {
	types := tablesOnce().names
	if len(types) != 146 || !slices.IsSorted(types) { // 4.0.1 has 146 concrete resource types
		t.Errorf("%d types, sorted: %v", len(types), slices.IsSorted(types))
	}
	for name, want := range map[string]bool{"Observation": true, "Zebra": false, "observation": false, "": false,
		"Resource": false, "DomainResource": false, "Quantity": false, "ClaimResponse": true, "VisionPrescription": true} {
		if IsType(name) != want {
			t.Errorf("IsType(%q) = %v", name, !want)
		}
	}
}

func TestCompartments(t *testing.T) {
	for _, c := range []struct {
		compartment, typ string
		want             []string
	}{
		{"Patient", "Observation", []string{"subject", "performer"}},
		{"Device", "Observation", []string{"subject", "device"}},
		{"Encounter", "Observation", []string{"encounter"}},
		{"Practitioner", "Observation", []string{"performer"}},
		{"Device", "DeviceUseStatement", []string{"device"}},
		{"Patient", "DeviceUseStatement", []string{"subject"}},
		{"Device", "Patient", nil},
		{"Organization", "Observation", nil},
	} {
		if got := compartmentParams(c.compartment, c.typ); !slices.Equal(got, c.want) {
			t.Errorf("%s in %s: %v, want %v", c.typ, c.compartment, got, c.want)
		}
	}
}

func TestRequiredCodes(t *testing.T) {
	want := []string{"<", "<=", ">", ">="}
	for _, url := range []string{"http://hl7.org/fhir/ValueSet/quantity-comparator", "http://hl7.org/fhir/ValueSet/quantity-comparator|4.0.1"} {
		if got := requiredCodes(url); !slices.Equal(got, want) {
			t.Errorf("%s: %v", url, got)
		}
	}
	if got := requiredCodes("http://example.org/ValueSet/x"); got != nil {
		t.Errorf("unknown value set: %v", got)
	}
}

func TestTypeOfTheURL(t *testing.T) {
	n := own(t, "device")
	if l := Validate(n, Options{Type: "Device"}); l.Failed() {
		t.Errorf("same type: %v", l.Issues)
	}
	l := Validate(n, Options{Type: "Patient"})
	if len(l.Issues) != 1 || Kind(l) != fault.Invalid || l.Issues[0].Expression[0] != "Device" {
		t.Errorf("other type: %+v", l.Issues)
	}
}

func TestPathOfAnEntry(t *testing.T) {
	l := Validate(parse(t, `{"resourceType":"Device","status":"on"}`), Options{At: "Bundle.entry[2].resource"})
	if len(l.Issues) != 1 || l.Issues[0].Expression[0] != "Bundle.entry[2].resource.status" {
		t.Errorf("%+v", l.Issues)
	}
}

func TestAllFaultsTogether(t *testing.T) {
	l := Validate(parse(t, `{"resourceType":"Observation","id":"a_b","status":"done","colour":1,"subject":{"reference":"Medication/1"},"valueQuantity":{"code":"mL","value":"1"}}`), Options{})
	var got []string
	for _, is := range l.Issues {
		got = append(got, is.Code+" "+is.Expression[0])
	}
	want := []string{"value Observation.id", "code-invalid Observation.status", "structure Observation.colour", "value Observation.subject",
		"structure Observation.value.value", "invariant Observation.value", "required Observation.code"}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
	if Kind(l) != fault.Invalid {
		t.Error("a list with a fault of structure is Invalid")
	}
}

func TestLimitKeepsTheKind(t *testing.T) {
	var b strings.Builder
	b.WriteString(`{"resourceType":"Device","note":[`)
	for range 150 {
		b.WriteString(`{},`)
	}
	b.WriteString(`{"text":"x"}],"colour":1}`)
	l := Validate(parse(t, b.String()), Options{})
	if n := len(l.Issues); n != 101 || l.Issues[100].Severity != fault.Information || !strings.HasPrefix(l.Issues[100].Diagnostics, "51 more") {
		t.Errorf("%d issues, last %+v", n, l.Issues[n-1])
	}
	if Kind(l) != fault.Invalid {
		t.Error("the fault of structure beyond the limit is lost")
	}
	if l := Validate(parse(t, b.String()), Options{Limit: 3}); len(l.Issues) != 4 {
		t.Errorf("limit 3: %d issues", len(l.Issues))
	}
}

func TestNotAResource(t *testing.T) {
	for _, text := range []string{`null`, `1`, `"x"`, `[]`, `{}`, `[{"resourceType":"Device"}]`} {
		if l := Validate(parse(t, text), Options{}); !l.Failed() || Kind(l) != fault.Invalid {
			t.Errorf("%s: %+v", text, l.Issues)
		}
	}
	if l := Validate(nil, Options{}); !l.Failed() {
		t.Error("nil is no resource")
	}
}

// Diagnostics must not repeat what a patient's record holds.
func TestDiagnosticsRepeatNoValues(t *testing.T) {
	const secret = "Zx9Secret"
	for _, text := range []string{
		`{"resourceType":"Patient","birthDate":"` + secret + `","gender":"` + secret + `","id":"` + secret + `_"}`,
		`{"resourceType":"Patient","text":{"status":"generated","div":"` + secret + `"},"photo":[{"data":"` + secret + `!"}]}`,
		`{"resourceType":"Patient","generalPractitioner":[{"reference":"` + secret + `/1"}],"telecom":"` + secret + `","multipleBirthInteger":"` + secret + `"}`,
	} {
		for _, is := range Validate(parse(t, text), Options{}).Issues {
			if strings.Contains(fmt.Sprint(is), secret) {
				t.Errorf("%+v", is)
			}
		}
	}
}

func paths(sites []Site) []string {
	var out []string
	for _, s := range sites {
		text := s.Node.Text
		if s.Type == "Reference" {
			text = s.Node.Str("reference")
		}
		out = append(out, s.Path+" "+s.Type+" "+text)
	}
	return out
}

func TestReferences(t *testing.T) {
	n := parse(t, `{"resourceType":"Bundle","type":"collection","entry":[
		{"resource":{"resourceType":"Observation","_status":{"extension":[{"url":"http://example.org/a","valueReference":{"reference":"Device/1"}}]},
			"contained":[{"resourceType":"Device","id":"a","patient":{"reference":"Patient/2"}}],"subject":{"display":"x"},"performer":[{"reference":"Practitioner/3"},{"reference":"Practitioner/4"}]}},
		{"resource":{"resourceType":"Procedure","subject":{"reference":"Patient/5"},"performer":[{"actor":{"reference":"Practitioner/6"}}],"note":[{"extension":[{"url":"http://example.org/b","valueReference":{"reference":"Device/7"}}]}]}}]}`)
	want := []string{
		"Bundle.entry[0].resource.status.extension[0].value Reference Device/1",
		"Bundle.entry[0].resource.contained[0].patient Reference Patient/2",
		"Bundle.entry[0].resource.subject Reference ",
		"Bundle.entry[0].resource.performer[0] Reference Practitioner/3",
		"Bundle.entry[0].resource.performer[1] Reference Practitioner/4",
		"Bundle.entry[1].resource.subject Reference Patient/5",
		"Bundle.entry[1].resource.performer[0].actor Reference Practitioner/6",
		"Bundle.entry[1].resource.note[0].extension[0].value Reference Device/7",
	}
	sites := References(n)
	if diff := cmp.Diff(want, paths(sites)); diff != "" {
		t.Error(diff)
	}
	sites[0].Node.Set("reference", fhirjson.Str("Device/new"))
	if !strings.Contains(string(n.Bytes()), "Device/new") {
		t.Error("a site is not the node in the tree")
	}
}

func TestLinks(t *testing.T) {
	n := own(t, "bundle-transaction").Get("entry").Items[0].Get("resource")
	var got []string
	for _, s := range Links(n) {
		got = append(got, s.Path+" "+s.Type)
	}
	if diff := cmp.Diff([]string{"Device.text.`div` xhtml", "Device.url uri"}, got); diff != "" {
		t.Error(diff)
	}
}

func TestRewriteNarrative(t *testing.T) {
	swap := func(link string) string {
		if link == "urn:uuid:1" || link == "a&b" {
			return "Device/9?x=1&y=2"
		}
		return link
	}
	for in, want := range map[string]string{
		`<div><a class="x" href="urn:uuid:1">urn:uuid:1</a></div>`:           `<div><a class="x" href="Device/9?x=1&amp;y=2">urn:uuid:1</a></div>`,
		`<div><img alt='>' src='urn:uuid:1'/><a href="#q" >b</a></div>`:      `<div><img alt='>' src='Device/9?x=1&amp;y=2'/><a href="#q" >b</a></div>`,
		`<div><a href = "a&amp;b"/><a href="c&amp;d"/></div>`:                `<div><a href = "Device/9?x=1&amp;y=2"/><a href="c&amp;d"/></div>`,
		`<div><abbr title="urn:uuid:1">x</abbr><a name="urn:uuid:1"/></div>`: `<div><abbr title="urn:uuid:1">x</abbr><a name="urn:uuid:1"/></div>`,
	} {
		if got := RewriteNarrative(in, swap); got != want {
			t.Errorf("got  %s\nwant %s", got, want)
		}
	}
}

func names(n *fhirjson.Node) []string {
	var out []string
	for _, m := range n.Members {
		out = append(out, m.Name)
	}
	return out
}

func TestSummary(t *testing.T) {
	n := own(t, "observation")
	before := n.Clone()
	for _, c := range []struct {
		what string
		got  *fhirjson.Node
		want []string
	}{
		{"true", Summary(n, SummaryTrue), []string{"resourceType", "id", "meta", "identifier", "basedOn", "status", "_status", "code", "subject", "encounter", "effectivePeriod", "issued", "performer", "valueQuantity", "component"}},
		{"text", Summary(n, SummaryText), []string{"resourceType", "id", "meta", "text", "status", "_status", "code"}},
		{"data", Summary(n, SummaryData), slices.DeleteFunc(names(n), func(s string) bool { return s == "text" })},
		{"elements", Elements(n, []string{"value", "Observation.device", "Patient.bodySite", "nothing"}), []string{"resourceType", "id", "meta", "status", "_status", "code", "valueQuantity", "device"}},
		{"elements by JSON name", Elements(n, []string{"valueQuantity"}), []string{"resourceType", "id", "meta", "status", "_status", "code", "valueQuantity"}},
	} {
		if diff := cmp.Diff(c.want, names(c.got)); diff != "" {
			t.Errorf("%s: %s", c.what, diff)
		}
		tags := c.got.Get("meta").Each("tag")
		if len(tags) != 2 || tags[0].Str("code") != "ward" || tags[1].Str("code") != "SUBSETTED" {
			t.Errorf("%s: tags %s", c.what, c.got.Get("meta").Bytes())
		}
		if !n.Equal(before) {
			t.Fatalf("%s changed its input", c.what)
		}
	}
	if got := Summary(n, SummaryFalse); got != n {
		t.Error("false gives the resource itself")
	}
	component := Summary(n, SummaryTrue).Get("component").Items
	if got := names(component[5]); !slices.Equal(got, []string{"code"}) {
		t.Errorf("component in summary: %v", got)
	}
	if again := Summary(Summary(n, SummaryTrue), SummaryTrue); len(again.Get("meta").Each("tag")) != 2 {
		t.Error("tagged twice")
	}
	photo := Summary(own(t, "patient"), SummaryTrue)
	if photo.Get("photo") != nil {
		t.Error("Patient.photo is no summary element")
	}
}

func TestSummaryPlacesMeta(t *testing.T) {
	got := string(Summary(parse(t, `{"resourceType":"Device","id":"a","status":"active","owner":{"reference":"Organization/1"}}`), SummaryTrue).Bytes())
	want := `{"resourceType":"Device","id":"a","meta":{"tag":[{"system":"http://terminology.hl7.org/CodeSystem/v3-ObservationValue","code":"SUBSETTED"}]},"status":"active"}`
	if got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
}

// What is left of a valid resource is valid, unless a rule asks for one of
// several optional elements, as org-1 does.
func TestSummariesStayValid(t *testing.T) {
	for _, name := range []string{"device", "patient", "encounter", "practitioner", "location", "provenance", "subscription", "audit-event", "detected-issue", "device-use", "group", "practitioner-role"} {
		n := own(t, name)
		for _, got := range []*fhirjson.Node{Summary(n, SummaryTrue), Summary(n, SummaryText), Summary(n, SummaryData), Elements(n, []string{"id"})} {
			for _, is := range Validate(got, Options{}).Issues {
				t.Errorf("%s: %+v in %s", name, is, got.Bytes())
			}
		}
	}
}

func TestCompareDecimals(t *testing.T) {
	number := rapid.StringMatching(`-?(0|[1-9][0-9]{0,4})(\.[0-9]{1,4})?([eE][+-]?[0-9]{1,2})?`)
	rapid.Check(t, func(t *rapid.T) {
		a, b := number.Draw(t, "a"), number.Draw(t, "b")
		x, _ := new(big.Rat).SetString(a)
		y, _ := new(big.Rat).SetString(b)
		if got, want := compareDecimals(a, b), x.Cmp(y); got != want {
			t.Fatalf("%s against %s: %d, want %d", a, b, got, want)
		}
		if got, want := sign(fhirjson.Num(a)), x.Sign(); got != want {
			t.Fatalf("sign of %s: %d, want %d", a, got, want)
		}
	})
	if compareDecimals("1e99999999999999999999", "2e9") != 1 {
		t.Error("huge exponents")
	}
}

func FuzzValidate(f *testing.F) {
	for _, m := range mutations(f) {
		f.Add(m.apply(f).Bytes())
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		n, err := fhirjson.Parse(data)
		if err != nil {
			return
		}
		before := n.Clone()
		l := Validate(n, Options{})
		for _, is := range l.Issues {
			if is.Severity == fault.Err && (len(is.Expression) != 1 || is.Expression[0] == "") || is.Diagnostics == "" {
				t.Fatalf("%+v", is)
			}
		}
		References(n)
		for _, s := range Links(n) {
			if s.Type == "xhtml" {
				RewriteNarrative(s.Node.Text, strings.ToUpper)
			}
		}
		if n.Kind == fhirjson.Object {
			for _, mode := range []SummaryMode{SummaryTrue, SummaryText, SummaryData} {
				Summary(n, mode)
			}
			Elements(n, []string{"value"})
		}
		if !n.Equal(before) {
			t.Fatal("the input was changed")
		}
	})
}

func FuzzNarrative(f *testing.F) {
	f.Add(`<div xmlns="http://www.w3.org/1999/xhtml"><a href="x">b</a></div>`)
	f.Add(`<div xmlns="http://www.w3.org/1999/xhtml"><!--><script>x</script>--></div>`)
	f.Fuzz(func(t *testing.T, s string) {
		if narrative(s) == "" && strings.Contains(strings.ToLower(s), "<script") && !strings.Contains(s, "<!--") && !strings.Contains(s, `"`) && !strings.Contains(s, `'`) {
			t.Fatalf("a script passed: %q", s)
		}
	})
}

const emptying = `{"resourceType":"Observation","id":"emptying-1","meta":{"versionId":"1","lastUpdated":"2026-11-25T14:05:00.000Z","profile":["http://example.org/StructureDefinition/emptying"]},
"identifier":[{"system":"http://example.org/emptyings","value":"E-1"}],"status":"final","category":[{"coding":[{"system":"http://example.org/codes","code":"output"}]}],
"code":{"coding":[{"system":"http://example.org/codes","code":"drain-output","display":"Drain output"}]},"subject":{"reference":"Patient/p1"},"encounter":{"reference":"Encounter/e1"},
"effectiveDateTime":"2026-11-25T14:00:00+01:00","issued":"2026-11-25T14:05:00.123+01:00","performer":[{"reference":"Practitioner/n1"}],
"valueQuantity":{"value":45.0,"unit":"mL","system":"http://unitsofmeasure.org","code":"mL"},"device":{"reference":"Device/d1"},
"component":[{"code":{"coding":[{"system":"http://example.org/codes","code":"colour"}]},"valueCodeableConcept":{"coding":[{"system":"http://example.org/codes","code":"serous"}]}}]}`

func BenchmarkValidate(b *testing.B) {
	n := parse(b, emptying)
	b.ReportAllocs()
	for b.Loop() {
		if l := Validate(n, Options{Type: "Observation"}); l.Failed() {
			b.Fatal(l.Issues)
		}
	}
}

func BenchmarkLoadTables(b *testing.B) {
	for b.Loop() {
		if _, err := load(tableText); err != nil {
			b.Fatal(err)
		}
	}
}

func requiredCodes(valueSetURL string) []string {
	url, _, _ := strings.Cut(valueSetURL, "|")
	if c := tablesOnce().codes[strings.TrimPrefix(url, "http://hl7.org/fhir/ValueSet/")]; c != nil {
		return c.codes
	}
	return nil
}

func compartmentParams(compartment, resourceType string) []string {
	return tablesOnce().compartments[compartment][resourceType]
}
