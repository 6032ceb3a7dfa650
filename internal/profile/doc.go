// Package profile owns the service's own definitions under the canonical
// http://tidemark.example.org/fhir: the code system of its local codes, value
// sets, profiles, extensions and operations, each a FHIR resource in a file of
// the folder resources. It answers what can be asked of them (read, $expand,
// $lookup, $validate-code) and validates resources by them, beyond R4, which is
// package r4's, and beyond what an entry means, which is package fhirmap's.
//
// The files are the truth; a test holds them against the codes of fhirmap.
package profile
