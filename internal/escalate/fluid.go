package escalate

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"tidemark/internal/drain"
)

// ranked is what was charted of the fluid at an instant: the darkest of the ranked
// appearances, where several were charted for it.
type ranked struct {
	at   time.Time
	rank int
	of   drain.Entry
}

// findRanked gives the appearances that have a rank, in order, of emptyings and
// reservoir checks alike.
func (v *view) findRanked() []ranked {
	var looks []ranked
	for _, e := range v.entries {
		rank, ok := e.Appearance.Rank()
		if !ok {
			continue
		}
		if last := len(looks) - 1; last >= 0 && looks[last].at.Equal(e.At) {
			if rank > looks[last].rank {
				looks[last].rank, looks[last].of = rank, e
			}
			continue
		}
		looks = append(looks, ranked{e.At, rank, e})
	}
	return looks
}

// darker holds when the latest ranked appearance is darker than the lightest of
// the 24 h before it (an entry exactly 24 h before included), in the order clear,
// serous, serosanguineous, sanguineous. Fluids without a rank are passed over.
//
// It is about a state, and ends with a later ranked appearance that is not darker
// than the lightest of its own 24 h before: when the fluid has cleared again, or
// has stayed dark for so long.
func darker(v *view) *Finding {
	looks := v.ranked()
	if len(looks) == 0 {
		return nil
	}
	last := len(looks) - 1
	lightest, dark := v.lightestBefore(looks, last)
	if !dark {
		return nil
	}
	first := last
	for first > 0 {
		if _, dark := v.lightestBefore(looks, first-1); !dark {
			break
		}
		first--
	}
	now := looks[last]
	text := fmt.Sprintf("The fluid was charted %s at %s, and %s at %s, within the %s before: it has become darker. The ward's rule calls at any darkening within %s.",
		now.of.Appearance, v.at(now.at), lightest.of.Appearance, v.at(lightest.at), spell(v.DarkerSpan), spell(v.DarkerSpan))
	return v.finding(drain.High, looks[first].at, text, lightest.of, now.of).
		figure("latest appearance", string(now.of.Appearance), "", string(lightest.of.Appearance))
}

// lightestBefore gives the lightest look, the latest of equals, in the span before
// a look, and whether that one is darker.
func (v *view) lightestBefore(looks []ranked, last int) (lightest ranked, darker bool) {
	lightest = looks[last]
	oldest := looks[last].at.Add(-v.DarkerSpan)
	for i := last - 1; i >= 0 && !looks[i].at.Before(oldest); i-- {
		if looks[i].rank < lightest.rank {
			lightest = looks[i]
		}
	}
	return lightest, lightest.rank < looks[last].rank
}

// freshBlood holds when the latest ranked appearance is sanguineous and was
// charted more than 48 h after placement. It is about a state and ends with a
// later ranked appearance that is lighter.
func freshBlood(v *view) *Finding {
	from := v.stay.Start.Add(v.FreshBloodAfter)
	var run []drain.Entry
	for _, l := range slices.Backward(v.ranked()) {
		if l.of.Appearance != drain.Sanguineous || !l.at.After(from) {
			break
		}
		run = append(run, l.of)
	}
	if len(run) == 0 {
		return nil
	}
	slices.Reverse(run)
	age := run[0].At.Sub(v.stay.Start)
	text := fmt.Sprintf("The fluid was charted sanguineous at %s, %s after %s, and not lighter since. The ward's rule calls at sanguineous fluid more than %s after placement.",
		v.at(run[0].At), spell(age), v.placement(), spell(v.FreshBloodAfter))
	return v.finding(drain.High, run[0].At, text, run...).
		figure("time since placement", hours(age), "h", hours(v.FreshBloodAfter))
}

// placement words the beginning of the stay.
func (v *view) placement() string {
	if v.stay.Charted {
		return "the placement at " + v.at(v.stay.Start)
	}
	return "the first entry at " + v.at(v.stay.Start) + " (the placement is not charted)"
}

// suspectFluid holds when the fluid was charted purulent, bilious, chylous,
// feculent or urine-like, in an emptying or a check. Bilious fluid is what a
// biliary drain is for. Colour and consistency are charted apart from this, since
// a milky look may be pus or chyle; the colour is shown as it was charted.
//
// It is about a state and ends with a later emptying of another appearance that
// is not suspect; a mere check, or an emptying without an appearance, does not end
// it.
func suspectFluid(v *view) *Finding {
	suspects := v.suspects()
	suspect := func(e drain.Entry) bool { return slices.Contains(suspects, string(e.Appearance)) }
	run := v.run(suspect, func(e drain.Entry) bool { return e.Kind == drain.Emptying && e.Appearance != "" })
	if len(run) == 0 {
		return nil
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
	text := fmt.Sprintf("The fluid was charted %s, %s from %s to %s, and no emptying since has looked otherwise.",
		list(looks), count(len(run), "time", "times"), v.at(run[0].At), v.at(last.At))
	if len(run) == 1 {
		text = fmt.Sprintf("The fluid was charted %s at %s, and no emptying since has looked otherwise.", list(looks), v.at(last.At))
	}
	if milky {
		text += " A milky look may be pus or chyle; a test of the fluid tells them apart."
	}
	text += fmt.Sprintf(" The ward's rule calls at %s fluid from a %s drain.", strings.Join(suspects, ", "), v.compartment())
	return v.finding(drain.High, run[0].At, text, run...).
		figure("appearance", string(last.Appearance), "", "")
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

func (v *view) compartment() string {
	if c := v.subject.Drain.Compartment; c != "" && c != drain.Unspecified {
		return string(c)
	}
	return "closed-suction"
}
