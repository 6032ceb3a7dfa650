package search

import (
	_ "embed"
	"maps"
	"slices"
	"strings"
	"sync"
)

// Param is a search parameter of one type.
type Param struct {
	Name string
	Kind Kind
	URL  string // canonical URL of its definition
	// Targets are the types that a reference may lead to; nil means any.
	Targets    []string
	Components []string // of a composite: the parameters that it joins

	// of names the parameters that hold the values, which is the parameter
	// itself unless it is a view on others; only restricts a view to
	// references to that type.
	of   []string
	only string

	identifier bool // its values are Identifiers, so that :of-type makes sense
}

// Compartment is the internal parameter that names each compartment which
// holds a resource: a reference to a Patient, a Device or an Encounter. It is
// what rights rest on, and no search can ask for it by name.
const Compartment = "_compartment"

// Changed lists the types that a store of an older schema has to index anew, by
// the schema that came with the parameters: both engines count alike.
var Changed = map[int64][]string{
	2: {"DetectedIssue", "DeviceUseStatement"}, // parameters of the service's own
}

// Parameters whose values are fields of Doc.
const (
	idParam     = "_id"
	lastUpdated = "_lastUpdated"
)

// Params lists the parameters of a type, with those of every resource, by
// name. It is nil for a type that is not served.
func Params(typ string) []Param { return table().types[typ].list }

// Lookup finds a parameter of a type.
func Lookup(typ, name string) (Param, bool) {
	p, ok := table().types[typ].params[name]
	if !ok {
		return Param{}, false
	}
	return *p, true
}

// Types lists the types that have parameters.
func Types() []string { return slices.Sorted(maps.Keys(table().types)) }

// Compartments lists the types that a compartment of an owner
// ("Patient", "Device", "Encounter") may hold.
func Compartments(of string) []string {
	var out []string
	for _, name := range Types() {
		if slices.ContainsFunc(table().types[name].owners, func(o owner) bool { return o.typ == of }) {
			out = append(out, name)
		}
	}
	return out
}

//go:embed params.txt
var paramsText string

// catalogue is the table of params.txt, read once and never changed.
type catalogue struct{ types map[string]typeTable }

type typeTable struct {
	params  map[string]*Param
	list    []Param
	steps   *step // what Extract walks
	owners  []owner
	primary string // the parameter whose values are Doc.Date, "" when none
	derived string // the boolean that is false when its elements are absent, "" when none
}

// owner is a type of compartment and the parameters through which a resource
// belongs to one.
type owner struct {
	typ    string
	params []string
}

// step is one member name on the way to values.
type step struct {
	name   string
	next   []step
	leaves []leaf
}

// leaf is a value type at the end of a path.
type leaf struct {
	param   string
	kind    Kind
	typ     string
	system  string // that a code implies
	where   string // the ContactPoint.system that is asked for
	joined  bool   // composites use it
	primary bool   // it is the primary date; param is "" when it is only that
}

var table = sync.OnceValue(func() catalogue { return readTable(paramsText) })

// readTable trusts its text, which is generated and covered by tests.
func readTable(text string) catalogue {
	c := catalogue{types: map[string]typeTable{}}
	var common []Param // of Resource
	var commonLeaves []pathLeaf
	var t typeTable
	name, primary := "", ""
	finish := func() {
		if name == "" {
			return
		}
		if name == "Resource" {
			common = t.list
			return
		}
		t.list = append(t.list, common...)
		slices.SortFunc(t.list, func(a, b Param) int { return strings.Compare(a.Name, b.Name) })
		t.params = make(map[string]*Param, len(t.list))
		for i := range t.list {
			t.params[t.list[i].Name] = &t.list[i]
		}
		for _, l := range commonLeaves {
			t.steps.add(l.path, l.leaf)
		}
		c.types[name] = t
	}
	for line := range strings.Lines(text) {
		f := strings.Split(strings.TrimSuffix(line, "\n"), "\t")
		switch f[0] {
		case "type":
			finish()
			name, primary, t = f[1], "", typeTable{steps: &step{}}
		case "primary":
			primary = f[1]
		case "compartment":
			t.owners = append(t.owners, owner{f[1], strings.Fields(f[2])})
		case "param":
			definition := f[3]
			if !strings.Contains(definition, "://") { // not one of the service's own
				definition = "http://hl7.org/fhir/SearchParameter/" + definition
			}
			p := Param{Name: f[1], Kind: Kind(f[2]), URL: definition, of: []string{f[1]}, Components: strings.Fields(f[6])}
			if f[5] != "*" {
				p.Targets = strings.Fields(f[5])
			}
			if alias, ok := strings.CutPrefix(f[4], "="); ok {
				alias, p.only, _ = strings.Cut(alias, "@")
				p.of = strings.Split(alias, ",")
			} else {
				for _, text := range strings.Fields(f[4]) {
					l := readPath(text, p)
					p.identifier = p.identifier || l.leaf.typ == "Identifier"
					if p.Name == idParam || p.Name == lastUpdated {
						continue // Doc has both: the store knows them better than the text
					}
					if name == "Resource" {
						commonLeaves = append(commonLeaves, l)
						continue
					}
					t.steps.add(l.path, l.leaf)
					if l.leaf.typ == "exists" {
						t.derived = p.Name
					}
				}
			}
			if primary != "" && f[4] == primary {
				t.primary = p.Name
			}
			t.list = append(t.list, p)
		}
		if f[0] == "primary" {
			for _, text := range strings.Fields(primary) {
				l := readPath(text, Param{Kind: Date})
				l.leaf.primary = true
				t.steps.add(l.path, l.leaf)
			}
		}
	}
	finish()
	return c
}

type pathLeaf struct {
	path []string
	leaf leaf
}

// readPath reads one path as params.txt describes them.
func readPath(text string, p Param) pathLeaf {
	text, joined := strings.CutSuffix(text, "#")
	path, typ, _ := strings.Cut(text, ":")
	l := leaf{param: p.Name, kind: p.Kind, joined: joined}
	if t, where, ok := strings.Cut(typ, "{system="); ok {
		typ, l.where = t, strings.TrimSuffix(where, "}")
	}
	l.typ, l.system, _ = strings.Cut(typ, "=")
	return pathLeaf{strings.Split(path, "."), l}
}

func (s *step) add(path []string, l leaf) {
	for i := range s.next {
		if s.next[i].name == path[0] {
			s.next[i].end(path[1:], l)
			return
		}
	}
	s.next = append(s.next, step{name: path[0]})
	s.next[len(s.next)-1].end(path[1:], l)
}

func (s *step) end(path []string, l leaf) {
	if len(path) == 0 {
		s.leaves = append(s.leaves, l)
		return
	}
	s.add(path, l)
}
