package r4

import (
	"encoding/json"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"tidemark/internal/fhirjson"
)

// official is the folder of official R4 examples and definitions, which lies
// beside the module and is not part of it. Tests that read it skip without it.
const official = "../../../shared/fhir-r4-examples"

// traps are official examples that break R4's own definitions: each refers to
// a resource of a type that the element does not allow.
var traps = map[string]string{
	"DeviceMetric-example.json":        "DeviceMetric.parent",                   // a DeviceDefinition
	"DeviceUseStatement-example.json":  "DeviceUseStatement.reasonReference[0]", // a Procedure
	"Observation-clinical-gender.json": "Observation.performer[0]",              // an Encounter
}

func TestOfficialExamplesAreValid(t *testing.T) {
	files, _ := filepath.Glob(filepath.Join(official, "examples", "*.json"))
	if len(files) == 0 {
		t.Skip("needs ../shared/fhir-r4-examples beside the module")
	}
	for _, file := range files {
		data, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		n, err := fhirjson.Parse(data)
		if err != nil {
			t.Errorf("%s: %v", filepath.Base(file), err)
			continue
		}
		trapped := false
		for _, is := range Validate(n, Options{}).Issues {
			if want := traps[filepath.Base(file)]; want == is.Expression[0] {
				trapped = true
				continue
			}
			t.Errorf("%s: %s %v %s", filepath.Base(file), is.Code, is.Expression, is.Diagnostics)
		}
		if traps[filepath.Base(file)] != "" && !trapped {
			t.Errorf("%s: the known breach was not found", filepath.Base(file))
		}
	}
}

func TestObservationMutations(t *testing.T) {
	data, err := os.ReadFile(filepath.Join(official, "negative", "observation-mutations.json"))
	if err != nil {
		t.Skip("needs ../shared/fhir-r4-examples beside the module")
	}
	var cases []struct {
		Name, Class string
		Valid       bool
		Resource    json.RawMessage
	}
	if err := json.Unmarshal(data, &cases); err != nil {
		t.Fatal(err)
	}
	for _, c := range cases {
		n, err := fhirjson.Parse(c.Resource)
		if err != nil {
			t.Errorf("%s: %v", c.Name, err)
			continue
		}
		l := Validate(n, Options{})
		if l.Failed() == c.Valid {
			t.Errorf("%s: valid = %v, got %+v", c.Name, c.Valid, l.Issues)
		}
		for _, is := range l.Issues {
			if !slices.Contains(codesOfClass[c.Class], is.Code) {
				t.Errorf("%s: class %s, got %+v", c.Name, c.Class, is)
			}
		}
	}
}

// codesOfClass gives the issue codes for the classes of defect in the file. A
// wrong JSON kind is structure here, also where an array or a primitive is meant.
var codesOfClass = map[string][]string{
	"cardinality":      {required, structure},
	"binding":          {badCode},
	"primitive":        {value, structure},
	"structure":        {structure},
	"invariant":        {invariant},
	"reference-target": {value},
}
