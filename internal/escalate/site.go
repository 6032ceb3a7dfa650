package escalate

import (
	"fmt"
	"slices"
	"time"

	"tidemark/internal/drain"
)

// inflammation are the signs that count together.
var inflammation = [...]drain.Sign{drain.Redness, drain.Swelling, drain.Warmth, drain.Tenderness}

// siteSigns holds when the latest site assessment shows a sign. Pus is high, and
// so are two or more of redness, swelling, warmth and tenderness; one of these is
// moderate. Leakage around the drain and a loose suture are mechanical: each is
// moderate, and they are not added to the others.
//
// It is about a state and ends with a later assessment without signs; an
// assessment in which nothing was assessed does not count. Assessments of one
// instant are taken together.
func siteSigns(v *view) *Finding {
	s, ok := v.site()
	if !ok {
		return nil
	}
	inflamed, pus := 0, false
	var words []string
	for _, sign := range s.signs {
		pus = pus || sign == drain.Pus
		if slices.Contains(inflammation[:], sign) {
			inflamed++
		}
		words = append(words, signWords(sign))
	}
	severity := drain.Moderate
	if pus || inflamed >= v.SiteSignsHigh {
		severity = drain.High
	}
	text := fmt.Sprintf("The site showed %s at %s.", list(words), v.at(s.at))
	if severity == drain.High && !pus {
		text += fmt.Sprintf(" Threshold: %d of redness, swelling, warmth and tenderness.", v.SiteSignsHigh)
	}
	return v.finding(severity, s.since, "Drain site: "+list(words), text, s.of...).
		figure("signs of inflammation", fmt.Sprint(inflamed), "1", fmt.Sprint(v.SiteSignsHigh))
}

func signWords(s drain.Sign) string {
	if s == drain.SutureLoose {
		return "loose suture"
	}
	return string(s)
}

// site is what the latest assessment of the site shows, if it shows a sign.
type site struct {
	at, since time.Time
	signs     []drain.Sign // sorted
	of        []drain.Entry
}

func (v *view) findSite() (s site, ok bool) {
	assessed := func(e drain.Entry) bool { return e.Kind == drain.Site && (e.Assessed || len(e.Signs) > 0) }
	run := v.run(
		func(e drain.Entry) bool { return assessed(e) && len(e.Signs) > 0 },
		assessed)
	if len(run) == 0 {
		return s, false
	}
	s.at, s.since = run[len(run)-1].At, run[0].At
	for _, e := range run {
		if e.At.Equal(s.at) {
			s.of = append(s.of, e)
			s.signs = append(s.signs, e.Signs...)
		}
	}
	slices.Sort(s.signs)
	s.signs = slices.Compact(s.signs)
	return s, true
}

// shown are those of some signs that the site shows, in words, and the entries.
type shown struct {
	words []string
	by    []drain.Entry
}

func (v *view) signs(of ...drain.Sign) (found shown) {
	s, ok := v.site()
	if !ok {
		return found
	}
	for _, sign := range s.signs {
		if slices.Contains(of, sign) {
			found.words, found.by = append(found.words, signWords(sign)), s.of
		}
	}
	return found
}
