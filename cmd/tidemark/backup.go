package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"tidemark/internal/auth"
	"tidemark/internal/store/sqlite"
)

type backupCmd struct {
	Data string `help:"Data directory of the service." default:"./tidemark-data" type:"path" placeholder:"DIR"`
	Keep int    `help:"FILE is a folder: write a backup named by the time into it, with the local token key beside it, and keep the newest so many." placeholder:"N"`
	File string `arg:"" help:"File to write, which must not exist yet; a folder with --keep." type:"path"`
}

func (c *backupCmd) Run(e *env) error {
	switch {
	case c.Keep < 0:
		return errors.New("--keep takes a number of backups, 1 or more")
	case c.Keep > 0:
		return c.keep(e)
	}
	if err := sqlite.Backup(context.Background(), c.Data, c.File); err != nil {
		return err
	}
	_, err := fmt.Fprintln(e.out, "written", c.File)
	return err
}

// Names of what --keep writes.
const (
	backupStart = "tidemark-"
	backupEnd   = ".db"
	keyEnd      = ".key"
)

// keep writes a backup into a folder, and drops the oldest ones once it is whole.
func (c *backupCmd) keep(e *env) error {
	if err := os.MkdirAll(c.File, 0o700); err != nil {
		return fmt.Errorf("cannot make the folder %s (%w)", c.File, err)
	}
	at := filepath.Join(c.File, backupStart+time.Now().UTC().Format("20060102T150405.000Z"))
	if err := sqlite.Backup(context.Background(), c.Data, at+backupEnd); err != nil {
		return err
	}
	if err := copyKey(filepath.Join(c.Data, auth.KeyFile), at+keyEnd); err != nil {
		return fmt.Errorf("the local token key was not copied (%w)", err)
	}
	entries, err := os.ReadDir(c.File)
	if err != nil {
		return fmt.Errorf("cannot look for older backups in %s (%w)", c.File, err)
	}
	var backups []string
	for _, x := range entries {
		if n := x.Name(); strings.HasPrefix(n, backupStart) && strings.HasSuffix(n, backupEnd) {
			backups = append(backups, n)
		}
	}
	slices.Sort(backups) // by time
	for len(backups) > c.Keep {
		old := filepath.Join(c.File, backups[0])
		err := os.Remove(old)
		if gone := os.Remove(strings.TrimSuffix(old, backupEnd) + keyEnd); gone != nil && !errors.Is(gone, fs.ErrNotExist) {
			err = errors.Join(err, gone)
		}
		if err != nil {
			return fmt.Errorf("an older backup was not removed (%w)", err)
		}
		backups = backups[1:]
	}
	_, err = fmt.Fprintf(e.out, "written %s, %s kept\n", at+backupEnd, plural(len(backups), "backup is", "backups are"))
	return err
}

// copyKey copies the local key; there is none beside an issuer.
func copyKey(from, to string) error {
	in, err := os.Open(from)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	defer in.Close()
	out, err := os.OpenFile(to, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	_, err = io.Copy(out, in)
	return errors.Join(err, out.Sync(), out.Close())
}

type restoreCmd struct {
	File string `arg:"" help:"Backup to read; a local key beside it is restored too." type:"path"`
	Data string `help:"Data directory to make; it must not hold a store." default:"./tidemark-data" type:"path" placeholder:"DIR"`
}

func (c *restoreCmd) Run(e *env) error {
	if err := sqlite.Restore(context.Background(), c.File, c.Data); err != nil {
		return err
	}
	if err := copyKey(strings.TrimSuffix(c.File, backupEnd)+keyEnd, filepath.Join(c.Data, auth.KeyFile)); err != nil && !errors.Is(err, fs.ErrExist) {
		return fmt.Errorf("the store is restored, the local token key beside it is not (%w)", err)
	}
	_, err := fmt.Fprintln(e.out, "restored to", c.Data)
	return err
}
