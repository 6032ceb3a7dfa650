package bulk

import (
	"context"
	"time"

	"tidemark/internal/drain"
	"tidemark/internal/store"
)

// Store is the part of the store that exports read.
type Store interface {
	Scanner
	Read(ctx context.Context, key store.Key) (store.Version, error)
	ReadVersion(ctx context.Context, key store.Key, number int64) (store.Version, error)
	Changes(ctx context.Context, after int64, limit int) ([]store.Version, error)
	LastSeq(ctx context.Context) (int64, error)
	Placements(ctx context.Context, drainID string) ([]drain.Placement, error)
	Entries(ctx context.Context, q store.EntryQuery) ([]drain.Entry, error)
	Concerns(ctx context.Context, drainID string, ended time.Time) ([]drain.Concern, error)
	Stays(ctx context.Context, patients ...string) ([]drain.Stay, error)
	Place(ctx context.Context, id string) (drain.Place, bool, error)
	State(ctx context.Context, name string) (value []byte, rev int64, err error)
	SetState(ctx context.Context, name string, value []byte, rev int64) (int64, error)
	States(ctx context.Context, prefix string) ([]string, error)
}

// Scanner finds the versions of a horizon.
type Scanner interface {
	// Scan returns versions of the type with after < Seq ≤ upTo that were the
	// last of their resource when the feed stood at upTo, deletions among them,
	// in order of Seq, at most limit; none are the end. upTo is at most LastSeq.
	Scan(ctx context.Context, typ string, after, upTo int64, limit int) ([]store.Version, error)
}

// seqAt finds the last place in the feed, up to end, that is not later than t.
// Times never fall along the feed, so it takes some twenty reads.
func seqAt(ctx context.Context, st Store, t time.Time, end int64) (int64, error) {
	lo, hi := int64(0), end // the answer lies in [lo, hi]
	for lo < hi {
		mid := hi - (hi-lo)/2
		vs, err := st.Changes(ctx, mid-1, 1)
		if err != nil {
			return 0, err
		}
		switch {
		case len(vs) == 0 || vs[0].Seq > hi:
			hi = mid - 1 // a gap up to the end
		case vs[0].At.After(t):
			hi = mid - 1
		default:
			lo = vs[0].Seq
		}
	}
	return lo, nil
}
