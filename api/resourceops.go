package api

import (
	"context"
	"net/http"
	"slices"
	"strings"

	"tidemark/internal/auth"
	"tidemark/internal/fault"
	"tidemark/internal/fhirjson"
	"tidemark/internal/r4"
	"tidemark/internal/search"
	"tidemark/internal/store"
)

// validate answers $validate: 200 with an OperationOutcome for good and for
// bad resources alike; nothing is stored.
func validate(ctx context.Context, s *Server, in *Interaction, p Params) (*Answer, error) {
	if err := p.only("resource", "mode", "profile"); err != nil {
		return nil, err
	}
	var g auth.Grant
	for _, a := range []auth.Action{auth.Create, auth.Update, auth.Read} {
		if g = in.Who.Grant(in.Type, a); g.Allowed() {
			break
		}
	}
	n := p.Resource("resource")
	mode := p.Text("mode")
	switch mode {
	case "", "create", "update", "delete", "profile":
	default:
		return nil, fault.New(fault.Invalid, "value", "mode is create, update, delete or profile, not %q.", mode)
	}
	if n == nil && in.ID != "" {
		v, err := s.current(ctx, in, store.Key{Type: in.Type, ID: in.ID}, auth.Read)
		if err != nil {
			return nil, err
		}
		if n, err = fhirjson.Parse(s.render(v)); err != nil {
			return nil, fault.Wrap(err, "read "+v.Key.String())
		}
	}
	if n == nil && mode == "delete" {
		return &Answer{Status: http.StatusOK, Resource: information("It may be deleted.").Bytes()}, nil
	}
	if n == nil {
		return nil, fault.New(fault.Invalid, "required", "Send the resource to be validated.")
	}
	if t := n.Str("resourceType"); t != in.Type {
		return &Answer{Status: http.StatusOK, Resource: outcome(fault.At(fault.Invalid, "invalid", "resourceType", "The resource is a %q, the URL names %s.", t, in.Type), in.Request).Bytes()}, nil
	}
	var issues []fault.Issue
	if err := s.ward.Validate(ctx, n.Clone(), only(g)); err != nil {
		e := fault.Of(err)
		if e.Kind != fault.Invalid && e.Kind != fault.Rule {
			return nil, err
		}
		issues = append(issues, e.Issues...)
	}
	if url := p.Text("profile"); url != "" {
		l, err := s.conforms(n, url)
		if err != nil {
			return nil, err
		}
		issues = append(issues, l.Issues...)
	}
	if len(issues) == 0 {
		return &Answer{Status: http.StatusOK, Resource: information("The resource is valid.").Bytes()}, nil
	}
	return &Answer{Status: http.StatusOK, Resource: outcomeOf(issues).Bytes()}, nil
}

// conforms validates a resource by a profile that the service holds: one of its
// own, or R4's definition of a type, by which everything is validated anyway.
func (s *Server) conforms(n *fhirjson.Node, url string) (*fault.List, error) {
	base, version, versioned := strings.Cut(url, "|")
	typ, published := strings.CutPrefix(base, "http://hl7.org/fhir/StructureDefinition/")
	if !published || !r4.IsType(typ) && typ != "Resource" && typ != "DomainResource" {
		return s.conformance.Conforms(n, url)
	}
	var l fault.List
	own := n.Str("resourceType")
	switch {
	case versioned && version != "4.0.1" && version != "4.0":
		return nil, fault.New(fault.NotFound, "not-found", "The definitions held here are those of FHIR 4.0.1, not of %s.", version)
	case typ != own && typ != "Resource" && (typ != "DomainResource" || slices.Contains([]string{"Bundle", "Binary", "Parameters"}, own)):
		l.Add("structure", own, "The profile %s is one of %s; the resource is a %s.", base, typ, own)
	}
	return &l, nil
}

// everything answers $everything: the instance, all of its compartment, and
// what these refer to, page by page.
func everything(ctx context.Context, s *Server, in *Interaction, p Params) (*Answer, error) {
	if err := p.only("start", "end", "_since", "_type", "_count", search.CursorParam); err != nil {
		return nil, err
	}
	root, err := s.current(ctx, in, store.Key{Type: in.Type, ID: in.ID}, auth.Read)
	if err != nil {
		return nil, err
	}
	wanted := p.All("_type")
	for _, t := range wanted {
		if types[t] == absent {
			return nil, fault.New(fault.Invalid, "not-supported", "_type names %q, which is not kept here.", t)
		}
	}
	var matches []store.Version
	if len(wanted) == 0 || slices.Contains(wanted, in.Type) {
		matches = append(matches, root)
	}
	for _, t := range search.Compartments(in.Type) {
		if types[t] != full && types[t] != derived || len(wanted) > 0 && !slices.Contains(wanted, t) {
			continue
		}
		g, err := in.grant(t, auth.Search|auth.Read)
		if err != nil {
			continue // what the caller may not read is not part of his everything
		}
		var pairs []search.Pair
		if d := search.PrimaryDate(t); d != "" {
			if v := p.Text("start"); v != "" {
				pairs = append(pairs, search.Pair{Name: d, Value: "ge" + v})
			}
			if v := p.Text("end"); v != "" {
				pairs = append(pairs, search.Pair{Name: d, Value: "le" + v})
			}
		}
		if v := p.Text("_since"); v != "" {
			pairs = append(pairs, search.Pair{Name: "_lastUpdated", Value: "ge" + v})
		}
		q, _, err := search.ParseQuery(t, pairs, s.parseOptions(true))
		if err != nil {
			return nil, err
		}
		q.Where = append(q.Where, search.InCompartment(in.Type, in.ID))
		q.Within, q.Count = s.within(t, g), store.MaxPage
		for {
			page, err := s.store.Search(ctx, q)
			if err != nil {
				return nil, err
			}
			for _, v := range page.Matches {
				if v.Key != root.Key {
					matches = append(matches, v)
				}
			}
			if len(matches) > maxEverything {
				return nil, fault.New(fault.Invalid, "too-costly", "More than %d resources; narrow with _type, _since, start and end, or use $export.", maxEverything)
			}
			if page.Next == "" {
				break
			}
			q.Cursor = page.Next
		}
	}
	var also []search.Include
	for _, t := range []string{"Observation", "Encounter", "DeviceUseStatement", "Device", "DetectedIssue"} {
		also = append(also, search.Include{Source: t, Param: "*"})
	}
	more, _, err := s.included(ctx, in, matches, search.Control{Includes: also}, shown(matches))
	if err != nil {
		return nil, err
	}
	var entries []rawEntry
	for _, v := range matches {
		e, _ := s.matchEntry(ctx, v, "match", search.Control{})
		entries = append(entries, e)
	}
	for _, v := range more {
		if len(wanted) > 0 && !slices.Contains(wanted, v.Type) {
			continue
		}
		e, _ := s.matchEntry(ctx, v, "include", search.Control{})
		entries = append(entries, e)
	}
	b := fhirjson.Obj("resourceType", "Bundle", "type", "searchset", "total", len(matches),
		"link", fhirjson.Arr(link("self", s.base+"/"+in.Type+"/"+in.ID+"/$everything", in.Query, "")))
	return &Answer{Status: http.StatusOK, Resource: bundleBytes(b, entries)}, nil
}

// maxEverything bounds $everything, which answers on one page.
const maxEverything = 10000

// meta answers $meta for an instance.
func meta(ctx context.Context, s *Server, in *Interaction, p Params) (*Answer, error) {
	v, err := s.current(ctx, in, store.Key{Type: in.Type, ID: in.ID}, auth.Read)
	if err != nil {
		return nil, err
	}
	n, err := fhirjson.Parse(s.render(v))
	if err != nil {
		return nil, fault.Wrap(err, "read "+v.Key.String())
	}
	return metaAnswer(n.Get("meta")), nil
}

func metaAnswer(m *fhirjson.Node) *Answer {
	return &Answer{Status: http.StatusOK, Resource: fhirjson.Obj("resourceType", "Parameters",
		"parameter", fhirjson.Arr(fhirjson.Obj("name", "return", "valueMeta", m))).Bytes()}
}

func metaAdd(ctx context.Context, s *Server, in *Interaction, p Params) (*Answer, error) {
	return s.changeMeta(ctx, in, p, func(list []*fhirjson.Node, x *fhirjson.Node) []*fhirjson.Node {
		if slices.ContainsFunc(list, func(o *fhirjson.Node) bool { return sameMeta(o, x) }) {
			return list
		}
		return append(list, x)
	})
}

func metaDelete(ctx context.Context, s *Server, in *Interaction, p Params) (*Answer, error) {
	return s.changeMeta(ctx, in, p, func(list []*fhirjson.Node, x *fhirjson.Node) []*fhirjson.Node {
		return slices.DeleteFunc(slices.Clone(list), func(o *fhirjson.Node) bool { return sameMeta(o, x) })
	})
}

// sameMeta compares profiles by text, tags and labels by system and code.
func sameMeta(a, b *fhirjson.Node) bool {
	if a.Kind == fhirjson.String || b.Kind == fhirjson.String {
		return a.Kind == b.Kind && a.Text == b.Text
	}
	return a.Str("system") == b.Str("system") && a.Str("code") == b.Str("code")
}

// changeMeta writes a new version with changed profiles, tags and labels.
func (s *Server) changeMeta(ctx context.Context, in *Interaction, p Params, change func(list []*fhirjson.Node, x *fhirjson.Node) []*fhirjson.Node) (*Answer, error) {
	if err := p.only("meta"); err != nil {
		return nil, err
	}
	m := p.Node("meta")
	if m == nil || m.Kind != fhirjson.Object {
		return nil, fault.New(fault.Invalid, "required", "Send the parameter meta with a valueMeta.")
	}
	if err := offered(in.Type, in.Special, full); err != nil {
		return nil, err
	}
	v, err := s.current(ctx, in, store.Key{Type: in.Type, ID: in.ID}, auth.Update)
	if err != nil {
		return nil, err
	}
	n, err := fhirjson.Parse(s.render(v))
	if err != nil {
		return nil, fault.Wrap(err, "read "+v.Key.String())
	}
	mine := n.Get("meta")
	for _, name := range []string{"profile", "tag", "security"} {
		list := mine.Each(name)
		for _, x := range m.Each(name) {
			list = change(list, x)
		}
		if len(list) == 0 {
			mine.Delete(name)
		} else {
			mine.Set(name, &fhirjson.Node{Kind: fhirjson.Array, Items: list})
		}
	}
	put := *in
	put.Verb, put.Special, put.Body, put.Query = http.MethodPut, "", n, nil
	if put.IfMatch == "" {
		put.IfMatch = versionTag(v.Number)
	}
	put.Prefer = Prefer{Return: "representation"}
	a, err := s.update(ctx, &put)
	in.audit = put.audit
	if err != nil {
		return nil, err
	}
	out, err := fhirjson.Parse(a.Resource)
	if err != nil {
		return nil, fault.Wrap(err, "read an answer")
	}
	return metaAnswer(out.Get("meta")), nil
}
