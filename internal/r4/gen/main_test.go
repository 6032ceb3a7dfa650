package main

import (
	"bytes"
	"os"
	"testing"
)

// TestTablesAreCurrent reads the official definitions, which lie beside the
// module and are not part of it, and skips without them.
func TestTablesAreCurrent(t *testing.T) {
	const definitions = "../../../../shared/fhir-r4-examples/definitions"
	if _, err := os.Stat(definitions); err != nil {
		t.Skip("needs ../shared/fhir-r4-examples beside the module")
	}
	want, err := build(definitions)
	if err != nil {
		t.Fatal(err)
	}
	got, err := os.ReadFile("../tables.txt")
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, want) {
		t.Error("tables.txt differs from what the definitions give; run the generator")
	}
}
