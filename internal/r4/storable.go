package r4

import (
	"strings"

	"tidemark/internal/fault"
	"tidemark/internal/fhirjson"
)

// Storable refuses resources that may be sent but not stored: an incomplete
// one, which would erase the rest (R4 search, _summary and _elements), and one
// with conditional references, which only a transaction resolves.
func Storable(n *fhirjson.Node) fault.List {
	var l fault.List
	root := n.Str("resourceType")
	if subsetted(n) {
		l.Add("business-rule", root+".meta.tag", "The resource is tagged SUBSETTED: it came from _summary or _elements and is incomplete, so writing it would erase the rest. Read the whole resource, change that, and send it without the tag.")
	}
	for _, site := range References(n) {
		if ref := site.Node.Get("reference"); ref != nil && ConditionalReference(ref.Text) {
			l.Add("business-rule", site.Path+".reference", "The reference is conditional; only a transaction Bundle resolves it. Send it in one, or refer to a resource.")
		}
	}
	return l
}

// ConditionalReference reports whether a reference is conditional, such as
// Patient?identifier=system|value.
func ConditionalReference(ref string) bool {
	typ, _, ok := strings.Cut(ref, "?")
	return ok && IsType(typ)
}

func subsetted(n *fhirjson.Node) bool {
	for _, t := range n.Get("meta").Each("tag") {
		if t.Str("system") == subsettedSystem && t.Str("code") == subsettedCode {
			return true
		}
	}
	return false
}
