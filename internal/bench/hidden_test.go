package bench

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"tidemark/internal/auth"
)

// hiding is how long the refusal of one kind of request takes for ids that are
// another patient's, and for ids that never were.
type hiding struct {
	name            string
	hidden, unknown run
}

// hide asks as one patient for what is of others and for what is not, by
// turns, so that whatever else goes on is the same for both.
func hide(tb testing.TB, h *hospital, s *site, n int) []hiding {
	tb.Helper()
	patient := strings.Join(strings.SplitN(h.drains[0], "-", 4)[:3], "-")
	token, err := s.Key().Mint(auth.TokenRequest{Subject: "Patient/" + patient, Scope: "patient/*.cruds", Patient: patient, TTL: 72 * time.Hour, Now: h.now})
	if err != nil {
		tb.Fatal(err)
	}
	others := func(ids []string) (out []string) {
		for _, id := range ids {
			if !strings.HasPrefix(id, patient) {
				out = append(out, id)
			}
		}
		return out
	}
	readings, drains := others(h.ids), others(h.drains)
	if len(readings) == 0 || len(drains) == 0 {
		tb.Fatalf("no reading or drain of another patient than %s", patient)
	}
	var out []hiding
	for _, k := range []struct {
		name, method, path string
		ids                []string
		want               int
	}{
		{"read", "GET", "Observation/%s", readings, 404},
		{"vread", "GET", "Observation/%s/_history/1", readings, 404},
		{"history", "GET", "Observation/%s/_history", readings, 404},
		{"search by _id", "GET", "Observation?_id=%s", readings, 200},
		{"delete", "DELETE", "Observation/%s", readings, 404},
		{"read of a Device", "GET", "Device/%s", drains, 404},
		{"$drain-output", "GET", "Device/%s/$drain-output", drains, 404},
		{"$escalation-status", "GET", "Device/%s/$escalation-status", drains, 404},
	} {
		// As long as the others, and not there.
		never := func(id string) string { return "q" + id[1:] }
		reqs := make([][]byte, 0, 2*n)
		for i := range n {
			id := k.ids[i%len(k.ids)]
			pair := [][]byte{request(k.method, "/fhir/"+fmt.Sprintf(k.path, id), token, nil), request(k.method, "/fhir/"+fmt.Sprintf(k.path, never(id)), token, nil)}
			if i%2 == 1 {
				slices.Reverse(pair)
			}
			reqs = append(reqs, pair...)
		}
		send(tb, s.Addr(), [][][]byte{reqs[:min(len(reqs), 400)]}, nil).only(tb, k.want)
		both := sendEach(tb, s.Addr(), reqs, k.want)
		m := hiding{name: k.name}
		for i, took := range both {
			// Pairs turn about: hidden is the first of even ones, the second of odd ones.
			if i%4 == 0 || i%4 == 3 {
				m.hidden.took = append(m.hidden.took, took)
			} else {
				m.unknown.took = append(m.unknown.took, took)
			}
		}
		slices.Sort(m.hidden.took)
		slices.Sort(m.unknown.took)
		out = append(out, m)
	}
	return out
}

// sendEach sends the requests over one connection and gives the time of each,
// in their order.
func sendEach(tb testing.TB, addr string, reqs [][]byte, want int) []time.Duration {
	tb.Helper()
	w := dial(tb, addr)
	defer w.conn.Close()
	took := make([]time.Duration, len(reqs))
	for i, req := range reqs {
		at := time.Now()
		status, err := w.do(req)
		took[i] = time.Since(at)
		if err != nil || status != want {
			tb.Fatalf("%d, want %d (%v): %s", status, want, err, w.body.Bytes())
		}
	}
	return took
}

// BenchmarkHidden: whether the clock tells an id that is another patient's
// from one that never was.
func BenchmarkHidden(b *testing.B) {
	each(b, func(b *testing.B, sc scale, h *hospital) {
		s := h.start(b)
		defer s.stop(b)
		took := map[string]map[string][]float64{}
		var names []string
		us := func(d time.Duration) float64 { return float64(d.Nanoseconds()) / 1000 }
		for range sc.rounds {
			for _, m := range hide(b, h, s, sc.reads) {
				if took[m.name] == nil {
					took[m.name] = map[string][]float64{}
					names = append(names, m.name)
				}
				t := took[m.name]
				hidden, unknown := us(m.hidden.quantile(.5)), us(m.unknown.quantile(.5))
				t["hidden p50-µs"] = append(t["hidden p50-µs"], hidden)
				t["unknown p50-µs"] = append(t["unknown p50-µs"], unknown)
				t["difference-µs"] = append(t["difference-µs"], hidden-unknown)
			}
		}
		for _, name := range names {
			for _, m := range []string{"hidden p50-µs", "unknown p50-µs", "difference-µs"} {
				low, mid, high := spreadOf(took[name][m])
				say(b, "%-22s %-15s %9.1f  (%.1f to %.1f)", name, m, mid, low, high)
			}
		}
		b.ReportMetric(0, "ns/op")
	})
}
