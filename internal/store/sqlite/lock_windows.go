package sqlite

import (
	"errors"
	"os"

	"golang.org/x/sys/windows"
)

// take locks a file for this process.
func take(f *os.File) error {
	err := windows.LockFileEx(windows.Handle(f.Fd()), windows.LOCKFILE_EXCLUSIVE_LOCK|windows.LOCKFILE_FAIL_IMMEDIATELY, 0, 1, 0, new(windows.Overlapped))
	if errors.Is(err, windows.ERROR_LOCK_VIOLATION) {
		return errTaken
	}
	return err
}

// syncDir is for systems on which a directory can be flushed.
func syncDir(string) error { return nil }
