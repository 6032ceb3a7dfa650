package search

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"tidemark/internal/fhirjson"
)

func TestTable(t *testing.T) {
	kinds := []Kind{Token, Reference, Date, String, URI, Number, Quantity, Composite}
	for _, typ := range Types() {
		list := Params(typ)
		if !slices.IsSortedFunc(list, func(a, b Param) int { return strings.Compare(a.Name, b.Name) }) {
			t.Errorf("%s: not in order", typ)
		}
		for _, p := range list {
			if !slices.Contains(kinds, p.Kind) || !strings.HasPrefix(p.URL, "http://hl7.org/fhir/SearchParameter/") && p.URL != "http://tidemark.example.org/fhir/SearchParameter/"+typ+"-"+p.Name {
				t.Errorf("%s.%s: kind %q, definition %q", typ, p.Name, p.Kind, p.URL)
			}
			for _, name := range append(p.Components, p.of...) {
				if _, ok := Lookup(typ, name); !ok {
					t.Errorf("%s.%s rests on %q, which is none", typ, p.Name, name)
				}
			}
			if (p.Kind == Composite) != (len(p.Components) == 2) {
				t.Errorf("%s.%s joins %v", typ, p.Name, p.Components)
			}
		}
		for _, name := range []string{"_id", "_lastUpdated", "_tag", "_security", "_profile", "_source"} {
			if _, ok := Lookup(typ, name); !ok {
				t.Errorf("%s has no %s", typ, name)
			}
		}
		for _, o := range table().types[typ].owners {
			for _, name := range o.params {
				if _, ok := Lookup(typ, name); !ok && name != "{def}" {
					t.Errorf("%s belongs to a %s through %q, which is none", typ, o.typ, name)
				}
			}
		}
	}
	for typ, want := range map[string]string{"Observation": "date", "Encounter": "date", "DetectedIssue": "identified", "Patient": "birthdate", "Provenance": "recorded", "AuditEvent": "date", "Device": "", "DeviceUseStatement": ""} {
		if got := PrimaryDate(typ); got != want {
			t.Errorf("%s is kept by %q, want %q", typ, got, want)
		}
	}
	if _, ok := Lookup("Location", "near"); ok {
		t.Error("near is offered")
	}
	if p, _ := Lookup("Observation", "patient"); !slices.Equal(p.of, []string{"subject"}) || p.only != "Patient" {
		t.Errorf("patient is %+v", p)
	}
}

// The official examples of the served types, where the reference folder is at
// hand: each gives values, and every query made of its own values finds it.
func TestOfficialExamples(t *testing.T) {
	files, _ := filepath.Glob("../../../shared/fhir-r4-examples/examples/*.json")
	if len(files) == 0 {
		t.Skip("the reference folder ../shared is not here")
	}
	seen := 0
	for _, file := range files {
		data, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		n, err := fhirjson.Parse(data)
		if err != nil {
			t.Errorf("%s: %v", file, err)
			continue
		}
		d := Extract(n, ExtractOptions{Base: base, Zone: zurich})
		if !slices.Contains(Types(), d.Type) {
			if d.Entries != nil {
				t.Errorf("%s: a %s has entries", file, d.Type)
			}
			continue
		}
		seen++
		escape := strings.NewReplacer(`\`, `\\`, `,`, `\,`, `|`, `\|`, `$`, `\$`).Replace
		for _, e := range d.Entries {
			if strings.HasPrefix(e.Param, "_comp") || strings.Contains(e.Param, ":") {
				continue
			}
			value := ""
			switch e.Kind {
			case Token:
				if value = e.Code; value != "" {
					value = escape(e.System) + "|" + escape(value)
				}
			case Reference:
				if value = e.Ref; strings.ContainsAny(value, "?") {
					value = ""
				}
			case String, URI:
				value = escape(e.Text)
			case Quantity:
				if e.Comparator == "" && e.Number != "" {
					value = e.Number + "|" + escape(e.System) + "|" + escape(e.Code)
				}
			}
			if value == "" {
				continue
			}
			q, _, err := ParseQuery(d.Type, []Pair{{e.Param, value}}, options)
			if err != nil {
				t.Errorf("%s: %s=%s: %v", filepath.Base(file), e.Param, value, err)
				continue
			}
			if !q.Match(d) || !q.Plan().Admits(d) {
				t.Errorf("%s: %s=%s does not find it", filepath.Base(file), e.Param, value)
			}
		}
	}
	if seen < 100 {
		t.Errorf("only %d examples of served types", seen)
	}
}
