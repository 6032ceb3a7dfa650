package auth

import "strings"

// RoleNames lists the ready-made scope sets, from the narrowest of the ward to
// the ones for systems.
func RoleNames() []string {
	return []string{"wall", "nursing-assistant", "nurse", "analytics", "records-office", "integration", "administration"}
}

// RoleScope gives the ready-made scope string of a role of the trade. The
// division between assistant and nurse is ours and follows the usual delegation
// of drain care: an assistant empties, measures and describes, and sees what
// the ward sees of its drains; charting the site and acknowledging a concern
// stay with the nurse.
func RoleScope(role string) (string, bool) {
	switch role {
	case "nursing-assistant":
		return join(
			"user/Observation.cu?code="+assistantWrites(),
			readable("Observation", "DetectedIssue", "Device", "DeviceUseStatement", "Patient", "Encounter", "Location", "Task", "Provenance", "Practitioner"),
			terminology(),
		), true
	case "wall": // a screen in a public place: it reads a ward and writes nothing
		return join(
			"user/Observation.rs user/DetectedIssue.rs",
			readable("Device", "DeviceUseStatement", "Patient", "Encounter", "Location"),
		), true
	case "nurse":
		return join(
			"user/Observation.crus",
			"user/Device.crus user/DeviceUseStatement.crus user/Task.crus",
			"user/DetectedIssue.rus user/Encounter.rus", // a patient goes home with the drain
			readable("Patient", "Location", "Practitioner", "PractitionerRole", "Organization", "Provenance"),
			terminology(),
		), true
	case "analytics":
		return "system/*.rs", true
	case "records-office": // puts together the records of one person, and reads what it rests on
		return join("user/Patient.crus", readable("Encounter", "Observation", "Device", "DeviceUseStatement", "DetectedIssue", "Provenance", "Location", "Organization", "Group", "AuditEvent"), Merging), true
	case "integration":
		return "system/*.cruds", true
	case "administration":
		return join("user/*.cruds", Merging, Purging), true
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

// terminology grants the service's own definitions, from which a charting front
// end fills its pick lists. They hold no patient data.
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

func codes(system string, list ...string) string {
	parts := make([]string, len(list))
	for i, c := range list {
		parts[i] = system + "|" + c
	}
	return strings.Join(parts, orElse)
}
