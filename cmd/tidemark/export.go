package main

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net/http"
	"net/url"
	"os"
	"os/signal"
	"path"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"time"

	"github.com/schollz/progressbar/v3"

	"tidemark/api"
	"tidemark/internal/app"
	"tidemark/internal/bulk"
	"tidemark/internal/fhirjson"
	"tidemark/internal/notify"
	"tidemark/internal/policy"
	"tidemark/internal/search"
	"tidemark/internal/store"
)

// place is a store that a command opens itself.
type place struct {
	Data    string `help:"Directory of the embedded store, which no other process may be serving." default:"./tidemark-data" type:"path" placeholder:"DIR"`
	Store   string `help:"MongoDB instead of the embedded store." placeholder:"mongodb://…/db"`
	BaseURL string `name:"base-url" help:"URL under which clients reach the service, without /fhir." default:"http://127.0.0.1:8080" placeholder:"URL"`
	Policy  string `help:"Ward policy file." type:"path" placeholder:"FILE"`
}

// opened is such a store with what it takes to read resources for it.
type opened struct {
	store   store.Store
	policy  *policy.Policy
	extract search.ExtractOptions
}

// open opens the store. clock is its time.
func (p place) open(ctx context.Context, e *env, clock func() time.Time) (*opened, error) {
	o := &opened{policy: policy.Default()}
	var err error
	if p.Policy != "" {
		if o.policy, err = policy.Load(p.Policy); err != nil {
			return nil, err
		}
	}
	o.extract = search.ExtractOptions{Base: strings.TrimSuffix(p.BaseURL, "/") + "/fhir", Zone: o.policy.Zone()}
	o.store, err = app.OpenStore(ctx, app.Config{Data: p.Data, Store: p.Store, Clock: clock, Logger: e.log}, o.extract, nil)
	return o, err
}

type exportCmd struct {
	place       `embed:""`
	Out         string   `short:"o" help:"Folder for the NDJSON files." default:"./tidemark-export" type:"path" placeholder:"DIR"`
	From        string   `help:"FHIR base URL of a server to export from, instead of a store." placeholder:"URL"`
	Token       string   `help:"Bearer token for --from."`
	Type        []string `help:"Resource types to export; all when left out." placeholder:"TYPE"`
	Since       string   `help:"With --from: only what has changed since this instant." placeholder:"INSTANT"`
	Filter      []string `help:"With --from: only what this search finds, such as Observation?date=ge2026-11-22; the flat tables are narrowed by this alone." placeholder:"TYPE?QUERY" sep:"none"`
	Format      string   `help:"With --from: ndjson, or csv or parquet for the flat tables." enum:"ndjson,csv,parquet" default:"ndjson"`
	Partition   string   `help:"With --format csv or parquet: month lays the files out as TABLE/month=YYYY-MM, by the ward's day of each row." enum:",month" default:"" placeholder:"month"`
	Incremental bool     `help:"With --from: each run into a folder of its own below --out, named by its time, with what has changed since the run before; the first one takes everything."`
	Versions    bool     `help:"Every version of every resource, to move the store to another: one file, for tidemark import --versions."`

	transaction string // of the export that was fetched
}

func (c *exportCmd) Run(e *env) error {
	ctx, stop := signal.NotifyContext(context.Background(), syscall.SIGINT, syscall.SIGTERM)
	defer stop()
	var counts bulk.Counts
	var err error
	switch {
	case c.From != "" && c.Versions:
		return errors.New("--versions reads a store: leave --from out, and name its --data or --store")
	case c.From == "" && (c.Since != "" || c.Format != "ndjson" || len(c.Filter) > 0):
		return errors.New("--since, --filter and --format go with --from")
	case c.Partition != "" && c.Format == "ndjson":
		return errors.New("--partition goes with --format csv or parquet")
	case c.From == "" && c.Incremental:
		return errors.New("--incremental goes with --from")
	case c.Incremental && c.Since != "":
		return errors.New("--incremental knows since when: leave --since out")
	case c.Incremental:
		counts, err = c.next(ctx, e)
	case c.From != "":
		counts, err = c.fetch(ctx, e)
	default:
		counts, err = c.dump(ctx, e)
	}
	return conclude(ctx, e, counts, "", err)
}

// conclude prints the counts and gives the exit code.
func conclude(ctx context.Context, e *env, c bulk.Counts, refusal string, err error) error {
	if err == nil || c != (bulk.Counts{}) {
		fmt.Fprintln(e.err, c)
	}
	switch {
	case err != nil && ctx.Err() != nil:
		return &exit{1, errors.New("interrupted; the same command goes on from here")}
	case err != nil:
		return err
	case c.Refused > 0:
		text := plural(c.Refused, "resource was", "resources were") + " refused"
		if refusal != "" {
			text += "; " + refusal
		}
		return &exit{1, errors.New(text)}
	}
	return nil
}

func (c *exportCmd) dump(ctx context.Context, e *env) (bulk.Counts, error) {
	types := api.ExportTypes()
	for _, t := range c.Type {
		if !slices.Contains(types, t) {
			return bulk.Counts{}, fmt.Errorf("--type %q is not a type that is kept; there are %s", t, strings.Join(types, ", "))
		}
	}
	if len(c.Type) > 0 {
		types = c.Type
	}
	// Opening makes a store where there is none, and an empty export would look
	// like one that went well.
	if c.Store == "" {
		if _, err := os.Stat(c.Data); err != nil {
			return bulk.Counts{}, fmt.Errorf("no data directory %s: name the one of the service with --data, or a server with --from", c.Data)
		}
	}
	o, err := c.open(ctx, e, time.Now)
	if err != nil {
		return bulk.Counts{}, err
	}
	defer o.store.Close() // only read
	bar := progress(e, -1, "exporting", counting()...)
	d := bulk.Dump{Store: o.store, Source: c.name(), Types: inOrder(types), Versions: c.Versions, Dir: c.Out, Redact: notify.Redact, Progress: func(_, _ int64, rows int) { _ = bar.Set(rows) }}
	n, err := d.Run(ctx)
	_ = bar.Finish() // a bar that cannot be drawn is no failure
	return bulk.Counts{Read: n, Written: n}, err
}

// runs are the state of an incremental export, kept in its folder.
type runs struct {
	Request string `json:"request"`          // what is asked for, but for since when
	Time    string `json:"time,omitempty"`   // transactionTime of the last run that is whole
	Folder  string `json:"folder,omitempty"` // of the run that is not
}

const runsFile = ".tidemark-runs.json"

// next is the next run of an incremental export; one that was interrupted goes on.
func (c *exportCmd) next(ctx context.Context, e *env) (bulk.Counts, error) {
	base := c.Out
	if err := os.MkdirAll(base, 0o700); err != nil {
		return bulk.Counts{}, fmt.Errorf("cannot make the folder %s (%w)", base, err)
	}
	at := filepath.Join(base, runsFile)
	want := runs{Request: strings.Join(append([]string{c.From, c.Format, strings.Join(c.Type, ",")}, c.Filter...), " ")}
	if c.Partition != "" {
		want.Request += " --partition " + c.Partition
	}
	var r runs
	switch data, err := os.ReadFile(at); {
	case errors.Is(err, fs.ErrNotExist):
		r = want
	case err != nil:
		return bulk.Counts{}, fmt.Errorf("cannot read %s (%w)", at, err)
	case json.Unmarshal(data, &r) != nil || r.Request != want.Request:
		return bulk.Counts{}, fmt.Errorf("%s holds the runs of another export; name another --out", base)
	}
	keep := func() error {
		data, err := json.Marshal(r)
		if err != nil {
			return err
		}
		return bulk.Replace(at, data)
	}
	if r.Folder == "" {
		r.Folder = time.Now().UTC().Format("20060102T150405.000Z")
		if err := keep(); err != nil {
			return bulk.Counts{}, err
		}
	}
	c.Out, c.Since = filepath.Join(base, r.Folder), r.Time
	counts, err := c.fetch(ctx, e)
	if err != nil {
		return counts, err
	}
	fmt.Fprintln(e.out, c.Out)
	r.Time, r.Folder = c.transaction, ""
	return counts, keep()
}

// fetched is how far a bulk export from a server has come.
type fetched struct {
	Request string   `json:"request"`
	Status  string   `json:"status"` // its URL
	Done    []string `json:"done"`   // files
	Rows    int      `json:"rows"`
}

// fetch asks a server for a bulk export and fetches its files.
func (c *exportCmd) fetch(ctx context.Context, e *env) (bulk.Counts, error) {
	q := url.Values{"_outputFormat": {map[string]string{"ndjson": string(bulk.NDJSON), "csv": string(bulk.CSV), "parquet": string(bulk.Parquet)}[c.Format]}}
	if len(c.Type) > 0 {
		q.Set("_type", strings.Join(c.Type, ","))
	}
	if c.Since != "" {
		q.Set("_since", c.Since)
	}
	for _, f := range c.Filter {
		q.Add("_typeFilter", f)
	}
	if c.Partition != "" {
		q.Set("_partition", c.Partition)
	}
	cl, err := newCaller("--from", c.From, c.Token)
	if err != nil {
		return bulk.Counts{}, err
	}
	if err := os.MkdirAll(c.Out, 0o700); err != nil {
		return bulk.Counts{}, fmt.Errorf("cannot make the folder %s (%w)", c.Out, err)
	}
	at := filepath.Join(c.Out, bulk.ProgressFile)
	f := fetched{Request: cl.base + "/$export?" + q.Encode()}
	var have fetched
	if data, err := os.ReadFile(at); err == nil && json.Unmarshal(data, &have) == nil {
		if have.Request != f.Request {
			return bulk.Counts{}, fmt.Errorf("%s holds a part of another export; name another --out, or remove %s to start over", c.Out, bulk.ProgressFile)
		}
		f = have
	}
	keep := func() error {
		data, err := json.Marshal(f)
		if err != nil {
			return err
		}
		return bulk.Replace(at, data)
	}
	bar := progress(e, -1, "exporting", counting()...)
	defer bar.Finish() // a bar that cannot be drawn is no failure
	var manifest *fhirjson.Node
	if f.Status != "" {
		// An export that is gone is asked for again.
		if manifest, err = c.wait(ctx, cl, f.Status, bar); errors.Is(err, errExpired) {
			f = fetched{Request: f.Request}
		} else if err != nil {
			return bulk.Counts{}, err
		}
	}
	if f.Status == "" {
		if f.Status, err = cl.kickOff(ctx, f.Request); err != nil {
			return bulk.Counts{}, err
		}
		if err = keep(); err != nil {
			return bulk.Counts{}, err
		}
		if manifest, err = c.wait(ctx, cl, f.Status, bar); err != nil {
			return bulk.Counts{}, err
		}
	}
	bar.Describe("fetching")
	c.transaction = manifest.Str("transactionTime")
	for _, list := range []string{"output", "deleted", "error"} {
		for _, file := range manifest.Each(list) {
			from := file.Str("url")
			u, err := url.Parse(from)
			if err != nil {
				return bulk.Counts{}, fmt.Errorf("the server names a file %q, which is not a URL", from)
			}
			name := path.Base(u.Path)
			if strings.HasPrefix(name, ".") || strings.ContainsAny(name, `/\`) {
				return bulk.Counts{}, fmt.Errorf("the server names a file %q, which cannot be stored", from)
			}
			if slices.Contains(f.Done, name) {
				continue
			}
			to := filepath.Join(c.Out, name)
			if about := file.Path("extension"); c.Partition != "" && about.Str("table") != "" {
				if to, err = c.part(about.Str("table"), about.Str("month"), name); err != nil {
					return bulk.Counts{}, err
				}
			}
			if err := cl.download(ctx, from, to); err != nil {
				return bulk.Counts{Read: f.Rows, Written: f.Rows}, err
			}
			n := 0
			if count := file.Get("count"); count != nil {
				n, _ = strconv.Atoi(count.Text) // optional; a server may leave it out
			}
			f.Done, f.Rows = append(f.Done, name), f.Rows+n
			_ = bar.Set(f.Rows)
			if err := keep(); err != nil {
				return bulk.Counts{}, err
			}
		}
	}
	cl.forget(ctx, f.Status)
	return bulk.Counts{Read: f.Rows, Written: f.Rows}, os.Remove(at)
}

// Names of tables and months, which become folders.
var (
	tableName = regexp.MustCompile(`^[a-z]+(-[a-z]+)*$`)
	monthName = regexp.MustCompile(`^[0-9]{4}-[0-9]{2}$`)
)

// part is where the file of a table by month goes, in a folder that is made. As
// readers of such layouts have it, rows without a month are in a folder of that
// name; a table whose rows have no time has no months.
func (c *exportCmd) part(table, month, name string) (string, error) {
	if !tableName.MatchString(table) || month != "" && !monthName.MatchString(month) {
		return "", fmt.Errorf("the server names a table %q with the month %q, which cannot be stored", table, month)
	}
	dir := filepath.Join(c.Out, table)
	if slices.ContainsFunc(bulk.Tables(), func(t bulk.Table) bool { return t.Name == table && t.Monthly }) {
		dir = filepath.Join(dir, "month="+cmp.Or(month, "__HIVE_DEFAULT_PARTITION__"))
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return "", fmt.Errorf("cannot make the folder %s (%w)", dir, err)
	}
	return filepath.Join(dir, "part-"+name[strings.LastIndex(name, "-")+1:]), nil
}

var errExpired = errors.New("the server no longer has the export; run the command again")

// wait polls until the export is over, as often as the server asks for.
func (c *exportCmd) wait(ctx context.Context, cl *caller, status string, bar *progressbar.ProgressBar) (*fhirjson.Node, error) {
	for {
		res, err := cl.do(ctx, http.MethodGet, status, nil, http.Header{"Accept": {"application/json"}})
		if err != nil {
			return nil, err
		}
		body, err := io.ReadAll(io.LimitReader(res.Body, 64<<20))
		res.Body.Close()
		switch {
		case err != nil:
			return nil, fmt.Errorf("the answer of %s broke off (%w)", cl.base, err)
		case res.StatusCode == http.StatusAccepted:
			bar.Describe(cmp.Or(res.Header.Get("X-Progress"), "exporting"))
			if err := pause(ctx, retryAfter(res.Header, time.Second)); err != nil {
				return nil, err
			}
		case res.StatusCode == http.StatusOK:
			return fhirjson.Parse(body)
		case res.StatusCode == http.StatusNotFound, res.StatusCode == http.StatusGone:
			return nil, errExpired
		default:
			return nil, fmt.Errorf("the export failed at the server: %s", diagnostics(res.StatusCode, body))
		}
	}
}

// inOrder puts types so that references lead to what comes before.
func inOrder(types []string) []string {
	order := []string{"Organization", "Location", "Practitioner", "PractitionerRole", "Patient", "Encounter", "Group", "Device", "DeviceUseStatement", "Observation", "DetectedIssue", "Provenance", "Subscription", "Task"}
	out := slices.Clone(types)
	rank := func(t string) int {
		if i := slices.Index(order, t); i >= 0 {
			return i
		}
		return len(order)
	}
	slices.SortStableFunc(out, func(a, b string) int { return rank(a) - rank(b) })
	return out
}
