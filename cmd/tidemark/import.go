package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"os/signal"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"time"

	"github.com/schollz/progressbar/v3"

	"tidemark/internal/app"
	"tidemark/internal/bulk"
	"tidemark/internal/fault"
	"tidemark/internal/fhirjson"
	"tidemark/internal/policy"
	"tidemark/internal/profile"
	"tidemark/internal/store"
	"tidemark/internal/ward"
)

type importCmd struct {
	place    `embed:""`
	Files    []string `arg:"" help:"NDJSON files, or folders of them." type:"path"`
	To       string   `help:"FHIR base URL of a server to import into, instead of a store." placeholder:"URL"`
	Token    string   `help:"Bearer token for --to."`
	Batch    int      `help:"Resources to a transaction." default:"100"`
	Versions bool     `help:"The file of tidemark export --versions, into an empty store."`

	refusal string // where what was refused stands, and the first reason
}

func (c *importCmd) Run(e *env) error {
	ctx, stop := signal.NotifyContext(context.Background(), syscall.SIGINT, syscall.SIGTERM)
	defer stop()
	var counts bulk.Counts
	var err error
	switch {
	case c.Batch < 1 || c.Batch > 1000:
		return errors.New("--batch is a number from 1 to 1000")
	case c.To != "" && c.Versions:
		return errors.New("--versions writes a store: leave --to out, and name its --data or --store")
	case c.Versions:
		counts, err = c.move(ctx, e)
	case c.To != "":
		var cl *caller
		if cl, err = newCaller("--to", c.To, c.Token); err == nil {
			counts, err = c.load(ctx, e, cl)
		}
	default:
		counts, err = c.local(ctx, e)
	}
	return conclude(ctx, e, counts, c.refusal, err)
}

// move brings in every version.
func (c *importCmd) move(ctx context.Context, e *env) (bulk.Counts, error) {
	if len(c.Files) != 1 {
		return bulk.Counts{}, errors.New("--versions takes one file")
	}
	name := c.Files[0]
	if fi, err := os.Stat(name); err == nil && fi.IsDir() {
		name = filepath.Join(name, bulk.HistoryFile)
	}
	f, err := os.Open(name)
	if err != nil {
		return bulk.Counts{}, fmt.Errorf("cannot read %s (%w)", name, err)
	}
	defer f.Close() // only read
	bar := c.bar(e, []string{name})
	m := &bulk.Move{Settled: func(offset int64, _ bulk.Counts) error { _ = bar.Set64(offset); return nil }}
	o, err := c.open(ctx, e, m.Clock)
	if err != nil {
		return bulk.Counts{}, err
	}
	m.Store, m.Extract = o.store, o.extract
	counts, err := m.Run(ctx, f)
	_ = bar.Finish() // a bar that cannot be drawn is no failure
	if m.Late > 0 {
		fmt.Fprintf(e.err, "The store gave its own time, that of this import, as lastUpdated of %s.\n", plural(m.Late, "version", "versions"))
	}
	return counts, errors.Join(err, o.store.Close())
}

// local brings resources into a store, through the same checks as a server's.
func (c *importCmd) local(ctx context.Context, e *env) (bulk.Counts, error) {
	o, err := c.open(ctx, e, time.Now)
	if err != nil {
		return bulk.Counts{}, err
	}
	library, err := profile.New()
	if err != nil {
		return bulk.Counts{}, errors.Join(err, o.store.Close())
	}
	w := ward.New(o.store, ward.Options{
		Policy: func() *policy.Policy { return o.policy }, Extract: o.extract, Clock: time.Now, Logger: e.log,
		Validate: func(n *fhirjson.Node) *fault.List { return app.Validate(library, n) },
	})
	counts, err := c.load(ctx, e, shelf{w, o.store})
	if err == nil {
		// The rules evaluate each drain once, when all of it is there.
		_, err = w.Sweep(ctx, true)
	}
	return counts, errors.Join(err, o.store.Close())
}

// shelf is a store as the target of an import.
type shelf struct {
	ward  *ward.Service
	store store.Store
}

// Current implements bulk.Target.
func (s shelf) Current(ctx context.Context, keys []store.Key) ([]*fhirjson.Node, error) {
	out := make([]*fhirjson.Node, len(keys))
	for i, k := range keys {
		v, err := s.store.Read(ctx, k)
		switch {
		case fault.Is(err, fault.NotFound), err == nil && v.Deleted():
			continue
		case err != nil:
			return nil, err
		}
		if out[i], err = fhirjson.Parse(v.JSON()); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// Write implements bulk.Target.
func (s shelf) Write(ctx context.Context, items []bulk.Item) error {
	changes := make([]ward.Change, len(items))
	for i, it := range items {
		changes[i] = ward.Change{Method: store.Put, Key: it.Key, Resource: it.Tree.Clone()}
	}
	_, err := s.ward.Load(ctx, changes)
	var all *ward.Refused
	if errors.As(err, &all) {
		return all.Unwrap()
	}
	return err
}

// settled is how far the import of one file has come. Of another file under the
// same name it says nothing.
type settled struct {
	Target string      `json:"target"`
	Size   int64       `json:"size"`
	Time   time.Time   `json:"modified"`
	Offset int64       `json:"offset"`
	Lines  int         `json:"lines"`
	Counts bulk.Counts `json:"counts"`
}

// load brings the files into a target.
func (c *importCmd) load(ctx context.Context, e *env, t bulk.Target) (bulk.Counts, error) {
	files, err := c.files()
	if err != nil {
		return bulk.Counts{}, err
	}
	bar := c.bar(e, files)
	defer bar.Finish() // a bar that cannot be drawn is no failure
	var total bulk.Counts
	before := int64(0)
	for _, name := range files {
		counts, size, err := c.file(ctx, name, t, func(at int64, rows int) {
			bar.Describe("importing, " + plural(total.Read+rows, "row", "rows"))
			_ = bar.Set64(before + at)
		})
		before += size
		total.Read += counts.Read
		total.Written += counts.Written
		total.Skipped += counts.Skipped
		total.Refused += counts.Refused
		if err != nil {
			return total, err
		}
	}
	return total, nil
}

func (c *importCmd) file(ctx context.Context, name string, t bulk.Target, shown func(offset int64, rows int)) (counts bulk.Counts, size int64, err error) {
	f, err := os.Open(name)
	if err != nil {
		return counts, 0, fmt.Errorf("cannot read %s (%w)", name, err)
	}
	defer f.Close() // only read
	p := settled{Target: c.target()}
	if fi, err := f.Stat(); err == nil {
		size = fi.Size()
		p.Size, p.Time = size, fi.ModTime().UTC()
	}
	at, no := name+".progress", strings.TrimSuffix(name, ".ndjson")+".refused.ndjson"
	var have settled
	if data, err := os.ReadFile(at); err == nil && json.Unmarshal(data, &have) == nil && have.Target == p.Target && have.Size == size && have.Time.Equal(p.Time) {
		p = have
	} else if err := os.Remove(no); err != nil && !errors.Is(err, os.ErrNotExist) {
		return counts, size, fmt.Errorf("cannot replace %s (%w)", no, err)
	}
	if _, err := f.Seek(p.Offset, io.SeekStart); err != nil {
		return counts, size, fmt.Errorf("cannot read %s (%w)", name, err)
	}
	var refused *os.File
	l := bulk.Load{
		Target: t, Batch: c.Batch,
		Refused: func(line []byte, number int, why error) (err error) {
			if refused == nil {
				if refused, err = os.OpenFile(no, os.O_APPEND|os.O_CREATE|os.O_WRONLY, 0o600); err != nil {
					return fmt.Errorf("cannot write %s (%w)", no, err)
				}
			}
			if c.refusal == "" {
				c.refusal = fmt.Sprintf("they stand in %s with the reasons, the first: line %d: %s", no, number, fault.Of(why).Error())
			}
			_, err = refused.Write(append(refusedLine(line, number, why), '\n'))
			return err
		},
		Settled: func(offset int64, lines int, counts bulk.Counts) error {
			shown(offset, lines)
			data, err := json.Marshal(settled{p.Target, p.Size, p.Time, offset, lines, counts})
			if err != nil {
				return err
			}
			return bulk.Replace(at, data)
		},
	}
	counts, err = l.Run(ctx, f, p.Offset, p.Lines, p.Counts)
	if refused != nil {
		err = errors.Join(err, refused.Close())
	}
	if err == nil {
		err = os.Remove(at)
		if errors.Is(err, os.ErrNotExist) {
			err = nil
		}
	}
	return counts, size, err
}

// refusedLine is an OperationOutcome with what was refused, as text, inside.
func refusedLine(line []byte, number int, why error) []byte {
	issues := fhirjson.Arr()
	for _, is := range fault.Of(why).Issues {
		issue := fhirjson.Obj("severity", "error", "code", is.Code, "diagnostics", is.Diagnostics)
		if len(is.Expression) > 0 {
			issue.Set("expression", fhirjson.Arr(is.Expression[0]))
		}
		issues.Items = append(issues.Items, issue)
	}
	return fhirjson.Obj("line", number, "outcome", fhirjson.Obj("resourceType", "OperationOutcome", "issue", issues), "text", string(line)).Bytes()
}

// target names where the resources go, so that a progress file of another
// target is not taken for this one's.
func (c *importCmd) target() string {
	if c.To != "" {
		return strings.TrimSuffix(c.To, "/")
	}
	return c.name()
}

// name says which store it is, without a password.
func (p place) name() string {
	if p.Store == "" {
		return p.Data
	}
	at, _, _ := strings.Cut(p.Store, "?")
	if _, host, found := strings.Cut(at, "@"); found {
		return host
	}
	return at
}

// files lists the files, those of a folder in the order of their references.
func (c *importCmd) files() ([]string, error) {
	var out []string
	for _, name := range c.Files {
		fi, err := os.Stat(name)
		if err != nil {
			return nil, fmt.Errorf("cannot read %s (%w)", name, err)
		}
		if !fi.IsDir() {
			out = append(out, name)
			continue
		}
		found, err := filepath.Glob(filepath.Join(name, "*.ndjson"))
		if err != nil {
			return nil, err
		}
		byType := map[string][]string{}
		var types []string
		for _, f := range found {
			base := filepath.Base(f)
			if base == bulk.HistoryFile || strings.HasSuffix(base, ".refused.ndjson") || strings.HasPrefix(base, "deleted-") || strings.HasPrefix(base, "issues-") {
				continue
			}
			t := base[:strings.IndexAny(base, "-.")]
			if byType[t] == nil {
				types = append(types, t)
			}
			byType[t] = append(byType[t], f)
		}
		for _, t := range inOrder(types) {
			slices.SortFunc(byType[t], byNumber)
			out = append(out, byType[t]...)
		}
	}
	if len(out) == 0 {
		return nil, fmt.Errorf("there is no .ndjson file in %s", strings.Join(c.Files, ", "))
	}
	return out, nil
}

// byNumber orders Observation-2 before Observation-10.
func byNumber(a, b string) int {
	if len(a) != len(b) {
		return len(a) - len(b)
	}
	return strings.Compare(a, b)
}

func (c *importCmd) bar(e *env, files []string) *progressbar.ProgressBar {
	total := int64(0)
	for _, f := range files {
		if fi, err := os.Stat(f); err == nil {
			total += fi.Size()
		}
	}
	return progress(e, total, "importing", progressbar.OptionShowBytes(true))
}

// remote waits for the begin of an answer, not for its end: files are large.
var remote = func() *http.Client {
	t := http.DefaultTransport.(*http.Transport).Clone()
	t.ResponseHeaderTimeout = 2 * time.Minute
	return &http.Client{Transport: t}
}()

// caller speaks to a FHIR server.
type caller struct {
	base, token string
}

// newCaller reads the base URL that a flag names.
func newCaller(flag, base, token string) (*caller, error) {
	u, err := url.Parse(base)
	if err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https" {
		return nil, fmt.Errorf("%s %q is not a FHIR base URL such as http://127.0.0.1:8080/fhir", flag, base)
	}
	return &caller{strings.TrimSuffix(base, "/"), token}, nil
}

// do sends a request, again where the server asks to wait.
func (c *caller) do(ctx context.Context, method, to string, body []byte, h http.Header) (*http.Response, error) {
	const most = 30
	for try := 1; ; try++ {
		req, err := http.NewRequestWithContext(ctx, method, to, bytes.NewReader(body))
		if err != nil {
			return nil, fmt.Errorf("%q is not a URL", to)
		}
		for k, v := range h {
			req.Header[k] = v
		}
		// The token is for this server alone, wherever a manifest may point.
		if c.token != "" && c.own(req.URL) {
			req.Header.Set("Authorization", "Bearer "+c.token)
		}
		res, err := remote.Do(req)
		switch {
		case ctx.Err() != nil:
			return nil, ctx.Err()
		case err != nil:
			return nil, fmt.Errorf("%s does not answer; is the service running there?", c.base)
		case res.StatusCode == http.StatusUnauthorized || res.StatusCode == http.StatusForbidden:
			return nil, refusedToken(res)
		case (res.StatusCode == http.StatusTooManyRequests || res.StatusCode == http.StatusServiceUnavailable) && try < most:
			res.Body.Close()
			if err := pause(ctx, retryAfter(res.Header, time.Second)); err != nil {
				return nil, err
			}
		default:
			return res, nil
		}
	}
}

// refusedToken says why a server does not take the token, in its words.
func refusedToken(res *http.Response) error {
	body, _ := io.ReadAll(io.LimitReader(res.Body, 1<<20)) // only for its words
	res.Body.Close()
	return fmt.Errorf("the server refuses the token (%s); give one with --token, such as tidemark token --role integration mints", diagnostics(res.StatusCode, body))
}

// own reports whether a URL leads to the server itself.
func (c *caller) own(u *url.URL) bool {
	base, err := url.Parse(c.base)
	return err == nil && u.Scheme == base.Scheme && u.Host == base.Host
}

func retryAfter(h http.Header, otherwise time.Duration) time.Duration {
	n, err := strconv.Atoi(h.Get("Retry-After"))
	if err != nil || n < 0 {
		return otherwise
	}
	return min(time.Duration(n)*time.Second, 2*time.Minute)
}

func pause(ctx context.Context, d time.Duration) error {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-t.C:
		return nil
	}
}

// diagnostics is what an OperationOutcome says.
func diagnostics(status int, body []byte) string {
	n, err := fhirjson.Parse(body)
	var words []string
	if err == nil {
		for _, is := range n.Each("issue") {
			words = append(words, is.Str("diagnostics"))
		}
	}
	return strings.TrimSpace(strconv.Itoa(status) + " " + strings.Join(words, " "))
}

// post sends a Bundle and gives the answer.
func (c *caller) post(ctx context.Context, bundle []byte, prefer string) (*fhirjson.Node, error) {
	res, err := c.do(ctx, http.MethodPost, c.base, bundle, http.Header{"Content-Type": {"application/fhir+json"}, "Prefer": {prefer}})
	if err != nil {
		return nil, err
	}
	defer res.Body.Close()
	body, err := io.ReadAll(res.Body)
	if err != nil {
		return nil, fmt.Errorf("the answer of %s broke off (%w)", c.base, err)
	}
	switch {
	case res.StatusCode < 300:
		return fhirjson.Parse(body)
	case res.StatusCode < 500:
		return nil, refusalOf(res.StatusCode, body)
	}
	return nil, fmt.Errorf("%s failed: %s", c.base, diagnostics(res.StatusCode, body))
}

// refusalOf is a server's no to what was sent.
func refusalOf(status int, body []byte) error {
	e := fault.New(fault.Rule, "processing", "%s", diagnostics(status, body))
	if n, err := fhirjson.Parse(body); err == nil && len(n.Each("issue")) > 0 {
		e.Issues = nil
		for _, is := range n.Each("issue") {
			x := fault.Issue{Severity: fault.Err, Code: is.Str("code"), Diagnostics: is.Str("diagnostics")}
			for _, at := range is.Each("expression") {
				x.Expression = append(x.Expression, at.Text)
			}
			e.Issues = append(e.Issues, x)
		}
	}
	return e
}

// Current implements bulk.Target: one batch of reads.
func (c *caller) Current(ctx context.Context, keys []store.Key) ([]*fhirjson.Node, error) {
	var entries []*fhirjson.Node
	for _, k := range keys {
		entries = append(entries, fhirjson.Obj("request", fhirjson.Obj("method", "GET", "url", k.String())))
	}
	answer, err := c.post(ctx, fhirjson.Obj("resourceType", "Bundle", "type", "batch", "entry", entries).Bytes(), "return=representation")
	if err != nil {
		return nil, err
	}
	out := make([]*fhirjson.Node, len(keys))
	for i, e := range answer.Each("entry") {
		if i < len(out) && strings.HasPrefix(e.Get("response").Str("status"), "200") {
			out[i] = e.Get("resource")
		}
	}
	return out, nil
}

// Write implements bulk.Target: one transaction.
func (c *caller) Write(ctx context.Context, items []bulk.Item) error {
	var entries []*fhirjson.Node
	for _, it := range items {
		entries = append(entries, fhirjson.Obj("resource", it.Tree, "request", fhirjson.Obj("method", "PUT", "url", it.Key.String())))
	}
	_, err := c.post(ctx, fhirjson.Obj("resourceType", "Bundle", "type", "transaction", "entry", entries).Bytes(), "return=minimal")
	return err
}

// kickOff asks for a bulk export and gives the URL of its status.
func (c *caller) kickOff(ctx context.Context, request string) (string, error) {
	res, err := c.do(ctx, http.MethodGet, request, nil, http.Header{"Accept": {"application/fhir+json"}, "Prefer": {"respond-async"}})
	if err != nil {
		return "", err
	}
	body, _ := io.ReadAll(io.LimitReader(res.Body, 1<<20)) // only for its words
	res.Body.Close()
	at := res.Header.Get("Content-Location")
	if res.StatusCode != http.StatusAccepted || at == "" {
		return "", fmt.Errorf("the server does not take up the export: %s", diagnostics(res.StatusCode, body))
	}
	return at, nil
}

// download fetches a file under its final name only when it is whole.
func (c *caller) download(ctx context.Context, from, path string) error {
	res, err := c.do(ctx, http.MethodGet, from, nil, nil)
	if err != nil {
		return err
	}
	defer res.Body.Close()
	if res.StatusCode != http.StatusOK {
		return fmt.Errorf("the server does not give %s (%d)", filepath.Base(path), res.StatusCode)
	}
	part := path + ".partial"
	f, err := os.OpenFile(part, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return fmt.Errorf("cannot write %s (%w)", part, err)
	}
	_, err = io.Copy(f, res.Body)
	if err = errors.Join(err, f.Close()); err != nil {
		return fmt.Errorf("%s did not arrive whole (%w)", filepath.Base(path), err)
	}
	return os.Rename(part, path)
}

// forget tells the server that the files may go; it would find out itself.
func (c *caller) forget(ctx context.Context, status string) {
	if res, err := c.do(ctx, http.MethodDelete, status, nil, nil); err == nil {
		res.Body.Close()
	}
}
