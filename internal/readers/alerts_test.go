package readers

import (
	"bytes"
	"context"
	"fmt"
	"log/slog"
	"maps"
	"net/http"
	"net/http/httptest"
	"os"
	"regexp"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/prometheus/common/expfmt"
	"github.com/prometheus/common/model"
	"github.com/prometheus/prometheus/model/histogram"
	"github.com/prometheus/prometheus/model/labels"
	"github.com/prometheus/prometheus/model/rulefmt"
	"github.com/prometheus/prometheus/promql"
	"github.com/prometheus/prometheus/promql/parser"
	"github.com/prometheus/prometheus/storage"
	"github.com/prometheus/prometheus/tsdb/chunkenc"
	"github.com/prometheus/prometheus/tsdb/chunks"
	"github.com/prometheus/prometheus/util/annotations"

	"tidemark/internal/app"
	"tidemark/internal/sim"
)

const alertsFile = "../../testdata/alerts.yml"

var language = parser.NewParser(parser.Options{})

// alerts are the rules of the file by name, as Prometheus reads them.
func alerts(t *testing.T) map[string]rulefmt.Rule {
	t.Helper()
	content, err := os.ReadFile(alertsFile)
	if err != nil {
		t.Fatal(err)
	}
	groups, errs := rulefmt.Parse(content, false, model.UTF8Validation, language, slog.New(slog.DiscardHandler))
	for _, err := range errs {
		t.Error(err)
	}
	if t.Failed() {
		t.FailNow()
	}
	out := map[string]rulefmt.Rule{}
	for _, g := range groups.Groups {
		for _, r := range g.Rules {
			if _, twice := out[r.Alert]; twice || r.Alert == "" {
				t.Errorf("the rule %q stands twice, or is no alert", r.Alert)
			}
			out[r.Alert] = r
		}
	}
	return out
}

// shown are the series of a scrape: metric → label → values.
type shown map[string]map[string]map[string]bool

// scrape reads /metrics as Prometheus does.
func (s *service) scrape() shown {
	s.t.Helper()
	body := s.want(http.StatusOK, http.MethodGet, "http://"+s.app.AdminAddr()+"/metrics", nil)
	p := expfmt.NewTextParser(model.UTF8Validation)
	families, err := p.TextToMetricFamilies(bytes.NewReader(body))
	if err != nil {
		s.t.Fatal(err)
	}
	vectors, err := expfmt.ExtractSamples(&expfmt.DecodeOptions{Timestamp: model.Now()}, slices.Collect(maps.Values(families))...)
	if err != nil {
		s.t.Fatal(err)
	}
	out := shown{}
	for _, v := range vectors {
		name := string(v.Metric[model.MetricNameLabel])
		if out[name] == nil {
			out[name] = map[string]map[string]bool{}
		}
		for l, value := range v.Metric {
			if out[name][string(l)] == nil {
				out[name][string(l)] = map[string]bool{}
			}
			out[name][string(l)][string(value)] = true
		}
	}
	return out
}

// target are the labels that Prometheus itself adds.
var target = []string{"job", "instance"}

// unseen are values that a healthy service does not show, with what they are.
var unseen = map[string]*regexp.Regexp{"status": regexp.MustCompile(`^[1-5][0-9][0-9]$`)}

// TestAlertsNameWhatIsShown brings a service to show all that the rules ask for,
// and looks up each name in it.
func TestAlertsNameWhatIsShown(t *testing.T) {
	end := time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)
	// A receiver that fails at first.
	var calls atomic.Int64
	receiver := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		if calls.Add(1) == 1 {
			w.WriteHeader(http.StatusInternalServerError)
		}
	}))
	defer receiver.Close()
	address := receiver.Listener.Addr().String()
	// The charting ended two days ago: every drain is stale.
	s := serve(t, end.Add(48*time.Hour), "", func(c *app.Config) { c.Rate, c.Webhooks = 50, []string{address} })
	s.hospital(sim.Options{Seed: 3, Patients: 3, Days: 2, End: end, Zone: time.UTC})
	drains := s.object("Device?_count=1")
	device := drains["entry"].([]any)[0].(map[string]any)["resource"].(map[string]any)
	patient := device["patient"].(map[string]any)["reference"].(string)

	s.want(http.StatusCreated, http.MethodPost, "Subscription", fmt.Appendf(nil, `{"resourceType":"Subscription","status":"requested","reason":"x","criteria":"Observation?","channel":{"type":"rest-hook","endpoint":"http://%s/x","payload":"application/fhir+json"}}`, address))
	s.want(http.StatusCreated, http.MethodPost, "Observation", fmt.Appendf(nil, `{"resourceType":"Observation","status":"final","code":{"coding":[{"system":"http://loinc.org","code":"9187-6"}]},"subject":{"reference":%q},"effectiveDateTime":%q,"valueQuantity":{"value":100,"unit":"mL","system":"http://unitsofmeasure.org","code":"mL"}}`,
		patient, end.Format(time.RFC3339)))
	greedy := s.mint("Practitioner/greedy")
	for status := 0; status != http.StatusTooManyRequests; {
		status, _, _ = s.do(http.MethodGet, "Patient?_count=1", nil, "Authorization", "Bearer "+greedy)
	}

	rules := alerts(t)
	// What the service does by itself is awaited.
	var missing []string
	for deadline := time.Now().Add(time.Minute); time.Now().Before(deadline); time.Sleep(10 * time.Millisecond) {
		have := s.scrape()
		missing = nil
		for _, name := range slices.Sorted(maps.Keys(rules)) {
			for _, m := range unknown(t, rules[name], have) {
				missing = append(missing, name+": "+m)
			}
		}
		if len(missing) == 0 {
			return
		}
	}
	t.Errorf("the rules ask for what /metrics does not show:\n%s", strings.Join(missing, "\n"))
}

// unknown is what a rule names and a scrape does not.
func unknown(t *testing.T, r rulefmt.Rule, have shown) (missing []string) {
	t.Helper()
	expr, err := language.ParseExpr(r.Expr)
	if err != nil {
		t.Fatal(err)
	}
	named := map[string]bool{}
	parser.Inspect(expr, func(n parser.Node, _ []parser.Node) error {
		v, ok := n.(*parser.VectorSelector)
		if !ok {
			return nil
		}
		series := have[v.Name]
		if series == nil {
			missing = append(missing, "the metric "+v.Name)
			return nil
		}
		for l := range series {
			named[l] = true
		}
		for _, m := range v.LabelMatchers {
			switch {
			case series[m.Name] == nil:
				missing = append(missing, fmt.Sprintf("the label %s of %s", m.Name, v.Name))
			case m.Type != labels.MatchEqual:
				missing = append(missing, m.String()+", of which this test cannot tell whether it is ever shown")
			case !series[m.Name][m.Value] && (unseen[m.Name] == nil || !unseen[m.Name].MatchString(m.Value)):
				missing = append(missing, fmt.Sprintf("%s{%s}", v.Name, m))
			}
		}
		return nil
	})
	parser.Inspect(expr, func(n parser.Node, _ []parser.Node) error {
		if a, ok := n.(*parser.AggregateExpr); ok {
			for _, l := range a.Grouping {
				if !named[l] && !slices.Contains(target, l) {
					missing = append(missing, "the label "+l)
				}
			}
		}
		return nil
	})
	return missing
}

// TestAlertsFire runs each rule over made-up samples, a minute apart: one hour
// in which it must fire, and one in which it must not.
func TestAlertsFire(t *testing.T) {
	const quantile = `_bucket{%[1]sle="0.005"} 0+%[2]dx60|_bucket{%[1]sle="0.05"} 0+%[2]dx60|_bucket{%[1]sle="0.25"} 0+%[3]dx60|_bucket{%[1]sle="15"} 0+%[3]dx60|_bucket{%[1]sle="60"} 0+%[4]dx60|_bucket{%[1]sle="+Inf"} 0+%[4]dx60`
	// spread is a histogram that takes so many more a minute: up to 0.05 s, up
	// to 0.25 s (and 15 s), in all.
	spread := func(metric, more string, quick, fair, all int) string {
		text := fmt.Sprintf(quantile, `job="t",instance="a",`+more, quick, fair, all)
		return metric + strings.ReplaceAll(text, "|", "|"+metric)
	}
	const a, b = `{job="t",instance="a"}`, `{job="t",instance="b"}`
	rules := alerts(t)
	tested := map[string]bool{}
	for _, test := range []struct {
		alert, fires, quiet string // series, "|" between them
	}{
		{"TidemarkAway", `other{job="t"} 1x60`, `tidemark_store_up` + a + ` 1x60`},
		{"TidemarkStoreAway", `tidemark_store_up` + a + ` 1x10 0x5 1x40`, `tidemark_store_up` + a + ` 1x60`},
		{"TidemarkDiskFull", `tidemark_disk_free_bytes` + a + ` 2e9x20 9e8x40`, `tidemark_disk_free_bytes` + a + ` 5e9x60|tidemark_store_bytes` + a + ` 4e9x60`},
		{"TidemarkIssuerKeysOld", `tidemark_issuer_keys_age_seconds` + a + ` 0+600x60`, `tidemark_issuer_keys_age_seconds` + a + ` 600x60`},
		{"TidemarkClockWrong", `tidemark_version_time_ahead_seconds` + a + ` 0x5 1700x60`, `tidemark_version_time_ahead_seconds` + a + ` 30x60`},
		{"TidemarkWritesFail", `tidemark_commit_group_failures_total` + a + ` 0x10 3x50`, `tidemark_commit_group_failures_total` + a + ` 7x60`},
		{"TidemarkAnswersUnavailable",
			`tidemark_requests_total{job="t",instance="a",interaction="create",type="Observation",status="503"} 0+2x60|tidemark_requests_total{job="t",instance="b",interaction="read",type="Device",status="200"} 0+100x60`,
			`tidemark_requests_total{job="t",instance="a",interaction="create",type="Observation",status="503"} 0+1x60|tidemark_requests_total{job="t",instance="b",interaction="read",type="Device",status="200"} 0+200x60`},
		{"TidemarkSlowPosts", spread("tidemark_request_seconds", `interaction="create",`, 900, 980, 1000),
			spread("tidemark_request_seconds", `interaction="create",`, 900, 999, 1000) + "|" + spread("tidemark_request_seconds", `interaction="operation",`, 0, 0, 1000)},
		{"TidemarkSlowDisk", spread("tidemark_commit_group_seconds", "", 900, 1000, 1000), spread("tidemark_commit_group_seconds", "", 1000, 1000, 1000)},
		{"TidemarkAuditQueue", `tidemark_audit_queue_records` + a + ` 5000x60|tidemark_audit_queue_room` + a + ` 8192x60`, `tidemark_audit_queue_records` + a + ` 4000x60|tidemark_audit_queue_room` + a + ` 8192x60`},
		{"TidemarkClientsHeldBack", `tidemark_requests_total{job="t",instance="a",interaction="unknown",type="",status="429"} 0+10x60`, `tidemark_requests_total{job="t",instance="a",interaction="unknown",type="",status="429"} 0+5x60|tidemark_requests_total{job="t",instance="a",interaction="read",type="",status="200"} 0+1000x60`},
		// Samples begin at the epoch: a sweep at 600 s is the last one. The other process of the two never sweeps.
		{"TidemarkSweepNotRunning", `tidemark_sweep_last_success_timestamp_seconds` + a + ` 0+60x10 600x50|tidemark_sweep_last_success_timestamp_seconds` + b + ` 0x60`,
			`tidemark_sweep_last_success_timestamp_seconds` + a + ` 0+60x60|tidemark_sweep_last_success_timestamp_seconds` + b + ` 0x60`},
		{"TidemarkSweepFails", `tidemark_sweep_failures_total` + a + ` 0+4x60`, `tidemark_sweep_failures_total` + a + ` 0x30 2x30`},
		{"TidemarkDefect", `tidemark_defects_total` + a + ` 0x30 1x30`, `tidemark_defects_total` + a + ` 3x60`},
		{"TidemarkDeliverySetAside", `tidemark_deliveries_set_aside_total{job="t",instance="a",reason="refused"} 0x30 1x30`, `tidemark_deliveries_set_aside_total{job="t",instance="a",reason="refused"} 1x60`},
		{"TidemarkConcernUnacknowledged", `tidemark_unacknowledged_high_concerns_oldest_seconds` + a + ` 3000+60x60`, `tidemark_unacknowledged_high_concerns_oldest_seconds` + a + ` 0+60x59`},
		{"TidemarkConcernsPileUp", `tidemark_unacknowledged_high_concerns` + a + ` 11x60`, `tidemark_unacknowledged_high_concerns` + a + ` 11x20 3x40`},
		// Both processes show the same two drains.
		{"TidemarkStaleDrains", `tidemark_stale_drains{job="t",instance="a"} 2x60|tidemark_stale_drains{job="t",instance="b"} 2x60`,
			`tidemark_open_concerns{job="t",instance="a",concern="charting",severity="low"} 9x60|tidemark_stale_drains{job="t",instance="a"} 0x60`},
		{"TidemarkDeliveriesBehind", `tidemark_delivery_behind_seconds{job="t",instance="a",subscription="s1"} 0x10 0+60x50`, `tidemark_delivery_behind_seconds{job="t",instance="a",subscription="s1"} 0x10 0+60x2 0x48`},
		{"TidemarkDeliveriesSlow", spread("tidemark_delivery_lag_seconds", "", 900, 980, 1000), spread("tidemark_delivery_lag_seconds", "", 900, 995, 1000)},
		{"TidemarkDeliveriesFail", `tidemark_delivery_failures_total{job="t",instance="a",reason="timeout"} 0+3x60`, `tidemark_delivery_failures_total{job="t",instance="a",reason="timeout"} 0+1x60|tidemark_delivery_failures_total{job="t",instance="a",reason="refused"} 0+1x60`},
		{"TidemarkSubscriptionInError", `tidemark_subscriptions{job="t",instance="a",status="error"} 0x10 1x50`, `tidemark_subscriptions{job="t",instance="a",status="error"} 0x60|tidemark_subscriptions{job="t",instance="a",status="active"} 4x60`},
		{"TidemarkSubscriptionGivenUp", `tidemark_subscriptions_given_up_total` + a + ` 0x10 1x50`, `tidemark_subscriptions_given_up_total` + a + ` 1x60`},
	} {
		t.Run(test.alert, func(t *testing.T) {
			r, ok := rules[test.alert]
			if !ok {
				t.Fatal("there is no such rule")
			}
			tested[test.alert] = true
			fired := run(t, r, test.fires)
			if len(fired) == 0 {
				t.Error("it does not fire")
			}
			// What the words refer to must be there when it does.
			for _, m := range regexp.MustCompile(`\$labels\.(\w+)`).FindAllStringSubmatch(fmt.Sprint(r.Annotations), -1) {
				if len(fired) > 0 && fired[0].Get(m[1]) == "" {
					t.Errorf("the words name the label %s, which the alert has not: %v", m[1], fired[0])
				}
			}
			if len(fired) > 1 {
				t.Errorf("it fires %d times for one fault: %v", len(fired), fired)
			}
			if fired := run(t, r, test.quiet); len(fired) > 0 {
				t.Errorf("it fires without a reason: %v", fired)
			}
			if r.Labels["severity"] == "" || r.Annotations["summary"] == "" || r.Annotations["action"] == "" {
				t.Error("it needs a severity, a summary and an action")
			}
		})
	}
	for name := range rules {
		if !tested[name] {
			t.Errorf("%s has no case here", name)
		}
	}
}

// run gives the labels of the alerts that fire within an hour.
func run(t *testing.T, r rulefmt.Rule, series string) []labels.Labels {
	t.Helper()
	const step = 15 * time.Second
	engine := promql.NewEngine(promql.EngineOpts{MaxSamples: 1e6, Timeout: time.Minute, LookbackDelta: 5 * time.Minute, Parser: language})
	defer engine.Close()
	q, err := engine.NewRangeQuery(context.Background(), madeUp(t, series), nil, r.Expr, time.UnixMilli(0), time.Unix(3600, 0), step)
	if err != nil {
		t.Fatal(err)
	}
	defer q.Close()
	result := q.Exec(context.Background())
	m, err := result.Matrix()
	if err != nil {
		t.Fatal(err)
	}
	var fired []labels.Labels
	for _, s := range m {
		lasted, last := time.Duration(-1), int64(-1)
		for _, p := range s.Floats {
			if last < 0 || p.T-last > step.Milliseconds() {
				lasted = 0
			} else {
				lasted += step
			}
			if last = p.T; lasted >= time.Duration(r.For) {
				fired = append(fired, s.Metric)
				break
			}
		}
	}
	return fired
}

// samples is a store of made-up series, in the notation of Prometheus's own
// rule tests: metric{labels} start+growth x count.
type samples struct {
	storage.MockQuerier // label names and values, which no rule asks for
	series              []storage.Series
}

func madeUp(t *testing.T, text string) storage.Queryable {
	t.Helper()
	s := &samples{}
	for _, line := range strings.Split(text, "|") {
		l, values, err := language.ParseSeriesDesc(line)
		if err != nil {
			t.Fatalf("%s: %v", line, err)
		}
		var list []chunks.Sample
		for i, v := range values {
			if !v.Omitted {
				list = append(list, sample{int64(i) * 60_000, v.Value})
			}
		}
		s.series = append(s.series, storage.NewListSeries(l, list))
	}
	return storage.QueryableFunc(func(int64, int64) (storage.Querier, error) { return s, nil })
}

// Select gives the series that match.
func (s *samples) Select(_ context.Context, _ bool, _ *storage.SelectHints, matchers ...*labels.Matcher) storage.SeriesSet {
	var found []storage.Series
	for _, x := range s.series {
		if !slices.ContainsFunc(matchers, func(m *labels.Matcher) bool { return !m.Matches(x.Labels().Get(m.Name)) }) {
			found = append(found, x)
		}
	}
	return &set{found: found}
}

type set struct {
	found []storage.Series
	at    int
}

func (s *set) Next() bool                        { s.at++; return s.at <= len(s.found) }
func (s *set) At() storage.Series                { return s.found[s.at-1] }
func (s *set) Err() error                        { return nil }
func (s *set) Warnings() annotations.Annotations { return nil }

type sample struct {
	t int64 // ms
	v float64
}

func (s sample) T() int64                      { return s.t }
func (s sample) ST() int64                     { return 0 }
func (s sample) F() float64                    { return s.v }
func (s sample) H() *histogram.Histogram       { return nil }
func (s sample) FH() *histogram.FloatHistogram { return nil }
func (s sample) Type() chunkenc.ValueType      { return chunkenc.ValFloat }
func (s sample) Copy() chunks.Sample           { return s }
