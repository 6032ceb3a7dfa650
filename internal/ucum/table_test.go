package ucum

import (
	"encoding/xml"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// shared opens reference data that lies beside the project and is no part of
// it. A test that uses it is skipped where it is absent.
func shared(t *testing.T, name string) []byte {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("..", "..", "..", "shared", "ucum", name))
	if err != nil {
		t.Skipf("skipped: the reference file %s is not beside the project", name)
	}
	return b
}

// The table is compared with the official one, row by row.
func TestTableIsUCUM22(t *testing.T) {
	var x struct {
		Version string `xml:"version,attr"`
		Prefix  []struct {
			Code  string `xml:"Code,attr"`
			Name  string `xml:"name"`
			Value struct {
				Value string `xml:"value,attr"`
			} `xml:"value"`
		} `xml:"prefix"`
		Base []struct {
			Code string `xml:"Code,attr"`
			Name string `xml:"name"`
		} `xml:"base-unit"`
		Unit []struct {
			Code      string   `xml:"Code,attr"`
			Metric    string   `xml:"isMetric,attr"`
			Special   string   `xml:"isSpecial,attr"`
			Arbitrary string   `xml:"isArbitrary,attr"`
			Name      []string `xml:"name"`
			Value     struct {
				Unit     string `xml:"Unit,attr"`
				Value    string `xml:"value,attr"`
				Function *struct {
					Name  string `xml:"name,attr"`
					Value string `xml:"value,attr"`
					Unit  string `xml:"Unit,attr"`
				} `xml:"function"`
			} `xml:"value"`
		} `xml:"unit"`
	}
	if err := xml.NewDecoder(strings.NewReader(strings.Replace(string(shared(t, "ucum-essence.xml")), `encoding="ascii"`, `encoding="utf-8"`, 1))).Decode(&x); err != nil {
		t.Fatal(err)
	}
	if x.Version != "2.2" {
		t.Fatalf("the reference is UCUM %s, the table is 2.2", x.Version)
	}
	var prefixes []prefixRow
	for _, p := range x.Prefix {
		prefixes = append(prefixes, prefixRow{p.Code, p.Name, p.Value.Value})
	}
	var units []unitRow
	for _, u := range x.Unit {
		r := unitRow{code: u.Code, name: strings.ReplaceAll(u.Name[0], "\u00a0", " "), factor: u.Value.Value, unit: u.Value.Unit}
		if u.Metric == "yes" {
			r.kind |= metric
		}
		if u.Arbitrary == "yes" {
			r.kind |= arbitrary
		}
		if f := u.Value.Function; f != nil {
			r.function, r.factor, r.unit = f.Name, f.Value, f.Unit
		}
		if (r.function != "") != (u.Special == "yes") {
			t.Errorf("%s: special and function disagree", u.Code)
		}
		units = append(units, r)
	}
	if d := cmp.Diff(prefixes, prefixRows, cmp.AllowUnexported(prefixRow{})); d != "" {
		t.Error("prefixes (-reference +table):\n" + d)
	}
	if d := cmp.Diff(units, unitRows, cmp.AllowUnexported(unitRow{})); d != "" {
		t.Error("units (-reference +table):\n" + d)
	}
	for i, b := range x.Base {
		if baseUnits[i].code != b.Code || baseUnits[i].name != b.Name {
			t.Errorf("base unit %d is %v, want %v", i, baseUnits[i], b)
		}
	}
	if len(x.Base) != baseCount {
		t.Errorf("%d base units", len(x.Base))
	}
}

// The counts hold without the reference, so that a lost row is found anywhere.
func TestTableCounts(t *testing.T) {
	var special, arb, met int
	for _, r := range unitRows {
		if r.function != "" {
			special++
		}
		if r.kind&arbitrary != 0 {
			arb++
		}
		if r.kind&metric != 0 {
			met++
		}
	}
	got := []int{len(prefixRows), len(unitRows), special, arb, met}
	if d := cmp.Diff([]int{24, 305, 21, 41, 89}, got); d != "" {
		t.Error("prefixes, units, special, arbitrary, metric (-want +got):\n" + d)
	}
}

// Every code of the table parses by itself, names itself, and a prefix is
// accepted just where the table allows one.
func TestEveryUnitParses(t *testing.T) {
	for _, r := range unitRows {
		u, err := Parse(r.code)
		if err != nil {
			t.Error(err)
			continue
		}
		if want := "(" + r.name + ")"; u.Display() != want {
			t.Errorf("%s displays as %s, want %s", r.code, u.Display(), want)
		}
		if u.Special() != (r.function != "") || u.Arbitrary() != (r.kind&arbitrary != 0) {
			t.Errorf("%s: special %v, arbitrary %v", r.code, u.Special(), u.Arbitrary())
		}
		// The zepto prefix makes no other unit with any code of the table.
		if _, err := Parse("z" + r.code); (err == nil) != (r.kind&metric != 0) {
			t.Errorf("z%s: %v, metric is %v", r.code, err, r.kind&metric != 0)
		}
	}
}

// Every unit of the table resolves to the factor and dimension that were
// worked out apart from this package.
func TestEveryUnitResolves(t *testing.T) {
	rows := facts(t, "units.csv")
	if len(rows) != len(unitRows) {
		t.Errorf("%d facts for %d units", len(rows), len(unitRows))
	}
	for _, r := range rows {
		a := unitTable().atoms[r["code"]]
		if a == nil {
			t.Errorf("no unit %s", r["code"])
			continue
		}
		kind, factor := "ratio", a.value.factor
		switch {
		case a.function != nil:
			kind, factor = "special", a.function.ref
		case a.arbitrary:
			kind = "arbitrary"
		}
		dim := strings.Trim(fmt.Sprint(a.value.dim), "[]")
		if kind != r["kind"] || dim != r["dimension"] || factor.Cmp(rat(t, r["factor"])) != 0 {
			t.Errorf("%s is %s %s %s, want %s %s %s", r["code"], kind, factor.RatString(), dim, r["kind"], r["factor"], r["dimension"])
		}
	}
}

// No symbol may be read in two ways as prefix and unit.
func TestPrefixesAreUnambiguous(t *testing.T) {
	tab := unitTable()
	seen := map[string]string{}
	for _, p := range prefixRows {
		for code, a := range tab.atoms {
			if !a.metric {
				continue
			}
			s := p.code + code
			if other, twice := seen[s]; twice && tab.atoms[s] == nil {
				t.Errorf("%s is both %s and %s+%s", s, other, p.code, code)
			}
			seen[s] = p.code + "+" + code
		}
	}
}
