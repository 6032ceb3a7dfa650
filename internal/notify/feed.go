package notify

import (
	"context"
	"slices"
	"sync"
	"time"

	"tidemark/internal/fault"
	"tidemark/internal/fhirjson"
	"tidemark/internal/search"
	"tidemark/internal/store"
)

// Bounds of the changes kept in memory. A subscription further behind reads the store
// itself.
const (
	feedItems = 2048
	feedBytes = 16 << 20
	feedPage  = 256
)

// change is one version of the feed, read at most once for all subscriptions.
type change struct {
	store.Version
	mu   sync.Mutex
	done bool
	node *fhirjson.Node // nil when there is nothing to evaluate
	doc  search.Doc
}

// feed is the only reader of the change feed. What it read last is shared.
type feed struct {
	store   Store
	extract search.ExtractOptions

	mu      sync.Mutex
	base    int64 // every settled change after base is in items
	last    int64
	items   []*change
	bytes   int
	changed chan struct{} // closed when items grow
}

func newFeed(s Store, extract search.ExtractOptions, after int64) *feed {
	return &feed{store: s, extract: extract, base: after, last: after, changed: make(chan struct{})}
}

// run follows the store until ctx ends; wake ends a pause. failed is called with
// errors, and with nil once reading succeeds again.
func (f *feed) run(ctx context.Context, wake <-chan struct{}, every time.Duration, failed func(error)) {
	for ctx.Err() == nil {
		f.mu.Lock()
		last := f.last
		f.mu.Unlock()
		versions, err := f.store.Changes(ctx, last, feedPage)
		failed(err)
		f.add(versions)
		if err == nil && len(versions) == feedPage {
			continue
		}
		t := time.NewTimer(every)
		select {
		case <-ctx.Done():
		case <-wake:
		case <-t.C:
		}
		t.Stop()
	}
}

func (f *feed) add(versions []store.Version) {
	if len(versions) == 0 {
		return
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	for _, v := range versions {
		f.items = append(f.items, &change{Version: v})
		f.bytes += len(v.Body.JSON)
		f.last = v.Seq
	}
	drop := 0
	for len(f.items)-drop > feedItems || f.bytes > feedBytes && len(f.items)-drop > 1 {
		f.bytes -= len(f.items[drop].Body.JSON)
		f.base = f.items[drop].Seq
		drop++
	}
	f.items = slices.Delete(f.items, 0, drop)
	close(f.changed)
	f.changed = make(chan struct{})
}

// more is closed once there is more than at the time of the call.
func (f *feed) more() <-chan struct{} {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.changed
}

// after returns some of the changes after seq, in order.
func (f *feed) after(ctx context.Context, seq int64) ([]*change, error) {
	f.mu.Lock()
	if seq >= f.base {
		i, _ := slices.BinarySearchFunc(f.items, seq+1, func(c *change, s int64) int { return int(c.Seq - s) })
		out := slices.Clone(f.items[i:min(i+feedPage, len(f.items))])
		f.mu.Unlock()
		return out, nil
	}
	f.mu.Unlock()
	versions, err := f.store.Changes(ctx, seq, feedPage)
	out := make([]*change, len(versions))
	for i, v := range versions {
		out[i] = &change{Version: v}
	}
	return out, err
}

// read returns what a change is evaluated on: the resource, or for a deletion the
// version before it; nil if there is none.
func (f *feed) read(ctx context.Context, c *change) (*fhirjson.Node, search.Doc, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.done {
		return c.node, c.doc, nil
	}
	v := c.Version
	if c.Deleted() {
		var err error
		v, err = f.store.ReadVersion(ctx, c.Key, c.Number-1)
		if fault.Is(err, fault.NotFound) || err == nil && v.Deleted() {
			c.done = true
			return nil, search.Doc{}, nil
		}
		if err != nil {
			return nil, search.Doc{}, err
		}
	}
	n, err := fhirjson.Parse(v.Body.JSON)
	if err != nil {
		return nil, search.Doc{}, err
	}
	c.node, c.doc, c.done = n, search.Extract(n, f.extract), true
	c.doc.LastUpdated = v.At
	return c.node, c.doc, nil
}
