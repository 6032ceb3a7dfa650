package sim

import (
	"math"

	"tidemark/internal/drain"
)

// Untidy sets each kind of untidy work and charting separately. Shares are in
// percent. All figures are ours; no data back them.
type Untidy struct {
	Scatter   float64 // coefficient of variation of what forms from one emptying to the next
	Misjudged float64 // looks that are one rank off
	Boluses   float64 // intervals in which 15 to 50 mL come at once, after a walk or, charted, milking
	Rounds    float64 // standard deviation in minutes of the time of a round
	Skipped   float64 // rounds on which nobody goes to a drain
	Cups      float64 // emptyings poured out in two cups, each charted
	Doubles   float64 // emptyings that a second person charts too; half of them are withdrawn
	Corrected float64 // entries that are wrong at first and put right within hours
	Late      float64 // entries that are charted one to six hours late
	Vessels   float64 // readings with another vessel charted than was used
	Exact     bool    // readings to 0.1 mL, instead of to the vessel's graduation
}

// Usual is the untidy ward for which the defaults of the rules were chosen.
func Usual() Untidy {
	return Untidy{
		Scatter: 35, Misjudged: 5, Boluses: 2, Rounds: 20, Skipped: 0.5, Cups: 5, Doubles: 0.5, Corrected: 1, Late: 0.5, Vessels: 1,
	}
}

// messy is true with a probability in percent; at zero it draws no random number.
func (b *bed) messy(percent float64) bool {
	return percent > 0 && b.mess.Float64()*100 < percent
}

// wild draws a whole number from lo to hi, both included, from the random numbers for untidiness.
func (b *bed) wild(lo, hi int64) int64 { return lo + b.mess.Int64N(hi-lo+1) }

// collects draws the conditions until the next emptying.
func (t *tube) collects(at int64) {
	u := &t.bed.h.Untidy
	if cv := u.Scatter / 100; cv > 0 {
		// A log-normal factor with a mean of 1. Rounding to thousandths takes away
		// what machines may differ in.
		s2 := math.Log1p(cv * cv)
		t.noise = int64(math.Round(1000 * math.Exp(math.Sqrt(s2)*t.bed.mess.NormFloat64()-s2/2)))
	}
	t.bolus, t.milked = 0, false
	if t.bed.messy(u.Boluses) {
		t.bolus = at + t.bed.wild(20, 220)
		t.milked = t.bed.mess.IntN(2) == 0
	}
}

// write charts an emptying as people do: in one entry or in two, rightly or not,
// soon or late.
func (t *tube) write(o *observation) {
	b, u := t.bed, &t.bed.h.Untidy
	if b.messy(u.Misjudged) {
		o.looks, o.colour = misjudged(o.looks, o.colour, b.mess.IntN(2) == 0)
	}
	if o.vessel != "" && b.messy(u.Vessels) {
		t.fault("charting-vessel", o.at, 24*60)
		o.vessel = [...]drain.Vessel{drain.MedicineCup, drain.SpecimenCup, drain.GraduatedCylinder, drain.Syringe}[b.mess.IntN(4)]
	}
	late := int64(0)
	if b.messy(u.Late) {
		late = b.wild(3600, 6*3600)
		t.fault("charting-late", o.at, late/60+10)
	}
	if mark := vessels[o.vessel].mark; mark > 0 && o.unit == millilitre && o.value >= 4*mark && b.messy(u.Cups) {
		// The time is that of the last cup, since the drain may come out the next minute.
		first, before := *o, b.wild(1, 3)
		first.id, first.at = t.newID(), o.at-before
		first.value = o.value / mark / 3 * 2 * mark
		o.value, o.fill, o.instilled = o.value-first.value, -1, 0
		t.chartLate(&first, before*60+late)
		t.chartLate(o, late)
		return
	}
	again := *o
	if b.messy(u.Corrected) {
		t.corrects(o, late)
	} else {
		t.chartLate(o, late)
	}
	if b.messy(u.Doubles) {
		before := b.wild(2, 12)
		t.fault("charting-double", o.at-before, 24*60)
		again.id, again.at, again.by, again.fill = t.newID(), o.at-before, b.onDuty(o.at, true), -1
		t.chartLate(&again, before*60+late)
		if b.mess.IntN(2) == 0 {
			void := again
			void.status, void.remark = "entered-in-error", "The same emptying, charted already."
			t.replace(&again, &void, b.wild(30, 300))
		}
	}
}

// corrects charts an emptying wrongly and corrects it later: mostly the volume or
// the look is wrong, seldom the decimal point.
func (t *tube) corrects(o *observation, late int64) {
	b, wrong := t.bed, *o
	t.fault("charting-wrong", o.at, 24*60)
	switch kind := b.mess.IntN(10); {
	case kind == 0:
		wrong.value *= 10
		o.remark = "Decimal point corrected."
	case kind < 5:
		wrong.value = o.value * b.wild(50, 200) / 100
		if mark := vessels[o.vessel].mark; mark > 0 {
			wrong.value = wrong.value / mark * mark
		}
	default:
		wrong.looks, wrong.colour = misjudged(o.looks, o.colour, b.mess.IntN(2) == 0)
	}
	o.status = "corrected"
	t.chartLate(&wrong, late)
	t.replace(&wrong, o, b.wild(20, 240))
}

// misjudged is a look one rank darker or lighter; a look without a rank does not
// change.
func misjudged(a drain.Appearance, colour string, darker bool) (drain.Appearance, string) {
	looks := [...]struct {
		drain.Appearance
		colour string
	}{{drain.Serous, "yellow"}, {drain.Serosanguineous, "pink"}, {drain.Sanguineous, "red"}}
	for i, l := range looks {
		if l.Appearance != a {
			continue
		}
		if darker && i < len(looks)-1 || i == 0 {
			return looks[i+1].Appearance, looks[i+1].colour
		}
		return looks[i-1].Appearance, looks[i-1].colour
	}
	return a, colour
}
