package bulk

import (
	"context"
	"time"

	"tidemark/internal/drain"
	"tidemark/internal/fault"
	"tidemark/internal/store"
)

// Store is the part of the store that exports read.
type Store interface {
	Read(ctx context.Context, key store.Key) (store.Version, error)
	ReadVersion(ctx context.Context, key store.Key, number int64) (store.Version, error)
	Changes(ctx context.Context, after int64, limit int) ([]store.Version, error)
	LastSeq(ctx context.Context) (int64, error)
	Placements(ctx context.Context, drainID string) ([]drain.Placement, error)
	Entries(ctx context.Context, q store.EntryQuery) ([]drain.Entry, error)
	Findings(ctx context.Context, drainID string, open bool) ([]drain.Finding, error)
	State(ctx context.Context, name string) (value []byte, rev int64, err error)
	SetState(ctx context.Context, name string, value []byte, rev int64) (int64, error)
	States(ctx context.Context, prefix string) ([]string, error)
}

// Scanner is a store that finds the versions of a horizon with a query of its
// own.
type Scanner interface {
	// Scan returns versions of the type with after < Seq ≤ upTo that were the
	// last of their resource when the feed stood at upTo, deletions among them,
	// in order of Seq, at most limit; none are the end. upTo is at most LastSeq.
	Scan(ctx context.Context, typ string, after, upTo int64, limit int) ([]store.Version, error)
}

// scanner gives the store's own Scan, or one over its change feed.
func scanner(st Store) Scanner {
	if s, ok := st.(Scanner); ok {
		return s
	}
	return feed{st}
}

// feed scans the change feed: a version is the last of its resource at the
// horizon when the next one is not there, or lies beyond. It reads versions of
// other types too.
type feed struct {
	st interface {
		Changes(ctx context.Context, after int64, limit int) ([]store.Version, error)
		ReadVersion(ctx context.Context, key store.Key, number int64) (store.Version, error)
	}
}

// Scan implements Scanner.
func (f feed) Scan(ctx context.Context, typ string, after, upTo int64, limit int) ([]store.Version, error) {
	var out []store.Version
	for len(out) == 0 && after < upTo {
		page, err := f.st.Changes(ctx, after, limit)
		if err != nil || len(page) == 0 {
			return nil, err
		}
		after = page[len(page)-1].Seq
		overtaken := map[store.Key]int64{} // newest Seq of a key on the page, within the horizon
		for _, v := range page {
			if v.Seq <= upTo {
				overtaken[v.Key] = v.Seq
			}
		}
		for _, v := range page {
			if v.Type != typ || overtaken[v.Key] != v.Seq {
				continue
			}
			next, err := f.st.ReadVersion(ctx, v.Key, v.Number+1)
			switch {
			case fault.Is(err, fault.NotFound):
			case err != nil:
				return nil, err
			case next.Seq <= upTo:
				continue
			}
			out = append(out, v)
		}
	}
	return out, nil
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
