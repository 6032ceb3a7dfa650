//go:build race

package crash

// detected says that the race detector is on, under which memory is several
// times what it is in use.
const detected = true
