package sqlite

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"sync/atomic"
	"time"

	"tidemark/internal/store/engine"
)

const (
	queueLength = 1024 // writes that may wait; further callers wait to get in
	maxBatch    = 256  // jobs of one transaction
	yields      = 4    // turns that a batch waits for more

	// A checkpoint copies the log into the file. Passive ones run concurrently
	// with the writer once this many pages wait to be copied. While writes never
	// pause, the log cannot restart by itself; at its limit the writer restarts it.
	checkpointPages = 4096
	logPages        = 1 << 15
	keptLog         = 3 * logPages * pageSize / 2 // of a log that a long reader has kept from starting over, once it does
	versionsPerLook = 500                         // about 5 MB of log
	commitsPerLook  = 100
)

// job is one call that writes. apply runs on the writer's goroutine inside a
// transaction, which it may share with others, and may be run again from the
// start. safe means that apply never fails after its first change.
type job struct {
	ctx   context.Context
	apply func(*writer) error
	safe  bool
	state atomic.Int32
	done  chan struct{}
	err   error
}

// States of a job: its caller may give up until the writer starts it.
const (
	waiting = iota
	taken
	left
)

// write queues a job and waits for its outcome. The context can cancel the job
// until the writer starts it; after that, the caller gets the outcome.
func (s *Store) write(ctx context.Context, safe bool, apply func(*writer) error) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	j := &job{ctx: ctx, apply: apply, safe: safe, done: make(chan struct{})}
	select {
	case <-s.quit:
		return engine.Closed()
	default:
	}
	select {
	case s.jobs <- j:
	case <-s.quit:
		return engine.Closed()
	case <-ctx.Done():
		return ctx.Err()
	}
	select {
	case <-j.done:
		return j.err
	case <-ctx.Done():
		if j.state.CompareAndSwap(waiting, left) {
			return ctx.Err()
		}
	case <-s.done: // Close won the race for the queue
		if j.state.CompareAndSwap(waiting, left) {
			return engine.Closed()
		}
	}
	<-j.done
	return j.err
}

// writer is the one goroutine that changes the file.
type writer struct {
	s *Store
	c *conn

	seq    int64             // of the last version
	pace   engine.Pace       // its time
	watch  engine.Watch      // of the pace
	rev    int64             // last state revision
	audits int64             // last audit key
	sum    [sha256.Size]byte // of the last version

	keys     []keyRow // of the transaction, not yet inserted: see insertKeys
	inserted int64    // seq of the last version whose keys are

	log          os.FileInfo   // the write-ahead log; nil before the first commit
	commits      int           // since the last look at the log
	looked       int64         // seq at that look
	checkpoints  chan struct{} // wakes the checkpointer; closed at the end
	checkpointed chan struct{} // closed when it has ended
	restart      *atomic.Bool  // the log is at its limit
}

// start prepares the file and reads where it stands.
func (w *writer) start(ctx context.Context, file string) error {
	if err := w.migrate(); err != nil {
		return err
	}
	r, err := w.c.one("SELECT seq, at FROM version ORDER BY seq DESC LIMIT 1")
	if err != nil {
		return err
	}
	if r != nil {
		w.seq, w.pace.At = r.int(0), r.int(1)
		w.inserted = w.seq
		if w.sum, _, err = sumOf(w.c, w.seq); err != nil {
			return err
		}
	}
	if w.rev, err = w.c.number("SELECT last FROM revision WHERE one = 1"); err != nil {
		return err
	}
	err = w.c.quick(func(r row) error { w.s.spans.Store(r.text(0), r.int(1)); return nil }, "SELECT type, micros FROM span")
	if err != nil {
		return err
	}
	c, err := connect(ctx, file, readWrite, "synchronous(FULL)")
	if err != nil {
		return err
	}
	w.restart = new(atomic.Bool)
	w.checkpoints, w.checkpointed = make(chan struct{}, 1), make(chan struct{})
	go w.checkpoint(c)
	return nil
}

// run serves jobs until Close.
func (w *writer) run() {
	defer close(w.s.done)
	batch := make([]*job, 0, maxBatch)
	for {
		batch = batch[:0]
		select {
		case j := <-w.s.jobs:
			batch = append(batch, j)
		case <-w.s.quit:
			w.finish()
			return
		}
		// Callers that the last batch woke are about to write again. Wait for them,
		// so that the first one does not get a transaction and an fsync to itself.
		for idle := 0; len(batch) < maxBatch && idle < yields; {
			select {
			case j := <-w.s.jobs:
				batch, idle = append(batch, j), 0
			default:
				idle++
				runtime.Gosched()
			}
		}
		w.commit(batch)
	}
}

// finish serves what is in the queue and closes.
func (w *writer) finish() {
	for {
		select {
		case j := <-w.s.jobs:
			w.commit([]*job{j})
			continue
		default:
		}
		break
	}
	close(w.checkpoints)
	<-w.checkpointed
	if err := w.c.close(); err != nil {
		w.s.log.Error("closing the data file", "error", err)
	}
}

// commit runs the jobs in one transaction. If a job fails, its own changes are
// rolled back; if the engine fails, all changes are rolled back.
func (w *writer) commit(batch []*job) {
	jobs := batch[:0]
	for _, j := range batch {
		if j.state.CompareAndSwap(waiting, taken) {
			jobs = append(jobs, j)
		}
	}
	if len(jobs) == 0 {
		return
	}
	began := time.Now()
	// With savepoints the engine would copy every page that it touches, for a
	// refusal that is very rare. If one occurs, the whole batch runs again.
	err := w.attempt(jobs, false)
	if errors.Is(err, errSpoilt) {
		err = w.attempt(jobs, true)
	}
	if err == nil {
		err = w.landed() // counters advance with what the engine committed, even if nothing may be acknowledged
	}
	if err == nil {
		w.s.mark.note(mark{w.seq, w.rev, w.sum})
	}
	w.s.failing.Store(err != nil)
	w.s.grouped(len(jobs), time.Since(began), err)
	if err != nil {
		if ioError(err) {
			w.s.forget()
		}
		for _, j := range jobs {
			j.err = err
		}
		w.s.log.Error("a transaction failed", "writes", len(jobs), "error", errors.Unwrap(err))
	}
	for _, j := range jobs {
		close(j.done)
	}
	w.tend()
}

// errSpoilt means that a job failed and may already have changed something.
var errSpoilt = errors.New("a write has to be rolled back")

// attempt runs transaction and rolls back if it fails.
func (w *writer) attempt(jobs []*job, savepoints bool) error {
	mark := *w
	err := w.transaction(jobs, savepoints)
	if err != nil {
		w.reset(&mark)
		_ = w.c.exec("ROLLBACK") // fails when the engine has rolled back itself
	}
	return err
}

// reset discards the state in memory that the file does not have.
func (w *writer) reset(mark *writer) {
	w.seq, w.pace, w.rev, w.audits, w.sum, w.keys = mark.seq, mark.pace, mark.rev, mark.audits, mark.sum, w.keys[:min(len(w.keys), len(mark.keys))]
	w.inserted = min(w.inserted, w.seq)
}

// transaction returns an error if none of the batch was committed.
func (w *writer) transaction(jobs []*job, savepoints bool) error {
	if err := w.s.present(); err != nil {
		return err
	}
	if err := w.c.exec("BEGIN IMMEDIATE"); err != nil {
		return wrap(err, "begin a transaction")
	}
	for _, j := range jobs {
		if err := w.do(j, savepoints); err != nil {
			return err
		}
	}
	if err := w.insertKeys(); err != nil {
		return wrap(err, "write")
	}
	if err := w.c.exec("COMMIT"); err != nil {
		return inDoubt(err)
	}
	return nil
}

// do runs a job inside the transaction. It returns an error only if the whole
// transaction must be rolled back; the job keeps its own error.
func (w *writer) do(j *job, savepoints bool) error {
	mark := *w
	guarded := savepoints && !j.safe
	if guarded {
		if err := w.insertKeys(); err != nil { // those of the jobs before
			return wrap(err, "write")
		}
		mark.keys = w.keys
		if err := w.c.exec("SAVEPOINT job"); err != nil {
			return wrap(err, "begin a transaction")
		}
	}
	err := w.apply(j)
	if err != nil && failed(err) {
		return wrap(err, "write")
	}
	j.err = wrap(err, "write")
	if err != nil {
		if !savepoints && !j.safe {
			return errSpoilt
		}
		w.reset(&mark)
	}
	if !guarded {
		return nil
	}
	if err != nil {
		if err := w.c.exec("ROLLBACK TO job"); err != nil {
			return wrap(err, "roll back a write")
		}
	}
	if err := w.c.exec("RELEASE job"); err != nil {
		return wrap(err, "write")
	}
	return nil
}

// landed makes a last check before anything is acknowledged: the commit is in
// the log, and the log must still be the file of that name.
func (w *writer) landed() error {
	if err := w.s.present(); err != nil {
		return err
	}
	log, err := os.Stat(filepath.Join(w.s.dir, fileName+"-wal"))
	if err == nil && w.log == nil {
		w.log = log // the engine keeps it until the store is closed
	}
	if err != nil || !os.SameFile(log, w.log) {
		return missing(err)
	}
	return nil
}

// apply runs a job; a panic in it must not end the one goroutine that writes.
func (w *writer) apply(j *job) (err error) {
	defer func() {
		if p := recover(); p != nil {
			err = panicked{p}
		}
	}()
	return j.apply(w)
}

// panicked is a defect in a job. The whole transaction is rolled back, because it
// is unknown how far the job got.
type panicked struct{ value any }

func (p panicked) Error() string { return fmt.Sprintf("panic: %v", p.value) }

// now is the time of the next version.
func (w *writer) now() int64 {
	clock := w.s.clock()
	w.pace = w.pace.Next(clock)
	w.watch.Look(w.pace, clock, w.s.log)
	return w.pace.At
}

// tend limits the size of the log.
func (w *writer) tend() {
	if w.restart.Load() && w.s.copying.TryLock() {
		w.restart.Store(false)
		// Do not wait for a long reader, such as a backup.
		err := w.c.script("PRAGMA busy_timeout = 20; PRAGMA wal_checkpoint(RESTART)")
		w.s.copied(errors.Join(err, w.c.script("PRAGMA busy_timeout = 5000")))
	}
	if w.commits++; w.commits >= commitsPerLook || w.seq-w.looked >= versionsPerLook {
		w.commits, w.looked = 0, w.seq
		select {
		case w.checkpoints <- struct{}{}:
		default:
		}
	}
}

// checkpoint makes passive checkpoints until the writer ends.
func (w *writer) checkpoint(c *conn) {
	defer close(w.checkpointed)
	for range w.checkpoints {
		w.s.copying.Lock()
		log, done, err := frames(c, "PRAGMA wal_checkpoint(NOOP)")
		if err == nil && log-done >= checkpointPages {
			log, _, err = frames(c, "PRAGMA wal_checkpoint(PASSIVE)")
			w.restart.Store(err == nil && log >= logPages)
			w.s.mark.sync()
		}
		w.s.copied(err)
	}
	if err := c.close(); err != nil {
		w.s.log.Error("closing the checkpointer", "error", err)
	}
}

// copied ends a copy. After a failure, the next checkpoint must not rely on pages
// that the kernel wrongly believes to be on the disk.
func (s *Store) copied(err error) {
	defer s.copying.Unlock()
	if err != nil {
		s.log.Warn("the log could not be copied into the data file", "error", err)
		if ioError(err) {
			s.forget()
		}
	}
}

// frames runs a checkpoint pragma: pages in the log, and how many of them are
// in the file.
func frames(c *conn, pragma string) (log, copied int64, err error) {
	r, err := c.one(pragma)
	if err != nil || r == nil {
		return 0, 0, err
	}
	return r.int(1), r.int(2), nil
}
