// Package sqlite owns the embedded store: one SQLite file in write-ahead-log
// mode that one process serves. One goroutine makes the writes of all callers; it
// commits all that wait in one transaction with one fsync. Reads run concurrently
// on their own connections, each call on one snapshot. Package search defines
// what search parameters mean.
package sqlite

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"sync"
	"sync/atomic"
	"time"

	"tidemark/internal/budget"
	"tidemark/internal/search"
	"tidemark/internal/store"
	"tidemark/internal/store/engine"
)

// Options configure a Store.
type Options struct {
	Dir     string                                                    // data directory, created when missing
	Extract func(ctx context.Context, raw []byte) (search.Doc, error) // what searches find in a stored body
	Clock   func() time.Time                                          // time.Now outside tests
	Logger  *slog.Logger
	// Grouped is told of each commit group: how many calls shared its
	// transaction, how long that took, and whether it failed. It must not
	// block; nil: not called.
	Grouped func(calls int, took time.Duration, err error)
}

const (
	fileName = "tidemark.db"

	// Page caches, in KiB. With these sizes a store of any size needs well under
	// 200 MB of resident memory; the kernel's file cache does the rest.
	writerCache = 24 << 10
	readerCache = 6 << 10
	readers     = 6
	beside      = 2 // more, for work that must not delay charting
)

// Store is the embedded store.
type Store struct {
	extract func(ctx context.Context, raw []byte) (search.Doc, error)
	clock   func() time.Time
	log     *slog.Logger
	grouped func(int, time.Duration, error)
	dir     string

	lock *os.File
	// data is the data file. It stays open as long as the engine uses it: when a
	// process closes any descriptor of a file, the kernel drops all its locks on
	// that file, including the engine's.
	data  *os.File
	mark  *marker
	file  os.FileInfo // the data file, as it was opened
	pool  chan *conn  // idle readers
	aside chan *conn  // idle readers for budget.Beside only
	spans sync.Map    // type → longest span in microseconds (int64); grows only

	failing atomic.Bool // the last transaction failed
	copying sync.Mutex  // held by a checkpoint

	jobs chan *job
	quit chan struct{} // closed by Close: no new work
	done chan struct{} // closed when the writer has ended
	once sync.Once
	err  error // of Close
}

var _ store.Store = (*Store)(nil)

// Open opens or creates the store of a data directory. A directory that
// another process serves, and a file that a newer program wrote, are refused.
func Open(ctx context.Context, o Options) (*Store, error) {
	s := &Store{
		extract: o.Extract, clock: o.Clock, log: o.Logger, grouped: o.Grouped, dir: o.Dir,
		jobs: make(chan *job, queueLength), quit: make(chan struct{}), done: make(chan struct{}),
		pool: make(chan *conn, readers), aside: make(chan *conn, beside),
	}
	if s.grouped == nil {
		s.grouped = func(int, time.Duration, error) {}
	}
	if err := s.open(ctx); err != nil {
		if ioError(err) {
			s.forget()
		}
		s.release()
		return nil, wrap(err, "open the data directory")
	}
	return s, nil
}

func (s *Store) open(ctx context.Context) (err error) {
	if err := private(s.dir, s.log); err != nil {
		return err
	}
	if s.lock, err = lock(s.dir); err != nil {
		return err
	}
	file := filepath.Join(s.dir, fileName)
	if s.data, err = closed0600(file); err != nil {
		return err
	}
	kept, marked, err := readMark(s.dir, s.log)
	if err != nil {
		return err
	}
	// Checkpoints are made beside the writer, so that no commit waits for one.
	c, err := connect(ctx, file, readWrite, "journal_mode(WAL)", "synchronous(FULL)", "secure_delete(1)", "wal_autocheckpoint(0)", "journal_size_limit("+strconv.Itoa(keptLog)+")", cacheSize(writerCache))
	if err != nil {
		return err
	}
	if marked {
		if err := complete(c, s.dir, kept); err != nil {
			return err // c stays open: see complete
		}
	}
	if s.mark, err = openMark(s.dir, s.log); err != nil {
		return errors.Join(err, c.close())
	}
	for i := range readers + beside {
		r, err := connect(ctx, file, readWrite, "query_only(1)", cacheSize(readerCache))
		if err != nil {
			return errors.Join(err, c.close())
		}
		if i < readers {
			s.pool <- r
		} else {
			s.aside <- r
		}
	}
	w := &writer{s: s, c: c}
	if err := w.start(ctx, file); err != nil {
		return errors.Join(err, c.close())
	}
	if s.file, err = os.Stat(file); err != nil {
		return errors.Join(err, c.close())
	}
	s.mark.note(mark{w.seq, w.rev, w.sum})
	s.mark.sync()
	go w.run()
	return syncDir(s.dir)
}

// release closes everything that open has opened, except the writer.
func (s *Store) release() {
	for _, pool := range []chan *conn{s.pool, s.aside} {
		for len(pool) > 0 {
			s.err = errors.Join(s.err, (<-pool).close())
		}
	}
	if s.mark != nil {
		s.err = errors.Join(s.err, s.mark.Close())
	}
	for _, f := range []*os.File{s.data, s.lock} {
		if f != nil {
			s.err = errors.Join(s.err, f.Close())
		}
	}
}

// Close ends the store: it finishes the writes already accepted; later calls
// return Unavailable. It may be called again.
func (s *Store) Close() error {
	s.once.Do(func() {
		close(s.quit)
		<-s.done
		for _, pool := range []chan *conn{s.pool, s.aside} {
			for range cap(pool) { // each comes back when its reader is done
				s.err = errors.Join(s.err, (<-pool).close())
			}
		}
		if _, err := os.Stat(filepath.Join(s.dir, fileName+"-wal")); err == nil {
			s.forget() // the engine failed to copy the log into the file, and does not report it
		}
		s.err = wrap(errors.Join(s.err, s.mark.Close(), s.data.Close(), s.lock.Close()), "close the store")
	})
	return s.err
}

// Ping reports whether the store answers and its file can be read. After a write
// has failed, it also makes a write to see whether writes succeed again.
func (s *Store) Ping(ctx context.Context) error {
	if err := s.present(); err != nil {
		return err
	}
	if s.failing.Load() {
		return s.write(ctx, true, func(w *writer) error { // it must change something, or the engine skips it
			w.rev++
			return w.c.exec("UPDATE revision SET last = ? WHERE one = 1", w.rev)
		})
	}
	return s.read(ctx, "read the data file", func(c *conn) error {
		_, err := c.number("SELECT max(seq) FROM version")
		return err
	})
}

// present reports whether the data file is still in its place. The engine keeps
// using an open file that somebody has removed or replaced, and its writes would
// be lost when the process ends.
func (s *Store) present() error {
	now, err := os.Stat(filepath.Join(s.dir, fileName))
	if err == nil && os.SameFile(now, s.file) {
		return nil
	}
	return missing(err)
}

func missing(err error) error {
	return engine.Unavailable(err, "The data file has been removed or replaced under the running service, which cannot store anything any more; put it back or restore a backup, then restart.")
}

// read runs f on an idle connection. Errors come out wrapped.
func (s *Store) read(ctx context.Context, doing string, f func(*conn) error) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	var c *conn
	pool := s.pool
	if budget.IsBeside(ctx) {
		pool = s.aside
	}
	select {
	case <-s.quit:
		return engine.Closed()
	default:
	}
	select {
	case c = <-pool:
	case <-s.quit:
		return engine.Closed()
	case <-ctx.Done():
		return ctx.Err()
	}
	defer func() { pool <- c }()
	return wrap(f(c), doing)
}

// snapshot is read with all statements in one transaction.
func (s *Store) snapshot(ctx context.Context, doing string, f func(*conn) error) error {
	return s.read(ctx, doing, func(c *conn) error {
		if err := c.exec("BEGIN"); err != nil {
			return err
		}
		err := f(c)
		if end := c.exec("ROLLBACK"); err == nil {
			err = end
		}
		return err
	})
}

// span is how far before a moment a resource of the type may begin and still
// cover it. The minimum is a minute for every type, so that few writes raise it.
func (s *Store) span(typ string) int64 {
	if v, ok := s.spans.Load(typ); ok {
		return v.(int64)
	}
	return minute
}

const minute = int64(time.Minute / time.Microsecond)

// cacheSize is the pragma for a page cache of so many KiB.
func cacheSize(kib int) string { return fmt.Sprintf("cache_size(-%d)", kib) }

// micros is a time for a column, nil for the zero time.
func micros(t time.Time) any {
	if t.IsZero() {
		return nil
	}
	return engine.Micro(t)
}

// moment reads what micros wrote.
func (r row) moment(i int) time.Time {
	if r.null(i) {
		return time.Time{}
	}
	return engine.OfMicro(r.int(i))
}

const (
	first = int64(math.MinInt64)
	last  = int64(math.MaxInt64)
)

// Transactions implements store.Store: several writes are always one transaction.
func (s *Store) Transactions() bool { return true }
