package notify

import (
	"context"
	"encoding/json"
	"errors"
	"log/slog"
	"sync"
	"time"

	"tidemark/internal/fault"
)

// States stores small values durably; see store.Store.
type States interface {
	State(ctx context.Context, name string) (value []byte, rev int64, err error)
	SetState(ctx context.Context, name string, value []byte, rev int64) (int64, error)
}

// A Lease lets one of several processes do a piece of work. It needs no common
// clock: a process that waits takes the lease over once it has not seen a renewal for
// the TTL by its own clock. The holder stops working a TTL after it began its last
// successful renewal, which is earlier.
type Lease struct {
	states States
	lone   States // instead of states, where there is no other process
	name   string
	holder string
	ttl    time.Duration
	log    *slog.Logger
}

// term is the stored value.
type term struct {
	Holder string `json:"holder"` // "" when released
	Fence  int64  `json:"fence"`  // grows with every takeover
	Beat   int64  `json:"beat"`   // grows with every renewal
}

// NewLease makes a lease of the name for a holder, whose own name must be
// unique among the processes. A dead holder is replaced after at most ttl and
// a half.
func NewLease(states States, name, holder string, ttl time.Duration, log *slog.Logger) *Lease {
	return &Lease{states: states, name: name, holder: holder, ttl: ttl, log: log}
}

// Lone is a lease that is always held: for a store which one process alone can
// open. A busy machine could not renew a real one in time, and nobody would do
// the work meanwhile. The fence of each term is kept all the same.
func Lone(states States, name string, log *slog.Logger) *Lease {
	return &Lease{lone: states, name: name, ttl: time.Second, log: log}
}

// ErrLost is the cause with which a term's context ends when the lease was
// lost or could not be renewed in time.
var ErrLost = errors.New("the lease was lost")

// Hold waits for the lease and runs work while it is held, over and over until
// ctx ends. The context of work ends with ctx, or with cause ErrLost; work
// returns soon then, for the next term waits for it. fence is larger in every
// later term of any process: what work writes carries it, so that a late
// write of an earlier term can be told and refused.
func (l *Lease) Hold(ctx context.Context, work func(ctx context.Context, fence int64)) {
	if l.lone != nil {
		l.holdAlone(ctx, work)
		return
	}
	for ctx.Err() == nil {
		t, rev, since, ok := l.acquire(ctx)
		if !ok {
			return
		}
		l.serve(ctx, t, rev, since, work)
	}
}

// holdAlone runs work until ctx ends, each time with the next fence.
func (l *Lease) holdAlone(ctx context.Context, work func(context.Context, int64)) {
	own := Lease{states: l.lone, name: l.name, ttl: time.Minute}
	for ctx.Err() == nil {
		t, rev, err := own.read(ctx)
		t = term{Fence: t.Fence + 1}
		if err == nil {
			_, err = own.write(ctx, t, rev)
		}
		if err != nil {
			l.log.Warn("work waits for the store", "lease", l.name, "err", err)
			pause(ctx, l.ttl)
			continue
		}
		work(ctx, t.Fence)
		pause(ctx, l.ttl/4)
	}
}

// acquire waits until the lease is taken. since is when writing it began.
func (l *Lease) acquire(ctx context.Context) (t term, rev int64, since time.Time, ok bool) {
	seen, quiet := int64(-1), time.Now()
	for {
		var err error
		t, rev, err = l.read(ctx)
		since = time.Now()
		switch {
		case err != nil:
			seen = -1 // nothing is known of the time without an answer
		case rev != seen && t.Holder != "":
			seen, quiet = rev, since
		case t.Holder == "" || since.Sub(quiet) >= l.ttl:
			t = term{Holder: l.holder, Fence: t.Fence + 1}
			if rev, err = l.write(ctx, t, rev); err == nil {
				l.log.Info("lease taken", "lease", l.name, "fence", t.Fence)
				return t, rev, since, true
			}
			seen = -1
		}
		if !pause(ctx, l.ttl/4) {
			return term{}, 0, time.Time{}, false
		}
	}
}

func (l *Lease) serve(ctx context.Context, t term, rev int64, since time.Time, work func(context.Context, int64)) {
	held, lose := context.WithCancelCause(ctx)
	defer lose(nil)
	deadline := time.AfterFunc(time.Until(since.Add(l.ttl)), func() { lose(ErrLost) })
	defer deadline.Stop()
	var wg sync.WaitGroup
	wg.Go(func() {
		defer lose(ErrLost) // work that ends early gives the lease up
		work(held, t.Fence)
	})
	for pause(held, l.ttl/4) {
		since = time.Now()
		t.Beat++
		next, err := l.write(held, t, rev)
		if fault.Is(err, fault.Precondition) {
			// Either another took it, or a renewal in doubt had arrived.
			var have term
			if have, next, err = l.read(held); err == nil && (have.Holder != t.Holder || have.Fence != t.Fence) {
				lose(ErrLost)
				break
			}
		}
		if err == nil {
			rev = next
			deadline.Reset(time.Until(since.Add(l.ttl)))
		}
	}
	wg.Wait()
	if held.Err() != nil && errors.Is(context.Cause(held), ErrLost) {
		l.log.Warn("lease lost", "lease", l.name, "fence", t.Fence)
	}
	// Release it, so that the next holder need not wait. A failure does no harm: the
	// revision protects another's term.
	free, cancel := context.WithTimeout(context.WithoutCancel(ctx), time.Second)
	defer cancel()
	_, _ = l.write(free, term{Fence: t.Fence}, rev)
}

func (l *Lease) read(ctx context.Context) (t term, rev int64, err error) {
	ctx, cancel := context.WithTimeout(ctx, l.ttl/4)
	defer cancel()
	value, rev, err := l.states.State(ctx, l.name)
	if err == nil && len(value) > 0 {
		err = json.Unmarshal(value, &t)
	}
	return t, rev, err
}

func (l *Lease) write(ctx context.Context, t term, rev int64) (int64, error) {
	ctx, cancel := context.WithTimeout(ctx, l.ttl/4)
	defer cancel()
	value, err := json.Marshal(t)
	if err != nil {
		return 0, err
	}
	return l.states.SetState(ctx, l.name, value, rev)
}

// pause waits; false if the context ended first.
func pause(ctx context.Context, d time.Duration) bool {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return false
	case <-t.C:
		return ctx.Err() == nil
	}
}
