package fhirmap

import (
	"bytes"
	"cmp"
	"encoding/csv"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/samply/golang-fhir-models/fhir-models/fhir"

	"tidemark/internal/answer"
	"tidemark/internal/balance"
	"tidemark/internal/drain"
	"tidemark/internal/escalate"
	"tidemark/internal/fhirjson"
	"tidemark/internal/removal"
	"tidemark/internal/window"
)

// Handover writes the answer to $handover: for each drain, by bed, one Observation
// of what the shift brought and three totals; for one in place also a Task with
// what is due, and the review for removal.
func Handover(a answer.Handover) []*fhirjson.Node {
	var out []*fhirjson.Node
	for i := range a.Rows {
		r := &a.Rows[i]
		o := sheet{a}.row(r)
		if i == 0 && a.More > 0 {
			o.note(fmt.Sprintf("%d more corrections of this shift are not listed here; see the histories of the drains", a.More))
		}
		out = append(out, o.tree())
		of := answer.Output{Zone: a.Zone, Attribution: a.Attribution}
		for k, t := range []balance.Total{r.Shift, r.Last, r.Before} {
			o := total(t, t.Net.Text(Places), of)
			o.Code.Text = ptr("Drain output, " + [...]string{"this shift", "last 24 h", "the 24 h before"}[k])
			o.Subject, o.Device = ref("Patient", r.Patient), ref("Device", r.Drain.ID)
			out = append(out, o.tree())
		}
		if !r.Removed.IsZero() {
			continue
		}
		out = append(out, EmptyingDue([]answer.DueDrain{r.DueDrain}, a.Now)...)
		out = append(out, RemovalReview(answer.Review{Drain: r.Drain, Patient: r.Patient, Review: r.Removal, Now: a.Now, Policy: a.Policy, Approved: a.Approved})...)
	}
	return out
}

// mostLate is how many late entries of a drain are listed one by one.
const mostLate = 5

// sheet writes the words of a handover.
type sheet struct{ answer.Handover }

func (a sheet) row(r *answer.HandoverRow) *obs {
	o := newObs("handover", "Handover of a drain", "Handover of the "+a.Shift.Label)
	o.Category = o.Category[:1] // an examination; of its Observations only the totals are fluid balance
	o.Subject, o.Device = named("Patient", r.Patient, r.Name), named("Device", r.Drain.ID, r.Drain.Label)
	o.over(a.Shift, a.Zone)
	if a.AsOf.Before(a.Shift.End) {
		o.Status = fhir.ObservationStatusPreliminary
	}
	level(o, r.Level)
	coded := func(system, code, display, value, words string) {
		o.Component = append(o.Component, fhir.ObservationComponent{Code: *concept(system, code, display), ValueCodeableConcept: local(value, "")})
		o.Component[len(o.Component)-1].ValueCodeableConcept.Text = &words
	}
	rests := func(id string) { // one entry may say several of it
		if r := *ref("Observation", id); !slices.ContainsFunc(o.DerivedFrom, func(o fhir.Reference) bool { return *o.Reference == *r.Reference }) {
			o.DerivedFrom = append(o.DerivedFrom, r)
		}
	}
	said := func(code, display, words string) { o.add(code, display).ValueString = &words }
	if bed := cmp.Or(r.Bed.Name, r.Ward.Name); bed != "" {
		said("bed", "Bed", bed)
	}
	if !r.Removed.IsZero() {
		said("removed", "Drain removed", a.clock(r.Removed))
	}
	if e := r.Look; e.Appearance != "" {
		coded(LOINC, LOINCAppearance, "", string(e.Appearance), a.dated(string(e.Appearance), e.At))
		rests(e.ID)
		course, _, _ := strings.Cut(r.Course, ",")
		coded(Local, "appearance-course", "", strings.ReplaceAll(course, " ", "-"), r.Course)
	}
	if e := r.Suction; e.Suction != "" {
		coded(Local, CodeSuction, "", string(e.Suction), a.dated(string(e.Suction), e.At))
		rests(e.ID)
	}
	if e := r.Seen; e.Assessed {
		said(CodeSite, "Drain site assessment", a.dated(signWords(e), e.At))
		rests(e.ID)
	}
	for _, k := range r.Concerns {
		c := o.add(k.Kind, ConcernDisplay(k.Kind))
		c.ValueCodeableConcept = local(string(k.Severity), levelDisplays[string(k.Severity)])
		c.ValueCodeableConcept.Text = ptr(k.Headline + ": " + a.became(k))
	}
	for _, c := range r.Corrections {
		said("correction", "Correction", a.corrected(c))
	}
	for _, words := range a.late(r) {
		said("late-entry", "Late entry", words)
	}
	o.note(escalate.Caution)
	return o
}

// clock is a time on the ward's clock, with the date where it is neither in the
// shift nor on the day on which the shift began.
func (a sheet) clock(t time.Time) string {
	if a.Shift.Contains(t) {
		return window.Clock(t, t.In(a.Zone))
	}
	return window.Clock(t, a.Shift.Start.In(a.Zone))
}

// dated says when something was seen where that was before the shift.
func (a sheet) dated(words string, t time.Time) string {
	if t.Before(a.Shift.Start) {
		return words + " (" + a.clock(t) + ")"
	}
	return words
}

// became says how a concern ended or stands.
func (a sheet) became(k drain.Concern) string {
	words := "since " + a.clock(k.Since)
	switch ack := k.Acknowledged; {
	case ack.At.IsZero() && k.Open():
		words += ", not acknowledged"
	case ack.Void != "" && k.Open():
		words += ", " + ack.Void
	case !ack.At.IsZero():
		words += ", acknowledged " + a.clock(ack.At)
		if ack.By != "" {
			words += " by " + ack.By
		}
	}
	switch {
	case k.Withdrawn:
		words += ", withdrawn with its readings " + a.clock(k.Until)
	case !k.Open():
		words += ", closed " + a.clock(k.Until)
	}
	return words
}

func (a sheet) corrected(c answer.Correction) string {
	words := a.clock(c.After.At) + ": " + entryWords(c.Before)
	switch {
	case !c.After.Counts():
		words += " withdrawn"
	case entryWords(c.Before) == entryWords(c.After) && c.Before.At.Equal(c.After.At):
		words += " corrected"
	default:
		words += " is now " + entryWords(c.After)
	}
	if !c.Before.At.Equal(c.After.At) {
		words += ", its time was " + a.clock(c.Before.At)
	}
	words += fmt.Sprintf(", %s, from version %d", a.clock(c.At), c.Before.Version)
	if c.By != "" {
		words += ", by " + c.By
	}
	if c.Reason != "" {
		words += ": " + c.Reason
	}
	return words
}

// late are the entries that were charted late, in words.
func (a sheet) late(r *answer.HandoverRow) []string {
	var out []string
	for i, l := range r.Late {
		if i == mostLate {
			return append(out, fmt.Sprintf("and %d more entries charted late", len(r.Late)-i))
		}
		out = append(out, fmt.Sprintf("%s of %s, charted %s", entryWords(l.Entry), a.clock(l.Entry.At), a.clock(l.Charted)))
	}
	return out
}

// entryWords says an entry in a few words: "40 mL serous".
func entryWords(e drain.Entry) string {
	var words []string
	switch {
	case e.Kind == drain.Site:
		words = append(words, "site: "+signWords(e))
	case e.Measured.Known:
		words = append(words, e.Measured.Volume.Text(Places)+" mL")
	case e.Kind == drain.Check:
		words = append(words, "check")
	default:
		words = append(words, "emptying not measured")
	}
	if e.Instilled.Sign() > 0 {
		words = append(words, "after "+e.Instilled.Text(Places)+" mL of irrigant")
	}
	if e.Appearance != "" {
		words = append(words, string(e.Appearance))
	}
	if e.Suction != "" && e.Suction != drain.Charged {
		words = append(words, "suction "+string(e.Suction))
	}
	if e.Fill.Known {
		words = append(words, e.Fill.Value.Text(0)+" % full")
	}
	return strings.Join(words, " ")
}

// signWords are the signs that a site assessment found.
func signWords(e drain.Entry) string {
	if len(e.Signs) == 0 {
		return "no signs"
	}
	var words []string
	for _, s := range e.Signs {
		words = append(words, strings.ReplaceAll(string(s), "-", " "))
	}
	return strings.Join(words, ", ")
}

// HandoverTable writes the same as CSV, a row a drain.
func HandoverTable(h answer.Handover) []byte {
	a := sheet{h}
	stamp := func(t time.Time) string {
		if t.IsZero() {
			return ""
		}
		return t.In(a.Zone).Format(time.RFC3339)
	}
	var b bytes.Buffer
	w := csv.NewWriter(&b)
	_ = w.Write([]string{ // a bytes.Buffer does not fail
		"bed", "name", "drain", "site", "placed", "removed", "shift", "shift_start", "shift_end", "shift_ml", "shift_uncertainty_ml", "shift_complete", "last_24h_ml", "day_before_ml",
		"appearance", "course", "suction", "site_signs", "level", "concerns", "corrections", "late_entries", "due", "due_why", "overdue", "removal", "patient", "device",
	})
	for i := range a.Rows {
		r := &a.Rows[i]
		volume := func(t balance.Total) string {
			if t.Absent != "" {
				return ""
			}
			return t.Net.Text(Places)
		}
		u := ""
		if r.Shift.HasU && r.Shift.Absent == "" {
			u = float(r.Shift.U, 1)
		}
		var concerns, corrections []string
		for _, k := range r.Concerns {
			concerns = append(concerns, string(k.Severity)+": "+k.Headline+": "+a.became(k))
		}
		for _, c := range r.Corrections {
			corrections = append(corrections, a.corrected(c))
		}
		due := fmt.Sprint(r.Due.Overdue)
		if !r.Removed.IsZero() {
			due = ""
		}
		line := []string{
			cmp.Or(r.Bed.Name, r.Ward.Name), r.Name, cmp.Or(r.Drain.Label, r.Drain.ID), strings.TrimSpace(r.Side + " " + r.Site), stamp(r.Placed), stamp(r.Removed),
			a.Shift.Label, stamp(a.Shift.Start), stamp(a.Shift.End), volume(r.Shift), u, fmt.Sprint(!r.Shift.Preliminary), volume(r.Last), volume(r.Before),
			string(r.Look.Appearance), r.Course, string(r.Suction.Suction), "", r.Level, strings.Join(concerns, "; "), strings.Join(corrections, "; "), strings.Join(a.late(r), "; "),
			stamp(r.Due.At), r.Due.Words, due, met(r.Removal), r.Patient, r.Drain.ID,
		}
		if r.Seen.Assessed {
			line[17] = signWords(r.Seen)
		}
		for k := range line {
			line[k] = Neutral(line[k])
		}
		_ = w.Write(line)
	}
	w.Flush()
	return b.Bytes()
}

// met counts the criteria of a review.
func met(r removal.Review) string {
	n := 0
	for _, i := range r.Items {
		if i.State == removal.Met {
			n++
		}
	}
	if len(r.Items) == 0 {
		return ""
	}
	return fmt.Sprintf("%d of %d criteria met", n, len(r.Items))
}
