package escalate

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"tidemark/internal/drain"
	"tidemark/internal/window"
)

// darker holds when the latest ranked appearance is darker than the lightest of
// the 24 h before it (a look exactly 24 h before included), in the order clear and
// serous, serosanguineous, sanguineous. Fluids without a rank are passed over, and
// looks within the time of one emptying are one, the darkest of them.
//
// It is high for two ranks, with output-rise or brisk-output, and when a second
// look agrees. One rank on one look may be misjudged: it is moderate, and asks for
// another look within the hour. So may the lightest look be: where there were more
// than two, it takes a second one as light to make it high.
//
// It is about a state, and ends with a later ranked appearance that is not darker
// than the lightest of its own 24 h before: when the fluid has cleared again, or
// has stayed dark for so long.
func darker(v *view) *Finding {
	d, ok := v.darkening()
	if !ok {
		return nil
	}
	severity := drain.High
	headline := fmt.Sprintf("Fluid darker: %s, %s before", d.now.of.Appearance, d.lightest.of.Appearance)
	text := fmt.Sprintf("The fluid was %s at %s and %s at %s.", d.now.of.Appearance, v.at(d.now.at), d.lightest.of.Appearance, v.at(d.lightest.at))
	evidence := []drain.Entry{d.lightest.of, d.now.of}
	_, rises := v.rise()
	brisk := slices.ContainsFunc(v.brisk(), func(s []briskSpan) bool { return len(s) > 0 })
	switch {
	case d.now.rank-d.usual > 1:
	case d.now.rank > d.usual && (rises || brisk):
		text += " The output has risen as well."
	case d.agrees != nil:
		text += fmt.Sprintf(" The look at %s agrees.", v.at(d.agrees.at))
		evidence = append(evidence, d.agrees.of)
	case !v.SecondLook:
	default:
		severity = drain.Moderate
		headline = fmt.Sprintf("Look again: fluid %s, %s before", d.now.of.Appearance, d.lightest.of.Appearance)
		text += fmt.Sprintf(" A single look can mislead: look again by %s.", v.at(d.now.at.Add(v.LookAgain)))
	}
	f := v.finding(severity, d.since, headline, text, evidence...).
		figure("latest appearance", string(d.now.of.Appearance), "", string(d.lightest.of.Appearance))
	if severity == drain.Moderate {
		f.LookAgain = d.now.at.Add(v.LookAgain)
	}
	return f
}

// darkening is a look that is darker than one before it.
type darkening struct {
	now, lightest ranked
	// usual is the second lightest rank of the looks before, where there are more than
	// two: one of them may have been misjudged as lighter.
	usual  int
	agrees *ranked // the look before, where it says the same
	since  time.Time
}

// darkeningAt compares the look with that number, from the end, with those before
// it, and leaves open since when it is darker.
func (v *view) darkeningAt(at int) (d darkening, ok bool) {
	now := v.look(at)
	if now == nil {
		return d, false
	}
	d.now, d.lightest = *now, *now
	var seen []int // ranks of the looks before
	oldest := now.at.Add(-v.DarkerSpan)
	for k := at + 1; ; k++ {
		l := v.look(k)
		if l == nil || l.at.Before(oldest) {
			break
		}
		if l.rank < d.lightest.rank {
			d.lightest = *l
		}
		seen = append(seen, l.rank)
	}
	if d.lightest.rank >= now.rank {
		return d, false
	}
	d.usual = d.lightest.rank
	if len(seen) > 2 {
		slices.Sort(seen)
		d.usual = seen[1]
	}
	if second := v.look(at + 1); second.rank > d.usual && now.rank > d.usual {
		d.agrees = second
	}
	return d, true
}

func (v *view) darkening() (d darkening, ok bool) {
	if d, ok = v.darkeningAt(0); !ok {
		return d, false
	}
	// Back to the first of the unbroken run of looks that were darker. For each rank
	// the nearest lighter look is sought from where the search for the one after ended.
	d.since = d.now.at
	var nearest [3]int
	for k := 1; ; k++ {
		l := v.look(k)
		if l == nil {
			return d, true
		}
		at := max(nearest[l.rank], k+1)
		oldest := l.at.Add(-v.DarkerSpan)
		for {
			other := v.look(at)
			if other == nil || other.at.Before(oldest) {
				return d, true
			}
			if other.rank < l.rank {
				break
			}
			at++
		}
		nearest[l.rank], d.since = at, l.at
	}
}

// lastLook words the latest ranked appearance, with a blank: "sanguineous ".
func (v *view) lastLook() string {
	if l := v.look(0); l != nil {
		return string(l.of.Appearance) + " "
	}
	return ""
}

// lighterBefore words that the fluid has become darker: ", serous before".
func (v *view) lighterBefore() string {
	if d, ok := v.darkening(); ok {
		return ", " + string(d.lightest.of.Appearance) + " before"
	}
	return ""
}

// freshBlood holds when the latest ranked appearance is sanguineous and was
// charted more than 48 h after placement. It is about a state and ends with a
// later ranked appearance that is lighter. A policy may ask for a second look that
// agrees, unless more is coming out or the look before was lighter by two ranks.
func freshBlood(v *view) *Finding {
	from := v.stay.Start.Add(v.FreshBloodAfter)
	var run []drain.Entry
	for k := 0; ; k++ {
		l := v.look(k)
		if l == nil || l.of.Appearance != drain.Sanguineous || !l.at.After(from) {
			break
		}
		run = append(run, l.of)
	}
	if len(run) == 0 || v.FreshSecondLook && len(run) == 1 && !v.plainBlood() {
		return nil
	}
	slices.Reverse(run)
	age := run[0].At.Sub(v.stay.Start)
	headline := fmt.Sprintf("Fresh blood %s after placement", window.Span(age.Truncate(time.Hour)))
	text := fmt.Sprintf("The fluid was sanguineous at %s, %s after %s, and has not been lighter since. Threshold: %s.",
		v.at(run[0].At), window.Span(age), v.placement(), window.Span(v.FreshBloodAfter))
	return v.finding(drain.High, run[0].At, headline, text, run...).
		figure("time since placement", hours(age), "h", hours(v.FreshBloodAfter))
}

// plainBlood reports whether a single sanguineous look needs no second one.
func (v *view) plainBlood() bool {
	if _, rises := v.rise(); rises || slices.ContainsFunc(v.brisk(), func(s []briskSpan) bool { return len(s) > 0 }) {
		return true
	}
	before := v.look(1)
	return before == nil || v.look(0).rank-before.rank > 1
}

// placement words the beginning of the stay.
func (v *view) placement() string {
	if v.stay.Charted {
		return "placement at " + v.at(v.stay.Start)
	}
	return "the first entry at " + v.at(v.stay.Start) + " (no placement is charted)"
}

// suspectFluid holds when the fluid was charted purulent, bilious, chylous,
// feculent or urine-like, in an emptying or a check, or with a foul odour. Bilious
// fluid is what a biliary drain is for. Colour and consistency are charted apart
// from this, since a milky look may be pus or chyle; the colour is shown as it was
// charted. Odour alone is moderate.
//
// It is about a state and ends with a later emptying of another appearance that
// is not suspect and, of an odour, one that smells otherwise or says nothing of it;
// a mere check, or an emptying without an appearance, does not end it.
func suspectFluid(v *view) *Finding {
	suspects := v.suspects()
	run := v.run(
		func(e drain.Entry) bool { return slices.Contains(suspects, string(e.Appearance)) },
		func(e drain.Entry) bool { return e.Kind == drain.Emptying && e.Appearance != "" })
	smells := v.run(
		drain.Entry.Foul,
		func(e drain.Entry) bool { return e.Kind == drain.Emptying && (e.Appearance != "" || e.Odour != "") })
	if len(run) == 0 && len(smells) == 0 {
		return nil
	}
	if len(run) == 0 {
		text := fmt.Sprintf("The fluid smelled foul at %s.", v.at(smells[len(smells)-1].At))
		return v.finding(drain.Moderate, smells[0].At, "Fluid smells foul", text, smells...).
			figure("odour", smells[len(smells)-1].Odour, "", "")
	}
	last := run[len(run)-1]
	var looks []string
	milky := false
	for _, e := range run {
		words := string(e.Appearance)
		milky = milky || e.Appearance == drain.Purulent || e.Appearance == drain.Chylous
		if e.Colour != "" {
			words += fmt.Sprintf(" (colour %q)", e.Colour)
		}
		if !slices.Contains(looks, words) {
			looks = append(looks, words)
		}
	}
	headline := upper(string(last.Appearance)) + " fluid"
	text := fmt.Sprintf("The fluid was %s at %s", list(looks), v.at(run[0].At))
	if len(run) > 1 {
		text = fmt.Sprintf("The fluid was %s, %s from %s to %s", list(looks), count(len(run), "time", "times"), v.at(run[0].At), v.at(last.At))
	}
	text += ", and no emptying since has looked different."
	if len(smells) > 0 {
		headline += ", smells foul"
		text += fmt.Sprintf(" It smelled foul at %s.", v.at(smells[len(smells)-1].At))
	}
	if milky {
		text += " A milky look may be pus or chyle; a test of the fluid tells them apart."
	}
	return v.finding(drain.High, run[0].At, headline, text, append(run, smells...)...).
		figure("appearance", string(last.Appearance), "", strings.Join(suspects, ", "))
}

func (v *view) suspects() []string {
	var names []string
	for _, a := range [...]drain.Appearance{drain.Purulent, drain.Bilious, drain.Chylous, drain.Feculent, drain.UrineLike} {
		if a != drain.Bilious || v.subject.Drain.Compartment != drain.Biliary {
			names = append(names, string(a))
		}
	}
	return names
}
