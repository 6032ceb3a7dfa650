package mongo

import (
	"runtime"
	"sync"
	"time"
)

// batch combines concurrent requests of several callers in one command. Requests
// that arrive while all lanes are busy wait and go together.
type batch[T any] struct {
	run   func([]T) // sets the outcome in each item
	most  int       // in one run
	lanes int       // runs at the same time

	mu    sync.Mutex
	busy  int
	queue []waiting[T]
}

// maxLinger bounds the wait for others.
const maxLinger = 20 * time.Millisecond

type waiting[T any] struct {
	item T
	done chan struct{}
}

// do returns after a run has included item.
func (b *batch[T]) do(item T) {
	w := waiting[T]{item, make(chan struct{})}
	b.mu.Lock()
	b.queue = append(b.queue, w)
	if b.busy < b.lanes {
		b.busy++
		go b.work()
	}
	b.mu.Unlock()
	<-w.done
}

func (b *batch[T]) work() {
	runtime.Gosched() // others may be just about to ask
	for took := time.Duration(0); ; {
		// Under steady load, callers arrive in groups as other runs end. A short
		// wait merges successive groups; otherwise they would stay separate and
		// each would wait for all others.
		time.Sleep(min(took/8, maxLinger))
		b.mu.Lock()
		if len(b.queue) == 0 {
			b.busy--
			b.mu.Unlock()
			return
		}
		part := b.queue[:min(b.most, len(b.queue))]
		b.queue = b.queue[len(part):]
		b.mu.Unlock()
		items := make([]T, len(part))
		for i, w := range part {
			items[i] = w.item
		}
		began := time.Now()
		b.run(items)
		took = time.Since(began)
		for _, w := range part {
			close(w.done)
		}
	}
}
