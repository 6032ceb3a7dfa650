package escalate

import (
	"math/big"
	"time"

	"tidemark/internal/balance"
	"tidemark/internal/drain"
)

// Rules are the thresholds, all of them examples until a hospital approves its
// own. "CP" marks common practice without a published source, "OURS" a figure of
// our own without one; neither may be presented as published.
type Rules struct {
	// Off are rules that the ward does not use, by name. Stale cannot be among
	// them: a silent drain would read as one without findings.
	Off map[string]bool

	// OUTPUT-RISE, first form: the 24 h up to the last emptying against the 24 h
	// before them, volumes spread evenly over their intervals.
	RiseSpan    time.Duration // length of each of the two spans; CP: a day
	RisePercent drain.Volume  // least rise, in percent of the earlier total (an exact number); OURS
	RiseVolume  drain.Volume  // and least rise in mL; OURS
	// Second form: the last interval's rate against those before it.
	RateReadings int          // number of earlier rates of which the median is taken; OURS
	RateFactor   drain.Volume // the rate exceeds this many times the median (an exact number); OURS
	RateVolume   drain.Volume // and the last emptying is at least so many mL; OURS

	// BRISK-OUTPUT. OURS: no published cut-off in mL/h was found for bulb drains
	// outside heart surgery.
	Brisk     []BriskLimit
	BriskLast time.Duration // the finding ends so long after the emptying that showed it; OURS

	DarkerSpan time.Duration // DARKER: how far back the lightest appearance is looked for; CP

	// FRESH-BLOOD: sanguineous fluid later than this after placement. CP: day
	// numbers for the colour of drain fluid are teaching, no published timing.
	FreshBloodAfter time.Duration

	// RESERVOIR-FULL, RESERVOIR-HALF. Half full is a ceiling: bench studies found
	// most of the suction gone by 20–30 % fill (Halfacree et al. 2009, Am J Vet Res
	// 70:283–289), so a ward may set less.
	DefaultCapacity drain.Volume // mL, where the Device does not say; CP
	FullPercent     drain.Volume // fill in percent (an exact number); CP
	HalfPercent     drain.Volume // fill in percent (an exact number); CP

	// OVERDUE and STALE.
	IntervalLimit  time.Duration // longest time between emptyings; CP
	Grace          time.Duration // on top of it before anybody is told; OURS
	OverdueWorse   int           // past so many times the limit it is moderate; OURS
	StaleIntervals int           // nothing charted for so many times the limit; OURS

	// SUDDEN-STOP. OURS: no published rule with figures was found for occlusion.
	StopPercent drain.Volume  // the rate is at most so many percent (an exact number) of the median
	StopRate    drain.Volume  // and that median is at least so many mL/h
	StopSpan    time.Duration // and the low rate lasted at least so long
	StopBefore  time.Duration // span before it of which the median rate is taken

	// SITE-SIGNS: so many of redness, swelling, warmth and tenderness are high.
	// They are the local signs of a superficial infection in the CDC's NHSN
	// surveillance definition, which is not one for the bedside; the number is CP.
	SiteSignsHigh int

	// DISLODGED: how long the finding stays after the drain came out. 0 is without
	// limit. OURS: longer than a weekend.
	DislodgedLast time.Duration

	// LONG-DWELL. CP; one cohort of breast implants links more than 21 days with
	// infection (Chen et al. 2016, Medicine 95(49):e5605).
	DwellLimit time.Duration

	// READING-DOUBT.
	Vessels         balance.Vessels // capacity and graduation; each says its source
	ReservoirFactor drain.Volume    // more than this many times (an exact number) the capacity cannot come out of it; OURS
	DoubleWithin    time.Duration   // two equal volumes at most so far apart may be one entered twice; OURS
	DoubtLast       time.Duration   // the finding ends so long after the doubtful reading; OURS
}

// BriskLimit is a volume that must not run within a span.
type BriskLimit struct {
	Volume drain.Volume
	Within time.Duration
}

// Defaults are the thresholds that the service ships with.
func Defaults() Rules {
	oneAndHalf := drain.ML(big.NewRat(3, 2))
	return Rules{
		RiseSpan:        24 * time.Hour,
		RisePercent:     drain.MLInt(25),
		RiseVolume:      drain.MLInt(20),
		RateReadings:    6,
		RateFactor:      drain.MLInt(2),
		RateVolume:      drain.MLInt(20),
		Brisk:           []BriskLimit{{drain.MLInt(100), 2 * time.Hour}, {drain.MLInt(200), 8 * time.Hour}},
		BriskLast:       24 * time.Hour,
		DarkerSpan:      24 * time.Hour,
		FreshBloodAfter: 48 * time.Hour,
		DefaultCapacity: drain.MLInt(100),
		FullPercent:     drain.MLInt(100),
		HalfPercent:     drain.MLInt(50),
		IntervalLimit:   4 * time.Hour,
		Grace:           15 * time.Minute,
		OverdueWorse:    2,
		StaleIntervals:  3,
		StopPercent:     drain.MLInt(10),
		StopRate:        drain.MLInt(2),
		StopSpan:        4 * time.Hour,
		StopBefore:      24 * time.Hour,
		SiteSignsHigh:   2,
		DislodgedLast:   72 * time.Hour,
		DwellLimit:      14 * 24 * time.Hour,
		Vessels:         balance.DefaultVessels(),
		ReservoirFactor: oneAndHalf,
		DoubleWithin:    10 * time.Minute,
		DoubtLast:       24 * time.Hour,
	}
}
