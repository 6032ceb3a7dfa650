package auth

import (
	"crypto"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"time"

	jose "github.com/go-jose/go-jose/v4"

	"tidemark/internal/fhirjson"
)

const (
	// LocalIssuer is the iss of local tokens, and their aud where none is asked for.
	LocalIssuer = "urn:tidemark:local"
	// KeyFile is the name of the key in the data folder.
	KeyFile = "token-key.json"
	// localClient is the client_id of local tokens.
	localClient = "tidemark-token"
	// maxTTL bounds the life of a local token, since none can be withdrawn. Ours.
	maxTTL = 31 * 24 * time.Hour
)

// LocalKey is the local issuer: one ES256 key in the data folder.
type LocalKey struct {
	private *ecdsa.PrivateKey
	kid     string
	signer  jose.Signer
}

// OpenLocalKey reads the key of the folder, or makes one where there is none. Of
// several processes that make one at once, all end up with the same.
func OpenLocalKey(dir string) (*LocalKey, error) {
	path := filepath.Join(dir, KeyFile)
	k, err := readLocalKey(path)
	if !errors.Is(err, fs.ErrNotExist) {
		return k, err
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, fmt.Errorf("local token key: %w", err)
	}
	if err := createLocalKey(dir, path); err != nil {
		return nil, fmt.Errorf("local token key: %w", err)
	}
	return readLocalKey(path)
}

func readLocalKey(path string) (*LocalKey, error) {
	in, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("local token key: %w", err)
	}
	defer in.Close()
	// Of the open file, so that it cannot be exchanged in between.
	info, err := in.Stat()
	if err != nil {
		return nil, fmt.Errorf("local token key: %w", err)
	}
	// Windows has no such bits; there the folder's access list guards the file.
	if runtime.GOOS != "windows" && info.Mode().Perm()&0o077 != 0 {
		return nil, fmt.Errorf("the local token key %s can be read or written by other users: run chmod 600 %s; if it may have been copied, delete it instead", path, path)
	}
	data, err := readLimited(in)
	if err != nil {
		return nil, fmt.Errorf("local token key %s: %w", path, err)
	}
	var jwk jose.JSONWebKey
	private, ok := (*ecdsa.PrivateKey)(nil), false
	if json.Unmarshal(data, &jwk) == nil {
		private, ok = jwk.Key.(*ecdsa.PrivateKey)
	}
	if !ok || private.Curve != elliptic.P256() {
		return nil, fmt.Errorf("the local token key %s is damaged: delete it to have a new one made; tokens issued before stop working", path)
	}
	return newLocalKey(private)
}

func newLocalKey(private *ecdsa.PrivateKey) (*LocalKey, error) {
	kid, err := thumbprint(private)
	if err != nil {
		return nil, err
	}
	signer, err := jose.NewSigner(
		jose.SigningKey{Algorithm: jose.ES256, Key: jose.JSONWebKey{Key: private, KeyID: kid}},
		(&jose.SignerOptions{}).WithType("at+jwt"))
	if err != nil {
		return nil, fmt.Errorf("local token key: %w", err)
	}
	return &LocalKey{private: private, kid: kid, signer: signer}, nil
}

// thumbprint is the key id: RFC 7638 with SHA-256.
func thumbprint(private *ecdsa.PrivateKey) (string, error) {
	jwk := jose.JSONWebKey{Key: private.Public()}
	sum, err := jwk.Thumbprint(crypto.SHA256)
	if err != nil {
		return "", fmt.Errorf("local token key: %w", err)
	}
	return base64.RawURLEncoding.EncodeToString(sum), nil
}

// createLocalKey puts a new key in place atomically. Unlike a rename, a hard
// link does not replace a key that another process has just made.
func createLocalKey(dir, path string) error {
	private, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return err
	}
	kid, err := thumbprint(private)
	if err != nil {
		return err
	}
	data, err := json.Marshal(jose.JSONWebKey{Key: private, KeyID: kid, Algorithm: string(jose.ES256), Use: "sig"})
	if err != nil {
		return err
	}
	temp, err := os.CreateTemp(dir, KeyFile+".*") // mode 0600
	if err != nil {
		return err
	}
	defer func() {
		temp.Close()
		os.Remove(temp.Name())
	}()
	if _, err := temp.Write(append(data, '\n')); err != nil {
		return err
	}
	if err := temp.Sync(); err != nil {
		return err
	}
	if err := os.Link(temp.Name(), path); err != nil {
		if errors.Is(err, fs.ErrExist) {
			return nil
		}
		return err
	}
	return syncDir(dir)
}

// syncDir makes the new name durable. Windows cannot, and does not need to.
func syncDir(dir string) error {
	if runtime.GOOS == "windows" {
		return nil
	}
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	defer d.Close()
	return d.Sync()
}

// JWKS gives the public key, as the issuer's key set.
func (k *LocalKey) JWKS() jose.JSONWebKeySet {
	return jose.JSONWebKeySet{Keys: []jose.JSONWebKey{{
		Key: k.private.Public(), KeyID: k.kid, Algorithm: string(jose.ES256), Use: "sig",
	}}}
}

// String names the key without its secret, so that a stray print leaks nothing.
func (k LocalKey) String() string { return "local token key " + k.kid }

// GoString is String.
func (k LocalKey) GoString() string { return k.String() }

// TokenRequest says what a local token is to hold.
type TokenRequest struct {
	Subject  string        // the person or system, such as "Practitioner/n1"
	Scope    string        // SMART scopes
	Patient  string        // id of the patient, for patient scopes
	TTL      time.Duration // how long it is valid
	Audience string        // empty: LocalIssuer, the service that holds the key
	Now      time.Time     // zero: the present
}

// person reports whether a subject may be a fhirUser (SMART App Launch 2,
// scopes for identity data).
func person(subject string) bool {
	typ, id, ok := strings.Cut(subject, "/")
	return ok && fhirjson.IsID(id) && slices.Contains([]string{"Patient", "Practitioner", "PractitionerRole", "RelatedPerson", "Person"}, typ)
}

// Mint makes a token. An error says what in the request to change.
func (k *LocalKey) Mint(r TokenRequest) (string, error) {
	scopes, unknown := ParseScopes(r.Scope)
	patient := strings.TrimPrefix(r.Patient, "Patient/")
	switch {
	case strings.TrimSpace(r.Subject) == "":
		return "", errors.New("the subject is missing: give the user of the token, such as Practitioner/x")
	case len(unknown) > 0:
		return "", fmt.Errorf("not a SMART scope: %s (the form is user/Observation.cruds, letters in that order)", strings.Join(unknown, " "))
	case scopes.Empty():
		return "", errors.New("the scope is missing: give at least one, such as user/Observation.rs")
	case scopes.Has(Patient) && patient == "":
		return "", errors.New("a patient scope needs a patient: give the Patient's id")
	case patient != "" && !fhirjson.IsID(patient):
		return "", errors.New("the patient is not a Patient id (letters, digits, - and ., up to 64)")
	case r.TTL < time.Second || r.TTL > maxTTL:
		return "", fmt.Errorf("the time to live must be between 1s and %dh", int(maxTTL.Hours()))
	}
	now := r.Now
	if now.IsZero() {
		now = time.Now()
	}
	audience := r.Audience
	if audience == "" {
		audience = LocalIssuer
	}
	id := make([]byte, 16)
	rand.Read(id) // never fails, see crypto/rand
	body := map[string]any{
		"iss": LocalIssuer, "sub": r.Subject, "aud": audience, "client_id": localClient,
		"iat": now.Unix(), "nbf": now.Unix(), "exp": now.Add(r.TTL).Unix(),
		"jti": hex.EncodeToString(id), "scope": strings.Join(strings.Fields(r.Scope), " "),
	}
	if patient != "" {
		body["patient"] = patient
	}
	if person(r.Subject) {
		body["fhirUser"] = r.Subject
	}
	payload, err := json.Marshal(body)
	if err != nil {
		return "", fmt.Errorf("mint a token: %w", err)
	}
	jws, err := k.signer.Sign(payload)
	if err != nil {
		return "", fmt.Errorf("mint a token: %w", err)
	}
	token, err := jws.CompactSerialize()
	if err != nil {
		return "", fmt.Errorf("mint a token: %w", err)
	}
	if len(token) > MaxToken {
		return "", fmt.Errorf("the token would be longer than %d bytes: list fewer scopes", MaxToken)
	}
	return token, nil
}
