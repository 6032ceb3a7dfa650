package search

import (
	"slices"
	"strings"
	"testing"
	"time"

	"tidemark/internal/fault"
	"tidemark/internal/fhirjson"
)

const base = "https://ward.example.org/fhir"

var zurich = mustZone("Europe/Zurich")

func mustZone(name string) *time.Location {
	loc, err := time.LoadLocation(name)
	if err != nil {
		panic(err)
	}
	return loc
}

var options = ParseOptions{
	Base: base, Zone: zurich, Now: time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC),
	Expand: func(canonical string) ([]Coding, error) {
		if canonical != "http://example.org/ValueSet/vitals" {
			return nil, fault.New(fault.NotFound, "not-found", "There is no value set %s.", canonical)
		}
		return []Coding{{"http://loinc.org", "8867-4"}, {"http://loinc.org", "8480-6"}}, nil
	},
}

func doc(t testing.TB, json string) Doc {
	t.Helper()
	n, err := fhirjson.Parse([]byte(json))
	if err != nil {
		t.Fatal(err)
	}
	d := Extract(n, ExtractOptions{Base: base, Zone: zurich})
	d.LastUpdated = time.Date(2026, 2, 10, 12, 0, 0, 500e6, time.UTC)
	return d
}

// pairs reads "a=b&c=d" without percent decoding, so that cases stay readable.
func pairs(query string) []Pair {
	var out []Pair
	for _, kv := range strings.Split(query, "&") {
		name, value, _ := strings.Cut(kv, "=")
		out = append(out, Pair{name, value})
	}
	return out
}

func parse(t testing.TB, typ, query string) Query {
	t.Helper()
	o := options
	o.Strict = true
	q, _, err := ParseQuery(typ, pairs(query), o)
	if err != nil {
		t.Fatalf("%s?%s: %v", typ, query, err)
	}
	return q
}

// resources by a short name, for the tables below.
var resources = map[string]string{
	"heart": `{"resourceType":"Observation","id":"heart","meta":{"tag":[{"system":"http://example.org/t","code":"Demo"}],"profile":["http://example.org/p|1"],"source":"urn:src#1"},
		"identifier":[{"type":{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/v2-0203","code":"ACSN"}],"text":"Accession"},"system":"urn:acc","value":"AbC-1"}],
		"status":"final","category":[{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/observation-category","code":"vital-signs"}]}],
		"code":{"coding":[{"system":"http://loinc.org","code":"8867-4","display":"Heart rate"},{"system":"urn:local","code":"Puls"}],"text":"Pulse of the patient"},
		"subject":{"reference":"Patient/1"},"encounter":{"reference":"Encounter/e1"},"device":{"reference":"Device/1"},
		"performer":[{"reference":"Practitioner/p1"},{"identifier":{"system":"urn:staff","value":"77"}}],
		"effectiveDateTime":"2026-02-01T00:30:00+01:00","valueQuantity":{"value":72,"unit":"beats/min","system":"http://unitsofmeasure.org","code":"/min"}}`,
	"drain": `{"resourceType":"Observation","id":"drain","status":"amended","code":{"coding":[{"system":"http://loinc.org","code":"9203-1"}]},
		"subject":{"reference":"https://ward.example.org/fhir/Patient/1"},"effectiveDateTime":"2026-02-28T23:59:59.999+01:00",
		"valueQuantity":{"value":35,"unit":"mL","system":"http://unitsofmeasure.org","code":"mL"}}`,
	"panel": `{"resourceType":"Observation","id":"panel","status":"final","code":{"coding":[{"system":"http://loinc.org","code":"85354-9"}]},
		"subject":{"reference":"Patient/2/_history/3"},"effectivePeriod":{"start":"2026-02-10"},
		"component":[{"code":{"coding":[{"system":"http://loinc.org","code":"8480-6"}]},"valueQuantity":{"value":120,"system":"http://unitsofmeasure.org","code":"mm[Hg]"}},
			{"code":{"coding":[{"system":"http://loinc.org","code":"8462-4"}]},"valueQuantity":{"value":80,"system":"http://unitsofmeasure.org","code":"mm[Hg]"}},
			{"code":{"coding":[{"system":"http://loinc.org","code":"72290-0"}]},"valueCodeableConcept":{"coding":[{"system":"urn:x","code":"serous"}]}}]}`,
	"less": `{"resourceType":"Observation","id":"less","status":"final","code":{"text":"Ünïted"},"subject":{"reference":"Device/1"},"effectivePeriod":{"start":"2026-02-01","end":"2026-02-03"},
		"valueQuantity":{"value":5,"comparator":"<","unit":"drops"}}`,
	"absent": `{"resourceType":"Observation","id":"absent","status":"final","code":{"coding":[{"system":"http://loinc.org","code":"9203-1"}]},"subject":{"reference":"#p"},
		"contained":[{"resourceType":"Patient","id":"p"}],"_effectiveDateTime":{"extension":[{"url":"http://hl7.org/fhir/StructureDefinition/data-absent-reason","valueCode":"unknown"}]},
		"valueQuantity":{"extension":[{"url":"urn:x","valueString":"y"}]},"dataAbsentReason":{"text":"not measured"}}`,
	"muller": `{"resourceType":"Patient","id":"muller","active":true,"identifier":[{"system":"urn:mrn","value":"12345"}],"gender":"female","birthDate":"1960-02-29",
		"name":[{"family":"Müller","given":["Élodie","Anna Maria"],"prefix":["Dr."]}],"telecom":[{"system":"phone","use":"home","value":"+41 44"},{"system":"email","value":"e@x.org"}],
		"address":[{"line":["Main Street 5"],"city":"Zürich","use":"home"}],"managingOrganization":{"reference":"Organization/o"},"deceasedDateTime":"2026-01-02"}`,
	"alive":  `{"resourceType":"Patient","id":"alive","deceasedBoolean":false,"name":[{"text":"Smith, Ann"}]}`,
	"nobody": `{"resourceType":"Patient","id":"nobody"}`,
	"hook":   `{"resourceType":"Subscription","id":"hook","status":"active","criteria":"Observation?code=x","channel":{"type":"rest-hook","endpoint":"https://example.org/a/b","payload":"application/fhir+json"}}`,
	"prov":   `{"resourceType":"Provenance","id":"prov","target":[{"reference":"Patient/1"},{"reference":"Observation/heart"}],"recorded":"2026-02-01T10:00:00Z","agent":[{"who":{"reference":"Practitioner/p1"}}]}`,
	"group":  `{"resourceType":"Group","id":"group","type":"person","actual":true,"member":[{"entity":{"reference":"Patient/1"}},{"entity":{"reference":"Patient/2"}}],"characteristic":[{"code":{"coding":[{"code":"a"}]},"valueBoolean":true,"exclude":false},{"code":{"coding":[{"code":"b"}]},"valueBoolean":false,"exclude":false}]}`,
	"used":   `{"resourceType":"DeviceUseStatement","id":"used","status":"active","subject":{"reference":"Patient/1"},"device":{"reference":"Device/d1"},"timingPeriod":{"start":"2026-02-01T08:00:00Z"}}`,
	"device": `{"resourceType":"Device","id":"d1","status":"active","patient":{"reference":"Patient/1"},"type":{"text":"Drain"},"deviceName":[{"name":"left flank","type":"other"}]}`,
	"stay":   `{"resourceType":"Encounter","id":"e1","status":"in-progress","class":{"code":"IMP"},"subject":{"reference":"Patient/1"},"length":{"value":2,"unit":"days","system":"http://unitsofmeasure.org","code":"d"},"participant":[{"individual":{"reference":"Practitioner/p1"}},{"individual":{"reference":"RelatedPerson/r1"}}],"period":{"end":"2026-02-05"}}`,
}

// The cases follow the conformance checklist's sections on parameter types,
// dates and prefixes; each names the resources that are found.
func TestMatch(t *testing.T) {
	for _, c := range []struct{ typ, query, want string }{
		// 97, 104, 105: tokens
		{"Observation", "code=8867-4", "heart"},
		{"Observation", "code=http://loinc.org|8867-4", "heart"},
		{"Observation", "code=http://loinc.org|", "absent drain heart panel"},
		{"Observation", "code=|8867-4", ""},
		{"Observation", "code=HTTP://loinc.org|8867-4", ""},
		{"Observation", "code=PULS", "heart"},
		{"Observation", "code=urn:local|puls", "heart"},
		{"Observation", "code=8867-4,9203-1", "absent drain heart"},
		{"Observation", "code=8867-4&code=Puls", "heart"},
		{"Observation", "code=8867-4&code=9203-1", ""},
		{"Observation", "status=final", "absent heart less panel"},
		{"Observation", "status=http://hl7.org/fhir/observation-status|final", "absent heart less panel"},
		{"Observation", "status=FINAL", ""},
		{"Observation", "identifier=urn:acc|abc-1", "heart"},
		{"Observation", "identifier=AbC-1", "heart"},
		{"Observation", "identifier:of-type=http://terminology.hl7.org/CodeSystem/v2-0203|ACSN|ABC-1", "heart"},
		{"Observation", "identifier:of-type=http://terminology.hl7.org/CodeSystem/v2-0203|MR|AbC-1", ""},
		{"Observation", "_tag=http://example.org/t|demo", "heart"},
		{"Observation", "_profile=http://example.org/p|1", "heart"},
		{"Observation", "_profile=http://example.org/p", ""},
		{"Observation", "_source=urn:src#1", "heart"},
		{"Observation", "_id=heart,drain", "drain heart"},
		{"Observation", "_id=HEART", ""},
		{"Observation", "_id:not=heart,drain", "absent less panel"},
		{"Patient", "active=true", "muller"},
		{"Patient", "telecom=e@x.org", "muller"},
		{"Patient", "phone=+41 44", "muller"},
		{"Patient", "telecom=home|+41 44", "muller"},
		{"Patient", "telecom=phone|+41 44", "muller"},
		{"Patient", "email=+41 44", ""},
		{"Patient", "deceased=true", "muller"},
		{"Patient", "deceased=false", "alive nobody"},
		{"Subscription", "payload=application/fhir+json", "hook"},
		// 106: token modifiers
		{"Observation", "category:not=vital-signs", "absent drain less panel"},
		{"Observation", "code:not=8867-4,9203-1", "less panel"},
		{"Observation", "code:text=heart", "heart"},
		{"Observation", "code:text=pulse of", "heart"},
		{"Observation", "code:text=united", "less"},
		{"Observation", "code:in=http://example.org/ValueSet/vitals", "heart"},
		{"Observation", "code:not-in=http://example.org/ValueSet/vitals", "absent drain less panel"},
		// 107: missing
		{"Observation", "date:missing=true", "absent"},
		{"Observation", "date:missing=false", "drain heart less panel"},
		{"Observation", "value-quantity:missing=true", "absent panel"},
		{"Observation", "subject:missing=false", "absent drain heart less panel"},
		{"Observation", "patient:missing=true", "absent less"},
		{"Observation", "component-code:missing=false", "panel"},
		{"Observation", "component-code-value-quantity:missing=false", "panel"},
		{"Observation", "code-value-quantity:missing=true", "absent panel"},
		{"Patient", "name:missing=true", "nobody"},
		{"Patient", "_profile:missing=false", ""},
		// 108, 109, 110: references
		{"Observation", "subject=1", "drain heart less"},
		{"Observation", "subject=Patient/1", "drain heart"},
		{"Observation", "subject=https://ward.example.org/fhir/Patient/1", "drain heart"},
		{"Observation", "subject=https://other.example.org/fhir/Patient/1", ""},
		{"Observation", "subject:Patient=1", "drain heart"},
		{"Observation", "subject:Device=1", "less"},
		{"Observation", "patient=1", "drain heart"},
		{"Observation", "patient=Device/1", ""},
		{"Observation", "subject=Patient/2", "panel"},
		{"Observation", "subject=p", ""},
		{"Observation", "performer:identifier=urn:staff|77", "heart"},
		{"Observation", "performer:identifier=77", "heart"},
		{"Provenance", "target=heart", "prov"},
		{"Provenance", "target=Observation/heart", "prov"},
		{"Provenance", "target:Observation=heart", "prov"},
		{"Provenance", "target:Patient=heart", ""},
		{"Provenance", "patient=1", "prov"},
		{"Encounter", "practitioner=p1", "stay"},
		{"Encounter", "practitioner=RelatedPerson/r1", ""},
		{"Encounter", "participant=RelatedPerson/r1", "stay"},
		{"DeviceUseStatement", "patient=1&device=d1", "used"},
		// 111: strings
		{"Patient", "name=muller", "muller"},
		{"Patient", "name=MÜL", "muller"},
		{"Patient", "name=elo", "muller"},
		{"Patient", "name=dr.", "muller"},
		{"Patient", "name=uller", ""},
		{"Patient", "name:contains=ULLER", "muller"},
		{"Patient", "name:exact=Müller", "muller"},
		{"Patient", "name:exact=Muller", ""},
		{"Patient", `name=smith\, ann`, "alive"},
		{"Patient", "family=mull", "muller"},
		{"Patient", "given=maria", ""},
		{"Patient", "address=zurich", "muller"},
		{"Patient", "address-city=Zü", "muller"},
		{"Patient", "name='; DROP TABLE x; --", ""},
		{"Patient", "name=%", ""},
		{"Patient", "name=_uller", ""},
		// 112, 113, 114: quantities
		{"Observation", "value-quantity=72", "heart"},
		{"Observation", "value-quantity=72.3", ""},
		{"Observation", "value-quantity=7e1", ""},
		{"Observation", "value-quantity=7.2e1", "heart"},
		{"Observation", "value-quantity=72|http://unitsofmeasure.org|/min", "heart"},
		{"Observation", "value-quantity=72||/min", "heart"},
		{"Observation", "value-quantity=72||beats/min", "heart"},
		{"Observation", "value-quantity=72||mL", ""},
		{"Observation", "value-quantity=gt72", ""},
		{"Observation", "value-quantity=ge72", "heart"},
		{"Observation", "value-quantity=ne72", "drain less"},
		{"Observation", "value-quantity=ap68", "heart"},
		{"Observation", "value-quantity=gt1|http://unitsofmeasure.org|[foz_us]", "drain"},
		{"Observation", "value-quantity=0.035|http://unitsofmeasure.org|L", "drain"},
		{"Observation", "value-quantity=35|http://unitsofmeasure.org|", "drain"},
		{"Observation", "value-quantity=lt3", "less"},
		{"Observation", "value-quantity=gt4||drops", "less"},
		{"Observation", "value-quantity=gt5||drops", ""},
		{"Observation", "value-quantity=eb5||drops", "less"},
		{"Observation", "value-quantity=5||drops", ""},
		{"Encounter", "length=48|http://unitsofmeasure.org|h", "stay"},
		// 115: URIs
		{"Subscription", "url=https://example.org/a/b", "hook"},
		{"Subscription", "url=https://example.org/A/b", ""},
		{"Subscription", "url:below=https://example.org/a", "hook"},
		{"Subscription", "url:below=https://example.org/", "hook"},
		{"Subscription", "url:below=https://example.or", ""},
		{"Subscription", "url:above=https://example.org/a/b/c", "hook"},
		// 116, 117: composites
		{"Observation", "code-value-quantity=http://loinc.org|8867-4$gt60", "heart"},
		{"Observation", "code-value-quantity=http://loinc.org|8867-4$gt80", ""},
		{"Observation", "code-value-quantity=8867-4$gt80,9203-1$35", "drain"},
		{"Observation", "component-code-value-quantity=8480-6$120", "panel"},
		{"Observation", "component-code-value-quantity=8480-6$80", ""},
		{"Observation", "component-code-value-concept=72290-0$serous", "panel"},
		{"Observation", "combo-code-value-quantity=8462-4$lt90", "panel"},
		{"Observation", "combo-code-value-quantity=9203-1$lt90", "drain"},
		{"Observation", "combo-code=8480-6", "panel"},
		{"Observation", "component-code=8480-6", "panel"},
		{"Observation", "code=8480-6", ""},
		{"Observation", "value-quantity=120", ""},
		{"Observation", "combo-value-quantity=120,72", "heart panel"},
		{"Group", "characteristic-value=a$true", "group"},
		{"Group", "characteristic-value=a$false", ""},
		// 119, 120, 125, 126: dates
		{"Observation", "date=2026", "drain heart less"},
		{"Observation", "date=2026-02", "drain heart less"},
		{"Observation", "date=2026-02-01", "heart"},
		{"Observation", "date=2026-01-31", ""},
		{"Observation", "date=2026-01-31T23:30Z", "heart"},
		{"Observation", "date=2026-02-01T00:30", "heart"},
		{"Observation", "date=2026-02-01T00:30:00.000+01:00", ""},
		{"Observation", "date=ge2026-02-01&date=lt2026-03-01", "drain heart less panel"},
		{"Observation", "date=ge2026-03-01", "panel"},
		{"Observation", "date=lt2026-02-01T00:30:01", "heart less"},
		{"Observation", "date=ne2026-02", "panel"},
		// 121, 122, 124: periods
		{"Observation", "date=gt2026-02-02", "drain less panel"},
		{"Observation", "date=sa2026-02-02", "drain panel"},
		{"Observation", "date=lt2026-02-02", "heart less"},
		{"Observation", "date=eb2026-02-02", "heart"},
		{"Observation", "date=gt2199", "panel"},
		{"Observation", "date=le2026-02-03", "heart less"},
		{"Observation", "date=ap2026-02-20", "panel"},
		{"Encounter", "date=lt1800", "stay"},
		{"Encounter", "date=gt2026-02-05", ""},
		{"Encounter", "date=eb2026-02-06", "stay"},
		{"Patient", "birthdate=1960-02-29", "muller"},
		{"Patient", "birthdate=eq1960-02", "muller"},
		{"Patient", "death-date=2026", "muller"},
		// 128: _lastUpdated
		{"Observation", "_lastUpdated=2026-02-10&_id=heart", "heart"},
		{"Observation", "_lastUpdated=gt2026-02-10T12:00:00.500Z", ""},
		{"Observation", "_lastUpdated=ge2026-02-10T12:00:00.500Z&_id=heart", "heart"},
		{"Observation", "_lastUpdated=lt2026-02-10", ""},
	} {
		q := parse(t, c.typ, c.query)
		var got []string
		for name, text := range resources {
			d := doc(t, text)
			if d.Type != c.typ {
				continue
			}
			m := q.Match(d)
			if m {
				got = append(got, name)
			}
			p := q.Plan()
			if a := p.Admits(d); m && !a || p.Exact && m != a {
				t.Errorf("%s?%s on %s: match %v, plan admits %v (exact %v)", c.typ, c.query, name, m, a, p.Exact)
			}
		}
		slices.Sort(got)
		if s := strings.Join(got, " "); s != c.want {
			t.Errorf("%s?%s finds %q, want %q", c.typ, c.query, s, c.want)
		}
	}
}

// Days around a change of the clocks have 23 and 25 hours.
func TestDaylightSaving(t *testing.T) {
	at := func(s string) Doc {
		return doc(t, `{"resourceType":"Observation","id":"x","effectiveDateTime":"`+s+`"}`)
	}
	for _, c := range []struct {
		query, at string
		want      bool
	}{
		{"date=2026-03-29", "2026-03-29T00:00:00+01:00", true},
		{"date=2026-03-29", "2026-03-29T23:59:59+02:00", true},
		{"date=2026-03-29", "2026-03-29T23:59:59+01:00", false},
		{"date=2026-10-25", "2026-10-25T23:59:59+01:00", true},
		{"date=2026-10-25", "2026-10-25T23:59:59Z", false},
		{"date=lt2026-03-01", "2026-02-28T23:59:59.999+01:00", true},
		{"date=ge2026-02-01", "2026-02-01T00:00:00+01:00", true},
		{"date=ge2026-02-01", "2026-01-31T23:59:59.999+01:00", false},
		{"date=2028-02-29", "2028-02-29T12:00:00+01:00", true},
	} {
		if got := parse(t, "Observation", c.query).Match(at(c.at)); got != c.want {
			t.Errorf("%s on %s: %v", c.query, c.at, got)
		}
	}
}

func TestWithin(t *testing.T) {
	q := Query{Type: "Observation", Within: [][]Clause{
		{InCompartment("Patient", "2")},
		append(parse(t, "Observation", "code=9203-1").Where, InCompartment("Patient", "1")),
	}}
	p := q.Plan()
	if !p.Exact {
		t.Error("two alternatives of keys are not exact")
	}
	for name, want := range map[string]bool{"heart": false, "drain": true, "panel": true, "less": false, "absent": false} {
		d := doc(t, resources[name])
		if q.Match(d) != want || p.Admits(d) != want {
			t.Errorf("%s: match %v, admits %v, want %v", name, q.Match(d), p.Admits(d), want)
		}
	}
}

func TestCompartments(t *testing.T) {
	for name, want := range map[string]string{
		"heart": "Device/1 Encounter/e1 Patient/1", "drain": "Patient/1", "panel": "Patient/2", "less": "Device/1", "absent": "",
		"muller": "Patient/muller", "prov": "Patient/1", "group": "Patient/1 Patient/2", "used": "Device/d1 Patient/1", "device": "Device/d1 Patient/1",
		"stay": "Encounter/e1 Patient/1", "hook": "",
	} {
		got := doc(t, resources[name]).Refs(Compartment)
		slices.Sort(got)
		if s := strings.Join(got, " "); s != want {
			t.Errorf("%s is in %q, want %q", name, s, want)
		}
	}
	if got := Compartments("Encounter"); !slices.Equal(got, []string{"Encounter", "Observation"}) {
		t.Errorf("Encounter compartments may hold %v", got)
	}
}

func TestPrimaryDate(t *testing.T) {
	for _, c := range []struct {
		json     string
		from, to string // "" is unbounded
	}{
		{resources["heart"], "2026-01-31T23:30:00Z", "2026-01-31T23:30:01Z"},
		{resources["panel"], "2026-02-09T23:00:00Z", ""},
		{resources["stay"], "", "2026-02-05T23:00:00Z"},
		{resources["used"], "2026-02-01T08:00:00Z", ""},
		{resources["prov"], "2026-02-01T10:00:00Z", "2026-02-01T10:00:01Z"},
		{`{"resourceType":"Observation","effectiveTiming":{"event":["2026-02-01","2026-02-03"]}}`, "2026-01-31T23:00:00Z", "2026-02-03T23:00:00Z"},
		{`{"resourceType":"Observation","effectiveInstant":"1970-01-01T00:00:00Z"}`, "1970-01-01T00:00:00Z", "1970-01-01T00:00:01Z"},
		{`{"resourceType":"DetectedIssue","identifiedDateTime":"2026-02-01"}`, "2026-01-31T23:00:00Z", "2026-02-01T23:00:00Z"},
	} {
		d := doc(t, c.json)
		from, to := int64(NoDate), int64(MaxDate)
		if c.from != "" {
			x, _ := time.Parse(time.RFC3339, c.from)
			from = x.UnixMicro()
		}
		if c.to != "" {
			x, _ := time.Parse(time.RFC3339, c.to)
			to = x.UnixMicro()
		}
		if d.Date != from || d.DateEnd != to {
			t.Errorf("%s: [%v, %v), want [%s, %s)", c.json, time.UnixMicro(d.Date), time.UnixMicro(d.DateEnd), c.from, c.to)
		}
	}
	if d := doc(t, resources["absent"]); d.Date != NoDate {
		t.Error("a date that is only an extension is one")
	}
}

func TestOrder(t *testing.T) {
	var docs []Doc
	for _, name := range []string{"absent", "drain", "heart", "less", "panel"} {
		docs = append(docs, doc(t, resources[name]))
	}
	for sort, want := range map[string]string{
		"date":           "less heart panel drain absent",
		"-date":          "drain panel heart less absent",
		"status,-_id":    "drain panel less heart absent",
		"value-quantity": "drain heart less absent panel", // in m3, /s, then as written
		"_lastUpdated":   "absent drain heart less panel",
	} {
		q := parse(t, "Observation", "_sort="+sort)
		sorted := slices.Clone(docs)
		slices.SortStableFunc(sorted, q.Order)
		var got []string
		for _, d := range sorted {
			got = append(got, d.ID)
		}
		if s := strings.Join(got, " "); s != want {
			t.Errorf("_sort=%s gives %s, want %s", sort, s, want)
		}
	}
}
