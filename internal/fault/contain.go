package fault

import (
	"errors"
	"fmt"
	"runtime/debug"
	"sync/atomic"
)

// ErrPanic is in the chain of the error that Contain returns after a panic.
var ErrPanic = errors.New("panic")

// Panics is how many panics Contain has caught since the program began.
var Panics atomic.Int64

// Contain runs one part of some work, such as one drain of a sweep. A panic in
// it must not end the program, because the program would meet the same part
// again after a restart. It becomes an internal error whose cause says where it
// happened.
func Contain(doing string, part func() error) (err error) {
	defer func() {
		if p := recover(); p != nil {
			Panics.Add(1)
			err = Wrap(fmt.Errorf("%w: %v\n%s", ErrPanic, p, debug.Stack()), doing)
		}
	}()
	return part()
}
