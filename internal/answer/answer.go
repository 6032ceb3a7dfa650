// Package answer owns what the derived endpoints say before it is FHIR: the
// figures of the rule packages put together for one drain, patient or ward.
// Package ward fills these in, fhirmap writes them down.
package answer

import (
	"time"

	"tidemark/internal/balance"
	"tidemark/internal/drain"
	"tidemark/internal/due"
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
	Concerns []drain.Concern // that are open, the worst first
	Last     time.Time       // of the last counted entry, zero when there is none
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
	Name    string // of the patient; "" where it is not known
	Bed     drain.Place
	Ward    drain.Place
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

// Handover is the answer to $handover: a shift in review, a row a drain, by bed.
type Handover struct {
	Type, ID    string // the Location or Patient that was asked for
	Name        string // of the Location
	Shift       window.Window
	AsOf        time.Time // the end of the shift, or now while it lasts
	Attribution balance.Attribution
	Rows        []HandoverRow
	More        int // corrections of this shift beyond those that the rows hold
	Zone        *time.Location
	Now         time.Time
	Policy      string
	Approved    string
}

// HandoverRow is one drain in place, or one removed in the shift or soon after, of which
// nothing is due and no review is made. What it holds of the fluid, the suction and
// the site is as of the end of the shift; the due time and the review are of now.
type HandoverRow struct {
	DueDrain
	Placed              time.Time     // zero: not known
	Removed             time.Time     // zero: in place
	Shift, Last, Before balance.Total // the shift; the 24 h to AsOf; the 24 h before those
	Look, Suction, Seen drain.Entry   // the last entries that tell the look, the suction and the site; zero: none
	Course              string        // of the looks of the two days
	Level               string        // now
	Concerns            []drain.Concern
	Corrections         []Correction
	Late                []Late
	Removal             removal.Review
}

// Correction is one version of an entry that changed what an earlier one said.
type Correction struct {
	Before, After drain.Entry
	At            time.Time
	By, Reason    string // "" where nobody said
	Provenance    string // its id
}

// Late is an entry that was charted long after its time.
type Late struct {
	Entry   drain.Entry
	Charted time.Time
}
