package engine

import (
	"math"

	"tidemark/internal/search"
)

// Order is what a search is sorted by. Without _sort it is the primary date,
// since that is what the index of keys is kept in.
type Order int

// Orders.
const (
	ByDate Order = iota
	ByUpdate
	ByID
	ByValues // anything else: gathered and sorted
)

// OrderOf says which index order a sort has.
func OrderOf(q search.Query) (o Order, desc bool) {
	if len(q.Sort) == 0 {
		return ByDate, false
	}
	k := q.Sort[0]
	switch {
	case len(q.Sort) > 1:
		return ByValues, false
	case k.Param == "_lastUpdated":
		return ByUpdate, k.Desc
	case k.Param == "_id":
		return ByID, k.Desc
	case k.Param == search.PrimaryDate(q.Type):
		return ByDate, k.Desc
	}
	return ByValues, false
}

// Exact reports whether the keys of an index alone decide that a resource
// matches, so that it need not be read.
func Exact(p search.Plan) bool {
	return p.Exact && p.IDs == nil && len(p.Ranges) == 0 && len(p.Prefixes) == 0 && p.DateFrom == search.NoDate && p.DateTo == search.MaxDate
}

// Updated bounds the time of a version, in milliseconds, by the clauses on
// _lastUpdated: lo <= time < hi, outwards.
func Updated(where []search.Clause) (lo, hi int64) {
	lo, hi = math.MinInt64, math.MaxInt64
	for _, cl := range where {
		if cl.Param != "_lastUpdated" || cl.Modifier != "" {
			continue
		}
		from, to := int64(math.MaxInt64), int64(math.MinInt64)
		for _, v := range cl.Values {
			f, t := Milli(v.Lo)-1, Milli(v.Hi)+1
			switch v.Prefix {
			case "gt", "ge", "sa":
				t = math.MaxInt64
			case "lt", "le", "eb":
				f = math.MinInt64
			case "ne", "ap":
				f, t = math.MinInt64, math.MaxInt64
			}
			from, to = min(from, f), max(to, t)
		}
		lo, hi = max(lo, from), min(hi, to)
	}
	return lo, hi
}

// Source yields candidates in order.
type Source[C any] interface {
	// Peek gives the next candidate without taking it; ok is false at the end.
	Peek() (c C, ok bool, err error)
	// Drop takes it.
	Drop()
	// Last reports whether the source need not be asked while another one has c:
	// all that it yields comes after.
	Last(c C) bool
}

// Merge makes one order of several sources, and of candidates that are held
// sorted. What several have at the same place is one candidate.
type Merge[C any, S Source[C]] struct {
	Compare func(a, b C) int
	Held    []C
	Sources []S
	Both    func(a, b C) C // one of two at the same place, both held; nil: the first
}

// Next takes the first.
func (m *Merge[C, S]) Next() (c C, ok bool, err error) {
	if len(m.Held) > 0 {
		c, ok = m.Held[0], true
	}
	for _, s := range m.Sources {
		if ok && s.Last(c) {
			continue
		}
		x, some, err := s.Peek()
		if err != nil {
			return c, false, err
		}
		if some && (!ok || m.Compare(x, c) < 0) {
			c, ok = x, true
		}
	}
	if !ok {
		return c, false, nil
	}
	place := c
	for len(m.Held) > 0 && m.Compare(m.Held[0], place) == 0 {
		if m.Both != nil {
			c = m.Both(c, m.Held[0])
		}
		m.Held = m.Held[1:]
	}
	for _, s := range m.Sources {
		if s.Last(place) {
			continue // it was not asked
		}
		if x, some, err := s.Peek(); err != nil {
			return c, false, err
		} else if some && m.Compare(x, place) == 0 {
			s.Drop()
		}
	}
	return c, true, nil
}
