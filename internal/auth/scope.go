package auth

import (
	"iter"
	"net/url"
	"regexp"
	"slices"
	"strings"
)

// Action is one of the five things a SMART scope allows on a type.
type Action byte

// The actions. Read covers read, vread and instance history; Search covers
// search and the histories of a type and of the system; Update covers update,
// patch and update-as-create.
const (
	Create Action = 1 << iota
	Read
	Update
	Delete
	Search
)

// actionLetters is the order that the SMART grammar prescribes.
const actionLetters = "cruds"

// String gives the letters of the action or of a set of actions, such as "rs".
func (a Action) String() string {
	var b strings.Builder
	for i := range len(actionLetters) {
		if a&(1<<i) != 0 {
			b.WriteByte(actionLetters[i])
		}
	}
	return b.String()
}

// Level says whose data a scope is about.
type Level byte

// The levels. Patient means the compartment of the token's one patient. The
// service keeps no access lists of its own, so a User scope reaches as far as a
// System one; the issuer decides who gets which.
const (
	Patient Level = 1 << iota
	User
	System

	// AnyLevel is the set of all three.
	AnyLevel = Patient | User | System
)

// Scope is one resource scope in SMART version 2 form.
type Scope struct {
	Level   Level
	Type    string // a FHIR type, or "*"
	Actions Action // a set
	Query   string // search constraint such as "code=http://loinc.org|9203-1"; empty for none
}

// String gives the scope in version 2 form.
func (s Scope) String() string {
	level := "patient"
	switch s.Level {
	case User:
		level = "user"
	case System:
		level = "system"
	}
	out := level + "/" + s.Type + "." + s.Actions.String()
	if s.Query != "" {
		out += "?" + s.Query
	}
	return out
}

// covers reports whether the scope is about the type.
func (s Scope) covers(resourceType string) bool { return s.Type == "*" || s.Type == resourceType }

// Scopes of the service's own, for what no scope of the grammar says: SMART has
// such begin with two underscores. They go with the scopes of the types that they
// are about, and are in none of them.
const (
	Merging = "__merge" // Patient/$merge
	Purging = "__purge" // Patient/$purge
)

// Scopes is what a token was granted. The zero value grants nothing.
type Scopes struct {
	list []Scope
	own  []string
}

// Hold reports whether a scope of the service's own was granted.
func (s Scopes) Hold(own string) bool { return slices.Contains(s.own, own) }

// All gives the resource scopes, in the order of the token.
func (s Scopes) All() iter.Seq[Scope] { return slices.Values(s.list) }

// Empty reports whether no resource scope was granted.
func (s Scopes) Empty() bool { return len(s.list) == 0 }

// Has reports whether some scope has one of the levels.
func (s Scopes) Has(levels Level) bool {
	return slices.ContainsFunc(s.list, func(sc Scope) bool { return sc.Level&levels != 0 })
}

// String gives the scopes in version 2 form, separated by spaces.
func (s Scopes) String() string {
	parts := make([]string, len(s.list))
	for i, sc := range s.list {
		parts[i] = sc.String()
	}
	return strings.Join(append(parts, s.own...), " ")
}

// contextScopes are the scopes of SMART App Launch that shape the launch or the
// sign-in and open no resource.
var contextScopes = []string{"openid", "fhirUser", "profile", "launch", "offline_access", "online_access"}

// ParseScopes reads a space-separated scope string. Words that are neither a
// resource scope of the grammar nor a launch or sign-in scope are not granted;
// they are returned, so that the caller can be told. Version 1 forms are
// mapped: .read to rs, .write to cud, .* to cruds.
func ParseScopes(s string) (Scopes, []string) {
	var out Scopes
	var unknown []string
	for word := range strings.FieldsSeq(s) {
		if slices.Contains(contextScopes, word) || strings.HasPrefix(word, "launch/") {
			continue
		}
		sc, ok := parseScope(word)
		switch {
		case word == Merging || word == Purging:
			if !slices.Contains(out.own, word) {
				out.own = append(out.own, word)
			}
		case !ok:
			unknown = append(unknown, word)
		case !slices.Contains(out.list, sc):
			out.list = append(out.list, sc)
		}
	}
	return out, unknown
}

// scopeForm is level, type, actions, and constraint. Actions are checked for
// order apart from it.
var scopeForm = regexp.MustCompile(`^(patient|user|system)/([A-Z][A-Za-z]{0,63}|\*)\.(\*|[a-z]+)(?:\?(.*))?$`)

func parseScope(word string) (Scope, bool) {
	m := scopeForm.FindStringSubmatch(word)
	if m == nil {
		return Scope{}, false
	}
	sc := Scope{Type: m[2], Query: m[4]}
	switch m[1] {
	case "patient":
		sc.Level = Patient
	case "user":
		sc.Level = User
	default:
		sc.Level = System
	}
	version1 := true
	switch m[3] {
	case "read":
		sc.Actions = Read | Search
	case "write":
		sc.Actions = Create | Update | Delete
	case "*":
		sc.Actions = Create | Read | Update | Delete | Search
	default:
		version1 = false
		from := 0
		for _, letter := range m[3] {
			i := strings.IndexRune(actionLetters[from:], letter)
			if i < 0 {
				return Scope{}, false // unknown, repeated, or out of order
			}
			from += i + 1
			sc.Actions |= 1 << (from - 1)
		}
	}
	if constrained := strings.Contains(word, "?"); constrained {
		// Version 1 has no constraints; and an empty one would silently widen the scope.
		if version1 || !validQuery(sc.Query) {
			return Scope{}, false
		}
	}
	return sc, true
}

// queryName is a search parameter with an optional modifier. Chains and _has are
// left out: they cannot be decided on a single resource.
var queryName = regexp.MustCompile(`^(?:[a-z][A-Za-z0-9-]*|_id|_lastUpdated|_profile|_security|_source|_tag)(?::[A-Za-z-]+)?$`)

// validQuery reports whether every part of the constraint is a filter, rather
// than a parameter that only shapes a result (_count, _include, _sort …).
func validQuery(query string) bool {
	for part := range strings.SplitSeq(query, "&") {
		name, value, ok := strings.Cut(part, "=")
		if !ok || value == "" || !queryName.MatchString(name) {
			return false
		}
		if v, err := url.QueryUnescape(value); err != nil || strings.TrimSpace(v) == "" {
			return false
		}
	}
	return true
}
