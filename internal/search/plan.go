package search

import (
	"math"
	"slices"
	"strings"
)

// Plan gives what an index may use of the query.
func (q Query) Plan() Plan {
	t := table().types[q.Type]
	p := Plan{Type: q.Type, DateFrom: NoDate, DateTo: MaxDate, Exact: true}
	b := planner{typ: q.Type, table: t}
	for i := range q.Where {
		c := &q.Where[i]
		keys, ok, exact := b.keys(c)
		p.Exact = p.Exact && exact
		if ok {
			p.Keys = append(p.Keys, keys)
			continue
		}
		b.bound(&p, c)
	}
	if len(p.Keys) == 0 {
		p.Keys = [][]int64{{b.key(q.Type, "", keyType, "", "")}}
	}
	for _, alternative := range q.Within {
		var groups [][]int64
		for i := range alternative {
			keys, ok, exact := b.keys(&alternative[i])
			p.Exact = p.Exact && exact
			if ok {
				groups = append(groups, keys)
			}
		}
		if len(groups) == 0 {
			groups = [][]int64{{b.key(q.Type, "", keyType, "", "")}}
		}
		p.Within = append(p.Within, groups)
	}
	return p
}

type planner struct {
	hasher
	typ   string
	table typeTable
}

// keys gives keys of which a matching document has at least one; ok is false
// when the clause has none, exact when having one is enough to match.
func (b *planner) keys(c *Clause) (keys []int64, ok, exact bool) {
	if c.Link != nil {
		return nil, true, true // matches nothing until it is resolved
	}
	if c.Param == idParam || c.Param == lastUpdated {
		return nil, false, false
	}
	w := viewOf(b.table.params, c.Param)
	if c.Kind == Composite {
		return b.composite(c)
	}
	exact = true
	for i := range c.Values {
		v := &c.Values[i]
		for _, param := range w.of {
			switch {
			case c.Kind == Token && c.Modifier == "":
				keys = b.tokenKeys(keys, param, v)
			case c.Kind == Token && c.Modifier == "of-type":
				keys, exact = append(keys, b.systemCodeKey(b.typ, param+ofType, v.System, v.Code)), false
			case c.Kind == Reference && c.Modifier == "identifier":
				keys = b.tokenKeys(keys, param+byIdentifier, v)
				exact = exact && w.only == ""
			case c.Kind == Reference && c.Modifier == "":
				more, ok := b.referenceKeys(&w, param, v.Ref)
				if !ok {
					return nil, false, false
				}
				keys = append(keys, more...)
			case c.Kind == URI && c.Modifier == "":
				keys = append(keys, b.key(b.typ, param, keyURI, v.Text, ""))
			default:
				return nil, false, false
			}
		}
	}
	if c.Inner != nil {
		for _, param := range w.of {
			keys, exact = append(keys, b.key(b.typ, param, keyRef, containedRef, "")), false
		}
	}
	slices.Sort(keys)
	return slices.Compact(keys), true, exact
}

// referenceKeys gives the keys of a reference value. An id without a type
// stands for each target of the parameter.
func (b *planner) referenceKeys(w *view, param, ref string) (keys []int64, ok bool) {
	id, untyped := strings.CutPrefix(ref, "|")
	switch {
	case !untyped && (w.only == "" || refType(ref) == w.only):
		return []int64{b.key(b.typ, param, keyRef, ref, "")}, true
	case !untyped:
		return nil, true // such a reference is never the parameter's
	case w.targets != nil:
		for _, t := range w.targets {
			if w.only == "" || t == w.only {
				keys = append(keys, b.key(b.typ, param, keyRef, t+"/"+id, ""))
			}
		}
		return keys, true
	}
	p, ok := b.table.params[param]
	if !ok || p.Targets != nil || w.only != "" {
		return nil, false // Keys holds no ids for it
	}
	return []int64{b.key(b.typ, param, keyRefID, id, "")}, true
}

func (b *planner) tokenKeys(keys []int64, param string, v *Value) []int64 {
	switch {
	case v.AnyCode:
		return append(keys, b.key(b.typ, param, keySystem, v.System, ""))
	case v.AnySystem:
		return append(keys, b.key(b.typ, param, keyExactCode, v.Code, ""), b.key(b.typ, param, keyCode, foldCode(v.Code), ""))
	}
	return append(keys, b.systemCodeKey(b.typ, param, v.System, v.Code))
}

// composite finds a component that has keys in every alternative.
func (b *planner) composite(c *Clause) (keys []int64, ok, exact bool) {
	if c.Modifier != "" || len(c.Values) == 0 {
		return nil, false, false
	}
	for part := range c.Values[0].Parts {
		keys, ok = nil, true
		for _, v := range c.Values {
			if part >= len(v.Parts) {
				return nil, false, false
			}
			more, has, _ := b.keys(&v.Parts[part])
			keys, ok = append(keys, more...), ok && has
		}
		if ok {
			slices.Sort(keys)
			return slices.Compact(keys), true, false
		}
	}
	return nil, false, false
}

// bound narrows the plan by a clause without keys, where it can.
func (b *planner) bound(p *Plan, c *Clause) {
	w := viewOf(b.table.params, c.Param)
	switch {
	case c.Param == idParam && c.Modifier == "":
		ids := []string{}
		for _, v := range c.Values {
			if (p.IDs == nil || slices.Contains(p.IDs, v.Code)) && !slices.Contains(ids, v.Code) {
				ids = append(ids, v.Code)
			}
		}
		p.IDs = ids
	case c.Kind == Date && c.Modifier == "" && c.Param == b.table.primary:
		from, to := int64(MaxDate), int64(NoDate)
		for _, v := range c.Values {
			f, t := dateBounds(&v)
			from, to = min(from, f), max(to, t)
		}
		p.DateFrom, p.DateTo = max(p.DateFrom, from), min(p.DateTo, to)
	case len(c.Values) != 1 || len(w.of) != 1:
	case c.Kind == String && (c.Modifier == "" || c.Modifier == "exact"):
		// Stores keep strings folded as they were when they were written, which
		// once left apostrophes as they were.
		if text, _, _ := strings.Cut(Fold(c.Values[0].Text), apostrophe); text != "" {
			p.Prefixes = append(p.Prefixes, Prefix{w.of[0], text})
		}
	case (c.Kind == Quantity || c.Kind == Number) && c.Modifier == "":
		if r, ok := valueRange(w.of[0], c.Kind, &c.Values[0]); ok {
			p.Ranges = append(p.Ranges, r)
		}
	}
}

// dateBounds gives from and to such that only intervals with an end after from
// and a start before to can match.
func dateBounds(v *Value) (from, to int64) {
	lo, hi := v.Lo.UnixMicro(), ceilMicro(v.Hi)
	switch v.Prefix {
	case "ne":
		return NoDate, MaxDate
	case "gt", "sa":
		return hi, MaxDate
	case "ge":
		return lo, MaxDate
	case "lt", "eb":
		return NoDate, lo
	case "le":
		return NoDate, hi
	}
	return lo, hi
}

func valueRange(param string, kind Kind, v *Value) (Range, bool) {
	r := Range{Param: param, Base: v.Base, Lo: math.Inf(-1), Hi: math.Inf(1)}
	number, low, high := v.BaseNumber, v.BaseLow, v.BaseHigh
	if kind == Number {
		number, low, high = v.Number, v.Low, v.High
	} else if v.Base == "" {
		return r, false
	}
	switch v.Prefix {
	case "ne":
		return r, false
	case "gt", "ge", "sa":
		r.Lo, _ = outwards(number)
	case "lt", "le", "eb":
		_, r.Hi = outwards(number)
	default:
		r.Lo, _ = outwards(low)
		_, r.Hi = outwards(high)
	}
	return r, true
}

// outwards gives floats at or below, and at or above, an exact number.
func outwards(s string) (lo, hi float64) {
	r := rat(s)
	if r == nil {
		return math.Inf(-1), math.Inf(1)
	}
	f, exact := r.Float64()
	if exact {
		return f, f
	}
	return math.Nextafter(f, math.Inf(-1)), math.Nextafter(f, math.Inf(1))
}

// Numbers gives the document's numbers and quantities in canonical units, for
// an index: a row overlaps a Plan's Range when row.Hi >= Lo and row.Lo <= Hi.
// Lo is Hi but for rounding, unless a comparator leaves a side open.
func (d Doc) Numbers() []Range {
	var out []Range
	for i := range d.Entries {
		e := &d.Entries[i]
		number := e.BaseNumber
		if e.Kind == Number {
			number = e.Number
		} else if e.Kind != Quantity || e.Base == "" {
			continue
		}
		if number == "" || e.Missing {
			continue
		}
		r := Range{Param: e.Param, Base: e.Base}
		r.Lo, r.Hi = outwards(number)
		switch e.Comparator {
		case "<", "<=":
			r.Lo = math.Inf(-1)
		case ">", ">=":
			r.Hi = math.Inf(1)
		}
		out = append(out, r)
	}
	return out
}

// Strings gives the document's strings in folded form, for an index on which a
// Plan's Prefix is a range.
func (d Doc) Strings() []Prefix {
	var out []Prefix
	for i := range d.Entries {
		if e := &d.Entries[i]; e.Kind == String && e.Text != "" && !e.Missing {
			out = append(out, Prefix{e.Param, Fold(e.Text)})
		}
	}
	return out
}

// Admits reports whether every condition of the plan holds for the document:
// what a store's indexes decide together. A document that a query matches is
// admitted by its plan.
func (p Plan) Admits(d Doc) bool {
	if p.Type != d.Type || p.IDs != nil && !slices.Contains(p.IDs, d.ID) {
		return false
	}
	keys := d.Keys()
	if !p.AdmitsKeys(keys) {
		return false
	}
	if p.DateFrom > NoDate && d.DateEnd <= p.DateFrom || p.DateTo < MaxDate && d.Date >= p.DateTo {
		return false
	}
	for _, r := range p.Ranges {
		if !slices.ContainsFunc(d.Numbers(), func(n Range) bool { return n.Param == r.Param && n.Base == r.Base && n.Hi >= r.Lo && n.Lo <= r.Hi }) {
			return false
		}
	}
	for _, x := range p.Prefixes {
		if !slices.ContainsFunc(d.Strings(), func(s Prefix) bool {
			return s.Param == x.Param && len(s.Text) >= len(x.Text) && s.Text[:len(x.Text)] == x.Text
		}) {
			return false
		}
	}
	return true
}

// AdmitsKeys reports whether keys, which are sorted, satisfy Keys and Within.
func (p Plan) AdmitsKeys(keys []int64) bool {
	every := func(groups [][]int64) bool {
		for _, g := range groups {
			if !slices.ContainsFunc(g, func(k int64) bool { _, ok := slices.BinarySearch(keys, k); return ok }) {
				return false
			}
		}
		return true
	}
	return every(p.Keys) && (len(p.Within) == 0 || slices.ContainsFunc(p.Within, every))
}
