// Package store owns what the service promises about keeping resources: the
// interface that both engines implement, its types, limits and error kinds.
// It holds no driver; packages sqlite and mongo do. The suite in storetest is
// the definition of correct.
package store

import (
	"bytes"
	"context"
	"errors"
	"strconv"
	"time"

	"tidemark/internal/drain"
	"tidemark/internal/fault"
	"tidemark/internal/fhirdate"
	"tidemark/internal/search"
)

// Limits that both engines keep.
const (
	MaxResource = 8 << 20 // bytes of one resource; a MongoDB document ends at 16 MiB
	MaxPage     = 1000    // resources on a page
	// MaxPageBytes ends a page of a search or a history early, but never before its first resource.
	MaxPageBytes = 8 << 20
	MaxSort      = 20000 // candidates that a sort without an index may gather
)

// Key names a resource.
type Key struct{ Type, ID string }

// String is the relative reference.
func (k Key) String() string { return k.Type + "/" + k.ID }

// Body is a resource as stored: JSON without meta.versionId and
// meta.lastUpdated, which the store assigns, and the offset inside its meta
// object at which they belong. The rest is kept to the byte.
type Body struct {
	JSON []byte
	Meta int // offset just behind `"meta":{`
}

// Method is what made a version.
type Method string

// Methods, as in Bundle.entry.request.method.
const (
	Post   Method = "POST"
	Put    Method = "PUT"
	Delete Method = "DELETE"
)

// Version is one version of a resource.
type Version struct {
	Key
	Number int64     // meta.versionId, from 1, without gaps
	Seq    int64     // place in the change feed; unique and growing
	At     time.Time // meta.lastUpdated, in UTC with milliseconds; never falls as Seq grows
	Method Method
	Body   Body // empty when the version is a deletion
	Erased bool // its content was erased; it stands as a deletion
}

// Deleted reports whether the version is a deletion.
func (v Version) Deleted() bool { return v.Method == Delete }

// JSON is the resource with its version and time in meta.
func (v Version) JSON() []byte {
	b := v.Body
	out := make([]byte, 0, len(b.JSON)+80)
	out = append(out, b.JSON[:b.Meta]...)
	out = append(out, `"versionId":"`...)
	out = strconv.AppendInt(out, v.Number, 10)
	out = append(out, `","lastUpdated":"`...)
	out = append(out, fhirdate.Format(v.At)...)
	out = append(out, '"')
	if !bytes.HasPrefix(b.JSON[b.Meta:], []byte{'}'}) {
		out = append(out, ',')
	}
	return append(out, b.JSON[b.Meta:]...)
}

// Expect is the state that a write needs to find.
type Expect int64

// Expectations beside a positive version number, which is If-Match.
const (
	Any    Expect = 0  // whatever is there: create, replace or bring back
	Absent Expect = -1 // never existed; else Conflict
	Exists Expect = -2 // a current version that is not deleted; else NotFound or Gone
)

// Write is one change. Body is empty for a Delete. Deleting what is deleted
// already changes nothing and gives the deletion that stands.
type Write struct {
	Key    Key
	Method Method
	Expect Expect
	Body   Body
	Doc    search.Doc // what searches find; zero for a Delete
	Facts  Facts      // the typed projection; zero for a Delete
	// Unless is a condition that no resource may match when the write is made,
	// after the writes before it; otherwise ErrMatched. Two writers with the same
	// Unless create one resource between them.
	Unless *search.Query
	// Claims are identifiers ("system|value") that only one undeleted resource of the
	// type may hold; a clash is Conflict with code "duplicate".
	Claims []string
}

// Erasure lists what is erased for good.
type Erasure struct {
	Writes   []Write     // made before, in order: deletions of what is current, mostly
	Whole    []Key       // every version of these, which must be deleted by now
	Versions []VersionOf // single versions, none of them current
	Patients []string    // audit records about these and about Whole lose their search text
	Words    []string    // so do audit records that searched with one of these
	More     bool        // another call follows, which sees to what is left in the store\'s own files
}

// VersionOf names one version.
type VersionOf struct {
	Key
	Number int64
}

// ErrMatched is in the chain of the Precondition that refuses a write because
// its Unless now matches. The caller that planned the write has to search again.
var ErrMatched = errors.New("the condition of a write matches a resource by now")

// Matched makes that error.
func Matched(typ string) error {
	f := fault.New(fault.Precondition, "conflict", "A %s that matches the condition was written in the meantime; nothing was changed. Send the request again.", typ)
	f.Cause = ErrMatched
	return f
}

// Facts is the typed projection of a resource, kept in the same step, so that
// derived answers read no JSON. At most one field is set.
type Facts struct {
	Entry     *drain.Entry
	Drain     *drain.Drain
	Placement *drain.Placement
	Concern   *drain.Concern
	Stay      *drain.Stay
	Place     *drain.Place
	Walk      *drain.Walk
}

// Result is the outcome of one Write.
type Result struct {
	Version Version
	Created bool // no current version was there before (first version, or brought back)
}

// Page is one page of a search.
type Page struct {
	Matches []Version
	Next    string // cursor of the next page, "" on the last
	Prev    bool   // there is a page before this one
}

// HistoryQuery asks for versions, newest first.
type HistoryQuery struct {
	Type, ID string            // both empty: the system; ID empty: the type
	Since    time.Time         // At >= Since; zero: all
	Until    time.Time         // At <= Until; zero: all
	Within   [][]search.Clause // as in search.Query; a deletion is evaluated by the version before it
	Types    []string          // restricts a system history; nil: all
	Count    int
	Cursor   string
}

// HistoryPage is one page of versions.
type HistoryPage struct {
	Versions []Version
	Next     string
	Total    int // all versions that the query selects, over all pages; -1 when not counted, as with Within
}

// EntryQuery asks for charted entries, oldest first, ties by id. Exactly one
// of Drain and Patient is set.
type EntryQuery struct {
	Drain   string
	Patient string
	From    time.Time // zero: from the first
	To      time.Time // exclusive; zero: to the last
	Last    int       // when positive: only the last so many of the range
	First   int       // when positive: only the first so many; not together with Last
}

// DrainQuery asks for drains. Exactly one of Patient and Places is set, or
// neither: then for all active ones, in pages.
type DrainQuery struct {
	// Patient: of this patient, by Device.patient or a placement.
	Patient string
	// Places: all that may be at one of them, for drain.Where to decide: Device.location
	// is among them, or an open stay of the patient is there; and the Device is active
	// or its placement open.
	Places []string
	After  string // active ones with a greater id, at most Limit
	Limit  int
}

// Latest holds the last entries of a drain, and its placements.
type Latest struct {
	Placements []drain.Placement // by start, then id
	Entries    []drain.Entry     // oldest first
}

// AuditRecord is one access, kept apart from resources: there are more of
// them than of anything else, and they are written once and never changed.
type AuditRecord struct {
	ID          string
	At          time.Time
	Action      string // C R U D E
	Interaction string // restful-interaction code: create, read, search-type, operation, …
	Outcome     string // 0 4 8 12
	Agent       string // subject of the token, "" without a valid token
	Client      string
	Address     string // network address of the caller
	Entity      string // "Type/id" or "Type/id/_history/n", "" for searches
	Query       string // search text or operation, "" else
	Patient     string // logical id, "" when none or unknown
	Detail      string // why it was refused, in words without patient data
	Request     string // X-Request-Id
}

// AuditQuery selects audit records, newest first. Empty fields do not select.
// An Entity without a version selects the records of each of its versions too.
type AuditQuery struct {
	ID, Agent, Patient, Entity, Action, Interaction, Outcome string
	From, To                                                 time.Time // [From, To)
	Count                                                    int
	Cursor                                                   string
}

// Store keeps resources. All methods are safe for concurrent use; what they
// return may be kept and must not be changed. Errors are *fault.Error:
// NotFound, Gone, Conflict, Precondition, Invalid (a cursor that is not ours),
// TooLarge, Unavailable (the engine is away, full or read-only: nothing was
// written unless the text says "in doubt"), and the context's error when it ended first.
type Store interface {
	// Commit applies the writes in order, all or none, together with the audit
	// records, and returns when they are durable. A write sees the ones before
	// it. Results stand in the order of the writes.
	Commit(ctx context.Context, writes []Write, audit []AuditRecord) ([]Result, error)

	// Erase makes the writes of e and, in the same step, erases the content of the
	// versions that it names for good: body, index entries, projection, claims.
	// Numbers, times and places in the feed stay; the versions become deletions
	// that are Erased. It returns when the store's own files hold nothing of what
	// this call or earlier calls erased. An interrupted call may be repeated.
	Erase(ctx context.Context, e Erasure, audit []AuditRecord) ([]Result, error)

	// Read returns the current version, which may be a deletion. NotFound when
	// the key never existed.
	Read(ctx context.Context, key Key) (Version, error)
	// ReadVersion returns one version. NotFound when there is none.
	ReadVersion(ctx context.Context, key Key, number int64) (Version, error)
	// Search returns one page of current, undeleted resources, in the order of
	// q.Sort, or by primary date and creation where it is empty. A run over all
	// pages sees every resource that matches throughout exactly once, though
	// others write meanwhile. too-costly (Invalid) when a sort would have to
	// gather more than MaxSort candidates.
	Search(ctx context.Context, q search.Query) (Page, error)
	// Count counts the matches of q; it stops at limit+1 when limit is positive.
	Count(ctx context.Context, q search.Query, limit int) (int, error)
	// History returns versions, newest first.
	History(ctx context.Context, q HistoryQuery) (HistoryPage, error)
	// Changes returns versions with Seq > after in order, at most limit, of
	// all types. No version with a lower Seq appears later: versions that
	// concurrent writers may still precede are left out until then.
	Changes(ctx context.Context, after int64, limit int) ([]Version, error)
	// Scan returns versions of a type with after < Seq <= upTo that were the last
	// of their resource when the feed stood at upTo, deletions among them, in
	// order of Seq, at most limit; an empty answer is the end. upTo is at most
	// LastSeq, so later writes do not change the answer.
	Scan(ctx context.Context, typ string, after, upTo int64, limit int) ([]Version, error)
	// LastSeq is the Seq up to which Changes is settled.
	LastSeq(ctx context.Context) (int64, error)

	// The typed projection, of current, undeleted resources only.
	Drain(ctx context.Context, id string) (drain.Drain, bool, error)
	// Drains returns those that the query selects, by id.
	Drains(ctx context.Context, q DrainQuery) ([]drain.Drain, error)
	Placements(ctx context.Context, drainID string) ([]drain.Placement, error) // by start, then id
	// OpenPlacements pages through every placement without an end, by id.
	OpenPlacements(ctx context.Context, after string, limit int) ([]drain.Placement, error)
	Entries(ctx context.Context, q EntryQuery) ([]drain.Entry, error)
	// Latest returns for each of the drains its placements and the last entries
	// before to, at most so many: what Placements and Entries return, for a
	// whole ward at once.
	Latest(ctx context.Context, drains []string, to time.Time, most int) (map[string]Latest, error)
	// Concerns returns concerns of the drain, newest first: the open ones and those
	// that ended at or after a time, all for the zero time.
	Concerns(ctx context.Context, drainID string, ended time.Time) ([]drain.Concern, error)
	// OpenConcerns pages through every open concern, by id.
	OpenConcerns(ctx context.Context, after string, limit int) ([]drain.Concern, error)
	Stays(ctx context.Context, patients ...string) ([]drain.Stay, error) // newest first
	Walks(ctx context.Context, patients ...string) ([]drain.Walk, error) // open ones, by start, then id
	Place(ctx context.Context, id string) (drain.Place, bool, error)
	// PlacesWithin returns the place and everything that is part of it, by id. The
	// place itself has only its id if the store has no Location for it.
	PlacesWithin(ctx context.Context, id string) ([]drain.Place, error)

	// Audit appends records without waiting for durability of a caller's
	// write; it returns once they are durable or the store is closed.
	Audit(ctx context.Context, records []AuditRecord) error
	// AuditRecords returns one page of records, newest first, and the cursor of the next.
	AuditRecords(ctx context.Context, q AuditQuery) ([]AuditRecord, string, error)
	// DropAudit deletes records before t and says how many.
	DropAudit(ctx context.Context, before time.Time) (int, error)

	// State keeps small durable values for the service's own bookkeeping
	// (delivery marks, leases, export jobs). Revisions grow across all names, so
	// that they serve as fencing tokens. Get returns revision 0 for an unknown
	// name. Set writes if the revision is still rev and returns the new one;
	// otherwise Precondition. A nil value deletes.
	State(ctx context.Context, name string) (value []byte, rev int64, err error)
	SetState(ctx context.Context, name string, value []byte, rev int64) (int64, error)
	// States lists names with a prefix, in byte order.
	States(ctx context.Context, prefix string) ([]string, error)

	// Transactions reports whether Commit makes several writes all or none. An
	// engine without transactions makes them in order and stops at the first that
	// fails; the next sweep then brings the concerns of an entry up to date.
	Transactions() bool
	// Ping reports whether the store answers, for /readyz.
	Ping(ctx context.Context) error
	Close() error
}
