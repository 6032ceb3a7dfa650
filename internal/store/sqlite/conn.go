package sqlite

import (
	"context"
	"database/sql/driver"
	"fmt"
	"io"
	"net/url"
	"path/filepath"

	"modernc.org/sqlite"

	"tidemark/internal/budget"
)

// conn is one connection with its prepared statements. It speaks to the driver
// directly: package database/sql takes a lock, a goroutine and several
// allocations per statement, and an insert of one resource is dozens of them.
// A conn serves one goroutine at a time.
type conn struct {
	raw   driver.Conn
	stmts map[string]driver.Stmt
}

// maxStatements bounds the cache; searches with many values make many texts.
const maxStatements = 400

// Modes of opening a file.
const (
	readWrite = "rwc"
	readOnly  = "ro"
)

// connect opens file with pragmas such as "synchronous(FULL)".
func connect(ctx context.Context, file, mode string, pragmas ...string) (*conn, error) {
	abs, err := filepath.Abs(file)
	if err != nil {
		return nil, err
	}
	q := url.Values{"_pragma": append([]string{"busy_timeout(5000)", "temp_store(MEMORY)"}, pragmas...), "_dqs": {"0"}, "mode": {mode}}
	connector, err := sqlite.NewConnector((&url.URL{Scheme: "file", Path: abs}).String() + "?" + q.Encode())
	if err != nil {
		return nil, err
	}
	raw, err := connector.Connect(ctx)
	if err != nil {
		return nil, err
	}
	return &conn{raw: raw, stmts: map[string]driver.Stmt{}}, nil
}

func (c *conn) close() error {
	c.finalize()
	return c.raw.Close()
}

// finalize gives up the prepared statements.
func (c *conn) finalize() {
	for _, s := range c.stmts {
		_ = s.Close() // closing the connection reports what matters
	}
	clear(c.stmts)
}

func (c *conn) prepare(text string) (driver.Stmt, error) {
	if s, ok := c.stmts[text]; ok {
		return s, nil
	}
	if len(c.stmts) >= maxStatements {
		for t, s := range c.stmts {
			_ = s.Close()
			delete(c.stmts, t)
			if len(c.stmts) < maxStatements/2 {
				break
			}
		}
	}
	s, err := c.raw.Prepare(text)
	if err != nil {
		return nil, err
	}
	c.stmts[text] = s
	return s, nil
}

// exec runs a statement to its end.
func (c *conn) exec(text string, args ...any) error {
	_, err := c.execN(text, args...)
	return err
}

// execLong is exec for what takes long: a context that ends interrupts it.
func (c *conn) execLong(ctx context.Context, text string, args ...any) error {
	_, err := c.raw.(driver.ExecerContext).ExecContext(ctx, text, named(args))
	return err
}

// execN runs a statement and says how many rows it changed.
func (c *conn) execN(text string, args ...any) (int64, error) {
	s, err := c.prepare(text)
	if err != nil {
		return 0, err
	}
	r, err := s.(driver.StmtExecContext).ExecContext(context.Background(), named(args))
	if err != nil {
		return 0, err
	}
	return r.RowsAffected()
}

// script runs several statements that need no arguments.
func (c *conn) script(text string) error {
	_, err := c.raw.(driver.ExecerContext).ExecContext(context.Background(), text, nil)
	return err
}

// row is one row of a result; it is valid until the next one.
type row []driver.Value

func (r row) int(i int) int64   { v, _ := r[i].(int64); return v }
func (r row) text(i int) string { v, _ := r[i].(string); return v }
func (r row) blob(i int) []byte { v, _ := r[i].([]byte); return v }
func (r row) null(i int) bool   { return r[i] == nil }
func (r row) bool(i int) bool   { return r.int(i) != 0 }

// rows calls each for every row of a query. The callback must not run
// statements on the connection. A context that ends interrupts the query;
// for look-ups that cannot take long, one and quick leave out the goroutine
// that this costs.
func (c *conn) rows(ctx context.Context, each func(row) error, text string, args ...any) error {
	s, err := c.prepare(text)
	if err != nil {
		return err
	}
	rs, err := s.(driver.StmtQueryContext).QueryContext(ctx, named(args))
	if err != nil {
		return err
	}
	r := make(row, len(rs.Columns()))
	for {
		if err = rs.Next(r); err != nil {
			break
		}
		if err = budget.Rows(ctx, 1); err != nil {
			break
		}
		if err = each(r); err != nil {
			break
		}
		if err = ctx.Err(); err != nil {
			break
		}
	}
	if cerr := rs.Close(); err == io.EOF {
		err = cerr
	}
	return err
}

// quick is rows for look-ups by key.
func (c *conn) quick(each func(row) error, text string, args ...any) error {
	return c.rows(context.Background(), each, text, args...)
}

// one returns a copy of the first row of a look-up, or nil when there is none.
func (c *conn) one(text string, args ...any) (row, error) {
	var out row
	err := c.quick(func(r row) error {
		if out == nil {
			out = append(row(nil), r...)
		}
		return nil
	}, text, args...)
	return out, err
}

// number returns the first column of a look-up that always has a row.
func (c *conn) number(text string, args ...any) (int64, error) {
	r, err := c.one(text, args...)
	if err != nil || r == nil {
		return 0, err
	}
	return r.int(0), nil
}

// named turns arguments into what the driver takes.
func named(args []any) []driver.NamedValue {
	out := make([]driver.NamedValue, len(args))
	for i, a := range args {
		out[i].Ordinal = i + 1
		switch v := a.(type) {
		case int:
			out[i].Value = int64(v)
		case bool:
			n := int64(0)
			if v {
				n = 1
			}
			out[i].Value = n
		case nil, int64, float64, string, []byte:
			out[i].Value = v
		default:
			panic(fmt.Sprintf("sqlite: argument %d has type %T", i+1, a))
		}
	}
	return out
}
