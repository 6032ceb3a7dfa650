package api

import (
	"context"
	"net/http"
	"slices"
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
	Accept                            string
	Provenance                        *fhirjson.Node // of the X-Provenance header, which is about what is written
	Prefer                            Prefer

	Who     *auth.Principal
	Request string // id of the HTTP request
	Address string
	// InBundle is set for entries: exports and nested Bundles are not offered there.
	InBundle bool

	// cursor is the requested page, trail the pages before it, last first; "" is
	// the first page.
	cursor string
	trail  []string

	needs []auth.Need // of the operation that it invokes
	note  string      // for Answer.Note of a write
	audit auditNote
	held  *bodyReader // room that the body takes, until the request is done
}

// Prefer holds the preferences of the Prefer header.
type Prefer struct {
	Return  string // minimal, representation, OperationOutcome
	Strict  bool   // handling=strict
	Lenient bool   // handling=lenient
	Async   bool   // respond-async
}

// Answer is the result of an interaction.
type Answer struct {
	Status       int
	Location     string // absolute
	ETag         string
	LastModified time.Time
	Resource     []byte // JSON, nil for no body
	Note         string // what the client should know of a success
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
	// Tags are compared as text (RFC 7232, 2.3): 01 is not 1.
	return n, err == nil && n > 0 && strconv.FormatInt(n, 10) == s
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
		// It cannot be the current version's, and so the condition does not hold.
		return 0, fault.New(fault.Precondition, "value", "If-Match %q is the ETag of no version here; send the one that the resource was read with, such as W/\"3\".", in.IfMatch)
	}
	return store.Expect(n), nil
}

func versionTag(n int64) string { return `W/"` + strconv.FormatInt(n, 10) + `"` }

// noneMatch reports whether If-None-Match names what is there.
func (in *Interaction) noneMatch(number int64) bool {
	if strings.TrimSpace(in.IfNoneMatch) == "*" {
		return true
	}
	return slices.ContainsFunc(splitComma(in.IfNoneMatch), func(t string) bool {
		n, ok := etag(t)
		return ok && n == number
	})
}

// written is the answer to a create, update or patch, by Prefer.
func (s *Server) written(in *Interaction, v store.Version, status int) *Answer {
	a := &Answer{
		Status: status, ETag: versionTag(v.Number), LastModified: v.At, Note: in.note,
		Location: s.base + "/" + v.Key.String() + "/_history/" + strconv.FormatInt(v.Number, 10),
	}
	switch in.Prefer.Return {
	case "minimal":
	case "OperationOutcome":
		a.Resource = information(strings.TrimSpace("Done: " + v.Key.String() + " version " + strconv.FormatInt(v.Number, 10) + ". " + in.note)).Bytes()
	default:
		a.Resource = s.render(v)
	}
	return a
}

// existing is the answer to a conditional create that found a match, shown to those
// who may read it.
func (s *Server) existing(in *Interaction, v store.Version) *Answer {
	a := s.written(in, v, http.StatusOK)
	if ok, err := s.permitsVersion(in.Who.Grant(v.Type, auth.Read), v); in.Prefer.Return != "OperationOutcome" && (err != nil || !ok) {
		a.Resource = nil
	}
	return a
}

// perform runs an interaction: rights, handler, audit note. Nothing else reaches a
// resource.
func (s *Server) perform(ctx context.Context, in *Interaction) (*Answer, error) {
	if in.Type != "" && in.Special != "metadata" {
		if err := s.knownType(in); err != nil {
			return nil, err
		}
	}
	if in.ID != "" && !fhirjson.IsID(in.ID) {
		return nil, fault.New(fault.Invalid, "value", "An id has 1 to 64 characters from A-Z, a-z, 0-9, - and '.'.")
	}
	if err := s.openCursor(ctx, in); err != nil {
		return nil, err
	}
	if err := s.admit(ctx, in); err != nil {
		return nil, err
	}
	limit := s.requestTime
	if in.Type == "" && in.Special == "" && in.Verb == http.MethodPost {
		limit = bundleTimes * s.requestTime
	}
	ctx, cancel := context.WithTimeout(ctx, limit)
	defer cancel()
	switch {
	case in.Special == "metadata": // in a Bundle; alone it has a route, which needs no token
		return s.capabilityStatement(in)
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
