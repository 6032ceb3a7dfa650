package statistics

import (
	"errors"
	"math/big"
	"slices"
	"time"
)

// System is the code system of the codes.
const System = "http://terminology.hl7.org/CodeSystem/observation-statistics"

// Code is a code of System.
type Code string

// The codes, in the order of the code system.
const (
	Average    Code = "average"
	Maximum    Code = "maximum"
	Minimum    Code = "minimum"
	Count      Code = "count"
	TotalCount Code = "total-count"
	Median     Code = "median"
	StdDev     Code = "std-dev"
	Sum        Code = "sum"
	Variance   Code = "variance"
	Percent20  Code = "20-percent"
	Percent80  Code = "80-percent"
	Quartile1  Code = "4-lower"
	Quartile3  Code = "4-upper"
	QuartDev   Code = "4-dev"
	Quintile1  Code = "5-1"
	Quintile2  Code = "5-2"
	Quintile3  Code = "5-3"
	Quintile4  Code = "5-4"
	Skew       Code = "skew"
	Kurtosis   Code = "kurtosis"
	Regression Code = "regression"
)

// displays are those of the operation's definition.
var displays = []struct {
	code    Code
	display string
}{
	{Average, "Average"}, {Maximum, "Maximum"}, {Minimum, "Minimum"}, {Count, "Count"}, {TotalCount, "Total Count"},
	{Median, "Median"}, {StdDev, "Standard Deviation"}, {Sum, "Sum"}, {Variance, "Variance"},
	{Percent20, "20th Percentile"}, {Percent80, "80th Percentile"},
	{Quartile1, "Lower Quartile"}, {Quartile3, "Upper Quartile"}, {QuartDev, "Quartile Deviation"},
	{Quintile1, "1st Quintile"}, {Quintile2, "2nd Quintile"}, {Quintile3, "3rd Quintile"}, {Quintile4, "4th Quintile"},
	{Skew, "Skew"}, {Kurtosis, "Kurtosis"}, {Regression, "Regression"},
}

// Codes lists all codes.
func Codes() []Code {
	out := make([]Code, len(displays))
	for i, d := range displays {
		out[i] = d.code
	}
	return out
}

// Display is the code in words, "" for a code that there is not.
func (c Code) Display() string {
	for _, d := range displays {
		if d.code == c {
			return d.display
		}
	}
	return ""
}

// Scale says how the unit of a figure follows from that of the values.
type Scale int

// The scales.
const (
	Value      Scale = iota // a value, or a sum of values
	Difference              // a distance between values
	Square                  // a squared distance
	Rate                    // a distance per hour
	Ratio                   // a plain number
	Number                  // how many
)

// Figure is one result.
type Figure struct {
	Code  Code
	Part  string // "gradient" or "intercept" of the regression, else ""
	Scale Scale
	Value *big.Rat // nil where it is not defined
}

// Point is one measured value and when it was measured; the zero time where
// that is not known, and then the regression leaves it out.
type Point struct {
	At    time.Time
	Value *big.Rat
}

// Sample is a list of values, ready for any of the statistics. All values are
// kept as whole multiples of one fraction, so that sums of powers are exact
// and need no cancelling down.
type Sample struct {
	total  int
	unit   *big.Int   // the fraction's denominator
	values []*big.Int // ascending
	timed  []timed
}

type timed struct {
	at    int64 // microseconds since the origin
	value *big.Int
}

// maxBits bounds the digits that are computed with: about 600. A measured
// value has a dozen.
const maxBits = 2048

// ErrDigits says that the values carry more digits than are computed with.
var ErrDigits = errors.New("the values carry too many digits")

// NewSample takes the values in. total counts the measurements together with
// those that have no usable value; origin is the hour zero of the regression.
// The only error is ErrDigits.
func NewSample(points []Point, total int, origin time.Time) (*Sample, error) {
	s := &Sample{total: total, unit: big.NewInt(1)}
	for _, p := range points {
		d := p.Value.Denom()
		g := new(big.Int).GCD(nil, nil, s.unit, d)
		s.unit.Mul(s.unit, g.Quo(d, g))
		if s.unit.BitLen() > maxBits || p.Value.Num().BitLen() > maxBits {
			return nil, ErrDigits
		}
	}
	for _, p := range points {
		v := new(big.Int).Quo(s.unit, p.Value.Denom())
		v.Mul(v, p.Value.Num())
		s.values = append(s.values, v)
		if !p.At.IsZero() {
			s.timed = append(s.timed, timed{p.At.UnixMicro() - origin.UnixMicro(), v})
		}
	}
	slices.SortFunc(s.values, (*big.Int).Cmp)
	return s, nil
}

// Figures computes a statistic: one figure, for the regression two, and none
// for a code that there is not.
func (s *Sample) Figures(c Code) []Figure {
	if c == Regression {
		gradient, intercept := s.regression()
		return []Figure{{c, "gradient", Rate, gradient}, {c, "intercept", Value, intercept}}
	}
	f := Figure{Code: c}
	switch c {
	case Count:
		f.Scale, f.Value = Number, whole(len(s.values))
	case TotalCount:
		f.Scale, f.Value = Number, whole(s.total)
	case Sum:
		f.Value = s.rat(s.sum(), 1)
	case Average:
		if n := len(s.values); n > 0 {
			f.Value = s.rat(s.sum(), int64(n))
		}
	case Minimum:
		f.Value = s.quantile(0, 1)
	case Maximum:
		f.Value = s.quantile(1, 1)
	case Median:
		f.Value = s.quantile(1, 2)
	case Percent20, Quintile1:
		f.Value = s.quantile(1, 5)
	case Quintile2:
		f.Value = s.quantile(2, 5)
	case Quintile3:
		f.Value = s.quantile(3, 5)
	case Percent80, Quintile4:
		f.Value = s.quantile(4, 5)
	case Quartile1:
		f.Value = s.quantile(1, 4)
	case Quartile3:
		f.Value = s.quantile(3, 4)
	case QuartDev:
		f.Scale = Difference
		if q1 := s.quantile(1, 4); q1 != nil {
			d := new(big.Rat).Sub(s.quantile(3, 4), q1)
			f.Value = d.Quo(d, whole(2))
		}
	case Variance:
		f.Scale, f.Value = Square, s.variance()
	case StdDev:
		f.Scale, f.Value = Difference, root(s.variance())
	case Skew:
		f.Scale, f.Value = Ratio, s.skew()
	case Kurtosis:
		f.Scale = Ratio
		if m2 := s.moment(2); m2 != nil && m2.Sign() > 0 {
			f.Value = new(big.Rat).Quo(s.moment(4), m2.Mul(m2, m2))
		}
	default:
		return nil
	}
	return []Figure{f}
}

func whole(n int) *big.Rat { return new(big.Rat).SetInt64(int64(n)) }

// rat is a sum of values over n.
func (s *Sample) rat(sum *big.Int, n int64) *big.Rat {
	return new(big.Rat).SetFrac(sum, new(big.Int).Mul(s.unit, big.NewInt(n)))
}

func (s *Sample) sum() *big.Int {
	sum := new(big.Int)
	for _, v := range s.values {
		sum.Add(sum, v)
	}
	return sum
}

// quantile is the one of p/q.
func (s *Sample) quantile(p, q int64) *big.Rat {
	n := int64(len(s.values))
	if n == 0 {
		return nil
	}
	at := (n - 1) * p
	i, part := at/q, at%q
	// values[i] + (values[i+1] − values[i])·part/q, over q
	sum := new(big.Int).Mul(s.values[i], big.NewInt(q))
	if part > 0 {
		d := new(big.Int).Sub(s.values[i+1], s.values[i])
		sum.Add(sum, d.Mul(d, big.NewInt(part)))
	}
	return s.rat(sum, q)
}

// moment is the central moment of the order k, with n below the line.
func (s *Sample) moment(k int64) *big.Rat {
	if len(s.values) == 0 {
		return nil
	}
	n := big.NewInt(int64(len(s.values)))
	mean, power, order := s.sum(), new(big.Int), big.NewInt(k) // mean is n times the mean
	total := new(big.Int)
	for _, v := range s.values {
		power.Mul(v, n)
		power.Sub(power, mean)
		total.Add(total, power.Exp(power, order, nil))
	}
	below := new(big.Int).Mul(n, s.unit)
	below.Exp(below, order, nil)
	return new(big.Rat).SetFrac(total, below.Mul(below, n))
}

func (s *Sample) variance() *big.Rat {
	n := len(s.values)
	if n < 2 {
		return nil
	}
	m := s.moment(2)
	return m.Mul(m, big.NewRat(int64(n), int64(n-1)))
}

func (s *Sample) skew() *big.Rat {
	m2 := s.moment(2)
	if m2 == nil || m2.Sign() == 0 {
		return nil
	}
	m3 := s.moment(3)
	cube := new(big.Rat).Mul(m2, m2)
	cube.Mul(cube, m2)
	square := new(big.Rat).Mul(m3, m3)
	out := root(square.Quo(square, cube))
	if m3.Sign() < 0 {
		out.Neg(out)
	}
	return out
}

// root is the square root; nil of nil. An exact root comes out exactly.
func root(r *big.Rat) *big.Rat {
	if r == nil {
		return nil
	}
	num, denom := new(big.Int).Sqrt(r.Num()), new(big.Int).Sqrt(r.Denom())
	exact := new(big.Rat).SetFrac(num, denom)
	if new(big.Rat).Mul(exact, exact).Cmp(r) == 0 {
		return exact
	}
	f := new(big.Float).SetPrec(200).SetRat(r)
	out, _ := f.Sqrt(f).Rat(nil)
	return out
}

// regression fits value = intercept + gradient · hours since the origin.
func (s *Sample) regression() (gradient, intercept *big.Rat) {
	n := big.NewInt(int64(len(s.timed)))
	var sx, sy, sxx, sxy big.Int
	for _, p := range s.timed {
		x := big.NewInt(p.at)
		sx.Add(&sx, x)
		sy.Add(&sy, p.value)
		sxy.Add(&sxy, new(big.Int).Mul(x, p.value))
		sxx.Add(&sxx, x.Mul(x, x))
	}
	times := func(a, b *big.Int) *big.Int { return new(big.Int).Mul(a, b) }
	above := times(n, &sxy)
	above.Sub(above, times(&sx, &sy))
	below := times(n, &sxx)
	below.Sub(below, times(&sx, &sx))
	if below.Sign() == 0 {
		return nil, nil
	}
	gradient = new(big.Rat).SetFrac(above, below.Mul(below, s.unit)) // per microsecond
	intercept = s.rat(&sy, n.Int64())
	intercept.Sub(intercept, new(big.Rat).Mul(gradient, new(big.Rat).SetFrac(&sx, n)))
	return gradient.Mul(gradient, whole(int(time.Hour/time.Microsecond))), intercept
}
