package api

import (
	"context"
	"errors"
	"net/http"
	"strings"

	"tidemark/internal/fault"
	"tidemark/internal/fhirjson"
)

// statuses is the only map from what went wrong to an HTTP status.
var statuses = map[fault.Kind]int{
	fault.Internal:        http.StatusInternalServerError,
	fault.Invalid:         http.StatusBadRequest,
	fault.Unauthenticated: http.StatusUnauthorized,
	fault.Forbidden:       http.StatusForbidden,
	fault.NotFound:        http.StatusNotFound,
	fault.Method:          http.StatusMethodNotAllowed,
	fault.NotAcceptable:   http.StatusNotAcceptable,
	fault.Conflict:        http.StatusConflict,
	fault.Gone:            http.StatusGone,
	fault.Precondition:    http.StatusPreconditionFailed,
	fault.TooLarge:        http.StatusRequestEntityTooLarge,
	fault.Media:           http.StatusUnsupportedMediaType,
	fault.Rule:            http.StatusUnprocessableEntity,
	fault.TooMany:         http.StatusTooManyRequests,
	fault.HeadersTooLarge: http.StatusRequestHeaderFieldsTooLarge,
	fault.Unsupported:     http.StatusNotImplemented,
	fault.Unavailable:     http.StatusServiceUnavailable,
}

// statusCancelled is what the log shows for a client that went away.
const statusCancelled = 499

// interrupted reports whether err is only the end of a context. A classified fault
// says more than its cause: a store that gave up waiting knows whether the write is in
// doubt, the context does not.
func interrupted(err, end error) bool {
	return errors.Is(err, end) && fault.Is(fault.Of(err), fault.Internal)
}

// status gives the HTTP status of an error.
func status(err error) int {
	switch {
	case interrupted(err, context.Canceled):
		return statusCancelled
	case interrupted(err, context.DeadlineExceeded):
		return http.StatusServiceUnavailable
	}
	return statuses[fault.Of(err).Kind]
}

// outcome writes an error as an OperationOutcome. An unknown error has a fixed
// text and the request id, by which the log has its cause.
func outcome(err error, request string) *fhirjson.Node {
	if interrupted(err, context.DeadlineExceeded) {
		return outcomeOf([]fault.Issue{{Severity: fault.Err, Code: "timeout", Diagnostics: "The service did not finish in time; try again."}})
	}
	e := fault.Of(err)
	issues := e.Issues
	if e.Kind == fault.Internal {
		issues = []fault.Issue{{Severity: fault.Err, Code: "exception", Diagnostics: "The service failed to answer; its log has the cause under request id " + request + "."}}
	}
	return outcomeOf(issues)
}

func outcomeOf(issues []fault.Issue) *fhirjson.Node {
	var list []*fhirjson.Node
	for _, is := range issues {
		var expr []*fhirjson.Node
		for _, e := range is.Expression {
			expr = append(expr, fhirjson.Str(e))
		}
		sev := is.Severity
		if sev == "" {
			sev = fault.Err
		}
		n := fhirjson.Obj("severity", string(sev), "code", is.Code)
		if is.Diagnostics != "" {
			n.Set("diagnostics", fhirjson.Str(printable(is.Diagnostics)))
		}
		if len(expr) > 0 {
			n.Set("expression", &fhirjson.Node{Kind: fhirjson.Array, Items: expr})
		}
		list = append(list, n)
	}
	return fhirjson.Obj("resourceType", "OperationOutcome", "issue", list)
}

// printable replaces what a FHIR string may not hold, which a caller's text
// may bring into a message.
func printable(s string) string {
	return strings.Map(func(r rune) rune {
		if r < ' ' && r != '\n' && r != '\t' && r != '\r' || r == 0x7f {
			return '\uFFFD'
		}
		return r
	}, s)
}

// information is an OperationOutcome for success.
func information(text string) *fhirjson.Node {
	return outcomeOf([]fault.Issue{{Severity: fault.Information, Code: "informational", Diagnostics: text}})
}
