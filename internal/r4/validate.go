package r4

import (
	"fmt"
	"math/bits"
	"regexp"
	"slices"
	"strings"

	"tidemark/internal/fault"
	"tidemark/internal/fhirjson"
)

// Options steer Validate. The zero value is what a server wants.
type Options struct {
	Type  string // the resource type that the URL names; "" accepts any
	At    string // FHIRPath of the tree, such as "Bundle.entry[2].resource"; "" when it is the root
	Limit int    // maximum number of faults to list; 0 means 100
}

const defaultLimit = 100

// The issue codes in use. structure means that the JSON is not FHIR at all;
// all others that it is FHIR which breaks a rule.
const (
	structure = "structure"
	required  = "required"
	value     = "value"
	badCode   = "code-invalid"
	invariant = "invariant"
)

// Kind gives the kind of error for a failed list: Invalid when a fault is one
// of structure (wrong or unknown type, unknown element, wrong JSON kind, a
// misplaced null), otherwise Rule.
func Kind(l *fault.List) fault.Kind {
	for _, is := range l.Issues {
		if is.Code == structure {
			return fault.Invalid
		}
	}
	return fault.Rule
}

// Validate checks a resource against R4 alone and lists every fault. Each fault
// gives its element in FHIRPath; a choice element has its plain name, as in
// Observation.component[1].value. The texts repeat no values of the resource,
// because they may be patient data.
func Validate(n *fhirjson.Node, opts Options) *fault.List {
	t := tablesOnce()
	v := validator{tables: t, list: &fault.List{}, limit: opts.Limit}
	if v.limit <= 0 {
		v.limit = defaultLimit
	}
	v.path.root = opts.At
	if v.path.root == "" {
		v.path.root = n.Str("resourceType")
		if !t.resources[v.path.root] {
			v.path.root = "Resource"
		}
	}
	v.path.segs = make([]segment, 0, 16)
	if got := n.Str("resourceType"); opts.Type != "" && t.resources[got] && got != opts.Type {
		v.fault(structure, v.path.String(), "The resource is of type %s where %s is expected; send it to its own URL.", got, opts.Type)
		return v.list
	}
	v.rootResource(n)
	if v.more > 0 {
		v.list.Issues = append(v.list.Issues, fault.Issue{Severity: fault.Information, Code: "informational",
			Diagnostics: fmt.Sprintf("%d more faults are not listed.", v.more)})
	}
	return v.list
}

type validator struct {
	tables *tables
	list   *fault.List
	limit  int
	more   int
	path   path
	scope  scope
}

func (v *validator) fault(code, expression, format string, args ...any) {
	if len(v.list.Issues) < v.limit {
		v.list.Add(code, expression, format, args...)
		return
	}
	v.more++
	if last := &v.list.Issues[v.limit-1]; code == structure && last.Code != structure {
		*last = fault.Issue{} // keep Kind right when only omitted faults are of structure
		v.list.Issues = v.list.Issues[:v.limit-1]
		v.list.Add(code, expression, format, args...)
	}
}

// here reports a fault at the current position of the walk.
func (v *validator) here(code, format string, args ...any) {
	v.fault(code, v.path.String(), format, args...)
}

// rootResource validates a resource on its own: the document, an entry of a
// Bundle, a parameter.
func (v *validator) rootResource(n *fhirjson.Node) {
	outer := v.scope
	v.scope = scope{root: n, resource: n}
	for i, c := range n.Each("contained") {
		id := c.Str("id")
		if id == "" {
			continue
		}
		if v.scope.contained == nil {
			v.scope.contained = map[string]*fhirjson.Node{}
		}
		if v.scope.contained[id] != nil {
			v.fault(value, fmt.Sprintf("%s.contained[%d].id", v.path.String(), i), "Two contained resources have the same id; give each its own.")
		}
		v.scope.contained[id] = c
	}
	v.resource(n)
	v.scope = outer
}

func (v *validator) containedResource(n *fhirjson.Node) {
	outer, outerID := v.scope.resource, v.scope.id
	v.scope.resource, v.scope.id = n, n.Str("id")
	v.resource(n)
	v.scope.resource, v.scope.id = outer, outerID
}

func (v *validator) resource(n *fhirjson.Node) {
	if n == nil || n.Kind != fhirjson.Object {
		v.here(structure, "A resource is a JSON object with resourceType; this is %s.", kindOf(n))
		return
	}
	rt := n.Get("resourceType")
	switch {
	case rt == nil:
		v.here(structure, "resourceType is missing; add the name of an R4 resource type.")
		return
	case rt.Kind != fhirjson.String || !v.tables.resources[rt.Text]:
		v.fault(structure, v.path.child("resourceType"), "resourceType does not name an R4 resource type; names are case-sensitive, such as Observation.")
		return
	}
	if t := v.tables.types[rt.Text]; t != nil {
		v.object(n, t)
		return
	}
	// A type without a table: what all resources share is validated, the rest
	// by JSON rules alone.
	v.members(n, v.tables.types["DomainResource"], true)
}

func (v *validator) object(n *fhirjson.Node, t *typ) { v.members(n, t, false) }

// members validates the properties of an object against its type. In an open
// type, properties missing from the table are validated by JSON rules alone.
func (v *validator) members(n *fhirjson.Node, t *typ, open bool) {
	var seen uint64
	sound, content := true, t.resource
	names := index(n, open)
	for i := range n.Members {
		m := &n.Members[i]
		if t.resource && m.Name == "resourceType" {
			continue
		}
		p, ok := t.props[m.Name]
		switch {
		case ok:
		case open:
			v.path.push(identifier(m.Name))
			v.generic(m.Value, m.Name, names)
			v.path.pop()
			continue
		default:
			sound = false
			v.unknown(m.Name, t)
			continue
		}
		bit := uint64(1) << p.el.index
		if seen&bit != 0 && p.el.choice && !onlyPartner(n, m.Name, p, t) {
			sound = false
			v.fault(structure, v.path.child(p.el.name), "%s[x] has more than one type in this object; keep one of them.", p.el.name)
		}
		seen |= bit
		content = content || p.el.name != "id"
		v.property(n, m, p)
	}
	missing := t.required &^ seen
	for rest := missing; rest != 0; rest &= rest - 1 {
		el := t.elements[bits.TrailingZeros64(rest)]
		name := el.name
		if el.choice {
			name += "[x]"
		}
		v.fault(required, v.path.child(el.name), "%s is required; add it.", name)
	}
	if !content && sound && missing == 0 {
		v.here(invariant, "An element needs a value or children besides its id; fill it or leave it out (ele-1).")
		return
	}
	if content && sound {
		v.rules(n, t.rules)
	}
}

func (v *validator) rules(n *fhirjson.Node, rules []*rule) {
	for _, r := range rules {
		if !r.holds(n, v.scope) {
			v.here(invariant, "%s: %s.", r.key, r.fix)
		}
	}
}

// onlyPartner reports whether all properties of a choice element in n have one
// type, as valueString and _valueString do.
func onlyPartner(n *fhirjson.Node, name string, p prop, t *typ) bool {
	for i := range n.Members {
		if q, ok := t.props[n.Members[i].Name]; ok && q.el == p.el && q.code != p.code {
			// Reported once, at the later one of the two.
			return false
		}
		if n.Members[i].Name == name {
			return true
		}
	}
	return true
}

// unknown reports a property that the type does not have, and suggests the one
// that was meant.
func (v *validator) unknown(name string, t *typ) {
	hint := "remove it or put it into an extension"
	plain := strings.TrimPrefix(name, "_")
	for _, el := range t.elements {
		switch {
		case el.choice && plain == el.name:
			hint = "the name carries the type, such as " + el.name + strings.ToUpper(el.types[0][:1]) + el.types[0][1:]
		case el.choice && len(plain) > len(el.name) && strings.HasPrefix(plain, el.name) && plain[len(el.name)] >= 'A' && plain[len(el.name)] <= 'Z':
			hint = el.name + "[x] is one of " + strings.Join(el.types, ", ")
		case !el.choice && strings.EqualFold(plain, el.name) && plain != el.name:
			hint = "names are case-sensitive: " + el.name
		case !el.choice && plain == el.name:
			hint = el.name + " has no property of its own for id and extensions"
		}
	}
	v.fault(structure, v.path.child(name), "%s has no element of this name; %s.", t.name, hint)
}

// property validates one member, which holds one value, an array, or the ids and
// extensions of primitives.
func (v *validator) property(owner *fhirjson.Node, m *fhirjson.Member, p prop) {
	n := m.Value
	if p.many != (n.Kind == fhirjson.Array) {
		v.path.push(p.el.label)
		if n.Kind == fhirjson.Null {
			v.null()
		} else if p.many {
			v.here(structure, "%s repeats and is written as an array; put the value into [ ].", p.el.name)
		} else {
			v.here(structure, "%s has one value and is not written as an array.", p.el.name)
		}
		v.path.pop()
		return
	}
	if !p.many {
		v.path.push(p.el.label)
		if n.Kind == fhirjson.Null {
			v.null()
		} else if partner := p.partner && m.Name[0] == '_'; partner {
			v.extensions(n, owner.Get(m.Name[1:]) != nil)
		} else {
			v.one(n, p)
		}
		v.path.pop()
		return
	}
	if len(n.Items) == 0 {
		v.path.push(p.el.label)
		v.here(structure, "An empty array is not allowed; leave %s out.", p.el.name)
		v.path.pop()
		return
	}
	if p.partner && m.Name[0] == '_' {
		v.partners(owner.Get(m.Name[1:]), n, p)
		return
	}
	var partner *fhirjson.Node
	if p.partner {
		partner = owner.Get("_" + m.Name)
	}
	for i, it := range n.Items {
		v.path.pushAt(p.el.label, i)
		switch {
		case it.Kind != fhirjson.Null:
			v.one(it, p)
		case partner != nil && partner.Kind != fhirjson.Array: // reported at the partner
		case absent(partner, i):
			v.null()
		}
		v.path.pop()
	}
}

// partners validates the array of ids and extensions beside an array of
// primitives.
func (v *validator) partners(values, n *fhirjson.Node, p prop) {
	usable := values != nil && values.Kind == fhirjson.Array && len(values.Items) > 0 // otherwise reported at the values
	if usable && len(values.Items) != len(n.Items) {
		v.path.push(p.el.label)
		v.here(structure, "%s and _%s have different lengths; fill both arrays with null until they are aligned.", p.el.name, p.el.name)
		v.path.pop()
		return
	}
	if usable && !slices.ContainsFunc(n.Items, func(it *fhirjson.Node) bool { return it.Kind != fhirjson.Null }) {
		v.path.push(p.el.label)
		v.here(structure, "_%s holds only nulls; leave it out.", p.el.name)
		v.path.pop()
		return
	}
	for i, it := range n.Items {
		v.path.pushAt(p.el.label, i)
		switch {
		case it.Kind != fhirjson.Null:
			v.extensions(it, values != nil && !(usable && absent(values, i)))
		case values == nil: // with values, their own walk reports a pair of nulls
			v.null()
		}
		v.path.pop()
	}
}

// absent reports whether an array has no value at i.
func absent(array *fhirjson.Node, i int) bool {
	return array == nil || i >= len(array.Items) || array.Items[i].Kind == fhirjson.Null
}

func (v *validator) null() {
	v.here(structure, "null is allowed only in an array of primitives, opposite an id or extension; leave the element out.")
}

// extensions validates the object of "_name"; valued says whether the primitive
// has a value.
func (v *validator) extensions(n *fhirjson.Node, valued bool) {
	if n.Kind != fhirjson.Object {
		v.here(structure, "The property with _ before its name holds an object with id or extension; this is %s.", kindOf(n))
		return
	}
	if valued && len(n.Members) == 1 && n.Members[0].Name == "id" {
		v.property(n, &n.Members[0], v.tables.types["Element"].props["id"])
		return
	}
	v.object(n, v.tables.types["Element"])
}

// one validates a single value.
func (v *validator) one(n *fhirjson.Node, p prop) {
	switch {
	case p.prim != nil:
		v.primitive(n, p)
	case p.typ == nil && p.el.name == "contained":
		v.containedResource(n)
	case p.typ == nil:
		v.rootResource(n)
	case n.Kind != fhirjson.Object:
		v.here(structure, "%s is a JSON object; this is %s.", p.code, kindOf(n))
		return
	default:
		v.object(n, p.typ)
		if p.code == "Reference" {
			v.reference(n, p)
		}
	}
	v.rules(n, p.el.rules)
}

func (v *validator) primitive(n *fhirjson.Node, p prop) {
	if n.Kind == fhirjson.String && n.Text == "" {
		v.here(invariant, "An empty string is not a value; leave the element out (ele-1).")
		return
	}
	kind, wrong := p.prim(n)
	switch {
	case n.Kind != kind:
		v.here(structure, "A %s is a JSON %s; this is %s.", p.code, kind, kindOf(n))
	case wrong != "":
		code := value
		if p.code == "xhtml" {
			code = invariant
		}
		v.here(code, "Not a valid %s: %s.", p.code, wrong)
	case p.el.codes != nil && !p.el.codes.has[n.Text]:
		v.here(badCode, "The code is not in the value set %s; %s.", p.el.codes.name, p.el.codes.choices())
	case kind == fhirjson.String && n.Text[0] == '#' && (p.code == "uri" || p.code == "url" || p.code == "canonical"):
		v.mention(n.Text[1:])
	}
}

// choices lists the codes, unless there are too many to read.
func (c *codeList) choices() string {
	if len(c.codes) > 32 {
		return "look it up at http://hl7.org/fhir/R4/valueset-" + c.name + ".html"
	}
	return "write one of " + strings.Join(c.codes, ", ")
}

// mention records a "#id", for dom-3.
func (v *validator) mention(id string) {
	v.scope.local = append(v.scope.local, mention{id, v.scope.resource, v.scope.id})
}

// reference validates the type of a Reference's target, as far as it is known.
func (v *validator) reference(n *fhirjson.Node, p prop) {
	literal := n.Str("reference")
	if literal != "" && literal[0] == '#' {
		v.mention(literal[1:])
	}
	if wrong := v.tables.literal(literal); wrong != "" {
		v.fault(value, v.path.child("reference"), "%s.", wrong)
		return
	}
	target := v.target(literal)
	if said := n.Str("type"); v.tables.resources[said] {
		if target != "" && target != said {
			v.here(value, "type says %s and reference points to %s; correct one of them.", said, target)
			return
		}
		target = said
	}
	if target != "" && p.targets != nil && !slices.Contains(p.targets, target) {
		v.here(value, "A reference to %s is not allowed here; refer to %s.", target, strings.Join(p.targets, ", "))
	}
}

// scheme is the start of an absolute URI; RFC 3986, section 3.1.
var scheme = regexp.MustCompile(`^[A-Za-z][A-Za-z0-9+.-]*:`)

// literal validates the form of a relative reference: Type/id, with or without
// a version, or a conditional Type?query.
func (t *tables) literal(s string) string {
	if s == "" || s[0] == '#' || scheme.MatchString(s) {
		return ""
	}
	if name, _, ok := strings.Cut(s, "?"); ok && t.resources[name] {
		return ""
	}
	s, _, _ = strings.Cut(s, "#")
	parts := strings.Split(s, "/")
	plain := len(parts) == 2 || len(parts) == 4 && parts[2] == "_history" && parts[3] != "" && id(parts[3]) == ""
	if !plain || !t.resources[parts[0]] || parts[1] == "" || id(parts[1]) != "" {
		return "A relative reference is an R4 resource type and an id, such as Patient/123"
	}
	return ""
}

// target gives the resource type that a literal reference points to, or "".
func (v *validator) target(literal string) string {
	if literal == "" || strings.HasPrefix(literal, "urn:") {
		return ""
	}
	if literal[0] == '#' {
		c := v.scope.contained[literal[1:]]
		if literal == "#" && v.scope.resource != v.scope.root {
			c = v.scope.root
		}
		if rt := c.Str("resourceType"); v.tables.resources[rt] {
			return rt
		}
		return "" // reported at the contained resource
	}
	return v.tables.targetType(literal)
}

// targetType reads the type from [base/]Type/id[/_history/version] and from a
// conditional Type?query.
func (t *tables) targetType(literal string) string {
	literal, _, _ = strings.Cut(literal, "#")
	if before, _, conditional := strings.Cut(literal, "?"); conditional {
		name := before[strings.LastIndexByte(before, '/')+1:]
		if t.resources[name] {
			return name
		}
		return ""
	}
	parts := strings.Split(literal, "/")
	if k := len(parts); k >= 4 && parts[k-2] == "_history" {
		parts = parts[:k-2]
	}
	if k := len(parts); k >= 2 && t.resources[parts[k-2]] {
		return parts[k-2]
	}
	return ""
}

// generic validates content of an unknown type by JSON rules: no empty objects,
// arrays or strings, and nulls only opposite a partner. Extensions are
// validated everywhere.
func (v *validator) generic(n *fhirjson.Node, name string, owner lookup) {
	switch n.Kind {
	case fhirjson.Null:
		v.null()
	case fhirjson.String:
		if n.Text == "" {
			v.here(invariant, "An empty string is not a value; leave the element out (ele-1).")
		} else if n.Text[0] == '#' {
			v.mention(n.Text[1:])
		}
	case fhirjson.Object:
		if len(n.Members) == 0 {
			v.here(invariant, "An element needs a value or children besides its id; fill it or leave it out (ele-1).")
		}
		element := v.tables.types["BackboneElement"]
		inside := index(n, true)
		for i := range n.Members {
			m := &n.Members[i]
			if p, ok := element.props[m.Name]; ok && m.Name != "id" {
				v.property(n, m, p)
				continue
			}
			v.path.push(identifier(m.Name))
			v.generic(m.Value, m.Name, inside)
			v.path.pop()
		}
		v.genericReference(n)
	case fhirjson.Array:
		if len(n.Items) == 0 {
			v.here(structure, "An empty array is not allowed; leave the element out.")
		}
		plain, isPartner := strings.CutPrefix(name, "_")
		partner := owner.get(plain)
		if !isPartner {
			partner = owner.get("_" + name)
		}
		last := len(v.path.segs) - 1
		for i, it := range n.Items {
			v.path.segs[last].index = i
			switch {
			case it.Kind == fhirjson.Array:
				v.here(structure, "An array stands inside an array, which FHIR does not have.")
			case it.Kind == fhirjson.Null && (!absent(partner, i) || isPartner && partner != nil): // a pair of nulls is reported at the values
			default:
				v.generic(it, name, owner)
			}
		}
		v.path.segs[last].index = -1
	}
}

// lookup finds members by name where a client chooses the names, and their
// number, so that no body takes quadratic time.
type lookup struct {
	n      *fhirjson.Node
	byName map[string]*fhirjson.Node // nil for few members
}

func index(n *fhirjson.Node, open bool) lookup {
	l := lookup{n: n}
	if open && len(n.Members) > 16 {
		l.byName = make(map[string]*fhirjson.Node, len(n.Members))
		for _, m := range n.Members {
			l.byName[m.Name] = m.Value
		}
	}
	return l
}

func (l lookup) get(name string) *fhirjson.Node {
	if l.byName != nil {
		return l.byName[name]
	}
	return l.n.Get(name)
}

// genericReference applies ref-1 to what looks like a Reference.
func (v *validator) genericReference(n *fhirjson.Node) {
	if strings.HasPrefix(n.Str("reference"), "#") {
		v.rules(n, v.tables.types["Reference"].rules)
	}
}

func kindOf(n *fhirjson.Node) string {
	switch {
	case n == nil:
		return "nothing"
	case n.Kind == fhirjson.Null:
		return "null"
	case n.Kind == fhirjson.Array, n.Kind == fhirjson.Object:
		return "an " + n.Kind.String()
	}
	return "a " + n.Kind.String()
}
