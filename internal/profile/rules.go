package profile

import (
	"fmt"
	"slices"
	"strings"

	"tidemark/internal/fault"
	"tidemark/internal/fhirdate"
	"tidemark/internal/fhirjson"
)

// rules are what one of our StructureDefinitions asks for. They are read from
// its differential, which uses a part of what R4 has: cardinalities and types
// of the elements of the resource, patterns and bindings of its concepts, and
// slices of components.
type rules struct {
	url, typ string
	elements []element
	slices   []slice
	holds    []constraint
	value    string // of an extension: the JSON name of its value
}

type element struct {
	name     string // of the JSON member, without its type in a choice
	expr     string // in FHIRPath
	choice   bool
	required bool
	absent   bool     // max is 0
	types    []string // of a choice, as they end its JSON name
	set      []concept
	setURL   string
	pattern  *coding // that one coding has; of a repeating element, in one of them
}

// slice is a component of an Observation.
type slice struct {
	code  coding
	types []string
}

type constraint struct {
	human string
	on    string // the element that the fault is reported at
	holds func(n *fhirjson.Node) bool
}

// constraints are the FHIRPath constraints of our definitions, by key.
var constraints = map[string]constraint{
	"drain-1": {on: "value", holds: func(n *fhirjson.Node) bool {
		return hasChoice(n, "value") || n.Get("dataAbsentReason") != nil
	}},
	"drain-2": {on: "effective", holds: func(n *fhirjson.Node) bool {
		text := n.Str("effectiveDateTime")
		if p := n.Get("effectivePeriod"); p != nil {
			text = p.Str("end")
		}
		if text == "" {
			// An instant always has both; a missing time is another fault.
			return n.Get("effectiveInstant") != nil || !hasChoice(n, "effective")
		}
		_, err := fhirdate.Instant(text)
		return err == nil
	}},
}

func (l *Library) readRules(sd *fhirjson.Node) (*rules, error) {
	r := &rules{url: sd.Str("url"), typ: sd.Str("type")}
	if r.typ == "Extension" {
		for _, e := range sd.Get("differential").Each("element") {
			if e.Str("path") == "Extension.value[x]" {
				r.value = "value" + upper(e.Each("type")[0].Str("code"))
			}
		}
		return r, nil
	}
	for _, e := range sd.Get("differential").Each("element") {
		for _, c := range e.Each("constraint") {
			known, ok := constraints[c.Str("key")]
			if !ok {
				return nil, fmt.Errorf("%s has a constraint %q that is not understood", r.url, c.Str("key"))
			}
			known.human = c.Str("human")
			r.holds = append(r.holds, known)
		}
		path := strings.Split(e.Str("path"), ".")
		var types []string
		for _, t := range e.Each("type") {
			types = append(types, upper(t.Str("code")))
		}
		pattern := patternOf(e)
		switch e.Str("path") {
		case "Observation.component.code":
			r.slices = append(r.slices, slice{code: *pattern})
			continue
		case "Observation.component.value[x]":
			r.slices[len(r.slices)-1].types = types
			continue
		}
		needed := e.Get("min") != nil && e.Get("min").Text != "0"
		sliced := e.Str("sliceName") != ""
		if len(path) != 2 || sliced && (pattern == nil || !needed) {
			continue
		}
		el := element{
			required: needed && !sliced, // of a slice, the pattern says so
			absent:   e.Str("max") == "0",
			pattern:  pattern,
		}
		if el.name, el.choice = strings.CutSuffix(path[1], "[x]"); el.choice {
			el.types = types
		}
		el.expr = r.typ + "." + el.name
		if b := e.Get("binding"); b.Str("strength") == "required" {
			el.setURL = b.Str("valueSet")
			if el.set = l.sets[el.setURL]; el.set == nil {
				return nil, fmt.Errorf("%s binds %s to an unknown value set", r.url, e.Str("path"))
			}
		}
		r.elements = append(r.elements, el)
	}
	return r, nil
}

func patternOf(e *fhirjson.Node) *coding {
	p := e.Get("patternCodeableConcept").Each("coding")
	if len(p) == 0 {
		return nil
	}
	return &coding{p[0].Str("system"), p[0].Str("code")}
}

func upper(s string) string { return strings.ToUpper(s[:1]) + s[1:] }

// choiceOf is the type of a choice element in n, as it ends the JSON name.
func choiceOf(n *fhirjson.Node, name string) (string, bool) {
	for i := range n.Members {
		if t, ok := strings.CutPrefix(n.Members[i].Name, name); ok && t != "" && 'A' <= t[0] && t[0] <= 'Z' {
			return t, true
		}
	}
	return "", false
}

func hasChoice(n *fhirjson.Node, name string) bool {
	_, ok := choiceOf(n, name)
	return ok
}

func (r *rules) check(n *fhirjson.Node, list *fault.List) {
	name := r.url[strings.LastIndexByte(r.url, '/')+1:]
	if got := n.Str("resourceType"); got != r.typ {
		list.Add("value", got, "The profile %s is for %s, and the resource is of another type; correct one of them.", name, r.typ)
		return
	}
	for _, e := range r.elements {
		e.check(n, name, list)
	}
	for i, comp := range n.Each("component") {
		typ, some := choiceOf(comp, "value")
		for _, s := range r.slices {
			if some && !slices.Contains(s.types, typ) && matches(comp.Get("code"), s.code) {
				list.Add("value", fmt.Sprintf("Observation.component[%d].value", i), "The profile %s has the value of %s as %s.", name, s.code.code, strings.Join(s.types, " or "))
			}
		}
	}
	for _, c := range r.holds {
		if !c.holds(n) {
			list.Add("invariant", r.typ+"."+c.on, "The profile %s asks: %s", name, c.human)
		}
	}
}

func (e element) check(n *fhirjson.Node, profile string, list *fault.List) {
	typ, some := "", n.Get(e.name) != nil
	if e.choice {
		typ, some = choiceOf(n, e.name)
	}
	switch {
	case e.absent && some:
		list.Add("value", e.expr, "The profile %s has no %s; leave it out.", profile, e.name)
	case e.required && !some:
		list.Add("required", e.expr, "The profile %s requires %s; add it.", profile, e.name)
	}
	if !some {
		return
	}
	if len(e.types) > 0 && !slices.Contains(e.types, typ) {
		list.Add("value", e.expr, "The profile %s takes %s here, not %s.", profile, strings.Join(e.types, " or "), typ)
	}
	items := n.Each(e.name)
	if e.pattern != nil && !slices.ContainsFunc(items, func(c *fhirjson.Node) bool { return matches(c, *e.pattern) }) {
		list.Add("value", e.expr, "The profile %s requires the code %s of %s here; add it.", profile, e.pattern.code, e.pattern.system)
	}
	if e.set != nil && !slices.ContainsFunc(items, func(c *fhirjson.Node) bool { return drawn(c, e.set) }) {
		list.Add("code-invalid", e.expr, "The profile %s requires a code of %s here.", profile, e.setURL)
	}
}

func matches(n *fhirjson.Node, want coding) bool {
	return slices.ContainsFunc(n.Each("coding"), func(c *fhirjson.Node) bool {
		return c.Str("system") == want.system && c.Str("code") == want.code
	})
}

func drawn(n *fhirjson.Node, from []concept) bool {
	return slices.ContainsFunc(n.Each("coding"), func(c *fhirjson.Node) bool {
		code := coding{c.Str("system"), c.Str("code")}
		return slices.ContainsFunc(from, func(k concept) bool { return k.coding == code })
	})
}
