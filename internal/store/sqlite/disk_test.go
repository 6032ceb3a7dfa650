package sqlite

import (
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"tidemark/internal/fault"
	"tidemark/internal/store"
	"tidemark/internal/store/sqlite/disk"
)

const logName = fileName + "-wal"

// refused checks the answer of a call that the disk has failed.
func refused(t *testing.T, err error, says string) {
	t.Helper()
	if !fault.Is(err, fault.Unavailable) || !strings.Contains(err.Error(), says) || fault.Of(err).RetryAfter == 0 {
		t.Errorf("answered %v; want it Unavailable, with a time to try again, saying %q", err, says)
	}
}

// TestDiskFault lets the disk fail once at one place. The write that meets it
// is answered Unavailable; writes go on by themselves; and nothing that was
// acknowledged before or after it is lost, neither while the service runs nor
// when the power is cut: a failed fsync is not repeated as if it had worked.
func TestDiskFault(t *testing.T) {
	for _, c := range []struct {
		name   string
		call   disk.Call
		file   string
		answer disk.Answer
		says   string // "": a checkpoint meets it, which no caller notices
	}{
		{"fsync of the log", disk.Sync, logName, disk.EIO, "in doubt"},
		{"write to the log", disk.Write, logName, disk.EIO, "in doubt"},
		{"short write to the log", disk.Write, logName, disk.Half, "in doubt"},
		{"log on a full disk", disk.Write, logName, disk.Full, "is full"},
		{"fsync of the file", disk.Sync, fileName, disk.EIO, ""},
		{"write to the file", disk.Write, fileName, disk.EIO, ""},
		{"short write to the file", disk.Write, fileName, disk.Half, ""},
		{"file on a full disk", disk.Write, fileName, disk.Full, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			o := options(t)
			d := disk.New(t, o.Dir, 1)
			s := openIn(t, o, nil)
			for i := range 20 {
				commit(t, s.Store, patient(t, fmt.Sprint("a", i), "before"))
			}
			came := d.Once(c.call, c.file, c.answer)
			met := []store.Write{patient(t, "met", "it"), patient(t, "met2", "it")}
			_, err := s.Commit(context.Background(), met, nil)
			if c.says != "" {
				refused(t, err, c.says)
				if _, err := s.Read(context.Background(), store.Key{Type: "Patient", ID: "met"}); !fault.Is(err, fault.NotFound) {
					t.Errorf("a write that failed is read: %v", err)
				}
			} else if err != nil {
				t.Fatal(err)
			} else if err := checkpoint(s.Store, "RESTART"); err == nil {
				t.Error("the checkpoint succeeded")
			}
			if !came() {
				t.Fatal("the disk was never asked")
			}
			cut(t, d, s.Store, o)
			for i := range 20 {
				commit(t, s.Store, patient(t, fmt.Sprint("b", i), "after"))
			}
			commit(t, s.Store, met...)
			cut(t, d, s.Store, o)
		})
	}
}

// TestDiskFaultWhileReading: reads of a disk that fails are Unavailable, and
// come back with it.
func TestDiskFaultWhileReading(t *testing.T) {
	o := options(t)
	s := openIn(t, o, nil)
	for i := range 200 {
		commit(t, s.Store, patient(t, fmt.Sprint("a", i), strings.Repeat("x", 2000)))
	}
	want := everything(t, s.Store)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	d := disk.New(t, o.Dir, 1)
	s = openIn(t, o, nil) // with empty caches
	d.Fail(func(c disk.Call, _ string) disk.Answer {
		if c == disk.Read {
			return disk.EIO
		}
		return disk.OK
	})
	_, err := s.Read(context.Background(), store.Key{Type: "Patient", ID: "a7"})
	refused(t, err, "reports an error")
	_, err = s.Changes(context.Background(), 0, 100)
	refused(t, err, "reports an error")
	_, err = s.Commit(context.Background(), []store.Write{patient(t, "a7", "y")}, nil)
	refused(t, err, "reports an error")
	d.Fail(nil)
	if got := everything(t, s.Store); got != want {
		t.Error("another content after the disk has failed for a while")
	}
	commit(t, s.Store, patient(t, "a7", "y"))
}

// TestReadOnlyDisk: a disk that lets nothing be written any more, as the kernel makes it after
// errors. The store is not ready while it lasts, and is ready again by itself.
func TestReadOnlyDisk(t *testing.T) {
	o := options(t)
	d := disk.New(t, o.Dir, 1)
	s := openIn(t, o, nil)
	commit(t, s.Store, patient(t, "a", "x"))
	d.Fail(func(c disk.Call, _ string) disk.Answer {
		if c == disk.Read {
			return disk.OK
		}
		return disk.ReadOnly
	})
	for range 3 {
		_, err := s.Commit(context.Background(), []store.Write{patient(t, "b", "x")}, nil)
		refused(t, err, "")
		refused(t, s.Ping(context.Background()), "")
		if v, err := s.Read(context.Background(), store.Key{Type: "Patient", ID: "a"}); err != nil || v.Number != 1 {
			t.Errorf("reading: %v", err)
		}
	}
	d.Fail(nil)
	if err := s.Ping(context.Background()); err != nil {
		t.Errorf("not ready though the disk works again: %v", err)
	}
	if r := commit(t, s.Store, patient(t, "b", "x")); r[0].Version.Seq != 2 {
		t.Errorf("seq %d after one version", r[0].Version.Seq)
	}
	cut(t, d, s.Store, o)
}

// TestLogTakenAway: the log is gone from its place just when a transaction is
// kept. It is not acknowledged, but it is there when the log is back, and the
// next one comes after it.
func TestLogTakenAway(t *testing.T) {
	s := openIn(t, options(t), nil)
	commit(t, s.Store, patient(t, "a", "x"))
	log := filepath.Join(s.dir, logName)
	err := s.write(context.Background(), true, func(w *writer) error {
		if _, err := w.put(&change{Write: patient(t, "b", "x"), index: indexOf(patient(t, "b", "x").Doc)}, w.now()); err != nil {
			return err
		}
		return os.Rename(log, log+".away")
	})
	refused(t, err, "removed or replaced")
	if err := os.Rename(log+".away", log); err != nil {
		t.Fatal(err)
	}
	if r := commit(t, s.Store, patient(t, "c", "x")); r[0].Version.Seq != 3 {
		t.Errorf("seq %d after two versions", r[0].Version.Seq)
	}
}

// TestRestartOfTheLog: when the writer cannot make the log start over, it goes
// on with the log that it has, and with its patience for locks.
func TestRestartOfTheLog(t *testing.T) {
	o := options(t)
	d := disk.New(t, o.Dir, 1)
	s := openIn(t, o, nil)
	commit(t, s.Store, patient(t, "a", "x"))
	came := d.Once(disk.Sync, fileName, disk.EIO)
	restart := func(w *writer) error { w.restart.Store(true); return nil }
	if err := s.write(context.Background(), true, restart); err != nil {
		t.Fatal(err)
	}
	err := s.write(context.Background(), true, func(w *writer) error {
		if n, err := w.c.number("PRAGMA busy_timeout"); n != 5000 || err != nil {
			t.Errorf("the writer waits %d ms for a lock (%v)", n, err)
		}
		return nil
	})
	if err != nil || !came() {
		t.Fatal(err, came())
	}
	cut(t, d, s.Store, o)
	commit(t, s.Store, patient(t, "b", "x"))
	if err := s.write(context.Background(), true, restart); err != nil {
		t.Fatal(err)
	}
	commit(t, s.Store, patient(t, "c", "x"))
	cut(t, d, s.Store, o)
}

// TestAnyDiskFaults writes, checkpoints, restarts and cuts the power on a disk
// that fails anywhere at any time.
func TestAnyDiskFaults(t *testing.T) {
	rounds := 6
	if testing.Short() {
		rounds = 2
	}
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	acknowledged, failed := 0, 0
	for n := range rounds {
		r := rand.New(rand.NewPCG(seed, uint64(n)))
		o := options(t)
		d := disk.New(t, o.Dir, seed)
		s := openIn(t, o, nil)
		for range 60 {
			switch r.IntN(12) {
			case 0, 1, 2, 3, 4: // several at once, which share transactions
				errs := make([]error, 1+r.IntN(4))
				var wg sync.WaitGroup
				for i := range errs {
					var writes []store.Write
					for range 1 + r.IntN(3) {
						writes = append(writes, patient(t, fmt.Sprint("p", r.IntN(30)), strings.Repeat("x", r.IntN(9000))))
					}
					wg.Go(func() { _, errs[i] = s.Commit(context.Background(), writes, nil) })
				}
				wg.Wait()
				for _, err := range errs {
					switch {
					case err == nil:
						acknowledged++
					case fault.Is(err, fault.Unavailable):
						failed++
					default:
						t.Fatalf("%v (%v)", err, fault.Of(err).Cause)
					}
				}
			case 5, 6, 10, 11:
				wanted := []disk.Call{disk.Read, disk.Write, disk.Sync, disk.Truncate, disk.Open, disk.Delete}[r.IntN(6)]
				answer := []disk.Answer{disk.EIO, disk.Half, disk.Full}[r.IntN(3)]
				oneIn, luck := 1+r.IntN(8), rand.New(rand.NewPCG(seed, r.Uint64()))
				d.Fail(func(c disk.Call, _ string) disk.Answer {
					if c == wanted && luck.IntN(oneIn) == 0 {
						return answer
					}
					return disk.OK
				})
			case 7:
				d.Fail(nil)
				// An fsync of the checkpointer may have failed, of which the
				// kernel tells the writer, too, but once.
				if _, err := s.Commit(context.Background(), []store.Write{patient(t, "healed", "x")}, nil); err != nil {
					commit(t, s.Store, patient(t, "healed", "x"))
				}
			case 8:
				_ = checkpoint(s.Store, []string{"PASSIVE", "RESTART", "TRUNCATE"}[r.IntN(3)]) // fails when the disk does
			case 9:
				d.Fail(nil)
				next := o
				next.Dir = cut(t, d, s.Store, o)
				if r.IntN(2) == 0 {
					break
				}
				// Go on with what the power cut has left, on a disk that may
				// fail while the file is opened.
				if err := s.Close(); err != nil {
					t.Fatal(err)
				}
				o, d = next, disk.New(t, next.Dir, r.Uint64())
				luck := rand.New(rand.NewPCG(seed, r.Uint64()))
				d.Fail(func(c disk.Call, _ string) disk.Answer {
					if luck.IntN(12) == 0 {
						return disk.EIO
					}
					return disk.OK
				})
				if early, err := Open(context.Background(), o); err == nil {
					_ = early.Close() // the disk fails
				} else if !fault.Is(err, fault.Unavailable) {
					t.Fatalf("opening on a failing disk: %v (%v)", err, fault.Of(err).Cause)
				}
				d.Fail(nil)
				s = openIn(t, o, nil)
			}
		}
		d.Fail(nil)
		cut(t, d, s.Store, o)
	}
	t.Logf("%d writes acknowledged, %d failed", acknowledged, failed)
	if acknowledged == 0 || failed == 0 {
		t.Error("the disk has never failed, or always")
	}
}

// checkpoint does on a connection of its own what the checkpointer does.
func checkpoint(s *Store, mode string) error {
	c, err := connect(context.Background(), filepath.Join(s.dir, fileName), readWrite, "synchronous(FULL)")
	if err != nil {
		return err
	}
	_, _, err = frames(c, "PRAGMA wal_checkpoint("+mode+")")
	_ = c.close() // the answer is the checkpoint's
	return err
}

// cut opens what a power cut would leave now, which must be sound and begin
// with everything that s holds. It gives the directory with what is left.
func cut(t *testing.T, d *disk.Disk, s *Store, o Options) (left string) {
	t.Helper()
	want := everything(t, s)
	left = t.TempDir()
	d.PowerCut(t, left)
	o.Dir = t.TempDir()
	for _, name := range []string{fileName, logName} {
		if err := copyFile(filepath.Join(left, name), filepath.Join(o.Dir, name)); err != nil && !os.IsNotExist(err) {
			t.Fatal(err)
		}
	}
	back := openIn(t, o, nil)
	if got := everything(t, back.Store); !strings.HasPrefix(got, want) {
		t.Fatalf("a power cut leaves %d versions of %d", strings.Count(got, "\n"), strings.Count(want, "\n"))
	}
	inspect(t, back.Store, nil)
	if err := back.read(context.Background(), "check", intact); err != nil {
		t.Fatal(err, fault.Of(err).Cause)
	}
	if err := back.Close(); err != nil {
		t.Fatal(err)
	}
	return left
}

// intact lets the engine look for damage.
func intact(c *conn) error {
	r, err := c.one("PRAGMA integrity_check(1)")
	if err == nil && r.text(0) != "ok" {
		err = fmt.Errorf("damaged: %s", r.text(0))
	}
	return err
}

func copyFile(from, to string) error {
	b, err := os.ReadFile(from)
	if err != nil {
		return err
	}
	return os.WriteFile(to, b, 0o600)
}
