package concern

import (
	"slices"

	"tidemark/internal/drain"
	"tidemark/internal/escalate"
)

// Kinds of concerns: what each asks for.
const (
	Fluid    = "fluid"    // what comes out is more, darker or wrong: call the surgical team
	Function = "function" // the drain does not drain: go and assess it
	Site     = "site"     // look at the wound
	Charting = "charting" // chart, empty or correct
	Dwell    = "dwell"    // ask whether it is still needed
)

// Kinds lists them in the order in which they are shown within a severity.
func Kinds() []string { return []string{Fluid, Function, Site, Charting, Dwell} }

var kinds = map[string]string{
	"output-rise": Fluid, "brisk-output": Fluid, "darker": Fluid, "fresh-blood": Fluid, "suspect-fluid": Fluid,
	"suction-lost": Function, "suction-off": Function, "blocked": Function, "sudden-stop": Function,
	"reservoir-full": Function, "reservoir-half": Function, "dislodged": Function,
	"site-signs": Site,
	"overdue":    Charting, escalate.Stale: Charting, "suction-unknown": Charting, "reading-doubt": Charting,
	"long-dwell": Dwell,
}

// KindOf says to which concern a rule of package escalate belongs.
func KindOf(rule string) string { return kinds[rule] }

// Levels beside the severities.
const (
	None         = "none"
	UnknownStale = "unknown-stale"
)

// Level sums the open concerns of a drain up in a word: "high", "unknown-stale",
// "moderate", "low" or "none".
//
// Where nothing has been charted for long, the other concerns say how things were,
// not how they are: the level is then unknown, and never none. A high one stays
// high, since something known to be urgent must not be covered by something unknown.
func Level(concerns []drain.Concern) string {
	level, worst, stale := None, 0, false
	for _, c := range concerns {
		if !c.Open() {
			continue
		}
		stale = stale || c.Holds(escalate.Stale)
		if w := c.Severity.Weight(); w > worst {
			level, worst = string(c.Severity), w
		}
	}
	if stale && worst < drain.High.Weight() {
		return UnknownStale
	}
	return level
}

// Worst is the worse of two levels: that of a ward or patient is that of its
// worst drain.
func Worst(a, b string) string {
	order := []string{None, string(drain.Low), string(drain.Moderate), UnknownStale, string(drain.High)}
	if slices.Index(order, b) > slices.Index(order, a) {
		return b
	}
	return a
}
