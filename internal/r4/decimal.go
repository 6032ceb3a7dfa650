package r4

import (
	"strings"

	"tidemark/internal/fhirjson"
)

func isNumber(n *fhirjson.Node) bool { return n != nil && n.Kind == fhirjson.Number }

// sign gives -1, 0 or 1 for a number, and 0 for anything else.
func sign(n *fhirjson.Node) int {
	if !isNumber(n) {
		return 0
	}
	negative, digits, _ := normal(n.Text)
	switch {
	case digits == "":
		return 0
	case negative:
		return -1
	}
	return 1
}

// compareDecimals orders two JSON numbers by value without expanding them: an
// exponent that a client chooses must not cost memory.
func compareDecimals(a, b string) int {
	negA, digitsA, expA := normal(a)
	negB, digitsB, expB := normal(b)
	switch {
	case digitsA == "" && digitsB == "":
		return 0
	case digitsA == "":
		return direction(!negB, -1)
	case digitsB == "":
		return direction(!negA, 1)
	case negA != negB:
		return direction(negA, -1)
	case expA != expB:
		return direction((expA < expB) != negA, -1)
	case digitsA == digitsB:
		return 0
	}
	// Digits after the same point compare as text.
	return direction((digitsA < digitsB) != negA, -1)
}

// direction gives d when yes, otherwise its opposite.
func direction(yes bool, d int) int {
	if yes {
		return d
	}
	return -d
}

// normal writes a JSON number as 0.digits × 10^exp, with no zeros at either end
// of digits; zero has no digits. An exponent beyond a million is capped: beyond
// it, differences do not matter.
func normal(s string) (negative bool, digits string, exp int) {
	s, negative = strings.CutPrefix(s, "-")
	if i := strings.IndexAny(s, "eE"); i >= 0 {
		e, minus := strings.CutPrefix(strings.TrimPrefix(s[i+1:], "+"), "-")
		for j := 0; j < len(e) && exp < 1_000_000; j++ {
			exp = exp*10 + int(e[j]-'0')
		}
		if minus {
			exp = -exp
		}
		s = s[:i]
	}
	whole, fraction, _ := strings.Cut(s, ".")
	exp += len(whole)
	digits = whole + fraction
	trimmed := strings.TrimLeft(digits, "0")
	exp -= len(digits) - len(trimmed)
	return negative, strings.TrimRight(trimmed, "0"), exp
}
