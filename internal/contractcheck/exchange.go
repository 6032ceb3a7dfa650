// Package contractcheck holds the OpenAPI document against a validator that
// this project did not write, and against the running service: the document is
// valid OpenAPI 3.1, all that it promises is there, and every answer is one that
// it allows. It is a module of its own, so that the validator never reaches the
// program; it owns no product code and imports none.
package contractcheck

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"net/http"

	"github.com/pb33f/libopenapi"
	validator "github.com/pb33f/libopenapi-validator"
	faults "github.com/pb33f/libopenapi-validator/errors"
)

// Validator says whether an exchange is one that a document allows. It may be
// asked by several goroutines.
type Validator struct{ v validator.Validator }

// NewValidator reads a document, which must be valid OpenAPI.
func NewValidator(document []byte) (*Validator, error) {
	d, err := libopenapi.NewDocument(document)
	if err != nil {
		return nil, err
	}
	v, errs := validator.NewValidator(d)
	if len(errs) > 0 {
		return nil, errors.Join(errs...)
	}
	if _, found := v.ValidateDocument(); len(found) > 0 {
		return nil, errors.New(words(found)[0])
	}
	return &Validator{v}, nil
}

// Answer gives what the document does not allow in the answer to a request:
// its path and method, the status, the media type, the body.
func (j *Validator) Answer(r *http.Request, status int, header http.Header, body []byte) []string {
	_, found := j.v.ValidateHttpResponse(r, &http.Response{
		StatusCode: status, Header: header, Body: io.NopCloser(bytes.NewReader(body)), Request: r,
	})
	return words(found)
}

// Request gives what the document does not allow in a request with a body.
func (j *Validator) Request(r *http.Request, body []byte) []string {
	r = r.Clone(r.Context())
	r.Body = io.NopCloser(bytes.NewReader(body))
	_, found := j.v.ValidateHttpRequest(r)
	return words(found)
}

func words(found []*faults.ValidationError) []string {
	var out []string
	for _, e := range found {
		s := e.Message + ": " + e.Reason
		for _, f := range e.SchemaValidationErrors {
			s += fmt.Sprintf("; %s at %s", f.Reason, f.FieldPath)
		}
		out = append(out, s)
	}
	return out
}
