package crash

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"sync/atomic"
	"testing"
	"time"

	"tidemark/internal/app"
)

// inNamespace is a shell command line in a mount namespace of its own, where
// file systems can be small or read-only without anybody else noticing.
func inNamespace(t *testing.T, script string, args ...string) []string {
	t.Helper()
	if runtime.GOOS != "linux" {
		t.Skip("only Linux has mount namespaces")
	}
	unshare := []string{"unshare", "--mount"}
	if os.Getuid() != 0 {
		unshare = append(unshare, "--user", "--map-root-user")
	}
	if out, err := exec.Command(unshare[0], append(unshare[1:], "sh", "-c", "mount -t tmpfs tmpfs /mnt")...).CombinedOutput(); err != nil {
		t.Skipf("no mount namespace can be made here: %v %s", err, bytes.TrimSpace(out))
	}
	return append(append(unshare, "sh", "-c", script, "sh"), args...)
}

// TestFullDisk: on a full disk writes are refused with 503 and say why, reads go on, and
// nothing acknowledged is lost; with space again, writes go on without a restart.
func TestFullDisk(t *testing.T) {
	embeddedOnly(t)
	dir := t.TempDir()
	args := inNamespace(t, `mount -t tmpfs -o size=12m tmpfs "$1" && shift && exec "$@"`, append([]string{dir, binary}, serveArgs(dir)...)...)
	p := start(t, args[0], args[1:]...)
	if p.base == "" {
		t.Fatal(p.said())
	}
	// The small disk as others see it, through the process.
	inside := filepath.Join("/proc", fmt.Sprint(p.cmd.Process.Pid), "root", dir)
	tok := token(t, inside)
	c := dial(p.base, tok)
	w := newWard(2, 3, time.Now())
	for _, k := range w.keepers {
		k.register(t, c)
	}
	filler := filepath.Join(inside, "filler")
	f, err := os.Create(filler)
	if err != nil {
		t.Fatal(err)
	}
	block := make([]byte, 64<<10)
	for err == nil {
		_, err = f.Write(block)
	}
	f.Close()
	k := w.keepers[0]
	for n := 0; k.act(c) == nil; n++ {
		if n > 5000 {
			t.Fatal("5000 changes fit on a full disk")
		}
	}
	a, err := c.do("POST", "/Observation", k.body(&entry{name: "full", at: k.from.Add(time.Hour)}, state{value: 1}))
	if err != nil {
		t.Fatalf("a write to a full disk: %v", err)
	}
	if a.status != 503 || a.header.Get("Retry-After") == "" || !bytes.Contains(a.body, []byte("disk")) {
		t.Errorf("a write to a full disk is answered %d: %s", a.status, a.clip())
	}
	t.Log(a.clip())
	if a := c.must(t, 200, "GET", "/Patient/"+k.patient(), nil); len(a.body) == 0 {
		t.Error("a read on a full disk is empty")
	}
	if got := ready(t, p); got != 503 {
		t.Errorf("/readyz says %d on a full disk", got)
	}
	if err := os.Remove(filler); err != nil {
		t.Fatal(err)
	}
	for began := time.Now(); ; time.Sleep(50 * time.Millisecond) {
		a, err := c.do("POST", "/Observation", k.body(&entry{name: "again", at: k.from.Add(2 * time.Hour)}, state{value: 1}))
		if err == nil && a.status == 201 {
			break
		}
		if time.Since(began) > 20*time.Second {
			t.Fatalf("with space again, writes are still refused: %d %v %s", a.status, err, a.clip())
		}
	}
	if got := ready(t, p); got != 200 {
		t.Errorf("/readyz says %d with space again", got)
	}
	// The entries "again" and perhaps "full" are no keeper's, and stand between
	// its other entries: they charge the drain, which the findings show.
	for _, k := range w.keepers {
		for _, e := range k.entries {
			w.verifyEntry(t, c, k, e)
		}
	}
	w.verifyFeed(t, c)
	if code := p.terminate(t); code != 0 {
		t.Errorf("exit code %d:\n%s", code, p.said())
	}
}

// TestReadOnlyDirectory: the program does not start on one, and says so.
func TestReadOnlyDirectory(t *testing.T) {
	embeddedOnly(t)
	dir := t.TempDir()
	p := serve(t, dir)
	p.terminate(t)
	args := inNamespace(t, `mount --bind "$1" "$1" && mount -o remount,ro,bind "$1" && shift && exec "$@"`, append([]string{dir, binary}, serveArgs(dir)...)...)
	start(t, args[0], args[1:]...).oneLine(t, dir, "read-only")
}

// TestSecondProcess: a data directory is served by one process; the second
// refuses, and the first is not disturbed.
func TestSecondProcess(t *testing.T) {
	embeddedOnly(t)
	dir := t.TempDir()
	p := serve(t, dir)
	start(t, binary, serveArgs(dir)...).oneLine(t, dir, "in use by another")
	dial(p.base, token(t, dir)).must(t, 200, "GET", "/Observation", nil)
	if code := p.terminate(t); code != 0 {
		t.Errorf("exit code %d", code)
	}
}

// TestDamagedFile: a data file that is none is refused with one line.
func TestDamagedFile(t *testing.T) {
	embeddedOnly(t)
	for name, damage := range map[string]func(b []byte) []byte{
		"header":      func(b []byte) []byte { copy(b, "not a database, that"); return b },
		"first pages": func(b []byte) []byte { clear(b[100:min(len(b), 16384)]); return b },
		"cut short":   func(b []byte) []byte { return b[:len(b)/3] },
	} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			p := serve(t, dir)
			w := newWard(1, 4, time.Now())
			w.keepers[0].register(t, dial(p.base, token(t, dir)))
			if code := p.terminate(t); code != 0 {
				t.Fatalf("exit code %d", code)
			}
			file := filepath.Join(dir, "tidemark.db")
			// A log that was left behind would heal the damage.
			for _, side := range []string{"-wal", "-shm"} {
				if err := os.Remove(file + side); err != nil && !os.IsNotExist(err) {
					t.Fatal(err)
				}
			}
			b, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(file, damage(b), 0o600); err != nil {
				t.Fatal(err)
			}
			start(t, binary, serveArgs(dir)...).oneLine(t, "damaged", "restore a backup")
		})
	}
}

// TestClockSteps: the clock goes back an hour and forward a day. Times in the
// change feed never fall, and entries are taken at either time.
func TestClockSteps(t *testing.T) {
	now := time.Now().UTC().Truncate(time.Second)
	var step atomic.Int64
	dir := t.TempDir()
	a, err := app.New(context.Background(), app.Config{
		Listen: "127.0.0.1:0", Data: dir, Version: "test", SweepEvery: 20 * time.Millisecond,
		Logger: slog.New(slog.NewTextHandler(io.Discard, nil)),
		Clock:  func() time.Time { return time.Now().Add(time.Duration(step.Load())) },
	})
	if err != nil {
		t.Fatal(err)
	}
	a.Start()
	defer a.Stop(context.Background())
	w := newWard(2, 5, now)
	c := dial(a.Base(), token(t, dir))
	c.token = token(t, dir)
	for _, k := range w.keepers {
		k.register(t, c)
	}
	for _, by := range []time.Duration{0, -time.Hour, 0, 20 * time.Hour, -30 * time.Minute} {
		step.Store(int64(by))
		if by == -time.Hour {
			// For a clock that is stepped back, a token made before is one of
			// the future, unless it is known already.
			dial(a.Base(), mintAt(t, dir, now.Add(time.Second))).must(t, 401, "GET", "/Patient/"+w.keepers[0].patient(), nil)
			c.token = mintAt(t, dir, now.Add(-2*time.Hour))
		}
		for range 10 {
			for _, k := range w.keepers {
				if err := k.act(c); err != nil {
					t.Fatalf("with the clock at %v: %v", by, err)
				}
			}
		}
		time.Sleep(60 * time.Millisecond) // some sweeps
		w.since = now.Add(-48 * time.Hour)
		w.verify(t, c, true)
		w.verifyFeed(t, c)
	}
}

// TestFileTakenAway: somebody removes the data file under a running service.
// What is written from then on would be lost with the process, so that nothing
// may be acknowledged any more, and /readyz must say so.
func TestFileTakenAway(t *testing.T) {
	embeddedOnly(t)
	dir := t.TempDir()
	p := serve(t, dir)
	c := dial(p.base, token(t, dir))
	k := newWard(1, 6, time.Now()).keepers[0]
	k.register(t, c)
	for _, suffix := range []string{"", "-wal", "-shm"} {
		if err := os.Remove(filepath.Join(dir, "tidemark.db"+suffix)); err != nil {
			t.Fatal(err)
		}
	}
	for i := range 3 {
		a, err := c.do("POST", "/Observation", k.body(&entry{name: fmt.Sprint("gone-", i), at: k.from.Add(time.Hour)}, state{value: 1}))
		if err != nil || a.status != 503 {
			t.Fatalf("a write is answered %d (%v), though nothing can be kept: %s", a.status, err, a.clip())
		}
	}
	if got := ready(t, p); got != 503 {
		t.Errorf("/readyz says %d", got)
	}
}
