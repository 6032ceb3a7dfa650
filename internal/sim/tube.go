package sim

import (
	"fmt"
	"strconv"
	"time"

	"tidemark/fhirmap"
	"tidemark/internal/drain"
	"tidemark/internal/fhirjson"
)

// tube is one drain in its patient: the fluid, and the charting of it. Amounts
// are in µL, rates in µL/h, times in minutes.
type tube struct {
	bed   *bed
	id    string
	label string
	port  *port
	since int64 // placed
	out   bool  // no longer in place

	// The fluid, as it is at now. formed + irrigant = emptied + content + pool + lost.
	now       int64
	flow      int64 // forms by the course of healing
	decay     int64 // minutes until the flow falls to a third
	extra     int64 // forms besides
	noise     int64 // of flow, in thousandths
	pool      int64 // in the body space
	content   int64 // in the reservoir
	formed    int64
	irrigant  int64
	emptied   int64
	lost      int64 // past the tube, or taken up by the body
	suction   drain.Suction
	patency   drain.Patency
	looks     drain.Appearance // "" as healing has it
	colour    string
	reddens   int64 // minutes of age up to which healing looks sanguineous
	pales     int64 // and serosanguineous
	signs     []drain.Sign
	instilled int64 // since the last emptying
	poured    int64 // when it was last emptied

	// The charting.
	entries   int
	beats     []beat
	round     int64 // when the next round comes by
	peep      int64 // when somebody looks at the reservoir in passing
	assessed  int64 // number of the shift that last assessed the site
	neglected bool
	lateUntil int64
	habit     drain.Vessel // what this drain's people like to measure in; "" what fits
	vessel    drain.Vessel // what the next emptying is measured in; "" by habit
	units     bool
	unsaid    bool  // nobody charts that it is blocked
	bolus     int64 // when one comes; 0: none
	milked    bool  // and it comes because somebody milked the tube

	events []Event // that last
}

// place puts the i-th drain of the course in and posts it. The first follows the
// course, the others heal.
func (b *bed) place(i int) *tube {
	c, p := b.course, &b.course.ports[i]
	t := &tube{
		bed: b, id: fmt.Sprintf("%s-drain-%d", b.patient, i+1), port: p, label: fmt.Sprintf("Drain %d, %s", i+1, words(p)),
		since: b.admit - b.between(20, 90), noise: 1000, suction: drain.Charged, patency: drain.Patent,
		flow: c.flow * b.between(850, 1150), decay: c.decay * 60,
		reddens: b.between(8, 16) * 60, pales: b.between(32, 60) * 60, assessed: -1, units: c.units,
	}
	if p.kind == "biliary" {
		t.suction = drain.Off
	}
	switch {
	case b.chance(12):
		t.habit = drain.Syringe
	case p.holds == 100 && b.chance(8):
		t.habit = drain.ReservoirMarkings
	case b.chance(10):
		t.habit = drain.Scale
	}
	if i > 0 {
		t.flow, t.decay = b.between(4000, 7000), b.between(30, 50)*60
	} else {
		t.beats = c.beats
		if age := b.anchor - int64(c.dwell/minutes); c.dwell > 0 && age < t.since {
			t.since = age
		}
	}
	if b.h.Events > 0 {
		t.draw()
	}
	for len(t.beats) > 0 && t.time(t.beats[0]) <= b.admit {
		t.beats = t.beats[1:]
	}
	// What formed before the patient came to the ward was emptied in theatre.
	t.now = b.admit
	t.collects(b.admit)
	t.after(b.admit)
	t.round = min(t.round, max(t.since+246, b.admit+30)) // theatre said when it was placed
	b.h.node(b.admit, t.device(true))
	b.h.node(b.admit, t.placement("active", never))
	return t
}

func words(p *port) string {
	if p.side == "" {
		return p.site
	}
	return p.side + " " + p.site
}

// run lets the fluid run until a time.
func (t *tube) run(to int64) {
	for t.now < to {
		step := min(15, to-t.now)
		t.tick(step)
		t.now += step
	}
}

// Rates of the model, all ours. Suction takes the pool out with a time constant
// of 15 min at best, gravity alone in 3 h. How suction falls with the fill is
// after bench figures of compressible reservoirs: about 65 % of the peak at
// about 30 % (Wounds 2013, 25(1):15–19).
const (
	draw    = 4000    // thousandths of the pool an hour
	gravity = 330     // the same without suction
	seep    = 400     // least µL/h that a wound forms
	brims   = 120_000 // µL in the pool beyond which it leaks past the tube
)

func (t *tube) tick(m int64) {
	t.flow -= t.flow * m / t.decay
	wavers := t.bed.between(-110, 110)
	forms := (max(t.flow, seep)*t.noise/1000 + t.extra) * m / 60
	if t.bed.h.Untidy.Scatter > 0 {
		forms = (max(t.flow, seep) + t.extra) * t.noise / 1000 * m / 60
	} else {
		t.noise += (1000-t.noise)*m/120 + wavers
	}
	if t.bolus > t.now && t.bolus <= t.now+m {
		forms += t.bed.wild(15, 50) * 1000
	}
	t.formed += forms
	t.pool += forms

	holds := t.port.holds * 1000
	pull := int64(gravity)
	if t.suction == drain.Charged {
		full := t.content * 1000 / holds
		strength := 1000 - full*350/300
		if full > 300 {
			strength = 650 - (full-300)*550/700
		}
		pull = max(pull, draw*strength/1000)
	}
	switch t.patency {
	case drain.Sluggish:
		pull /= 2
	case drain.Occluded:
		pull = 0
	}
	out := min(t.pool*pull*m/60_000, holds-t.content)
	t.pool -= out
	t.content += out
	if over := t.pool - brims; over > 0 {
		t.pool -= over * m / 120
		t.lost += over * m / 120
	}
}

// time is when a beat comes.
func (t *tube) time(b beat) int64 { return t.bed.anchor - int64(b.before/minutes) }

// next is when something happens to the drain.
func (t *tube) next() int64 {
	switch {
	case t.out:
		return never
	case len(t.beats) > 0 && t.neglected:
		return t.time(t.beats[0])
	case len(t.beats) > 0:
		return min(t.time(t.beats[0]), t.round, t.peep)
	case t.neglected:
		return never
	}
	return min(t.round, t.peep)
}

func (t *tube) act(at int64) {
	if len(t.beats) > 0 && t.time(t.beats[0]) <= at {
		do := t.beats[0].do
		t.beats = t.beats[1:]
		do(t, at)
		return
	}
	if t.round <= at {
		if t.bed.messy(t.bed.h.Untidy.Skipped) {
			t.run(at)
			t.after(at)
			t.fault("charting-skipped", at, 24*60)
			return
		}
		visit(t, at)
		if t.bed.shift(at) != t.assessed {
			t.assess(at + 1)
		}
		return
	}
	t.run(at)
	t.peep = at + t.bed.between(50, 70)
	// Somebody passes, more seldom by night. At least half full is emptied, once
	// it is seen; otherwise few write down that they looked.
	seen := 90
	if t.bed.shift(at)&1 == 1 {
		seen = 75
	}
	switch half := t.content*2 >= t.port.holds*1000; {
	case half && t.bed.chance(seen):
		visit(t, at)
	case !half && t.bed.chance(5):
		look(t, at)
	}
}

// after plans the next round: every four hours from two in the morning, in the
// order of the beds, and no later than four hours and a little after the last
// emptying.
func (t *tube) after(at int64) {
	b := t.bed
	soonest := b.h.clock(at + 110)
	wait := (2 - soonest.Hour()%4 + 4) % 4
	if wait == 0 {
		wait = 4
	}
	slot := time.Date(soonest.Year(), soonest.Month(), soonest.Day(), soonest.Hour()+wait, 0, 0, 0, b.h.Zone).Unix() / 60
	walk := int64(b.number*45/b.h.Patients) + b.between(-4, 4)
	t.round = min(max(slot+walk, at+60), at+246)
	if sd := b.h.Untidy.Rounds; sd > 0 {
		t.round = max(t.round+int64(b.mess.NormFloat64()*sd), at+20)
	}
	t.peep = at + b.between(50, 70)
}

func (t *tube) newID() string {
	t.entries++
	return t.id + "-" + strconv.Itoa(t.entries)
}

// observe starts an entry.
func (t *tube) observe(at int64, code string) *observation {
	return &observation{
		id: t.newID(), status: "final", patient: t.bed.patient, device: t.id, code: code, at: at, zone: t.bed.h.Zone,
		by: t.bed.onDuty(at, t.bed.chance(40)), fill: -1,
	}
}

// look is how the fluid looks.
func (t *tube) look(at int64) (drain.Appearance, string) {
	age := at - t.since
	switch {
	case t.looks != "":
		return t.looks, t.colour
	case t.port.space == drain.Biliary:
		return drain.Bilious, "green"
	case age < t.reddens:
		return drain.Sanguineous, "red"
	case age < t.pales:
		return drain.Serosanguineous, "pink"
	}
	return drain.Serous, "yellow"
}

// full is the fill as people estimate it: in steps of 5 %.
func (t *tube) full() int64 { return (t.content*200/(t.port.holds*1000) + 5) / 10 * 5 }

// empty empties the reservoir and gives the entry of it.
func (t *tube) empty(at int64) *observation {
	t.run(at)
	o := t.observe(at, t.port.output())
	o.fill = t.full()
	o.looks, o.colour = t.look(at)
	o.suction, o.instilled = t.suction, t.instilled
	if (t.patency != drain.Patent || t.bed.chance(25)) && !t.unsaid {
		o.patency = t.patency
	}
	o.milked = t.milked && t.bolus < at
	t.read(o)
	t.emptied += t.content
	t.content, t.instilled, t.poured = 0, 0, at
	t.collects(at)
	t.after(at)
	return o
}

// read measures what is in the reservoir, in a vessel that holds it.
func (t *tube) read(o *observation) {
	v := t.content
	vessel := t.vessel
	if vessel == "" {
		vessel = t.habit
	}
	if vessel == "" || v > vessels[vessel].holds {
		switch {
		case v <= 27_500:
			vessel = drain.MedicineCup
		case v <= 84_000 && v > 75_000:
			vessel = drain.Scale
		case v <= 75_000:
			vessel = drain.SpecimenCup
		case v <= 400_000 && t.bed.chance(50):
			vessel = drain.Scale
		case v <= 950_000:
			vessel = drain.GraduatedCylinder
		default:
			vessel = drain.Scale
		}
	}
	o.vessel, o.unit = vessel, millilitre
	o.estimated = vessel == drain.ReservoirMarkings
	mark := vessels[vessel].mark
	if t.bed.h.Untidy.Exact {
		mark = 100
	}
	o.value = (v + mark/2) / mark * mark
	if t.units {
		o.unit = unit(1 + t.bed.rand.IntN(len(units)-1))
		if o.unit == ounce {
			// The cup's other scale has marks of an eighth of a fluid ounce; a vessel
			// is not charted, since its marks in mL are others.
			o.vessel = ""
			o.value = (v*8 + ounceSize/2) / ounceSize
		}
	}
}

// vessels in µL: what they hold and their marks. Common practice, no published
// source; the same as the default ward policy.
var vessels = map[drain.Vessel]struct{ holds, mark int64 }{
	drain.MedicineCup:       {30_000, 2_500},
	drain.SpecimenCup:       {80_000, 10_000},
	drain.GraduatedCylinder: {1_000_000, 50_000},
	drain.Syringe:           {60_000, 1_000},
	drain.ReservoirMarkings: {100_000, 25_000},
	drain.Scale:             {2_000_000, 1_000},
}

// check looks at the reservoir and gives the entry of it.
func (t *tube) check(at int64) *observation {
	t.run(at)
	o := t.observe(at, codeCheck)
	o.fill, o.suction = t.full(), t.suction
	return o
}

// assess looks at the site and charts it; that is a nurse's.
func (t *tube) assess(at int64) {
	t.assessed = t.bed.shift(at)
	o := t.observe(at, codeSite)
	o.by = t.bed.onDuty(at, false)
	o.assessed, o.signs = true, t.signs
	t.chart(o)
}

// chart posts an entry some minutes after its time, or when the shift at last
// sits down to it.
func (t *tube) chart(o *observation) { t.chartLate(o, 0) }

// chartLate does so some seconds later.
func (t *tube) chartLate(o *observation, late int64) {
	o.posted = o.at*60 + t.bed.between(60, 480) + late
	if o.at < t.lateUntil {
		o.posted = t.lateUntil*60 + t.bed.between(0, 900)
	}
	t.bed.chart(o)
}

// replace posts a better version of an entry.
func (t *tube) replace(old, better *observation, after int64) {
	better.posted = old.posted + after*60
	t.bed.chart(better)
}

func (b *bed) chart(o *observation) { b.h.put(0, o.posted, "Observation", o.id, o) }

// remove takes the drain out as planned, emptied a last time.
func (t *tube) remove(at int64) {
	visit(t, at)
	t.end(at, "completed")
}

func (t *tube) end(at int64, status string) {
	t.out = true
	t.over(at)
	b := t.bed
	b.h.put(at, 10*60, "DeviceUseStatement", t.id+"-placement", t.placement(status, at))
	b.h.put(at, 10*60+5, "Device", t.id, t.device(false))
}

func (t *tube) device(active bool) *fhirjson.Node {
	status := "active"
	if !active {
		status = "inactive"
	}
	local := func(code string) *fhirjson.Node {
		return fhirjson.Obj("coding", fhirjson.Arr(coding(fhirmap.Local, code, "")))
	}
	return fhirjson.Obj("resourceType", "Device", "id", t.id, "identifier", identifier("drains", t.id), "status", status,
		"deviceName", fhirjson.Arr(fhirjson.Obj("name", t.label, "type", "user-friendly-name")),
		"type", local(t.port.kind),
		"property", fhirjson.Arr(
			fhirjson.Obj("type", local(fhirmap.CodeCapacity), "valueQuantity", fhirjson.Arr(quantity(t.port.holds, "mL"))),
			fhirjson.Obj("type", local(fhirmap.CodeCompartment), "valueCode", fhirjson.Arr(local(string(t.port.space))))),
		"patient", reference("Patient", t.bed.patient), "location", reference("Location", wardID(t.bed.ward)))
}

func (t *tube) placement(status string, end int64) *fhirjson.Node {
	period := fhirjson.Obj("start", t.bed.h.date(t.since))
	if end != never {
		period.Set("end", fhirjson.Str(t.bed.h.date(end)))
	}
	n := fhirjson.Obj("resourceType", "DeviceUseStatement", "id", t.id+"-placement")
	if side := t.port.side; side != "" {
		code := map[string]string{"left": "7771000", "right": "24028007"}[side]
		n.Set("extension", fhirjson.Arr(fhirjson.Obj("url", fhirmap.ExtensionSide,
			"valueCodeableConcept", fhirjson.Obj("coding", fhirjson.Arr(coding(fhirmap.SNOMED, code, "")), "text", side))))
	}
	n.Set("identifier", identifier("placements", t.id))
	n.Set("status", fhirjson.Str(status))
	n.Set("subject", reference("Patient", t.bed.patient))
	n.Set("timingPeriod", period)
	n.Set("device", reference("Device", t.id))
	n.Set("bodySite", fhirjson.Obj("coding", fhirjson.Arr(coding(fhirmap.SNOMED, t.port.snomed, "")), "text", t.port.site))
	return n
}
