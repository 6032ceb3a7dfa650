package mongo

import (
	"context"
	"errors"
	"fmt"
	"io"
	"testing"

	"go.mongodb.org/mongo-driver/v2/mongo"
	"go.mongodb.org/mongo-driver/v2/x/mongo/driver/topology"

	"tidemark/internal/fault"
)

func TestWrap(t *testing.T) {
	ended, cancel := context.WithCancel(context.Background())
	cancel()
	command := func(code int32, labels ...string) error {
		return fmt.Errorf("x: %w", mongo.CommandError{Code: code, Message: "m", Labels: labels})
	}
	for name, c := range map[string]struct {
		err  error
		want fault.Kind
	}{
		"ours":             {fault.New(fault.Gone, "deleted", "x"), fault.Gone},
		"no primary":       {command(10107), fault.Unavailable},
		"stepping down":    {command(189), fault.Unavailable},
		"denied":           {command(13), fault.Unavailable},
		"too long":         {command(50), fault.Unavailable},
		"full":             {command(14031), fault.Unavailable},
		"network":          {command(0, "NetworkError"), fault.Unavailable},
		"none found":       {topology.ServerSelectionError{Wrapped: io.EOF}, fault.Unavailable},
		"broken":           {topology.ConnectionError{Wrapped: io.EOF}, fault.Unavailable},
		"disconnected":     {mongo.ErrClientDisconnected, fault.Unavailable},
		"our own deadline": {context.DeadlineExceeded, fault.Unavailable},
		"too large":        {command(10334), fault.TooLarge},
		"a defect":         {command(2), fault.Internal},
		"anything":         {io.EOF, fault.Internal},
	} {
		err := wrap(context.Background(), c.err, "test")
		var f *fault.Error
		if !errors.As(err, &f) || f.Kind != c.want {
			t.Errorf("%s: got %v, want kind %d", name, err, c.want)
			continue
		}
		if c.want == fault.Unavailable && (f.Issues[0].Code != "transient" || name != "disconnected" && f.RetryAfter == 0) {
			t.Errorf("%s: %+v", name, f)
		}
		if c.want != fault.Gone && name != "ours" {
			if got := wrap(ended, c.err, "test"); got != context.Canceled {
				t.Errorf("%s after the caller went: %v", name, got)
			}
		}
	}
	if wrap(ended, nil, "test") != nil {
		t.Error("no error became one")
	}
}

func TestDuplicates(t *testing.T) {
	clash := mongo.WriteException{WriteErrors: mongo.WriteErrors{{Index: 0, Code: 11000}}}
	many := mongo.BulkWriteException{WriteErrors: []mongo.BulkWriteError{{WriteError: mongo.WriteError{Index: 3, Code: 11000}}}}
	mixed := mongo.BulkWriteException{WriteErrors: []mongo.BulkWriteError{{WriteError: mongo.WriteError{Index: 3, Code: 11000}}, {WriteError: mongo.WriteError{Index: 4, Code: 121}}}}
	notKept := mongo.WriteException{WriteErrors: clash.WriteErrors, WriteConcernError: &mongo.WriteConcernError{Code: 64}}
	for _, c := range []struct {
		err   error
		place int
		ok    bool
	}{{clash, 0, true}, {fmt.Errorf("x: %w", many), 3, true}, {mixed, 0, false}, {notKept, 0, false}, {io.EOF, 0, false}, {nil, 0, false}} {
		places, ok := duplicates(c.err)
		if ok != c.ok || ok && places[0] != c.place {
			t.Errorf("%v: %v %v", c.err, places, ok)
		}
	}
}

// TestRefused: only what surely wrote nothing may be given back.
func TestRefused(t *testing.T) {
	for _, c := range []struct {
		err  error
		want bool
	}{
		{topology.ServerSelectionError{Wrapped: io.EOF}, true},
		{mongo.ErrClientDisconnected, true},
		{mongo.CommandError{Code: 13}, true},
		{mongo.CommandError{Code: 10334}, true},
		{mongo.CommandError{Code: 189}, false}, // stepping down: it may have been done
		{mongo.CommandError{Code: 50}, false},
		{mongo.CommandError{Code: 0, Labels: []string{"NetworkError"}}, false},
		{mongo.WriteException{WriteConcernError: &mongo.WriteConcernError{Code: 64}}, false},
		{context.DeadlineExceeded, false},
		{io.EOF, false},
	} {
		if got := refused(c.err); got != c.want {
			t.Errorf("%v: %v", c.err, got)
		}
	}
}
