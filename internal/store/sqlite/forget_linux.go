package sqlite

import (
	"errors"
	"os"
	"path/filepath"

	"golang.org/x/sys/unix"
)

// forget drops the kernel's cached pages of the files after a write-back has
// failed. The kernel marks such pages clean, and ext4 even treats their blocks as
// written: a later write to the same place and its fsync both succeed, yet the
// data are missing after the next boot (seen on Linux 6.18;
// crash.TestFailingFsync). After forget, reads and writes see what is on the disk.
// That is what was durable before, which includes everything acknowledged.
func (s *Store) forget() {
	drop := func(f *os.File) error { return unix.Fadvise(int(f.Fd()), 0, 0, unix.FADV_DONTNEED) }
	// Do not open another descriptor: see Store.data. The log has no locks.
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
