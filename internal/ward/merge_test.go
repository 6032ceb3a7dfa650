package ward

import (
	"context"
	"strings"
	"testing"

	"tidemark/internal/search"
	"tidemark/internal/store"
)

// TestMergeBetween: another process merges the patient's record between the reading
// and the commit of an entry that opens a concern. Neither stays behind with the old
// record, once the sweep has passed.
func TestMergeBetween(t *testing.T) {
	h := newHospital(t)
	h.at(1)
	other, b := h.another(h.db), &between{Store: h.db}
	h.Service = h.another(b)
	b.once = func() {
		m := Merge{Source: "p1", Target: "p2", By: "clerk", Types: []string{"DetectedIssue", "DeviceUseStatement", "Observation"},
			Audit: func(method store.Method, key store.Key, number int64) store.AuditRecord {
				return store.AuditRecord{At: h.clock(), Action: "U", Interaction: "update", Outcome: "0", Agent: "clerk", Entity: key.String()}
			}}
		if _, err := other.Merge(context.Background(), m); err != nil {
			t.Error(err)
		}
	}
	_, err := h.Commit(context.Background(), puts(check("c1", 1, part("suction-state", "lost"))), nil)
	t.Logf("the entry: %v", err)
	if b.once != nil {
		t.Fatal("nothing was merged")
	}
	for range 2 { // and after the note of the merge has expired
		if _, err := other.Sweep(context.Background(), true); err != nil {
			t.Fatal(err)
		}
		entries := 0
		for _, typ := range []string{"Observation", "DetectedIssue", "DeviceUseStatement"} {
			page, err := h.db.Search(context.Background(), search.Query{Type: typ, Count: store.MaxPage})
			if err != nil {
				t.Fatal(err)
			}
			for _, v := range page.Matches {
				entries++
				if strings.Contains(string(v.Body.JSON), `"Patient/p1"`) {
					t.Errorf("%s still belongs to the old record: %s", v.Key, v.Body.JSON)
				}
			}
		}
		if want := map[bool]int{true: 3, false: 1}[err == nil]; entries != want {
			t.Errorf("%d resources about the drain, want %d", entries, want)
		}
		h.at(1 + 1.1*mergeLasts.Hours())
	}
	if names, err := h.db.States(context.Background(), mergePrefix); err != nil || len(names) != 0 {
		t.Errorf("the note of the merge stays: %v %v", names, err)
	}
}
