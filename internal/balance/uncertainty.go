package balance

import (
	"maps"
	"math"
	"math/big"
	"slices"
	"time"

	"tidemark/internal/drain"
)

// VesselSpec is what a measuring vessel holds and how finely it reads.
type VesselSpec struct {
	Capacity   drain.Volume
	Graduation drain.Volume // step between two marks
	Tolerance  drain.Volume // ± of the vessel itself; 0 where none is stated
	Source     string       // where the figures come from
}

// Vessels are the vessels of a ward. A reading in one that is not listed has no
// uncertainty.
type Vessels map[drain.Vessel]VesselSpec

// CommonPractice is the source of figures for which no published one is known.
const CommonPractice = "common practice, no published source"

// DefaultVessels are plausible vessels of a ward, to be replaced by the ward's
// own. Hospital plastic ware is not bound by the standards for laboratory glass
// (ASTM E1272), so no tolerance is assumed.
func DefaultVessels() Vessels {
	spec := func(capacity int64, graduation *big.Rat) VesselSpec {
		return VesselSpec{Capacity: drain.MLInt(capacity), Graduation: drain.ML(graduation), Source: CommonPractice}
	}
	return Vessels{
		drain.MedicineCup:       spec(30, big.NewRat(5, 2)),
		drain.SpecimenCup:       spec(80, big.NewRat(10, 1)),
		drain.GraduatedCylinder: spec(1000, big.NewRat(50, 1)),
		drain.Syringe:           spec(60, big.NewRat(1, 1)),
		drain.ReservoirMarkings: spec(100, big.NewRat(25, 1)),
		drain.Scale:             spec(2000, big.NewRat(1, 1)), // weighed, 1.0 g/mL
	}
}

// Settings are what a ward's policy says about readings.
type Settings struct {
	// OneEmptying is how long after the first reading of an emptying others belong
	// to it: the second cup, the part that a colleague charts.
	OneEmptying time.Duration
	Vessels     Vessels
	// EstimatedPercent is the half-width of the range in which the true volume of
	// an estimate lies, in percent of the estimate. Not known: an estimate has no
	// uncertainty.
	EstimatedPercent drain.Percent
	// SharedTolerance takes the tolerance of a kind of vessel as one and the same
	// error in every reading of a total, as of one vessel read again and again: it
	// then adds up instead of averaging out (GUM 5.2.2, note 1). Resolution stays
	// independent from reading to reading.
	SharedTolerance bool
}

// OneEmptying is the default of Settings.OneEmptying. Ours, no published source.
const OneEmptying = 15 * time.Minute

// DefaultSettings are the default vessels, and 15 min for one emptying and 20 %
// for estimates: figures of our own, without published source, that a hospital
// has to replace.
func DefaultSettings() Settings {
	return Settings{
		OneEmptying:      OneEmptying,
		Vessels:          DefaultVessels(),
		EstimatedPercent: drain.Percent{Known: true, Value: drain.MLInt(20)},
	}
}

// ReadingU is the standard uncertainty in mL of a measured volume. There is none
// where nothing was measured or the vessel is unknown. That of an estimate is
// the policy's percentage (over √3), or the vessel's where that is more, since a
// guess is never better than a reading; an estimate of 0 mL in no known vessel
// has none, for a percentage of nothing says nothing.
func (s Settings) ReadingU(e drain.Entry) (u float64, ok bool) {
	own, shared, ok := s.components(e)
	return math.Hypot(own, shared), ok
}

// EmptyingU is the standard uncertainty in mL of an emptying, whose readings are
// taken as independent. There is none unless each reading has one.
func (s Settings) EmptyingU(e drain.Emptied) (u float64, ok bool) {
	sum := uncertainty{settings: s}
	for _, r := range e.Readings {
		sum.add(r, 1)
	}
	return sum.expanded() / Expansion, sum.known && !sum.absent
}

// components splits the standard uncertainty of a reading into its own part and
// that of the vessel's tolerance.
func (s Settings) components(e drain.Entry) (own, tolerance float64, ok bool) {
	if !e.Measured.Known {
		return 0, 0, false
	}
	spec := s.Vessels[e.Vessel]
	own = spec.Graduation.Float() / 2 / math.Sqrt(3)
	tolerance = spec.Tolerance.Float() / math.Sqrt(3)
	if e.Estimated && s.EstimatedPercent.Known {
		guess := math.Abs(e.Measured.Volume.Float()) * s.EstimatedPercent.Value.Float() / 100 / math.Sqrt(3)
		if guess > math.Hypot(own, tolerance) {
			own, tolerance = guess, 0
		}
	}
	return own, tolerance, own > 0 || tolerance > 0
}

// uncertainty collects that of a sum, reading by reading.
type uncertainty struct {
	settings      Settings
	squares       float64                  // of what is independent
	shared        map[drain.Vessel]float64 // sum of what is not
	known, absent bool                     // some reading has, or lacks, an uncertainty
}

// add counts the given share of a reading.
func (u *uncertainty) add(e drain.Entry, share float64) {
	own, tolerance, ok := u.settings.components(e)
	if !ok {
		u.absent = true
		return
	}
	u.known = true
	u.squares += share * share * own * own
	if !u.settings.SharedTolerance {
		u.squares += share * share * tolerance * tolerance
		return
	}
	if u.shared == nil {
		u.shared = map[drain.Vessel]float64{}
	}
	u.shared[e.Vessel] += share * tolerance
}

// expanded is U = 2·u.
func (u *uncertainty) expanded() float64 {
	sum := u.squares
	for _, v := range slices.Sorted(maps.Keys(u.shared)) { // in order, for the same last digit every time
		sum += u.shared[v] * u.shared[v]
	}
	return Expansion * math.Sqrt(sum)
}

// Expansion is the coverage factor k of expanded uncertainties, for a level of
// about 95 % (GUM 6.2.1, 6.3.3).
const Expansion = 2

// RateU is the standard uncertainty of the rate volume/hours, the two taken as
// independent (GUM 5.1.2).
func RateU(volume, uVolume, hours, uHours float64) float64 {
	return math.Hypot(uVolume/hours, volume*uHours/(hours*hours))
}

// ChanceBelow is the chance that a true value lies below the threshold, given
// the value found and its standard uncertainty u, which is half of an expanded U
// (normal approximation). Without uncertainty it is 1 or 0; a value exactly on
// the threshold is not below it.
func ChanceBelow(value, u, threshold float64) float64 {
	if u > 0 {
		return math.Erfc((value-threshold)/(u*math.Sqrt2)) / 2
	}
	if value < threshold {
		return 1
	}
	return 0
}
