package auth

import (
	"context"
	"crypto"
	"crypto/ecdsa"
	"crypto/ed25519"
	"crypto/elliptic"
	"crypto/hmac"
	"crypto/rand"
	"crypto/rsa"
	"crypto/sha256"
	"crypto/x509"
	"encoding/base64"
	"encoding/json"
	"maps"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	jose "github.com/go-jose/go-jose/v4"
	"github.com/google/go-cmp/cmp"

	"tidemark/internal/fault"
)

var start = time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC)

// clock is a clock that tests turn by hand.
type clock struct {
	mu  sync.Mutex
	now time.Time
}

func (c *clock) Now() time.Time { c.mu.Lock(); defer c.mu.Unlock(); return c.now }
func (c *clock) add(d time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.now = c.now.Add(d)
}

func newClock() *clock { return &clock{now: start} }

const (
	testIssuer   = "https://issuer.example.org"
	testAudience = "https://ward.example.org/fhir"
)

func ecKey(t testing.TB, curve elliptic.Curve) *ecdsa.PrivateKey {
	t.Helper()
	k, err := ecdsa.GenerateKey(curve, rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	return k
}

func rsaKey(t testing.TB, bits int) *rsa.PrivateKey {
	t.Helper()
	k, err := rsa.GenerateKey(rand.Reader, bits)
	if err != nil {
		t.Fatal(err)
	}
	return k
}

func edKey(t testing.TB) ed25519.PrivateKey {
	t.Helper()
	_, k, err := ed25519.GenerateKey(rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	return k
}

// public is the JWK that an issuer publishes for a key.
func public(kid string, k crypto.Signer) jose.JSONWebKey {
	return jose.JSONWebKey{Key: k.Public(), KeyID: kid, Use: "sig"}
}

func keySetJSON(t testing.TB, keys ...jose.JSONWebKey) []byte {
	t.Helper()
	data, err := json.Marshal(jose.JSONWebKeySet{Keys: keys})
	if err != nil {
		t.Fatal(err)
	}
	return data
}

func keySetFile(t testing.TB, keys ...jose.JSONWebKey) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "jwks.json")
	if err := os.WriteFile(path, keySetJSON(t, keys...), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// goodClaims are the claims of a token that holds. Changes replace members; nil
// removes one.
func goodClaims(changes map[string]any) map[string]any {
	c := map[string]any{
		"iss": testIssuer, "aud": testAudience, "sub": "u-17", "fhirUser": "Practitioner/n1", "client_id": "chart-app",
		"jti": "t-1", "scope": "openid user/Observation.rs", "exp": start.Add(time.Hour).Unix(), "nbf": start.Unix(),
	}
	maps.Copy(c, changes)
	maps.DeleteFunc(c, func(_ string, v any) bool { return v == nil })
	return c
}

// sign makes a compact token with any header.
func sign(t testing.TB, alg jose.SignatureAlgorithm, key any, header map[string]any, payload any) string {
	t.Helper()
	opts := &jose.SignerOptions{}
	for k, v := range header {
		opts.WithHeader(jose.HeaderKey(k), v)
	}
	signer, err := jose.NewSigner(jose.SigningKey{Algorithm: alg, Key: key}, opts)
	if err != nil {
		t.Fatal(err)
	}
	data, ok := payload.([]byte)
	if !ok {
		if data, err = json.Marshal(payload); err != nil {
			t.Fatal(err)
		}
	}
	jws, err := signer.Sign(data)
	if err != nil {
		t.Fatal(err)
	}
	token, err := jws.CompactSerialize()
	if err != nil {
		t.Fatal(err)
	}
	return token
}

// rawES256 signs header and payload as they stand, for what a decent library
// refuses to make.
func rawES256(t testing.TB, key *ecdsa.PrivateKey, header, payload string) string {
	t.Helper()
	input := b64(header) + "." + b64(payload)
	sum := sha256.Sum256([]byte(input))
	r, s, err := ecdsa.Sign(rand.Reader, key, sum[:])
	if err != nil {
		t.Fatal(err)
	}
	sig := make([]byte, 64)
	r.FillBytes(sig[:32])
	s.FillBytes(sig[32:])
	return input + "." + b64(string(sig))
}

func b64(s string) string { return base64.RawURLEncoding.EncodeToString([]byte(s)) }

func mustJSON(t testing.TB, v any) string {
	t.Helper()
	data, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return string(data)
}

func fileVerifier(t testing.TB, c *clock, keys ...jose.JSONWebKey) Verifier {
	t.Helper()
	v, err := NewVerifier(t.Context(), Config{Issuer: testIssuer, JWKS: keySetFile(t, keys...), Audience: testAudience, Clock: c.Now})
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// wantRefused checks kind and text of a refusal, and that it repeats nothing of
// the token.
func wantRefused(t *testing.T, err error, token, text string) {
	t.Helper()
	if !fault.Is(err, fault.Unauthenticated) {
		t.Fatalf("got %v, want Unauthenticated", err)
	}
	if !strings.Contains(err.Error(), text) {
		t.Errorf("got %q, want a text with %q", err, text)
	}
	e := fault.Of(err)
	said := err.Error()
	if e.Cause != nil {
		said += e.Cause.Error()
	}
	for part := range strings.SplitSeq(token, ".") {
		if len(part) > 8 && strings.Contains(said, part) {
			t.Errorf("the error repeats a part of the token: %q", said)
		}
	}
}

func TestVerifyAccepts(t *testing.T) {
	c := newClock()
	r, e256, e384, e521, ed := rsaKey(t, 2048), ecKey(t, elliptic.P256()), ecKey(t, elliptic.P384()), ecKey(t, elliptic.P521()), edKey(t)
	v := fileVerifier(t, c, public("r", r), public("e256", e256), public("e384", e384), public("e521", e521), public("ed", ed))
	want := &Principal{Subject: "Practitioner/n1", Client: "chart-app", Issuer: testIssuer, TokenID: "t-1",
		Scopes: Scopes{list: []Scope{{User, "Observation", Read | Search, ""}}}, Expires: start.Add(time.Hour).Local()}
	for _, tt := range []struct {
		alg jose.SignatureAlgorithm
		key any
		kid string
	}{
		{jose.RS256, r, "r"}, {jose.RS384, r, "r"}, {jose.RS512, r, "r"}, {jose.PS256, r, "r"}, {jose.PS384, r, "r"}, {jose.PS512, r, "r"},
		{jose.ES256, e256, "e256"}, {jose.ES384, e384, "e384"}, {jose.ES512, e521, "e521"}, {jose.EdDSA, ed, "ed"},
		{jose.ES256, e256, ""}, // no key id, and one key that fits
	} {
		t.Run(string(tt.alg)+tt.kid, func(t *testing.T) {
			header := map[string]any{"typ": "JWT"}
			if tt.kid != "" {
				header["kid"] = tt.kid
			}
			got, err := v.Verify(t.Context(), sign(t, tt.alg, tt.key, header, goodClaims(nil)))
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(want, got, cmp.AllowUnexported(Scopes{})); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
}

func TestVerifyClaims(t *testing.T) {
	key := ecKey(t, elliptic.P256())
	sec := func(d time.Duration) int64 { return start.Add(d).Unix() }
	tests := []struct {
		name    string
		changes map[string]any
		refused string // text of the refusal; empty: accepted
		check   func(*Principal) bool
	}{
		{"aud list", map[string]any{"aud": []string{"x", testAudience}}, "", nil},
		{"wrong aud", map[string]any{"aud": "https://other.example.org/fhir"}, "audience", nil},
		{"aud with a slash more", map[string]any{"aud": testAudience + "/"}, "audience", nil},
		{"no aud", map[string]any{"aud": nil}, "audience", nil},
		{"empty aud", map[string]any{"aud": ""}, "audience", nil},
		{"wrong iss", map[string]any{"iss": "https://evil.example.org"}, "an issuer that this service does not trust", nil},
		{"iss with a slash more", map[string]any{"iss": testIssuer + "/"}, "an issuer that this service does not trust", nil},
		{"no iss", map[string]any{"iss": nil}, "an issuer that this service does not trust", nil},
		{"no exp", map[string]any{"exp": nil}, "no expiry", nil},
		{"exp is text", map[string]any{"exp": "4102444800"}, "cannot be read", nil},
		{"exp negative", map[string]any{"exp": -1}, "cannot be read", nil},
		{"exp beyond all time", map[string]any{"exp": 1e300}, "cannot be read", nil},
		{"exp with a fraction", map[string]any{"exp": float64(sec(time.Hour)) + 0.5}, "", nil},
		{"expired within the skew", map[string]any{"exp": sec(-Skew + time.Second)}, "", nil},
		{"expired at the skew", map[string]any{"exp": sec(-Skew)}, "expired", nil},
		{"expired", map[string]any{"exp": sec(-time.Hour)}, "expired", nil},
		{"nbf within the skew", map[string]any{"nbf": sec(Skew)}, "", nil},
		{"nbf beyond the skew", map[string]any{"nbf": sec(Skew + time.Second)}, "not valid yet", nil},
		{"no nbf", map[string]any{"nbf": nil}, "", nil},
		{"sub when no fhirUser", map[string]any{"fhirUser": nil}, "", func(p *Principal) bool { return p.Subject == "u-17" }},
		{"client when no sub", map[string]any{"fhirUser": nil, "sub": nil}, "", func(p *Principal) bool { return p.Subject == "chart-app" }},
		{"azp", map[string]any{"client_id": nil, "azp": "other-app"}, "", func(p *Principal) bool { return p.Client == "other-app" }},
		{"nobody", map[string]any{"fhirUser": nil, "sub": nil, "client_id": nil}, "names no user", nil},
		{"sub is a number", map[string]any{"sub": 5}, "cannot be read", nil},
		{"patient", map[string]any{"patient": "p-1"}, "", func(p *Principal) bool { return p.Patient == "p-1" }},
		{"patient as a reference", map[string]any{"patient": "Patient/p-1"}, "", func(p *Principal) bool { return p.Patient == "p-1" }},
		{"patient that is none", map[string]any{"patient": "p1,p2"}, "not a Patient id", nil},
		{"scope list", map[string]any{"scope": []string{"user/Device.r", "x"}}, "", func(p *Principal) bool { return p.Scopes.String() == "user/Device.r" && p.Unknown == 1 }},
		{"scp", map[string]any{"scope": nil, "scp": []string{"user/Device.r"}}, "", func(p *Principal) bool { return p.Scopes.String() == "user/Device.r" }},
		{"scope counts before scp", map[string]any{"scp": []string{"system/*.cruds"}}, "", func(p *Principal) bool { return p.Scopes.String() == "user/Observation.rs" }},
		{"no scope", map[string]any{"scope": nil}, "", func(p *Principal) bool { return p.Scopes.Empty() }},
		{"scope null", map[string]any{"scope": json.RawMessage("null"), "scp": []string{"x"}}, "", func(p *Principal) bool { return p.Scopes.Empty() }},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			v := fileVerifier(t, newClock(), public("k", key))
			token := sign(t, jose.ES256, key, map[string]any{"kid": "k"}, goodClaims(tt.changes))
			p, err := v.Verify(t.Context(), token)
			if tt.refused != "" {
				wantRefused(t, err, token, tt.refused)
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			if tt.check != nil && !tt.check(p) {
				t.Errorf("got %+v", p)
			}
		})
	}
}

func TestVerifyAttacks(t *testing.T) {
	key, other, p384 := ecKey(t, elliptic.P256()), ecKey(t, elliptic.P256()), ecKey(t, elliptic.P384())
	r, weak, ed := rsaKey(t, 2048), rsaKey(t, 1024), edKey(t)
	for4096 := public("rs512only", r)
	for4096.Algorithm = "RS512"
	forEncryption := public("enc", other)
	forEncryption.Use = "enc"
	private := jose.JSONWebKey{Key: other, KeyID: "leaked", Use: "sig"}
	symmetric := jose.JSONWebKey{Key: []byte("0123456789abcdef0123456789abcdef"), KeyID: "oct"}
	v := fileVerifier(t, newClock(), public("k", key), public("r", r), public("weak", weak), public("ed", ed), public("p384", p384),
		public("twice", key), public("twice", other), for4096, forEncryption, private, symmetric)

	claims := mustJSON(t, goodClaims(nil))
	kid := func(s string) map[string]any { return map[string]any{"kid": s} }
	good := sign(t, jose.ES256, key, kid("k"), goodClaims(nil))
	if _, err := v.Verify(t.Context(), good); err != nil {
		t.Fatal(err)
	}
	hmacWith := func(secret []byte, header string) string {
		input := b64(header) + "." + b64(claims)
		m := hmac.New(sha256.New, secret)
		m.Write([]byte(input))
		return input + "." + b64(string(m.Sum(nil)))
	}
	der, err := x509.MarshalPKIXPublicKey(r.Public())
	if err != nil {
		t.Fatal(err)
	}
	parts := strings.Split(good, ".")
	flipped := []byte(parts[2])
	flipped[0] ^= 1 // 'A' to '@' is no base64, but most neighbours are
	jws, err := jose.ParseSignedCompact(good, algorithms)
	if err != nil {
		t.Fatal(err)
	}

	tests := []struct{ name, token, refused string }{
		{"empty", "", "not a signed"},
		{"garbage", "garbage", "not a signed"},
		{"dots", "..", "not a signed"},
		{"four parts", good + ".x", "not a signed"},
		{"two parts", parts[0] + "." + parts[1], "not a signed"},
		{"no signature", parts[0] + "." + parts[1] + ".", "not a signed"},
		{"white space", good[:20] + "\n" + good[20:], "not a signed"},
		{"padding", good + "=", "not a signed"},
		{"JSON serialisation", jws.FullSerialize(), "not a signed"},
		{"five parts, encrypted", "a.b.c.d.e", "not a signed"},
		{"oversized", good + strings.Repeat("A", MaxToken), "longer than"},
		{"alg none", b64(`{"alg":"none"}`) + "." + b64(claims) + "." + b64("x"), "algorithm"},
		{"alg None", b64(`{"alg":"None","kid":"k"}`) + "." + b64(claims) + "." + b64("x"), "algorithm"},
		{"alg missing", b64(`{"kid":"k"}`) + "." + b64(claims) + "." + b64("x"), "algorithm"},
		{"HS256 with the public key in DER", hmacWith(der, `{"alg":"HS256","kid":"r"}`), "algorithm"},
		{"HS256 with a key of the set", hmacWith(symmetric.Key.([]byte), `{"alg":"HS256","kid":"oct"}`), "algorithm"},
		{"ES256 with the symmetric key", hmacWith(symmetric.Key.([]byte), `{"alg":"ES256","kid":"oct"}`), "does not publish"},
		{"unknown kid", sign(t, jose.ES256, key, kid("nope"), goodClaims(nil)), "does not publish"},
		{"kid of another key", sign(t, jose.ES256, other, kid("k"), goodClaims(nil)), "signature"},
		{"doubled kid in the set", sign(t, jose.ES256, key, kid("twice"), goodClaims(nil)), "two keys"},
		{"doubled kid in the header", rawES256(t, key, `{"alg":"ES256","kid":"k","kid":"k"}`, claims), "header"},
		{"kid is a number", rawES256(t, key, `{"alg":"ES256","kid":7}`, claims), "header"},
		{"kty does not fit alg", sign(t, jose.ES256, key, kid("r"), goodClaims(nil)), "not one for its signature algorithm"},
		{"RS256 named with an EC key", sign(t, jose.RS256, r, kid("k"), goodClaims(nil)), "not one for its signature algorithm"},
		{"curve does not fit alg", sign(t, jose.ES256, key, kid("p384"), goodClaims(nil)), "not one for its signature algorithm"},
		{"alg is not the one of the key", sign(t, jose.RS256, r, kid("rs512only"), goodClaims(nil)), "not one for its signature algorithm"},
		{"weak RSA key", sign(t, jose.RS256, weak, kid("weak"), goodClaims(nil)), "does not publish"},
		{"encryption key", sign(t, jose.ES256, other, kid("enc"), goodClaims(nil)), "does not publish"},
		{"published private key", sign(t, jose.ES256, other, kid("leaked"), goodClaims(nil)), "does not publish"},
		{"no kid and two keys that fit", sign(t, jose.ES256, key, nil, goodClaims(nil)), "several keys"},
		{"key brought along (jwk)", sign(t, jose.ES256, other, map[string]any{"kid": "k", "jwk": public("k", other)}, goodClaims(nil)), "signature"},
		{"key brought along, new kid", sign(t, jose.ES256, other, map[string]any{"kid": "mine", "jwk": public("mine", other)}, goodClaims(nil)), "does not publish"},
		{"jku", sign(t, jose.ES256, other, map[string]any{"kid": "mine", "jku": "https://evil.example.org/jwks"}, goodClaims(nil)), "does not publish"},
		{"crit", rawES256(t, key, `{"alg":"ES256","kid":"k","crit":["exp"],"exp":1}`, claims), "crit"},
		{"crit b64", rawES256(t, key, `{"alg":"ES256","kid":"k","crit":["b64"],"b64":true}`, claims), "crit"},
		{"b64", rawES256(t, key, `{"alg":"ES256","kid":"k","b64":false}`, claims), "crit"},
		{"logout token", rawES256(t, key, `{"alg":"ES256","kid":"k","typ":"logout+jwt"}`, claims), "not an access token"},
		{"proof token", rawES256(t, key, `{"alg":"ES256","kid":"k","typ":"dpop+jwt"}`, claims), "not an access token"},
		{"doubled claim", rawES256(t, key, `{"alg":"ES256","kid":"k"}`, claims[:len(claims)-1]+`,"scope":"system/*.cruds"}`), "claims"},
		{"claim in other case", rawES256(t, key, `{"alg":"ES256","kid":"k"}`, strings.Replace(claims, `"exp"`, `"EXP"`, 1)), "no expiry"},
		{"payload is no object", rawES256(t, key, `{"alg":"ES256","kid":"k"}`, `[1]`), "claims"},
		{"payload is null", rawES256(t, key, `{"alg":"ES256","kid":"k"}`, `null`), "an issuer that this service does not trust"},
		{"header is no object", rawES256(t, key, `"ES256"`, claims), "header"},
		{"changed claims", parts[0] + "." + b64(strings.Replace(claims, "user/", "system/", 1)) + "." + parts[2], "signature"},
		{"changed header", b64(`{"alg":"ES256","kid":"k" }`) + "." + parts[1] + "." + parts[2], "signature"},
		{"signature of zeros", parts[0] + "." + parts[1] + "." + b64(strings.Repeat("\x00", 64)), "signature"},
		{"short signature", parts[0] + "." + parts[1] + "." + b64("abc"), "signature"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, err := v.Verify(t.Context(), tt.token)
			wantRefused(t, err, tt.token, tt.refused)
		})
	}
	if _, err := v.Verify(t.Context(), parts[0]+"."+parts[1]+"."+string(flipped)); !fault.Is(err, fault.Unauthenticated) {
		t.Errorf("flipped bit: %v", err)
	}
}

// A token has one spelling: spare bits of the last base64 digit are refused.
func TestVerifyOneSpelling(t *testing.T) {
	key := ecKey(t, elliptic.P256())
	v := fileVerifier(t, newClock(), public("k", key))
	token := sign(t, jose.ES256, key, map[string]any{"kid": "k"}, goodClaims(nil))
	const digits = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_"
	last := strings.IndexByte(digits, token[len(token)-1])
	other := token[:len(token)-1] + digits[last|1:last|1+1] // 64 bytes leave four spare bits
	_, err := v.Verify(t.Context(), other)
	wantRefused(t, err, other, "not a signed")
}

func TestExpiredIsCodedExpired(t *testing.T) {
	key := ecKey(t, elliptic.P256())
	v := fileVerifier(t, newClock(), public("k", key))
	_, err := v.Verify(t.Context(), sign(t, jose.ES256, key, map[string]any{"kid": "k"}, goodClaims(map[string]any{"exp": start.Add(-time.Hour).Unix()})))
	if got := fault.Of(err).Issues[0].Code; got != "expired" {
		t.Errorf("issue code %q", got)
	}
}

func TestCachedTokenExpires(t *testing.T) {
	key := ecKey(t, elliptic.P256())
	for _, life := range []time.Duration{20 * time.Second, time.Hour} { // shorter and longer than the cache's memory
		c := newClock()
		v := fileVerifier(t, c, public("k", key))
		token := sign(t, jose.ES256, key, map[string]any{"kid": "k"}, goodClaims(map[string]any{"exp": start.Add(life).Unix()}))
		first, err := v.Verify(t.Context(), token)
		if err != nil {
			t.Fatal(err)
		}
		if again, err := v.Verify(t.Context(), token); err != nil || again != first {
			t.Errorf("%s: the second look was not from the cache: %v", life, err)
		}
		c.add(life)
		if again, err := v.Verify(t.Context(), token); err != nil || again == first {
			t.Errorf("%s: at its expiry the token was not looked at anew: %v", life, err)
		}
		c.add(Skew)
		_, err = v.Verify(t.Context(), token)
		wantRefused(t, err, token, "expired")
	}
}

func TestNewVerifierConfig(t *testing.T) {
	local, err := OpenLocalKey(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	key := ecKey(t, elliptic.P256())
	jwks := keySetFile(t, public("k", key))
	write := func(s string) string {
		path := filepath.Join(t.TempDir(), "x.json")
		if err := os.WriteFile(path, []byte(s), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	tests := []struct {
		name, want string
		cfg        Config
	}{
		{"nothing", "no token issuer", Config{Audience: "a"}},
		{"local beside issuer", "cannot be used with an issuer", Config{Local: local, Issuer: testIssuer, Audience: "a"}},
		{"local beside key set", "cannot be used with an issuer", Config{Local: local, JWKS: jwks, Audience: "a"}},
		{"no audience", "--audience", Config{JWKS: jwks}},
		{"no file", "no such file", Config{JWKS: jwks + ".not", Audience: "a"}},
		{"not JSON", "not a JSON Web Key Set", Config{JWKS: write("<html>"), Audience: "a"}},
		{"no keys", "no usable public signing key", Config{JWKS: write(`{"keys":[]}`), Audience: "a"}},
		{"keys not understood", "no usable public signing key", Config{JWKS: write(`{"keys":[{"kty":"OKP","crv":"X448"},5,{"kty":"oct","k":"AAAA"}]}`), Audience: "a"}},
		{"too long", "longer than", Config{JWKS: write(strings.Repeat(" ", maxKeySet+1)), Audience: "a"}},
		{"issuer is no URL", "not an http", Config{Issuer: "issuer", Audience: "a"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			if _, err := NewVerifier(t.Context(), tt.cfg); err == nil || !strings.Contains(err.Error(), tt.want) {
				t.Errorf("got %v, want a text with %q", err, tt.want)
			}
		})
	}
	if _, err := NewVerifier(t.Context(), Config{JWKS: jwks, Audience: "a"}); err != nil {
		t.Errorf("a key set without an issuer: %v", err)
	}
}

func TestWarnings(t *testing.T) {
	for _, tt := range []struct {
		cfg  Config
		want int
	}{
		{Config{Issuer: "https://a.example.org"}, 0},
		{Config{Issuer: "http://127.0.0.1:5000"}, 0},
		{Config{Issuer: "http://a.example.org"}, 1},
		{Config{JWKS: "jwks.json"}, 1},
		{Config{JWKS: "http://a.example.org/jwks", Issuer: "https://a.example.org"}, 1},
		{Config{Local: &LocalKey{}}, 0},
	} {
		if got := tt.cfg.Warnings(); len(got) != tt.want {
			t.Errorf("%+v: %q", tt.cfg, got)
		}
	}
}

func TestBearerToken(t *testing.T) {
	for _, tt := range []struct {
		header, want, refused string
	}{
		{"Bearer abc", "abc", ""},
		{"bearer  abc ", "abc", ""},
		{"", "", "carries no token"},
		{"Bearer", "", "not of the form"},
		{"Bearer ", "", "not of the form"},
		{"Basic abc", "", "not of the form"},
		{"abc", "", "not of the form"},
	} {
		got, err := BearerToken(tt.header)
		if tt.refused != "" {
			wantRefused(t, err, "", tt.refused)
		} else if err != nil || got != tt.want {
			t.Errorf("%q: %q, %v", tt.header, got, err)
		}
	}
}

// No string but a minted token gets in.
func FuzzVerify(f *testing.F) {
	local, err := OpenLocalKey(f.TempDir())
	if err != nil {
		f.Fatal(err)
	}
	c := newClock()
	v, err := NewVerifier(context.Background(), Config{Local: local, Clock: c.Now})
	if err != nil {
		f.Fatal(err)
	}
	token, err := local.Mint(TokenRequest{Subject: "Practitioner/n1", Scope: "user/*.rs", TTL: time.Hour, Now: start})
	if err != nil {
		f.Fatal(err)
	}
	parts := strings.Split(token, ".")
	f.Add(token)
	f.Add(parts[0] + "." + parts[1] + ".")
	f.Add(b64(`{"alg":"none"}`) + "." + parts[1] + "." + parts[2])
	f.Add(b64(`{"alg":"ES256","crit":[[[[`) + "." + parts[1] + "." + parts[2])
	f.Add("{\"payload\":\"\",\"signatures\":[]}")
	f.Fuzz(func(t *testing.T, in string) {
		p, err := v.Verify(context.Background(), in)
		switch {
		case err == nil && in != token:
			t.Errorf("%q got in as %v", in, p)
		case err != nil && in == token:
			t.Errorf("the good token was refused: %v", err)
		case err != nil && !fault.Is(err, fault.Unauthenticated):
			t.Errorf("%q: %v is not Unauthenticated", in, err)
		}
	})
}

func BenchmarkVerify(b *testing.B) {
	local, err := OpenLocalKey(b.TempDir())
	if err != nil {
		b.Fatal(err)
	}
	v, err := NewVerifier(context.Background(), Config{Local: local})
	if err != nil {
		b.Fatal(err)
	}
	mint := func(role string) string {
		scope, _ := RoleScope(role)
		token, err := local.Mint(TokenRequest{Subject: "Practitioner/n1", Scope: scope, TTL: time.Hour})
		if err != nil {
			b.Fatal(err)
		}
		return token
	}
	for _, role := range []string{"integration", "nurse", "nursing-assistant"} {
		token := mint(role)
		b.Run("cached/"+role, func(b *testing.B) {
			b.ReportAllocs()
			b.SetBytes(int64(len(token)))
			for b.Loop() {
				if _, err := v.Verify(context.Background(), token); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
	b.Run("cached/parallel", func(b *testing.B) {
		token := mint("integration")
		b.RunParallel(func(pb *testing.PB) {
			for pb.Next() {
				if _, err := v.Verify(context.Background(), token); err != nil {
					b.Error(err)
					return
				}
			}
		})
	})
	b.Run("uncached", func(b *testing.B) {
		token := mint("nurse")
		b.ReportAllocs()
		for b.Loop() {
			v.(*verifier).cache = newCache(2)
			if _, err := v.Verify(context.Background(), token); err != nil {
				b.Fatal(err)
			}
		}
	})
}
