package trend

import "testing"

// Steep enough, and certain that it is not level.
func TestAtLeast(t *testing.T) {
	falling := Result{Direction: Falling, Slope: Slope{Value: -0.02, Low: -0.03, High: -0.01, HasInterval: true}}
	for _, c := range []struct {
		name  string
		r     Result
		least float64
		want  Direction
	}{
		{"steep enough", falling, 0.02, Falling},
		{"not steep enough", falling, 0.021, NoClearTrend},
		{"interval with zero", Result{Direction: Rising, Slope: Slope{Value: 0.02, Low: 0, High: 0.03, HasInterval: true}}, 0, NoClearTrend},
		{"no interval", Result{Direction: Rising, Slope: Slope{Value: 0.02}}, 0, NoClearTrend},
		{"too few stays so", Result{Direction: TooFewReadings}, 1, TooFewReadings},
	} {
		if got := c.r.AtLeast(c.least); got.Direction != c.want || (got.Note == "") != (c.r.Direction == got.Direction) {
			t.Errorf("%s: %s (%s), want %s", c.name, got.Direction, got.Note, c.want)
		}
	}
}
