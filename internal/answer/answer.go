// Package answer owns what the derived endpoints say before it is FHIR: the
// figures of the rule packages put together for one drain, patient or ward.
// Package ward fills these in, fhirmap writes them down.
package answer

import (
	"time"

	"tidemark/internal/balance"
	"tidemark/internal/drain"
	"tidemark/internal/due"
	"tidemark/internal/escalate"
	"tidemark/internal/removal"
	"tidemark/internal/trend"
	"tidemark/internal/window"
)

// Output is the answer to $drain-output.
type Output struct {
	Drain       drain.Drain
	Patient     string
	Zone        *time.Location
	Period      window.Period
	Attribution balance.Attribution
	Totals      []balance.Total
	Rate        *balance.Interval // the last interval with a rate
	RateU       float64           // standard uncertainty of that rate, 0 when not known
	Trend       trend.Result
	TrendSpan   time.Duration
	TrendOrigin time.Time
	TrendFrom   []balance.Interval
	Course      string // lightening, darkening, unchanged, not known
	Looks       []drain.Entry
	Now         time.Time
	Policy      string
	Approved    string
}

// Balance is the answer to $fluid-balance.
type Balance struct {
	Patient     string
	Period      window.Period
	Attribution balance.Attribution
	Windows     []balance.Balance
	Zone        *time.Location
	Now         time.Time
	Policy      string
	Approved    string
}

// Status is the escalation status of one drain.
type Status struct {
	Drain    drain.Drain
	Patient  string
	Level    string
	Findings []escalate.Finding // what the rules find now
	Open     []drain.Finding    // the DetectedIssues that are open
	Last     time.Time          // of the last counted entry, zero when there is none
	LastID   string
	Due      due.Due
	Now      time.Time
	Policy   string
	Approved string
}

// DueDrain is one row of $emptying-due.
type DueDrain struct {
	Drain   drain.Drain
	Patient string
	Site    string
	Side    string
	Due     due.Due
	Zone    *time.Location
}

// Review is the answer to $removal-review.
type Review struct {
	Drain    drain.Drain
	Patient  string
	Review   removal.Review
	Now      time.Time
	Policy   string
	Approved string
}
