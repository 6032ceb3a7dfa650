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

// Matches reports whether some alternative holds. holds is asked only for
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
	// What is in both stands as it is; only the rest is combined pair by pair.
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
				continue // a patient scope without a patient in context opens nothing
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

// need is what an operation asks of the scopes for one type: all of the actions.
// An empty type stands for each type that the operation is about.
type need struct {
	resourceType string
	actions      Action
}

// operation is the scope rule of an operation: one of the alternatives, each a
// list of needs that must all be met.
type operation struct {
	levels       Level
	alternatives [][]need
}

// operationRule is the scope table of the operations. A derived answer repeats
// what the readings say, so it needs the right to read and to search them.
func operationRule(name string) (operation, bool) {
	rule := func(needs ...need) (operation, bool) {
		return operation{AnyLevel, [][]need{needs}}, true
	}
	readings := need{"Observation", Read | Search}
	switch name {
	case "$drain-output", "$removal-review", "$chart", "$fluid-balance":
		return rule(need{"", Read}, readings)
	case "$escalation-status":
		return rule(need{"", Read}, readings, need{"DetectedIssue", Read | Search})
	case "$emptying-due":
		return rule(need{"", Read}, readings, need{"Device", Read | Search})
	case "$acknowledge":
		return rule(need{"DetectedIssue", Update})
	case "$lastn", "$stats":
		return rule(need{"", Search})
	case "$everything":
		return rule(need{"", Read | Search})
	case "$export":
		return operation{User | System, [][]need{{{"", Read | Search}}}}, true
	case "$meta", "$expand", "$lookup", "$validate-code":
		return rule(need{"", Read})
	case "$meta-add", "$meta-delete":
		return rule(need{"", Update})
	case "$validate":
		// It stores nothing; who may write the type in either way may ask.
		return operation{AnyLevel, [][]need{{{"", Create}}, {{"", Update}}}}, true
	}
	return operation{}, false
}

// May reports whether the scopes open the operation at all, for the types that
// it is invoked on or spans: the type in the path, for $everything and $export
// each type of the answer. nil means yes; which resources it may then touch is
// still the matter of [Principal.Grant]. An operation that the table does not
// know is refused.
func (p *Principal) May(name string, types ...string) error {
	rule, ok := operationRule(name)
	if !ok || len(types) == 0 {
		return fault.New(fault.Forbidden, "forbidden", "No scope opens this operation here.")
	}
	var refusal error
	for _, needs := range rule.alternatives {
		err := p.meets(rule.levels, needs, types)
		if err == nil {
			return nil
		}
		if refusal == nil {
			refusal = err
		}
	}
	return refusal
}

func (p *Principal) meets(levels Level, needs []need, types []string) error {
	for _, n := range needs {
		asked := types
		if n.resourceType != "" {
			asked = []string{n.resourceType}
		}
		for _, t := range asked {
			if !p.GrantAt(levels, t, n.actions).Allowed() {
				return missing(levels, t, n.actions)
			}
		}
	}
	return nil
}

// Missing is the refusal for want of a scope. It names the scope, which tells
// nothing about what is stored.
func Missing(resourceType string, a Action) *fault.Error { return missing(AnyLevel, resourceType, a) }

func missing(levels Level, resourceType string, a Action) *fault.Error {
	at := "patient, user or system"
	if levels&Patient == 0 {
		at = "user or system (not patient)"
	}
	return fault.New(fault.Forbidden, "forbidden", "The token lacks a scope for this: it needs %s.%s at the level %s.", resourceType, a, at)
}
