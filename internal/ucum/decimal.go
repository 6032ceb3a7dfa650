package ucum

import (
	"math/big"
	"strconv"
	"strings"
)

// Limits on decimal text, far beyond any measurement, that keep hostile
// numbers cheap.
const (
	maxDecimalLen      = 400
	maxDecimalExponent = 1000
)

// ParseDecimal reads decimal text as JSON and FHIR write it: no leading plus
// or zeros, no hexadecimal, underscores or fractions.
func ParseDecimal(s string) (*big.Rat, bool) {
	if len(s) > maxDecimalLen {
		return nil, false
	}
	rest := strings.TrimPrefix(s, "-")
	whole := leadingDigits(rest)
	if whole == 0 || whole > 1 && rest[0] == '0' {
		return nil, false
	}
	rest = rest[whole:]
	if after, ok := strings.CutPrefix(rest, "."); ok {
		n := leadingDigits(after)
		if n == 0 {
			return nil, false
		}
		rest = after[n:]
	}
	if rest != "" {
		if rest[0] != 'e' && rest[0] != 'E' {
			return nil, false
		}
		exp := rest[1:]
		digits := exp
		if exp != "" && (exp[0] == '+' || exp[0] == '-') {
			digits = exp[1:]
		}
		if n := leadingDigits(digits); n == 0 || n != len(digits) {
			return nil, false
		}
		if n, err := strconv.Atoi(exp); err != nil || n > maxDecimalExponent || n < -maxDecimalExponent {
			return nil, false
		}
	}
	return new(big.Rat).SetString(s)
}

func leadingDigits(s string) int {
	n := 0
	for n < len(s) && digit(s[n]) {
		n++
	}
	return n
}

// FormatDecimal writes r as the shortest exact decimal where that takes no
// more than maxPlaces places, and otherwise rounds half to even at maxPlaces.
// It writes no exponent, no trailing zeros and no negative zero.
func FormatDecimal(r *big.Rat, maxPlaces int) string {
	maxPlaces = max(maxPlaces, 0)
	scale := new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(maxPlaces)), nil)
	// q is r·10^maxPlaces rounded half to even, without its sign.
	num := new(big.Int).Mul(new(big.Int).Abs(r.Num()), scale)
	q, rem := new(big.Int).QuoRem(num, r.Denom(), new(big.Int))
	if c := rem.Lsh(rem, 1).Cmp(r.Denom()); c > 0 || c == 0 && q.Bit(0) == 1 {
		q.Add(q, big.NewInt(1))
	}
	if q.Sign() == 0 {
		return "0"
	}
	digits := q.String()
	if pad := maxPlaces + 1 - len(digits); pad > 0 {
		digits = strings.Repeat("0", pad) + digits
	}
	point := len(digits) - maxPlaces
	out := digits[:point]
	if frac := strings.TrimRight(digits[point:], "0"); frac != "" {
		out += "." + frac
	}
	if r.Sign() < 0 {
		out = "-" + out
	}
	return out
}
