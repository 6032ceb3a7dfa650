package escalate

import (
	"fmt"
	"slices"

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
// assessment in which nothing was judged does not count. Assessments of one
// instant are taken together.
func siteSigns(v *view) *Finding {
	assessed := func(e drain.Entry) bool { return e.Kind == drain.Site && (e.Assessed || len(e.Signs) > 0) }
	run := v.run(
		func(e drain.Entry) bool { return assessed(e) && len(e.Signs) > 0 },
		assessed)
	if len(run) == 0 {
		return nil
	}
	latest := run[len(run)-1].At
	var signs []string
	var now []drain.Entry
	inflamed, pus := 0, false
	for _, e := range run {
		if !e.At.Equal(latest) {
			continue
		}
		now = append(now, e)
		for _, s := range e.Signs {
			if slices.Contains(signs, string(s)) {
				continue
			}
			signs = append(signs, string(s))
			pus = pus || s == drain.Pus
			if slices.Contains(inflammation[:], s) {
				inflamed++
			}
		}
	}
	slices.Sort(signs)
	if i := slices.Index(signs, string(drain.SutureLoose)); i >= 0 {
		signs[i] = "a loose suture"
	}
	severity := drain.Moderate
	if pus || inflamed >= v.SiteSignsHigh {
		severity = drain.High
	}
	text := fmt.Sprintf("The site was charted with %s at %s. The ward's rule calls at any sign, and ranks pus, or %d and more of redness, swelling, warmth and tenderness, as high.",
		list(signs), v.at(latest), v.SiteSignsHigh)
	return v.finding(severity, run[0].At, text, now...).
		figure("signs of inflammation", fmt.Sprint(inflamed), "1", fmt.Sprint(v.SiteSignsHigh))
}
