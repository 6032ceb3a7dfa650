package api

import (
	"errors"
	"io"
	"strings"
	"testing"

	"tidemark/internal/fault"
)

// TestBodiesShareRoom: large bodies share a limit over all requests, a small one
// always has room, and what is given back can be used again.
func TestBodiesShareRoom(t *testing.T) {
	b := newBodies()
	large := func() (*bodyReader, error) {
		r := b.reader(strings.NewReader(strings.Repeat("x", allBodies/2)), nil)
		_, err := io.Copy(io.Discard, r)
		return r, err
	}
	first, err := large()
	if err != nil {
		t.Fatal(err)
	}
	if _, err := large(); err != nil {
		t.Fatal(err)
	}
	third, err := large()
	var f *fault.Error
	if !errors.As(err, &f) || f.Kind != fault.Unavailable || f.RetryAfter == 0 {
		t.Fatalf("a third half of the room: %v", err)
	}
	if _, err := io.Copy(io.Discard, b.reader(strings.NewReader(strings.Repeat("x", smallBody)), nil)); err != nil {
		t.Errorf("a small body: %v", err)
	}
	third.release()
	first.release()
	first.release() // once is enough
	if _, err := large(); err != nil {
		t.Errorf("after a release: %v", err)
	}
}
