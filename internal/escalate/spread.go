package escalate

import (
	"fmt"
	"math/big"
	"time"

	"tidemark/internal/drain"
)

// spread is what ran within a span, the volume of each known interval spread
// evenly over it. Balance's totals with the attribution Spread are the same; here
// two cups of one instant are one emptying.
type spread struct {
	from, to time.Time
	volume   drain.Volume
	of       []interval // known intervals that touch the span
}

func spreadOver(intervals []interval, from, to time.Time) spread {
	s := spread{from: from, to: to}
	for _, iv := range intervals {
		if iv.known && iv.end.After(from) && iv.start.Before(to) {
			s.volume = s.volume.Add(iv.share(iv.clip(from, to)))
			s.of = append(s.of, iv)
		}
	}
	return s
}

// clip gives the part of a span that lies in the interval.
func (i interval) clip(from, to time.Time) (time.Time, time.Time) {
	if from.Before(i.start) {
		from = i.start
	}
	if to.After(i.end) {
		to = i.end
	}
	return from, to
}

// share is the part of the volume that ran between two instants of the interval.
func (i interval) share(from, to time.Time) drain.Volume {
	return i.net.Mul(big.NewRat(int64(to.Sub(from)), int64(i.length())))
}

// shares words what each emptying contributes to the span; date and offset are
// given where they change.
func (v *view) shares(s spread) string {
	var words []string
	var before time.Time
	for i, iv := range s.of {
		if i == longestList {
			words = append(words, fmt.Sprintf("the shares of %d more", len(s.of)-i))
			break
		}
		at := v.atAfter(iv.end, before)
		before = iv.end
		from, to := iv.clip(s.from, s.to)
		if to.Sub(from) == iv.length() {
			words = append(words, fmt.Sprintf("%s emptied at %s", ml(iv.net), at))
			continue
		}
		words = append(words, fmt.Sprintf("%s mL as the share of %s in %s of the %s emptied at %s",
			rounded(iv.share(from, to)), spell(to.Sub(from)), spell(iv.length()), ml(iv.net), at))
	}
	return list(words)
}
