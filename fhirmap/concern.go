package fhirmap

import (
	"cmp"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/samply/golang-fhir-models/fhir-models/fhir"

	"tidemark/internal/drain"
	"tidemark/internal/fhirdate"
	"tidemark/internal/fhirjson"
)

// Extensions on a DetectedIssue that the service keeps.
const (
	ExtensionPolicy       = Canonical + "/StructureDefinition/policy-version"
	ExtensionAnnounced    = Canonical + "/StructureDefinition/announced"
	ExtensionAnnouncement = Canonical + "/StructureDefinition/announcement"
	ExtensionVoid         = Canonical + "/StructureDefinition/acknowledgement-void"
	// On its evidence.
	ExtensionRuleSeverity = Canonical + "/StructureDefinition/rule-severity"
	ExtensionRuleSince    = Canonical + "/StructureDefinition/rule-since"
	// On a mitigation: how things stood when it was acknowledged.
	ExtensionAcknowledgedSeverity = Canonical + "/StructureDefinition/acknowledged-severity"
	ExtensionAcknowledgedRule     = Canonical + "/StructureDefinition/acknowledged-rule"
)

// CodeAcknowledged is the mitigation action that $acknowledge adds when the
// caller's own words name no code.
const CodeAcknowledged = "acknowledged"

// Service names the author of derived resources.
const Service = "Tidemark drain output service"

// Concern writes a concern as a DetectedIssue. Mitigations of the version before
// stay as they are.
func Concern(c drain.Concern, before *fhirjson.Node) *fhirjson.Node {
	severity := map[drain.Severity]fhir.DetectedIssueSeverity{
		drain.High: fhir.DetectedIssueSeverityHigh, drain.Moderate: fhir.DetectedIssueSeverityModerate, drain.Low: fhir.DetectedIssueSeverityLow,
	}[c.Severity]
	status := fhir.ObservationStatusFinal
	switch {
	case c.Withdrawn:
		status = fhir.ObservationStatusCancelled
	case before != nil:
		status = fhir.ObservationStatusAmended
	}
	period := &fhir.Period{Start: ptr(fhirdate.Format(c.Since))}
	if !c.Open() {
		period.End = ptr(fhirdate.Format(c.Until))
	}
	di := fhir.DetectedIssue{
		Id:               &c.ID,
		Status:           status,
		Code:             local(c.Kind, ConcernDisplay(c.Kind)),
		Severity:         &severity,
		Patient:          ref("Patient", c.Patient),
		IdentifiedPeriod: period,
		Author:           &fhir.Reference{Display: ptr(Service)},
		Implicated:       []fhir.Reference{*ref("Device", c.Drain)},
		Detail:           &c.Headline,
	}
	if c.Policy != "" {
		di.Extension = append(di.Extension, fhir.Extension{Url: ExtensionPolicy, ValueString: &c.Policy})
	}
	if !c.Announced.At.IsZero() {
		di.Extension = append(di.Extension, fhir.Extension{Url: ExtensionAnnounced, ValueDateTime: ptr(fhirdate.Format(c.Announced.At))})
	}
	if c.Announced.Reason != "" {
		di.Extension = append(di.Extension, fhir.Extension{Url: ExtensionAnnouncement, ValueCode: &c.Announced.Reason})
	}
	if c.Acknowledged.Void != "" {
		di.Extension = append(di.Extension, fhir.Extension{Url: ExtensionVoid, ValueString: &c.Acknowledged.Void})
	}
	for _, e := range c.Evidence {
		code := local(e.Rule, RuleDisplay(e.Rule))
		code.Text = &e.Text
		ev := fhir.DetectedIssueEvidence{
			Extension: []fhir.Extension{{Url: ExtensionRuleSeverity, ValueCode: ptr(string(e.Severity))}},
			Code:      []fhir.CodeableConcept{*code},
		}
		if !e.Since.IsZero() {
			ev.Extension = append(ev.Extension, fhir.Extension{Url: ExtensionRuleSince, ValueDateTime: ptr(fhirdate.Format(e.Since))})
		}
		for _, id := range e.Readings {
			ev.Detail = append(ev.Detail, *ref("Observation", id))
		}
		di.Evidence = append(di.Evidence, ev)
	}
	n := tree(di)
	if m := before.Get("mitigation"); m != nil {
		n.Set("mitigation", m.Clone())
	}
	return n
}

// Announces reports whether people are told of a version of a DetectedIssue: it has
// another announcement than the version before, or another acknowledgement.
func Announces(before, n *fhirjson.Node) bool {
	_, again := Announcement(before, n)
	return again || len(n.Each("mitigation")) != len(before.Each("mitigation"))
}

// Announcement gives the reason of the last announcement of a DetectedIssue, and
// whether it is another than that of the version before.
func Announcement(before, n *fhirjson.Node) (reason string, again bool) {
	told := func(n *fhirjson.Node) (at, reason string) {
		for _, e := range n.Each("extension") {
			switch e.Str("url") {
			case ExtensionAnnounced:
				at = e.Str("valueDateTime")
			case ExtensionAnnouncement:
				reason = e.Str("valueCode")
			}
		}
		return at, reason
	}
	at, reason := told(n)
	wasAt, was := told(before)
	return reason, at != wasAt || reason != was
}

// concernOf reads a concern from a DetectedIssue that Concern wrote, or that was
// written when each rule had an issue of its own.
func concernOf(n *fhirjson.Node) *drain.Concern {
	c := &drain.Concern{
		ID: n.Str("id"), Kind: localCode(n.Path("code")), Severity: drain.Severity(n.Str("severity")), Headline: n.Str("detail"),
		Withdrawn: n.Str("status") == "cancelled",
	}
	c.Patient = lastPart(n.Path("patient").Str("reference"))
	for _, i := range n.Each("implicated") {
		if r := i.Str("reference"); len(r) > 7 && r[:7] == "Device/" {
			c.Drain = r[7:]
		}
	}
	c.Since = instant(n.Path("identifiedPeriod").Str("start"))
	c.Until = instant(n.Path("identifiedPeriod").Str("end"))
	void := ""
	for _, e := range n.Each("extension") {
		switch e.Str("url") {
		case ExtensionPolicy:
			c.Policy = e.Str("valueString")
		case ExtensionAnnounced:
			c.Announced.At = instant(e.Str("valueDateTime"))
		case ExtensionAnnouncement:
			c.Announced.Reason = e.Str("valueCode")
		case ExtensionVoid:
			void = e.Str("valueString")
		}
	}
	var last *fhirjson.Node
	for _, m := range n.Each("mitigation") {
		if at := instant(m.Str("date")); !at.IsZero() && !at.Before(c.Acknowledged.At) {
			c.Acknowledged.At, last = at, m
		}
	}
	if c.Kind == "" || c.Drain == "" {
		return nil
	}
	if _, old := ruleDisplays[c.Kind]; old {
		var readings []string
		for _, e := range n.Each("evidence") {
			for _, d := range e.Each("detail") {
				readings = append(readings, lastPart(d.Str("reference")))
			}
		}
		slices.Sort(readings)
		f := c.OfFinding(readings, c.Acknowledged.At, c.Announced.At)
		return &f
	}
	if last != nil {
		a := &c.Acknowledged
		if a.By = last.Path("author").Str("reference"); a.By == "" {
			a.By = last.Path("author").Str("display")
		}
		for _, e := range last.Each("extension") {
			switch e.Str("url") {
			case ExtensionAcknowledgedSeverity:
				a.Severity = drain.Severity(e.Str("valueCode"))
			case ExtensionAcknowledgedRule:
				a.High = append(a.High, e.Str("valueCode"))
			}
		}
		a.Void = void
	}
	for _, e := range n.Each("evidence") {
		var ev drain.Evidence
		for _, code := range e.Each("code") {
			ev.Rule, ev.Text = localCode(code), code.Str("text")
		}
		for _, x := range e.Each("extension") {
			switch x.Str("url") {
			case ExtensionRuleSeverity:
				ev.Severity = drain.Severity(x.Str("valueCode"))
			case ExtensionRuleSince:
				ev.Since = instant(x.Str("valueDateTime"))
			}
		}
		for _, d := range e.Each("detail") {
			ev.Readings = append(ev.Readings, lastPart(d.Str("reference")))
		}
		slices.Sort(ev.Readings)
		c.Evidence = append(c.Evidence, ev)
	}
	return c
}

func localCode(concept *fhirjson.Node) string {
	for _, c := range concept.Each("coding") {
		if c.Str("system") == Local {
			return c.Str("code")
		}
	}
	return ""
}

func instant(s string) time.Time {
	t, err := fhirdate.Instant(s)
	if err != nil {
		return time.Time{}
	}
	return t
}

func lastPart(s string) string {
	for i := len(s) - 1; i >= 0; i-- {
		if s[i] == '/' {
			return s[i+1:]
		}
	}
	return s
}

// RuleDisplay is the human name of a rule of package escalate.
func RuleDisplay(rule string) string {
	if d, ok := ruleDisplays[rule]; ok {
		return d
	}
	return rule
}

// ConcernDisplay is the human name of a concern of package concern, or of the rule
// by which an issue of before goes.
func ConcernDisplay(kind string) string {
	if d, ok := concernDisplays[kind]; ok {
		return d
	}
	return RuleDisplay(kind)
}

var concernDisplays = map[string]string{
	"fluid":    "Drain fluid",
	"function": "Drain function",
	"site":     "Drain site",
	"charting": "Charting",
	"dwell":    "Time in place",
}

var ruleDisplays = map[string]string{
	"output-rise":     "Output rises",
	"brisk-output":    "Brisk output",
	"darker":          "Drain fluid darkens",
	"fresh-blood":     "Fresh blood late after placement",
	"suspect-fluid":   "Suspect drain fluid",
	"suction-lost":    "Suction lost",
	"suction-off":     "Suction off",
	"suction-unknown": "Suction not charted",
	"blocked":         "Drain blocked",
	"reservoir-full":  "Reservoir full",
	"reservoir-half":  "Reservoir at least half full",
	"overdue":         "Emptying overdue",
	"sudden-stop":     "Output stopped suddenly",
	"site-signs":      "Signs at the drain site",
	"dislodged":       "Drain dislodged",
	"long-dwell":      "Drain in place for long",
	"reading-doubt":   "Reading in doubt",
	"stale":           "Nothing charted for a long time",
}

func ptr[T any](v T) *T { return &v }

func ref(typ, id string) *fhir.Reference {
	if id == "" {
		return nil
	}
	return &fhir.Reference{Reference: ptr(typ + "/" + id)}
}

func local(code, display string) *fhir.CodeableConcept { return concept(Local, code, display) }

func concept(system, code, display string) *fhir.CodeableConcept {
	c := fhir.Coding{System: &system, Code: &code}
	if display != "" {
		c.Display = &display
	}
	return &fhir.CodeableConcept{Coding: []fhir.Coding{c}}
}

// Acknowledge adds a mitigation to a DetectedIssue: what was done, when, by
// whom, who was informed, and how the concern stood.
func Acknowledge(n *fhirjson.Node, ack drain.Acknowledged, action, note, informed string) {
	words := action
	if note != "" {
		words += "; " + note
	}
	if informed != "" {
		words += "; informed: " + informed
	}
	stood := []any{fhirjson.Obj("url", ExtensionAcknowledgedSeverity, "valueCode", string(ack.Severity))}
	for _, rule := range ack.High {
		stood = append(stood, fhirjson.Obj("url", ExtensionAcknowledgedRule, "valueCode", rule))
	}
	m := fhirjson.Obj(
		"extension", fhirjson.Arr(stood...),
		"action", fhirjson.Obj("coding", fhirjson.Arr(fhirjson.Obj("system", Local, "code", CodeAcknowledged)), "text", words),
		"date", fhirdate.Format(ack.At),
		"author", agent(ack.By),
	)
	list := n.Get("mitigation")
	if list == nil {
		list = &fhirjson.Node{Kind: fhirjson.Array}
		n.Set("mitigation", list)
	}
	list.Items = append(list.Items, m)
	if n.Str("status") != "cancelled" { // a withdrawn concern stays one
		n.Set("status", fhirjson.Str("amended"))
	}
	if x := n.Get("extension"); x != nil { // it holds again
		x.Items = slices.DeleteFunc(x.Items, func(e *fhirjson.Node) bool { return e.Str("url") == ExtensionVoid })
		if len(x.Items) == 0 {
			n.Delete("extension")
		}
	}
}

// VersionReference names one version of a resource.
func VersionReference(key string, version int64) string {
	return key + "/_history/" + strconv.FormatInt(version, 10)
}

// Provenance says who acknowledged which versions of concerns.
func Provenance(id string, targets []string, by string, informed []string, at time.Time) *fhirjson.Node {
	role := func(system, code string) *fhirjson.Node {
		return fhirjson.Obj("coding", fhirjson.Arr(fhirjson.Obj("system", "http://terminology.hl7.org/CodeSystem/"+system, "code", code)))
	}
	agents := []*fhirjson.Node{fhirjson.Obj("type", role("provenance-participant-type", "verifier"), "who", agent(by))}
	for _, r := range informed {
		// FHIR's "informant" tells; who is told is v3's information recipient.
		agents = append(agents, fhirjson.Obj("type", role("v3-ParticipationType", "IRCP"), "who", fhirjson.Obj("reference", r)))
	}
	var of []any
	for _, t := range targets {
		of = append(of, fhirjson.Obj("reference", t))
	}
	return fhirjson.Obj(
		"resourceType", "Provenance", "id", id,
		"target", fhirjson.Arr(of...),
		"recorded", fhirdate.Format(at),
		"activity", fhirjson.Obj("coding", fhirjson.Arr(fhirjson.Obj("system", "http://terminology.hl7.org/CodeSystem/v3-DataOperation", "code", "APPEND"))),
		"agent", agents,
	)
}

// Correction says who made the next version of an entry from which one, or deleted
// it, and why where that was said.
func Correction(id, entry string, from int64, by, reason string, deleted bool, at time.Time) *fhirjson.Node {
	coded := func(system, code string) *fhirjson.Node {
		return fhirjson.Obj("coding", fhirjson.Arr(fhirjson.Obj("system", "http://terminology.hl7.org/CodeSystem/"+system, "code", code)))
	}
	n := fhirjson.Obj(
		"resourceType", "Provenance", "id", id,
		"target", fhirjson.Arr(fhirjson.Obj("reference", VersionReference(entry, from+1))),
		"recorded", fhirdate.Format(at),
	)
	if reason != "" {
		n.Set("reason", fhirjson.Arr(fhirjson.Obj("text", reason)))
	}
	activity := "UPDATE"
	if deleted {
		activity = "DELETE"
	}
	n.Set("activity", coded("v3-DataOperation", activity))
	n.Set("agent", fhirjson.Arr(fhirjson.Obj("type", coded("provenance-participant-type", "author"), "who", agent(by))))
	n.Set("entity", fhirjson.Arr(fhirjson.Obj("role", "revision", "what", fhirjson.Obj("reference", VersionReference(entry, from)))))
	return n
}

// Corrected reads who made a correction and why.
func Corrected(n *fhirjson.Node) (by, reason string) {
	for _, a := range n.Each("agent") {
		by = cmp.Or(by, a.Path("who").Str("reference"), a.Path("who").Str("display"))
	}
	for _, r := range n.Each("reason") {
		reason = cmp.Or(reason, r.Str("text"))
	}
	return by, reason
}

// MergeProvenance says who merged one record into another, and which versions of both
// resulted: http://terminology.hl7.org/CodeSystem/iso-21089-lifecycle.
func MergeProvenance(id, target, source, by string, at time.Time) *fhirjson.Node {
	return fhirjson.Obj(
		"resourceType", "Provenance", "id", id,
		"target", fhirjson.Arr(fhirjson.Obj("reference", target), fhirjson.Obj("reference", source)),
		"recorded", fhirdate.Format(at),
		"activity", fhirjson.Obj("coding", fhirjson.Arr(fhirjson.Obj("system", "http://terminology.hl7.org/CodeSystem/iso-21089-lifecycle", "code", "merge"))),
		"agent", fhirjson.Arr(fhirjson.Obj("who", agent(by))),
		"entity", fhirjson.Arr(fhirjson.Obj("role", "source", "what", fhirjson.Obj("reference", source))),
	)
}

// agent is a reference to who did something: literal where the name is one.
func agent(by string) *fhirjson.Node {
	if typ, id, ok := strings.Cut(by, "/"); ok && typ != "" && id != "" && !strings.ContainsAny(id, "/ ") {
		switch typ {
		case "Practitioner", "PractitionerRole", "Patient", "Device", "Organization", "RelatedPerson":
			return fhirjson.Obj("reference", by)
		}
	}
	if by == "" {
		by = "a caller without a name"
	}
	return fhirjson.Obj("display", by)
}
