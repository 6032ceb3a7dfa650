package search

import (
	"math"
	"math/big"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Match reports whether the query finds the resource. It is the only definition of
// what modifiers and prefixes mean; stores find candidates through an index and
// then call it.
func (q Query) Match(d Doc) bool {
	if q.Type != d.Type {
		return false
	}
	params := table().types[d.Type].params
	if !all(q.Where, params, &d) {
		return false
	}
	return len(q.Within) == 0 || slices.ContainsFunc(q.Within, func(a []Clause) bool { return all(a, params, &d) })
}

// Effort estimates the cost of Match on one document; the unit is the cost of
// parsing one JSON value.
func (q Query) Effort() int {
	n := 0
	for i := range q.Where {
		n += 1 + len(q.Where[i].Values)/4
	}
	for _, alternative := range q.Within {
		for i := range alternative {
			n += 1 + len(alternative[i].Values)/4
		}
	}
	return n
}

func all(clauses []Clause, params map[string]*Param, d *Doc) bool {
	for i := range clauses {
		if !clauses[i].match(params, d) {
			return false
		}
	}
	return true
}

// view is a parameter as entries are read through it.
type view struct {
	of, targets, components []string
	only                    string
}

func viewOf(params map[string]*Param, name string) view {
	if p, ok := params[name]; ok {
		return view{p.of, p.Targets, p.Components, p.only}
	}
	return view{of: []string{name}}
}

// holds reports whether the entry is one of the parameter's.
func (w *view) holds(e *Entry) bool {
	return has(w.of, e.Param) && (w.only == "" || refType(e.Ref) == w.only)
}

func (c *Clause) match(params map[string]*Param, d *Doc) bool {
	if c.Link != nil {
		return false // Resolve was not called
	}
	switch c.Param {
	case idParam:
		return c.matchID(d.ID)
	case lastUpdated:
		// Stamps have milliseconds.
		own := Doc{Entries: []Entry{{Param: lastUpdated, Kind: Date, Lo: d.LastUpdated.UnixMicro(), Hi: d.LastUpdated.Add(time.Millisecond).UnixMicro()}}}
		w := view{of: []string{lastUpdated}}
		return c.matchIn(&w, &own)
	}
	w := viewOf(params, c.Param)
	if c.Kind == Composite {
		return c.matchComposite(params, &w, d)
	}
	return c.matchIn(&w, d)
}

func (c *Clause) matchID(id string) bool {
	switch c.Modifier {
	case "missing":
		return slices.ContainsFunc(c.Values, func(v Value) bool { return !v.Bool })
	case "not":
		return !slices.ContainsFunc(c.Values, func(v Value) bool { return v.Code == id })
	}
	return slices.ContainsFunc(c.Values, func(v Value) bool { return v.Code == id && (v.AnySystem || v.System == "") })
}

func (c *Clause) matchIn(w *view, d *Doc) bool {
	switch c.Modifier {
	case "missing":
		there := slices.ContainsFunc(d.Entries, func(e Entry) bool { return !e.Missing && w.holds(&e) })
		return slices.ContainsFunc(c.Values, func(v Value) bool { return v.Bool != there })
	case "not":
		return !c.any(w, d)
	case "of-type":
		typed := view{of: []string{c.Param + ofType}}
		return c.any(&typed, d)
	}
	return c.any(w, d)
}

// any reports whether one entry matches one value.
func (c *Clause) any(w *view, d *Doc) bool {
	for i := range d.Entries {
		e := &d.Entries[i]
		if e.Missing || e.Kind != c.Kind {
			continue
		}
		// R4: a chained condition is evaluated inside contained resources.
		if in := c.Inner; in != nil && e.Contained != nil && has(w.of, e.Param) && e.Contained.Type == in.Type && all(in.Where, table().types[in.Type].params, e.Contained) {
			return true
		}
		if !w.holds(e) {
			continue
		}
		for k := range c.Values {
			if c.matchValue(w, &c.Values[k], e) {
				return true
			}
		}
	}
	return false
}

func (c *Clause) matchValue(w *view, v *Value, e *Entry) bool {
	switch c.Kind {
	case Token:
		return matchToken(c.Modifier, v, e)
	case Reference:
		return matchReference(c.Modifier, w, v, e)
	case Date:
		return matchDate(v, e)
	case String:
		return matchString(c.Modifier, v, e)
	case URI:
		return matchURI(c.Modifier, v, e)
	case Number:
		return e.Number != "" && matchNumber(v.Prefix, e.Number, e.Comparator, v.Number, v.Low, v.High)
	case Quantity:
		return matchQuantity(v, e)
	}
	return false
}

func matchToken(modifier string, v *Value, e *Entry) bool {
	switch modifier {
	case "text":
		return e.Text != "" && strings.HasPrefix(Fold(e.Text), v.folded())
	case "of-type":
		return e.System == v.System && equalCode(e.System, e.Code, v.Code) && foldCode(e.Text) == foldCode(v.Text)
	}
	if !v.AnySystem && e.System != v.System {
		return false
	}
	if v.AnyCode {
		return !v.AnySystem && e.System != ""
	}
	return e.Code != "" && equalCode(e.System, e.Code, v.Code)
}

func equalCode(system, a, b string) bool {
	return a == b || !caseSensitive(system) && foldCode(a) == foldCode(b)
}

func matchReference(modifier string, w *view, v *Value, e *Entry) bool {
	if modifier == "identifier" {
		return matchToken("", v, e)
	}
	if id, ok := strings.CutPrefix(v.Ref, "|"); ok {
		own, ok := localID(e.Ref)
		return ok && own == id && (w.targets == nil || has(w.targets, refType(e.Ref)))
	}
	return e.Ref != "" && e.Ref == v.Ref
}

func matchDate(v *Value, e *Entry) bool {
	if e.Lo >= e.Hi {
		return false
	}
	lo, hi := v.Lo.UnixMicro(), ceilMicro(v.Hi)
	within := lo <= e.Lo && e.Hi <= hi
	switch v.Prefix {
	case "ne":
		return !within
	case "gt":
		return e.Hi > hi
	case "lt":
		return e.Lo < lo
	case "ge":
		return e.Hi > hi || within
	case "le":
		return e.Lo < lo || within
	case "sa":
		return e.Lo >= hi
	case "eb":
		return e.Hi <= lo
	case "ap": // Lo and Hi are widened already
		return e.Lo < hi && e.Hi > lo
	}
	return within
}

func matchString(modifier string, v *Value, e *Entry) bool {
	switch modifier {
	case "exact":
		return e.Text != "" && e.Text == v.Text
	case "contains":
		return e.Text != "" && strings.Contains(Fold(e.Text), v.folded())
	}
	return e.Text != "" && strings.HasPrefix(Fold(e.Text), v.folded())
}

// folded avoids folding a long value again for every document.
func (v *Value) folded() string {
	if v.Folded != "" {
		return v.Folded
	}
	return Fold(v.Text)
}

func matchURI(modifier string, v *Value, e *Entry) bool {
	switch modifier {
	case "below":
		return under(e.Text, v.Text)
	case "above":
		return e.Text != "" && under(v.Text, e.Text)
	}
	return e.Text != "" && e.Text == v.Text
}

// under reports whether uri is root or lies on a path below it.
func under(uri, root string) bool {
	rest, ok := strings.CutPrefix(uri, strings.TrimSuffix(root, "/"))
	return ok && (rest == "" || rest[0] == '/')
}

func matchQuantity(v *Value, e *Entry) bool {
	if e.Number == "" {
		return false
	}
	if v.Base != "" {
		return e.Base == v.Base && matchNumber(v.Prefix, e.BaseNumber, e.Comparator, v.BaseNumber, v.BaseLow, v.BaseHigh)
	}
	switch {
	case !v.AnySystem && e.System != v.System,
		!v.AnyCode && !v.AnySystem && e.Code != v.Code,
		!v.AnyCode && v.AnySystem && e.Code != v.Code && e.Text != v.Code:
		return false
	}
	return matchNumber(v.Prefix, e.Number, e.Comparator, v.Number, v.Low, v.High)
}

// matchNumber compares the stored x with the searched value. A stored
// comparator makes x stand for the interval that it names (<5 is everything
// below 5), as a date stands for its day: gt and lt ask whether a part of it
// lies beyond the value, sa and eb whether all of it does, eq is never sure.
func matchNumber(prefix, x, comparator, value, low, high string) bool {
	down, up := comparator == "<" || comparator == "<=", comparator == ">" || comparator == ">="
	open := comparator == "<" || comparator == ">"
	c := 0
	if prefix != "eq" && prefix != "" && prefix != "ne" && prefix != "ap" {
		c = compare(x, value)
	}
	switch prefix {
	case "gt":
		return up || c > 0
	case "lt":
		return down || c < 0
	case "ge":
		return up || c > 0 || c == 0 && !open
	case "le":
		return down || c < 0 || c == 0 && !open
	case "sa":
		return !down && (c > 0 || c == 0 && comparator == ">")
	case "eb":
		return !up && (c < 0 || c == 0 && comparator == "<")
	case "ap":
		l, h := compare(x, low), compare(x, high)
		return (up || l > 0 || l == 0 && !open) && (down || h < 0 || h == 0 && !open)
	}
	within := comparator == "" && compare(low, x) <= 0 && compare(x, high) < 0
	return within != (prefix == "ne")
}

// compare orders two exact numbers, each a decimal or n/d. Floats decide where
// they are far apart, which is nearly always.
func compare(a, b string) int {
	x, errX := strconv.ParseFloat(a, 64)
	y, errY := strconv.ParseFloat(b, 64)
	if errX == nil && errY == nil && math.Abs(x-y) > 1e-9*max(math.Abs(x), math.Abs(y)) {
		if x < y {
			return -1
		}
		return 1
	}
	p, q := rat(a), rat(b)
	if p == nil || q == nil {
		return strings.Compare(a, b) // neither Extract nor ParseQuery makes such a number
	}
	return p.Cmp(q)
}

func rat(s string) *big.Rat {
	r, ok := new(big.Rat).SetString(s)
	if !ok {
		return nil
	}
	return r
}

// matchComposite needs one element in which every component matches.
func (c *Clause) matchComposite(params map[string]*Param, w *view, d *Doc) bool {
	if c.Modifier == "missing" {
		parts := make([]Clause, len(w.components))
		for i, name := range w.components {
			parts[i] = Clause{Param: name}
		}
		there := joined(parts, params, d, func(*Clause, *view, *Entry) bool { return true })
		return slices.ContainsFunc(c.Values, func(v Value) bool { return v.Bool != there })
	}
	return slices.ContainsFunc(c.Values, func(v Value) bool {
		return joined(v.Parts, params, d, func(part *Clause, w *view, e *Entry) bool {
			return e.Kind == part.Kind && slices.ContainsFunc(part.Values, func(v Value) bool { return part.matchValue(w, &v, e) })
		})
	})
}

func joined(parts []Clause, params map[string]*Param, d *Doc, holds func(*Clause, *view, *Entry) bool) bool {
	if len(parts) == 0 {
		return false
	}
	in := func(part *Clause, element int) bool {
		w := viewOf(params, part.Param)
		return slices.ContainsFunc(d.Entries, func(e Entry) bool {
			return e.Element == element && !e.Missing && w.holds(&e) && holds(part, &w, &e)
		})
	}
	first := viewOf(params, parts[0].Param)
	for i := range d.Entries {
		e := &d.Entries[i]
		if e.Element == 0 || e.Missing || !first.holds(e) || !holds(&parts[0], &first, e) {
			continue
		}
		every := true
		for k := range parts[1:] {
			every = every && in(&parts[1+k], e.Element)
		}
		if every {
			return true
		}
	}
	return false
}
