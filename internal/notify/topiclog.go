package notify

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"

	"tidemark/internal/fault"
)

// The log of a topic Subscription says which change has which event number. It is
// written before the event is sent, so that a number once given stays, whatever
// becomes of the drain's place or of rights, over restarts and kills.
const (
	logPrefix  = "notify-log/"
	blockSize  = 256
	blocksKept = 40 // of a Subscription: some 10,000 events
	recentSeqs = 4 * window
)

// block is a stretch of the log.
type block struct {
	Run   string  `json:"run"`
	Fence int64   `json:"fence"`
	First int64   `json:"first"` // number of the first
	Seqs  []int64 `json:"seqs"`
}

// errRetry says that the log was found otherwise than it was left, and read anew.
var errRetry = errors.New("the log of events was read anew")

type eventLog struct {
	store interface {
		States
		States(ctx context.Context, prefix string) ([]string, error)
	}
	id, run string
	fence   int64

	cur    block
	rev    int64   // of cur in the store; 0: not there yet
	total  int64   // events
	last   int64   // place in the feed of the newest
	recent []int64 // the newest, up to total
}

func blockName(id string, first int64) string {
	return fmt.Sprintf("%s%s/%015d", logPrefix, id, first)
}

// readBlocks gives the blocks of a run, in order.
func readBlocks(ctx context.Context, s Store, id, run string) ([]block, error) {
	names, err := s.States(ctx, logPrefix+id+"/")
	if err != nil {
		return nil, err
	}
	slices.Sort(names)
	var out []block
	for _, name := range names {
		value, rev, err := s.State(ctx, name)
		if err != nil {
			return nil, err
		}
		var b block
		if rev == 0 {
			continue // dropped meanwhile
		}
		if err := json.Unmarshal(value, &b); err != nil {
			return nil, fault.Wrap(err, "read the events of Subscription/"+id)
		}
		if b.Run == run {
			out = append(out, b)
		}
	}
	return out, nil
}

// openLog reads the log and takes it over for the term.
func openLog(ctx context.Context, s Store, id, run string, fence int64) (*eventLog, error) {
	l := &eventLog{store: s, id: id, run: run, fence: fence}
	return l, l.load(ctx)
}

func (l *eventLog) load(ctx context.Context) error {
	names, err := l.store.States(ctx, logPrefix+l.id+"/")
	if err != nil {
		return err
	}
	slices.Sort(names)
	l.cur, l.rev, l.total, l.last, l.recent = block{Run: l.run, First: 1}, 0, 0, 0, nil
	for _, name := range names {
		value, rev, err := l.store.State(ctx, name)
		if err != nil {
			return err
		}
		if rev == 0 {
			continue
		}
		var b block
		if err := json.Unmarshal(value, &b); err != nil {
			return fault.Wrap(err, "read the events of Subscription/"+l.id)
		}
		if b.Fence > l.fence {
			return errFenced
		}
		if b.Run != l.run { // of a life that ended
			if _, err := l.store.SetState(ctx, name, nil, rev); err != nil {
				return err
			}
			continue
		}
		l.cur, l.rev = b, rev
		l.remember(b.Seqs)
		l.total = b.First + int64(len(b.Seqs)) - 1
	}
	if l.rev == 0 {
		return nil
	}
	return l.write(ctx, l.cur) // so that an earlier term finds another revision
}

func (l *eventLog) remember(seqs []int64) {
	l.recent = append(l.recent, seqs...)
	if over := len(l.recent) - recentSeqs; over > 0 {
		l.recent = slices.Delete(l.recent, 0, over)
	}
	if len(l.recent) > 0 {
		l.last = l.recent[len(l.recent)-1]
	}
}

// number is that of a change that is logged.
func (l *eventLog) number(seq int64) (int64, bool) {
	i, ok := slices.BinarySearch(l.recent, seq)
	return l.total - int64(len(l.recent)-1-i), ok
}

// append gives the changes the next numbers. What it wrote before it failed is
// logged: the caller finds it by number.
func (l *eventLog) append(ctx context.Context, seqs []int64) error {
	for len(seqs) > 0 {
		if len(l.cur.Seqs) >= blockSize {
			// A block that is not there yet fences nobody; the one before it does.
			if err := l.write(ctx, l.cur); err != nil {
				return err
			}
			if err := l.prune(ctx); err != nil {
				return err
			}
			l.cur, l.rev = block{Run: l.run, First: l.total + 1}, 0
		}
		n := min(len(seqs), blockSize-len(l.cur.Seqs))
		next := l.cur
		next.Seqs = append(slices.Clone(l.cur.Seqs), seqs[:n]...)
		if err := l.write(ctx, next); err != nil {
			return err
		}
		l.total += int64(n)
		l.remember(seqs[:n])
		seqs = seqs[n:]
	}
	return nil
}

func (l *eventLog) write(ctx context.Context, b block) error {
	b.Fence = l.fence
	value, err := json.Marshal(b)
	if err != nil {
		return err
	}
	rev, err := l.store.SetState(ctx, blockName(l.id, b.First), value, l.rev)
	if fault.Is(err, fault.Precondition) {
		// An earlier write of ours may have arrived, or another process serves.
		if err := l.load(ctx); err != nil {
			return err
		}
		return errRetry
	}
	if err != nil {
		return err
	}
	l.cur, l.rev = b, rev
	return nil
}

// prune drops the oldest blocks.
func (l *eventLog) prune(ctx context.Context) error {
	names, err := l.store.States(ctx, logPrefix+l.id+"/")
	if err != nil {
		return err
	}
	slices.Sort(names)
	for len(names) >= blocksKept {
		_, rev, err := l.store.State(ctx, names[0])
		if err == nil && rev != 0 {
			_, err = l.store.SetState(ctx, names[0], nil, rev)
		}
		if err != nil {
			return err
		}
		names = names[1:]
	}
	return nil
}

// dropLog forgets the log of a Subscription that is gone.
func dropLog(ctx context.Context, s Store, id string) error {
	names, err := s.States(ctx, logPrefix+id+"/")
	if err != nil {
		return err
	}
	for _, name := range names {
		_, rev, err := s.State(ctx, name)
		if err == nil && rev != 0 {
			_, err = s.SetState(ctx, name, nil, rev)
		}
		if err != nil && !fault.Is(err, fault.Precondition) {
			return err
		}
	}
	return nil
}
