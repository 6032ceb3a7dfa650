package fhirmap

import (
	"encoding/json"
	"maps"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"

	"github.com/samply/golang-fhir-models/fhir-models/fhir"

	"tidemark/internal/fhirjson"
)

// TestTree compares trees with what the models themselves marshal to.
func TestTree(t *testing.T) {
	severity := fhir.DetectedIssueSeverityLow
	for name, model := range map[string]any{
		"empty": fhir.Observation{},
		"a finding": fhir.DetectedIssue{
			Id: ptr("x"), Status: fhir.ObservationStatusAmended, Severity: &severity, Code: local("darker", "Drain fluid darkens"),
			Implicated: []fhir.Reference{*ref("Device", "d1"), {}}, Detail: ptr("a \"b\" <c> & \u2028 é \xff"), Evidence: []fhir.DetectedIssueEvidence{{}},
		},
		"a value": fhir.Observation{
			Status: fhir.ObservationStatusFinal, ValueQuantity: &fhir.Quantity{Value: ptr(json.Number("12.50")), Unit: ptr("mL")}, ValueInteger: ptr(0), ValueBoolean: ptr(false),
			Component: []fhir.ObservationComponent{{Code: fhir.CodeableConcept{Text: ptr("")}}}, Category: []fhir.CodeableConcept{},
		},
		"a patient": fhir.Patient{MultipleBirthInteger: ptr(2), DeceasedBoolean: ptr(true)},
		"a task":    fhir.Task{Status: fhir.TaskStatusRequested, Intent: "order"},
	} {
		b, err := json.Marshal(model)
		if err != nil {
			t.Fatal(err)
		}
		want, err := fhirjson.Parse(b)
		if err != nil {
			t.Fatal(err)
		}
		kind := want.Get("resourceType")
		want.Delete("resourceType")
		want.SetAt(0, "resourceType", kind)
		if got := string(tree(model).Bytes()); got != string(want.Bytes()) {
			t.Errorf("%s:\n got %s\nwant %s", name, got, want.Bytes())
		}
	}
}

// modelled compares model with what encoding/json makes of the same tree.
func modelled[T any](t *testing.T, n *fhirjson.Node) {
	t.Helper()
	var got, want T
	ok := model(n, reflect.ValueOf(&got).Elem())
	err := json.Unmarshal(n.Bytes(), &want)
	switch {
	case ok && err != nil:
		t.Errorf("%T: taken, which json.Unmarshal refuses (%v): %s", got, err, n.Bytes())
	case ok && !reflect.DeepEqual(got, want):
		t.Errorf("%T of %s:\n got %+v\nwant %+v", got, n.Bytes(), got, want)
	case !ok && err == nil && n.Str("resourceType") == reflect.TypeFor[T]().Name() && !strings.Contains(string(n.Bytes()), "null"):
		t.Errorf("%T of %s: left to json.Unmarshal, which takes it", got, n.Bytes())
	}
}

func models(t *testing.T, n *fhirjson.Node) {
	t.Helper()
	modelled[fhir.Observation](t, n)
	modelled[fhir.Device](t, n)
	modelled[fhir.DeviceUseStatement](t, n)
	modelled[fhir.Encounter](t, n)
	modelled[fhir.Location](t, n)
}

var modelSeeds = []string{
	`{"resourceType":"Observation","id":"o1","status":"final","code":{"coding":[{"system":"http://loinc.org","code":"9203-1"}]},"valueQuantity":{"value":35.50,"comparator":"<","unit":"mL"},"component":[{"code":{},"valueQuantity":{"value":1E+2}}]}`,
	`{"resourceType":"Observation","status":"preliminary","_status":{"extension":[{"url":"http://example.org/x","valueDecimal":1.0}]},"valueInteger":3,"valueBoolean":false,"contained":[{"resourceType":"Patient","id":"p","active":true}]}`,
	`{"resourceType":"Device","status":"inactive","udiCarrier":[{"carrierHRF":"(01)1","entryType":"manual"}],"deviceName":[{"name":"Drain 1","type":"user-friendly-name"}],"property":[{"type":{},"valueQuantity":[{"value":100}]}]}`,
	`{"resourceType":"DeviceUseStatement","status":"active","timingPeriod":{"start":"2026-03-01T10:00:00Z"},"timingTiming":{"event":["2026-03-01"],"repeat":{"count":2,"dayOfWeek":["mon"]}}}`,
	`{"resourceType":"Encounter","status":"in-progress","class":{"code":"IMP"},"location":[{"location":{"reference":"Location/w1"},"status":"active"}],"length":{"value":3}}`,
	`{"resourceType":"Location","name":"Ward","alias":["A",null],"_alias":[null,{"id":"x"}],"position":{"longitude":1.5,"latitude":-2}}`,
	`{"status":"no such code"}`, `{"status":1}`, `{"code":[]}`, `{"component":{}}`, `{"valueQuantity":{"value":"1"}}`, `{"valueInteger":1.5}`,
	`{"id":null,"code":null,"category":null,"valueBoolean":"true","valueInteger":99999999999999999999}`, `[]`, `"x"`, `null`, `{}`,
}

// TestModel: the trees of the seeds, and of R4's own examples where they are
// beside the project.
func TestModel(t *testing.T) {
	for _, text := range modelSeeds {
		n, err := fhirjson.Parse([]byte(text))
		if err != nil {
			t.Fatal(err)
		}
		models(t, n)
	}
	files, err := filepath.Glob("../../shared/fhir-r4-examples/examples/*.json")
	if err != nil {
		t.Fatal(err)
	}
	if len(files) == 0 {
		t.Log("../shared is not here: the official examples were left out")
	}
	for _, file := range files {
		b, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if n, err := fhirjson.Parse(b); err == nil {
			models(t, n)
		}
	}
}

func FuzzModel(f *testing.F) {
	for _, text := range modelSeeds {
		f.Add([]byte(text))
	}
	names := map[string]string{}
	known := map[reflect.Type]bool{}
	for _, m := range []any{fhir.Observation{}, fhir.Device{}, fhir.DeviceUseStatement{}, fhir.Encounter{}, fhir.Location{}} {
		namesOf(reflect.TypeOf(m), known, names)
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		if n, err := fhirjson.Parse(b); err == nil && !misspelt(n, names) {
			models(t, n)
		}
	})
}

// namesOf collects the names of a model's members, by their lower case.
func namesOf(typ reflect.Type, known map[reflect.Type]bool, names map[string]string) {
	switch typ.Kind() {
	case reflect.Pointer, reflect.Slice:
		namesOf(typ.Elem(), known, names)
	case reflect.Struct:
		if known[typ] {
			return
		}
		known[typ] = true
		for i, f := range shapeOf(typ).fields {
			names[strings.ToLower(f.name)] = f.name
			namesOf(typ.Field(i).Type, known, names)
		}
	}
}

// misspelt finds names that encoding/json takes for others, since it does not
// mind their case. R4 does, and refuses them before they come to a model.
func misspelt(n *fhirjson.Node, names map[string]string) bool {
	for _, m := range n.Members {
		if misspelt(m.Value, names) || slices.ContainsFunc(slices.Collect(maps.Keys(names)), func(lower string) bool {
			return strings.EqualFold(lower, m.Name) && names[lower] != m.Name
		}) {
			return true
		}
	}
	return slices.ContainsFunc(n.Items, func(i *fhirjson.Node) bool { return misspelt(i, names) })
}
