package blackbox

import (
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"
)

// TestKillKeepsAcknowledged: eight writers keep ledgers of what was
// acknowledged; the service is killed in the midst; afterwards each such entry
// is there, once.
func TestKillKeepsAcknowledged(t *testing.T) {
	dir := t.TempDir()
	s := serveIn(t, dir)
	c := s.client()
	beds := make([]bed, 8)
	for i := range beds {
		beds[i] = c.bed(fmt.Sprintf("w%d", i), ago(20*24*time.Hour))
	}
	ledger := make([]map[string]string, len(beds)) // identifier → id
	var wg sync.WaitGroup
	var mu sync.Mutex
	total := 0
	enough := make(chan bool)
	for w := range beds {
		ledger[w] = map[string]string{}
		wg.Add(1)
		go func() {
			defer wg.Done()
			for n := 0; ; n++ {
				o := emptying(beds[w], ago(19*24*time.Hour).Add(time.Duration(n)*time.Minute), fmt.Sprint(n%40), "mL")
				name := fmt.Sprintf("w%d-%d", w, n)
				o["identifier"] = list{obj{"system": testSys + "/ledger", "value": name}}
				a, err := c.try("POST", "Observation", o)
				if err != nil {
					return // killed: not acknowledged
				}
				if a.status != 201 {
					t.Errorf("%d %s", a.status, a.clip())
					return
				}
				mu.Lock()
				ledger[w][name] = a.id()
				if total++; total == 400 {
					close(enough)
				}
				mu.Unlock()
			}
		}()
	}
	select {
	case <-enough:
	case <-time.After(60 * time.Second):
		t.Error("400 entries took more than a minute")
	}
	s.kill()
	wg.Wait()

	s = serveIn(t, dir)
	c = s.client()
	for w, b := range beds {
		at := map[string][]string{} // identifier → ids
		path := "Observation?_count=500&" + query("device", "Device/"+b.drain)
		for path != "" {
			a := c.do("GET", path, nil).want(200)
			for _, e := range a.list("entry") {
				n := text(e, "resource.identifier.0.value")
				at[n] = append(at[n], text(e, "resource.id"))
			}
			path = a.link("next")
		}
		for name, id := range ledger[w] {
			if got := strings.Join(at[name], " "); got != id {
				t.Errorf("%s was acknowledged as %s and is found as %q", name, id, got)
			}
		}
		for name, ids := range at {
			if len(ids) > 1 {
				t.Errorf("%s is there %d times: %v", name, len(ids), ids)
			}
		}
		// At most one was written without its acknowledgement arriving.
		if len(at) > len(ledger[w])+1 {
			t.Errorf("writer %d: %d entries are there, %d were acknowledged", w, len(at), len(ledger[w]))
		}
		// Derived figures agree with the readings.
		out := c.do("GET", "Device/"+b.drain+"/$drain-output?period=total", nil).want(200)
		sum := 0
		for name := range at {
			n := 0
			fmt.Sscanf(name[strings.Index(name, "-")+1:], "%d", &n)
			sum += n % 40
		}
		if got := totalOf(out); got != fmt.Sprint(sum) {
			t.Errorf("writer %d: the total is %s, the readings add up to %d", w, got, sum)
		}
	}
}

// TestGracefulStop: SIGTERM lets running requests finish; what was
// acknowledged survives, tokens stay valid.
func TestGracefulStop(t *testing.T) {
	dir := t.TempDir()
	s := serveIn(t, dir)
	c := s.client()
	b := c.bed("stay", ago(48*time.Hour))
	id := c.do("POST", "Observation", emptying(b, ago(time.Hour), "1.50", "mL")).want(201).id()
	s.stop()
	s = serveIn(t, dir)
	d := s.clientWith(c.token)
	a := d.do("GET", "Observation/"+id, nil).want(200)
	if !strings.Contains(string(a.body), `"value":1.50`) {
		t.Errorf("after a restart the value reads %s", a.clip())
	}
	if h := d.do("GET", "_history?_count=100", nil).want(200); len(h.list("entry")) < 4 {
		t.Errorf("after a restart the history holds %d entries", len(h.list("entry")))
	}
}
