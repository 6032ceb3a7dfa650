// Package fault owns the one error type of the service: a closed list of
// kinds, the issues that a client may read, and the cause that only the log
// reads. It does not know HTTP or FHIR resources; package api maps it to a
// status and an OperationOutcome in one place.
package fault

import (
	"errors"
	"fmt"
	"strings"
	"time"
)

// Kind says what sort of failure happened. The list is closed: api holds the
// only table from kinds to HTTP statuses.
type Kind int

// The kinds. The zero value is Internal, so that an error nobody classified
// never reaches a client with its text.
const (
	Internal        Kind = iota // a defect or an unknown cause; fixed text for the client
	Invalid                     // not readable: bad JSON, bad parameter, wrong id (400)
	Unauthenticated             // no token, or an invalid one (401)
	Forbidden                   // a valid token without the right (403)
	NotFound                    // no such resource, type or operation (404)
	Method                      // the interaction is not offered here (405)
	NotAcceptable               // no representation that the client accepts (406)
	Conflict                    // clashes with what is stored, such as a duplicate identifier (409)
	Gone                        // deleted (410)
	Precondition                // If-Match or a condition failed (412)
	TooLarge                    // over the size limit (413)
	Media                       // a media type that is not supported (415)
	Rule                        // readable, but breaks FHIR or a rule of the service (422)
	TooMany                     // rate limit (429)
	HeadersTooLarge             // URL and headers too large (431)
	Unsupported                 // not offered by this deployment (501)
	Unavailable                 // the store or a dependency is unavailable; retry later (503)
)

// Severity is an OperationOutcome severity.
type Severity string

// Severities, from http://hl7.org/fhir/issue-severity.
const (
	Fatal       Severity = "fatal"
	Err         Severity = "error"
	Warning     Severity = "warning"
	Information Severity = "information"
)

// Issue is one thing that is wrong, in words a client may read.
type Issue struct {
	Severity    Severity
	Code        string   // http://hl7.org/fhir/issue-type, such as "required", "value", "invariant"
	Expression  []string // FHIRPath of the element at fault, such as "Observation.value.ofType(Quantity).code"
	Diagnostics string   // what is wrong and what to change; no stack, no SQL, no patient data
}

// Error is the error type of the service.
type Error struct {
	Kind       Kind
	Issues     []Issue       // at least one
	RetryAfter time.Duration // for TooMany and Unavailable
	Cause      error         // for the log only
}

// Error gives the diagnostics of all issues. A client may see it; the cause is
// for the log only.
func (e *Error) Error() string {
	var b strings.Builder
	for i, is := range e.Issues {
		if i > 0 {
			b.WriteString("; ")
		}
		if len(is.Expression) > 0 {
			b.WriteString(strings.Join(is.Expression, ", "))
			b.WriteString(": ")
		}
		b.WriteString(is.Diagnostics)
	}
	return b.String()
}

// Unwrap gives the cause.
func (e *Error) Unwrap() error { return e.Cause }

// New makes an error with one issue. code is an issue-type code.
func New(kind Kind, code, format string, args ...any) *Error {
	return &Error{Kind: kind, Issues: []Issue{{Severity: Err, Code: code, Diagnostics: fmt.Sprintf(format, args...)}}}
}

// At is New with the FHIRPath of the element at fault.
func At(kind Kind, code, expression, format string, args ...any) *Error {
	e := New(kind, code, format, args...)
	e.Issues[0].Expression = []string{expression}
	return e
}

// Wrap makes an internal error: the client sees a fixed text, the log sees the
// cause and the operation.
func Wrap(cause error, doing string) *Error {
	return &Error{
		Kind:   Internal,
		Issues: []Issue{{Severity: Err, Code: "exception", Diagnostics: "The service failed to " + doing + "."}},
		Cause:  fmt.Errorf("%s: %w", doing, cause),
	}
}

// Of returns the *Error in err's chain, or an internal one around it.
func Of(err error) *Error {
	var e *Error
	if errors.As(err, &e) {
		return e
	}
	return Wrap(err, "answer the request")
}

// Is reports whether err carries the kind.
func Is(err error, kind Kind) bool {
	var e *Error
	return errors.As(err, &e) && e.Kind == kind
}

// List collects the issues of one resource, so that all of its faults are
// reported together.
type List struct{ Issues []Issue }

// Add appends an error issue.
func (l *List) Add(code, expression, format string, args ...any) {
	l.add(Err, code, expression, format, args...)
}

// Warn appends a warning. Warnings alone do not make an error.
func (l *List) Warn(code, expression, format string, args ...any) {
	l.add(Warning, code, expression, format, args...)
}

func (l *List) add(s Severity, code, expression, format string, args ...any) {
	is := Issue{Severity: s, Code: code, Diagnostics: fmt.Sprintf(format, args...)}
	if expression != "" {
		is.Expression = []string{expression}
	}
	l.Issues = append(l.Issues, is)
}

// Failed reports whether the list holds an error or a fatal issue.
func (l *List) Failed() bool {
	for _, is := range l.Issues {
		if is.Severity == Err || is.Severity == Fatal {
			return true
		}
	}
	return false
}

// As gives the list as an error of the kind, or nil when it holds no error.
func (l *List) As(kind Kind) error {
	if !l.Failed() {
		return nil
	}
	return &Error{Kind: kind, Issues: l.Issues}
}
