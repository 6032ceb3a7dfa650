package sqlite

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"tidemark/internal/fault"
	"tidemark/internal/store"
	"tidemark/internal/store/storetest"
)

// copyOf copies what a kill would leave of a store into a directory of its own.
func copyOf(t *testing.T, s *Store) Options {
	t.Helper()
	o := options(t)
	err := s.write(context.Background(), true, func(*writer) error {
		for _, name := range []string{fileName, logName, markName} {
			if err := copyFile(filepath.Join(s.dir, name), filepath.Join(o.Dir, name)); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err, fault.Of(err).Cause)
	}
	return o
}

// TestLostLog: after a kill, all that was acknowledged may stand in the log
// alone. One that is missing or damaged is refused, and left as it is; whoever
// accepts the loss deletes the mark.
func TestLostLog(t *testing.T) {
	for name, damage := range map[string]func(log string) error{
		"missing": os.Remove,
		"empty":   func(log string) error { return os.Truncate(log, 0) },
		"cut":     func(log string) error { return os.Truncate(log, 8<<10) },
		"a flipped bit": func(log string) error {
			b, err := os.ReadFile(log)
			if err != nil {
				return err
			}
			b[len(b)/2] ^= 1
			return os.WriteFile(log, b, 0o600)
		},
	} {
		t.Run(name, func(t *testing.T) {
			s := openIn(t, options(t), nil)
			for i := range 30 {
				commit(t, s.Store, patient(t, fmt.Sprint("p", i), "kept"))
			}
			o := copyOf(t, s.Store)
			log := filepath.Join(o.Dir, logName)
			if err := damage(log); err != nil {
				t.Fatal(err)
			}
			before, _ := os.ReadFile(log)
			for range 2 {
				if _, err := Open(context.Background(), o); !fault.Is(err, fault.Unavailable) || !strings.Contains(err.Error(), "missing or damaged") || !strings.Contains(err.Error(), o.Dir) {
					t.Fatalf("opened without its log: %v", err)
				}
			}
			if after, _ := os.ReadFile(log); !bytes.Equal(before, after) {
				t.Errorf("the log had %d bytes and has %d now", len(before), len(after))
			}
			if err := Backup(context.Background(), o.Dir, filepath.Join(t.TempDir(), "b")); err == nil {
				t.Error("a backup of what is incomplete is written")
			}
			if err := os.Remove(filepath.Join(o.Dir, markName)); err != nil {
				t.Fatal(err)
			}
			openIn(t, o, nil)
		})
	}
}

// TestMark: a store that is whole opens, after a kill, a stop, and a
// restart of a copy; one that was put back to an older state does not.
func TestMark(t *testing.T) {
	o := options(t)
	s := openIn(t, o, nil)
	commit(t, s.Store, patient(t, "a", "x"))
	older := copyOf(t, s.Store)
	commit(t, s.Store, patient(t, "b", "x"))
	whole := openIn(t, copyOf(t, s.Store), nil)
	commit(t, whole.Store, patient(t, "c", "x"))
	whole.Reopen(t)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	openIn(t, o, nil).Close()
	// The file of another time under the mark of this one, gone on from there.
	other := openIn(t, older, nil)
	commit(t, other.Store, patient(t, "another", "x"), patient(t, "third", "x"))
	if err := other.Close(); err != nil {
		t.Fatal(err)
	}
	if err := copyFile(filepath.Join(older.Dir, fileName), filepath.Join(o.Dir, fileName)); err != nil {
		t.Fatal(err)
	}
	if _, err := Open(context.Background(), o); err == nil || !strings.Contains(err.Error(), "another") {
		t.Errorf("another history opens: %v", err)
	}
}

// TestLocksAreKept: what a failed fsync calls for must not drop the locks that
// the engine holds on the file, or another program takes the log away.
func TestLocksAreKept(t *testing.T) {
	held := func(inode uint64) (n int) {
		b, err := os.ReadFile("/proc/locks")
		if err != nil {
			t.Skipf("no list of locks here: %v", err)
		}
		for _, line := range strings.Split(string(b), "\n") {
			if strings.Contains(line, "POSIX") && strings.Contains(line, fmt.Sprint(" ", os.Getpid(), " ")) && strings.Contains(line, fmt.Sprintf(":%d ", inode)) {
				n++
			}
		}
		return n
	}
	s := openIn(t, options(t), nil)
	commit(t, s.Store, patient(t, "a", "x"))
	info, err := os.Stat(filepath.Join(s.dir, fileName))
	if err != nil {
		t.Fatal(err)
	}
	inode := info.Sys().(*syscall.Stat_t).Ino
	before := held(inode)
	if before == 0 {
		t.Skip("the engine's locks do not show here")
	}
	s.forget()
	if after := held(inode); after != before {
		t.Errorf("%d locks before, %d after", before, after)
	}
}

// TestBackupsToOneName: of several at once one is written, and can be restored;
// the others are refused.
func TestBackupsToOneName(t *testing.T) {
	s := openIn(t, options(t), nil)
	for i := range 200 {
		commit(t, s.Store, patient(t, fmt.Sprint("p", i), strings.Repeat("x", 500)))
	}
	for range 5 {
		file := filepath.Join(t.TempDir(), "backup")
		var wg sync.WaitGroup
		errs := make([]error, 6)
		for i := range errs {
			wg.Go(func() { errs[i] = s.Backup(context.Background(), file) })
		}
		wg.Wait()
		written := 0
		for _, err := range errs {
			switch {
			case err == nil:
				written++
			case !fault.Is(err, fault.Conflict):
				t.Error(err)
			}
		}
		if written != 1 {
			t.Errorf("%d say that they wrote it", written)
		}
		if err := Restore(context.Background(), file, filepath.Join(t.TempDir(), "new")); err != nil {
			t.Error(err)
		}
		if left, _ := filepath.Glob(file + "?*"); len(left) > 0 {
			t.Errorf("left behind: %v", left)
		}
	}
}

// TestPrivate: what is kept is for one user of the machine, whatever his umask
// and whatever earlier programs left.
func TestPrivate(t *testing.T) {
	defer syscall.Umask(syscall.Umask(0o022))
	o := options(t)
	o.Dir = filepath.Join(o.Dir, "data")
	if err := os.Mkdir(o.Dir, 0o755); err != nil {
		t.Fatal(err)
	}
	modes := func(o Options) {
		t.Helper()
		s := openIn(t, o, nil)
		commit(t, s.Store, patient(t, "a", "x"))
		if err := s.Backup(context.Background(), filepath.Join(o.Dir, "backup")); err != nil {
			t.Fatal(err)
		}
		for _, name := range []string{"", fileName, logName, fileName + "-shm", markName, "lock", "backup"} {
			info, err := os.Stat(filepath.Join(o.Dir, name))
			if err != nil || info.Mode().Perm()&0o077 != 0 {
				t.Errorf("%s: %v, %v", name, info.Mode(), err)
			}
		}
		if err := os.Remove(filepath.Join(o.Dir, "backup")); err != nil {
			t.Fatal(err)
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
	modes(o)
	for _, c := range []struct {
		name string
		mode os.FileMode
	}{{"", 0o755}, {fileName, 0o644}} {
		if err := os.Chmod(filepath.Join(o.Dir, c.name), c.mode); err != nil {
			t.Fatal(err)
		}
	}
	modes(o)
	foreign := filepath.Join(t.TempDir(), "everybody's")
	if err := os.MkdirAll(filepath.Join(foreign, "others"), 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(foreign, 0o777); err != nil {
		t.Fatal(err)
	}
	o.Dir = foreign
	if _, err := Open(context.Background(), o); !fault.Is(err, fault.Unavailable) || !strings.Contains(err.Error(), "chmod 700") {
		t.Errorf("a directory that others may change: %v", err)
	}
}

// TestAuditOfLaterYears: records are found, kept and dropped by their times in
// any year.
func TestAuditOfLaterYears(t *testing.T) {
	s := openIn(t, options(t), nil)
	ctx := context.Background()
	years := []int{2024, 2026, 2027, 2041, 2042, 2050, 2140}
	for _, y := range years {
		for i := range 3 {
			if err := s.Audit(ctx, []store.AuditRecord{{ID: fmt.Sprint(y, "-", i), At: time.Date(y, 6, 1, 0, 0, 0, i*1000, time.UTC), Action: "R", Outcome: "0"}}); err != nil {
				t.Fatal(err)
			}
		}
	}
	for i, y := range years {
		rs, _, err := s.AuditRecords(ctx, store.AuditQuery{From: time.Date(y, 1, 1, 0, 0, 0, 0, time.UTC), To: time.Date(y+1, 1, 1, 0, 0, 0, 0, time.UTC), Count: 10})
		if err != nil || len(rs) != 3 || rs[0].ID != fmt.Sprint(y, "-2") {
			t.Errorf("%d: %+v, %v", y, rs, err)
		}
		if i == 0 {
			continue
		}
		if n, err := s.DropAudit(ctx, time.Date(y, 1, 1, 0, 0, 0, 0, time.UTC)); n != 3 || err != nil {
			t.Errorf("before %d %d are dropped, %v", y, n, err)
		}
	}
	if rs, _, err := s.AuditRecords(ctx, store.AuditQuery{To: time.Date(9999, 1, 1, 0, 0, 0, 0, time.UTC), Count: 10}); err != nil || len(rs) != 3 {
		t.Errorf("what is left: %+v, %v", rs, err)
	}
}

// TestLogShrinks: a reader that stays keeps the log from starting over; when it
// has gone, the log is cut back.
func TestLogShrinks(t *testing.T) {
	o := options(t)
	s := openIn(t, o, nil)
	ctx := context.Background()
	text := strings.Repeat("x", 200<<10)
	fill := func(n int, id string) {
		for i := range n {
			if _, err := s.Commit(ctx, []store.Write{storetest.Put(t, fmt.Sprintf(`{"resourceType":"Patient","id":"%s%d","meta":{},"name":[{"text":%q}]}`, id, i, text))}, nil); err != nil {
				t.Fatal(err)
			}
		}
	}
	size := func() int64 {
		fi, err := os.Stat(filepath.Join(o.Dir, fileName+"-wal"))
		if err != nil {
			t.Fatal(err)
		}
		return fi.Size()
	}
	const kept = int64(keptLog)
	stay, staying := make(chan struct{}), make(chan struct{})
	left := make(chan error)
	go func() {
		left <- s.snapshot(ctx, "stay", func(c *conn) error {
			_, err := c.number(sqlLastSeq)
			close(staying)
			<-stay
			return err
		})
	}()
	<-staying
	for i := 0; size() <= kept+kept/4; i++ {
		if i > 100 {
			t.Fatalf("the log has only %d bytes beside a reader that stays", size())
		}
		fill(20, fmt.Sprint("a", i, "-"))
	}
	close(stay)
	if err := <-left; err != nil {
		t.Fatal(err)
	}
	for i := 0; size() > kept; i++ {
		if i > 100 {
			t.Fatalf("the log has %d bytes still, %d are kept", size(), kept)
		}
		fill(20, fmt.Sprint("b", i, "-"))
		time.Sleep(time.Millisecond) // for the checkpointer
	}
}
