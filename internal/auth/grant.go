package auth

import (
	"slices"
	"strings"

	"tidemark/internal/fault"
)

// Filter is one way in which a resource may be reached. Both conditions must
// hold. For a write they must hold for the resource as it will be stored and,
// where there is one, for the version that it replaces.
type Filter struct {
	// Patient, where not empty, is the id of the one patient in whose
	// compartment the resource must be.
	Patient string
	// Query, where not empty, is a search query string, such as
	// "code=http://loinc.org|9203-1&status=final", that the resource must match.
	// Parameters are joined by AND, comma-separated values by OR. One that the
	// caller cannot evaluate matches nothing.
	Query string
}

// Grant says which resources of a type an action may touch: those that at least
// one alternative lets through. A search is narrowed to the OR of the
// alternatives; a single resource is tested with [Grant.Matches]. The zero
// value allows nothing.
type Grant struct{ Alternatives []Filter }

// Allowed reports whether anything at all may be reached.
func (g Grant) Allowed() bool { return len(g.Alternatives) > 0 }

// Unrestricted reports whether every resource of the type may be reached.
func (g Grant) Unrestricted() bool { return slices.Contains(g.Alternatives, Filter{}) }

// Matches reports whether some alternative matches. holds is called only for
// filters that restrict something.
func (g Grant) Matches(holds func(Filter) bool) bool {
	return g.Unrestricted() || slices.ContainsFunc(g.Alternatives, holds)
}

// Patient gives the id of the patient to whose compartment every alternative is
// restricted; false when some alternative reaches beyond one patient.
func (g Grant) Patient() (string, bool) {
	if !g.Allowed() {
		return "", false
	}
	id := g.Alternatives[0].Patient
	for _, f := range g.Alternatives {
		if f.Patient == "" || f.Patient != id {
			return "", false
		}
	}
	return id, true
}

// And gives what both grants let through.
func (g Grant) And(other Grant) Grant {
	if g.Unrestricted() {
		return other
	}
	if other.Unrestricted() {
		return g
	}
	// Alternatives in both are kept; only the rest is combined pair by pair.
	var out, ours, theirs []Filter
	for _, a := range g.Alternatives {
		if slices.Contains(other.Alternatives, a) {
			out = append(out, a)
		} else {
			ours = append(ours, a)
		}
	}
	for _, b := range other.Alternatives {
		if !slices.Contains(out, b) {
			theirs = append(theirs, b)
		}
	}
	for _, a := range ours {
		for _, b := range theirs {
			if a.Patient != "" && b.Patient != "" && a.Patient != b.Patient {
				continue
			}
			f := Filter{Patient: a.Patient, Query: a.Query}
			if f.Patient == "" {
				f.Patient = b.Patient
			}
			if f.Query == "" {
				f.Query = b.Query
			} else if b.Query != "" && b.Query != a.Query {
				f.Query += "&" + b.Query
			}
			out = append(out, f)
		}
	}
	return Grant{Alternatives: prune(out)}
}

// Covers reports whether g lets through all that other does, as far as the text
// of the two shows.
func (g Grant) Covers(other Grant) bool {
	for _, f := range other.Alternatives {
		if !slices.ContainsFunc(g.Alternatives, func(o Filter) bool { return wider(o, f) }) {
			return false
		}
	}
	return true
}

// wider reports whether a lets through all that b does, as far as the text of
// the two shows.
func wider(a, b Filter) bool {
	if a.Patient != "" && a.Patient != b.Patient {
		return false
	}
	if a.Query == "" || a.Query == b.Query {
		return true
	}
	have := strings.Split(b.Query, "&")
	for part := range strings.SplitSeq(a.Query, "&") {
		if !slices.Contains(have, part) {
			return false
		}
	}
	return true
}

// prune drops alternatives that another one makes needless.
func prune(in []Filter) []Filter {
	if slices.Contains(in, Filter{}) {
		return []Filter{{}}
	}
	var out []Filter
	for _, f := range in {
		if slices.ContainsFunc(out, func(o Filter) bool { return wider(o, f) }) {
			continue
		}
		out = slices.DeleteFunc(out, func(o Filter) bool { return wider(f, o) })
		out = append(out, f)
	}
	return out
}

// Grant says what the caller may do with resources of the type: the union of
// all scopes that cover it. With a set of actions, as a conditional update needs
// Search|Update, it gives the resources that every one of them may touch.
func (p *Principal) Grant(resourceType string, a Action) Grant {
	return p.GrantAt(AnyLevel, resourceType, a)
}

// GrantAt is Grant with only the scopes of the given levels, for interactions
// such as the bulk export that patient scopes do not open.
func (p *Principal) GrantAt(levels Level, resourceType string, a Action) Grant {
	var out Grant
	for rest, first := a, true; rest != 0; first = false {
		one := rest & -rest
		rest &^= one
		if g := p.grantOne(levels, resourceType, one); first {
			out = g
		} else {
			out = out.And(g)
		}
	}
	return out
}

func (p *Principal) grantOne(levels Level, resourceType string, a Action) Grant {
	if p == nil {
		return Grant{}
	}
	var found []Filter
	for _, s := range p.Scopes.list {
		if s.Level&levels == 0 || s.Actions&a == 0 || !s.covers(resourceType) {
			continue
		}
		f := Filter{Query: s.Query}
		if s.Level == Patient {
			if p.Patient == "" {
				continue // a patient scope without a patient in context grants nothing
			}
			if resourceType == "Group" {
				continue // it names the others that are in it
			}
			f.Patient = p.Patient
		}
		if f == (Filter{}) {
			return Grant{Alternatives: []Filter{f}}
		}
		found = append(found, f)
	}
	return Grant{Alternatives: prune(found)}
}

// Need is one requirement of an operation on the scopes. Package api holds one
// table of operations and needs; the server obeys it and the documents are made
// from it.
type Need struct {
	Type    string // empty: the type that the operation is invoked on, or each that it spans
	Actions Action
	Any     bool   // one of the actions is enough; otherwise all are needed
	Whole   bool   // by a scope without constraint: an answer from only some of the resources would mislead
	Levels  Level  // 0: any
	Own     string // a scope of the service's own that it needs as well; "" for none
}

// Meets gives the resources of one type that the scopes grant for a need.
func (p *Principal) Meets(n Need, resourceType string) Grant {
	levels := n.Levels
	if levels == 0 {
		levels = AnyLevel
	}
	var g Grant
	if n.Any {
		for rest := n.Actions; rest != 0; rest &= rest - 1 {
			g.Alternatives = append(g.Alternatives, p.GrantAt(levels, resourceType, rest&-rest).Alternatives...)
		}
	} else {
		g = p.GrantAt(levels, resourceType, n.Actions)
	}
	if n.Whole {
		g.Alternatives = slices.DeleteFunc(slices.Clone(g.Alternatives), func(f Filter) bool { return f.Query != "" })
	}
	return g
}

// May reports whether the scopes meet the needs of an operation that is invoked
// on these types, or spans them. nil means yes; [Principal.Meets] says which
// resources it may then touch.
func (p *Principal) May(types []string, needs ...Need) error {
	for _, n := range needs {
		if n.Own != "" && (p == nil || !p.Scopes.Hold(n.Own)) {
			return fault.New(fault.Forbidden, "forbidden", "The token lacks the scope %s, which this operation needs.", n.Own)
		}
		asked := types
		if n.Type != "" {
			asked = []string{n.Type}
		}
		for _, t := range asked {
			if !p.Meets(n, t).Allowed() {
				return n.missing(t)
			}
		}
	}
	return nil
}

// Scopes names the narrowest scopes that meet the need for a type, as a user's
// token has them.
func (n Need) Scopes(resourceType string) string {
	if n.Type != "" {
		resourceType = n.Type
	}
	if !n.Any {
		return strings.TrimSpace("user/" + resourceType + "." + n.Actions.String() + " " + n.Own)
	}
	var each []string
	for rest := n.Actions; rest != 0; rest &= rest - 1 {
		each = append(each, "user/"+resourceType+"."+(rest&-rest).String())
	}
	return strings.Join(each, " or ")
}

// Missing is the refusal of a token without the scope. It names the scope,
// which reveals nothing about what is stored.
func Missing(resourceType string, a Action) *fault.Error {
	return Need{Actions: a}.missing(resourceType)
}

func (n Need) missing(resourceType string) *fault.Error {
	at, whole := "patient, user or system", ""
	if n.Levels != 0 && n.Levels&Patient == 0 {
		at = "user or system (not patient)"
	}
	if n.Whole {
		whole = ", without a constraint: an answer from only some of the resources would mislead"
	}
	return fault.New(fault.Forbidden, "forbidden", "The token lacks a scope for this: it needs %s.%s at the level %s%s.", resourceType, n.Actions, at, whole)
}
