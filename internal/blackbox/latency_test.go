package blackbox

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"path"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"
)

// BenchmarkDelivery measures how long it takes from a POST, and from its answer,
// until the receiver of a Subscription has the entry: one post at a time, and
// eight writers that never rest. Run it with -benchtime 2000x.
func BenchmarkDelivery(b *testing.B) {
	for _, writers := range []int{1, 8} {
		b.Run(fmt.Sprintf("writers=%d", writers), func(b *testing.B) {
			var mu sync.Mutex
			arrived := map[string]time.Time{}
			receiver := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
				at := time.Now()
				_, _ = io.Copy(io.Discard, r.Body)
				mu.Lock()
				defer mu.Unlock()
				if id := path.Base(r.URL.Path); arrived[id].IsZero() {
					arrived[id] = at
				}
			}))
			defer receiver.Close()
			s := serve(b, "--webhook-allow", strings.TrimPrefix(receiver.URL, "http://"))
			c := s.client()
			beds := make([]bed, 8*writers)
			for i := range beds {
				beds[i] = c.bed(fmt.Sprintf("late-%d-%d", writers, i), ago(20*24*time.Hour))
			}
			id := c.do("POST", "Subscription", obj{"resourceType": "Subscription", "status": "requested", "reason": "test", "criteria": "Observation?code=9203-1",
				"channel": obj{"type": "rest-hook", "endpoint": receiver.URL + "/in", "payload": "application/fhir+json"}}).want(201).id()
			for c.do("GET", "Subscription/"+id, nil).str("status") != "active" {
				time.Sleep(10 * time.Millisecond)
			}
			type post struct {
				id             string
				sent, answered time.Time
			}
			posts := make([][]post, writers)
			b.ResetTimer()
			var wg sync.WaitGroup
			for w := range writers {
				wg.Go(func() {
					for n := w; n < b.N; n += writers {
						e := emptying(beds[w+writers*(n/writers%8)], ago(19*24*time.Hour).Add(time.Duration(n)*time.Minute), fmt.Sprint(1+n%40), "mL")
						body, err := json.Marshal(e)
						if err != nil {
							b.Error(err)
							return
						}
						// Not through client, whose validators would be measured.
						q, err := http.NewRequest("POST", c.base+"/Observation", bytes.NewReader(body))
						if err != nil {
							b.Error(err)
							return
						}
						q.Header.Set("Authorization", "Bearer "+c.token)
						q.Header.Set("Content-Type", "application/fhir+json")
						q.Header.Set("Prefer", "return=minimal")
						p := post{sent: time.Now()}
						res, err := c.http.Do(q)
						if p.answered = time.Now(); err != nil {
							b.Error(err)
							return
						}
						_, _ = io.Copy(io.Discard, res.Body)
						res.Body.Close()
						// …/Observation/id/_history/1
						p.id = path.Base(path.Dir(path.Dir(res.Header.Get("Location"))))
						if res.StatusCode != http.StatusCreated || p.id == "." {
							b.Errorf("%s", res.Status)
							return
						}
						posts[w] = append(posts[w], p)
					}
				})
			}
			wg.Wait()
			b.StopTimer()
			if b.Failed() {
				return
			}
			count := func() int { mu.Lock(); defer mu.Unlock(); return len(arrived) }
			for deadline := time.Now().Add(5 * time.Minute); count() < b.N; time.Sleep(10 * time.Millisecond) {
				if time.Now().After(deadline) {
					b.Fatalf("%d of %d arrived", count(), b.N)
				}
			}
			var fromSent, fromAnswer, answer []time.Duration
			for _, l := range posts {
				for _, p := range l {
					fromSent = append(fromSent, arrived[p.id].Sub(p.sent))
					fromAnswer = append(fromAnswer, arrived[p.id].Sub(p.answered))
					answer = append(answer, p.answered.Sub(p.sent))
				}
			}
			for _, m := range []struct {
				name string
				took []time.Duration
			}{{"post", answer}, {"post-to-delivery", fromSent}, {"answer-to-delivery", fromAnswer}} {
				slices.Sort(m.took)
				for _, q := range []struct {
					name string
					q    float64
				}{{"p50", 0.50}, {"p99", 0.99}, {"max", 1}} {
					b.ReportMetric(m.took[min(int(q.q*float64(len(m.took))), len(m.took)-1)].Seconds()*1000, m.name+"-"+q.name+"-ms")
				}
			}
			b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "posts/s")
			b.ReportMetric(0, "ns/op")
		})
	}
}
