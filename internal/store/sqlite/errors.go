package sqlite

import (
	"context"
	"errors"
	"io/fs"
	"time"

	"modernc.org/sqlite"
	lib "modernc.org/sqlite/lib"

	"tidemark/internal/fault"
)

// closed is the answer after Close.
func closed() error {
	return fault.New(fault.Unavailable, "transient", "The store is closed.")
}

// wrap turns what the engine reports into the kinds of package store. Errors
// that already are one, and a context's, pass through.
func wrap(err error, doing string) error {
	var f *fault.Error
	var e *sqlite.Error
	var p *fs.PathError
	switch {
	case err == nil:
		return nil
	case errors.As(err, &f):
		return err
	case errors.Is(err, context.Canceled):
		return context.Canceled
	case errors.Is(err, context.DeadlineExceeded):
		return context.DeadlineExceeded
	case errors.As(err, &p):
		return unavailable(err, "The file "+p.Path+" cannot be used: "+p.Err.Error()+".")
	case !errors.As(err, &e):
		return fault.Wrap(err, doing)
	}
	text := ""
	switch e.Code() & 0xff {
	case lib.SQLITE_BUSY, lib.SQLITE_LOCKED:
		text = "The data file is locked by another program; try again."
	case lib.SQLITE_FULL:
		text = "The disk of the data directory is full; free space, then try again."
	case lib.SQLITE_READONLY, lib.SQLITE_PERM:
		text = "The data directory is read-only; make it writable, then try again."
	case lib.SQLITE_IOERR, lib.SQLITE_CANTOPEN:
		text = "The disk of the data directory reports an error; try again when it works."
	case lib.SQLITE_NOMEM:
		text = "The service is short of memory; try again."
	case lib.SQLITE_CORRUPT, lib.SQLITE_NOTADB:
		text = "The data file is damaged; restore a backup."
	default:
		return fault.Wrap(err, doing)
	}
	return unavailable(err, text)
}

// engine reports whether err is not an answer to the caller but a failure of
// the engine, or of our own code, after which the transaction is given up.
func engine(err error) bool {
	var f *fault.Error
	return !errors.As(err, &f) || f.Kind == fault.Internal || f.Kind == fault.Unavailable
}

// ioError reports whether the disk has failed the engine.
func ioError(err error) bool {
	var e *sqlite.Error
	return errors.As(err, &e) && e.Code()&0xff == lib.SQLITE_IOERR
}

// inDoubt is the answer when the commit itself failed on the disk: the
// transaction may or may not be found after a restart.
func inDoubt(err error) error {
	if ioError(err) {
		return unavailable(err, "The disk reported an error while the write was made durable; it is in doubt whether it was kept. Read the resource, or try again with the same identifier.")
	}
	return wrap(err, "commit")
}

func unavailable(err error, text string) error {
	f := fault.New(fault.Unavailable, "transient", "%s", text)
	f.RetryAfter = 5 * time.Second
	f.Cause = err
	return f
}
