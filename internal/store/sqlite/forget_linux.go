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
	drop := func(f *os.File) error { return unix.Fadvise(int(f.Fd()), 0, 0, unix.FADV_DONTNEED) }
	// Not by a descriptor of its own: see Store.data. The log has no locks.
	var err error
	if s.data != nil {
		err = drop(s.data)
	}
	log, missing := os.Open(filepath.Join(s.dir, fileName+"-wal"))
	if missing == nil {
		err = errors.Join(err, drop(log), log.Close())
	} else if !errors.Is(missing, os.ErrNotExist) {
		err = errors.Join(err, missing)
	}
	if err != nil {
		s.log.Error("the kernel may hold pages that never reached the disk; restart the machine before the service goes on", "error", err)
	}
}
