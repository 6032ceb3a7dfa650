package mongo

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"go.mongodb.org/mongo-driver/v2/bson"
	"pgregory.net/rapid"

	"tidemark/internal/search"
	"tidemark/internal/store"
)

// declared gives an index of the table.
func declared(collection, name string) (index, bool) {
	i := slices.IndexFunc(indexes, func(x index) bool { return x.collection == collection && x.name == name })
	if i < 0 {
		return index{}, false
	}
	return indexes[i], true
}

func TestIndexTable(t *testing.T) {
	seen := map[string]bool{}
	for _, x := range indexes {
		name, keys := x.collection+" "+x.name, x.collection+" "+strings.Join(x.keys, ",")
		if seen[name] || seen[keys] {
			t.Errorf("%s stands twice", name)
		}
		seen[name], seen[keys] = true, true
		if len(x.document()) != len(x.keys) {
			t.Errorf("%s: %v", name, x.document())
		}
	}
	x, _ := declared(audits, "time")
	if got := x.document(); got[0].Key != "at" || got[0].Value != int32(-1) {
		t.Errorf("%v", got)
	}
}

// TestFilters checks that what the builders choose is declared, and that the
// filter bounds the first field of it.
func TestFilters(t *testing.T) {
	rights := [][]search.Clause{{{Param: "patient", Kind: search.Reference, Values: []search.Value{{Ref: "Patient/p1"}}}}}
	wide := [][]search.Clause{{{Param: "status", Kind: search.Token, Modifier: "not", Values: []search.Value{{Code: "final", AnySystem: true}}}}}
	type query struct {
		collection, index string
		filter            bson.D
	}
	var all []query
	history := func(want string, q store.HistoryQuery) {
		filter, index := historyFilter(q)
		if index != want {
			t.Errorf("%+v: by %s, want %s", q, index, want)
		}
		all = append(all, query{versions, index, append(filter, stretch{1, 2}.condition())})
	}
	history("resource", store.HistoryQuery{Type: "Patient", ID: "a", Within: rights})
	history("typed", store.HistoryQuery{Type: "Patient"})
	history("typed", store.HistoryQuery{Types: []string{"Patient", "Device"}})
	history("typed", store.HistoryQuery{Types: []string{}, Within: rights})
	history("feed", store.HistoryQuery{})
	history("by_key", store.HistoryQuery{Type: "Observation", Within: rights})
	history("by_key", store.HistoryQuery{Types: []string{"Observation", "Device"}, Within: rights})
	history("typed", store.HistoryQuery{Type: "Observation", Within: append(slices.Clone(rights), wide...)})
	audit := func(want string, q store.AuditQuery) {
		filter, index := auditFilter(q, &auditMark{At: 1})
		if index != want {
			t.Errorf("%+v: by %s, want %s", q, index, want)
		}
		all = append(all, query{audits, index, filter})
	}
	audit("time", store.AuditQuery{})
	audit("time", store.AuditQuery{Outcome: "0", Action: "R"})
	audit("refused", store.AuditQuery{Outcome: "8", Action: "R", From: time.Unix(1, 0)})
	audit("agent", store.AuditQuery{Outcome: "8", Agent: "x"})
	audit("patient", store.AuditQuery{Patient: "x", Agent: "y"})
	audit("entity", store.AuditQuery{Entity: "x", Patient: "y"})
	audit("id", store.AuditQuery{ID: "x", Entity: "y"})
	for _, c := range []choice{of(entryKind, "drain", "d"), of(stayKind, "patient", "p"), at(placeKind, []string{"w"}), openAt(drainKind, []string{"w"}), open(concernKind, "", 5)} {
		all = append(all, query{versions, c.index, c.filter})
	}
	for _, q := range all {
		x, ok := declared(q.collection, q.index)
		if !ok {
			t.Errorf("%s by %s, which is not declared", q.collection, q.index)
			continue
		}
		if !bounded(q.filter, strings.TrimPrefix(x.keys[0], "-")) {
			t.Errorf("%s by %s: %v does not bound %s", q.collection, q.index, q.filter, x.keys[0])
		}
	}
}

func bounded(filter bson.D, field string) bool {
	return slices.ContainsFunc(filter, func(e bson.E) bool {
		list, ok := e.Value.(bson.A)
		if !ok {
			return e.Key == field
		}
		for _, x := range list {
			if !bounded(x.(bson.D), field) {
				return false
			}
		}
		return len(list) > 0
	})
}

func TestSortable(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b := rapid.Float64().Draw(t, "a"), rapid.Float64().Draw(t, "b")
		if a == b {
			return // the two zeros
		}
		if got := strings.Compare(sortable(a), sortable(b)); (got < 0) != (a < b) {
			t.Fatalf("%v and %v compare as %d", a, b, got)
		}
	})
	if !(sortable(math.Inf(-1)) < sortable(-1) && sortable(math.MaxFloat64) < sortable(math.Inf(1)) && sortable(math.Inf(1)) < openNumber) {
		t.Error("the ends are not at the ends")
	}
}

func TestAfter(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := rapid.String().Filter(utf8.ValidString).Draw(t, "s")
		longer := s + rapid.String().Filter(utf8.ValidString).Draw(t, "more")
		other := rapid.String().Filter(utf8.ValidString).Draw(t, "other")
		end := after(s)
		if end == "" {
			if strings.Trim(s, string(utf8.MaxRune)) != "" {
				t.Fatalf("%q has no end", s)
			}
			return
		}
		if !utf8.ValidString(end) || longer >= end {
			t.Fatalf("%q is not before %q, the end of %q", longer, end, s)
		}
		if other >= s && other < end && !strings.HasPrefix(other, s) {
			t.Fatalf("%q lies between %q and %q", other, s, end)
		}
	})
}

func TestTextRow(t *testing.T) {
	long := strings.Repeat("é", 100)
	row := textRow("Patient", search.Prefix{Param: "family", Text: long})
	if !utf8.ValidString(row) || len(row) > len("Patient|family|")+maxText {
		t.Errorf("%d bytes: %s", len(row), row)
	}
	for _, n := range []int{1, 31, 32, 33, 60} {
		prefix := textRow("Patient", search.Prefix{Param: "family", Text: strings.Repeat("é", n)})
		if !strings.HasPrefix(row, prefix) {
			t.Errorf("a search for %d characters does not find the longer text", n)
		}
	}
}
