package main

import (
	"context"
	"fmt"
	"os"
	"slices"
	"strings"
	"time"

	"tidemark/internal/answer"
	"tidemark/internal/app"
	"tidemark/internal/auth"
	"tidemark/internal/sim"
	"tidemark/internal/store"
	"tidemark/internal/ward"
)

type demoCmd struct {
	service `embed:""`
	Seed    uint64 `help:"Seed of the simulated ward." default:"1"`
}

func (c *demoCmd) Run(e *env) error {
	dir, err := os.MkdirTemp("", "tidemark-demo-")
	if err != nil {
		return fmt.Errorf("cannot make a temporary directory (%w)", err)
	}
	defer os.RemoveAll(dir)
	ctx := context.Background()
	a, err := app.New(ctx, c.config(e, dir, "", "", "", ""))
	if err != nil {
		return err
	}
	now := time.Now()
	count, err := load(ctx, a.Ward(), sim.Demo(now, c.Seed))
	if err != nil {
		a.Stop(ctx)
		return err
	}
	a.Start()
	scope, _ := auth.RoleScope("integration")
	token, err := a.Key().Mint(auth.TokenRequest{Subject: "Practitioner/demo", Scope: scope, TTL: 24 * time.Hour, Now: now})
	if err != nil {
		a.Stop(ctx)
		return err
	}
	places, err := a.Ward().Wards(ctx)
	if err != nil || len(places) == 0 {
		a.Stop(ctx)
		return fmt.Errorf("the simulated ward has no location (%v)", err)
	}
	statuses, err := a.Ward().LocationStatus(ctx, places[0])
	if err != nil || len(statuses) == 0 {
		a.Stop(ctx)
		return fmt.Errorf("the simulated ward has no drain (%v)", err)
	}
	// The drain with the most open concerns has the most to show.
	d := slices.MaxFunc(statuses, func(a, b answer.Status) int { return len(a.Concerns) - len(b.Concerns) }).Drain.ID
	origin := strings.TrimSuffix(a.Base(), "/fhir")
	fmt.Fprintf(e.out, `The ward page, signed in, of an invented ward (%d resources, none of them clinical data):
%s/board/#token=%s

The interface by task: %s/docs
Base URL: %s
Token (24 h), as a line to paste:
export TOKEN=%s

What one drain gave, day by day:
curl -s -H "Authorization: Bearer $TOKEN" '%s/Device/%s/$drain-output?period=day'

Whom to look at: the ward's escalation status:
curl -s -H "Authorization: Bearer $TOKEN" '%s/Location/%s/$escalation-status'

Which reservoir to empty next:
curl -s -H "Authorization: Bearer $TOKEN" '%s/Location/%s/$emptying-due'

The service informs, it does not diagnose; local protocol and the licensed clinician decide.
Ctrl-C ends it, and the data with it.
`, count, origin, token, origin, a.Base(), token, a.Base(), d, a.Base(), places[0], a.Base(), places[0])
	return c.wait(e, a)
}

// load writes a simulated hospital through the core, without HTTP, and evaluates
// it once it is whole.
func load(ctx context.Context, w *ward.Service, o sim.Options) (int, error) {
	var batch []ward.Change
	keys := map[store.Key]bool{}
	n := 0
	flush := func() error {
		if len(batch) == 0 {
			return nil
		}
		_, err := w.Load(ctx, batch)
		n += len(batch)
		batch = batch[:0]
		clear(keys)
		return err
	}
	for st := range sim.Steps(o) {
		key := store.Key{Type: st.Type, ID: st.ID}
		// A resource changes once a step; a correction waits for the next.
		if keys[key] || len(batch) >= 2000 {
			if err := flush(); err != nil {
				return n, err
			}
		}
		keys[key] = true
		ch := ward.Change{Method: store.Put, Key: key, Resource: st.Resource()}
		if ch.Resource == nil {
			ch.Method = store.Delete
		}
		batch = append(batch, ch)
	}
	if err := flush(); err != nil {
		return n, err
	}
	_, err := w.Sweep(ctx, true)
	return n, err
}
