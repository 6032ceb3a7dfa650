package search

import (
	"context"
	"slices"

	"tidemark/internal/fault"
)

// MaxLinked is how many resources one link of a chain or _has may lead over.
const MaxLinked = 1000

// Finder answers the inner searches of chains, within the caller's rights.
type Finder interface {
	// IDs gives the ids of the matches, at most limit.
	IDs(ctx context.Context, q Query, limit int) ([]string, error)
	// Refs gives the distinct references that the parameter holds in the
	// matches (see Doc.Refs), at most limit.
	Refs(ctx context.Context, q Query, param string, limit int) ([]string, error)
}

// Resolve replaces every chain of the query by the references, and every _has
// by the ids, that its inner search finds. Such a link that leads over more
// than MaxLinked resources is refused as too costly.
func Resolve(ctx context.Context, q *Query, f Finder) error {
	if !slices.ContainsFunc(q.Where, func(c Clause) bool { return c.Link != nil }) {
		return nil
	}
	q.Where = slices.Clone(q.Where)
	for i := range q.Where {
		if q.Where[i].Link == nil {
			continue
		}
		c, err := q.Where[i].resolve(ctx, q.Type, f)
		if err != nil {
			return err
		}
		q.Where[i] = c
	}
	return nil
}

func (c Clause) resolve(ctx context.Context, typ string, f Finder) (Clause, error) {
	inner := Query{Type: c.Link.Type, Where: c.Link.Where, Count: MaxLinked}
	if err := Resolve(ctx, &inner, f); err != nil {
		return c, err
	}
	var found []string
	var err error
	if c.Link.Reverse {
		found, err = f.Refs(ctx, inner, c.Link.Param, MaxLinked+1)
	} else {
		found, err = f.IDs(ctx, inner, MaxLinked+1)
	}
	if err != nil {
		return c, err
	}
	if len(found) > MaxLinked {
		return c, fault.New(fault.Invalid, "too-costly", "The condition on %s leads over more than %d resources; narrow it.", c.Link.Type, MaxLinked)
	}
	if !c.Link.Reverse {
		out := Clause{Param: c.Param, Kind: Reference, Inner: &Link{Type: inner.Type, Where: inner.Where}}
		for _, id := range found {
			out.Values = append(out.Values, Value{Prefix: "eq", Ref: c.Link.Type + "/" + id})
		}
		return out, nil
	}
	out := Clause{Param: idParam, Kind: Token}
	for _, ref := range found {
		if isLocal(ref, typ) {
			out.Values = append(out.Values, Value{Prefix: "eq", Code: ref[len(typ)+1:], AnySystem: true})
		}
	}
	return out, nil
}

// InCompartment is the clause that only resources in a compartment match. The
// owner is "Patient", "Device" or "Encounter"; see Compartments.
func InCompartment(owner, id string) Clause {
	return Clause{Param: Compartment, Kind: Reference, Values: []Value{{Prefix: "eq", Ref: owner + "/" + id}}}
}
