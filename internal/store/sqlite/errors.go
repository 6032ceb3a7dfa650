package sqlite

import (
	"context"
	"errors"
	"io/fs"

	"modernc.org/sqlite"
	lib "modernc.org/sqlite/lib"

	"tidemark/internal/fault"
	"tidemark/internal/store/engine"
)

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
		return engine.Unavailable(err, "The file "+p.Path+" cannot be used: "+p.Err.Error()+".")
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
	return engine.Unavailable(err, text)
}

// failed reports whether err is a failure of the engine or of our own code, which
// rolls back the transaction, rather than an answer to the caller.
func failed(err error) bool {
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
		return engine.Unavailable(err, "The disk reported an error while the write was made durable; the write is in doubt. Read the resource, or try again with the same identifier.")
	}
	return wrap(err, "commit")
}
