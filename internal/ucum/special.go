package ucum

import (
	"errors"
	"math"
	"math/big"
)

// A function is the scale of a special unit. toRatio turns a reading on the
// scale into a multiple of the reference unit; fromRatio does the reverse.
type function struct {
	exact              bool
	toRatio, fromRatio func(*big.Rat) (*big.Rat, error)
}

var errOutOfRange = errors.New("the value is outside the range of the unit")

// functionByName returns the scale that the unit table names.
func functionByName(name string) (function, bool) {
	switch name {
	case "Cel":
		return offset(big.NewRat(27315, 100)), true
	case "degF":
		return offset(big.NewRat(45967, 100)), true
	case "degRe": // 273.15 K in steps of 5/4 K
		return offset(big.NewRat(21852, 100)), true
	case "pH", "hpX":
		return logarithm(10, -1), true
	case "hpC":
		return logarithm(100, -1), true
	case "hpM":
		return logarithm(1000, -1), true
	case "hpQ":
		return logarithm(50000, -1), true
	case "lg":
		return logarithm(10, 1), true
	case "lgTimes2":
		return logarithm(10, 2), true
	case "ld":
		return logarithm(2, 1), true
	case "ln":
		return naturalLogarithm, true
	case "tanTimes100":
		return slope(math.Pi / 2), true
	case "100tan": // its reference unit is the degree
		return slope(90), true
	case "sqrt":
		return function{toRatio: square, fromRatio: squareRoot}, true
	}
	return function{}, false
}

func offset(by *big.Rat) function {
	return function{
		exact:     true,
		toRatio:   func(v *big.Rat) (*big.Rat, error) { return new(big.Rat).Add(v, by), nil },
		fromRatio: func(v *big.Rat) (*big.Rat, error) { return new(big.Rat).Sub(v, by), nil },
	}
}

// logarithm is the scale times·log(ratio) to the given base. Whole powers of
// the base are exact in both directions.
func logarithm(base int64, times int64) function {
	const maxPower = 300
	power := func(n int64) *big.Rat {
		p := new(big.Int).Exp(big.NewInt(base), big.NewInt(max(n, -n)), nil)
		if n < 0 {
			return new(big.Rat).SetFrac(big.NewInt(1), p)
		}
		return new(big.Rat).SetInt(p)
	}
	return function{
		toRatio: func(v *big.Rat) (*big.Rat, error) {
			e := new(big.Rat).Quo(v, big.NewRat(times, 1))
			if e.IsInt() && e.Num().IsInt64() && e.Num().Int64() <= maxPower && e.Num().Int64() >= -maxPower {
				return power(e.Num().Int64()), nil
			}
			f, _ := e.Float64()
			return positive(math.Pow(float64(base), f))
		},
		fromRatio: func(v *big.Rat) (*big.Rat, error) {
			if v.Sign() <= 0 {
				return nil, errOutOfRange
			}
			f, _ := v.Float64()
			e := math.Log(f) / math.Log(float64(base))
			if n := math.Round(e); math.Abs(n) <= maxPower && power(int64(n)).Cmp(v) == 0 {
				return new(big.Rat).SetInt64(int64(n) * times), nil
			}
			return fromFloat(e * float64(times))
		},
	}
}

// slope is the scale 100·tan(angle); a right angle is the number given.
func slope(rightAngle float64) function {
	unit := rightAngle / (math.Pi / 2)
	return function{
		toRatio: func(v *big.Rat) (*big.Rat, error) {
			f, _ := v.Float64()
			return fromFloat(math.Atan(f/100) * unit)
		},
		fromRatio: func(v *big.Rat) (*big.Rat, error) {
			f, _ := v.Float64()
			if math.Abs(f) >= rightAngle {
				return nil, errOutOfRange
			}
			return fromFloat(math.Tan(f/unit) * 100)
		},
	}
}

var naturalLogarithm = function{
	toRatio: func(v *big.Rat) (*big.Rat, error) {
		f, _ := v.Float64()
		return positive(math.Exp(f))
	},
	fromRatio: func(v *big.Rat) (*big.Rat, error) {
		f, _ := v.Float64()
		return fromFloat(math.Log(f))
	},
}

// A root can only give back its positive side, so a negative reading, which
// would not come back, is out of range.
func square(v *big.Rat) (*big.Rat, error) {
	if v.Sign() < 0 {
		return nil, errOutOfRange
	}
	return new(big.Rat).Mul(v, v), nil
}

func squareRoot(v *big.Rat) (*big.Rat, error) {
	if v.Sign() < 0 {
		return nil, errOutOfRange
	}
	num, den := new(big.Int).Sqrt(v.Num()), new(big.Int).Sqrt(v.Denom())
	root := new(big.Rat).SetFrac(num, den)
	if new(big.Rat).Mul(root, root).Cmp(v) == 0 {
		return root, nil
	}
	f, _ := v.Float64()
	return fromFloat(math.Sqrt(f))
}

func fromFloat(f float64) (*big.Rat, error) {
	r := new(big.Rat).SetFloat64(f)
	if r == nil {
		return nil, errOutOfRange
	}
	return r, nil
}

// positive refuses a power that is too small for a float64 and became zero.
func positive(f float64) (*big.Rat, error) {
	if f == 0 {
		return nil, errOutOfRange
	}
	return fromFloat(f)
}
