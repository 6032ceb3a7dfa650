package mongo

import (
	"context"
	"errors"
	"slices"

	"go.mongodb.org/mongo-driver/v2/mongo"
	"go.mongodb.org/mongo-driver/v2/x/mongo/driver/topology"

	"tidemark/internal/fault"
	"tidemark/internal/store"
	"tidemark/internal/store/engine"
)

// Server error codes, from MongoDB's error_codes.yml.
var (
	// The member is no primary, or is stepping down or shutting down.
	codesNoPrimary = []int{91, 189, 10107, 11600, 11602, 13435, 13436, 133}
	codesTooLarge  = []int{10334, 17280, 17419, 17420}
	codesDenied    = []int{13, 18, 8000}
	codesTimeout   = []int{50, 262, 24, 89}
	codesFull      = []int{14031}
)

// wrap turns what the driver reports into the kinds of package store. Errors
// that already are one pass through. The context's error comes out when it
// ended first; our own time limits, which ctx does not know, are Unavailable.
func wrap(ctx context.Context, err error, doing string) error {
	if err == nil {
		return nil
	}
	var f *fault.Error
	if errors.As(err, &f) {
		return err
	}
	if end := ctx.Err(); end != nil {
		return end
	}
	if errors.Is(err, mongo.ErrClientDisconnected) {
		return engine.Closed()
	}
	code := func(codes []int) bool {
		var e mongo.ServerError
		return errors.As(err, &e) && slices.ContainsFunc(codes, e.HasErrorCode)
	}
	switch {
	case code(codesTooLarge):
		return fault.New(fault.TooLarge, "too-long", "The resource with its search index is too large for the database; at most %d bytes can be stored.", store.MaxResource)
	case code(codesDenied):
		return engine.Unavailable(err, "The database refuses the service's credentials; an administrator needs to set the right user and roles.")
	case code(codesFull):
		return engine.Unavailable(err, "The disk of the database is full; free space, then try again.")
	case code(codesNoPrimary):
		return engine.Unavailable(err, "The database is electing a primary; try again.")
	case away(err):
		return engine.Unavailable(err, "The database cannot be reached; try again.")
	case code(codesTimeout), mongo.IsTimeout(err), errors.Is(err, context.DeadlineExceeded), errors.Is(err, context.Canceled):
		return engine.Unavailable(err, "The database did not answer in time; try again.")
	}
	return fault.Wrap(err, doing)
}

// away reports whether no server fit for the operation was found, or the
// connection to it broke. The driver gives these types only in its packages
// below x, whose names may change with a new minor version.
func away(err error) bool {
	var selection topology.ServerSelectionError
	var connection topology.ConnectionError
	var pool topology.WaitQueueTimeoutError
	var cleared topology.PoolError
	return mongo.IsNetworkError(err) || errors.As(err, &selection) || errors.As(err, &connection) || errors.As(err, &pool) || errors.As(err, &cleared)
}

// refused reports whether a failed insert surely wrote nothing: it was not
// sent, or the server gave a reason that lies in the command.
func refused(err error) bool {
	var selection topology.ServerSelectionError
	if errors.As(err, &selection) || errors.Is(err, mongo.ErrClientDisconnected) {
		return true
	}
	var e mongo.CommandError
	if !errors.As(err, &e) || away(err) || mongo.IsTimeout(err) {
		return false
	}
	return e.Code != 0 && !slices.ContainsFunc(slices.Concat(codesNoPrimary, codesTimeout), e.HasErrorCode)
}

// inDoubt is the answer when a write was sent and no answer came.
func inDoubt(err error) error {
	return engine.Unavailable(err, "The database did not say whether the write was kept: it is in doubt. Read the resource, or try again with the same identifier.")
}

// duplicates gives the places of the documents of an insert that clashed with
// one that was there; ok is false when the insert failed for another reason too.
func duplicates(err error) (places []int, ok bool) {
	var many mongo.BulkWriteException
	var one mongo.WriteException
	switch {
	case errors.As(err, &many):
		for _, e := range many.WriteErrors {
			if e.Code != 11000 {
				return nil, false
			}
			places = append(places, e.Index)
		}
		return places, len(places) > 0 && many.WriteConcernError == nil
	case errors.As(err, &one):
		for _, e := range one.WriteErrors {
			if e.Code != 11000 {
				return nil, false
			}
			places = append(places, e.Index)
		}
		return places, len(places) > 0 && one.WriteConcernError == nil
	}
	return nil, false
}
