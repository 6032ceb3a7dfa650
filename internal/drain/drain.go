// Package drain owns the vocabulary of the trade: drains, where and when they
// were placed, and what is charted of them. Its types are what rules compute
// with. It knows neither FHIR nor a store, and holds no rule about what the
// figures mean.
package drain

import (
	"slices"
	"strings"
	"time"
)

// Compartment is the body space that a drain empties.
type Compartment string

// Compartments, each with a LOINC code for its output in package fhirmap.
const (
	Wound       Compartment = "wound"
	Peritoneal  Compartment = "peritoneal"
	Biliary     Compartment = "biliary"
	Pleural     Compartment = "pleural"
	Pericardial Compartment = "pericardial"
	Unspecified Compartment = "unspecified"
)

// Drain is one closed-suction drain: a tube and its reservoir.
type Drain struct {
	ID      string
	Patient string // logical id of the Patient that Device.patient names, may be ""
	Ward    string // logical id of the Location that Device.location names, may be ""
	Label   string // what the staff call it: "Drain 1, left axilla"
	Type    string // local drain-type code: bulb, spring-reservoir, …
	// Capacity of the reservoir; the zero Volume when the Device does not say.
	Capacity    Volume
	Compartment Compartment
	Active      bool // Device.status is active
	// Moves are the places that Device.location named, with the times from which
	// it did, oldest first, where they are asked for. Stores do not keep them.
	Moves []Move
}

// PlacementStatus is DeviceUseStatement.status.
type PlacementStatus string

// The statuses that matter to a rule; others leave the placement uncounted.
const (
	PlacementActive    PlacementStatus = "active"
	PlacementCompleted PlacementStatus = "completed"
	PlacementStopped   PlacementStatus = "stopped" // unplanned: pulled out or dislodged
	PlacementOnHold    PlacementStatus = "on-hold"
	PlacementIntended  PlacementStatus = "intended"
	PlacementError     PlacementStatus = "entered-in-error"
)

// Placement says in which patient a drain was, and from when to when.
type Placement struct {
	ID      string
	Drain   string
	Patient string
	Status  PlacementStatus
	Start   time.Time // zero: not said
	End     time.Time // zero: still in place
	Site    string    // words for the body site
	Side    string    // left, right, or ""
}

// Counts reports whether the placement says that the drain really was placed.
func (p Placement) Counts() bool {
	return p.Status != PlacementError && p.Status != PlacementIntended
}

// Holds reports whether the drain was in place at t: Start is included, and so
// is End, since the last emptying is charted as the drain comes out.
func (p Placement) Holds(t time.Time) bool {
	return p.Counts() && (p.Start.IsZero() || !t.Before(p.Start)) && (p.End.IsZero() || !t.After(p.End))
}

// Open reports whether the drain is still in place by this placement.
func (p Placement) Open() bool {
	return p.Counts() && p.End.IsZero() && p.Status != PlacementCompleted && p.Status != PlacementStopped
}

// Kind is what sort of thing was charted.
type Kind string

// Kinds of entries.
const (
	Emptying Kind = "emptying"        // the reservoir was emptied and its content measured
	Check    Kind = "check"           // the reservoir was looked at, not emptied
	Site     Kind = "site-assessment" // the skin and suture around the tube
	Intake   Kind = "intake"          // fluid in, no drain
	Output   Kind = "output"          // fluid out, no drain
	Weight   Kind = "weight"          // body weight, for urine per kilogram
)

// Appearance of drain fluid, the local codes.
type Appearance string

// Appearances. The first four are ranked for "lighter" and "darker".
const (
	Clear           Appearance = "clear"
	Serous          Appearance = "serous"
	Serosanguineous Appearance = "serosanguineous"
	Sanguineous     Appearance = "sanguineous"
	Purulent        Appearance = "purulent"
	Bilious         Appearance = "bilious"
	Chylous         Appearance = "chylous"
	Feculent        Appearance = "feculent"
	UrineLike       Appearance = "urine-like"
	OtherLook       Appearance = "other"
)

// Rank orders clear and serous 0 < serosanguineous 1 < sanguineous 2, the order of
// nursing teaching; other appearances have none.
func (a Appearance) Rank() (int, bool) {
	switch a {
	case Clear, Serous:
		return 0, true
	case Serosanguineous:
		return 1, true
	case Sanguineous:
		return 2, true
	}
	return 0, false
}

// Suction is the state of the reservoir after it was closed.
type Suction string

// Suction states.
const (
	Charged Suction = "charged" // compressed and staying so
	Lost    Suction = "lost"    // the closed reservoir re-expanded
	Off     Suction = "off"     // deliberately without suction
)

// Patency of the tube.
type Patency string

// Patency states.
const (
	Patent   Patency = "patent"
	Sluggish Patency = "sluggish"
	Occluded Patency = "occluded"
)

// Vessel is what the fluid was measured in; it gives the reading its resolution.
type Vessel string

// Vessels; their capacities and graduations are settings of the ward policy.
const (
	MedicineCup       Vessel = "medicine-cup"
	SpecimenCup       Vessel = "specimen-cup"
	GraduatedCylinder Vessel = "graduated-cylinder"
	Syringe           Vessel = "syringe"
	ReservoirMarkings Vessel = "reservoir-markings"
	Scale             Vessel = "scale"
)

// Care is what was done to a drain beside emptying it.
type Care string

// Care of a drain.
const (
	PortCleaned     Care = "port-cleaned"
	TubingMilked    Care = "tubing-milked" // or stripped: explains a bolus
	ReSecured       Care = "re-secured"
	DressingChanged Care = "dressing-changed"
	Recompressed    Care = "recompressed"
)

// Sign is one finding of a site assessment.
type Sign string

// Signs. SutureLoose is the absence of an intact suture.
const (
	Redness     Sign = "redness"
	Swelling    Sign = "swelling"
	Warmth      Sign = "warmth"
	Tenderness  Sign = "tenderness"
	Leakage     Sign = "leakage"
	SutureLoose Sign = "suture-loose"
	Pus         Sign = "pus"
)

// Entry is one charted Observation that rules compute with.
type Entry struct {
	ID      string // logical id of the Observation
	Version int64
	Kind    Kind
	Drain   string // "" for Intake, Output, Weight
	Patient string
	At      time.Time // Observation.effectiveDateTime, or the end of effectivePeriod
	Status  string    // Observation.status

	Measured   Measure // Emptying, Intake, Output: as charted, in mL
	Instilled  Volume  // irrigant put in since the last emptying; zero if none
	Estimated  bool    // method says estimated
	Vessel     Vessel
	Appearance Appearance
	Colour     string // code or words as charted; kept apart from appearance, since milky may be pus or chyle
	Odour      string // code or words as charted
	Suction    Suction
	Patency    Patency
	Care       []Care  // what was done beside emptying, sorted
	Fill       Percent // of the reservoir before emptying
	Signs      []Sign  // site assessment: signs present, sorted
	Assessed   bool    // site assessment: at least one sign was assessed
	Dislodged  bool    // charted as out
	Route      string  // Intake, Output: LOINC or local code of what went in or out
	RouteText  string  // its words
	Kilograms  Volume  // Weight: in kg (an exact number, whatever the unit)
	DoneBy     string  // first performer reference
}

// Counts reports whether an entry counts in any figure: rules.md section 1.
func (e Entry) Counts() bool {
	switch e.Status {
	case "entered-in-error", "cancelled":
		return false
	}
	return true
}

// Preliminary reports whether the entry makes its window preliminary.
func (e Entry) Preliminary() bool { return e.Status == "preliminary" || e.Status == "registered" }

// Did reports whether that care is charted.
func (e Entry) Did(c Care) bool { return slices.Contains(e.Care, c) }

// Foul reports whether the odour is charted as one that pus or bowel content has.
func (e Entry) Foul() bool { return foul[strings.ToLower(strings.TrimSpace(e.Odour))] }

// foul are the codes and words of a foul odour. Words beyond them are kept and
// shown; guessing at free text would take "not foul" for foul.
var foul = map[string]bool{
	"foul": true, "foul-smelling": true, "foul smelling": true, "offensive": true, "malodorous": true, "putrid": true,
	"fetid": true, "foetid": true, "fecal": true, "faecal": true, "feculent": true,
}

// Net is measured minus instilled; it may be negative and stays visible so.
// The second result is false where nothing was measured.
func (e Entry) Net() (Volume, bool) {
	if !e.Measured.Known {
		return Volume{}, false
	}
	return e.Measured.Volume.Sub(e.Instilled), true
}

// Measure is a measured volume, or the reason why there is none. A measured
// zero is Known with volume 0, never absent.
type Measure struct {
	Known  bool
	Volume Volume
	Absent string // data-absent-reason code, when not Known
}

// Percent is a share in percent, exact; Known tells 0 % from not charted.
type Percent struct {
	Known bool
	Value Volume
}

// Before orders entries by time, then by id, so that equal times have one order.
func (e Entry) Before(o Entry) bool {
	if !e.At.Equal(o.At) {
		return e.At.Before(o.At)
	}
	return e.ID < o.ID
}

// Severity of a finding, as http://hl7.org/fhir/detectedissue-severity has it.
type Severity string

// Severities.
const (
	High     Severity = "high"
	Moderate Severity = "moderate"
	Low      Severity = "low"
)

// Weight orders severities: 0 for none, 3 for high.
func (s Severity) Weight() int {
	switch s {
	case High:
		return 3
	case Moderate:
		return 2
	case Low:
		return 1
	}
	return 0
}

// Concern is all that is wrong with one drain in one respect, and the life of the
// DetectedIssue that the service keeps of it: one per drain and kind while any of
// its rules holds.
type Concern struct {
	ID           string // logical id of the DetectedIssue
	Version      int64
	Drain        string
	Patient      string
	Kind         string    // package concern names the kinds
	Severity     Severity  // that of the worst rule now, or when the last one ended
	Since        time.Time // identifiedPeriod.start
	Until        time.Time // identifiedPeriod.end; zero while open
	Withdrawn    bool      // closed because its evidence was withdrawn
	Headline     string    // one line that can be read out on the telephone
	Evidence     []Evidence
	Announced    Announced
	Acknowledged Acknowledged
	Policy       string // version hash of the policy it was evaluated by
}

// Evidence is one rule that holds, of a concern.
type Evidence struct {
	Rule     string
	Severity Severity
	Since    time.Time
	Text     string   // one sentence with its figures
	Readings []string // ids of the Observations that it rests on, sorted
}

// Announced is when people were last told of a concern, and why.
type Announced struct {
	At     time.Time
	Reason string // package concern names the reasons
}

// Acknowledged is the last acknowledgement of a concern, and how things stood then.
type Acknowledged struct {
	At       time.Time // zero: nobody did
	By       string
	Severity Severity
	High     []string // the rules of high severity that were known by then, sorted
	Void     string   // why it no longer holds: "acknowledged 10:05, worse since: 210 mL"
}

// Holds reports whether somebody acknowledged the concern as it is.
func (a Acknowledged) Holds() bool { return !a.At.IsZero() && a.Void == "" }

// Open reports whether the concern still lasts.
func (c Concern) Open() bool { return c.Until.IsZero() }

// Rests reports whether the reading is among the evidence.
func (c Concern) Rests(reading string) bool {
	for _, e := range c.Evidence {
		if slices.Contains(e.Readings, reading) {
			return true
		}
	}
	return false
}

// Holds reports whether the rule is among the evidence.
func (c Concern) Holds(rule string) bool {
	return slices.ContainsFunc(c.Evidence, func(e Evidence) bool { return e.Rule == rule })
}

// OfFinding completes a concern that was kept when each rule had an issue of its
// own: its kind is the rule's name, its headline the rule's text.
func (c Concern) OfFinding(readings []string, acknowledged, announced time.Time) Concern {
	c.Evidence = []Evidence{{Rule: c.Kind, Severity: c.Severity, Since: c.Since, Text: c.Headline, Readings: readings}}
	c.Announced.At = announced
	if acknowledged.IsZero() {
		return c
	}
	c.Acknowledged = Acknowledged{At: acknowledged, Severity: c.Severity}
	if c.Severity == High {
		c.Acknowledged.High = []string{c.Kind}
	}
	if acknowledged.Before(announced) {
		c.Acknowledged.Void = "announced again since"
	}
	return c
}

// Stay says where a patient is, from an Encounter.
type Stay struct {
	ID       string
	Patient  string
	Open     bool     // the Encounter is arrived, triaged, in-progress or on leave
	Finished bool     // the Encounter is finished: the patient has gone home
	Places   []string // logical ids of its Locations, the current one last
	Start    time.Time
	End      time.Time // zero: not said
	// Moves are the places with the times from which the patient was there, oldest
	// first, where they are asked for. Stores do not keep them.
	Moves []Move
}

// Move is an arrival at a place.
type Move struct {
	Place string
	From  time.Time // zero: from the beginning
}

// Place is a Location and the one it is part of: bed, room, ward.
type Place struct {
	ID     string
	Name   string
	PartOf string
	Kind   string // code of Location.physicalType: bd a bed, ro a room, wa a ward; "" where not said
}

// Walk is a planned walk or journey of a patient, from a Task. The drain is to
// be emptied before it.
type Walk struct {
	ID      string
	Patient string
	Start   time.Time
	End     time.Time // zero: not said
	Open    bool      // neither completed nor cancelled
}
