package escalate

import (
	"fmt"
	"time"

	"tidemark/internal/balance"
	"tidemark/internal/drain"
)

// Sibling is another drain that is in place in the same patient, with what was
// charted of it lately.
type Sibling struct {
	Drain   drain.Drain
	Placed  time.Time     // zero: not known
	Entries []drain.Entry // of this stay, in order
}

// Beside is the drain as others of the patient see it.
func (s Subject) Beside(now time.Time) Sibling {
	stay := s.Stay(now)
	return Sibling{Drain: s.Drain, Placed: stay.PlacedAt(), Entries: s.During(stay, now)}
}

// MaySwap reports whether an emptying of the last 24 h is so unlike those before it
// that it may be another drain's: only then are the siblings looked at, and worth
// reading.
func MaySwap(r Rules, s Subject, now time.Time) bool {
	v := look(r, s, now)
	if r.SwapFactor.Sign() <= 0 || !v.inPlace() || v.Off["reading-doubt"] {
		return false
	}
	for k := range v.since(now.Add(-r.DoubtLast)) {
		if own, ok := v.sideOf(k); ok && own.odd(r) {
			return true
		}
	}
	return false
}

// side is an emptying of one of two drains, and what was to be expected of it.
type side struct {
	iv       *interval
	net      drain.Volume
	usual    drain.Volume // at the median rate of the intervals before
	now, was drain.Appearance
}

func (v *view) sideOf(k int) (side, bool) {
	iv := v.back(k)
	return v.side(iv, v.back(k+1), v.knownBefore(k, v.RateReadings))
}

func (v *view) side(iv, last *interval, before []*interval) (side, bool) {
	if last == nil || !iv.known || len(before) < v.SwapReadings {
		return side{}, false
	}
	return side{iv: iv, net: iv.net, usual: gives(medianRate(before), iv.length()), now: looks(iv), was: looks(last)}, true
}

func looks(iv *interval) drain.Appearance { return drain.Emptied{Readings: iv.entries}.Appearance() }

// apart reports whether two looks are certainly not the same fluid: ranked ones are
// two ranks apart, since one look may be misjudged by one.
func apart(a, b drain.Appearance) bool {
	i, ranked := a.Rank()
	j, too := b.Rank()
	return a != "" && b != "" && a != b && (!ranked || !too || max(i-j, j-i) > 1)
}

// odd reports whether the emptying may be another drain's: whatever swapped finds
// is so.
func (s side) odd(r Rules) bool {
	square, usual := s.net.Times(s.net), s.usual.Times(s.usual)
	return apart(s.now, s.was) || square.Cmp(usual.Times(r.SwapFactor)) >= 0 || square.Times(r.SwapFactor).Cmp(usual) <= 0
}

// swapped reports whether each of two emptyings is as the other was to be: by their
// volumes, where the drains differ enough, and by their looks, where these do; at
// least one of the two tells them apart.
func (r Rules) swapped(a, b side) bool {
	less, more := a, b
	if b.usual.Cmp(a.usual) < 0 {
		less, more = b, a
	}
	volumes := more.usual.Sub(less.usual).Cmp(r.SwapVolume) >= 0 && more.usual.Cmp(less.usual.Times(r.SwapFactor)) >= 0
	if volumes {
		// On a scale of ratios the middle between the two is the root of their product.
		middle := more.usual.Times(less.usual)
		if more.net.Times(more.net).Cmp(middle) >= 0 || less.net.Times(less.net).Cmp(middle) <= 0 {
			return false
		}
	}
	fluids := apart(a.was, b.was)
	if fluids && (a.now != b.was || b.now != a.was) {
		return false
	}
	return volumes || fluids
}

// doubtsOfSwap finds emptyings that may have been charted on each other's drain. It
// is said of the later of the two, so that one mistake is one doubt.
func (v *view) doubtsOfSwap(oldest time.Time) (doubts []doubt) {
	if v.SwapFactor.Sign() <= 0 {
		return nil
	}
	for _, sibling := range v.subject.Siblings {
		var others []*interval
		for _, b := range balance.Intervals(sibling.Entries, sibling.Placed, v.OneEmptying) {
			others = append(others, intervalOf(&b))
		}
		for k := range v.since(oldest) {
			own, ok := v.sideOf(k)
			if !ok || !own.odd(v.Rules) {
				continue
			}
			for i, iv := range others {
				before := own.iv.end.Sub(iv.end)
				if i == 0 || before > v.OneEmptying || before < 0 || before == 0 && sibling.Drain.ID > v.subject.Drain.ID {
					continue
				}
				var known []*interval
				for j := i - 1; j >= 0 && len(known) < v.RateReadings; j-- {
					if others[j].known {
						known = append(known, others[j])
					}
				}
				if other, ok := v.side(iv, others[i-1], known); ok && v.swapped(own, other) {
					doubts = append(doubts, v.doubtOfSwap(own, other, sibling.Drain))
				}
			}
		}
	}
	return doubts
}

func (v *view) doubtOfSwap(own, other side, sibling drain.Drain) doubt {
	name := sibling.Label
	if name == "" {
		name = "the other drain"
	}
	words := func(s side, look drain.Appearance, net drain.Volume) string {
		if apart(s.was, own.was) || apart(s.was, other.was) {
			return net.About() + " " + string(look)
		}
		return net.About()
	}
	return doubt{
		own.iv.end, fmt.Sprintf("Swapped with %s? Each is as the other was", name),
		fmt.Sprintf("%s here at %s and %s from %s at %s, where %s and %s were to be expected: they may have been swapped.",
			words(own, own.now, own.net), v.at(own.iv.end), words(other, other.now, other.net), name, v.at(other.iv.end),
			words(own, own.was, own.usual), words(other, other.was, other.usual)),
		Figure{"volume, expected at the usual rate", exactly(own.net), "mL", rounded(own.usual)},
		append(append([]drain.Entry{}, own.iv.entries...), other.iv.entries...),
	}
}

// intervalOf makes an interval of the rules of one of package balance.
func intervalOf(b *balance.Interval) *interval {
	return &interval{start: b.Start, end: b.End, net: b.Net(), known: b.Known && b.Start.Before(b.End), entries: b.Readings}
}
