package mongo

import (
	"context"
	"slices"
	"sync"
	"time"

	"go.mongodb.org/mongo-driver/v2/mongo/readconcern"
	"go.mongodb.org/mongo-driver/v2/mongo/readpref"
)

// doubts are the plans of this process whose end is not known, or whose claims
// and numbers could not be given back, because the server went away. They are
// decided as soon as it is back, so that nobody waits for their lease.
type doubts struct {
	mu    sync.Mutex
	open  []*plan
	work  bool // a goroutine decides them
	stop  chan struct{}
	ended bool
	wait  sync.WaitGroup
}

// doubtStep is how often an undecided plan is looked at.
const doubtStep = 200 * time.Millisecond

// add leaves a plan to be decided.
func (d *doubts) add(s *Store, p *plan) {
	if len(p.taken) == 0 && len(p.entries) == 0 && len(p.docs) == 0 && len(p.records) == 0 {
		return
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.ended {
		return
	}
	if d.stop == nil {
		d.stop = make(chan struct{})
	}
	d.open = append(d.open, p)
	if !d.work {
		d.work = true
		d.wait.Go(func() { d.decideAll(s) })
	}
}

// until reports whether the claim of the nonce is in doubt, and how long that
// may last beyond the server's return.
func (d *doubts) until(s *Store, nonce string) (time.Duration, bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	for _, p := range d.open {
		if slices.ContainsFunc(p.taken, func(c claim) bool { return c.Nonce == nonce }) {
			return time.Until(p.over(s)), true
		}
	}
	return 0, false
}

func (d *doubts) decideAll(s *Store) {
	for {
		ctx, cancel := s.decisive(context.Background())
		back := s.client.Ping(ctx, readpref.Primary()) == nil
		cancel()
		d.mu.Lock()
		open := slices.Clone(d.open)
		d.mu.Unlock()
		for _, p := range open {
			if back = back && !d.stopped(); !back {
				break
			}
			if s.decide(p) {
				d.mu.Lock()
				d.open = slices.DeleteFunc(d.open, func(o *plan) bool { return o == p })
				d.mu.Unlock()
			}
		}
		d.mu.Lock()
		if len(d.open) == 0 || d.ended {
			d.work = false
			d.mu.Unlock()
			return
		}
		d.mu.Unlock()
		select {
		case <-time.After(doubtStep):
		case <-d.stop:
		}
	}
}

func (d *doubts) stopped() bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.ended
}

// end stops deciding. What is left is decided by the lease.
func (d *doubts) end(s *Store) {
	d.mu.Lock()
	d.ended = true
	if d.stop != nil {
		close(d.stop)
	}
	d.mu.Unlock()
	d.wait.Wait()
	for _, p := range d.open {
		s.log.Error("a write is left in doubt, or its audit records unwritten, because the database was away until the end", "resource", p.name(), "records", p.recordIDs())
	}
}

// decide finds out what became of a plan and does what is left to do. It
// reports false while that cannot be done, or the plan may still arrive.
func (s *Store) decide(p *plan) bool {
	ctx, cancel := s.decisive(context.Background())
	defer cancel()
	if !p.decided && len(p.docs) > 0 && !p.sent.IsZero() {
		seqs, err := s.seqsWith(ctx, p.ids(), readconcern.Linearizable())
		if err != nil {
			return false
		}
		p.made = 0
		for p.made < len(p.docs) && p.docs[p.made].Seq != 0 && seqs[p.docs[p.made].ID] == p.docs[p.made].Seq {
			p.made++
		}
		if p.made < len(p.docs) && seqs[p.docs[p.made].ID] == 0 && time.Now().Before(p.over(s)) {
			return false
		}
		if p.made < len(p.docs) && seqs[p.docs[p.made].ID] != 0 && !p.fresh(s.lease) {
			return true // another's, or this one at a new place: what it holds is left to its lease
		}
		p.decided = true
		if p.made > 0 {
			s.settle(ctx, p)
		}
	} else if p.made == 0 && time.Now().Before(p.over(s)) {
		return false // a claim or number may still arrive
	}
	if err := s.giveBack(ctx, p); err != nil {
		return false
	}
	if p.made == 0 || s.transactions { // no record of what was not made; in a transaction all are there
		return true
	}
	if s.supersede(ctx, p); s.insertRecords(ctx, p.records) != nil {
		return false
	}
	return true
}
