package app_test

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	jose "github.com/go-jose/go-jose/v4"

	"tidemark/internal/app"
)

// TestPolicyReload: a changed policy holds without a restart; one with faults
// is named in the log, and the one before stays in force.
func TestPolicyReload(t *testing.T) {
	path := filepath.Join(t.TempDir(), "policy.yaml")
	version := 0
	write := func(text string) {
		t.Helper()
		version++
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		when := time.Now().Add(time.Duration(version) * time.Minute) // however coarse the file system's clock is
		if err := os.Chtimes(path, when, when); err != nil {
			t.Fatal(err)
		}
	}
	write("removal:\n  output: 41 mL/d\n")
	s := start(t, func(c *app.Config) { c.Policy = path })
	token := s.token("Practitioner/t")
	s.drain(token, "1", "Alder", time.Now())
	review := func() string { return s.must(200, "GET", "/fhir/Device/d-1/$removal-review", token, "") }
	if got := review(); !strings.Contains(got, "41 mL") {
		t.Fatalf("the policy of the start does not hold: %s", got)
	}
	write("removal:\n  output: 52 mL/d\n")
	await(t, "the changed policy holds", func() bool { return strings.Contains(review(), "52 mL") })
	for _, faulty := range []string{"removal:\n  output: 63 mL\n", "removal: ["} {
		before := strings.Count(s.log.String(), "stays in force")
		write(faulty)
		await(t, "the fault is logged", func() bool { return strings.Count(s.log.String(), "stays in force") > before })
		if got := review(); !strings.Contains(got, "52 mL") {
			t.Errorf("after the faulty policy %q the one before is not in force: %s", faulty, got)
		}
	}
	if err := os.Remove(path); err != nil {
		t.Fatal(err)
	}
	write("removal:\n  output: 74 mL/d\n")
	await(t, "the repaired policy holds", func() bool { return strings.Contains(review(), "74 mL") })
}

// TestAuditKeep: AuditEvents older than the setting go, and nothing else does.
func TestAuditKeep(t *testing.T) {
	var past clock
	past.add(-72 * time.Hour)
	old := start(t, func(c *app.Config) { c.Clock = past.Now })
	token := func(s *service, c *clock) string {
		return mint(t, s, c.Now())
	}
	all := token(old, &past)
	old.drain(all, "1", "Alder", past.Now())
	first := old.must(201, "POST", "/fhir/Observation", all, emptying("1", "old", past.Now()))
	old.must(200, "GET", "/fhir/Patient/p-1", all, "", "X-Request-Id", "an-old-read")
	old.stop() // which waits for the audit

	audit := func(s *service, token string) (out []time.Time) {
		t.Helper()
		var b struct {
			Entry []struct{ Resource struct{ Recorded time.Time } }
		}
		if err := json.Unmarshal([]byte(s.must(200, "GET", "/fhir/AuditEvent?_count=200", token, "")), &b); err != nil {
			t.Fatal(err)
		}
		for _, e := range b.Entry {
			out = append(out, e.Resource.Recorded)
		}
		return out
	}
	const keep = 48 * time.Hour
	var now clock
	ever := start(t, func(c *app.Config) { c.Data, c.Clock = old.dir, now.Now })
	tok := token(ever, &now)
	ever.must(200, "GET", "/fhir/Patient/p-1", tok, "")
	if got := audit(ever, tok); len(got) < 5 {
		t.Errorf("without a setting %d AuditEvents are left, want those of 5 requests at least", len(got))
	}
	ever.stop()
	some := start(t, func(c *app.Config) { c.Data, c.Clock, c.AuditKeep = old.dir, now.Now, keep })
	tok = token(some, &now)
	await(t, "the old AuditEvents are gone", func() bool {
		for _, at := range audit(some, tok) {
			if now.Now().Sub(at) > keep {
				return false
			}
		}
		return true
	})
	if got := audit(some, tok); len(got) < 2 {
		t.Errorf("%d AuditEvents are left, want those of the last 48 h", len(got))
	}
	var kept struct{ ID string }
	if err := json.Unmarshal([]byte(first), &kept); err != nil {
		t.Fatal(err)
	}
	for _, path := range []string{"Patient/p-1", "Device/d-1", "DeviceUseStatement/u-1", "Observation/" + kept.ID, "Observation/" + kept.ID + "/_history/1"} {
		some.must(200, "GET", "/fhir/"+path, tok, "")
	}
}

// issuer is a made-up OIDC issuer.
type issuer struct {
	*httptest.Server
	mu   sync.Mutex
	keys map[string]*ecdsa.PrivateKey
	down bool
	huge bool
}

func newIssuer(t *testing.T) *issuer {
	i := &issuer{keys: map[string]*ecdsa.PrivateKey{}}
	mux := http.NewServeMux()
	mux.HandleFunc("/.well-known/openid-configuration", func(w http.ResponseWriter, _ *http.Request) {
		i.mu.Lock()
		defer i.mu.Unlock()
		if i.down {
			http.Error(w, "down", http.StatusServiceUnavailable)
			return
		}
		fmt.Fprintf(w, `{"issuer":%q,"jwks_uri":%q,"authorization_endpoint":%q,"token_endpoint":%q}`, i.URL, i.URL+"/keys", i.URL+"/authorize", i.URL+"/token")
	})
	mux.HandleFunc("/keys", func(w http.ResponseWriter, _ *http.Request) {
		i.mu.Lock()
		defer i.mu.Unlock()
		switch {
		case i.down:
			http.Error(w, "down", http.StatusServiceUnavailable)
			return
		case i.huge:
			io.WriteString(w, `{"keys":[`+strings.Repeat(" ", 2<<20)+`]}`)
			return
		}
		var set jose.JSONWebKeySet
		for kid, k := range i.keys {
			set.Keys = append(set.Keys, jose.JSONWebKey{Key: k.Public(), KeyID: kid, Algorithm: "ES256", Use: "sig"})
		}
		if err := json.NewEncoder(w).Encode(set); err != nil {
			t.Error(err)
		}
	})
	i.Server = httptest.NewServer(mux)
	t.Cleanup(i.Close)
	return i
}

func (i *issuer) set(f func()) { i.mu.Lock(); defer i.mu.Unlock(); f() }

// key publishes a new key.
func (i *issuer) key(t *testing.T, kid string) *ecdsa.PrivateKey {
	t.Helper()
	k, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	i.set(func() { i.keys[kid] = k })
	return k
}

func sign(t *testing.T, kid string, key *ecdsa.PrivateKey, claims map[string]any) string {
	t.Helper()
	signer, err := jose.NewSigner(jose.SigningKey{Algorithm: jose.ES256, Key: jose.JSONWebKey{Key: key, KeyID: kid}}, nil)
	if err != nil {
		t.Fatal(err)
	}
	payload, err := json.Marshal(claims)
	if err != nil {
		t.Fatal(err)
	}
	jws, err := signer.Sign(payload)
	if err != nil {
		t.Fatal(err)
	}
	out, err := jws.CompactSerialize()
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// TestIssuer runs the service beside a real issuer: discovery, tokens, new
// keys, an outage, and no local tokens whatever lies in the data folder.
// internal/auth tests the same parts one by one.
func TestIssuer(t *testing.T) {
	local := start(t, nil)
	minted := local.token("Practitioner/t")
	local.must(200, "GET", "/fhir/Patient", minted, "")
	local.stop()

	i := newIssuer(t)
	one := i.key(t, "one")
	var now clock
	run := func(c *app.Config) {
		c.Data, c.Issuer, c.Audience, c.Clock = local.dir, i.URL, "https://tidemark.example.org/fhir", now.Now
	}
	// An issuer that is away at the start is said; once it is back the same
	// command starts.
	i.set(func() { i.down = true })
	cfg := config(t)
	run(&cfg)
	cfg.Patience = 1
	if _, err := app.New(t.Context(), cfg); err == nil || !strings.Contains(err.Error(), "--issuer "+i.URL) || !strings.Contains(err.Error(), "503") {
		t.Fatalf("started with the issuer away: %v", err)
	}
	i.set(func() { i.down, i.huge = false, true })
	if _, err := app.New(t.Context(), cfg); err == nil || !strings.Contains(err.Error(), "longer than") {
		t.Fatalf("a key set without end: %v", err)
	}
	// Without a limit to its patience it waits, says so, and starts.
	i.set(func() { i.huge, i.down = false, true })
	waits := &text{}
	s := start(t, func(c *app.Config) {
		run(c)
		c.Logger = slog.New(slog.NewTextHandler(waits, nil))
		go func() {
			for !strings.Contains(waits.String(), "waiting for the issuer") {
				time.Sleep(time.Millisecond)
			}
			i.set(func() { i.down = false })
		}()
	})

	n := 0
	token := func(kid string, key *ecdsa.PrivateKey, change map[string]any) string {
		n++
		claims := map[string]any{"iss": i.URL, "aud": "https://tidemark.example.org/fhir", "sub": "someone", "fhirUser": "Practitioner/7", "scope": "openid fhirUser user/*.cruds",
			"exp": now.Now().Add(48 * time.Hour).Unix(), "jti": fmt.Sprint(n)}
		for k, v := range change {
			claims[k] = v
		}
		return sign(t, kid, key, claims)
	}
	expect := func(what string, want int, tok string) http.Header {
		t.Helper()
		res, body := s.ask("GET", "/fhir/Patient", tok, "")
		if res.StatusCode != want {
			t.Errorf("%s: %d, want %d: %s", what, res.StatusCode, want, body)
		}
		if strings.Contains(body, tok) {
			t.Errorf("%s: the answer repeats the token", what)
		}
		return res.Header
	}
	expect("a token of the issuer", 200, token("one", one, nil))
	expect("another audience", 401, token("one", one, map[string]any{"aud": "https://other.example.org"}))
	expect("another issuer", 401, token("one", one, map[string]any{"iss": "https://other.example.org"}))
	expect("expired", 401, token("one", one, map[string]any{"exp": now.Now().Add(-time.Hour).Unix()}))

	if s.Key() != nil {
		t.Error("the local key is open beside a real issuer")
	}
	expect("a local token minted before", 401, minted)
	again := start(t, func(c *app.Config) {}) // a key of its own, as `tidemark token` would use
	expect("a local token that claims to be the issuer's", 401, again.token("Practitioner/t"))
	if body := s.must(200, "GET", "/fhir/.well-known/smart-configuration", "", ""); !strings.Contains(body, i.URL+"/authorize") || !strings.Contains(body, i.URL+"/token") {
		t.Errorf("the SMART configuration does not name the issuer's endpoints: %s", body)
	}

	two := i.key(t, "two")
	now.add(time.Minute) // unknown keys, as the last one's, do not send every request to the issuer
	expect("a new key, as soon as a token names it", 200, token("two", two, nil))
	forged, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	now.add(time.Minute)
	expect("a key that nobody published", 401, token("three", forged, nil))
	expect("a known key id, another key", 401, token("two", forged, nil))

	now.add(time.Minute)
	i.set(func() { i.down = true })
	three := i.key(t, "three")
	if h := expect("a new key while the issuer is away", 503, token("three", three, nil)); h.Get("Retry-After") == "" {
		t.Error("an outage of the issuer has no Retry-After")
	}
	expect("a known key while the issuer is away", 200, token("one", one, nil))
	i.set(func() { i.down = false })
	now.add(time.Minute)
	expect("the new key once the issuer is back", 200, token("three", three, nil))
	if strings.Contains(s.log.String(), "eyJ") {
		t.Error("the log holds a token")
	}
}

// TestKeySetBesideLocal: a key set closes the local issuer as well.
func TestKeySetBesideLocal(t *testing.T) {
	local := start(t, nil)
	minted := local.token("Practitioner/t")
	local.stop()
	i := newIssuer(t)
	one := i.key(t, "one")
	s := start(t, func(c *app.Config) {
		c.Data, c.JWKS, c.Audience = local.dir, i.URL+"/keys", "a"
	})
	if s.Key() != nil {
		t.Error("the local key is open beside a key set")
	}
	if res, _ := s.ask("GET", "/fhir/Patient", minted, ""); res.StatusCode != 401 {
		t.Errorf("a local token: %d", res.StatusCode)
	}
	good := map[string]any{"iss": "urn:tidemark:local", "aud": "a", "sub": "x", "scope": "user/*.rs", "exp": time.Now().Add(time.Hour).Unix()}
	s.must(200, "GET", "/fhir/Patient", sign(t, "one", one, good), "")
	good["aud"] = "urn:tidemark:local"
	if res, _ := s.ask("GET", "/fhir/Patient", sign(t, "one", one, good), ""); res.StatusCode != 401 {
		t.Errorf("the audience of local tokens holds beside a key set: %d", res.StatusCode)
	}
}

// A base URL that changes is told of, since searches no longer find some references.
func TestChangedBaseURL(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "data")
	open := func(base string) string {
		s := start(t, func(c *app.Config) { c.Data, c.BaseURL = dir, base })
		defer s.stop()
		return s.log.String()
	}
	for _, c := range []struct {
		base string
		told bool
	}{{"http://a.test", false}, {"http://a.test", false}, {"http://b.test", true}, {"http://b.test", true}, {"", false}, {"http://a.test", false}} {
		if got := strings.Contains(open(c.base), "--base-url has changed"); got != c.told {
			t.Errorf("with %q: told %v", c.base, got)
		}
	}
}

// The record of a read that was answered is kept when the service is stopped right after.
func TestAuditOverStop(t *testing.T) {
	s := start(t, nil)
	token := s.token("Practitioner/t")
	s.must(201, "PUT", "/fhir/Patient/p", token, `{"resourceType":"Patient","id":"p"}`)
	const n = 200
	for range n {
		s.must(200, "GET", "/fhir/Patient/p", token, "")
	}
	s.stop()
	again := start(t, func(c *app.Config) { c.Data = s.dir })
	b := again.must(200, "GET", "/fhir/AuditEvent?subtype=read&_count=1000", again.token("Practitioner/t"), "")
	if got := strings.Count(b, `"fullUrl"`); got != n {
		t.Errorf("%d records of %d reads", got, n)
	}
}
