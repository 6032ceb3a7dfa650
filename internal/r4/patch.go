package r4

import (
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"tidemark/internal/fault"
	"tidemark/internal/fhirjson"
)

// Patch applies a FHIRPath Patch (R4 4.0.1, page fhirpatch): a Parameters
// resource whose parameters are operations, done in their order. It supports
// paths of names and indexes, such as Patient.name[0].given[1]; a choice
// element has its plain name, as in Observation.value. It changes n, which the
// caller must discard after an error, and does not validate the result:
// Validate does.
func Patch(n, params *fhirjson.Node) error {
	t := tablesOnce().types[n.Str("resourceType")]
	if t == nil || !t.resource {
		return fault.New(fault.Rule, "not-supported", "This type does not support FHIRPath Patch; send a JSON Patch.")
	}
	if params.Str("resourceType") != "Parameters" {
		return fault.New(fault.Invalid, "structure", "A FHIRPath Patch is a Parameters resource with a parameter named operation for each change.")
	}
	for i, p := range params.Each("parameter") {
		if err := operate(n, t, p); err != nil {
			return fault.At(fault.Rule, "value", fmt.Sprintf("Parameters.parameter[%d]", i), "The patch cannot be applied: %v Nothing was changed.", err)
		}
	}
	return nil
}

// wrong gives the reason why an operation fails, as a sentence.
func wrong(format string, args ...any) error { return refusal(fmt.Sprintf(format, args...)) }

type refusal string

func (r refusal) Error() string { return string(r) }

// operate does one operation.
func operate(n *fhirjson.Node, t *typ, p *fhirjson.Node) error {
	if p.Str("name") != "operation" {
		return wrong("each parameter is named operation.")
	}
	parts := map[string]*fhirjson.Node{}
	for _, part := range p.Each("part") {
		name := part.Str("name")
		if parts[name] != nil {
			return wrong("the part %q is given twice.", name)
		}
		parts[name] = part
	}
	kind := parts["type"].Str("valueCode")
	takes, ok := map[string][]string{
		"add": {"name", "value"}, "insert": {"index", "value"}, "delete": {}, "replace": {"value"}, "move": {"source", "destination"},
	}[kind]
	if !ok {
		return wrong("the part type is a valueCode of add, insert, delete, replace or move.")
	}
	takes = append(takes, "type", "path")
	for name := range parts {
		if !slices.Contains(takes, name) {
			return wrong("%s has no part %q.", kind, name)
		}
	}
	for _, name := range takes {
		if parts[name] == nil {
			return wrong("%s needs a part %q.", kind, name)
		}
	}
	at, err := resolve(n, t, parts["path"].Str("valueString"))
	if err != nil {
		return err
	}
	switch kind {
	case "add":
		return at.add(parts["name"].Str("valueString"), parts["value"])
	case "insert":
		return at.insert(parts["index"], parts["value"])
	case "delete":
		err := at.delete()
		prune(n)
		return err
	case "replace":
		return at.replace(parts["value"])
	}
	return at.move(parts["source"], parts["destination"])
}

// spot is the target of a path: an element of an object, one item of it, or the
// resource itself.
type spot struct {
	path   string
	object *fhirjson.Node // that holds the element; nil when the path leads nowhere
	of     *typ           // of the object
	el     *element       // nil: the object itself, which is the resource
	name   string         // of the JSON property, the one that stands there where there is a choice
	index  int            // of the item; -1: none was named
}

var stepForm = regexp.MustCompile(`^([A-Za-z][A-Za-z0-9]*)(?:\[([0-9]{1,5})\])?$`)

func resolve(n *fhirjson.Node, t *typ, path string) (spot, error) {
	steps := strings.Split(path, ".")
	if steps[0] != t.name {
		return spot{}, wrong("a path begins with the type, %s.", t.name)
	}
	at := spot{path: path, object: n, of: t, index: -1}
	for _, step := range steps[1:] {
		m := stepForm.FindStringSubmatch(step)
		if m == nil {
			return spot{}, wrong("only paths of names and indexes are supported, such as %s.identifier[0].value.", t.name)
		}
		if at.el != nil { // what came before is on the way
			p := at.of.props[at.name]
			if p.typ == nil {
				return spot{}, wrong("a path cannot continue into %s: only into elements that have child elements, and not into contained resources.", at.el.name)
			}
			inner, err := at.one()
			if err != nil {
				return spot{}, err
			}
			at.object, at.of = inner, p.typ
		}
		at.index = -1
		if m[2] != "" {
			at.index, _ = strconv.Atoi(m[2]) // at most five digits
		}
		if at.el = at.of.element(m[1]); at.el == nil {
			return spot{}, wrong("%s has no element %s.", at.of.name, m[1])
		}
		at.name = at.el.standing(at.object, at.of)
	}
	return at, nil
}

func (t *typ) element(name string) *element {
	for _, el := range t.elements {
		if el.name == name {
			return el
		}
	}
	return nil
}

// standing is the JSON property under which the element stands in an object,
// or could: "" for a choice that is not there.
func (el *element) standing(object *fhirjson.Node, of *typ) string {
	if !el.choice {
		return el.name
	}
	if object == nil {
		return ""
	}
	for _, m := range object.Members {
		name := strings.TrimPrefix(m.Name, "_")
		if p, ok := of.props[name]; ok && p.el == el {
			return name
		}
	}
	return ""
}

// items are the values of the element with their partners, which hold the ids
// and extensions of primitives; an element that does not repeat has one at
// most. A null stands for a missing value or partner.
func (s spot) items() (values, partners []*fhirjson.Node) {
	if s.object == nil || s.name == "" {
		return nil, nil
	}
	list := func(n *fhirjson.Node) []*fhirjson.Node {
		if n == nil {
			return nil
		}
		if n.Kind == fhirjson.Array {
			return slices.Clone(n.Items)
		}
		return []*fhirjson.Node{n}
	}
	values, partners = list(s.object.Get(s.name)), list(s.object.Get("_"+s.name))
	for len(values) < len(partners) {
		values = append(values, &fhirjson.Node{})
	}
	for len(partners) < len(values) {
		partners = append(partners, &fhirjson.Node{})
	}
	return values, partners
}

// put writes items back, in the place of those that were there.
func (s spot) put(values, partners []*fhirjson.Node) {
	write := func(name string, list []*fhirjson.Node) {
		if !slices.ContainsFunc(list, func(n *fhirjson.Node) bool { return n.Kind != fhirjson.Null }) {
			s.object.Delete(name)
			return
		}
		if s.el.many {
			s.object.Set(name, &fhirjson.Node{Kind: fhirjson.Array, Items: list})
			return
		}
		s.object.Set(name, list[0])
	}
	write(s.name, values)
	if s.of.props[s.name].partner {
		write("_"+s.name, partners)
	}
}

// position is the item that the path selects; ok is false when there is none.
func (s spot) position() (i int, ok bool, err error) {
	values, _ := s.items()
	switch {
	case s.index >= 0:
		return s.index, s.index < len(values), nil
	case len(values) > 1:
		return 0, false, wrong("%s selects %d elements; select one by its index.", s.path, len(values))
	}
	return 0, len(values) == 1, nil
}

// one is the single element that the path selects, nil when there is none.
func (s spot) one() (*fhirjson.Node, error) {
	i, ok, err := s.position()
	if err != nil || !ok {
		return nil, err
	}
	values, _ := s.items()
	return values[i], nil
}

func (s spot) add(name string, value *fhirjson.Node) error {
	object, of := s.object, s.of
	if s.el != nil {
		var err error
		if object, err = s.one(); err != nil {
			return err
		}
		if of = s.of.props[s.name].typ; of == nil {
			return wrong("nothing can be added to %s, which has no child elements.", s.el.name)
		}
	}
	if object == nil || object.Kind != fhirjson.Object {
		return wrong("%s selects nothing that could be added to.", s.path)
	}
	return addTo(object, of, name, value)
}

func addTo(object *fhirjson.Node, of *typ, name string, value *fhirjson.Node) error {
	el := of.element(name)
	if el == nil {
		return wrong("%s has no element %q.", of.name, name)
	}
	s := spot{object: object, of: of, el: el, name: el.standing(object, of), index: -1}
	values, partners := s.items()
	if !el.many && len(values) > 0 {
		return wrong("%s already exists; replace it.", name)
	}
	v, partner, err := s.value(value)
	if err != nil {
		return err
	}
	s.put(append(values, v), append(partners, partner))
	return nil
}

// value reads the part value for the element, and sets the property that it
// makes it stand under.
func (s *spot) value(part *fhirjson.Node) (v, partner *fhirjson.Node, err error) {
	v, partner = &fhirjson.Node{}, &fhirjson.Node{}
	suffix, given := "", 0
	for _, m := range part.Members {
		switch {
		case strings.HasPrefix(m.Name, "value") && m.Name != "value":
			suffix, v = m.Name[len("value"):], m.Value.Clone() // which later operations may change
			given++
		case strings.HasPrefix(m.Name, "_value"):
			suffix, partner = m.Name[len("_value"):], m.Value.Clone()
		}
	}
	inner := part.Each("part")
	if s.el.choice {
		s.name = s.el.name + suffix
	} else {
		s.name = s.el.name
	}
	p, ok := s.of.props[s.name]
	switch {
	case !ok || p.el != s.el:
		return nil, nil, wrong("%s must be one of %s.", s.el.name, strings.Join(s.el.types, ", "))
	case given > 1 || given > 0 && len(inner) > 0:
		return nil, nil, wrong("a value is one value[x], or has parts.")
	case len(inner) > 0:
		if p.typ == nil {
			return nil, nil, wrong("%s has no child elements.", s.el.name)
		}
		v = &fhirjson.Node{Kind: fhirjson.Object}
		for _, x := range inner {
			if err := addTo(v, p.typ, x.Str("name"), x); err != nil {
				return nil, nil, err
			}
		}
	case v.Kind == fhirjson.Null && partner.Kind == fhirjson.Null:
		return nil, nil, wrong("the value is missing.")
	case partner.Kind != fhirjson.Null && !p.partner:
		return nil, nil, wrong("%s is not a primitive.", s.el.name)
	}
	return v, partner, nil
}

func (s spot) delete() error {
	if s.el == nil {
		return wrong("a patch does not delete the resource.")
	}
	i, ok, err := s.position()
	if err != nil || !ok {
		return err // an element that does not exist need not be deleted
	}
	values, partners := s.items()
	s.put(slices.Delete(values, i, i+1), slices.Delete(partners, i, i+1))
	return nil
}

// prune removes objects and arrays that a deletion left empty; FHIR has no
// empty ones.
func prune(n *fhirjson.Node) {
	empty := func(n *fhirjson.Node) bool {
		return n.Kind == fhirjson.Object && len(n.Members) == 0 || n.Kind == fhirjson.Array && len(n.Items) == 0
	}
	for _, m := range n.Members {
		prune(m.Value)
	}
	for _, it := range n.Items {
		prune(it)
	}
	n.Members = slices.DeleteFunc(n.Members, func(m fhirjson.Member) bool { return empty(m.Value) })
	n.Items = slices.DeleteFunc(n.Items, empty)
}

func (s spot) replace(value *fhirjson.Node) error {
	if s.el == nil {
		return wrong("a patch does not replace the resource.")
	}
	i, ok, err := s.position()
	if err != nil {
		return err
	}
	if !ok {
		return wrong("%s selects nothing that could be replaced.", s.path)
	}
	before := s
	v, partner, err := s.value(value)
	if err != nil {
		return err
	}
	values, partners := before.items()
	values[i], partners[i] = v, partner
	if before.name != s.name { // another type of the choice
		before.put(nil, nil)
	}
	s.put(values, partners)
	return nil
}

// list are the items of the collection that the path names.
func (s spot) list() (values, partners []*fhirjson.Node, err error) {
	if s.el == nil || !s.el.many || s.index >= 0 {
		return nil, nil, wrong("%s is not a list; give an element that repeats, without an index.", s.path)
	}
	if s.object == nil {
		return nil, nil, wrong("%s selects nothing.", s.path)
	}
	values, partners = s.items()
	return values, partners, nil
}

// position reads an index of at most max.
func position(part *fhirjson.Node, max int) (int, error) {
	n := part.Get("valueInteger")
	if n == nil {
		n = fhirjson.Str("")
	}
	i, err := strconv.Atoi(n.Text)
	if err != nil || i < 0 || i > max {
		return 0, wrong("%s is a valueInteger from 0 to %d.", part.Str("name"), max)
	}
	return i, nil
}

func (s spot) insert(index, value *fhirjson.Node) error {
	values, partners, err := s.list()
	if err != nil {
		return err
	}
	i, err := position(index, len(values))
	if err != nil {
		return err
	}
	v, partner, err := s.value(value)
	if err != nil {
		return err
	}
	s.put(slices.Insert(values, i, v), slices.Insert(partners, i, partner))
	return nil
}

func (s spot) move(source, destination *fhirjson.Node) error {
	values, partners, err := s.list()
	if err != nil {
		return err
	}
	if len(values) == 0 {
		return wrong("%s has nothing to move.", s.path)
	}
	from, err := position(source, len(values)-1)
	if err != nil {
		return err
	}
	to, err := position(destination, len(values)-1)
	if err != nil {
		return err
	}
	v, partner := values[from], partners[from]
	values, partners = slices.Delete(values, from, from+1), slices.Delete(partners, from, from+1)
	s.put(slices.Insert(values, to, v), slices.Insert(partners, to, partner))
	return nil
}
