package api

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"testing"

	"tidemark/internal/fault"
	"tidemark/internal/store"
)

// fullDisk takes audit records once it is freed.
type fullDisk struct {
	mu    sync.Mutex
	free  bool
	asked chan struct{} // once for each refusal, as far as there is room
	kept  []string
}

func (d *fullDisk) Audit(_ context.Context, records []store.AuditRecord) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if !d.free {
		select {
		case d.asked <- struct{}{}:
		default:
		}
		return fault.New(fault.Unavailable, "transient", "The disk is full.")
	}
	for _, r := range records {
		d.kept = append(d.kept, r.ID)
	}
	return nil
}

// TestAuditOfAFullDisk: while no record is taken, so many wait, and then what
// cannot be noted is refused, at once; nothing hangs, nothing panics at the end,
// and what is lost is said.
func TestAuditOfAFullDisk(t *testing.T) {
	for _, frees := range []bool{true, false} {
		disk := &fullDisk{asked: make(chan struct{}, 1)}
		lost := 0
		a := startAuditor(disk, 8, func(n int, _ error) { lost += n })
		noted := 0
		if err := a.add(store.AuditRecord{ID: "first"}); err != nil {
			t.Fatal(err)
		}
		noted++
		<-disk.asked
		for !a.away.Load() { // its refusal is taken in
			<-disk.asked
		}
		var refused error
		for i := 0; refused == nil; i++ {
			if i > 1000 {
				t.Fatal("without bounds")
			}
			if refused = a.add(store.AuditRecord{ID: fmt.Sprint(i)}); refused == nil {
				noted++
			}
		}
		if !fault.Is(refused, fault.Unavailable) || fault.Of(refused).RetryAfter == 0 || a.room() == nil {
			t.Errorf("refused with %v", refused)
		}
		if frees {
			disk.mu.Lock()
			disk.free = true
			disk.mu.Unlock()
		}
		var late sync.WaitGroup
		for range 20 { // requests that outlive the time to finish them
			late.Go(func() {
				if err := a.add(store.AuditRecord{ID: "late"}); err == nil {
					disk.mu.Lock()
					noted++
					disk.mu.Unlock()
				} else if !errors.As(err, new(*fault.Error)) {
					t.Error(err)
				}
			})
		}
		a.close()
		late.Wait()
		if err := a.add(store.AuditRecord{}); !fault.Is(err, fault.Unavailable) {
			t.Errorf("after the end: %v", err)
		}
		if len(disk.kept)+lost != noted || frees != (lost == 0) {
			t.Errorf("%d noted, %d kept, %d said to be lost", noted, len(disk.kept), lost)
		}
	}
}
