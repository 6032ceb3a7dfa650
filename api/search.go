package api

import (
	"context"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"tidemark/internal/auth"
	"tidemark/internal/budget"
	"tidemark/internal/fault"
	"tidemark/internal/fhirjson"
	"tidemark/internal/r4"
	"tidemark/internal/search"
	"tidemark/internal/store"
)

const (
	// maxIncludes bounds what _include and _revinclude may add to a page.
	maxIncludes = 1000
	// countLimit is how far a total is counted when nobody asked for an
	// accurate one: beyond, it is left out.
	countLimit = 1000
)

func (s *Server) parseOptions(strict bool) search.ParseOptions {
	return search.ParseOptions{Base: s.base, Zone: s.zone(), Strict: strict, Expand: s.expand, Now: s.ward.Now()}
}

// search answers GET and POST searches.
func (s *Server) search(ctx context.Context, in *Interaction) (*Answer, error) {
	what := "search-type"
	if in.Type == "" {
		what = "search-system"
	}
	in.audit.is(what, "E", in.Type)
	in.audit.query(in.Query)
	if in.Verb != http.MethodGet && (in.Verb != http.MethodPost || in.Special != "_search") {
		return nil, fault.New(fault.Method, "not-supported", "%s is not offered here.", in.Verb)
	}
	if in.Type == "" {
		return s.searchSystem(ctx, in)
	}
	return s.searchWhere(ctx, in, "/"+in.Type, nil)
}

// searchWhere runs a search on the interaction's type with extra clauses,
// which a compartment sets.
func (s *Server) searchWhere(ctx context.Context, in *Interaction, path string, extra []search.Clause) (*Answer, error) {
	if types[in.Type] == access {
		return s.searchAudit(ctx, in, path, extra)
	}
	g, err := in.grant(in.Type, auth.Search)
	if err != nil {
		return nil, err
	}
	q, ctl, err := search.ParseQuery(in.Type, in.Query, s.parseOptions(in.Prefer.Strict))
	if err != nil {
		return nil, err
	}
	q.Where = append(q.Where, extra...)
	q.Within = s.within(in.Type, g)
	if err := s.resolve(ctx, in, &q); err != nil {
		return nil, err
	}
	if types[in.Type] == constant {
		return s.searchConformance(ctx, in, q, ctl)
	}
	return s.searchset(ctx, in, path, []search.Query{q}, ctl)
}

// searchset is the Bundle of a search, whose queries differ in their type.
func (s *Server) searchset(ctx context.Context, in *Interaction, path string, queries []search.Query, ctl search.Control) (_ *Answer, err error) {
	cursor := queries[0].Cursor
	total := -1
	counting := ctl.Summary == "count"
	switch {
	case counting || ctl.Total == "accurate":
		if total, err = s.count(ctx, queries, 0); err != nil {
			return nil, err
		}
	case ctl.Total == "none":
	case cursor == "":
		if total, err = s.count(ctx, queries, countLimit); err != nil {
			return nil, err
		}
		if total > countLimit {
			total = -1
		}
	}
	used := ctl.Used
	b := fhirjson.Obj("resourceType", "Bundle", "type", "searchset")
	if total >= 0 {
		b.Set("total", fhirjson.Num(strconv.Itoa(total)))
	}
	var entries []rawEntry
	next := ""
	if !counting {
		page, err := s.page(ctx, queries)
		if err != nil {
			return nil, err
		}
		next = page.Next
		if entries, err = s.matches(ctx, in, page.Matches, ctl); err != nil {
			return nil, err
		}
	}
	links, err := s.pageLinks(ctx, in, s.base+path, used, next)
	if err != nil {
		return nil, err
	}
	b.Set("link", links)
	if w := ignoredOutcome(ctl.Ignored); w != nil {
		entries = append(entries, rawEntry{resource: w.Bytes(), tail: mode("outcome")})
	}
	return &Answer{Status: http.StatusOK, Resource: bundleBytes(b, entries)}, nil
}

func ignoredOutcome(names []string) *fhirjson.Node {
	if len(names) == 0 {
		return nil
	}
	var is []fault.Issue
	for _, n := range names {
		is = append(is, fault.Issue{Severity: fault.Warning, Code: "not-supported", Diagnostics: "The parameter " + n + " is not supported here and was ignored."})
	}
	return outcomeOf(is)
}

// unreadable is the error of a stored resource that cannot be parsed, or of a
// request that may parse no more.
func unreadable(err error, v store.Version) error {
	if fault.Is(err, fault.Rule) {
		return err
	}
	return fault.Wrap(err, "read "+v.Key.String())
}

func mode(m string) *fhirjson.Node { return fhirjson.Obj("search", fhirjson.Obj("mode", m)) }

// matches turns a page into entries and adds what it includes.
func (s *Server) matches(ctx context.Context, in *Interaction, page []store.Version, ctl search.Control) ([]rawEntry, error) {
	var out []rawEntry
	for _, v := range page {
		e, err := s.matchEntry(ctx, v, "match", ctl)
		if err != nil {
			return nil, err
		}
		out = append(out, e)
	}
	if len(ctl.Includes)+len(ctl.RevIncludes) == 0 {
		return out, nil
	}
	more, cut, err := s.included(ctx, in, page, ctl, shown(page))
	if err != nil {
		return nil, err
	}
	for _, v := range more {
		e, err := s.matchEntry(ctx, v, "include", ctl)
		if err != nil {
			return nil, err
		}
		out = append(out, e)
	}
	if cut {
		w := outcomeOf([]fault.Issue{{Severity: fault.Warning, Code: "too-costly", Diagnostics: "More than " + strconv.Itoa(maxIncludes) + " resources would be included; the rest was left out. Ask for smaller pages."}})
		out = append(out, rawEntry{resource: w.Bytes(), tail: mode("outcome")})
	}
	return out, nil
}

func (s *Server) matchEntry(ctx context.Context, v store.Version, m string, ctl search.Control) (rawEntry, error) {
	raw := s.render(v)
	if ctl.Summary != "" || len(ctl.Elements) > 0 {
		n, err := budget.Parse(ctx, raw)
		if err != nil {
			return rawEntry{}, unreadable(err, v)
		}
		if n, err = s.cut(n, ctl.Summary, ctl.Elements); err != nil {
			return rawEntry{}, err
		}
		raw = n.Bytes()
	}
	return rawEntry{head: fhirjson.Obj("fullUrl", s.base+"/"+v.Key.String()), resource: raw, tail: mode(m)}, nil
}

// included follows _include and _revinclude once, or repeatedly with :iterate. Each
// resource is checked against the caller's rights.
func (s *Server) included(ctx context.Context, in *Interaction, page []store.Version, ctl search.Control, seen map[target]bool) (out []store.Version, cut bool, err error) {
	from := page
	for round := 0; len(from) > 0 && round < 5; round++ {
		var fresh []store.Version
		add := func(v store.Version) {
			if at := (target{v.Key, v.Number}); !seen[at] {
				seen[at] = true
				fresh = append(fresh, v)
			}
		}
		for _, v := range from {
			var doc *search.Doc // once for all includes
			for _, inc := range ctl.Includes {
				if inc.Source != v.Type && inc.Source != "*" || round > 0 && !inc.Iterate {
					continue
				}
				if doc == nil {
					n, err := budget.Parse(ctx, v.Body.JSON)
					if err != nil {
						return nil, false, unreadable(err, v)
					}
					d := search.Extract(n, s.extract)
					doc = &d
				}
				for _, to := range includeTargets(*doc, inc) {
					if len(out)+len(fresh) >= maxIncludes {
						return append(out, fresh...), true, nil
					}
					if seen[to] || types[to.Type] != full && types[to.Type] != derived {
						continue
					}
					tv, err := s.referenced(ctx, in, to)
					seen[target{to.Key, 0}] = seen[target{to.Key, 0}] || to.version == 0
					if err != nil {
						if k := fault.Of(err).Kind; k == fault.NotFound || k == fault.Gone || k == fault.Forbidden {
							continue
						}
						return nil, false, err
					}
					if err := budget.Bytes(ctx, len(tv.Body.JSON)); err != nil {
						return nil, false, err
					}
					add(tv)
				}
			}
		}
		for _, inc := range ctl.RevIncludes {
			if round > 0 && !inc.Iterate {
				continue
			}
			vs, more, err := s.revincluded(ctx, in, from, inc, maxIncludes-len(out)-len(fresh))
			if err != nil {
				return nil, false, err
			}
			for _, v := range vs {
				add(v)
			}
			if more {
				return append(out, fresh...), true, nil
			}
		}
		out = append(out, fresh...)
		from = fresh
	}
	return out, false, nil
}

// shown marks versions as part of the answer, both by version and by resource.
func shown(page []store.Version) map[target]bool {
	seen := map[target]bool{}
	for _, v := range page {
		seen[target{v.Key, v.Number}], seen[target{v.Key, 0}] = true, true
	}
	return seen
}

// target is what a match names, in one version when version is not 0.
type target struct {
	store.Key
	version int64
}

// includeTargets are the resources that a match names in the parameter.
func includeTargets(d search.Doc, inc search.Include) []target {
	names := []string{inc.Param}
	if inc.Param == "*" {
		names = nil
		for _, p := range search.Params(d.Type) {
			if p.Kind == search.Reference {
				names = append(names, p.Name)
			}
		}
	}
	var out []target
	for _, name := range names {
		for _, ref := range d.Targets(name) {
			typ, id, ok := cutRef(ref.Ref)
			n, _ := etag(ref.Version)
			if k := (target{store.Key{Type: typ, ID: id}, n}); ok && (inc.Target == "" || inc.Target == typ) && !slices.Contains(out, k) {
				out = append(out, k)
			}
		}
	}
	return out
}

// referenced reads what a reference names; R4 asks for the version if it names one.
func (s *Server) referenced(ctx context.Context, in *Interaction, t target) (store.Version, error) {
	v, err := s.current(ctx, in, t.Key, auth.Read)
	if err != nil || t.version == 0 || t.version == v.Number {
		return v, err
	}
	return s.versionOf(ctx, in, t.Key, t.version)
}

// cutRef splits a relative reference.
func cutRef(ref string) (typ, id string, ok bool) {
	for i := 0; i < len(ref); i++ {
		if ref[i] == '/' {
			typ, id = ref[:i], ref[i+1:]
			return typ, id, r4.IsType(typ) && fhirjson.IsID(id)
		}
	}
	return "", "", false
}

// revincluded finds resources that refer to the matches.
func (s *Server) revincluded(ctx context.Context, in *Interaction, from []store.Version, inc search.Include, room int) ([]store.Version, bool, error) {
	if inc.Target != "" {
		from = slices.DeleteFunc(slices.Clone(from), func(v store.Version) bool { return v.Type != inc.Target })
	}
	if len(from) == 0 || types[inc.Source] != full && types[inc.Source] != derived {
		return nil, false, nil
	}
	g, err := in.grant(inc.Source, auth.Search|auth.Read)
	if err != nil {
		return nil, false, nil // what the caller may not read is not included
	}
	c := search.Clause{Param: inc.Param, Kind: search.Reference}
	for _, v := range from {
		c.Values = append(c.Values, search.Value{Raw: v.Key.String(), Ref: v.Key.String()})
	}
	q := search.Query{Type: inc.Source, Where: []search.Clause{c}, Within: s.within(inc.Source, g), Count: min(room+1, store.MaxPage)}
	page, err := s.store.Search(ctx, q)
	if err != nil {
		return nil, false, err
	}
	if len(page.Matches) > room {
		return page.Matches[:room], true, nil
	}
	return page.Matches, page.Next != "", nil
}

// finder lets chained parameters look resources up with the caller's rights.
type finder struct {
	s  *Server
	in *Interaction
}

func (f finder) IDs(ctx context.Context, q search.Query, limit int) ([]string, error) {
	found, err := f.find(ctx, q, limit)
	var ids []string
	for _, v := range found {
		ids = append(ids, v.ID)
	}
	return ids, err
}

// Refs serves _has.
func (f finder) Refs(ctx context.Context, q search.Query, param string, limit int) ([]string, error) {
	found, err := f.find(ctx, q, limit)
	if err != nil {
		return nil, err
	}
	var refs []string
	for _, v := range found {
		n, err := budget.Parse(ctx, v.Body.JSON)
		if err != nil {
			return nil, unreadable(err, v)
		}
		for _, r := range search.Extract(n, f.s.extract).Refs(param) {
			if !slices.Contains(refs, r) {
				refs = append(refs, r)
			}
		}
	}
	return refs, nil
}

// find gathers up to limit matches that the caller may search.
func (f finder) find(ctx context.Context, q search.Query, limit int) ([]store.Version, error) {
	g, err := f.in.grant(q.Type, auth.Search)
	if err != nil {
		return nil, err
	}
	if err := f.s.unambiguous(ctx, f.in, q); err != nil {
		return nil, err
	}
	q.Within = f.s.within(q.Type, g)
	var out []store.Version
	for {
		q.Count = min(limit-len(out), store.MaxPage)
		page, err := f.s.store.Search(ctx, q)
		if err != nil {
			return nil, err
		}
		out = append(out, page.Matches...)
		if page.Next == "" || len(out) >= limit {
			return out, nil
		}
		q.Cursor = page.Next
	}
}

// expand gives the codes of one of the service's own value sets, for :in.
func (s *Server) expand(canonical string) ([]search.Coding, error) {
	return s.conformance.Expand(canonical)
}

func (s *Server) resolve(ctx context.Context, in *Interaction, q *search.Query) error {
	if err := s.unambiguous(ctx, in, *q); err != nil {
		return err
	}
	return search.Resolve(ctx, q, finder{s, in})
}

// unambiguous refuses a reference by id alone if two types have that id and the caller
// may see both: R4 has servers fail such a search.
func (s *Server) unambiguous(ctx context.Context, in *Interaction, q search.Query) error {
	for _, c := range q.Where {
		asked := map[string]bool{}
		for _, v := range c.Values {
			if !v.Untyped || asked[v.Raw] {
				continue
			}
			asked[v.Raw] = true
			p, _ := search.Lookup(q.Type, c.Param)
			var found []string
			for _, t := range typeNames(full, derived) {
				if p.Targets != nil && !slices.Contains(p.Targets, t) {
					continue
				}
				_, err := s.current(ctx, in, store.Key{Type: t, ID: v.Raw}, auth.Read)
				switch {
				case err == nil:
					found = append(found, t+"/"+v.Raw)
				case !fault.Is(err, fault.NotFound) && !fault.Is(err, fault.Gone) && !fault.Is(err, fault.Forbidden):
					return err
				}
			}
			if len(found) > 1 {
				return fault.New(fault.Invalid, "multiple-matches", "%s=%s may mean %s; write which one.", c.Param, v.Raw, strings.Join(found, " or "))
			}
		}
	}
	return nil
}

// compartment answers [base]/Patient/1/Observation and its like.
func (s *Server) compartment(ctx context.Context, in *Interaction) (*Answer, error) {
	owner, id, typ := in.Type, in.ID, in.Special
	holds := slices.DeleteFunc(search.Compartments(owner), func(t string) bool { return types[t] != full && types[t] != derived })
	what := "search-type"
	if typ == everyType {
		what = "search-system"
	}
	in.audit.is(what, "E", strings.TrimSuffix(typ, everyType))
	in.audit.query(in.Query)
	switch {
	case typ == everyType && len(holds) == 0:
		return nil, fault.New(fault.NotFound, "not-found", "There is no %s compartment here.", owner)
	case typ != everyType && !slices.Contains(search.Compartments(owner), typ):
		return nil, fault.New(fault.NotFound, "not-found", "The %s compartment holds no %s here.", owner, typ)
	case in.Verb != http.MethodGet && in.Verb != http.MethodPost:
		return nil, fault.New(fault.Method, "not-supported", "A compartment is searched with GET.")
	}
	if _, err := s.current(ctx, in, store.Key{Type: owner, ID: id}, auth.Read); err != nil {
		return nil, err
	}
	path, inside := "/"+owner+"/"+id+"/"+typ, []search.Clause{search.InCompartment(owner, id)}
	in.Type, in.ID, in.Special = typ, "", "_search"
	if typ == everyType {
		in.Type = ""
		return s.searchTypes(ctx, in, path, holds, inside)
	}
	return s.searchWhere(ctx, in, path, inside)
}

// everyType stands for all types of a compartment in a path.
const everyType = "*"
