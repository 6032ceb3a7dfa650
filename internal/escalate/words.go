package escalate

import (
	"fmt"
	"math/big"
	"regexp"
	"strings"
	"time"

	"tidemark/internal/drain"
	"tidemark/internal/window"
)

// at words an instant on the ward's clock.
func (v *view) at(t time.Time) string {
	zone := v.subject.Zone
	if zone == nil {
		zone = time.UTC
	}
	return window.Clock(t, v.now.In(zone))
}

// dated is a date as at words it.
var dated = regexp.MustCompile(` on \d{1,2} [A-Z][a-z]{2}( \d{4})?`)

// Undated takes the dates out of the words of a finding: what differs in nothing
// else is the same finding, read on another day.
func Undated(words string) string { return dated.ReplaceAllString(words, "") }

// exactly words a number as charted; a number without a finite decimal to six
// places.
func exactly(v drain.Volume) string { return v.Text(6) }

// ml words a volume as it was charted, or a threshold.
func ml(v drain.Volume) string { return exactly(v) + " mL" }

// rounded words a computed number for machines.
func rounded(v drain.Volume) string { return v.Text(2) }

func hours(d time.Duration) string { return rounded(drain.ML(big.NewRat(int64(d), int64(time.Hour)))) }

func minutes(d time.Duration) string {
	return rounded(drain.ML(big.NewRat(int64(d), int64(time.Minute))))
}

// perHour is the exact rate in mL/h of a volume over a span that is not empty.
func perHour(v drain.Volume, over time.Duration) drain.Volume {
	return v.Scale(int64(time.Hour), int64(over))
}

// gives is what a rate in mL/h gives in a span.
func gives(rate drain.Volume, span time.Duration) drain.Volume {
	return rate.Scale(int64(span), int64(time.Hour))
}

// share is so many percent of a volume.
func share(v, percent drain.Volume) drain.Volume { return v.Times(percent).Scale(1, 100) }

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

// netOfIrrigant says so where the volumes are not those that were measured.
func netOfIrrigant(entries []drain.Entry) string {
	for _, e := range entries {
		if e.Instilled.Sign() != 0 {
			return " Volumes are less the irrigant put in."
		}
	}
	return ""
}

// upper begins a sentence.
func upper(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}
