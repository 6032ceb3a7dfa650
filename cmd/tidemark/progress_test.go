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
