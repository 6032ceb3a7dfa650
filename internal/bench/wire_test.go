package bench

import (
	"bufio"
	"bytes"
	"fmt"
	"io"
	"net"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"
)

// wire is one HTTP/1.1 connection that sends requests made beforehand and
// throws the answers away: on a machine of two cores, whatever the client
// computes the service lacks.
type wire struct {
	conn net.Conn
	r    *bufio.Reader
	body bytes.Buffer // of the last answer
}

func dial(tb testing.TB, addr string) *wire {
	tb.Helper()
	c, err := net.Dial("tcp", addr)
	if err != nil {
		tb.Fatal(err)
	}
	return &wire{conn: c, r: bufio.NewReaderSize(c, 64<<10)}
}

// request writes a request once, to be sent many times. The path is below the
// host.
func request(method, path, token string, body []byte) []byte {
	var b bytes.Buffer
	fmt.Fprintf(&b, "%s %s HTTP/1.1\r\nHost: bench\r\n", method, path)
	if token != "" {
		fmt.Fprintf(&b, "Authorization: Bearer %s\r\n", token)
	}
	if body != nil {
		fmt.Fprintf(&b, "Content-Type: application/fhir+json\r\nContent-Length: %d\r\n", len(body))
	}
	b.WriteString("\r\n")
	b.Write(body)
	return b.Bytes()
}

// do sends a request and reads the answer into w.body.
func (w *wire) do(req []byte) (status int, err error) {
	if _, err := w.conn.Write(req); err != nil {
		return 0, err
	}
	w.body.Reset()
	line, err := w.r.ReadSlice('\n')
	if err != nil {
		return 0, err
	}
	if len(line) < 12 {
		return 0, fmt.Errorf("status line %q", line)
	}
	if status, err = strconv.Atoi(string(line[9:12])); err != nil {
		return 0, err
	}
	length, chunked := int64(0), false
	for {
		line, err := w.r.ReadSlice('\n')
		if err != nil {
			return status, err
		}
		line = bytes.TrimRight(line, "\r\n")
		if len(line) == 0 {
			break
		}
		switch name, value, _ := bytes.Cut(line, []byte(": ")); string(name) {
		case "Content-Length":
			if length, err = strconv.ParseInt(string(value), 10, 64); err != nil {
				return status, err
			}
		case "Transfer-Encoding":
			chunked = true
		}
	}
	for {
		if chunked {
			line, err := w.r.ReadSlice('\n')
			if err != nil {
				return status, err
			}
			if length, err = strconv.ParseInt(string(bytes.TrimRight(line, "\r\n")), 16, 64); err != nil {
				return status, err
			}
		}
		if _, err := io.CopyN(&w.body, w.r, length); err != nil {
			return status, err
		}
		if !chunked {
			return status, nil
		}
		if _, err := w.r.Discard(2); err != nil {
			return status, err
		}
		if length == 0 {
			return status, nil
		}
	}
}

// run is what came of many requests.
type run struct {
	took     []time.Duration // sorted
	elapsed  time.Duration
	statuses map[int]int
	last     []byte // one answer
}

func (r run) quantile(q float64) time.Duration {
	if len(r.took) == 0 {
		return 0
	}
	return r.took[min(int(q*float64(len(r.took))), len(r.took)-1)]
}

func (r run) rate() float64 { return float64(len(r.took)) / r.elapsed.Seconds() }

// send sends each lane's requests in order over a connection of its own, all
// lanes at once. before is called ahead of each request; nil for nothing.
func send(tb testing.TB, addr string, lanes [][][]byte, before func(lane, i int)) run {
	tb.Helper()
	wires := make([]*wire, len(lanes))
	took := make([][]time.Duration, len(lanes))
	counts := make([]map[int]int, len(lanes))
	for i := range lanes {
		wires[i] = dial(tb, addr)
		defer wires[i].conn.Close()
		took[i] = make([]time.Duration, 0, len(lanes[i]))
		counts[i] = map[int]int{}
	}
	var failed atomic.Pointer[error]
	var wg sync.WaitGroup
	began := time.Now()
	for i, lane := range lanes {
		wg.Go(func() {
			for k, req := range lane {
				if before != nil {
					before(i, k)
				}
				at := time.Now()
				status, err := wires[i].do(req)
				if err != nil {
					failed.Store(&err)
					return
				}
				took[i] = append(took[i], time.Since(at))
				counts[i][status]++
			}
		})
	}
	wg.Wait()
	out := run{elapsed: time.Since(began), statuses: map[int]int{}}
	if err := failed.Load(); err != nil {
		tb.Fatal(*err)
	}
	for i := range lanes {
		out.took = append(out.took, took[i]...)
		for s, n := range counts[i] {
			out.statuses[s] += n
			if s >= 300 {
				out.last = bytes.Clone(wires[i].body.Bytes())
			}
		}
	}
	if out.last == nil && len(wires) > 0 {
		out.last = bytes.Clone(wires[0].body.Bytes())
	}
	slices.Sort(out.took)
	return out
}

// only checks that each answer had one of the statuses.
func (r run) only(tb testing.TB, statuses ...int) {
	tb.Helper()
	for s, n := range r.statuses {
		if !slices.Contains(statuses, s) {
			tb.Fatalf("%d answers with status %d, such as: %s", n, s, strings.TrimSpace(string(r.last[:min(len(r.last), 600)])))
		}
	}
}

// spread deals requests out to lanes by turns.
func spread(reqs [][]byte, lanes int) [][][]byte {
	out := make([][][]byte, lanes)
	for i, r := range reqs {
		out[i%lanes] = append(out[i%lanes], r)
	}
	return out
}
