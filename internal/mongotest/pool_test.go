package mongotest

import (
	"context"
	"testing"
	"time"

	"tidemark/internal/store"
)

// TestRenewalPassesWork: while all connections are taken by work that the server
// does not answer, a state is read and written, so that a lease can be renewed.
func TestRenewalPassesWork(t *testing.T) {
	srv := Start(t)
	s := open(t, options(srv.URL("pool")+"?maxPoolSize=1"))
	rev, err := s.SetState(t.Context(), "lease/x", []byte("1"), 0)
	if err != nil {
		t.Fatal(err)
	}
	reached, release := srv.Hold("insert version")
	work := make(chan error, 1)
	go func() {
		_, err := s.Commit(context.Background(), []store.Write{patient(t, "busy", "x")}, nil)
		work <- err
	}()
	<-reached
	ctx, cancel := context.WithTimeout(t.Context(), 2*time.Second)
	defer cancel()
	if rev, err = s.SetState(ctx, "lease/x", []byte("2"), rev); err != nil {
		t.Error("not renewed:", err)
	}
	if value, have, err := s.State(ctx, "lease/x"); err != nil || string(value) != "2" || have != rev {
		t.Errorf("%q at %d, %v", value, have, err)
	}
	if _, err := s.Read(ctx, store.Key{Type: "Patient", ID: "nobody"}); ctx.Err() == nil {
		t.Errorf("a read got a connection, so that nothing was shown: %v", err)
	}
	release()
	if err := <-work; err != nil {
		t.Error(err)
	}
}
