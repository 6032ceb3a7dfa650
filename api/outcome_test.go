package api

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"strings"
	"testing"

	"tidemark/internal/fault"
)

// TestOutcomeOfInterruption: what a store says of a write outranks the end of
// the context that lies beneath it.
func TestOutcomeOfInterruption(t *testing.T) {
	away := func(text string, cause error) error {
		f := fault.New(fault.Unavailable, "transient", "%s", text)
		f.Cause = cause
		return f
	}
	for _, c := range []struct {
		err    error
		status int
		text   string
	}{
		{away("it is in doubt", context.DeadlineExceeded), http.StatusServiceUnavailable, "it is in doubt"},
		{fmt.Errorf("chart: %w", away("cannot be reached", fmt.Errorf("server selection: %w", context.DeadlineExceeded))), http.StatusServiceUnavailable, "cannot be reached"},
		{away("it is in doubt", context.Canceled), http.StatusServiceUnavailable, "it is in doubt"},
		{context.DeadlineExceeded, http.StatusServiceUnavailable, "did not finish in time"},
		{fault.Wrap(context.DeadlineExceeded, "search"), http.StatusServiceUnavailable, "did not finish in time"},
		{fault.Wrap(context.Canceled, "search"), statusCancelled, ""},
		{errors.New("a defect"), http.StatusInternalServerError, "request id r1"},
	} {
		if got := status(c.err); got != c.status {
			t.Errorf("%v: status %d, want %d", c.err, got, c.status)
		}
		if text := string(outcome(c.err, "r1").Bytes()); !strings.Contains(text, c.text) {
			t.Errorf("%v: %s does not say %q", c.err, text, c.text)
		}
	}
}
