package bulk

import (
	"context"

	"tidemark/internal/fault"
	"tidemark/internal/store"
)

// feed scans the change feed: a version is the last of its resource at the
// horizon when the next one is not there, or lies beyond. It reads versions of
// other types too.
type feed struct {
	st interface {
		Changes(ctx context.Context, after int64, limit int) ([]store.Version, error)
		ReadVersion(ctx context.Context, key store.Key, number int64) (store.Version, error)
	}
}

// Scan is what a store's Scan has to give.
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
