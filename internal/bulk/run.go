package bulk

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/cenkalti/backoff/v5"

	"tidemark/internal/fault"
	"tidemark/internal/fhirdate"
	"tidemark/internal/fhirjson"
	"tidemark/internal/store"
)

const (
	lookEvery  = 2 * time.Second // for jobs that another process took up
	sweepEvery = time.Minute
	beatEvery  = time.Second      // progress is kept, and a deletion noticed
	patience   = 10 * time.Minute // for a store that is away
	pageRows   = 1000
)

func instant(t time.Time) string { return fhirdate.Format(t) }

// Run works on jobs, one after another, until the context ends: whenever this
// process holds the lease.
func (s *Service) Run(ctx context.Context) {
	s.Lease.Hold(ctx, s.work)
}

func (s *Service) work(ctx context.Context, fence int64) {
	look, sweep := time.NewTicker(lookEvery), time.NewTicker(sweepEvery)
	defer look.Stop()
	defer sweep.Stop()
	s.sweep(ctx)
	for {
		for s.next(ctx, fence) {
		}
		select {
		case <-ctx.Done():
			return
		case <-s.wake:
		case <-look.C:
		case <-sweep.C:
			s.sweep(ctx)
		}
	}
}

// next runs the oldest job that is not over; false when there is none.
func (s *Service) next(ctx context.Context, fence int64) bool {
	var oldest *Job
	var at int64
	err := s.each(ctx, func(j *Job, rev int64) error {
		if (j.Phase == Waiting || j.Phase == Running) && (oldest == nil || j.Created.Before(oldest.Created)) {
			oldest, at = j, rev
		}
		return nil
	})
	if err != nil || oldest == nil {
		if err != nil && ctx.Err() == nil {
			s.Logger.Error("export jobs cannot be read", "err", fault.Of(err).Cause, "text", err.Error())
		}
		return false
	}
	oldest.Fence = fence
	r := &run{Service: s, job: oldest, rev: at}
	err = r.finish(ctx, fault.Contain("export", func() error { return r.all(ctx) }))
	if err != nil && ctx.Err() == nil {
		s.Logger.Error("an export job cannot be kept", "job", oldest.ID, "err", fault.Of(err).Cause, "text", err.Error())
		return false
	}
	return ctx.Err() == nil
}

// sweep removes what has expired, and files without a job.
func (s *Service) sweep(ctx context.Context) {
	known := map[string]bool{}
	err := s.each(ctx, func(j *Job, rev int64) error {
		known[j.ID] = true
		if !j.Expires.IsZero() && s.Clock().After(j.Expires) {
			if err := s.drop(ctx, j.ID, rev); err != nil && !fault.Is(err, fault.Precondition) {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return // the next sweep tries again
	}
	entries, err := os.ReadDir(s.Dir)
	if err != nil {
		return // there is none before the first job
	}
	for _, e := range entries {
		if !known[e.Name()] {
			// A job that began after the list was read has a younger folder.
			if fi, err := e.Info(); err == nil && time.Since(fi.ModTime()) > sweepEvery {
				_ = os.RemoveAll(s.dir(e.Name())) // tried again by the next sweep
			}
		}
	}
}

// run is the work on one job.
type run struct {
	*Service
	job  *Job
	rev  int64
	beat time.Time
	rows int64
}

var (
	errGone  = errors.New("the export was deleted")
	errTaken = errors.New("another process goes on with the export")
)

// keep writes the job down. When it changed meanwhile it was deleted, or taken
// over in a later term of the lease, or a write of ours that seemed to fail had
// arrived.
func (r *run) keep(ctx context.Context) error {
	value, err := json.Marshal(r.job)
	if err != nil {
		return fault.Wrap(err, "write the export job")
	}
	name := prefix + r.job.ID
	for {
		rev, err := r.Store.SetState(ctx, name, value, r.rev)
		if err == nil {
			r.rev = rev
			return nil
		}
		if !fault.Is(err, fault.Precondition) {
			return err
		}
		have, rev, err := r.Store.State(ctx, name)
		switch {
		case err != nil:
			return err
		case rev == 0:
			return errGone
		}
		j, err := decode(name, have)
		switch {
		case err != nil:
			return err
		case j.Fence != r.job.Fence:
			return errTaken
		}
		r.rev = rev
	}
}

// all does what is left of the job. A store that is away is waited for.
func (r *run) all(ctx context.Context) error {
	_, err := backoff.Retry(ctx, func() (struct{}, error) {
		err := r.once(ctx)
		if err != nil && !fault.Is(err, fault.Unavailable) {
			err = backoff.Permanent(err)
		}
		return struct{}{}, err
	}, backoff.WithMaxElapsedTime(patience), backoff.WithBackOff(backoff.NewExponentialBackOff()))
	return err
}

func (r *run) once(ctx context.Context) error {
	j := r.job
	if err := r.prepare(ctx); err != nil {
		return err
	}
	if j.Request.Format.Table() {
		if j.Unit < tableUnits {
			if err := r.tables(ctx); err != nil {
				return err
			}
		}
	} else {
		for j.Unit < len(j.Types) {
			if err := r.resources(ctx, j.Types[j.Unit]); err != nil {
				return err
			}
		}
	}
	return r.issues(ctx)
}

// prepare fixes the horizon and puts the files in order.
func (r *run) prepare(ctx context.Context) error {
	j := r.job
	if !j.Fixed {
		// Writes that took their time before T may still be under way.
		if err := sleep(ctx, r.Settle); err != nil {
			return err
		}
		end, err := r.Store.LastSeq(ctx)
		if err != nil {
			return err
		}
		if j.Horizon, err = seqAt(ctx, r.Store, j.Time, end); err != nil {
			return err
		}
		if since := j.Request.Since; !since.IsZero() {
			if j.From, err = seqAt(ctx, r.Store, since.Add(-time.Nanosecond), j.Horizon); err != nil {
				return err
			}
		}
		j.After, j.Fixed = j.From, true
		if j.Request.Format.Table() {
			j.After = 0 // rows of a drain need all of it
		}
	}
	j.Phase = Running
	if err := r.keep(ctx); err != nil {
		return err
	}
	if err := os.MkdirAll(filepath.Dir(r.path(j.ID, File{Term: j.Fence, Name: "x"})), 0o700); err != nil {
		return fault.Wrap(err, "make the folder of an export")
	}
	// A file that was not finished is written again. Those of later terms are
	// another process's.
	err := filepath.WalkDir(r.dir(j.ID), func(at string, e fs.DirEntry, err error) error {
		if errors.Is(err, fs.ErrNotExist) {
			return nil
		}
		if err != nil || e.IsDir() {
			return err
		}
		term, err := strconv.ParseInt(filepath.Base(filepath.Dir(at)), 10, 64)
		if err != nil || term > j.Fence || slices.ContainsFunc(j.Files, func(f File) bool { return r.path(j.ID, f) == at }) {
			return nil
		}
		if err := os.Remove(at); !errors.Is(err, fs.ErrNotExist) {
			return err
		}
		return nil
	})
	if err != nil {
		return fault.Wrap(err, "clean the folder of an export")
	}
	for _, f := range j.Files {
		if fi, err := os.Stat(r.path(j.ID, f)); err != nil || fi.Size() != f.Size {
			return fault.New(fault.Gone, "incomplete", "Files that the export had already written are gone or damaged; start the export again.")
		}
	}
	return nil
}

func sleep(ctx context.Context, d time.Duration) error {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-t.C:
		return nil
	}
}

// finish settles the job by what became of it.
func (r *run) finish(ctx context.Context, err error) error {
	j, now := r.job, r.Clock().UTC()
	switch {
	case errors.Is(err, errGone):
		_ = os.RemoveAll(r.dir(j.ID)) // swept later when it fails
		return nil
	case errors.Is(err, errTaken):
		return nil
	case err != nil && ctx.Err() != nil:
		return ctx.Err() // whoever holds the lease next goes on from here
	case err != nil:
		e := fault.Of(err)
		r.Logger.Error("export failed", "job", j.ID, "err", e.Cause, "text", e.Error())
		j.Phase, j.Error = Failed, "The export failed with an internal error, which the log explains. Start it again."
		if e.Kind != fault.Internal {
			j.Error = e.Error()
		}
		j.Files = nil
	default:
		j.Phase = Complete
	}
	j.Ended, j.Expires, j.Progress = now, now.Add(r.Keep), ""
	err = r.keep(ctx)
	if errors.Is(err, errTaken) {
		return nil // and the files are another's
	}
	if gone := errors.Is(err, errGone); gone || err == nil && j.Phase == Failed {
		_ = os.RemoveAll(r.dir(j.ID)) // swept later when it fails
		if gone {
			return nil
		}
	}
	return err
}

// pulse notes the progress once a second.
func (r *run) pulse(ctx context.Context, words string, seq int64) error {
	if time.Since(r.beat) < beatEvery {
		return nil
	}
	r.beat = time.Now()
	if err := r.room(); err != nil {
		return err
	}
	share := int64(100)
	from := r.job.From
	if r.job.Request.Format.Table() {
		from = 0
	}
	if span := r.job.Horizon - from; span > 0 {
		share = (seq - from) * 100 / span
	}
	r.job.Progress = fmt.Sprintf("%s %d %%, %d rows", words, share, r.rows)
	return r.keep(ctx)
}

// name gives the next file of a kind its name.
func (j *Job) name(base, ending string) string {
	n := 1
	for _, f := range j.Files {
		if strings.HasPrefix(f.Name, base+"-") {
			n++
		}
	}
	return fmt.Sprintf("%s-%d%s", base, n, ending)
}

// resources writes the files of one type, the next unit of the job.
func (r *run) resources(ctx context.Context, typ string) error {
	j := r.job
	f, ok, err := newFilter(j, typ, &r.Options)
	if err != nil {
		return err
	}
	out := lines{r: r, file: File{Role: Output, Type: typ, Name: typ}}
	gone := lines{r: r, file: File{Role: Deleted, Type: "Bundle", Name: "deleted-" + typ}}
	defer out.abandon()
	defer gone.abandon()
	if ok && j.After < j.Horizon {
		ctx, stop := context.WithCancel(ctx)
		defer stop()
		after := j.After
		for page := range r.pages(ctx, typ, after) {
			if page.err != nil {
				return page.err
			}
			for _, v := range page.versions {
				if err := r.version(ctx, &f, v, &out, &gone); err != nil {
					return err
				}
				after = v.Seq
			}
			r.rows += int64(len(page.versions))
			if out.file.Count+gone.file.Count >= r.FileRows {
				if err := errors.Join(out.close(), gone.close()); err != nil {
					return err
				}
				j.After = after
				if err := r.keep(ctx); err != nil {
					return err
				}
			}
			if err := r.pulse(ctx, fmt.Sprintf("%s (%d of %d):", typ, j.Unit+1, len(j.Types)), after); err != nil {
				return err
			}
		}
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	if err := errors.Join(out.close(), gone.close()); err != nil {
		return err
	}
	j.Unit, j.After = j.Unit+1, j.From
	return r.keep(ctx)
}

type page struct {
	versions []store.Version
	err      error
}

// pages reads ahead of the writer. The channel closes at the end, after an
// error, or when the context ends.
func (r *run) pages(ctx context.Context, typ string, after int64) <-chan page {
	out := make(chan page, 2)
	go func() {
		defer close(out)
		for {
			var vs []store.Version
			err := fault.Contain("read what to export", func() (err error) {
				vs, err = r.scan.Scan(ctx, typ, after, r.job.Horizon, pageRows)
				return err
			})
			if err == nil && len(vs) == 0 {
				return
			}
			select {
			case out <- page{vs, err}:
			case <-ctx.Done():
				return
			}
			if err != nil {
				return
			}
			after = vs[len(vs)-1].Seq
		}
	}()
	return out
}

func (r *run) version(ctx context.Context, f *filter, v store.Version, out, gone *lines) error {
	if !v.Deleted() {
		line, ok, err := f.line(v)
		if err != nil || !ok {
			return err
		}
		return out.write(line)
	}
	if r.job.Request.Since.IsZero() {
		return nil
	}
	if !f.plain() {
		// Evaluated on the version before it, as in a history.
		before, err := r.Store.ReadVersion(ctx, v.Key, v.Number-1)
		if err != nil {
			return err
		}
		whole := *f
		whole.elements = nil
		if _, ok, err := whole.line(before); err != nil || !ok {
			return err
		}
	}
	entry := fhirjson.Obj("request", fhirjson.Obj("method", "DELETE", "url", v.Key.String()))
	return gone.write(fhirjson.Obj("resourceType", "Bundle", "type", "transaction", "entry", fhirjson.Arr(entry)).Bytes())
}

// issues writes the error file.
func (r *run) issues(ctx context.Context) error {
	if len(r.job.Issues) == 0 {
		return nil
	}
	out := lines{r: r, file: File{Role: ErrorLog, Type: "OperationOutcome", Name: "issues"}}
	defer out.abandon()
	for _, text := range r.job.Issues {
		issue := fhirjson.Obj("severity", "warning", "code", "incomplete", "diagnostics", text)
		if err := out.write(fhirjson.Obj("resourceType", "OperationOutcome", "issue", fhirjson.Arr(issue)).Bytes()); err != nil {
			return err
		}
	}
	return out.close()
}
