package sqlite

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"modernc.org/sqlite"
	lib "modernc.org/sqlite/lib"

	"tidemark/internal/fault"
)

// Backup writes a consistent copy of the store to a new file, while it
// serves. The copy is complete and on disk when Backup returns without an
// error; else there is no file of that name.
func (s *Store) Backup(ctx context.Context, file string) error {
	select {
	case <-s.quit:
		return closed()
	default:
	}
	return Backup(ctx, s.dir, file)
}

// Backup is Store.Backup for a data directory that another process may be
// serving: it only reads.
func Backup(ctx context.Context, dir, file string) error {
	if _, err := os.Stat(filepath.Join(dir, fileName)); err != nil {
		return fault.New(fault.NotFound, "not-found", "There is no store in %s; name the data directory of the service.", dir)
	}
	if _, err := os.Stat(file); err == nil {
		return fault.New(fault.Conflict, "duplicate", "%s exists already; name a new file.", file)
	}
	c, err := connect(ctx, filepath.Join(dir, fileName), readWrite)
	if err != nil {
		return wrap(err, "open the data file")
	}
	part := file + ".partial"
	err = os.Remove(part) // of a backup that was cut off
	if errors.Is(err, os.ErrNotExist) {
		err = nil
	}
	if err == nil {
		err = c.execLong(ctx, "VACUUM INTO ?", part)
	}
	err = errors.Join(err, c.close())
	if err == nil {
		err = seal(part)
	}
	if err == nil {
		err = settle(part, file)
	}
	if err != nil {
		_ = os.Remove(part) // nothing else can be done about it
		return notWritten(err, file)
	}
	return nil
}

// notWritten is wrap for a backup: what the engine cannot write is not the
// data directory then.
func notWritten(err error, file string) error {
	var e *sqlite.Error
	if errors.As(err, &e) {
		switch e.Code() & 0xff {
		case lib.SQLITE_FULL:
			return unavailable(err, "The disk is full on which "+file+" was to be written; free space, or name a file elsewhere.")
		case lib.SQLITE_CANTOPEN, lib.SQLITE_READONLY, lib.SQLITE_PERM:
			return unavailable(err, file+" cannot be written; name a file in a directory that exists and can be written to.")
		}
	}
	return wrap(err, "write the backup")
}

// A backup ends with a line that the engine takes no notice of, so that it can
// be told from one with a flipped bit, which the engine mostly cannot see.
const sealText = "\nTidemark backup, SHA-256 of all before this line: "

const pageSize = 4096 // the engine's, when none is asked for

const sealSize = int64(len(sealText) + 2*sha256.Size + 1)

// seal adds that line.
func seal(file string) error {
	f, err := os.OpenFile(file, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	hash := sha256.New()
	_, err = io.Copy(hash, f)
	if err == nil {
		_, err = fmt.Fprintf(f, "%s%x\n", sealText, hash.Sum(nil))
	}
	return errors.Join(err, f.Close())
}

// unseal copies a backup without its seal, which must hold. One without a
// seal, as earlier programs made them, is copied as it is; it has whole pages.
func unseal(in *os.File, out io.Writer) error {
	info, err := in.Stat()
	if err != nil {
		return err
	}
	size := max(0, info.Size()-sealSize)
	end, err := io.ReadAll(io.NewSectionReader(in, size, sealSize))
	if err != nil {
		return err
	}
	sum, sealed := bytes.CutPrefix(end, []byte(sealText))
	if !sealed {
		size = info.Size()
	}
	if size%pageSize != 0 {
		return damaged()
	}
	hash := sha256.New()
	if _, err := io.Copy(io.MultiWriter(hash, out), io.NewSectionReader(in, 0, size)); err != nil {
		return err
	}
	if sealed && fmt.Sprintf("%x\n", hash.Sum(nil)) != string(sum) {
		return damaged()
	}
	return nil
}

func damaged() error {
	return fault.New(fault.Unavailable, "exception", "The backup is damaged; take another one.")
}

// settle makes a written file durable under its final name.
func settle(part, file string) error {
	f, err := os.OpenFile(part, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	if err := errors.Join(f.Sync(), f.Close()); err != nil {
		return err
	}
	if err := os.Rename(part, file); err != nil {
		return err
	}
	return syncDir(filepath.Dir(file))
}

// Restore puts a backup into a data directory, which must be new or empty. A
// file of a newer schema, of another program, or a damaged one is refused.
func Restore(ctx context.Context, backup, dir string) error {
	if _, err := os.Stat(backup); err != nil {
		return wrap(err, "open the backup")
	}
	c, err := connect(ctx, backup, readOnly)
	if err != nil {
		return wrap(err, "open the backup")
	}
	if err := errors.Join(sound(ctx, c), c.close()); err != nil {
		var e *sqlite.Error
		if errors.As(err, &e) && (e.Code()&0xff == lib.SQLITE_CORRUPT || e.Code()&0xff == lib.SQLITE_NOTADB) {
			return damaged()
		}
		return wrap(err, "check the backup")
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return wrap(err, "create the data directory")
	}
	if old, err := os.ReadDir(dir); err != nil || len(old) > 0 {
		return fault.New(fault.Conflict, "conflict", "The data directory %s is not empty; restore into a new one.", dir)
	}
	held, err := lock(dir)
	if err != nil {
		return wrap(err, "lock the data directory")
	}
	defer func() { _ = held.Close() }()
	part := filepath.Join(dir, fileName+".partial")
	err = copyBackup(backup, part)
	if err == nil {
		err = settle(part, filepath.Join(dir, fileName))
	}
	if err != nil {
		_ = os.Remove(part)
		_ = os.Remove(held.Name()) // so that the directory is empty for the next try
		return wrap(err, "copy the backup")
	}
	return nil
}

// sound refuses a file that must not be restored.
func sound(ctx context.Context, c *conn) error {
	version, err := checkSchema(c)
	if err != nil {
		return err
	}
	if version == 0 {
		return fault.New(fault.Unavailable, "exception", "The file is not a backup made by Tidemark.")
	}
	return c.rows(ctx, func(r row) error {
		if r.text(0) != "ok" {
			return damaged()
		}
		return nil
	}, "PRAGMA quick_check(1)")
}

// copyBackup copies a backup to a new file.
func copyBackup(from, to string) error {
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer func() { _ = in.Close() }() // only read
	out, err := os.OpenFile(to, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	return errors.Join(unseal(in, out), out.Close())
}
