package fhirmap

import (
	"cmp"
	"encoding/json"
	"maps"
	"math/big"
	"reflect"
	"slices"
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

// maxVolume in mL is more than anybody takes in or puts out between two entries (100 L,
// OURS). More than that was meant in another unit: ML is a megalitre.
const maxVolume = 100_000

// Decode is Reader.Decode with references below no base.
func Decode(n *fhirjson.Node, zone *time.Location) (store.Facts, *fault.List) {
	return Reader{Zone: zone}.Decode(n)
}

// Reader reads the facts of resources.
type Reader struct {
	Zone *time.Location // for dates without a time of day
	// Base is the service's own base URL. An absolute reference to anywhere else
	// names nobody here: the same id at another server is another patient.
	Base string
}

// Decode reads the facts of a resource that package r4 has found valid. Every
// fault against the rules of a drain entry is in the list, with its element and how to
// correct it. A resource that the rules do not use has no facts.
func (r Reader) Decode(n *fhirjson.Node) (store.Facts, *fault.List) {
	var (
		f store.Facts
		l fault.List
	)
	if r.Zone == nil {
		r.Zone = time.UTC
	}
	// The models read a missing status as the first of their list, so that
	// only trees which r4 has checked may come here.
	switch n.Str("resourceType") {
	case "Observation":
		var o fhir.Observation
		if typed(n, &o, &l) {
			f.Entry = r.observation(n, &o, &l)
		}
	case "Device":
		var d fhir.Device
		if typed(n, &d, &l) {
			f.Drain = r.device(&d, &l)
		}
	case "DeviceUseStatement":
		var u fhir.DeviceUseStatement
		if typed(n, &u, &l) {
			f.Placement = r.placement(&u, &l)
		}
	case "Encounter":
		var e fhir.Encounter
		if typed(n, &e, &l) {
			f.Stay = r.stay(&e)
		}
	case "DetectedIssue":
		f.Concern = concernOf(n)
	case "Location":
		var p fhir.Location
		if typed(n, &p, &l) {
			f.Place = &drain.Place{ID: deref(p.Id), Name: deref(p.Name), PartOf: r.id(p.PartOf, "Location"), Kind: firstCode(n.Get("physicalType"))}
		}
	case "Task":
		var t fhir.Task
		if typed(n, &t, &l) {
			f.Walk = r.walk(&t, &l)
		}
	}
	return f, &l
}

// typed fills a model from the tree. It fails only where the models are narrower than
// R4; such a resource cannot be evaluated.
func typed[T any](n *fhirjson.Node, into *T, l *fault.List) bool {
	if model(n, reflect.ValueOf(into).Elem()) {
		return true
	}
	*into = *new(T)
	if err := json.Unmarshal(n.Bytes(), into); err != nil {
		l.Add("not-supported", n.Str("resourceType"), "The resource is valid but holds a value that this service cannot compute with: %v.", err)
		return false
	}
	return true
}

func (r Reader) observation(n *fhirjson.Node, o *fhir.Observation, l *fault.List) *drain.Entry {
	e := &drain.Entry{ID: deref(o.Id), Status: n.Str("status"), Patient: r.id(o.Subject, "Patient")}
	t := about(o, l)
	switch {
	case t.site:
		e.Kind = drain.Site
	case t.output && (hasValue(n) || o.DataAbsentReason != nil || len(o.Component) == 0):
		e.Kind = drain.Emptying
	case t.output, t.check:
		// Drain output with neither a volume nor a reason for its absence is a
		// look at the reservoir.
		e.Kind = drain.Check
	case t.flow != nil && t.flow.in:
		e.Kind = drain.Intake
	case t.flow != nil:
		e.Kind = drain.Output
	case t.weight && o.ValueQuantity != nil && timed(n):
		// A weight of a day is good FHIR; only one with its time is used.
		e.Kind = drain.Weight
	default:
		return nil
	}
	for _, p := range o.Performer {
		if e.DoneBy = deref(p.Reference); e.DoneBy != "" {
			break
		}
	}
	e.At = moment(n, l)
	if e.Patient == "" {
		l.Add("required", "Observation.subject", "The entry names no patient of this service: set subject to a reference such as Patient/123.")
	}
	if o.Method != nil {
		e.Estimated = has(o.Method, Local, CodeEstimated) || has(o.Method, SNOMED, "414135002") || has(o.Method, SNOMED, "258083009")
	}
	switch e.Kind {
	case drain.Emptying, drain.Intake, drain.Output:
		e.Measured = measure(n, o, l)
		// A limit is all that is known of such a volume.
		e.Estimated = e.Estimated || e.Measured.Known && o.ValueQuantity.Comparator != nil
	case drain.Check:
		if hasValue(n) {
			l.Add("business-rule", "Observation.value", "A reservoir check measures nothing: chart what was emptied as an emptying, with the code of the drain's output such as 9203-1 of %s; or leave the value out.", LOINC)
		}
	case drain.Weight:
		var ok bool
		if e.Kilograms, ok = amount(o.ValueQuantity, "kg", "a mass", "Observation.value", l); ok && e.Kilograms.Sign() <= 0 {
			l.Add("value", "Observation.value.value", "A body weighs more than %s %s; send what the scale shows.", o.ValueQuantity.Value, deref(o.ValueQuantity.Code))
		}
	}
	if f := t.flow; f != nil && (e.Kind == drain.Intake || e.Kind == drain.Output) {
		e.Route, e.RouteText = f.code, f.label
		return e
	}
	if e.Kind == drain.Weight {
		return e // its device is the scale
	}
	if e.Drain = r.id(o.Device, "Device"); e.Drain == "" {
		l.Add("required", "Observation.device", "The entry names no drain of this service: set device to a reference such as Device/123.")
	}
	components(o, e, l)
	return e
}

// timed reports whether the effective time is an instant.
func timed(n *fhirjson.Node) bool {
	for _, name := range []string{"effectiveDateTime", "effectiveInstant"} {
		if _, err := fhirdate.Instant(n.Str(name)); err == nil {
			return true
		}
	}
	return n.Get("effectivePeriod") != nil
}

// topics is what the codes of an Observation say that it is about. A drain
// entry stays one beside other codes, such as that of fluid output at large.
type topics struct {
	site, check, output, weight bool
	flow                        *route
}

type route struct {
	flow
	code string
}

func about(o *fhir.Observation, l *fault.List) topics {
	var t topics
	var spaces []string
	for _, c := range o.Code.Coding {
		code := deref(c.Code)
		f, isFlow := flow{}, false
		switch deref(c.System) {
		case Local:
			t.site = t.site || code == CodeSite
			t.check = t.check || code == CodeCheck
			t.output = t.output || code == CodeOutput
			f, isFlow = localFlows[code]
		case LOINC:
			if space, ok := outputCodes[code]; ok {
				t.output = true
				if !slices.Contains(spaces, string(space)) {
					spaces = append(spaces, string(space))
				}
			}
			t.weight = t.weight || code == LOINCWeight
			f, isFlow = flows[code]
		}
		if isFlow && t.flow == nil {
			t.flow = &route{f, code}
		}
	}
	if len(spaces) > 1 {
		l.Add("value", "Observation.code", "The codes say drain output of several compartments (%s), but a drain empties one compartment; keep its code.", strings.Join(spaces, ", "))
	}
	return t
}

// hasValue looks at the tree, since the value may be of any type.
func hasValue(n *fhirjson.Node) bool { return valueType(n) != "" }

// valueType is the JSON name of the value, or "".
func valueType(n *fhirjson.Node) string {
	for i := range n.Members {
		if name := n.Members[i].Name; strings.HasPrefix(name, "value") {
			return name
		}
	}
	return ""
}

// moment reads the time of the entry: an instant, or the end of a period, which is when
// the reading was taken.
func moment(n *fhirjson.Node, l *fault.List) time.Time {
	expr, text := "Observation.effective", n.Str("effectiveDateTime")
	if text == "" {
		text = n.Str("effectiveInstant")
	}
	if p := n.Get("effectivePeriod"); text == "" && p != nil {
		expr, text = "Observation.effective.end", p.Str("end")
		if text == "" {
			l.Add("required", expr, "The period has no end, so the time of the reading is unknown: set end, or send effectiveDateTime.")
			return time.Time{}
		}
	}
	if n.Get("effectiveTiming") != nil {
		l.Add("value", expr, "A Timing says when something recurs, not when this was read: send effectiveDateTime with seconds and a zone, such as 2026-11-25T14:05:00+01:00.")
		return time.Time{}
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

// measure reads the volume of an entry. One charted with a comparator ("< 5 mL"
// in a vessel that shows no less, "> 100 mL" from one that ran over) counts as
// the number that it names, and as an estimate: leaving it out of a total would
// be further from the truth.
func measure(n *fhirjson.Node, o *fhir.Observation, l *fault.List) drain.Measure {
	if o.ValueQuantity == nil {
		if typ := valueType(n); typ != "" {
			l.Add("value", "Observation.value", "A volume is charted as valueQuantity in a UCUM volume such as mL, not as %s.", typ)
			return drain.Measure{}
		}
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
	v, ok := convert(o.ValueQuantity, "mL", "a volume", "Observation.value", l)
	ok = ok && plausible(v, o.ValueQuantity, "Observation.value", l)
	return drain.Measure{Known: ok, Volume: v}
}

// volume reads a volume into exact millilitres.
func volume(q *fhir.Quantity, expr string, l *fault.List) (drain.Volume, bool) {
	v, ok := amount(q, "mL", "a volume", expr, l)
	return v, ok && plausible(v, q, expr, l)
}

func plausible(v drain.Volume, q *fhir.Quantity, expr string, l *fault.List) bool {
	switch {
	case v.Sign() < 0:
		l.Add("value", expr+".value", "The volume is negative (%s); send what was measured, and irrigant as the %s component.", q.Value, CodeInstilled)
	case v.Cmp(drain.MLInt(maxVolume)) > 0:
		advice := cmp.Or(ucum.Caution(deref(q.Code)), "Codes are case-sensitive: mL, L.")
		l.Add("value", expr, "%s %s is %s mL, more than is possible: correct the number or the unit. %s.", q.Value, deref(q.Code), v.Text(0), strings.TrimSuffix(advice, "."))
	default:
		return true
	}
	return false
}

// amount is convert for what cannot be a mere limit.
func amount(q *fhir.Quantity, target, what, expr string, l *fault.List) (drain.Volume, bool) {
	v, ok := convert(q, target, what, expr, l)
	if q.Comparator != nil {
		l.Add("value", expr+".comparator", "A limit (%s) cannot be computed with here: send the number alone, or leave it out.", q.Comparator.Code())
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
				coded(c, code, appearances, &e.Appearance, expr, l)
				if e.Appearance == "" && c.ValueCodeableConcept != nil {
					e.Appearance = snomedAppearance(c.ValueCodeableConcept)
				}
			case system == LOINC && code == LOINCColour:
				e.Colour = words(c)
			case system == LOINC && code == LOINCOdour:
				e.Odour = odour(c)
			case system == Local && code == CodeCare:
				var care drain.Care
				coded(c, code, cares, &care, expr, l)
				if care != "" {
					e.Care = append(e.Care, care)
				}
			case system == Local && code == CodeSuction:
				coded(c, code, suctions, &e.Suction, expr, l)
			case system == Local && code == CodePatency:
				coded(c, code, patencies, &e.Patency, expr, l)
			case system == Local && code == CodeVessel:
				coded(c, code, vessels, &e.Vessel, expr, l)
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
				} else if c.DataAbsentReason == nil {
					l.Add("value", expr, "Chart a dislodged drain as valueBoolean, or with dataAbsentReason.")
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
	slices.Sort(e.Care)
	e.Care = slices.Compact(e.Care)
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

func snomedAppearance(c *fhir.CodeableConcept) drain.Appearance {
	for _, coding := range c.Coding {
		if a, ok := snomedAppearances[deref(coding.Code)]; ok && deref(coding.System) == SNOMED {
			return a
		}
	}
	return ""
}

// coded reads a component whose value is a code of ours. Silence about a value
// of another type would let a charted loss of suction go unseen.
func coded[T ~string](c *fhir.ObservationComponent, code string, from map[string]T, into *T, expr string, l *fault.List) {
	switch {
	case c.ValueCodeableConcept != nil:
		pick(c.ValueCodeableConcept, from, into, expr, l)
	case c.DataAbsentReason == nil:
		l.Add("value", expr, "The component %s is charted as valueCodeableConcept with a code of %s (%s), or with dataAbsentReason.", code, Local, listed(from))
	}
}

// pick finds the local coding of a concept. A local code that is not in the
// set is a fault; a concept without a local coding is kept and not used.
func pick[T ~string](c *fhir.CodeableConcept, from map[string]T, into *T, expr string, l *fault.List) {
	var found T
	for _, coding := range c.Coding {
		if deref(coding.System) != Local {
			continue
		}
		v, ok := from[deref(coding.Code)]
		switch {
		case !ok:
			l.Add("code-invalid", expr, "%q is not a code of %s that fits here: use one of %s.", deref(coding.Code), Local, listed(from))
		case found != "" && v != found:
			l.Add("value", expr, "%q and %q exclude each other; keep one.", found, v)
		default:
			found = v
		}
	}
	if found != "" {
		*into = found
	}
}

func listed[T ~string](from map[string]T) string {
	return strings.Join(slices.Sorted(maps.Keys(from)), ", ")
}

func fill(c *fhir.ObservationComponent, e *drain.Entry, expr string, l *fault.List) {
	if c.ValueQuantity == nil {
		if c.DataAbsentReason == nil {
			l.Add("required", expr, "The fill is a valueQuantity in %%.")
		}
		return
	}
	v, ok := amount(c.ValueQuantity, "%", "a share in percent", expr, l)
	if !ok {
		return
	}
	if v.Sign() < 0 || v.Cmp(drain.MLInt(200)) > 0 {
		l.Add("value", expr+".value", "A reservoir is filled from 0 %% to about 100 %%; %s is outside.", v.Text(3))
		return
	}
	e.Fill = drain.Percent{Known: true, Value: v}
}

func (r Reader) device(d *fhir.Device, l *fault.List) *drain.Drain {
	out := &drain.Drain{
		ID: deref(d.Id), Patient: r.id(d.Patient, "Patient"), Ward: r.id(d.Location, "Location"),
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
					l.Add("value", expr, "A reservoir cannot hold 0 mL; leave the property out when the capacity is unknown.")
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

func (r Reader) placement(u *fhir.DeviceUseStatement, l *fault.List) *drain.Placement {
	p := &drain.Placement{
		ID: deref(u.Id), Drain: r.id(&u.Device, "Device"), Patient: r.id(&u.Subject, "Patient"),
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
	// so that no entry of that day is reported as on the wrong drain.
	at := func(s *string, expr string) fhirdate.Interval {
		if s == nil {
			return fhirdate.Interval{}
		}
		iv, err := fhirdate.Parse(*s, r.Zone)
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
			l.Add("value", "DeviceUseStatement.timing.end", "The drain was removed before it was placed; correct start and end.")
		}
	case u.TimingDateTime != nil:
		p.Start = at(u.TimingDateTime, "DeviceUseStatement.timing").Lo
	}
	if p.End.IsZero() && (p.Status == drain.PlacementCompleted || p.Status == drain.PlacementStopped) {
		l.Add("required", "DeviceUseStatement.timing.end", "The placement is %s but has no end: set timingPeriod.end to the time when the drain came out.", p.Status)
	}
	return p
}

// ExtensionSide carries the side of a placement: DeviceUseStatement.bodySite
// has no room for a qualifier in R4.
const ExtensionSide = Canonical + "/StructureDefinition/body-side"

func (r Reader) stay(e *fhir.Encounter) *drain.Stay {
	s := &drain.Stay{ID: deref(e.Id), Patient: r.id(e.Subject, "Patient")}
	switch e.Status {
	case fhir.EncounterStatusArrived, fhir.EncounterStatusTriaged, fhir.EncounterStatusInProgress, fhir.EncounterStatusOnleave:
		s.Open = true
	}
	if e.Status == fhir.EncounterStatusFinished {
		s.Finished = true
	}
	s.Start, s.End = r.span(e.Period)
	var last []string
	for _, loc := range e.Location {
		place := r.id(&loc.Location, "Location")
		if place == "" {
			continue
		}
		if loc.Status != nil {
			switch *loc.Status {
			case fhir.EncounterLocationStatusActive:
				last = append(last, place)
				continue
			case fhir.EncounterLocationStatusPlanned, fhir.EncounterLocationStatusReserved:
				continue // not there yet
			}
		}
		s.Places = append(s.Places, place)
	}
	s.Places = append(s.Places, last...)
	return s
}

// span reads a period; a date begins with its first instant and ends with its
// last. A part that is not there, or cannot be read, is zero.
func (r Reader) span(p *fhir.Period) (start, end time.Time) {
	if p == nil {
		return start, end
	}
	if p.Start != nil {
		if iv, err := fhirdate.Parse(*p.Start, r.Zone); err == nil {
			start = iv.Lo
		}
	}
	if p.End != nil {
		if iv, err := fhirdate.Parse(*p.End, r.Zone); err == nil {
			if end = iv.Hi; iv.Precision >= fhirdate.Second {
				end = iv.Lo
			}
		}
	}
	return start, end
}

// walk reads a planned walk; nil for any other Task.
func (r Reader) walk(t *fhir.Task, l *fault.List) *drain.Walk {
	if t.Code == nil || !has(t.Code, Local, CodeWalk) {
		return nil
	}
	w := &drain.Walk{ID: deref(t.Id), Patient: r.id(t.For, "Patient")}
	switch t.Status {
	case fhir.TaskStatusCompleted, fhir.TaskStatusCancelled, fhir.TaskStatusRejected, fhir.TaskStatusFailed, fhir.TaskStatusEnteredInError:
	default:
		w.Open = true
	}
	if t.Restriction != nil {
		w.Start, w.End = r.span(t.Restriction.Period)
	}
	if w.Patient == "" {
		l.Add("required", "Task.for", "The planned walk names no patient of this service: set for to a reference such as Patient/123.")
	}
	switch {
	case w.Start.IsZero():
		l.Add("required", "Task.restriction.period.start", "The planned walk has no time: set restriction.period.start to when the patient leaves.")
	case !w.End.IsZero() && w.End.Before(w.Start):
		l.Add("value", "Task.restriction.period.end", "The walk ends before it starts; correct start and end.")
	}
	return w
}

// id is the logical id of a literal reference to the type, relative or below
// the service's own base, with or without a version; "" for anything else.
func (r Reader) id(ref *fhir.Reference, typ string) string {
	if ref == nil {
		return ""
	}
	s, _, _ := strings.Cut(deref(ref.Reference), "/_history/")
	if r.Base != "" {
		s = strings.TrimPrefix(s, strings.TrimSuffix(r.Base, "/")+"/")
	}
	id, ok := strings.CutPrefix(s, typ+"/")
	if !ok || strings.ContainsAny(id, "/?#") {
		return ""
	}
	return id
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

// odour reads an odour as it was charted; SNOMED's code for an offensive one is
// foul, whatever words stand beside it.
func odour(c *fhir.ObservationComponent) string {
	if v := c.ValueCodeableConcept; v != nil && has(v, SNOMED, foulOdour) {
		return "foul"
	}
	return words(c)
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
