package r4

import (
	_ "embed"
	"fmt"
	"slices"
	"strings"
	"sync"
)

//go:embed tables.txt
var tableText string

// tables are the facts of the generated file, linked for reading. They never
// change after load.
type tables struct {
	types        map[string]*typ // resource and data types, and nested ones by path such as "Observation.component"
	resources    map[string]bool // every concrete R4 resource type, with tables or without
	names        []string        // the same, sorted
	codes        map[string]*codeList
	compartments map[string]map[string][]string
}

// typ is what one JSON object may hold.
type typ struct {
	name     string
	resource bool
	own      bool // a resource or a part that only this resource has
	elements []*element
	props    map[string]prop // by JSON property name: choice elements once per type, primitives with their "_" partner
	required uint64          // elements with min 1, by index
	rules    []*rule
}

// element is one row of a type.
type element struct {
	name     string // without [x]
	label    string // the name in FHIRPath
	index    int    // in typ.elements, at most 63
	required bool
	many     bool
	choice   bool
	modifier bool
	summary  bool
	types    []string // type codes, for messages
	codes    *codeList
	rules    []*rule // those of this element alone; those of nested content stand in its typ
}

// prop is an element under one of its JSON property names; a primitive and its
// partner share one.
type prop struct {
	el      *element
	code    string    // type code
	prim    primitive // nil for complex types
	typ     *typ      // nil for primitives and resources
	targets []string  // resource types that a Reference may point to; nil for any
	partner bool      // a primitive with a "_" property for its id and extensions
	many    bool
}

// codeList is the expansion of a value set with a required binding.
type codeList struct {
	name  string
	codes []string
	has   map[string]bool
}

// tablesOnce loads at first use, so that commands that touch no resource do not pay.
var tablesOnce = sync.OnceValue(func() *tables {
	t, err := load(tableText)
	if err != nil {
		panic("r4: the embedded tables are broken: " + err.Error())
	}
	return t
})

func load(text string) (*tables, error) {
	t := &tables{
		types: map[string]*typ{}, resources: map[string]bool{},
		codes: map[string]*codeList{}, compartments: map[string]map[string][]string{},
	}
	type pending struct {
		owner *typ
		el    *element
		path  string
		types string
	}
	var later []pending
	var root *typ
	for line := range strings.Lines(text) {
		line = strings.TrimSuffix(line, "\n")
		if line == "" || line[0] == '#' {
			continue
		}
		f := append(strings.Split(line, "\t"), make([]string, 8)...)
		switch f[0] {
		case "types":
			t.names = strings.Fields(f[1])
			for _, n := range t.names {
				t.resources[n] = true
			}
			slices.Sort(t.names)
		case "codes":
			c := &codeList{name: f[1], codes: strings.Fields(f[2]), has: map[string]bool{}}
			for _, code := range c.codes {
				c.has[code] = true
			}
			t.codes[c.name] = c
		case "compartment":
			if t.compartments[f[1]] == nil {
				t.compartments[f[1]] = map[string][]string{}
			}
			t.compartments[f[1]][f[2]] = strings.Fields(f[3])
		case "type":
			root = t.add(f[1])
			root.resource = f[2] == "r"
			root.own = root.resource
			root.rules = findRules(f[1], f[3])
		case "e":
			path, owner := f[1], root
			if i := strings.LastIndexByte(path, '.'); i >= 0 {
				owner, path = t.add(root.name+"."+path[:i]), path[i+1:]
				owner.own = root.resource
			}
			el := &element{
				name: strings.TrimSuffix(path, "[x]"), choice: strings.HasSuffix(path, "[x]"),
				index: len(owner.elements), required: f[2] != "0", many: f[3] == "*",
				modifier: strings.Contains(f[4], "M"), summary: strings.Contains(f[4], "S"),
				codes: t.codes[f[6]], rules: findRules(root.name+"."+f[1], f[7]),
			}
			el.label = identifier(el.name)
			if el.index > 63 {
				return nil, fmt.Errorf("%s has more than 64 elements", owner.name)
			}
			if el.required {
				owner.required |= 1 << el.index
			}
			owner.elements = append(owner.elements, el)
			later = append(later, pending{owner, el, root.name + "." + f[1], f[5]})
		default:
			return nil, fmt.Errorf("unknown row %q", f[0])
		}
	}
	for _, p := range later {
		if err := t.link(p.owner, p.el, p.path, p.types); err != nil {
			return nil, err
		}
	}
	return t, nil
}

func (t *tables) add(name string) *typ {
	ty := t.types[name]
	if ty == nil {
		ty = &typ{name: name, props: map[string]prop{}}
		t.types[name] = ty
	}
	return ty
}

// link enters an element under each of its JSON property names.
func (t *tables) link(owner *typ, el *element, path, types string) error {
	for _, code := range strings.Split(types, ",") {
		p := prop{el: el, many: el.many}
		if i := strings.IndexByte(code, '('); i >= 0 {
			p.targets = strings.Split(strings.TrimSuffix(code[i+1:], ")"), "|")
			if slices.Contains(p.targets, "Resource") {
				p.targets = nil
			}
			code = code[:i]
		}
		switch {
		case code[0] == '@':
			p.typ = t.types[code[1:]]
		case t.types[path] != nil: // nested content; its constraints hold where it is referred to as well
			p.typ = t.types[path]
			p.typ.rules, el.rules = el.rules, nil
		case code == "Resource":
		case code == "SimpleQuantity": // a profile on Quantity that forbids the comparator
			code, p.typ = "Quantity", t.types["Quantity"]
			el.rules = append(el.rules, findRules(path, "sqty-1")...)
		case primitives[code] != nil:
			p.prim = primitives[code]
			if code == "string" && el.name == "id" {
				p.prim = elementID
			}
		case t.types[code] != nil:
			p.typ = t.types[code]
		default:
			return fmt.Errorf("%s has the unknown type %s", path, code)
		}
		if p.typ == nil && p.prim == nil && code != "Resource" {
			return fmt.Errorf("%s refers to unknown content %s", path, code)
		}
		p.code = code
		el.types = append(el.types, code)
		name := el.name
		if el.choice {
			name += strings.ToUpper(code[:1]) + code[1:]
		}
		// Ids and Extension.url are plain strings in R4 and narrative takes no
		// extension: they have no partner.
		attribute := el.name == "id" || owner.name == "Extension" && el.name == "url"
		p.partner = p.prim != nil && !attribute && code != "xhtml"
		owner.props[name] = p
		if p.partner {
			owner.props["_"+name] = p
		}
	}
	return nil
}

func findRules(path, keys string) []*rule {
	var out []*rule
	for _, key := range strings.Fields(keys) {
		if r := ruleFor(path, key); r != nil {
			out = append(out, r)
		}
	}
	return out
}

// IsType reports whether name is a concrete R4 resource type.
func IsType(name string) bool { return tablesOnce().resources[name] }
