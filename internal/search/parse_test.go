package search

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"tidemark/internal/fault"
)

func TestPrecision(t *testing.T) {
	for _, c := range []struct{ value, low, high string }{
		{"100", "99.5", "100.5"},
		{"100.00", "99.995", "100.005"},
		{"1e2", "95", "105"},
		{"1.0e2", "95", "105"},
		{"15e1", "145", "155"},
		{"5.4", "5.35", "5.45"},
		{"-5.4", "-5.45", "-5.35"},
		{"0", "-0.5", "0.5"},
		{"5.40e-3", "0.005395", "0.005405"},
		{"ap100", "90", "110"},
		{"ap2", "1.5", "2.5"},
	} {
		v := Value{Prefix: "eq"}
		if why := v.number(c.value); why != "" || v.Low != c.low || v.High != c.high {
			t.Errorf("%s is [%s, %s) %s, want [%s, %s)", c.value, v.Low, v.High, why, c.low, c.high)
		}
	}
}

func TestConversionIsExact(t *testing.T) {
	v := Value{Prefix: "eq"}
	if why := v.quantity("1.0|http://unitsofmeasure.org|[foz_us]"); why != "" {
		t.Fatal(why)
	}
	if v.Base != "m3" || v.BaseNumber != "0.0000295735295625" || v.BaseLow != "0.000028094853084375" {
		t.Errorf("a fluid ounce is %s %s, from %s", v.BaseNumber, v.Base, v.BaseLow)
	}
	pH := Value{Prefix: "eq"}
	if why := pH.quantity("7|http://unitsofmeasure.org|[pH]"); why != "" || pH.Base != "" {
		t.Errorf("pH is converted: %q %s", pH.Base, why)
	}
}

func TestRefused(t *testing.T) {
	for _, c := range []struct{ typ, query, code, says string }{
		{"Observation", "date=2026-13", "value", "does not exist"},
		{"Observation", "date=2026-02-30", "value", "does not exist"},
		{"Observation", "date=yesterday", "value", "prefix"},
		{"Observation", "date=xx2026", "value", "prefix"},
		{"Observation", "date=ge", "value", "prefix"},
		{"Observation", "date=2026-02-01T00:30:00 01:00", "value", "%2B"},
		{"Observation", "code:exact=x", "not-supported", "missing, not"},
		{"Observation", "code:above=x", "not-supported", "does not support the modifier"},
		{"Observation", "code:=x", "value", "colon"},
		{"Observation", "date:exact=2026", "not-supported", "missing"},
		{"Observation", "code:missing=yes", "value", "true or false"},
		{"Observation", "code:in=http://example.org/none", "value", "no value set"},
		{"Observation", "code=|", "value", "system|code"},
		{"Observation", "code:of-type=a|b|c", "not-supported", "of-type"},
		{"Observation", "identifier:of-type=a|b", "value", "system|code|value"},
		{"Observation", "subject:Practitioner=1", "not-supported", "Patient"},
		{"Observation", "subject:Patient=Device/1", "value", "another type"},
		{"Observation", "subject=Patient/1/_history/2", "value", "without a version"},
		{"Observation", "subject=#p", "value", "contained"},
		{"Observation", "subject=Patient/a b", "value", "absolute URL"},
		{"Observation", "value-quantity=5.4|mg", "value", "number|system|code"},
		{"Observation", "value-quantity=many", "value", "prefix"},
		{"Observation", "value-quantity=0x10", "value", "decimal"},
		{"Observation", "value-quantity=1|http://unitsofmeasure.org|cc", "value", "unit"},
		{"Observation", "code-value-quantity=8867-4", "value", "$"},
		{"Observation", "code-value-quantity=8867-4$", "value", "empty"},
		{"Observation", "code-value-quantity=8867-4$gtx", "value", "value-quantity"},
		{"Observation", "subject.name=x", "value", "several types"},
		{"Observation", "subject:Practitioner.name=x", "value", "does not refer"},
		{"Observation", "patient.nickname=x", "not-supported", "nickname"},
		{"Observation", "code.text=x", "not-supported", "not a reference"},
		{"Patient", "_has:Observation:code:status=final", "not-supported", "no reference parameter"},
		{"Patient", "_has:Observation=final", "value", "_has:Type"},
		{"Patient", "_has:Observation:patient:colour=x", "not-supported", "colour"},
		{"Patient", "_count=-1", "value", "whole number"},
		{"Patient", "_count=many", "value", "whole number"},
		{"Patient", "_count:exact=5", "not-supported", "does not support the modifier"},
		{"Patient", "_total=some", "value", "accurate"},
		{"Patient", "_summary=yes", "value", "text"},
		{"Patient", "_summary=text&_include=Patient:organization", "invalid", "_summary=text"},
		{"Patient", "_elements=a;b", "value", "commas"},
		{"Observation", "_include=Observation:code", "value", "no reference parameter"},
		{"Observation", "_include=Observation", "value", "Type:parameter"},
		{"Observation", "_include=Observation:subject:Practitioner", "value", "does not lead"},
		{"Observation", "_include:recurse=Observation:subject", "not-supported", "recurse"},
		{"Observation", "_revinclude=Claim:patient", "value", "not served"},
		{"Claim", "status=x", "not-supported", "no search"},
	} {
		_, _, err := ParseQuery(c.typ, pairs(c.query), options)
		var f *fault.Error
		if !errors.As(err, &f) || f.Kind != fault.Invalid || f.Issues[0].Code != c.code || !strings.Contains(f.Error(), c.says) {
			t.Errorf("%s?%s: %v, want %s with %q", c.typ, c.query, err, c.code, c.says)
		}
	}
	_, _, err := ParseQuery("Observation", pairs("date=x&status:x=1&code=ok"), options)
	if f := fault.Of(err); len(f.Issues) != 2 {
		t.Errorf("two faults give %d issues", len(f.Issues))
	}
	_, _, err = ParseQuery("Observation", []Pair{{"code", strings.Repeat("a,", 2000)}}, options)
	if f := fault.Of(err); f.Kind != fault.Rule || f.Issues[0].Code != "too-costly" {
		t.Errorf("2000 values: %v", err)
	}
}

func TestUnknown(t *testing.T) {
	query := pairs("colour=red&Code=x&code=a&_sort=-date,shape&_text=x&status=&_format=json&_filter=x&colour:exact=x&near.name=x")
	q, c, err := ParseQuery("Observation", query, options)
	if err != nil {
		t.Fatal(err)
	}
	if want := []string{"colour", "Code", "_sort=shape", "_text", "_filter", "colour:exact", "near.name"}; !slices.Equal(c.Ignored, want) {
		t.Errorf("ignored %q, want %q", c.Ignored, want)
	}
	if want := pairs("code=a&_sort=-date"); !slices.Equal(c.Used, want) {
		t.Errorf("used %q, want %q", c.Used, want)
	}
	if len(q.Where) != 1 || !slices.Equal(q.Sort, []SortKey{{"date", true}}) {
		t.Errorf("query %+v", q)
	}
	o := options
	o.Strict = true
	_, _, err = ParseQuery("Observation", query, o)
	if f := fault.Of(err); f.Kind != fault.Invalid || len(f.Issues) != 7 || f.Issues[0].Code != "not-supported" {
		t.Errorf("strict: %v", err)
	}
}

func TestControl(t *testing.T) {
	q, c, err := ParseQuery("Observation", pairs("_count=5&_total=accurate&_summary=data&_elements=status,Observation.code&_include=Observation:device:Device&_include:iterate=Device:patient&_include=Observation:device:Device&_revinclude=Provenance:target&_include=*&_cursor=abc&_count=2000"), options)
	if err != nil {
		t.Fatal(err)
	}
	want := Control{
		Total: "accurate", Summary: "data", Elements: []string{"status", "Observation.code"},
		Includes:    []Include{{"Observation", "device", "Device", false}, {"Device", "patient", "", true}, {"*", "*", "", false}},
		RevIncludes: []Include{{"Provenance", "target", "", false}},
	}
	c.Used = nil
	if d := cmp.Diff(want, c); d != "" {
		t.Error(d)
	}
	if q.Count != MaxCount || q.Cursor != "abc" {
		t.Errorf("count %d, cursor %q", q.Count, q.Cursor)
	}
	q, c, err = ParseQuery("Observation", pairs("_count=0"), options)
	if err != nil || c.Summary != "count" || q.Count != DefaultCount {
		t.Errorf("_count=0: %+v %+v %v", q, c, err)
	}
}

func TestEscapes(t *testing.T) {
	for raw, want := range map[string]string{
		`a\,b`: "a,b", `a\|b`: "a|b", `a\$b`: "a$b", `a\\b`: `a\b`, `a\nb`: `a\nb`, `a\`: `a\`, `\\\,`: `\,`,
	} {
		if got := unescape(raw); got != want {
			t.Errorf("%s is %q, want %q", raw, got, want)
		}
	}
	q := parse(t, "Observation", `code=urn:x|a\,b\|c,d\\`)
	if v := q.Where[0].Values; len(v) != 2 || v[0].System != "urn:x" || v[0].Code != "a,b|c" || v[1].Code != `d\` {
		t.Errorf("values %+v", v)
	}
	q = parse(t, "Observation", `code-value-string=a\$b$x\$y`)
	if v := q.Where[0].Values[0].Parts; v[0].Values[0].Code != "a$b" || v[1].Values[0].Text != "x$y" {
		t.Errorf("parts %+v", v)
	}
}

// found answers inner searches from the resources of the tests.
type found struct{ t *testing.T }

func (f found) docs(q Query) []Doc {
	var out []Doc
	for _, text := range resources {
		if d := doc(f.t, text); q.Match(d) {
			out = append(out, d)
		}
	}
	return out
}

func (f found) IDs(_ context.Context, q Query, limit int) ([]string, error) {
	var out []string
	for _, d := range f.docs(q) {
		out = append(out, d.ID)
	}
	return out[:min(len(out), limit)], nil
}

func (f found) Refs(_ context.Context, q Query, param string, limit int) ([]string, error) {
	var out []string
	for _, d := range f.docs(q) {
		out = append(out, d.Refs(param)...)
	}
	return out[:min(len(out), limit)], nil
}

type many struct{}

func (many) IDs(_ context.Context, _ Query, limit int) ([]string, error) {
	out := make([]string, limit)
	for i := range out {
		out[i] = fmt.Sprint(i)
	}
	return out, nil
}

func (many) Refs(context.Context, Query, string, int) ([]string, error) {
	return nil, fault.New(fault.Unavailable, "transient", "The store is away.")
}

func TestResolve(t *testing.T) {
	for _, c := range []struct{ typ, query, want string }{
		{"Device", "_has:DeviceUseStatement:device:status=active", "d1"}, // a parameter of our own
		{"Device", "_has:DeviceUseStatement:device:status=completed", ""},
		{"Observation", "encounter.status=in-progress", "heart"},
		{"Observation", "encounter.status=finished", ""},
		{"Observation", "encounter.subject:Patient._id=nobody", ""},
		{"Observation", "encounter:Encounter._id=e1", "heart"},
		{"Device", "_has:DeviceUseStatement:device:patient=1", "d1"},
		{"Encounter", "_has:Observation:encounter:code=8867-4", "e1"},
		{"Encounter", "_has:Observation:encounter:_has:Provenance:target:recorded=2026-02-01", "e1"},
		{"Encounter", "_has:Observation:encounter:code=9203-1", ""},
		{"Patient", "_has:Observation:subject:code=8867-4", ""},
		{"Provenance", "target:Observation.encounter.status=in-progress", "prov"},
	} {
		o := options
		q, ctl, err := ParseQuery(c.typ, pairs(c.query), o)
		if err != nil {
			t.Errorf("%s?%s: %v", c.typ, c.query, err)
			continue
		}
		if len(ctl.Used) != 1 {
			t.Errorf("%s?%s: used %v", c.typ, c.query, ctl.Used)
		}
		before := q.Where
		if err := Resolve(context.Background(), &q, found{t}); err != nil {
			t.Errorf("%s?%s: %v", c.typ, c.query, err)
			continue
		}
		if before[0].Link == nil {
			t.Errorf("%s?%s: Resolve changed the query that it was given", c.typ, c.query)
		}
		ids, _ := found{t}.IDs(context.Background(), q, 100)
		if got := strings.Join(ids, " "); got != c.want {
			t.Errorf("%s?%s finds %q, want %q", c.typ, c.query, got, c.want)
		}
	}
	q := parse(t, "Device", "_has:Observation:subject:_id=less,heart")
	if err := Resolve(context.Background(), &q, found{t}); err != nil || len(q.Where[0].Values) != 1 || q.Where[0].Values[0].Code != "1" {
		t.Errorf("of a device and a patient, %+v is a device (%v)", q.Where[0].Values, err)
	}
	q = parse(t, "Observation", "patient.name=x")
	if q.Match(doc(t, resources["heart"])) {
		t.Error("a chain that is not resolved matches")
	}
	if err := Resolve(context.Background(), &q, many{}); !fault.Is(err, fault.Invalid) {
		t.Errorf("a chain over many: %v", err)
	}
	q = parse(t, "Encounter", "_has:Observation:encounter:code=x")
	if err := Resolve(context.Background(), &q, many{}); !fault.Is(err, fault.Unavailable) {
		t.Errorf("the finder's fault is lost: %v", err)
	}
}

func TestChainDepth(t *testing.T) {
	name := strings.Repeat("patient.link:Patient.", 1) + strings.Repeat("link:Patient.", 5) + "name"
	if _, _, err := ParseQuery("Observation", []Pair{{name, "x"}}, options); fault.Of(err).Issues[0].Code != "too-costly" {
		t.Errorf("seven links: %v", err)
	}
}

func FuzzParseQuery(f *testing.F) {
	for _, s := range [][2]string{
		{"code", `http://loinc.org|8867-4,a\,b`}, {"date", "ge2026-02-01T00:30:00+01:00"}, {"value-quantity", "ap1e2|http://unitsofmeasure.org|[foz_us]"},
		{"code-value-quantity", "8867-4$gt60"}, {"subject:Patient.identifier", "s|v"}, {"_has:Observation:patient:code", "x"},
		{"_include:iterate", "Observation:device:Device"}, {"_sort", "-date,_id"}, {"identifier:of-type", "a|b|c"}, {"patient", "1"}, {"name:contains", "é\x00"},
	} {
		f.Add(s[0], s[1])
	}
	d := doc(f, resources["heart"])
	p := doc(f, resources["muller"])
	f.Fuzz(func(t *testing.T, name, value string) {
		for _, d := range []Doc{d, p} {
			q, c, err := ParseQuery(d.Type, []Pair{{name, value}}, options)
			if err != nil {
				if !fault.Is(err, fault.Invalid) {
					t.Fatalf("%q=%q: %v", name, value, err)
				}
				continue
			}
			if len(c.Used)+len(c.Ignored) > 1+strings.Count(value, ",") {
				t.Errorf("%q=%q: used %v, ignored %v", name, value, c.Used, c.Ignored)
			}
			m, plan := q.Match(d), q.Plan()
			if a := plan.Admits(d); m && !a || plan.Exact && m != a {
				t.Errorf("%q=%q: match %v, plan admits %v (exact %v)", name, value, m, a, plan.Exact)
			}
		}
	})
}

func TestApproximateDate(t *testing.T) {
	o := options
	o.Now = time.Date(2026, 2, 11, 0, 0, 0, 0, time.UTC)
	q, _, err := ParseQuery("Observation", pairs("date=ap2026-02-01T00:00:00Z"), o)
	if err != nil {
		t.Fatal(err)
	}
	v := q.Where[0].Values[0]
	if off := o.Now.Sub(v.Lo) - 11*24*time.Hour; off.Abs() > time.Minute {
		t.Errorf("ten days ago is from %v", v.Lo)
	}
}

// The rule for stored comparators, at and around the boundary 5.
func TestStoredComparator(t *testing.T) {
	for _, c := range []struct{ comparator, matches string }{
		{"", "eq5 ge5 le5 ne4 gt4 ge4 sa4 ne6 lt6 le6 eb6"},
		{"<", "ne5 lt5 le5 eb5 ne4 gt4 ge4 lt4 le4 ne6 lt6 le6 eb6"},
		{"<=", "ne5 lt5 le5 ge5 ne4 gt4 ge4 lt4 le4 ne6 lt6 le6 eb6"},
		{">", "ne5 gt5 ge5 sa5 ne4 gt4 ge4 sa4 ne6 lt6 le6 gt6 ge6"},
		{">=", "ne5 gt5 ge5 le5 ne4 gt4 ge4 sa4 ne6 lt6 le6 gt6 ge6"},
	} {
		for _, prefix := range prefixes {
			for _, number := range []string{"4", "5", "6"} {
				if prefix == "ap" {
					continue // below
				}
				v := Value{Prefix: "eq"}
				if why := v.number(prefix + number); why != "" {
					t.Fatal(why)
				}
				want := slices.Contains(strings.Fields(c.matches), prefix+number)
				if got := matchNumber(v.Prefix, "5", c.comparator, v.Number, v.Low, v.High); got != want {
					t.Errorf("%s%s on a stored %s5: %v", prefix, number, c.comparator, got)
				}
			}
		}
	}
	// ap is [4.5, 5.5] around 5: a stored 4.5 touches it, <4.5 does not.
	for comparator, want := range map[string]bool{"": true, "<": false, "<=": true, ">": true, ">=": true} {
		if got := matchNumber("ap", "4.5", comparator, "5", "4.5", "5.5"); got != want {
			t.Errorf("ap5 on a stored %s4.5: %v", comparator, got)
		}
	}
	for comparator, want := range map[string]bool{"": true, "<": true, "<=": true, ">": false, ">=": true} {
		if got := matchNumber("ap", "5.5", comparator, "5", "4.5", "5.5"); got != want {
			t.Errorf("ap5 on a stored %s5.5: %v", comparator, got)
		}
	}
}
