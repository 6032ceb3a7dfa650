package sqlite

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"tidemark/internal/fault"
	"tidemark/internal/store"
	"tidemark/internal/store/storetest"
)

// opened is a store that its test can close and open again. It notes every
// statement that it ran, and checks its indexes when its test ends.
type opened struct {
	*Store
	options Options
	texts   *statements
}

// statements are the texts that a test's stores have prepared.
type statements struct {
	sync.Mutex
	texts map[string]bool
}

func (o *opened) Reopen(tb testing.TB) store.Store {
	tb.Helper()
	if err := o.Close(); err != nil {
		tb.Fatal(err)
	}
	return openIn(tb, o.options, o.texts)
}

func options(tb testing.TB) Options {
	return Options{Dir: tb.TempDir(), Extract: storetest.Extract, Clock: time.Now, Logger: slog.New(slog.DiscardHandler)}
}

func openIn(tb testing.TB, o Options, texts *statements) *opened {
	tb.Helper()
	s, err := Open(context.Background(), o)
	if err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(func() {
		select {
		case <-s.quit:
		default:
			inspect(tb, s, texts)
		}
		if err := s.Close(); err != nil {
			tb.Error(err)
		}
	})
	return &opened{s, o, texts}
}

// inspect checks that the search index holds what the current versions say,
// no more and no less, and notes the statements.
func inspect(tb testing.TB, s *Store, texts *statements) {
	tb.Helper()
	note := func(c *conn) {
		if texts == nil {
			return
		}
		texts.Lock()
		defer texts.Unlock()
		for text := range c.stmts {
			texts.texts[text] = true
		}
	}
	err := s.write(context.Background(), true, func(w *writer) error { note(w.c); return nil })
	if err != nil {
		tb.Error(err)
	}
	var all []*conn
	for range readers {
		all = append(all, <-s.pool)
	}
	for _, c := range all {
		note(c)
		s.pool <- c
	}
	err = s.snapshot(context.Background(), "inspect", func(c *conn) error {
		want := map[[3]int64]bool{}
		err := c.quick(func(r row) error {
			d, err := s.extract(context.Background(), r.blob(1))
			if err != nil {
				return err
			}
			for _, k := range indexOf(d).keys {
				want[[3]int64{k, r.int(2), r.int(0)}] = true
			}
			return nil
		}, "SELECT r.rid, v.body, r.date FROM resource r JOIN version v ON v.seq = r.seq WHERE r.deleted = 0")
		if err != nil {
			return err
		}
		err = c.quick(func(r row) error {
			k := [3]int64{r.int(0), r.int(1), r.int(2)}
			if !want[k] {
				return fmt.Errorf("%v stands in the index for nothing", k)
			}
			delete(want, k)
			return nil
		}, "SELECT key, date, rid FROM key_idx")
		if err == nil && len(want) > 0 {
			err = fmt.Errorf("%d keys are missing in the index", len(want))
		}
		return err
	})
	if err != nil {
		tb.Errorf("index: %v (%v)", err, fault.Of(err).Cause)
	}
}

// mayScan are the scans that are meant. text must be part of the statement.
var mayScan = []struct{ step, text, reason string }{
	{"SCAN json_each", "", "the ids of one argument"},
	{"SCAN (subquery", "SELECT count(*) FROM (SELECT", "what the subquery has found by an index"},
	{"SCAN p USING INDEX placement_open", "", "the placements that are open now"},
	{"SCAN at", "WITH at (id)", "the ids of one argument"},
	{"SCAN w", "FROM within w LEFT JOIN", "the places found so far"},
	{"SCAN CONSTANT ROW", "", "one row"},
	{"SCAN w", "WITH RECURSIVE within", "the places found so far"},
	{"SCAN t", "WITH RECURSIVE t", "one row per type, found by skipping"},
	{"SCAN ", "ROW VALUES CLAUSE", "the rows of one insert"},
	{"SCAN span", "SELECT type, micros FROM span", "a row per type at most, once at start"},
	{"SCAN version", "SELECT seq, at FROM version ORDER BY seq DESC LIMIT 1", "the last row, once at start"},
	{"SCAN sqlite_master", "", "the schema, once at start"},
	{"SCAN sqlite_schema", "", "the schema, once an erasure"},
	{"SCAN audit", "SELECT seq, query FROM audit", "all search texts, once an erasure"},
	{"SCAN ", "FROM dbstat s JOIN sqlite_dbpage", "the whole file, once an erasure"},
	{"SCAN sqlite_dbpage", "WHERE pgno = ?", "one page by its number"},
	{"SCAN sqlite_dbpage", "UPDATE sqlite_dbpage", "one page by its number"},
}

// TestStore runs the suite, then explains every statement that it took: none
// may scan a table.
func TestStore(t *testing.T) {
	texts := &statements{texts: map[string]bool{}}
	// One process serves a data directory; a second one is refused (TestLock).
	storetest.Run(t, func(tb testing.TB) store.Store { return openIn(tb, options(tb), texts) }, storetest.Sharing)

	s := openIn(t, options(t), nil)
	explained := 0
	err := s.read(context.Background(), "explain", func(c *conn) error {
		for _, text := range slices.Sorted(maps.Keys(texts.texts)) {
			verb, _, _ := strings.Cut(text, " ")
			if verb == "BEGIN" || verb == "COMMIT" || verb == "ROLLBACK" || verb == "SAVEPOINT" || verb == "RELEASE" || verb == "PRAGMA" {
				continue
			}
			explained++
			var plan []string
			if err := c.quick(func(r row) error { plan = append(plan, r.text(3)); return nil }, "EXPLAIN QUERY PLAN "+text, make([]any, strings.Count(text, "?")+4)...); err != nil {
				return fmt.Errorf("%s: %w", text, err)
			}
			for _, step := range plan {
				if strings.Contains(step, "AUTOMATIC") || strings.HasPrefix(step, "SCAN") && !argued(text, step) {
					t.Errorf("%s\n%s", text, strings.Join(plan, "\n"))
				}
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err, fault.Of(err).Cause)
	}
	if explained < 60 && !testing.Short() && len(texts.texts) > 0 {
		t.Errorf("only %d statements were explained", explained)
	}
	t.Logf("%d statements explained", explained)
}

// argued reports whether a scan is one that is meant.
func argued(text, step string) bool {
	for _, m := range mayScan {
		if strings.HasPrefix(step, m.step) && strings.Contains(text+step, m.text) {
			return true
		}
	}
	return false
}

func patient(t testing.TB, id, name string) store.Write {
	return storetest.Put(t, fmt.Sprintf(`{"resourceType":"Patient","id":%q,"meta":{},"name":[{"family":%q}]}`, id, name))
}

func commit(t testing.TB, s *Store, w ...store.Write) []store.Result {
	t.Helper()
	r, err := s.Commit(context.Background(), w, nil)
	if err != nil {
		t.Fatal(err, fault.Of(err).Cause)
	}
	return r
}

func TestLock(t *testing.T) {
	o := options(t)
	s := openIn(t, o, nil)
	_, err := Open(context.Background(), o)
	if !fault.Is(err, fault.Unavailable) || !strings.Contains(err.Error(), "in use by another") {
		t.Errorf("a second store on one directory: %v", err)
	}
	commit(t, s.Store, patient(t, "p1", "x"))
	s.Reopen(t)
}

func TestSchema(t *testing.T) {
	change := func(o Options, text string) {
		t.Helper()
		c, err := connect(context.Background(), filepath.Join(o.Dir, fileName), readWrite)
		if err != nil {
			t.Fatal(err)
		}
		if err := c.script(text); err != nil {
			t.Fatal(err)
		}
		if err := c.close(); err != nil {
			t.Fatal(err)
		}
	}
	refused := func(o Options, want string) {
		t.Helper()
		s, err := Open(context.Background(), o)
		if err == nil {
			_ = s.Close()
		}
		if !fault.Is(err, fault.Unavailable) || !strings.Contains(err.Error(), want) {
			t.Errorf("got %v, want %q", err, want)
		}
	}
	newer := options(t)
	if err := openIn(t, newer, nil).Close(); err != nil {
		t.Fatal(err)
	}
	change(newer, fmt.Sprintf("PRAGMA user_version = %d", len(steps)+1))
	refused(newer, "newer Tidemark")
	foreign := options(t)
	change(foreign, "CREATE TABLE x (y)")
	refused(foreign, "not written by Tidemark")
	broken := options(t)
	if err := os.WriteFile(filepath.Join(broken.Dir, fileName), []byte(strings.Repeat("no database ", 1000)), 0o600); err != nil {
		t.Fatal(err)
	}
	refused(broken, "damaged")
	file := options(t)
	file.Dir = filepath.Join(file.Dir, "file")
	if err := os.WriteFile(file.Dir, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	refused(file, "not a directory")
}

// TestClock steps the clock back: time does not fall.
func TestClock(t *testing.T) {
	o := options(t)
	now := time.Date(2026, 5, 1, 12, 0, 0, 123456789, time.UTC)
	o.Clock = func() time.Time { return now }
	s := openIn(t, o, nil)
	a := commit(t, s.Store, patient(t, "a", "x"))[0].Version.At
	if want := now.Truncate(time.Millisecond); !a.Equal(want) {
		t.Errorf("At %v, want %v", a, want)
	}
	now = now.Add(-time.Hour)
	if b := commit(t, s.Store, patient(t, "b", "x"))[0].Version.At; !b.Equal(a) {
		t.Errorf("At %v after %v", b, a)
	}
	now = now.Add(10 * time.Minute)
	a = a.Add(5 * time.Minute)
	if b := commit(t, s.Store, patient(t, "b2", "x"))[0].Version.At; !b.Equal(a) {
		t.Errorf("At %v, want %v: half the pace of a clock that is behind", b, a)
	}
	again := s.Reopen(t).(*opened)
	if c := commit(t, again.Store, patient(t, "c", "x"))[0].Version.At; !c.Equal(a) {
		t.Errorf("At %v after %v and a restart", c, a)
	}
	now = now.Add(2 * time.Hour)
	if d := commit(t, again.Store, patient(t, "d", "x"))[0].Version.At; !d.Equal(now.Truncate(time.Millisecond)) {
		t.Errorf("At %v, want %v", d, now)
	}
}

// everything is the store's content as one text.
func everything(t testing.TB, s *Store) string {
	t.Helper()
	var b strings.Builder
	for after := int64(0); ; {
		vs, err := s.Changes(context.Background(), after, 1000)
		if err != nil {
			t.Fatal(err, fault.Of(err).Cause)
		}
		if len(vs) == 0 {
			return b.String()
		}
		for _, v := range vs {
			fmt.Fprintf(&b, "%d %s/%d %s %v %s\n", v.Seq, v.Key, v.Number, v.Method, v.At, v.Body.JSON)
			after = v.Seq
		}
	}
}

// writing keeps writers busy until stop is called, which gives the last
// acknowledged version of each id.
func writing(t testing.TB, s *Store) (stop func() map[string]int64) {
	ctx, cancel := context.WithCancel(context.Background())
	var wg sync.WaitGroup
	var mu sync.Mutex
	acknowledged := map[string]int64{}
	for n := range 4 {
		wg.Go(func() {
			for i := 0; ctx.Err() == nil; i++ {
				id := fmt.Sprintf("p%d-%d", n, i%20)
				r, err := s.Commit(context.Background(), []store.Write{patient(t, id, fmt.Sprint("v", i))}, nil)
				if err != nil {
					t.Error(err)
					return
				}
				mu.Lock()
				acknowledged[id] = r[0].Version.Number
				mu.Unlock()
			}
		})
	}
	return func() map[string]int64 { cancel(); wg.Wait(); return acknowledged }
}

func TestBackup(t *testing.T) {
	s := openIn(t, options(t), nil)
	stop := writing(t, s.Store)
	file := filepath.Join(t.TempDir(), "backup.db")
	for {
		if seq, err := s.LastSeq(context.Background()); err != nil || seq > 50 {
			break
		}
	}
	before, err := s.LastSeq(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Backup(context.Background(), file); err != nil {
		t.Fatal(err, fault.Of(err).Cause)
	}
	stop()
	if err := s.Backup(context.Background(), file); !fault.Is(err, fault.Conflict) {
		t.Errorf("over an existing file: %v", err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if err := s.Backup(ctx, file+"2"); err == nil {
		t.Error("a cancelled backup succeeded")
	}
	if left, _ := filepath.Glob(file + "?*"); len(left) > 0 {
		t.Errorf("left behind: %v", left)
	}

	o := options(t)
	if err := Restore(context.Background(), file, o.Dir); err != nil {
		t.Fatal(err, fault.Of(err).Cause)
	}
	back := openIn(t, o, nil)
	got, all := everything(t, back.Store), everything(t, s.Store)
	if !strings.HasPrefix(all, got) || len(got) == 0 {
		t.Error("the backup is not a state that the store had")
	}
	if seq, err := back.LastSeq(context.Background()); err != nil || seq < before {
		t.Errorf("the backup stands at %d, the store stood at %d, %v", seq, before, err)
	}
	if err := Restore(context.Background(), file, o.Dir); !fault.Is(err, fault.Conflict) {
		t.Errorf("into a directory in use: %v", err)
	}
	if err := Restore(context.Background(), file+"none", t.TempDir()); !fault.Is(err, fault.Unavailable) {
		t.Errorf("without a file: %v", err)
	}
	c, err := connect(context.Background(), file, readWrite)
	if err != nil {
		t.Fatal(err)
	}
	if err := c.script(fmt.Sprintf("PRAGMA user_version = %d", len(steps)+1)); err != nil {
		t.Fatal(err)
	}
	if err := c.close(); err != nil {
		t.Fatal(err)
	}
	if err := Restore(context.Background(), file, filepath.Join(t.TempDir(), "new")); !fault.Is(err, fault.Unavailable) || !strings.Contains(err.Error(), "newer") {
		t.Errorf("a newer schema: %v", err)
	}
}

// TestDamagedBackup: whatever byte of a backup is changed, it is refused, and
// nothing is left where it should have gone.
func TestDamagedBackup(t *testing.T) {
	s := openIn(t, options(t), nil)
	for i := range 30 {
		commit(t, s.Store, patient(t, fmt.Sprint("p", i), strings.Repeat("x", 3000)))
	}
	file := filepath.Join(t.TempDir(), "backup.db")
	if err := s.Backup(context.Background(), file); err != nil {
		t.Fatal(err, fault.Of(err).Cause)
	}
	good, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	bad := filepath.Join(t.TempDir(), "bad.db")
	try := func(b []byte) error {
		if err := os.WriteFile(bad, b, 0o600); err != nil {
			t.Fatal(err)
		}
		into := filepath.Join(t.TempDir(), "new")
		err := Restore(context.Background(), bad, into)
		if left, _ := os.ReadDir(into); err != nil && len(left) > 0 {
			t.Errorf("%s was left of a backup that was refused", left[0].Name())
		}
		return err
	}
	if err := try(good); err != nil {
		t.Fatal(err)
	}
	sum := len(good) - 65 // the last line's figure, where a change is one of its own
	for i := 0; i < sum; i += 1 + len(good)/150 {
		b := append([]byte(nil), good...)
		b[i] ^= 4
		err := try(b)
		if !fault.Is(err, fault.Unavailable) || !strings.Contains(err.Error(), "backup is damaged") || strings.Contains(err.Error(), "\n") {
			t.Errorf("byte %d changed: %v", i, err)
		}
	}
	b := append([]byte(nil), good...)
	b[sum+3] ^= 1
	if err := try(b); !fault.Is(err, fault.Unavailable) {
		t.Errorf("another sum: %v", err)
	}
	for _, size := range []int{0, 100, len(good) / 2, len(good) - 1000, len(good) - 1} {
		if err := try(good[:size]); !fault.Is(err, fault.Unavailable) {
			t.Errorf("cut to %d of %d bytes: %v", size, len(good), err)
		}
	}
}

// TestCrash opens copies of the files taken while four writers write, as a
// machine that lost its power would find them: whole transactions only, and
// every write that was acknowledged before.
func TestCrash(t *testing.T) {
	s := openIn(t, options(t), nil)
	stop := writing(t, s.Store)
	defer stop()
	for range 5 {
		before, err := s.LastSeq(context.Background())
		if err != nil {
			t.Fatal(err)
		}
		o := options(t)
		// The log after the file: a checkpoint between the two would be a
		// state that a disk never has, so none may start.
		err = s.write(context.Background(), true, func(w *writer) error {
			for _, name := range []string{fileName, fileName + "-wal"} {
				if err := copyFile(filepath.Join(s.dir, name), filepath.Join(o.Dir, name)); err != nil {
					return err
				}
			}
			return nil
		})
		if err != nil {
			t.Fatal(err, fault.Of(err).Cause)
		}
		back := openIn(t, o, nil)
		seq, err := back.LastSeq(context.Background())
		if err != nil || seq < before {
			t.Errorf("found %d, %d were acknowledged, %v", seq, before, err)
		}
		if got, all := everything(t, back.Store), everything(t, s.Store); !strings.HasPrefix(all, got) {
			t.Error("the copy holds what was never written")
		}
		commit(t, back.Store, patient(t, "new", "after"))
	}
}

// TestFull limits the file's pages, which the engine reports like a full disk.
func TestFull(t *testing.T) {
	var whole, failed atomic.Int64 // commit groups
	o := options(t)
	o.Grouped = func(calls int, took time.Duration, err error) {
		switch {
		case calls != 1 || took <= 0:
			t.Errorf("a group of %d calls in %v", calls, took)
		case err != nil:
			failed.Add(1)
		default:
			whole.Add(1)
		}
	}
	s := openIn(t, o, nil)
	commit(t, s.Store, patient(t, "p1", "x"))
	limit := func(pages int) {
		err := s.write(context.Background(), true, func(w *writer) error {
			_, err := w.c.number(fmt.Sprintf("PRAGMA max_page_count = %d", pages))
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	limit(1) // becomes the present size
	var err error
	acknowledged := []string{}
	for i := 0; err == nil; i++ {
		id := fmt.Sprint("q", i)
		if _, err = s.Commit(context.Background(), []store.Write{patient(t, id, strings.Repeat("x", 2000)), patient(t, id+"b", "x")}, nil); err == nil {
			acknowledged = append(acknowledged, id, id+"b")
		}
	}
	if !fault.Is(err, fault.Unavailable) || !strings.Contains(err.Error(), "full") {
		t.Errorf("got %v", err)
	}
	all := everything(t, s.Store)
	if n := strings.Count(all, "\n"); n != 1+len(acknowledged) {
		t.Errorf("%d versions of %d acknowledged", n, 1+len(acknowledged))
	}
	if err := s.Ping(context.Background()); err != nil {
		t.Errorf("reading from a full disk: %v", err)
	}
	limit(1 << 30)
	r := commit(t, s.Store, patient(t, "after", "x"))
	if r[0].Version.Seq != int64(2+len(acknowledged)) {
		t.Errorf("seq %d leaves a gap after %d", r[0].Version.Seq, 1+len(acknowledged))
	}
	// Beside the commits: the two limits, and the write by which Ping tries the disk.
	if whole.Load() != int64(2+len(acknowledged)/2+3) || failed.Load() != 1 {
		t.Errorf("told of %d groups and %d that failed, with %d acknowledged writes", whole.Load(), failed.Load(), len(acknowledged))
	}
}

// TestDefect lets a job panic: it is answered, nothing of its transaction is
// kept, and the writer goes on.
func TestDefect(t *testing.T) {
	s := openIn(t, options(t), nil)
	err := s.write(context.Background(), true, func(w *writer) error {
		if _, err := w.put(&change{Write: patient(t, "half", "x"), index: indexOf(patient(t, "half", "x").Doc)}, w.now()); err != nil {
			return err
		}
		panic("defect")
	})
	if !fault.Is(err, fault.Internal) || strings.Contains(err.Error(), "defect") {
		t.Errorf("got %v", err)
	}
	if r := commit(t, s.Store, patient(t, "p1", "x")); r[0].Version.Seq != 1 {
		t.Errorf("seq %d after a transaction that was given up", r[0].Version.Seq)
	}
	if _, err := s.Read(context.Background(), store.Key{Type: "Patient", ID: "half"}); !fault.Is(err, fault.NotFound) {
		t.Errorf("half a job was kept: %v", err)
	}
}

func TestAfter(t *testing.T) {
	for in, want := range map[string]string{"a": "b", "ab": "ac", "a\xff": "b", "a\xfe\xff\xff": "a\xff"} {
		if got := string(after(in)); got != want {
			t.Errorf("after %q is %q, want %q", in, got, want)
		}
	}
	if after("\xff") != nil || after("") != nil {
		t.Error("there is nothing after all")
	}
}

// TestKeysOfOneTransaction changes a resource again, and takes another away,
// before the keys of their first versions are in the index. That these have to
// go is what inspect sees in the end.
func TestKeysOfOneTransaction(t *testing.T) {
	s := openIn(t, options(t), nil)
	commit(t, s.Store, patient(t, "a", "first"), patient(t, "b", "first"), patient(t, "c", "first"))
	again := patient(t, "d", "second")
	again.Method = store.Put
	gone := store.Write{Key: store.Key{Type: "Patient", ID: "e"}, Method: store.Delete}
	commit(t, s.Store, patient(t, "d", "first"), patient(t, "e", "first"), again, gone)
	inspect(t, s.Store, nil)
}

// TestNewParameters opens a file of schema 1, whose index lacks the parameters that
// were added since.
func TestNewParameters(t *testing.T) {
	o := options(t)
	old := o
	old.Extract = storetest.ExtractBefore
	before := openIn(t, old, nil)
	storetest.Upgrade(t, before, func() store.Store {
		if err := before.Close(); err != nil {
			t.Fatal(err)
		}
		c, err := connect(context.Background(), filepath.Join(o.Dir, fileName), readWrite)
		if err == nil {
			_, entry, _ := strings.Cut(schema1, "CREATE TABLE entry")
			entry, _, _ = strings.Cut(entry, "CREATE TABLE finding")
			_, finding, _ := strings.Cut(schema1, "CREATE TABLE finding")
			finding, _, _ = strings.Cut(finding, "CREATE TABLE stay")
			err = errors.Join(c.script("DROP TABLE entry; CREATE TABLE entry"+entry+"; DROP TABLE concern; CREATE TABLE finding"+finding+"; PRAGMA user_version = 1"), c.close())
		}
		if err != nil {
			t.Fatal(err)
		}
		return openIn(t, o, nil)
	})
}
