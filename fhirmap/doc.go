// Package fhirmap owns the mapping between FHIR R4 resources and the domain:
// Decode reads a validated resource into the facts that rules compute with,
// and the encoders write derived answers (totals, balances, escalation
// statuses, findings, due tasks) as FHIR resources. It also owns the codes of
// both directions. The raw resource stays the truth: typed models from
// samply/golang-fhir-models are read for the domain's sake only, since they
// drop contained resources, extensions on primitives and unknown elements.
//
// Although the package stands outside internal, its signatures name internal
// types: it is not an interface for other modules.
package fhirmap
