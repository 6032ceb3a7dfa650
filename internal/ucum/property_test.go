package ucum

import (
	"errors"
	"math/big"
	"testing"
	"unicode/utf8"

	"pgregory.net/rapid"
)

// exactCode draws codes without logarithms, roots and angles of slope, many of
// them commensurable.
func exactCode() *rapid.Generator[string] {
	return rapid.OneOf(
		rapid.SampledFrom([]string{"mL", "L", "uL", "cm3", "[foz_us]", "[gal_br]", "st", "[drp]", "m2.cm", "mL{a}", "100.mL"}),
		rapid.SampledFrom([]string{"mL/h", "L/d", "mL/(24.h)", "[foz_us]/wk", "cm3.s-1", "/h.mL"}),
		rapid.SampledFrom([]string{"K", "Cel", "[degF]", "[degR]", "[degRe]", "mK", "mCel", "2.Cel", "K/9"}),
		rapid.SampledFrom([]string{"1", "%", "[ppm]", "10*3", "{drops}", "mol", "meq", "[iU]/[iU]"}),
		rapid.SampledFrom([]string{"[iU]", "[IU]", "k[iU]", "[iU]/mL", "u[iU]/nL", "[arb'U]"}),
		rapid.Custom(func(t *rapid.T) string {
			s := ""
			for i := range rapid.IntRange(1, 4).Draw(t, "components") {
				if i > 0 {
					s += rapid.SampledFrom([]string{".", "/"}).Draw(t, "operator")
				}
				s += rapid.SampledFrom([]string{"", "m", "k", "u", "da"}).Draw(t, "prefix")
				s += rapid.SampledFrom([]string{"m", "g", "s", "L", "Pa", "mol", "N"}).Draw(t, "unit")
				s += rapid.SampledFrom([]string{"", "2", "-1", "-3", "0"}).Draw(t, "exponent")
			}
			return s
		}),
	)
}

func drawUnit(t *rapid.T, label string) Unit {
	u, err := Parse(exactCode().Draw(t, label))
	if err != nil {
		t.Fatal(err)
	}
	return u
}

func drawValue(t *rapid.T) *big.Rat {
	return big.NewRat(rapid.Int64Range(-1_000_000_000, 1_000_000_000).Draw(t, "num"), rapid.Int64Range(1, 100_000).Draw(t, "den"))
}

func TestThereAndBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b, v := drawUnit(t, "a"), drawUnit(t, "b"), drawValue(t)
		kept := new(big.Rat).Set(v)
		there, err := Convert(v, a, b)
		if (err == nil) != a.Commensurable(b) {
			t.Fatalf("%s to %s: %v", a, b, err)
		}
		if err != nil {
			return
		}
		back, err := Convert(there, b, a)
		if err != nil || back.Cmp(v) != 0 || v.Cmp(kept) != 0 {
			t.Fatalf("%s %s is %s %s and back %s (%v)", kept, a, there, b, back, err)
		}
	})
}

func TestConversionIsTransitive(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b, c, v := drawUnit(t, "a"), drawUnit(t, "b"), drawUnit(t, "c"), drawValue(t)
		ab, err := Convert(v, a, b)
		if err != nil {
			return
		}
		abc, err1 := Convert(ab, b, c)
		ac, err2 := Convert(v, a, c)
		if (err1 == nil) != (err2 == nil) || err1 == nil && abc.Cmp(ac) != 0 {
			t.Fatalf("%s %s: by way of %s it is %v %s, directly %v", v, a, b, abc, c, ac)
		}
	})
}

func TestCommensurabilityIsAnEquivalence(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b, c := drawUnit(t, "a"), drawUnit(t, "b"), drawUnit(t, "c")
		_, baseA, _ := a.Canonical()
		_, baseB, _ := b.Canonical()
		switch {
		case !a.Commensurable(a):
			t.Fatalf("%s is not commensurable with itself", a)
		case a.Commensurable(b) != b.Commensurable(a):
			t.Fatalf("%s and %s differ by direction", a, b)
		case a.Commensurable(b) && b.Commensurable(c) && !a.Commensurable(c):
			t.Fatalf("%s, %s and %s", a, b, c)
		case a.Commensurable(b) != (baseA == baseB):
			t.Fatalf("%s in %s and %s in %s", a, baseA, b, baseB)
		case a.Equal(b) && !a.Commensurable(b):
			t.Fatalf("%s equals %s", a, b)
		}
	})
}

func TestCanonicalAgreesWithConvert(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		u, v := drawUnit(t, "unit"), drawValue(t)
		got, code, err := ToCanonical(v, u)
		if err != nil {
			t.Fatal(err)
		}
		base, err := Parse(code)
		if err != nil {
			t.Fatal(err)
		}
		want, err := Convert(v, u, base)
		if err != nil || got.Cmp(want) != 0 {
			t.Fatalf("%s %s is %s %s, converted %v (%v)", v, u, got, code, want, err)
		}
	})
}

func TestTimesAndPerUndoEachOther(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b := drawUnit(t, "a"), drawUnit(t, "b")
		if a.Special() || b.Special() {
			return
		}
		p, err := a.Times(b)
		if err != nil {
			t.Fatal(err)
		}
		q, err := p.Per(b)
		if err != nil || !q.Equal(a) {
			t.Fatalf("%s times and per %s is %v: %v", a, b, q, err)
		}
	})
}

func TestDecimalTextRoundTrips(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		places := rapid.IntRange(0, 30).Draw(t, "places")
		v := drawValue(t)
		s := FormatDecimal(v, places)
		r, ok := ParseDecimal(s)
		if !ok {
			t.Fatalf("%s is written %q", v, s)
		}
		half := new(big.Rat).SetFrac(big.NewInt(1), new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(places)), nil))
		half.Quo(half, big.NewRat(2, 1))
		if d := new(big.Rat).Sub(r, v); d.Abs(d).Cmp(half) > 0 {
			t.Fatalf("%s is written %s at %d places", v, s, places)
		}
		if n, exact := v.FloatPrec(); exact && n <= places && r.Cmp(v) != 0 {
			t.Fatalf("%s has %d places and is written %s", v, n, s)
		}
		if FormatDecimal(r, places) != s {
			t.Fatalf("%s is written %s the second time", s, FormatDecimal(r, places))
		}
	})
}

func FuzzParse(f *testing.F) {
	for _, r := range unitRows {
		f.Add(r.code)
		f.Add(r.unit)
	}
	for _, s := range []string{"", "mL/24h", "mL/(24.h)", "{a}/b", "((", "10*-3", "k[iU]2/[iU]", "[m/s2/Hz^(1/2)]", "Cel2", "\u00b5L", "fl oz", "mL{a b}", "1.73.m2", "(mL)2", "/h.mL", "m300.Ym300"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, code string) {
		u, err := Parse(code)
		if s := Suggest(code); s != "" {
			if _, err := Parse(s); err != nil {
				t.Fatalf("the suggestion for %q: %v", code, err)
			}
		}
		if err != nil {
			e, ok := errors.AsType[*ParseError](err)
			if !ok || e.Code != code || e.Offset < 0 || e.Offset > len(code) || (utf8.ValidString(code) && !utf8.ValidString(e.Error())) {
				t.Fatalf("%q: %#v", code, err)
			}
			if Caution(code) != "" {
				t.Fatalf("a caution on the invalid code %q", code)
			}
			return
		}
		again, err := Parse(u.Code())
		if err != nil || u.Code() != code || again.Display() != u.Display() || !again.Equal(u) || !u.Commensurable(again) {
			t.Fatalf("%q parses to %q and %q: %v", code, u, again, err)
		}
		if u.Display() == "" {
			t.Fatalf("%q has no display", code)
		}
		_, base, _ := u.Canonical()
		if b, err := Parse(base); len(base) < maxCodeLen && (err != nil || !b.Commensurable(u)) {
			t.Fatalf("%q has the base %q: %v", code, base, err)
		}
		_ = Caution(code)
	})
}

func FuzzParseDecimal(f *testing.F) {
	for _, s := range []string{"0", "-1.50", "1e3", "1E-3", "1e999999999", "01", "0x1", "1_0", ".5", "1/2"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		r, ok := ParseDecimal(s)
		if !ok {
			return
		}
		back, ok := ParseDecimal(FormatDecimal(r, 300))
		if !ok && len(FormatDecimal(r, 300)) <= maxDecimalLen {
			t.Fatalf("%q is written %q", s, FormatDecimal(r, 300))
		}
		if n, exact := r.FloatPrec(); ok && exact && n <= 300 && back.Cmp(r) != 0 {
			t.Fatalf("%q comes back as %s", s, back)
		}
	})
}
