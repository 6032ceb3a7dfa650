// Package app owns the service as a whole: it opens the store that a URL
// names, puts the parts together, listens, and stops in order. What the parts
// do is theirs.
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

	"tidemark/api"
	"tidemark/api/board"
	"tidemark/api/docs"
	"tidemark/internal/auth"
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

// Config is all that can be set.
type Config struct {
	Listen      string // host:port; port 0 picks one
	AdminListen string // metrics and profiling; "" for none
	Data        string // directory of the embedded store and the local key
	Store       string // mongodb:// URL instead of the embedded store
	Policy      string // ward policy file; "" for the defaults
	Issuer      string
	JWKS        string
	Audience    string
	TLSCert     string
	TLSKey      string
	BaseURL     string // as clients see the service, "" from Listen
	Origins     []string
	Webhooks    []string      // host:port of receivers that Subscriptions may name
	AuditKeep   time.Duration // how long AuditEvents are kept; 0: for ever
	Rate        float64       // requests a second and client; 0 for no limit
	MaxBody     int64
	SweepEvery  time.Duration
	HeaderTime  time.Duration // for a client to send its headers; 0: 10 s
	RequestTime time.Duration // for a client to send headers and body; 0: 60 s
	AnswerTime  time.Duration // for a client to take its answer; 0: 2 min
	Version     string
	Logger      *slog.Logger
	Clock       func() time.Time
}

// App is a service that was put together.
type App struct {
	cfg      Config
	log      *slog.Logger
	store    store.Store
	ward     *ward.Service
	api      *api.Server
	metrics  *metrics
	flush    func(context.Context) error // of traces
	notify   *notify.Engine
	bulk     *bulk.Service
	key      *auth.LocalKey
	policy   atomic.Pointer[policy.Policy]
	base     string
	listener net.Listener
	admin    net.Listener
	servers  []*http.Server
	stop     context.CancelFunc
	wg       sync.WaitGroup
	failed   chan error
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
	defer func() {
		if err != nil {
			a.close()
		}
	}()
	p := policy.Default()
	if cfg.Policy != "" {
		if p, err = policy.Load(cfg.Policy); err != nil {
			return nil, err
		}
	}
	a.policy.Store(p)
	if (cfg.TLSCert == "") != (cfg.TLSKey == "") {
		return nil, errors.New("TLS needs both --tls-cert and --tls-key")
	}
	if a.listener, err = net.Listen("tcp", cfg.Listen); err != nil {
		return nil, fmt.Errorf("cannot listen on %s (%v); choose another --listen", cfg.Listen, cause(err))
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
		Validate: func(n *fhirjson.Node) *fault.List { return Validate(library, n) }, Recheck: a.recheck(), Judged: a.metrics.judged, Swept: a.metrics.swept,
	})
	spans, flush, err := tracer(ctx, cfg.Version)
	if err != nil {
		return nil, fmt.Errorf("traces cannot be exported (%v); put OTEL_EXPORTER_OTLP_ENDPOINT right or unset it", cause(err))
	}
	a.flush = flush
	targets, err := notify.ParseTargets(cfg.Webhooks)
	if err != nil {
		return nil, fmt.Errorf("--webhook-allow: %w", err)
	}
	a.notify = notify.New(notify.Options{
		Store: a.store, Update: a.updateSubscription, May: a.may, Targets: targets, BaseURL: a.base, Extract: extract,
		Parse: func() search.ParseOptions {
			return search.ParseOptions{Base: a.base, Zone: a.policy.Load().Zone(), Now: cfg.Clock(), Strict: true, Expand: library.Expand}
		},
		Logger: cfg.Logger, Now: cfg.Clock, TTL: a.leaseTTL(), Observe: a.metrics,
	})
	a.bulk = bulk.New(bulk.Options{
		Store: a.store, Lease: notify.NewLease(a.store, "lease/bulk", ward.NewID(), a.leaseTTL(), a.log), Dir: filepath.Join(cfg.Data, "bulk"),
		Types: api.ExportTypes(), Extract: extract, Expand: library.Expand, Redact: notify.Redact, Settings: a.ward.Settings, Clock: cfg.Clock, Logger: cfg.Logger,
	})
	a.api = api.New(api.Options{
		Exports: a.bulk,
		Mounts: []api.Mount{
			{Path: "/openapi.json", Handler: openapi.Handler()}, {Path: "/docs", Handler: docs.Handler()},
			{Path: "/board", Handler: board.Handler()}, {Path: "/board/*file", Handler: board.Handler()},
		},
		Hooks: map[string]api.Hook{"Subscription": a.notify.Hook}, Views: map[string]api.View{"Subscription": notify.Redact}, Committed: a.notify.Wake, Observe: a.metrics.answered, Tracer: spans,
		Store: a.store, Ward: a.ward, Verifier: verifier, Conformance: library, Policy: a.policy.Load, Extract: extract,
		Logger: cfg.Logger, BaseURL: a.base, Version: cfg.Version, MaxBody: cfg.MaxBody, AnswerTime: cfg.AnswerTime, Limiter: limiter(cfg.Rate), AllowOrigin: cfg.Origins,
	})
	a.metrics.watch(a.store, a.api.AuditQueue)
	return a, nil
}

// recheck is how soon the sweep looks again at a drain that nothing here has
// touched: only with a shared store may another process have.
func (a *App) recheck() time.Duration {
	if a.cfg.Store == "" {
		return 0
	}
	return time.Minute
}

// leaseTTL is how long a process that died keeps others from its work. The
// embedded store has one process only, which need not wait for another's end.
func (a *App) leaseTTL() time.Duration {
	if a.cfg.Store == "" {
		return 3 * time.Second
	}
	return 8 * time.Second
}

// updateSubscription stores a status that the service sets itself.
func (a *App) updateSubscription(ctx context.Context, n *fhirjson.Node, version int64) error {
	_, err := a.ward.Commit(ctx, []ward.Change{{
		Method: store.Put, Key: store.Key{Type: "Subscription", ID: n.Str("id")}, Resource: n.Clone(), Expect: store.Expect(version),
	}}, nil)
	return err
}

// may tests a resource against the rights of a subscription's owner.
func (a *App) may(o notify.Owner, n *fhirjson.Node) bool {
	typ := n.Str("resourceType")
	return a.api.Permits(typ, o.Principal().Grant(typ, auth.Read|auth.Search), n)
}

// Validate joins what R4 and what our profiles say of a resource.
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
	read := func(raw []byte) (search.Doc, error) {
		n, err := fhirjson.Parse(raw)
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
	// Not what was given: it may hold a password.
	return nil, errors.New("--store is neither a mongodb:// nor a mongodb+srv:// URL: give one, or leave it out for the embedded store")
}

func (a *App) verifier(ctx context.Context) (auth.Verifier, error) {
	c := auth.Config{Issuer: a.cfg.Issuer, JWKS: a.cfg.JWKS, Audience: a.cfg.Audience, Clock: a.cfg.Clock}
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
	v, err := auth.NewVerifier(ctx, c)
	if err != nil {
		return nil, err
	}
	for _, w := range c.Warnings() {
		a.log.Warn(w)
	}
	return v, nil
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

// Base is the FHIR base URL.
func (a *App) Base() string { return a.base }

// Addr is where the service listens.
func (a *App) Addr() string { return a.listener.Addr().String() }

// AdminAddr is where metrics and profiling are, "" for nowhere.
func (a *App) AdminAddr() string {
	if a.admin == nil {
		return ""
	}
	return a.admin.Addr().String()
}

// Ward is the core, for loading data without HTTP.
func (a *App) Ward() *ward.Service { return a.ward }

// Key is the local issuer, nil beside a real one.
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
	sweep := notify.NewLease(a.store, "lease/sweep", ward.NewID(), a.leaseTTL(), a.log)
	a.wg.Go(func() {
		sweep.Hold(ctx, func(ctx context.Context, _ int64) { a.ward.Run(ctx, every) })
	})
	if a.cfg.Policy != "" {
		a.wg.Go(func() { a.watchPolicy(ctx) })
	}
	if a.cfg.AuditKeep > 0 {
		a.wg.Go(func() { a.dropAudit(ctx) })
	}
	a.notify.Start(ctx)
	a.wg.Go(func() { a.bulk.Run(ctx) })
	main := &http.Server{
		Handler: a.api.Handler(), ReadHeaderTimeout: cmp.Or(a.cfg.HeaderTime, 10*time.Second), ReadTimeout: cmp.Or(a.cfg.RequestTime, time.Minute), IdleTimeout: 2 * time.Minute,
		MaxHeaderBytes: 64 << 10, TLSConfig: &tls.Config{MinVersion: tls.VersionTLS12}, ErrorLog: slog.NewLogLogger(a.log.Handler(), slog.LevelDebug),
	}
	a.serve(main, a.listener, a.cfg.TLSCert != "")
	if a.admin != nil {
		a.serve(&http.Server{Handler: a.adminHandler(), ReadHeaderTimeout: 10 * time.Second}, a.admin, false)
	}
}

func (a *App) serve(s *http.Server, l net.Listener, tls bool) {
	a.servers = append(a.servers, s)
	a.wg.Go(func() {
		var err error
		if tls {
			err = s.ServeTLS(l, a.cfg.TLSCert, a.cfg.TLSKey)
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
	m.HandleFunc("/debug/pprof/cmdline", pprof.Cmdline)
	m.HandleFunc("/debug/pprof/profile", pprof.Profile)
	m.HandleFunc("/debug/pprof/symbol", pprof.Symbol)
	m.HandleFunc("/debug/pprof/trace", pprof.Trace)
	return m
}

// Failed delivers the error of a listener that broke.
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

// watchPolicy reads the policy file again when it changes. A file with faults
// is logged, and the policy in force stays.
func (a *App) watchPolicy(ctx context.Context) {
	stamp := func() string {
		fi, err := os.Stat(a.cfg.Policy)
		if err != nil {
			return ""
		}
		return fi.ModTime().String() + fmt.Sprint(fi.Size())
	}
	last := stamp()
	tick := time.NewTicker(2 * time.Second)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
		now := stamp()
		if now == last || now == "" {
			continue
		}
		last = now
		p, err := policy.Load(a.cfg.Policy)
		if err != nil {
			a.log.Error("the changed policy has faults; the one before stays in force", "err", err)
			continue
		}
		a.policy.Store(p)
		a.log.Info("policy read again", "version", p.Version())
	}
}

// Stop drains requests for as long as ctx lasts, then closes the store.
func (a *App) Stop(ctx context.Context) error {
	var errs []error
	for _, s := range a.servers {
		err := s.Shutdown(ctx)
		if err != nil {
			err = fmt.Errorf("requests were still running when the time to finish them was over (%w); they were cut off", err)
			s.Close() // so that their clients do not wait for an answer
		}
		errs = append(errs, err)
	}
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
