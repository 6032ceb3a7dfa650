// Package drain owns the vocabulary of the trade: drains, where and when they
// were placed, and what is charted of them. Its types are what rules compute
// with. It knows neither FHIR nor a store, and holds no rule about what the
// figures mean.
package drain

import (
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

// Rank orders clear 0 < serous 1 < serosanguineous 2 < sanguineous 3, the
// order of nursing teaching; other appearances have none.
func (a Appearance) Rank() (int, bool) {
	switch a {
	case Clear:
		return 0, true
	case Serous:
		return 1, true
	case Serosanguineous:
		return 2, true
	case Sanguineous:
		return 3, true
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
	Suction    Suction
	Patency    Patency
	Fill       Percent // of the reservoir before emptying
	Signs      []Sign  // site assessment: signs present, sorted
	Assessed   bool    // site assessment: at least one sign was judged
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

// Finding is the life of one DetectedIssue that the service keeps: one per
// drain and rule while the condition lasts.
type Finding struct {
	ID           string // logical id of the DetectedIssue
	Version      int64
	Drain        string
	Patient      string
	Rule         string
	Severity     Severity
	Since        time.Time // identifiedPeriod.start
	Until        time.Time // identifiedPeriod.end; zero while open
	Withdrawn    bool      // closed because its evidence was withdrawn
	Acknowledged time.Time // zero until somebody did
	Announced    time.Time // last time it was announced
	Evidence     []string  // ids of the Observations it rests on, sorted
	Text         string
	Policy       string // version hash of the policy it was judged by
}

// Open reports whether the condition still lasts.
func (f Finding) Open() bool { return f.Until.IsZero() }

// Stay says at which ward a patient is, from an Encounter.
type Stay struct {
	ID      string
	Patient string
	Open    bool     // the Encounter is arrived, triaged, in-progress or on leave
	Places  []string // logical ids of its Locations, the current one last
	Start   time.Time
}

// Place is a Location and the one it is part of: bed, room, ward.
type Place struct {
	ID     string
	Name   string
	PartOf string
}
