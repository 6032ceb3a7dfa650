// Package app owns the service as a whole: it opens the store that a URL
// names, connects the parts, listens, and stops them in order. What each part does
// is its own.
package app

import (
	"cmp"
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"net/http/pprof"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/cenkalti/backoff/v5"
	"golang.org/x/net/netutil"

	"tidemark/api"
	"tidemark/api/board"
	"tidemark/api/docs"
	"tidemark/internal/auth"
	"tidemark/internal/budget"
	"tidemark/internal/bulk"
	"tidemark/internal/fault"
	"tidemark/internal/fhirjson"
	"tidemark/internal/notify"
	"tidemark/internal/policy"
	"tidemark/internal/profile"
	"tidemark/internal/r4"
	"tidemark/internal/search"
	"tidemark/internal/store"
	"tidemark/internal/store/mongo"
	"tidemark/internal/store/sqlite"
	"tidemark/internal/ward"
	"tidemark/openapi"
)

// Config holds all settings.
type Config struct {
	Listen      string // host:port; port 0 picks one
	AdminListen string // metrics and profiling; "" for none
	Data        string // directory of the embedded store and the local key
	Store       string // mongodb:// URL instead of the embedded store
	Policy      string // ward policy file; "" for the defaults
	Issuer      string
	JWKS        string
	Audience    string
	Claims      string // file that maps the issuer's groups to roles
	TLSCert     string
	TLSKey      string
	BaseURL     string // as clients see the service, "" from Listen
	Origins     []string
	Proxies     []string      // addresses and networks whose X-Forwarded-… headers hold
	ReadyDelay  time.Duration // between /readyz saying that the service ends and its doing so
	Patience    time.Duration // for an issuer that cannot be reached at the start; 0: for ever
	Webhooks    []string      // host:port of receivers that Subscriptions may name
	AuditKeep   time.Duration // how long AuditEvents are kept; 0: for ever
	AuditRoom   int           // AuditEvents that may wait for a store that takes none; 0: 8192
	Rate        float64       // requests a second and client; 0 for no limit
	MaxBody     int64
	MaxResource int64             // bytes of one resource; 0: 1 MiB
	Readings    int               // entries of one drain on one day; 0 for no limit
	Connections int               // at a time; 0 for no limit
	Subscribed  int               // Subscriptions that are not off; 0 for no limit
	ExportQuota int64             // bytes of the files of exports; 0 for no limit
	Heavy       int               // heavy requests at a time; 0: one less than the processors
	Most        budget.Cost       // of one request; zero: budget.Request
	Charged     func(budget.Cost) // told what each request has cost; nil for nobody
	SweepEvery  time.Duration
	HeaderTime  time.Duration // for a client to send its headers; 0: 10 s
	RequestTime time.Duration // for a client to send headers and body; 0: 60 s
	AnswerTime  time.Duration // for a client to take its answer; 0: 2 min
	BoardClient string        // client id of the ward page at the issuer; empty: tokens are pasted
	BoardScope  string        // what it asks for
	Version     string
	Logger      *slog.Logger
	Clock       func() time.Time
}

// App is the assembled service.
type App struct {
	cfg     Config
	log     *slog.Logger
	store   store.Store
	ward    *ward.Service
	api     *api.Server
	metrics *metrics
	flush   func(context.Context) error // of traces
	notify  *notify.Engine
	bulk    *bulk.Service
	key     *auth.LocalKey
	policy  atomic.Pointer[policy.Policy]
	base    string

	certificate *certificate // nil: without TLS
	listener    net.Listener
	admin       net.Listener
	servers     []*http.Server
	work        context.Context // of all requests
	endWork     context.CancelFunc
	stop        context.CancelFunc
	wg          sync.WaitGroup
	failed      chan error
}

// New opens the store and listens; nothing is answered before Start. An error
// is one sentence that says what to change.
func New(ctx context.Context, cfg Config) (_ *App, err error) {
	if cfg.Clock == nil {
		cfg.Clock = time.Now
	}
	if cfg.Logger == nil {
		cfg.Logger = slog.New(slog.NewTextHandler(os.Stderr, nil))
	}
	a := &App{cfg: cfg, log: cfg.Logger, failed: make(chan error, 3)}
	a.work, a.endWork = context.WithCancel(context.Background())
	defer func() {
		if err != nil {
			a.close()
		}
	}()
	if err := cfg.check(); err != nil {
		return nil, err
	}
	if cfg.TLSCert != "" {
		a.certificate = &certificate{cert: cfg.TLSCert, key: cfg.TLSKey}
		if err := a.certificate.read(); err != nil {
			return nil, err
		}
	}
	p := policy.Default()
	if cfg.Policy != "" {
		if p, err = policy.Load(cfg.Policy); err != nil {
			return nil, err
		}
	}
	a.policy.Store(p)
	a.examples(p)
	if a.listener, err = net.Listen("tcp", cfg.Listen); err != nil {
		return nil, fmt.Errorf("cannot listen on %s (%v); choose another --listen", cfg.Listen, cause(err))
	}
	if cfg.Connections, err = connections(cfg.Connections); err != nil {
		return nil, err
	}
	if cfg.Connections > 0 {
		a.listener = netutil.LimitListener(a.listener, cfg.Connections)
	}
	if cfg.AdminListen != "" {
		if a.admin, err = net.Listen("tcp", cfg.AdminListen); err != nil {
			return nil, fmt.Errorf("cannot listen on %s (%v); choose another --admin-listen, or none with --admin-listen=", cfg.AdminListen, cause(err))
		}
	}
	a.base = baseURL(cfg, a.listener.Addr().String())
	extract := search.ExtractOptions{Base: a.base, Zone: p.Zone()}
	a.metrics = newMetrics(cfg)
	if a.store, err = OpenStore(ctx, cfg, extract, a.metrics.grouped); err != nil {
		return nil, err
	}
	if err := a.sameBase(ctx); err != nil {
		return nil, err
	}
	verifier, err := a.verifier(ctx)
	if err != nil {
		return nil, err
	}
	library, err := profile.New()
	if err != nil {
		return nil, err
	}
	a.ward = ward.New(a.store, ward.Options{
		Policy: a.policy.Load, Extract: extract, Clock: cfg.Clock, Logger: cfg.Logger,
		Validate: func(n *fhirjson.Node) *fault.List { return Validate(library, n) }, Recheck: a.recheck(), Readings: cfg.Readings, Resource: int(cmp.Or(cfg.MaxResource, 1<<20)), Evaluated: a.metrics.evaluated, Swept: a.metrics.swept,
	})
	spans, flush, err := tracer(ctx, cfg.Version, cfg.Logger)
	if err != nil {
		return nil, fmt.Errorf("traces cannot be exported (%v); correct that variable or unset OTEL_EXPORTER_OTLP_ENDPOINT", cause(err))
	}
	a.flush = flush
	targets, err := notify.ParseTargets(cfg.Webhooks)
	if err != nil {
		return nil, fmt.Errorf("--webhook-allow: %w", err)
	}
	a.notify = notify.New(notify.Options{
		Store: a.store, Update: a.updateSubscription, May: a.may, Where: a.ward.Places, Targets: targets, BaseURL: a.base, Extract: extract,
		Parse: func() search.ParseOptions {
			return search.ParseOptions{Base: a.base, Zone: a.policy.Load().Zone(), Now: cfg.Clock(), Strict: true, Expand: library.Expand}
		},
		Logger: cfg.Logger, Now: cfg.Clock, TTL: leaseTTL, Lone: cfg.Store == "", Observe: a.metrics,
	})
	a.bulk = bulk.New(bulk.Options{
		Store: a.store, Lease: a.lease("lease/bulk"), Quota: cfg.ExportQuota, Dir: filepath.Join(cfg.Data, "bulk"),
		Types: api.ExportTypes(), Extract: extract, Expand: library.Expand, Redact: notify.Redact, Settings: a.ward.Settings, Clock: cfg.Clock, Logger: cfg.Logger,
	})
	page := board.Handler(a.boardSettings)
	proxies, err := cfg.trusted()
	if err != nil {
		return nil, err
	}
	a.api = api.New(api.Options{
		Exports: a.bulk, Topics: a.notify,
		Mounts: []api.Mount{
			{Path: "/openapi.json", Handler: openapi.Handler(strings.TrimSuffix(a.base, "/fhir"))}, {Path: "/docs", Handler: docs.Handler()},
			{Path: "/board", Handler: page}, {Path: "/board/*file", Handler: page}, {Path: "/", Handler: http.HandlerFunc(welcome)},
		},
		Hooks: map[string]api.Hook{"Subscription": a.subscription}, Views: map[string]api.View{"Subscription": notify.Redact}, Committed: a.notify.Wake, Observe: a.metrics.answered, Tracer: spans,
		Store: a.store, Ward: a.ward, Verifier: verifier, Conformance: library, Policy: a.policy.Load, Extract: extract,
		Logger: cfg.Logger, BaseURL: a.base, Version: cfg.Version, MaxBody: cfg.MaxBody, MaxResource: cfg.MaxResource, Heavy: cfg.Heavy, Most: cfg.Most, Charged: cfg.Charged, AuditRoom: cfg.AuditRoom, AnswerTime: cfg.AnswerTime, Limiter: limiter(cfg.Rate), AllowOrigin: cfg.Origins, Trusted: proxies,
	})
	a.metrics.watch(a.store, a.api.AuditQueue)
	a.metrics.machine(cfg, func() time.Time { return auth.KeysRead(verifier) })
	return a, nil
}

// recheck is how soon the sweep looks again at a drain that this process has not
// touched: with a shared store another process may have.
func (a *App) recheck() time.Duration {
	if a.cfg.Store == "" {
		return 0
	}
	return time.Minute
}

// leaseTTL is how long a process that died still keeps others from its work.
const leaseTTL = 8 * time.Second

// lease is for work that one process of several does.
func (a *App) lease(name string) *notify.Lease {
	if a.cfg.Store == "" {
		return notify.Lone(a.store, name, a.log)
	}
	return notify.NewLease(a.store, name, ward.NewID(), leaseTTL, a.log)
}

// updateSubscription stores a status that the service sets itself.
func (a *App) updateSubscription(ctx context.Context, n *fhirjson.Node, version int64) error {
	_, err := a.ward.Commit(ctx, []ward.Change{{
		Method: store.Put, Key: store.Key{Type: "Subscription", ID: n.Str("id")}, Resource: n.Clone(), Expect: store.Expect(version),
	}}, nil)
	return err
}

// subscription checks a Subscription before it is written. Each one costs work for
// every change, so their number is limited.
func (a *App) subscription(ctx context.Context, who *auth.Principal, n, before *fhirjson.Node) error {
	on := func(n *fhirjson.Node) bool { return n != nil && n.Str("status") != "off" }
	if most := a.cfg.Subscribed; most > 0 && on(n) && !on(before) {
		there, err := a.store.Count(ctx, search.Query{Type: "Subscription", Where: []search.Clause{{
			Param: "status", Kind: search.Token, Modifier: "not", Values: []search.Value{{Code: "off", AnySystem: true}},
		}}}, most)
		if err != nil {
			return err
		}
		if there >= most {
			return fault.New(fault.Rule, "too-costly", "There are already %d Subscriptions, the limit of this service; delete one that is no longer needed, or widen the criteria of another.", most)
		}
	}
	return a.notify.Hook(ctx, who, n, before)
}

// may checks a resource against the rights of a subscription's owner.
func (a *App) may(o notify.Owner, n *fhirjson.Node) bool {
	typ := n.Str("resourceType")
	return a.api.Permits(typ, o.Principal().Grant(typ, auth.Read|auth.Search), n)
}

// Validate validates a resource by R4 and by the service's profiles.
func Validate(lib *profile.Library, n *fhirjson.Node) *fault.List {
	l := r4.Validate(n, r4.Options{})
	if l.Failed() && r4.Kind(l) == fault.Invalid {
		return l
	}
	l.Issues = append(l.Issues, lib.Validate(n).Issues...)
	return l
}

// OpenStore opens the store that the configuration names. grouped is told of the
// commit groups of the embedded one; nil for nobody.
func OpenStore(ctx context.Context, cfg Config, extract search.ExtractOptions, grouped func(int, time.Duration, error)) (store.Store, error) {
	read := func(ctx context.Context, raw []byte) (search.Doc, error) {
		n, err := budget.Parse(ctx, raw)
		if err != nil {
			return search.Doc{}, err
		}
		return search.Extract(n, extract), nil
	}
	if cfg.Store == "" {
		s, err := sqlite.Open(ctx, sqlite.Options{Dir: cfg.Data, Extract: read, Clock: cfg.Clock, Logger: cfg.Logger, Grouped: grouped})
		if err != nil {
			return nil, err // not s: a nil engine in the interface is not a nil interface
		}
		return s, nil
	}
	if strings.HasPrefix(cfg.Store, "mongodb://") || strings.HasPrefix(cfg.Store, "mongodb+srv://") {
		s, err := mongo.Open(ctx, mongo.Options{URL: cfg.Store, Extract: read, Clock: cfg.Clock, Logger: cfg.Logger})
		if err != nil {
			return nil, err
		}
		return s, nil
	}
	// Not the given URL: it may contain a password.
	return nil, errors.New("--store is neither a mongodb:// nor a mongodb+srv:// URL: give one, or leave it out for the embedded store")
}

func (a *App) verifier(ctx context.Context) (auth.Verifier, error) {
	c := auth.Config{Issuer: a.cfg.Issuer, JWKS: a.cfg.JWKS, Audience: a.cfg.Audience, Clock: a.cfg.Clock}
	if a.cfg.Claims != "" {
		var err error
		if c.Roles, err = auth.LoadRoles(a.cfg.Claims); err != nil {
			return nil, err
		}
	}
	if c.Issuer == "" && c.JWKS == "" {
		if err := os.MkdirAll(a.cfg.Data, 0o700); err != nil {
			return nil, fmt.Errorf("cannot make the data directory %s (%v)", a.cfg.Data, cause(err))
		}
		var err error
		if a.key, err = auth.OpenLocalKey(a.cfg.Data); err != nil {
			return nil, err
		}
		c.Local = a.key
	}
	v, err := a.awaited(ctx, c)
	if err != nil {
		return nil, err
	}
	for _, w := range c.Warnings() {
		a.log.Warn(w)
	}
	return v, nil
}

// awaited waits for an issuer that cannot be reached: after a power cut it may start
// later than the service. An error that waiting cannot fix ends the wait.
func (a *App) awaited(ctx context.Context, c auth.Config) (auth.Verifier, error) {
	pauses := backoff.NewExponentialBackOff()
	pauses.MaxInterval = 15 * time.Second
	begun, said := time.Now(), ""
	for {
		v, err := auth.NewVerifier(ctx, c)
		if err == nil || !errors.Is(err, auth.ErrAway) || a.cfg.Patience > 0 && time.Since(begun) > a.cfg.Patience {
			return v, err
		}
		if text := err.Error(); text != said {
			a.log.Warn("waiting for the issuer of tokens; nothing is served until it answers", "err", text)
			said = text
		}
		select {
		case <-ctx.Done():
			return nil, fmt.Errorf("ended while waiting for the issuer of tokens (%w)", err)
		case <-time.After(pauses.NextBackOff()):
		}
	}
}

func baseURL(cfg Config, addr string) string {
	if cfg.BaseURL != "" {
		return strings.TrimSuffix(cfg.BaseURL, "/") + "/fhir"
	}
	scheme := "http"
	if cfg.TLSCert != "" {
		scheme = "https"
	}
	if host, port, err := net.SplitHostPort(addr); err == nil && (host == "::" || host == "0.0.0.0") {
		addr = net.JoinHostPort("localhost", port)
	}
	return scheme + "://" + addr + "/fhir"
}

// sameBase reports a changed base URL. References written as full URLs were indexed as
// this service's own, or as another's, by the old one.
func (a *App) sameBase(ctx context.Context) error {
	if a.cfg.BaseURL == "" {
		return nil // made up from the address to listen on, for trials
	}
	const name = "base-url"
	before, rev, err := a.store.State(ctx, name)
	if err != nil || string(before) == a.base {
		return err
	}
	if rev > 0 {
		a.log.Error("--base-url has changed: searches no longer find references that use the old URL; go back to it, or export, and import into an empty data directory",
			"before", string(before), "now", a.base)
		return nil // said at each start, until it is the one before again
	}
	_, err = a.store.SetState(ctx, name, []byte(a.base), 0)
	if fault.Is(err, fault.Precondition) {
		return nil // another process has noted it
	}
	return err
}

// Base is the FHIR base URL.
func (a *App) Base() string { return a.base }

// Addr is where the service listens.
func (a *App) Addr() string { return a.listener.Addr().String() }

// AdminAddr is where metrics and profiling are served, "" for nowhere.
func (a *App) AdminAddr() string {
	if a.admin == nil {
		return ""
	}
	return a.admin.Addr().String()
}

// Ward is the core, for loading data without HTTP.
func (a *App) Ward() *ward.Service { return a.ward }

// Key is the local issuer, nil if there is a real one.
func (a *App) Key() *auth.LocalKey { return a.key }

// Start answers requests and begins to sweep.
func (a *App) Start() {
	ctx, cancel := context.WithCancel(context.Background())
	a.stop = cancel
	every := a.cfg.SweepEvery
	if every == 0 {
		every = 15 * time.Second
	}
	// One process of several sweeps: the one that holds the lease.
	sweep := a.lease("lease/sweep")
	a.wg.Go(func() {
		sweep.Hold(ctx, func(ctx context.Context, _ int64) {
			a.keep(ctx, "sweep", func(ctx context.Context) { a.ward.Run(ctx, every) })
		})
	})
	if a.cfg.Policy != "" {
		a.wg.Go(func() {
			a.keep(ctx, "watch the policy", func(ctx context.Context) { watch(ctx, a.readPolicy, a.cfg.Policy) })
		})
	}
	if a.certificate != nil {
		a.wg.Go(func() {
			a.keep(ctx, "watch the certificate", func(ctx context.Context) { watch(ctx, a.readCertificate, a.cfg.TLSCert, a.cfg.TLSKey) })
		})
	}
	if a.cfg.AuditKeep > 0 {
		a.wg.Go(func() { a.keep(ctx, "drop old AuditEvents", a.dropAudit) })
	}
	a.notify.Start(ctx)
	a.wg.Go(func() { a.keep(budget.Beside(ctx), "export", a.bulk.Run) })
	main := &http.Server{
		Handler: a.prefixed(a.api.Handler()), ReadHeaderTimeout: cmp.Or(a.cfg.HeaderTime, 10*time.Second), ReadTimeout: cmp.Or(a.cfg.RequestTime, time.Minute), IdleTimeout: 2 * time.Minute,
		MaxHeaderBytes: 1 << 20, TLSConfig: &tls.Config{MinVersion: tls.VersionTLS12}, ErrorLog: slog.NewLogLogger(a.log.Handler(), slog.LevelDebug),
	}
	if a.certificate != nil {
		main.TLSConfig.GetCertificate = a.certificate.get
	}
	a.serve(main, a.listener, a.certificate != nil)
	if a.admin != nil {
		a.serve(&http.Server{Handler: a.adminHandler(), ReadHeaderTimeout: 10 * time.Second}, a.admin, false)
	}
}

// keep runs work that lasts as long as ctx, and restarts it after a panic.
func (a *App) keep(ctx context.Context, doing string, work func(context.Context)) {
	for ctx.Err() == nil {
		err := fault.Contain(doing, func() error { work(ctx); return nil })
		if err == nil {
			return
		}
		a.log.Error("a defect occurred; the work starts again", "work", doing, "cause", fault.Of(err).Cause)
		select {
		case <-ctx.Done():
		case <-time.After(time.Second):
		}
	}
}

func (a *App) serve(s *http.Server, l net.Listener, tls bool) {
	a.servers = append(a.servers, s)
	s.BaseContext = func(net.Listener) context.Context { return a.work }
	a.wg.Go(func() {
		var err error
		if tls {
			err = s.ServeTLS(l, "", "") // TLSConfig has it
		} else {
			err = s.Serve(l)
		}
		if !errors.Is(err, http.ErrServerClosed) {
			a.failed <- err
		}
	})
}

func (a *App) adminHandler() http.Handler {
	m := http.NewServeMux()
	m.Handle("/metrics", a.metrics.handler())
	m.HandleFunc("/debug/pprof/", pprof.Index)
	m.HandleFunc("/debug/pprof/profile", pprof.Profile)
	m.HandleFunc("/debug/pprof/symbol", pprof.Symbol)
	m.HandleFunc("/debug/pprof/trace", pprof.Trace)
	return m
}

// Failed delivers the error of a listener that failed.
func (a *App) Failed() <-chan error { return a.failed }

// dropAudit deletes AuditEvents that are older than the setting, every hour.
func (a *App) dropAudit(ctx context.Context) {
	tick := time.NewTicker(time.Hour)
	defer tick.Stop()
	for {
		n, err := a.store.DropAudit(ctx, a.cfg.Clock().Add(-a.cfg.AuditKeep))
		switch {
		case err != nil && ctx.Err() == nil:
			a.log.Error("old AuditEvents not deleted", "err", err)
		case n > 0:
			a.log.Info("old AuditEvents deleted", "records", n)
		}
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}

// Reload reads the policy and the certificate again, as on SIGHUP.
func (a *App) Reload() {
	if a.cfg.Policy != "" {
		a.readPolicy()
	}
	if a.certificate != nil {
		a.readCertificate()
	}
}

// watch calls read when one of the files has changed.
func watch(ctx context.Context, read func(), files ...string) {
	last := stamp(files...)
	tick := time.NewTicker(2 * time.Second)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
		if now := stamp(files...); now != last && now != "" {
			last = now
			read()
		}
	}
}

// readPolicy reads the policy file again. If it has faults, they are logged and the
// policy in force stays.
func (a *App) readPolicy() {
	p, err := policy.Load(a.cfg.Policy)
	if err != nil {
		a.log.Error("the changed policy has faults; the previous one stays in force", "err", err)
		return
	}
	a.policy.Store(p)
	a.log.Info("policy read again", "version", p.Version())
	a.examples(p)
}

func (a *App) readCertificate() {
	if err := a.certificate.read(); err != nil {
		a.log.Error("the changed certificate cannot be used; the previous one stays in use", "err", err)
		return
	}
	a.log.Info("certificate read again")
}

// examples lists the unapproved example settings that an approved policy rests on.
func (a *App) examples(p *policy.Policy) {
	if left := p.Examples(); p.Approved() != "" && len(left) > 0 {
		a.log.Warn("the approved policy leaves settings to unapproved examples; set them", "settings", strings.Join(left, " "))
	}
}

// prefixed also answers below the path of --base-url, for proxies that do not strip it.
func (a *App) prefixed(h http.Handler) http.Handler {
	prefix := a.cfg.prefix()
	if prefix == "" {
		return h
	}
	below := http.StripPrefix(prefix, h)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if strings.HasPrefix(r.URL.Path, prefix+"/") {
			below.ServeHTTP(w, r)
			return
		}
		h.ServeHTTP(w, r)
	})
}

// Stop turns /readyz to 503, waits until a load balancer has noticed, lets requests
// finish for as long as ctx lasts, then closes the store.
func (a *App) Stop(ctx context.Context) error {
	var errs []error
	if a.api != nil {
		a.api.Ending()
		if a.cfg.ReadyDelay > 0 && a.servers != nil {
			select {
			case <-ctx.Done():
			case <-time.After(a.cfg.ReadyDelay):
			}
		}
		a.api.Drain()
	}
	for _, s := range a.servers {
		err := s.Shutdown(ctx)
		if err != nil {
			err = fmt.Errorf("requests were still running at the end of the shutdown time (%w); they were cut off", err)
			s.Close() // so that their clients do not wait for an answer
		}
		errs = append(errs, err)
	}
	a.endWork()
	if a.stop != nil {
		a.notify.Stop()
		a.stop()
	}
	a.wg.Wait()
	if err := a.flush(ctx); err != nil {
		a.log.Warn("last traces not exported", "err", err)
	}
	errs = append(errs, a.close())
	return errors.Join(errs...)
}

func (a *App) close() error {
	if a.api != nil {
		a.api.Close()
	}
	var err error
	if a.store != nil {
		err = a.store.Close()
	}
	if a.servers == nil {
		for _, l := range []net.Listener{a.listener, a.admin} {
			if l != nil {
				l.Close()
			}
		}
	}
	return err
}

// cause is the innermost error, which is the part that a person can act on.
func cause(err error) error {
	for {
		next := errors.Unwrap(err)
		if next == nil {
			return err
		}
		err = next
	}
}
