package app

import (
	"context"
	"net/http"
	"strconv"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"tidemark/internal/notify"
	"tidemark/internal/store"
)

// metrics are what /metrics of the admin listener shows. No label and no
// value is about a patient.
type metrics struct {
	registry  *prometheus.Registry
	requests  *prometheus.CounterVec
	seconds   *prometheus.HistogramVec
	delivered prometheus.Counter
	failed    *prometheus.CounterVec
	lag       prometheus.Histogram
	behind    *prometheus.GaugeVec
	waiting   *prometheus.GaugeVec
}

func newMetrics(st store.Store) *metrics {
	m := &metrics{
		registry: prometheus.NewRegistry(),
		requests: prometheus.NewCounterVec(prometheus.CounterOpts{Name: "tidemark_requests_total", Help: "Requests answered, by FHIR interaction, resource type and HTTP status."}, []string{"interaction", "type", "status"}),
		seconds: prometheus.NewHistogramVec(prometheus.HistogramOpts{Name: "tidemark_request_seconds", Help: "Time to answer, by FHIR interaction.",
			Buckets: []float64{.001, .0025, .005, .01, .025, .05, .1, .25, .5, 1, 2.5, 5, 10}}, []string{"interaction"}),
		delivered: prometheus.NewCounter(prometheus.CounterOpts{Name: "tidemark_deliveries_total", Help: "Notifications that a receiver accepted."}),
		failed:    prometheus.NewCounterVec(prometheus.CounterOpts{Name: "tidemark_delivery_failures_total", Help: "Notification attempts that failed, by reason; each is tried again."}, []string{"reason"}),
		lag: prometheus.NewHistogram(prometheus.HistogramOpts{Name: "tidemark_delivery_lag_seconds", Help: "Time from commit to the receiver's yes.",
			Buckets: []float64{.005, .01, .025, .05, .1, .25, .5, 1, 5, 15, 60, 300, 1800}}),
	}
	m.behind = prometheus.NewGaugeVec(prometheus.GaugeOpts{Name: "tidemark_delivery_behind_seconds", Help: "Age of the oldest notification that waits, by Subscription."}, []string{"subscription"})
	m.waiting = prometheus.NewGaugeVec(prometheus.GaugeOpts{Name: "tidemark_deliveries_waiting", Help: "Notifications that wait, by Subscription."}, []string{"subscription"})
	m.registry.MustRegister(collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}),
		m.requests, m.seconds, m.delivered, m.failed, m.lag, m.behind, m.waiting, &stored{store: st})
	return m
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

// Delivered counts a receiver's yes.
func (m *metrics) Delivered(_ string, after time.Duration) {
	m.delivered.Inc()
	m.lag.Observe(after.Seconds())
}

// Failed counts an attempt that failed.
func (m *metrics) Failed(_ string, reason notify.Reason) {
	m.failed.WithLabelValues(string(reason)).Inc()
}

// Lag shows what waits.
func (m *metrics) Lag(subscription string, behind time.Duration, waiting int) {
	m.behind.WithLabelValues(subscription).Set(behind.Seconds())
	m.waiting.WithLabelValues(subscription).Set(float64(waiting))
}

// stored reads from the store when it is scraped.
type stored struct{ store store.Store }

var (
	descFindings = prometheus.NewDesc("tidemark_open_findings", "Findings that are open, by rule and severity.", []string{"rule", "severity"}, nil)
	descUnacked  = prometheus.NewDesc("tidemark_unacknowledged_high_findings", "High findings that nobody has acknowledged.", nil, nil)
	descSeq      = prometheus.NewDesc("tidemark_store_sequence", "Place of the newest settled version in the change feed.", nil, nil)
	descUp       = prometheus.NewDesc("tidemark_store_up", "1 when the store answers.", nil, nil)
)

// Describe lists the metrics.
func (s *stored) Describe(ch chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{descFindings, descUnacked, descSeq, descUp} {
		ch <- d
	}
}

// Collect reads them. When the store does not answer, only that is said.
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
	type key struct{ rule, severity string }
	open, unacked := map[key]int{}, 0
	const page = 500
	for after := ""; ; {
		fs, err := s.store.OpenFindings(ctx, after, page)
		if err != nil {
			return
		}
		for _, f := range fs {
			open[key{f.Rule, string(f.Severity)}]++
			if f.Severity == "high" && f.Acknowledged.IsZero() {
				unacked++
			}
		}
		if len(fs) < page {
			break
		}
		after = fs[len(fs)-1].ID
	}
	for k, n := range open {
		ch <- prometheus.MustNewConstMetric(descFindings, prometheus.GaugeValue, float64(n), k.rule, k.severity)
	}
	ch <- prometheus.MustNewConstMetric(descUnacked, prometheus.GaugeValue, float64(unacked))
}
