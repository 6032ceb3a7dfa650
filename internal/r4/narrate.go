package r4

import (
	"strings"

	"tidemark/internal/fhirjson"
)

// Narrate gives a narrative made from the data alone (status "generated"): one
// row for each element, in the words that the resource holds. It is nil when
// that would be longer than a narrative may be.
func Narrate(n *fhirjson.Node) *fhirjson.Node {
	var b strings.Builder
	b.WriteString(`<div xmlns="` + xhtmlNS + `"><p>` + escape.Replace(n.Str("resourceType")) + `</p><table><tbody>`)
	for _, m := range n.Members {
		switch m.Name {
		case "resourceType", "id", "meta", "text", "contained", "extension", "modifierExtension", "implicitRules", "language":
			continue
		}
		if w := words(m.Value); w != "" && m.Name[0] != '_' {
			b.WriteString("<tr><th>" + escape.Replace(m.Name) + "</th><td>" + escape.Replace(w) + "</td></tr>")
		}
	}
	b.WriteString("</tbody></table></div>")
	if b.Len() > maxString {
		return nil
	}
	return fhirjson.Obj("status", "generated", "div", b.String())
}

// words give a value as text for a reader.
func words(n *fhirjson.Node) string {
	switch n.Kind {
	case fhirjson.Object:
	case fhirjson.Array:
		var out []string
		for _, i := range n.Items {
			if w := words(i); w != "" {
				out = append(out, w)
			}
		}
		return strings.Join(out, "; ")
	case fhirjson.Null:
		return ""
	default:
		return n.Text
	}
	for _, name := range []string{"text", "display"} {
		if v := n.Get(name); v != nil && v.Kind == fhirjson.String {
			return v.Text
		}
	}
	if v := n.Get("value"); v != nil && v.Kind == fhirjson.Number {
		unit := n.Str("unit")
		if unit == "" {
			unit = n.Str("code")
		}
		return strings.TrimSpace(n.Str("comparator") + v.Text + " " + unit)
	}
	if c := n.Each("coding"); len(c) > 0 {
		return words(c[0])
	}
	if c := n.Get("code"); c != nil && c.Kind == fhirjson.String { // a Coding
		return c.Text
	}
	var out []string
	for _, m := range n.Members {
		switch m.Name {
		case "extension", "modifierExtension", "id", "system", "use", "url":
			continue
		}
		if w := words(m.Value); w != "" && m.Name[0] != '_' {
			out = append(out, w)
		}
	}
	return strings.Join(out, ", ")
}
