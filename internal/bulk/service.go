package bulk

import (
	"context"
	"encoding/json"
	"errors"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/google/uuid"

	"tidemark/internal/auth"
	"tidemark/internal/drain"
	"tidemark/internal/fault"
	"tidemark/internal/fhirjson"
	"tidemark/internal/policy"
	"tidemark/internal/search"
	"tidemark/internal/store"
)

// Lease lets one of several processes work; see notify.Lease.
type Lease interface {
	Hold(ctx context.Context, work func(ctx context.Context, fence int64))
}

// Options are what New needs. Settle, Keep, FileRows and MaxOpen have defaults.
type Options struct {
	Store   Store
	Lease   Lease
	Dir     string // of the files: bulk below the data directory
	Types   []string
	Extract search.ExtractOptions
	Expand  func(canonical string) ([]search.Coding, error) // for :in in a _typeFilter
	Redact  func(*fhirjson.Node)                            // hides the secrets of a Subscription
	// Settings gives the policy in force for a drain, for the flat tables.
	Settings func(ctx context.Context, d drain.Drain, placements []drain.Placement) (policy.Settings, error)
	Clock    func() time.Time
	Logger   *slog.Logger

	Settle   time.Duration // how long after the kick-off the feed is taken for settled up to it; 200 ms
	Keep     time.Duration // how long a finished export stays; 24 h
	FileRows int64         // rows after which a new file begins; 250,000
	MaxOpen  int           // unfinished jobs of one client; 4
	MaxKept  int           // jobs of one client, finished ones too; 20
	Quota    int64         // bytes of the files of all jobs; 0 for no limit
}

// Service keeps the export jobs of a deployment. Make it with New; Run works
// on them.
type Service struct {
	Options
	scan Scanner
	wake chan struct{}

	mu    sync.Mutex
	polls map[string]poll // by job
}

type poll struct {
	at   time.Time
	wait time.Duration // what the client was told
}

// New makes the service.
func New(o Options) *Service {
	def := func(d *time.Duration, v time.Duration) {
		if *d == 0 {
			*d = v
		}
	}
	def(&o.Settle, 200*time.Millisecond)
	def(&o.Keep, 24*time.Hour)
	if o.FileRows == 0 {
		o.FileRows = 250_000
	}
	if o.MaxOpen == 0 {
		o.MaxOpen = 4
	}
	if o.MaxKept == 0 {
		o.MaxKept = 20
	}
	return &Service{Options: o, scan: o.Store, wake: make(chan struct{}, 1), polls: map[string]poll{}}
}

// TableTypes are the types that the flat tables are made of. A table of the
// part that a constrained scope lets through would hold wrong totals, so it
// takes the right to all of them.
func TableTypes() []string {
	return []string{"Observation", "Device", "DeviceUseStatement", "DetectedIssue"}
}

// Start takes up an export and gives its id. url is the kick-off's, as the
// client sent it.
func (s *Service) Start(ctx context.Context, who *auth.Principal, r Request, url string) (string, error) {
	now := s.Clock().UTC()
	j := &Job{ID: uuid.NewString(), Phase: Waiting, Request: r, URL: url, Owner: ownerOf(who), Created: now, Issues: slices.Clone(r.Ignored)}
	var err error
	if r.Format.Table() {
		err = mayTables(who)
	} else {
		j.Types, err = s.typesOf(who, r)
	}
	if err != nil {
		return "", err
	}
	if j.Members, err = s.members(ctx, j); err != nil {
		return "", err
	}
	if err := s.admit(ctx, who); err != nil {
		return "", err
	}
	last, err := s.Store.LastSeq(ctx)
	if err != nil {
		return "", err
	}
	// What was answered before now is in the export, also where another
	// process's clock is ahead.
	j.Time = now.Truncate(time.Millisecond)
	if last > 0 {
		vs, err := s.Store.Changes(ctx, last-1, 1)
		if err != nil {
			return "", err
		}
		if len(vs) > 0 && vs[0].At.After(j.Time) {
			j.Time = vs[0].At
		}
	}
	if u := r.Until; !u.IsZero() && u.Before(j.Time) {
		j.Time = u.UTC()
	}
	value, err := json.Marshal(j)
	if err != nil {
		return "", fault.Wrap(err, "write the export job")
	}
	if _, err := s.Store.SetState(ctx, prefix+j.ID, value, 0); err != nil {
		return "", err
	}
	select {
	case s.wake <- struct{}{}:
	default:
	}
	return j.ID, nil
}

// mayTables asks for all of what tables rest on: a part would make totals wrong.
func mayTables(who *auth.Principal) error {
	all := Right
	all.Whole = true
	return who.May(TableTypes(), all)
}

// typesOf are the types to export: those asked for, each of which the scopes
// must open, or all that they open.
func (s *Service) typesOf(who *auth.Principal, r Request) ([]string, error) {
	types := s.Types
	if r.Level != OfSystem {
		in := search.Compartments("Patient")
		types = slices.DeleteFunc(slices.Clone(types), func(t string) bool { return !slices.Contains(in, t) })
	}
	if r.Types != nil {
		if len(r.Types) == 0 {
			return nil, nil
		}
		return r.Types, who.May(r.Types, Right)
	}
	var refusal error
	var out []string
	for _, t := range types {
		if err := who.May([]string{t}, Right); err != nil {
			refusal = err
			continue
		}
		out = append(out, t)
	}
	if len(out) == 0 {
		return nil, refusal
	}
	return out, nil
}

// members are the patients of a job, nil for everybody.
func (s *Service) members(ctx context.Context, j *Job) ([]string, error) {
	if j.Request.Level != OfGroup {
		return j.Request.Patients, nil
	}
	key := store.Key{Type: "Group", ID: j.Request.Group}
	unknown := fault.New(fault.NotFound, "not-found", "No %s is known.", key)
	if err := j.Owner.principal().May([]string{"Group"}, Right); err != nil {
		return nil, err
	}
	v, err := s.Store.Read(ctx, key)
	switch {
	case fault.Is(err, fault.NotFound), err == nil && v.Deleted():
		return nil, unknown
	case err != nil:
		return nil, err
	}
	plain := *j
	plain.Request = Request{Level: OfSystem, Format: NDJSON}
	f, _, err := newFilter(&plain, "Group", &s.Options)
	if err != nil {
		return nil, err
	}
	n, err := fhirjson.Parse(v.JSON())
	if err != nil {
		return nil, fault.Wrap(err, "read "+key.String())
	}
	if !f.admits(n, v) {
		return nil, unknown
	}
	ids := patientsOf(n)
	if wanted := j.Request.Patients; wanted != nil {
		for _, id := range wanted {
			if !slices.Contains(ids, id) {
				return nil, fault.New(fault.Invalid, "value", "patient: Patient/%s is not a member of the group.", id)
			}
		}
		ids = wanted
	}
	return ids, nil
}

// patientsOf are the current members of a Group that are patients; not nil.
func patientsOf(n *fhirjson.Node) []string {
	out := []string{}
	for _, m := range n.Each("member") {
		ref := m.Path("entity").Str("reference")
		i := strings.LastIndex(ref, "Patient/")
		if m.IsTrue("inactive") || i < 0 || i > 0 && ref[i-1] != '/' {
			continue
		}
		id, _, _ := strings.Cut(ref[i+len("Patient/"):], "/")
		out = append(out, id)
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// admit refuses a client that has too many exports, and anybody while exports
// take up what they may.
func (s *Service) admit(ctx context.Context, who *auth.Principal) error {
	open, kept := 0, 0
	err := s.each(ctx, func(j *Job, _ int64) error {
		if j.Owner.is(who) {
			if kept++; j.Phase == Waiting || j.Phase == Running {
				open++
			}
		}
		return nil
	})
	if err == nil {
		err = s.room()
	}
	if err == nil && kept >= s.MaxKept {
		e := fault.New(fault.TooMany, "throttled", "%d exports of this client are kept; delete those that were fetched.", kept)
		e.RetryAfter = time.Minute
		return e
	}
	if err == nil && open >= s.MaxOpen {
		e := fault.New(fault.TooMany, "throttled", "%d exports of this client are still running; wait for one, or delete it.", open)
		e.RetryAfter = time.Minute
		return e
	}
	return err
}

// room refuses more than the quota.
func (s *Service) room() error {
	if s.Quota <= 0 {
		return nil
	}
	total := int64(0)
	err := filepath.WalkDir(s.Dir, func(_ string, e fs.DirEntry, err error) error {
		if errors.Is(err, fs.ErrNotExist) {
			return nil
		}
		if err != nil || e.IsDir() {
			return err
		}
		if fi, err := e.Info(); err == nil {
			total += fi.Size()
		}
		return nil
	})
	if err != nil {
		return fault.Wrap(err, "measure the exports")
	}
	if total < s.Quota {
		return nil
	}
	e := fault.New(fault.TooMany, "throttled", "Exports take up %d MB, the limit; delete those that were fetched, or narrow with _type and _since. They expire after %s.", total/1e6, s.Keep)
	e.RetryAfter = time.Minute
	return e
}

// each reads all jobs, in the order of their ids.
func (s *Service) each(ctx context.Context, f func(*Job, int64) error) error {
	names, err := s.Store.States(ctx, prefix)
	if err != nil {
		return err
	}
	for _, name := range names {
		value, rev, err := s.Store.State(ctx, name)
		if err != nil {
			return err
		}
		if rev == 0 {
			continue // deleted meanwhile
		}
		j, err := decode(name, value)
		if err == nil {
			err = f(j, rev)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// job reads a job of the caller; another's looks like one that is not there.
func (s *Service) job(ctx context.Context, who *auth.Principal, id string) (*Job, int64, error) {
	value, rev, err := s.Store.State(ctx, prefix+id)
	if err != nil {
		return nil, 0, err
	}
	if rev == 0 {
		return nil, 0, unknownJob()
	}
	j, err := decode(id, value)
	if err != nil {
		return nil, 0, err
	}
	if !j.Owner.is(who) || !j.Expires.IsZero() && s.Clock().After(j.Expires) {
		return nil, 0, unknownJob()
	}
	return j, rev, nil
}

// may refuses a caller whose token no longer opens what a job was asked for
// with: its own rights, not its owner's name, are what a client is served by.
func (j *Job) may(who *auth.Principal, types ...string) error {
	owner := j.Owner.principal()
	for _, t := range types {
		if err := who.May([]string{t}, Right); err != nil {
			return err
		}
		if !who.Meets(Right, t).Covers(owner.Meets(Right, t)) {
			return fault.New(fault.Forbidden, "forbidden", "The token opens fewer %s resources than the token that started the export; use a token of the same scopes.", t)
		}
	}
	return nil
}

// scope are the types that a job as a whole needs the right to.
func (j *Job) scope() []string {
	if j.Request.Format.Table() {
		return TableTypes()
	}
	return j.Types
}

// Status gives a job, and how long the client should wait before it asks
// again when the job is not over. It is TooMany when the client did not wait.
func (s *Service) Status(ctx context.Context, who *auth.Principal, id string) (*Job, time.Duration, error) {
	j, _, err := s.job(ctx, who, id)
	if err == nil {
		err = j.may(who, j.scope()...)
	}
	if err != nil {
		return nil, 0, err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if j.Phase == Complete || j.Phase == Failed {
		delete(s.polls, id)
		return j, 0, nil
	}
	now := s.Clock()
	if p, ok := s.polls[id]; ok {
		// A fifth of the wait is let off: clocks and networks differ.
		if left := p.at.Add(p.wait * 4 / 5).Sub(now); left > 0 {
			e := fault.New(fault.TooMany, "throttled", "The export is still running; ask again after the time in Retry-After.")
			e.RetryAfter = max(left, time.Second)
			return nil, 0, e
		}
	}
	wait := (now.Sub(j.Created) / 10).Truncate(time.Second)
	wait = min(max(wait, time.Second), time.Minute)
	s.polls[id] = poll{now, wait}
	return j, wait, nil
}

// Delete ends a job and removes its files.
func (s *Service) Delete(ctx context.Context, who *auth.Principal, id string) error {
	for {
		j, rev, err := s.job(ctx, who, id)
		if err == nil {
			err = j.may(who, j.scope()...)
		}
		if err != nil {
			return err
		}
		err = s.drop(ctx, id, rev)
		if !fault.Is(err, fault.Precondition) { // else the runner kept its progress meanwhile
			return err
		}
	}
}

// EndAll ends every job, whoever asked for it, and removes its files: what was
// erased from the store may stand in them. It says how many there were.
func (s *Service) EndAll(ctx context.Context) (n int, err error) {
	for {
		again := false
		err := s.each(ctx, func(j *Job, rev int64) error {
			err := s.drop(ctx, j.ID, rev)
			if fault.Is(err, fault.Precondition) {
				again = true // the runner kept its progress meanwhile
				return nil
			}
			n++
			return err
		})
		if err != nil || !again {
			return n, err
		}
	}
}

// drop removes a job, its files last: what is without a job is swept.
func (s *Service) drop(ctx context.Context, id string, rev int64) error {
	if _, err := s.Store.SetState(ctx, prefix+id, nil, rev); err != nil {
		return err
	}
	s.mu.Lock()
	delete(s.polls, id)
	s.mu.Unlock()
	if err := os.RemoveAll(s.dir(id)); err != nil {
		s.Logger.Error("files of an export are left over", "job", id, "err", err)
	}
	return nil
}

func (s *Service) dir(id string) string { return filepath.Join(s.Dir, id) }

// OpenFile opens a file of a finished job for its client. zipped says that
// what is read is gzip. The caller closes it.
func (s *Service) OpenFile(ctx context.Context, who *auth.Principal, id, name string) (f *os.File, file File, zipped bool, err error) {
	j, _, err := s.job(ctx, who, id)
	if err != nil {
		return nil, File{}, false, err
	}
	i := slices.IndexFunc(j.Files, func(f File) bool { return f.Name == name })
	if j.Phase != Complete || i < 0 {
		return nil, File{}, false, fault.New(fault.NotFound, "not-found", "The export has no file %q; its status lists them.", name)
	}
	file = j.Files[i]
	needs := j.scope()
	if file.Role == Output && !j.Request.Format.Table() {
		needs = []string{file.Type}
	}
	if err := j.may(who, needs...); err != nil {
		return nil, File{}, false, err
	}
	f, err = os.Open(s.path(j.ID, file))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, File{}, false, fault.New(fault.Gone, "deleted", "The file is no longer there; start the export again.")
	}
	if err != nil {
		return nil, File{}, false, fault.Wrap(err, "open a file of an export")
	}
	return f, file, gzipped(file.Name), nil
}

// path is where a file lies: each term of the lease has a folder of its own, so
// that a process which does not know yet that it lost the lease writes nothing
// into the files of the next one.
func (s *Service) path(id string, f File) string {
	p := filepath.Join(s.dir(id), strconv.FormatInt(f.Term, 10), f.Name)
	if gzipped(f.Name) {
		p += ".gz"
	}
	return p
}

func gzipped(name string) bool { return !strings.HasSuffix(name, ".parquet") }

// MediaType of a file of a job.
func (f File) MediaType() string {
	switch filepath.Ext(f.Name) {
	case ".csv":
		return "text/csv; charset=utf-8"
	case ".parquet":
		return string(Parquet)
	}
	return string(NDJSON)
}

// Manifest writes what a client fetches a finished job by. url gives the
// address of a file.
func (j *Job) Manifest(url func(name string) string, dictionary string) *fhirjson.Node {
	lists := map[Role][]*fhirjson.Node{Output: nil, Deleted: nil, ErrorLog: nil}
	for _, f := range j.Files {
		n := fhirjson.Obj("type", f.Type, "url", url(f.Name), "count", f.Count)
		if f.Table != "" {
			about := fhirjson.Obj("table", f.Table)
			if f.Month != "" {
				about.Set("month", fhirjson.Str(f.Month))
			}
			n.Set("extension", about)
		}
		lists[f.Role] = append(lists[f.Role], n)
	}
	arr := func(r Role) *fhirjson.Node { return &fhirjson.Node{Kind: fhirjson.Array, Items: lists[r]} }
	m := fhirjson.Obj("transactionTime", instant(j.Time), "request", j.URL, "requiresAccessToken", true, "output", arr(Output))
	if !j.Request.Since.IsZero() {
		m.Set("deleted", arr(Deleted))
	}
	m.Set("error", arr(ErrorLog))
	if j.Request.Format.Table() {
		m.Set("extension", fhirjson.Obj("dictionary", dictionary))
	}
	return m
}
