package mongo

import (
	"context"
	"slices"
	"sync"
	"time"

	"go.mongodb.org/mongo-driver/v2/bson"
	"golang.org/x/sync/errgroup"

	"tidemark/internal/store"
)

// lookers is how many drains are asked for at once: a limit a drain has no
// query that serves several.
const lookers = 8

// Latest implements store.Store.
func (s *Store) Latest(ctx context.Context, drains []string, to time.Time, most int) (map[string]store.Latest, error) {
	drains = slices.Compact(slices.Sorted(slices.Values(drains)))
	out := make(map[string]store.Latest, len(drains))
	for part := range slices.Chunk(drains, 500) {
		placed, err := chosen(ctx, s, choice{index: "of_drain", filter: bson.D{is("fact.kind", placementKind), in("fact.drain", part)}, order: oldestFirst,
			holds: func(f *fact) bool { return f.Kind == placementKind && slices.Contains(part, f.Drain) }}, (*fact).placement)
		if err != nil {
			return nil, err
		}
		for _, id := range part {
			out[id] = store.Latest{}
		}
		for _, p := range placed {
			l := out[p.Drain]
			l.Placements = append(l.Placements, p)
			out[p.Drain] = l
		}
	}
	var mu sync.Mutex
	g, ctx := errgroup.WithContext(ctx)
	g.SetLimit(lookers)
	for _, id := range drains {
		g.Go(func() error {
			entries, err := s.Entries(ctx, store.EntryQuery{Drain: id, To: to, Last: most})
			if err != nil {
				return err
			}
			mu.Lock()
			defer mu.Unlock()
			l := out[id]
			l.Entries = entries
			out[id] = l
			return nil
		})
	}
	if err := g.Wait(); err != nil {
		return nil, err
	}
	return out, nil
}
