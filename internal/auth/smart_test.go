package auth

import (
	"crypto/elliptic"
	"encoding/json"
	"testing"

	"github.com/google/go-cmp/cmp"
)

func smartJSON(t *testing.T, v Verifier) map[string]any {
	t.Helper()
	data, err := json.Marshal(Describe(v))
	if err != nil {
		t.Fatal(err)
	}
	var out map[string]any
	if err := json.Unmarshal(data, &out); err != nil {
		t.Fatal(err)
	}
	return out
}

var (
	ownScopes       = []any{"patient/*.cruds", "user/*.cruds", "system/*.cruds", "__merge", "__purge"}
	ownCapabilities = []any{"permission-patient", "permission-user", "permission-v2", "permission-v1"}
)

func TestSMARTLocal(t *testing.T) {
	v, err := NewVerifier(t.Context(), Config{Local: localKey(t, t.TempDir())})
	if err != nil {
		t.Fatal(err)
	}
	want := map[string]any{"issuer": LocalIssuer, "grant_types_supported": []any{}, "code_challenge_methods_supported": []any{},
		"scopes_supported": ownScopes, "capabilities": ownCapabilities}
	if diff := cmp.Diff(want, smartJSON(t, v)); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

func TestSMARTKeySetFile(t *testing.T) {
	v := fileVerifier(t, newClock(), public("k", ecKey(t, elliptic.P256())))
	got := smartJSON(t, v)
	if got["issuer"] != testIssuer || got["jwks_uri"] != nil || got["token_endpoint"] != nil {
		t.Errorf("got %v", got)
	}
}

func TestSMARTIssuer(t *testing.T) {
	i := newIssuer(t, public("k", ecKey(t, elliptic.P256())))
	i.extra = map[string]any{
		"authorization_endpoint": i.URL + "/authorize", "token_endpoint": i.URL + "/token", "introspection_endpoint": i.URL + "/introspect",
		"grant_types_supported": []string{"authorization_code", "client_credentials"}, "response_types_supported": []string{"code"},
		"token_endpoint_auth_methods_supported": []string{"private_key_jwt"}, "token_endpoint_auth_signing_alg_values_supported": []string{"ES384"},
		"code_challenge_methods_supported": []string{"plain", "S256"}, "scopes_supported": []string{"openid", "fhirUser", "launch/patient", "user/*.rs"},
		"unknown_member": true,
	}
	want := map[string]any{
		"issuer": i.URL, "jwks_uri": i.URL + "/jwks",
		"authorization_endpoint": i.URL + "/authorize", "token_endpoint": i.URL + "/token", "introspection_endpoint": i.URL + "/introspect",
		"grant_types_supported": []any{"authorization_code", "client_credentials"}, "response_types_supported": []any{"code"},
		"token_endpoint_auth_methods_supported": []any{"private_key_jwt"}, "token_endpoint_auth_signing_alg_values_supported": []any{"ES384"},
		"code_challenge_methods_supported": []any{"S256"}, "scopes_supported": []any{"openid", "fhirUser", "launch/patient", "user/*.rs"},
		"capabilities": append(append([]any{}, ownCapabilities...), "client-confidential-asymmetric", "sso-openid-connect", "launch-standalone", "context-standalone-patient"),
	}
	if diff := cmp.Diff(want, smartJSON(t, i.verifier(t, newClock()))); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	// Nothing is claimed that the issuer does not show.
	bare := newIssuer(t, public("k", ecKey(t, elliptic.P256())))
	if diff := cmp.Diff(ownCapabilities, smartJSON(t, bare.verifier(t, newClock()))["capabilities"]); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}
