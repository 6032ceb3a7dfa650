package fhirmap

import (
	"slices"

	"tidemark/internal/fhirjson"
	"tidemark/internal/store"
)

// Body writes a resource as the store keeps it: resourceType, id and meta
// first, meta without what the store assigns, the rest in its own order.
func Body(n *fhirjson.Node) store.Body {
	b := make([]byte, 0, 1024)
	b = append(b, `{"resourceType":`...)
	b = fhirjson.Str(n.Str("resourceType")).Append(b)
	b = append(b, `,"id":`...)
	b = fhirjson.Str(n.Str("id")).Append(b)
	b = append(b, `,"meta":{`...)
	at := len(b)
	first := true
	if meta := n.Get("meta"); meta != nil {
		for _, m := range meta.Members {
			switch m.Name {
			case "versionId", "lastUpdated", "_versionId", "_lastUpdated":
				continue
			}
			b = member(b, m, &first)
		}
	}
	b = append(b, '}')
	first = false
	for _, m := range n.Members {
		switch m.Name {
		case "resourceType", "id", "meta":
			continue
		}
		b = member(b, m, &first)
	}
	return store.Body{JSON: append(b, '}'), Meta: at}
}

func member(b []byte, m fhirjson.Member, first *bool) []byte {
	if !*first {
		b = append(b, ',')
	}
	*first = false
	b = append(fhirjson.Str(m.Name).Append(b), ':')
	return m.Value.Append(b)
}

// Claims are the identifiers, as "system|value", of a drain entry; each belongs to one
// entry only. Other Observations may share one, as the results of an order do.
func Claims(n *fhirjson.Node, f store.Facts) []string {
	if f.Entry == nil || f.Entry.Drain == "" {
		return nil
	}
	var out []string
	for _, id := range n.Each("identifier") {
		if v := id.Str("value"); v != "" {
			out = append(out, id.Str("system")+"|"+v)
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}
