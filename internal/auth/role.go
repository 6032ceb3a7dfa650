package auth

import "strings"

// RoleNames lists the ready-made scope sets, from the narrowest of the ward to
// the ones for systems.
func RoleNames() []string {
	return []string{"nursing-assistant", "nurse", "analytics", "integration", "administration"}
}

// RoleScope gives the ready-made scope string of a role of the trade. The cut
// between assistant and nurse is ours, after the usual delegation of drain care:
// an assistant empties, measures and describes; judging the site and answering
// an escalation stay with the nurse.
func RoleScope(role string) (string, bool) {
	switch role {
	case "nursing-assistant":
		return join(
			"user/Observation.crus?code="+assistantWrites(),
			"user/Observation.rs?code="+otherFluids(),
			readable("Device", "DeviceUseStatement", "Patient", "Encounter", "Location"),
			terminology(),
		), true
	case "nurse":
		return join(
			"user/Observation.crus",
			"user/Device.crus user/DeviceUseStatement.crus",
			"user/DetectedIssue.rus",
			readable("Patient", "Encounter", "Location", "Practitioner", "PractitionerRole", "Organization", "Provenance"),
			terminology(),
		), true
	case "analytics":
		return "system/*.rs", true
	case "integration":
		return "system/*.cruds", true
	case "administration":
		return "user/*.cruds", true
	}
	return "", false
}

func join(parts ...string) string { return strings.Join(parts, " ") }

// readable gives read and search on each type.
func readable(types ...string) string {
	parts := make([]string, len(types))
	for i, t := range types {
		parts[i] = "user/" + t + ".rs"
	}
	return strings.Join(parts, " ")
}

// terminology opens the service's own definitions, which a charting front end
// fills its pick lists from. They hold nothing about patients.
func terminology() string {
	return readable("StructureDefinition", "ValueSet", "CodeSystem", "SearchParameter", "OperationDefinition")
}

const (
	loinc  = "http://loinc.org"
	local  = "http://tidemark.example.org/fhir/CodeSystem/drain"
	orElse = "," // joins the values of one search parameter: any of them
)

// assistantWrites lists the codes of drain entries: LOINC's point-in-time
// volumes by compartment, and the local codes for the rest.
func assistantWrites() string {
	return codes(loinc,
		"9203-1", // Fluid output wound drain
		"9179-3", // Fluid output peritoneal drain
		"9113-2", // Fluid output biliary drain
		"9129-8", // Fluid output chest tube
		"9168-6", // Fluid output pericardial drain
	) + orElse + codes(local, "drain-output", "reservoir-check")
}

// otherFluids lists the codes of other intake and output: the point-in-time
// volumes of LOINC 2.82 for the routes of a fluid chart, and the local codes
// where LOINC has none.
func otherFluids() string {
	return codes(loinc,
		"9187-6",  // Urine output
		"9195-9",  // Urine output by in and out urethral catheter
		"79549-2", // Urine output measured by nephrostomy
		"73704-9", // Fluid output nasogastric tube, measured
		"9149-6",  // Fluid output gastric tube
		"79561-7", // Fluid output enteral tube, measured
		"79560-9", // Fluid output gastrointestinal ostomy, measured
		"9137-1",  // Fluid output emesis
		"9217-1",  // Output stool
		"81661-1", // Blood loss, measured
		"9161-1",  // Fluid output miscellaneous, measured
		"9257-7",  // Fluid output total, measured
		"9256-9",  // Fluid output total, estimated
		"9000-1",  // Fluid intake oral, measured
		"8999-5",  // Fluid intake oral, estimated
		"8975-5",  // Fluid intake intravascular, measured
		"8974-8",  // Fluid intake intravascular, estimated
		"8953-2",  // Fluid intake enteral tube, measured
		"9103-3",  // Fluid intake total, measured
		"9102-5",  // Fluid intake total, estimated
		"9097-7",  // Fluid balance 24 hour
	) + orElse + codes(local, "other-output", "other-intake", "intake-blood", "intake-irrigation")
}

func codes(system string, list ...string) string {
	parts := make([]string, len(list))
	for i, c := range list {
		parts[i] = system + "|" + c
	}
	return strings.Join(parts, orElse)
}
