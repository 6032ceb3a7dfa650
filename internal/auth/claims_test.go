package auth

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

func TestClaimsFile(t *testing.T) {
	write := func(text string) string {
		f := filepath.Join(t.TempDir(), "claims.yaml")
		if err := os.WriteFile(f, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return f
	}
	for text, want := range map[string]string{
		"claim: groups\nroles:\n  a: surgeon\n":           "there are wall, nursing-assistant",
		"roles:\n  a: nurse\n":                            "give claim",
		"claim: groups\n":                                 "give claim",
		"claim: groups\nroles:\n  a: nurse\nwards: [w]\n": "wards",
		"claim: [": "--claims",
	} {
		if _, err := LoadRoles(write(text)); err == nil || !strings.Contains(err.Error(), want) || strings.Contains(err.Error(), "\n") {
			t.Errorf("%q: %v, want one line with %q", text, err, want)
		}
	}
	r, err := LoadRoles(write("claim: realm_access.roles\nroles:\n  ward-nurses: nurse\n  board: wall\n"))
	if err != nil {
		t.Fatal(err)
	}
	now := time.Now()
	v := &verifier{issuer: "https://login.example.org", audiences: []string{"a"}, roles: r}
	read := func(more string) *Principal {
		t.Helper()
		p, err := v.read([]byte(`{"iss":"https://login.example.org","aud":"a","sub":"n1","exp":99999999999`+more+`}`), now)
		if err != nil {
			t.Fatal(err)
		}
		return p
	}
	nurse, _ := RoleScope("nurse")
	if got := read(`,"realm_access":{"roles":["other","ward-nurses"]}`).Scopes.String(); got != must(t, nurse) {
		t.Errorf("a nurse has %s", got)
	}
	// Scopes that do not open resources are no scopes; those that do hold alone.
	if got := read(`,"scope":"openid profile","realm_access":{"roles":"ward-nurses"}`).Scopes.String(); got != must(t, nurse) {
		t.Errorf("with openid a nurse has %s", got)
	}
	if got := read(`,"scope":"user/Patient.r","realm_access":{"roles":["ward-nurses"]}`).Scopes.String(); got != must(t, "user/Patient.r") {
		t.Errorf("a token with a scope has %s", got)
	}
	for _, none := range []string{``, `,"realm_access":{"roles":["other"]}`, `,"realm_access":{}`, `,"roles":["ward-nurses"]`} {
		if p := read(none); !p.Scopes.Empty() {
			t.Errorf("%s opens %s", none, p.Scopes)
		}
	}
	if _, err := v.read([]byte(`{"iss":"https://login.example.org","aud":"a","sub":"n1","exp":99999999999,"realm_access":"ward-nurses"}`), now); err == nil {
		t.Error("a claim of another shape is passed over")
	}
}

func must(t *testing.T, scope string) string {
	t.Helper()
	s, unknown := ParseScopes(scope)
	if len(unknown) > 0 {
		t.Fatal(unknown)
	}
	return s.String()
}
