package bulk

import (
	"time"

	"tidemark/internal/drain"
)

// of is the stay in a patient by a placement, or that which held the drain at t.
func (c *course) of(p drain.Placement) *stay {
	return &stay{course: c, placement: p, placed: p.Start, removed: p.End, patient: p.Patient}
}

func (c *course) at(t time.Time, patient string) *stay {
	for _, p := range c.placements {
		if p.Holds(t) {
			return c.of(p)
		}
	}
	return &stay{course: c, patient: patient}
}

func placements() spec[*stay] {
	text := func(f func(*stay) string) func(*stay) cell { return func(s *stay) cell { return text(f(s)) } }
	return spec[*stay]{
		name:  "placement",
		words: "One row for each time a drain was placed, whether or not anything was charted of it. For time to removal: placed_at, removed_at, censored.",
		day:   func(s *stay) string { return s.dayOf(known(s.placed, s.removed)) },
		columns: []column[*stay]{
			{Column{"placement_id", Text, "", false, "Logical id of the DeviceUseStatement."}, text(func(s *stay) string { return s.placement.ID })},
			{Column{"drain_id", Text, "", false, "Logical id of the Device."}, text(func(s *stay) string { return s.drain.ID })},
			{Column{"patient_id", Text, "", true, "Logical id of the Patient."}, text(func(s *stay) string { return s.patient })},
			{Column{"drain_label", Text, "", true, "What the staff call the drain."}, text(func(s *stay) string { return s.drain.Label })},
			{Column{"compartment", Text, "", false, "Body space that the drain empties."}, text(func(s *stay) string { return string(s.drain.Compartment) })},
			{Column{"site", Text, "", true, "Body site, in words."}, text(func(s *stay) string { return s.placement.Site })},
			{Column{"side", Text, "", true, "Side of the body."}, text(func(s *stay) string { return s.placement.Side })},
			{Column{"placed_at", Instant, "", true, "When it was placed; empty where nobody said."}, func(s *stay) cell { return at(s.placed) }},
			{Column{"removed_at", Instant, "", true, "When it came out; empty while it is in place."}, func(s *stay) cell { return at(s.removed) }},
			{Column{"reason", Text, "", true, "How it came out: completed (removed as planned) or stopped (came out, or was taken out early); empty while it is in place."}, func(s *stay) cell {
				if s.placement.Open() {
					return cell{}
				}
				return cell{set: true, text: string(s.placement.Status)}
			}},
			{Column{"censored", Boolean, "", false, "It was still in place at the export: days_in_place is what is known so far."}, func(s *stay) cell { return boolean(s.placement.Open()) }},
			{Column{"days_in_place", Decimal, "d", true, "From placed_at to removed_at, or to the export, in days of 24 hours."}, func(s *stay) cell {
				end := s.removed
				if s.placement.Open() {
					end = s.now
				}
				return float(end.Sub(s.placed).Hours()/24, !s.placed.IsZero() && !end.IsZero())
			}},
			{Column{"ward_id", Text, "", true, "Logical id of the ward at which the drain was when it was placed."}, text(func(s *stay) string { return s.ward(s.placed) })},
			{Column{"last_ward_id", Text, "", true, "Logical id of the ward at which it was last."}, text(func(s *stay) string {
				if s.removed.IsZero() {
					return s.ward(s.now)
				}
				return s.ward(s.removed)
			})},
		},
	}
}

// raised is a row of the table of concerns.
type raised struct {
	*stay
	drain.Concern
}

func concerns() spec[raised] {
	return spec[raised]{
		name:  "concern",
		words: "One row for each concern of a drain: what people were told, when, and when somebody answered. The history of a DetectedIssue has each step.",
		day:   func(r raised) string { return r.dayOf(r.Since) },
		columns: []column[raised]{
			{Column{"concern_id", Text, "", false, "Logical id of the DetectedIssue."}, func(r raised) cell { return text(r.Concern.ID) }},
			{Column{"drain_id", Text, "", false, "Logical id of the Device."}, func(r raised) cell { return text(r.drain.ID) }},
			{Column{"patient_id", Text, "", true, "Logical id of the Patient."}, func(r raised) cell { return text(r.Concern.Patient) }},
			{Column{"placement_id", Text, "", true, "Logical id of the DeviceUseStatement that held the drain when it opened."}, func(r raised) cell { return text(r.placement.ID) }},
			{Column{"ward_id", Text, "", true, "Logical id of the ward at which the drain was when it opened."}, func(r raised) cell { return text(r.ward(r.Since)) }},
			{Column{"kind", Text, "", false, "fluid, function, site, charting or dwell."}, func(r raised) cell { return text(r.Concern.Kind) }},
			{Column{"severity", Text, "", false, "high, moderate or low: of the worst rule at the export, or when it closed."}, func(r raised) cell { return text(r.Severity) }},
			{Column{"rules", Text, "", true, "Its rules, separated by spaces."}, func(r raised) cell {
				var rules []string
				for _, e := range r.Evidence {
					rules = append(rules, e.Rule)
				}
				return list(rules)
			}},
			{Column{"headline", Text, "", true, "What can be read out on the telephone."}, func(r raised) cell { return text(r.Headline) }},
			{Column{"opened_at", Instant, "", false, "Since when it holds."}, func(r raised) cell { return at(r.Since) }},
			{Column{"announced_at", Instant, "", true, "When people were last told of it."}, func(r raised) cell { return at(r.Announced.At) }},
			{Column{"announcement", Text, "", true, "Why they were told then: opened, worse, joined, repeated, closed, charted-late."}, func(r raised) cell { return text(r.Announced.Reason) }},
			{Column{"acknowledged_at", Instant, "", true, "When somebody last acknowledged it."}, func(r raised) cell { return at(r.Acknowledged.At) }},
			{Column{"acknowledged_by", Text, "", true, "Who did."}, func(r raised) cell { return text(r.Acknowledged.By) }},
			{Column{"acknowledgement_holds", Boolean, "", false, "It has not become worse since."}, func(r raised) cell { return boolean(r.Acknowledged.Holds()) }},
			{Column{"closed_at", Instant, "", true, "When it ended; empty while it is open."}, func(r raised) cell { return at(r.Until) }},
			{Column{"withdrawn", Boolean, "", false, "It was closed since its evidence was withdrawn."}, func(r raised) cell { return boolean(r.Withdrawn) }},
			{Column{"policy_version", Text, "", true, "Version of the ward policy that it was evaluated by."}, func(r raised) cell { return text(r.Policy) }},
		},
	}
}

// siteLook is an entry with the stay that it belongs to.
type siteLook struct {
	*stay
	entry drain.Entry
}

func assessments() spec[siteLook] {
	return spec[siteLook]{
		name:  "site-assessment",
		words: "One row for each assessment of the skin and suture around a drain that counts.",
		day:   func(c siteLook) string { return c.dayOf(c.entry.At) },
		columns: []column[siteLook]{
			{Column{"observation_id", Text, "", false, "Logical id of the Observation."}, func(c siteLook) cell { return text(c.entry.ID) }},
			{Column{"patient_id", Text, "", true, "Logical id of the Patient."}, func(c siteLook) cell { return text(c.entry.Patient) }},
			{Column{"drain_id", Text, "", false, "Logical id of the Device."}, func(c siteLook) cell { return text(c.drain.ID) }},
			{Column{"placement_id", Text, "", true, "Logical id of the DeviceUseStatement."}, func(c siteLook) cell { return text(c.placement.ID) }},
			{Column{"ward_id", Text, "", true, "Logical id of the ward at which the drain was then."}, func(c siteLook) cell { return text(c.ward(c.entry.At)) }},
			{Column{"status", Text, "", false, "Observation.status."}, func(c siteLook) cell { return text(c.entry.Status) }},
			{Column{"effective_at", Instant, "", false, "When it was looked at."}, func(c siteLook) cell { return at(c.entry.At) }},
			{Column{"day", Date, "", false, "Day of the ward."}, func(c siteLook) cell { return date(c.dayOf(c.entry.At)) }},
			{Column{"shift", Text, "", false, "Shift of the ward."}, func(c siteLook) cell { return text(c.shift(c.entry.At)) }},
			{Column{"assessed", Boolean, "", false, "At least one sign was assessed."}, func(c siteLook) cell { return boolean(c.entry.Assessed) }},
			{Column{"signs", Text, "", true, "Signs that were there, separated by spaces; empty where none was."}, func(c siteLook) cell {
				var signs []string
				for _, s := range c.entry.Signs {
					signs = append(signs, string(s))
				}
				return list(signs)
			}},
			{Column{"sign_count", Integer, "1", false, "How many."}, func(c siteLook) cell { return integer(len(c.entry.Signs)) }},
			{Column{"performer", Text, "", true, "Who charted it: the first performer."}, func(c siteLook) cell { return text(c.entry.DoneBy) }},
		},
	}
}

// histories writes the rows of a drain that are not of its emptyings.
func (t *tabulator) histories(c *course) error {
	for _, p := range c.placements {
		if p.Counts() && t.wants(p.Patient, c.drain.ID, known(p.Start, p.End, c.now)) {
			if err := t.placement.row(c.of(p)); err != nil {
				return err
			}
		}
	}
	for _, x := range c.concerns {
		if t.wants(x.Patient, c.drain.ID, x.Since) {
			if err := t.concern.row(raised{c.at(x.Since, x.Patient), x}); err != nil {
				return err
			}
		}
	}
	for _, e := range c.entries {
		if e.Kind == drain.Site && e.Counts() && t.wants(e.Patient, c.drain.ID, e.At) {
			if err := t.assessment.row(siteLook{c.at(e.At, e.Patient), e}); err != nil {
				return err
			}
		}
	}
	return nil
}

func known(times ...time.Time) time.Time {
	for _, t := range times {
		if !t.IsZero() {
			return t
		}
	}
	return time.Time{}
}
