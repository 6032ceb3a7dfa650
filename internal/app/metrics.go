package app

import (
	"context"
	"net/http"
	"runtime"
	"runtime/debug"
	"strconv"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"tidemark/internal/drain"
	"tidemark/internal/escalate"
	"tidemark/internal/fault"
	"tidemark/internal/notify"
	"tidemark/internal/search"
	"tidemark/internal/store"
	"tidemark/internal/store/sqlite"
)

// metrics are what /metrics of the admin listener shows. No label and no
// value is about a patient, and no label takes its values from what callers
// send, but for the ids of the Subscriptions that are served.
type metrics struct {
	registry  *prometheus.Registry
	now       func() time.Time
	requests  *prometheus.CounterVec
	seconds   *prometheus.HistogramVec
	delivered prometheus.Counter
	givenUp   prometheus.Counter
	failed    *prometheus.CounterVec
	aside     *prometheus.CounterVec
	lag       prometheus.Histogram
	behind    *prometheus.GaugeVec
	waiting   *prometheus.GaugeVec

	rules       prometheus.Histogram
	sweep       prometheus.Gauge
	sweepFailed prometheus.Counter

	// Of the embedded store alone.
	groupCalls   prometheus.Histogram
	groupSeconds prometheus.Histogram
	groupFailed  prometheus.Counter
}

func newMetrics(cfg Config) *metrics {
	m := &metrics{
		registry: prometheus.NewRegistry(),
		now:      cfg.Clock,
		requests: prometheus.NewCounterVec(prometheus.CounterOpts{Name: "tidemark_requests_total", Help: "Requests answered, by FHIR interaction, resource type and HTTP status."}, []string{"interaction", "type", "status"}),
		seconds: prometheus.NewHistogramVec(prometheus.HistogramOpts{Name: "tidemark_request_seconds", Help: "Time to answer, by FHIR interaction.",
			Buckets: []float64{.001, .0025, .005, .01, .025, .05, .1, .25, .5, 1, 2.5, 5, 10}}, []string{"interaction"}),
		delivered: prometheus.NewCounter(prometheus.CounterOpts{Name: "tidemark_deliveries_total", Help: "Notifications that a receiver accepted."}),
		failed:    prometheus.NewCounterVec(prometheus.CounterOpts{Name: "tidemark_delivery_failures_total", Help: "Notification attempts that failed, by reason; each is tried again."}, []string{"reason"}),
		aside:     prometheus.NewCounterVec(prometheus.CounterOpts{Name: "tidemark_deliveries_set_aside_total", Help: "Notifications that were given up, so that the others go on, by reason: the receiver refused them for good, or a defect."}, []string{"reason"}),
		givenUp:   prometheus.NewCounter(prometheus.CounterOpts{Name: "tidemark_subscriptions_given_up_total", Help: "Subscriptions that were switched off because their receiver failed for too long."}),
		lag: prometheus.NewHistogram(prometheus.HistogramOpts{Name: "tidemark_delivery_lag_seconds", Help: "Time from commit to the receiver's acceptance.",
			Buckets: []float64{.005, .01, .025, .05, .1, .25, .5, 1, 5, 15, 60, 300, 1800}}),
		behind:  prometheus.NewGaugeVec(prometheus.GaugeOpts{Name: "tidemark_delivery_behind_seconds", Help: "Age of the oldest notification that waits, by Subscription that is served."}, []string{"subscription"}),
		waiting: prometheus.NewGaugeVec(prometheus.GaugeOpts{Name: "tidemark_deliveries_waiting", Help: "All notifications that wait, by Subscription that is served."}, []string{"subscription"}),
		rules: prometheus.NewHistogram(prometheus.HistogramOpts{Name: "tidemark_rule_evaluation_seconds", Help: "Time to evaluate all rules for one drain, without reading and writing.",
			Buckets: []float64{.00001, .000025, .00005, .0001, .00025, .0005, .001, .0025, .005, .01, .025, .1}}),
		sweep:       prometheus.NewGauge(prometheus.GaugeOpts{Name: "tidemark_sweep_last_success_timestamp_seconds", Help: "When this process last swept all drains for changes due to time alone; 0 while another process sweeps, or before the first sweep."}),
		sweepFailed: prometheus.NewCounter(prometheus.CounterOpts{Name: "tidemark_sweep_failures_total", Help: "Sweeps in which some drain could not be evaluated; the next one tries it again."}),
		groupCalls: prometheus.NewHistogram(prometheus.HistogramOpts{Name: "tidemark_commit_group_calls", Help: "Calls that shared a transaction of the embedded store, and its wait for the disk.",
			Buckets: prometheus.ExponentialBuckets(1, 2, 9)}), // up to sqlite's longest group, 256
		groupSeconds: prometheus.NewHistogram(prometheus.HistogramOpts{Name: "tidemark_commit_group_seconds", Help: "Time of a transaction of the embedded store, its wait for the disk included.",
			Buckets: []float64{.0005, .001, .0025, .005, .01, .025, .05, .1, .25, .5, 1, 2.5, 5}}),
		groupFailed: prometheus.NewCounter(prometheus.CounterOpts{Name: "tidemark_commit_group_failures_total", Help: "Transactions of the embedded store that failed as a whole, as with a full disk; nothing of them was kept."}),
	}
	for _, r := range []notify.Reason{notify.Refused, notify.Defect} {
		m.aside.WithLabelValues(string(r)) // from the start, or the first one would be no increase
	}
	m.registry.MustRegister(collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}),
		m.requests, m.seconds, m.delivered, m.failed, m.aside, m.givenUp, m.lag, m.behind, m.waiting, m.rules, m.sweep, m.sweepFailed)
	m.registry.MustRegister(prometheus.NewCounterFunc(prometheus.CounterOpts{Name: "tidemark_defects_total", Help: "Contained panics outside requests: the part that caused one is skipped."},
		func() float64 { return float64(fault.Panics.Load()) }))
	if cfg.Store == "" {
		m.registry.MustRegister(m.groupCalls, m.groupSeconds, m.groupFailed)
	}
	return m
}

// watch adds what is read at each scrape.
func (m *metrics) watch(st store.Store, auditQueue func() (waiting, room int)) {
	m.registry.MustRegister(&stored{store: st, now: m.now},
		prometheus.NewGaugeFunc(prometheus.GaugeOpts{Name: "tidemark_audit_queue_records", Help: "Audit records of reads and refusals that wait to be written."}, func() float64 {
			waiting, _ := auditQueue()
			return float64(waiting)
		}),
		prometheus.NewGaugeFunc(prometheus.GaugeOpts{Name: "tidemark_audit_queue_room", Help: "Audit records that may wait; at so many, reads are refused with 503."}, func() float64 {
			_, room := auditQueue()
			return float64(room)
		}))
}

// machine adds figures of this process and of the machine it runs on.
func (m *metrics) machine(cfg Config, keysRead func() time.Time) {
	info := prometheus.NewGauge(prometheus.GaugeOpts{Name: "tidemark_build_info", Help: "1, with the version, the commit and the Go version of the program.",
		ConstLabels: prometheus.Labels{"version": cfg.Version, "commit": commit(), "go": runtime.Version()}})
	info.Set(1)
	m.registry.MustRegister(info)
	m.registry.MustRegister(prometheus.NewGaugeFunc(prometheus.GaugeOpts{Name: "tidemark_issuer_keys_age_seconds", Help: "Time since the issuer's keys were last read; they are trusted for 24 h without being read again. 0 for keys that are read from no address."}, func() float64 {
		if at := keysRead(); !at.IsZero() {
			return m.now().Sub(at).Seconds()
		}
		return 0
	}))
	if cfg.Store == "" {
		m.registry.MustRegister(prometheus.NewGaugeFunc(prometheus.GaugeOpts{Name: "tidemark_store_bytes", Help: "Size of the embedded store with its log."}, func() float64 {
			return float64(sqlite.Size(cfg.Data))
		}))
	}
	m.registry.MustRegister(prometheus.NewGaugeFunc(prometheus.GaugeOpts{Name: "tidemark_disk_free_bytes", Help: "Room on the disk of the data directory; NaN where the system does not say."}, func() float64 {
		return diskFree(cfg.Data)
	}))
}

// commit is the revision that the program was built from.
func commit() string {
	if b, ok := debug.ReadBuildInfo(); ok {
		for _, s := range b.Settings {
			if s.Key == "vcs.revision" {
				return s.Value
			}
		}
	}
	return ""
}

func (m *metrics) handler() http.Handler {
	return promhttp.HandlerFor(m.registry, promhttp.HandlerOpts{ErrorHandling: promhttp.ContinueOnError})
}

func (m *metrics) answered(interaction, typ string, status int, took time.Duration) {
	m.requests.WithLabelValues(interaction, typ, strconv.Itoa(status)).Inc()
	m.seconds.WithLabelValues(interaction).Observe(took.Seconds())
}

// metrics observes deliveries.
var _ notify.Observer = (*metrics)(nil)

// Delivered counts a delivery that was accepted.
func (m *metrics) Delivered(_ string, after time.Duration) {
	m.delivered.Inc()
	m.lag.Observe(after.Seconds())
}

// Failed counts an attempt that failed.
func (m *metrics) Failed(_ string, reason notify.Reason) {
	m.failed.WithLabelValues(string(reason)).Inc()
}

// SetAside counts a delivery that was given up.
func (m *metrics) SetAside(_ string, reason notify.Reason) {
	m.aside.WithLabelValues(string(reason)).Inc()
}

// GivenUp counts a Subscription that was switched off.
func (m *metrics) GivenUp(string) { m.givenUp.Inc() }

// Lag shows the deliveries that wait.
func (m *metrics) Lag(subscription string, behind time.Duration, waiting int) {
	m.behind.WithLabelValues(subscription).Set(behind.Seconds())
	m.waiting.WithLabelValues(subscription).Set(float64(waiting))
}

// Ended drops the Subscription's metrics, so that a deleted one neither alerts nor
// accumulates.
func (m *metrics) Ended(subscription string) {
	m.behind.DeleteLabelValues(subscription)
	m.waiting.DeleteLabelValues(subscription)
}

// grouped is told of each commit group of the embedded store.
func (m *metrics) grouped(calls int, took time.Duration, err error) {
	m.groupCalls.Observe(float64(calls))
	m.groupSeconds.Observe(took.Seconds())
	if err != nil {
		m.groupFailed.Inc()
	}
}

// evaluated is told of each evaluation of a drain by the rules.
func (m *metrics) evaluated(took time.Duration) { m.rules.Observe(took.Seconds()) }

// swept is told how a sweep ended.
func (m *metrics) swept(err error) {
	if err != nil {
		m.sweepFailed.Inc()
		return
	}
	m.sweep.Set(float64(m.now().UnixMilli()) / 1000)
}

// stored reads from the store when it is scraped.
type stored struct {
	store store.Store
	now   func() time.Time
}

var (
	descConcerns = prometheus.NewDesc("tidemark_open_concerns", "Concerns that are open, by kind and severity.", []string{"concern", "severity"}, nil)
	descUnacked  = prometheus.NewDesc("tidemark_unacknowledged_high_concerns", "High concerns that nobody has acknowledged as they are.", nil, nil)
	descOldest   = prometheus.NewDesc("tidemark_unacknowledged_high_concerns_oldest_seconds", "For how long the oldest of them has lasted; 0 when there is none.", nil, nil)
	descStale    = prometheus.NewDesc("tidemark_stale_drains", "Drains of which nothing was charted for so long that their state is unknown.", nil, nil)
	descSubs     = prometheus.NewDesc("tidemark_subscriptions", "Subscriptions, by status.", []string{"status"}, nil)
	descSeq      = prometheus.NewDesc("tidemark_store_sequence", "Place of the newest settled version in the change feed.", nil, nil)
	descAhead    = prometheus.NewDesc("tidemark_version_time_ahead_seconds", "How far the time of the newest version is ahead of the clock, which was or is wrong; 0 when it is not.", nil, nil)
	descUp       = prometheus.NewDesc("tidemark_store_up", "1 when the store answers.", nil, nil)
)

// Describe lists the metrics.
func (s *stored) Describe(ch chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{descConcerns, descUnacked, descOldest, descStale, descSubs, descSeq, descAhead, descUp} {
		ch <- d
	}
}

// Collect reads them. If the store does not answer, only that is reported.
func (s *stored) Collect(ch chan<- prometheus.Metric) {
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	seq, err := s.store.LastSeq(ctx)
	if err != nil {
		ch <- prometheus.MustNewConstMetric(descUp, prometheus.GaugeValue, 0)
		return
	}
	ch <- prometheus.MustNewConstMetric(descUp, prometheus.GaugeValue, 1)
	ch <- prometheus.MustNewConstMetric(descSeq, prometheus.GaugeValue, float64(seq))
	ahead := time.Duration(0)
	if vs, err := s.store.Changes(ctx, seq-1, 1); err != nil {
		return
	} else if len(vs) > 0 {
		ahead = max(0, vs[0].At.Sub(s.now()))
	}
	ch <- prometheus.MustNewConstMetric(descAhead, prometheus.GaugeValue, ahead.Seconds())
	for _, status := range []string{"requested", "active", "error", "off"} {
		n, err := s.store.Count(ctx, search.Query{Type: "Subscription", Count: 1, Where: []search.Clause{{
			Param: "status", Kind: search.Token, Values: []search.Value{{Raw: status, AnySystem: true, Code: status}},
		}}}, 0)
		if err != nil {
			return
		}
		ch <- prometheus.MustNewConstMetric(descSubs, prometheus.GaugeValue, float64(n), status)
	}
	type key struct{ kind, severity string }
	open, unacked, stale := map[key]int{}, 0, 0
	var oldest time.Duration
	const page = 500
	for after := ""; ; {
		cs, err := s.store.OpenConcerns(ctx, after, page)
		if err != nil {
			return
		}
		for _, c := range cs {
			open[key{c.Kind, string(c.Severity)}]++
			if c.Holds(escalate.Stale) {
				stale++
			}
			if c.Severity == drain.High && !c.Acknowledged.Holds() {
				unacked++
				oldest = max(oldest, s.now().Sub(c.Since))
			}
		}
		if len(cs) < page {
			break
		}
		after = cs[len(cs)-1].ID
	}
	for k, n := range open {
		ch <- prometheus.MustNewConstMetric(descConcerns, prometheus.GaugeValue, float64(n), k.kind, k.severity)
	}
	ch <- prometheus.MustNewConstMetric(descUnacked, prometheus.GaugeValue, float64(unacked))
	ch <- prometheus.MustNewConstMetric(descStale, prometheus.GaugeValue, float64(stale))
	ch <- prometheus.MustNewConstMetric(descOldest, prometheus.GaugeValue, oldest.Seconds())
}
