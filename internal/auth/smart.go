package auth

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
)

// SMARTConfig is the document at /.well-known/smart-configuration. It marshals
// to the JSON of SMART App Launch 2. It claims only what is known to be true:
// with a local key or a bare key set there is no authorisation server to name.
type SMARTConfig struct {
	Issuer                string   `json:"issuer,omitempty"`
	JWKSURI               string   `json:"jwks_uri,omitempty"`
	AuthorizationEndpoint string   `json:"authorization_endpoint,omitempty"`
	TokenEndpoint         string   `json:"token_endpoint,omitempty"`
	IntrospectionEndpoint string   `json:"introspection_endpoint,omitempty"`
	RevocationEndpoint    string   `json:"revocation_endpoint,omitempty"`
	RegistrationEndpoint  string   `json:"registration_endpoint,omitempty"`
	GrantTypes            []string `json:"grant_types_supported"`
	ResponseTypes         []string `json:"response_types_supported,omitempty"`
	TokenAuthMethods      []string `json:"token_endpoint_auth_methods_supported,omitempty"`
	TokenAuthAlgorithms   []string `json:"token_endpoint_auth_signing_alg_values_supported,omitempty"`
	CodeChallengeMethods  []string `json:"code_challenge_methods_supported"`
	Scopes                []string `json:"scopes_supported,omitempty"`
	Capabilities          []string `json:"capabilities"`
}

// Describe gives the SMART configuration that is true for the verifier.
func Describe(v Verifier) SMARTConfig {
	if real, ok := v.(*verifier); ok {
		return real.smart
	}
	return ownSMART()
}

// ownSMART is what the service itself does, whoever issues the tokens.
func ownSMART() SMARTConfig {
	return SMARTConfig{
		GrantTypes:           []string{},
		CodeChallengeMethods: []string{},
		Scopes:               []string{"patient/*.cruds", "user/*.cruds", "system/*.cruds", Merging, Purging},
		Capabilities:         []string{"permission-patient", "permission-user", "permission-v2", "permission-v1"},
	}
}

func localSMART() SMARTConfig {
	c := ownSMART()
	c.Issuer = LocalIssuer
	return c
}

func keySetSMART(issuer, jwks string) SMARTConfig {
	c := ownSMART()
	c.Issuer = issuer
	if isURL(jwks) {
		c.JWKSURI = jwks
	}
	return c
}

// discovery is the OIDC discovery document, as far as it is read.
type discovery struct {
	Issuer                string   `json:"issuer"`
	JWKSURI               string   `json:"jwks_uri"`
	AuthorizationEndpoint string   `json:"authorization_endpoint"`
	TokenEndpoint         string   `json:"token_endpoint"`
	IntrospectionEndpoint string   `json:"introspection_endpoint"`
	RevocationEndpoint    string   `json:"revocation_endpoint"`
	RegistrationEndpoint  string   `json:"registration_endpoint"`
	GrantTypes            []string `json:"grant_types_supported"`
	ResponseTypes         []string `json:"response_types_supported"`
	TokenAuthMethods      []string `json:"token_endpoint_auth_methods_supported"`
	TokenAuthAlgorithms   []string `json:"token_endpoint_auth_signing_alg_values_supported"`
	CodeChallengeMethods  []string `json:"code_challenge_methods_supported"`
	Scopes                []string `json:"scopes_supported"`
}

// discover reads the issuer's configuration (OpenID Connect Discovery 1.0,
// section 4) and checks that it belongs to the issuer.
func discover(ctx context.Context, client *http.Client, issuer string) (*discovery, error) {
	if !isURL(issuer) {
		return nil, errors.New("it is not an http or https URL")
	}
	ctx, cancel := context.WithTimeout(ctx, fetchTimeout)
	defer cancel()
	data, _, err := fetch(ctx, client, strings.TrimSuffix(issuer, "/")+"/.well-known/openid-configuration")
	if err != nil {
		return nil, fmt.Errorf("its configuration cannot be read: %w", err)
	}
	var d discovery
	if err := json.Unmarshal(data, &d); err != nil {
		return nil, errors.New("its configuration is not OpenID Connect Discovery JSON")
	}
	if d.Issuer != issuer {
		return nil, fmt.Errorf("its configuration names the issuer %q: use exactly that value", d.Issuer)
	}
	if !isURL(d.JWKSURI) {
		return nil, errors.New("its configuration has no usable jwks_uri")
	}
	if from, to := schemeOf(issuer), schemeOf(d.JWKSURI); from == "https" && to != "https" {
		return nil, errors.New("its jwks_uri does not use TLS, although the issuer does")
	}
	return &d, nil
}

func schemeOf(s string) string {
	u, err := url.Parse(s)
	if err != nil {
		return ""
	}
	return u.Scheme
}

// smart merges the issuer's own configuration with what the service does. It
// claims only capabilities that the document shows.
func (d *discovery) smart() SMARTConfig {
	c := ownSMART()
	c.Issuer, c.JWKSURI = d.Issuer, d.JWKSURI
	c.AuthorizationEndpoint, c.TokenEndpoint = d.AuthorizationEndpoint, d.TokenEndpoint
	c.IntrospectionEndpoint, c.RevocationEndpoint, c.RegistrationEndpoint = d.IntrospectionEndpoint, d.RevocationEndpoint, d.RegistrationEndpoint
	c.ResponseTypes, c.TokenAuthMethods, c.TokenAuthAlgorithms = d.ResponseTypes, d.TokenAuthMethods, d.TokenAuthAlgorithms
	c.GrantTypes = append(c.GrantTypes, d.GrantTypes...)
	if d.GrantTypes == nil {
		c.GrantTypes = []string{"authorization_code", "implicit"} // the default of OIDC Discovery
	}
	if d.Scopes != nil {
		c.Scopes = d.Scopes
	}
	// SMART forbids "plain", so a client is not pointed to it.
	for _, m := range d.CodeChallengeMethods {
		if m != "plain" {
			c.CodeChallengeMethods = append(c.CodeChallengeMethods, m)
		}
	}
	claim := func(capability string, shown bool) {
		if shown {
			c.Capabilities = append(c.Capabilities, capability)
		}
	}
	standalone := slices.Contains(d.Scopes, "launch/patient")
	claim("client-confidential-asymmetric", slices.Contains(d.TokenAuthMethods, "private_key_jwt"))
	claim("client-confidential-symmetric", slices.Contains(d.TokenAuthMethods, "client_secret_basic"))
	claim("client-public", slices.Contains(d.TokenAuthMethods, "none"))
	claim("sso-openid-connect", slices.Contains(d.Scopes, "openid") && slices.Contains(d.Scopes, "fhirUser"))
	claim("permission-offline", slices.Contains(d.Scopes, "offline_access"))
	claim("launch-ehr", slices.Contains(d.Scopes, "launch"))
	claim("launch-standalone", standalone)
	claim("context-standalone-patient", standalone)
	return c
}
