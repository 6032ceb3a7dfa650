package crash

import (
	"bytes"
	"errors"
	"fmt"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"
)

// thin is an ext4 file system on a loop device, in a mount namespace of its
// own, whose image lies on a small tmpfs: while that is full, the kernel finds
// out only when it writes back, so that fsync fails and the pages are lost, as
// on a thin-provisioned volume that has run out.
type thin struct {
	holder  *process
	outside string // the tmpfs, as others see it
	inside  string // the mounted file system, in the namespace
	device  string // /dev/loop…
}

// makeThin writes no more than a page of the image at a time: of a longer write that
// fits in part, the loop device tells the kernel that all of it was done.
const makeThin = `mount -t tmpfs -o size=90m tmpfs "$1" && truncate -s 120m "$1/image" && mkfs.ext4 -q -b 4096 -O ^has_journal "$1/image" &&
	mkdir "$1/disk" && dev=$(losetup -f --show "$1/image") && echo "$dev" > "$1/device" && echo 4 > "/sys/block/${dev#/dev/}/queue/max_sectors_kb" &&
	mount -o errors=remount-ro "$dev" "$1/disk" && echo msg=serving base=none >&2 && exec sleep 1000000`

func newThin(t *testing.T) *thin {
	t.Helper()
	dir := t.TempDir()
	for _, tool := range []string{"mkfs.ext4", "losetup", "nsenter"} {
		if _, err := exec.LookPath(tool); err != nil {
			t.Skipf("no disk can be made here: %v", err)
		}
	}
	args := inNamespace(t, makeThin, dir)
	h := start(t, args[0], args[1:]...)
	if h.base == "" {
		t.Skipf("no loop device can be mounted here: %s", h.said())
	}
	d := &thin{holder: h, outside: filepath.Join("/proc", fmt.Sprint(h.cmd.Process.Pid), "root", dir), inside: filepath.Join(dir, "disk")}
	b, err := os.ReadFile(filepath.Join(d.outside, "device"))
	if err != nil {
		t.Fatal(err)
	}
	d.device = strings.TrimSpace(string(b))
	t.Cleanup(func() { d.run(t, "losetup", "-d", d.device) }) // when it is unmounted, with the namespace
	return d
}

// in is a command line in the namespace.
func (d *thin) in(args ...string) []string {
	return append([]string{"nsenter", "--mount", "--target", fmt.Sprint(d.holder.cmd.Process.Pid)}, args...)
}

func (d *thin) run(t *testing.T, args ...string) {
	t.Helper()
	args = d.in(args...)
	if out, err := exec.Command(args[0], args[1:]...).CombinedOutput(); err != nil {
		t.Fatalf("%v: %v %s", args, err, out)
	}
}

func (d *thin) data() string { return filepath.Join(d.inside, "data") }

func (d *thin) serve(t *testing.T) *process {
	t.Helper()
	args := d.in(append([]string{binary}, serveArgs(d.data())...)...)
	p := start(t, args[0], args[1:]...)
	if p.base == "" {
		t.Fatal(p.said())
	}
	return p
}

// remount unmounts the file system and mounts it again: the kernel
// forgets what it only believed to be on the disk.
func (d *thin) remount(t *testing.T) {
	t.Helper()
	d.run(t, "umount", d.inside)
	d.run(t, "mount", "-o", "errors=remount-ro", d.device, d.inside)
}

// fill takes all space behind the disk.
func (d *thin) fill(t *testing.T) (free func()) {
	t.Helper()
	name := filepath.Join(d.outside, "filler")
	f, err := os.Create(name)
	if err != nil {
		t.Fatal(err)
	}
	for block := make([]byte, 64<<10); err == nil; {
		_, err = f.Write(block)
	}
	f.Close()
	return func() {
		if err := os.Remove(name); err != nil {
			t.Fatal(err)
		}
	}
}

// ready is the status of /readyz.
func ready(t *testing.T, p *process) int {
	t.Helper()
	r, err := http.Get(strings.TrimSuffix(p.base, "/fhir") + "/readyz")
	if err != nil {
		t.Fatal(err)
	}
	r.Body.Close()
	return r.StatusCode
}

// untilRefused lets a keeper write until a write is refused, which must be
// with 503 and a time to try again.
func (k *keeper) untilRefused(t *testing.T, c *client, words string) {
	t.Helper()
	for n := 0; k.act(c) == nil; n++ {
		if n > 5000 {
			t.Fatal("5000 changes were taken by a disk that fails")
		}
	}
	a, err := c.do("POST", "/Observation", k.body(&entry{name: "refused-" + k.name, at: k.from.Add(time.Hour)}, state{value: 1}))
	if err != nil || a.status != 503 || a.header.Get("Retry-After") == "" || !regexp.MustCompile(words).Match(a.body) {
		t.Errorf("a write to a disk that fails is answered %d (%v): %s", a.status, err, a.clip())
	}
	t.Log(a.clip())
}

// TestFailingFsync: the kernel cannot write back what it has taken. Writes are
// refused with 503, reads go on, /readyz says 503; when the disk works again,
// so does the service, by itself; and what it has acknowledged before, between
// and after is on the disk, not only in the kernel's cache.
func TestFailingFsync(t *testing.T) {
	d := newThin(t)
	p := d.serve(t)
	tok := token(t, filepath.Join(d.outside, "disk", "data"))
	c := dial(p.base, tok)
	w := newWard(2, 8, time.Now())
	for _, k := range w.keepers {
		k.register(t, c)
	}
	k := w.keepers[0]
	for range 40 {
		if err := k.act(c); err != nil {
			t.Fatal(err)
		}
	}
	for range 2 {
		free := d.fill(t)
		k.untilRefused(t, c, "disk")
		if got := ready(t, p); got != 503 {
			t.Errorf("/readyz says %d while nothing can be kept", got)
		}
		c.must(t, 200, "GET", "/Patient/"+k.patient(), nil)
		free()
		began := time.Now()
		for ; ready(t, p) != 200; time.Sleep(50 * time.Millisecond) {
			if time.Since(began) > 20*time.Second {
				t.Fatal("the disk works again, but /readyz still says 503")
			}
		}
		// The kernel may tell late of what it could not write back, so that
		// one more write or two may be refused.
		for _, k := range w.keepers {
			for done := 0; done < 20; done++ {
				k.settle(t, c)
				if err := k.act(c); errors.Is(err, errStop) && time.Since(began) < 20*time.Second {
					time.Sleep(50 * time.Millisecond)
					done = -1
				} else if err != nil {
					t.Fatalf("the disk works again, but: %v\n%s", err, p.said())
				}
			}
		}
	}
	p.kill()
	d.remount(t)
	p = d.serve(t)
	c = dial(p.base, tok)
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

// settle finds out what became of changes that were in doubt, as a front end
// does before it goes on.
func (k *keeper) settle(t *testing.T, c *client) {
	t.Helper()
	for _, e := range k.entries {
		if e.next != nil {
			(&ward{}).verifyEntry(t, c, k, e)
		}
	}
}

// TestReadOnlyDisk: the kernel makes the file system read-only after an error.
// Writes are refused with 503, reads go on, /readyz says 503. Such a file
// system has to be mounted anew, so that the service is started again: what it
// has acknowledged is there.
func TestReadOnlyDisk(t *testing.T) {
	d := newThin(t)
	p := d.serve(t)
	tok := token(t, filepath.Join(d.outside, "disk", "data"))
	c := dial(p.base, tok)
	w := newWard(2, 9, time.Now())
	for _, k := range w.keepers {
		k.register(t, c)
	}
	for range 40 {
		for _, k := range w.keepers {
			if err := k.act(c); err != nil {
				t.Fatal(err)
			}
		}
	}
	if err := os.WriteFile(filepath.Join("/sys/fs/ext4", filepath.Base(d.device), "trigger_fs_error"), []byte("1"), 0o200); err != nil {
		t.Skipf("this kernel makes no file system read-only on demand: %v", err)
	}
	for _, k := range w.keepers {
		k.untilRefused(t, c, "disk|read-only")
		c.must(t, 200, "GET", "/Patient/"+k.patient(), nil)
		c.must(t, 200, "GET", "/Device/"+k.drain()+"/$drain-output?period=day", nil)
	}
	if got := ready(t, p); got != 503 {
		t.Errorf("/readyz says %d on a read-only disk", got)
	}
	if code := p.terminate(t); code > 1 || code < 0 {
		t.Errorf("exit code %d:\n%s", code, p.said())
	}
	t.Logf("%s", bytes.TrimSpace([]byte(p.said())))
	args := d.in(append([]string{binary}, serveArgs(d.data())...)...)
	start(t, args[0], args[1:]...).oneLine(t, "disk")
	d.remount(t)
	p = d.serve(t)
	c = dial(p.base, tok)
	for _, k := range w.keepers {
		for _, e := range k.entries {
			w.verifyEntry(t, c, k, e)
		}
		k.settle(t, c)
		if err := k.act(c); err != nil {
			t.Error(err)
		}
	}
	w.verifyFeed(t, c)
}
