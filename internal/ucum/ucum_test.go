package ucum

import (
	"errors"
	"flag"
	"fmt"
	"math/big"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"github.com/google/go-cmp/cmp"
)

var update = flag.Bool("update", false, "write the golden files")

func facts(t *testing.T, name string) []map[string]string {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("testdata", name))
	if err != nil {
		t.Fatal(err)
	}
	rows := records(t, b)
	if len(rows) < 50 {
		t.Fatalf("%s has only %d rows", name, len(rows))
	}
	return rows
}

func TestRatios(t *testing.T) {
	for _, r := range facts(t, "ratios.csv") {
		want := rat(t, r["ratio"])
		if got, err := convertCodes(big.NewRat(1, 1), r["from"], r["to"]); err != nil || got.Cmp(want) != 0 {
			t.Errorf("1 %s is %v %s (%v), want %s", r["from"], got, r["to"], err, r["ratio"])
		}
		back := new(big.Rat).Inv(want)
		if got, err := convertCodes(big.NewRat(1, 1), r["to"], r["from"]); err != nil || got.Cmp(back) != 0 {
			t.Errorf("1 %s is %v %s (%v), want %s", r["to"], got, r["from"], err, back)
		}
	}
}

func TestTemperatures(t *testing.T) {
	for _, r := range facts(t, "temperatures.csv") {
		got, err := convertCodes(rat(t, r["reading"]), r["from"], r["to"])
		if err != nil || got.Cmp(rat(t, r["result"])) != 0 {
			t.Errorf("%s %s is %v %s (%v), want %s", r["reading"], r["from"], got, r["to"], err, r["result"])
		}
	}
}

func TestIncommensurable(t *testing.T) {
	for _, r := range facts(t, "incommensurable.csv") {
		a, b := parseOrUnity(t, r["a"]), parseOrUnity(t, r["b"])
		_, err := Convert(big.NewRat(1, 1), a, b)
		if _, ok := errors.AsType[*MismatchError](err); !ok || a.Commensurable(b) || b.Commensurable(a) {
			t.Errorf("%s converts to %s: %v", a, b, err)
		}
	}
}

func TestVerdicts(t *testing.T) {
	for _, r := range facts(t, "verdicts.csv") {
		code := unquoteJSON(t, r["code"])
		_, err := Parse(code)
		if (err == nil) != (r["verdict"] == "accept") {
			t.Errorf("%q: %v, want %s", code, err, r["verdict"])
		}
	}
}

func TestDisplay(t *testing.T) {
	for code, want := range map[string]string{
		"mL":                "(milliliter)",
		"mL/(24.h)":         "(milliliter) / (24 * (hour))",
		"/h":                "1 / (hour)",
		"mL{urine}":         "(milliliter) {urine}",
		"{drops}/min":       "{drops} / (minute)",
		"kg.m-1.s-2":        "(kilogram) * (meter ^ -1) * (second ^ -2)",
		"[foz_us]":          "(fluid ounce)",
		"KiBy":              "(kibibyte)",
		"m[Hg]":             "(meter of mercury column)",
		"10*3{rbc}/uL":      "(the number ten for arbitrary powers ^ 3) {rbc} / (microliter)",
		"4.[pi].10*-7.N/A2": "4 * (the number pi) * (the number ten for arbitrary powers ^ -7) * (newton) / (ampère ^ 2)",
	} {
		if got := parseOrUnity(t, code).Display(); got != want {
			t.Errorf("%s displays as %q, want %q", code, got, want)
		}
	}
	if got := (Unit{}).Display(); got != "(unity)" {
		t.Errorf("unity displays as %q", got)
	}
}

func TestCanonical(t *testing.T) {
	tests := []struct {
		code, factor, base string
	}{
		{"mL", "1/1000000", "m3"},
		{"mL/h", "1/3600000000", "m3.s-1"},
		{"mL/kg/h", "1/3600000000000", "m3.s-1.g-1"},
		{"kg", "1000", "g"},
		{"mm[Hg]", "133322", "g.m-1.s-2"},
		{"%", "1/100", "1"},
		{"{drops}", "1", "1"},
		{"m.m-1", "1", "1"},
		{"[iU]", "1", "[iU]"},
		{"[IU]/mL", "1", "1000000.[iU].m-3"},
		{"k[iU]2", "1", "1000000.[iU]2"},
		{"[iU]/[iU]", "1", "1"},
		{"[arb'U].[iU]/[arb'U]2", "1", "[arb'U]-1.[iU]"},
		{"Cel", "", "K"},
		{"dB[SPL]", "", "g.m-1.s-2"},
		{"[pH]", "", "m-3"},
	}
	for _, tt := range tests {
		u := parseOrUnity(t, tt.code)
		factor, base, ok := u.Canonical()
		got := ""
		if ok {
			got = factor.RatString()
			factor.SetInt64(7) // what is returned is the caller's own
		}
		if got != tt.factor || base != tt.base {
			t.Errorf("%s is %s %s, want %s %s", tt.code, got, base, tt.factor, tt.base)
		}
		if again, _, _ := u.Canonical(); ok && again.RatString() != tt.factor {
			t.Errorf("%s changed to %s", tt.code, again)
		}
	}
}

func TestToCanonical(t *testing.T) {
	for _, tt := range []struct{ value, code, want, base string }{
		{"37", "Cel", "310.15", "K"},
		{"98.6", "[degF]", "310.15", "K"},
		{"250", "mL", "0.00025", "m3"},
		{"3", "k[iU]", "3", "1000.[iU]"},
		{"7", "[pH]", "60221407600000000000", "m-3"}, // 1e-7 mol/l
		{"40", "dB[SPL]", "2", "g.m-1.s-2"},          // 100 times 20 µPa
		{"40", "dB", "10000", "1"},
		{"3", "bit_s", "8", "1"},
		{"3", "[m/s2/Hz^(1/2)]", "9", "m2.s-3"},
	} {
		v := rat(t, tt.value)
		got, base, err := ToCanonical(v, parseOrUnity(t, tt.code))
		if err != nil || got.Cmp(rat(t, tt.want)) != 0 || base != tt.base {
			t.Errorf("%s %s is %v %s (%v), want %s %s", tt.value, tt.code, got, base, err, tt.want, tt.base)
		}
		if v.Cmp(rat(t, tt.value)) != 0 {
			t.Errorf("%s: the value was changed to %s", tt.code, v)
		}
	}
}

// Special units that go through a float64 hold to twelve digits. The values
// on the right follow from the definitions in the unit table.
func TestInexactUnits(t *testing.T) {
	for _, tt := range []struct{ value, from, to, want string }{
		{"7.4", "[pH]", "nmol/L", "39.8107170553497"},
		{"39.8107170553497", "nmol/L", "[pH]", "7.4"},
		{"1", "Np", "1", "2.718281828459045"},
		{"1", "B", "Np", "2.302585092994046"},
		{"3", "dB", "1", "1.9952623149688797"},
		{"6", "dB[V]", "V", "1.9952623149688797"},
		{"100", "%[slope]", "deg", "45"},
		{"45", "deg", "%[slope]", "100"},
		{"100", "[p'diop]", "deg", "45"},
		{"10", "bit_s", "1", "1024"},
		{"1000", "1", "bit_s", "9.965784284662087"},
		{"2", "m2/s4/Hz", "[m/s2/Hz^(1/2)]", "1.4142135623730951"},
		{"2", "[hp'_C]", "1", "0.0001"},
		{"-3", "lg", "1", ""},
		{"30", "dB", "B", "3"},
		{"30", "dB[W]", "dB[kW]", "0"},
	} {
		got, err := convertCodes(rat(t, tt.value), tt.from, tt.to)
		if tt.want == "" {
			if err == nil {
				t.Errorf("%s %s is %s", tt.value, tt.from, got)
			}
			continue
		}
		if err != nil {
			t.Error(err)
			continue
		}
		want := rat(t, tt.want)
		diff := new(big.Rat).Sub(got, want)
		limit := new(big.Rat).Mul(new(big.Rat).Abs(want), big.NewRat(1, 1_000_000_000_000))
		if diff.Abs(diff).Cmp(limit) > 0 {
			t.Errorf("%s %s is %s %s, want %s", tt.value, tt.from, got.FloatString(18), tt.to, tt.want)
		}
	}
	for code, exact := range map[string]bool{"mL": true, "Cel": true, "[degRe]": true, "[iU]": true, "[pH]": false, "dB": false, "%[slope]": false} {
		if u := parseOrUnity(t, code); u.Exact() != exact {
			t.Errorf("%s exact: %v", code, u.Exact())
		}
	}
}

func TestOutOfRange(t *testing.T) {
	for _, tt := range []struct{ value, from, to string }{
		{"0", "1", "B"},
		{"-1", "1", "Np"},
		{"100000", "B", "1"},
		{"-100000.5", "B", "1"},
		{"-100000", "Np", "1"},
		{"90", "deg", "%[slope]"},
		{"-1", "m2/s4/Hz", "[m/s2/Hz^(1/2)]"},
		{"-1", "[m/s2/Hz^(1/2)]", "m2/s4/Hz"},
	} {
		got, err := convertCodes(rat(t, tt.value), tt.from, tt.to)
		if _, ok := errors.AsType[*MismatchError](err); !ok {
			t.Errorf("%s %s is %v %s: %v", tt.value, tt.from, got, tt.to, err)
		}
	}
	if _, _, err := ToCanonical(rat(t, "99999"), parseOrUnity(t, "B")); err == nil {
		t.Error("99999 B has a canonical value")
	}
}

func TestVolume(t *testing.T) {
	for code, want := range map[string]string{
		"mL": "0.5", "ml": "0.5", "L": "500", "l": "500", "dL": "50", "cm3": "0.5", "m3": "500000", "ML": "500000000",
		"[cin_i]": "8.193532", "[foz_us]": "14.78676478125", "[foz_m]": "15", "[drp]": "0.025", "mL{urine}": "0.5",
		"m2.cm": "5000", "mL/h.h": "0.5", "100.mL": "50",
	} {
		got, err := convertCodes(big.NewRat(1, 2), code, "mL")
		if err != nil || FormatDecimal(got, 30) != want {
			t.Errorf("0.5 %s is %v mL (%v), want %s", code, got, err, want)
		}
	}
	for _, code := range []string{"mL/h", "g", "1", "{drops}", "m2", "Cel", "[iU]", "[iU].mL", "cc", "mL/hr", ""} {
		if v, err := convertCodes(big.NewRat(1, 1), code, "mL"); err == nil {
			t.Errorf("1 %s is %s mL", code, v)
		}
	}
}

// What is said about codes is kept in a golden file, to be read as a whole.
func TestAdviceGolden(t *testing.T) {
	var b strings.Builder
	b.WriteString("Parse\n")
	for _, code := range []string{
		"", "cc", "CC", "ccm", "mls", "mLs", "mcL", "µL", "μL", "UL", "ltr", "liters", "litre", "oz", "floz", "fl oz", "fl. oz.", "fluid ounces", "foz_us", "[FOZ_US]",
		"mL/hr", "mL/Hr", "mL/hour", "ml/24h", "mL/24h", "mL/24hr", "mL/24 h", "mL/(24h)", "mL/(24 h)", "mL/8h/kg", "mL per day", "mL/day", "mL/kg/hr", "cc/H", "ML/hr",
		"cm^3", "cm³", "cm**3", "(mL)2", "mL*h-1", "mL·h⁻¹", "mL ", "mL 24", "m L", "mL{24h", "kg 2/h", "[DEGF]", "in_i", "degrees C", "\ufeffmL", "mL\n", "mL/ h", "mL{24h urine}",
		"mmHg", "mm Hg", "mm[HG]", "mm(Hg)", "cmH2O", "cmH20", "cm[H20]", "KPa", "Torr", "degC", "°C", "degF", "deg F",
		"mcg", "KG", "gm", "lbs", "mEq", "mOsm", "IU/mL", "10E3/uL", "x10^3/uL", "ppm", "gtt/min", "units/h", "100ml",
		"kkg", "kmin", "m%", "mL//h", "mL/", ".mL", "mL.", "mLh", "2m", "m-", "mL{", "mL}", "mL{a}{b}", "{a}mL", "mL{a{b}}", "(mL", "mL)", "()", "(mL){a}", "(mL)(h)", "mm[Hg", "[]",
		"0", "mL/0", "Cel/h", "Cel2", "Cel.m", "m.Cel", "Cel.[iU]", "/Cel", "[degF].Cel", "m999999999", "10*301", "Ym200.Ym200", "[ly]300", strings.Repeat("m.", 120) + "m", strings.Repeat("(", 80) + "m" + strings.Repeat(")", 80), "foo", "null",
	} {
		_, err := Parse(code)
		e, ok := errors.AsType[*ParseError](err)
		if !ok {
			t.Errorf("%q: %v", code, err)
			continue
		}
		if e.Code != code || e.Offset < 0 || e.Offset > len(code) || e.Suggestion != Suggest(code) {
			t.Errorf("%q: %+v", code, e)
		}
		fmt.Fprintf(&b, "  %v (at %d)\n", e, e.Offset)
	}
	b.WriteString("Convert\n")
	for _, c := range [][2]string{{"mL", "g"}, {"mL/h", "mL"}, {"[iU]", "mL"}, {"k[iU]", "[iU]"}, {"N", "W"}, {"Cel", "mL"}} {
		_, err := convertCodes(big.NewRat(1, 1), c[0], c[1])
		fmt.Fprintf(&b, "  %v\n", err)
	}
	b.WriteString("Caution\n")
	for _, code := range []string{"mL/H", "mL/24.h", "mL/h-1", "ML", "Ml/h", "mL/kg.h", "mL/m", "K/uL", "mL/min/1.73.m2", "2.5.mL", "Mg", "pH", "ft", "C", "mL/(kg/2.h)", "umol/2.h{rate}"} {
		c := Caution(code)
		if c == "" {
			t.Errorf("no caution on %s", code)
		}
		fmt.Fprintf(&b, "  %s\n", c)
	}
	golden := filepath.Join("testdata", "advice.golden")
	if *update {
		if err := os.WriteFile(golden, []byte(b.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(string(want), b.String()); d != "" {
		t.Error("-want +got:\n" + d)
	}
}

// A suggestion is itself a valid code with nothing to be careful about, and
// valid codes get none.
func TestSuggestionsAreSound(t *testing.T) {
	for wrong := range meant {
		s := Suggest(wrong)
		_, valid := define(wrong)
		if valid == nil {
			if s != "" {
				t.Errorf("the valid code %s gets the suggestion %s", wrong, s)
			}
			// As part of a wrong code it may be replaced only where it is a known mistake.
			if _, known := mistaken[wrong]; !known && meant[wrong] != wrong {
				t.Errorf("%s is valid and would be replaced by %s", wrong, meant[wrong])
			}
			continue
		}
		if s == "" {
			t.Errorf("no suggestion for %s", wrong)
		}
		if s != "" && Caution(s) != "" {
			t.Errorf("for %s: %s, but %s", wrong, s, Caution(s))
		}
	}
	for code, m := range mistaken {
		if _, err := Parse(code); err != nil {
			t.Error(err)
		}
		if _, err := Parse(m.instead); err != nil {
			t.Error(err)
		}
	}
}

// A suggestion must never change a number on the way.
func TestSuggestKeepsNumbers(t *testing.T) {
	for code, want := range map[string]string{
		".5 mL": "", "0.5 mL": "", "2.5 mL": "", "1,5 mL": "", "mL 24": "", "mL{24h": "", "mL 2/h": "", "5\u00b2": "",
		"10\u00b3/\u00b5L": "10*3/uL", "\u00d710\u2079/L": "10*9/L", "10\u207b\u00b3.L": "10*-3.L", "1000 mL": "1000.mL", "mL/ 24 hrs": "mL/(24.h)", "mL/24.hr": "mL/(24.h)",
	} {
		if got := Suggest(code); got != want {
			t.Errorf("%q gets %q, want %q", code, got, want)
		}
	}
}

func TestNoCautionOnUsualCodes(t *testing.T) {
	for _, code := range []string{
		"mL", "ml", "L", "dL", "uL", "cm3", "[foz_us]", "[drp]", "mL/h", "mL/d", "mL/(24.h)", "mL/24/h", "mL/(8.h)", "mL/kg/h", "mL/(kg.h)", "mL.h-1", "/h", "h", "d", "min", "s",
		"g", "mg", "kg", "g/dL", "mg/dL", "mmol/L", "10*3/uL", "10*3.uL-1", "10*9/L", "%", "1", "{drops}/min", "Cel", "[degF]", "K", "mm[Hg]", "cm[H2O]", "kPa", "[iU]/L", "U/L", "kg/m2", "m", "m2",
		"4.[pi].10*-7.N/A2", "cc", "",
	} {
		if c := Caution(code); c != "" {
			t.Errorf("%s: %s", code, c)
		}
	}
}

func TestParseDecimal(t *testing.T) {
	for in, want := range map[string]string{
		"0": "0", "-0": "0", "1": "1", "-1.50": "-1.5", "0.10": "0.1", "1e3": "1000", "1E-3": "0.001", "1e+2": "100", "12.5e-1": "1.25",
		"123456789012345678.123456789": "123456789012345678.123456789", "0.000": "0", "1e01": "10",
	} {
		r, ok := ParseDecimal(in)
		if !ok || FormatDecimal(r, 40) != want {
			t.Errorf("%q is %v %v, want %s", in, r, ok, want)
		}
	}
	for _, in := range []string{
		"", "-", "+1", "01", "-01", ".5", "1.", "1.e2", "1e", "1e+", "1e1.5", "1/2", "0x10", "1_000", "1,5", " 1", "1 ", "Inf", "NaN", "٣", "1p3", "0b1", "--1", "1e+-2",
		"1e999999999", "1e-999999999", "1e1001", "1e99999999999999999999", strings.Repeat("1", 401),
	} {
		if r, ok := ParseDecimal(in); ok {
			t.Errorf("%q is %s", in, r)
		}
	}
	if _, ok := ParseDecimal("1e1000"); !ok {
		t.Error("1e1000 is refused")
	}
}

func TestFormatDecimal(t *testing.T) {
	for _, tt := range []struct {
		r      string
		places int
		want   string
	}{
		{"0", 5, "0"}, {"1/2", 5, "0.5"}, {"-1/2", 5, "-0.5"}, {"1/3", 4, "0.3333"}, {"2/3", 4, "0.6667"}, {"-2/3", 4, "-0.6667"},
		{"1/2", 0, "0"}, {"3/2", 0, "2"}, {"5/2", 0, "2"}, {"-1/2", 0, "0"}, {"-5/2", 0, "-2"}, {"-7/2", 0, "-4"},
		{"0.125", 2, "0.12"}, {"0.375", 2, "0.38"}, {"0.1250001", 2, "0.13"}, {"-1/1000", 2, "0"}, {"999/1000", 2, "1"},
		{"100", 3, "100"}, {"1200.500", 3, "1200.5"}, {"1/8", 3, "0.125"}, {"1e20", 2, "100000000000000000000"}, {"7/2", -1, "4"},
	} {
		r := rat(t, tt.r)
		if got := FormatDecimal(r, tt.places); got != tt.want {
			t.Errorf("%s at %d places is %s, want %s", tt.r, tt.places, got, tt.want)
		}
		if r.Cmp(rat(t, tt.r)) != 0 {
			t.Errorf("%s was changed to %s", tt.r, r)
		}
	}
}

// A flood of odd codes neither grows the memo without bound nor changes what
// is remembered of the usual ones; Parse may be called from anywhere.
func TestParseIsBoundedAndConcurrent(t *testing.T) {
	var wg sync.WaitGroup
	for g := range 8 {
		wg.Go(func() {
			for i := range 1000 {
				odd, err := Parse(fmt.Sprintf("mL{%d_%d}", g, i))
				usual, err2 := Parse("mL")
				if err != nil || err2 != nil || !odd.Equal(usual) || usual.Code() != "mL" {
					t.Errorf("%v %v %v %v", odd, usual, err, err2)
					return
				}
			}
		})
	}
	wg.Wait()
	held := 0
	for _, g := range []*sync.Map{parsed.young.Load(), parsed.old.Load()} {
		if g != nil {
			g.Range(func(any, any) bool { held++; return true })
		}
	}
	if held == 0 || held > 3*memoSize {
		t.Errorf("%d codes remembered", held)
	}
}

func TestZeroUnit(t *testing.T) {
	var u Unit
	one := parseOrUnity(t, "1")
	if !u.Equal(one) || !u.Commensurable(one) || u.Special() || u.Arbitrary() || !u.Exact() || u.Code() != "1" {
		t.Errorf("the zero Unit is not unity: %+v", u)
	}
	perHour, err := u.Per(parseOrUnity(t, "/h"))
	if err != nil || !perHour.Equal(parseOrUnity(t, "h")) {
		t.Errorf("1 per (/h) is %v: %v", perHour, err)
	}
	if p, err := parseOrUnity(t, "mL/h").Times(parseOrUnity(t, "h/kg")); err != nil || !p.Equal(parseOrUnity(t, "mL/kg")) {
		t.Errorf("mL/h times h/kg is %v: %v", p, err)
	}
}
