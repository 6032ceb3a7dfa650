package profile

import (
	"go/ast"
	"go/parser"
	"go/token"
	"maps"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"tidemark/fhirmap"
	"tidemark/internal/concern"
	"tidemark/internal/due"
	"tidemark/internal/fhirjson"
	"tidemark/internal/removal"
	"tidemark/internal/trend"
)

// source is what package fhirmap says in its text: the test holds its codes
// against the definitions without asking it to export them all.
type source struct {
	constants map[string]string
	tables    map[string]map[string]string // of its map variables: the keys, and the values that are texts
	uses      []use
}

// use is a local code that an encoder writes.
type use struct{ code, display, where string }

// writers are the functions and methods of fhirmap whose first two arguments are
// a local code and its display.
var writers = []string{"local", "newObs", ".add", ".quantity", ".count"}

func readSource(t *testing.T) source {
	t.Helper()
	s := source{constants: map[string]string{}, tables: map[string]map[string]string{}}
	paths, _ := filepath.Glob("../../fhirmap/*.go")
	fset := token.NewFileSet()
	var parsed []*ast.File
	for _, p := range paths {
		if strings.HasSuffix(p, "_test.go") {
			continue
		}
		f, err := parser.ParseFile(fset, p, nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		parsed = append(parsed, f)
	}
	specs := func(kind token.Token, do func(*ast.ValueSpec)) {
		for _, f := range parsed {
			for _, d := range f.Decls {
				if g, ok := d.(*ast.GenDecl); ok && g.Tok == kind {
					for _, sp := range g.Specs {
						do(sp.(*ast.ValueSpec))
					}
				}
			}
		}
	}
	specs(token.CONST, func(v *ast.ValueSpec) {
		for i, name := range v.Names {
			if i < len(v.Values) {
				if text, ok := s.text(v.Values[i]); ok {
					s.constants[name.Name] = text
				}
			}
		}
	})
	specs(token.VAR, func(v *ast.ValueSpec) {
		for i, name := range v.Names {
			if i >= len(v.Values) {
				continue
			}
			lit, ok := v.Values[i].(*ast.CompositeLit)
			if !ok {
				continue
			}
			table := map[string]string{}
			for _, e := range lit.Elts {
				if kv, ok := e.(*ast.KeyValueExpr); ok {
					if key, ok := s.text(kv.Key); ok {
						table[key], _ = s.text(kv.Value)
					}
				}
			}
			s.tables[name.Name] = table
		}
	})
	for _, f := range parsed {
		ast.Inspect(f, func(n ast.Node) bool {
			call, ok := n.(*ast.CallExpr)
			if !ok || len(call.Args) < 2 {
				return true
			}
			name := ""
			switch fun := call.Fun.(type) {
			case *ast.Ident:
				name = fun.Name
			case *ast.SelectorExpr:
				name = "." + fun.Sel.Name
			}
			if !slices.Contains(writers, name) {
				return true
			}
			if code, ok := s.text(call.Args[0]); ok {
				display, _ := s.text(call.Args[1])
				s.uses = append(s.uses, use{code, display, fset.Position(call.Pos()).String()})
			}
			return true
		})
	}
	return s
}

// text is the value of a string literal or of a constant of fhirmap.
func (s source) text(e ast.Expr) (string, bool) {
	switch e := e.(type) {
	case *ast.BasicLit:
		text, err := strconv.Unquote(e.Value)
		return text, err == nil && e.Kind == token.STRING
	case *ast.Ident:
		text, ok := s.constants[e.Name]
		return text, ok
	case *ast.BinaryExpr:
		x, okX := s.text(e.X)
		y, okY := s.text(e.Y)
		return x + y, okX && okY && e.Op == token.ADD
	}
	return "", false
}

func members(l *Library, id, system string) []string {
	var out []string
	for _, c := range l.sets[set+id] {
		if c.system == system {
			out = append(out, c.code)
		}
	}
	slices.Sort(out)
	return out
}

// What fhirmap reads is what the value sets hold, no more and no less.
func TestSetsAgreeWithDecoder(t *testing.T) {
	l, s := library(t), readSource(t)
	keys := func(table string, more ...string) []string {
		m, ok := s.tables[table]
		if !ok {
			t.Fatalf("fhirmap has no table %s", table)
		}
		return slices.Sorted(slices.Values(append(slices.Collect(maps.Keys(m)), more...)))
	}
	var intake, output []string
	for _, code := range append(keys("flows"), keys("localFlows")...) {
		system := fhirmap.LOINC
		if _, ok := s.tables["localFlows"][code]; ok {
			system = fhirmap.Local
		}
		e := charted(t, entry(system, code))
		switch {
		case e == nil:
			t.Errorf("%s is not read", code)
		case e.Kind == "intake":
			intake = append(intake, code)
		default:
			output = append(output, code)
		}
	}
	both := func(id string) []string {
		return slices.Sorted(slices.Values(append(members(l, id, fhirmap.LOINC), members(l, id, fhirmap.Local)...)))
	}
	for _, c := range []struct {
		what      string
		got, want []string
	}{
		{"drain-appearance", members(l, "drain-appearance", fhirmap.Local), keys("appearances")},
		{"drain-appearance, SNOMED CT", members(l, "drain-appearance", fhirmap.SNOMED), keys("snomedAppearances")},
		{"suction-state", both("suction-state"), keys("suctions")},
		{"patency", both("patency"), keys("patencies")},
		{"drain-care", both("drain-care"), keys("cares")},
		{"measuring-vessel", both("measuring-vessel"), keys("vessels")},
		{"compartment", both("compartment"), keys("compartments")},
		{"site-sign", both("site-sign"), keys("signs", s.constants["codeSuture"])},
		{"drain-output-code", both("drain-output-code"), keys("outputCodes", fhirmap.CodeOutput)},
		{"intake-code", both("intake-code"), slices.Sorted(slices.Values(intake))},
		{"other-output-code", both("other-output-code"), slices.Sorted(slices.Values(output))},
		{"issue-rule", both("issue-rule"), keys("ruleDisplays")},
		{"concern", both("concern"), keys("concernDisplays")},
		{"drain-component", both("drain-component"), slices.Sorted(slices.Values([]string{
			fhirmap.LOINCAppearance, fhirmap.LOINCColour, fhirmap.LOINCOdour, fhirmap.CodeSuction, fhirmap.CodeFill,
			fhirmap.CodeVessel, fhirmap.CodeInstilled, fhirmap.CodePatency, fhirmap.CodeDislodged, fhirmap.CodeCare,
		}))},
	} {
		if diff := cmp.Diff(c.want, c.got); diff != "" {
			t.Errorf("%s (-fhirmap +value set):\n%s", c.what, diff)
		}
	}
	for _, c := range l.sets[set+"issue-rule"] {
		if got := fhirmap.RuleDisplay(c.code); got != c.display {
			t.Errorf("%s is %q in fhirmap and %q in the code system", c.code, got, c.display)
		}
	}
	for _, c := range l.sets[set+"concern"] {
		if got := fhirmap.ConcernDisplay(c.code); got != c.display {
			t.Errorf("%s is %q in fhirmap and %q in the code system", c.code, got, c.display)
		}
	}
	for _, c := range l.sets[set+"drain-output-code"] {
		for _, comp := range slices.Collect(maps.Values(compartmentsOf(l))) {
			if code, display, ok := fhirmap.OutputCode(comp); ok && code == c.code && display != c.display {
				t.Errorf("%s is %q in fhirmap and %q in the value set", code, display, c.display)
			}
		}
	}
}

// What fhirmap writes is in the code system, by one of its names.
func TestCodesAgreeWithEncoders(t *testing.T) {
	l, s := library(t), readSource(t)
	if len(s.uses) < 20 {
		t.Fatalf("only %d uses of local codes were found in fhirmap: the test no longer reads it well", len(s.uses))
	}
	for _, u := range s.uses {
		c := l.drain.byCode[u.code]
		if c == nil {
			t.Errorf("%s: the code system has no code %q", u.where, u.code)
			continue
		}
		if u.display != "" && !l.isDisplay(concept{coding{fhirmap.Local, u.code}, c.Str("display")}, u.display) {
			t.Errorf("%s: %q is called %q", u.where, u.code, u.display)
		}
	}
	for name, code := range s.constants {
		if strings.HasPrefix(name, "Code") && l.drain.byCode[code] == nil {
			t.Errorf("fhirmap.%s: the code system has no code %q", name, code)
		}
	}
	for level, display := range s.tables["levelDisplays"] {
		if c := l.drain.byCode[level]; c == nil || c.Str("display") != display {
			t.Errorf("the level %q is called %q in fhirmap", level, display)
		}
	}
	// Codes that are made from words of the rule packages.
	words := map[string][]string{
		"trend-direction":   {string(trend.Falling), string(trend.Rising), string(trend.NoClearTrend), string(trend.TooFewReadings)},
		"appearance-course": {trend.Lightening, trend.Darkening, trend.Unchanged, trend.CourseUnknown},
		"criterion-state":   {string(removal.Met), string(removal.NotMet), string(removal.NotKnown)},
		"due-reason":        {string(due.IntervalLimit), string(due.PredictedHalfFull), string(due.HalfFullNow), string(due.Planned), string(due.LookAgain)},
		"concern":           concern.Kinds(),
		"announcement":      {concern.Opened, concern.Worse, concern.Joined, concern.Repeated, concern.Closed, concern.Late},
		"level":             {"none", "low", "moderate", "high", concern.UnknownStale},
	}
	for group, list := range words {
		for _, w := range list {
			if c := l.drain.byCode[strings.ReplaceAll(w, " ", "-")]; c == nil || !in(c, group) {
				t.Errorf("%q is not in the group %s", w, group)
			}
		}
	}
	for _, url := range []string{fhirmap.ExtensionSide, fhirmap.ExtensionPolicy, fhirmap.ExtensionAnnounced, fhirmap.ExtensionAnnouncement, fhirmap.ExtensionVoid,
		fhirmap.ExtensionRuleSeverity, fhirmap.ExtensionRuleSince, fhirmap.ExtensionAcknowledgedSeverity, fhirmap.ExtensionAcknowledgedRule} {
		if _, ok := l.ByURL(url); !ok {
			t.Errorf("the extension %s is not defined", url)
		}
	}
}

// Every code of the code system is of use: fhirmap reads or writes it, or a
// device, a category or an acknowledgement may carry it.
func TestNoIdleGroups(t *testing.T) {
	l := library(t)
	known := []string{
		"drain-output", "reservoir-check", "site-assessment", "other-output", "intake", "category", "component", "site-sign",
		"device-property", "compartment", "drain-type", "appearance", "suction", "patency", "vessel", "method", "issue-rule", "concern", "announcement",
		"mitigation", "level", "derived", "derived-part", "trend-direction", "appearance-course", "criterion-state", "review-state",
		"due-reason", "due-state", "due-part", "task", "drain-care",
	}
	for _, c := range l.drain.list {
		for _, p := range c.Each("property") {
			if !slices.Contains(known, p.Str("valueCode")) {
				t.Errorf("%s is in the group %q, which nothing uses", c.Str("code"), p.Str("valueCode"))
			}
		}
	}
}

func entry(system, code string) *fhirjson.Node {
	n := emptying()
	n.Set("code", fhirjson.Obj("coding", fhirjson.Arr(fhirjson.Obj("system", system, "code", code))))
	return n
}
