package bench

import (
	"context"
	"fmt"
	"hash/fnv"
	"io"
	"log/slog"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"tidemark/internal/app"
	"tidemark/internal/auth"
	"tidemark/internal/sim"
	"tidemark/internal/store"
	"tidemark/internal/ward"
)

// scale is how much is measured.
type scale struct {
	wards, patients int
	days            int // loaded before the day whose emptyings are posted
	emptyings       int // posted in a round, at most
	reads           int // of each kind in a round
	rounds          int
}

// A ward of 36 patients has about 60 drains, 17 such wards about 1,000. They
// chart some 15 thousand Observations a day, so that four days are the small
// store.
var (
	full  = scale{wards: 17, patients: 36, days: 4, emptyings: 8000, reads: 4000, rounds: 5}
	short = scale{wards: 1, patients: 15, days: 1, emptyings: 120, reads: 40, rounds: 1}
)

// entry is an emptying that waits to be posted.
type entry struct {
	at    time.Time
	drain string
	body  []byte
}

// hospital is a filled store, and what goes on in it.
type hospital struct {
	dir          string // of the closed store; to be copied, not changed
	now          time.Time
	observations int
	loaded       time.Duration // 0: it was there from a run before
	ids          []string      // of some Observations
	drains       []string      // in place
	ward, whole  string        // Locations
	later        []entry       // what a front end posts in the day after now
}

// options of the simulation: the same for the same scale and day.
func (sc scale) options(end time.Time) sim.Options {
	return sim.Options{Seed: 1, Wards: sc.wards, Patients: sc.patients, Days: sc.days + 1, End: end, Zone: time.UTC}
}

// fill makes a store with all but the last day's Observations, or takes the
// one that a run before has left in keep.
func fill(tb testing.TB, sc scale, keep string) *hospital {
	tb.Helper()
	end := time.Now().UTC().Truncate(time.Hour)
	dir := filepath.Join(keep, fmt.Sprintf("w%d-p%d-d%d", sc.wards, sc.patients, sc.days))
	mark := filepath.Join(dir, "end")
	ready := false
	if b, err := os.ReadFile(mark); err == nil {
		if t, err := time.Parse(time.RFC3339, string(b)); err == nil && end.Sub(t) < 12*time.Hour {
			end, ready = t, true
		}
	}
	h := &hospital{dir: dir, now: end.Add(-24 * time.Hour), ward: "ward-01", whole: "hospital"}
	var a *app.App
	var err error
	if !ready {
		if err := os.RemoveAll(dir); err != nil {
			tb.Fatal(err)
		}
	}
	// Opened even if it is ready: it may be of the schema before.
	a = open(tb, dir, func() time.Time { return h.now })
	ctx := context.Background()
	// Batches are prepared on all cores, while one of them is in the store. A
	// patient's steps stay in one lane, and so in order.
	const lanes, size = 4, 4000
	in := make([]chan ward.Change, lanes)
	done := make(chan error, lanes)
	for i := range in {
		in[i] = make(chan ward.Change, 2*size)
		go func() {
			var err error
			batch := make([]ward.Change, 0, size)
			keys := map[store.Key]bool{}
			flush := func() {
				if err == nil && len(batch) > 0 {
					_, err = a.Ward().Load(ctx, batch)
				}
				batch = batch[:0]
				clear(keys)
			}
			for c := range in[i] {
				if keys[c.Key] || len(batch) == size {
					flush()
				}
				keys[c.Key] = true
				batch = append(batch, c)
			}
			flush()
			done <- err
		}()
	}
	pick := rand.New(rand.NewPCG(1, 2))
	began := time.Now()
	removed := map[string]bool{}
	var devices []string
	for st := range sim.Steps(sc.options(end)) {
		charted := st.Type == "Observation"
		if charted && !st.At.Before(h.now) {
			if body := st.AppendJSON(nil); st.Method == sim.Put && strings.Contains(string(body), `"device"`) && strings.Contains(string(body), `"valueQuantity":{"value":`) &&
				strings.Contains(string(body), `"status":"final"`) && strings.Contains(string(body), `"display":"Fluid output`) && len(h.later) < sc.emptyings {
				h.later = append(h.later, entry{st.At, drainOf(st.ID), withoutID(body, st.ID)})
			}
			continue
		}
		switch {
		case charted && st.Method == sim.Put:
			h.observations++
			if len(h.ids) < 2000 {
				h.ids = append(h.ids, st.ID)
			} else if k := pick.IntN(h.observations); k < len(h.ids) {
				h.ids[k] = st.ID
			}
		case charted:
			for i, id := range h.ids {
				if id == st.ID {
					h.ids = append(h.ids[:i], h.ids[i+1:]...)
					break
				}
			}
		case st.Type == "Device":
			if strings.Contains(string(st.AppendJSON(nil)), `"status":"inactive"`) {
				removed[st.ID] = true
			} else {
				devices = append(devices, st.ID)
			}
		}
		if ready {
			continue
		}
		c := ward.Change{Method: store.Put, Key: store.Key{Type: st.Type, ID: st.ID}, Resource: st.Resource()}
		if c.Resource == nil {
			c.Method = store.Delete
		}
		in[lane(st.ID, lanes)] <- c
	}
	for i := range in {
		close(in[i])
	}
	for range in {
		if e := <-done; e != nil {
			err = e
		}
	}
	if err != nil {
		tb.Fatal(err)
	}
	if !ready {
		h.loaded = time.Since(began)
		// The findings as they stand when the posting begins.
		if _, err := a.Ward().Sweep(ctx, true); err != nil {
			tb.Fatal(err)
		}
		if err := os.WriteFile(mark, []byte(end.Format(time.RFC3339)), 0o600); err != nil {
			tb.Fatal(err)
		}
	}
	if err := a.Stop(ctx); err != nil {
		tb.Fatal(err)
	}
	for _, d := range devices {
		if !removed[d] {
			h.drains = append(h.drains, d)
		}
	}
	return h
}

// drainOf is the drain that an entry's id begins with.
func drainOf(id string) string { return id[:strings.LastIndexByte(id, '-')] }

// withoutID makes the body of a POST.
func withoutID(body []byte, id string) []byte {
	return []byte(strings.Replace(string(body), `"id":"`+id+`",`, "", 1))
}

// lane puts all that has to do with one patient into the same lane.
func lane(id string, lanes int) int {
	if parts := strings.SplitN(id, "-", 4); len(parts) > 2 && parts[0] == "p" {
		id = parts[1] + "-" + parts[2]
	}
	f := fnv.New32a()
	_, _ = f.Write([]byte(id)) // never fails
	return int(f.Sum32() % uint32(lanes))
}

// open puts the service together in this process, so that its clock can be the
// simulation's and one profile shows all of it.
func open(tb testing.TB, dir string, clock func() time.Time) *app.App {
	tb.Helper()
	a, err := app.New(context.Background(), app.Config{
		Listen: "127.0.0.1:0", Data: dir, Clock: clock, Version: "bench",
		Logger: slog.New(slog.NewTextHandler(io.Discard, &slog.HandlerOptions{Level: slog.LevelError})),
	})
	if err != nil {
		tb.Fatal(err)
	}
	return a
}

// site is a running service on a copy of a hospital.
type site struct {
	*app.App
	dir   string
	token string
	clock atomic.Int64 // seconds
}

// start serves a copy of the hospital's store at the hospital's time.
func (h *hospital) start(tb testing.TB) *site {
	tb.Helper()
	return h.serve(tb, h.copy(tb))
}

// look is start for those who only read. A copy of millions of Observations
// would push the store itself out of memory; reading adds to it no more than
// the audit records.
func (h *hospital) look(tb testing.TB) *site {
	tb.Helper()
	if h.observations > 500_000 {
		return h.serve(tb, h.dir)
	}
	return h.start(tb)
}

func (h *hospital) serve(tb testing.TB, dir string) *site {
	tb.Helper()
	s := &site{dir: dir}
	s.clock.Store(h.now.Unix())
	s.App = open(tb, s.dir, func() time.Time { return time.Unix(s.clock.Load(), 0) })
	s.App.Start()
	s.token = mint(tb, s.Key(), h.now)
	return s
}

func mint(tb testing.TB, key *auth.LocalKey, now time.Time) string {
	tb.Helper()
	scope, _ := auth.RoleScope("integration")
	t, err := key.Mint(auth.TokenRequest{Subject: "Practitioner/bench", Scope: scope, TTL: 72 * time.Hour, Now: now})
	if err != nil {
		tb.Fatal(err)
	}
	return t
}

// stop closes the store, so that its file is complete.
func (s *site) stop(tb testing.TB) {
	tb.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	if err := s.App.Stop(ctx); err != nil {
		tb.Fatal(err)
	}
}

// pass lets the clock reach t; it never goes back.
func (s *site) pass(t time.Time) {
	for {
		old := s.clock.Load()
		if t.Unix() <= old || s.clock.CompareAndSwap(old, t.Unix()) {
			return
		}
	}
}

const storeFile = "tidemark.db"

// copy copies the store to a folder of its own beside the hospital's, which
// is on the same file system.
func (h *hospital) copy(tb testing.TB) string {
	tb.Helper()
	dir, err := os.MkdirTemp(filepath.Dir(h.dir), "copy-")
	if err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(func() { os.RemoveAll(dir) })
	files, err := os.ReadDir(h.dir)
	if err != nil {
		tb.Fatal(err)
	}
	for _, f := range files {
		if f.Type().IsRegular() {
			copyFile(tb, filepath.Join(h.dir, f.Name()), filepath.Join(dir, f.Name()))
		}
	}
	return dir
}

func copyFile(tb testing.TB, from, to string) {
	tb.Helper()
	in, err := os.Open(from)
	if err != nil {
		tb.Fatal(err)
	}
	defer in.Close()
	out, err := os.OpenFile(to, os.O_CREATE|os.O_WRONLY|os.O_TRUNC, 0o600)
	if err != nil {
		tb.Fatal(err)
	}
	_, err = io.Copy(out, in)
	if err == nil {
		err = out.Sync()
	}
	if cerr := out.Close(); err == nil {
		err = cerr
	}
	if err != nil {
		tb.Fatal(err)
	}
}
