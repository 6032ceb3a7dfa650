package bulk

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"tidemark/fhirmap"
	"tidemark/internal/fault"
	"tidemark/internal/fhirdate"
	"tidemark/internal/fhirjson"
	"tidemark/internal/search"
	"tidemark/internal/store"
)

// The whole of a store, every version of it, is one NDJSON file. Each line is an
// entry of a FHIR history Bundle, in the order in which they were written:
//
//	{"resource":{…},"request":{"method":"PUT","url":"Patient/1"},"response":{"status":"200","etag":"W/\"2\"","lastModified":"…"}}

// HistoryLine writes a version as a line without its end.
func HistoryLine(v store.Version) []byte {
	status := "200"
	if v.Erased {
		status = erasedStatus
	}
	n := fhirjson.Obj(
		"request", fhirjson.Obj("method", string(v.Method), "url", v.Key.String()),
		"response", fhirjson.Obj("status", status, "etag", `W/"`+strconv.FormatInt(v.Number, 10)+`"`, "lastModified", fhirdate.Format(v.At)),
	)
	if v.Deleted() {
		return n.Bytes()
	}
	out := append([]byte(`{"resource":`), v.JSON()...)
	return append(append(out, ','), n.Bytes()[1:]...)
}

// erasedStatus is the status of a version whose content was erased.
const erasedStatus = "410"

// moved is a version as it was read from a line.
type moved struct {
	key    store.Key
	method store.Method
	number int64
	at     time.Time
	tree   *fhirjson.Node // nil for a deletion
}

func readMoved(line Line) (moved, error) {
	var m moved
	wrong := func(format string, args ...any) (moved, error) {
		return m, fault.New(fault.Invalid, "structure", "Line %d: %s.", line.Number, fmt.Sprintf(format, args...))
	}
	if line.Long {
		return wrong("longer than a resource may be")
	}
	n, err := fhirjson.Parse(line.Text)
	if err != nil {
		return wrong("%s", strings.TrimSuffix(err.Error(), "."))
	}
	request, response := n.Get("request"), n.Get("response")
	m.method = store.Method(request.Str("method"))
	m.key.Type, m.key.ID, _ = strings.Cut(request.Str("url"), "/")
	number, ok := strings.CutPrefix(response.Str("etag"), `W/"`)
	m.number, err = strconv.ParseInt(strings.TrimSuffix(number, `"`), 10, 64)
	if !ok || err != nil || m.number < 1 || m.key.Type == "" || !logicalID(m.key.ID) {
		return wrong("not an entry of a history: it needs request.url and response.etag")
	}
	if m.at, err = fhirdate.Instant(response.Str("lastModified")); err != nil {
		return wrong("response.lastModified %v", err)
	}
	if response.Str("status") == erasedStatus {
		return m, fault.New(fault.Invalid, "not-supported", "Line %d: the content of version %d of %s was erased, and a version without any cannot be made. Move the store by backup and restore, or its current resources without --versions.", line.Number, m.number, m.key)
	}
	m.at = m.at.UTC().Truncate(time.Millisecond)
	m.tree = n.Get("resource")
	switch m.method {
	case store.Delete:
		if m.tree != nil {
			return wrong("a deletion with a resource")
		}
	case store.Post, store.Put:
		if m.tree.Str("resourceType") != m.key.Type || m.tree.Str("id") != m.key.ID {
			return wrong("the resource is not the one that request.url names")
		}
	default:
		return wrong("method %q", m.method)
	}
	return m, nil
}

// same reports whether a stored version is the one that was read.
func (m moved) same(v store.Version) bool {
	if v.Key != m.key || v.Number != m.number || v.Method != m.method {
		return false
	}
	return m.tree == nil || string(fhirmap.Body(m.tree).JSON) == string(v.Body.JSON)
}

// Feed is the part of a store that a move reads.
type Feed interface {
	Changes(ctx context.Context, after int64, limit int) ([]store.Version, error)
}

// Committer is the part of a store that a move writes to.
type Committer interface {
	Feed
	Commit(ctx context.Context, writes []store.Write, audit []store.AuditRecord) ([]store.Result, error)
}

// Move brings every version of another store into an empty one, with their
// numbers. Their times are kept by a store that takes its time from Clock.
type Move struct {
	Store   Committer
	Extract search.ExtractOptions
	Settled func(offset int64, c Counts) error // after each step

	now    time.Time // of the versions that are being written
	counts Counts
	batch  []moved
	// Late counts the versions whose time the store did not keep.
	Late int
}

// Clock is the time that the store is to be opened with.
func (m *Move) Clock() time.Time { return m.now }

// moveBatch bounds the versions of one Commit, which share their time.
const moveBatch = 500

// Run moves what r holds. A store that already holds the beginning, of a move
// that was cut off, gets the rest; one that holds something else is refused.
func (m *Move) Run(ctx context.Context, r io.Reader) (Counts, error) {
	in := NewLines(r, 0, 0)
	check, err := newCheck(ctx, m.Store)
	if err != nil {
		return m.counts, err
	}
	for {
		line, err := in.Next()
		if errors.Is(err, io.EOF) {
			if check.left() {
				return m.counts, errOther
			}
			return m.counts, m.flush(ctx, in.offset)
		}
		if err != nil {
			return m.counts, err
		}
		v, err := readMoved(line)
		if err != nil {
			return m.counts, err
		}
		m.counts.Read++
		if check.left() {
			if err := check.next(ctx, v); err != nil {
				return m.counts, err
			}
			m.counts.Skipped++
			continue
		}
		if n := len(m.batch); n > 0 && (n >= moveBatch || !m.batch[0].at.Equal(v.at)) {
			if err := m.flush(ctx, line.End-int64(len(line.Text))); err != nil {
				return m.counts, err
			}
		}
		m.batch = append(m.batch, v)
	}
}

var errOther = fault.New(fault.Conflict, "conflict", "The store does not hold the beginning of this file; move into an empty store.")

// check walks what the store holds beside the file.
type check struct {
	feed  Feed
	page  []store.Version
	after int64
}

func newCheck(ctx context.Context, f Feed) (*check, error) {
	c := &check{feed: f}
	return c, c.fill(ctx)
}

func (c *check) fill(ctx context.Context) (err error) {
	c.page, err = c.feed.Changes(ctx, c.after, 500)
	return err
}

func (c *check) left() bool { return len(c.page) > 0 }

func (c *check) next(ctx context.Context, m moved) error {
	v := c.page[0]
	if !m.same(v) {
		return errOther
	}
	c.page, c.after = c.page[1:], v.Seq
	if len(c.page) == 0 {
		return c.fill(ctx)
	}
	return nil
}

func (m *Move) flush(ctx context.Context, offset int64) error {
	if len(m.batch) == 0 {
		return nil
	}
	m.now = m.batch[0].at
	writes := make([]store.Write, len(m.batch))
	for i, v := range m.batch {
		w := store.Write{Key: v.key, Method: v.method, Expect: store.Expect(v.number - 1)}
		if v.number == 1 {
			w.Expect = store.Absent
		}
		if v.tree != nil {
			w.Body, w.Doc = fhirmap.Body(v.tree), search.Extract(v.tree, m.Extract)
			w.Facts, _ = fhirmap.Reader{Zone: m.Extract.Zone, Base: m.Extract.Base}.Decode(v.tree)
			w.Claims = fhirmap.Claims(v.tree, w.Facts)
		}
		writes[i] = w
	}
	results, err := m.Store.Commit(ctx, writes, nil)
	if err != nil {
		return err
	}
	for i, r := range results {
		if r.Version.Number != m.batch[i].number {
			return fault.New(fault.Conflict, "conflict", "%s became version %d instead of %d; the file is incomplete.", m.batch[i].key, r.Version.Number, m.batch[i].number)
		}
		if !r.Version.At.Equal(m.batch[i].at) {
			m.Late++
		}
	}
	m.counts.Written += len(results)
	m.batch = m.batch[:0]
	if m.Settled == nil {
		return nil
	}
	return m.Settled(offset, m.counts)
}
