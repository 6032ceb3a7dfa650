package crash

import (
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"
)

// usage is what a process holds.
type usage struct {
	files      int
	goroutines int
	heapMB     float64 // after a collection
	residentMB float64
	cpu        time.Duration // since its start
}

func (u usage) String() string {
	return fmt.Sprintf("%.1f MB resident, %.1f MB heap, %d goroutines, %d files", u.residentMB, u.heapMB, u.goroutines, u.files)
}

// usage asks the kernel, and the process itself through its admin listener.
func (p *process) usage(t *testing.T, admin string) usage {
	t.Helper()
	dir := filepath.Join("/proc", fmt.Sprint(p.cmd.Process.Pid))
	fds, err := os.ReadDir(filepath.Join(dir, "fd"))
	if err != nil {
		t.Skip("this system has no /proc to read usage from")
	}
	b, err := os.ReadFile(filepath.Join(dir, "status"))
	if err != nil {
		t.Fatal(err)
	}
	u := usage{files: len(fds)}
	for line := range strings.Lines(string(b)) {
		var kb float64
		if n, _ := fmt.Sscanf(line, "VmRSS: %f kB", &kb); n == 1 {
			u.residentMB = kb / 1000
		}
	}
	get := func(path string) string {
		r, err := http.Get(admin + path)
		if err != nil {
			t.Fatal(err)
		}
		defer r.Body.Close()
		b, err := io.ReadAll(r.Body)
		if err != nil || r.StatusCode != 200 {
			t.Fatalf("%s: %d %v", path, r.StatusCode, err)
		}
		return string(b)
	}
	for line := range strings.Lines(get("/debug/pprof/heap?gc=1&debug=1")) {
		var n float64
		if k, _ := fmt.Sscanf(line, "# HeapAlloc = %f", &n); k == 1 {
			u.heapMB = n / 1e6
		}
	}
	for line := range strings.Lines(get("/metrics")) {
		name, text, _ := strings.Cut(strings.TrimSpace(line), " ")
		value, _ := strconv.ParseFloat(text, 64) // comments are none
		switch name {
		case "go_goroutines":
			u.goroutines = int(value)
		case "process_cpu_seconds_total":
			u.cpu = time.Duration(value * float64(time.Second))
		}
	}
	if u.goroutines == 0 || u.heapMB == 0 {
		t.Fatal("/metrics does not give goroutines and heap")
	}
	return u
}

// latencies are how long requests took, by kind.
type latencies struct {
	mu    sync.Mutex
	kinds map[string][]time.Duration
}

func (l *latencies) add(kind string, d time.Duration) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.kinds[kind] = append(l.kinds[kind], d)
}

// take empties them into lines of percentiles.
func (l *latencies) take() (lines []string, requests int) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for kind, all := range l.kinds {
		slices.Sort(all)
		at := func(percent int) time.Duration {
			return all[(len(all)-1)*percent/100].Round(100 * time.Microsecond)
		}
		lines = append(lines, fmt.Sprintf("%-10s n %6d  p50 %v  p95 %v  p99 %v  max %v", kind, len(all), at(50), at(95), at(99), at(100)))
		requests += len(all)
	}
	slices.Sort(lines)
	l.kinds = map[string][]time.Duration{}
	return lines, requests
}

// inbox takes the notifications of a Subscription.
type inbox struct {
	*httptest.Server
	mu     sync.Mutex
	newest map[string]int // Observation → highest version that came
	came   int
}

func newInbox(t *testing.T) *inbox {
	in := &inbox{newest: map[string]int{}}
	in.Server = httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		in.mu.Lock()
		defer in.mu.Unlock()
		in.came++
		if r.Method == http.MethodDelete {
			return
		}
		var o resource
		if err := json.NewDecoder(r.Body).Decode(&o); err != nil {
			t.Errorf("a notification cannot be read: %v", err)
		}
		in.newest[o.ID] = max(in.newest[o.ID], versionOf(`W/"`+o.Meta.VersionID+`"`))
	}))
	t.Cleanup(in.Close)
	return in
}

// await waits until the newest version of every living entry has come.
func (in *inbox) await(t *testing.T, w *ward) {
	t.Helper()
	missing := ""
	for began := time.Now(); time.Since(began) < time.Minute; time.Sleep(20 * time.Millisecond) {
		missing = ""
		in.mu.Lock()
		for _, k := range w.keepers {
			for _, e := range k.entries {
				if !e.is.deleted && in.newest[e.id] < e.is.version {
					missing = fmt.Sprintf("%s (Observation/%s) version %d, only %d", e.name, e.id, e.is.version, in.newest[e.id])
				}
			}
		}
		in.mu.Unlock()
		if missing == "" {
			return
		}
	}
	t.Errorf("a minute after the last change, this was not delivered: %s", missing)
}

// TestSoak: under a steady mix of everything that front ends, analysts and
// receivers do, the program does not come to hold more and more. It lasts some
// seconds, or as long as TIDEMARK_SOAK says, such as 1h, with
// TIDEMARK_SOAK_RATE requests a second (100). What grows with the data, the
// page caches, is full after the first quarter of a long run. Latencies are
// printed, not evaluated.
func TestSoak(t *testing.T) {
	embeddedOnly(t)
	length, rate := 4*time.Second, 100
	if text := os.Getenv("TIDEMARK_SOAK"); text != "" {
		var err error
		if length, err = time.ParseDuration(text); err != nil {
			t.Fatalf("TIDEMARK_SOAK=%q is not a duration", text)
		}
	}
	if text := os.Getenv("TIDEMARK_SOAK_RATE"); text != "" {
		var err error
		if rate, err = strconv.Atoi(text); err != nil || rate < 1 {
			t.Fatalf("TIDEMARK_SOAK_RATE=%q is not a number of requests a second", text)
		}
	}
	in := newInbox(t)
	free, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	admin := free.Addr().String()
	free.Close()
	dir := t.TempDir()
	p := start(t, binary, "serve", "--data", dir, "--listen", "127.0.0.1:0", "--admin-listen", admin, "--rate-limit", "0",
		"--webhook-allow", strings.TrimPrefix(in.URL, "http://"))
	if p.base == "" {
		t.Fatal(p.said())
	}
	admin = "http://" + admin
	tok := token(t, dir)
	c := dial(p.base, tok)
	c.must(t, 201, "POST", "/Subscription", obj{"resourceType": "Subscription", "status": "requested", "reason": "soak", "criteria": "Observation?code=9203-1",
		"channel": obj{"type": "rest-hook", "endpoint": in.URL + "/in", "payload": "application/fhir+json"}})
	// Each of the front ends goes on to the next drain after so many entries:
	// what is derived reads a whole stay, which must not grow for ever.
	const fronts, stay = 8, 100
	stays := 2 + int(length.Seconds())*rate/fronts/2/stay
	w := newWard(fronts*stays, 7, time.Now())
	for _, k := range w.keepers {
		k.step = 3 * time.Hour
		k.register(t, c)
	}
	took := &latencies{kinds: map[string][]time.Duration{}}
	stop := make(chan struct{})
	var wg sync.WaitGroup
	for i := range fronts {
		wg.Go(func() {
			c := dial(p.base, tok)
			r := rand.New(rand.NewPCG(7, uint64(100+i)))
			tick := time.NewTicker(time.Second * fronts / time.Duration(rate))
			defer tick.Stop()
			for k := w.keepers[i]; ; {
				select {
				case <-stop:
					return
				case <-tick.C:
				}
				if len(k.entries) == stay && i+fronts < len(w.keepers) {
					i += fronts
					k = w.keepers[i]
				}
				began := time.Now()
				kind, err := k.turn(c, r)
				took.add(kind, time.Since(began))
				if err != nil {
					t.Error(err)
					return
				}
			}
		})
	}
	wg.Go(func() {
		c := dial(p.base, tok)
		for {
			select {
			case <-stop:
				return
			case <-time.After(max(time.Second, min(length/20, time.Minute))):
			}
			began := time.Now()
			if err := export(c, stop); err != nil {
				t.Error(err)
				return
			}
			took.add("export", time.Since(began))
		}
	})
	var first, last []string
	var at [5]usage
	requests, n := 0, 0
	for quarter := range 4 {
		time.Sleep(length / 4)
		at[quarter+1] = p.usage(t, admin)
		last, n = took.take()
		requests += n
		// The time of the processor, unlike latencies, is not the neighbours'.
		t.Logf("%d/4: %v; %v of the processor a request", quarter+1, at[quarter+1],
			((at[quarter+1].cpu - at[quarter].cpu) / time.Duration(max(n, 1))).Round(10*time.Microsecond))
		if quarter == 0 {
			first = last
		}
	}
	early, late := at[1], at[4]
	close(stop)
	wg.Wait()
	t.Logf("%d requests in %v\nfirst quarter\n%s\nlast quarter\n%s", requests, length, strings.Join(first, "\n"), strings.Join(last, "\n"))
	for _, kind := range []string{"post", "correct", "delete", "read", "search", "derived"} {
		if requests >= 200 && !strings.Contains(strings.Join(append(first, last...), "\n"), kind) {
			t.Errorf("no %s was among %d requests", kind, requests)
		}
	}
	if late.files > early.files+20 {
		t.Errorf("open files grew from %d to %d", early.files, late.files)
	}
	if late.goroutines > early.goroutines+20 {
		t.Errorf("goroutines grew from %d to %d", early.goroutines, late.goroutines)
	}
	if late.residentMB > 200 && !detected {
		t.Errorf("%.0f MB resident", late.residentMB)
	}
	if length >= 10*time.Minute {
		if late.residentMB > 1.5*early.residentMB {
			t.Errorf("memory grew from %.0f to %.0f MB", early.residentMB, late.residentMB)
		}
		if late.heapMB > 1.5*early.heapMB {
			t.Errorf("the heap grew from %.1f to %.1f MB", early.heapMB, late.heapMB)
		}
	}
	in.await(t, w)
	t.Logf("%d notifications", in.came)
	w.verify(t, c, false)
	w.verifyFeed(t, c)
	if code := p.terminate(t); code != 0 {
		t.Errorf("exit code %d:\n%s", code, p.said())
	}
}

// turn makes one request of the mix: half of them change something, of the
// others each third reads, searches or asks for what is derived.
func (k *keeper) turn(c *client, r *rand.Rand) (kind string, err error) {
	if len(k.entries) == 0 || r.IntN(2) == 0 {
		err := k.act(c)
		return k.did, err
	}
	e := k.entries[r.IntN(len(k.entries))]
	day := "?period=day&start=" + k.entries[len(k.entries)-1].at.Add(-24*time.Hour).Format("2006-01-02") +
		"&end=" + k.entries[len(k.entries)-1].at.Add(24*time.Hour).Format("2006-01-02")
	var paths []string
	switch r.IntN(3) {
	case 0:
		kind, paths = "read", []string{"/Patient/" + k.patient(), "/Device/" + k.drain(), "/Observation/" + e.id + "/_history?_count=5"}
		if !e.is.deleted {
			paths = append(paths, "/Observation/"+e.id)
		}
	case 1:
		kind, paths = "search", []string{
			"/Observation?device=Device/" + k.drain() + "&_sort=-date&_count=20",
			"/Observation?identifier=" + ledgers + "|" + e.name,
			"/DetectedIssue?implicated=Device/" + k.drain() + "&_count=20",
			"/Observation?patient=Patient/" + k.patient() + "&date=ge" + e.at.Format("2006-01-02") + "&_count=20&_include=Observation:device",
		}
	default:
		kind, paths = "derived", []string{
			"/Device/" + k.drain() + "/$drain-output" + day, "/Device/" + k.drain() + "/$escalation-status",
			"/Patient/" + k.patient() + "/$fluid-balance" + day, "/Device/" + k.drain() + "/$removal-review",
		}
	}
	path := paths[r.IntN(len(paths))]
	a, err := c.do("GET", path, nil)
	if err != nil || a.status != 200 {
		return kind, fmt.Errorf("%s: %d %v %s", path, a.status, err, a.clip())
	}
	return kind, nil
}

// export takes a bulk export to its end, reads its files and removes it.
func export(c *client, stop <-chan struct{}) error {
	a, err := c.do("GET", "/$export", nil, "Prefer", "respond-async", "Accept", "application/fhir+json")
	if err != nil || a.status != 202 {
		return fmt.Errorf("$export: %d %v %s", a.status, err, a.clip())
	}
	at := a.header.Get("Content-Location")
	for a.status == 202 {
		wait, _ := strconv.Atoi(a.header.Get("Retry-After")) // none at first
		select {
		case <-stop: // the rest of the export is of no account
			return nil
		case <-time.After(time.Duration(max(wait, 1)) * time.Second):
		}
		if a, err = c.do("GET", at, nil); err != nil {
			return err
		}
	}
	var manifest struct {
		Output []struct{ URL string }
	}
	if a.status != 200 || json.Unmarshal(a.body, &manifest) != nil || len(manifest.Output) == 0 {
		return fmt.Errorf("%s: %d %s", at, a.status, a.clip())
	}
	for _, o := range manifest.Output {
		if a, err := c.do("GET", o.URL, nil, "Accept", "application/fhir+ndjson"); err != nil || a.status != 200 || len(a.body) == 0 {
			return fmt.Errorf("%s: %d %v", o.URL, a.status, err)
		}
	}
	if a, err = c.do("DELETE", at, nil); err != nil || a.status != 202 {
		return fmt.Errorf("DELETE %s: %d %v %s", at, a.status, err, a.clip())
	}
	return nil
}
