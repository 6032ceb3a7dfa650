package fhirmap

import (
	"bytes"
	"cmp"
	"encoding/csv"
	"encoding/json"
	"math/big"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/google/uuid"
	"github.com/samply/golang-fhir-models/fhir-models/fhir"

	"tidemark/internal/answer"
	"tidemark/internal/balance"
	"tidemark/internal/concern"
	"tidemark/internal/drain"
	"tidemark/internal/escalate"
	"tidemark/internal/fhirdate"
	"tidemark/internal/fhirjson"
	"tidemark/internal/removal"
	"tidemark/internal/trend"
	"tidemark/internal/window"
)

// Uncertainty is the standard extension for the standard uncertainty of a
// quantity, in the unit of the quantity.
const Uncertainty = "http://hl7.org/fhir/StructureDefinition/iso21090-uncertainty"

// Places is how many decimals a derived volume is published with: a
// microlitre, far below what any vessel resolves. Figures of one answer are
// rounded together, so that windows add up to their total digit for digit.
const Places = 3

// Itoa is for the paths of expressions.
func Itoa(i int) string { return itoa(i) }

// obs is an Observation in the making.
type obs struct{ fhir.Observation }

func newObs(code, display, words string) *obs {
	o := &obs{fhir.Observation{
		Status:   fhir.ObservationStatusFinal,
		Category: []fhir.CodeableConcept{*concept(Category, "exam", "Exam"), *local("fluid-balance", "Fluid balance")},
		Code:     *local(code, display),
	}}
	if words != "" {
		o.Code.Text = &words
	}
	return o
}

func (o *obs) tree() *fhirjson.Node { return tree(o.Observation) }

func (o *obs) over(w window.Window, z *time.Location) {
	o.EffectivePeriod = &fhir.Period{Start: ptr(fhirdate.FormatIn(w.Start, z)), End: ptr(fhirdate.FormatIn(w.End, z))}
}

func (o *obs) from(ids []string) {
	for _, id := range ids {
		o.DerivedFrom = append(o.DerivedFrom, *ref("Observation", id))
	}
}

// note adds a sentence with a full stop: tables put several in a row.
func (o *obs) note(text string) {
	if text == "" {
		return
	}
	if !strings.HasSuffix(text, ".") {
		text += "."
	}
	o.Note = append(o.Note, fhir.Annotation{Text: text})
}

// capital begins a sentence with words that follow a label elsewhere.
func capital(words string) string {
	first, size := utf8.DecodeRuneInString(words)
	return string(unicode.ToUpper(first)) + words[size:]
}

func (o *obs) add(code, display string) *fhir.ObservationComponent {
	o.Component = append(o.Component, fhir.ObservationComponent{Code: *local(code, display)})
	return &o.Component[len(o.Component)-1]
}

func (o *obs) quantity(code, display, value, unit string) {
	o.add(code, display).ValueQuantity = quantity(value, unit)
}

func (o *obs) count(code, display string, n int) {
	o.add(code, display).ValueInteger = &n
}

func quantity(value, unit string) *fhir.Quantity {
	q := &fhir.Quantity{Value: ptr(json.Number(value)), System: ptr(UCUM), Code: &unit}
	if words := human(unit); words != "" {
		q.Unit = &words
	}
	return q
}

// human is how a unit is written for people; the code stays UCUM.
func human(unit string) string {
	switch unit {
	case "mL/h/d":
		return "mL/h per day"
	case "mL/kg/h":
		return "mL/kg/h"
	case "1":
		return ""
	}
	return unit
}

// withU puts the standard uncertainty on a quantity.
func withU(q *fhir.Quantity, u float64) *fhir.Quantity {
	q.Extension = append(q.Extension, fhir.Extension{Url: Uncertainty, ValueDecimal: ptr(json.Number(float(u, 3)))})
	return q
}

// float writes a statistic with so many decimals, without an exponent.
func float(f float64, places int) string {
	s := strconv.FormatFloat(f, 'f', places, 64)
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	if s == "-0" {
		return "0"
	}
	return s
}

func percent(r *big.Rat) string {
	if r == nil {
		return "0"
	}
	p := new(big.Rat).Mul(r, big.NewRat(100, 1))
	// A gap must not be rounded away: 99.96 % is not complete.
	if p.Cmp(big.NewRat(100, 1)) < 0 && p.Cmp(big.NewRat(999, 10)) > 0 {
		return "99.9"
	}
	return drain.ML(p).Text(1)
}

func thresholds(version, approved string) string {
	if approved != "" {
		return "Evaluated by ward policy " + version + ", approved: " + approved + "."
	}
	return "Evaluated by ward policy " + version + ", whose thresholds are examples until the hospital approves its own."
}

// DrainOutput writes the answer to $drain-output.
func DrainOutput(a answer.Output) []*fhirjson.Node {
	var out []*fhirjson.Node
	subject := func(o *obs) *obs {
		o.Subject, o.Device = ref("Patient", a.Patient), ref("Device", a.Drain.ID)
		return o
	}
	nets := make([]drain.Volume, len(a.Totals))
	for i, t := range a.Totals {
		nets[i] = t.Net
	}
	published := balance.PublishedSums(nets, Places)
	for i, t := range a.Totals {
		o := subject(total(t, published[i], a))
		o.Subject = ref("Patient", cmp.Or(t.Patient, a.Patient))
		out = append(out, o.tree())
	}
	if a.Rate != nil {
		r, _ := a.Rate.PerHour()
		o := subject(newObs("drain-output-rate", "Drain output rate", "Current rate, over the last interval"))
		o.over(window.Window{Start: a.Rate.Start, End: a.Rate.End}, a.Zone)
		o.ValueQuantity = quantity(drain.ML(r).Text(Places), "mL/h")
		if a.RateU > 0 {
			withU(o.ValueQuantity, a.RateU)
		}
		o.from(a.Rate.IDs())
		out = append(out, o.tree())
	}
	out = append(out, subject(trendObs(a)).tree(), subject(courseObs(a)).tree())
	return out
}

func total(t balance.Total, net string, a answer.Output) *obs {
	code, display := "drain-output-total", "Drain output, total"
	if t.Preliminary {
		code, display = "drain-output-total-partial", "Drain output, total of a window that is not complete"
	}
	o := newObs(code, display, "Drain output "+a.Period.String()+" "+t.Window.Label)
	o.over(t.Window, a.Zone)
	if t.Preliminary {
		o.Status = fhir.ObservationStatusPreliminary
	}
	switch t.Absent { // which is not zero
	case balance.NothingKnown:
		o.DataAbsentReason = concept(Absent, string(t.Absent), "Unknown")
	case balance.NothingCharted:
		o.DataAbsentReason = concept(Absent, string(t.Absent), "Not Performed")
		o.note("No emptying charted in this window; sums over windows leave it out.")
	case balance.NotInPlace:
		o.DataAbsentReason = concept(Absent, string(t.Absent), "Not Applicable")
		o.note("The drain was not in place in this window.")
	default:
		o.ValueQuantity = quantity(net, "mL")
		if t.HasU {
			withU(o.ValueQuantity, t.U/balance.Expansion)
		}
	}
	o.from(t.Readings)
	o.count("reading-count", "Number of readings", t.N)
	o.quantity("coverage", "Share of the window that known intervals cover", percent(t.Coverage), "%")
	if t.Instilled.Sign() != 0 {
		o.quantity("measured-volume", "Measured volume", t.Measured.Text(Places), "mL")
		o.quantity("instilled-total", "Instilled volume", t.Instilled.Text(Places), "mL")
	}
	if t.HasU {
		o.quantity("expanded-uncertainty", "Expanded uncertainty, k = 2", float(t.U, 1), "mL")
	}
	o.note(bound(t.HasU, t.LowerBound))
	if a.Attribution == balance.Spread {
		o.note("Each volume is spread evenly over its interval: an estimate.")
	}
	for _, m := range t.Missing {
		o.note(capital(m.Words))
	}
	return o
}

// bound says how reliable an uncertainty is.
func bound(known, lower bool) string {
	switch {
	case lower && known:
		return "Some readings have no vessel, so the true uncertainty is larger."
	case lower:
		return "No reading has a vessel, so the uncertainty is unknown."
	}
	return ""
}

func trendObs(a answer.Output) *obs {
	o := newObs("drain-output-trend", "Trend of the drain output rate", "")
	o.over(window.Window{Start: a.TrendOrigin, End: a.Now}, a.Zone)
	r := a.Trend
	code := strings.ReplaceAll(string(r.Direction), " ", "-")
	o.ValueCodeableConcept = local(code, string(r.Direction))
	o.ValueCodeableConcept.Text = ptr(string(r.Direction))
	o.count("reading-count", "Number of intervals", r.N)
	if r.Direction != trend.TooFewReadings && r.Slope.Pairs > 0 {
		// Per day, since nobody thinks in mL/h per hour.
		o.quantity("slope", "Theil–Sen slope", float(r.Slope.Value*24, 3), "mL/h/d")
		if r.Slope.HasInterval {
			o.quantity("slope-low", "Theil–Sen slope, lower limit", float(r.Slope.Low*24, 3), "mL/h/d")
			o.quantity("slope-high", "Theil–Sen slope, upper limit", float(r.Slope.High*24, 3), "mL/h/d")
		}
		if r.Decidable {
			o.quantity("p-value", "Mann–Kendall p, two-sided", float(r.MK.P, 6), "1")
		}
		if r.MK.HasTau {
			o.quantity("kendall-tau", "Kendall tau-b", float(r.MK.Tau, 4), "1")
		}
	}
	o.note(r.Note)
	for _, iv := range a.TrendFrom {
		o.from(iv.IDs())
	}
	return o
}

func courseObs(a answer.Output) *obs {
	o := newObs("appearance-course", "Course of the fluid's appearance", "")
	start := a.Now
	if len(a.Looks) > 0 {
		start = a.Looks[0].At
	}
	o.over(window.Window{Start: start, End: a.Now}, a.Zone)
	code, _, _ := strings.Cut(a.Course, ",") // "urine-like, was serous"
	o.ValueCodeableConcept = local(strings.ReplaceAll(code, " ", "-"), code)
	o.ValueCodeableConcept.Text = &a.Course
	var words []string
	for _, e := range a.Looks {
		o.from([]string{e.ID})
		if w := string(e.Appearance); len(words) == 0 || words[len(words)-1] != w {
			words = append(words, w)
		}
	}
	o.note(strings.Join(words, " → "))
	return o
}

// FluidBalance writes the answer to $fluid-balance: one net balance a window,
// its parts as components.
func FluidBalance(a answer.Balance) []*fhirjson.Node {
	nets := make([]drain.Volume, len(a.Windows))
	for i, b := range a.Windows {
		nets[i] = b.Net
	}
	published := balance.PublishedSums(nets, Places)
	var out []*fhirjson.Node
	for i, b := range a.Windows {
		code, display := "net-balance", "Net fluid balance"
		if b.Preliminary {
			code, display = "net-balance-partial", "Net fluid balance of a window that is not complete"
		}
		o := newObs(code, display, "Fluid balance "+a.Period.String()+" "+b.Window.Label)
		o.over(b.Window, a.Zone)
		o.Subject = ref("Patient", a.Patient)
		if b.Preliminary {
			o.Status = fhir.ObservationStatusPreliminary
		}
		if len(b.Lines) == 0 && b.Preliminary {
			o.DataAbsentReason = concept(Absent, "unknown", "Unknown")
		} else {
			o.ValueQuantity = quantity(published[i], "mL")
			if b.HasU {
				withU(o.ValueQuantity, b.U/balance.Expansion)
			}
		}
		o.quantity("intake-total", "Intake, total", b.Intake.Text(Places), "mL")
		o.quantity("output-total", "Output without drains, total", b.Output.Text(Places), "mL")
		o.quantity("drains-total", "Drain output, total net of irrigant", b.Drains.Text(Places), "mL")
		for _, l := range b.Lines {
			c := fhir.ObservationComponent{ValueQuantity: quantity(l.Volume.Text(Places), "mL")}
			switch {
			case l.Drain:
				c.Code = *local("drain-output-total", "Drain output, total")
				c.Code.Text = ptr(l.Label + " (Device/" + l.Source + ")")
			default:
				system := LOINC
				if _, ok := localFlows[l.Source]; ok {
					system = Local
				}
				c.Code = *concept(system, l.Source, "")
				c.Code.Text = &l.Label
			}
			if l.HasU {
				withU(c.ValueQuantity, l.U/balance.Expansion)
			}
			o.Component = append(o.Component, c)
			o.from(l.Readings)
		}
		if b.UrinePerKgH != nil {
			o.quantity("urine-rate", "Urine per kilogram and hour", drain.ML(b.UrinePerKgH).Text(2), "mL/kg/h")
			o.from([]string{b.WeightReading})
		}
		o.note(bound(b.HasU, b.LowerBound))
		for _, m := range b.Missing {
			o.note(m)
		}
		out = append(out, o.tree())
	}
	return out
}

// EscalationStatus writes the level of a drain, patient or location, and the
// one of each drain in it.
func EscalationStatus(typ, id string, statuses []answer.Status, now time.Time) []*fhirjson.Node {
	var out []*fhirjson.Node
	if typ != "Device" {
		out = append(out, overall(typ, id, statuses, now).tree())
	}
	for _, st := range statuses {
		out = append(out, drainStatus(st).tree())
	}
	return out
}

var levelDisplays = map[string]string{
	"none": "No finding", "low": "Low", "moderate": "Moderate", "high": "High",
	concern.UnknownStale: "Unknown: the data are stale",
}

func level(o *obs, l string) {
	o.ValueCodeableConcept = local(l, levelDisplays[l])
	code := map[string]string{"high": "AA", "moderate": "A", "low": "A", "none": "N"}[l]
	if code != "" {
		o.Interpretation = []fhir.CodeableConcept{*concept("http://terminology.hl7.org/CodeSystem/v3-ObservationInterpretation", code, "")}
	}
}

func drainStatus(st answer.Status) *obs {
	o := newObs("escalation-status", "Escalation status", "")
	o.Subject, o.Device = ref("Patient", st.Patient), ref("Device", st.Drain.ID)
	o.EffectiveDateTime = ptr(fhirdate.Format(st.Now))
	level(o, st.Level)
	var evidence []string
	for _, k := range st.Concerns {
		c := o.add(k.Kind, ConcernDisplay(k.Kind))
		c.ValueCodeableConcept = local(string(k.Severity), levelDisplays[string(k.Severity)])
		c.ValueCodeableConcept.Text = &k.Headline
		for _, e := range k.Evidence {
			for _, id := range e.Readings {
				if !slices.Contains(evidence, id) {
					evidence = append(evidence, id)
				}
			}
		}
	}
	o.from(evidence)
	if !st.Last.IsZero() {
		c := o.add("last-entry", "Time of the last entry")
		c.ValueDateTime = ptr(fhirdate.Format(st.Last))
	}
	if !st.Due.At.IsZero() {
		c := o.add("emptying-due", "Next emptying due")
		c.ValueDateTime = ptr(fhirdate.Format(st.Due.At))
	}
	if st.Level == concern.UnknownStale {
		o.note("Nothing has been charted for a long time: a silent service is not a safe patient. Look at the drain.")
	}
	o.note(thresholds(st.Policy, st.Approved))
	o.note(escalate.Caution)
	return o
}

// overall is the worst level of several drains; a high one outranks an
// unknown one, which outranks the rest, as for one drain.
func overall(typ, id string, statuses []answer.Status, now time.Time) *obs {
	worst := concern.None
	counts := map[string]int{}
	for _, st := range statuses {
		counts[st.Level]++
		worst = concern.Worst(worst, st.Level)
	}
	o := newObs("escalation-status", "Escalation status", "")
	o.Subject = ref(typ, id)
	o.EffectiveDateTime = ptr(fhirdate.Format(now))
	level(o, worst)
	for _, l := range []string{"high", concern.UnknownStale, "moderate", "low", "none"} {
		if counts[l] > 0 {
			c := o.add(l, levelDisplays[l])
			c.Code.Text = ptr(levelDisplays[l] + ": number of drains")
			c.ValueInteger = ptr(counts[l])
		}
	}
	if len(statuses) == 0 {
		o.note("No drain is charted as in place here. That does not mean that there is none.")
	}
	o.note(escalate.Caution)
	return o
}

// EmptyingDue writes the drains of a ward as Tasks, the soonest first. Input
// holds the ward, and what the reservoir is thought to hold now beside the fill
// at which to empty it and its capacity, all in mL.
func EmptyingDue(rows []answer.DueDrain, now time.Time) []*fhirjson.Node {
	var out []*fhirjson.Node
	for _, r := range rows {
		priority, state, words := fhir.RequestPriorityRoutine, "due-later", "Not due yet"
		switch {
		case r.Due.Overdue:
			priority, state, words = fhir.RequestPriorityUrgent, "overdue", "Overdue"
		case !r.Due.At.After(now):
			priority, state, words = fhir.RequestPriorityAsap, "due-now", "Due now"
		}
		label := cmp.Or(r.Drain.Label, "Device/"+r.Drain.ID)
		if site := strings.TrimSpace(r.Side + " " + r.Site); site != "" && !strings.Contains(strings.ToLower(label), strings.ToLower(site)) {
			label += " (" + site + ")"
		}
		t := fhir.Task{
			Status: fhir.TaskStatusRequested, Intent: "plan", Priority: &priority,
			BusinessStatus: local(state, words),
			Code:           local("emptying-due", "Empty the drain's reservoir"),
			Description:    ptr(label + ": " + r.Due.Words),
			Focus:          named("Device", r.Drain.ID, cmp.Or(r.Drain.Label, "Device/"+r.Drain.ID)),
			For:            named("Patient", r.Patient, r.Name),
			Location:       named("Location", cmp.Or(r.Bed.ID, r.Ward.ID), cmp.Or(r.Bed.Name, r.Ward.Name)),
			AuthoredOn:     ptr(fhirdate.Format(now)),
			ReasonCode:     local(string(r.Due.Reason), ""),
			Restriction:    &fhir.TaskRestriction{Period: &fhir.Period{End: ptr(fhirdate.FormatIn(r.Due.At, r.Zone))}},
		}
		for _, id := range r.Due.Readings {
			t.BasedOn = append(t.BasedOn, *ref("Observation", id))
		}
		n := tree(t)
		var inputs []*fhirjson.Node
		input := func(kind *fhir.CodeableConcept, name string, value any) {
			inputs = append(inputs, fhirjson.Obj("type", tree(kind), name, tree(value)))
		}
		if w := named("Location", r.Ward.ID, r.Ward.Name); w != nil {
			input(local("ward", "Ward"), "valueReference", w)
		}
		if r.Due.HasLevel {
			input(local("fill-estimate", "Fill of the reservoir now, estimated"), "valueQuantity", quantity(r.Due.Level.Text(0), "mL"))
		}
		if r.Due.Mark.Sign() > 0 {
			input(local("fill-mark", "Fill at which to empty"), "valueQuantity", quantity(r.Due.Mark.Text(0), "mL"))
			input(local("reservoir-capacity", "Reservoir capacity"), "valueQuantity", quantity(r.Due.Capacity.Text(0), "mL"))
		}
		if len(inputs) > 0 {
			n.Set("input", &fhirjson.Node{Kind: fhirjson.Array, Items: inputs})
		}
		out = append(out, n)
	}
	return out
}

// named is ref with a display.
func named(typ, id, display string) *fhir.Reference {
	r := ref(typ, id)
	if r != nil && display != "" {
		r.Display = &display
	}
	return r
}

// PatientName is the name of a Patient as lists show it: the official one, else
// the first.
func PatientName(n *fhirjson.Node) string {
	var best *fhirjson.Node
	for _, name := range n.Each("name") {
		if best == nil || name.Str("use") == "official" && best.Str("use") != "official" {
			best = name
		}
	}
	if best == nil {
		return ""
	}
	var given []string
	for _, g := range best.Each("given") {
		given = append(given, g.Text)
	}
	full := strings.Trim(best.Str("family")+", "+strings.Join(given, " "), ", ")
	return cmp.Or(full, best.Str("text"))
}

// RemovalReview writes the answer to $removal-review.
func RemovalReview(a answer.Review) []*fhirjson.Node {
	o := newObs("removal-review", "Review of the ward's criteria for removal", "")
	o.Subject, o.Device = ref("Patient", a.Patient), ref("Device", a.Drain.ID)
	o.EffectiveDateTime = ptr(fhirdate.Format(a.Now))
	state := "criteria-not-met"
	if a.Review.MeetsAll {
		state = "criteria-met"
	}
	o.ValueCodeableConcept = local(state, "")
	o.ValueCodeableConcept.Text = &a.Review.Text
	for _, it := range a.Review.Items {
		c := fhir.ObservationComponent{Code: *local("criterion", "Criterion")}
		c.Code.Text = ptr(it.Name)
		c.ValueCodeableConcept = local(stateCode(it.State), string(it.State))
		c.ValueCodeableConcept.Text = &it.Text
		if it.Near {
			c.ValueCodeableConcept.Coding = append(c.ValueCodeableConcept.Coding, local("near-threshold", "Near the threshold").Coding...)
		}
		o.Component = append(o.Component, c)
		if it.HasChance {
			ch := fhir.ObservationComponent{Code: *local("chance-below", "Chance that the true output is below the threshold")}
			ch.Code.Text = ptr(it.Name)
			ch.ValueQuantity = quantity(float(it.Chance*100, 1), "%")
			o.Component = append(o.Component, ch)
		}
		o.from(it.Evidence)
	}
	o.note(thresholds(a.Policy, a.Approved))
	o.note(a.Review.Caution)
	return []*fhirjson.Node{o.tree()}
}

func stateCode(s removal.State) string { return strings.ReplaceAll(string(s), " ", "-") }

// Collection puts resources into a Bundle. Derived ones are not stored; their
// fullUrl is a name made from what they say.
func Collection(base string, list []*fhirjson.Node, now time.Time) *fhirjson.Node {
	b := fhirjson.Obj("resourceType", "Bundle", "type", "collection", "timestamp", fhirdate.Format(now))
	seen := map[string]bool{}
	for _, n := range list {
		url := "urn:uuid:" + uuid.NewSHA1(uuid.NameSpaceURL, append([]byte(base+"|"), n.Bytes()...)).String()
		if !seen[url] {
			seen[url] = true
			AddEntry(b, url, n)
		}
	}
	return b
}

// AddEntry appends an entry to a Bundle.
func AddEntry(b *fhirjson.Node, fullURL string, n *fhirjson.Node) {
	entries := b.Get("entry")
	if entries == nil {
		entries = &fhirjson.Node{Kind: fhirjson.Array}
		b.Set("entry", entries)
	}
	entries.Items = append(entries.Items, fhirjson.Obj("fullUrl", fullURL, "resource", n))
}

// Table writes derived Observations or Tasks as CSV: one row each, with what
// their components say in columns of their own.
func Table(list []*fhirjson.Node) []byte {
	fixed := []string{"code", "text", "subject", "device", "start", "end", "status", "value", "unit", "standard_uncertainty", "absent", "notes", "readings"}
	var extra []string
	rows := make([]map[string]string, 0, len(list))
	for _, n := range list {
		row := map[string]string{"code": firstCode(n.Get("code")), "text": n.Path("code").Str("text"), "status": n.Str("status")}
		var notes, readings []string
		for _, x := range n.Each("note") {
			notes = append(notes, x.Str("text"))
		}
		if n.Str("resourceType") == "Task" {
			row["subject"], row["device"] = n.Path("for").Str("reference"), n.Path("focus").Str("reference")
			row["end"] = n.Path("restriction", "period").Str("end")
			row["value"] = firstCode(n.Get("businessStatus"))
			notes = append(notes, n.Str("description"))
		} else {
			row["subject"], row["device"] = n.Path("subject").Str("reference"), n.Path("device").Str("reference")
			row["start"], row["end"] = n.Path("effectivePeriod").Str("start"), n.Path("effectivePeriod").Str("end")
			if t := n.Str("effectiveDateTime"); t != "" {
				row["start"], row["end"] = t, t
			}
			row["value"], row["unit"], row["standard_uncertainty"] = cell(n)
			row["absent"] = firstCode(n.Get("dataAbsentReason"))
		}
		for _, from := range []string{"derivedFrom", "basedOn"} {
			for _, x := range n.Each(from) {
				readings = append(readings, lastPart(x.Str("reference")))
			}
		}
		row["notes"], row["readings"] = strings.Join(notes, " "), strings.Join(readings, " ")
		for _, c := range n.Each("component") {
			name := firstCode(c.Get("code"))
			if t := c.Path("code").Str("text"); t != "" {
				name += ": " + t
			}
			v, unit, _ := cell(c)
			if unit != "" && unit != "1" {
				name += " (" + unit + ")"
			}
			if !slices.Contains(extra, name) {
				extra = append(extra, name)
			}
			row["+"+name] = v
		}
		rows = append(rows, row)
	}
	var b bytes.Buffer
	w := csv.NewWriter(&b)
	head := append(slices.Clone(fixed), extra...)
	for i := range head {
		head[i] = Neutral(head[i])
	}
	_ = w.Write(head) // a bytes.Buffer does not fail
	for _, row := range rows {
		line := make([]string, 0, len(head))
		for _, f := range fixed {
			line = append(line, Neutral(row[f]))
		}
		for _, f := range extra {
			line = append(line, Neutral(row["+"+f]))
		}
		_ = w.Write(line)
	}
	w.Flush()
	return b.Bytes()
}

func firstCode(concept *fhirjson.Node) string {
	for _, c := range concept.Each("coding") {
		return c.Str("code")
	}
	return ""
}

func cell(n *fhirjson.Node) (value, unit, u string) {
	if q := n.Get("valueQuantity"); q != nil {
		for _, e := range q.Each("extension") {
			if e.Str("url") == Uncertainty {
				u = e.Get("valueDecimal").Text
			}
		}
		return q.Get("value").Text, q.Str("code"), u
	}
	if c := n.Get("valueCodeableConcept"); c != nil {
		return cmp.Or(firstCode(c), c.Str("text")), "", ""
	}
	if i := n.Get("valueInteger"); i != nil {
		return i.Text, "", ""
	}
	return n.Str("valueDateTime"), "", ""
}

// Neutral puts an apostrophe before a cell that a spreadsheet would run as a formula.
// Numbers stay numbers.
func Neutral(s string) string {
	if s == "" {
		return s
	}
	switch s[0] {
	case '=', '+', '-', '@', '\t', '\r':
		if _, err := strconv.ParseFloat(s, 64); err != nil {
			return "'" + s
		}
	}
	return s
}
