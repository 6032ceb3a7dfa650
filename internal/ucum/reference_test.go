package ucum

import (
	"encoding/csv"
	"encoding/json"
	"encoding/xml"
	"math/big"
	"strings"
	"testing"
)

func records(t *testing.T, b []byte) []map[string]string {
	t.Helper()
	r := csv.NewReader(strings.NewReader(string(b)))
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var out []map[string]string
	for _, row := range rows[1:] {
		m := map[string]string{}
		for i, name := range rows[0] {
			m[name] = row[i]
		}
		out = append(out, m)
	}
	return out
}

func rat(t *testing.T, s string) *big.Rat {
	t.Helper()
	r, ok := new(big.Rat).SetString(s)
	if !ok {
		t.Fatalf("%q is no number", s)
	}
	return r
}

func convertCodes(v *big.Rat, from, to string) (*big.Rat, error) {
	a, err := Parse(from)
	if err != nil {
		return nil, err
	}
	b, err := Parse(to)
	if err != nil {
		return nil, err
	}
	return Convert(v, a, b)
}

func TestExactOracle(t *testing.T) {
	for _, r := range records(t, shared(t, "oracle-exact.csv")) {
		got, err := convertCodes(rat(t, r["value"]), r["from"], r["to"])
		switch {
		case r["exact"] == "ERROR":
			if err == nil {
				t.Errorf("row %s: %s %s is %s %s, want an error", r["row"], r["value"], r["from"], got.RatString(), r["to"])
			}
		case err != nil:
			t.Errorf("row %s: %v", r["row"], err)
		case got.Cmp(rat(t, r["exact"])) != 0:
			t.Errorf("row %s: %s %s is %s %s, want %s", r["row"], r["value"], r["from"], got.RatString(), r["to"], r["exact"])
		}
	}
}

// The second oracle is another library's doubles. Rows in which the exact
// oracle names that library wrong are its faults and are counted, so that a
// row that starts to disagree is noticed.
func TestDoubleOracle(t *testing.T) {
	cases := records(t, shared(t, "oracle-cases.csv"))
	exact := records(t, shared(t, "oracle-exact.csv"))
	faults := 0
	for i, r := range cases {
		if exact[i]["lhc_ok"] != "true" {
			faults++
			continue
		}
		got, err := convertCodes(rat(t, r["value"]), r["from"], r["to"])
		if (err != nil) != (r["expected"] == "ERROR") {
			t.Errorf("row %d: %v, want %s", i+1, err, r["expected"])
			continue
		}
		if err != nil {
			continue
		}
		want := rat(t, r["expected"])
		diff := new(big.Rat).Sub(got, want)
		bound := new(big.Rat).Mul(diff.Abs(diff), big.NewRat(1_000_000_000_000, 1))
		if bound.Cmp(want.Abs(want)) > 0 {
			t.Errorf("row %d: %s %s is %s %s, want about %s", i+1, r["value"], r["from"], got.FloatString(20), r["to"], r["expected"])
		}
	}
	if faults != 8 {
		t.Errorf("%d rows left out as faults of the library, want 8", faults)
	}
}

func TestHardUnits(t *testing.T) {
	var limited int
	for _, r := range records(t, shared(t, "hard-units.csv")) {
		code := unquoteJSON(t, r["unit"])
		_, err := Parse(code)
		if want := r["spec_reading"] == "valid"; want != (err == nil) {
			// Our limits refuse what the reading calls a hazard, and nothing else.
			if want && strings.Contains(r["note"], "size limit") {
				limited++
				continue
			}
			t.Errorf("%q: %v, want %s (%s)", code, err, r["spec_reading"], r["note"])
		}
	}
	if limited != 8 {
		t.Errorf("%d codes refused by a limit, want 8", limited)
	}
}

func unquoteJSON(t *testing.T, s string) string {
	t.Helper()
	var out string
	if err := json.Unmarshal([]byte(`"`+s+`"`), &out); err != nil {
		t.Fatalf("%s: %v", s, err)
	}
	return out
}

// The UCUM functional tests, newest history entry 3 Feb 2021: every case.
func TestFunctional(t *testing.T) {
	var x struct {
		Validation []struct {
			ID    string `xml:"id,attr"`
			Unit  string `xml:"unit,attr"`
			Valid bool   `xml:"valid,attr"`
		} `xml:"validation>case"`
		Display []struct {
			Unit    string `xml:"unit,attr"`
			Display string `xml:"display,attr"`
		} `xml:"displayNameGeneration>case"`
		Conversion []struct {
			ID      string `xml:"id,attr"`
			Value   string `xml:"value,attr"`
			Src     string `xml:"srcUnit,attr"`
			Dst     string `xml:"dstUnit,attr"`
			Outcome string `xml:"outcome,attr"`
		} `xml:"conversion>case"`
		Multiplication []algebraCase `xml:"multiplication>case"`
		Division       []algebraCase `xml:"division>case"`
	}
	if err := xml.Unmarshal(shared(t, "UcumFunctionalTests.xml"), &x); err != nil {
		t.Fatal(err)
	}
	counts := [5]int{len(x.Validation), len(x.Display), len(x.Conversion), len(x.Multiplication), len(x.Division)}
	if counts != [5]int{529, 9, 30, 2, 3} {
		t.Errorf("the file has %v cases", counts)
	}
	for i, c := range x.Validation {
		if _, err := Parse(c.Unit); (err == nil) != c.Valid {
			t.Errorf("validation %d (%s) %q: %v, want valid %v", i, c.ID, c.Unit, err, c.Valid)
		}
	}
	for _, c := range x.Display {
		if got := parseOrUnity(t, c.Unit).Display(); got != c.Display {
			t.Errorf("%q displays as %q, want %q", c.Unit, got, c.Display)
		}
	}
	for _, c := range x.Conversion {
		got, err := convertCodes(rat(t, c.Value), c.Src, c.Dst)
		if err != nil || !sameDigits(t, got, c.Outcome) {
			t.Errorf("conversion %s: %v %v, want %s", c.ID, got, err, c.Outcome)
		}
	}
	for _, c := range x.Multiplication {
		c.run(t, Unit.Times, (*big.Rat).Mul)
	}
	for _, c := range x.Division {
		c.run(t, Unit.Per, (*big.Rat).Quo)
	}
}

type algebraCase struct {
	ID   string `xml:"id,attr"`
	V1   string `xml:"v1,attr"`
	U1   string `xml:"u1,attr"`
	V2   string `xml:"v2,attr"`
	U2   string `xml:"u2,attr"`
	VRes string `xml:"vRes,attr"`
	URes string `xml:"uRes,attr"`
}

func (c algebraCase) run(t *testing.T, units func(Unit, Unit) (Unit, error), values func(z, x, y *big.Rat) *big.Rat) {
	t.Helper()
	u, err := units(parseOrUnity(t, c.U1), parseOrUnity(t, c.U2))
	if err != nil {
		t.Errorf("%s: %v", c.ID, err)
		return
	}
	got, err := Convert(values(new(big.Rat), rat(t, c.V1), rat(t, c.V2)), u, parseOrUnity(t, c.URes))
	if err != nil || !sameDigits(t, got, c.VRes) {
		t.Errorf("%s: %v %v, want %s", c.ID, got, err, c.VRes)
	}
}

// parseOrUnity reads "" as unity, as the functional tests do.
func parseOrUnity(t *testing.T, code string) Unit {
	t.Helper()
	if code == "" {
		return Unit{}
	}
	u, err := Parse(code)
	if err != nil {
		t.Fatal(err)
	}
	return u
}

// sameDigits rounds got to as many significant digits as want shows: the
// functional tests count the digits of their input as its precision.
func sameDigits(t *testing.T, got *big.Rat, want string) bool {
	t.Helper()
	mantissa, _, _ := strings.Cut(strings.ToLower(want), "e")
	digits := strings.TrimLeft(strings.ReplaceAll(mantissa, ".", ""), "0-")
	n := uint(len(digits))
	w := rat(t, want)
	unit := big.NewRat(1, 1) // one in the last digit shown
	ten := big.NewRat(10, 1)
	for bound := new(big.Rat).SetInt(new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(n)), nil)); ; {
		q := new(big.Rat).Quo(w, unit)
		switch {
		case q.Cmp(bound) >= 0:
			unit.Mul(unit, ten)
			continue
		case new(big.Rat).Mul(q, ten).Cmp(bound) < 0:
			unit.Quo(unit, ten)
			continue
		}
		break
	}
	diff := new(big.Rat).Sub(got, w)
	return diff.Abs(diff).Cmp(unit.Mul(unit, big.NewRat(1, 2))) <= 0
}
