package api

import (
	"context"
	"net/http"
	"strconv"
	"strings"
	"time"

	"tidemark/internal/auth"
	"tidemark/internal/fault"
	"tidemark/internal/fhirjson"
	"tidemark/internal/search"
	"tidemark/internal/store"
)

// Interaction is one FHIR interaction, from an HTTP request or an entry of a
// Bundle.
type Interaction struct {
	Verb    string // GET, POST, PUT, PATCH, DELETE
	Type    string // "" at system level
	ID      string
	Version string // vread
	Form    bool   // POST …/_search: the body is a form
	Special string // "_history", "_search", "$operation", or a type for a compartment search
	Query   []search.Pair
	Body    *fhirjson.Node // nil without one
	Patch   []byte         // an RFC 6902 document; a FHIRPath Patch is a Body

	IfMatch, IfNoneMatch, IfNoneExist string
	IfModifiedSince                   time.Time
	Prefer                            Prefer

	Who     *auth.Principal
	Request string // id of the HTTP request
	Address string
	// InBundle is set for entries: exports and nested Bundles are not offered there.
	InBundle bool

	audit auditNote
}

// Prefer holds the preferences of the Prefer header.
type Prefer struct {
	Return  string // minimal, representation, OperationOutcome
	Strict  bool   // handling=strict
	Lenient bool   // handling=lenient
	Async   bool   // respond-async
}

// Answer is what an interaction gives.
type Answer struct {
	Status       int
	Location     string // absolute
	ETag         string
	LastModified time.Time
	Resource     []byte // JSON, nil for no body
	Outcome      *fhirjson.Node
	ContentType  string // other than FHIR JSON
	Header       http.Header
	// Stream writes the body when it is too large to hold; Resource is nil then.
	Stream func(http.ResponseWriter) error
}

// prefer reads the values of all Prefer headers.
func prefer(values []string) Prefer {
	var p Prefer
	for _, v := range values {
		for _, part := range strings.FieldsFunc(v, func(r rune) bool { return r == ',' || r == ';' }) {
			name, value, _ := strings.Cut(strings.TrimSpace(part), "=")
			value = strings.Trim(strings.TrimSpace(value), `"`)
			switch strings.TrimSpace(name) {
			case "return":
				switch value {
				case "minimal", "representation", "OperationOutcome":
					p.Return = value
				}
			case "handling":
				p.Strict, p.Lenient = value == "strict", value == "lenient"
			case "respond-async":
				p.Async = true
			}
		}
	}
	return p
}

// etag reads an entity tag: W/"3", "3", and a bare 3 name version 3.
func etag(s string) (int64, bool) {
	s = strings.TrimSpace(s)
	s = strings.TrimPrefix(s, "W/")
	if len(s) >= 2 && s[0] == '"' && s[len(s)-1] == '"' {
		s = s[1 : len(s)-1]
	}
	n, err := strconv.ParseInt(s, 10, 64)
	return n, err == nil && n > 0
}

// expectation turns If-Match into what the store must find.
func (in *Interaction) expectation() (store.Expect, error) {
	if in.IfMatch == "" {
		return store.Any, nil
	}
	if strings.TrimSpace(in.IfMatch) == "*" {
		return store.Exists, nil
	}
	n, ok := etag(in.IfMatch)
	if !ok {
		return 0, fault.New(fault.Invalid, "value", "If-Match %q is not an ETag of this service; send it as W/\"3\".", in.IfMatch)
	}
	return store.Expect(n), nil
}

func versionTag(n int64) string { return `W/"` + strconv.FormatInt(n, 10) + `"` }

// written is the answer to a create, update or patch, by Prefer.
func (s *Server) written(in *Interaction, v store.Version, status int) *Answer {
	a := &Answer{
		Status: status, ETag: versionTag(v.Number), LastModified: v.At,
		Location: s.base + "/" + v.Key.String() + "/_history/" + strconv.FormatInt(v.Number, 10),
	}
	switch in.Prefer.Return {
	case "minimal":
	case "OperationOutcome":
		a.Resource = information("Done: " + v.Key.String() + " version " + strconv.FormatInt(v.Number, 10) + ".").Bytes()
	default:
		a.Resource = s.render(v)
	}
	return a
}

// perform runs an interaction: rights, handler, audit note. It is the one
// way to a resource.
func (s *Server) perform(ctx context.Context, in *Interaction) (*Answer, error) {
	if in.Type != "" && in.Special != "metadata" {
		if err := s.knownType(in); err != nil {
			return nil, err
		}
	}
	if in.ID != "" && !idPattern(in.ID) {
		return nil, fault.New(fault.Invalid, "value", "An id has 1 to 64 characters from A-Z, a-z, 0-9, - and '.'.")
	}
	switch {
	case strings.HasPrefix(in.Special, "$"):
		return s.operation(ctx, in)
	case in.Special == "_history":
		return s.history(ctx, in)
	case in.Special == "_search":
		return s.search(ctx, in)
	case in.Special != "":
		return s.compartment(ctx, in)
	}
	switch in.Verb {
	case http.MethodGet, http.MethodHead:
		switch {
		case in.ID == "":
			return s.search(ctx, in)
		case in.Version != "":
			return s.vread(ctx, in)
		}
		return s.read(ctx, in)
	case http.MethodPost:
		if in.Type == "" {
			return s.bundle(ctx, in)
		}
		return s.create(ctx, in)
	case http.MethodPut:
		return s.update(ctx, in)
	case http.MethodPatch:
		return s.patch(ctx, in)
	case http.MethodDelete:
		return s.remove(ctx, in)
	}
	return nil, fault.New(fault.Method, "not-supported", "%s is not offered here.", in.Verb)
}

func idPattern(s string) bool {
	if len(s) == 0 || len(s) > 64 {
		return false
	}
	for i := 0; i < len(s); i++ {
		c := s[i]
		if !('a' <= c && c <= 'z' || 'A' <= c && c <= 'Z' || '0' <= c && c <= '9' || c == '-' || c == '.') {
			return false
		}
	}
	return true
}
