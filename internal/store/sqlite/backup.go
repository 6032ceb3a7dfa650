package sqlite

import (
	"context"
	"errors"
	"io"
	"os"
	"path/filepath"

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
		err = settle(part, file)
	}
	if err != nil {
		_ = os.Remove(part) // nothing else can be done about it
		return wrap(err, "write the backup")
	}
	return nil
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
	err = copyFile(backup, part)
	if err == nil {
		err = settle(part, filepath.Join(dir, fileName))
	}
	if err != nil {
		_ = os.Remove(part)
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
			return fault.New(fault.Unavailable, "exception", "The backup is damaged; take another one.")
		}
		return nil
	}, "PRAGMA quick_check(1)")
}

func copyFile(from, to string) error {
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer func() { _ = in.Close() }() // only read
	out, err := os.OpenFile(to, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	_, err = io.Copy(out, in)
	return errors.Join(err, out.Close())
}
