package notify

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"slices"
	"time"

	"tidemark/internal/fault"
)

const progressPrefix = "notify/"

// progress is how far a subscription has come, as kept in the store.
type progress struct {
	Run   string  `json:"run"`             // of the owner; another run's progress does not count
	Fence int64   `json:"fence"`           // term of the process that wrote it
	Low   int64   `json:"low"`             // everything up to here is delivered
	Done  []int64 `json:"done,omitempty"`  // and these above, at most window
	Count int64   `json:"count,omitempty"` // of the deliveries up to Low
	// Failing is the change that has been failing for longest, and for how
	// long: a restart does not start its patience anew, nor does the time in
	// which the service was down use it up.
	Failing int64         `json:"failing,omitempty"`
	For     time.Duration `json:"for,omitempty"`
	Shaken  bool          `json:"shaken,omitempty"` // a topic's handshake was accepted
}

// errFenced says that another process serves the subscription now.
var errFenced = errors.New("another process serves the subscription")

// ledger is the durable progress of one subscription in one term.
type ledger struct {
	states States
	name   string
	fence  int64
	rev    int64
}

// openLedger takes the record over for the term: any later write of an
// earlier term finds another revision. start is where a new run begins;
// patient lets deliveries that were failing have their whole time again.
func openLedger(ctx context.Context, s States, sub *subscription, fence, start int64, patient bool) (*ledger, progress, error) {
	l := &ledger{states: s, name: progressPrefix + sub.id, fence: fence}
	p, err := l.read(ctx)
	if err != nil {
		return nil, p, err
	}
	if p.Fence > fence {
		return nil, p, errFenced
	}
	if l.rev == 0 || p.Run != sub.owner.Run {
		p = progress{Run: sub.owner.Run, Low: start}
	}
	if patient {
		p.Failing, p.For, p.Shaken = 0, 0, false
	}
	return l, p, l.save(ctx, p)
}

func (l *ledger) read(ctx context.Context) (p progress, err error) {
	value, rev, err := l.states.State(ctx, l.name)
	if err != nil {
		return p, err
	}
	l.rev = rev
	if rev != 0 {
		err = json.Unmarshal(value, &p)
	}
	return p, err
}

func (l *ledger) save(ctx context.Context, p progress) error {
	p.Fence = l.fence
	value, err := json.Marshal(p)
	if err != nil {
		return err
	}
	return l.set(ctx, value)
}

// drop forgets the record.
func (l *ledger) drop(ctx context.Context) error { return l.set(ctx, nil) }

func (l *ledger) set(ctx context.Context, value []byte) error {
	for range 3 {
		rev, err := l.states.SetState(ctx, l.name, value, l.rev)
		if err == nil {
			l.rev = rev
			return nil
		}
		if !fault.Is(err, fault.Precondition) {
			return err
		}
		// An earlier write of ours may have been in doubt and arrived.
		ours := l.rev
		have, err := l.read(ctx)
		if err == nil && have.Fence > l.fence {
			err = errFenced
		}
		if err != nil {
			l.rev = ours
			return err
		}
	}
	return errFenced
}

func sorted(set map[int64]bool) []int64 {
	out := make([]int64, 0, len(set))
	for s := range set {
		out = append(out, s)
	}
	slices.SortFunc(out, cmp.Compare[int64])
	return out
}
