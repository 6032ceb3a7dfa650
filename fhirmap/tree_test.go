package fhirmap

import (
	"encoding/json"
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
