package bench

import (
	"context"
	"database/sql"
	"database/sql/driver"
	"encoding/binary"
	"errors"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"modernc.org/sqlite"
)

// statement is an INSERT with its values.
type statement struct {
	text string
	args []driver.NamedValue
}

// written reads back the rows that the Observations with a seq above mark
// stand in, one list a resource, ready to be inserted elsewhere; with the audit
// records above audit where that is not negative.
func written(tb testing.TB, dir string, mark, audit int64) [][]statement {
	tb.Helper()
	db, err := sql.Open("sqlite", dsn(dir)+"&mode=ro")
	if err != nil {
		tb.Fatal(err)
	}
	defer db.Close()
	var rids []int64 // of the Observations, in order
	rows, err := db.Query("SELECT rid FROM resource WHERE rid > ? AND +type = 'Observation' ORDER BY rid", mark)
	if err != nil {
		tb.Fatal(err)
	}
	for rows.Next() {
		var rid int64
		if err := rows.Scan(&rid); err != nil {
			tb.Fatal(err)
		}
		rids = append(rids, rid)
	}
	if err := errors.Join(rows.Err(), rows.Close()); err != nil {
		tb.Fatal(err)
	}
	out := make([][]statement, len(rids))
	// each reads rows of a table, the first column of which is the rid that
	// they belong to, and makes statements of at most so many rows.
	each := func(table string, group int, query string, args ...any) {
		rows, err := db.Query(query, args...)
		if err != nil {
			tb.Fatalf("%s: %v", table, err)
		}
		defer rows.Close()
		names, err := rows.Columns()
		if err != nil {
			tb.Fatal(err)
		}
		names = names[1:]
		values := map[int64][][]any{}
		for rows.Next() {
			vals, ptrs := make([]any, len(names)+1), make([]any, len(names)+1)
			for i := range vals {
				ptrs[i] = &vals[i]
			}
			if err := rows.Scan(ptrs...); err != nil {
				tb.Fatal(err)
			}
			rid := vals[0].(int64)
			values[rid] = append(values[rid], vals[1:])
		}
		if err := rows.Err(); err != nil {
			tb.Fatal(err)
		}
		one := "(?" + strings.Repeat(",?", len(names)-1) + ")"
		for i, rid := range rids {
			// In powers of two as the store does: a part of a row's cost is that
			// of the statement.
			for waiting := values[rid]; len(waiting) > 0; {
				n := 1
				for 2*n <= min(len(waiting), group) {
					n *= 2
				}
				st := statement{text: insertInto(table) + " (" + strings.Join(names, ",") + ") VALUES " + one + strings.Repeat(","+one, n-1)}
				for _, w := range waiting[:n] {
					for _, v := range w {
						st.args = append(st.args, driver.NamedValue{Ordinal: len(st.args) + 1, Value: v})
					}
				}
				waiting = waiting[n:]
				out[i] = append(out[i], st)
			}
		}
	}
	const since = " t WHERE t.rid > ?"
	each("resource", 1, "SELECT t.rid AS belongs, t.* FROM resource"+since, mark)
	each("version", 1, "SELECT t.rid AS belongs, t.* FROM version"+since, mark)
	each("entry", 1, "SELECT r.rid AS belongs, t.* FROM resource r CROSS JOIN entry t ON t.drain = r.fact_key AND t.at = r.fact_at AND t.id = r.id WHERE r.rid > ?", mark)
	each("key_idx", 16, "SELECT t.rid AS belongs, t.* FROM key_idx"+since, mark)
	each("num_idx", 1, "SELECT t.rid AS belongs, t.* FROM num_idx"+since, mark)
	each("str_idx", 1, "SELECT t.rid AS belongs, t.* FROM str_idx"+since, mark)
	each("claim", 1, "SELECT t.rid AS belongs, t.* FROM claim"+since, mark)
	if audit >= 0 {
		// In the order written: the n-th record goes with the n-th resource.
		each("audit", 1, "SELECT rid AS belongs, seq, id, at, action, interaction, outcome, agent, client, address, entity, query, patient, detail, request FROM "+
			"(SELECT row_number() OVER (ORDER BY seq) AS n, * FROM audit WHERE seq > ?) JOIN (SELECT row_number() OVER (ORDER BY rid) AS n, rid FROM resource WHERE rid > ? AND +type = 'Observation') USING (n)", audit, mark)
	}
	return out
}

// insertInto is the statement that costs least: an INSERT of several rows
// makes the engine keep copies of pages to take a part of them back, one that
// passes over doubles does not.
func insertInto(table string) string {
	if table == "key_idx" {
		return "INSERT OR IGNORE INTO " + table
	}
	return "INSERT INTO " + table
}

func dsn(dir string) string {
	abs, err := filepath.Abs(filepath.Join(dir, storeFile))
	if err != nil {
		panic(err) // only without a working directory
	}
	return (&url.URL{Scheme: "file", Path: abs}).String() + "?_pragma=busy_timeout(5000)"
}

// insert writes the rows into the store file of dir with nothing around them: one
// connection, prepared statements, a transaction for each so many resources,
// with the durability that the service has.
func insert(tb testing.TB, dir string, resources [][]statement, group int) time.Duration {
	tb.Helper()
	ctx := context.Background()
	connector, err := sqlite.NewConnector(dsn(dir) + "&_pragma=journal_mode(WAL)&_pragma=synchronous(FULL)&_pragma=cache_size(-24576)")
	if err != nil {
		tb.Fatal(err)
	}
	c, err := connector.Connect(ctx)
	if err != nil {
		tb.Fatal(err)
	}
	defer c.Close()
	prepared := map[string]driver.Stmt{}
	exec := func(st statement) {
		p, ok := prepared[st.text]
		if !ok {
			if p, err = c.Prepare(st.text); err != nil {
				tb.Fatal(err)
			}
			prepared[st.text] = p
		}
		if _, err := p.(driver.StmtExecContext).ExecContext(ctx, st.args); err != nil {
			tb.Fatalf("%s: %v", st.text, err)
		}
	}
	began := time.Now()
	for at := 0; at < len(resources); at += group {
		exec(statement{text: "BEGIN IMMEDIATE"})
		for _, r := range resources[at:min(at+group, len(resources))] {
			for _, st := range r {
				exec(st)
			}
		}
		exec(statement{text: "COMMIT"})
	}
	took := time.Since(began)
	for _, p := range prepared {
		p.Close()
	}
	return took
}

// number answers a question to the store file.
func number(tb testing.TB, dir, query string) int64 {
	tb.Helper()
	db, err := sql.Open("sqlite", dsn(dir)+"&mode=ro")
	if err != nil {
		tb.Fatal(err)
	}
	defer db.Close()
	var n sql.NullInt64
	if err := db.QueryRow(query).Scan(&n); err != nil {
		tb.Fatal(err)
	}
	return n.Int64
}

// transactions reads the counter of write transactions out of the write-ahead
// log's index of an open store (https://www.sqlite.org/walformat.html: iChange).
func transactions(tb testing.TB, dir string) uint32 {
	tb.Helper()
	f, err := os.Open(filepath.Join(dir, storeFile+"-shm"))
	if err != nil {
		tb.Fatal(err)
	}
	defer f.Close()
	var b [12]byte
	if _, err := f.ReadAt(b[:], 0); err != nil {
		tb.Fatal(fmt.Errorf("read the index of the log: %w", err))
	}
	return binary.NativeEndian.Uint32(b[8:])
}
