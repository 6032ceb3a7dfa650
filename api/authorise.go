package api

import (
	"context"
	"strings"

	"tidemark/internal/auth"
	"tidemark/internal/fault"
	"tidemark/internal/fhirdate"
	"tidemark/internal/fhirjson"
	"tidemark/internal/search"
	"tidemark/internal/store"
)

// Rights are decided here and nowhere else: a search is narrowed by within, a
// single resource is tested by permits. Both rest on auth.Principal.Grant.

// grant is what the caller may do with resources of the type; an error when
// the scopes do not cover the type at all.
func (in *Interaction) grant(typ string, a auth.Action) (auth.Grant, error) {
	if in.Who == nil {
		return auth.Grant{}, fault.New(fault.Unauthenticated, "login", "Send a bearer token in the Authorization header.")
	}
	g := in.Who.Grant(typ, a)
	if !g.Allowed() {
		return g, auth.Missing(typ, a)
	}
	return g, nil
}

// clauses turns one alternative of a grant into search clauses. A constraint
// that cannot be evaluated matches nothing: ok is false.
func (s *Server) clauses(typ string, f auth.Filter) ([]search.Clause, bool) {
	var out []search.Clause
	if f.Patient != "" {
		out = append(out, search.InCompartment("Patient", f.Patient))
	}
	if f.Query != "" {
		pairs, err := search.ParsePairs(f.Query)
		if err != nil {
			return nil, false
		}
		q, _, err := search.ParseQuery(typ, pairs, s.parseOptions(true))
		if err != nil {
			return nil, false
		}
		out = append(out, q.Where...)
	}
	return out, true
}

// within is the restriction of a search to what the grant lets through; nil
// without a restriction.
func (s *Server) within(typ string, g auth.Grant) [][]search.Clause {
	if g.Unrestricted() {
		return nil
	}
	var out [][]search.Clause
	for _, f := range g.Alternatives {
		if cs, ok := s.clauses(typ, f); ok {
			out = append(out, cs)
		}
	}
	if len(out) == 0 {
		out = append(out, []search.Clause{nothing})
	}
	return out
}

// permits reports whether the grant lets a resource through.
func (s *Server) permits(typ string, g auth.Grant, doc search.Doc) bool {
	return g.Matches(func(f auth.Filter) bool {
		cs, ok := s.clauses(typ, f)
		return ok && search.Query{Type: typ, Where: cs}.Match(doc)
	})
}

// mayWrite refuses a change of a resource that lies outside the grant; what it
// becomes and what it was are both asked about. Rights over one patient do not
// reach into the record of another, although R4 counts an Observation into the
// compartment of its performer as well.
func (s *Server) mayWrite(typ string, g auth.Grant, n *fhirjson.Node, a auth.Action) error {
	if g.Unrestricted() {
		return nil
	}
	doc := s.doc(n)
	doc.LastUpdated = s.ward.Now() // which it will have
	for _, f := range g.Alternatives {
		if (f.Patient == "" || !ofAnother(doc, f.Patient)) && s.permits(typ, auth.Grant{Alternatives: []auth.Filter{f}}, doc) {
			return nil
		}
	}
	e := auth.Missing(typ, a)
	e.Issues[0].Diagnostics += " The scopes of this token cover other resources of the type: compare their patient and codes."
	return e
}

// ofAnother reports whether the resource is about another patient than this.
func ofAnother(doc search.Doc, patient string) bool {
	for _, name := range []string{"patient", "subject"} {
		for _, ref := range doc.Refs(name) {
			if id, ok := strings.CutPrefix(ref, "Patient/"); ok && id != patient {
				return true
			}
		}
	}
	return false
}

// Permits is permitsTree for those who act for a caller: deliveries and
// exports.
func (s *Server) Permits(typ string, g auth.Grant, n *fhirjson.Node) bool {
	return g.Allowed() && s.permitsTree(typ, g, n)
}

// permitsTree is permits for a tree.
func (s *Server) permitsTree(typ string, g auth.Grant, n *fhirjson.Node) bool {
	return g.Unrestricted() || s.permits(typ, g, s.doc(n))
}

// doc is what searches see of a tree, with its time where it says one.
func (s *Server) doc(n *fhirjson.Node) search.Doc {
	d := search.Extract(n, s.extract)
	if t, err := fhirdate.Instant(n.Get("meta").Str("lastUpdated")); err == nil {
		d.LastUpdated = t
	}
	return d
}

// permitsVersion is permits for a stored version. A deletion is evaluated by the
// version before it, which the caller passes.
func (s *Server) permitsVersion(g auth.Grant, v store.Version) (bool, error) {
	if g.Unrestricted() {
		return true, nil
	}
	n, err := fhirjson.Parse(v.JSON())
	if err != nil {
		return false, fault.Wrap(err, "read "+v.Key.String())
	}
	ok := s.permitsTree(v.Type, g, n)
	if !ok {
		s.standIns.Store(v.Type, v.Key)
	}
	return ok, nil
}

// unknown is hidden for what is not there. To find that something is hidden
// takes work, so the same is done on another of the type: timing must not tell
// the two apart.
func (s *Server) unknown(ctx context.Context, g auth.Grant, key store.Key) error {
	if other, ok := s.standIns.Load(key.Type); ok && !g.Unrestricted() {
		if v, err := s.store.Read(ctx, other.(store.Key)); err == nil {
			_, _ = s.visible(ctx, g, v) // only the work counts
		}
	}
	return hidden(key)
}

// hidden is what a caller sees of a resource that exists and may not be seen:
// the same as of one that does not exist.
func hidden(key store.Key) error {
	return fault.New(fault.NotFound, "not-found", "No %s is known.", key)
}

// nothing is a clause without an alternative, which no resource matches.
var nothing = search.Clause{Param: "_id", Kind: search.Token}
