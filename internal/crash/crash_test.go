package crash

import (
	"database/sql"
	"math/rand/v2"
	"net/url"
	"os"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	_ "modernc.org/sqlite"
)

// TestKill kills the program at random moments, while keepers post, correct and
// delete, and now and then while it starts. After each start the ledgers must hold.
func TestKill(t *testing.T) {
	cycles := 20
	if testing.Short() {
		cycles = 5
	}
	if text := os.Getenv("TIDEMARK_CRASH_CYCLES"); text != "" {
		n, err := strconv.Atoi(text)
		if err != nil || n < 1 {
			t.Fatalf("TIDEMARK_CRASH_CYCLES=%q is not a number of kills", text)
		}
		cycles = n
	}
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d, %d kills", seed, cycles)
	r := rand.New(rand.NewPCG(seed, 0))
	dir := t.TempDir()
	reach := 400
	if shared != "" {
		reach = 2000
	}
	w := newWard(8, seed, time.Now())
	p := serve(t, dir)
	tok := token(t, dir)
	for _, k := range w.keepers {
		k.register(t, dial(p.base, tok))
	}
	acked, starts := 0, 0
	for cycle := range cycles {
		if cycle%5 == 4 {
			// While it starts, which is when it brings the log in.
			p.kill()
			q, _ := begin(t, binary, serveArgs(dir)...)
			time.Sleep(time.Duration(r.IntN(150)) * time.Millisecond)
			q.kill()
			starts++
			p = serve(t, dir)
		}
		if wait := time.Duration(20+r.IntN(reach)) * time.Millisecond; r.IntN(5) > 0 {
			w.later(p, wait, (*process).strike)
		} else {
			victim := p
			time.AfterFunc(wait, victim.strike)
		}
		acked += w.work(t, p.base, tok, p.ended)
		p.kill()
		if t.Failed() {
			return
		}
		if cycle%10 == 9 && shared == "" {
			checkFile(t, dir)
		}
		p = serve(t, dir)
		w.verify(t, dial(p.base, tok), false)
	}
	c := dial(p.base, tok)
	w.verify(t, c, true)
	versions := w.verifyFeed(t, c)
	if acked < cycles {
		t.Errorf("only %d changes were acknowledged in %d cycles: the test tried nothing", acked, cycles)
	}
	t.Logf("%d changes acknowledged, %d kills, %d of them also while starting; %d versions in the feed", acked, cycles+2*starts, starts, versions)
	if code := p.terminate(t); code != 0 {
		t.Errorf("exit code %d after SIGTERM", code)
	}
}

// checkFile lets the engine look for damage, in a copy, so that it is still the
// service that recovers the file.
func checkFile(t *testing.T, dir string) {
	t.Helper()
	copied := t.TempDir()
	for _, name := range []string{"tidemark.db", "tidemark.db-wal"} {
		b, err := os.ReadFile(filepath.Join(dir, name))
		if os.IsNotExist(err) && name != "tidemark.db" {
			continue // the log of a service that has ended by itself
		}
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(copied, name), b, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	db, err := sql.Open("sqlite", (&url.URL{Scheme: "file", Path: filepath.Join(copied, "tidemark.db")}).String())
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	var result string
	if err := db.QueryRow("PRAGMA integrity_check").Scan(&result); err != nil || result != "ok" {
		t.Fatalf("the data file after a kill: %s %v", result, err)
	}
	// What joins the tables: no version without its resource, no resource
	// whose current version is missing.
	for what, q := range map[string]string{
		"versions without a resource":        "SELECT count(*) FROM version v LEFT JOIN resource r USING (rid) WHERE r.rid IS NULL",
		"resources without their version":    "SELECT count(*) FROM resource r LEFT JOIN version v ON v.seq = r.seq AND v.rid = r.rid AND v.number = r.number WHERE v.seq IS NULL",
		"resources with a gap in versions":   "SELECT count(*) FROM (SELECT rid FROM version GROUP BY rid HAVING count(*) <> max(number) OR min(number) <> 1)",
		"entries without a living resource":  "SELECT count(*) FROM entry e LEFT JOIN resource r ON r.type = 'Observation' AND r.id = e.id WHERE r.rid IS NULL OR r.deleted <> 0 OR r.number <> e.version",
		"keys of what is deleted or unknown": "SELECT count(*) FROM key_idx k LEFT JOIN resource r USING (rid) WHERE r.rid IS NULL OR r.deleted <> 0",
	} {
		var n int
		if err := db.QueryRow(q).Scan(&n); err != nil {
			t.Fatalf("%s: %v", what, err)
		}
		if n != 0 {
			t.Fatalf("%d %s", n, what)
		}
	}
}

// TestTermination: SIGTERM under load ends the program with exit code 0, what
// was acknowledged is there, and what was not has not happened.
func TestTermination(t *testing.T) {
	dir := t.TempDir()
	w := newWard(8, 1, time.Now())
	p := serve(t, dir)
	tok := token(t, dir)
	for _, k := range w.keepers {
		k.register(t, dial(p.base, tok))
	}
	for range 3 {
		code := make(chan int, 1)
		w.later(p, 300*time.Millisecond, func(p *process) { code <- p.terminate(t) })
		acked := w.work(t, p.base, tok, p.ended)
		if c := <-code; c != 0 {
			t.Errorf("exit code %d after SIGTERM under load:\n%s", c, p.said())
		}
		if acked == 0 {
			t.Error("nothing was acknowledged before SIGTERM")
		}
		if t.Failed() {
			return
		}
		p = serve(t, dir)
		// Who got no answer has not been heard: a request that was taken up
		// is answered before the program ends.
		was := map[*entry]state{}
		for _, k := range w.keepers {
			for _, e := range k.entries {
				if e.next != nil {
					was[e] = e.is
				}
			}
		}
		w.verify(t, dial(p.base, tok), false)
		for e, is := range was {
			if e.is != is {
				t.Errorf("%s was changed from %+v to %+v without an answer", e.name, is, e.is)
			}
		}
	}
	w.verifyFeed(t, dial(p.base, tok))
}

// TestRetryAfterKill: a front end that repeats what it got no answer to, with
// If-None-Exist, has each entry once.
func TestRetryAfterKill(t *testing.T) {
	dir := t.TempDir()
	w := newWard(4, 2, time.Now())
	p := serve(t, dir)
	tok := token(t, dir)
	for _, k := range w.keepers {
		k.register(t, dial(p.base, tok))
	}
	doubts := 0
	for i := range 6 {
		w.later(p, time.Duration(60+40*i)*time.Millisecond, (*process).strike)
		w.work(t, p.base, tok, p.ended)
		p.kill()
		p = serve(t, dir)
		c := dial(p.base, tok)
		for _, k := range w.keepers {
			for _, e := range k.entries {
				if e.next == nil || e.id != "" {
					continue
				}
				doubts++
				a, err := c.do("POST", "/Observation", k.body(e, *e.next), "If-None-Exist", "identifier="+url.QueryEscape(ledgers+"|"+e.name))
				for err == nil && a.status == 503 { // the killed process may hold the identifier, for a lease
					time.Sleep(time.Second)
					a, err = c.do("POST", "/Observation", k.body(e, *e.next), "If-None-Exist", "identifier="+url.QueryEscape(ledgers+"|"+e.name))
				}
				if err != nil || a.status != 200 && a.status != 201 {
					t.Fatalf("the repeated POST of %s: %d %v %s", e.name, a.status, err, a.clip())
				}
				e.id, e.is, e.next = idOf(a.header.Get("Location")), *e.next, nil
				if e.id == "" {
					var r resource
					a.decode(t, &r)
					e.id = r.ID
				}
			}
		}
		w.verify(t, c, false)
	}
	if doubts == 0 {
		t.Log("no POST happened to be in doubt in this run")
	}
}
