package main

import (
	"context"
	"fmt"
	"log/slog"
	"os/signal"
	"syscall"
	"time"

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
	MaxBody      int64         `help:"Largest request body in bytes." default:"16777216"`
	Drain        string        `name:"drain-timeout" help:"How long running requests may take after SIGTERM." default:"20s"`
	Verbose      bool          `help:"Log every request."`
}

type serveCmd struct {
	service  `embed:""`
	Data     string `help:"Directory of the embedded store and the local key." default:"./tidemark-data" type:"path" placeholder:"DIR"`
	Store    string `help:"MongoDB instead of the embedded store." placeholder:"mongodb://…/db"`
	Issuer   string `help:"OIDC issuer whose tokens hold." placeholder:"URL"`
	JWKS     string `name:"jwks" help:"Key set of the issuer, file or URL." placeholder:"FILE-or-URL"`
	Audience string `help:"Audience that tokens must name." placeholder:"AUD"`
}

func (c *serveCmd) Run(e *env) error {
	a, err := app.New(context.Background(), c.config(e, c.Data, c.Store, c.Issuer, c.JWKS, c.Audience))
	if err != nil {
		return err
	}
	a.Start()
	e.log.Info("serving", "base", a.Base())
	return c.wait(e, a)
}

func (s *service) config(e *env, data, store, issuer, jwks, audience string) app.Config {
	log := e.log
	if s.Verbose {
		log = slog.New(slog.NewTextHandler(e.err, &slog.HandlerOptions{Level: slog.LevelDebug}))
	}
	return app.Config{
		Listen: s.Listen, AdminListen: s.AdminListen, Data: data, Store: store, Policy: s.Policy, Issuer: issuer, JWKS: jwks, Audience: audience,
		TLSCert: s.TLSCert, TLSKey: s.TLSKey, BaseURL: s.BaseURL, Origins: s.AllowOrigin, Webhooks: s.WebhookAllow, AuditKeep: s.AuditKeep, Rate: s.RateLimit, MaxBody: s.MaxBody,
		Version: version, Logger: log,
	}
}

// wait serves until a signal or a broken listener, then drains.
func (s *service) wait(e *env, a *app.App) error {
	timeout, err := time.ParseDuration(s.Drain)
	if err != nil || timeout < 0 {
		return fmt.Errorf("--drain-timeout %q is not a duration such as 20s", s.Drain)
	}
	ctx, stop := signal.NotifyContext(context.Background(), syscall.SIGTERM, syscall.SIGINT)
	defer stop()
	select {
	case <-ctx.Done():
	case err = <-a.Failed():
	}
	stop()
	drain, cancel := context.WithTimeout(context.Background(), timeout)
	defer cancel()
	if e := a.Stop(drain); err == nil {
		err = e
	}
	if err != nil {
		return &exit{1, err}
	}
	return nil
}
