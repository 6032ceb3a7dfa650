package mongotest

import (
	"testing"

	"tidemark/internal/store"
	"tidemark/internal/store/storetest"
)

// TestLinearizableWithFaults is the suite's test on three stores of one server
// that loses answers and goes away: what is in doubt may have been made or
// not, what was refused must not have been, and all the rest has one order.
func TestLinearizableWithFaults(t *testing.T) {
	srv := Start(t)
	stores := []store.Store{slow(t, srv), slow(t, srv), open(t, options(srv.URL("tidemark")+"?serverSelectionTimeoutMS=500"))}
	commands := []string{"insert version", "insert ledger", "find version", "update version"}
	storetest.Linearizable(t, stores, func(step int) {
		switch step % 5 {
		case 4:
			srv.Stop() // every connection breaks
			srv.Resume()
		default:
			srv.LoseAnswers(commands[step%5], 3)
		}
	})
}
