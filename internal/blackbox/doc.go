// Package blackbox holds the tests that see Tidemark only from outside: they
// build the real program, start it on a data directory of its own, and speak
// HTTP to it. Every JSON answer that any of them receives is validated by a FHIR
// library that this project did not write. The package is a module of its own,
// so that the validators never reach the program. It owns no product code; it
// imports package r4 to compare its verdicts with the validators', and contractcheck
// to hold answers against the OpenAPI document.
package blackbox
