package sim

import (
	"strconv"
	"time"

	"tidemark/internal/drain"
)

// fluids are what goes in and out of a patient without a drain. Amounts are in
// µL, times in minutes.
type fluids struct {
	bed     *bed
	grams   int64 // body weight
	bladder int64
	now     int64
	entries int
	feeding bool // by tube, at a steady rate

	urine, drink, drip, feed, weigh, vomit int64 // when next
	dripEnds                               int64
}

func (b *bed) newFluids() fluids {
	f := fluids{bed: b, grams: b.between(520, 980) * 100, now: b.admit}
	f.urine = b.admit + b.between(60, 240)
	f.drink = b.admit + b.between(180, 420)
	f.drip = b.admit + 240
	f.dripEnds = b.admit + b.between(30, 60)*60
	f.feed = f.drip
	f.weigh = f.morning(b.admit)
	f.vomit = never
	if b.chance(30) {
		f.vomit = b.admit + b.between(120, 900)
	}
	return f
}

// morning is half past six of the next day, or so.
func (f *fluids) morning(at int64) int64 {
	t := f.bed.h.clock(at)
	return time.Date(t.Year(), t.Month(), t.Day()+1, 6, 30, 0, 0, t.Location()).Unix()/60 + f.bed.between(-15, 15)
}

func (f *fluids) next() int64 { return min(f.urine, f.drink, f.drip, f.feed, f.weigh, f.vomit) }

// Rates in mL are ours, those of an adult who recovers.
const (
	dripRate = 80  // mL/h by vein at first
	feedRate = 60  // mL/h by feeding tube
	madeRate = 900 // µL of urine an hour and kg
)

func (f *fluids) act(at int64) {
	b := f.bed
	f.bladder += f.grams / 1000 * madeRate * (at - f.now) / 60
	f.now = at
	hour := b.h.clock(at).Hour()
	switch at {
	case f.urine:
		v := f.bladder * b.between(85, 100) / 100
		f.bladder -= v
		f.chart(at, codeUrine, drain.GraduatedCylinder, v, vessels[drain.GraduatedCylinder].mark)
		f.urine = at + b.between(190, 300)
	case f.drink:
		if hour >= 7 && hour < 22 {
			f.chart(at, codeOral, "", b.between(100, 350)*1000, 50_000)
		}
		f.drink = at + b.between(110, 240)
	case f.drip:
		f.chart(at, codeIV, "", dripRate*4*1000, 1000)
		if f.drip += 240; f.drip > f.dripEnds {
			f.drip = never
		}
	case f.feed:
		if f.feeding {
			f.chart(at, codeEnteral, "", feedRate*4*1000, 1000)
		}
		f.feed += 240
	case f.weigh:
		o := f.observe(at, codeWeight)
		o.value, o.unit = (f.grams+b.between(-4, 4)*100)*1000, kilogram
		b.chart(o)
		f.weigh = f.morning(at)
	case f.vomit:
		f.chart(at, codeEmesis, "", b.between(50, 200)*1000, 10_000)
		f.vomit = never
	}
}

func (f *fluids) observe(at int64, code string) *observation {
	f.entries++
	return &observation{
		id: f.bed.patient + "-fluid-" + strconv.Itoa(f.entries), status: "final", patient: f.bed.patient, code: code, at: at, zone: f.bed.h.Zone,
		by: f.bed.onDuty(at, true), fill: -1, posted: at*60 + f.bed.between(60, 900),
	}
}

func (f *fluids) chart(at int64, code string, vessel drain.Vessel, v, mark int64) {
	o := f.observe(at, code)
	o.value, o.unit, o.vessel = (v+mark/2)/mark*mark, millilitre, vessel
	f.bed.chart(o)
}
