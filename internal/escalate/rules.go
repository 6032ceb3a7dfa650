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

	// OneEmptying is how long after the first reading of an emptying others belong
	// to it. OURS.
	OneEmptying time.Duration

	// OUTPUT-RISE, first form: the 24 h up to the last emptying against the 24 h
	// before them, volumes spread evenly over their intervals.
	RiseSpan    time.Duration // length of each of the two spans; CP: a day
	RisePercent drain.Volume  // least rise, in percent of the earlier total (an exact number); OURS
	RiseVolume  drain.Volume  // and least rise in mL; OURS
	// Second form: the last interval's rate against those before it.
	RateReadings int          // number of earlier rates of which the median is taken; OURS
	RateFactor   drain.Volume // the rate exceeds this many times the median (an exact number); OURS
	RateVolume   drain.Volume // and is at least so many mL above it in its interval; OURS
	// DarkerVolume is that floor where the fluid has become darker too: two signs need
	// less of each. OURS.
	DarkerVolume drain.Volume
	// Third form, while a drain is too young for the second: the last intervals
	// together, as many as lie within so long, against those before them. OURS.
	YoungWithin   time.Duration // 0: off
	YoungReadings int           // fewest earlier rates
	// Of both: the rise is at least so many standard deviations of what the scatter
	// of the drain's own rates, over so many intervals before, leads one to expect.
	RiseScatter     drain.Volume // an exact number; OURS
	ScatterReadings int          // OURS

	// BRISK-OUTPUT. OURS: no published cut-off in mL/h was found for bulb drains
	// outside heart surgery.
	Brisk     []BriskLimit
	BriskLast time.Duration // the finding ends so long after the emptying that showed it; OURS

	// DARKER.
	DarkerSpan time.Duration // how far back the lightest appearance is looked for; CP
	SecondLook bool          // one rank on one look is moderate until a second look agrees; OURS
	LookAgain  time.Duration // and that look is due within this time; OURS

	// FRESH-BLOOD: sanguineous fluid later than this after placement. CP: day
	// numbers for the colour of drain fluid are teaching, no published timing.
	FreshBloodAfter time.Duration
	// FreshSecondLook: a single look, one rank darker than the one before and
	// without more output, waits for a second one. OURS.
	FreshSecondLook bool

	// SUCTION-LOST: lost and recharged so many times within so long holds until a
	// check shows it charged so long after. SUCTION-UNKNOWN: so many emptyings that
	// say nothing of it. OURS. 0 switches either off.
	LostTimes           int
	LostWithin          time.Duration
	LostUntil           time.Duration
	SuctionUnknownAfter int

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
	StaleAfter     time.Duration // nothing charted for so long, in place of StaleIntervals; 0: not set

	// SUDDEN-STOP. OURS: no published rule with figures was found for occlusion.
	StopPercent drain.Volume  // the output falls short by at least so many percent (an exact number)
	StopVolume  drain.Volume  // and at least so many mL
	StopWithin  time.Duration // over one or more emptyings within so long
	StopBefore  time.Duration // span before them whose rate is what was to be expected
	StopKnown   time.Duration // of which at least so much is known

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
	DoubtLast       time.Duration   // the finding ends so long after the doubtful reading; OURS
	// Two drains of a patient may have been swapped where what they usually give is at
	// least so many times and so much apart, by at least so many intervals before. OURS.
	SwapFactor   drain.Volume // an exact number; 0: not looked for
	SwapVolume   drain.Volume
	SwapReadings int
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
		OneEmptying:         balance.OneEmptying,
		RiseSpan:            24 * time.Hour,
		RisePercent:         drain.MLInt(50),
		RiseVolume:          drain.MLInt(60),
		RateReadings:        6,
		RateFactor:          drain.MLInt(2),
		RateVolume:          drain.MLInt(50),
		DarkerVolume:        drain.MLInt(20),
		YoungWithin:         8 * time.Hour,
		YoungReadings:       2,
		RiseScatter:         drain.MLInt(4),
		ScatterReadings:     12,
		Brisk:               []BriskLimit{{drain.MLInt(100), 2 * time.Hour}, {drain.MLInt(200), 8 * time.Hour}},
		BriskLast:           24 * time.Hour,
		DarkerSpan:          24 * time.Hour,
		SecondLook:          true,
		LookAgain:           time.Hour,
		FreshBloodAfter:     48 * time.Hour,
		LostTimes:           3,
		LostWithin:          12 * time.Hour,
		LostUntil:           4 * time.Hour,
		SuctionUnknownAfter: 3,
		DefaultCapacity:     drain.MLInt(100),
		FullPercent:         drain.MLInt(100),
		HalfPercent:         drain.MLInt(50),
		IntervalLimit:       4 * time.Hour,
		Grace:               time.Hour,
		OverdueWorse:        2,
		StaleIntervals:      3,
		StopPercent:         drain.MLInt(90),
		StopVolume:          drain.MLInt(8),
		StopWithin:          24 * time.Hour,
		StopBefore:          24 * time.Hour,
		StopKnown:           8 * time.Hour,
		SiteSignsHigh:       2,
		DislodgedLast:       72 * time.Hour,
		DwellLimit:          14 * 24 * time.Hour,
		Vessels:             balance.DefaultVessels(),
		ReservoirFactor:     oneAndHalf,
		DoubtLast:           24 * time.Hour,
		SwapFactor:          drain.MLInt(3),
		SwapVolume:          drain.MLInt(15),
		SwapReadings:        3,
	}
}
