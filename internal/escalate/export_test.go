package escalate

import "time"

// Work is how many entries, emptyings and looks one evaluation looks at.
func Work(r Rules, s Subject, now time.Time) int {
	v := look(r, s, now)
	v.findings()
	v.nextChange()
	return v.work
}
