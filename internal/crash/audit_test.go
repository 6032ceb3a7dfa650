package crash

import (
	"fmt"
	"sync"
	"testing"
	"time"
)

// TestAuditAfterKill: of the reads that were answered before a kill -9, at most
// those are without an AuditEvent whose records waited (--audit-queue) or were being
// written, 512 at a time. Reads wait for no disk, so that some may be missing.
func TestAuditAfterKill(t *testing.T) {
	embeddedOnly(t)
	const queue, group, readers = 64, 512, 8
	dir := t.TempDir()
	tok := token(t, dir)
	run := func() *process {
		p := start(t, binary, serveArgs(dir, "--audit-queue", fmt.Sprint(queue))...)
		if p.base == "" {
			t.Fatal(p.said())
		}
		return p
	}
	p := run()
	c := dial(p.base, tok)
	c.must(t, 201, "PUT", "/Patient/audited", obj{"resourceType": "Patient", "id": "audited"})
	answered, lost, most := 0, 0, 0
	for round := range 5 {
		began := time.Now().UTC().Add(-time.Second)
		var mu sync.Mutex
		var ids []string
		var wg sync.WaitGroup
		for i := range readers {
			wg.Go(func() {
				c := dial(p.base, tok)
				defer c.http.CloseIdleConnections()
				for n := 0; ; n++ {
					id := fmt.Sprintf("r%d-%d-%d", round, i, n)
					a, err := c.do("GET", "/Patient/audited", nil, "X-Request-Id", id)
					if err != nil || a.status >= 500 && p.over() {
						return
					}
					if a.status == 200 {
						mu.Lock()
						ids = append(ids, id)
						mu.Unlock()
					}
				}
			})
		}
		// More reads than may be lost, however slow the machine is, and a little more.
		for deadline := time.Now().Add(time.Minute); time.Now().Before(deadline); time.Sleep(10 * time.Millisecond) {
			mu.Lock()
			n := len(ids)
			mu.Unlock()
			if n > queue+group+100 {
				break
			}
		}
		time.Sleep(time.Duration(round) * 37 * time.Millisecond)
		p.kill()
		wg.Wait()
		p = run()
		c = dial(p.base, tok)
		there := map[string]bool{}
		c.all(t, "/AuditEvent?action=R&_count=1000&date=ge"+began.Format(time.RFC3339), func(b bundle) {
			for _, x := range b.Entry {
				for _, e := range x.Resource.Entity {
					there[e.What.Identifier.Value] = true
				}
			}
		})
		missing := 0
		for _, id := range ids {
			if !there[id] {
				missing++
			}
		}
		if len(ids) <= queue+group {
			t.Fatalf("%d reads were answered, too few to tell", len(ids))
		}
		if missing > queue+group {
			t.Errorf("%d of %d answered reads have no AuditEvent, more than the %d that may wait or be written", missing, len(ids), queue+group)
		}
		answered, lost, most = answered+len(ids), lost+missing, max(most, missing)
	}
	t.Logf("%d reads were answered before 5 kills, %d of them have no AuditEvent, at most %d after one kill", answered, lost, most)
}
