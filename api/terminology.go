package api

import (
	"context"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"tidemark/internal/fault"
	"tidemark/internal/fhirjson"
	"tidemark/internal/profile"
	"tidemark/internal/search"
	"tidemark/internal/store"
)

// searchConformance searches the project's own conformance resources, of
// which there are a few dozen, so each is matched in turn.
func (s *Server) searchConformance(ctx context.Context, in *Interaction, q search.Query, ctl search.Control) (*Answer, error) {
	all := s.conformance.All(in.Type)
	if len(q.Sort) > 0 {
		all = slices.Clone(all)
		slices.SortStableFunc(all, func(a, b *fhirjson.Node) int {
			return q.Order(s.conformanceDoc(a), s.conformanceDoc(b))
		})
	}
	var entries []rawEntry
	skip := 0
	if q.Cursor != "" {
		n, err := strconv.Atoi(q.Cursor)
		if err != nil || n < 0 {
			return nil, fault.New(fault.Invalid, "value", "The page link is not one of this service.")
		}
		skip = n
	}
	total, next := 0, ""
	for _, n := range all {
		if !q.Match(s.conformanceDoc(n)) {
			continue
		}
		total++
		if total <= skip || ctl.Summary == "count" {
			continue
		}
		if len(entries) == q.Count {
			next = strconv.Itoa(skip + q.Count)
			continue
		}
		raw, _ := s.conformance.Read(in.Type, n.Str("id"))
		if ctl.Summary != "" || len(ctl.Elements) > 0 {
			cut, err := s.cut(n, ctl.Summary, ctl.Elements)
			if err != nil {
				return nil, err
			}
			raw = cut.Bytes()
		}
		entries = append(entries, rawEntry{head: fhirjson.Obj("fullUrl", s.base+"/"+in.Type+"/"+n.Str("id")), resource: raw, tail: mode("match")})
	}
	links, err := s.pageLinks(ctx, in, s.base+"/"+in.Type, ctl.Used, next)
	if err != nil {
		return nil, err
	}
	if w := ignoredOutcome(ctl.Ignored); w != nil {
		entries = append(entries, rawEntry{resource: w.Bytes(), tail: mode("outcome")})
	}
	b := fhirjson.Obj("resourceType", "Bundle", "type", "searchset", "total", total, "link", links)
	return &Answer{Status: http.StatusOK, Resource: bundleBytes(b, entries)}, nil
}

// conformanceDoc is what searches see of a conformance resource.
func (s *Server) conformanceDoc(n *fhirjson.Node) search.Doc {
	return s.doc(n) // the library wrote when it was changed
}

// valueSetURL is the value set that an operation refers to: the instance, or the
// parameter url, with the requested version.
func (s *Server) valueSetURL(in *Interaction, p Params) (string, error) {
	url, version := p.Text("url"), p.Text("valueSetVersion")
	switch {
	case in.ID != "" && url != "":
		return "", fault.New(fault.Invalid, "value", "The path names the value set already; leave out url.")
	case in.ID != "":
		for _, n := range s.conformance.All("ValueSet") {
			if n.Str("id") == in.ID {
				url = n.Str("url")
			}
		}
		if url == "" {
			return "", hidden(store.Key{Type: "ValueSet", ID: in.ID})
		}
	case url == "":
		return "", fault.New(fault.Invalid, "required", "Name the value set by its canonical: url=http://…")
	}
	if version != "" {
		if _, in, versioned := strings.Cut(url, "|"); versioned && in != version {
			return "", fault.New(fault.Invalid, "value", "url and valueSetVersion name different versions.")
		} else if !versioned {
			url += "|" + version
		}
	}
	return url, nil
}

// english refuses a language in which there are no displays.
func english(p Params) error {
	if l := p.Text("displayLanguage"); l != "" && l != "en" && !strings.HasPrefix(l, "en-") {
		return fault.New(fault.Invalid, "not-supported", "Displays are in English; leave out displayLanguage=%s.", l)
	}
	return nil
}

func expand(_ context.Context, s *Server, in *Interaction, p Params) (*Answer, error) {
	if err := p.only("url", "valueSetVersion", "filter", "offset", "count", "includeDesignations", "includeDefinition", "activeOnly", "excludeNested", "displayLanguage"); err != nil {
		return nil, err
	}
	if err := english(p); err != nil {
		return nil, err
	}
	url, err := s.valueSetURL(in, p)
	if err != nil {
		return nil, err
	}
	o := profile.Expansion{Filter: p.Text("filter")}
	if o.Offset, err = whole(p, "offset", 0); err != nil {
		return nil, err
	}
	if o.Count, err = whole(p, "count", -1); err != nil {
		return nil, err
	}
	for _, flag := range []struct {
		name string
		to   *bool
	}{{"includeDesignations", &o.Designations}, {"includeDefinition", &o.Definition}, {"activeOnly", new(bool)}, {"excludeNested", new(bool)}} {
		switch t := p.Text(flag.name); t {
		case "":
			continue
		case "true", "false":
			*flag.to = t == "true"
		default:
			return nil, fault.New(fault.Invalid, "value", "%s takes true or false, not %q.", flag.name, t)
		}
		o.Asked = append(o.Asked, fhirjson.Obj("name", flag.name, "valueBoolean", *flag.to))
	}
	n, err := s.conformance.ExpandOperation(url, o)
	if err != nil {
		return nil, err
	}
	return &Answer{Status: http.StatusOK, Resource: n.Bytes()}, nil
}

func whole(p Params, name string, otherwise int) (int, error) {
	t := p.Text(name)
	if t == "" {
		return otherwise, nil
	}
	n, err := strconv.ParseInt(t, 10, 32) // R4's integer
	if err != nil || n < 0 {
		return 0, fault.New(fault.Invalid, "value", "%s takes a whole number from 0, not %q.", name, t)
	}
	return int(n), nil
}

func validateCode(_ context.Context, s *Server, in *Interaction, p Params) (*Answer, error) {
	if err := p.only("url", "valueSetVersion", "code", "system", "systemVersion", "display", "coding", "codeableConcept", "abstract", "displayLanguage"); err != nil {
		return nil, err
	}
	if err := english(p); err != nil {
		return nil, err
	}
	url, err := s.valueSetURL(in, p)
	if err != nil {
		return nil, err
	}
	asked, err := codings(p, "systemVersion", true)
	if err != nil {
		return nil, err
	}
	n, err := s.conformance.ValidateCode(url, asked...)
	if err != nil {
		return nil, err
	}
	return &Answer{Status: http.StatusOK, Resource: n.Bytes()}, nil
}

// codings are those an operation is asked about, given in one of three ways: code with
// system, coding, or, if concepts are accepted, codeableConcept.
func codings(p Params, version string, concepts bool) ([]profile.Coding, error) {
	one := "code with system, or coding"
	if concepts {
		one += ", or codeableConcept"
	}
	given := 0
	for _, x := range p.list {
		if x.name == "code" && x.text != "" {
			given++
		}
	}
	for _, name := range []string{"coding", "codeableConcept"} {
		switch n := p.Nodes(name); {
		case len(n) == 0 && p.Text(name) != "":
			return nil, fault.New(fault.Invalid, "value", "%s is no text: send it in a Parameters body by POST, or code and system in the URL.", name)
		default:
			for _, x := range n {
				if x.Kind != fhirjson.Object {
					return nil, fault.New(fault.Invalid, "value", "%s takes a %s.", name, strings.ToUpper(name[:1])+name[1:])
				}
			}
			given += len(n)
		}
	}
	switch {
	case given == 0:
		return nil, fault.New(fault.Invalid, "required", "Name the code: %s.", one)
	case given > 1:
		return nil, fault.New(fault.Invalid, "value", "Name one thing, once: %s.", one)
	}
	of := func(n *fhirjson.Node) profile.Coding {
		return profile.Coding{System: n.Str("system"), Version: n.Str("version"), Code: n.Str("code"), Display: n.Str("display")}
	}
	if cc := p.Node("codeableConcept"); cc != nil {
		var out []profile.Coding
		for _, n := range cc.Each("coding") {
			out = append(out, of(n))
		}
		return out, nil
	}
	is := profile.Coding{System: p.Text("system"), Version: p.Text(version), Code: p.Text("code"), Display: p.Text("display")}
	if c := p.Node("coding"); c != nil {
		is = of(c)
	}
	switch {
	case is.Code == "":
		return nil, fault.New(fault.Invalid, "required", "The coding has no code.")
	case is.System == "":
		return nil, fault.New(fault.Invalid, "required", "Name the system of the code: the same code may stand in several.")
	}
	return []profile.Coding{is}, nil
}

func lookup(_ context.Context, s *Server, in *Interaction, p Params) (*Answer, error) {
	if err := p.only("code", "system", "version", "coding", "property", "displayLanguage"); err != nil {
		return nil, err
	}
	if err := english(p); err != nil {
		return nil, err
	}
	asked, err := codings(p, "version", false)
	if err != nil {
		return nil, err
	}
	n, err := s.conformance.Lookup(asked[0], p.All("property"))
	if err != nil {
		return nil, err
	}
	return &Answer{Status: http.StatusOK, Resource: n.Bytes()}, nil
}
