package sqlite

import (
	"bufio"
	"cmp"
	"compress/gzip"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	gocmp "github.com/google/go-cmp/cmp"

	"tidemark/internal/fault"
	"tidemark/internal/store"
	"tidemark/internal/store/sqlite/disk"
	"tidemark/internal/store/storetest"
)

// testdata/schema1.db.gz is a backup that the first program to build as a whole
// (commit e31bb9d) made: its simulated ward of two patients and two days, with
// corrections, deletions, one of them taken back, acknowledgements and refusals.
// testdata/schema1.txt lists what is in it, as read by another program.

func oldFile(t *testing.T, dir string) {
	t.Helper()
	in, err := os.Open(filepath.Join("testdata", "schema1.db.gz"))
	if err != nil {
		t.Fatal(err)
	}
	defer in.Close()
	z, err := gzip.NewReader(in)
	if err != nil {
		t.Fatal(err)
	}
	b, err := io.ReadAll(z)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, fileName), b, 0o600); err != nil {
		t.Fatal(err)
	}
}

func oldListing(t *testing.T) string {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("testdata", "schema1.txt"))
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// listing is what the store holds, in the words of testdata/schema1.txt.
func listing(t *testing.T, s *Store) string {
	t.Helper()
	var b strings.Builder
	ctx := context.Background()
	check := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err, fault.Of(err).Cause)
		}
	}
	line := func(what string, values ...any) {
		b.WriteString(what)
		for _, v := range values {
			switch x := v.(type) {
			case time.Time:
				v = x.UnixMicro()
				if x.IsZero() {
					v = "-"
				}
			case bool:
				v = 0
				if x {
					v = 1
				}
			}
			text := fmt.Sprint(v)
			if text == "" {
				text = "-"
			}
			b.WriteString(" " + text)
		}
		b.WriteString("\n")
	}
	changes, err := s.Changes(ctx, 0, 1000)
	check(err)
	var drains []string
	keys := map[store.Key]bool{}
	for _, v := range changes {
		hash := "-"
		if !v.Deleted() {
			sum := sha256.Sum256(v.Body.JSON)
			hash = hex.EncodeToString(sum[:])[:24]
		}
		line("version", v.Seq, fmt.Sprintf("%s/%d", v.Key, v.Number), v.At.UnixMilli(), v.Method, v.Body.Meta, hash)
		if v.Type == "Device" && !keys[v.Key] {
			drains = append(drains, v.ID)
		}
		keys[v.Key] = true
	}
	for _, k := range slices.SortedFunc(maps.Keys(keys), func(a, b store.Key) int { return cmp.Or(cmp.Compare(a.Type, b.Type), cmp.Compare(a.ID, b.ID)) }) {
		v, err := s.Read(ctx, k)
		check(err)
		state := "there"
		if v.Deleted() {
			state = "deleted"
		}
		line("current", fmt.Sprintf("%s/%d", k, v.Number), state)
	}
	slices.Sort(drains)
	for _, id := range drains {
		entries, err := s.Entries(ctx, store.EntryQuery{Drain: id})
		check(err)
		for _, e := range entries {
			measured := "-"
			if e.Measured.Known {
				measured = e.Measured.Volume.Key()
			}
			line("entry", e.Drain, e.At, e.ID, e.Version, e.Kind, e.Status, measured, e.Instilled.Key(), e.Appearance, e.Suction, e.DoneBy)
		}
	}
	for _, id := range drains {
		// A finding is a concern of one rule, by whose name it goes.
		concerns, err := s.Concerns(ctx, id, time.Time{})
		check(err)
		for _, c := range concerns {
			if len(c.Evidence) != 1 || c.Evidence[0].Rule != c.Kind || c.Evidence[0].Severity != c.Severity {
				t.Errorf("evidence %+v", c)
				continue
			}
			e := c.Evidence[0]
			line("finding", c.Drain, e.Rule, c.ID, c.Version, c.Severity, c.Since, c.Until, c.Withdrawn, c.Acknowledged.At, strings.Join(e.Readings, " "), e.Text)
		}
	}
	for cursor := ""; ; {
		records, next, err := s.AuditRecords(ctx, store.AuditQuery{Count: 100, Cursor: cursor})
		check(err)
		for _, r := range records {
			line("audit", r.ID, r.At, r.Action, r.Interaction, r.Outcome, r.Agent, r.Client, r.Address, r.Entity, r.Query, r.Patient, r.Detail, r.Request)
		}
		if cursor = next; next == "" {
			return b.String()
		}
	}
}

// holds checks that the store is sound and has what the old file had.
func holds(t *testing.T, s *Store) {
	t.Helper()
	if diff := gocmp.Diff(strings.Split(oldListing(t), "\n"), strings.Split(listing(t, s), "\n")); diff != "" {
		t.Fatalf("the old file has changed (- as it was, + as it is):\n%s", diff)
	}
	inspect(t, s, nil)
	if err := s.read(context.Background(), "check", intact); err != nil {
		t.Fatal(err, fault.Of(err).Cause)
	}
}

// TestOldFile opens and restores a file of the first schema: every resource,
// version, entry, finding and audit record is there, and it takes new ones.
func TestOldFile(t *testing.T) {
	o := options(t)
	oldFile(t, o.Dir)
	backup := filepath.Join(o.Dir, fileName)
	restored := options(t)
	if err := Restore(context.Background(), backup, restored.Dir); err != nil {
		t.Fatal(err, fault.Of(err).Cause)
	}
	for _, o := range []Options{o, restored} {
		s := openIn(t, o, nil)
		holds(t, s.Store)
		again := s.Reopen(t).(*opened)
		holds(t, again.Store)
		before, err := again.LastSeq(context.Background())
		if err != nil {
			t.Fatal(err)
		}
		r := commit(t, again.Store, patient(t, "p-01-1", "new"))
		if r[0].Version.Seq != before+1 || r[0].Version.Number != 2 {
			t.Errorf("the first change is version %d at %d of the feed, after %d", r[0].Version.Number, r[0].Version.Seq, before)
		}
	}
}

// later are steps that a later program might have: one with many statements, one with work
// of its own that fills the log while it lasts, and one more.
func later(middle func()) []step {
	return []step{
		{statements: "CREATE TABLE later (seq INTEGER PRIMARY KEY, n INTEGER NOT NULL) STRICT; INSERT INTO later SELECT seq, length(body) FROM version WHERE body IS NOT NULL;"},
		{statements: "PRAGMA cache_size = 5; CREATE TABLE again (seq INTEGER PRIMARY KEY, body BLOB) STRICT;", more: func(w *writer) error {
			if err := w.c.exec("INSERT INTO again SELECT seq, body FROM version"); err != nil {
				return err
			}
			middle()
			return w.c.exec("UPDATE later SET n = n + 1")
		}},
		{statements: "DROP TABLE again;"},
	}
}

// withSteps lets this process be a later program.
func withSteps(t *testing.T, more []step) {
	was := steps
	steps = append(append([]step(nil), was...), more...)
	t.Cleanup(func() { steps = was })
}

func upgraded(t *testing.T, s *Store, want int) {
	t.Helper()
	err := s.read(context.Background(), "check", func(c *conn) error {
		version, err := checkSchema(c)
		if err != nil || version != want {
			return fmt.Errorf("schema %d, want %d (%v)", version, want, err)
		}
		n, err := c.number("SELECT count(*) FROM later l JOIN version v USING (seq) WHERE l.n = length(v.body) + 1")
		if err != nil || n < 100 {
			return fmt.Errorf("the steps have made %d rows (%v)", n, err)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err, fault.Of(err).Cause)
	}
}

// TestUpgrade: a later program opens the old file, and this one refuses what
// that one has left, as a data directory and as a backup.
func TestUpgrade(t *testing.T) {
	o := options(t)
	oldFile(t, o.Dir)
	var said strings.Builder
	o.Logger = slog.New(slog.NewTextHandler(&said, nil))
	was := steps
	withSteps(t, later(func() {}))
	s := openIn(t, o, nil)
	holds(t, s.Store)
	upgraded(t, s.Store, len(steps))
	if n := strings.Count(said.String(), "newer schema"); n != len(steps)-1 {
		t.Errorf("%d steps were announced:\n%s", n, said.String())
	}
	backup := filepath.Join(t.TempDir(), "backup")
	if err := s.Backup(context.Background(), backup); err != nil {
		t.Fatal(err, fault.Of(err).Cause)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	steps = was
	_, err := Open(context.Background(), o)
	if !fault.Is(err, fault.Unavailable) || !strings.Contains(err.Error(), "newer Tidemark") || strings.Contains(err.Error(), "\n") {
		t.Errorf("an older program opens it: %v", err)
	}
	into := filepath.Join(t.TempDir(), "new")
	err = Restore(context.Background(), backup, into)
	if !fault.Is(err, fault.Unavailable) || !strings.Contains(err.Error(), "newer Tidemark") || strings.Contains(err.Error(), "\n") {
		t.Errorf("an older program restores it: %v", err)
	}
	if _, err := os.Stat(into); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("a directory was made for a backup that is refused: %v", err)
	}
}

// TestFailedUpgrade: a step that fails leaves the file as the step before has
// made it, whatever it has done before it failed.
func TestFailedUpgrade(t *testing.T) {
	o := options(t)
	oldFile(t, o.Dir)
	present := steps
	withSteps(t, nil) // puts them back in the end
	for name, bad := range map[string]step{
		"statements": {statements: "UPDATE version SET body = NULL; DELETE FROM no_such_table;"},
		"work": {statements: "DELETE FROM audit;", more: func(w *writer) error {
			return errors.Join(w.c.exec("DELETE FROM version"), errors.New("defect"))
		}},
	} {
		t.Run(name, func(t *testing.T) {
			steps = append(append([]step(nil), present...), bad)
			if s, err := Open(context.Background(), o); err == nil {
				_ = s.Close()
				t.Error("opened")
			}
			steps = present
			s := openIn(t, o, nil)
			holds(t, s.Store)
		})
	}
}

// TestStepsLeaveTransactionsAlone: a step that ended its transaction would be
// half taken when the process dies.
func TestStepsLeaveTransactionsAlone(t *testing.T) {
	for i, s := range steps {
		for _, word := range []string{"BEGIN", "COMMIT", "ROLLBACK", "END;", "VACUUM"} {
			if strings.Contains(strings.ToUpper(s.statements), word) {
				t.Errorf("the step to schema %d says %s", i+1, word)
			}
		}
	}
}

// TestKilledUpgrade kills a process in the middle of a step. What it leaves
// is the file as it was before the step, and the next program takes it.
func TestKilledUpgrade(t *testing.T) {
	if dir := os.Getenv("TIDEMARK_TEST_UPGRADE"); dir != "" {
		steps = append(steps, later(func() { fmt.Println("in the middle"); select {} })...)
		_, err := Open(context.Background(), Options{Dir: dir, Extract: storetest.Extract, Clock: time.Now, Logger: slog.New(slog.DiscardHandler)})
		t.Fatal("not stopped", err)
	}
	o := options(t)
	oldFile(t, o.Dir)
	for range 2 {
		child := exec.Command(os.Args[0], "-test.run=^TestKilledUpgrade$")
		child.Env = append(os.Environ(), "TIDEMARK_TEST_UPGRADE="+o.Dir)
		out, err := child.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := child.Start(); err != nil {
			t.Fatal(err)
		}
		lines := bufio.NewScanner(out)
		for lines.Scan() && lines.Text() != "in the middle" {
		}
		if err := child.Process.Kill(); err != nil {
			t.Fatal(err)
		}
		if lines.Text() != "in the middle" {
			t.Fatalf("the child has not come to the middle: %s", lines.Text())
		}
		_ = child.Wait() // killed
		if log, err := os.Stat(filepath.Join(o.Dir, logName)); err != nil || log.Size() < 100000 {
			t.Fatalf("the step had not written yet: %v", err)
		}
	}
	withSteps(t, later(func() {}))
	s := openIn(t, o, nil)
	holds(t, s.Store)
	upgraded(t, s.Store, len(steps))
}

// TestUpgradeOnFailingDisk lets everything fail from some call on while the
// steps are taken, and then cuts the power.
func TestUpgradeOnFailingDisk(t *testing.T) {
	withSteps(t, later(func() {}))
	failures := 0
	for after := 1; ; after += 1 + after/3 {
		o := options(t)
		oldFile(t, o.Dir)
		d := disk.New(t, o.Dir, uint64(after))
		n := 0
		d.Fail(func(c disk.Call, _ string) disk.Answer {
			if c == disk.Write || c == disk.Sync {
				n++
			}
			if n >= after {
				return disk.EIO
			}
			return disk.OK
		})
		s, err := Open(context.Background(), o)
		if err == nil {
			d.Fail(nil)
			holds(t, s)
			upgraded(t, s, len(steps))
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
			break
		}
		failures++
		if !fault.Is(err, fault.Unavailable) {
			t.Fatalf("after %d calls: %v (%v)", after, err, fault.Of(err).Cause)
		}
		left := options(t)
		d.PowerCut(t, left.Dir)
		d.Fail(nil)
		for _, o := range []Options{left, o} {
			s := openIn(t, o, nil)
			holds(t, s.Store)
			upgraded(t, s.Store, len(steps))
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
		}
	}
	if failures < 5 {
		t.Errorf("the disk has failed %d times", failures)
	}
	t.Logf("%d failures", failures)
}
