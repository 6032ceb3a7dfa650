// Package engine owns what both engines of package store share: the checks before a
// write, page links, the order of a search, the merging of its sources, and the
// errors that callers get.
package engine

import (
	"bytes"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"net/url"
	"slices"
	"strings"
	"time"

	"tidemark/internal/fault"
	"tidemark/internal/store"
)

// CountHistory is how many versions are counted for HistoryPage.Total.
const CountHistory = 10000

// Closed is the answer after Close.
func Closed() error { return fault.New(fault.Unavailable, "transient", "The store is closed.") }

// Unavailable is the answer while the database or the disk is away.
func Unavailable(cause error, text string) error {
	f := fault.New(fault.Unavailable, "transient", "%s", text)
	f.RetryAfter = 5 * time.Second
	f.Cause = cause
	return f
}

// NotFound is the answer when a resource never existed.
func NotFound(k store.Key) error {
	return fault.New(fault.NotFound, "not-found", "%s does not exist.", k)
}

// Duplicate is the answer when another resource holds an identifier.
func Duplicate(typ string) error {
	return fault.At(fault.Conflict, "duplicate", typ+".identifier",
		"Another %s already has this identifier; send If-None-Exist to get that one, or correct the identifier.", typ)
}

// TooCostly is the answer when a sort without an index has too many candidates.
func TooCostly() error {
	return fault.New(fault.Invalid, "too-costly",
		"More than %d resources would have to be sorted; narrow the search, or sort by _id, _lastUpdated or the date of the type.", store.MaxSort)
}

// Living is the answer to an erasure of a version that is still current.
func Living(k store.Key) error {
	return fault.New(fault.Conflict, "conflict", "%s is current; delete it before its content is erased.", k)
}

// Spoken reports whether the search text of an audit record holds one of the
// words. The text is a URL's query, in which letters that are no ASCII are escaped.
func Spoken(text string, words []string) bool {
	text = strings.ToLower(text)
	return slices.ContainsFunc(words, func(w string) bool { return w != "" && strings.Contains(text, strings.ToLower(url.QueryEscape(w))) })
}

// BadCursor is the answer to a page link that is not one of the query.
func BadCursor() error {
	return fault.New(fault.Invalid, "value", "The page link does not belong to this search; follow the links of the response, or search again without it.")
}

// Current is what a write finds: the number of the current version, and whether
// that is a deletion.
type Current struct {
	Number  int64
	Deleted bool
}

// Expect checks Write.Expect against what is there, nil when nothing ever was.
func Expect(w *store.Write, cur *Current) error {
	deletion := w.Method == store.Delete
	switch e := w.Expect; {
	case e == store.Absent && cur != nil:
		return fault.New(fault.Conflict, "duplicate", "%s already exists; use another id, or update it.", w.Key)
	case e == store.Exists && cur == nil, e == store.Any && cur == nil && deletion, e == store.Absent && deletion:
		return NotFound(w.Key)
	case e == store.Exists && cur.Deleted:
		return fault.New(fault.Gone, "deleted", "%s was deleted.", w.Key)
	case e > 0 && cur == nil:
		return fault.New(fault.Precondition, "conflict", "%s does not exist, so it has no version %d.", w.Key, int64(e))
	case e > 0 && cur.Number != int64(e):
		return fault.New(fault.Precondition, "conflict", "%s is at version %d, not %d; read it again and repeat the change on that.", w.Key, cur.Number, int64(e))
	}
	return nil
}

// Digest identifies a query, so that a page link works only for its own query.
func Digest(parts ...any) []byte {
	b, _ := json.Marshal(parts) // plain values always marshal
	sum := sha256.Sum256(b)
	return sum[:8]
}

// Cursor is the opaque text of a place in the answer to a query.
func Cursor(sum []byte, place any) string {
	b, _ := json.Marshal(place)
	return base64.RawURLEncoding.EncodeToString(append(bytes.Clone(sum), b...))
}

// ReadCursor reads what Cursor wrote for the same query.
func ReadCursor(text string, sum []byte, place any) error {
	b, err := base64.RawURLEncoding.Strict().DecodeString(text)
	if err != nil || !bytes.HasPrefix(b, sum) || json.Unmarshal(b[len(sum):], place) != nil {
		return BadCursor()
	}
	return nil
}

// PageSize is a page size within the limits.
func PageSize(count int) int { return min(max(count, 1), store.MaxPage) }
