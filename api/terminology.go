package api

import (
	"context"
	"net/http"
	"slices"
	"strconv"

	"tidemark/internal/auth"
	"tidemark/internal/fault"
	"tidemark/internal/fhirdate"
	"tidemark/internal/fhirjson"
	"tidemark/internal/search"
	"tidemark/internal/store"
)

// searchConformance searches the project's own conformance resources, of
// which there are a few dozen: each is matched in turn.
func (s *Server) searchConformance(in *Interaction, q search.Query, ctl search.Control) (*Answer, error) {
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
	links := []*fhirjson.Node{link("self", s.base+"/"+in.Type, ctl.Used, q.Cursor)}
	if next != "" {
		links = append(links, link("next", s.base+"/"+in.Type, ctl.Used, next))
	}
	if w := ignoredOutcome(ctl.Ignored); w != nil {
		entries = append(entries, rawEntry{resource: w.Bytes(), tail: mode("outcome")})
	}
	b := fhirjson.Obj("resourceType", "Bundle", "type", "searchset", "total", total, "link", links)
	return &Answer{Status: http.StatusOK, Resource: bundleBytes(b, entries)}, nil
}

// conformanceDoc is what searches see of a conformance resource.
func (s *Server) conformanceDoc(n *fhirjson.Node) search.Doc {
	d := search.Extract(n, s.extract)
	d.LastUpdated, _ = fhirdate.Instant(n.Get("meta").Str("lastUpdated")) // the library wrote it
	return d
}

// valueSetURL is the value set that an operation is about: the instance, or
// the parameter url.
func (s *Server) valueSetURL(in *Interaction, p Params) (string, error) {
	if _, err := in.grant("ValueSet", auth.Read); err != nil {
		return "", err
	}
	if in.ID == "" {
		if url := p.Text("url"); url != "" {
			return url, nil
		}
		return "", fault.New(fault.Invalid, "required", "Name the value set by its canonical: url=http://…")
	}
	for _, n := range s.conformance.All("ValueSet") {
		if n.Str("id") == in.ID {
			return n.Str("url"), nil
		}
	}
	return "", hidden(store.Key{Type: "ValueSet", ID: in.ID})
}

func expand(_ context.Context, s *Server, in *Interaction, p Params) (*Answer, error) {
	if err := p.only("url", "filter", "offset", "count"); err != nil {
		return nil, err
	}
	url, err := s.valueSetURL(in, p)
	if err != nil {
		return nil, err
	}
	offset, err := whole(p, "offset", 0)
	if err != nil {
		return nil, err
	}
	count, err := whole(p, "count", -1)
	if err != nil {
		return nil, err
	}
	n, err := s.conformance.ExpandOperation(url, p.Text("filter"), offset, count)
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
	n, err := strconv.Atoi(t)
	if err != nil || n < 0 {
		return 0, fault.New(fault.Invalid, "value", "%s takes a whole number from 0, not %q.", name, t)
	}
	return n, nil
}

func validateCode(_ context.Context, s *Server, in *Interaction, p Params) (*Answer, error) {
	if err := p.only("url", "code", "system", "display", "coding", "codeableConcept"); err != nil {
		return nil, err
	}
	url, err := s.valueSetURL(in, p)
	if err != nil {
		return nil, err
	}
	system, code, display := p.Text("system"), p.Text("code"), p.Text("display")
	coding := p.Node("coding")
	if cc := p.Node("codeableConcept"); cc != nil && len(cc.Each("coding")) > 0 {
		coding = cc.Each("coding")[0]
	}
	if coding != nil {
		system, code, display = coding.Str("system"), coding.Str("code"), coding.Str("display")
	}
	if code == "" {
		return nil, fault.New(fault.Invalid, "required", "Name the code: code with system, or coding.")
	}
	n, err := s.conformance.ValidateCode(url, system, code, display)
	if err != nil {
		return nil, err
	}
	return &Answer{Status: http.StatusOK, Resource: n.Bytes()}, nil
}

func lookup(_ context.Context, s *Server, in *Interaction, p Params) (*Answer, error) {
	if err := p.only("code", "system", "coding"); err != nil {
		return nil, err
	}
	if _, err := in.grant("CodeSystem", auth.Read); err != nil {
		return nil, err
	}
	system, code := p.Text("system"), p.Text("code")
	if c := p.Node("coding"); c != nil {
		system, code = c.Str("system"), c.Str("code")
	}
	if system == "" || code == "" {
		return nil, fault.New(fault.Invalid, "required", "Name the code and its system.")
	}
	n, err := s.conformance.Lookup(system, code)
	if err != nil {
		return nil, err
	}
	return &Answer{Status: http.StatusOK, Resource: n.Bytes()}, nil
}
