package fhirmap

import (
	"encoding/json"
	"math/big"
	"slices"
	"sort"
	"strconv"
	"strings"
	"time"

	"github.com/samply/golang-fhir-models/fhir-models/fhir"

	"tidemark/internal/drain"
	"tidemark/internal/fault"
	"tidemark/internal/fhirdate"
	"tidemark/internal/fhirjson"
	"tidemark/internal/store"
	"tidemark/internal/ucum"
)

// MaxDecimals is how many decimals a charted volume may have; no vessel on a
// ward comes near it.
const MaxDecimals = 6

// Decode reads the facts of a resource that package r4 has found valid. Every
// fault against the rules of a drain entry is in the list, each with its
// element and its fix. A resource that the rules have no use for has no facts.
// Dates without a time of day are read in zone.
func Decode(n *fhirjson.Node, zone *time.Location) (store.Facts, *fault.List) {
	var (
		f store.Facts
		l fault.List
	)
	// The models read a missing status as the first of their list, so that
	// only trees which r4 has checked may come here.
	switch n.Str("resourceType") {
	case "Observation":
		var o fhir.Observation
		if typed(n, &o, &l) {
			f.Entry = observation(n, &o, &l)
		}
	case "Device":
		var d fhir.Device
		if typed(n, &d, &l) {
			f.Drain = device(&d, &l)
		}
	case "DeviceUseStatement":
		var u fhir.DeviceUseStatement
		if typed(n, &u, &l) {
			f.Placement = placement(&u, zone, &l)
		}
	case "Encounter":
		var e fhir.Encounter
		if typed(n, &e, &l) {
			f.Stay = stay(&e)
		}
	case "DetectedIssue":
		f.Finding = findingOf(n)
	case "Location":
		var p fhir.Location
		if typed(n, &p, &l) {
			f.Place = &drain.Place{ID: deref(p.Id), Name: deref(p.Name), PartOf: id(p.PartOf, "Location")}
		}
	}
	return f, &l
}

// typed fills a model from the tree. It can fail only where the models are
// narrower than R4; such a resource cannot be computed with.
func typed(n *fhirjson.Node, into any, l *fault.List) bool {
	if err := json.Unmarshal(n.Bytes(), into); err != nil {
		l.Add("not-supported", n.Str("resourceType"), "The resource is valid but holds a value that this service cannot compute with: %v.", err)
		return false
	}
	return true
}

func observation(n *fhirjson.Node, o *fhir.Observation, l *fault.List) *drain.Entry {
	e := &drain.Entry{ID: deref(o.Id), Status: n.Str("status"), Patient: id(o.Subject, "Patient")}
	if e.Kind = kind(o, e); e.Kind == "" {
		return nil
	}
	if o.Device != nil {
		e.Drain = id(o.Device, "Device")
	}
	for _, p := range o.Performer {
		if e.DoneBy = deref(p.Reference); e.DoneBy != "" {
			break
		}
	}
	e.At = moment(n, l)
	if e.Patient == "" {
		l.Add("required", "Observation.subject", "The entry names no patient: set subject to a reference such as Patient/123.")
	}
	onDrain := e.Kind == drain.Emptying || e.Kind == drain.Check || e.Kind == drain.Site
	if onDrain && e.Drain == "" {
		l.Add("required", "Observation.device", "The entry names no drain: set device to a reference such as Device/123.")
	}
	switch e.Kind {
	case drain.Emptying, drain.Intake, drain.Output:
		e.Measured = measure(o, l)
	case drain.Weight:
		if o.ValueQuantity != nil {
			e.Kilograms, _ = convert(o.ValueQuantity, "kg", "a mass", "Observation.value", l)
		}
	}
	if o.Method != nil {
		e.Estimated = has(o.Method, Local, CodeEstimated) || has(o.Method, SNOMED, "414135002") || has(o.Method, SNOMED, "258083009")
	}
	if onDrain {
		components(o, e, l)
	}
	return e
}

// kind tells what an Observation charts; "" when the rules have no use for it.
func kind(o *fhir.Observation, e *drain.Entry) drain.Kind {
	for _, c := range o.Code.Coding {
		code := deref(c.Code)
		switch deref(c.System) {
		case Local:
			switch code {
			case CodeSite:
				return drain.Site
			case CodeCheck:
				return drain.Check
			case CodeOutput:
				return emptyingOrCheck(o)
			}
			if f, ok := localFlows[code]; ok {
				return route(e, code, f)
			}
		case LOINC:
			if _, ok := outputCodes[code]; ok {
				return emptyingOrCheck(o)
			}
			if f, ok := flows[code]; ok {
				return route(e, code, f)
			}
			if code == LOINCWeight {
				return drain.Weight
			}
		}
	}
	return ""
}

// emptyingOrCheck: an Observation of drain output with neither a volume nor a
// reason for its absence is a look at the reservoir.
func emptyingOrCheck(o *fhir.Observation) drain.Kind {
	if o.ValueQuantity == nil && o.DataAbsentReason == nil && len(o.Component) > 0 {
		return drain.Check
	}
	return drain.Emptying
}

func route(e *drain.Entry, code string, f flow) drain.Kind {
	e.Route, e.RouteText = code, f.label
	if f.in {
		return drain.Intake
	}
	return drain.Output
}

// moment reads when the entry holds: an instant, or the end of a period.
func moment(n *fhirjson.Node, l *fault.List) time.Time {
	expr, text := "Observation.effective", n.Str("effectiveDateTime")
	if text == "" {
		text = n.Str("effectiveInstant")
	}
	if p := n.Get("effectivePeriod"); text == "" && p != nil {
		expr, text = "Observation.effective.end", p.Str("end")
		if text == "" {
			l.Add("required", expr, "The period has no end, so that nobody knows when the reading was taken: set end, or send effectiveDateTime.")
			return time.Time{}
		}
	}
	if text == "" {
		l.Add("required", expr, "The entry has no time: set effectiveDateTime with seconds and a zone, such as 2026-11-25T14:05:00+01:00.")
		return time.Time{}
	}
	t, err := fhirdate.Instant(text)
	if err != nil {
		l.Add("value", expr, "%q %v.", text, err)
	}
	return t
}

func measure(o *fhir.Observation, l *fault.List) drain.Measure {
	if o.ValueQuantity == nil {
		if o.DataAbsentReason == nil {
			l.Add("required", "Observation.value", "The entry has neither a volume nor a reason why there is none: send valueQuantity (a measured zero is 0 mL) or dataAbsentReason.")
			return drain.Measure{}
		}
		reason := "unknown"
		for _, c := range o.DataAbsentReason.Coding {
			if deref(c.System) == Absent {
				reason = deref(c.Code)
			}
		}
		return drain.Measure{Absent: reason}
	}
	v, ok := volume(o.ValueQuantity, "Observation.value", l)
	return drain.Measure{Known: ok, Volume: v}
}

// volume reads a charted volume into exact millilitres.
func volume(q *fhir.Quantity, expr string, l *fault.List) (drain.Volume, bool) {
	v, ok := convert(q, "mL", "a volume", expr, l)
	if ok && v.Sign() < 0 {
		l.Add("value", expr+".value", "The volume is negative (%s); send what was measured, and irrigant as the %s component.", q.Value, CodeInstilled)
		return v, false
	}
	return v, ok
}

// convert reads a quantity into an exact number of the target unit.
func convert(q *fhir.Quantity, target, what, expr string, l *fault.List) (drain.Volume, bool) {
	ok := true
	add := func(code, expr, format string, args ...any) {
		l.Add(code, expr, format, args...)
		ok = false
	}
	var number *big.Rat
	if q.Value == nil {
		add("required", expr+".value", "The quantity has no value.")
	} else if n, valid := ucum.ParseDecimal(q.Value.String()); !valid {
		add("value", expr+".value", "%q is not a decimal that can be computed with.", q.Value.String())
	} else {
		number = n
		if places, exact := n.FloatPrec(); !exact || places > MaxDecimals {
			add("value", expr+".value", "%s has more than %d decimals; send what the vessel shows.", q.Value, MaxDecimals)
		}
	}
	code := deref(q.Code)
	switch {
	case code == "":
		advice := ucum.Suggest(deref(q.Unit))
		if advice == "" {
			advice = target
		}
		add("required", expr+".code", "The quantity has no UCUM code: set system to %s and code to a unit such as %q.", UCUM, advice)
		return drain.Volume{}, false
	case deref(q.System) != UCUM:
		add("value", expr+".system", "The unit's system is %q: set it to %s.", deref(q.System), UCUM)
	}
	unit, err := ucum.Parse(code)
	if err != nil {
		add("code-invalid", expr+".code", "%v.", strings.TrimSuffix(err.Error(), "."))
		return drain.Volume{}, false
	}
	want, err := ucum.Parse(target)
	if err != nil || !unit.Commensurable(want) {
		advice := ucum.Caution(code)
		if advice != "" {
			advice = " " + advice
		}
		add("value", expr+".code", "%q is not %s: use %s.%s", code, what, target, advice)
		return drain.Volume{}, false
	}
	if !ok || number == nil {
		return drain.Volume{}, false
	}
	r, err := ucum.Convert(number, unit, want)
	if err != nil {
		add("value", expr, "The quantity cannot be converted to %s: %v.", target, err)
		return drain.Volume{}, false
	}
	return drain.ML(r), true
}

func components(o *fhir.Observation, e *drain.Entry, l *fault.List) {
	for i := range o.Component {
		c := &o.Component[i]
		expr := "Observation.component[" + itoa(i) + "].value"
		for _, coding := range c.Code.Coding {
			system, code := deref(coding.System), deref(coding.Code)
			switch {
			case system == LOINC && code == LOINCAppearance:
				e.Appearance = appearance(c.ValueCodeableConcept, expr, l)
			case system == LOINC && code == LOINCColour:
				e.Colour = words(c)
			case system == Local && code == CodeSuction:
				pick(c.ValueCodeableConcept, suctions, &e.Suction, expr, l)
			case system == Local && code == CodePatency:
				pick(c.ValueCodeableConcept, patencies, &e.Patency, expr, l)
			case system == Local && code == CodeVessel:
				pick(c.ValueCodeableConcept, vessels, &e.Vessel, expr, l)
			case system == Local && code == CodeInstilled:
				if c.ValueQuantity != nil {
					e.Instilled, _ = volume(c.ValueQuantity, expr, l)
				} else if c.DataAbsentReason == nil {
					l.Add("required", expr, "The instilled volume is a valueQuantity in a UCUM volume such as mL.")
				}
			case system == Local && code == CodeFill:
				fill(c, e, expr, l)
			case system == Local && code == CodeDislodged:
				if c.ValueBoolean != nil {
					e.Dislodged = *c.ValueBoolean
				}
			case system == Local && code == codeSuture:
				if sign(c, expr, l, &e.Assessed) == no {
					e.Signs = append(e.Signs, drain.SutureLoose)
				}
			case system == Local && signs[code] != "":
				if sign(c, expr, l, &e.Assessed) == yes {
					e.Signs = append(e.Signs, signs[code])
				}
			}
		}
	}
	slices.Sort(e.Signs)
	e.Signs = slices.Compact(e.Signs)
}

type reply int

const (
	unanswered reply = iota
	yes
	no
)

func sign(c *fhir.ObservationComponent, expr string, l *fault.List, assessed *bool) reply {
	if c.ValueBoolean == nil {
		if c.DataAbsentReason == nil {
			l.Add("value", expr, "A sign is charted as valueBoolean (true: present; suture: true: intact), or with dataAbsentReason.")
		}
		return unanswered
	}
	*assessed = true
	if *c.ValueBoolean {
		return yes
	}
	return no
}

func appearance(c *fhir.CodeableConcept, expr string, l *fault.List) drain.Appearance {
	if c == nil {
		return ""
	}
	var a drain.Appearance
	pick(c, appearances, &a, expr, l)
	if a != "" {
		return a
	}
	for _, coding := range c.Coding {
		if a, ok := snomedAppearances[deref(coding.Code)]; ok && deref(coding.System) == SNOMED {
			return a
		}
	}
	return ""
}

// pick finds the local coding of a concept. A local code that is not in the
// set is a fault; a concept without a local coding is kept and not used.
func pick[T ~string](c *fhir.CodeableConcept, from map[string]T, into *T, expr string, l *fault.List) {
	if c == nil {
		return
	}
	for _, coding := range c.Coding {
		if deref(coding.System) != Local {
			continue
		}
		if v, ok := from[deref(coding.Code)]; ok {
			*into = v
			return
		}
		known := make([]string, 0, len(from))
		for k := range from {
			known = append(known, k)
		}
		sort.Strings(known)
		l.Add("code-invalid", expr, "%q is not a code of %s that fits here: use one of %s.", deref(coding.Code), Local, strings.Join(known, ", "))
	}
}

func fill(c *fhir.ObservationComponent, e *drain.Entry, expr string, l *fault.List) {
	if c.ValueQuantity == nil {
		if c.DataAbsentReason == nil {
			l.Add("required", expr, "The fill is a valueQuantity in %%.")
		}
		return
	}
	v, ok := convert(c.ValueQuantity, "%", "a share in percent", expr, l)
	if !ok {
		return
	}
	if v.Sign() < 0 || v.Cmp(drain.MLInt(200)) > 0 {
		l.Add("value", expr+".value", "A reservoir is filled from 0 %% to about 100 %%; %s is outside.", v.Text(3))
		return
	}
	e.Fill = drain.Percent{Known: true, Value: v}
}

func device(d *fhir.Device, l *fault.List) *drain.Drain {
	out := &drain.Drain{
		ID: deref(d.Id), Patient: id(d.Patient, "Patient"), Ward: id(d.Location, "Location"),
		Compartment: drain.Unspecified, Active: d.Status == nil || *d.Status == fhir.FHIRDeviceStatusActive,
	}
	for _, n := range d.DeviceName {
		if out.Label == "" || n.Type == fhir.DeviceNameTypeUserFriendlyName {
			out.Label = n.Name
		}
	}
	if out.Label == "" && len(d.Identifier) > 0 {
		out.Label = deref(d.Identifier[0].Value)
	}
	if d.Type != nil {
		for _, c := range d.Type.Coding {
			if deref(c.System) == Local {
				out.Type = deref(c.Code)
			}
		}
	}
	switch out.Type {
	case "biliary":
		out.Compartment = drain.Biliary
	case "chest":
		out.Compartment = drain.Pleural
	}
	for i, p := range d.Property {
		expr := "Device.property[" + itoa(i) + "].value"
		if has(&p.Type, Local, CodeCapacity) {
			for j := range p.ValueQuantity {
				v, ok := volume(&p.ValueQuantity[j], expr, l)
				if ok && v.Sign() == 0 {
					l.Add("value", expr, "A reservoir cannot hold 0 mL; leave the property out when the capacity is not known.")
				}
				out.Capacity = v
			}
		}
		if has(&p.Type, Local, CodeCompartment) {
			for j := range p.ValueCode {
				pick(&p.ValueCode[j], compartments, &out.Compartment, expr, l)
			}
		}
	}
	return out
}

func placement(u *fhir.DeviceUseStatement, zone *time.Location, l *fault.List) *drain.Placement {
	p := &drain.Placement{
		ID: deref(u.Id), Drain: id(&u.Device, "Device"), Patient: id(&u.Subject, "Patient"),
		Status: drain.PlacementStatus(u.Status.Code()),
	}
	if u.BodySite != nil {
		p.Site = text(u.BodySite)
	}
	for _, e := range u.Extension {
		if e.Url == ExtensionSide && e.ValueCodeableConcept != nil {
			p.Side = text(e.ValueCodeableConcept)
		}
	}
	// A date alone opens the placement as it begins and closes it as it ends,
	// so that no entry of that day is taken for a wrong drain.
	at := func(s *string, expr string) fhirdate.Interval {
		if s == nil {
			return fhirdate.Interval{}
		}
		iv, err := fhirdate.Parse(*s, zone)
		if err != nil {
			l.Add("value", expr, "%q %v.", *s, err)
		}
		return iv
	}
	switch {
	case u.TimingPeriod != nil:
		p.Start = at(u.TimingPeriod.Start, "DeviceUseStatement.timing.start").Lo
		if end := at(u.TimingPeriod.End, "DeviceUseStatement.timing.end"); end.Precision >= fhirdate.Second {
			p.End = end.Lo
		} else {
			p.End = end.Hi
		}
		if !p.End.IsZero() && p.End.Before(p.Start) {
			l.Add("value", "DeviceUseStatement.timing.end", "The drain was removed before it was placed; put start and end right.")
		}
	case u.TimingDateTime != nil:
		p.Start = at(u.TimingDateTime, "DeviceUseStatement.timing").Lo
	}
	return p
}

// ExtensionSide carries the side of a placement: DeviceUseStatement.bodySite
// has no room for a qualifier in R4.
const ExtensionSide = Canonical + "/StructureDefinition/body-side"

func stay(e *fhir.Encounter) *drain.Stay {
	s := &drain.Stay{ID: deref(e.Id), Patient: id(e.Subject, "Patient")}
	switch e.Status {
	case fhir.EncounterStatusArrived, fhir.EncounterStatusTriaged, fhir.EncounterStatusInProgress, fhir.EncounterStatusOnleave:
		s.Open = true
	}
	if e.Period != nil && e.Period.Start != nil {
		if iv, err := fhirdate.Parse(*e.Period.Start, time.UTC); err == nil {
			s.Start = iv.Lo
		}
	}
	var last []string
	for _, loc := range e.Location {
		place := id(&loc.Location, "Location")
		if place == "" {
			continue
		}
		if loc.Status != nil && *loc.Status == fhir.EncounterLocationStatusActive {
			last = append(last, place)
			continue
		}
		s.Places = append(s.Places, place)
	}
	s.Places = append(s.Places, last...)
	return s
}

// id is the logical id of a literal reference to the type, relative or
// absolute, with or without a version; "" for anything else.
func id(r *fhir.Reference, typ string) string {
	if r == nil {
		return ""
	}
	s := deref(r.Reference)
	s, _, _ = strings.Cut(s, "/_history/")
	if i := strings.LastIndex(s, typ+"/"); i == 0 || i > 0 && s[i-1] == '/' {
		if rest := s[i+len(typ)+1:]; !strings.ContainsAny(rest, "/?#") {
			return rest
		}
	}
	return ""
}

func has(c *fhir.CodeableConcept, system, code string) bool {
	for _, coding := range c.Coding {
		if deref(coding.System) == system && deref(coding.Code) == code {
			return true
		}
	}
	return false
}

func text(c *fhir.CodeableConcept) string {
	if t := deref(c.Text); t != "" {
		return t
	}
	for _, coding := range c.Coding {
		if d := deref(coding.Display); d != "" {
			return d
		}
	}
	if len(c.Coding) > 0 {
		return deref(c.Coding[0].Code)
	}
	return ""
}

func words(c *fhir.ObservationComponent) string {
	if c.ValueCodeableConcept != nil {
		return text(c.ValueCodeableConcept)
	}
	return deref(c.ValueString)
}

func deref[T any](p *T) T {
	var zero T
	if p == nil {
		return zero
	}
	return *p
}

func itoa(i int) string { return strconv.Itoa(i) }
