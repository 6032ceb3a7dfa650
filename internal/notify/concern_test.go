package notify

import (
	"context"
	"net/http/httptest"
	"slices"
	"testing"
	"time"

	"tidemark/fhirmap"
	"tidemark/internal/drain"
	"tidemark/internal/fhirjson"
	"tidemark/internal/store"
)

// Of a concern its announcements and acknowledgements are delivered, and nothing
// else: not new evidence, not a milder severity.
func TestOnlyAnnouncementsAreDelivered(t *testing.T) {
	m := newMemory()
	r := &receiverServer{}
	server := httptest.NewServer(r)
	defer server.Close()
	e := New(options(t, m, m.update, server.Listener.Addr().String()))
	e.Start(context.Background())
	defer e.Stop()
	sub := request(server.URL)
	sub.Set("criteria", fhirjson.Str("DetectedIssue?implicated=Device/d"))
	subscribe(t, e, m, "s", sub)

	at := time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)
	c := drain.Concern{ID: "c", Drain: "d", Patient: "p", Kind: "fluid", Severity: drain.High, Since: at, Headline: "110 mL in 2 h",
		Announced: drain.Announced{At: at, Reason: "opened"}, Evidence: []drain.Evidence{{Rule: "brisk-output", Severity: drain.High, Text: "110 mL.", Readings: []string{"o1"}}}}
	var want []int64
	n := fhirmap.Concern(c, nil)
	put := func(tells bool) {
		t.Helper()
		v, err := m.put(store.Key{Type: "DetectedIssue", ID: "c"}, n.Clone(), 0)
		if err != nil {
			t.Fatal(err)
		}
		if tells {
			want = append(want, v.Seq)
		}
	}
	put(true)
	c.Evidence[0].Readings = []string{"o1", "o2"}
	n = fhirmap.Concern(c, n)
	put(false)
	c.Severity = drain.Moderate
	n = fhirmap.Concern(c, n)
	put(false)
	c.Acknowledged = drain.Acknowledged{At: at.Add(time.Minute), By: "Practitioner/n1", Severity: drain.Moderate}
	fhirmap.Acknowledge(n, c.Acknowledged, "seen", "", "")
	put(true)
	c.Headline = "120 mL in 3 h"
	n = fhirmap.Concern(c, n)
	put(false)
	c.Announced, c.Severity = drain.Announced{At: at.Add(time.Hour), Reason: "worse"}, drain.High
	n = fhirmap.Concern(c, n)
	put(true)
	c.Announced, c.Until = drain.Announced{At: at.Add(2 * time.Hour), Reason: "closed"}, at.Add(2*time.Hour)
	n = fhirmap.Concern(c, n)
	put(true)
	e.Wake()
	eventually(t, "what tells something was delivered", func() bool { return len(firsts(r.all())) >= len(want) })
	var got []int64
	for _, g := range firsts(r.all()) {
		got = append(got, g.seq)
	}
	if !slices.Equal(got, want) {
		t.Errorf("delivered %v, want %v", got, want)
	}
}
