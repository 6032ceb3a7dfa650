package sqlite

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"

	"modernc.org/sqlite"
	lib "modernc.org/sqlite/lib"

	"tidemark/internal/fault"
	"tidemark/internal/store/engine"
)

// Backup writes a consistent copy of the store to a new file, while it
// serves. The copy is complete and on disk when Backup returns without an
// error; otherwise no file of that name exists.
func (s *Store) Backup(ctx context.Context, file string) error {
	select {
	case <-s.quit:
		return engine.Closed()
	default:
	}
	return Backup(ctx, s.dir, file)
}

// Backup is Store.Backup for a data directory that another process may be
// serving: it only reads.
func Backup(ctx context.Context, dir, file string) error {
	if _, err := os.Stat(filepath.Join(dir, fileName)); err != nil {
		return fault.New(fault.NotFound, "not-found", "There is no store in %s; give the data directory of the service.", dir)
	}
	if _, err := os.Stat(file); err == nil {
		return fault.New(fault.Conflict, "duplicate", "%s already exists; give a new file.", file)
	}
	part, err := takePart(file)
	if err != nil {
		return err
	}
	defer func() { _ = part.Close() }() // and with it the name
	err = fill(ctx, dir, part.Name())
	if err == nil {
		err = settle(part.Name(), file)
	}
	if err != nil {
		_ = os.Remove(part.Name()) // nothing else can be done about it
		return notWritten(err, file)
	}
	return nil
}

// takePart reserves the temporary name of a backup. Of two backups to one name,
// the second is refused. The remains of an interrupted backup are overwritten.
func takePart(file string) (*os.File, error) {
	part, err := os.OpenFile(file+".partial", os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, engine.Unavailable(err, file+" cannot be written; give a file in an existing, writable directory.")
	}
	err = take(part)
	if err == nil {
		// The previous backup may have renamed the file by now.
		mine, errMine := part.Stat()
		there, errThere := os.Stat(part.Name())
		_, taken := os.Stat(file)
		if errMine != nil || errThere != nil || !os.SameFile(mine, there) || taken == nil {
			err = errTaken
		} else {
			err = errors.Join(part.Truncate(0), part.Chmod(0o600))
		}
	}
	if err == nil {
		return part, nil
	}
	_ = part.Close()
	if errors.Is(err, errTaken) {
		return nil, fault.New(fault.Conflict, "duplicate", "Another backup writes %s; name another file.", file)
	}
	return nil, wrap(err, "take the file of the backup")
}

// fill writes the backup to a file, which is empty, and checks it.
func fill(ctx context.Context, dir, part string) error {
	kept, marked, err := readMark(dir, slog.Default())
	if err != nil {
		return err
	}
	c, err := connect(ctx, filepath.Join(dir, fileName), readWrite)
	if err != nil {
		return err
	}
	if marked {
		if err := complete(c, dir, kept); err != nil {
			return err // c stays open: see complete
		}
	}
	if err := errors.Join(c.execLong(ctx, "VACUUM INTO ?", part), c.close()); err != nil {
		return err
	}
	if c, err = connect(ctx, part, readOnly); err != nil {
		return err
	}
	if err := errors.Join(sound(ctx, c), c.close()); err != nil {
		return err
	}
	if err := seal(part); err != nil {
		return err
	}
	f, err := os.Open(part)
	if err != nil {
		return err
	}
	defer func() { _ = f.Close() }() // only read
	return unseal(f, io.Discard)
}

// notWritten is wrap for a backup, where a write error does not concern the data
// directory.
func notWritten(err error, file string) error {
	var e *sqlite.Error
	if errors.As(err, &e) {
		switch e.Code() & 0xff {
		case lib.SQLITE_FULL:
			return engine.Unavailable(err, "The disk is full on which "+file+" was to be written; free space, or give a file elsewhere.")
		case lib.SQLITE_CANTOPEN, lib.SQLITE_READONLY, lib.SQLITE_PERM:
			return engine.Unavailable(err, file+" cannot be written; give a file in an existing, writable directory.")
		}
	}
	return wrap(err, "write the backup")
}

// A backup ends with a checksum line that the engine ignores. It reveals a flipped
// bit, which the engine mostly cannot detect.
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

// unseal copies a backup without its seal, which must be valid. A backup without a
// seal, from an earlier program, is copied unchanged; it has whole pages.
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
