// Package replay owns the question what a ward policy would have announced: it
// runs entries past a virtual clock, in the order and at the times at which they
// were charted, time-driven rules included, and counts what people would have been
// told. It evaluates nothing itself: package concern does, as it does for the
// service.
//
// Patients do not depend on each other, so that each drain has a clock of its own
// and those of several patients are run at once. Drains of one patient are run by
// one worker: a swap of two is seen by looking at both.
package replay

import (
	"cmp"
	"context"
	"hash/maphash"
	"iter"
	"runtime"
	"slices"
	"sync"
	"time"

	"tidemark/internal/drain"
	"tidemark/internal/policy"
	"tidemark/internal/store"
)

// Change is one thing that became known of a drain, or of where patients are.
type Change struct {
	At    time.Time // when it was charted, not when it was so
	Key   store.Key
	Facts store.Facts // zero: it was deleted
	// Issued is what an Observation says of when it was charted, zero where nothing.
	Issued time.Time
}

// Candidate is a policy that is tried.
type Candidate struct {
	Name   string
	Policy *policy.Policy
}

// Options say how to run.
type Options struct {
	Candidates []Candidate // one, or two that are compared
	// Acknowledge is how long after an announcement a nurse acknowledges, unless the
	// changes have an earlier acknowledgement of a concern of that drain and kind.
	// 0: never.
	Acknowledge time.Duration
	Truth       []Event   // what really happened, where that is known; at the end of the run
	End         time.Time // the clocks stop there; zero: at the last change
	// Progress is told from time to time how many changes were run.
	Progress func(changes int)
}

// batch is how many changes go to a worker at once.
const batch = 256

// Run runs the changes, in their order, and counts.
func Run(ctx context.Context, changes iter.Seq2[Change, error], o *Options) (*Result, error) {
	n := max(1, runtime.GOMAXPROCS(0))
	workers := make([]*worker, n)
	var running sync.WaitGroup
	for i := range workers {
		w := &worker{o: o, in: make(chan []located, 8), drains: map[string]*course{}, of: map[string][]*course{}}
		workers[i] = w
		running.Go(w.run)
	}
	stop := func() {
		for _, w := range workers {
			w.flush()
			close(w.in)
		}
		running.Wait()
	}
	seed := maphash.MakeSeed()
	w := whereabouts{stays: map[string]drain.Stay{}, places: map[string]drain.Place{}, of: map[uint64]string{}, patients: map[string]string{}, seed: seed}
	count := 0
	var end time.Time
	for c, err := range changes {
		if err == nil {
			err = ctx.Err()
		}
		if err != nil {
			stop()
			return nil, err
		}
		if c.At.After(end) {
			end = c.At
		}
		if count++; o.Progress != nil && count%4096 == 0 {
			o.Progress(count)
		}
		id := w.learn(c)
		if id == "" {
			continue
		}
		workers[maphash.String(seed, w.patient(id, c))%uint64(n)].give(located{c, id, w.chain(c.Facts.Drain)})
	}
	if o.End.IsZero() {
		o.End = end
	}
	stop()
	if o.Progress != nil {
		o.Progress(count)
	}
	var all []*course
	for _, w := range workers {
		for _, c := range w.drains {
			all = append(all, c)
		}
	}
	slices.SortFunc(all, func(a, b *course) int { return cmp.Compare(a.id, b.id) })
	return summarize(all, o), nil
}

// located is a change of a drain, with the places that a Device is at.
type located struct {
	Change
	drain string
	chain []string
}

// worker runs some of the drains.
type worker struct {
	o      *Options
	in     chan []located
	next   []located
	drains map[string]*course
	of     map[string][]*course // by patient
}

// belongs notes whose the drain is.
func (w *worker) belongs(c *course) {
	if p := c.patient(c.now); p != "" && !slices.Contains(w.of[p], c) {
		w.of[p] = append(w.of[p], c)
	}
}

// beside gives the other drains that are in place in the patient.
func (w *worker) beside(c *course) (others []*course) {
	p := c.patient(c.now)
	for _, o := range w.of[p] {
		if o != c && o.found && o.patient(c.now) == p && o.subject(nil).Stay(c.now).InPlace {
			others = append(others, o)
		}
	}
	return others
}

func (w *worker) give(l located) {
	if w.next = append(w.next, l); len(w.next) == batch {
		w.flush()
	}
}

func (w *worker) flush() {
	if len(w.next) > 0 {
		w.in <- w.next
		w.next = make([]located, 0, batch)
	}
}

func (w *worker) run() {
	var swept time.Time
	for changes := range w.in {
		for _, l := range changes {
			c := w.drains[l.drain]
			if c == nil {
				c = newCourse(l.drain, w.o)
				c.beside = w.beside
				w.drains[l.drain] = c
			}
			c.change(l)
			w.belongs(c)
			if f := l.Facts.Entry; f != nil {
				for _, other := range w.beside(c) {
					other.again(*f, c.now)
				}
			}
			// What has been out for long needs no entries any more.
			if l.At.Sub(swept) > 24*time.Hour {
				swept = l.At
				for _, c := range w.drains {
					c.forget(l.At)
				}
			}
		}
	}
	for _, c := range w.drains {
		c.finish(w.o.End)
	}
}

// whereabouts is where patients and drains are, as far as is known by now.
type whereabouts struct {
	stays  map[string]drain.Stay // by patient
	places map[string]drain.Place
	of     map[uint64]string // drain that a deletion is about, by hash of the key
	seed   maphash.Seed
	// patients are those that drains were first known to be of. One that is used again
	// stays with its worker.
	patients map[string]string
}

// patient is whose a drain was first, its own id where that is not known.
func (w *whereabouts) patient(id string, c Change) string {
	if p, ok := w.patients[id]; ok {
		return p
	}
	p := id
	switch f := c.Facts; {
	case f.Entry != nil && f.Entry.Patient != "":
		p = f.Entry.Patient
	case f.Drain != nil && f.Drain.Patient != "":
		p = f.Drain.Patient
	case f.Placement != nil && f.Placement.Patient != "":
		p = f.Placement.Patient
	}
	w.patients[id] = p
	return p
}

// learn takes note of a change and gives the drain that it is about, "" for none.
func (w *whereabouts) learn(c Change) string {
	id := ""
	switch f := c.Facts; {
	case f.Entry != nil:
		id = f.Entry.Drain
	case f.Drain != nil:
		id = f.Drain.ID
	case f.Placement != nil:
		id = f.Placement.Drain
	case f.Concern != nil:
		return f.Concern.Drain
	case f.Stay != nil:
		if old, ok := w.stays[f.Stay.Patient]; f.Stay.Open || ok && old.ID == f.Stay.ID {
			w.stays[f.Stay.Patient] = *f.Stay
		}
	case f.Place != nil:
		w.places[f.Place.ID] = *f.Place
	default:
		return w.of[maphash.Comparable(w.seed, c.Key)]
	}
	if id != "" {
		w.of[maphash.Comparable(w.seed, c.Key)] = id
	}
	return id
}

// chain is the place of a drain and all that it is part of, innermost first.
func (w *whereabouts) chain(d *drain.Drain) []string {
	if d == nil {
		return nil
	}
	place := d.Ward
	if s, ok := w.stays[d.Patient]; ok && place == "" && len(s.Places) > 0 {
		place = s.Places[len(s.Places)-1]
	}
	var chain []string
	for place != "" && !slices.Contains(chain, place) {
		chain = append(chain, place)
		place = w.places[place].PartOf
	}
	return chain
}
