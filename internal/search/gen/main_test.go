package main

import (
	"os"
	"testing"
)

// The table in use is what the definitions in ../shared give.
func TestTableIsCurrent(t *testing.T) {
	const definitions = "../../../../shared/fhir-r4-examples/definitions"
	if _, err := os.Stat(definitions); err != nil {
		t.Skip("the reference folder ../shared is not here")
	}
	got, err := generate(definitions, "../../profile/resources")
	if err != nil {
		t.Fatal(err)
	}
	want, err := os.ReadFile("../params.txt")
	if err != nil {
		t.Fatal(err)
	}
	if got != string(want) {
		t.Error("params.txt is stale: run go run ./internal/search/gen")
	}
}
