package ucum

import (
	"fmt"
	"math/big"
	"strconv"
	"strings"
)

// A Unit is one UCUM unit. It is immutable and safe for concurrent use. The
// zero Unit is unity, whose code is "1".
type Unit struct{ d *definition }

// A definition is what a code means. A ratio unit is factor times the base
// units of dim. A special unit reads factor times its value through fn, in
// multiples of ref times the base units of dim.
type definition struct {
	code    string
	display string
	value
	base    string
	parts   []part
	caution string // see Caution
}

var unity = &definition{code: "1", display: "(unity)", base: "1", value: value{factor: big.NewRat(1, 1)}}

func (u Unit) def() *definition {
	if u.d == nil {
		return unity
	}
	return u.d
}

// Code returns the code as it was written.
func (u Unit) Code() string { return u.def().code }

// String is Code.
func (u Unit) String() string { return u.Code() }

// Display returns the unit in words, for instance "(milliliter) / (hour)".
func (u Unit) Display() string { return u.def().display }

// Special reports whether the unit has a scale that is no plain ratio, such as
// degrees Celsius.
func (u Unit) Special() bool { return u.def().special != nil }

// Arbitrary reports whether the unit rests on one that only a procedure
// defines, such as [iU]; it converts to nothing but itself.
func (u Unit) Arbitrary() bool { return u.def().arbitrary != "" }

// Exact reports whether every conversion from and to the unit is exact. Only
// logarithmic and trigonometric units and square roots are not.
func (u Unit) Exact() bool {
	sp := u.def().special
	return sp == nil || sp.function.exact
}

// Equal reports whether a value in u is the same value in v: the two may be
// written differently, as mL and ml are.
func (u Unit) Equal(v Unit) bool {
	a, b := u.def(), v.def()
	return a == b || a.base == b.base && a.special == b.special && a.factor.Cmp(b.factor) == 0
}

// Commensurable reports whether a value in u can be given in v.
func (u Unit) Commensurable(v Unit) bool { return u.def().base == v.def().base }

// Canonical returns the factor from the unit to its base units, and those
// base units. Two units are commensurable if and only if they share the base.
// For a special unit no single factor exists: ok is false and only base is
// given. For an arbitrary unit the base holds the whole unit, scale included,
// and the factor is 1.
func (u Unit) Canonical() (factor *big.Rat, base string, ok bool) {
	d := u.def()
	if d.special != nil {
		return nil, d.base, false
	}
	if d.arbitrary != "" {
		return big.NewRat(1, 1), d.base, true
	}
	return new(big.Rat).Set(d.factor), d.base, true
}

// Times returns the product of the two units.
func (u Unit) Times(v Unit) (Unit, error) { return Parse(u.Code() + "." + v.asOperand()) }

// Per returns the quotient of the two units.
func (u Unit) Per(v Unit) (Unit, error) { return Parse(u.Code() + "/" + v.asOperand()) }

// asOperand puts the code in parentheses where its operators would otherwise
// bind to what stands before it.
func (u Unit) asOperand() string {
	d := u.def()
	switch {
	case strings.HasPrefix(d.code, "/"):
		return "(1" + d.code + ")"
	case len(d.parts) > 1:
		return "(" + d.code + ")"
	}
	return d.code
}

// A MismatchError says why a value in one unit has no value in another.
type MismatchError struct {
	From, To string
	Reason   string
}

func (e *MismatchError) Error() string {
	return fmt.Sprintf("%q cannot be converted to %q: %s", e.From, e.To, e.Reason)
}

// Convert gives the value v, which is in from, in to. It does not change v.
// The result is exact whenever both units are (see [Unit.Exact]).
func Convert(v *big.Rat, from, to Unit) (*big.Rat, error) {
	a, b := from.def(), to.def()
	if a.base != b.base {
		return nil, &MismatchError{a.code, b.code, mismatch(a, b)}
	}
	out := new(big.Rat).Set(v)
	if a == b || a.special == b.special && a.factor.Cmp(b.factor) == 0 {
		return out, nil // always so for an arbitrary unit
	}
	if a.special == b.special { // one scale, or none: only the factors differ
		return out.Quo(out.Mul(out, a.factor), b.factor), nil
	}
	out, err := a.toBase(out)
	if err == nil {
		out, err = b.fromBase(out)
	}
	if err != nil {
		return nil, &MismatchError{a.code, b.code, err.Error()}
	}
	return out, nil
}

// ToCanonical gives the value v, which is in u, in the base units that
// [Unit.Canonical] names: 37 Cel is 310.15 K.
func ToCanonical(v *big.Rat, u Unit) (*big.Rat, string, error) {
	d := u.def()
	if d.arbitrary != "" {
		return new(big.Rat).Set(v), d.base, nil
	}
	out, err := d.toBase(v)
	if err != nil {
		return nil, "", &MismatchError{d.code, d.base, err.Error()}
	}
	return out, d.base, nil
}

func mismatch(a, b *definition) string {
	if a.arbitrary != "" || b.arbitrary != "" {
		return "an arbitrary unit has no relation to any other unit"
	}
	return "the first is " + kindOf(a.base) + " and the second is " + kindOf(b.base)
}

// kindOf names what is measured in the base units, where it has a usual name.
func kindOf(base string) string {
	switch base {
	case "1":
		return "a plain number"
	case "m":
		return "a length"
	case "m2":
		return "an area"
	case "m3":
		return "a volume"
	case "m3.s-1":
		return "a volume per time"
	case "m3.g-1":
		return "a volume per mass"
	case "m3.s-1.g-1":
		return "a volume per time and mass"
	case "s":
		return "a time"
	case "s-1":
		return "a rate per time"
	case "g":
		return "a mass"
	case "g.m-3":
		return "a mass per volume"
	case "g.m-1.s-2":
		return "a pressure"
	case "K":
		return "a temperature"
	case "rad":
		return "an angle"
	case "C":
		return "an electric charge"
	}
	return "a quantity in " + base
}

// A ParseError says why a code was refused and, where that is known, what to
// write instead.
type ParseError struct {
	Code       string
	Offset     int    // in bytes, where the fault is
	Reason     string // "" when the whole code is simply unknown
	Suggestion string // a valid code, or ""
}

func (e *ParseError) Error() string {
	var b strings.Builder
	code := e.Code
	if len(code) > 60 {
		code = strings.ToValidUTF8(code[:60], "") + "…"
	}
	b.WriteString(strconv.Quote(code) + " is not a UCUM unit")
	if e.Reason != "" {
		b.WriteString(": " + e.Reason)
	}
	switch {
	case e.Suggestion != "" && e.Reason == "":
		b.WriteString(": use " + strconv.Quote(e.Suggestion))
	case e.Suggestion != "":
		b.WriteString("; use " + strconv.Quote(e.Suggestion))
	case e.Reason == "":
		b.WriteString(`; codes are case-sensitive, for instance "mL", "L" or "[foz_us]"`)
	}
	return b.String()
}
