package main

import (
	"context"
	"fmt"
	"log/slog"
	"os"
	"os/signal"
	"syscall"
	"time"

	"github.com/KimMachineGun/automemlimit/memlimit"

	"tidemark/internal/app"
)

// service are the flags of a running service.
type service struct {
	Listen       string        `help:"Address to serve on." default:"127.0.0.1:8080" placeholder:"HOST:PORT"`
	AdminListen  string        `help:"Address for metrics and profiling; empty for none." default:"127.0.0.1:8081" placeholder:"HOST:PORT"`
	Policy       string        `help:"Ward policy file; without one, the example thresholds apply." type:"path" placeholder:"FILE"`
	TLSCert      string        `name:"tls-cert" help:"Certificate chain (PEM)." placeholder:"FILE"`
	TLSKey       string        `name:"tls-key" help:"Private key (PEM)." placeholder:"FILE"`
	BaseURL      string        `name:"base-url" help:"URL under which clients reach the service, without /fhir." placeholder:"URL"`
	AllowOrigin  []string      `help:"Origins of browsers that may call (CORS)." placeholder:"ORIGIN"`
	WebhookAllow []string      `help:"Receivers that Subscriptions may name." placeholder:"HOST:PORT"`
	RateLimit    float64       `help:"Requests a second that one client may make; 0 for no limit." default:"2000"`
	AuditKeep    time.Duration `help:"How long AuditEvents are kept, such as 8760h; 0 for ever." default:"0"`
	AuditQueue   int           `help:"AuditEvents that may wait in memory for a store that takes none; at so many, reads are refused with 503." default:"8192"`
	MaxBody      int64         `help:"Largest request body in bytes: of a Bundle, or of the parameters of an operation." default:"16777216"`
	MaxResource  int64         `help:"Largest resource in bytes, up to 8388608." default:"1048576"`
	MaxEntries   int           `help:"Entries of one drain that are taken for one day; 0 for no limit." default:"500"`
	MaxConns     int           `name:"max-connections" help:"Connections at a time; 0 for no limit." default:"2048"`
	MaxSubs      int           `name:"max-subscriptions" help:"Subscriptions that are not off; 0 for no limit." default:"200"`
	ExportQuota  int64         `help:"Bytes that the files of exports may take; 0 for no limit." default:"10737418240"`
	Heavy        int           `help:"Wide searches, ward-wide answers and pictures at a time; 0: one less than the processors." default:"0"`
	Shutdown     time.Duration `name:"shutdown-timeout" help:"How long running requests may take after SIGTERM." default:"20s"`
	ReadyDelay   time.Duration `help:"After SIGTERM, how long /readyz says 503 before the port closes: as long as a balancer needs to notice." default:"1s"`
	TrustedProxy []string      `help:"Proxies, as addresses or networks, whose X-Forwarded-For and X-Forwarded-Proto are believed." placeholder:"NETWORK"`
	LogFormat    string        `help:"How the log is written: text or json." enum:"text,json" default:"text"`
	Verbose      bool          `help:"Log every request."`
}

type serveCmd struct {
	service  `embed:""`
	Data     string `help:"Directory of the embedded store and the local key." default:"./tidemark-data" type:"path" placeholder:"DIR"`
	Store    string `help:"MongoDB instead of the embedded store." placeholder:"mongodb://…/db"`
	Issuer   string `help:"OIDC issuer whose tokens are accepted." placeholder:"URL"`
	JWKS     string `name:"jwks" help:"Key set of the issuer, file or URL." placeholder:"FILE-or-URL"`
	Audience string `help:"Audience that tokens must name." placeholder:"AUD"`
	Claims   string `help:"YAML file that maps the issuer's groups to roles, for tokens without SMART scopes." type:"path" placeholder:"FILE"`
	Client   string `name:"board-client" help:"Client id of the ward page at the issuer, for sign-in there." placeholder:"ID"`
	Scope    string `name:"board-scope" help:"Scopes that the ward page asks the issuer for." default:"openid fhirUser offline_access user/*.rs user/Observation.cu user/DetectedIssue.u user/Device.cu user/DeviceUseStatement.cu"`
}

func (c *serveCmd) Run(e *env) error {
	// In a container the collector works harder before nine tenths of its limit, which would kill the
	// process. GOMEMLIMIT, where it is set, wins; without a limit nothing is set.
	if _, err := memlimit.Set(); err != nil {
		e.log.Debug("no memory limit was taken from the control group", "err", err)
	}
	cfg := c.config(e, c.Data, c.Store, c.Issuer, c.JWKS, c.Audience)
	cfg.BoardClient, cfg.BoardScope, cfg.Claims = c.Client, c.Scope, c.Claims
	// Also while it waits for its issuer the program can be ended.
	ctx, stop := signal.NotifyContext(context.Background(), syscall.SIGTERM, syscall.SIGINT)
	a, err := app.New(ctx, cfg)
	stop()
	if err != nil {
		return err
	}
	a.Start()
	e.log.Info("serving", "base", a.Base())
	return c.wait(e, a)
}

func (s *service) config(e *env, data, store, issuer, jwks, audience string) app.Config {
	level := slog.LevelInfo
	if s.Verbose {
		level = slog.LevelDebug
	}
	log := slog.New(slog.NewTextHandler(e.err, &slog.HandlerOptions{Level: level}))
	if s.LogFormat == "json" {
		log = slog.New(slog.NewJSONHandler(e.err, &slog.HandlerOptions{Level: level}))
	}
	e.log = log
	return app.Config{
		Listen: s.Listen, AdminListen: s.AdminListen, Data: data, Store: store, Policy: s.Policy, Issuer: issuer, JWKS: jwks, Audience: audience,
		TLSCert: s.TLSCert, TLSKey: s.TLSKey, BaseURL: s.BaseURL, Origins: s.AllowOrigin, Proxies: s.TrustedProxy, ReadyDelay: s.ReadyDelay, Webhooks: s.WebhookAllow, AuditKeep: s.AuditKeep, AuditRoom: s.AuditQueue, Rate: s.RateLimit, MaxBody: s.MaxBody, MaxResource: s.MaxResource, Readings: s.MaxEntries, Connections: s.MaxConns, Subscribed: s.MaxSubs, ExportQuota: s.ExportQuota, Heavy: s.Heavy,
		Version: version, Logger: log,
	}
}

// wait serves until a signal or a broken listener, then ends what still runs.
func (s *service) wait(e *env, a *app.App) error {
	if s.Shutdown < 0 {
		return fmt.Errorf("--shutdown-timeout %s is less than nothing: give a duration such as 20s", s.Shutdown)
	}
	var err error
	ctx, stop := signal.NotifyContext(context.Background(), syscall.SIGTERM, syscall.SIGINT)
	defer stop()
	again := make(chan os.Signal, 1)
	signal.Notify(again, syscall.SIGHUP)
	defer signal.Stop(again)
	for waiting := true; waiting; {
		select {
		case <-again:
			a.Reload()
			continue
		case <-ctx.Done():
		case err = <-a.Failed():
		}
		waiting = false
	}
	stop()
	end, cancel := context.WithTimeout(context.Background(), s.Shutdown)
	defer cancel()
	if e := a.Stop(end); err == nil {
		err = e
	}
	if err != nil {
		return &exit{1, err}
	}
	return nil
}
