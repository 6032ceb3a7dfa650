package fhirmap_test

import (
	"cmp"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	gocmp "github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"tidemark/fhirmap"
	"tidemark/internal/drain"
	"tidemark/internal/fault"
	"tidemark/internal/fhirjson"
	"tidemark/internal/r4"
	"tidemark/internal/store"
)

var update = flag.Bool("update", false, "write the golden files anew")

// golden compares with testdata/name.
func golden(t *testing.T, name string, got []byte) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *update {
		if err := os.WriteFile(path, got, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if diff := gocmp.Diff(string(want), string(got)); diff != "" {
		t.Errorf("%s (-want +got):\n%s", name, diff)
	}
}

type node = *fhirjson.Node

func parse(tb testing.TB, text string) node {
	tb.Helper()
	n, err := fhirjson.Parse([]byte(text))
	if err != nil {
		tb.Fatalf("%v in %s", err, text)
	}
	return n
}

// observation is an emptying of 35 mL with members replaced, or with a value of
// null left out.
func observation(tb testing.TB, changes string) node {
	tb.Helper()
	n := parse(tb, `{"resourceType":"Observation","id":"o1","status":"final",
		"category":[{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/observation-category","code":"exam"}]}],
		"code":{"coding":[{"system":"http://loinc.org","code":"9203-1"}]},
		"subject":{"reference":"Patient/p1"},"effectiveDateTime":"2026-11-25T14:05:00+01:00",
		"performer":[{"display":"somebody"},{"reference":"Practitioner/n1"}],
		"valueQuantity":{"value":35,"unit":"mL","system":"http://unitsofmeasure.org","code":"mL"},
		"device":{"reference":"Device/d1"}}`)
	for _, m := range parse(tb, "{"+changes+"}").Members {
		if m.Value.Kind == fhirjson.Null {
			n.Delete(m.Name)
		} else {
			n.Set(m.Name, m.Value)
		}
	}
	return n
}

func coded(code string) string {
	system, c, ok := strings.Cut(code, "|")
	if !ok {
		system, c = fhirmap.Local, code
	}
	return `{"coding":[{"system":"` + system + `","code":"` + c + `"}]}`
}

func codes(list ...string) string {
	var all []string
	for _, c := range list {
		system, code, ok := strings.Cut(c, "|")
		if !ok {
			system, code = fhirmap.Local, c
		}
		all = append(all, `{"system":"`+system+`","code":"`+code+`"}`)
	}
	return `"code":{"coding":[` + strings.Join(all, ",") + `]}`
}

const loinc, sct = fhirmap.LOINC + "|", fhirmap.SNOMED + "|"

// parts are components: code, JSON of the value member.
func parts(list ...string) string {
	var all []string
	for i := 0; i < len(list); i += 2 {
		value := list[i+1]
		if value != "" {
			value = "," + value
		}
		all = append(all, `{"code":`+coded(list[i])+value+`}`)
	}
	return `"component":[` + strings.Join(all, ",") + `]`
}

func is(code string) string { return `"valueCodeableConcept":` + coded(code) }

func quantity(value, unit string) string {
	return `"valueQuantity":{"value":` + value + `,"system":"http://unitsofmeasure.org","code":"` + unit + `"}`
}

const absent = `"dataAbsentReason":{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/data-absent-reason","code":"not-performed"}]}`

var at = time.Date(2026, 11, 25, 13, 5, 0, 0, time.UTC)

// words shows facts on one line, what is not set left out.
func words(f store.Facts) string {
	var b strings.Builder
	put := func(name string, v any) {
		if s := fmt.Sprint(v); s != "" && s != "false" && s != "[]" && s != "0 mL" && s != "0001-01-01 00:00:00 +0000 UTC" {
			fmt.Fprintf(&b, " %s=%v", name, s)
		}
	}
	switch {
	case f.Entry != nil:
		e := f.Entry
		fmt.Fprintf(&b, "%s %s %s/%s", e.Kind, e.Status, e.Patient, e.Drain)
		if !e.At.Equal(at) {
			put("at", e.At.UTC())
		}
		if e.Measured.Known {
			put("measured", e.Measured.Volume.Key())
		}
		put("absent", e.Measured.Absent)
		put("instilled", e.Instilled)
		put("estimated", e.Estimated)
		put("vessel", e.Vessel)
		put("looks", e.Appearance)
		put("colour", e.Colour)
		put("suction", e.Suction)
		put("patency", e.Patency)
		if e.Fill.Known {
			put("fill", e.Fill.Value.Key()+"%")
		}
		put("signs", e.Signs)
		put("assessed", e.Assessed)
		put("odour", e.Odour)
		put("care", e.Care)
		put("dislodged", e.Dislodged)
		put("route", e.Route)
		if e.Kilograms.Sign() != 0 {
			put("kg", e.Kilograms.Key())
		}
		if e.DoneBy != "Practitioner/n1" {
			put("by", cmp.Or(e.DoneBy, "nobody"))
		}
	case f.Drain != nil:
		d := f.Drain
		fmt.Fprintf(&b, "drain %s", d.ID)
		put("patient", d.Patient)
		put("ward", d.Ward)
		put("label", d.Label)
		put("type", d.Type)
		put("capacity", d.Capacity)
		put("compartment", d.Compartment)
		put("active", d.Active)
	case f.Placement != nil:
		p := f.Placement
		fmt.Fprintf(&b, "placement %s of %s in %s %s", p.ID, p.Drain, p.Patient, p.Status)
		put("start", p.Start)
		put("end", p.End)
		put("site", p.Site)
		put("side", p.Side)
	case f.Stay != nil:
		fmt.Fprintf(&b, "stay of %s open=%t at %v from %s", f.Stay.Patient, f.Stay.Open, f.Stay.Places, f.Stay.Start)
	case f.Place != nil:
		fmt.Fprintf(&b, "place %s %q in %q", f.Place.ID, f.Place.Name, f.Place.PartOf)
	default:
		return "nothing"
	}
	return b.String()
}

func TestDecodeEntries(t *testing.T) {
	for name, c := range map[string]struct{ changes, want string }{
		"emptying":                        {``, "emptying final p1/d1 measured=35"},
		"peritoneal":                      {codes(loinc + "9179-3"), "emptying final p1/d1 measured=35"},
		"biliary":                         {codes(loinc + "9113-2"), "emptying final p1/d1 measured=35"},
		"pleural":                         {codes(loinc + "9129-8"), "emptying final p1/d1 measured=35"},
		"pericardial":                     {codes(loinc + "9168-6"), "emptying final p1/d1 measured=35"},
		"local code":                      {codes("drain-output"), "emptying final p1/d1 measured=35"},
		"a translation beside the code":   {codes(loinc+"9203-1", "drain-output", "http://x.test|y"), "emptying final p1/d1 measured=35"},
		"fluid output at large beside it": {codes(loinc+"9161-1", loinc+"9203-1"), "emptying final p1/d1 measured=35"},
		"zero is measured":                {quantity("0", "mL"), "emptying final p1/d1 measured=0"},
		"half a fluid ounce":              {quantity("0.5", "[foz_us]"), "emptying final p1/d1 measured=14.78676478125"},
		"microlitres":                     {quantity("35000", "uL"), "emptying final p1/d1 measured=35"},
		"six decimals":                    {quantity("0.000001", "L"), "emptying final p1/d1 measured=0.001"},
		"digits of the text":              {quantity("1.50", "mL"), "emptying final p1/d1 measured=1.5"},
		"exponent":                        {quantity("1.5e1", "mL"), "emptying final p1/d1 measured=15"},
		"annotation":                      {quantity("3", "mL{irrigant}"), "emptying final p1/d1 measured=3"},
		"not measured":                    {`"valueQuantity":null,` + absent, "emptying final p1/d1 absent=not-performed"},
		"not measured, in words":          {`"valueQuantity":null,"dataAbsentReason":{"text":"spilt"}`, "emptying final p1/d1 absent=unknown"},
		"less than a mark":                {`"valueQuantity":{"comparator":"<","value":5,"system":"http://unitsofmeasure.org","code":"mL"}`, "emptying final p1/d1 measured=5 estimated=true"},
		"more than it holds":              {`"valueQuantity":{"comparator":">=","value":100,"system":"http://unitsofmeasure.org","code":"mL"}`, "emptying final p1/d1 measured=100 estimated=true"},
		"estimated":                       {`"method":` + coded("estimated"), "emptying final p1/d1 measured=35 estimated=true"},
		"estimated, SNOMED CT":            {`"method":` + coded(sct+"414135002"), "emptying final p1/d1 measured=35 estimated=true"},
		"measured":                        {`"method":` + coded("measured"), "emptying final p1/d1 measured=35"},
		"status":                          {`"status":"entered-in-error"`, "emptying entered-in-error p1/d1 measured=35"},
		"nobody did it":                   {`"performer":null`, "emptying final p1/d1 measured=35 by=nobody"},
		"versioned references":            {`"subject":{"reference":"Patient/p1/_history/3"},"device":{"reference":"Device/d1/_history/1"}`, "emptying final p1/d1 measured=35"},
		"our own references in full":      {`"subject":{"reference":"http://here.test/fhir/Patient/p1"}`, "emptying final p1/d1 measured=35"},
		"instant":                         {`"effectiveDateTime":null,"effectiveInstant":"2026-11-25T13:05:00.000Z"`, "emptying final p1/d1 measured=35"},
		"period, by its end":              {`"effectiveDateTime":null,"effectivePeriod":{"start":"2026-11-25","end":"2026-11-25T13:05:00Z"}`, "emptying final p1/d1 measured=35"},
		"microseconds":                    {`"effectiveDateTime":"2026-11-25T13:05:00.000001Z"`, "emptying final p1/d1 at=2026-11-25 13:05:00.000001 +0000 UTC measured=35"},
		"all components": {parts(loinc+"72290-0", is("serosanguineous"), loinc+"72289-2", `"valueString":"pink"`, "suction-state", is("charged"),
			"reservoir-fill", quantity("40.5", "%"), "measuring-vessel", is("syringe"), "instilled-volume", quantity("1", "cL"), "patency", is("sluggish"), "dislodged", `"valueBoolean":true`, loinc+"72288-4", `"valueString":"none"`),
			"emptying final p1/d1 measured=35 instilled=10 mL vessel=syringe looks=serosanguineous colour=pink suction=charged patency=sluggish fill=40.5% odour=none dislodged=true"},
		"odour and care":                {parts(loinc+"72288-4", is(sct+"447547000"), "drain-care", is("tubing-milked"), "drain-care", is("port-cleaned"), "drain-care", is("port-cleaned")), "emptying final p1/d1 measured=35 odour=foul care=[port-cleaned tubing-milked]"},
		"colour coded":                  {parts(loinc+"72289-2", is(sct+"371240000")), "emptying final p1/d1 measured=35 colour=371240000"},
		"appearance, SNOMED CT":         {parts(loinc+"72290-0", is(sct+"70150004")), "emptying final p1/d1 measured=35 looks=bilious"},
		"appearance in words only":      {parts(loinc+"72290-0", `"valueCodeableConcept":{"text":"milky"}`), "emptying final p1/d1 measured=35"},
		"components without a value":    {parts("suction-state", absent, "reservoir-fill", absent, "instilled-volume", absent, "dislodged", absent, loinc+"72290-0", absent), "emptying final p1/d1 measured=35"},
		"components of others":          {parts("http://x.test|y", `"valueString":"z"`), "emptying final p1/d1 measured=35"},
		"fill as a fraction":            {parts("reservoir-fill", quantity("0.5", "1")), "emptying final p1/d1 measured=35 fill=50%"},
		"check":                         {`"valueQuantity":null,` + codes("reservoir-check") + "," + parts("reservoir-fill", quantity("60", "%")), "check final p1/d1 fill=60%"},
		"output without a volume":       {`"valueQuantity":null,` + parts("suction-state", is("lost")), "check final p1/d1 suction=lost"},
		"both codes with a volume":      {codes("reservoir-check", loinc+"9203-1"), "emptying final p1/d1 measured=35"},
		"site":                          {`"valueQuantity":null,` + codes("drain-site-assessment") + "," + parts("redness", `"valueBoolean":true`, "swelling", `"valueBoolean":false`, "warmth", `"valueBoolean":true`, "suture", `"valueBoolean":true`), "site-assessment final p1/d1 signs=[redness warmth] assessed=true"},
		"site, all signs":               {`"valueQuantity":null,` + codes("drain-site-assessment") + "," + parts("redness", `"valueBoolean":true`, "swelling", `"valueBoolean":true`, "warmth", `"valueBoolean":true`, "tenderness", `"valueBoolean":true`, "leakage", `"valueBoolean":true`, "pus", `"valueBoolean":true`, "suture", `"valueBoolean":false`), "site-assessment final p1/d1 signs=[leakage pus redness suture-loose swelling tenderness warmth] assessed=true"},
		"site, nothing assessed":        {`"valueQuantity":null,` + codes("drain-site-assessment") + "," + parts("redness", absent), "site-assessment final p1/d1"},
		"urine":                         {codes(loinc + "9187-6"), "output final p1/ measured=35 route=9187-6"},
		"urine by a device":             {codes(loinc+"9187-6") + `,"device":{"reference":"Device/urometer"}`, "output final p1/ measured=35 route=9187-6"},
		"intake":                        {codes(loinc+"9000-1") + `,"device":null`, "intake final p1/ measured=35 route=9000-1"},
		"local intake":                  {codes("intake-blood") + `,"device":null`, "intake final p1/ measured=35 route=intake-blood"},
		"local output":                  {codes("other-output") + `,"device":null`, "output final p1/ measured=35 route=other-output"},
		"weight":                        {codes(loinc+"29463-7") + "," + quantity("70.25", "kg"), "weight final p1/ kg=70.25"},
		"weight in pounds":              {codes(loinc+"29463-7") + "," + quantity("100", "[lb_av]"), "weight final p1/ kg=45.359237"},
		"weight not taken":              {codes(loinc+"29463-7") + `,"valueQuantity":null,` + absent, "nothing"},
		"something else":                {codes(loinc+"8867-4") + "," + quantity("72", "/min"), "nothing"},
		"a code of another system":      {codes("http://x.test|9203-1"), "nothing"},
		"a contained patient is nobody": {`"status":"final"`, "emptying final p1/d1 measured=35"},
	} {
		t.Run(name, func(t *testing.T) {
			n := observation(t, c.changes)
			if l := r4.Validate(n, r4.Options{}); l.Failed() {
				t.Fatalf("the case is not valid R4: %v", l.As(fault.Rule))
			}
			f, l := fhirmap.Reader{Zone: time.UTC, Base: "http://here.test/fhir"}.Decode(n)
			if l.Failed() {
				t.Errorf("faults: %v", l.As(fault.Rule))
			}
			if got := words(f); got != c.want {
				t.Errorf("got  %s\nwant %s", got, c.want)
			}
			if f.Entry != nil && f.Entry.ID != "o1" {
				t.Errorf("id %q", f.Entry.ID)
			}
		})
	}
}

func TestDecodeOthers(t *testing.T) {
	zone, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct{ text, want string }{
		"Device": {`{"resourceType":"Device","id":"d1","status":"active","identifier":[{"value":"X-1"}],"type":` + coded("bulb") + `,"patient":{"reference":"Patient/p1"},"location":{"reference":"Location/w1"},
			"deviceName":[{"name":"first","type":"other"},{"name":"Drain 1","type":"user-friendly-name"}],
			"property":[{"type":` + coded("reservoir-capacity") + `,"valueQuantity":[{"value":1.5,"system":"http://unitsofmeasure.org","code":"dL"}]},{"type":` + coded("compartment") + `,"valueCode":[` + coded("peritoneal") + `]}]}`,
			"drain d1 patient=p1 ward=w1 label=Drain 1 type=bulb capacity=150 mL compartment=peritoneal active=true"},
		"Device, little":                {`{"resourceType":"Device","id":"d1","identifier":[{"value":"X-1"}]}`, "drain d1 label=X-1 compartment=unspecified active=true"},
		"Device, inactive and biliary":  {`{"resourceType":"Device","id":"d1","status":"inactive","type":` + coded("biliary") + `}`, "drain d1 type=biliary compartment=biliary"},
		"Device, chest":                 {`{"resourceType":"Device","id":"d1","type":` + coded("chest") + `}`, "drain d1 type=chest compartment=pleural active=true"},
		"placement":                     {`{"resourceType":"DeviceUseStatement","id":"u","status":"active","subject":{"reference":"Patient/p1"},"device":{"reference":"Device/d1"},"timingPeriod":{"start":"2026-11-20T10:00:00+01:00"},"bodySite":{"text":"axilla"},"extension":[{"url":"` + fhirmap.ExtensionSide + `","valueCodeableConcept":{"text":"left"}}]}`, "placement u of d1 in p1 active start=2026-11-20 10:00:00 +0100 +0100 site=axilla side=left"},
		"placement by days":             {`{"resourceType":"DeviceUseStatement","id":"u","status":"completed","subject":{"reference":"Patient/p1"},"device":{"reference":"Device/d1"},"timingPeriod":{"start":"2026-11-20","end":"2026-11-22"},"bodySite":{"coding":[{"code":"x","display":"Axilla"}]}}`, "placement u of d1 in p1 completed start=2026-11-20 00:00:00 +0100 CET end=2026-11-23 00:00:00 +0100 CET site=Axilla"},
		"placement, to the second":      {`{"resourceType":"DeviceUseStatement","id":"u","status":"stopped","subject":{"reference":"Patient/p1"},"device":{"reference":"Device/d1"},"timingPeriod":{"end":"2026-11-22T10:00:00Z"},"bodySite":` + coded("wound") + `}`, "placement u of d1 in p1 stopped end=2026-11-22 10:00:00 +0000 UTC site=wound"},
		"placement at a time":           {`{"resourceType":"DeviceUseStatement","id":"u","status":"active","subject":{"reference":"Patient/p1"},"device":{"reference":"Device/d1"},"timingDateTime":"2026-11"}`, "placement u of d1 in p1 active start=2026-11-01 00:00:00 +0100 CET"},
		"stay":                          {`{"resourceType":"Encounter","id":"s","status":"in-progress","class":{"code":"IMP"},"subject":{"reference":"Patient/p1"},"period":{"start":"2026-11-20"},"location":[{"location":{"reference":"Location/now"},"status":"active"},{"location":{"reference":"Location/before"},"status":"completed"},{"location":{"reference":"Location/next"},"status":"planned"},{"location":{"display":"hall"}}]}`, "stay of p1 open=true at [before now] from 2026-11-20 00:00:00 +0100 CET"},
		"stay that is over":             {`{"resourceType":"Encounter","id":"s","status":"finished","class":{"code":"IMP"},"subject":{"reference":"Patient/p1"}}`, "stay of p1 open=false at [] from 0001-01-01 00:00:00 +0000 UTC"},
		"place":                         {`{"resourceType":"Location","id":"l","name":"Bed 3","partOf":{"reference":"Location/w"}}`, `place l "Bed 3" in "w"`},
		"patient":                       {`{"resourceType":"Patient","id":"p"}`, "nothing"},
		"a DetectedIssue of some other": {`{"resourceType":"DetectedIssue","id":"i","status":"final"}`, "nothing"},
	} {
		t.Run(name, func(t *testing.T) {
			n := parse(t, c.text)
			if l := r4.Validate(n, r4.Options{}); l.Failed() {
				t.Fatalf("the case is not valid R4: %v", l.As(fault.Rule))
			}
			f, l := fhirmap.Decode(n, zone)
			if l.Failed() {
				t.Errorf("faults: %v", l.As(fault.Rule))
			}
			if got := words(f); got != c.want {
				t.Errorf("got  %s\nwant %s", got, c.want)
			}
		})
	}
}

// Every refusal, with its element and its words.
func TestRefusals(t *testing.T) {
	cases := []struct{ name, text string }{}
	add := func(name, changes string) {
		cases = append(cases, struct{ name, text string }{name, string(observation(t, changes).Bytes())})
	}
	add("no subject", `"subject":null`)
	add("subject by identifier only", `"subject":{"identifier":{"value":"1"}}`)
	add("a patient of another server", `"subject":{"reference":"https://elsewhere.test/fhir/Patient/p1"}`)
	add("no device", `"device":null`)
	add("no time", `"effectiveDateTime":null`)
	add("a date only", `"effectiveDateTime":"2026-11-25"`)
	add("a month only", `"effectiveDateTime":"2026-11"`)
	add("period without an end", `"effectiveDateTime":null,"effectivePeriod":{"start":"2026-11-25T13:05:00Z"}`)
	add("period that ends on a day", `"effectiveDateTime":null,"effectivePeriod":{"end":"2026-11-25"}`)
	add("timing", `"effectiveDateTime":null,"effectiveTiming":{"event":["2026-11-25T13:05:00Z"]}`)
	add("neither value nor reason", `"valueQuantity":null`)
	add("volume as text", `"valueQuantity":null,"valueString":"35 mL",`+parts("suction-state", is("charged")))
	add("no number", `"valueQuantity":{"system":"http://unitsofmeasure.org","code":"mL"}`)
	add("no unit", `"valueQuantity":{"value":35}`)
	add("unit in words only", `"valueQuantity":{"value":35,"unit":"cc"}`)
	add("cc", quantity("35", "cc"))
	add("mls", quantity("35", "mls"))
	add("mL/hr", quantity("35", "mL/hr"))
	add("capitals", quantity("35", "ML"))
	add("a mass", quantity("35", "g"))
	add("a rate", quantity("35", "mL/h"))
	add("a unit of nothing", quantity("35", "xyz"))
	add("unit of another system", `"valueQuantity":{"value":35,"system":"http://x.test","code":"mL"}`)
	add("negative", quantity("-3", "mL"))
	add("seven decimals", quantity("0.0000001", "L"))
	add("several at once", `"subject":null,"device":null,"effectiveDateTime":null,`+quantity("-0.0000001", "mL"))
	add("compartments", codes(loinc+"9203-1", loinc+"9113-2"))
	add("check with a volume", codes("reservoir-check")+","+parts("reservoir-fill", quantity("60", "%")))
	add("appearance of no kind", parts(loinc+"72290-0", is("bloody")))
	add("appearance as text", parts(loinc+"72290-0", `"valueString":"bloody"`))
	add("suction of no kind", parts("suction-state", is("on")))
	add("suction as text", parts("suction-state", `"valueString":"lost"`))
	add("suction without a value", parts("suction-state", ""))
	add("suction both ways", parts("suction-state", `"valueCodeableConcept":{"coding":[{"system":"`+fhirmap.Local+`","code":"lost"},{"system":"`+fhirmap.Local+`","code":"charged"}]}`))
	add("patency of no kind", parts("patency", is("open")))
	add("vessel of no kind", parts("measuring-vessel", is("bucket")))
	add("instilled as text", parts("instilled-volume", `"valueString":"10"`))
	add("instilled negative", parts("instilled-volume", quantity("-10", "mL")))
	add("instilled below a limit", parts("instilled-volume", `"valueQuantity":{"comparator":"<","value":10,"system":"http://unitsofmeasure.org","code":"mL"}`))
	add("fill as text", parts("reservoir-fill", `"valueString":"half"`))
	add("fill of a volume", parts("reservoir-fill", quantity("40", "mL")))
	add("fill beyond", parts("reservoir-fill", quantity("201", "%")))
	add("fill negative", parts("reservoir-fill", quantity("-1", "%")))
	add("dislodged as text", parts("dislodged", `"valueString":"yes"`))
	add("sign as text", `"valueQuantity":null,`+codes("drain-site-assessment")+","+parts("redness", `"valueString":"a bit"`, "suture", `"valueInteger":1`))
	add("third component", parts("suction-state", is("lost"), "patency", is("patent"), "measuring-vessel", is("cup")))
	add("intake without a volume", codes(loinc+"9000-1")+`,"device":null,"valueQuantity":null`)
	add("weight in litres", codes(loinc+"29463-7")+","+quantity("70", "L"))
	add("weight of nothing", codes(loinc+"29463-7")+","+quantity("0", "kg"))
	add("weight above a limit", codes(loinc+"29463-7")+`,"valueQuantity":{"comparator":">","value":150,"system":"http://unitsofmeasure.org","code":"kg"}`)
	cases = append(cases, []struct{ name, text string }{
		{"capacity of 0", `{"resourceType":"Device","id":"d","property":[{"type":` + coded("reservoir-capacity") + `,"valueQuantity":[{"value":0,"system":"http://unitsofmeasure.org","code":"mL"}]}]}`},
		{"capacity as a mass", `{"resourceType":"Device","id":"d","property":[{"type":` + coded("compartment") + `},{"type":` + coded("reservoir-capacity") + `,"valueQuantity":[{"value":1,"system":"http://unitsofmeasure.org","code":"kg"}]}]}`},
		{"compartment of no kind", `{"resourceType":"Device","id":"d","property":[{"type":` + coded("compartment") + `,"valueCode":[` + coded("brain") + `]}]}`},
		{"removed before it was placed", `{"resourceType":"DeviceUseStatement","id":"u","status":"completed","subject":{"reference":"Patient/p1"},"device":{"reference":"Device/d1"},"timingPeriod":{"start":"2026-11-20T10:00:00Z","end":"2026-11-20T09:00:00Z"}}`},
	}...)
	var b strings.Builder
	for _, c := range cases {
		n := parse(t, c.text)
		if c.name != "removed before it was placed" { // R4 says it too
			if l := r4.Validate(n, r4.Options{}); l.Failed() {
				t.Errorf("%s is not valid R4: %v", c.name, l.As(fault.Rule))
			}
		}
		_, l := fhirmap.Decode(n, time.UTC)
		if !l.Failed() {
			t.Errorf("%s is taken", c.name)
		}
		fmt.Fprintf(&b, "%s\n", c.name)
		for _, i := range l.Issues {
			if len(i.Expression) != 1 || !strings.HasPrefix(i.Expression[0], n.Str("resourceType")+".") {
				t.Errorf("%s: expression %v", c.name, i.Expression)
			}
			fmt.Fprintf(&b, "\t%s %s\n\t\t%s\n", i.Code, i.Expression, i.Diagnostics)
		}
	}
	golden(t, "refusals.txt", []byte(b.String()))
}

// A volume posted in any UCUM volume unit gives the same millilitres; the
// factors are UCUM's, to the digit (ucum-essence, the definitions of the units).
func TestUnitsDoNotMatter(t *testing.T) {
	perUnit := map[string]string{ // mL
		"mL": "1", "ml": "1", "L": "1000", "l": "1000", "dL": "100", "cL": "10", "uL": "0.001", "cm3": "1", "mm3": "0.001", "dm3": "1000", "m3": "1000000",
		"[in_i]3": "16.387064", "[foz_us]": "29.5735295625", "[foz_br]": "28.4130625", "[tsp_us]": "4.92892159375", "[tbs_us]": "14.78676478125", "[cup_us]": "236.5882365",
		"[pt_us]": "473.176473", "[pt_br]": "568.26125", "[cin_i]": "16.387064", "[drp]": "0.05", "10*-3.L": "1", "[cup_m]": "240", "[tsp_m]": "5",
	}
	var units []string
	for u := range perUnit {
		units = append(units, u)
	}
	rapid.Check(t, func(rt *rapid.T) {
		u := rapid.SampledFrom(units).Draw(rt, "unit")
		value := fmt.Sprintf("%d.%06d", rapid.IntRange(0, 9999).Draw(rt, "whole"), rapid.IntRange(0, 999999).Draw(rt, "millionths"))
		n := observation(t, quantity(value, u)+","+parts("instilled-volume", quantity(value, u)))
		f, l := fhirmap.Decode(n, time.UTC)
		v, _ := drain.ParseML(value)
		factor, _ := drain.ParseML(perUnit[u])
		want := v.Mul(factor.Rat())
		if tooMuch := want.Cmp(drain.MLInt(100_000)) > 0; tooMuch != l.Failed() {
			rt.Fatalf("%s mL: %v", want, l.As(fault.Rule))
		} else if tooMuch {
			return
		}
		if got := f.Entry.Measured.Volume; !got.Equal(want) || !f.Entry.Instilled.Equal(want) {
			rt.Errorf("%s %s is %s mL, want %s", value, u, got.Key(), want.Key())
		}
		if net, ok := f.Entry.Net(); !ok || net.Sign() != 0 {
			rt.Errorf("net %s", net)
		}
	})
}

// tree draws any JSON object that could be a resource, with all that models
// lose: unknown digits, null, extensions on primitives.
func tree(t *rapid.T, depth int) node {
	n := &fhirjson.Node{Kind: fhirjson.Object}
	for range rapid.IntRange(0, 4).Draw(t, "members") {
		name := rapid.SampledFrom([]string{"a", "_a", "value", "extension", "contained", "note", "id", "meta", "_id", "é\"\\\u2028"}).Draw(t, "name")
		if depth == 0 && (name == "id" || name == "meta") {
			continue
		}
		n.Set(name, value(t, depth+1))
	}
	return n
}

func value(t *rapid.T, depth int) node {
	kind := rapid.IntRange(0, 5).Draw(t, "kind")
	if depth > 3 {
		kind %= 4
	}
	switch kind {
	case 0:
		return fhirjson.Num(rapid.StringMatching(`-?(0|[1-9][0-9]{0,20})(\.[0-9]{1,20})?([eE][+-]?[0-9]{1,2})?`).Draw(t, "number"))
	case 1:
		return fhirjson.Str(rapid.String().Draw(t, "text"))
	case 2:
		return fhirjson.Obj("x", rapid.Bool().Draw(t, "bool")).Get("x")
	case 3:
		return &fhirjson.Node{Kind: fhirjson.Null}
	case 4:
		return tree(t, depth)
	}
	a := &fhirjson.Node{Kind: fhirjson.Array}
	for range rapid.IntRange(1, 3).Draw(t, "items") {
		a.Items = append(a.Items, value(t, depth+1))
	}
	return a
}

func TestBodyKeepsEveryValue(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		n := tree(rt, 0)
		n.SetAt(0, "resourceType", fhirjson.Str("Observation"))
		n.Set("id", fhirjson.Str("o-1"))
		meta := rapid.SampledFrom([]string{"", `{}`, `{"versionId":"7","lastUpdated":"2020-01-01T00:00:00Z"}`,
			`{"versionId":"7","profile":["http://x.test/p"],"_lastUpdated":{"id":"x"},"tag":[{"code":"t"}]}`}).Draw(rt, "meta")
		if meta != "" {
			n.Set("meta", parse(t, meta))
		}
		body := fhirmap.Body(n)
		v := store.Version{Key: store.Key{Type: "Observation", ID: "o-1"}, Number: 3, At: at, Body: body}
		back, err := fhirjson.Parse(v.JSON())
		if err != nil {
			rt.Fatalf("%v in %s", err, v.JSON())
		}
		if back.Get("meta").Str("versionId") != "3" || back.Get("meta").Str("lastUpdated") != "2026-11-25T13:05:00.000Z" {
			rt.Errorf("meta %s", back.Get("meta").Bytes())
		}
		for _, side := range []node{n, back} {
			m := side.Get("meta")
			for _, own := range []string{"versionId", "lastUpdated", "_lastUpdated", "_versionId"} {
				if m != nil {
					m.Delete(own)
				}
			}
			if m != nil && len(m.Members) == 0 {
				side.Delete("meta")
			}
		}
		if !back.Equal(n) {
			rt.Errorf("sent %s\nkept %s", n.Bytes(), back.Bytes())
		}
	})
}

// Decode takes whatever a client sends without falling over, since what R4 has
// found broken comes here too.
func FuzzDecode(f *testing.F) {
	for _, s := range []string{``, parts("suction-state", is("lost")), quantity("1e9", "mL"), `"component":[{}]`, `"code":{}`, `"code":{"coding":[{}]}`, `"effectivePeriod":{}`} {
		f.Add(string(observation(f, s).Bytes()))
	}
	f.Add(`{"resourceType":"Device","property":[{"type":{},"valueQuantity":[{}]}]}`)
	f.Add(`{"resourceType":"DeviceUseStatement","timingPeriod":{"start":"x"},"extension":[{}]}`)
	f.Add(`{"resourceType":"Encounter","location":[{}],"period":{}}`)
	f.Add(`{"resourceType":"DetectedIssue","implicated":[{"reference":"Device/"}],"code":{"coding":[{}]},"evidence":[{"detail":[{}]}]}`)
	f.Fuzz(func(t *testing.T, text string) {
		n, err := fhirjson.Parse([]byte(text))
		if err != nil || n.Kind != fhirjson.Object {
			return
		}
		facts, l := fhirmap.Decode(n, time.UTC)
		for _, i := range l.Issues {
			if i.Code == "" || i.Diagnostics == "" {
				t.Errorf("%+v", i)
			}
		}
		if e := facts.Entry; e != nil && !l.Failed() && (e.Measured.Known && e.Measured.Volume.Sign() < 0 || e.At.IsZero() || e.Patient == "") {
			t.Errorf("taken as %+v", *e)
		}
		body := fhirmap.Body(n)
		if _, err := fhirjson.Parse(body.JSON); err != nil {
			t.Errorf("%v in %s", err, body.JSON)
		}
	})
}
