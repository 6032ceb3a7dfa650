package search

import (
	"cmp"
	"strings"
)

// SortVal is a value to sort by. Values of one SortKey compare with Compare,
// also across documents; they are plain enough to stand in a cursor.
type SortVal struct {
	Int   int64   // dates, in microseconds
	Float float64 // numbers, and quantities in canonical units where they have them
	Text  string  // all else, folded
}

// Compare orders two values of one key, ascending.
func (v SortVal) Compare(w SortVal) int {
	return cmp.Or(cmp.Compare(v.Int, w.Int), cmp.Compare(v.Float, w.Float), strings.Compare(v.Text, w.Text))
}

// SortValue returns the value by which the document sorts under the key. If there
// are several, it is the least when ascending and the greatest when descending; a
// period sorts by its start. Documents without one come last in either direction,
// which an index on Doc.Date gives only when it is walked downwards.
func (d Doc) SortValue(key SortKey) (SortVal, bool) {
	switch key.Param {
	case idParam:
		return SortVal{Text: d.ID}, true
	case lastUpdated:
		return SortVal{Int: d.LastUpdated.UnixMicro()}, true
	}
	w := viewOf(table().types[d.Type].params, key.Param)
	var best SortVal
	found := false
	for i := range d.Entries {
		e := &d.Entries[i]
		if e.Missing || !w.holds(e) {
			continue
		}
		v, ok := e.sortVal()
		if !ok {
			continue
		}
		if c := v.Compare(best); !found || key.Desc && c > 0 || !key.Desc && c < 0 {
			best, found = v, true
		}
	}
	return best, found
}

func (e *Entry) sortVal() (SortVal, bool) {
	switch e.Kind {
	case Date:
		return SortVal{Int: e.Lo}, e.Lo < e.Hi
	case String:
		return SortVal{Text: Fold(e.Text)}, e.Text != ""
	case Token:
		return SortVal{Text: Fold(e.Code)}, e.Code != ""
	case Reference:
		return SortVal{Text: e.Ref}, e.Ref != ""
	case URI:
		return SortVal{Text: e.Text}, e.Text != ""
	case Number, Quantity:
		text := e.BaseNumber
		if text == "" {
			text = e.Number
		}
		r := rat(text)
		if text == "" || r == nil {
			return SortVal{}, false
		}
		f, _ := r.Float64()
		return SortVal{Float: f}, true
	}
	return SortVal{}, false
}

// Rank is what a document is sorted by: a value for each key of a query, and
// whether there is one.
type Rank []struct {
	Val SortVal
	OK  bool
}

// Rank returns the rank of the document, computed once for all comparisons.
func (q Query) Rank(d Doc) Rank {
	out := make(Rank, len(q.Sort))
	for i, key := range q.Sort {
		out[i].Val, out[i].OK = d.SortValue(key)
	}
	return out
}

// Order compares two documents by the query's sort keys, those without a value
// last. 0 leaves them to the order of creation.
func (q Query) Order(a, b Doc) int { return q.Compare(q.Rank(a), q.Rank(b)) }

// Compare is Order for documents whose ranks are known.
func (q Query) Compare(a, b Rank) int {
	for i, key := range q.Sort {
		v, okV := a[i].Val, a[i].OK
		w, okW := b[i].Val, b[i].OK
		switch {
		case okV && !okW:
			return -1
		case !okV && okW:
			return 1
		case !okV:
			continue
		}
		c := v.Compare(w)
		if key.Desc {
			c = -c
		}
		if c != 0 {
			return c
		}
	}
	return 0
}

// PrimaryDate names the parameter whose values are Doc.Date, so that a sort or
// a range on it can walk an index; "" when the type has none.
func PrimaryDate(typ string) string { return table().types[typ].primary }
