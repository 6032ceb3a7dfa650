// Package removal owns the review of whether a drain meets the criteria of the
// ward for asking the surgical team about its removal. It is pure, and it is a
// prompt to review: it advises nothing, and there is no answer "remove".
//
// Published thresholds for the output at removal run from 20 to 100 mL in 24 h by
// site (Tamplen et al. 2017, JAMA Otolaryngol Head Neck Surg 143:1195–1199, found
// 100 as safe as 30 after neck dissection; trials on the axilla used 20 to 50);
// two days in a row are common practice without a published source. All figures
// are settings that a hospital has to approve.
package removal

import (
	"fmt"
	"math/big"
	"slices"
	"strings"
	"time"

	"tidemark/internal/balance"
	"tidemark/internal/drain"
	"tidemark/internal/escalate"
	"tidemark/internal/trend"
	"tidemark/internal/window"
)

// Caution is shown with every review.
const Caution = "A prompt to review, never an instruction: removal is the surgical team's decision. " + escalate.Caution

// Criteria of a ward.
type Criteria struct {
	// DailyLimit in mL/24 h, itself included. 30 is the usual figure of surgeons
	// asked (Tamplen et al. 2017); by site, 20 to 100 are published.
	DailyLimit drain.Volume
	Days       int // whole days of the ward, the last ones, each at most DailyLimit; common practice
	// Today, which is not over, must not have passed DailyLimit already. Ours.
	Today bool
	// MinAge is the least time since placement; common practice.
	MinAge time.Duration
	// Appearances that the last charted one must be among; common practice.
	Appearances []drain.Appearance
}

// Defaults are the criteria that the service ships with.
func Defaults() Criteria {
	return Criteria{
		DailyLimit:  drain.MLInt(30),
		Days:        2,
		Today:       true,
		MinAge:      24 * time.Hour,
		Appearances: []drain.Appearance{drain.Serous, drain.Serosanguineous},
	}
}

// State of a criterion.
type State string

// States. What is not known is never taken as met.
const (
	Met      State = "met"
	NotMet   State = "not met"
	NotKnown State = "not known"
)

// Item is one criterion.
type Item struct {
	Name  string
	State State
	// Near marks an output whose uncertainty (U, k = 2) reaches across the
	// threshold, so that another reading of the same fluid might have fallen on the
	// other side.
	Near bool
	Text string
	// Chance is that of the true output lying below the threshold, where HasChance:
	// the day is complete and its uncertainty is known. LowerBound says that some
	// reading is without a known uncertainty, so that the true chance lies nearer to
	// one half.
	Chance                float64
	HasChance, LowerBound bool
	Figures               []escalate.Figure
	Evidence              []string // ids of Observations, by time
}

// Review is the answer.
type Review struct {
	Items    []Item
	MeetsAll bool
	Text     string
	Caution  string
}

// Check reviews a drain at now: each criterion, whether it is met, and the
// figures. The open findings are those that escalate.Evaluate gives at now, or
// those that are kept as open; settings and calendar are the ward's.
//
// # Output
//
// The days are the last whole days of the ward before now. A day that is not
// covered without gap by intervals of known volume, or on which the drain was not
// in place throughout, is not known, unless what is charted of it is over the
// limit already. The day counts by what was charted in it and by what ran in it
// (volumes spread evenly over their intervals), and the larger of the two decides:
// after a night in which nobody emptied, the chart alone would show a day with
// hardly any output. A day of 23 or 25 hours is reckoned up or down to 24.
func Check(c Criteria, s escalate.Subject, open []escalate.Finding, cal window.Calendar, settings balance.Settings, now time.Time) Review {
	stay := s.Stay(now)
	r := review{
		Criteria: c, cal: cal, settings: settings, now: now,
		stay: stay, entries: s.During(stay, now),
	}
	r.inPlace()
	r.days()
	r.appearance()
	r.works(open)
	r.site()
	r.irrigant()
	r.doubts(open)
	r.findings(open)
	r.age()
	return r.answer()
}

// review is a review in the making.
type review struct {
	Criteria
	cal      window.Calendar
	settings balance.Settings
	now      time.Time
	stay     escalate.Stay
	entries  []drain.Entry
	items    []Item
}

func (r *review) add(i Item) { r.items = append(r.items, i) }

func (r *review) answer() Review {
	counts := map[State]int{}
	near := 0
	for _, i := range r.items {
		counts[i.State]++
		if i.Near {
			near++
		}
	}
	answer := Review{Items: r.items, MeetsAll: counts[Met] == len(r.items), Caution: Caution}
	if answer.MeetsAll {
		answer.Text = fmt.Sprintf("Meets the ward's criteria for review: all %d are met.", len(r.items))
	} else {
		answer.Text = fmt.Sprintf("Does not meet the ward's criteria for review: %d of %d met, %d not met, %d unknown.",
			counts[Met], len(r.items), counts[NotMet], counts[NotKnown])
	}
	if near > 0 {
		answer.Text += fmt.Sprintf(" Near the threshold, within the uncertainty of the readings: %d.", near)
	}
	return answer
}

func (r *review) inPlace() {
	i := Item{Name: "in place", State: Met, Text: "The drain is in place, as far as is charted."}
	switch {
	case !r.stay.Known():
		i.State, i.Text = NotKnown, "Neither a placement nor an entry is charted."
	case !r.stay.InPlace:
		i.State, i.Text = NotMet, "The drain is charted as no longer in place."
	}
	r.add(i)
}

// days evaluates the output of the last whole days, the earliest first, and of today.
func (r *review) days() {
	today := r.cal.DayOf(r.now)
	windows := make([]window.Window, r.Days)
	next := today
	for i := range slices.Backward(windows) {
		next = r.cal.DayOf(next.Start.Add(-time.Nanosecond))
		windows[i] = next
	}
	charted := r.totals(windows, balance.Charted)
	spread := r.totals(windows, balance.Spread)
	for i := range windows {
		r.day(charted[i], spread[i])
	}
	if r.Today && today.Start.Before(r.now) {
		so := today
		so.End = r.now.Add(time.Nanosecond) // what is charted now counts
		r.today(r.totals([]window.Window{so}, balance.Charted)[0])
	}
}

func (r *review) totals(ws []window.Window, a balance.Attribution) []balance.Total {
	return balance.Totals(r.entries, r.stay.PlacedAt(), r.stay.End, ws, a, r.settings, r.now)
}

func (r *review) day(charted, spread balance.Total) {
	w := charted.Window
	length := w.Duration()
	i := Item{Name: "output " + w.Label, Evidence: charted.Readings}
	decisive, how := charted, "charted"
	if spread.Net.Cmp(charted.Net) > 0 {
		decisive, how = spread, "spread over the time in which it drained"
		i.Evidence = spread.Readings
	}
	// Of a day that is not complete the charted volume is certain, and more may
	// have run; a share of it is an estimate.
	complete := charted.Complete() && charted.InPlace == length
	if !complete {
		decisive, how = charted, "charted"
		i.Evidence = charted.Readings
	}
	per24 := decisive.Net.Scale(int64(24*time.Hour), int64(length))
	over := per24.Cmp(r.DailyLimit) > 0
	read := charted.N > 0
	text := apart(decisive.Net, r.DailyLimit)
	if decisive.HasU {
		text += fmt.Sprintf(" (± %s, k = 2)", uncertainty(decisive.U))
	}
	text += fmt.Sprintf(" from %s to %s, %s", r.at(w.Start), r.at(w.End), how)
	if length != 24*time.Hour {
		text += fmt.Sprintf(", that is %s in 24 h", apart(per24, r.DailyLimit))
	}
	text += fmt.Sprintf("; the limit is %s mL in 24 h.", r.DailyLimit.Key())
	if how != "charted" {
		text += fmt.Sprintf(" Charted within the day: %s.", apart(charted.Net, r.DailyLimit))
	}
	switch {
	case over:
		i.State = NotMet
	case complete && read:
		i.State = Met
	default:
		i.State = NotKnown
	}
	if !read {
		text += " No emptying was charted on that day."
	}
	i.Figures = append(i.Figures, escalate.Figure{Name: "output in 24 h", Value: number(per24), Unit: "mL", Threshold: number(r.DailyLimit)})
	if !complete {
		text += " The day is not complete, so the output may be higher: " + r.missing(charted) + "."
	} else if decisive.HasU {
		u := decisive.U / balance.Expansion * (24 * time.Hour).Hours() / length.Hours()
		i.HasChance, i.LowerBound = true, decisive.LowerBound
		i.Chance = balance.ChanceBelow(per24.Float(), u, r.DailyLimit.Float())
		gap := per24.Sub(r.DailyLimit).Float()
		i.Near = max(gap, -gap) <= balance.Expansion*u
		text += fmt.Sprintf(" The chance that the true output is below the limit is %s.", percent(i.Chance))
		if i.Near {
			text += " Near the threshold: it lies within the uncertainty of the readings."
		}
		i.Figures = append(i.Figures, escalate.Figure{Name: "chance below the limit", Value: fmt.Sprintf("%.3f", i.Chance), Unit: "1"})
	}
	switch {
	case !decisive.HasU:
		text += " The uncertainty of the readings is unknown."
	case decisive.LowerBound:
		text += " Some readings have no known uncertainty: the figure is less certain than shown."
	}
	if r.preliminary(i.Evidence) {
		text += " It rests on a preliminary entry."
	}
	i.Text = text
	r.add(i)
}

func (r *review) today(t balance.Total) {
	i := Item{
		Name: "output today so far", State: Met, Evidence: t.Readings,
		Text:    fmt.Sprintf("%s charted since %s; the limit is %s mL in 24 h.", apart(t.Net, r.DailyLimit), r.at(t.Window.Start), r.DailyLimit.Key()),
		Figures: []escalate.Figure{{Name: "output today so far", Value: number(t.Net), Unit: "mL", Threshold: number(r.DailyLimit)}},
	}
	unmeasured := slices.ContainsFunc(t.Missing, func(m balance.Stretch) bool { return m.Reason == balance.NotMeasured })
	switch {
	case t.Net.Cmp(r.DailyLimit) > 0:
		i.State = NotMet
	case unmeasured:
		i.State = NotKnown
		i.Text += " An emptying was not measured, so the output was higher."
	}
	r.add(i)
}

func (r *review) missing(t balance.Total) string {
	var words []string
	for _, m := range t.Missing {
		words = append(words, m.Words)
	}
	if t.InPlace < t.Window.Duration() {
		words = append(words, "the drain was not in place all day")
	}
	return strings.Join(words, "; ")
}

func (r *review) preliminary(ids []string) bool {
	return slices.ContainsFunc(r.entries, func(e drain.Entry) bool { return e.Preliminary() && slices.Contains(ids, e.ID) })
}

// appearance evaluates the last charted look, and the course since the beginning of
// the days under review.
func (r *review) appearance() {
	i := Item{Name: "appearance", State: NotKnown}
	from := r.cal.DayOf(r.now).Start
	for range r.Days {
		from = r.cal.DayOf(from.Add(-time.Nanosecond)).Start
	}
	var last drain.Entry
	var ranks []int
	var words []string
	for _, e := range r.entries {
		if e.Appearance == "" || e.At.Before(from) {
			continue
		}
		last = e
		i.Evidence = append(i.Evidence, e.ID)
		if n := len(words); n == 0 || words[n-1] != string(e.Appearance) {
			words = append(words, string(e.Appearance))
		}
		if rank, ok := e.Appearance.Rank(); ok {
			ranks = append(ranks, rank)
		}
	}
	allowed := make([]string, len(r.Appearances))
	for n, a := range r.Appearances {
		allowed[n] = string(a)
	}
	course := trend.AppearanceCourse(ranks)
	asked := fmt.Sprintf(" The criterion is %s, and not darkening.", strings.Join(allowed, " or "))
	i.Figures = []escalate.Figure{
		{Name: "appearance", Value: string(last.Appearance), Threshold: strings.Join(allowed, " or ")},
		{Name: "course", Value: course, Threshold: "not " + trend.Darkening},
	}
	if last.Appearance == "" {
		i.Text = "No appearance is charted since " + r.at(from) + "." + asked
		r.add(i)
		return
	}
	i.Text = fmt.Sprintf("Last charted %s, at %s; since %s %s: %s.%s", last.Appearance, r.at(last.At), r.at(from), strings.Join(words, ", then "), course, asked)
	switch {
	case !slices.Contains(r.Appearances, last.Appearance), course == trend.Darkening:
		i.State = NotMet
	case course != trend.CourseUnknown:
		i.State = Met
	}
	r.add(i)
}

// findings checks whether anything is open that is high. Where nothing was charted
// for long, it is not known whether anything would be.
func (r *review) findings(open []escalate.Finding) {
	i := Item{Name: "no high concern", State: Met, Text: "Nothing of high severity is open."}
	var high []string
	stale := false
	for _, f := range open {
		if f.Severity == drain.High {
			high = append(high, f.Headline)
			i.Evidence = append(i.Evidence, f.Evidence...)
		}
		stale = stale || f.Rule == escalate.Stale
	}
	switch {
	case len(high) > 0:
		i.State, i.Text = NotMet, "Open and of high severity: "+strings.Join(high, "; ")+"."
	case stale:
		i.State, i.Text = NotKnown, "Nothing of high severity is open, but nothing has been charted for so long that the present state is unknown."
	}
	i.Figures = []escalate.Figure{{Name: "open of high severity", Value: fmt.Sprint(len(high)), Unit: "1", Threshold: "0"}}
	r.add(i)
}

// function are the rules that say that the drain does not drain.
var function = []string{"suction-lost", "suction-off", "blocked", "sudden-stop", "reservoir-full", "reservoir-half", "dislodged"}

// works checks whether the drain drains: a blocked one gives little too.
func (r *review) works(open []escalate.Finding) {
	i := Item{Name: "drain works", State: Met}
	var wrong []string
	blocked := false
	for _, f := range open {
		if slices.Contains(function, f.Rule) {
			wrong = append(wrong, f.Headline)
			blocked = blocked || f.Rule == "blocked"
			i.Evidence = append(i.Evidence, f.Evidence...)
		}
	}
	var suction, patency drain.Entry
	for _, e := range r.entries {
		if e.Suction != "" {
			suction = e
		}
		if e.Patency != "" {
			patency = e
		}
	}
	if patency.Patency == drain.Occluded && !blocked {
		wrong = append(wrong, "charted as occluded")
		i.Evidence = append(i.Evidence, patency.ID)
	}
	switch {
	case len(wrong) > 0:
		i.State, i.Text = NotMet, "Open: "+strings.Join(wrong, "; ")+"."
	case suction.Suction == "":
		i.State, i.Text = NotKnown, "The suction is not charted."
	case suction.Suction != drain.Charged:
		i.State, i.Text = NotMet, fmt.Sprintf("Suction was charted as %s at %s.", suction.Suction, r.at(suction.At))
		i.Evidence = append(i.Evidence, suction.ID)
	default:
		i.Text = fmt.Sprintf("Suction charged at %s, and nothing is open that says it does not drain.", r.at(suction.At))
		i.Evidence = append(i.Evidence, suction.ID)
	}
	i.Figures = []escalate.Figure{{Name: "suction", Value: string(suction.Suction), Threshold: string(drain.Charged)}}
	r.add(i)
}

// site evaluates the last assessment of the site.
func (r *review) site() {
	i := Item{Name: "site without leakage or pus", State: NotKnown, Text: "The site has not been assessed."}
	for _, e := range r.entries {
		if e.Kind != drain.Site || !e.Assessed && len(e.Signs) == 0 {
			continue
		}
		i.State, i.Text, i.Evidence = Met, "No leakage and no pus at "+r.at(e.At)+".", []string{e.ID}
		for _, s := range e.Signs {
			if s == drain.Leakage || s == drain.Pus {
				i.State, i.Text = NotMet, fmt.Sprintf("The site showed %s at %s.", s, r.at(e.At))
			}
		}
	}
	r.add(i)
}

// irrigant checks whether less came out than was put in, on any of the days.
func (r *review) irrigant() {
	i := Item{Name: "no irrigant retained", State: Met, Text: "Net output was not below zero on any of the days."}
	next := r.cal.DayOf(r.now)
	for d := 0; d <= r.Days; d++ {
		t := r.totals([]window.Window{next}, balance.Charted)[0]
		if t.Net.Sign() < 0 {
			i.State = NotMet
			i.Text = fmt.Sprintf("Less came out than was put in on %s: net %s.", next.Start.In(r.cal.Zone).Format("2 Jan"), t.Net.About())
			i.Evidence = append(i.Evidence, t.Readings...)
		}
		next = r.cal.DayOf(next.Start.Add(-time.Nanosecond))
	}
	r.add(i)
}

// doubts checks whether a reading is in doubt.
func (r *review) doubts(open []escalate.Finding) {
	i := Item{Name: "no reading in doubt", State: Met, Text: "No reading is in doubt."}
	for _, f := range open {
		if f.Rule == "reading-doubt" {
			i.State, i.Text = NotMet, f.Text
			i.Evidence = append(i.Evidence, f.Evidence...)
		}
	}
	r.add(i)
}

func (r *review) age() {
	i := Item{Name: "time since placement", State: NotKnown}
	if r.stay.Start.IsZero() {
		i.Text = "Neither a placement nor an entry is charted."
		r.add(i)
		return
	}
	age := r.now.Sub(r.stay.Start)
	hours := number(drain.ML(big.NewRat(int64(age), int64(time.Hour))))
	needed := number(drain.ML(big.NewRat(int64(r.MinAge), int64(time.Hour))))
	i.Figures = []escalate.Figure{{Name: "time since placement", Value: hours, Unit: "h", Threshold: needed}}
	from := "Placed at " + r.at(r.stay.Start)
	if !r.stay.Charted {
		from = "The placement is not charted; first entry at " + r.at(r.stay.Start)
	}
	i.Text = fmt.Sprintf("%s, %s ago. The criterion is at least %s.", from, window.Span(age), window.Span(r.MinAge))
	switch {
	case age >= r.MinAge:
		i.State = Met // from the first entry on the drain is in place even longer
	case r.stay.Charted:
		i.State = NotMet
	}
	r.add(i)
}

// at words an instant on the ward's clock, with the date where it is not today.
func (r *review) at(t time.Time) string {
	return window.Clock(t, r.now.In(r.cal.Zone))
}

// apart words a volume for people, with as many places as show on which side of the
// limit it lies.
func apart(v, limit drain.Volume) string {
	for places := range 6 {
		if short, _ := drain.ParseML(v.Text(places)); short.Cmp(limit) == v.Cmp(limit) {
			if places == 0 {
				return v.About()
			}
			return v.Text(places) + " mL"
		}
	}
	return number(v) + " mL"
}

// uncertainty words one: to 1 mL, below 10 mL to 0.1.
func uncertainty(u float64) string {
	if u < 10 {
		return fmt.Sprintf("%.1f mL", u)
	}
	return fmt.Sprintf("%.0f mL", u)
}

// number is an exact number, to 6 places, for machines.
func number(v drain.Volume) string { return v.Text(6) }

// percent words a chance; no reading makes one sure or impossible.
func percent(chance float64) string {
	switch {
	case chance > 0.99:
		return "more than 99 %"
	case chance < 0.01:
		return "less than 1 %"
	}
	return fmt.Sprintf("%.0f %%", 100*chance)
}
