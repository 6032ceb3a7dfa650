package auth

import (
	"context"
	"crypto/sha256"
	"encoding/base64"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	jose "github.com/go-jose/go-jose/v4"
	// Unlike encoding/json it is case-sensitive and refuses duplicate names, so
	// that no two readers can see different claims in one token.
	"github.com/go-jose/go-jose/v4/json"

	"tidemark/internal/fault"
	"tidemark/internal/fhirjson"
)

const (
	// Skew is how far the issuer's clock and ours may differ: a token is
	// accepted until this long after its exp and from this long before its nbf.
	Skew = 30 * time.Second
	// MaxToken is the size in bytes above which a token is refused unread.
	MaxToken = 8 << 10
)

// Verifier turns a bearer token into the caller that it names. The error is a
// *fault.Error: Unauthenticated when the token is invalid, Unavailable when its
// key cannot be fetched at the moment.
type Verifier interface {
	Verify(ctx context.Context, bearer string) (*Principal, error)
}

// Config says whose tokens are trusted: exactly one of an issuer found by OIDC
// discovery, a key set, or the local key.
type Config struct {
	Issuer     string           // URL of the issuer; beside JWKS only the value that iss must have
	JWKS       string           // file or http(s) URL of the issuer's key set
	Audience   string           // what aud must hold, usually the base URL of the service
	Local      *LocalKey        // the local issuer
	Roles      *Roles           // of tokens without scopes; nil: they open nothing
	Clock      func() time.Time // nil: time.Now
	HTTPClient *http.Client     // nil: one with a timeout
}

// Warnings lists what in the configuration is legal but risky.
func (c Config) Warnings() []string {
	var out []string
	for _, s := range []struct{ name, value string }{{"issuer", c.Issuer}, {"key set", c.JWKS}} {
		if u, err := url.Parse(s.value); err == nil && u.Scheme == "http" && u.Hostname() != "127.0.0.1" && u.Hostname() != "localhost" && u.Hostname() != "::1" {
			out = append(out, "The "+s.name+" "+s.value+" is reached without TLS: whoever can change that traffic can sign tokens. Use https.")
		}
	}
	if c.JWKS != "" && c.Issuer == "" {
		out = append(out, "No issuer is given beside the key set, so the iss of tokens is not compared. Add --issuer.")
	}
	return out
}

type verifier struct {
	roles     *Roles
	issuer    string   // empty: not compared
	audiences []string // one of them must be in aud
	keys      *keySet
	clock     func() time.Time
	cache     *cache
	smart     SMARTConfig
}

// NewVerifier reads the issuer's keys and gives a verifier for its tokens. An
// error says what to change in the configuration.
func NewVerifier(ctx context.Context, cfg Config) (Verifier, error) {
	if cfg.Local != nil && (cfg.Issuer != "" || cfg.JWKS != "") {
		return nil, errors.New("the local token key cannot be used with an issuer: remove --issuer and --jwks, or do not open the local key")
	}
	if cfg.Local == nil && cfg.Issuer == "" && cfg.JWKS == "" {
		return nil, errors.New("no token issuer is given: set --issuer or --jwks, or use the local key")
	}
	if cfg.Local == nil && cfg.Audience == "" {
		return nil, errors.New("--audience is missing: set it to the value that the issuer puts in aud for this service, usually its base URL")
	}
	for flag, value := range map[string]string{"--issuer": cfg.Issuer, "--jwks": cfg.JWKS} {
		if u, err := url.Parse(value); err == nil && u.User != nil {
			return nil, errors.New(flag + " must not contain a user or password: it is published for clients, and errors contain it")
		}
	}
	v := &verifier{issuer: cfg.Issuer, audiences: []string{cfg.Audience}, clock: cfg.Clock, roles: cfg.Roles, cache: newCache(cacheSize)}
	if v.clock == nil {
		v.clock = time.Now
	}
	client := &http.Client{Timeout: fetchTimeout}
	if cfg.HTTPClient != nil {
		own := *cfg.HTTPClient
		client = &own
	}
	client.CheckRedirect = stay
	var src source
	switch {
	case cfg.Local != nil:
		v.issuer = LocalIssuer
		v.audiences = []string{LocalIssuer}
		if cfg.Audience != "" {
			v.audiences = append(v.audiences, cfg.Audience)
		}
		v.smart = localSMART()
		src = fixed{cfg.Local.JWKS().Keys}
	case cfg.JWKS != "":
		v.smart = keySetSMART(cfg.Issuer, cfg.JWKS)
		if isURL(cfg.JWKS) {
			src = remote{cfg.JWKS, client}
		} else {
			src = file{cfg.JWKS}
		}
	default:
		found, err := discover(ctx, client, cfg.Issuer)
		if err != nil {
			return nil, fmt.Errorf("--issuer %s: %w", cfg.Issuer, err)
		}
		v.smart = found.smart()
		src = remote{found.JWKSURI, client}
	}
	keys, err := newKeySet(ctx, src, v.clock)
	if err != nil {
		return nil, fmt.Errorf("the keys for checking tokens cannot be read: %w", err)
	}
	v.keys = keys
	return v, nil
}

// KeysRead is when the issuer's keys were last read from their address; zero
// where they come from none.
func KeysRead(v Verifier) time.Time {
	if v, ok := v.(*verifier); ok {
		return v.keys.cur.Load().read
	}
	return time.Time{}
}

// stay follows an issuer's redirections, but not out of TLS or to another host:
// whoever controls the redirection would decide which tokens are valid.
func stay(req *http.Request, via []*http.Request) error {
	switch {
	case len(via) >= 5:
		return errors.New("more than 5 redirections")
	case req.URL.Scheme != "https" && via[len(via)-1].URL.Scheme == "https":
		return errors.New("it redirects to an address without TLS")
	case req.URL.Host != via[0].URL.Host:
		return errors.New("it redirects to another host; give the address that it redirects to")
	}
	return nil
}

func isURL(s string) bool {
	u, err := url.Parse(s)
	return err == nil && (u.Scheme == "http" || u.Scheme == "https") && u.Host != ""
}

// BearerToken takes the token out of an Authorization header.
func BearerToken(authorization string) (string, error) {
	scheme, token, _ := strings.Cut(strings.TrimSpace(authorization), " ")
	token = strings.TrimSpace(token)
	switch {
	case authorization == "":
		return "", refuse("The request carries no token. Send the header Authorization: Bearer followed by one.")
	case !strings.EqualFold(scheme, "Bearer") || token == "":
		return "", refuse("The Authorization header is not of the form Bearer followed by a token.")
	}
	return token, nil
}

func refuse(text string) *fault.Error { return fault.New(fault.Unauthenticated, "login", "%s", text) }

// Verify implements Verifier.
func (v *verifier) Verify(ctx context.Context, bearer string) (*Principal, error) {
	if len(bearer) > MaxToken {
		return nil, refuse("The token is longer than " + strconv.Itoa(MaxToken) + " bytes.")
	}
	now := v.clock()
	d := sha256.Sum256([]byte(bearer))
	if p, ok := v.cache.get(d, now); ok {
		return p, nil
	}
	payload, err := v.signed(ctx, bearer)
	if err != nil {
		return nil, err
	}
	p, err := v.read(payload, now)
	if err != nil {
		return nil, err
	}
	v.cache.put(d, p, now)
	return p, nil
}

// compact is the only form of a token: three non-empty base64url parts. Nothing
// else gets to the parser, white space and JSON serialisations included.
var compact = regexp.MustCompile(`^[A-Za-z0-9_-]+\.[A-Za-z0-9_-]+\.[A-Za-z0-9_-]+$`)

// signed checks form, header and signature, and gives the payload.
func (v *verifier) signed(ctx context.Context, token string) ([]byte, error) {
	if !compact.MatchString(token) {
		return nil, refuse("The token is not a signed JSON Web Token.")
	}
	parts := strings.Split(token, ".")
	var decoded [3][]byte
	for i, part := range parts {
		// Strict: spare bits must be zero, so that a token has one spelling.
		raw, err := base64.RawURLEncoding.Strict().DecodeString(part)
		if err != nil {
			return nil, refuse("The token is not a signed JSON Web Token.")
		}
		decoded[i] = raw
	}
	var header struct {
		Alg  jose.SignatureAlgorithm `json:"alg"`
		Kid  string                  `json:"kid"`
		Typ  string                  `json:"typ"`
		Crit json.RawMessage         `json:"crit"`
		B64  json.RawMessage         `json:"b64"`
	}
	if err := json.Unmarshal(decoded[0], &header); err != nil {
		return nil, refuse("The header of the token cannot be read.")
	}
	if !slices.Contains(algorithms, header.Alg) {
		return nil, refuse("The token is not signed with an accepted algorithm: RS, PS or ES with 256, 384 or 512, or EdDSA.")
	}
	if header.Crit != nil || header.B64 != nil {
		return nil, refuse("The token has a crit or b64 header; signature extensions are not supported.")
	}
	switch strings.TrimPrefix(strings.ToLower(header.Typ), "application/") {
	case "", "jwt", "at+jwt":
	default:
		return nil, refuse("The token is not an access token.")
	}
	key, err := v.keys.find(ctx, header.Kid, header.Alg)
	if err != nil {
		return nil, err
	}
	jws, err := jose.ParseSignedCompact(token, algorithms)
	if err != nil {
		return nil, refuse("The token is not a signed JSON Web Token.")
	}
	payload, err := jws.Verify(key.Key)
	if err != nil {
		return nil, refuse("The signature of the token is invalid.")
	}
	return payload, nil
}

// claims are the members of the payload that are read.
type claims struct {
	Issuer   string   `json:"iss"`
	Subject  string   `json:"sub"`
	Audience words    `json:"aud"`
	Expires  *numeric `json:"exp"`
	Before   *numeric `json:"nbf"`
	ID       string   `json:"jti"`
	Scope    words    `json:"scope"`
	Scp      words    `json:"scp"` // the spelling of some issuers
	ClientID string   `json:"client_id"`
	Azp      string   `json:"azp"`
	FHIRUser string   `json:"fhirUser"`
	Patient  string   `json:"patient"`
}

// words is a claim that is a string or a list of strings.
type words []string

func (w *words) UnmarshalJSON(data []byte) error {
	if len(data) > 0 && data[0] == '[' {
		return json.Unmarshal(data, (*[]string)(w))
	}
	var s string
	if err := json.Unmarshal(data, &s); err != nil {
		return err
	}
	*w = words{s}
	return nil
}

// numeric is a NumericDate of RFC 7519: seconds, a fraction allowed. Fractions
// are cut off, which is the earlier instant.
type numeric time.Time

func (n *numeric) UnmarshalJSON(data []byte) error {
	f, err := strconv.ParseFloat(string(data), 64)
	const year9999 = 253402300799
	if err != nil || !(f >= 0 && f <= year9999) {
		return errors.New("not a date")
	}
	*n = numeric(time.Unix(int64(f), 0))
	return nil
}

// read checks the claims of a payload with a valid signature.
func (v *verifier) read(payload []byte, now time.Time) (*Principal, error) {
	var c claims
	if err := json.Unmarshal(payload, &c); err != nil {
		return nil, refuse("The claims of the token cannot be read.")
	}
	if v.issuer != "" && c.Issuer != v.issuer {
		return nil, refuse("The token is from an issuer that this service does not trust.")
	}
	if !slices.ContainsFunc(c.Audience, func(a string) bool { return slices.Contains(v.audiences, a) }) {
		return nil, refuse("The token is meant for another audience (aud) than this service.")
	}
	if c.Expires == nil {
		return nil, refuse("The token has no expiry (exp).")
	}
	expires := time.Time(*c.Expires)
	if !now.Before(expires.Add(Skew)) {
		return nil, fault.New(fault.Unauthenticated, "expired", "The token has expired. Get a new one.")
	}
	if c.Before != nil && now.Before(time.Time(*c.Before).Add(-Skew)) {
		return nil, refuse("The token is not valid yet (nbf). Compare the clocks of the issuer and this service.")
	}
	p := &Principal{
		Subject: firstOf(c.FHIRUser, c.Subject, c.ClientID, c.Azp),
		Client:  firstOf(c.ClientID, c.Azp),
		Issuer:  c.Issuer,
		TokenID: c.ID,
		Patient: strings.TrimPrefix(c.Patient, "Patient/"),
		Expires: expires,
	}
	if p.Subject == "" {
		return nil, refuse("The token names no user or client: fhirUser, sub and client_id are all missing.")
	}
	if p.Patient != "" && !fhirjson.IsID(p.Patient) {
		return nil, refuse("The patient of the token is not a Patient id.")
	}
	granted := c.Scope
	if granted == nil {
		granted = c.Scp
	}
	scopes, unknown := ParseScopes(strings.Join(granted, " "))
	if scopes.Empty() {
		byRole, err := v.roles.scopes(payload)
		if err != nil {
			return nil, refuse("The claim of the token that holds the groups cannot be read.")
		}
		if byRole != "" {
			scopes, unknown = ParseScopes(byRole)
		}
	}
	p.Scopes, p.Unknown = scopes, len(unknown)
	return p, nil
}

func firstOf(values ...string) string {
	for _, v := range values {
		if v != "" {
			return v
		}
	}
	return ""
}
