package profile

import (
	"fmt"
	"slices"
	"strings"

	"tidemark/fhirmap"
	"tidemark/internal/fault"
	"tidemark/internal/fhirjson"
	"tidemark/internal/search"
)

type coding struct{ system, code string }

type concept struct {
	coding
	display string
}

// codeSystem is CodeSystem/drain, the only one that the service defines.
type codeSystem struct {
	resource *fhirjson.Node
	list     []*fhirjson.Node // concepts, in the order of the file
	byCode   map[string]*fhirjson.Node
}

func readCodeSystem(n *fhirjson.Node) codeSystem {
	cs := codeSystem{resource: n, list: n.Each("concept"), byCode: map[string]*fhirjson.Node{}}
	for _, c := range cs.list {
		cs.byCode[c.Str("code")] = c
	}
	return cs
}

// in reports whether a concept belongs to a group.
func in(c *fhirjson.Node, group string) bool {
	return slices.ContainsFunc(c.Each("property"), func(p *fhirjson.Node) bool {
		return p.Str("code") == "group" && p.Str("valueCode") == group
	})
}

// compose expands a value set into l.sets. Our sets list codes, select those of
// our own system by group, and take in other sets of ours; that is all it can do.
func (l *Library) compose(vs *fhirjson.Node) error {
	url := vs.Str("url")
	if _, done := l.sets[url]; done {
		return nil
	}
	l.sets[url] = nil // ends a circle
	var out []concept
	for _, inc := range vs.Get("compose").Each("include") {
		system := inc.Str("system")
		for _, c := range inc.Each("concept") {
			display := c.Str("display")
			if system == fhirmap.Local {
				known := l.drain.byCode[c.Str("code")]
				if known == nil {
					return fmt.Errorf("%s lists %q, which %s does not have", url, c.Str("code"), system)
				}
				display = known.Str("display")
			}
			out = append(out, concept{coding{system, c.Str("code")}, display})
		}
		for _, f := range inc.Each("filter") {
			if system != fhirmap.Local || f.Str("property") != "group" || f.Str("op") != "=" {
				return fmt.Errorf("%s has a filter that is not understood", url)
			}
			before := len(out)
			for _, c := range l.drain.list {
				if in(c, f.Str("value")) {
					out = append(out, concept{coding{system, c.Str("code")}, c.Str("display")})
				}
			}
			if len(out) == before {
				return fmt.Errorf("%s selects the group %q, which is empty", url, f.Str("value"))
			}
		}
		for _, other := range inc.Each("valueSet") {
			n := l.byURL[other.Text]
			if n == nil || len(inc.Members) > 1 {
				return fmt.Errorf("%s takes in a value set in a way that is not understood", url)
			}
			if err := l.compose(n); err != nil {
				return err
			}
			out = append(out, l.sets[other.Text]...)
		}
	}
	l.sets[url] = out
	return nil
}

func (l *Library) valueSet(url string) (*fhirjson.Node, []concept, error) {
	vs, ok := l.ByURL(url)
	if !ok || vs.Str("resourceType") != "ValueSet" {
		return nil, nil, fault.New(fault.NotFound, "not-found", "No value set of this canonical is known here; ValueSet?_elements=url lists those that are.")
	}
	return vs, l.sets[vs.Str("url")], nil
}

// Expand lists the codes of a value set, as :in and :not-in need them.
func (l *Library) Expand(url string) ([]search.Coding, error) {
	_, set, err := l.valueSet(url)
	if err != nil {
		return nil, err
	}
	out := make([]search.Coding, len(set))
	for i, c := range set {
		out[i] = search.Coding{System: c.system, Code: c.code}
	}
	return out, nil
}

// ExpandOperation answers ValueSet/$expand. The filter is looked for in codes
// and displays; a count below 0 asks for all.
func (l *Library) ExpandOperation(url, filter string, offset, count int) (*fhirjson.Node, error) {
	vs, set, err := l.valueSet(url)
	if err != nil {
		return nil, err
	}
	if offset < 0 {
		return nil, fault.New(fault.Invalid, "value", "offset is 0 or more, not %d.", offset)
	}
	var hits []*fhirjson.Node
	for _, c := range set {
		if filter == "" || contains(c.display, filter) || contains(c.code, filter) {
			hits = append(hits, fhirjson.Obj("system", c.system, "code", c.code, "display", optional(c.display)))
		}
	}
	total := len(hits)
	hits = hits[min(offset, total):]
	if count >= 0 {
		hits = hits[:min(count, len(hits))]
	}
	var asked []*fhirjson.Node
	if filter != "" {
		asked = append(asked, fhirjson.Obj("name", "filter", "valueString", filter))
	}
	if count >= 0 || offset > 0 {
		asked = append(asked, fhirjson.Obj("name", "offset", "valueInteger", offset))
		if count >= 0 {
			asked = append(asked, fhirjson.Obj("name", "count", "valueInteger", count))
		}
	}
	out := vs.Clone()
	out.Delete("compose")
	out.Set("expansion", fhirjson.Obj(
		// The definitions do not change while the service runs: each expansion
		// is the one of the set's own date.
		"timestamp", vs.Get("meta").Str("lastUpdated"),
		"total", total,
		"offset", offset,
		"parameter", asked,
		"contains", hits,
	))
	return out, nil
}

func contains(s, part string) bool {
	return strings.Contains(strings.ToLower(s), strings.ToLower(part))
}

// optional is nil for "", so that Obj leaves the member out.
func optional(s string) any {
	if s == "" {
		return nil
	}
	return s
}

// Lookup answers CodeSystem/$lookup for the service's own codes.
func (l *Library) Lookup(system, code string) (*fhirjson.Node, error) {
	switch {
	case code == "":
		return nil, fault.New(fault.Invalid, "required", "Name the code to look up with code and system, or with coding.")
	case system == "":
		return nil, fault.New(fault.Invalid, "required", "Name the system of the code, such as %s.", fhirmap.Local)
	case system != fhirmap.Local:
		return nil, fault.New(fault.NotFound, "not-found", "Only codes of %s are looked up here.", fhirmap.Local)
	}
	c := l.drain.byCode[code]
	if c == nil {
		return nil, fault.New(fault.NotFound, "not-found", "%s has no such code; codes are case-sensitive.", fhirmap.Local)
	}
	params := []*fhirjson.Node{
		fhirjson.Obj("name", "name", "valueString", l.drain.resource.Str("name")),
		fhirjson.Obj("name", "version", "valueString", l.drain.resource.Str("version")),
		fhirjson.Obj("name", "display", "valueString", c.Str("display")),
		property("definition", fhirjson.Obj("name", "value", "valueString", c.Str("definition"))),
	}
	for _, d := range c.Each("designation") {
		params = append(params, fhirjson.Obj("name", "designation", "part", []*fhirjson.Node{
			fhirjson.Obj("name", "language", "valueCode", d.Str("language")),
			fhirjson.Obj("name", "value", "valueString", d.Str("value")),
		}))
	}
	for _, p := range c.Each("property") {
		params = append(params, property(p.Str("code"), fhirjson.Obj("name", "value", "valueCode", p.Str("valueCode"))))
	}
	return fhirjson.Obj("resourceType", "Parameters", "parameter", params), nil
}

func property(code string, value *fhirjson.Node) *fhirjson.Node {
	return fhirjson.Obj("name", "property", "part", []*fhirjson.Node{
		fhirjson.Obj("name", "code", "valueCode", code), value,
	})
}

// ValidateCode answers ValueSet/$validate-code. An empty display is not judged.
func (l *Library) ValidateCode(url, system, code, display string) (*fhirjson.Node, error) {
	vs, set, err := l.valueSet(url)
	switch {
	case err != nil:
		return nil, err
	case code == "":
		return nil, fault.New(fault.Invalid, "required", "Name the code to validate with code and system, with coding, or with codeableConcept.")
	case system == "":
		return nil, fault.New(fault.Invalid, "required", "Name the system of the code: the same code may stand in several.")
	}
	i := slices.IndexFunc(set, func(c concept) bool { return c.coding == coding{system, code} })
	if i < 0 {
		return verdict(false, fmt.Sprintf("The code is not in the value set %s.", vs.Str("url")), ""), nil
	}
	known := set[i].display
	if display != "" && known != "" && !l.isDisplay(set[i], display) {
		return verdict(false, fmt.Sprintf("The code is in the value set, but its display is %q.", known), known), nil
	}
	return verdict(true, "", known), nil
}

// isDisplay reports whether a text is a display of the concept: case and spaces
// do not matter, and the code system's other designations will do.
func (l *Library) isDisplay(c concept, text string) bool {
	text = strings.Join(strings.Fields(text), " ")
	if strings.EqualFold(text, c.display) {
		return true
	}
	return c.system == fhirmap.Local && slices.ContainsFunc(l.drain.byCode[c.code].Each("designation"), func(d *fhirjson.Node) bool {
		return strings.EqualFold(text, d.Str("value"))
	})
}

func verdict(result bool, message, display string) *fhirjson.Node {
	params := []*fhirjson.Node{fhirjson.Obj("name", "result", "valueBoolean", result)}
	if message != "" {
		params = append(params, fhirjson.Obj("name", "message", "valueString", message))
	}
	if display != "" {
		params = append(params, fhirjson.Obj("name", "display", "valueString", display))
	}
	return fhirjson.Obj("resourceType", "Parameters", "parameter", params)
}
