package r4

import (
	"slices"
	"strings"

	"tidemark/internal/fhirjson"
)

// SummaryMode is a value of the search parameter _summary. The value count
// concerns the Bundle alone and is left to the search.
type SummaryMode string

// The modes.
const (
	SummaryTrue  SummaryMode = "true"  // the elements that R4 marks as summary
	SummaryText  SummaryMode = "text"  // id, meta, text and what is mandatory
	SummaryData  SummaryMode = "data"  // all but the narrative
	SummaryFalse SummaryMode = "false" // all
)

// subsetted marks a resource that is not whole.
const (
	subsettedSystem = "http://terminology.hl7.org/CodeSystem/v3-ObservationValue"
	subsettedCode   = "SUBSETTED"
)

// Summary gives the part of a resource that a mode asks for, tagged SUBSETTED.
// Mandatory elements and those that may change the meaning of others
// (modifiers) always stay. The result shares nodes with n: neither may be
// changed afterwards. A type without a table cannot be shortened by "true" and
// comes back whole and untagged.
func Summary(n *fhirjson.Node, mode SummaryMode) *fhirjson.Node {
	t := tablesOnce().types[n.Str("resourceType")]
	switch mode {
	case SummaryTrue:
		if t == nil || !t.resource {
			return n
		}
		return tag(summarize(n, t))
	case SummaryText:
		return tag(top(n, t, func(name string) bool { return name == "text" }))
	case SummaryData:
		return tag(top(n, t, func(name string) bool { return name != "text" }))
	}
	return n
}

// Elements gives the named top elements of a resource beside its id, meta and
// the mandatory and modifier elements, tagged SUBSETTED. Names are as in the
// search parameter _elements: "status", "value" for value[x], or with the type
// in front, "Observation.status", where another type's names do not count. The
// result shares nodes with n.
func Elements(n *fhirjson.Node, names []string) *fhirjson.Node {
	rt := n.Str("resourceType")
	wanted := map[string]bool{}
	for _, name := range names {
		of, element, dotted := strings.Cut(name, ".")
		switch {
		case !dotted:
			wanted[name] = true
		case of == rt:
			wanted[element] = true
		}
	}
	return tag(top(n, tablesOnce().types[rt], func(name string) bool { return wanted[name] }))
}

// top keeps the wanted top elements and those that must stay.
func top(n *fhirjson.Node, t *typ, want func(name string) bool) *fhirjson.Node {
	if t == nil {
		t = tablesOnce().types["DomainResource"]
	}
	out := &fhirjson.Node{Kind: fhirjson.Object}
	for _, m := range n.Members {
		name := strings.TrimPrefix(m.Name, "_")
		stays := name == "resourceType" || name == "id" || name == "meta"
		if p, ok := t.props[m.Name]; ok {
			name = p.el.name
			stays = stays || p.el.required || p.el.modifier
		}
		if stays || want(name) || want(strings.TrimPrefix(m.Name, "_")) {
			out.Members = append(out.Members, m)
		}
	}
	return out
}

// summarize keeps the elements that R4 marks as summary, on every level.
func summarize(n *fhirjson.Node, t *typ) *fhirjson.Node {
	out := &fhirjson.Node{Kind: fhirjson.Object}
	for _, m := range n.Members {
		p, ok := t.props[m.Name]
		switch {
		case m.Name == "resourceType" && t.resource:
			out.Members = append(out.Members, m)
		case !ok || !inSummary(p.el, t):
		case p.typ == nil || p.typ.name == "Extension":
			out.Members = append(out.Members, m)
		default:
			if v := summarizeValue(m.Value, p); v != nil {
				out.Members = append(out.Members, fhirjson.Member{Name: m.Name, Value: v})
			}
		}
	}
	return out
}

func inSummary(el *element, t *typ) bool {
	// Extensions of a data type are part of its value; R4 leaves out those of
	// the resource and its own parts.
	return el.summary || el.required || el.modifier || el.name == "id" || el.name == "extension" && !t.own
}

// summarizeValue shortens one value or each of an array. What would be empty
// is left out, or stays whole where the element is mandatory.
func summarizeValue(n *fhirjson.Node, p prop) *fhirjson.Node {
	switch n.Kind {
	case fhirjson.Object:
		if s := summarize(n, p.typ); len(s.Members) > 0 {
			return s
		}
		if p.el.required {
			return n
		}
		return nil
	case fhirjson.Array:
		out := &fhirjson.Node{Kind: fhirjson.Array}
		for _, it := range n.Items {
			if s := summarizeValue(it, p); s != nil {
				out.Items = append(out.Items, s)
			}
		}
		if len(out.Items) > 0 {
			return out
		}
		return nil
	}
	return n
}

// tag adds meta.tag SUBSETTED to a resource whose own members are not shared.
func tag(n *fhirjson.Node) *fhirjson.Node {
	if subsetted(n) {
		return n
	}
	meta := &fhirjson.Node{Kind: fhirjson.Object}
	if m := n.Get("meta"); m != nil {
		meta.Members = slices.Clone(m.Members)
	}
	tags := append(slices.Clone(meta.Each("tag")), fhirjson.Obj("system", subsettedSystem, "code", subsettedCode))
	meta.Set("tag", &fhirjson.Node{Kind: fhirjson.Array, Items: tags})
	n.SetAt(2, "meta", meta)
	return n
}
