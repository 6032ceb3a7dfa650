package app

import (
	"context"
	"errors"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/prometheus/client_golang/prometheus/testutil/promlint"

	"tidemark/internal/auth"
	"tidemark/internal/drain"
	"tidemark/internal/fhirjson"
	"tidemark/internal/search"
	"tidemark/internal/sim"
	"tidemark/internal/store"
	"tidemark/internal/ward"
)

// labels are all that /metrics may have, with what bounds their values.
var labels = map[string]string{
	"commit": "of this program", "go": "of this program",
	"interaction":  "the interactions of FHIR",
	"type":         "the types that are served",
	"status":       "HTTP statuses; those of a Subscription",
	"reason":       "notify.Reason",
	"concern":      "the kinds of concerns, and the rules by which issues of before go",
	"severity":     "the severities",
	"subscription": "the Subscriptions that are served",
	"le":           "buckets", "quantile": "quantiles", "version": "of Go",
}

// TestMetrics looks at what a service that did some work shows.
func TestMetrics(t *testing.T) {
	a, err := New(t.Context(), Config{Listen: "127.0.0.1:0", AdminListen: "127.0.0.1:0", Data: t.TempDir(), SweepEvery: 10 * time.Millisecond, Logger: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	stopped := false
	defer func() {
		if !stopped {
			_ = a.Stop(context.Background()) // the test has failed already
		}
	}()
	commit := func(typ, id string, n *fhirjson.Node) {
		t.Helper()
		method := store.Put
		if n == nil {
			method = store.Delete
		}
		if _, err := a.Ward().Commit(t.Context(), []ward.Change{{Method: method, Key: store.Key{Type: typ, ID: id}, Resource: n}}, nil); err != nil {
			t.Fatal(err)
		}
	}
	patients := map[string]bool{}
	for s := range sim.Steps(sim.Options{Seed: 1, Patients: 6, Days: 2, End: time.Now()}) {
		commit(s.Type, s.ID, s.Resource())
		if s.Type == "Patient" {
			patients[s.ID] = true
		}
	}
	n, err := fhirjson.Parse([]byte(`{"resourceType":"Subscription","id":"s1","status":"error","reason":"x","criteria":"Observation?","channel":{"type":"rest-hook","endpoint":"https://receiver.example.org/"}}`))
	if err != nil {
		t.Fatal(err)
	}
	commit("Subscription", "s1", n)
	a.Start()

	token, err := a.Key().Mint(auth.TokenRequest{Subject: "Practitioner/x", Scope: "system/*.cruds", TTL: time.Hour, Now: time.Now()})
	if err != nil {
		t.Fatal(err)
	}
	for id := range patients {
		// What callers send must not become a label: not the type, not the operation, not the id.
		for _, path := range []string{"/Patient/" + id, "/" + id, "/Patient/" + id + "/$" + id, "/Observation?patient=" + id, "/" + id + "/" + id, "/bulk/" + id} {
			for _, bearer := range []string{"Bearer " + token, ""} {
				r, err := http.NewRequestWithContext(t.Context(), http.MethodGet, a.Base()+path, nil)
				if err != nil {
					t.Fatal(err)
				}
				r.Header.Set("Authorization", bearer)
				res, err := http.DefaultClient.Do(r)
				if err != nil {
					t.Fatal(err)
				}
				res.Body.Close()
			}
		}
	}
	values := map[string]float64{}
	for values["tidemark_sweep_last_success_timestamp_seconds"] == 0 || values["tidemark_requests_total"] == 0 {
		if t.Context().Err() != nil {
			t.Fatal("no sweep was told")
		}
		mfs, err := a.metrics.registry.Gather()
		if err != nil {
			t.Fatal(err)
		}
		clear(values)
		for _, mf := range mfs {
			for _, m := range mf.GetMetric() {
				for _, l := range m.GetLabel() {
					if labels[l.GetName()] == "" {
						t.Errorf("%s has the label %s: say in this test what bounds it", mf.GetName(), l.GetName())
					}
				}
				values[mf.GetName()] += m.GetCounter().GetValue() + m.GetGauge().GetValue() + float64(m.GetHistogram().GetSampleCount())
			}
		}
		ps, err := promlint.NewWithMetricFamilies(mfs).Lint()
		if err != nil {
			t.Fatal(err)
		}
		for _, p := range ps {
			t.Errorf("%s: %s", p.Metric, p.Text)
		}
		if t.Failed() {
			t.FailNow()
		}
		time.Sleep(time.Millisecond)
	}
	open, err := a.store.OpenConcerns(t.Context(), "", 500)
	if err != nil {
		t.Fatal(err)
	}
	for name, want := range map[string]float64{
		"tidemark_store_up": 1, "tidemark_subscriptions": 1, "tidemark_audit_queue_room": 8192, "tidemark_open_concerns": float64(len(open)),
		"tidemark_commit_group_failures_total": 0, "tidemark_sweep_failures_total": 0,
	} {
		if got := values[name]; got != want {
			t.Errorf("%s is %v, want %v", name, got, want)
		}
	}
	for _, name := range []string{"tidemark_commit_group_calls", "tidemark_commit_group_seconds", "tidemark_rule_evaluation_seconds", "tidemark_store_sequence",
		"tidemark_unacknowledged_high_concerns", "tidemark_unacknowledged_high_concerns_oldest_seconds", "tidemark_request_seconds"} {
		if values[name] <= 0 {
			t.Errorf("%s is %v", name, values[name])
		}
	}
	w := httptest.NewRecorder()
	a.adminHandler().ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/metrics", nil))
	for id := range patients {
		if strings.Contains(w.Body.String(), id) {
			t.Errorf("/metrics names the patient %s", id)
		}
	}
	if len(patients) < 2 {
		t.Error("no patients to look for")
	}
	stopped = true
	if err := a.Stop(context.Background()); err != nil {
		t.Error(err)
	}
}

// pretend is a store with these open concerns.
type pretend struct {
	store.Store
	open []drain.Concern
	last time.Time // of the newest version
	err  error
}

func (p *pretend) LastSeq(context.Context) (int64, error) { return 7, p.err }

func (p *pretend) Changes(context.Context, int64, int) ([]store.Version, error) {
	return []store.Version{{Seq: 7, At: p.last}}, p.err
}

func (p *pretend) Count(context.Context, search.Query, int) (int, error) { return 2, p.err }

func (p *pretend) OpenConcerns(_ context.Context, after string, limit int) ([]drain.Concern, error) {
	i := slices.IndexFunc(p.open, func(f drain.Concern) bool { return f.ID > after })
	if i < 0 {
		return nil, nil
	}
	return p.open[i:min(i+limit, len(p.open))], nil
}

func TestConcernsThatNobodyAcknowledged(t *testing.T) {
	now := time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)
	ago := func(d time.Duration) time.Time { return now.Add(-d) }
	p := &pretend{last: now.Add(90 * time.Second), open: []drain.Concern{
		{ID: "a", Kind: "fluid", Severity: drain.High, Since: ago(time.Hour)},
		{ID: "b", Kind: "fluid", Severity: drain.High, Since: ago(3 * time.Hour), Acknowledged: drain.Acknowledged{At: ago(2 * time.Hour)}},
		// Acknowledged while it was moderate, and worse since.
		{ID: "c", Kind: "site", Severity: drain.High, Since: ago(2 * time.Hour), Acknowledged: drain.Acknowledged{At: ago(time.Hour), Void: "acknowledged 11:00, worse since: pus"}},
		{ID: "d", Kind: "charting", Severity: drain.Moderate, Since: ago(9 * time.Hour), Evidence: []drain.Evidence{{Rule: "stale"}, {Rule: "overdue"}}},
		{ID: "e", Kind: "charting", Severity: drain.Moderate, Since: ago(9 * time.Hour), Evidence: []drain.Evidence{{Rule: "overdue"}}},
	}}
	m := newMetrics(Config{Clock: func() time.Time { return now }})
	m.watch(p, func() (int, int) { return 5, 10 })
	gather := func() map[string]float64 {
		mfs, err := m.registry.Gather()
		if err != nil {
			t.Fatal(err)
		}
		out := map[string]float64{}
		for _, mf := range mfs {
			if name := mf.GetName(); strings.HasPrefix(name, "tidemark_") && mf.GetMetric()[0].GetGauge() != nil {
				for _, x := range mf.GetMetric() {
					words := []string{name}
					for _, l := range x.GetLabel() {
						words = append(words, l.GetValue())
					}
					out[strings.Join(words, " ")] = x.GetGauge().GetValue()
				}
			}
		}
		return out
	}
	want := map[string]float64{
		"tidemark_unacknowledged_high_concerns": 2, "tidemark_unacknowledged_high_concerns_oldest_seconds": 7200,
		"tidemark_open_concerns fluid high": 2, "tidemark_open_concerns site high": 1, "tidemark_open_concerns charting moderate": 2, "tidemark_stale_drains": 1,
		"tidemark_store_up": 1, "tidemark_store_sequence": 7, "tidemark_version_time_ahead_seconds": 90, "tidemark_audit_queue_records": 5, "tidemark_audit_queue_room": 10,
		"tidemark_subscriptions requested": 2, "tidemark_subscriptions active": 2, "tidemark_subscriptions error": 2, "tidemark_subscriptions off": 2,
		"tidemark_sweep_last_success_timestamp_seconds": 0, "tidemark_delivery_behind_seconds s": 60, "tidemark_deliveries_waiting s": 3,
	}
	m.Lag("s", time.Minute, 3)
	if d := cmp.Diff(want, gather()); d != "" {
		t.Error(d)
	}
	// A Subscription that is gone leaves no series behind, a failed sweep is none.
	m.Ended("s")
	m.swept(errors.New("x"))
	p.open, p.last = nil, now.Add(-time.Hour)
	want["tidemark_version_time_ahead_seconds"] = 0
	for name := range want {
		if strings.HasSuffix(name, " s") || strings.HasPrefix(name, "tidemark_open_concerns ") {
			delete(want, name)
		}
	}
	want["tidemark_unacknowledged_high_concerns"], want["tidemark_unacknowledged_high_concerns_oldest_seconds"] = 0, 0
	want["tidemark_stale_drains"] = 0
	if d := cmp.Diff(want, gather()); d != "" {
		t.Error(d)
	}
	m.swept(nil)
	if got := gather()["tidemark_sweep_last_success_timestamp_seconds"]; got != float64(now.Unix()) {
		t.Error("last sweep at", got)
	}
	p.err = errors.New("away")
	got := gather()
	if got["tidemark_store_up"] != 0 {
		t.Error("a store that does not answer is up")
	}
	if _, ok := got["tidemark_open_concerns fluid high"]; ok {
		t.Error("concerns of a store that does not answer")
	}
}
