package auth

import (
	"bytes"
	"context"
	"crypto/ecdsa"
	"crypto/ed25519"
	"crypto/elliptic"
	"crypto/rsa"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"os"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	jose "github.com/go-jose/go-jose/v4"

	"tidemark/internal/fault"
)

// Limits of a key set. All are ours.
const (
	maxKeySet    = 1 << 20          // bytes of a key set or a discovery document
	minKeyAge    = time.Minute      // a key set is not asked for again sooner, whatever Cache-Control says,
	maxKeyAge    = time.Hour        // nor later than this
	defaultAge   = 10 * time.Minute // without Cache-Control
	refetchPause = 10 * time.Second // between two calls to the issuer for an unknown key or after a failure
	outageLimit  = 24 * time.Hour   // how long keys are used while their source cannot be read
	fetchTimeout = 10 * time.Second
	minRSABits   = 2048 // NIST SP 800-131A rev. 2
)

// algorithms are the signatures that are read: asymmetric ones only.
var algorithms = []jose.SignatureAlgorithm{
	jose.RS256, jose.RS384, jose.RS512,
	jose.PS256, jose.PS384, jose.PS512,
	jose.ES256, jose.ES384, jose.ES512,
	jose.EdDSA,
}

// snapshot is one reading of a key set. It does not change.
type snapshot struct {
	keys  []jose.JSONWebKey
	fresh time.Time // until when a remote set need not be read again
	until time.Time // when it must not be used any more; zero: no limit
	stamp string    // the file version that it came from
	read  time.Time // when it was read from an address; zero: it was not
}

// pick finds the key for a token. Without a key id, exactly one key must fit
// the algorithm.
func (s *snapshot) pick(kid string, alg jose.SignatureAlgorithm) (*jose.JSONWebKey, error) {
	var named, found *jose.JSONWebKey
	for i := range s.keys {
		k := &s.keys[i]
		if kid != "" {
			if k.KeyID != kid {
				continue
			}
			if named != nil {
				return nil, refuse("The issuer publishes two keys under the key id of the token, so neither is trusted.")
			}
			named = k
		}
		if !fits(k, alg) {
			continue
		}
		if found != nil {
			return nil, refuse("The token names no key id, and the issuer publishes several keys that fit.")
		}
		found = k
	}
	switch {
	case found != nil:
		return found, nil
	case named != nil:
		return nil, refuse("The key of the token is not one for its signature algorithm.")
	}
	return nil, refuse("The token is signed with a key that the issuer does not publish.")
}

// fits reports whether the key is one for the algorithm, in type, curve, and
// the algorithm that it is published for.
func fits(k *jose.JSONWebKey, alg jose.SignatureAlgorithm) bool {
	if k.Algorithm != "" && k.Algorithm != string(alg) {
		return false
	}
	switch pub := k.Key.(type) {
	case *rsa.PublicKey:
		return alg[0] == 'R' || alg[0] == 'P'
	case *ecdsa.PublicKey:
		switch alg {
		case jose.ES256:
			return pub.Curve == elliptic.P256()
		case jose.ES384:
			return pub.Curve == elliptic.P384()
		case jose.ES512:
			return pub.Curve == elliptic.P521()
		}
	case ed25519.PublicKey:
		return alg == jose.EdDSA
	}
	return false
}

// parseKeySet reads the public signing keys of a JWKS. Keys of other kinds are
// ignored, as RFC 7517 section 5 asks; a set without any usable key is an
// error, because it would refuse every token.
func parseKeySet(data []byte) ([]jose.JSONWebKey, error) {
	var set struct {
		Keys []json.RawMessage `json:"keys"`
	}
	if err := json.Unmarshal(data, &set); err != nil {
		return nil, errors.New("it is not a JSON Web Key Set")
	}
	var keys []jose.JSONWebKey
	for _, raw := range set.Keys {
		var meta struct {
			Use string   `json:"use"`
			Ops []string `json:"key_ops"`
		}
		var k jose.JSONWebKey
		if json.Unmarshal(raw, &meta) != nil || json.Unmarshal(raw, &k) != nil {
			continue
		}
		if meta.Use != "" && meta.Use != "sig" || meta.Ops != nil && !slices.Contains(meta.Ops, "verify") {
			continue
		}
		if !k.Valid() || !k.IsPublic() {
			continue // symmetric, or a private key that has been disclosed
		}
		if pub, ok := k.Key.(*rsa.PublicKey); ok && pub.N.BitLen() < minRSABits {
			continue
		}
		keys = append(keys, k)
	}
	if len(keys) == 0 {
		return nil, fmt.Errorf("it holds no usable public signing key (RSA of %d bits or more, EC, Ed25519)", minRSABits)
	}
	return keys, nil
}

// source is where a key set is read from.
type source interface {
	load(ctx context.Context, now time.Time) (*snapshot, error)
	// stale reports whether the set should be read again although no key is
	// missing.
	stale(s *snapshot, now time.Time) bool
}

// keySet holds the current keys of a source and reads them again when needed.
type keySet struct {
	src   source
	clock func() time.Time
	cur   atomic.Pointer[snapshot]

	mu      sync.Mutex
	running *reading  // the reading in progress, if any
	tried   time.Time // when the last reading began
	failure error     // of the last reading
}

type reading struct {
	done chan struct{}
	err  error
}

func newKeySet(ctx context.Context, src source, clock func() time.Time) (*keySet, error) {
	first, err := src.load(ctx, clock())
	if err != nil {
		return nil, err
	}
	k := &keySet{src: src, clock: clock}
	k.cur.Store(first)
	return k, nil
}

// find gives the key for a token. The error is a *fault.Error; it is of kind
// Unavailable where it might not have come up if the source could be read.
func (k *keySet) find(ctx context.Context, kid string, alg jose.SignatureAlgorithm) (*jose.JSONWebKey, error) {
	s, now := k.cur.Load(), k.clock()
	_, far := k.src.(remote)
	stale := k.src.stale(s, now)
	usable := s.until.IsZero() || now.Before(s.until)
	key, err := s.pick(kid, alg)
	switch {
	case err == nil && usable && !stale:
		return key, nil
	case err == nil && usable && far:
		k.refresh(now) // a request does not wait for the network while its key is known
		return key, nil
	case !far && !stale:
		return nil, err // a local key set does not change
	}
	failure := k.wait(ctx, k.refresh(now))
	switch {
	case failure == nil:
		return k.cur.Load().pick(kid, alg)
	case err == nil && usable:
		return key, nil
	}
	e := fault.New(fault.Unavailable, "transient", "The issuer's keys cannot be read at the moment, so the token cannot be checked. Try again.")
	e.RetryAfter = refetchPause
	e.Cause = failure
	return nil, e
}

// refresh starts a reading, or joins the one in progress. It gives nil when the
// last one was too recent.
func (k *keySet) refresh(now time.Time) *reading {
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.running != nil {
		return k.running
	}
	if _, far := k.src.(remote); far && !k.tried.IsZero() && now.Sub(k.tried) < refetchPause {
		return nil
	}
	r := &reading{done: make(chan struct{})}
	k.running = r
	go func() {
		// Not the context of the first request: others wait for the same
		// answer.
		ctx, cancel := context.WithTimeout(context.Background(), fetchTimeout)
		defer cancel()
		s, err := k.src.load(ctx, now)
		if err == nil {
			k.cur.Store(s)
		}
		k.mu.Lock()
		k.running, k.tried, k.failure = nil, now, err
		k.mu.Unlock()
		r.err = err
		close(r.done)
	}()
	return r
}

// wait gives the failure of the reading, or of the last one where there is none
// to wait for.
func (k *keySet) wait(ctx context.Context, r *reading) error {
	if r == nil {
		k.mu.Lock()
		defer k.mu.Unlock()
		return k.failure
	}
	select {
	case <-r.done:
		return r.err
	case <-ctx.Done():
		return ctx.Err()
	}
}

// fixed is the key set of the local issuer.
type fixed struct{ keys []jose.JSONWebKey }

func (f fixed) load(context.Context, time.Time) (*snapshot, error) {
	return &snapshot{keys: f.keys}, nil
}

func (fixed) stale(*snapshot, time.Time) bool { return false }

// file is a key set on disk, read again when the file changes. While a changed
// file cannot be read, the keys before the change go on.
type file struct{ path string }

func (f file) load(context.Context, time.Time) (*snapshot, error) {
	fail := func(err error) (*snapshot, error) {
		return nil, fmt.Errorf("key set file %s: %w", f.path, err)
	}
	// The stamp is taken before the content, so that a change in between is
	// noticed the next time.
	stamp := f.stamp()
	in, err := os.Open(f.path)
	if err != nil {
		return fail(err)
	}
	defer in.Close()
	data, err := readLimited(in)
	if err != nil {
		return fail(err)
	}
	keys, err := parseKeySet(data)
	if err != nil {
		return fail(err)
	}
	return &snapshot{keys: keys, stamp: stamp}, nil
}

func (f file) stamp() string {
	fi, err := os.Stat(f.path)
	if err != nil {
		return "missing"
	}
	return fi.ModTime().UTC().Format(time.RFC3339Nano) + " " + strconv.FormatInt(fi.Size(), 10)
}

func (f file) stale(s *snapshot, _ time.Time) bool { return f.stamp() != s.stamp }

// remote is a key set at an address.
type remote struct {
	url    string
	client *http.Client
}

func (r remote) load(ctx context.Context, now time.Time) (*snapshot, error) {
	data, header, err := fetch(ctx, r.client, r.url)
	if err != nil {
		return nil, err
	}
	keys, err := parseKeySet(data)
	if err != nil {
		return nil, fmt.Errorf("key set at %s: %w", r.url, err)
	}
	fresh := now.Add(maxAge(header))
	return &snapshot{keys: keys, fresh: fresh, until: fresh.Add(outageLimit), read: now}, nil
}

func (remote) stale(s *snapshot, now time.Time) bool { return now.After(s.fresh) }

// ErrAway says that an issuer cannot be reached, which waiting may mend.
var ErrAway = errors.New("it does not answer")

// fetch gets a JSON document.
func fetch(ctx context.Context, client *http.Client, url string) ([]byte, http.Header, error) {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, url, nil)
	if err != nil {
		return nil, nil, err
	}
	req.Header.Set("Accept", "application/json, application/jwk-set+json")
	resp, err := client.Do(req)
	if err != nil {
		return nil, nil, fmt.Errorf("%w: %w", ErrAway, err)
	}
	defer resp.Body.Close()
	if resp.StatusCode >= 500 || resp.StatusCode == http.StatusTooManyRequests {
		return nil, nil, fmt.Errorf("%w: %s answers %s", ErrAway, url, resp.Status)
	}
	if resp.StatusCode != http.StatusOK {
		return nil, nil, fmt.Errorf("%s answers %s", url, resp.Status)
	}
	if kind, _, err := mime.ParseMediaType(resp.Header.Get("Content-Type")); err == nil && kind == "text/html" {
		return nil, nil, fmt.Errorf("%s answers a web page instead of JSON", url)
	}
	data, err := readLimited(resp.Body)
	if err != nil {
		return nil, nil, fmt.Errorf("%s: %w", url, err)
	}
	return data, resp.Header, nil
}

func readLimited(r io.Reader) ([]byte, error) {
	data, err := io.ReadAll(io.LimitReader(r, maxKeySet+1))
	if err != nil {
		return nil, err
	}
	if len(data) > maxKeySet {
		return nil, fmt.Errorf("longer than %d bytes", maxKeySet)
	}
	return bytes.TrimSpace(data), nil
}

// maxAge is how long an answer may be used by its Cache-Control, within our own
// limits.
func maxAge(h http.Header) time.Duration {
	age := defaultAge
	for _, line := range h.Values("Cache-Control") {
		for part := range strings.SplitSeq(line, ",") {
			name, value, _ := strings.Cut(strings.TrimSpace(part), "=")
			switch strings.ToLower(name) {
			case "no-store", "no-cache":
				return minKeyAge
			case "max-age":
				if n, err := strconv.Atoi(strings.Trim(value, `"`)); err == nil && n >= 0 {
					age = time.Duration(min(n, int(maxKeyAge/time.Second))) * time.Second
				}
			}
		}
	}
	return max(minKeyAge, min(age, maxKeyAge))
}
