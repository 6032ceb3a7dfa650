package api

import (
	"slices"
	"sort"

	"tidemark/internal/fault"
	"tidemark/internal/r4"
)

// manner is how a resource type is offered.
type manner int

const (
	absent   manner = iota
	full            // create, read, vread, update, patch, delete, history, search
	derived         // written by the service: read, vread, history, search
	access          // AuditEvent: read, search; kept apart from the other resources
	constant        // the project's own conformance resources: read, search
)

// types are those that the service offers; /fhir/metadata and the router use it.
var types = map[string]manner{
	"Device": full, "DeviceUseStatement": full, "Observation": full, "Patient": full, "Encounter": full, "Location": full,
	"Practitioner": full, "PractitionerRole": full, "Organization": full, "Group": full, "Provenance": full, "Subscription": full, "Task": full,
	"DetectedIssue": derived, "AuditEvent": access,
	"StructureDefinition": constant, "ValueSet": constant, "CodeSystem": constant, "SearchParameter": constant, "OperationDefinition": constant,
}

func typeNames(m ...manner) []string {
	var out []string
	for t, is := range types {
		if len(m) == 0 || slices.Contains(m, is) {
			out = append(out, t)
		}
	}
	sort.Strings(out)
	return out
}

func (s *Server) knownType(in *Interaction) error {
	if types[in.Type] != absent {
		return nil
	}
	if r4.IsType(in.Type) {
		return fault.New(fault.NotFound, "not-supported", "This service keeps no %s resources; /fhir/metadata lists the types it has.", in.Type)
	}
	return fault.New(fault.NotFound, "not-found", "%q is not a FHIR R4 resource type; names are case-sensitive.", in.Type)
}

// offered refuses an interaction that the type does not have.
func offered(typ, interaction string, m ...manner) error {
	if slices.Contains(m, types[typ]) {
		return nil
	}
	why := "is written by the service itself"
	if types[typ] == constant {
		why = "is part of the service"
	}
	return fault.New(fault.Method, "not-supported", "%s is not offered for %s: it %s.", interaction, typ, why)
}
