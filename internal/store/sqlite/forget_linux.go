package sqlite

import (
	"errors"
	"os"
	"path/filepath"

	"golang.org/x/sys/unix"
)

// forget drops what the kernel believes to be in the files, once it has failed to
// write some of it back: it takes such pages for clean, and ext4 even takes
// the blocks behind them for written, so that a later write to the same place
// and an fsync after it both succeed, and nothing of it is found after the next
// boot (seen on Linux 6.18; crash.TestFailingFsync). What is read and written
// from now on goes by the disk. Only what was durable before counts, which is
// all that was acknowledged.
func (s *Store) forget() {
	for _, name := range []string{fileName, fileName + "-wal"} {
		f, err := os.Open(filepath.Join(s.dir, name))
		if errors.Is(err, os.ErrNotExist) {
			continue
		}
		if err == nil {
			err = errors.Join(unix.Fadvise(int(f.Fd()), 0, 0, unix.FADV_DONTNEED), f.Close())
		}
		if err != nil {
			s.log.Error("the kernel may hold pages that never reached the disk; restart the machine before the service goes on", "file", name, "error", err)
		}
	}
}
