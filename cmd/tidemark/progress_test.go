package main

import (
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

// Without a terminal there is a line every ten seconds while work is going on,
// and none after its end.
func TestProgressWithoutATerminal(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var out strings.Builder
		bar := progress(&env{err: &out}, 1000, "importing")
		for range 7 {
			time.Sleep(4500 * time.Millisecond) // never with a line
			_ = bar.Add(100)
			synctest.Wait()
		}
		_ = bar.Finish()
		time.Sleep(time.Minute)
		synctest.Wait()
		got := strings.Split(strings.TrimSpace(out.String()), "\n")
		if len(got) != 3 || !strings.HasPrefix(got[0], "importing: 20 %, 200 of 1000, ") || !strings.Contains(got[2], " 600 of 1000") {
			t.Errorf("%q", got)
		}
	})
}

// The same where nobody knows how many there will be.
func TestProgressWithoutATotal(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var out strings.Builder
		bar := progress(&env{err: &out}, -1, "replaying", counting()...)
		for n := range 3 {
			time.Sleep(4500 * time.Millisecond)
			_ = bar.Set(4096 * (n + 1))
			synctest.Wait()
		}
		_ = bar.Finish()
		synctest.Wait()
		if got := strings.TrimSpace(out.String()); !strings.HasPrefix(got, "replaying: 8192, ") {
			t.Errorf("%q", got)
		}
		time.Sleep(time.Minute)
	})
}
