package bulk

import (
	"cmp"
	"maps"
	"slices"
	"strings"
	"time"

	"tidemark/internal/balance"
	"tidemark/internal/drain"
	"tidemark/internal/escalate"
	"tidemark/internal/policy"
	"tidemark/internal/window"
)

// course is all that is charted of one drain, as of the horizon.
type course struct {
	drain      drain.Drain
	placements []drain.Placement
	entries    []drain.Entry
	concerns   []drain.Concern
	settings   policy.Settings
	now        time.Time // transactionTime
	wards      wards
	admissions bool // the caller may know when a patient was admitted
	recorded   map[string]time.Time
}

// stay is one stay of the drain in a patient, with what was charted during it.
type stay struct {
	*course
	placement       drain.Placement // none where nothing is charted of it
	placed, removed time.Time       // zero: not known, or still in place
	patient         string
	entries         []drain.Entry
}

// stays gives the stays of the drain, the current one as $drain-output sees it:
// with all that is charted since its beginning. What was charted before belongs
// to the placement that held the drain then.
func (c *course) stays() []stay {
	is := escalate.Subject{Drain: c.drain, Placements: c.placements, Entries: c.entries}.Stay(c.now)
	current := stay{course: c, placed: is.PlacedAt(), removed: is.End, patient: c.drain.Patient}
	for _, p := range c.placements {
		if p.Counts() && p.Status == is.Status && p.End.Equal(is.End) && (p.Start.Equal(is.Start) || p.Start.IsZero() && !is.Charted) {
			current.placement, current.patient = p, p.Patient
			break
		}
	}
	earlier := map[string]*stay{}
	for _, e := range c.entries {
		if !e.At.Before(current.placed) {
			current.entries = append(current.entries, e)
			continue
		}
		s := stay{course: c, removed: current.placed, patient: e.Patient}
		for _, p := range c.placements {
			if p.ID != current.placement.ID && p.Counts() && p.Holds(e.At) {
				s.placement, s.placed, s.patient = p, p.Start, p.Patient
				if !p.End.IsZero() && p.End.Before(s.removed) {
					s.removed = p.End
				}
			}
		}
		if earlier[s.placement.ID] == nil {
			earlier[s.placement.ID] = &s
		}
		earlier[s.placement.ID].entries = append(earlier[s.placement.ID].entries, e)
	}
	var out []stay
	for _, id := range slices.Sorted(maps.Keys(earlier)) {
		out = append(out, *earlier[id])
	}
	slices.SortStableFunc(out, func(a, b stay) int { return a.placed.Compare(b.placed) })
	return append(out, current)
}

// emptying is a row of the table of emptyings.
type emptying struct {
	*stay
	iv     balance.Interval // of the emptying that it is a reading of
	entry  drain.Entry
	day    window.Window
	raised []drain.Concern
}

func (s *stay) emptyings() []emptying {
	var out []emptying
	for _, iv := range balance.Intervals(s.entries, s.placed, s.settings.Balance.OneEmptying) {
		for _, r := range iv.Readings {
			e := emptying{stay: s, iv: iv, entry: r, day: s.settings.Calendar.DayOf(r.At)}
			for _, c := range s.concerns {
				if c.Rests(r.ID) {
					e.raised = append(e.raised, c)
				}
			}
			slices.SortFunc(e.raised, func(a, b drain.Concern) int { return cmp.Or(a.Since.Compare(b.Since), cmp.Compare(a.ID, b.ID)) })
			out = append(out, e)
		}
	}
	return out
}

// drainDay is a row of the table of drain-days.
type drainDay struct {
	*stay
	total balance.Total
}

// days gives a row for each day of the ward from placement, or the first
// reading, to removal or now, and as far as there are readings.
func (s *stay) days() ([]drainDay, error) {
	from, to := s.placed, s.now
	if !s.removed.IsZero() && s.removed.Before(to) {
		to = s.removed
	}
	for _, e := range s.entries {
		if e.Kind != drain.Emptying || !e.Counts() {
			continue
		}
		if from.IsZero() || e.At.Before(from) {
			from = e.At
		}
		if !e.At.Before(to) {
			to = e.At.Add(time.Nanosecond)
		}
	}
	if from.IsZero() || !from.Before(to) {
		return nil, nil
	}
	ws, err := s.settings.Calendar.Windows(window.Day, from, to)
	if err != nil {
		return nil, err
	}
	var out []drainDay
	for _, t := range balance.Totals(s.entries, s.placed, s.removed, ws, balance.Charted, s.settings.Balance, s.now) {
		out = append(out, drainDay{stay: s, total: t})
	}
	return out, nil
}

// shift is the name of the ward's shift at t.
func (s *stay) shift(t time.Time) string {
	_, name, _ := strings.Cut(s.settings.Calendar.ShiftOf(t).Label, " ")
	return strings.TrimSuffix(name, " shift")
}

// dayOf is the ward's day of t, "" where it is not known.
func (s *stay) dayOf(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return s.settings.Calendar.DayOf(t).Label
}

// What days are counted from.
const (
	fromEncounter = "encounter"
	fromPlacement = "placement"
)

// operated is what stands for the time of the operation, and what it is of: the
// start of the Encounter in which the drain was placed, else the placement. The
// service keeps no Procedures.
func (s *stay) operated() (time.Time, string) {
	t := s.placed
	if i := slices.IndexFunc(s.entries, drain.Entry.Counts); t.IsZero() && i >= 0 {
		t = s.entries[i].At // they are in order
	}
	if in := drain.During(s.wards.stays[s.patient], t); in != nil && s.admissions && !in.Start.IsZero() {
		return in.Start, fromEncounter
	}
	if s.placed.IsZero() {
		return time.Time{}, ""
	}
	return s.placed, fromPlacement
}

// postOp counts the ward's days from the one in which the patient was operated on.
func (s *stay) postOp(w window.Window) cell {
	operated, _ := s.operated()
	if operated.IsZero() {
		return cell{}
	}
	from, err := time.Parse(time.DateOnly, s.settings.Calendar.DayOf(operated).Label)
	to, err2 := time.Parse(time.DateOnly, w.Label)
	if err != nil || err2 != nil {
		return cell{}
	}
	return integer(int(to.Sub(from) / (24 * time.Hour)))
}

func (s *stay) postOpFrom() cell {
	_, of := s.operated()
	return text(of)
}

// The columns of the post-operative day, the same in both tables.
var (
	postOpDay = Column{"post_op_day", Integer, "1", true, "Days of the ward since the one of post_op_from, which is 0. Empty where neither has a start."}
	postOpOf  = Column{"post_op_from", Text, "", true, "What post_op_day is counted from: encounter (the start of the Encounter in which the drain was placed, so the admission, which may be before the operation; only with the right to read every Encounter), else placement. Do not pool the two."}
)

func emptyings() spec[emptying] {
	entry := func(f func(drain.Entry) cell) func(emptying) cell {
		return func(e emptying) cell { return f(e.entry) }
	}
	return spec[emptying]{
		name: "emptying",
		words: "One row for each reading of an emptying that counts: neither entered in error nor cancelled. The sum of net_ml by drain_id, placement_id and day is " +
			"the net_ml of the table drain-day, except for rounding of volumes charted in ounces and similar units.",
		day: func(e emptying) string { return e.day.Label },
		columns: []column[emptying]{
			{Column{"observation_id", Text, "", false, "Logical id of the Observation."}, entry(func(e drain.Entry) cell { return text(e.ID) })},
			{Column{"patient_id", Text, "", true, "Logical id of the Patient."}, entry(func(e drain.Entry) cell { return text(e.Patient) })},
			{Column{"drain_id", Text, "", false, "Logical id of the Device."}, func(e emptying) cell { return text(e.drain.ID) }},
			{Column{"placement_id", Text, "", true, "Logical id of the DeviceUseStatement by which the drain was in the patient."}, func(e emptying) cell { return text(e.placement.ID) }},
			{Column{"drain_label", Text, "", true, "What the staff call the drain."}, func(e emptying) cell { return text(e.drain.Label) }},
			{Column{"ward_id", Text, "", true, "Logical id of the ward at which the drain was then: that of its patient's Encounter, else of the Device."}, func(e emptying) cell { return text(e.ward(e.entry.At)) }},
			{Column{"place_id", Text, "", true, "Logical id of the place at which the drain was then: the bed, where one is known."}, func(e emptying) cell { return text(e.place(e.entry.At)) }},
			{Column{"compartment", Text, "", false, "Body space that the drain empties: wound, peritoneal, biliary, pleural, pericardial, unspecified."},
				func(e emptying) cell { return text(e.drain.Compartment) }},
			{Column{"site", Text, "", true, "Body site of the placement, as text."}, func(e emptying) cell { return text(e.placement.Site) }},
			{Column{"side", Text, "", true, "Side of the body of that placement."}, func(e emptying) cell { return text(e.placement.Side) }},
			{Column{"status", Text, "", false, "Observation.status: preliminary, final, amended or corrected, for instance."}, entry(func(e drain.Entry) cell { return text(e.Status) })},
			{Column{"effective_at", Instant, "", false, "When the drain was emptied: Observation.effective."}, entry(func(e drain.Entry) cell { return at(e.At) })},
			{Column{"recorded_at", Instant, "", true, "When the first version of the Observation was stored."}, func(e emptying) cell { return at(e.recorded[e.entry.ID]) }},
			{Column{"day", Date, "", false, "Day of the ward, which begins at the day start of its policy and not at midnight."}, func(e emptying) cell { return date(e.day.Label) }},
			{Column{"shift", Text, "", false, "Shift of the ward in which the drain was emptied: its name in the policy."}, func(e emptying) cell { return text(e.shift(e.entry.At)) }},
			{Column{"zone", Text, "", false, "Time zone of the ward, which day and shift are of: an IANA name."}, func(e emptying) cell { return text(e.settings.Calendar.Zone.String()) }},
			{postOpDay, func(e emptying) cell { return e.postOp(e.day) }},
			{postOpOf, func(e emptying) cell { return e.postOpFrom() }},
			{Column{"measured_ml", Decimal, "mL", true, "Volume measured; empty when it was not measured. A measured zero is 0."},
				func(e emptying) cell { return measured(e.entry.Measured.Volume, e.entry.Measured.Known) }},
			{Column{"instilled_ml", Decimal, "mL", false, "Irrigant instilled since the previous emptying."}, entry(func(e drain.Entry) cell { return volume(e.Instilled) })},
			{Column{"net_ml", Decimal, "mL", true, "measured_ml − instilled_ml; it may be negative."}, func(e emptying) cell {
				net, known := e.entry.Net()
				return measured(net, known)
			}},
			{Column{"absent_reason", Text, "", true, "Why nothing was measured: a data-absent-reason code."}, entry(func(e drain.Entry) cell { return text(e.Measured.Absent) })},
			{Column{"estimated", Boolean, "", false, "The volume is an estimate, not a reading."}, entry(func(e drain.Entry) cell { return boolean(e.Estimated) })},
			{Column{"standard_uncertainty_ml", Decimal, "mL", true, "Standard uncertainty of measured_ml from the vessel's graduation (GUM, JCGM 100:2008); empty if the vessel is unknown."},
				func(e emptying) cell {
					u, ok := e.settings.Balance.ReadingU(e.entry)
					return float(u, ok)
				}},
			{Column{"interval_start", Instant, "", true, "Start of the interval in which the volume collected: the previous emptying, or placement; empty if unknown. The readings of one emptying share the interval."}, func(e emptying) cell {
				if e.iv.FirstUnknown {
					return cell{}
				}
				return at(e.iv.Start)
			}},
			{Column{"interval_hours", Decimal, "h", true, "Length of that interval."}, func(e emptying) cell {
				if e.iv.FirstUnknown {
					return cell{}
				}
				return decimal(e.iv.Hours())
			}},
			{Column{"rate_ml_per_h", Decimal, "mL/h", true, "Sum of net_ml over the readings of the emptying, those with the same interval_start, ÷ interval_hours; empty where one of them or interval_hours is, or the interval has no length."}, func(e emptying) cell {
				r, ok := e.iv.PerHour()
				if !ok {
					return cell{}
				}
				return decimal(r)
			}},
			{Column{"vessel", Text, "", true, "Measuring vessel: a code of measuring-vessel."}, entry(func(e drain.Entry) cell { return text(e.Vessel) })},
			{Column{"appearance", Text, "", true, "Appearance of the fluid: a local code such as serous."}, entry(func(e drain.Entry) cell { return text(e.Appearance) })},
			{Column{"appearance_rank", Integer, "1", true, "clear and serous 0, serosanguineous 1, sanguineous 2; other appearances have no rank."}, entry(func(e drain.Entry) cell {
				n, ok := e.Appearance.Rank()
				if !ok {
					return cell{}
				}
				return integer(n)
			})},
			{Column{"colour", Text, "", true, "Colour as charted, in words or as a code."}, entry(func(e drain.Entry) cell { return text(e.Colour) })},
			{Column{"suction", Text, "", true, "charged, lost or off."}, entry(func(e drain.Entry) cell { return text(e.Suction) })},
			{Column{"patency", Text, "", true, "patent, sluggish or occluded."}, entry(func(e drain.Entry) cell { return text(e.Patency) })},
			{Column{"fill_percent", Decimal, "%", true, "Fill of the reservoir before it was emptied."}, entry(func(e drain.Entry) cell { return measured(e.Fill.Value, e.Fill.Known) })},
			{Column{"performer", Text, "", true, "Who charted it: the first performer."}, entry(func(e drain.Entry) cell { return text(e.DoneBy) })},
			{Column{"concerns", Text, "", true, "Concerns that rest on this emptying, open or closed, in order of their start, separated by spaces: fluid, function, site, charting, dwell."}, func(e emptying) cell {
				var kinds []string
				for _, c := range e.raised {
					kinds = append(kinds, c.Kind)
				}
				return list(kinds)
			}},
			{Column{"concern_rules", Text, "", true, "Rules of those concerns that rest on this emptying, in the order of the concerns, separated by spaces."}, func(e emptying) cell {
				var rules []string
				for _, c := range e.raised {
					for _, ev := range c.Evidence {
						if slices.Contains(ev.Readings, e.entry.ID) {
							rules = append(rules, ev.Rule)
						}
					}
				}
				return list(rules)
			}},
			{Column{"concern_ids", Text, "", true, "Logical ids of those DetectedIssues, in the same order."}, func(e emptying) cell {
				var ids []string
				for _, f := range e.raised {
					ids = append(ids, f.ID)
				}
				return list(ids)
			}},
		},
	}
}

func drainDays() spec[drainDay] {
	total := func(f func(balance.Total) cell) func(drainDay) cell {
		return func(d drainDay) cell { return f(d.total) }
	}
	// A day in which nothing was emptied and read has no volume, which is not zero.
	known := func(v func(balance.Total) drain.Volume) func(drainDay) cell {
		return total(func(t balance.Total) cell { return measured(v(t), t.Absent == "") })
	}
	hours := func(d time.Duration) cell { return float(d.Hours(), true) }
	return spec[drainDay]{
		name: "drain-day",
		words: "One row for each stay of a drain in a patient and day of its ward, from placement (or the first reading) to removal or the export. Volumes are attributed as charted: " +
			"to the day in which the drain was emptied. They equal those of $drain-output with period=day, attribution=charted.",
		day: func(d drainDay) string { return d.total.Window.Label },
		columns: []column[drainDay]{
			{Column{"drain_id", Text, "", false, "Logical id of the Device."}, func(d drainDay) cell { return text(d.drain.ID) }},
			{Column{"patient_id", Text, "", true, "Logical id of the Patient that the drain was in."}, func(d drainDay) cell { return text(d.patient) }},
			{Column{"placement_id", Text, "", true, "Logical id of the DeviceUseStatement by which the drain was in the patient."}, func(d drainDay) cell { return text(d.placement.ID) }},
			{Column{"drain_label", Text, "", true, "What the staff call the drain."}, func(d drainDay) cell { return text(d.drain.Label) }},
			{Column{"ward_id", Text, "", true, "Logical id of the ward at which the drain was as the day ended: that of its patient's Encounter, else of the Device."}, func(d drainDay) cell { return text(d.ward(d.total.Window.End)) }},
			{Column{"site", Text, "", true, "Body site of the placement, in words."}, func(d drainDay) cell { return text(d.placement.Site) }},
			{Column{"compartment", Text, "", false, "Body space that the drain empties."}, func(d drainDay) cell { return text(d.drain.Compartment) }},
			{Column{"day", Date, "", false, "Day of the ward."}, total(func(t balance.Total) cell { return date(t.Window.Label) })},
			{postOpDay, func(d drainDay) cell { return d.postOp(d.total.Window) }},
			{postOpOf, func(d drainDay) cell { return d.postOpFrom() }},
			{Column{"start_at", Instant, "", false, "Begin of the day, or of the drain's time within it."}, total(func(t balance.Total) cell { return at(t.Window.Start) })},
			{Column{"end_at", Instant, "", false, "End of the day, or of the drain's time within it; a day that is not over ends with the export."},
				total(func(t balance.Total) cell { return at(t.Window.End) })},
			{Column{"in_place_hours", Decimal, "h", false, "Time in the day with the drain in place."}, total(func(t balance.Total) cell { return hours(t.InPlace) })},
			{Column{"net_ml", Decimal, "mL", true, "Net output: measured_ml − instilled_ml; empty where nothing was emptied and read in the day. Read it with coverage."},
				known(func(t balance.Total) drain.Volume { return t.Net })},
			{Column{"measured_ml", Decimal, "mL", true, "Sum of the measured volumes; empty where nothing was emptied and read in the day."},
				known(func(t balance.Total) drain.Volume { return t.Measured })},
			{Column{"instilled_ml", Decimal, "mL", false, "Sum of the irrigant."}, total(func(t balance.Total) cell { return volume(t.Instilled) })},
			{Column{"expanded_uncertainty_ml", Decimal, "mL", true, "Expanded uncertainty of net_ml, k = 2 (GUM); empty where no reading has one."},
				total(func(t balance.Total) cell { return float(t.U, t.HasU) })},
			{Column{"uncertainty_is_lower_bound", Boolean, "", false, "Some reading has no uncertainty, so that the true one is larger."}, total(func(t balance.Total) cell { return boolean(t.LowerBound) })},
			{Column{"coverage", Decimal, "1", true, "Share, from 0 to 1, of the time in place that lies in intervals of known volume; empty in a day without a reading."}, total(func(t balance.Total) cell {
				if t.N == 0 {
					return cell{}
				}
				return decimal(t.Coverage)
			})},
			{Column{"readings", Integer, "1", false, "Number of measured emptyings."}, total(func(t balance.Total) cell { return integer(t.N) })},
			{Column{"expected_readings", Integer, "1", false, "Readings that the policy's longest time between two emptyings asks for in in_place_hours: whole intervals."}, func(d drainDay) cell {
				if d.settings.Due.Limit <= 0 {
					return integer(0)
				}
				return integer(int(d.total.InPlace / d.settings.Due.Limit))
			}},
			{Column{"preliminary", Boolean, "", false, "Coverage is below 1, or a reading is itself preliminary."}, total(func(t balance.Total) cell { return boolean(t.Preliminary) })},
			{Column{"attribution", Text, "", false, "charted: a volume belongs to the day in which it was charted."}, func(drainDay) cell { return text(balance.Charted) }},
			{Column{"policy_version", Text, "", false, "Version of the ward policy by whose calendar and vessels the figures were made."}, func(d drainDay) cell { return text(d.settings.Version) }},
		},
	}
}
