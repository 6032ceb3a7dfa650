package auth

import (
	"context"
	"crypto/elliptic"
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"os"
	"strings"
	"sync"
	"testing"
	"time"

	jose "github.com/go-jose/go-jose/v4"

	"tidemark/internal/fault"
)

// issuer is an OIDC issuer whose keys and health tests change.
type issuer struct {
	*httptest.Server
	mu    sync.Mutex
	keys  []byte
	down  bool
	cache string // Cache-Control
	calls int
	extra map[string]any // of the discovery document
}

func newIssuer(t testing.TB, keys ...jose.JSONWebKey) *issuer {
	t.Helper()
	i := &issuer{keys: keySetJSON(t, keys...)}
	mux := http.NewServeMux()
	mux.HandleFunc("/jwks", func(w http.ResponseWriter, _ *http.Request) {
		i.mu.Lock()
		defer i.mu.Unlock()
		i.calls++
		if i.down {
			http.Error(w, "down", http.StatusBadGateway)
			return
		}
		if i.cache != "" {
			w.Header().Set("Cache-Control", i.cache)
		}
		w.Header().Set("Content-Type", "application/json")
		w.Write(i.keys)
	})
	mux.HandleFunc("/.well-known/openid-configuration", func(w http.ResponseWriter, _ *http.Request) {
		i.mu.Lock()
		defer i.mu.Unlock()
		doc := map[string]any{"issuer": i.URL, "jwks_uri": i.URL + "/jwks"}
		for k, v := range i.extra {
			doc[k] = v
		}
		w.Header().Set("Content-Type", "application/json")
		if err := json.NewEncoder(w).Encode(doc); err != nil {
			t.Error(err)
		}
	})
	i.Server = httptest.NewServer(mux)
	t.Cleanup(i.Close)
	return i
}

func (i *issuer) set(change func(*issuer)) { i.mu.Lock(); defer i.mu.Unlock(); change(i) }

func (i *issuer) asked() int { i.mu.Lock(); defer i.mu.Unlock(); return i.calls }

func (i *issuer) verifier(t testing.TB, c *clock) Verifier {
	t.Helper()
	v, err := NewVerifier(t.Context(), Config{Issuer: i.URL, Audience: testAudience, Clock: c.Now})
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// settle waits for a reading in the background to end.
func settle(t *testing.T, v Verifier) {
	t.Helper()
	k := v.(*verifier).keys
	k.mu.Lock()
	r := k.running
	k.mu.Unlock()
	if r != nil {
		<-r.done
	}
}

func TestDiscoveryAndRotation(t *testing.T) {
	first, second := ecKey(t, elliptic.P256()), ecKey(t, elliptic.P256())
	i := newIssuer(t, public("one", first))
	c := newClock()
	v := i.verifier(t, c)
	n := 0
	token := func(kid string, key any) string {
		n++ // never the same token twice, so that the cache plays no part
		return sign(t, jose.ES256, key, map[string]any{"kid": kid}, goodClaims(map[string]any{"iss": i.URL, "jti": strings.Repeat("x", n), "exp": start.Add(100 * time.Hour).Unix()}))
	}
	verify := func(tok string) error { _, err := v.Verify(t.Context(), tok); return err }

	if err := verify(token("one", first)); err != nil {
		t.Fatal(err)
	}
	// A new key is fetched when a token names it, at once.
	i.set(func(i *issuer) { i.keys = keySetJSON(t, public("one", first), public("two", second)) })
	if err := verify(token("two", second)); err != nil {
		t.Fatalf("new key: %v", err)
	}
	if got := i.asked(); got != 2 {
		t.Errorf("the issuer was asked %d times, want 2", got)
	}
	// Unknown keys do not hammer the issuer.
	for range 50 {
		tok := token("unknown", first)
		wantRefused(t, verify(tok), tok, "does not publish")
	}
	if got := i.asked(); got != 2 {
		t.Errorf("the issuer was asked %d times, want 2", got)
	}
	c.add(refetchPause)
	for range 50 {
		tok := token("unknown", first)
		wantRefused(t, verify(tok), tok, "does not publish")
	}
	if got := i.asked(); got != 3 {
		t.Errorf("after the pause the issuer was asked %d times, want 3", got)
	}
	// A withdrawn key stops working once the key set is out of date.
	i.set(func(i *issuer) { i.keys = keySetJSON(t, public("two", second)) })
	c.add(defaultAge + time.Second)
	if err := verify(token("one", first)); err != nil {
		t.Fatalf("nobody waits for the network: %v", err)
	}
	settle(t, v)
	c.add(refetchPause)
	tok := token("one", first)
	wantRefused(t, verify(tok), tok, "does not publish")
}

func TestIssuerDown(t *testing.T) {
	key, fresh := ecKey(t, elliptic.P256()), ecKey(t, elliptic.P256())
	i := newIssuer(t, public("one", key))
	c := newClock()
	v := i.verifier(t, c)
	token := func(kid string, k any, id string) string {
		return sign(t, jose.ES256, k, map[string]any{"kid": kid}, goodClaims(map[string]any{"iss": i.URL, "jti": id, "exp": start.Add(1000 * time.Hour).Unix()}))
	}
	i.set(func(i *issuer) { i.down = true })

	unavailable := func(when, tok string) {
		t.Helper()
		_, err := v.Verify(t.Context(), tok)
		if !fault.Is(err, fault.Unavailable) || fault.Of(err).RetryAfter <= 0 {
			t.Fatalf("%s: got %v, want Unavailable with a time to retry", when, err)
		}
		if strings.Contains(err.Error(), tok[len(tok)-20:]) || strings.Contains(err.Error(), i.URL) {
			t.Errorf("%s: the text tells too much: %v", when, err)
		}
	}
	unavailable("a new key", token("two", fresh, "a"))
	unavailable("a new key within the pause", token("two", fresh, "b"))
	if got := i.asked(); got != 2 { // at the start, and once now
		t.Errorf("the issuer was asked %d times, want 2", got)
	}
	for _, later := range []time.Duration{0, time.Hour, 22 * time.Hour} {
		c.add(later)
		if _, err := v.Verify(t.Context(), token("one", key, later.String())); err != nil {
			t.Fatalf("known key after %s: %v", later, err)
		}
		settle(t, v)
	}
	c.add(2 * time.Hour)
	unavailable("a known key after a day", token("one", key, "c"))

	i.set(func(i *issuer) { i.down = false })
	c.add(refetchPause)
	if _, err := v.Verify(t.Context(), token("one", key, "d")); err != nil {
		t.Errorf("after the outage: %v", err)
	}
}

func TestCallerGivesUp(t *testing.T) {
	key := ecKey(t, elliptic.P256())
	i := newIssuer(t, public("one", key))
	v := i.verifier(t, newClock())
	tok := sign(t, jose.ES256, key, map[string]any{"kid": "other"}, goodClaims(map[string]any{"iss": i.URL}))
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	i.mu.Lock() // the issuer does not answer
	_, err := v.Verify(ctx, tok)
	i.mu.Unlock()
	if !fault.Is(err, fault.Unavailable) {
		t.Errorf("got %v", err)
	}
	settle(t, v)
}

// Many requests with a new key share one call, and all hold.
func TestRotationUnderLoad(t *testing.T) {
	first, second := ecKey(t, elliptic.P256()), ecKey(t, elliptic.P256())
	i := newIssuer(t, public("one", first))
	c := newClock()
	v := i.verifier(t, c)
	i.set(func(i *issuer) { i.keys = keySetJSON(t, public("two", second)) })
	good := make([]string, 8)
	for n := range good {
		good[n] = sign(t, jose.ES256, second, map[string]any{"kid": "two"}, goodClaims(map[string]any{"iss": i.URL, "jti": strings.Repeat("x", n+1)}))
	}
	var wg sync.WaitGroup
	for n := range 64 {
		wg.Go(func() {
			if _, err := v.Verify(context.Background(), good[n%len(good)]); err != nil {
				t.Error(err)
			}
		})
	}
	wg.Wait()
	if got := i.asked(); got != 2 {
		t.Errorf("the issuer was asked %d times, want 2", got)
	}
}

func TestKeySetByURL(t *testing.T) {
	key := ecKey(t, elliptic.P256())
	i := newIssuer(t, public("one", key))
	v, err := NewVerifier(t.Context(), Config{JWKS: i.URL + "/jwks", Issuer: testIssuer, Audience: testAudience, Clock: newClock().Now})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := v.Verify(t.Context(), sign(t, jose.ES256, key, map[string]any{"kid": "one"}, goodClaims(nil))); err != nil {
		t.Error(err)
	}
	tok := sign(t, jose.ES256, key, map[string]any{"kid": "one"}, goodClaims(map[string]any{"iss": i.URL}))
	_, err = v.Verify(t.Context(), tok)
	wantRefused(t, err, tok, "an issuer that this service does not trust")
}

func TestDiscoveryRefuses(t *testing.T) {
	for _, tt := range []struct {
		name, want string
		change     func(*issuer)
	}{
		{"keys down", "502", func(i *issuer) { i.down = true }},
		{"foreign issuer", "names the issuer", func(i *issuer) { i.extra = map[string]any{"issuer": "https://evil.example.org"} }},
		{"no jwks_uri", "jwks_uri", func(i *issuer) { i.extra = map[string]any{"jwks_uri": ""} }},
		{"jwks_uri of a file", "jwks_uri", func(i *issuer) { i.extra = map[string]any{"jwks_uri": "file:///etc/passwd"} }},
		{"not the type", "not OpenID Connect Discovery JSON", func(i *issuer) { i.extra = map[string]any{"jwks_uri": 5} }},
		{"no keys", "no usable public signing key", func(i *issuer) { i.keys = []byte(`{"keys":[]}`) }},
	} {
		t.Run(tt.name, func(t *testing.T) {
			i := newIssuer(t, public("one", ecKey(t, elliptic.P256())))
			i.set(tt.change)
			_, err := NewVerifier(t.Context(), Config{Issuer: i.URL, Audience: "a"})
			if err == nil || !strings.Contains(err.Error(), tt.want) {
				t.Errorf("got %v, want a text with %q", err, tt.want)
			}
		})
	}
	plain := httptest.NewServer(http.NotFoundHandler())
	plain.Close()
	if _, err := NewVerifier(t.Context(), Config{Issuer: plain.URL, Audience: "a"}); err == nil {
		t.Error("an issuer that is away was accepted")
	}
}

func TestDiscoveryKeepsTLS(t *testing.T) {
	var url string
	s := httptest.NewTLSServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		json.NewEncoder(w).Encode(map[string]string{"issuer": url, "jwks_uri": "http://issuer.example.org/jwks"})
	}))
	defer s.Close()
	url = s.URL
	_, err := NewVerifier(t.Context(), Config{Issuer: url, Audience: "a", HTTPClient: s.Client()})
	if err == nil || !strings.Contains(err.Error(), "does not use TLS") {
		t.Errorf("got %v", err)
	}
}

// Redirections are followed as far as they keep what the address promised.
func TestRedirections(t *testing.T) {
	plain := newIssuer(t, public("one", ecKey(t, elliptic.P256())))
	keys := keySetJSON(t, public("one", ecKey(t, elliptic.P256())))
	mux := http.NewServeMux()
	s := httptest.NewTLSServer(mux)
	defer s.Close()
	mux.HandleFunc("/keys", func(w http.ResponseWriter, _ *http.Request) { w.Write(keys) })
	mux.Handle("/moved", http.RedirectHandler("/keys", http.StatusFound))
	mux.Handle("/out", http.RedirectHandler(plain.URL+"/jwks", http.StatusFound))
	other := httptest.NewTLSServer(http.RedirectHandler("/", http.StatusFound))
	defer other.Close()
	mux.Handle("/elsewhere", http.RedirectHandler(other.URL+"/keys", http.StatusFound))
	mux.Handle("/round", http.RedirectHandler("/round", http.StatusFound))
	for path, want := range map[string]string{"/keys": "", "/moved": "", "/out": "without TLS", "/elsewhere": "to another host", "/round": "more than 5"} {
		_, err := NewVerifier(t.Context(), Config{JWKS: s.URL + path, Issuer: testIssuer, Audience: "a", HTTPClient: s.Client()})
		if (err == nil) != (want == "") || err != nil && !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, want %q", path, err, want)
		}
	}
	if _, err := NewVerifier(t.Context(), Config{JWKS: plain.URL + "/jwks", Issuer: testIssuer, Audience: "a"}); err != nil {
		t.Error(err)
	}
}

func TestKeySetFileChanges(t *testing.T) {
	first, second := ecKey(t, elliptic.P256()), ecKey(t, elliptic.P256())
	path := keySetFile(t, public("one", first))
	c := newClock()
	v, err := NewVerifier(t.Context(), Config{JWKS: path, Issuer: testIssuer, Audience: testAudience, Clock: c.Now})
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	verify := func(kid string, key any) error {
		n++
		_, err := v.Verify(t.Context(), sign(t, jose.ES256, key, map[string]any{"kid": kid}, goodClaims(map[string]any{"jti": strings.Repeat("x", n)})))
		return err
	}
	write := func(data []byte) {
		t.Helper()
		if err := os.WriteFile(path, data, 0o600); err != nil {
			t.Fatal(err)
		}
		// A time of its own, however coarse the file system's clock.
		when := start.Add(time.Duration(n) * time.Second)
		if err := os.Chtimes(path, when, when); err != nil {
			t.Fatal(err)
		}
	}
	if err := verify("one", first); err != nil {
		t.Fatal(err)
	}
	if err := verify("two", second); !fault.Is(err, fault.Unauthenticated) {
		t.Fatalf("before the change: %v", err)
	}
	write(keySetJSON(t, public("two", second)))
	if err := verify("two", second); err != nil {
		t.Errorf("the new key: %v", err)
	}
	if err := verify("one", first); !fault.Is(err, fault.Unauthenticated) {
		t.Errorf("the old key: %v", err)
	}
	// A file that is broken or gone leaves the keys as they were.
	write([]byte("{"))
	if err := verify("two", second); err != nil {
		t.Errorf("known key, broken file: %v", err)
	}
	if err := verify("three", first); !fault.Is(err, fault.Unavailable) {
		t.Errorf("unknown key, broken file: %v", err)
	}
	if err := os.Remove(path); err != nil {
		t.Fatal(err)
	}
	if err := verify("two", second); err != nil {
		t.Errorf("known key, no file: %v", err)
	}
	write(keySetJSON(t, public("one", first)))
	if err := verify("one", first); err != nil {
		t.Errorf("after the repair: %v", err)
	}
}

func TestMaxAge(t *testing.T) {
	for _, tt := range []struct {
		header string
		want   time.Duration
	}{
		{"", defaultAge},
		{"public, max-age=600", 600 * time.Second},
		{"max-age=1", minKeyAge},
		{"max-age=99999999999", maxKeyAge},
		{"max-age=99999999999999999999999", defaultAge},
		{"max-age=-5", defaultAge},
		{"no-store", minKeyAge},
		{"Max-Age=\"120\"", 2 * time.Minute},
	} {
		h := http.Header{}
		if tt.header != "" {
			h.Set("Cache-Control", tt.header)
		}
		if got := maxAge(h); got != tt.want {
			t.Errorf("%q: %s, want %s", tt.header, got, tt.want)
		}
	}
}

func FuzzParseKeySet(f *testing.F) {
	f.Add(keySetJSON(f, public("a", ecKey(f, elliptic.P256())), public("b", rsaKey(f, 2048))))
	f.Add([]byte(`{"keys":[{"kty":"EC","crv":"P-256","x":"AA","y":"AA"},{"kty":"RSA","n":"","e":""},{"kty":"oct","k":"AA"}]}`))
	f.Fuzz(func(t *testing.T, data []byte) {
		keys, err := parseKeySet(data)
		if err == nil && len(keys) == 0 {
			t.Error("no key and no error")
		}
		for _, k := range keys {
			if !k.IsPublic() {
				t.Errorf("a key that is not public: %T", k.Key)
			}
		}
	})
}
