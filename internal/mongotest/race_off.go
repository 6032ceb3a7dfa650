//go:build !race

package mongotest

// raced says that the race detector is on.
const raced = false
