package main

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"os"
	"os/signal"
	"path/filepath"
	"syscall"
	"time"

	"tidemark/internal/policy"
	"tidemark/internal/replay"
	"tidemark/internal/sim"
	"tidemark/internal/store"
)

type policyReplay struct {
	place       `embed:""`
	Against     string   `help:"Second policy file, to compare with the first; \"default\" is the service's own." placeholder:"FILE"`
	Files       []string `arg:"" optional:"" help:"NDJSON files or folders of an export, instead of a store." type:"path" placeholder:"FILE"`
	Simulate    bool     `help:"A simulated hospital instead of a store, with the flags of tidemark simulate."`
	hospital    `embed:"" group:"Simulated hospital, with --simulate:"`
	Truth       string        `help:"What really happened, as tidemark simulate --truth writes it. A simulated hospital knows it." type:"path" placeholder:"FILE"`
	Acknowledge time.Duration `help:"Count as if somebody acknowledged so long after each announcement, unless the data say when somebody did; 0s: nobody else does." default:"15m"`
	Times       string        `help:"When an entry counts as charted: recorded (by the store) or issued (as it says itself, for a store that was filled from elsewhere)." enum:"recorded,issued" default:"recorded"`
	Format      string        `help:"table, csv (one figure a line) or json." enum:"table,csv,json" default:"table"`
}

func (c *policyReplay) Run(e *env) error {
	ctx, stop := signal.NotifyContext(context.Background(), syscall.SIGINT, syscall.SIGTERM)
	defer stop()
	if c.Simulate && len(c.Files) > 0 {
		return errors.New("--simulate makes its own entries: leave the files out")
	}
	candidates, err := c.candidates()
	if err != nil {
		return err
	}
	o := replay.Options{Candidates: candidates, Acknowledge: c.Acknowledge}
	if c.Truth != "" {
		f, err := os.Open(c.Truth)
		if err != nil {
			return fmt.Errorf("cannot read %s (%w)", c.Truth, err)
		}
		o.Truth, err = replay.ReadTruth(f)
		f.Close()
		if err != nil {
			return fmt.Errorf("%s: %w", c.Truth, err)
		}
	}
	bar := progress(e, -1, "replaying", counting()...)
	defer bar.Finish() // a bar that cannot be drawn is no failure
	o.Progress = func(n int) { _ = bar.Set(n) }
	changes, done, err := c.changes(ctx, e, &o)
	if err != nil {
		return err
	}
	defer done()
	r, err := replay.Run(ctx, changes, &o)
	_ = bar.Finish()
	switch {
	case err != nil && ctx.Err() != nil:
		return &exit{1, errors.New("interrupted")}
	case err != nil:
		return err
	case r.Drains == 0:
		return errors.New("there is no drain with an entry: name a store with --data or --store, files of an export, or --simulate")
	}
	return r.Write(e.out, replay.Format(c.Format))
}

func (c *policyReplay) candidates() ([]replay.Candidate, error) {
	list := []replay.Candidate{{Name: "default", Policy: policy.Default()}}
	if c.Policy != "" {
		p, err := policy.Load(c.Policy)
		if err != nil {
			return nil, err
		}
		list[0] = replay.Candidate{Name: filepath.Base(c.Policy), Policy: p}
	}
	switch {
	case c.Against == "default":
		list = append(list, replay.Candidate{Name: "default", Policy: policy.Default()})
	case c.Against != "":
		p, err := policy.Load(c.Against)
		if err != nil {
			return nil, err
		}
		list = append(list, replay.Candidate{Name: filepath.Base(c.Against), Policy: p})
	}
	if len(list) == 2 && list[0].Name == list[1].Name {
		list[0].Name, list[1].Name = "first "+list[0].Name, "second "+list[1].Name
	}
	return list, nil
}

// changes gives what is to be run.
func (c *policyReplay) changes(ctx context.Context, e *env, o *replay.Options) (iter.Seq2[replay.Change, error], func(), error) {
	zone := o.Candidates[0].Policy.Zone()
	nothing := func() {}
	times := replay.Times(c.Times)
	switch {
	case c.Simulate:
		so, err := c.hospital.options()
		if err != nil {
			return nil, nil, err
		}
		o.End = so.End
		so.Truth = func(t sim.Event) { o.Truth = append(o.Truth, replay.Event(t)) }
		raws := func(yield func(replay.Raw, error) bool) {
			for st := range sim.Steps(so) {
				if !yield(replay.Raw{At: st.At, Key: store.Key{Type: st.Type, ID: st.ID}, JSON: st.AppendJSON(nil)}, nil) {
					return
				}
			}
		}
		return replay.Decode(raws, zone), nothing, nil
	case len(c.Files) > 0:
		files, err := ndjson(c.Files)
		if err != nil {
			return nil, nil, err
		}
		raws := func(yield func(replay.Raw, error) bool) {
			for _, name := range files {
				f, err := os.Open(name)
				if err != nil {
					yield(replay.Raw{}, fmt.Errorf("cannot read %s (%w)", name, err))
					return
				}
				for r, err := range replay.FromNDJSON(f) {
					if err != nil {
						err = fmt.Errorf("%s, %w", name, err)
					}
					if !yield(r, err) {
						f.Close()
						return
					}
				}
				f.Close()
			}
		}
		return replay.Order(replay.Decode(raws, zone), times), nothing, nil
	}
	if c.Store == "" {
		if _, err := os.Stat(c.Data); err != nil {
			return nil, nil, fmt.Errorf("no data directory %s: name the one of the service with --data, files of an export, or --simulate", c.Data)
		}
	}
	s, err := c.open(ctx, e, time.Now)
	if err != nil {
		return nil, nil, err
	}
	changes := replay.Decode(replay.FromStore(ctx, s.store), zone)
	if times == replay.Issued {
		changes = replay.Order(changes, times)
	}
	return changes, func() { s.store.Close() }, nil
}

// ndjson lists the files, and those in folders.
func ndjson(names []string) ([]string, error) {
	var files []string
	for _, name := range names {
		fi, err := os.Stat(name)
		if err != nil {
			return nil, fmt.Errorf("cannot read %s (%w)", name, err)
		}
		if !fi.IsDir() {
			files = append(files, name)
			continue
		}
		within, err := filepath.Glob(filepath.Join(name, "*.ndjson"))
		if err != nil || len(within) == 0 {
			return nil, fmt.Errorf("no *.ndjson in the folder %s", name)
		}
		files = append(files, within...)
	}
	return files, nil
}
