package blackbox

import (
	"encoding/csv"
	"fmt"
	"math"
	"strconv"
	"strings"
	"testing"
	"time"
)

// TestHandover: the figures of a shift are worked out here from what
// was charted; the calendar is the standard one, 07:00 and 19:00 UTC.
func TestHandover(t *testing.T) {
	s := serve(t)
	c := s.client()
	c.do("PUT", "Location/w", obj{"resourceType": "Location", "id": "w", "name": "Ward 7", "physicalType": concept("http://terminology.hl7.org/CodeSystem/location-physical-type", "wa")}).want(201)
	in := func(b bed, name string) {
		t.Helper()
		c.do("PUT", "Location/"+b.patient+"-bed", obj{"resourceType": "Location", "id": b.patient + "-bed", "name": name, "partOf": ref("Location/w"), "physicalType": concept("http://terminology.hl7.org/CodeSystem/location-physical-type", "bd")}).want(201)
		c.do("PUT", "Encounter/"+b.patient+"-stay", obj{"resourceType": "Encounter", "id": b.patient + "-stay", "status": "in-progress", "class": obj{"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "IMP"},
			"subject": ref("Patient/" + b.patient), "location": list{obj{"location": ref("Location/" + b.patient + "-bed")}}}).want(201)
	}
	ten, two := c.bed("ten", ago(80*time.Hour)), c.bed("two", ago(80*time.Hour))
	in(ten, "Bed 10")
	in(two, "Bed 2")
	type charted struct {
		at time.Time
		ml float64
	}
	var all []charted
	var last string
	for h := 70; h > 0; h -= 5 {
		at, ml := ago(time.Duration(h)*time.Hour), float64(10+h)/4
		e := emptying(ten, at, strconv.FormatFloat(ml, 'f', -1, 64), "mL")
		e["performer"] = list{ref("Practitioner/n1")}
		e["component"] = list{obj{"code": concept(loinc, "72290-0"), "valueCodeableConcept": concept(local, "serous")}}
		last = c.do("POST", "Observation", e).want(201).id()
		all = append(all, charted{at, ml})
	}
	// The last one is put right by a colleague, who says why.
	nurse := s.clientWith(s.token("--role", "nurse", "--subject", "Practitioner/n2"))
	o := nurse.do("GET", "Observation/"+last, nil).want(200)
	fixed := o.tree.(map[string]any)
	fixed["status"], fixed["valueQuantity"] = "corrected", obj{"value": 33, "unit": "mL", "system": ucum, "code": "mL"}
	fixed["note"] = list{obj{"text": "read again together"}}
	nurse.do("PUT", "Observation/"+last, fixed).want(200)
	all[len(all)-1].ml = 33

	for _, role := range []string{"nurse", "nursing-assistant"} {
		who := s.clientWith(s.token("--role", role, "--subject", "Practitioner/n3"))
		b := who.do("GET", "Location/w/$handover?shift=current", nil).want(200)
		var drains []string
		totals := map[string]any{}
		var sheet any
		for _, e := range items(b.tree, "entry") {
			r := dig(e, "resource")
			if text(r, "resourceType") != "Observation" || text(r, "device.reference") == "" {
				continue
			}
			switch code := text(r, "code.coding.0.code"); {
			case code == "handover":
				drains = append(drains, text(r, "device.reference"))
				if text(r, "device.reference") == "Device/"+ten.drain {
					sheet = r
				}
			case strings.HasPrefix(code, "drain-output-total") && text(r, "device.reference") == "Device/"+ten.drain:
				totals[text(r, "code.text")] = r
			}
		}
		if fmt.Sprint(drains) != fmt.Sprintf("[Device/%s Device/%s]", two.drain, ten.drain) {
			t.Fatalf("%s: by bed: %v", role, drains)
		}
		for name, r := range totals {
			from, _ := time.Parse(time.RFC3339, text(r, "effectivePeriod.start"))
			to, _ := time.Parse(time.RFC3339, text(r, "effectivePeriod.end"))
			sum, n := 0.0, 0
			for _, x := range all {
				if !x.at.Before(from) && x.at.Before(to) {
					sum, n = sum+x.ml, n+1
				}
			}
			got, err := strconv.ParseFloat(fmt.Sprint(dig(r, "valueQuantity.value")), 64)
			if n == 0 {
				if text(r, "dataAbsentReason.coding.0.code") != "not-performed" {
					t.Errorf("%s, %s: nothing was charted: %v", role, name, r)
				}
			} else if err != nil || math.Abs(got-sum) > 1e-9 {
				t.Errorf("%s, %s: %v mL, by hand %v", role, name, got, sum)
			}
		}
		if len(totals) != 3 {
			t.Errorf("%d totals", len(totals))
		}
		said := fmt.Sprint(sheet)
		for _, want := range []string{"17.5", "33 mL", "from version 1, by Practitioner/n2: read again together", "charted"} {
			if want == "17.5" {
				want = strconv.FormatFloat(float64(10+5)/4, 'f', -1, 64) + " mL"
			}
			if !strings.Contains(said, want) {
				t.Errorf("%s: the sheet does not say %q: %s", role, want, said)
			}
		}
		rows, err := csv.NewReader(strings.NewReader(string(who.do("GET", "Location/w/$handover?shift=current&_format=text/csv", nil).want(200).body))).ReadAll()
		if err != nil || len(rows) != 3 || rows[1][0] != "Bed 2" || rows[2][0] != "Bed 10" || !strings.Contains(rows[2][1], "Testfall-ten") {
			t.Errorf("%s: %v %v", role, err, rows)
		}
	}
	// The Provenance can be read with the entry.
	p := items(c.do("GET", "Provenance?target=Observation/"+last, nil).want(200).tree, "entry")
	for i := range p {
		p[i] = dig(p[i], "resource")
	}
	if len(p) != 1 || text(p[0], "agent.0.who.reference") != "Practitioner/n2" || text(p[0], "reason.0.text") != "read again together" || text(p[0], "entity.0.what.reference") != "Observation/"+last+"/_history/1" {
		t.Errorf("%v", p)
	}
	one := s.clientWith(s.token("--scope", "patient/*.rs", "--patient", ten.patient))
	one.do("GET", "Location/w/$handover", nil).want(404)
	one.do("GET", "Patient/"+two.patient+"/$handover", nil).want(404)
	one.do("GET", "Patient/"+ten.patient+"/$handover", nil).want(200)
	nurse.do("GET", "Location/w/$handover?shift=yesterday", nil).want(400)
	nurse.do("GET", "Location/w/$handover?shift=2126-01-01T00:00:00Z", nil).want(400)
}
