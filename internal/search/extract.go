package search

import (
	"math/big"
	"slices"
	"strings"
	"time"

	"tidemark/internal/fhirdate"
	"tidemark/internal/fhirjson"
	"tidemark/internal/ucum"
)

// ExtractOptions hold what the resource itself does not say.
type ExtractOptions struct {
	Base string         // our base URL: references below it become relative
	Zone *time.Location // for dates without a zone; UTC when nil
}

// Systems that are fixed by FHIR.
const (
	ucumSystem    = "http://unitsofmeasure.org"
	specialValues = "http://terminology.hl7.org/CodeSystem/special-values" // implied by booleans
)

// Parameters that hold what a modifier looks at; no search can name them.
const (
	ofType       = ":of-type"
	byIdentifier = ":identifier"
)

// Extract gives the values that the resource's search parameters index. A
// resource of a type that is not served has none. An
// element without a readable value (a bad date, a contained reference) counts as
// present for :missing and matches nothing else. An element that holds only
// extensions counts as missing.
func Extract(n *fhirjson.Node, opts ExtractOptions) Doc {
	d := Doc{Type: n.Str("resourceType"), ID: n.Str("id"), Date: NoDate, DateEnd: NoDate}
	t, ok := table().types[d.Type]
	if !ok {
		return d
	}
	if opts.Zone == nil {
		opts.Zone = time.UTC
	}
	opts.Base = strings.TrimSuffix(opts.Base, "/")
	d.Entries = make([]Entry, 0, 24)
	x := extractor{opts: opts, doc: &d, root: n, version: n.Str("version")}
	x.top(t.steps, n)
	if t.derived != "" && !x.derived {
		d.Entries = append(d.Entries, Entry{Param: t.derived, Kind: Token, System: specialValues, Code: "false"})
	}
	x.compartments(t)
	return d
}

type extractor struct {
	opts    ExtractOptions
	doc     *Doc
	root    *fhirjson.Node
	version string // business version of a definition
	derived bool   // the derived boolean was found
	dated   bool   // a primary date was found
}

// top walks the resource itself. Values in the resource belong to element 1,
// those inside the i-th item of one of its lists to element i+2: that is how
// far R4's composites reach.
func (x *extractor) top(s *step, n *fhirjson.Node) {
	for i := range n.Members {
		m := &n.Members[i]
		next := s.find(m.Name)
		if next == nil {
			continue
		}
		if m.Value.Kind != fhirjson.Array {
			x.visit(next, m.Value, 1, 2)
			continue
		}
		for k, item := range m.Value.Items {
			x.visit(next, item, 1, k+2)
		}
	}
}

func (x *extractor) visit(s *step, n *fhirjson.Node, here, below int) {
	for i := range s.leaves {
		x.leaf(&s.leaves[i], n, here)
	}
	if len(s.next) == 0 || n.Kind != fhirjson.Object {
		return
	}
	for i := range n.Members {
		m := &n.Members[i]
		next := s.find(m.Name)
		if next == nil {
			continue
		}
		if m.Value.Kind != fhirjson.Array {
			x.visit(next, m.Value, below, below)
			continue
		}
		for _, item := range m.Value.Items {
			x.visit(next, item, below, below)
		}
	}
}

func (s *step) find(name string) *step {
	for i := range s.next {
		if s.next[i].name == name {
			return &s.next[i]
		}
	}
	return nil
}

// leaf adds what the value n offers to the leaf's parameter.
func (x *extractor) leaf(l *leaf, n *fhirjson.Node, element int) {
	if n.Kind == fhirjson.Null || l.where != "" && n.Str("system") != l.where {
		return
	}
	e := Entry{Param: l.param, Kind: l.kind}
	if l.joined {
		e.Element = element
	}
	if n.Kind == fhirjson.Object && onlyExtensions(n) {
		e.Missing = true
		x.add(e)
		return
	}
	switch l.kind {
	case Token:
		x.token(l, e, n)
	case Reference:
		x.reference(e, n)
	case Date:
		e.Lo, e.Hi = x.interval(l.typ, n)
		if l.primary {
			x.primary(e.Lo, e.Hi)
			return
		}
		x.add(e)
	case String:
		x.text(l, e, n)
	case URI:
		e.Text = n.Text
		x.add(e)
		if l.param == "url" && x.version != "" { // as a canonical reference names it
			e.Text += "|" + x.version
			x.add(e)
		}
	case Quantity:
		x.quantity(l, e, n)
	}
}

func (x *extractor) add(e Entry) { x.doc.Entries = append(x.doc.Entries, e) }

func onlyExtensions(n *fhirjson.Node) bool {
	for _, m := range n.Members {
		if m.Name != "extension" && m.Name != "id" {
			return false
		}
	}
	return true
}

func (x *extractor) token(l *leaf, e Entry, n *fhirjson.Node) {
	switch l.typ {
	case "CodeableConcept":
		said := false // the text is also a display
		text := n.Str("text")
		codings := n.Each("coding")
		for _, c := range codings {
			e.System, e.Code, e.Text = c.Str("system"), c.Str("code"), c.Str("display")
			said = said || e.Text == text
			x.add(e)
		}
		if !said && text != "" || len(codings) == 0 {
			e.System, e.Code, e.Text = "", "", text
			x.add(e)
		}
	case "Coding":
		e.System, e.Code, e.Text = n.Str("system"), n.Str("code"), n.Str("display")
		x.add(e)
	case "Identifier":
		typ := n.Get("type")
		e.System, e.Code, e.Text = n.Str("system"), n.Str("value"), typ.Str("text")
		x.add(e)
		for _, c := range typ.Each("coding") {
			x.add(Entry{Param: e.Param + ofType, Kind: Token, System: c.Str("system"), Code: c.Str("code"), Text: n.Str("value")})
		}
	case "ContactPoint":
		// R4 takes the use for the system part; clients also write phone|…, so
		// the kind of contact is accepted beside it.
		use := n.Str("use")
		e.System, e.Code = use, n.Str("value")
		x.add(e)
		if system := n.Str("system"); system != "" && system != use {
			e.System = system
			x.add(e)
		}
	case "boolean":
		e.System, e.Code = specialValues, n.Text
		x.add(e)
	case "exists":
		e.System, e.Code = specialValues, "true"
		if n.Kind == fhirjson.Bool {
			e.Code = n.Text
		}
		x.derived = true
		x.add(e)
	default: // code, string
		e.System, e.Code = l.system, n.Text
		x.add(e)
	}
}

func (x *extractor) reference(e Entry, n *fhirjson.Node) {
	e.Ref = relative(n.Str("reference"), x.opts.Base)
	if id, ok := strings.CutPrefix(n.Str("reference"), "#"); ok {
		e.Contained = x.contained(id)
	}
	if _, v, ok := strings.Cut(n.Str("reference"), "/_history/"); ok && e.Ref != "" {
		e.Version = v
	}
	if id := n.Get("identifier"); id != nil {
		e.System, e.Code = id.Str("system"), id.Str("value")
	}
	x.add(e)
}

// contained is the contained resource of that id, nil when there is none. None
// holds another (dom-2), so that this goes one level deep.
func (x *extractor) contained(id string) *Doc {
	for _, c := range x.root.Each("contained") {
		if id != "" && c.Str("id") == id {
			d := Extract(c, x.opts)
			return &d
		}
	}
	return nil
}

// relative is the reference as searches compare it: "Type/id" when it is ours,
// else as written; without a version; "" for a contained resource.
func relative(ref, base string) string {
	if strings.HasPrefix(ref, "#") {
		return ""
	}
	if base != "" && len(ref) > len(base) && strings.HasPrefix(ref, base) && ref[len(base)] == '/' {
		ref = ref[len(base)+1:]
	}
	if i := strings.Index(ref, "/_history/"); i >= 0 {
		ref = ref[:i]
	}
	return ref
}

// refType is the type that a literal reference names, "" when it names none.
func refType(ref string) string {
	i := strings.LastIndexByte(ref, '/')
	if i <= 0 {
		return ""
	}
	typ := ref[:i]
	if k := strings.LastIndexByte(typ, '/'); k >= 0 {
		typ = typ[k+1:]
	}
	if typ == "" || typ[0] < 'A' || typ[0] > 'Z' {
		return ""
	}
	return typ
}

// interval reads a date, dateTime, instant, Period or Timing. It is empty,
// lo == hi, when there is nothing to read. A Period without a start reaches
// back without bound, one without an end runs on.
func (x *extractor) interval(typ string, n *fhirjson.Node) (lo, hi int64) {
	switch typ {
	case "Period":
		lo, hi = NoDate, MaxDate
		if s := n.Get("start"); s != nil {
			var end int64
			if lo, end = x.moment(s.Text); lo == end {
				return 0, 0
			}
		}
		if e := n.Get("end"); e != nil {
			var start int64
			if start, hi = x.moment(e.Text); start == hi {
				return 0, 0
			}
		}
		return lo, max(lo, hi)
	case "Timing":
		lo, hi = MaxDate, NoDate
		for _, ev := range n.Each("event") {
			if a, b := x.moment(ev.Text); a < b {
				lo, hi = min(lo, a), max(hi, b)
			}
		}
		if p := n.Path("repeat", "boundsPeriod"); p != nil {
			if a, b := x.interval("Period", p); a < b {
				lo, hi = min(lo, a), max(hi, b)
			}
		}
		if lo > hi {
			return 0, 0
		}
		return lo, hi
	}
	return x.moment(n.Text)
}

func (x *extractor) moment(s string) (lo, hi int64) {
	iv, err := fhirdate.Parse(s, x.opts.Zone)
	if err != nil {
		return 0, 0
	}
	return micros(iv)
}

// micros is the interval in whole microseconds, never empty.
func micros(iv fhirdate.Interval) (lo, hi int64) {
	return iv.Lo.UnixMicro(), max(ceilMicro(iv.Hi), iv.Lo.UnixMicro()+1)
}

func ceilMicro(t time.Time) int64 {
	if t.Nanosecond()%1000 != 0 {
		return t.UnixMicro() + 1
	}
	return t.UnixMicro()
}

func (x *extractor) primary(lo, hi int64) {
	if lo >= hi {
		return
	}
	if !x.dated {
		x.dated, x.doc.Date, x.doc.DateEnd = true, lo, hi
		return
	}
	x.doc.Date, x.doc.DateEnd = min(x.doc.Date, lo), max(x.doc.DateEnd, hi)
}

var (
	nameParts    = [...]string{"text", "family", "given", "prefix", "suffix"}
	addressParts = [...]string{"text", "line", "city", "district", "state", "postalCode", "country"}
)

func (x *extractor) text(l *leaf, e Entry, n *fhirjson.Node) {
	parts := addressParts[:]
	switch l.typ {
	case "HumanName":
		parts = nameParts[:]
	case "Address":
	default:
		e.Text = n.Text
		x.add(e)
		return
	}
	found := false
	for _, part := range parts {
		for _, v := range n.Each(part) {
			if v.Kind == fhirjson.String {
				e.Text, found = v.Text, true
				x.add(e)
			}
		}
	}
	if !found {
		x.add(e)
	}
}

// quantity reads a Quantity. A Range or SampledData holds no single number: it
// is there for :missing and matches no comparison.
func (x *extractor) quantity(l *leaf, e Entry, n *fhirjson.Node) {
	if v := n.Get("value"); l.typ == "Quantity" && v != nil && v.Kind == fhirjson.Number {
		if r, ok := ucum.ParseDecimal(v.Text); ok {
			e.Number, e.Comparator = v.Text, n.Str("comparator")
			e.System, e.Code, e.Text = n.Str("system"), n.Str("code"), n.Str("unit")
			if e.System == ucumSystem {
				e.Base, e.BaseNumber = canonical(r, e.Code)
			}
		}
	}
	x.add(e)
}

// canonical converts to UCUM base units. It returns nothing for units whose
// conversion is not exact (pH, decibel), some of which also reverse the order;
// their values compare as written, within the unit.
func canonical(r *big.Rat, code string) (base, number string) {
	u, err := ucum.Parse(code)
	if err != nil || !u.Exact() {
		return "", ""
	}
	c, base, err := ucum.ToCanonical(r, u)
	if err != nil {
		return "", ""
	}
	return base, ratText(c)
}

// ratText is the exact value: a decimal where it has one, else n/d.
func ratText(r *big.Rat) string {
	if places, exact := r.FloatPrec(); exact {
		return r.FloatString(places)
	}
	return r.RatString()
}

// compartments adds one entry for each compartment that holds the resource.
func (x *extractor) compartments(t typeTable) {
	values := x.doc.Entries
	for _, o := range t.owners {
		seen := len(x.doc.Entries)
		for _, name := range o.params {
			if name == "{def}" {
				x.compartment(seen, o.typ+"/"+x.doc.ID)
				continue
			}
			for _, of := range t.params[name].of {
				for i := range values {
					if e := &values[i]; e.Param == of && e.Kind == Reference && isLocal(e.Ref, o.typ) {
						x.compartment(seen, e.Ref)
					}
				}
			}
		}
	}
}

func (x *extractor) compartment(seen int, ref string) {
	for _, e := range x.doc.Entries[seen:] {
		if e.Ref == ref {
			return
		}
	}
	x.add(Entry{Param: Compartment, Kind: Reference, Ref: ref})
}

func isLocal(ref, typ string) bool {
	return len(ref) > len(typ)+1 && ref[len(typ)] == '/' && ref[:len(typ)] == typ && strings.IndexByte(ref[len(typ)+1:], '/') < 0
}

// Refs gives the distinct references that a reference parameter holds: what
// _include follows, and in whose compartments the resource is.
func (d Doc) Refs(param string) []string {
	of, only := []string{param}, ""
	if p, ok := table().types[d.Type].params[param]; ok {
		of, only = p.of, p.only
	}
	var out []string
	seen := map[string]bool{}
	for i := range d.Entries {
		e := &d.Entries[i]
		if e.Kind != Reference || e.Ref == "" || !has(of, e.Param) || only != "" && refType(e.Ref) != only || seen[e.Ref] {
			continue
		}
		seen[e.Ref] = true
		out = append(out, e.Ref)
	}
	return out
}

// Target is what a reference names.
type Target struct{ Ref, Version string }

// Targets are the Refs with the versions that they name.
func (d Doc) Targets(param string) []Target {
	refs := d.Refs(param)
	var out []Target
	for _, ref := range refs {
		for i := range d.Entries {
			if e := &d.Entries[i]; e.Kind == Reference && e.Param != Compartment && e.Ref == ref && !slices.Contains(out, Target{ref, e.Version}) {
				out = append(out, Target{ref, e.Version})
			}
		}
	}
	return out
}

func has(names []string, name string) bool {
	for _, n := range names {
		if n == name {
			return true
		}
	}
	return false
}
