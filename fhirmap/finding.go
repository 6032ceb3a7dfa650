package fhirmap

import (
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
	ExtensionPolicy    = Canonical + "/StructureDefinition/policy-version"
	ExtensionAnnounced = Canonical + "/StructureDefinition/announced"
)

// CodeAcknowledged is the mitigation action that $acknowledge adds when the
// caller's own words name no code.
const CodeAcknowledged = "acknowledged"

// Service names the author of derived resources.
const Service = "Tidemark drain output service"

// Finding writes a finding as a DetectedIssue. Mitigations of the version
// before stay as they are.
func Finding(f drain.Finding, before *fhirjson.Node) *fhirjson.Node {
	severity := map[drain.Severity]fhir.DetectedIssueSeverity{
		drain.High: fhir.DetectedIssueSeverityHigh, drain.Moderate: fhir.DetectedIssueSeverityModerate, drain.Low: fhir.DetectedIssueSeverityLow,
	}[f.Severity]
	status := fhir.ObservationStatusFinal
	switch {
	case f.Withdrawn:
		status = fhir.ObservationStatusCancelled
	case before != nil:
		status = fhir.ObservationStatusAmended
	}
	period := &fhir.Period{Start: ptr(fhirdate.Format(f.Since))}
	if !f.Open() {
		period.End = ptr(fhirdate.Format(f.Until))
	}
	di := fhir.DetectedIssue{
		Id:               &f.ID,
		Status:           status,
		Code:             local(f.Rule, RuleDisplay(f.Rule)),
		Severity:         &severity,
		Patient:          ref("Patient", f.Patient),
		IdentifiedPeriod: period,
		Author:           &fhir.Reference{Display: ptr(Service)},
		Implicated:       []fhir.Reference{*ref("Device", f.Drain)},
		Detail:           &f.Text,
	}
	if f.Policy != "" {
		di.Extension = append(di.Extension, fhir.Extension{Url: ExtensionPolicy, ValueString: &f.Policy})
	}
	if !f.Announced.IsZero() {
		di.Extension = append(di.Extension, fhir.Extension{Url: ExtensionAnnounced, ValueDateTime: ptr(fhirdate.Format(f.Announced))})
	}
	if len(f.Evidence) > 0 {
		var ev fhir.DetectedIssueEvidence
		for _, id := range f.Evidence {
			ev.Detail = append(ev.Detail, *ref("Observation", id))
		}
		di.Evidence = []fhir.DetectedIssueEvidence{ev}
	}
	n := tree(di)
	if m := before.Get("mitigation"); m != nil {
		n.Set("mitigation", m.Clone())
	}
	return n
}

// findingOf reads a finding back from the DetectedIssue that Finding wrote.
func findingOf(n *fhirjson.Node) *drain.Finding {
	f := &drain.Finding{
		ID: n.Str("id"), Severity: drain.Severity(n.Str("severity")), Text: n.Str("detail"),
		Withdrawn: n.Str("status") == "cancelled",
	}
	f.Patient = lastPart(n.Path("patient").Str("reference"))
	for _, c := range n.Path("code").Each("coding") {
		if c.Str("system") == Local {
			f.Rule = c.Str("code")
		}
	}
	for _, i := range n.Each("implicated") {
		if r := i.Str("reference"); len(r) > 7 && r[:7] == "Device/" {
			f.Drain = r[7:]
		}
	}
	f.Since = instant(n.Path("identifiedPeriod").Str("start"))
	f.Until = instant(n.Path("identifiedPeriod").Str("end"))
	for _, e := range n.Each("evidence") {
		for _, d := range e.Each("detail") {
			f.Evidence = append(f.Evidence, lastPart(d.Str("reference")))
		}
	}
	slices.Sort(f.Evidence)
	for _, e := range n.Each("extension") {
		switch e.Str("url") {
		case ExtensionPolicy:
			f.Policy = e.Str("valueString")
		case ExtensionAnnounced:
			f.Announced = instant(e.Str("valueDateTime"))
		}
	}
	for _, m := range n.Each("mitigation") {
		if at := instant(m.Str("date")); at.After(f.Acknowledged) {
			f.Acknowledged = at
		}
	}
	if f.Rule == "" || f.Drain == "" {
		return nil
	}
	return f
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

var ruleDisplays = map[string]string{
	"output-rise":    "Output rises",
	"brisk-output":   "Brisk output",
	"darker":         "Drain fluid darkens",
	"fresh-blood":    "Fresh blood late after placement",
	"suspect-fluid":  "Suspect drain fluid",
	"suction-lost":   "Suction lost",
	"reservoir-full": "Reservoir full",
	"reservoir-half": "Reservoir at least half full",
	"overdue":        "Emptying overdue",
	"sudden-stop":    "Output stopped suddenly",
	"site-signs":     "Signs at the drain site",
	"dislodged":      "Drain dislodged",
	"long-dwell":     "Drain in place for long",
	"reading-doubt":  "Reading in doubt",
	"stale":          "Nothing charted for long",
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
// whom, and who was informed.
func Acknowledge(n *fhirjson.Node, action, note, by, informed string, at time.Time) {
	words := action
	if note != "" {
		words += "; " + note
	}
	if informed != "" {
		words += "; informed: " + informed
	}
	m := fhirjson.Obj(
		"action", fhirjson.Obj("coding", fhirjson.Arr(fhirjson.Obj("system", Local, "code", CodeAcknowledged)), "text", words),
		"date", fhirdate.Format(at),
		"author", agent(by),
	)
	list := n.Get("mitigation")
	if list == nil {
		list = &fhirjson.Node{Kind: fhirjson.Array}
		n.Set("mitigation", list)
	}
	list.Items = append(list.Items, m)
	if n.Str("status") != "cancelled" { // a withdrawn finding stays one
		n.Set("status", fhirjson.Str("amended"))
	}
}

// Provenance says who acknowledged which version of a finding.
func Provenance(id, target string, version int64, by string, informed []string, at time.Time) *fhirjson.Node {
	role := func(system, code string) *fhirjson.Node {
		return fhirjson.Obj("coding", fhirjson.Arr(fhirjson.Obj("system", "http://terminology.hl7.org/CodeSystem/"+system, "code", code)))
	}
	agents := []*fhirjson.Node{fhirjson.Obj("type", role("provenance-participant-type", "verifier"), "who", agent(by))}
	for _, r := range informed {
		// FHIR's "informant" tells; who is told is v3's information recipient.
		agents = append(agents, fhirjson.Obj("type", role("v3-ParticipationType", "IRCP"), "who", fhirjson.Obj("reference", r)))
	}
	return fhirjson.Obj(
		"resourceType", "Provenance", "id", id,
		"target", fhirjson.Arr(fhirjson.Obj("reference", target+"/_history/"+strconv.FormatInt(version, 10))),
		"recorded", fhirdate.Format(at),
		"activity", fhirjson.Obj("coding", fhirjson.Arr(fhirjson.Obj("system", "http://terminology.hl7.org/CodeSystem/v3-DataOperation", "code", "APPEND"))),
		"agent", agents,
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
