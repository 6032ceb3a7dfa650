package bench

import (
	"bytes"
	"fmt"
	"maps"
	"math/rand/v2"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/gin-gonic/gin"

	"tidemark/internal/auth"
)

// posting is one round of it.
type posting struct {
	run
	group     float64       // resources to a transaction
	own       float64       // transactions a second that the service makes while nobody asks
	raw, bare time.Duration // the same rows raw: with the audit records, and without
	rows      int           // resources inserted raw
}

// ofRaw is the rate as a part of the raw rate.
func (p posting) ofRaw(raw time.Duration) float64 { return raw.Seconds() / p.elapsed.Seconds() }

// post posts the hospital's next emptyings, one by one or in transactions of
// so many, and then inserts the same rows raw into a second copy.
func post(tb testing.TB, h *hospital, conns, perRequest int) posting {
	tb.Helper()
	s := h.start(tb)
	mark := number(tb, s.dir, "SELECT max(seq) FROM version")
	auditMark := number(tb, s.dir, "SELECT ifnull(max(seq), 0) FROM audit")
	path := "/fhir/Observation"
	var lanes [][][]byte
	var times [][]time.Time
	if perRequest == 1 {
		lanes, times = make([][][]byte, conns), make([][]time.Time, conns)
		for _, e := range h.later {
			// One drain's entries stay in order.
			l := lane(e.drain, conns)
			lanes[l] = append(lanes[l], request("POST", path, s.token, e.body))
			times[l] = append(times[l], e.at)
		}
	} else {
		lanes, times = make([][][]byte, conns), make([][]time.Time, conns)
		byLane := make([][]entry, conns)
		for _, e := range h.later {
			l := lane(e.drain, conns)
			byLane[l] = append(byLane[l], e)
		}
		for l, es := range byLane {
			for len(es) >= perRequest {
				lanes[l] = append(lanes[l], request("POST", "/fhir", s.token, transaction(es[:perRequest])))
				times[l] = append(times[l], es[perRequest-1].at)
				es = es[perRequest:]
			}
		}
	}
	// The service has transactions of its own, such as the renewal of leases;
	// they come at a steady rate and are no group of emptyings.
	const idle = 500 * time.Millisecond
	quiet := transactions(tb, s.dir)
	time.Sleep(idle)
	before := transactions(tb, s.dir)
	own := float64(before-quiet) / idle.Seconds()
	r := send(tb, s.Addr(), lanes, func(l, i int) { s.pass(times[l][i]) })
	after := transactions(tb, s.dir)
	if perRequest == 1 {
		r.only(tb, 201)
	} else {
		r.only(tb, 200)
	}
	s.stop(tb)
	sent := float64(len(r.took) * perRequest)
	groups := max(float64(after-before)-own*r.elapsed.Seconds(), sent/float64(conns*perRequest))
	p := posting{run: r, group: sent / groups, own: own}
	for _, audit := range []int64{auditMark, -1} {
		rows := written(tb, s.dir, mark, audit)
		p.rows = len(rows)
		took := insert(tb, h.copy(tb), rows, int(p.group+0.5))
		if audit >= 0 {
			p.raw = took
		} else {
			p.bare = took
		}
	}
	return p
}

// transaction is a Bundle that creates the entries.
func transaction(es []entry) []byte {
	var b bytes.Buffer
	b.WriteString(`{"resourceType":"Bundle","type":"transaction","entry":[`)
	for i, e := range es {
		if i > 0 {
			b.WriteByte(',')
		}
		fmt.Fprintf(&b, `{"request":{"method":"POST","url":"Observation"},"resource":%s}`, e.body)
	}
	b.WriteString(`]}`)
	return b.Bytes()
}

// reading is what the answering of one kind of question took, beside a bare
// handler's that sends the same bytes.
type reading struct {
	name       string
	run, plain run
}

// questions are the reads that are promised a speed, n requests of each.
func questions(h *hospital, token string, n int) map[string][][]byte {
	get := func(path string) []byte { return request("GET", "/fhir/"+path, token, nil) }
	week := h.now.Add(-7 * 24 * time.Hour).Format(time.DateOnly)
	out := map[string][][]byte{}
	for i := range n {
		d := h.drains[i%len(h.drains)]
		out["read by id"] = append(out["read by id"], get("Observation/"+h.ids[i%len(h.ids)]))
		out["$drain-output of 7 days"] = append(out["$drain-output of 7 days"], get("Device/"+d+"/$drain-output?period=day&start="+week))
		out["$escalation-status"] = append(out["$escalation-status"], get("Device/"+d+"/$escalation-status"))
	}
	return out
}

// readers is how many connections ask at once.
const readers = 2

// read asks every question, and the same of a bare handler.
func read(tb testing.TB, h *hospital, s *site, n int) []reading {
	tb.Helper()
	qs := questions(h, s.token, n)
	var out []reading
	for _, name := range slices.Sorted(maps.Keys(qs)) {
		send(tb, s.Addr(), spread(qs[name][:min(n, 200)], readers), nil).only(tb, 200)
		r := send(tb, s.Addr(), spread(qs[name], readers), nil)
		r.only(tb, 200)
		out = append(out, reading{name, r, plain(tb, r.last, qs[name])})
	}
	return out
}

// due asks when the drains of a ward, and of the whole hospital, are to be emptied.
func due(tb testing.TB, h *hospital, s *site, n int) []reading {
	tb.Helper()
	var out []reading
	for _, place := range []string{h.ward, h.whole} {
		req := request("GET", "/fhir/Location/"+place+"/$emptying-due", s.token, nil)
		r := send(tb, s.Addr(), [][][]byte{slices.Repeat([][]byte{req}, n)}, nil)
		r.only(tb, 200)
		drains := bytes.Count(r.last, []byte(`"resourceType":"Task"`))
		out = append(out, reading{fmt.Sprintf("$emptying-due of %d drains", drains), r, plain(tb, r.last, slices.Repeat([][]byte{req}, n))})
	}
	return out
}

// plain answers the requests with the bytes and nothing else.
func plain(tb testing.TB, body []byte, reqs [][]byte) run {
	tb.Helper()
	gin.SetMode(gin.ReleaseMode)
	e := gin.New()
	e.NoRoute(func(c *gin.Context) { c.Data(200, "application/fhir+json", body) })
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		tb.Fatal(err)
	}
	srv := &http.Server{Handler: e}
	go srv.Serve(l)
	defer srv.Close()
	r := send(tb, l.Addr().String(), spread(reqs, readers), nil)
	r.only(tb, 200)
	return r
}

// process is the program itself, on a copy of the store.
type process struct {
	cmd   *exec.Cmd
	base  string // host:port
	ready time.Duration
}

// program builds cmd/tidemark.
func program(tb testing.TB) string {
	tb.Helper()
	bin := filepath.Join(tb.TempDir(), "tidemark")
	cmd := exec.Command("go", "build", "-o", bin, "./cmd/tidemark")
	cmd.Dir = "../.."
	if out, err := cmd.CombinedOutput(); err != nil {
		tb.Fatalf("go build: %v\n%s", err, out)
	}
	return bin
}

// launch starts the program and waits until it says that it is ready.
func launch(tb testing.TB, bin, dir string) *process {
	tb.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		tb.Fatal(err)
	}
	addr := l.Addr().String()
	l.Close()
	p := &process{cmd: exec.Command(bin, "serve", "--data", dir, "--listen", addr, "--admin-listen", "", "--rate-limit", "0"), base: addr}
	began := time.Now()
	if err := p.cmd.Start(); err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(func() { p.cmd.Process.Kill(); p.cmd.Wait() })
	for {
		res, err := http.Get("http://" + addr + "/readyz")
		if err == nil {
			res.Body.Close()
			if res.StatusCode == http.StatusOK {
				break
			}
		}
		if time.Since(began) > time.Minute {
			tb.Fatal("the program is not ready after a minute")
		}
		time.Sleep(2 * time.Millisecond)
	}
	p.ready = time.Since(began)
	return p
}

// stop ends the program as an operator would.
func (p *process) stop(tb testing.TB) {
	tb.Helper()
	if err := p.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		tb.Fatal(err)
	}
	if err := p.cmd.Wait(); err != nil {
		tb.Fatal(err)
	}
}

// resident is the memory that the process holds now, and the most that it held, in MB.
func (p *process) resident(tb testing.TB) (now, peak float64) {
	tb.Helper()
	b, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", p.cmd.Process.Pid))
	if err != nil {
		tb.Skip("this system has no /proc to read memory from")
	}
	for line := range strings.Lines(string(b)) {
		var kb float64
		if n, _ := fmt.Sscanf(line, "VmRSS: %f kB", &kb); n == 1 {
			now = kb / 1000
		}
		if n, _ := fmt.Sscanf(line, "VmHWM: %f kB", &kb); n == 1 {
			peak = kb / 1000
		}
	}
	return now, peak
}

// serve runs the program on the store: how soon it is ready, and what memory
// it holds once it has answered a mix of reads and writes over 64 connections.
func serve(tb testing.TB, h *hospital, bin string, n int) (ready time.Duration, now, peak float64) {
	tb.Helper()
	dir := h.copy(tb)
	key, err := auth.OpenLocalKey(dir)
	if err != nil {
		tb.Fatal(err)
	}
	token := mint(tb, key, time.Now())
	p := launch(tb, bin, dir)
	var reqs [][]byte
	for _, q := range questions(h, token, n) {
		reqs = append(reqs, q...)
	}
	reqs = append(reqs, request("GET", "/fhir/Location/"+h.whole+"/$emptying-due", token, nil))
	for _, e := range h.later[:min(n, len(h.later))] {
		reqs = append(reqs, request("POST", "/fhir/Observation", token, e.body))
	}
	rand.New(rand.NewPCG(1, 1)).Shuffle(len(reqs), func(i, k int) { reqs[i], reqs[k] = reqs[k], reqs[i] })
	send(tb, p.base, spread(reqs, 64), nil).only(tb, 200, 201)
	now, peak = p.resident(tb)
	p.stop(tb)
	return p.ready, now, peak
}
