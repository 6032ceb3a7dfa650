package api

import (
	"net/url"
	"strings"
	"time"

	"tidemark/internal/fhirdate"
	"tidemark/internal/fhirjson"
	"tidemark/internal/search"
)

// rawEntry is a Bundle entry whose resource is copied as stored, without
// being parsed again.
type rawEntry struct {
	head     *fhirjson.Node // fullUrl, link
	resource []byte
	tail     *fhirjson.Node // search, request, response
}

// bundleBytes writes a Bundle: its own members, then the entries.
func bundleBytes(b *fhirjson.Node, entries []rawEntry) []byte {
	size := 512
	for _, e := range entries {
		size += len(e.resource) + 200
	}
	out := b.Append(make([]byte, 0, size))
	if len(entries) == 0 {
		return out
	}
	out = append(out[:len(out)-1], `,"entry":[`...)
	for i, e := range entries {
		if i > 0 {
			out = append(out, ',')
		}
		out = append(out, '{')
		first := true
		part := func(n *fhirjson.Node) {
			if n == nil {
				return
			}
			for _, m := range n.Members {
				if !first {
					out = append(out, ',')
				}
				first = false
				out = append(fhirjson.Str(m.Name).Append(out), ':')
				out = m.Value.Append(out)
			}
		}
		part(e.head)
		if e.resource != nil {
			if !first {
				out = append(out, ',')
			}
			first = false
			out = append(append(out, `"resource":`...), e.resource...)
		}
		part(e.tail)
		out = append(out, '}')
	}
	return append(out, "]}"...)
}

func link(relation, base string, pairs []search.Pair, cursor string) *fhirjson.Node {
	var b strings.Builder
	b.WriteString(base)
	sep := byte('?')
	add := func(name, value string) {
		b.WriteByte(sep)
		sep = '&'
		b.WriteString(url.QueryEscape(name))
		b.WriteByte('=')
		b.WriteString(url.QueryEscape(value))
	}
	for _, p := range pairs {
		add(p.Name, p.Value)
	}
	if cursor != "" {
		add(search.CursorParam, cursor)
	}
	return fhirjson.Obj("relation", relation, "url", b.String())
}

func lastModified(t time.Time) string { return fhirdate.Format(t) }

func splitComma(s string) []string {
	var out []string
	for _, p := range strings.Split(s, ",") {
		if p = strings.TrimSpace(p); p != "" {
			out = append(out, p)
		}
	}
	return out
}
