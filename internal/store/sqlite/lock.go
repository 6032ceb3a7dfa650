package sqlite

import (
	"errors"
	"os"
	"path/filepath"

	"tidemark/internal/fault"
)

// lock takes the data directory for this process. The kernel releases it
// when the process dies, however it dies.
func lock(dir string) (*os.File, error) {
	f, err := os.OpenFile(filepath.Join(dir, "lock"), os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return nil, err
	}
	err = take(f)
	if err == nil {
		return f, nil
	}
	_ = f.Close()
	if errors.Is(err, errTaken) {
		return nil, fault.New(fault.Unavailable, "lock-error",
			"The data directory %s is in use by another Tidemark process; stop it, or give another directory.", dir)
	}
	return nil, err
}

// Size is how much the store in a data directory takes on the disk.
func Size(dir string) (n int64) {
	for _, name := range []string{fileName, fileName + "-wal", fileName + "-shm"} {
		if fi, err := os.Stat(filepath.Join(dir, name)); err == nil {
			n += fi.Size()
		}
	}
	return n
}

// errTaken says that another process holds the lock of a file.
var errTaken = errors.New("another process holds it")
