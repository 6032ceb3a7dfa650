package crash

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"
)

// usage is what a process holds.
type usage struct {
	files      int
	residentMB float64
	threads    int
}

func (p *process) usage(t *testing.T) usage {
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
		_, _ = fmt.Sscanf(line, "Threads: %d", &u.threads) // another line than this
	}
	return u
}

// TestSoak: under a steady mix of changes and derived reads the program does
// not come to hold more and more. It lasts some seconds, or as long as
// TIDEMARK_SOAK says, such as 1h. What grows with the data, the page caches, is
// full after the first quarter of a long run.
func TestSoak(t *testing.T) {
	embeddedOnly(t)
	length := 4 * time.Second
	if text := os.Getenv("TIDEMARK_SOAK"); text != "" {
		var err error
		if length, err = time.ParseDuration(text); err != nil {
			t.Fatalf("TIDEMARK_SOAK=%q is not a duration", text)
		}
	}
	dir := t.TempDir()
	p := serve(t, dir)
	tok := token(t, dir)
	w := newWard(8, 7, time.Now())
	w.pace = 50 * time.Millisecond // so that an hour's entries, a minute apart, do not reach the present
	for _, k := range w.keepers {
		k.register(t, dial(p.base, tok))
	}
	stop := make(chan struct{})
	var wg sync.WaitGroup
	asked := 0
	wg.Go(func() {
		c := dial(p.base, tok)
		for {
			for _, k := range w.keepers {
				for _, path := range []string{"/Device/" + k.drain() + "/$drain-output?period=day", "/Device/" + k.drain() + "/$escalation-status", "/Patient/" + k.patient() + "/$fluid-balance?period=day"} {
					select {
					case <-stop:
						return
					case <-time.After(2 * time.Millisecond):
					}
					a, err := c.do("GET", path, nil)
					if err != nil || a.status != 200 {
						t.Errorf("%s: %d %v %s", path, a.status, err, a.clip())
						return
					}
					asked++
				}
			}
		}
	})
	acked := 0
	wg.Go(func() { acked = w.work(t, p.base, tok, stop) })
	time.Sleep(length / 4)
	early := p.usage(t)
	time.Sleep(length - length/4)
	late := p.usage(t)
	close(stop)
	wg.Wait()
	t.Logf("%d changes and %d derived reads in %v; a quarter in: %+v, at the end: %+v", acked, asked, length, early, late)
	if acked == 0 || asked == 0 {
		t.Error("nothing was done")
	}
	if late.files > early.files+20 {
		t.Errorf("open files grew from %d to %d", early.files, late.files)
	}
	if late.residentMB > 200 {
		t.Errorf("%.0f MB resident", late.residentMB)
	}
	if length >= 10*time.Minute && late.residentMB > 1.5*early.residentMB {
		t.Errorf("memory grew from %.0f to %.0f MB", early.residentMB, late.residentMB)
	}
	c := dial(p.base, tok)
	w.verify(t, c, false)
	if code := p.terminate(t); code != 0 {
		t.Errorf("exit code %d", code)
	}
}
