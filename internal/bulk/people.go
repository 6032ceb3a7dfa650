package bulk

import (
	"context"

	"tidemark/internal/drain"
	"tidemark/internal/fhirjson"
	"tidemark/internal/policy"
	"tidemark/internal/store"
)

// fluid is a row of the table of intake and output without a drain.
type fluid struct {
	drain.Entry
	settings policy.Settings
}

func fluids() spec[fluid] {
	return spec[fluid]{
		name:  "intake-output",
		words: "One row for each volume that went in or out by another way than a drain and counts. A patient's balance is intake less output less the net_ml of the drains.",
		day:   func(f fluid) string { return f.settings.Calendar.DayOf(f.At).Label },
		columns: []column[fluid]{
			{Column{"observation_id", Text, "", false, "Logical id of the Observation."}, func(f fluid) cell { return text(f.ID) }},
			{Column{"patient_id", Text, "", false, "Logical id of the Patient."}, func(f fluid) cell { return text(f.Patient) }},
			{Column{"direction", Text, "", false, "intake or output."}, func(f fluid) cell { return text(f.Kind) }},
			{Column{"route", Text, "", true, "Code of what went in or out."}, func(f fluid) cell { return text(f.Route) }},
			{Column{"route_text", Text, "", true, "Its words."}, func(f fluid) cell { return text(f.RouteText) }},
			{Column{"status", Text, "", false, "Observation.status."}, func(f fluid) cell { return text(f.Status) }},
			{Column{"effective_at", Instant, "", false, "When."}, func(f fluid) cell { return at(f.At) }},
			{Column{"day", Date, "", false, "Day by the policy's general calendar."}, func(f fluid) cell { return date(f.settings.Calendar.DayOf(f.At).Label) }},
			{Column{"volume_ml", Decimal, "mL", true, "Volume; empty when it was not measured."}, func(f fluid) cell { return measured(f.Measured.Volume, f.Measured.Known) }},
			{Column{"absent_reason", Text, "", true, "Why nothing was measured: a data-absent-reason code."}, func(f fluid) cell { return text(f.Measured.Absent) }},
			{Column{"performer", Text, "", true, "Who charted it: the first performer."}, func(f fluid) cell { return text(f.DoneBy) }},
		},
	}
}

func patients() spec[*fhirjson.Node] {
	str := func(name string) func(*fhirjson.Node) cell {
		return func(n *fhirjson.Node) cell { return text(n.Str(name)) }
	}
	return spec[*fhirjson.Node]{
		name:  "patient",
		words: "One row for each Patient, without name or identifier.",
		columns: []column[*fhirjson.Node]{
			{Column{"patient_id", Text, "", false, "Logical id of the Patient."}, str("id")},
			{Column{"gender", Text, "", true, "male, female, other or unknown."}, str("gender")},
			{Column{"birth_year", Integer, "a", true, "Year of birth."}, func(n *fhirjson.Node) cell {
				var year int
				for i, r := range n.Str("birthDate") {
					if i == 4 {
						break
					}
					year = year*10 + int(r-'0')
				}
				if year == 0 {
					return cell{}
				}
				return integer(year)
			}},
		},
	}
}

// changed is a row of the table of what to replace.
type changed struct{ kind, id string }

func changes() spec[changed] {
	return spec[changed]{
		name: "changed",
		words: "With _since only, else empty: the drains and patients of which anything may have changed, or which are gone. Delete their rows of before, then add those of this export: " +
			"of a drain in emptying, drain-day, placement, concern and site-assessment; of a patient in intake-output and patient.",
		columns: []column[changed]{
			{Column{"kind", Text, "", false, "drain or patient."}, func(c changed) cell { return text(c.kind) }},
			{Column{"id", Text, "", false, "Value of drain_id or patient_id."}, func(c changed) cell { return text(c.id) }},
		},
	}
}

// delta knows what has changed between two places of the feed.
type delta struct {
	all      bool // a place has moved: wards of anything may be others
	drains   map[string]bool
	patients map[string]bool
}

// sinceFrom reads the feed from where the export before stood; nil without one.
func (t *tabulator) sinceFrom(ctx context.Context) (*delta, error) {
	j := t.job
	if j.Request.Since.IsZero() {
		return nil, nil
	}
	s := &delta{drains: map[string]bool{}, patients: map[string]bool{}}
	note := func(v store.Version) error {
		if v.Deleted() {
			return nil
		}
		f, err := factsOf(v, t.reader())
		switch {
		case err != nil:
			return err
		case f.Entry != nil && f.Entry.Drain != "":
			s.drains[f.Entry.Drain] = true
		case f.Entry != nil:
			s.patients[f.Entry.Patient] = true
		case f.Placement != nil:
			s.drains[f.Placement.Drain] = true
		case f.Concern != nil:
			s.drains[f.Concern.Drain] = true
		case f.Stay != nil:
			s.patients[f.Stay.Patient] = true
		}
		return nil
	}
	for after := j.From; after < j.Horizon; {
		vs, err := t.Store.Changes(ctx, after, overlayPage)
		if err != nil {
			return nil, err
		}
		if len(vs) == 0 {
			break
		}
		for _, v := range vs {
			after = v.Seq
			if v.Seq > j.Horizon {
				break
			}
			switch v.Type {
			case "Device":
				s.drains[v.ID] = true
			case "Patient":
				s.patients[v.ID] = true
			case "Location":
				s.all = true
			case "Observation", "DeviceUseStatement", "DetectedIssue", "Encounter":
				if err := note(v); err != nil {
					return nil, err
				}
				if v.Number > 1 { // what it was about before
					before, err := t.Store.ReadVersion(ctx, v.Key, v.Number-1)
					if err != nil {
						return nil, err
					}
					if err := note(before); err != nil {
						return nil, err
					}
				}
			}
		}
	}
	return s, nil
}

// touches reports whether the rows of a drain may be others than before: it has
// changed, or it was in place, so that the days have gone on.
func (s *delta) touches(c *course) bool {
	if s == nil || s.all || s.drains[c.drain.ID] || s.patients[c.drain.Patient] {
		return true
	}
	for _, p := range c.placements {
		if p.Open() || s.patients[p.Patient] {
			return true
		}
	}
	return false
}

// people writes the rows of the patients.
func (r *run) people(ctx context.Context, t *tabulator) error {
	j := r.job
	settings := policy.Settings{}
	if t.Settings != nil {
		var err error
		if settings, err = t.Settings(ctx, drain.Drain{}, nil); err != nil {
			return err
		}
	}
	after := j.After
	for {
		page, err := r.scan.Scan(ctx, "Patient", after, j.Horizon, 100)
		if err != nil {
			return err
		}
		if len(page) == 0 {
			break
		}
		for _, v := range page {
			after = v.Seq
			if t.since != nil && !t.since.all && !t.since.patients[v.ID] || t.members != nil && !t.members[v.ID] {
				continue
			}
			if t.since != nil {
				if err := t.changed.row(changed{"patient", v.ID}); err != nil {
					return err
				}
			}
			if v.Deleted() {
				continue
			}
			if err := t.person(ctx, v, settings); err != nil {
				return err
			}
			if t.rowsHeld() >= r.FileRows {
				if err := t.close(); err != nil {
					return err
				}
				j.After = after
				if err := r.keep(ctx); err != nil {
					return err
				}
			}
		}
	}
	return nil
}

func (t *tabulator) person(ctx context.Context, v store.Version, settings policy.Settings) error {
	n, err := fhirjson.Parse(v.JSON())
	if err != nil {
		return err
	}
	if t.mayAll("Patient") {
		if err := t.patient.row(n); err != nil {
			return err
		}
	}
	entries, err := t.Store.Entries(ctx, store.EntryQuery{Patient: v.ID})
	if err != nil {
		return err
	}
	if err := t.over.advance(ctx); err != nil {
		return err
	}
	entries = asOf(&t.over, "Observation", ofPatient(v.ID), entries, func(e drain.Entry) string { return e.ID }, func(f store.Facts) *drain.Entry { return f.Entry })
	for _, e := range entries {
		if (e.Kind == drain.Intake || e.Kind == drain.Output) && e.Counts() && t.wants(e.Patient, "", e.At) {
			if err := t.fluid.row(fluid{e, settings}); err != nil {
				return err
			}
		}
	}
	return nil
}

// ofPatient is the key of a patient's own entries and Encounters in the overlay.
func ofPatient(id string) string { return "Patient/" + id }
