//go:build unix

package app

import (
	"fmt"
	"syscall"
)

// ownFiles is how many files the service has open beside connections: the store, its
// log and readers, exports, receivers of notifications.
const ownFiles = 100

// connections lowers the limit on connections to what the system lets a process
// open, so that connections never take the files that the store needs.
func connections(most int) (int, error) {
	var l syscall.Rlimit
	if syscall.Getrlimit(syscall.RLIMIT_NOFILE, &l) != nil || l.Cur > 1<<20 {
		return most, nil
	}
	room := int(l.Cur) - ownFiles
	if room < 1 {
		return 0, fmt.Errorf("the system lets this process open %d files, and the service needs %d and one for each connection: raise the limit (ulimit -n, LimitNOFILE)", l.Cur, ownFiles)
	}
	if most == 0 || most > room {
		most = room
	}
	return most, nil
}
