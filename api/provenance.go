package api

import (
	"context"
	"net/http"
	"strings"

	"tidemark/internal/fault"
	"tidemark/internal/fhirjson"
	"tidemark/internal/store"
	"tidemark/internal/ward"
)

// readProvenance reads the X-Provenance header (R4 provenance.html): a
// Provenance without target; the target is the version that the request writes. Where
// the request writes in another way it is refused, never ignored silently.
func (in *Interaction) readProvenance(values []string) error {
	if len(values) == 0 || in.Verb == http.MethodGet || in.Form {
		return nil
	}
	switch {
	case len(values) > 1:
		return fault.New(fault.Invalid, "value", "The request has several X-Provenance headers; send one.")
	case in.Type == "" || strings.HasPrefix(in.Special, "$"):
		return fault.New(fault.Invalid, "not-supported", "X-Provenance goes with a create, update, patch or delete; in a Bundle, send a Provenance as an entry.")
	}
	n, err := fhirjson.Parse([]byte(values[0]))
	if err != nil || n.Kind != fhirjson.Object || n.Str("resourceType") != "Provenance" {
		return fault.New(fault.Invalid, "structure", "X-Provenance is a Provenance in JSON, on one line.")
	}
	if n.Get("target") != nil {
		return fault.New(fault.Invalid, "value", "The Provenance in X-Provenance names a target; leave it out: it is what the request writes.")
	}
	in.Provenance = n
	return nil
}

// accompany plans the Provenance that goes with a planned write.
func (s *Server) accompany(ctx context.Context, in *Interaction) (plan, error) {
	of := &Interaction{Verb: http.MethodPost, Type: "Provenance", Who: in.Who, Request: in.Request, Address: in.Address, Body: in.Provenance.Clone()}
	of.Body.Set("target", fhirjson.Arr(fhirjson.Obj("reference", in.audit.entity)))
	p, err := s.planNew(ctx, of, store.Key{Type: "Provenance", ID: ward.NewID()}, nil)
	return p, inHeader(err)
}

// inHeader marks a fault as one of the X-Provenance header.
func inHeader(err error) error {
	if err == nil {
		return nil
	}
	e := *fault.Of(err)
	e.Issues = append([]fault.Issue(nil), e.Issues...)
	for i := range e.Issues {
		e.Issues[i].Diagnostics = "X-Provenance: " + e.Issues[i].Diagnostics
	}
	return &e
}
