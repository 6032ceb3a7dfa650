package api

import (
	"fmt"
	"math/big"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"tidemark/internal/fault"
	"tidemark/internal/fhirjson"
	"tidemark/internal/r4"
	"tidemark/internal/statistics"
	"tidemark/internal/ucum"
)

func quantity(value, unit string) string {
	return fmt.Sprintf(`,"valueQuantity":{"value":%s,"unit":%q,"system":"http://unitsofmeasure.org","code":%q}`, value, unit, unit)
}

func component(code, more string) string {
	return fmt.Sprintf(`{"code":{"coding":[{"system":"urn:c","code":%q}]}%s}`, code, more)
}

// results shows the statistics Observations as lines, "code: statistic value unit …",
// and the ids of the sources.
func results(t *testing.T, p *fhirjson.Node) (lines, sources []string) {
	t.Helper()
	for _, e := range p.Each("parameter") {
		n := e.Get("resource")
		if e.Str("name") == "source" {
			sources = append(sources, n.Str("id"))
			continue
		}
		if l := r4.Validate(n, r4.Options{}); l.Failed() {
			t.Errorf("not R4: %v in %s", l.Issues, n.Bytes())
		}
		line := n.Get("code").Each("coding")[0].Str("code") + ":"
		for _, c := range n.Each("component") {
			coding := c.Get("code").Each("coding")[0]
			if coding.Str("system") != statistics.System || coding.Str("display") == "" {
				t.Errorf("coding %s", coding.Bytes())
			}
			line += " " + strings.TrimSpace(coding.Str("code")+" "+c.Get("code").Str("text"))
			q := c.Get("valueQuantity")
			if q == nil {
				line += " -"
				if c.Get("dataAbsentReason") == nil {
					t.Errorf("component %s has neither value nor reason", c.Bytes())
				}
				continue
			}
			line += " " + strings.TrimSpace(q.Get("value").Text+" "+q.Str("code"))
		}
		if n.Str("status") != "final" || n.Get("subject").Str("reference") != "Patient/p" || n.Get("effectivePeriod").Str("end") == "" {
			t.Errorf("frame %s", n.Bytes())
		}
		lines = append(lines, line)
	}
	return lines, sources
}

func TestStats(t *testing.T) {
	s := chart(t,
		observation("v1", "09T08:00:00", "vol", quantity("30", "mL")),
		observation("v2", "09T09:00:00", "vol,volume", quantity("0.04", "L")),
		observation("v3", "09T10:00:00", "vol", quantity("50", "mL")+`,"component":[`+component("rest", quantity("2", "mL"))+`]`),
		observation("vOld", "01T10:00:00", "vol", quantity("500", "mL")),
		strings.Replace(observation("vWrong", "09T11:00:00", "vol", quantity("600", "mL")), `"final"`, `"entered-in-error"`, 1),
		strings.Replace(observation("vOff", "09T11:00:00", "vol", quantity("600", "mL")), `"final"`, `"cancelled"`, 1),
		observation("vModified", "09T11:00:00", "vol", quantity("600", "mL")+`,"modifierExtension":[{"url":"urn:not","valueBoolean":true}]`),
		observation("vLess", "09T11:00:00", "vol", `,"valueQuantity":{"value":5,"comparator":"<","system":"http://unitsofmeasure.org","code":"mL"}`),
		observation("vBare", "09T11:00:00", "vol", `,"valueQuantity":{"value":5,"unit":"mL"}`),
		strings.Replace(observation("vOther", "09T11:00:00", "vol", quantity("600", "mL")), "Patient/p", "Patient/q", 1),
		observation("mixed1", "09T08:00:00", "mix", quantity("1", "mL")),
		observation("mixed2", "09T09:00:00", "mix", quantity("1", "g")),
		observation("t1", "09T08:00:00", "temp", quantity("36.5", "Cel")),
		observation("t2", "09T09:00:00", "temp", quantity("37.5", "Cel")),
		// A panel of components, one that a modifier extension sets aside, and a panel of members.
		observation("bp1", "09T08:00:00", "bp", `,"component":[`+component("sys", quantity("120", "mm[Hg]"))+","+component("dia", quantity("80", "mm[Hg]"))+
			","+component("arm", `,"valueString":"left"`)+`]`),
		observation("bp2", "09T09:00:00", "bp", `,"component":[`+component("sys", quantity("130", "mm[Hg]"))+","+
			component("dia", quantity("60", "mm[Hg]")+`,"modifierExtension":[{"url":"urn:not","valueBoolean":true}]`)+`]`),
		observation("m1", "09T08:00:00", "sodium", quantity("140", "mmol/L")),
		observation("m2", "09T08:00:00", "potassium", quantity("4", "mmol/L")),
		observation("pan", "09T08:30:00", "panel", `,"hasMember":[{"reference":"Observation/m1"},{"reference":"Observation/m2"},{"reference":"Observation/gone"}]`),
	)
	const ask1 = "subject=Patient/p&system=urn:c&duration=48&"
	for _, c := range []struct {
		query  string
		want   []string
		source []string
	}{
		{ask1 + "code=vol&statistic=average,min,max&statistic=count&statistic=total-count", []string{"vol: average 40 mL minimum 30 mL maximum 50 mL count 3 total-count 5"}, nil},
		{ask1 + "code=vol&statistic=regression&statistic=variance", []string{"vol: regression gradient 10 mL/h regression intercept -170 mL variance 100 mL2"}, nil},
		{ask1 + "code=vol&statistic=sum&include=true", []string{"vol: sum 120 mL"}, []string{"v3", "v2", "v1"}},
		{ask1 + "code=vol&statistic=sum&include=true&limit=2", []string{"vol: sum 120 mL"}, []string{"v3", "v2"}},
		{ask1 + "code=vol&statistic=sum&include=false&limit=none", []string{"vol: sum 120 mL"}, nil},
		{"subject=" + testBase + "/Patient/p&system=urn:c&code=vol&statistic=count&duration=27.5", []string{"vol: count 2"}, nil},
		{ask1 + "code=rest&statistic=sum", []string{"rest: sum 2 mL"}, nil},
		{ask1 + "code=none&statistic=count&statistic=sum&statistic=median", []string{"none: count 0 sum - median -"}, nil},
		{ask1 + "code=temp&statistic=std-dev&statistic=variance&statistic=skew&statistic=regression", []string{"temp: std-dev 0.707106781187 K variance 0.5 K2 skew 0 1 regression gradient 1 K/h regression intercept 16.5 Cel"}, nil},
		{ask1 + "code=bp&statistic=average&statistic=count", []string{"sys: average 125 mm[Hg] count 2", "dia: average 80 mm[Hg] count 1"}, nil},
		{ask1 + "code=sys&statistic=sum", []string{"sys: sum 250 mm[Hg]"}, nil},
		{ask1 + "code=panel&statistic=sum&include=true", []string{"sodium: sum 140 mmol/L", "potassium: sum 4 mmol/L"}, []string{"m1", "m2"}},
		{ask1 + "code=sodium&code=panel&statistic=count&statistic=sum", []string{"sodium: count 1 sum 140 mmol/L", "potassium: count 1 sum 4 mmol/L"}, nil},
	} {
		t.Run(c.query, func(t *testing.T) {
			p, err := ask(t, s, stats, "user/*.cruds", c.query, nil)
			if err != nil {
				t.Fatal(err)
			}
			lines, sources := results(t, p)
			if d := cmp.Diff(c.want, lines); d != "" {
				t.Error(d)
			}
			if d := cmp.Diff(c.source, sources); d != "" {
				t.Errorf("sources: %s", d)
			}
		})
	}

	if _, err := ask(t, s, stats, "user/*.cruds", ask1+"code=mix&statistic=sum", nil); !fault.Is(err, fault.Rule) || !strings.Contains(err.Error(), "mL and in g") {
		t.Errorf("mixed units: %v", err)
	}
	p, err := ask(t, s, stats, "user/Observation.rs?code=urn:c|none", ask1+"code=vol&statistic=count", nil)
	if err != nil {
		t.Fatal(err)
	}
	if lines, _ := results(t, p); lines[0] != "vol: count 0" {
		t.Errorf("beyond the scope: %v", lines)
	}
	if _, err := ask(t, s, stats, "user/Patient.rs", ask1+"code=vol&statistic=count", nil); !fault.Is(err, fault.Forbidden) {
		t.Errorf("without a scope: %v", err)
	}

	body := parsed(t, `{"resourceType":"Parameters","parameter":[{"name":"subject","valueUri":"Patient/p"},
		{"name":"coding","valueCoding":{"system":"urn:c","code":"vol","display":"Volume"}},{"name":"coding","valueCoding":{"system":"urn:c","code":"volume"}},
		{"name":"period","valuePeriod":{"start":"2026-03-01","end":"2026-03-09T09:00:00Z"}},{"name":"statistic","valueCode":"sum"}]}`)
	if p, err = ask(t, s, stats, "user/*.cruds", "", body); err != nil {
		t.Fatal(err)
	}
	lines, _ := results(t, p)
	if d := cmp.Diff([]string{"vol: sum 570 mL", "volume: sum 0.04 L"}, lines); d != "" {
		t.Error(d)
	}
	first := p.Each("parameter")[0].Get("resource")
	if got := string(first.Get("effectivePeriod").Bytes()) + first.Get("code").Each("coding")[0].Str("display"); got != `{"start":"2026-03-01","end":"2026-03-09T09:00:00Z"}Volume` {
		t.Error(got)
	}
}

// Every statistic at once, in the order asked for.
func TestStatsAll(t *testing.T) {
	s := chart(t, observation("v1", "09T08:00:00", "vol", quantity("30", "mL")), observation("v2", "09T10:00:00", "vol", quantity("50", "mL")))
	query := "subject=Patient/p&system=urn:c&duration=48&code=vol"
	for _, c := range statistics.Codes() {
		query += "&statistic=" + string(c)
	}
	p, err := ask(t, s, stats, "user/*.cruds", query, nil)
	if err != nil {
		t.Fatal(err)
	}
	lines, _ := results(t, p)
	want := "vol: average 40 mL maximum 50 mL minimum 30 mL count 2 total-count 2 median 40 mL std-dev 14.14213562373 mL sum 80 mL variance 200 mL2 " +
		"20-percent 34 mL 80-percent 46 mL 4-lower 35 mL 4-upper 45 mL 4-dev 5 mL 5-1 34 mL 5-2 38 mL 5-3 42 mL 5-4 46 mL " +
		"skew 0 1 kurtosis 1 1 regression gradient 10 mL/h regression intercept -170 mL"
	if d := cmp.Diff([]string{want}, lines); d != "" {
		t.Error(d)
	}
}

// Members of panels are looked up in portions, a panel within a panel too, and
// their codes join where one gives them as translations.
func TestTallyFollows(t *testing.T) {
	r := statsRequest{subject: "Patient/p", from: testNow.Add(-time.Hour), to: testNow, period: fhirjson.Obj(), limit: 1,
		codes: []*fhirjson.Node{fhirjson.Obj("system", "urn:c", "code", "panel")}, statistics: []statistics.Code{statistics.Count}}
	tally := newTally(r, testBase, time.UTC)
	chart := map[string]*fhirjson.Node{}
	add := func(id, when, codes, more string) *fhirjson.Node {
		chart[id] = parsed(t, observation(id, when, codes, more))
		return chart[id]
	}
	var refs []string
	for i := range 450 {
		id := fmt.Sprintf("m%d", i)
		add(id, "10T11:30:00", []string{"a", "b", "a,b"}[i%3], quantity("1", "mL"))
		refs = append(refs, fmt.Sprintf(`{"reference":"%s/Observation/%s/_history/1"}`, testBase, id))
	}
	add("inner", "10T11:30:00", "inner", `,"hasMember":[{"reference":"Observation/deep"},{"reference":"Observation/outer"}]`)
	add("deep", "10T11:30:00", "deep", quantity("1", "mL")).Delete("effectiveDateTime") // has the panel's
	refs = append(refs, `{"reference":"Observation/inner"}`, `{"reference":"Patient/p"}`, `{"display":"none"}`, `{"reference":"#x"}`)
	tally.observe(add("outer", "10T11:30:00", "panel", `,"hasMember":[`+strings.Join(refs, ",")+`]`))
	for ids := tally.wanted(); len(ids) > 0; ids = tally.wanted() {
		for _, id := range ids {
			tally.observe(chart[id])
		}
	}
	p, err := tally.answer()
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, e := range p.Each("parameter") {
		n := e.Get("resource")
		got = append(got, n.Get("code").Each("coding")[0].Str("code")+" "+n.Each("component")[0].Get("valueQuantity").Get("value").Text)
	}
	if d := cmp.Diff([]string{"a 450", "deep 1"}, got); d != "" {
		t.Error(d)
	}
}

func TestReadStatsRefuses(t *testing.T) {
	good := map[string]string{"subject": "Patient/p", "code": "a", "system": "urn:c", "duration": "1", "statistic": "sum"}
	for name, change := range map[string]map[string]string{
		"no subject":     {"subject": ""},
		"a bare id":      {"subject": "p"},
		"no code":        {"code": ""},
		"no system":      {"system": ""},
		"no time":        {"duration": ""},
		"no statistic":   {"statistic": ""},
		"only a comma":   {"statistic": ","},
		"unknown":        {"statistic": "mode"},
		"no hours":       {"duration": "0"},
		"hours behind":   {"duration": "-1"},
		"words":          {"duration": "an hour"},
		"too many hours": {"duration": "1e9"},
		"period in URL":  {"duration": "", "period": "2026"},
		"both times":     {"period": "2026"},
		"coding in URL":  {"coding": "urn:c|a"},
		"include":        {"include": "yes"},
		"limit":          {"include": "true", "limit": "0"},
		"misspelt":       {"statistics": "sum"},
	} {
		var p Params
		for _, values := range []map[string]string{good, change} {
			for k, v := range values {
				if changed, ok := change[k]; v != "" && (!ok || changed == v) {
					p.list = append(p.list, param{name: k, text: v})
				}
			}
		}
		if _, err := readStats(p, testBase, testNow, time.UTC); !fault.Is(err, fault.Invalid) {
			t.Errorf("%s: %v, want Invalid", name, err)
		}
	}
	for _, period := range []string{`{}`, `{"start":"2026-03-02","end":"2026-03-01"}`, `{"start":"soon"}`, `"2026"`, `{"start":"2027-01-01"}`} {
		p := Params{list: []param{{name: "subject", text: "Patient/p"}, {name: "code", text: "a"}, {name: "system", text: "urn:c"},
			{name: "statistic", text: "sum"}, {name: "period", value: parsed(t, period)}}}
		if _, err := readStats(p, testBase, testNow, time.UTC); !fault.Is(err, fault.Invalid) {
			t.Errorf("period %s: %v, want Invalid", period, err)
		}
	}
}

func TestScaled(t *testing.T) {
	for _, c := range []struct {
		unit       string
		scale      statistics.Scale
		text, code string
	}{
		{"mg/dL", statistics.Value, "mg/dL", "mg/dL"},
		{"mg/dL", statistics.Difference, "mg/dL", "mg/dL"},
		{"mg/dL", statistics.Square, "mg/dL.(mg/dL)", "mg/dL.(mg/dL)"},
		{"mg/dL", statistics.Rate, "mg/dL/h", "mg/dL/h"},
		{"mm[Hg]", statistics.Square, "mm[Hg]2", "mm[Hg]2"},
		{"Cel", statistics.Value, "Cel", "Cel"},
		{"Cel", statistics.Difference, "K", "K"},
		{"[pH]", statistics.Difference, "[pH]", ""},
		{"[pH]", statistics.Rate, "[pH] per hour", ""},
		{"[pH]", statistics.Square, "[pH] squared", ""},
	} {
		u, err := ucum.Parse(c.unit)
		if err != nil {
			t.Fatal(err)
		}
		text, code := scaled(c.scale, &measured{unit: u, text: c.unit})
		if text != c.text || code != c.code {
			t.Errorf("%s at scale %d: %q %q, want %q %q", c.unit, c.scale, text, code, c.text, c.code)
		}
		if code != "" {
			if _, err := ucum.Parse(code); err != nil {
				t.Error(err)
			}
		}
	}
}

func TestStatisticText(t *testing.T) {
	for in, want := range map[string]string{
		"0": "0", "35": "35", "1/3": "0.333333333333", "100000/3": "33333.3333333", "1/8": "0.125", "-7/2": "-3.5",
		"123456789.0625": "123456789.0625", "1/3000000": "0.000000333333333333",
		"2222222222222222222222/7": "317460317460317460317",
	} {
		r, ok := new(big.Rat).SetString(in)
		if !ok {
			t.Fatal(in)
		}
		if got := statisticText(r); got != want {
			t.Errorf("%s: %s, want %s", in, got, want)
		}
	}
}
