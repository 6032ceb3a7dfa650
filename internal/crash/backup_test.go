package crash

import (
	"crypto/sha256"
	"database/sql"
	"encoding/json"
	"fmt"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"
)

// runProgram runs the program to its end.
func runProgram(t *testing.T, args ...string) *process {
	t.Helper()
	p, _ := begin(t, args[0], args[1:]...)
	select {
	case <-p.ended:
	case <-time.After(time.Minute):
		t.Fatalf("after a minute, %v has not ended:\n%s", args, p.said())
	}
	return p
}

// feed is the history of the whole system, oldest first: "Type/id/version"
// and what is known of it, with the resource to the byte.
func feed(t *testing.T, c *client) (keys []string, what map[string]string) {
	t.Helper()
	what = map[string]string{}
	for path := "/_history?_count=1000"; path != ""; {
		var b struct {
			Link  []struct{ Relation, URL string }
			Entry []struct {
				FullURL  string
				Request  struct{ Method string }
				Response struct{ ETag, LastModified string }
				Resource json.RawMessage
			}
		}
		c.must(t, 200, "GET", path, nil).decode(t, &b)
		for _, e := range b.Entry {
			key := fmt.Sprintf("%s/%d", strings.TrimPrefix(e.FullURL, c.base+"/"), versionOf(e.Response.ETag))
			keys = append(keys, key)
			what[key] = fmt.Sprintf("%s %s %x", e.Request.Method, e.Response.LastModified, sha256.Sum256(e.Resource))
		}
		path = ""
		for _, l := range b.Link {
			if l.Relation == "next" {
				path = l.URL
			}
		}
	}
	if len(what) != len(keys) {
		t.Fatalf("%d versions stand in the feed, of which only %d differ", len(keys), len(what))
	}
	for i, j := 0, len(keys)-1; i < j; i, j = i+1, j-1 {
		keys[i], keys[j] = keys[j], keys[i]
	}
	return keys, what
}

// changesAudited are the ids of the AuditEvents of all changes.
func changesAudited(t *testing.T, c *client) map[string]bool {
	t.Helper()
	ids := map[string]bool{}
	for _, action := range []string{"C", "U", "D"} {
		c.all(t, "/AuditEvent?action="+action+"&outcome=0&_count=1000", func(b bundle) {
			for _, e := range b.Entry {
				ids[e.Resource.ID] = true
			}
		})
	}
	return ids
}

// TestBackupUnderLoad takes backups while keepers post, correct and delete.
// Each is restored and served: it holds every version and AuditEvent that was
// acknowledged before it began, to the byte, nothing that never was, and the
// feed up to one moment without a gap.
func TestBackupUnderLoad(t *testing.T) {
	dir := t.TempDir()
	p := serve(t, dir)
	tok := token(t, dir)
	c := dial(p.base, tok)
	w := newWard(6, 10, time.Now())
	for _, k := range w.keepers {
		k.register(t, c)
	}
	stop := make(chan struct{})
	var wg sync.WaitGroup
	acked := 0
	wg.Go(func() { acked = w.work(t, p.base, tok, stop) })
	type copied struct {
		file    string
		before  map[string]string
		audited map[string]bool
	}
	var copies []copied
	for n := range 4 {
		b := copied{file: filepath.Join(t.TempDir(), "backup.db"), audited: changesAudited(t, c)}
		_, b.before = feed(t, c)
		if q := runProgram(t, binary, "backup", "--data", dir, b.file); q.code() != 0 {
			t.Fatalf("backup %d: exit code %d: %s", n, q.code(), q.said())
		}
		copies = append(copies, b)
	}
	close(stop)
	wg.Wait()
	keys, all := feed(t, c)
	w.verify(t, c, true)
	w.verifyFeed(t, c)
	sizes := []int{}
	for n, b := range copies {
		into := filepath.Join(t.TempDir(), "restored")
		if q := runProgram(t, binary, "restore", b.file, "--data", into); q.code() != 0 {
			t.Fatalf("restore %d: exit code %d: %s", n, q.code(), q.said())
		}
		q := serve(t, into)
		c := dial(q.base, token(t, into))
		for _, k := range w.keepers { // before anything is written to it
			c.must(t, 200, "GET", "/Device/"+k.drain()+"/$escalation-status", nil)
		}
		got, what := feed(t, c)
		// Behind the backup's versions may stand what the restored service
		// has found since, such as that a drain is overdue.
		size := versionsIn(t, b.file)
		if len(got) < size {
			t.Fatalf("backup %d has %d versions, restored %d", n, size, len(got))
		}
		got = got[:size]
		sizes = append(sizes, size)
		if len(got) < len(b.before) || len(got) > len(keys) {
			t.Fatalf("backup %d has %d versions: %d stood before it, %d in the end", n, len(got), len(b.before), len(keys))
		}
		for i, key := range got {
			if key != keys[i] || what[key] != all[key] {
				t.Fatalf("backup %d: place %d of its feed is %s %s, the service has %s %s", n, i, key, what[key], keys[i], all[keys[i]])
			}
		}
		for key, v := range b.before {
			if what[key] != v {
				t.Fatalf("backup %d: %s was acknowledged before it and is %q in it", n, key, what[key])
			}
		}
		audited := changesAudited(t, c)
		for id := range b.audited {
			if !audited[id] {
				t.Fatalf("backup %d lacks AuditEvent %s", n, id)
			}
		}
		// Each entry by itself, too, as it is now.
		newest := map[string]string{}
		for _, key := range got {
			if typ, rest, _ := strings.Cut(key, "/"); typ == "Observation" {
				id, version, _ := strings.Cut(rest, "/")
				newest[id] = version
			}
		}
		for id, version := range newest {
			a, err := c.do("GET", "/Observation/"+id, nil)
			if err != nil || a.status != 410 && (a.status != 200 || a.header.Get("ETag") != `W/"`+version+`"`) {
				t.Fatalf("backup %d: version %s of Observation/%s is read with %d %s %v", n, version, id, a.status, a.header.Get("ETag"), err)
			}
		}
		if code := q.terminate(t); code != 0 {
			t.Errorf("exit code %d", code)
		}
		checkFile(t, into)
	}
	if sizes[0] >= len(keys) || acked < 50 {
		t.Errorf("nobody wrote while the backups were made: %v of %d versions, %d changes", sizes, len(keys), acked)
	}
	t.Logf("%d changes; backups with %v of %d versions", acked, sizes, len(keys))
}

// versionsIn asks the engine how many versions a data file holds.
func versionsIn(t *testing.T, file string) (n int) {
	t.Helper()
	db, err := sql.Open("sqlite", (&url.URL{Scheme: "file", Path: file, RawQuery: "mode=ro"}).String())
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	if err := db.QueryRow("SELECT count(*) FROM version").Scan(&n); err != nil {
		t.Fatal(err)
	}
	return n
}

// TestRestoreRefuses what would harm: one line, exit code 2.
func TestRestoreRefuses(t *testing.T) {
	dir := t.TempDir()
	p := serve(t, dir)
	w := newWard(1, 11, time.Now())
	w.keepers[0].register(t, dial(p.base, token(t, dir)))
	file := filepath.Join(t.TempDir(), "backup.db")
	if q := runProgram(t, binary, "backup", "--data", dir, file); q.code() != 0 {
		t.Fatal(q.said())
	}
	runProgram(t, binary, "backup", "--data", dir, file).oneLine(t, "already exists", "give a new file")
	runProgram(t, binary, "backup", "--data", t.TempDir(), file+"2").oneLine(t, "no store", "give the data directory")
	runProgram(t, binary, "backup", "--data", dir, filepath.Join(t.TempDir(), "no", "such", "dir")).oneLine(t, "cannot be written")
	runProgram(t, binary, "restore", file, "--data", dir).oneLine(t, "not empty", "restore into a new one")
	runProgram(t, binary, "restore", file+"none", "--data", filepath.Join(t.TempDir(), "new")).oneLine(t, "no such file")
	good, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	changed := func(change func(b []byte) []byte) string {
		name := filepath.Join(t.TempDir(), "changed.db")
		if err := os.WriteFile(name, change(append([]byte(nil), good...)), 0o600); err != nil {
			t.Fatal(err)
		}
		return name
	}
	for what, words := range map[string]struct {
		change func(b []byte) []byte
		words  []string
	}{
		"a flipped bit": {func(b []byte) []byte { b[len(b)/2] ^= 1; return b }, []string{"damaged", "take another"}},
		"cut short":     {func(b []byte) []byte { return b[:len(b)*2/3] }, []string{"damaged", "take another"}},
		"empty":         {func(b []byte) []byte { return nil }, []string{"not a backup made by Tidemark"}},
		"another file":  {func(b []byte) []byte { return []byte(strings.Repeat("something else ", 1000)) }, []string{"damaged"}},
		// Bytes 60 to 63 are the schema version (SQLite file format, 1.3); the
		// seal is gone as well, as in a backup of an earlier program.
		"a newer schema": {func(b []byte) []byte { b[63]++; return b[:len(b)/4096*4096] }, []string{"newer Tidemark"}},
	} {
		t.Run(what, func(t *testing.T) {
			into := filepath.Join(t.TempDir(), "new")
			runProgram(t, binary, "restore", changed(words.change), "--data", into).oneLine(t, words.words...)
			if left, _ := os.ReadDir(into); len(left) > 0 {
				t.Errorf("%s was left behind", left[0].Name())
			}
		})
	}
}

// TestBackupOnFullDisk leaves nothing half.
func TestBackupOnFullDisk(t *testing.T) {
	dir, small := t.TempDir(), t.TempDir()
	p := serve(t, dir)
	c := dial(p.base, token(t, dir))
	k := newWard(1, 12, time.Now()).keepers[0]
	k.register(t, c)
	for range 50 {
		if err := k.act(c); err != nil {
			t.Fatal(err)
		}
	}
	args := inNamespace(t, `mount -t tmpfs -o size=256k tmpfs "$1" && cd "$1" && shift && { "$@"; code=$?; ls -A >&2; exit $code; }`,
		small, binary, "backup", "--data", dir, filepath.Join(small, "backup.db"))
	if _, err := exec.LookPath(args[0]); err != nil {
		t.Skip(err)
	}
	runProgram(t, args...).oneLine(t, "disk is full", "free space") // and no line of ls
	if err := k.act(c); err != nil {
		t.Errorf("the service after a backup that failed: %v", err)
	}
}
