package api

import (
	"fmt"
	"sync"
	"time"

	"golang.org/x/time/rate"

	"tidemark/internal/fault"
	"tidemark/internal/store"
)

// A caller without a valid token still causes writes, since each refusal leaves an
// audit record. So that nobody fills the disk that way, only so many refusals of one
// address are recorded one by one; beyond that only their number is, once a minute, and
// the caller is told to wait. The figures are OURS: behind one proxy the tokens of a
// whole hospital may expire at once, and each client should be told.
const (
	refusalBurst = 200         // noted one by one
	refusalRate  = 1           // and so many a second
	refusedBurst = 2000        // answered with 401
	refusedRate  = 50          // and so many a second
	refusalEvery = time.Minute // what was not noted one by one
	maxRefusing  = 1000        // addresses told apart; all others are taken together
)

type refusals struct {
	note func(store.AuditRecord)

	mu     sync.Mutex
	by     map[string]*refusing
	closed bool
}

type refusing struct {
	limit *rate.Limiter
	wait  *rate.Limiter
	more  int               // refusals that were not noted one by one
	last  store.AuditRecord // of them
	timer *time.Timer       // to note how many; also forgets the address
}

func newRefusals(note func(store.AuditRecord)) *refusals {
	return &refusals{note: note, by: map[string]*refusing{}}
}

// refused takes the record of a refused token. It reports whether the record is to be
// written as it is, and whether the client has to wait.
func (r *refusals) refused(rec store.AuditRecord) (note bool, err error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.closed {
		return true, nil
	}
	name := rec.Address
	x := r.by[name]
	if x == nil && len(r.by) >= maxRefusing {
		name = ""
		x = r.by[name]
	}
	if x == nil {
		x = &refusing{limit: rate.NewLimiter(refusalRate, refusalBurst), wait: rate.NewLimiter(refusedRate, refusedBurst)}
		x.timer = time.AfterFunc(refusalEvery, func() { r.sum(name) })
		r.by[name] = x
	}
	if !x.wait.Allow() {
		err = tooManyRefusals()
	} else if x.limit.Allow() {
		return true, nil
	}
	x.more++
	x.last = rec
	return false, err
}

// sum records how many refusals of an address were not recorded one by one.
func (r *refusals) sum(name string) {
	r.mu.Lock()
	x := r.by[name]
	if x == nil {
		r.mu.Unlock()
		return
	}
	rec, more := x.last, x.more
	x.more = 0
	if more == 0 && x.limit.Tokens() >= refusalBurst {
		delete(r.by, name) // quiet for long enough
	} else if !r.closed {
		x.timer.Reset(refusalEvery)
	}
	r.mu.Unlock()
	if more > 0 {
		rec.Entity, rec.Query = "", ""
		rec.Detail = fmt.Sprintf("%s; the last of %d more refusals in a minute that are not noted one by one", rec.Detail, more)
		r.note(rec)
	}
}

// close records what has not been recorded yet.
func (r *refusals) close() {
	r.mu.Lock()
	r.closed = true
	var names []string
	for name, x := range r.by {
		x.timer.Stop()
		names = append(names, name)
	}
	r.mu.Unlock()
	for _, name := range names {
		r.sum(name)
	}
}

func tooManyRefusals() error {
	f := fault.New(fault.TooMany, "throttled", "Too many requests without a token that holds come from this address; get a new token before you send another.")
	f.RetryAfter = 10 * time.Second
	return f
}

// Longest texts of an audit record, in bytes. Query is as long as a search by
// POST may be of use to whoever reads it; the rest is cut with a mark.
const (
	auditText  = 2048
	auditShort = 256
)

// short limits what a caller's text adds to an audit record.
func short(r store.AuditRecord) store.AuditRecord {
	cut := func(s *string, most int) {
		if len(*s) > most {
			*s = (*s)[:most] + fmt.Sprintf("… (%d bytes)", len(*s))
		}
	}
	cut(&r.Query, auditText)
	for _, s := range []*string{&r.Entity, &r.Agent, &r.Client, &r.Detail, &r.Patient} {
		cut(s, auditShort)
	}
	return r
}
