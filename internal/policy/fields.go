package policy

import (
	"errors"
	"fmt"
	"math/big"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"tidemark/internal/balance"
	"tidemark/internal/drain"
	"tidemark/internal/escalate"
	"tidemark/internal/window"
)

// section is a part of a file: its fields and the sections in it, in their order.
type section struct {
	name     string
	path     string // "" for the file itself
	doc      string
	children []child
}

// child is a section or a field.
type child struct {
	name    string
	section *section
	field   *field
}

func (s *section) child(name string) (child, bool) {
	for _, c := range s.children {
		if c.name == name {
			return c, true
		}
	}
	return child{}, false
}

func (s *section) names() []string {
	names := make([]string, len(s.children))
	for i, c := range s.children {
		names[i] = c.name
	}
	return names
}

// layout is the table in both of its forms.
type layout struct {
	fields []*field
	root   *section
}

// table gives the fields, in the order in which they are shown. It is made once
// and never changed.
var table = sync.OnceValue(func() layout {
	l := layout{root: &section{}}
	for i, f := range fields() {
		f.order = i
		l.fields = append(l.fields, &f)
		at := l.root
		parts := strings.Split(f.path, ".")
		for _, name := range parts[:len(parts)-1] {
			c, ok := at.child(name)
			if !ok {
				path := strings.TrimPrefix(at.path+"."+name, ".")
				c = child{name: name, section: &section{name: name, path: path, doc: sectionDocs[path]}}
				at.children = append(at.children, c)
			}
			at = c.section
		}
		at.children = append(at.children, child{name: parts[len(parts)-1], field: &f})
	}
	return l
})

// sectionDocs say what a section is about.
var sectionDocs = map[string]string{
	"calendar":        "The ward's clock: how time is divided into days and shifts.",
	"vessels":         "The vessels in which fluid is measured. The graduation determines the uncertainty of a reading. The standards for laboratory glass do not apply to hospital plastic ware, so no tolerance is assumed.",
	"emptying":        "When a drain should be emptied next.",
	"home":            "Settings for a drain with which the patient has gone home: the Encounter is finished, the placement is still open.",
	"trend":           "How a trend of the rate is evaluated (Theil–Sen slope, Mann–Kendall test). The confidence level of the slope's interval is 100 % minus the level of significance.",
	"findings":        "The conditions that are raised as findings. A rule that is not enabled raises none.",
	"removal":         "When a drain is offered for a review of its removal. Removal is the surgical team's decision.",
	"acknowledgement": "How a concern is acknowledged, and when it is announced again.",
	"concerns":        "Everything wrong with one drain in one respect is one concern, announced once.",
	"clock":           "How far clocks may differ.",
}

func is(b basis, words ...string) source { return source{b, strings.Join(words, " ")} }

// Sources that several fields share.
const (
	benchStudies = "half full is a ceiling, not a target: bench studies found most of the suction gone by 20–30 % fill (Halfacree et al. 2009, Am J Vet Res 70(2):283–289), and about 65 % of its peak left at about 30 % (Wounds 2013, 25(1):15–19), so a lower share is reasonable"
	noCutOff     = "no published cut-off for bulb drains was found"
)

// fields is the table.
func fields() []field {
	fs := []field{
		text(spec{"approved", "Who approved this policy for the hospital, and when, in its own words. Empty: not approved, and every figure is an example.", is(local), general},
			func(w *whole) string { return w.Approved }, words,
			func(w *whole, s string) { w.Approved = s }, map[string]any{"maxLength": maxWords}),

		text(spec{"calendar.zone", "Time zone of the hospital, by its IANA name. UTC is not a ward's clock: set your own, such as Europe/Berlin.", is(local), general},
			func(w *whole) string { return w.Calendar.Zone.String() }, zone,
			func(w *whole, z *time.Location) { w.Calendar.Zone = z }, map[string]any{"pattern": `^[A-Za-z0-9_+\-]+(/[A-Za-z0-9_+\-]+)*$`}),
		text(spec{"calendar.day-start", "Time at which the ward's day, and so the 24 h total, starts.", is(cp, "hospitals differ, 00:00, 06:00, 07:00 and 08:00 are in use"), perWard},
			func(w *whole) string { return w.Calendar.DayStart.String() }, clock,
			func(w *whole, c window.ClockTime) { w.Calendar.DayStart = c }, map[string]any{"pattern": "^" + clockPattern + "$"}),
		list(spec{"calendar.shifts", "Start and name of each shift. Each lasts until the next one starts.", is(cp, "shifts of 8 and 12 h are in use"), perWard},
			func(w *whole) []window.Shift { return w.Calendar.Shifts }, shift,
			func(s window.Shift) string { return s.Start.String() + " " + s.Name },
			func(s []window.Shift) error {
				if err := (window.Calendar{Zone: time.UTC, Shifts: s}).Validate(); err != nil {
					return errors.New(strings.ReplaceAll(err.Error(), "\n", "; "))
				}
				return nil
			},
			func(w *whole, s []window.Shift) { w.Calendar.Shifts = s }, map[string]any{"pattern": `^\s*` + clockPattern + ` .*\S`}),
	}
	for _, v := range [...]drain.Vessel{drain.MedicineCup, drain.SpecimenCup, drain.GraduatedCylinder, drain.Syringe, drain.ReservoirMarkings, drain.Scale} {
		fs = append(fs, vessel(v)...)
	}
	fs = append(fs,
		exact(spec{"vessels.estimate", "Half-width of the range in which the true volume of an estimate lies, as a share of the estimate.", is(ours), everywhere},
			shares, "%", "0 %", "100 %", func(w *whole) *drain.Volume { return &w.Balance.EstimatedPercent.Value }),
		toggle(spec{"vessels.shared-tolerance", "Whether the tolerance of a kind of vessel is the same error in all of its readings, so that it adds up in a total instead of averaging out (GUM, JCGM 100:2008, 5.2.2).", is(ours), everywhere},
			func(w *whole) bool { return w.Balance.SharedTolerance },
			func(w *whole, on bool) { w.Balance.SharedTolerance = on }),

		duration(spec{"emptying.readings-within", "Readings of a drain within this time of the first of them are one emptying, such as a second cup or the part that a colleague charts.", is(ours), everywhere},
			"min", "0 min", "60 min",
			func(w *whole) *time.Duration { return &w.Balance.OneEmptying },
			func(w *whole) *time.Duration { return &w.Due.OneEmptying },
			func(w *whole) *time.Duration { return &w.Escalate.OneEmptying }),
		duration(spec{"emptying.interval", "Longest time between two emptyings. The rules overdue and stale count from it too.", is(cp), everywhere},
			"h", "15 min", "48 h",
			func(w *whole) *time.Duration { return &w.Due.Limit },
			func(w *whole) *time.Duration { return &w.Escalate.IntervalLimit }),
		duration(spec{"emptying.grace", "Further time before the rule overdue applies, because rounds are not exact. The list of emptyings due shows the drain from the first minute.", is(ours), everywhere},
			"min", "0 min", "24 h",
			func(w *whole) *time.Duration { return &w.Escalate.Grace }),
		amount(spec{"emptying.fill", "Fill at which the reservoir should be emptied, as a share of its capacity.", is(cp, benchStudies), everywhere},
			shares, "%", "5 %", "100 %",
			func(w *whole) *big.Rat { return new(big.Rat).Mul(w.Due.HalfFraction, hundred) },
			func(w *whole, v *big.Rat) { w.Due.HalfFraction = new(big.Rat).Quo(v, hundred) }),
		exact(spec{"emptying.capacity", "Capacity of a reservoir whose Device does not state one.", is(cp), everywhere},
			volumes, "mL", "10 mL", "5000 mL",
			func(w *whole) *drain.Volume { return &w.Due.DefaultCapacity },
			func(w *whole) *drain.Volume { return &w.Escalate.DefaultCapacity }),

		duration(spec{"home.interval", "Longest time between two emptyings when the patient has gone home with the drain. The rules overdue and stale count from it too.", is(ours), everywhere},
			"h", "1 h", "72 h", func(w *whole) *time.Duration { return &w.Home.Limit }),
		duration(spec{"home.stale", "Time without an entry, with the patient at home, after which the state of the drain is unknown.", is(ours), everywhere},
			"h", "4 h", "14 d", func(w *whole) *time.Duration { return &w.Home.Stale }),

		duration(spec{"trend.span", "How far back intervals count.", is(ours), everywhere},
			"h", "8 h", "30 d", func(w *whole) *time.Duration { return &w.Trend.Span }),
		count(spec{"trend.minimum", "Fewest intervals for which a trend is evaluated.", is(ours, "by the exact distribution of Kendall's S nothing is significant at 5 % with 3, and only a one-sided test with 4"), everywhere},
			"3", "100", func(w *whole) *int { return &w.Trend.Minimum }),
		amount(spec{"trend.significance", "Level of significance: a trend is reported when p is below it.", is(cp, "the usual 5 % of statistics"), everywhere},
			shares, "%", "0.1 %", "20 %",
			func(w *whole) *big.Rat { return new(big.Rat).Mul(shortest(w.Trend.Alpha), hundred) },
			func(w *whole, v *big.Rat) {
				alpha := new(big.Rat).Quo(v, hundred)
				w.Trend.Alpha, _ = alpha.Float64()
				w.Trend.Confidence, _ = alpha.Sub(big.NewRat(1, 1), alpha).Float64()
			}),
	)
	fs = append(fs, exact(spec{"trend.least", "Smallest slope that is reported as a trend: change of the 24 h output from one day to the next.", is(ours), everywhere},
		volumes, "mL", "0 mL", "500 mL", func(w *whole) *drain.Volume { return &w.Trend.Least }))
	thresholds := thresholds()
	for _, rule := range escalate.RuleNames() {
		if rule != escalate.Stale {
			fs = append(fs, enabled(rule))
		}
		fs = append(fs, thresholds[rule]...)
	}
	return append(fs,
		amount(spec{"removal.output", "Highest output of a day, as a rate over 24 h (UCUM writes mL in 24 h as mL/d).", is(published, "thresholds in print run from 20 to 100 mL in 24 h by site; more than 60 % of the surgeons asked use less than 30, and 100 was as safe as 30 after neck dissection (Tamplen et al. 2017, JAMA Otolaryngol Head Neck Surg 143(12):1195–1199); the choice is the hospital's"), everywhere},
			rates, "mL/d", "1 mL/d", "2000 mL/d",
			func(w *whole) *big.Rat { return new(big.Rat).Quo(w.Removal.DailyLimit.Rat(), hoursOfDay) },
			func(w *whole, v *big.Rat) { w.Removal.DailyLimit = drain.ML(new(big.Rat).Mul(v, hoursOfDay)) }),
		count(spec{"removal.days", "Number of consecutive whole ward days on which the output was that low.", is(cp), everywhere},
			"1", "14", func(w *whole) *int { return &w.Removal.Days }),
		toggle(spec{"removal.today", "Whether the current day must not have exceeded that output either.", is(ours), everywhere},
			func(w *whole) bool { return w.Removal.Today },
			func(w *whole, on bool) { w.Removal.Today = on }),
		duration(spec{"removal.age", "Least time since placement.", is(cp), everywhere},
			"h", "0 h", "60 d", func(w *whole) *time.Duration { return &w.Removal.MinAge }),
		list(spec{"removal.appearances", "Appearances that the last charted one must be among: " + join(appearances) + ".", is(cp), everywhere},
			func(w *whole) []drain.Appearance { return w.Removal.Appearances }, appearance,
			func(a drain.Appearance) string { return string(a) }, distinct[drain.Appearance],
			func(w *whole, as []drain.Appearance) { w.Removal.Appearances = as }, map[string]any{"enum": appearances}),

		duration(spec{"acknowledgement.within", "A high concern that nobody acknowledged within this time is announced again.", is(ours), everywhere},
			"min", "1 min", "24 h", func(w *whole) *time.Duration { return &w.Concern.AcknowledgeWithin }),
		exact(spec{"acknowledgement.again", "Further volume after which an acknowledged fluid concern is announced again. 0 mL: the smallest volume of brisk-output.", is(ours), everywhere},
			volumes, "mL", "0 mL", "5000 mL", func(w *whole) *drain.Volume { return &w.Concern.Again }),
		list(spec{"acknowledgement.actions", "The ward's words for what was done, which the ward page offers; free text is always possible.", is(ours), perWard},
			func(w *whole) []string { return w.Actions }, action,
			func(s string) string { return s }, distinct[string],
			func(w *whole, s []string) { w.Actions = s }, map[string]any{"minLength": 1, "maxLength": maxAction}),
		duration(spec{"concerns.reopen", "A concern that returns within this time after its end is reopened.", is(ours), everywhere},
			"h", "0 h", "24 h", func(w *whole) *time.Duration { return &w.Concern.Reopen }),
		duration(spec{"concerns.late", "Delay after which an entry counts as charted late: a condition that applied meanwhile and is over is announced once.", is(ours), everywhere},
			"min", "1 min", "24 h", func(w *whole) *time.Duration { return &w.Concern.Late }),
		duration(spec{"clock.skew", "How far in the future a charted time may lie, because clocks differ.", is(ours), general},
			"min", "0 min", "60 min", func(w *whole) *time.Duration { return &w.clockSkew }),
	)
}

// vessel gives the fields of a measuring vessel.
func vessel(v drain.Vessel) []field {
	path := "vessels." + string(v) + "."
	standard := balance.DefaultVessels()[v]
	one := func(name, doc, least string, part func(*balance.VesselSpec) *drain.Volume) field {
		return amount(spec{path + name, doc, is(cp), everywhere}, volumes, "mL", least, "10000 mL",
			func(w *whole) *big.Rat { spec := w.Balance.Vessels[v]; return part(&spec).Rat() },
			func(w *whole, value *big.Rat) {
				spec := w.Balance.Vessels[v]
				*part(&spec) = drain.ML(value)
				spec.Source = wardsOwn
				if spec.Capacity.Equal(standard.Capacity) && spec.Graduation.Equal(standard.Graduation) && spec.Tolerance.Equal(standard.Tolerance) {
					spec.Source = standard.Source
				}
				w.Balance.Vessels[v] = spec
			})
	}
	return []field{
		one("capacity", "Capacity of the vessel.", "1 mL", func(s *balance.VesselSpec) *drain.Volume { return &s.Capacity }),
		one("graduation", "Volume between two of its marks.", "0.01 mL", func(s *balance.VesselSpec) *drain.Volume { return &s.Graduation }),
		one("tolerance", "Tolerance, plus or minus, if the manufacturer states one.", "0 mL", func(s *balance.VesselSpec) *drain.Volume { return &s.Tolerance }),
	}
}

// wardsOwn is the source of a vessel's figures that are not the default.
const wardsOwn = "the ward's policy"

// conditions say when a rule raises a finding.
var conditions = map[string]string{
	"output-rise":     "The output rises: the last span exceeds the one before by at least the share and the volume, or the last interval's rate exceeds the median of those before; in both cases by more than the drain's own scatter explains.",
	"brisk-output":    "A large volume drains within a short time.",
	"darker":          "The fluid is darker than the lightest fluid of the span before.",
	"fresh-blood":     "The fluid is sanguineous later than this after placement.",
	"suspect-fluid":   "The fluid is purulent, bilious (but from a biliary drain), chylous, feculent or urine-like: high; or it smells foul: moderate. Common practice, no published source.",
	"suction-lost":    "The closed reservoir re-expanded, once or repeatedly. High; common practice, no published source.",
	"suction-off":     "Suction was charted as off on a drain that should have it. Moderate; ours, no published source.",
	"suction-unknown": "The last emptyings do not say whether there was suction.",
	"blocked":         "The tube was charted as occluded, or as sluggish together with sudden-stop or leakage around the drain: high. Sluggish alone: moderate. Common practice, no published source.",
	"reservoir-full":  "The reservoir was found full, or its whole capacity was emptied: suction was lost.",
	"reservoir-half":  "A check found the reservoir at this fill, and it has not been emptied since.",
	"overdue":         "The drain has not been emptied for longer than emptying.interval plus emptying.grace.",
	"sudden-stop":     "Far less output than the drain's own rate predicted: it may be blocked. High with leakage or swelling at the site.",
	"site-signs":      "The site shows redness, swelling, warmth, tenderness, leakage, a loose suture or pus.",
	"dislodged":       "The drain was pulled or fell out.",
	"long-dwell":      "The drain has been in place for longer than this.",
	"reading-doubt":   "A reading is implausible.",
}

func enabled(rule string) field {
	return toggle(spec{"findings." + rule + ".enabled", conditions[rule], is(local), everywhere},
		func(w *whole) bool { return !w.Escalate.Off[rule] },
		func(w *whole, on bool) {
			if on {
				delete(w.Escalate.Off, rule)
				return
			}
			if w.Escalate.Off == nil {
				w.Escalate.Off = map[string]bool{}
			}
			w.Escalate.Off[rule] = true
		})
}

// thresholds gives the fields of each rule.
func thresholds() map[string][]field {
	share := func(path, least, most, doc string, src source, to func(*whole) *drain.Volume) field {
		return exact(spec{"findings." + path, doc, src, everywhere}, shares, "%", least, most, to)
	}
	volume := func(path, least, most, doc string, src source, to func(*whole) *drain.Volume) field {
		return exact(spec{"findings." + path, doc, src, everywhere}, volumes, "mL", least, most, to)
	}
	factor := func(path, least, most, doc string, src source, to func(*whole) *drain.Volume) field {
		return exact(spec{"findings." + path, doc, src, everywhere}, numbers, "", least, most, to)
	}
	number := func(path, least, most, doc string, src source, to func(*whole) *int) field {
		return count(spec{"findings." + path, doc, src, everywhere}, least, most, to)
	}
	span := func(path, unit, least, most, doc string, src source, to func(*whole) *time.Duration) field {
		return duration(spec{"findings." + path, doc, src, everywhere}, unit, least, most, to)
	}
	return map[string][]field{
		"output-rise": {
			span("output-rise.span", "h", "4 h", "72 h", "Length of each of the two spans that are compared.", is(cp), func(w *whole) *time.Duration { return &w.Escalate.RiseSpan }),
			share("output-rise.share", "1 %", "1000 %", "Least rise, as a share of the earlier span's volume.", is(ours), func(w *whole) *drain.Volume { return &w.Escalate.RisePercent }),
			volume("output-rise.volume", "1 mL", "5000 mL", "Least rise in volume, required as well.", is(ours), func(w *whole) *drain.Volume { return &w.Escalate.RiseVolume }),
			number("output-rise.rate-readings", "2", "50", "Number of earlier intervals for the median rate.", is(ours), func(w *whole) *int { return &w.Escalate.RateReadings }),
			factor("output-rise.rate-factor", "1", "100", "The last interval's rate exceeds this many times that median.", is(ours), func(w *whole) *drain.Volume { return &w.Escalate.RateFactor }),
			volume("output-rise.rate-volume", "0 mL", "5000 mL", "The last interval's volume must also exceed that median's prediction by at least this much.", is(ours), func(w *whole) *drain.Volume { return &w.Escalate.RateVolume }),
			volume("output-rise.darker-volume", "0 mL", "5000 mL", "That floor where the fluid has become darker too.", is(ours), func(w *whole) *drain.Volume { return &w.Escalate.DarkerVolume }),
			span("output-rise.young-within", "h", "0 h", "24 h", "While a drain has fewer earlier intervals than that, its last emptyings within so long are taken together, with the same factor and volume; 0: not looked at.", is(ours), func(w *whole) *time.Duration { return &w.Escalate.YoungWithin }),
			number("output-rise.young-readings", "1", "50", "And fewest earlier intervals of which the median rate is taken then.", is(ours), func(w *whole) *int { return &w.Escalate.YoungReadings }),
			factor("output-rise.scatter", "0", "20", "In both forms, but not while a drain is young, the rise is at least this many standard deviations of what the scatter of the drain's own intervals leads one to expect (median moving range; 0: no test).", is(ours), func(w *whole) *drain.Volume { return &w.Escalate.RiseScatter }),
			number("output-rise.scatter-readings", "6", "100", "Number of earlier intervals for that scatter.", is(ours), func(w *whole) *int { return &w.Escalate.ScatterReadings }),
		},
		"brisk-output": {
			list(spec{"findings.brisk-output.limits", "Volumes that are too much in any span of the given length.", is(ours, noCutOff), everywhere},
				func(w *whole) []escalate.BriskLimit { return w.Escalate.Brisk }, briskLimit, briskWords, briskSet,
				func(w *whole, limits []escalate.BriskLimit) { w.Escalate.Brisk = limits },
				map[string]any{"pattern": `^\s*` + numberPattern + `\s*[^\s0-9].* in \s*` + numberPattern + `\s*` + durations.unitPattern() + `\s*$`}),
			span("brisk-output.lasts", "h", "1 h", "7 d", "Time after the emptying that showed it at which the finding ends.", is(ours), func(w *whole) *time.Duration { return &w.Escalate.BriskLast }),
		},
		"darker": {
			span("darker.span", "h", "1 h", "7 d", "How far back the lightest appearance is searched.", is(cp), func(w *whole) *time.Duration { return &w.Escalate.DarkerSpan }),
			toggle(spec{"findings.darker.second-look", "Whether a single look one rank darker is moderate until a second look confirms it; false: high at once.", is(ours), everywhere},
				func(w *whole) bool { return w.Escalate.SecondLook }, func(w *whole, on bool) { w.Escalate.SecondLook = on }),
			span("darker.look-again", "min", "5 min", "12 h", "Time within which that second look is due.", is(ours), func(w *whole) *time.Duration { return &w.Escalate.LookAgain }),
		},
		"fresh-blood": {
			span("fresh-blood.after", "h", "0 h", "30 d", "Time after placement from which sanguineous fluid is fresh blood.", is(cp, "no published timing for the colour of drain fluid was found"), func(w *whole) *time.Duration { return &w.Escalate.FreshBloodAfter }),
			toggle(spec{"findings.fresh-blood.second-look", "Whether a single sanguineous look, one rank darker than the look before and without more output, waits for a second one.", is(ours), everywhere},
				func(w *whole) bool { return w.Escalate.FreshSecondLook }, func(w *whole, on bool) { w.Escalate.FreshSecondLook = on }),
		},
		"suction-lost": {
			number("suction-lost.times", "0", "20", "Number of losses and recharges, within the time below, after which the finding persists; 0: never.", is(ours), func(w *whole) *int { return &w.Escalate.LostTimes }),
			span("suction-lost.within", "h", "1 h", "7 d", "Time within which they are counted.", is(ours), func(w *whole) *time.Duration { return &w.Escalate.LostWithin }),
			span("suction-lost.until", "h", "0 h", "48 h", "The finding then persists until an entry this long after the recharge shows suction.", is(ours), func(w *whole) *time.Duration { return &w.Escalate.LostUntil }),
		},
		"suction-unknown": {
			number("suction-unknown.after", "1", "20", "Number of consecutive emptyings without an entry on suction.", is(ours), func(w *whole) *int { return &w.Escalate.SuctionUnknownAfter }),
		},
		"reservoir-full": {
			share("reservoir-full.fill", "50 %", "100 %", "Fill at which a reservoir is full.", is(cp), func(w *whole) *drain.Volume { return &w.Escalate.FullPercent }),
		},
		"reservoir-half": {
			share("reservoir-half.fill", "5 %", "100 %", "Fill at which a check raises the finding.", is(cp, benchStudies), func(w *whole) *drain.Volume { return &w.Escalate.HalfPercent }),
		},
		"overdue": {
			number("overdue.moderate-after", "1", "10", "Multiple of emptying.interval after which the finding is moderate instead of low.", is(ours), func(w *whole) *int { return &w.Escalate.OverdueWorse }),
		},
		"sudden-stop": {
			share("sudden-stop.short", "50 %", "100 %", "The output falls short of the expected volume by at least this share.", is(ours, "no published rule with figures was found"), func(w *whole) *drain.Volume { return &w.Escalate.StopPercent }),
			volume("sudden-stop.volume", "0.5 mL", "500 mL", "The output also falls short by at least this volume.", is(ours), func(w *whole) *drain.Volume { return &w.Escalate.StopVolume }),
			span("sudden-stop.within", "h", "1 h", "7 d", "Time of the one or more emptyings that are compared.", is(ours), func(w *whole) *time.Duration { return &w.Escalate.StopWithin }),
			span("sudden-stop.before", "h", "2 h", "7 d", "Span before them whose rate gives the expected volume.", is(ours), func(w *whole) *time.Duration { return &w.Escalate.StopBefore }),
			span("sudden-stop.known", "h", "1 h", "7 d", "Share of that span for which the output must be known.", is(ours), func(w *whole) *time.Duration { return &w.Escalate.StopKnown }),
		},
		"site-signs": {
			number("site-signs.high-from", "1", "4", "Number of signs among redness, swelling, warmth and tenderness that makes the finding high instead of moderate.", is(cp, "the signs are those of superficial infection in the CDC's NHSN surveillance definition, which is not one for the bedside; their number is not from there"), func(w *whole) *int { return &w.Escalate.SiteSignsHigh }),
		},
		"dislodged": {
			span("dislodged.lasts", "h", "0 h", "30 d", "Time after the drain came out at which the finding ends; 0 h: it does not end by itself.", is(ours), func(w *whole) *time.Duration { return &w.Escalate.DislodgedLast }),
		},
		"long-dwell": {
			span("long-dwell.after", "d", "1 d", "365 d", "Time in place, in days of 24 h.", is(cp, "one cohort of breast implants links more than 21 days with infection (Chen et al. 2016, Medicine 95(49):e5605)"), func(w *whole) *time.Duration { return &w.Escalate.DwellLimit }),
		},
		"reading-doubt": {
			factor("reading-doubt.reservoir-factor", "1", "20", "Multiple of the reservoir's capacity above which a reading is implausible.", is(ours), func(w *whole) *drain.Volume { return &w.Escalate.ReservoirFactor }),
			factor("reading-doubt.swap-factor", "0", "20", "Ratio of the usual volumes of two drains of a patient above which a swap can be seen; 0 turns the check off.", is(ours), func(w *whole) *drain.Volume { return &w.Escalate.SwapFactor }),
			volume("reading-doubt.swap-volume", "0 mL", "5000 mL", "Difference of the usual volumes above which a swap can be seen.", is(ours), func(w *whole) *drain.Volume { return &w.Escalate.SwapVolume }),
			number("reading-doubt.swap-readings", "1", "50", "Fewest earlier intervals from which the usual volume is taken.", is(ours), func(w *whole) *int { return &w.Escalate.SwapReadings }),
			span("reading-doubt.lasts", "h", "1 h", "7 d", "Time after the doubtful reading at which the finding ends.", is(ours), func(w *whole) *time.Duration { return &w.Escalate.DoubtLast }),
		},
		escalate.Stale: {
			number("stale.after", "1", "20", "Multiple of emptying.interval without an entry. The level is then unknown, never none; this rule cannot be switched off.", is(ours), func(w *whole) *int { return &w.Escalate.StaleIntervals }),
		},
	}
}

var (
	hundred    = big.NewRat(100, 1) // read only
	hoursOfDay = big.NewRat(24, 1)  // read only
)

// shortest is the number that the shortest decimal of f stands for.
func shortest(f float64) *big.Rat {
	r, _ := new(big.Rat).SetString(strconv.FormatFloat(f, 'f', -1, 64))
	return r
}

// briskLimit reads "100 mL in 2 h".
func briskLimit(s string) (escalate.BriskLimit, error) {
	const example = "100 mL in 2 h"
	volume, within, ok := strings.Cut(s, " in ")
	if !ok {
		return escalate.BriskLimit{}, fmt.Errorf("%q is not a volume in a span: write it like %s", s, example)
	}
	v, err := volumes.parse(volume, "100 mL")
	if err != nil {
		return escalate.BriskLimit{}, err
	}
	d, err := durations.parse(within, "2 h")
	if err != nil {
		return escalate.BriskLimit{}, err
	}
	if _, ok := decimal(v); !ok || v.Sign() <= 0 || v.Cmp(big.NewRat(10_000, 1)) > 0 {
		return escalate.BriskLimit{}, fmt.Errorf("%q is not a volume above 0 mL and up to 10000 mL, in mL with at most %d decimals: write it like %s", volume, places, example)
	}
	if d.Cmp(big.NewRat(int64(10*time.Minute), 1)) < 0 || d.Cmp(big.NewRat(int64(72*time.Hour), 1)) > 0 || durations.check(d) != nil {
		return escalate.BriskLimit{}, fmt.Errorf("%q is not a span from 10 min to 72 h: write it like %s", within, example)
	}
	return escalate.BriskLimit{Volume: drain.ML(v), Within: time.Duration(d.Num().Int64())}, nil
}

func briskWords(l escalate.BriskLimit) string {
	// Every whole number of nanoseconds has an exact text.
	within := must(durations.format(new(big.Rat).SetInt64(int64(l.Within)), "h"))
	return l.Volume.Key() + " mL in " + within
}

// briskSet refuses two limits for one span.
func briskSet(limits []escalate.BriskLimit) error {
	for i, l := range limits {
		if slices.ContainsFunc(limits[:i], func(before escalate.BriskLimit) bool { return before.Within == l.Within }) {
			return &itemError{i, fmt.Errorf("%q is a second limit for the same span: remove one of them", briskWords(l))}
		}
	}
	return nil
}

// maxAction keeps an action short enough for a button on a phone.
const maxAction = 60

func action(s string) (string, error) {
	_, s, err := words(s)
	switch {
	case err != nil:
		return "", err
	case s == "":
		return "", errors.New("an action is empty: write what was done")
	case len(s) > maxAction:
		return "", fmt.Errorf("%q is longer than %d bytes: shorten it", s, maxAction)
	}
	return s, nil
}

var appearances = []drain.Appearance{drain.Clear, drain.Serous, drain.Serosanguineous, drain.Sanguineous, drain.Purulent, drain.Bilious, drain.Chylous, drain.Feculent, drain.UrineLike, drain.OtherLook} // read only

func appearance(s string) (drain.Appearance, error) {
	if a := drain.Appearance(s); slices.Contains(appearances, a) {
		return a, nil
	}
	return "", fmt.Errorf("%q is not an appearance: use one of %s", s, join(appearances))
}

// distinct refuses a list with duplicates.
func distinct[T comparable](items []T) error {
	for i, item := range items {
		if slices.Contains(items[:i], item) {
			return &itemError{i, fmt.Errorf("%v is given twice: remove one of them", item)}
		}
	}
	return nil
}

func join[T ~string](items []T) string {
	words := make([]string, len(items))
	for i, item := range items {
		words[i] = string(item)
	}
	return strings.Join(words, ", ")
}

// check is a condition on two fields.
type check struct {
	paths [2]string
	wrong func(*whole) string // "" when it holds
}

// checks must hold in the general part, and with each override on top of it.
func checks() []check {
	cs := []check{{[2]string{"findings.reservoir-half.fill", "findings.reservoir-full.fill"}, func(w *whole) string {
		if w.Escalate.HalfPercent.Cmp(w.Escalate.FullPercent) > 0 {
			return fmt.Sprintf("reservoir-half.fill (%s %%) is above reservoir-full.fill (%s %%): lower the first or raise the second", w.Escalate.HalfPercent.Key(), w.Escalate.FullPercent.Key())
		}
		return ""
	}}}
	for v := range balance.DefaultVessels() {
		path := "vessels." + string(v)
		cs = append(cs, check{[2]string{path + ".graduation", path + ".capacity"}, func(w *whole) string {
			if s := w.Balance.Vessels[v]; s.Graduation.Cmp(s.Capacity) > 0 {
				return fmt.Sprintf("the graduation of %s (%s) is more than its capacity (%s): correct one of them", v, s.Graduation, s.Capacity)
			}
			return ""
		}})
	}
	slices.SortFunc(cs, func(a, b check) int { return strings.Compare(a.paths[0], b.paths[0]) })
	return cs
}
