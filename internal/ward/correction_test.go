package ward

import (
	"context"
	"strings"
	"testing"
	"time"

	"tidemark/internal/fhirjson"
	"tidemark/internal/search"
	"tidemark/internal/store"
)

// provenances are those of an Observation, in words, the oldest first: who made
// which version from which, and why.
func (h *hospital) provenances(id string) []string {
	h.Helper()
	pairs, err := search.ParsePairs("target=Observation/" + id + "&_sort=recorded")
	if err != nil {
		h.Fatal(err)
	}
	q, _, err := search.ParseQuery("Provenance", pairs, search.ParseOptions{Base: base, Zone: time.UTC, Now: h.clock()})
	if err != nil {
		h.Fatal(err)
	}
	q.Count = 100
	page, err := h.db.Search(context.Background(), q)
	if err != nil {
		h.Fatal(err)
	}
	var out []string
	for _, v := range page.Matches {
		n, err := fhirjson.Parse(v.JSON())
		if err != nil {
			h.Fatal(err)
		}
		var words []string
		for _, a := range n.Each("agent") {
			words = append(words, a.Path("who").Str("reference"))
		}
		for _, e := range n.Each("entity") {
			words = append(words, e.Str("role"), e.Path("what").Str("reference"))
		}
		for _, x := range n.Each("target") {
			words = append(words, "to", x.Str("reference"))
		}
		for _, r := range n.Each("reason") {
			words = append(words, "since", r.Str("text"))
		}
		out = append(out, strings.Join(words, " "))
	}
	return out
}

// TestCorrectionLeavesProvenance: a correction by another person than the one
// who charted, and every one that changes a figure, says who made it, from which
// version, and why.
func TestCorrectionLeavesProvenance(t *testing.T) {
	h := newHospital(t)
	by := func(who string, n obj) {
		h.Helper()
		cs := puts(n)
		cs[0].By = who
		h.commit(cs...)
	}
	charted := func(ml string, more ...any) obj {
		return with(emptying("e1", 2, ml), append([]any{"performer", fhirjson.Arr(reference("Practitioner", "n1"))}, more...)...)
	}
	noted := func(texts ...string) obj {
		a := fhirjson.Arr()
		for _, x := range texts {
			a.Items = append(a.Items, fhirjson.Obj("text", x))
		}
		return a
	}
	want := func(what string, list ...string) {
		h.Helper()
		if got := h.provenances("e1"); strings.Join(got, "\n") != strings.Join(list, "\n") {
			h.Errorf("%s:\n%s\nwant\n%s", what, strings.Join(got, "\n"), strings.Join(list, "\n"))
		}
	}
	h.at(2)
	by("Practitioner/n1", charted("40"))
	want("charting is no correction")
	by("Practitioner/n2", charted("40"))
	want("the same again, by whomever, corrects nothing")
	by("Practitioner/n1", charted("40", "note", noted("after a walk")))
	want("a note by the one who charted changes no figure")
	h.at(3)
	by("Practitioner/n1", charted("4", "status", "corrected", "note", noted("after a walk", "a nought too many")))
	first := "Practitioner/n1 revision Observation/e1/_history/3 to Observation/e1/_history/4 since a nought too many"
	want("a figure", first)
	h.at(4)
	by("Practitioner/n2", charted("4", "status", "corrected", "note", noted("after a walk", "a nought too many", "read together")))
	second := "Practitioner/n2 revision Observation/e1/_history/4 to Observation/e1/_history/5 since read together"
	want("another person", first, second)
	h.at(5)
	by("Practitioner/n2", charted("4", "status", "entered-in-error", "note", noted("after a walk", "a nought too many", "read together")))
	third := "Practitioner/n2 revision Observation/e1/_history/5 to Observation/e1/_history/6"
	want("withdrawn, without a reason", first, second, third)
	if v, err := h.db.Read(context.Background(), store.Key{Type: "Observation", ID: "e1"}); err != nil || v.Number != 6 {
		t.Error(v.Number, err)
	}
	h.at(6)
	h.commit(Change{Key: store.Key{Type: "Observation", ID: "e1"}, Method: store.Delete, By: "Practitioner/n3"})
	want("deleted", first, second, third, "Practitioner/n3 revision Observation/e1/_history/6 to Observation/e1/_history/7")
}
