package escalate

import (
	"fmt"
	"math/big"
	"strings"
	"time"

	"tidemark/internal/drain"
)

// at words an instant on the ward's clock.
func (v *view) at(t time.Time) string {
	zone := v.subject.Zone
	if zone == nil {
		zone = time.UTC
	}
	return t.In(zone).Format(clockLayout)
}

const clockLayout = "2006-01-02 15:04 -07:00"

// atAfter words an instant in a list, without date and offset where they are
// those of the instant before.
func (v *view) atAfter(t, before time.Time) string {
	words, last := v.at(t), v.at(before)
	const date, clock = len("2006-01-02"), len("2006-01-02 15:04")
	if words[:date] == last[:date] && words[clock:] == last[clock:] {
		return words[date+1 : clock]
	}
	return words
}

// spell words a span of time: "4 h 15 min", "14 days".
func spell(d time.Duration) string {
	const day = 24 * time.Hour
	if d >= 3*day && d%day == 0 {
		return fmt.Sprintf("%d days", d/day)
	}
	var parts []string
	take := func(unit time.Duration, name string) {
		if n := d / unit; n != 0 {
			parts = append(parts, fmt.Sprintf("%d %s", n, name))
			d -= n * unit
		}
	}
	take(time.Hour, "h")
	take(time.Minute, "min")
	if d != 0 || len(parts) == 0 {
		parts = append(parts, fmt.Sprintf("%g s", d.Seconds()))
	}
	return strings.Join(parts, " ")
}

// exactly words a number as charted; a number without a finite decimal to six
// places.
func exactly(v drain.Volume) string { return v.Text(6) }

func ml(v drain.Volume) string { return exactly(v) + " mL" }

// rounded words a computed number.
func rounded(v drain.Volume) string { return v.Text(2) }

func hours(d time.Duration) string { return rounded(drain.ML(big.NewRat(int64(d), int64(time.Hour)))) }

func minutes(d time.Duration) string {
	return rounded(drain.ML(big.NewRat(int64(d), int64(time.Minute))))
}

// perHour is the exact rate in mL/h of a volume over a span that is not empty.
func perHour(v drain.Volume, over time.Duration) drain.Volume {
	return v.Mul(big.NewRat(int64(time.Hour), int64(over)))
}

// list joins words: "a", "a and b", "a, b and c".
func list(words []string) string {
	if len(words) < 2 {
		return strings.Join(words, "")
	}
	last := len(words) - 1
	return strings.Join(words[:last], ", ") + " and " + words[last]
}

func count(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}
