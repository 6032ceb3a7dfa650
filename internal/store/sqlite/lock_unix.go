//go:build unix

package sqlite

import (
	"errors"
	"os"
	"syscall"
)

// take locks a file for this process.
func take(f *os.File) error {
	err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
	if errors.Is(err, syscall.EWOULDBLOCK) {
		return errTaken
	}
	return err
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
