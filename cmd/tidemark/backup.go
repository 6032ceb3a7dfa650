package main

import (
	"context"
	"fmt"

	"tidemark/internal/store/sqlite"
)

type backupCmd struct {
	Data string `help:"Data directory of the service." default:"./tidemark-data" type:"path" placeholder:"DIR"`
	File string `arg:"" help:"File to write; it must not exist yet." type:"path"`
}

func (c *backupCmd) Run(e *env) error {
	if err := sqlite.Backup(context.Background(), c.Data, c.File); err != nil {
		return err
	}
	_, err := fmt.Fprintln(e.out, "written", c.File)
	return err
}

type restoreCmd struct {
	File string `arg:"" help:"Backup to read." type:"path"`
	Data string `help:"Data directory to make; it must not hold a store." default:"./tidemark-data" type:"path" placeholder:"DIR"`
}

func (c *restoreCmd) Run(e *env) error {
	if err := sqlite.Restore(context.Background(), c.File, c.Data); err != nil {
		return err
	}
	_, err := fmt.Fprintln(e.out, "restored to", c.Data)
	return err
}
