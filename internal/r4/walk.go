package r4

import (
	"tidemark/internal/fhirjson"
)

// Site is one place in a resource and what stands there.
type Site struct {
	Path string // FHIRPath
	Type string // type code, such as "Reference", "uri" or "xhtml"
	Node *fhirjson.Node
}

// References lists every Reference in a resource, also in extensions,
// contained resources and entries, in document order. Where the type of the
// resource has no table, an object with a text named reference counts as one.
func References(n *fhirjson.Node) []Site {
	return walk(n, func(code string) bool { return code == "Reference" })
}

// Links lists the values that a transaction searches for temporary links
// besides references: elements of type uri, url, oid and uuid, and narratives
// (type xhtml; see RewriteNarrative). R4 leaves canonical out.
func Links(n *fhirjson.Node) []Site {
	return walk(n, func(code string) bool {
		switch code {
		case "uri", "url", "oid", "uuid", "xhtml":
			return true
		}
		return false
	})
}

func walk(n *fhirjson.Node, want func(code string) bool) []Site {
	w := walker{tables: tablesOnce(), want: want}
	w.path.root = n.Str("resourceType")
	w.resource(n)
	return w.sites
}

type walker struct {
	tables *tables
	want   func(code string) bool
	path   path
	sites  []Site
}

func (w *walker) resource(n *fhirjson.Node) {
	if n == nil {
		return
	}
	if t := w.tables.types[n.Str("resourceType")]; t != nil && t.resource {
		w.object(n, t, false)
		return
	}
	w.object(n, w.tables.types["DomainResource"], true)
}

// object walks the members that the type knows; in an open type also the others.
func (w *walker) object(n *fhirjson.Node, t *typ, open bool) {
	for i := range n.Members {
		m := &n.Members[i]
		p, known := t.props[m.Name]
		if !known && !open {
			continue
		}
		label := identifier(m.Name)
		if known {
			label = p.el.label
		}
		if m.Value.Kind != fhirjson.Array {
			w.path.push(label)
			w.value(m, m.Value, p, known)
			w.path.pop()
			continue
		}
		for j, it := range m.Value.Items {
			w.path.pushAt(label, j)
			w.value(m, it, p, known)
			w.path.pop()
		}
	}
}

func (w *walker) value(m *fhirjson.Member, n *fhirjson.Node, p prop, known bool) {
	switch {
	case !known:
		if n.Str("reference") != "" && w.want("Reference") {
			w.add("Reference", n)
		}
		w.object(n, w.tables.types["BackboneElement"], true)
	case p.partner && m.Name[0] == '_':
		w.object(n, w.tables.types["Element"], false)
	case p.prim != nil:
		if n.Kind == fhirjson.String && w.want(p.code) {
			w.add(p.code, n)
		}
	case p.typ == nil:
		w.resource(n)
	default:
		if w.want(p.code) {
			w.add(p.code, n)
		}
		w.object(n, p.typ, false)
	}
}

func (w *walker) add(code string, n *fhirjson.Node) {
	w.sites = append(w.sites, Site{Path: w.path.String(), Type: code, Node: n})
}
