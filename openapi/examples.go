package openapi

import (
	_ "embed"
	"encoding/json"
	"strings"
)

// Example is a request that works as it stands: sent in order, each is
// accepted by a service that had none of them before.
type Example struct {
	Name    string
	Summary string
	Method  string
	Path    string
	Body    json.RawMessage
}

//go:embed examples.json
var examplesText []byte

// Examples are the examples in the document, in the order in which they build
// on each other.
func Examples() []Example {
	var out []Example
	// The text is the package's own, and a test parses it.
	if err := json.Unmarshal(examplesText, &out); err != nil {
		panic(err)
	}
	return out
}

// answersText are answers of the service for an invented ward, cut to their
// first resources, by operation. They are shown, never compared.
//
//go:embed answers.json
var answersText []byte

// samples are the answers as components of the document.
func (b *builder) samples() object {
	out := object{}
	for name, answer := range b.answers {
		out[strings.TrimPrefix(name, "$")] = object{"summary": "An answer, cut short", "value": answer}
	}
	return out
}

// exampleID is an id that exists once the examples have been sent.
func exampleID(typ string) string {
	switch typ {
	case "Patient":
		return "example-patient"
	case "Device":
		return "example-drain"
	case "DeviceUseStatement":
		return "example-placement"
	case "Location":
		return "example-ward"
	case "Practitioner":
		return "example-nurse"
	}
	return "example"
}
