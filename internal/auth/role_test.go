package auth

import (
	"net/url"
	"slices"
	"strings"
	"testing"
)

// withCode plays the part of the search engine for the one parameter that the
// roles use: any value of code matches the coding.
func withCode(t *testing.T, coding string) func(Filter) bool {
	return func(f Filter) bool {
		q, err := url.ParseQuery(f.Query)
		if err != nil || len(q) != 1 || len(q["code"]) != 1 {
			t.Fatalf("a role has the constraint %q", f.Query)
		}
		return slices.Contains(strings.Split(q.Get("code"), ","), coding)
	}
}

func TestRoles(t *testing.T) {
	const drain = "http://tidemark.example.org/fhir/CodeSystem/drain|"
	tests := []struct {
		role, resourceType, actions, coding string // actions allowed, out of cruds
	}{
		{"wall", "Observation", "rs", "http://loinc.org|9203-1"},
		{"wall", "DetectedIssue", "rs", ""},
		{"wall", "Patient", "rs", ""},
		{"wall", "Provenance", "", ""},
		{"nursing-assistant", "Observation", "crus", "http://loinc.org|9203-1"},
		{"nursing-assistant", "Observation", "crus", "http://loinc.org|9179-3"},
		{"nursing-assistant", "Observation", "crus", "http://loinc.org|9113-2"},
		{"nursing-assistant", "Observation", "crus", "http://loinc.org|9129-8"},
		{"nursing-assistant", "Observation", "crus", "http://loinc.org|9168-6"},
		{"nursing-assistant", "Observation", "crus", drain + "drain-output"},
		{"nursing-assistant", "Observation", "crus", drain + "reservoir-check"},
		{"nursing-assistant", "Observation", "rs", drain + "drain-site-assessment"},
		{"nursing-assistant", "Observation", "rs", "http://loinc.org|9187-6"},
		{"nursing-assistant", "Observation", "rs", drain + "intake-irrigation"},
		{"nursing-assistant", "Observation", "rs", "http://loinc.org|8867-4"}, // heart rate
		{"nursing-assistant", "Device", "rs", ""},
		{"nursing-assistant", "DeviceUseStatement", "rs", ""},
		{"nursing-assistant", "Patient", "rs", ""},
		{"nursing-assistant", "Location", "rs", ""},
		{"nursing-assistant", "DetectedIssue", "rs", ""},
		{"nursing-assistant", "AuditEvent", "", ""},
		{"nurse", "Observation", "crus", drain + "drain-site-assessment"},
		{"nurse", "Observation", "crus", "http://loinc.org|9203-1"},
		{"nurse", "Device", "crus", ""},
		{"nurse", "DeviceUseStatement", "crus", ""},
		{"nurse", "DetectedIssue", "rus", ""},
		{"nurse", "Patient", "rs", ""},
		{"nurse", "Encounter", "rus", ""},
		{"nursing-assistant", "Practitioner", "rs", ""},
		{"nurse", "AuditEvent", "", ""},
		{"nurse", "Subscription", "", ""},
		{"analytics", "Observation", "rs", ""},
		{"integration", "Observation", "cruds", ""},
		{"administration", "AuditEvent", "cruds", ""},
	}
	for _, tt := range tests {
		t.Run(tt.role+" "+tt.resourceType+" "+tt.coding, func(t *testing.T) {
			scope, ok := RoleScope(tt.role)
			if !ok {
				t.Fatal("no such role")
			}
			p := principal(t, scope, "")
			for i, a := range []Action{Create, Read, Update, Delete, Search} {
				want := strings.Contains(tt.actions, actionLetters[i:i+1])
				if got := p.Grant(tt.resourceType, a).Matches(withCode(t, tt.coding)); got != want {
					t.Errorf("%s: got %t, want %t", a, got, want)
				}
			}
		})
	}
}

// Every ready-made set fits in a token, is understood whole, and fits what OAuth
// allows in a scope (RFC 6749 section 3.3).
func TestRoleScopesAreTokens(t *testing.T) {
	for _, role := range RoleNames() {
		scope, ok := RoleScope(role)
		if !ok {
			t.Fatalf("%s is named and unknown", role)
		}
		if _, unknown := ParseScopes(scope); len(unknown) > 0 {
			t.Errorf("%s: not understood: %q", role, unknown)
		}
		if strings.ContainsAny(scope, "\"\\") || strings.Contains(scope, "  ") {
			t.Errorf("%s: not an OAuth scope", role)
		}
		if len(scope) > MaxToken/2 {
			t.Errorf("%s: %d bytes", role, len(scope))
		}
	}
	if _, ok := RoleScope("surgeon"); ok {
		t.Error("a role that is not offered was given")
	}
}
