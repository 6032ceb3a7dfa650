package sqlite

import (
	"embed"
	"fmt"

	"tidemark/internal/fault"
)

// applicationID marks a file as ours (PRAGMA application_id): "Tide".
const applicationID = 0x54696465

//go:embed schema/*.sql
var migrations embed.FS

// Schema is the schema version that this program writes: the number of its
// last migration.
const Schema = 2

// checkSchema reads the schema version of a file and refuses one that this
// program must not touch: 0 is an empty file.
func checkSchema(c *conn) (int64, error) {
	version, err := c.number("PRAGMA user_version")
	if err != nil {
		return 0, err
	}
	app, err := c.number("PRAGMA application_id")
	if err != nil {
		return 0, err
	}
	tables, err := c.number("SELECT count(*) FROM sqlite_schema")
	switch {
	case err != nil:
		return 0, err
	case app != applicationID && tables > 0:
		return 0, fault.New(fault.Unavailable, "exception", "The data file was not written by Tidemark; give another data directory.")
	case version > Schema:
		return 0, fault.New(fault.Unavailable, "exception",
			"The data file has schema version %d, this program knows up to %d; start the newer Tidemark that wrote it.", version, Schema)
	}
	return version, nil
}

// conversions are the parts of migrations that are not SQL; each runs behind
// the file of its number.
var conversions = map[int64]func(*conn) error{2: chartEntries}

// migrate brings the file to Schema, each step in one transaction.
func migrate(c *conn) error {
	version, err := checkSchema(c)
	if err != nil {
		return err
	}
	for n := version + 1; n <= Schema; n++ {
		text, err := migrations.ReadFile(fmt.Sprintf("schema/%04d.sql", n))
		if err != nil {
			return err
		}
		if err := step(c, n, string(text)); err != nil {
			_ = c.script("ROLLBACK") // fails when nothing was begun
			return fmt.Errorf("migrate to schema %d: %w", n, err)
		}
	}
	return nil
}

func step(c *conn, n int64, text string) error {
	if err := c.script("BEGIN IMMEDIATE;\n" + text); err != nil {
		return err
	}
	if convert := conversions[n]; convert != nil {
		if err := convert(c); err != nil {
			return err
		}
		c.finalize() // its statements are about tables that the next steps may drop
	}
	return c.script(fmt.Sprintf("PRAGMA application_id = %d; PRAGMA user_version = %d; COMMIT", applicationID, n))
}
