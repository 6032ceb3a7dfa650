package readers

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"os"
	"path/filepath"
	"sync/atomic"
	"testing"
	"time"

	"tidemark/internal/app"
	"tidemark/internal/auth"
	"tidemark/internal/sim"
)

// service is the service as a whole, in this process, with a clock of its own.
type service struct {
	t   *testing.T
	app *app.App
	clock
	token string
}

// clock goes on from a time as the machine's does, and can be held.
type clock struct {
	from, began time.Time
	held        atomic.Pointer[time.Time]
}

func (c *clock) now() time.Time {
	if t := c.held.Load(); t != nil {
		return *t
	}
	return c.from.Add(time.Since(c.began))
}

// hold stops the clock until it is let go.
func (c *clock) hold() (at time.Time, release func()) {
	at = c.now().UTC().Truncate(time.Millisecond).Add(time.Millisecond)
	c.held.Store(&at)
	return at, func() { c.held.Store(nil) }
}

// serve starts a service whose clock goes on from a time, and stops it with the
// test.
func serve(t *testing.T, from time.Time, policy string, change func(*app.Config)) *service {
	t.Helper()
	s := &service{t: t, clock: clock{from: from, began: time.Now()}}
	c := app.Config{Listen: "127.0.0.1:0", AdminListen: "127.0.0.1:0", Data: t.TempDir(), SweepEvery: 20 * time.Millisecond, Clock: s.now, Logger: slog.New(slog.DiscardHandler)}
	if policy != "" {
		c.Policy = filepath.Join(t.TempDir(), "policy.yaml")
		if err := os.WriteFile(c.Policy, []byte(policy), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if change != nil {
		change(&c)
	}
	a, err := app.New(t.Context(), c)
	if err != nil {
		t.Fatal(err)
	}
	s.app = a
	a.Start()
	t.Cleanup(func() {
		if err := a.Stop(context.Background()); err != nil {
			t.Error(err)
		}
	})
	s.token = s.mint("Practitioner/everything")
	return s
}

func (s *service) mint(subject string) string {
	s.t.Helper()
	token, err := s.app.Key().Mint(auth.TokenRequest{Subject: subject, Scope: "system/*.cruds", TTL: time.Hour, Now: s.now()})
	if err != nil {
		s.t.Fatal(err)
	}
	return token
}

// do sends a request below the base, or to an absolute URL, and gives status,
// headers and body.
func (s *service) do(method, path string, body []byte, header ...string) (int, http.Header, []byte) {
	s.t.Helper()
	url := path
	if path == "" || path[0] != 'h' {
		url = s.app.Base() + "/" + path
	}
	r, err := http.NewRequestWithContext(s.t.Context(), method, url, bytes.NewReader(body))
	if err != nil {
		s.t.Fatal(err)
	}
	r.Header.Set("Authorization", "Bearer "+s.token)
	r.Header.Set("Content-Type", "application/fhir+json")
	for i := 0; i < len(header); i += 2 {
		r.Header.Set(header[i], header[i+1])
	}
	res, err := http.DefaultClient.Do(r)
	if err != nil {
		s.t.Fatal(err)
	}
	defer res.Body.Close()
	b, err := io.ReadAll(res.Body)
	if err != nil {
		s.t.Fatal(err)
	}
	return res.StatusCode, res.Header, b
}

// want is do for what must succeed.
func (s *service) want(status int, method, path string, body []byte, header ...string) []byte {
	s.t.Helper()
	got, _, b := s.do(method, path, body, header...)
	if got != status {
		s.t.Fatalf("%s %s: %d, want %d: %.1000s", method, path, got, status, b)
	}
	return b
}

// object is want for JSON, its numbers as they are written.
func (s *service) object(path string) map[string]any {
	s.t.Helper()
	var o map[string]any
	d := json.NewDecoder(bytes.NewReader(s.want(http.StatusOK, http.MethodGet, path, nil)))
	d.UseNumber()
	if err := d.Decode(&o); err != nil {
		s.t.Fatal(err)
	}
	return o
}

// pages gives the entries of a Bundle and of those that its next links lead to.
func (s *service) pages(path string, each func(entry map[string]any)) {
	s.t.Helper()
	for path != "" {
		b := s.object(path)
		path = ""
		for _, l := range b["link"].([]any) {
			if l := l.(map[string]any); l["relation"] == "next" {
				path = l["url"].(string)
			}
		}
		entries, _ := b["entry"].([]any)
		for _, e := range entries {
			each(e.(map[string]any))
		}
	}
}

// hospital posts a simulated hospital, corrections and deletions included.
func (s *service) hospital(o sim.Options) {
	s.t.Helper()
	var b bytes.Buffer
	seen := map[string]bool{}
	flush := func() {
		if len(seen) == 0 {
			return
		}
		b.WriteString("]}")
		s.want(http.StatusOK, http.MethodPost, "", b.Bytes())
		b.Reset()
		clear(seen)
	}
	for st := range sim.Steps(o) {
		key := st.Type + "/" + st.ID
		if seen[key] || len(seen) == 100 {
			flush()
		}
		if len(seen) == 0 {
			b.WriteString(`{"resourceType":"Bundle","type":"transaction","entry":[`)
		} else {
			b.WriteByte(',')
		}
		if line := st.AppendJSON(nil); len(line) > 0 {
			fmt.Fprintf(&b, `{"resource":%s,"request":{"method":%q,"url":%q}}`, line, st.Method, key)
		} else {
			fmt.Fprintf(&b, `{"request":{"method":"DELETE","url":%q}}`, key)
		}
		seen[key] = true
	}
	flush()
}
