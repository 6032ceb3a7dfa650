package storetest

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"testing"

	"tidemark/internal/search"
	"tidemark/internal/store"
)

// ExtractBefore is Extract as a program had it that knew no search parameters
// of the service's own.
func ExtractBefore(ctx context.Context, raw []byte) (search.Doc, error) {
	d, err := Extract(ctx, raw)
	d.Entries = slices.DeleteFunc(d.Entries, func(e search.Entry) bool { return addedLater(d.Type, e.Param) })
	return d, err
}

func addedLater(typ, param string) bool {
	p, ok := search.Lookup(typ, param)
	return ok && !strings.HasPrefix(p.URL, "http://hl7.org/")
}

// Upgrade fills a store that was opened with ExtractBefore, has it closed,
// given the schema of its time and opened with Extract by upgrade, and looks
// whether the parameters that were added find what was there.
func Upgrade(t *testing.T, before store.Store, upgrade func() store.Store) {
	t.Helper()
	ctx := context.Background()
	finding := func(id, severity, status string) store.Write {
		return Put(t, fmt.Sprintf(`{"resourceType":"DetectedIssue","id":%q,"meta":{},"status":%q,"severity":%q,"patient":{"reference":"Patient/p"},"identifiedDateTime":"2026-05-01T10:00:00Z"}`, id, status, severity))
	}
	put := func(s store.Store, extract func(context.Context, []byte) (search.Doc, error), writes ...store.Write) {
		t.Helper()
		for _, w := range writes {
			if w.Method != store.Delete {
				var err error
				if w.Doc, err = extract(ctx, w.Body.JSON); err != nil {
					t.Fatal(err)
				}
			}
			if _, err := s.Commit(ctx, []store.Write{w}, nil); err != nil {
				t.Fatal(err)
			}
		}
	}
	put(before, ExtractBefore,
		finding("a", "high", "final"), finding("b", "moderate", "final"), finding("b", "high", "amended"),
		finding("c", "high", "final"), remove("DetectedIssue", "c"), finding("d", "low", "final"),
		Put(t, `{"resourceType":"DeviceUseStatement","id":"u","meta":{},"status":"active","device":{"reference":"Device/d"},"subject":{"reference":"Patient/p"}}`),
		patient(t, "p", "x"))
	clauses := func(typ, text string) []search.Clause {
		t.Helper()
		pairs, err := search.ParsePairs(text)
		if err != nil {
			t.Fatal(err)
		}
		q, _, err := search.ParseQuery(typ, pairs, search.ParseOptions{})
		if err != nil {
			t.Fatal(err)
		}
		return q.Where
	}
	find := func(s store.Store, typ, text string) string {
		t.Helper()
		page, err := s.Search(ctx, search.Query{Type: typ, Where: clauses(typ, text), Count: 100})
		if err != nil {
			t.Fatal(err)
		}
		var ids []string
		for _, v := range page.Matches {
			ids = append(ids, v.ID)
		}
		return strings.Join(ids, " ")
	}
	if got := find(before, "DetectedIssue", "severity=high"); got != "" {
		t.Errorf("the store of before finds %q by severity: this test tests nothing", got)
	}
	s := upgrade()
	// Once more of what is there: a write compares the index with what the version before it says.
	put(s, Extract, finding("a", "high", "amended"), finding("e", "high", "final"))
	for _, c := range []struct{ typ, query, want string }{
		{"DetectedIssue", "severity=high", "a b e"},
		{"DetectedIssue", "severity=http://hl7.org/fhir/detectedissue-severity|high", "a b e"},
		{"DetectedIssue", "severity=moderate", ""},
		{"DetectedIssue", "severity=low", "d"},
		{"DetectedIssue", "status=amended", "a b"},
		{"DetectedIssue", "status=final&patient=p", "d e"},
		{"DetectedIssue", "severity:not=high", "d"},
		{"DeviceUseStatement", "status=active", "u"},
		{"DeviceUseStatement", "status=completed", ""},
	} {
		if got := find(s, c.typ, c.query); got != c.want {
			t.Errorf("%s?%s finds %q, want %q", c.typ, c.query, got, c.want)
		}
	}
	for query, want := range map[string]string{"severity=moderate": "b/1", "severity=high": "e/1 a/2 c/2 c/1 b/2 a/1"} {
		h, err := s.History(ctx, store.HistoryQuery{Type: "DetectedIssue", Within: [][]search.Clause{clauses("DetectedIssue", query)}, Count: 100})
		if err != nil {
			t.Fatal(err)
		}
		var got []string
		for _, v := range h.Versions {
			got = append(got, fmt.Sprintf("%s/%d", v.ID, v.Number))
		}
		if strings.Join(got, " ") != want {
			t.Errorf("the history within %s has %v, want %s", query, got, want)
		}
	}
}
