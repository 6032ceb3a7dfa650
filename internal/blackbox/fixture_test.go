package blackbox

import (
	"net/url"
	"time"
)

const (
	loinc    = "http://loinc.org"
	ucum     = "http://unitsofmeasure.org"
	local    = "http://tidemark.example.org/fhir/CodeSystem/drain"
	testSys  = "http://example.org/blackbox"
	category = "http://terminology.hl7.org/CodeSystem/observation-category"
)

func concept(system, code string) obj {
	return obj{"coding": list{obj{"system": system, "code": code}}}
}

func ref(to string) obj { return obj{"reference": to} }

func instant(t time.Time) string { return t.Format("2006-01-02T15:04:05Z07:00") }

// bed is a patient with one drain in place.
type bed struct{ patient, drain, placement string }

// bed registers a patient, a drain, and the drain's placement.
func (c *client) bed(name string, placed time.Time) bed {
	c.t.Helper()
	b := bed{name, name + "-d1", name + "-u1"}
	c.do("PUT", "Patient/"+b.patient, obj{"resourceType": "Patient", "id": b.patient, "active": true,
		"identifier": list{obj{"system": testSys + "/mrn", "value": "mrn-" + name}},
		"name":       list{obj{"family": "Testfall-" + name, "given": list{"Änne"}}}, "birthDate": "1961-05-17"}).want(201)
	c.do("PUT", "Device/"+b.drain, obj{"resourceType": "Device", "id": b.drain, "status": "active",
		"patient": ref("Patient/" + b.patient), "deviceName": list{obj{"name": "Drain 1", "type": "user-friendly-name"}},
		"type": concept(local, "bulb")}).want(201)
	c.do("PUT", "DeviceUseStatement/"+b.placement, c.placement(b, "active", obj{"start": instant(placed)})).want(201)
	return b
}

func (c *client) placement(b bed, status string, period obj) obj {
	return obj{"resourceType": "DeviceUseStatement", "id": b.placement, "status": status,
		"subject": ref("Patient/" + b.patient), "device": ref("Device/" + b.drain), "timingPeriod": period}
}

// emptying is a drain entry as a charting front end sends it.
func emptying(b bed, at time.Time, value, unit string) obj {
	return obj{"resourceType": "Observation", "status": "final", "category": list{concept(category, "exam")},
		"code": concept(loinc, "9203-1"), "subject": ref("Patient/" + b.patient), "device": ref("Device/" + b.drain),
		"effectiveDateTime": instant(at),
		"valueQuantity":     obj{"value": num(value), "unit": unit, "system": ucum, "code": unit}}
}

// note is an Observation that has nothing to do with a drain.
func note(patient, code string, at string, extra obj) obj {
	o := obj{"resourceType": "Observation", "status": "final", "code": concept("http://example.org/codes", code),
		"subject": ref("Patient/" + patient)}
	if at != "" {
		o["effectiveDateTime"] = at
	}
	for k, v := range extra {
		o[k] = v
	}
	return o
}

// query escapes parameters given in pairs.
func query(pairs ...string) string {
	s := ""
	for i := 0; i+1 < len(pairs); i += 2 {
		if s != "" {
			s += "&"
		}
		s += url.QueryEscape(pairs[i]) + "=" + url.QueryEscape(pairs[i+1])
	}
	return s
}

// ago is a time in the past, to the second.
func ago(d time.Duration) time.Time { return time.Now().Add(-d).UTC().Truncate(time.Second) }
