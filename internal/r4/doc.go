// Package r4 owns what FHIR R4 (4.0.1) itself says about a resource: element
// tables, primitive formats, required codes, invariants, narrative safety,
// summary elements, compartments and FHIRPath Patch. It validates, walks and
// patches the JSON trees of package fhirjson. It knows nothing of the service's
// own profiles (package profile), of search, or of what is stored; so it does
// not ask whether a reference resolves, only whether its target type is
// allowed.
//
// The facts are in tables.txt, written by the command in gen from the official
// definitions: all resource types that the service handles or refers to
// closely, and all data types. A resource of another legal R4 type is validated
// by what every resource shares and by the rules of FHIR JSON alone.
//
// Not validated: extensible and preferred bindings, the two required bindings that
// are no closed list (media types and currencies), warnings, and whether the
// service can honour a modifierExtension.
package r4
