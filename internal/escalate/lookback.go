package escalate

import "time"

// LookBack is how far before an instant the rules look for figures, so that who
// reads entries need not read a whole stay. The last word on a state may be older.
func (r Rules) LookBack() time.Duration {
	longest := max(2*r.RiseSpan, r.DarkerSpan, r.StopWithin+r.StopBefore, r.LostWithin+r.LostUntil, r.DoubtLast, r.StaleAfter, time.Duration(r.StaleIntervals)*r.IntervalLimit)
	for _, b := range r.Brisk {
		longest = max(longest, r.BriskLast+b.Within)
	}
	return longest + 24*time.Hour // an interval begins before it, and a run of findings too
}
