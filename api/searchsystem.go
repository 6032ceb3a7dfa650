package api

import (
	"context"
	"slices"
	"strings"

	"tidemark/internal/auth"
	"tidemark/internal/budget"
	"tidemark/internal/fault"
	"tidemark/internal/search"
	"tidemark/internal/store"
)

// systemSearch is what /fhir/metadata and the OpenAPI document say of it.
const systemSearch = "GET [base]?_type=A,B&… and POST [base]/_search over the types that are kept as resources (not AuditEvent, nor those that are part of the service), with parameters and sort keys that all of the named types have, alike in name and kind. Without _type: all types that the token may search. A named type that the token may not search is refused with 403. Without _sort the matches of one type follow those of another."

// searchSystem answers [base]?_type=A,B&… and [base]?…: one search over
// several types.
func (s *Server) searchSystem(ctx context.Context, in *Interaction) (*Answer, error) {
	return s.searchTypes(ctx, in, "", typeNames(full, derived), nil)
}

// searchTypes searches those of the types that _type names, or all; extra
// clauses are those of a compartment.
func (s *Server) searchTypes(ctx context.Context, in *Interaction, path string, of []string, extra []search.Clause) (*Answer, error) {
	named, pairs, err := typesOf(in.Query)
	if err != nil {
		return nil, err
	}
	var searched []string
	var grants []auth.Grant
	if named != nil {
		// A type asked for by name must not look empty because it is refused.
		for _, t := range named {
			if !slices.Contains(of, t) {
				return nil, fault.New(fault.Invalid, "value", "There is no %s here; _type may name %s.", t, strings.Join(of, ", "))
			}
			g, err := in.grant(t, auth.Search)
			if err != nil {
				return nil, err
			}
			searched, grants = append(searched, t), append(grants, g)
		}
	} else {
		for _, t := range of {
			if g, err := in.grant(t, auth.Search); err == nil {
				searched, grants = append(searched, t), append(grants, g)
			}
		}
		if len(searched) == 0 {
			return nil, fault.New(fault.Forbidden, "forbidden", "A search over all types needs a scope such as user/*.s, or one that holds s for a type at least.")
		}
	}
	queries, ctl, err := search.ParseCommon(searched, pairs, s.parseOptions(in.Prefer.Strict))
	if err != nil {
		return nil, err
	}
	for i := range queries {
		queries[i].Where = append(queries[i].Where, extra...)
		queries[i].Within = s.within(searched[i], grants[i])
		if err := s.resolve(ctx, in, &queries[i]); err != nil {
			return nil, err
		}
	}
	if named != nil {
		ctl.Used = append([]search.Pair{{Name: "_type", Value: strings.Join(named, ",")}}, ctl.Used...)
	}
	return s.searchset(ctx, in, path, queries, ctl)
}

// typesOf reads _type and returns the other parameters; types is nil without _type.
// Repeated, like any parameter, both must match.
func typesOf(query []search.Pair) (named []string, rest []search.Pair, err error) {
	var faults fault.List
	for _, p := range query {
		name, modifier, modified := strings.Cut(p.Name, ":")
		switch {
		case name != "_type" || p.Value == "":
			rest = append(rest, p)
			continue
		case modified:
			faults.Add("not-supported", "", "_type takes no modifier %q; name the types that you want.", modifier)
			continue
		}
		var these []string
		for _, t := range splitComma(p.Value) {
			switch types[t] {
			case full, derived:
				if !slices.Contains(these, t) {
					these = append(these, t)
				}
			case access, constant:
				faults.Add("not-supported", "", "%s is not part of a search over several types; search it alone.", t)
			default:
				faults.Add("not-supported", "", "_type=%q: this service keeps no such resources; it searches %s.", t, strings.Join(typeNames(full, derived), ", "))
			}
		}
		if len(these) == 0 && !faults.Failed() {
			faults.Add("value", "", "_type takes types with commas between, such as Observation,Device.")
		}
		if named != nil {
			these = slices.DeleteFunc(these, func(t string) bool { return !slices.Contains(named, t) })
			if len(these) == 0 && !faults.Failed() {
				faults.Add("value", "", "No type stands in each _type; write them into one, with commas between.")
			}
		}
		named = these
	}
	return named, rest, faults.As(fault.Invalid)
}

// count adds up the matches of the queries; it stops above a positive limit.
func (s *Server) count(ctx context.Context, queries []search.Query, limit int) (int, error) {
	total := 0
	for _, q := range queries {
		room := 0
		if limit > 0 {
			if room = limit - total; room <= 0 {
				room = 1 // one more is enough to be above the limit
			}
		}
		n, err := s.store.Count(ctx, q, room)
		if err != nil {
			return 0, err
		}
		if total += n; limit > 0 && total > limit {
			break
		}
	}
	return total, nil
}

// A position in the results of several queries is the position in each: empty if the
// query has not begun, done if it has no more, else its cursor.
const (
	between = "~"
	done    = "."
)

// page is one page of the queries, in the order of the types, or of the sort keys if
// there are any. Each match is seen exactly once; a concurrent write can at most move a
// resource relative to those of other types.
func (s *Server) page(ctx context.Context, queries []search.Query) (store.Page, error) {
	if len(queries) == 1 {
		return s.store.Search(ctx, queries[0])
	}
	at := make([]string, len(queries))
	if c := queries[0].Cursor; c != "" {
		if at = strings.Split(c, between); len(at) != len(queries) {
			return store.Page{}, fault.New(fault.Invalid, "value", "The page link does not belong to this search; follow the links of the response, or search again without it.")
		}
	}
	var out store.Page
	var err error
	if len(queries[0].Sort) == 0 {
		out.Matches, err = s.inTurn(ctx, queries, at)
	} else {
		out.Matches, err = s.merged(ctx, queries, at)
	}
	if err != nil {
		return store.Page{}, err
	}
	if slices.ContainsFunc(at, func(c string) bool { return c != done }) {
		out.Next = strings.Join(at, between)
	}
	return out, nil
}

// inTurn takes the matches type by type, and advances at.
func (s *Server) inTurn(ctx context.Context, queries []search.Query, at []string) ([]store.Version, error) {
	var out []store.Version
	room := queries[0].Count
	for i, q := range queries {
		if at[i] == done {
			continue
		}
		if room == 0 {
			// The page is full: is there more?
			if n, err := s.store.Count(ctx, q, 1); err != nil || n > 0 {
				return out, err
			}
			at[i] = done
			continue
		}
		q.Cursor, q.Count = at[i], room
		p, err := s.store.Search(ctx, q)
		if err != nil {
			return nil, err
		}
		out, room = append(out, p.Matches...), room-len(p.Matches)
		if at[i] = p.Next; at[i] == "" {
			at[i] = done
		} else {
			return out, nil
		}
	}
	return out, nil
}

// merged takes matches of all types in the order of the sort keys, and advances at. A
// first search of each type shows how many of its matches the page takes; if fewer than
// were found, a second search for that many gives the cursor, and its matches are used.
func (s *Server) merged(ctx context.Context, queries []search.Query, at []string) ([]store.Version, error) {
	count := queries[0].Count
	runs := make([]sorted, len(queries))
	look := func(i, count int) (string, error) {
		q := queries[i]
		q.Cursor, q.Count = at[i], count
		p, err := s.store.Search(ctx, q)
		if err != nil {
			return "", err
		}
		runs[i], err = s.sorted(ctx, p.Matches)
		if p.Next == "" {
			p.Next = done
		}
		return p.Next, err
	}
	next := make([]string, len(queries))
	for i := range queries {
		if next[i] = at[i]; at[i] == done {
			continue
		}
		var err error
		if next[i], err = look(i, count); err != nil {
			return nil, err
		}
	}
	_, taken := merge(queries[0], runs, count)
	for i, n := range taken {
		switch {
		case n == len(runs[i].versions):
			at[i] = next[i]
		case n == 0:
			runs[i] = sorted{}
		default:
			behind, err := look(i, n)
			if err != nil {
				return nil, err
			}
			at[i] = behind
		}
	}
	out, _ := merge(queries[0], runs, count)
	return out, nil
}

// sorted are matches of one type in order, with what they are sorted by.
type sorted struct {
	versions []store.Version
	docs     []search.Doc
}

func (s *Server) sorted(ctx context.Context, versions []store.Version) (sorted, error) {
	out := sorted{versions: versions}
	for _, v := range versions {
		n, err := budget.Parse(ctx, v.Body.JSON)
		if err != nil {
			return out, unreadable(err, v)
		}
		d := search.Extract(n, s.extract)
		d.Type, d.ID, d.LastUpdated = v.Type, v.ID, v.At
		out.docs = append(out.docs, d)
	}
	return out, nil
}

// merge gives the first of all runs, and how many come from each. Among equals
// the first run comes first.
func merge(order search.Query, runs []sorted, count int) (out []store.Version, taken []int) {
	taken = make([]int, len(runs))
	for len(out) < count {
		best := -1
		for i, r := range runs {
			if taken[i] < len(r.docs) && (best < 0 || order.Order(r.docs[taken[i]], runs[best].docs[taken[best]]) < 0) {
				best = i
			}
		}
		if best < 0 {
			break
		}
		out = append(out, runs[best].versions[taken[best]])
		taken[best]++
	}
	return out, taken
}
