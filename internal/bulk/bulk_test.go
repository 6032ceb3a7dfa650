package bulk

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/klauspost/compress/gzip"

	"tidemark/fhirmap"
	"tidemark/internal/auth"
	"tidemark/internal/drain"
	"tidemark/internal/fault"
	"tidemark/internal/fhirjson"
	"tidemark/internal/policy"
	"tidemark/internal/search"
	"tidemark/internal/sim"
	"tidemark/internal/store"
	"tidemark/internal/store/sqlite"
)

// clock is a time that tests set. It goes on by a millisecond with each look,
// as a store needs it.
type clock struct {
	mu  sync.Mutex
	now time.Time
}

func (c *clock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.now = c.now.Add(time.Millisecond)
	return c.now
}

func (c *clock) advance(d time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.now = c.now.Add(d)
}

var start = time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)

// always is a lease that nobody else wants.
type always struct{}

func (always) Hold(ctx context.Context, work func(context.Context, int64)) { work(ctx, 1) }

type bench struct {
	t     testing.TB
	clock *clock
	store *sqlite.Store
	dir   string
}

func newBench(t testing.TB) *bench {
	t.Helper()
	b := &bench{t: t, clock: &clock{now: start}, dir: t.TempDir()}
	var err error
	b.store, err = sqlite.Open(t.Context(), sqlite.Options{
		Dir: b.dir, Clock: b.clock.Now, Logger: slog.New(slog.DiscardHandler),
		Extract: func(_ context.Context, raw []byte) (search.Doc, error) {
			n, err := fhirjson.Parse(raw)
			if err != nil {
				return search.Doc{}, err
			}
			return search.Extract(n, search.ExtractOptions{}), nil
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { b.store.Close() })
	return b
}

// hospital charts a small simulated ward.
func (b *bench) hospital(patients, days int) {
	b.t.Helper()
	var batch []store.Write
	seen := map[store.Key]bool{}
	flush := func() {
		if _, err := b.store.Commit(b.t.Context(), batch, nil); err != nil {
			b.t.Fatal(err)
		}
		batch = batch[:0]
		clear(seen)
	}
	for st := range sim.Steps(sim.Options{Seed: 7, Wards: 1, Patients: patients, Days: days, End: start, Zone: time.UTC}) {
		key := store.Key{Type: st.Type, ID: st.ID}
		if seen[key] || len(batch) == 60 {
			flush()
		}
		seen[key] = true
		batch = append(batch, write(key, st.Resource()))
	}
	flush()
}

// write is what the core would commit of a resource; nil deletes.
func write(key store.Key, n *fhirjson.Node) store.Write {
	w := store.Write{Key: key, Method: store.Delete}
	if n != nil {
		w.Method, w.Body, w.Doc = store.Put, fhirmap.Body(n), search.Extract(n, search.ExtractOptions{})
		w.Facts, _ = fhirmap.Decode(n, time.UTC)
	}
	return w
}

func (b *bench) put(text string) store.Version {
	b.t.Helper()
	n, err := fhirjson.Parse([]byte(text))
	if err != nil {
		b.t.Fatal(err)
	}
	return b.commit(write(store.Key{Type: n.Str("resourceType"), ID: n.Str("id")}, n))
}

func (b *bench) delete(typ, id string) { b.commit(write(store.Key{Type: typ, ID: id}, nil)) }

func (b *bench) commit(w store.Write) store.Version {
	b.t.Helper()
	rs, err := b.store.Commit(b.t.Context(), []store.Write{w}, nil)
	if err != nil {
		b.t.Fatal(err)
	}
	return rs[0].Version
}

var types = []string{"DetectedIssue", "Device", "DeviceUseStatement", "Encounter", "Group", "Location", "Observation", "Organization", "Patient", "Practitioner", "PractitionerRole", "Provenance", "Subscription"}

func (b *bench) service(change ...func(*Options)) *Service {
	o := Options{
		Store: b.store, Lease: always{}, Dir: filepath.Join(b.dir, "bulk"), Types: types, Clock: b.clock.Now, Logger: slog.New(slog.DiscardHandler),
		Settings: func(_ context.Context, d drain.Drain, _ []drain.Placement) (policy.Settings, error) {
			return policy.Default().For(nil, d), nil
		},
		Settle: time.Millisecond,
	}
	for _, f := range change {
		f(&o)
	}
	return New(o)
}

func caller(scope string) *auth.Principal {
	s, unknown := auth.ParseScopes(scope)
	if unknown != nil {
		panic(unknown)
	}
	return &auth.Principal{Subject: "Practitioner/x", Client: "warehouse", Issuer: "test", Patient: "p1", Scopes: s}
}

func (b *bench) request(level Level, group, query string) Request {
	b.t.Helper()
	pairs, err := search.ParsePairs(query)
	if err != nil {
		b.t.Fatal(err)
	}
	r, err := ParseRequest(level, group, pairs, types, false)
	if err != nil {
		b.t.Fatal(err)
	}
	return r
}

// export runs a job to its end, here and now.
func (b *bench) export(s *Service, who *auth.Principal, r Request) *Job {
	b.t.Helper()
	id, err := s.Start(b.t.Context(), who, r, "http://x/fhir/$export")
	if err != nil {
		b.t.Fatal(err)
	}
	for s.next(b.t.Context(), 1) {
	}
	j, _, err := s.Status(b.t.Context(), who, id)
	if err != nil {
		b.t.Fatal(err)
	}
	return j
}

// content reads a file of a job, as its client does.
func (b *bench) content(s *Service, who *auth.Principal, j *Job, name string) []byte {
	b.t.Helper()
	f, _, zipped, err := s.OpenFile(b.t.Context(), who, j.ID, name)
	if err != nil {
		b.t.Fatal(err)
	}
	defer f.Close()
	var r io.Reader = f
	if zipped {
		if r, err = gzip.NewReader(f); err != nil {
			b.t.Fatal(err)
		}
	}
	data, err := io.ReadAll(r)
	if err != nil {
		b.t.Fatal(err)
	}
	return data
}

// resources are the lines of all output files by key, with their version.
func (b *bench) resources(s *Service, who *auth.Principal, j *Job) map[string]string {
	b.t.Helper()
	out := map[string]string{}
	for _, f := range j.Files {
		if f.Role != Output {
			continue
		}
		count := int64(0)
		sc := bufio.NewScanner(strings.NewReader(string(b.content(s, who, j, f.Name))))
		sc.Buffer(nil, 1<<20)
		for sc.Scan() {
			n, err := fhirjson.Parse(sc.Bytes())
			if err != nil {
				b.t.Fatal(err)
			}
			if n.Str("resourceType") != f.Type {
				b.t.Errorf("%s holds a %s", f.Name, n.Str("resourceType"))
			}
			key := f.Type + "/" + n.Str("id")
			if _, twice := out[key]; twice {
				b.t.Errorf("%s stands twice", key)
			}
			out[key] = n.Path("meta").Str("versionId")
			count++
		}
		if count != f.Count {
			b.t.Errorf("%s: %d lines, count says %d", f.Name, count, f.Count)
		}
	}
	return out
}

// standing is what a horizon holds, by the change feed alone.
func (b *bench) standing(horizon int64) map[string]string {
	b.t.Helper()
	out := map[string]string{}
	for after := int64(0); ; {
		vs, err := b.store.Changes(b.t.Context(), after, 1000)
		if err != nil {
			b.t.Fatal(err)
		}
		if len(vs) == 0 {
			return out
		}
		for _, v := range vs {
			after = v.Seq
			switch {
			case v.Seq > horizon:
				return out
			case v.Deleted():
				delete(out, v.Key.String())
			default:
				out[v.Key.String()] = fmt.Sprint(v.Number)
			}
		}
	}
}

var everything = "system/*.rs"

func patient(id, name string) string {
	return fmt.Sprintf(`{"resourceType":"Patient","id":%q,"name":[{"family":%q}]}`, id, name)
}

func TestExportHoldsEverything(t *testing.T) {
	b := newBench(t)
	b.hospital(4, 2)
	s, who := b.service(), caller(everything)
	j := b.export(s, who, b.request(OfSystem, "", ""))
	if j.Phase != Complete {
		t.Fatal(j.Phase, j.Error)
	}
	last, _ := b.store.LastSeq(t.Context())
	if j.Horizon != last {
		t.Errorf("horizon %d, the feed ends at %d", j.Horizon, last)
	}
	if d := cmp.Diff(b.standing(last), b.resources(s, who, j)); d != "" {
		t.Error(d)
	}
	m := j.Manifest(func(n string) string { return "http://x/" + n }, "http://x/dictionary")
	if m.Str("transactionTime") == "" || m.Str("request") != "http://x/fhir/$export" || !m.IsTrue("requiresAccessToken") || m.Get("error") == nil || m.Get("deleted") != nil {
		t.Errorf("manifest %s", m.Bytes())
	}
	for _, f := range j.Files {
		fi, err := os.Stat(s.path(j.ID, f))
		if err != nil || fi.Mode().Perm() != 0o600 {
			t.Errorf("%s: %v %v", f.Name, fi.Mode(), err)
		}
	}
}

// TestSnapshot exports while others write, at every page a little.
func TestSnapshot(t *testing.T) {
	b := newBench(t)
	for i := range 60 {
		b.put(patient(fmt.Sprint("p", i), "before"))
	}
	for i := range 10 {
		b.delete("Patient", fmt.Sprint("p", 50+i))
	}
	who := caller(everything)
	meddle := 0
	s := b.service(func(o *Options) { o.FileRows = 20 })
	s.scan = scanFunc(func(ctx context.Context, typ string, after, upTo int64, limit int) ([]store.Version, error) {
		if typ == "Patient" {
			// What stands behind the reader, before it, and what is new.
			b.put(patient(fmt.Sprint("p", meddle%40), "after"))
			b.put(patient(fmt.Sprint("p", 45), "after"))
			b.put(patient(fmt.Sprint("new", meddle), "after"))
			b.put(patient(fmt.Sprint("p", 50+meddle%10), "brought back"))
			if meddle < 5 {
				b.delete("Patient", fmt.Sprint("p", 40+meddle))
			}
			meddle++
		}
		return feed{b.store}.Scan(ctx, typ, after, upTo, min(limit, 7))
	})
	j := b.export(s, who, b.request(OfSystem, "", "_type=Patient"))
	if j.Phase != Complete || meddle < 5 || len(j.Files) < 3 {
		t.Fatal(j.Phase, j.Error, meddle, len(j.Files))
	}
	got := b.resources(s, who, j)
	if d := cmp.Diff(b.standing(j.Horizon), got); d != "" {
		t.Error(d)
	}
	if len(got) != 50 {
		t.Errorf("%d patients, want the 50 of the kick-off", len(got))
	}
}

type scanFunc func(ctx context.Context, typ string, after, upTo int64, limit int) ([]store.Version, error)

func (f scanFunc) Scan(ctx context.Context, typ string, after, upTo int64, limit int) ([]store.Version, error) {
	return f(ctx, typ, after, upTo, limit)
}

func TestSinceUntilDeleted(t *testing.T) {
	b := newBench(t)
	s, who := b.service(), caller(everything)
	b.put(patient("a", "old"))
	b.put(patient("b", "old"))
	b.put(patient("c", "old"))
	b.clock.advance(time.Hour)
	first := b.export(s, who, b.request(OfSystem, "", ""))
	b.clock.advance(time.Hour)
	b.put(patient("b", "new"))
	b.put(patient("d", "new"))
	b.delete("Patient", "c")
	b.clock.advance(time.Hour)
	then := b.clock.Now()
	b.clock.advance(time.Hour)
	b.put(patient("a", "newest"))
	b.clock.advance(time.Hour)

	second := b.export(s, who, b.request(OfSystem, "", "_since="+instant(first.Time)))
	if d := cmp.Diff(map[string]string{"Patient/a": "2", "Patient/b": "2", "Patient/d": "1"}, b.resources(s, who, second)); d != "" {
		t.Error(d)
	}
	i := slices.IndexFunc(second.Files, func(f File) bool { return f.Role == Deleted })
	if i < 0 {
		t.Fatal("no file of deletions")
	}
	if text := string(b.content(s, who, second, second.Files[i].Name)); text != `{"resourceType":"Bundle","type":"transaction","entry":[{"request":{"method":"DELETE","url":"Patient/c"}}]}`+"\n" {
		t.Error(text)
	}
	if m := second.Manifest(func(n string) string { return n }, ""); len(m.Each("deleted")) != 1 {
		t.Errorf("%s", m.Bytes())
	}

	past := b.export(s, who, b.request(OfSystem, "", "_until="+instant(then)))
	if d := cmp.Diff(map[string]string{"Patient/a": "1", "Patient/b": "2", "Patient/d": "1"}, b.resources(s, who, past)); d != "" {
		t.Error("as it was then:", d)
	}
}

func TestResume(t *testing.T) {
	b := newBench(t)
	for i := range 40 {
		b.put(patient(fmt.Sprint("p", i), "x"))
	}
	who := caller(everything)
	small := func(o *Options) { o.FileRows = 10 }
	s := b.service(small)
	id, err := s.Start(t.Context(), who, b.request(OfSystem, "", "_type=Patient"), "")
	if err != nil {
		t.Fatal(err)
	}
	// The process ends in the middle of the third file.
	ctx, stop := context.WithCancel(t.Context())
	pages := 0
	s.scan = scanFunc(func(c context.Context, typ string, after, upTo int64, limit int) ([]store.Version, error) {
		if pages++; pages == 6 {
			stop()
			return nil, c.Err()
		}
		return feed{b.store}.Scan(c, typ, after, upTo, 5)
	})
	for s.next(ctx, 1) {
	}
	j, _, err := s.job(t.Context(), who, id)
	if err != nil || j.Phase != Running || len(j.Files) == 0 || len(j.Files) > 2 {
		t.Fatalf("after the abort: %+v %v", j, err)
	}
	firsts := slices.Clone(j.Files)
	b.put(patient("late", "x"))

	s = b.service(small)
	for s.next(t.Context(), 2) {
	}
	j, _, err = s.Status(t.Context(), who, id)
	if err != nil || j.Phase != Complete {
		t.Fatal(j, err)
	}
	if d := cmp.Diff(firsts, j.Files[:len(firsts)]); d != "" {
		t.Error("finished files were written again:", d)
	}
	if d := cmp.Diff(b.standing(j.Horizon), b.resources(s, who, j)); d != "" {
		t.Error(d)
	}
	if n := len(b.resources(s, who, j)); n != 40 {
		t.Error(n, "patients")
	}
}

// TestWokenHolder: a process that stood still while another took the export
// over and ended it goes on as if nothing had happened, for it does not know.
// What the other wrote, and the job, are not touched.
func TestWokenHolder(t *testing.T) {
	for name, wakes := range map[string]error{"and writes": nil, "and fails": errors.New("its own trouble")} {
		t.Run(name, func(t *testing.T) {
			b := newBench(t)
			for i := range 40 {
				b.put(patient(fmt.Sprint("p", i), "x"))
			}
			who := caller(everything)
			old := b.service()
			id, err := old.Start(t.Context(), who, b.request(OfSystem, "", "_type=Patient"), "")
			if err != nil {
				t.Fatal(err)
			}
			stands, wake, over := make(chan struct{}), make(chan struct{}), make(chan struct{})
			stop := sync.OnceFunc(func() { close(stands) })
			old.scan = scanFunc(func(c context.Context, typ string, after, upTo int64, limit int) ([]store.Version, error) {
				vs, err := feed{b.store}.Scan(c, typ, after, upTo, 5)
				stop()
				<-wake
				return vs, errors.Join(err, wakes)
			})
			go func() {
				old.next(t.Context(), 1)
				close(over)
			}()
			<-stands
			next := b.service()
			for next.next(t.Context(), 2) {
			}
			want, _, err := next.Status(t.Context(), who, id)
			if err != nil || want.Phase != Complete {
				t.Fatal(want, err)
			}
			close(wake)
			<-over
			got, _, err := next.job(t.Context(), who, id)
			if err != nil {
				t.Fatal(err)
			}
			if d := cmp.Diff(want, got); d != "" {
				t.Error(d)
			}
			if d := cmp.Diff(b.standing(want.Horizon), b.resources(next, who, got)); d != "" {
				t.Error(d)
			}
		})
	}
}

func TestLostFilesFailVisibly(t *testing.T) {
	b := newBench(t)
	for i := range 30 {
		b.put(patient(fmt.Sprint("p", i), "x"))
	}
	who := caller(everything)
	s := b.service(func(o *Options) { o.FileRows = 10 })
	id, err := s.Start(t.Context(), who, b.request(OfSystem, "", "_type=Patient"), "")
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	pages := 0
	s.scan = scanFunc(func(c context.Context, typ string, after, upTo int64, _ int) ([]store.Version, error) {
		if pages++; pages == 6 {
			stop()
			return nil, c.Err()
		}
		return feed{b.store}.Scan(c, typ, after, upTo, 5)
	})
	for s.next(ctx, 1) {
	}
	if err := os.RemoveAll(s.dir(id)); err != nil {
		t.Fatal(err)
	}
	s = b.service()
	for s.next(t.Context(), 2) {
	}
	j, _, err := s.Status(t.Context(), who, id)
	if err != nil || j.Phase != Failed || !strings.Contains(j.Error, "tart the export again") {
		t.Fatal(j, err)
	}
}

func TestOnlyItsClient(t *testing.T) {
	b := newBench(t)
	b.put(patient("a", "x"))
	s, who := b.service(), caller(everything)
	j := b.export(s, who, b.request(OfSystem, "", ""))
	for name, change := range map[string]func(*auth.Principal){
		"subject": func(p *auth.Principal) { p.Subject = "Practitioner/y" },
		"client":  func(p *auth.Principal) { p.Client = "other" },
		"issuer":  func(p *auth.Principal) { p.Issuer = "other" },
	} {
		other := caller(everything)
		change(other)
		if _, _, err := s.Status(t.Context(), other, j.ID); !fault.Is(err, fault.NotFound) {
			t.Error(name, "status:", err)
		}
		if _, _, _, err := s.OpenFile(t.Context(), other, j.ID, j.Files[0].Name); !fault.Is(err, fault.NotFound) {
			t.Error(name, "file:", err)
		}
		if err := s.Delete(t.Context(), other, j.ID); !fault.Is(err, fault.NotFound) {
			t.Error(name, "delete:", err)
		}
	}
	for _, name := range []string{"", "..", "../../tidemark.db", "Patient-1.ndjson.gz", "Patient-2.ndjson"} {
		if _, _, _, err := s.OpenFile(t.Context(), who, j.ID, name); !fault.Is(err, fault.NotFound) {
			t.Errorf("file %q: %v", name, err)
		}
	}
}

func TestDeleteAndExpiry(t *testing.T) {
	b := newBench(t)
	b.put(patient("a", "x"))
	s, who := b.service(), caller(everything)
	deleted := b.export(s, who, b.request(OfSystem, "", ""))
	if err := s.Delete(t.Context(), who, deleted.ID); err != nil {
		t.Fatal(err)
	}
	expired := b.export(s, who, b.request(OfSystem, "", ""))
	if got := expired.Expires.Sub(expired.Ended); got != 24*time.Hour {
		t.Error("kept for", got)
	}
	b.clock.advance(25 * time.Hour)
	fresh := b.export(s, who, b.request(OfSystem, "", ""))
	for _, j := range []*Job{deleted, expired} {
		if _, _, err := s.Status(t.Context(), who, j.ID); !fault.Is(err, fault.NotFound) {
			t.Error(err)
		}
	}
	s.sweep(t.Context())
	names, _ := b.store.States(t.Context(), prefix)
	if d := cmp.Diff([]string{prefix + fresh.ID}, names); d != "" {
		t.Error(d)
	}
	dirs, _ := os.ReadDir(s.Dir)
	if len(dirs) != 1 || dirs[0].Name() != fresh.ID {
		t.Error("left over:", dirs)
	}
}

func TestDeleteWhileRunning(t *testing.T) {
	b := newBench(t)
	for i := range 30 {
		b.put(patient(fmt.Sprint("p", i), "x"))
	}
	who := caller(everything)
	s := b.service(func(o *Options) { o.FileRows = 5 })
	id, err := s.Start(t.Context(), who, b.request(OfSystem, "", "_type=Patient"), "")
	if err != nil {
		t.Fatal(err)
	}
	s.scan = scanFunc(func(c context.Context, typ string, after, upTo int64, _ int) ([]store.Version, error) {
		if after > 10 {
			if err := s.Delete(t.Context(), who, id); err != nil && !fault.Is(err, fault.NotFound) {
				t.Error(err)
			}
		}
		return feed{b.store}.Scan(c, typ, after, upTo, 5)
	})
	for s.next(t.Context(), 1) {
	}
	if _, _, err := s.Status(t.Context(), who, id); !fault.Is(err, fault.NotFound) {
		t.Error(err)
	}
	if _, err := os.Stat(s.dir(id)); !os.IsNotExist(err) {
		t.Error("the files are still there:", err)
	}
}

func TestPolling(t *testing.T) {
	b := newBench(t)
	b.put(patient("a", "x"))
	s, who := b.service(), caller(everything)
	id, err := s.Start(t.Context(), who, b.request(OfSystem, "", ""), "")
	if err != nil {
		t.Fatal(err)
	}
	_, wait, err := s.Status(t.Context(), who, id)
	if err != nil || wait != time.Second {
		t.Fatal(wait, err)
	}
	if _, _, err = s.Status(t.Context(), who, id); !fault.Is(err, fault.TooMany) || fault.Of(err).RetryAfter <= 0 {
		t.Error("asked at once:", err)
	}
	b.clock.advance(wait)
	if _, _, err = s.Status(t.Context(), who, id); err != nil {
		t.Error("asked in time:", err)
	}
	for range 3 {
		if _, err := s.Start(t.Context(), who, b.request(OfSystem, "", ""), ""); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := s.Start(t.Context(), who, b.request(OfSystem, "", ""), ""); !fault.Is(err, fault.TooMany) {
		t.Error("a fifth export at once:", err)
	}
}

func TestRun(t *testing.T) {
	b := newBench(t)
	b.put(patient("a", "x"))
	s, who := b.service(), caller(everything)
	ctx, stop := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() { s.Run(ctx); close(done) }()
	id, err := s.Start(ctx, who, b.request(OfSystem, "", ""), "")
	if err != nil {
		t.Fatal(err)
	}
	for i := 0; ; i++ {
		b.clock.advance(time.Minute)
		j, _, err := s.Status(ctx, who, id)
		if err != nil {
			t.Fatal(err)
		}
		if j.Phase == Complete {
			break
		}
		if i > 2000 {
			t.Fatal("the runner does not work:", j.Phase)
		}
		time.Sleep(time.Millisecond)
	}
	stop()
	<-done
}

// The files of exports take so much and no more, and a client has so many jobs.
func TestQuota(t *testing.T) {
	b := newBench(t)
	b.hospital(3, 1)
	s := b.service(func(o *Options) { o.Quota = 1; o.MaxKept = 2 })
	who := caller(everything)
	first := b.export(s, who, b.request(OfSystem, "", ""))
	if first.Phase != Complete {
		t.Fatal(first.Error)
	}
	if _, err := s.Start(t.Context(), who, b.request(OfSystem, "", ""), "u"); !fault.Is(err, fault.TooMany) || !strings.Contains(err.Error(), "delete") {
		t.Errorf("over the quota: %v", err)
	}
	s.Quota = 1 << 30
	b.export(s, who, b.request(OfSystem, "", ""))
	if _, err := s.Start(t.Context(), who, b.request(OfSystem, "", ""), "u"); !fault.Is(err, fault.TooMany) {
		t.Errorf("a third job of one client: %v", err)
	}
	if err := s.Delete(t.Context(), who, first.ID); err != nil {
		t.Fatal(err)
	}
	b.export(s, who, b.request(OfSystem, "", ""))
	// One that grows beyond the quota while it runs fails, and its files go.
	s.Quota, s.MaxKept = 0, 10
	id, err := s.Start(t.Context(), who, b.request(OfSystem, "", ""), "u")
	if err != nil {
		t.Fatal(err)
	}
	s.Quota = 1
	for s.next(t.Context(), 1) {
	}
	j, _, err := s.Status(t.Context(), who, id)
	if err != nil || j.Phase != Failed || !strings.Contains(j.Error, "delete") {
		t.Errorf("%v %+v", err, j)
	}
}
