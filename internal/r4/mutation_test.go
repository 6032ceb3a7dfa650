package r4

import (
	"fmt"
	"os"
	"strconv"
	"strings"
	"testing"

	"tidemark/internal/fault"
	"tidemark/internal/fhirjson"
)

type mutation struct {
	line                                 int
	base, op, pointer, value, code, want string
}

func mutations(t testing.TB) []mutation {
	t.Helper()
	data, err := os.ReadFile("testdata/mutations.txt")
	if err != nil {
		t.Fatal(err)
	}
	var out []mutation
	for i, line := range strings.Split(strings.TrimSuffix(string(data), "\n"), "\n") {
		if line[0] == '#' {
			continue
		}
		f := strings.Split(line, "\t")
		if len(f) != 6 {
			t.Fatalf("line %d has %d columns", i+1, len(f))
		}
		out = append(out, mutation{i + 1, f[0], f[1], f[2], f[3], f[4], f[5]})
	}
	return out
}

func (m mutation) String() string {
	return fmt.Sprintf("line %d (%s %s %s %s)", m.line, m.base, m.op, m.pointer, m.value)
}

// apply makes the change at a JSON Pointer.
func (m mutation) apply(t testing.TB) *fhirjson.Node {
	t.Helper()
	root := own(t, m.base)
	steps := strings.Split(m.pointer, "/")[1:]
	n := root
	for _, step := range steps[:len(steps)-1] {
		if n.Kind == fhirjson.Array {
			i, err := strconv.Atoi(step)
			if err != nil || i >= len(n.Items) {
				t.Fatalf("%v: no item %s", m, step)
			}
			n = n.Items[i]
		} else if n = n.Get(step); n == nil {
			t.Fatalf("%v: no member %s", m, step)
		}
	}
	last := steps[len(steps)-1]
	switch {
	case m.op == "remove":
		if n.Get(last) == nil {
			t.Fatalf("%v: nothing to remove", m)
		}
		n.Delete(last)
	case n.Kind == fhirjson.Array:
		i, err := strconv.Atoi(last)
		if err != nil || i > len(n.Items) {
			t.Fatalf("%v: no place %s", m, last)
		}
		if i == len(n.Items) {
			n.Items = append(n.Items, nil)
		}
		n.Items[i] = parse(t, m.value)
	default:
		n.Set(last, parse(t, m.value))
	}
	return root
}

func TestMutations(t *testing.T) {
	for _, m := range mutations(t) {
		l := Validate(m.apply(t), Options{})
		if m.code == "ok" {
			if len(l.Issues) != 0 {
				t.Errorf("%v: should be valid: %+v", m, l.Issues)
			}
			continue
		}
		code, key, _ := strings.Cut(m.code, ":")
		if len(l.Issues) != 1 {
			t.Errorf("%v: want one fault %s at %s, got %+v", m, m.code, m.want, l.Issues)
			continue
		}
		is := l.Issues[0]
		if is.Code != code || is.Expression[0] != m.want || !strings.Contains(is.Diagnostics, key) || is.Severity != fault.Err {
			t.Errorf("%v: want %s at %s, got %+v", m, m.code, m.want, is)
		}
		kind := fault.Rule
		if code == structure {
			kind = fault.Invalid
		}
		if Kind(l) != kind {
			t.Errorf("%v: Kind = %v", m, Kind(l))
		}
	}
}

// Every invariant must be seen to fail: one that always holds would go unnoticed.
func TestEveryRuleHasAFailingMutation(t *testing.T) {
	shown := map[string]bool{}
	for _, m := range mutations(t) {
		if _, key, ok := strings.Cut(m.code, ":"); ok {
			shown[key] = true
		}
	}
	for name := range rules {
		if key := name[strings.LastIndexByte(name, ':')+1:]; !shown[key] {
			t.Errorf("no mutation breaks %s", name)
		}
	}
}

// elsewhere names the invariants that the walk itself enforces, not a rule.
var elsewhere = map[string]string{
	"ele-1": "every object, array and string is checked for content while it is walked",
	"txt-1": "part of the format of xhtml",
	"txt-2": "part of the format of xhtml",
}

func TestEveryErrorConstraintIsImplemented(t *testing.T) {
	count := 0
	owner := ""
	for line := range strings.Lines(tableText) {
		f := append(strings.Split(strings.TrimSuffix(line, "\n"), "\t"), make([]string, 8)...)
		path, keys := "", ""
		switch f[0] {
		case "type":
			owner, path, keys = f[1], f[1], f[3]
		case "e":
			path, keys = owner+"."+f[1], f[7]
		}
		for _, key := range strings.Fields(keys) {
			count++
			if elsewhere[key] == "" && ruleFor(path, key) == nil {
				t.Errorf("%s: constraint %s has no rule", path, key)
			}
		}
	}
	if count < 150 {
		t.Errorf("only %d constraints in the tables", count)
	}
}
