//go:build unix

package app

import (
	"strings"
	"syscall"
	"testing"
)

// Connections leave the store its files; with too few files nothing starts.
func TestFewFiles(t *testing.T) {
	var before syscall.Rlimit
	if err := syscall.Getrlimit(syscall.RLIMIT_NOFILE, &before); err != nil {
		t.Skip(err)
	}
	defer syscall.Setrlimit(syscall.RLIMIT_NOFILE, &before)
	limit := func(n uint64) {
		l := before
		l.Cur = n
		if err := syscall.Setrlimit(syscall.RLIMIT_NOFILE, &l); err != nil {
			t.Skip(err)
		}
	}
	limit(500)
	if n, err := connections(2048); err != nil || n != 400 {
		t.Errorf("%d connections with 500 files, %v", n, err)
	}
	if n, err := connections(0); err != nil || n != 400 {
		t.Errorf("%d connections with 500 files, %v", n, err)
	}
	if n, err := connections(50); err != nil || n != 50 {
		t.Errorf("%d connections, %v", n, err)
	}
	limit(80)
	if _, err := connections(2048); err == nil || !strings.Contains(err.Error(), "ulimit -n") {
		t.Errorf("with 80 files: %v", err)
	}
}
