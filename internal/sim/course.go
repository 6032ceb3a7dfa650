package sim

import (
	"time"

	"tidemark/internal/drain"
)

// Course is what a patient's first drain does; the others heal. All of it is an
// invented scenario.
type Course struct {
	Name  string
	Story string
	// Shows are the rules with a finding on the first drain when the stay's last
	// hours end, by the default policy; there may be others.
	Shows []string

	ports []port
	flow  int64 // mL/h when placed
	decay int64 // hours until the flow falls to a third
	beats []beat
	dwell time.Duration // age of the drain when the stay's last hours end; 0: placed before admission
	units bool          // the chart is kept in other units than mL
}

// port is where a drain is and what it empties into.
type port struct {
	site   string // words
	side   string // left, right or ""
	snomed string // body structure of the Global Patient Set (CC BY 4.0)
	space  drain.Compartment
	kind   string // local drain-type
	holds  int64  // mL of the reservoir
}

// Body structures: SNOMED CT Global Patient Set 2020-09.
var (
	leftAxilla  = port{"axilla", "left", "91470000", drain.Wound, "bulb", 100}
	rightAxilla = port{"axilla", "right", "91470000", drain.Wound, "bulb", 100}
	leftBreast  = port{"breast", "left", "80248007", drain.Wound, "bulb", 100}
	rightBreast = port{"breast", "right", "73056007", drain.Wound, "bulb", 100}
	leftNeck    = port{"neck", "left", "45048000", drain.Wound, "bulb", 100}
	rightNeck   = port{"neck", "right", "45048000", drain.Wound, "bulb", 100}
	scalp       = port{"scalp", "", "41695006", drain.Wound, "bulb", 100}
	flank       = port{"flank", "right", "58602004", drain.Wound, "bulb", 100}
	leftGroin   = port{"groin", "left", "85119005", drain.Wound, "bulb", 100}
	rightGroin  = port{"groin", "right", "37117007", drain.Wound, "bulb", 100}
	hip         = port{"hip", "left", "24136001", drain.Wound, "vacuum-bottle", 600}
	knee        = port{"knee", "right", "49076000", drain.Wound, "spring-reservoir", 400}
	wall        = port{"abdominal wall", "", "818983003", drain.Wound, "spring-reservoir", 400}
	pelvis      = port{"pelvis", "", "12921003", drain.Peritoneal, "bulb", 100}
	upperRight  = port{"upper abdomen", "right", "50519007", drain.Peritoneal, "bulb", 100}
	upperLeft   = port{"upper abdomen", "left", "86367003", drain.Peritoneal, "bulb", 100}
	bileDuct    = port{"gallbladder bed", "right", "28231008", drain.Biliary, "biliary", 600}
	leftChest   = port{"chest wall", "left", "78904004", drain.Pleural, "chest", 2000}
	rightChest  = port{"chest wall", "right", "78904004", drain.Pleural, "chest", 2000}
)

// beat is something that happens a set time before the stay's last hours end.
type beat struct {
	before time.Duration
	do     func(t *tube, at int64)
}

const (
	minutes = time.Minute
	hours   = time.Hour
)

// courses: in a ward with as many patients, each course occurs once.
var courses = [...]Course{
	{"healing", "falls away and lightens from sanguineous to serous", nil,
		[]port{leftAxilla, leftBreast}, 8, 36, nil, 0, false},
	{"bleed", "in the last hours the output rises and turns bloody", []string{"output-rise", "brisk-output", "darker"},
		[]port{rightBreast, rightAxilla}, 7, 48, []beat{{310 * minutes, bleeds}, {140 * minutes, visit}, {80 * minutes, visit}, {25 * minutes, visit}}, 0, false},
	{"suction-lost", "the closed reservoir fills with air again", []string{"suction-lost"},
		[]port{leftBreast, leftAxilla}, 6, 60, []beat{{170 * minutes, loseSuction}, {160 * minutes, visit}}, 0, false},
	{"bile-leak", "bile after removal of a gallbladder", []string{"suspect-fluid"},
		[]port{upperRight}, 6, 60, []beat{{30 * hours, turns(drain.Bilious, "green")}, {30 * hours, forms(6)}, {30 * minutes, visit}}, 0, false},
	{"charted-twice", "two people chart one emptying", []string{"reading-doubt"},
		[]port{rightNeck, leftNeck}, 5, 48, []beat{{220 * minutes, twice}}, 0, false},
	{"charted-late", "a busy shift charts hours afterwards, all at once", nil,
		[]port{wall, wall}, 9, 60, []beat{{29 * hours, late(8 * hours)}, {12 * hours, late(9 * hours)}}, 0, false},
	{"blocked", "a clot stops a drain that ran well; the site swells", []string{"sudden-stop", "site-signs"},
		[]port{rightGroin}, 9, 400, []beat{{20 * hours, sluggish}, {17 * hours, block}, {4 * hours, signs(drain.Swelling)}, {4 * hours, assess}, {35 * minutes, visit}}, 0, false},
	{"corrected", "a digit error is corrected, and an appearance amended", nil,
		[]port{leftNeck}, 6, 60, []beat{{27 * hours, mistyped}, {9 * hours, amended}}, 0, false},
	{"slow-healer", "keeps running and stays serosanguineous", nil,
		[]port{wall, flank}, 7, 400, nil, 0, false},
	{"chyle", "milky fluid once feeding has begun", []string{"suspect-fluid"},
		[]port{leftChest}, 10, 80, []beat{{44 * hours, feed}, {30 * hours, turns(drain.Chylous, "white")}, {30 * hours, forms(12)}, {40 * minutes, visit}}, 0, false},
	{"overdue", "the last emptying is five hours ago", []string{"overdue"},
		[]port{leftGroin, rightGroin}, 5, 60, []beat{{305 * minutes, visit}, {304 * minutes, neglect}}, 0, false},
	{"infection", "pus, and a site that is red, warm and tender", []string{"suspect-fluid", "site-signs"},
		[]port{flank, wall}, 6, 90, []beat{{40 * hours, signs(drain.Redness)}, {22 * hours, turns(drain.Purulent, "yellow")},
			{22 * hours, signs(drain.Redness, drain.Warmth, drain.Tenderness, drain.Pus)}, {13 * hours, assess}, {20 * minutes, visit}}, 0, false},
	{"entered-in-error", "another drain's volume on this one's chart, withdrawn", nil,
		[]port{rightAxilla, rightBreast}, 6, 48, []beat{{18 * hours, withdrawn}}, 0, false},
	{"biliary", "a bile duct drain: bile is what it should show", nil,
		[]port{bileDuct, upperRight}, 12, 400, nil, 0, false},
	{"wrong-vessel", "a small volume in a coarse cylinder, read between its marks", []string{"reading-doubt"},
		[]port{upperLeft, upperRight}, 7, 80, []beat{{14 * hours, coarse}, {210 * minutes, guessed}}, 0, false},
	{"fresh-blood", "days after the operation the fluid turns bloody again", []string{"darker", "fresh-blood"},
		[]port{knee}, 8, 60, []beat{{7 * hours, turns(drain.Sanguineous, "red")}, {30 * minutes, visit}}, 0, false},
	{"removed", "comes out as planned", nil,
		[]port{leftAxilla, leftBreast}, 4, 24, []beat{{20 * hours, remove}}, 0, false},
	{"irrigated", "flushed each shift; once less comes back than went in", []string{"reading-doubt"},
		[]port{upperRight, pelvis}, 3, 60, []beat{{60 * hours, visit}, {3599 * minutes, irrigate(20, 95)}, {48 * hours, visit}, {2879 * minutes, irrigate(20, 100)},
			{24 * hours, visit}, {1439 * minutes, irrigate(20, 90)}, {150 * minutes, visit}, {149 * minutes, irrigate(30, 15)}, {110 * minutes, visit}}, 0, false},
	{"stale", "nobody has charted since yesterday", []string{"stale", "overdue"},
		[]port{scalp}, 4, 48, []beat{{810 * minutes, visit}, {809 * minutes, neglect}}, 0, false},
	{"lung", "a chest drain after lung surgery, no trouble", nil,
		[]port{rightChest}, 14, 48, nil, 0, false},
	{"dislodged", "pulled out while the patient turned", []string{"dislodged"},
		[]port{rightGroin, leftGroin}, 5, 60, []beat{{6 * hours, dislodge}}, 0, false},
	{"reservoir-full", "runs faster than anybody looks, and is found full", []string{"reservoir-full"},
		[]port{upperLeft, pelvis}, 9, 90, []beat{{280 * minutes, visit}, {279 * minutes, neglect}, {279 * minutes, forms(75)}, {50 * minutes, visit}}, 0, false},
	{"not-measured", "spilled before anybody measured it", nil,
		[]port{leftBreast, leftAxilla}, 5, 48, []beat{{26 * hours, spilled}, {3 * hours, spilled}}, 0, false},
	{"feculent", "the bowel join leaks", []string{"suspect-fluid"},
		[]port{pelvis, wall}, 7, 90, []beat{{11 * hours, turns(drain.Feculent, "brown")}, {11 * hours, forms(4)}, {45 * minutes, visit}}, 0, false},
	{"reservoir-half", "seen more than half full and not yet emptied", []string{"reservoir-half"},
		[]port{pelvis}, 9, 90, []beat{{215 * minutes, visit}, {214 * minutes, neglect}, {214 * minutes, forms(24)}, {35 * minutes, look}}, 0, false},
	{"urine-leak", "a ureter leaks: more and more, clear as urine", []string{"suspect-fluid", "output-rise"},
		[]port{pelvis}, 6, 90, []beat{{22 * hours, turns(drain.UrineLike, "yellow")}, {22 * hours, forms(14)}, {30 * minutes, visit}}, 0, false},
	{"loose-suture", "leaks past the tube, whose stitch is loose", []string{"site-signs"},
		[]port{hip}, 15, 40, []beat{{15 * hours, signs(drain.Leakage, drain.SutureLoose)}, {14 * hours, assess}}, 0, false},
	{"deleted", "an entry for the neighbour's drain, deleted", nil,
		[]port{rightNeck}, 4, 36, []beat{{16 * hours, deleted}}, 0, false},
	{"long-dwell", "came back to the ward with a drain of two weeks and more", []string{"long-dwell"},
		[]port{rightAxilla}, 2, 400, nil, 16 * 24 * hours, false},
	{"ounces", "heals, on a chart kept in other units of volume", nil,
		[]port{leftBreast, rightBreast}, 7, 40, nil, 0, true},
}

// The functions below are the actions of beats.

func visit(t *tube, at int64)  { t.write(t.empty(at)) }
func look(t *tube, at int64)   { t.chart(t.check(at)) }
func assess(t *tube, at int64) { t.assess(at) }
func remove(t *tube, at int64) { t.remove(at) }

// neglect: nobody goes to this drain unless a beat says so.
func neglect(t *tube, at int64) {
	t.neglected = true
	t.begins("neglect", at)
}

func bleeds(t *tube, at int64) { bleed(95)(t, at) }

// forms adds to the flow, in mL/h.
func forms(rate int64) func(*tube, int64) {
	return func(t *tube, at int64) { t.run(at); t.extra += rate * 1000 }
}

func turns(a drain.Appearance, colour string) func(*tube, int64) {
	return func(t *tube, at int64) {
		t.looks, t.colour = a, colour
		if _, ranked := a.Rank(); !ranked {
			t.begins("suspect-fluid", at)
		}
	}
}

func loseSuction(t *tube, at int64) {
	t.run(at)
	t.suction = drain.Lost
	t.begins("suction-lost", at)
}

func sluggish(t *tube, at int64) { t.run(at); t.patency = drain.Sluggish }
func block(t *tube, at int64) {
	t.run(at)
	t.patency = drain.Occluded
	t.begins("block", at)
}

func signs(s ...drain.Sign) func(*tube, int64) {
	return func(t *tube, at int64) {
		t.signs = s
		t.begins("site-signs", at)
	}
}

// late delays charting: entries from now on are charted when the time is over.
func late(d time.Duration) func(*tube, int64) {
	return func(t *tube, at int64) { t.lateUntil = at + int64(d/minutes) }
}

func twice(t *tube, at int64) {
	later := at + 4
	if at-t.poured < 20 {
		later = at // shortly after a round, the two entries would not count as one emptying
	}
	o := t.empty(at)
	t.chart(o)
	again := *o
	again.id, again.at, again.by = t.newID(), later, t.bed.onDuty(at, true)
	again.fill = -1
	t.chart(&again)
}

func mistyped(t *tube, at int64) {
	o := t.empty(at)
	wrong := *o
	wrong.value *= 10
	t.chart(&wrong)
	o.status, o.remark = "corrected", "Decimal point corrected."
	t.replace(&wrong, o, 55)
}

func amended(t *tube, at int64) {
	o := t.empty(at)
	first := *o
	first.looks, first.colour = "", ""
	t.chart(&first)
	o.status = "amended"
	t.replace(&first, o, 40)
}

// stray charts a volume that did not come from this drain.
func stray(t *tube, at int64) *observation {
	t.run(at)
	o := t.observe(at, t.port.output())
	o.value, o.unit, o.vessel = 60_000, millilitre, drain.SpecimenCup
	o.looks, o.colour = drain.Serosanguineous, "pink"
	t.chart(o)
	return o
}

func withdrawn(t *tube, at int64) {
	o := stray(t, at)
	void := *o
	void.status, void.remark = "entered-in-error", "Volume of another drain."
	t.replace(o, &void, 35)
}

func deleted(t *tube, at int64) {
	o := stray(t, at)
	t.bed.h.post(Step{At: time.Unix(o.posted+25*60, 0).In(t.bed.h.Zone), Method: Delete, Type: "Observation", ID: o.id})
}

// coarse reads to the cylinder's marks and guesses between them.
func coarse(t *tube, at int64) {
	t.vessel = drain.GraduatedCylinder
	visit(t, at)
	t.vessel = ""
}

func guessed(t *tube, at int64) {
	t.run(at)
	exact := max(t.content/1000, 3)
	if exact%50 == 0 {
		exact++
	}
	o := t.empty(at)
	o.vessel, o.value, o.unit, o.estimated = drain.GraduatedCylinder, exact*1000, millilitre, false
	t.chart(o)
}

func spilled(t *tube, at int64) {
	o := t.empty(at)
	o.vessel, o.unit, o.absent, o.remark = "", noUnit, "unknown", "Spilled before it was measured."
	t.chart(o)
}

// irrigate instils a volume in mL; part of it returns to the reservoir, and the
// body absorbs the rest.
func irrigate(ml, percent int64) func(*tube, int64) {
	return func(t *tube, at int64) {
		t.run(at)
		in := ml * 1000
		back := in * percent / 100
		t.instilled += in
		t.irrigant += in
		t.content += back
		t.lost += in - back
	}
}

func dislodge(t *tube, at int64) {
	o := t.check(at)
	o.fill, o.dislodged, o.suction, o.patency = -1, true, "", ""
	t.begins("dislodged", at)
	t.chart(o)
	t.end(at, "stopped")
}

func feed(t *tube, _ int64) { t.bed.fluids.feeding = true }
