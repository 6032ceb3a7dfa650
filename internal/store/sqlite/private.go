package sqlite

import (
	"errors"
	"io/fs"
	"log/slog"
	"os"

	"tidemark/internal/fault"
)

// private makes the data directory, if it is missing, and keeps it from others: one
// that others may look into is closed when it is ours, and one that others may
// change is refused when it holds other things too.
func private(dir string, log *slog.Logger) error {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return err
	}
	info, err := os.Stat(dir)
	if err != nil || info.Mode().Perm()&0o077 == 0 {
		return err
	}
	names, err := os.ReadDir(dir)
	if err != nil {
		return err
	}
	ours := len(names) == 0
	for _, n := range names {
		ours = ours || n.Name() == fileName || n.Name() == "lock"
	}
	if ours {
		if err = os.Chmod(dir, 0o700); err == nil {
			log.Info("the data directory was open to other users of this machine; it is 0700 now", "directory", dir)
			return nil
		}
	}
	if info.Mode().Perm()&0o022 != 0 {
		return fault.New(fault.Unavailable, "security",
			"Other users of this machine may change the data directory %s: chmod 700 it, or give a directory of its own.", dir)
	}
	log.Warn("other users of this machine may list the data directory; chmod 700 it", "directory", dir)
	return nil
}

// closed0600 makes the data file, if it is missing, and takes it and what the
// engine keeps beside it away from others. The engine gives its log the mode of
// the file. The descriptor is to stay open: see Store.data.
func closed0600(file string) (*os.File, error) {
	f, err := os.OpenFile(file, os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, err
	}
	for _, name := range []string{file, file + "-wal", file + "-shm"} {
		info, err := os.Stat(name)
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err == nil && info.Mode().Perm()&0o077 != 0 {
			err = os.Chmod(name, 0o600)
		}
		if err != nil {
			return f, err
		}
	}
	return f, nil
}
