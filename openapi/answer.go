package openapi

import (
	"encoding/json"
	"slices"
)

// typed is an example in the JSON type of its schema.
func typed(schema object, example string) any {
	switch schema["type"] {
	case "integer", "number", "boolean":
		return json.RawMessage(example)
	}
	return example
}

func headers() object {
	header := func(description, example string) object {
		return object{"description": description, "schema": object{"type": "string"}, "example": example}
	}
	return object{
		"ETag":             header("The version.", `W/"1"`),
		"Last-Modified":    header("When the version was written.", "Fri, 20 Nov 2026 14:10:00 GMT"),
		"Location":         header("The URL of the version.", "http://localhost:8080/fhir/Observation/1/_history/1"),
		"Retry-After":      header("Seconds to wait.", "5"),
		"WWW-Authenticate": header("What is wrong with the token.", `Bearer realm="tidemark"`),
	}
}

// answer is a successful answer with one resource.
func answer(description, schema string, heads []string) object {
	out := object{"description": description, "content": object{fhirJSON: object{"schema": ref(schema)}}}
	if len(heads) > 0 {
		h := object{}
		for _, name := range heads {
			h[name] = object{"$ref": "#/components/headers/" + name}
		}
		out["headers"] = h
		// A write may be asked to answer with an OperationOutcome.
		if slices.Contains(heads, "Location") {
			out["content"] = object{fhirJSON: object{"schema": object{"anyOf": list{ref(schema), ref("OperationOutcome")}}}}
		}
	}
	return out
}

// failure is one status of a refusal.
type failure struct{ status, name, description, header string }

var allFailures = []failure{
	{"400", "BadRequest", "What was sent cannot be read: no JSON, an unknown element, a bad value or parameter.", ""},
	{"401", "Unauthenticated", "No bearer token, or not one that holds.", "WWW-Authenticate"},
	{"403", "Forbidden", "The token's scopes do not cover it.", "WWW-Authenticate"},
	{"404", "NotFound", "It is not there, or not for this token.", ""},
	{"405", "NotOffered", "The type does not have this interaction.", ""},
	{"406", "NotAcceptable", "No format that is offered was asked for.", ""},
	{"409", "Conflict", "Another resource has the identifier, or another write came between.", ""},
	{"410", "Gone", "It has been deleted; the history is still there.", ""},
	{"412", "PreconditionFailed", "The version or the criteria do not hold: If-Match names another version, or several resources match.", ""},
	{"413", "TooLarge", "The body is over the limit, or the Bundle has too many entries.", ""},
	{"415", "UnsupportedMedia", "The body is of a type that is not read here.", ""},
	{"422", "Refused", "It can be read and breaks a rule: a unit that is no volume, a wrong drain, a time in the future. diagnostics says the fix.", ""},
	{"429", "TooManyRequests", "Too many requests from this client.", "Retry-After"},
	{"431", "HeadersTooLarge", "The URL and the headers are larger than is read; send a long search by POST.", ""},
	{"500", "Failed", "The service failed; its log has the cause under the request's id.", ""},
	{"501", "NotImplemented", "The store of this deployment cannot do it; nothing was written.", ""},
	{"503", "Unavailable", "The store does not answer, or not in time.", "Retry-After"},
}

func failures() object {
	out := object{}
	for _, f := range allFailures {
		r := object{"description": f.description, "content": object{fhirJSON: object{"schema": ref("OperationOutcome")}}}
		if f.header != "" {
			r["headers"] = object{f.header: object{"$ref": "#/components/headers/" + f.header}}
		}
		out[f.name] = r
	}
	return out
}

// always are the refusals that any request may meet; writing those that
// writes may meet besides.
var (
	always  = []string{"400", "401", "403", "406", "429", "431", "500", "503"}
	writing = []string{"404", "409", "412", "413", "415", "422", "501"}
)

// failing adds refusals to the successful answers: those of any request, and the named
// ones.
func (b *builder) failing(answers object, also ...string) object {
	out := object{}
	for k, v := range answers {
		out[k] = v
	}
	for _, f := range allFailures {
		if slices.Contains(always, f.status) || slices.Contains(also, f.status) {
			out[f.status] = object{"$ref": "#/components/responses/" + f.name}
		}
	}
	return out
}
