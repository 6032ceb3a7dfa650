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

// Expansion is what ValueSet/$expand is asked for.
type Expansion struct {
	Filter        string // text that code or display has to hold
	Offset, Count int    // Count below 0: all
	Designations  bool   // with the code system's other words
	Definition    bool   // with the definition of the set
	// Asked are further parameters that the expansion names, because it uses them
	// whatever it does: no code of ours is inactive, and nothing is nested.
	Asked []*fhirjson.Node
}

// ExpandOperation answers ValueSet/$expand.
func (l *Library) ExpandOperation(url string, o Expansion) (*fhirjson.Node, error) {
	vs, set, err := l.valueSet(url)
	if err != nil {
		return nil, err
	}
	if o.Offset < 0 {
		return nil, fault.New(fault.Invalid, "value", "offset is 0 or more, not %d.", o.Offset)
	}
	var hits []*fhirjson.Node
	for _, c := range set {
		if o.Filter != "" && !contains(c.display, o.Filter) && !contains(c.code, o.Filter) {
			continue
		}
		hit := fhirjson.Obj("system", c.system, "code", c.code, "display", optional(c.display))
		if o.Designations && c.system == fhirmap.Local {
			if ds := l.drain.byCode[c.code].Get("designation"); ds != nil {
				hit.Set("designation", ds)
			}
		}
		hits = append(hits, hit)
	}
	total := len(hits)
	hits = hits[min(o.Offset, total):]
	if o.Count >= 0 {
		hits = hits[:min(o.Count, len(hits))]
	}
	var asked []*fhirjson.Node
	if o.Filter != "" {
		asked = append(asked, fhirjson.Obj("name", "filter", "valueString", o.Filter))
	}
	if o.Count >= 0 || o.Offset > 0 {
		asked = append(asked, fhirjson.Obj("name", "offset", "valueInteger", o.Offset))
		if o.Count >= 0 {
			asked = append(asked, fhirjson.Obj("name", "count", "valueInteger", o.Count))
		}
	}
	out := vs.Clone()
	if !o.Definition {
		out.Delete("compose")
	}
	out.Set("expansion", fhirjson.Obj(
		// The definitions do not change while the service runs: each expansion
		// is the one of the set's own date.
		"timestamp", vs.Get("meta").Str("lastUpdated"),
		"total", total,
		"offset", o.Offset,
		"parameter", append(asked, o.Asked...),
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

// Coding is what $validate-code and $lookup are asked about; Version and
// Display are "" where they do not matter.
type Coding struct{ System, Version, Code, Display string }

// Lookup answers CodeSystem/$lookup for the service's own codes. Of what R4
// leaves to the server, want chooses; nil is all.
func (l *Library) Lookup(of Coding, want []string) (*fhirjson.Node, error) {
	version := l.drain.resource.Str("version")
	switch {
	case of.Code == "":
		return nil, fault.New(fault.Invalid, "required", "Name the code to look up with code and system, or with coding.")
	case of.System == "":
		return nil, fault.New(fault.Invalid, "required", "Name the system of the code, such as %s.", fhirmap.Local)
	case of.System != fhirmap.Local:
		return nil, fault.New(fault.NotFound, "not-found", "Only codes of %s are looked up here.", fhirmap.Local)
	case of.Version != "" && of.Version != version:
		return nil, fault.New(fault.NotFound, "not-found", "Only version %s of %s is known here.", version, fhirmap.Local)
	}
	c := l.drain.byCode[of.Code]
	if c == nil {
		return nil, fault.New(fault.NotFound, "not-found", "%s has no such code; codes are case-sensitive.", fhirmap.Local)
	}
	wanted := func(name string) bool { return want == nil || slices.Contains(want, name) }
	params := []*fhirjson.Node{
		fhirjson.Obj("name", "name", "valueString", l.drain.resource.Str("name")),
		fhirjson.Obj("name", "version", "valueString", version),
		fhirjson.Obj("name", "display", "valueString", c.Str("display")),
	}
	if wanted("definition") {
		params = append(params, property("definition", fhirjson.Obj("name", "value", "valueString", c.Str("definition"))))
	}
	if wanted("designation") {
		for _, d := range c.Each("designation") {
			params = append(params, fhirjson.Obj("name", "designation", "part", []*fhirjson.Node{
				fhirjson.Obj("name", "language", "valueCode", d.Str("language")),
				fhirjson.Obj("name", "value", "valueString", d.Str("value")),
			}))
		}
	}
	for _, p := range c.Each("property") {
		if wanted(p.Str("code")) {
			params = append(params, property(p.Str("code"), fhirjson.Obj("name", "value", "valueCode", p.Str("valueCode"))))
		}
	}
	return fhirjson.Obj("resourceType", "Parameters", "parameter", params), nil
}

func property(code string, value *fhirjson.Node) *fhirjson.Node {
	return fhirjson.Obj("name", "property", "part", []*fhirjson.Node{
		fhirjson.Obj("name", "code", "valueCode", code), value,
	})
}

// ValidateCode answers ValueSet/$validate-code. Of the codings of a concept one
// has to be in the set, and right in what is said of it.
func (l *Library) ValidateCode(url string, codings ...Coding) (*fhirjson.Node, error) {
	vs, set, err := l.valueSet(url)
	if err != nil {
		return nil, err
	}
	var wrong *fhirjson.Node // of the first that is in the set, and not right
	for _, is := range codings {
		i := slices.IndexFunc(set, func(c concept) bool { return c.coding == coding{is.System, is.Code} })
		if i < 0 {
			continue
		}
		known, no := set[i].display, ""
		switch {
		case is.Version != "" && is.System == fhirmap.Local && is.Version != l.drain.resource.Str("version"):
			no = fmt.Sprintf("The code is in the value set, which uses version %s of its system.", l.drain.resource.Str("version"))
		case is.Display != "" && known != "" && !l.isDisplay(set[i], is.Display):
			no = fmt.Sprintf("The code is in the value set, but its display is %q.", known)
		default:
			return verdict(true, "", known), nil
		}
		if wrong == nil {
			wrong = verdict(false, no, known)
		}
	}
	switch {
	case wrong != nil:
		return wrong, nil
	case len(codings) == 0:
		return verdict(false, fmt.Sprintf("The concept has no coding, so that none is in the value set %s.", vs.Str("url")), ""), nil
	case len(codings) > 1:
		return verdict(false, fmt.Sprintf("None of the codings is in the value set %s.", vs.Str("url")), ""), nil
	}
	return verdict(false, fmt.Sprintf("The code is not in the value set %s.", vs.Str("url")), ""), nil
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
