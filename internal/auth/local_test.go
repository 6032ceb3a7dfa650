package auth

import (
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"testing"
	"time"

	jose "github.com/go-jose/go-jose/v4"
)

func localKey(t testing.TB, dir string) *LocalKey {
	t.Helper()
	k, err := OpenLocalKey(dir)
	if err != nil {
		t.Fatal(err)
	}
	return k
}

func TestLocalTokenRoundTrip(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "data")
	k := localKey(t, dir)
	c := newClock()
	v, err := NewVerifier(t.Context(), Config{Local: localKey(t, dir), Audience: testAudience, Clock: c.Now})
	if err != nil {
		t.Fatal(err)
	}
	for _, audience := range []string{"", testAudience} {
		token, err := k.Mint(TokenRequest{Subject: "Practitioner/n1", Scope: "patient/*.rs  openid", Patient: "Patient/p1", TTL: time.Hour, Audience: audience, Now: start})
		if err != nil {
			t.Fatal(err)
		}
		p, err := v.Verify(t.Context(), token)
		if err != nil {
			t.Fatal(err)
		}
		if p.Subject != "Practitioner/n1" || p.Patient != "p1" || p.Issuer != LocalIssuer || p.TokenID == "" || p.Scopes.String() != "patient/*.rs" || !p.Expires.Equal(start.Add(time.Hour)) {
			t.Errorf("got %+v", p)
		}
	}
	// Another machine's local key, and another service's audience.
	foreign, err := localKey(t, t.TempDir()).Mint(TokenRequest{Subject: "x", Scope: "system/*.rs", TTL: time.Hour, Now: start})
	if err != nil {
		t.Fatal(err)
	}
	_, err = v.Verify(t.Context(), foreign)
	wantRefused(t, err, foreign, "does not publish")
	elsewhere, err := k.Mint(TokenRequest{Subject: "x", Scope: "system/*.rs", TTL: time.Hour, Audience: "https://other.example.org", Now: start})
	if err != nil {
		t.Fatal(err)
	}
	_, err = v.Verify(t.Context(), elsewhere)
	wantRefused(t, err, elsewhere, "audience")
	// A token of the local key is of no use at a real issuer's service.
	atIssuer := fileVerifier(t, c, k.JWKS().Keys...)
	token, err := k.Mint(TokenRequest{Subject: "x", Scope: "system/*.rs", TTL: time.Hour, Audience: testAudience, Now: start})
	if err != nil {
		t.Fatal(err)
	}
	_, err = atIssuer.Verify(t.Context(), token)
	wantRefused(t, err, token, "an issuer that this service does not trust")
}

func TestMintRefuses(t *testing.T) {
	k := localKey(t, t.TempDir())
	good := TokenRequest{Subject: "Practitioner/x", Scope: "user/*.rs", TTL: time.Hour}
	for _, tt := range []struct {
		name, want string
		change     func(*TokenRequest)
	}{
		{"subject", "subject is missing", func(r *TokenRequest) { r.Subject = " " }},
		{"no scope", "scope is missing", func(r *TokenRequest) { r.Scope = "" }},
		{"only openid", "scope is missing", func(r *TokenRequest) { r.Scope = "openid" }},
		{"bad scope", "user/Observation.sr", func(r *TokenRequest) { r.Scope = "user/Observation.sr" }},
		{"patient scope", "needs a patient", func(r *TokenRequest) { r.Scope = "patient/*.rs" }},
		{"bad patient", "not a Patient id", func(r *TokenRequest) { r.Patient = "a b" }},
		{"no time", "time to live", func(r *TokenRequest) { r.TTL = 0 }},
		{"negative time", "time to live", func(r *TokenRequest) { r.TTL = -time.Hour }},
		{"too long a time", "time to live", func(r *TokenRequest) { r.TTL = maxTTL + 1 }},
		{"too many scopes", "fewer scopes", func(r *TokenRequest) {
			var b strings.Builder
			for i := range 500 {
				fmt.Fprintf(&b, "user/Observation.rs?code=%d ", i)
			}
			r.Scope = b.String()
		}},
	} {
		r := good
		tt.change(&r)
		if token, err := k.Mint(r); err == nil || token != "" || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%s: %v", tt.name, err)
		}
	}
	if _, err := k.Mint(good); err != nil {
		t.Error(err)
	}
}

func TestLocalKeyFile(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("no permission bits")
	}
	dir := t.TempDir()
	first := localKey(t, dir)
	path := filepath.Join(dir, KeyFile)
	info, err := os.Stat(path)
	if err != nil {
		t.Fatal(err)
	}
	if got := info.Mode().Perm(); got != 0o600 {
		t.Errorf("mode %o, want 600", got)
	}
	if again := localKey(t, dir); again.kid != first.kid {
		t.Error("opened again, it is another key")
	}
	for _, mode := range []os.FileMode{0o640, 0o604, 0o620, 0o602, 0o777} {
		if err := os.Chmod(path, mode); err != nil {
			t.Fatal(err)
		}
		if _, err := OpenLocalKey(dir); err == nil || !strings.Contains(err.Error(), "chmod 600 "+path) {
			t.Errorf("mode %o: %v", mode, err)
		}
	}
	if err := os.Chmod(path, 0o600); err != nil {
		t.Fatal(err)
	}
	for _, broken := range []string{"", "{}", "nonsense", `{"kty":"oct","k":"AAAA"}`} {
		if err := os.WriteFile(path, []byte(broken), 0o600); err != nil {
			t.Fatal(err)
		}
		if _, err := OpenLocalKey(dir); err == nil || !strings.Contains(err.Error(), "damaged") {
			t.Errorf("%q: %v", broken, err)
		}
	}
	// A private key of another curve, and a public key only.
	for _, jwk := range []jose.JSONWebKey{{Key: edKey(t)}, first.JWKS().Keys[0]} {
		data, err := json.Marshal(jwk)
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, data, 0o600); err != nil {
			t.Fatal(err)
		}
		if _, err := OpenLocalKey(dir); err == nil || !strings.Contains(err.Error(), "damaged") {
			t.Errorf("%s: %v", data, err)
		}
	}
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	if len(entries) != 1 {
		t.Errorf("left behind: %v", entries)
	}
}

func TestLocalKeyFolderIsAFile(t *testing.T) {
	path := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(path, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := OpenLocalKey(path); err == nil {
		t.Error("a file was taken for the folder")
	}
}

func TestLocalKeyMadeAtOnce(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "data")
	kids := make([]string, 16)
	var wg sync.WaitGroup
	for i := range kids {
		wg.Go(func() {
			k, err := OpenLocalKey(dir)
			if err != nil {
				t.Error(err)
				return
			}
			kids[i] = k.kid
		})
	}
	wg.Wait()
	for _, kid := range kids {
		if kid != kids[0] {
			t.Fatalf("several keys: %q", kids)
		}
	}
}

// Who comes second, though both saw no key, leaves the first key alone.
func TestLocalKeySecondMaker(t *testing.T) {
	dir := t.TempDir()
	first := localKey(t, dir)
	if err := createLocalKey(dir, filepath.Join(dir, KeyFile)); err != nil {
		t.Fatal(err)
	}
	if localKey(t, dir).kid != first.kid {
		t.Error("the second key took the place of the first")
	}
}

// The same between processes: the test program starts itself.
func TestLocalKeyMadeByTwoProcesses(t *testing.T) {
	const folder = "TIDEMARK_TEST_KEY_FOLDER"
	if dir := os.Getenv(folder); dir != "" {
		fmt.Printf("kid=%s\n", localKey(t, dir).kid)
		return
	}
	dir := t.TempDir()
	var kids [4]string
	var wg sync.WaitGroup
	for i := range kids {
		wg.Go(func() {
			cmd := exec.Command(os.Args[0], "-test.run=^TestLocalKeyMadeByTwoProcesses$")
			cmd.Env = append(os.Environ(), folder+"="+dir)
			out, err := cmd.CombinedOutput()
			if err != nil {
				t.Errorf("%v: %s", err, out)
			}
			for line := range strings.Lines(string(out)) {
				if kid, ok := strings.CutPrefix(line, "kid="); ok {
					kids[i] = strings.TrimSpace(kid)
				}
			}
		})
	}
	wg.Wait()
	for _, kid := range kids {
		if kid == "" || kid != kids[0] {
			t.Fatalf("several keys: %q", kids)
		}
	}
}

func TestLocalKeyShowsNoSecret(t *testing.T) {
	dir := t.TempDir()
	k := localKey(t, dir)
	data, err := os.ReadFile(filepath.Join(dir, KeyFile))
	if err != nil {
		t.Fatal(err)
	}
	var jwk struct{ D, Kid string }
	if err := json.Unmarshal(data, &jwk); err != nil || jwk.D == "" {
		t.Fatalf("no private part in the file: %v", err)
	}
	set, err := json.Marshal(k.JWKS())
	if err != nil {
		t.Fatal(err)
	}
	d, err := k.private.Bytes()
	if err != nil {
		t.Fatal(err)
	}
	decimal, goSyntax := fmt.Sprint(d), strings.TrimSuffix(strings.TrimPrefix(fmt.Sprintf("%#v", d), "[]byte{"), "}")
	for _, shown := range []string{fmt.Sprintf("%v %+v %#v %s", k, k, k, k), fmt.Sprintf("%v %+v %#v", *k, *k, *k), string(set)} {
		if strings.Contains(shown, jwk.D) || strings.Contains(shown, strings.Trim(decimal, "[]")) || strings.Contains(shown, goSyntax) {
			t.Errorf("it shows the private key: %s", shown)
		}
		if !strings.Contains(shown, jwk.Kid) {
			t.Errorf("it does not name the key: %s", shown)
		}
	}
	if strings.Contains(string(set), `"d"`) {
		t.Errorf("the key set holds a private part: %s", set)
	}
}
