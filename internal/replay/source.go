package replay

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"iter"
	"runtime"
	"slices"
	"strings"
	"sync"
	"time"

	"tidemark/fhirmap"
	"tidemark/internal/bulk"
	"tidemark/internal/drain"
	"tidemark/internal/fhirdate"
	"tidemark/internal/fhirjson"
	"tidemark/internal/store"
)

// Times says which time of an Observation is that of its charting.
type Times string

// Times of charting.
const (
	// Recorded is meta.lastUpdated of each version; of a file that holds the last
	// versions only, that of a first version, else issued.
	Recorded Times = "recorded"
	// Issued is Observation.issued, for a store that was filled from elsewhere all at
	// once. Without it, an entry counts as charted at its own time.
	Issued Times = "issued"
)

// Raw is a resource as it was written, or deleted.
type Raw struct {
	At   time.Time
	Key  store.Key
	JSON []byte // nil: deleted
	// Line is the number of a line of an NDJSON file: JSON is that line, whatever it
	// is, and At and Key are in it.
	Line int
}

// read is how many resources are decoded at once.
const read = 2048

// Decode reads what is known of drains from resources, in their order.
func Decode(raws iter.Seq2[Raw, error], zone *time.Location) iter.Seq2[Change, error] {
	reader := fhirmap.Reader{Zone: zone}
	return func(yield func(Change, error) bool) {
		var page []Raw
		changes, errs := make([]Change, read), make([]error, read)
		flush := func() bool {
			var wg sync.WaitGroup
			n := runtime.GOMAXPROCS(0)
			for w := range n {
				wg.Go(func() {
					for i := w; i < len(page); i += n {
						changes[i], errs[i] = decode(reader, page[i])
					}
				})
			}
			wg.Wait()
			for i := range page {
				if (errs[i] != nil || changes[i].Key.Type != "") && !yield(changes[i], errs[i]) {
					return false
				}
			}
			page = page[:0]
			return true
		}
		for r, err := range raws {
			if err != nil {
				yield(Change{}, err)
				return
			}
			if !wanted(r) {
				continue
			}
			if page = append(page, r); len(page) == read && !flush() {
				return
			}
		}
		flush()
	}
}

// wanted passes over what says nothing of a drain, without reading it: half of what a
// ward charts. Of a concern that was announced, only its acknowledgement is replayed.
func wanted(r Raw) bool {
	switch r.Key.Type {
	case "":
		return bytes.Contains(r.JSON, []byte("Device")) || !bytes.Contains(r.JSON, []byte(`"Observation"`))
	case "Observation":
		return r.JSON == nil || bytes.Contains(r.JSON, []byte(`"Device/`))
	case "DetectedIssue":
		return bytes.Contains(r.JSON, []byte(`"mitigation"`))
	case "Device", "DeviceUseStatement", "Encounter", "Location":
		return true
	}
	return false
}

// decode gives a zero Change for what the rules have no use for.
func decode(reader fhirmap.Reader, r Raw) (Change, error) {
	if r.JSON == nil {
		return Change{At: r.At, Key: r.Key}, nil
	}
	n, err := fhirjson.Parse(r.JSON)
	if err != nil {
		return Change{}, r.wrong(err)
	}
	if r.Line > 0 {
		if n, err = r.line(n); err != nil {
			return Change{}, r.wrong(err)
		}
		if n == nil {
			return Change{At: r.At, Key: r.Key}, nil
		}
	}
	f, _ := reader.Decode(n)
	if f == (store.Facts{}) {
		return Change{}, nil
	}
	if f.Concern != nil && f.Concern.Acknowledged.At.IsZero() {
		return Change{}, nil
	}
	c := Change{At: r.At, Key: r.Key, Facts: f}
	c.Issued, _ = fhirdate.Instant(n.Str("issued"))
	return c, nil
}

func (r Raw) wrong(err error) error {
	if r.Line > 0 {
		return fmt.Errorf("line %d: %w", r.Line, err)
	}
	return fmt.Errorf("%s: %w", r.Key, err)
}

// line reads time and key of a line, a resource or a version of one, and gives the
// resource, nil where it was deleted.
func (r *Raw) line(n *fhirjson.Node) (*fhirjson.Node, error) {
	if n.Str("resourceType") != "" {
		r.Key = store.Key{Type: n.Str("resourceType"), ID: n.Str("id")}
		// When a later version was written says nothing of when the first was.
		meta := n.Get("meta")
		if v := meta.Str("versionId"); v == "1" || v == "" {
			r.At, _ = fhirdate.Instant(meta.Str("lastUpdated"))
		}
		return n, nil
	}
	typ, id, ok := strings.Cut(n.Get("request").Str("url"), "/")
	at, err := fhirdate.Instant(n.Get("response").Str("lastModified"))
	if !ok || err != nil {
		return nil, errors.New("neither a resource nor a version from tidemark export --versions")
	}
	r.At, r.Key = at, store.Key{Type: typ, ID: id}
	if res := n.Get("resource"); res.Str("resourceType") != "" {
		return res, nil
	}
	return nil, nil
}

// FromStore gives every version that a store holds, in the order in which they were
// written.
func FromStore(ctx context.Context, s store.Store) iter.Seq2[Raw, error] {
	return func(yield func(Raw, error) bool) {
		for after := int64(0); ; {
			page, err := s.Changes(ctx, after, read)
			if err != nil {
				yield(Raw{}, err)
				return
			}
			if len(page) == 0 {
				return
			}
			for _, v := range page {
				r := Raw{At: v.At, Key: v.Key}
				if !v.Deleted() && wanted(Raw{Key: v.Key, JSON: v.Body.JSON}) {
					r.JSON = v.JSON()
				} else if !v.Deleted() {
					continue
				}
				if !yield(r, nil) {
					return
				}
			}
			after = page[len(page)-1].Seq
		}
	}
}

// FromNDJSON gives the lines of a file: resources, or every version of them as from
// tidemark export --versions.
func FromNDJSON(in io.Reader) iter.Seq2[Raw, error] {
	return func(yield func(Raw, error) bool) {
		for lines := bulk.NewLines(in, 0, 0); ; {
			line, err := lines.Next()
			if errors.Is(err, io.EOF) {
				return
			}
			if err == nil && line.Long {
				err = fmt.Errorf("line %d: longer than a resource may be", line.Number)
			}
			if !yield(Raw{JSON: bytes.Clone(line.Text), Line: line.Number}, err) || err != nil {
				return
			}
		}
	}
}

// Order gives changes of files in the order in which they were charted. Of what
// only the last version is known, the time is what Times and the resource say: a
// Device, a stay and a place are known from the beginning, a placement since its
// start, and its end when it came.
func Order(changes iter.Seq2[Change, error], times Times) iter.Seq2[Change, error] {
	return func(yield func(Change, error) bool) {
		var all []Change
		for c, err := range changes {
			if err != nil {
				yield(Change{}, err)
				return
			}
			switch f := c.Facts; {
			case f.Placement != nil:
				begun := *f.Placement
				if begun.Counts() && !begun.End.IsZero() {
					begun.End, begun.Status = time.Time{}, drain.PlacementActive
					all = append(all, Change{At: begun.Start, Key: c.Key, Facts: store.Facts{Placement: &begun}})
					c.At = f.Placement.End
				} else {
					c.At = begun.Start
				}
			case f.Entry != nil:
				switch {
				case times == Recorded && !c.At.IsZero():
				case !c.Issued.Before(f.Entry.At):
					c.At = c.Issued
				default:
					c.At = f.Entry.At
				}
			case f.Concern != nil:
				c.At = f.Concern.Acknowledged.At
			case f.Drain != nil:
				// In use until its placement ends, whatever became of it since.
				d := *f.Drain
				d.Active, c.Facts.Drain = true, &d
				c.At = time.Time{}
			default:
				c.At = time.Time{}
			}
			all = append(all, c)
		}
		slices.SortStableFunc(all, func(a, b Change) int {
			return cmp.Or(a.At.Compare(b.At), cmp.Compare(rank(a), rank(b)))
		})
		for _, c := range all {
			if !yield(c, nil) {
				return
			}
		}
	}
}

// rank puts what is there before what is charted of it.
func rank(c Change) int {
	switch {
	case c.Facts.Entry != nil:
		return 2
	case c.Facts.Concern != nil, c.Facts.Placement != nil && !c.Facts.Placement.End.IsZero():
		return 3
	case c.Facts.Placement != nil:
		return 1
	}
	return 0
}
