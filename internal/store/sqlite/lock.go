package sqlite

import (
	"errors"
	"os"
	"path/filepath"
	"syscall"

	"tidemark/internal/fault"
)

// lock takes the data directory for this process. The kernel releases it
// when the process dies, however it dies.
func lock(dir string) (*os.File, error) {
	f, err := os.OpenFile(filepath.Join(dir, "lock"), os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return nil, err
	}
	err = syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
	if err == nil {
		return f, nil
	}
	_ = f.Close()
	if errors.Is(err, syscall.EWOULDBLOCK) {
		return nil, fault.New(fault.Unavailable, "lock-error",
			"The data directory %s is in use by another Tidemark process; stop it, or give another directory.", dir)
	}
	return nil, err
}

// syncDir makes names created in dir durable.
func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	err = d.Sync()
	return errors.Join(err, d.Close())
}
