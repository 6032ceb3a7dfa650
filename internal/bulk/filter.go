package bulk

import (
	"bytes"
	"slices"
	"strings"

	"tidemark/internal/auth"
	"tidemark/internal/fault"
	"tidemark/internal/fhirjson"
	"tidemark/internal/r4"
	"tidemark/internal/search"
	"tidemark/internal/store"
)

// filter says which resources of one type a job may and should hold, and in
// what form.
type filter struct {
	extract  search.ExtractOptions
	typ      string
	grant    []search.Query  // alternatives; nil: unrestricted
	patients map[string]bool // of the group; nil: everybody
	anyone   bool            // must belong to some patient
	queries  []search.Query  // of _typeFilter; nil: all
	elements []string
	redact   func(*fhirjson.Node)
}

// Right is what $export asks of the scopes, for each type that it holds.
var Right = auth.Need{Actions: auth.Read | auth.Search, Levels: auth.User | auth.System}

// newFilter makes the filter of a type; ok is false when the scopes do not
// open the type.
func newFilter(j *Job, typ string, o *Options) (f filter, ok bool, err error) {
	f = filter{extract: o.Extract, typ: typ, elements: j.Request.Elements, anyone: j.Request.Level == OfPatients}
	g := j.Owner.principal().Meets(Right, typ)
	if !g.Allowed() {
		return f, false, nil
	}
	opts := search.ParseOptions{Base: o.Extract.Base, Zone: o.Extract.Zone, Now: j.Time, Expand: o.Expand}
	if !g.Unrestricted() {
		f.grant = queriesOf(g, typ, opts)
	}
	if j.Members != nil {
		f.patients = make(map[string]bool, len(j.Members))
		for _, id := range j.Members {
			f.patients[id] = true
		}
	}
	for _, text := range j.Request.Filters {
		q, err := parseFilter(text, opts)
		if err != nil {
			return f, false, err
		}
		if q.Type == typ {
			f.queries = append(f.queries, q)
		}
	}
	if typ == "Subscription" {
		f.redact = o.Redact
	}
	return f, true, nil
}

// queriesOf turns the alternatives of a grant into queries. One that cannot be
// evaluated matches nothing, and is left out.
func queriesOf(g auth.Grant, typ string, opts search.ParseOptions) []search.Query {
	out := []search.Query{}
	for _, alternative := range g.Alternatives {
		if alternative.Patient != "" {
			continue // no export by patient scopes
		}
		if q, err := parseFilter(typ+"?"+alternative.Query, opts); err == nil {
			out = append(out, q)
		}
	}
	return out
}

// plain reports whether every resource passes as it is stored.
func (f *filter) plain() bool {
	return f.grant == nil && f.patients == nil && !f.anyone && f.queries == nil && f.elements == nil && f.redact == nil
}

// line is the resource as a line of NDJSON without its end; ok is false when
// it does not belong to the export.
func (f *filter) line(v store.Version) (line []byte, ok bool, err error) {
	if f.plain() {
		return v.JSON(), true, nil
	}
	if !f.mayHold(v) {
		return nil, false, nil
	}
	n, err := fhirjson.Parse(v.JSON())
	if err != nil {
		return nil, false, fault.Wrap(err, "read "+v.Key.String())
	}
	if !f.admits(n, v) {
		return nil, false, nil
	}
	if f.redact != nil {
		f.redact(n)
	}
	if f.elements != nil {
		n = r4.Elements(n, f.elements)
	}
	return n.Bytes(), true, nil
}

// mayHold looks for a member's reference in the bytes, which spares most
// resources of a small group the reading.
func (f *filter) mayHold(v store.Version) bool {
	if f.patients == nil || v.Type == "Patient" {
		return f.patients == nil || f.patients[v.ID]
	}
	const mark = "Patient/"
	for rest := v.Body.JSON; ; {
		i := bytes.Index(rest, []byte(mark))
		if i < 0 {
			return false
		}
		rest = rest[i+len(mark):]
		end := bytes.IndexAny(rest, `"/#?`)
		if end > 0 && f.patients[string(rest[:end])] {
			return true
		}
	}
}

func (f *filter) admits(n *fhirjson.Node, v store.Version) bool {
	d := search.Extract(n, f.extract)
	d.LastUpdated = v.At
	match := func(q search.Query) bool { return q.Match(d) }
	if f.grant != nil && !slices.ContainsFunc(f.grant, match) {
		return false
	}
	if f.queries != nil && !slices.ContainsFunc(f.queries, match) {
		return false
	}
	if f.patients == nil && !f.anyone {
		return true
	}
	return slices.ContainsFunc(d.Refs(search.Compartment), func(ref string) bool {
		id, ok := strings.CutPrefix(ref, "Patient/")
		return ok && (f.patients == nil || f.patients[id])
	})
}
