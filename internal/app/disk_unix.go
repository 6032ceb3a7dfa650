//go:build unix

package app

import (
	"math"

	"golang.org/x/sys/unix"
)

// diskFree is the room that the service may still take on the disk of dir.
func diskFree(dir string) float64 {
	var st unix.Statfs_t
	if err := unix.Statfs(dir, &st); err != nil {
		return math.NaN()
	}
	return float64(st.Bavail) * float64(st.Bsize)
}
