package ucum

import (
	"math/big"
	"slices"
	"strconv"
	"strings"
	"sync"
)

type dims [baseCount]int32

// A value is what a unit amounts to. See definition.
type value struct {
	factor    *big.Rat
	dim       dims
	arbitrary string // its arbitrary units with their exponents, sorted
	special   *special
}

// A special is a function with its reference unit. There is one for each
// special unit of the table, so that pointers compare.
type special struct {
	function function
	ref      *big.Rat // to base units
}

type prefix struct {
	code, name string
	factor     *big.Rat
}

type atom struct {
	code, name string
	metric     bool
	function   *special
	value      value
	arbitrary  bool
}

// A table holds the prefixes and units of table.go, ready for look-up.
type table struct {
	prefixes map[string]*prefix
	atoms    map[string]*atom
}

// unitTable is built on first use. Its rows are constant, so a row that
// does not parse is a fault in this package and found by any test.
var unitTable = sync.OnceValue(func() *table {
	t := &table{prefixes: map[string]*prefix{}, atoms: map[string]*atom{}}
	for _, r := range prefixRows {
		t.prefixes[r.code] = &prefix{r.code, r.name, mustRat(r.factor)}
	}
	for i, b := range baseUnits {
		a := &atom{code: b.code, name: b.name, metric: true, value: value{factor: big.NewRat(1, 1)}}
		a.value.dim[i] = 1
		t.atoms[b.code] = a
	}
	// Some rows rest on rows below them, so those wait for another round.
	for pending := unitRows; len(pending) > 0; {
		var later []unitRow
		for _, r := range pending {
			a, err := t.define(r)
			if err != nil {
				later = append(later, r)
				continue
			}
			t.atoms[r.code] = a
		}
		if len(later) == len(pending) {
			panic("ucum: the unit table has no definition for " + later[0].code)
		}
		pending = later
	}
	return t
})

func (t *table) define(r unitRow) (*atom, error) {
	parts, err := t.parse(r.unit)
	if err != nil {
		return nil, err
	}
	v, err := evaluate(parts)
	if err != nil {
		return nil, err
	}
	a := &atom{code: r.code, name: r.name, metric: r.kind&metric != 0, arbitrary: r.kind&arbitrary != 0, value: v}
	a.value.factor = new(big.Rat).Mul(v.factor, mustRat(r.factor))
	if a.arbitrary && v.arbitrary == "" { // [IU] is defined as [iU] and keeps that one
		a.value.arbitrary = r.code
	}
	if r.function != "" {
		f, ok := functionByName(r.function)
		if !ok {
			panic("ucum: the unit table names no known function for " + r.code)
		}
		a.function = &special{function: f, ref: a.value.factor}
		a.value.special = a.function
		a.value.factor = big.NewRat(1, 1)
	}
	return a, nil
}

func mustRat(s string) *big.Rat {
	r, ok := new(big.Rat).SetString(s)
	if !ok {
		panic("ucum: the unit table has a factor that is no number: " + s)
	}
	return r
}

// evaluate multiplies the parts out from left to right.
func evaluate(parts []part) (value, error) {
	acc := value{factor: big.NewRat(1, 1)}
	for i, p := range parts {
		v, err := p.value()
		if err != nil {
			return acc, err
		}
		switch {
		case v.special != nil && (p.div || acc.special != nil || !acc.number()),
			acc.special != nil && !v.number():
			return acc, &syntaxError{offset: p.offset, reason: "a special unit such as Cel may only be scaled by a number"}
		case p.div && v.factor.Sign() == 0:
			return acc, &syntaxError{offset: p.offset, reason: "it divides by zero"}
		}
		if i == 0 && !p.div {
			acc = v
		} else {
			acc = acc.times(v, p.div)
		}
		if tooLarge(acc.factor) {
			return acc, &syntaxError{offset: p.offset, reason: "its factor is out of range"}
		}
	}
	if acc.factor.Sign() == 0 {
		return acc, &syntaxError{offset: 0, reason: "it amounts to zero"}
	}
	return acc, nil
}

func (p part) value() (value, error) {
	switch {
	case p.group != nil:
		return evaluate(p.group)
	case p.number != "":
		r, _ := new(big.Rat).SetString(p.number)
		return value{factor: r}, nil
	case p.atom == nil: // an annotation by itself
		return value{factor: big.NewRat(1, 1)}, nil
	}
	v := p.atom.value
	if p.prefix != nil {
		v.factor = new(big.Rat).Mul(v.factor, p.prefix.factor)
	}
	if p.exponent == 1 {
		return v, nil
	}
	if v.special != nil {
		return v, &syntaxError{offset: p.offset, reason: "a special unit such as Cel may not take an exponent"}
	}
	n := p.exponent
	if bits := max(v.factor.Num().BitLen(), v.factor.Denom().BitLen()); (bits-1)*max(n, -n) > maxBits {
		return v, &syntaxError{offset: p.offset, reason: "its factor is out of range"}
	}
	out := value{factor: power(v.factor, n)}
	for i, d := range v.dim {
		out.dim[i] = d * int32(n)
	}
	out.arbitrary = mergeArbitrary("", v.arbitrary, n)
	return out, nil
}

// number reports whether the value is a plain number, by which a special unit
// may be scaled.
func (v value) number() bool {
	return v.dim == dims{} && v.arbitrary == "" && v.special == nil
}

func (v value) times(w value, div bool) value {
	out := value{special: v.special}
	if out.special == nil {
		out.special = w.special
	}
	sign := 1
	if div {
		sign = -1
		out.factor = new(big.Rat).Quo(v.factor, w.factor)
	} else {
		out.factor = new(big.Rat).Mul(v.factor, w.factor)
	}
	for i := range out.dim {
		out.dim[i] = v.dim[i] + int32(sign)*w.dim[i]
	}
	out.arbitrary = mergeArbitrary(v.arbitrary, w.arbitrary, sign)
	return out
}

// mergeArbitrary adds times the exponents of b to those of a.
func mergeArbitrary(a, b string, times int) string {
	if b == "" {
		return a
	}
	exps := map[string]int{}
	add := func(s string, times int) {
		for f := range strings.SplitSeq(s, ".") {
			end := strings.IndexByte(f, ']') + 1 // no arbitrary code holds a dot
			n := 1
			if end < len(f) {
				n, _ = strconv.Atoi(f[end:])
			}
			exps[f[:end]] += n * times
		}
	}
	if a != "" {
		add(a, 1)
	}
	add(b, times)
	var out []string
	for code, n := range exps {
		if n != 0 {
			out = append(out, withExponent(code, n))
		}
	}
	slices.Sort(out)
	return strings.Join(out, ".")
}

func power(r *big.Rat, n int) *big.Rat {
	e := big.NewInt(int64(max(n, -n)))
	num, den := new(big.Int).Exp(r.Num(), e, nil), new(big.Int).Exp(r.Denom(), e, nil)
	if n < 0 {
		num, den = den, num
	}
	return new(big.Rat).SetFrac(num, den)
}

// maxBits bounds numerator and denominator of a factor.
const maxBits = 8192

func tooLarge(r *big.Rat) bool { return r.Num().BitLen() > maxBits || r.Denom().BitLen() > maxBits }

func withExponent(code string, n int) string {
	if n == 1 {
		return code
	}
	return code + strconv.Itoa(n)
}

// base writes the dimension, positive exponents first.
func (v value) base() string {
	var parts, below []string
	for i, n := range v.dim {
		switch {
		case n > 0:
			parts = append(parts, withExponent(baseUnits[i].code, int(n)))
		case n < 0:
			below = append(below, withExponent(baseUnits[i].code, int(n)))
		}
	}
	parts = append(parts, below...)
	if v.arbitrary != "" {
		parts = append([]string{v.arbitrary}, parts...)
		if s := v.factor.RatString(); s != "1" {
			parts = append([]string{s}, parts...)
		}
	}
	if len(parts) == 0 {
		return "1"
	}
	return strings.Join(parts, ".")
}

func (v value) toBase(x *big.Rat) (*big.Rat, error) {
	out := new(big.Rat).Mul(x, v.factor)
	if v.special == nil {
		return out, nil
	}
	out, err := v.special.function.toRatio(out)
	if err != nil {
		return nil, err
	}
	return out.Mul(out, v.special.ref), nil
}

func (v value) fromBase(x *big.Rat) (*big.Rat, error) {
	if v.special == nil {
		return new(big.Rat).Quo(x, v.factor), nil
	}
	out, err := v.special.function.fromRatio(new(big.Rat).Quo(x, v.special.ref))
	if err != nil {
		return nil, err
	}
	return out.Quo(out, v.factor), nil
}

// display writes the parts in words, the way the UCUM functional tests do.
func display(parts []part) string {
	var b strings.Builder
	for i, p := range parts {
		switch {
		case p.div && i == 0:
			b.WriteString("1 / ")
		case p.div:
			b.WriteString(" / ")
		case i > 0:
			b.WriteString(" * ")
		}
		switch {
		case p.group != nil:
			b.WriteString("(" + display(p.group) + ")")
		case p.number != "":
			b.WriteString(p.number)
		case p.atom != nil:
			b.WriteByte('(')
			if p.prefix != nil {
				b.WriteString(p.prefix.name)
			}
			b.WriteString(p.atom.name)
			if p.exponent != 1 {
				b.WriteString(" ^ " + strconv.Itoa(p.exponent))
			}
			b.WriteByte(')')
		}
		if p.annotation != "" {
			if p.written != "" {
				b.WriteByte(' ')
			}
			b.WriteString(p.annotation)
		}
	}
	return b.String()
}
