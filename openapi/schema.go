package openapi

import (
	"slices"
	"strings"
)

// object and list are JSON as it is written; encoding/json sorts the members.
type (
	object = map[string]any
	list   = []any
)

func ref(name string) object { return object{"$ref": "#/components/schemas/" + name} }

func array(of any) object { return object{"type": "array", "items": of, "minItems": 1} }

func text(description string) object { return object{"type": "string", "description": description} }

func required(names ...string) list {
	var out list
	for _, n := range names {
		out = append(out, n)
	}
	return out
}

func enum(values ...string) object { return object{"type": "string", "enum": required(values...)} }

func described(schema object, description string) object {
	out := object{"description": description}
	for k, v := range schema {
		out[k] = v
	}
	return out
}

// element is a FHIR complex type. More members than the named ones are always
// allowed: extensions, and the rest of R4.
func element(description string, properties object, must ...string) object {
	out := object{"type": "object", "properties": properties}
	if description != "" {
		out["description"] = description
	}
	if len(must) > 0 {
		out["required"] = required(must...)
	}
	return out
}

// Patterns of R4's primitive types, as its JSON representation has them
// (http://hl7.org/fhir/R4/datatypes.html).
const (
	idPattern      = `^[A-Za-z0-9\-\.]{1,64}$`
	instantPattern = `^[0-9]{4}-(0[1-9]|1[0-2])-(0[1-9]|[12][0-9]|3[01])T([01][0-9]|2[0-3]):[0-5][0-9]:([0-5][0-9]|60)(\.[0-9]+)?(Z|(\+|-)((0[0-9]|1[0-3]):[0-5][0-9]|14:00))$`
	timePattern    = `^[0-9]{4}(-(0[1-9]|1[0-2])(-(0[1-9]|[12][0-9]|3[01])(T([01][0-9]|2[0-3]):[0-5][0-9]:([0-5][0-9]|60)(\.[0-9]+)?(Z|(\+|-)((0[0-9]|1[0-3]):[0-5][0-9]|14:00)))?)?)?$`
)

func primitives() object {
	return object{
		"id":       object{"type": "string", "pattern": idPattern, "description": "1 to 64 characters from A-Z, a-z, 0-9, - and '.'."},
		"instant":  object{"type": "string", "pattern": instantPattern, "description": "A time to the second or finer, with its zone.", "examples": list{"2026-11-20T15:10:00+01:00"}},
		"dateTime": object{"type": "string", "pattern": timePattern, "description": "A year, a month, a day, or a time with its zone.", "examples": list{"2026-11-20", "2026-11-20T15:10:00+01:00"}},
		"decimal":  object{"type": "number", "format": "double", "description": "An exact decimal; digits are kept as sent: 1.50 stays 1.50. The format keeps generated clients from single precision."},
	}
}

func dataTypes() object {
	str, uri := object{"type": "string", "minLength": 1}, object{"type": "string", "minLength": 1, "description": "A URI."}
	out := object{
		"Coding":          element("A code and the system that defines it.", object{"system": uri, "version": str, "code": str, "display": str, "userSelected": object{"type": "boolean"}}),
		"CodeableConcept": element("Codes for one meaning, words, or both.", object{"coding": array(ref("Coding")), "text": str}),
		"Quantity": element("A number with its unit.", object{
			"value": ref("decimal"), "comparator": enum("<", "<=", ">=", ">"), "unit": text("The unit for people."),
			"system": uri, "code": text("The unit in UCUM, such as mL. cc is not UCUM.")}),
		"Reference":  element("A reference to a resource: literal, by identifier, or in words.", object{"reference": text("Type/id, an absolute URL, urn:uuid:… within a Bundle, or #id of a contained resource."), "type": str, "identifier": ref("Identifier"), "display": str}),
		"Identifier": element("What others call the thing.", object{"use": str, "type": ref("CodeableConcept"), "system": uri, "value": str, "period": ref("Period")}),
		"Period":     element("A span of time; without an end it goes on.", object{"start": ref("dateTime"), "end": ref("dateTime")}),
		"Meta":       element("What the service knows of the version.", object{"versionId": ref("id"), "lastUpdated": ref("instant"), "source": uri, "profile": array(uri), "security": array(ref("Coding")), "tag": array(ref("Coding"))}),
		"Annotation": element("A note.", object{"text": str, "time": ref("dateTime")}, "text"),
		"Volume": object{"description": "A volume in any UCUM unit of volume, from 0, with at most 6 decimals. A measured zero is 0 mL.",
			"allOf": list{ref("Quantity"), object{"properties": object{"value": object{"minimum": 0}, "system": object{"const": ucumSystem}}, "required": required("value", "system", "code")}}},
		"Percent": object{"description": "A share in percent.",
			"allOf": list{ref("Quantity"), object{"properties": object{"value": object{"minimum": 0, "maximum": 100}, "system": object{"const": ucumSystem}, "code": object{"const": "%"}}, "required": required("value", "system", "code")}}},
	}
	return out
}

const ucumSystem = "http://unitsofmeasure.org"

// resource is a resource type: the required elements and those that matter here. The
// rest of R4 is allowed, and validated by the service.
func resource(name, description string, properties object, must ...string) object {
	p := object{"resourceType": object{"const": name}}
	for k, v := range properties {
		p[k] = v
	}
	return object{"description": description, "allOf": list{ref("Resource"), object{"type": "object", "properties": p, "required": required(append([]string{"resourceType"}, must...)...)}}}
}

// definition is a type of the service's own definitions. _summary and _elements may
// leave out what is otherwise required; R4 then asks for a SUBSETTED tag.
func definition(name, description string, properties object, must ...string) object {
	out := resource(name, description, properties)
	cut := object{"required": required("meta"), "properties": object{"meta": object{"required": required("tag"), "properties": object{
		"tag": object{"contains": object{"required": required("code"), "properties": object{"code": object{"const": "SUBSETTED"}}}}}}}}
	out["allOf"] = append(out["allOf"].(list), object{"if": cut, "then": object{}, "else": object{"required": required(must...)}})
	return out
}

func resources(src Source) object {
	str, boolean := object{"type": "string", "minLength": 1}, object{"type": "boolean"}
	concept, concepts := ref("CodeableConcept"), array(ref("CodeableConcept"))
	reference, references := ref("Reference"), array(ref("Reference"))
	identifiers := array(ref("Identifier"))
	publication := object{"url": str, "version": str, "name": str, "title": str, "status": enum("draft", "active", "retired", "unknown"), "description": str}
	with := func(p object, more object) object {
		out := object{}
		for _, m := range []object{p, more} {
			for k, v := range m {
				out[k] = v
			}
		}
		return out
	}
	named := map[string]object{
		"Observation": resource("Observation", "A drain entry, another intake or output, or any other observation; the derived answers are Observations too.", object{
			"identifier": identifiers, "status": enum("registered", "preliminary", "final", "amended", "corrected", "cancelled", "entered-in-error", "unknown"),
			"category": concepts, "code": concept, "subject": reference, "encounter": reference, "device": reference,
			"effectiveDateTime": ref("dateTime"), "effectivePeriod": ref("Period"), "effectiveInstant": ref("instant"), "issued": ref("instant"), "performer": references,
			"valueQuantity": ref("Quantity"), "valueCodeableConcept": concept, "valueString": str, "valueBoolean": boolean, "valueInteger": object{"type": "integer"},
			"dataAbsentReason": concept, "interpretation": concepts, "note": array(ref("Annotation")), "method": concept,
			"hasMember": references, "derivedFrom": references, "component": array(ref("Component")),
		}, "status", "code"),
		"Device": resource("Device", "A drain: type, reservoir capacity, compartment.", object{
			"identifier": identifiers, "status": enum("active", "inactive", "entered-in-error", "unknown"),
			"deviceName": array(element("", object{"name": str, "type": str}, "name", "type")), "type": concept,
			"property": array(element("reservoir-capacity as a volume, compartment as a code.", object{"type": concept, "valueQuantity": array(ref("Quantity")), "valueCode": concepts}, "type")),
			"patient":  reference, "location": reference,
		}),
		"DeviceUseStatement": resource("DeviceUseStatement", "Where and when a drain was placed, and removed: timingPeriod.", object{
			"identifier": identifiers, "status": enum("active", "completed", "entered-in-error", "intended", "stopped", "on-hold"),
			"subject": reference, "device": reference, "timingPeriod": ref("Period"), "timingDateTime": ref("dateTime"), "bodySite": concept,
		}, "status", "subject", "device"),
		"Patient": resource("Patient", "A patient.", object{"identifier": identifiers, "active": boolean, "name": array(object{"type": "object"}), "gender": enum("male", "female", "other", "unknown"), "birthDate": ref("dateTime")}),
		"Encounter": resource("Encounter", "A stay.", object{"identifier": identifiers, "status": enum("planned", "arrived", "triaged", "in-progress", "onleave", "finished", "cancelled", "entered-in-error", "unknown"),
			"class": ref("Coding"), "subject": reference, "period": ref("Period")}, "status", "class"),
		"Location":         resource("Location", "A ward, or a place in one.", object{"identifier": identifiers, "status": enum("active", "suspended", "inactive"), "name": str, "partOf": reference}),
		"Practitioner":     resource("Practitioner", "Who charts and who acknowledges.", object{"identifier": identifiers, "active": boolean}),
		"PractitionerRole": resource("PractitionerRole", "What a practitioner does where.", object{"identifier": identifiers, "practitioner": reference, "organization": reference, "code": concepts}),
		"Organization":     resource("Organization", "A hospital or department.", object{"identifier": identifiers, "active": boolean, "name": str}),
		"Group":            resource("Group", "A set of patients or devices.", object{"identifier": identifiers, "type": enum("person", "animal", "practitioner", "device", "medication", "substance"), "actual": boolean}, "type", "actual"),
		"Provenance":       resource("Provenance", "Who did what to which version.", object{"target": references, "recorded": ref("instant"), "agent": array(element("", object{"who": reference}, "who"))}, "target", "recorded", "agent"),
		"Subscription": resource("Subscription", "A rest-hook to a target from the operator's allow-list.", object{
			"status": enum("requested", "active", "error", "off"), "reason": str, "criteria": text("A search on one type, such as DetectedIssue?severity=high&location=Location/ward-a; or the canonical URL of a topic that the CapabilityStatement lists."),
			"channel": element("", object{"type": enum("rest-hook", "websocket", "email", "sms", "message"), "endpoint": str, "payload": str, "header": array(str),
				"extension": array(object{"type": "object"})}, "type")}, "status", "reason", "criteria", "channel"),
		"DetectedIssue": resource("DetectedIssue", "A concern, written by the service: all that is wrong with one drain in one respect. It informs, it does not diagnose.", object{
			"identifier": identifiers, "status": enum("registered", "preliminary", "final", "amended", "corrected", "cancelled", "entered-in-error", "unknown"), "code": concept,
			"severity": enum("high", "moderate", "low"), "patient": reference, "identifiedDateTime": ref("dateTime"), "identifiedPeriod": ref("Period"), "implicated": references, "detail": str,
			"evidence":   array(element("One entry a rule: its sentence and the readings that it rests on.", object{"code": concepts, "detail": references})),
			"mitigation": array(element("What was done.", object{"action": concept, "date": ref("dateTime"), "author": reference}, "action"))}, "status"),
		"AuditEvent": resource("AuditEvent", "One access, refused ones too.", object{
			"type": ref("Coding"), "subtype": array(ref("Coding")), "action": enum("C", "R", "U", "D", "E"), "recorded": ref("instant"), "outcome": enum("0", "4", "8", "12"),
			"agent": array(element("", object{"who": reference, "requestor": boolean}, "requestor")), "source": element("", object{"observer": reference}, "observer"), "entity": array(object{"type": "object"})},
			"type", "recorded", "agent", "source"),
		"StructureDefinition": definition("StructureDefinition", "One of the service's profiles or extensions.", with(publication, object{"kind": str, "abstract": boolean, "type": str}), "url", "name", "status", "kind", "abstract", "type"),
		"ValueSet":            definition("ValueSet", "One of the service's value sets, with its codes where they were asked for.", with(publication, object{"expansion": object{"type": "object"}}), "status"),
		"CodeSystem":          definition("CodeSystem", "The service's local codes.", with(publication, object{"content": str, "concept": array(object{"type": "object"})}), "status", "content"),
		"SearchParameter":     definition("SearchParameter", "A search parameter of the service's own.", with(publication, object{"code": str, "base": array(str), "type": str}), "url", "name", "status", "description", "code", "base", "type"),
		"OperationDefinition": definition("OperationDefinition", "An operation of the service's own.", with(publication, object{"kind": str, "code": str, "system": boolean, "type": boolean, "instance": boolean}), "name", "status", "kind", "code", "system", "type", "instance"),
		"Task": resource("Task", "A planned walk of a patient (code planned-walk), before which the drains are emptied. In the answer to $emptying-due a drain of a ward with the time when it is due; those are not stored.", object{
			"identifier": identifiers, "status": enum("draft", "requested", "received", "accepted", "rejected", "ready", "cancelled", "in-progress", "on-hold", "failed", "completed", "entered-in-error"),
			"intent": enum("unknown", "proposal", "plan", "order", "original-order", "reflex-order", "filler-order", "instance-order", "option"), "priority": enum("routine", "urgent", "asap", "stat"),
			"code": concept, "businessStatus": concept, "description": str, "focus": reference, "for": reference, "location": reference, "basedOn": references, "reasonCode": concept,
			"restriction": element("", object{"period": ref("Period")}),
			"input":       array(element("", object{"type": concept, "valueQuantity": ref("Quantity"), "valueReference": reference}, "type"))}, "status", "intent"),
		"OperationOutcome": resource("OperationOutcome", "What went wrong, or a warning: expression says where, diagnostics what to do.", object{
			"issue": array(element("", object{
				"severity": enum("fatal", "error", "warning", "information"), "code": text("R4's issue type, such as value, required, invalid, not-found."),
				"details": concept, "diagnostics": str, "expression": array(text("FHIRPath of the element at fault."))}, "severity", "code"))}, "issue"),
		"Binary": resource("Binary", "Content that is not a resource, such as CSV or a patch, in a Bundle.", object{"contentType": str, "data": str}, "contentType"),
		"Bundle": resource("Bundle", "A Bundle within another.", object{"type": str}, "type"),
		"Parameters": resource("Parameters", "The parameters or the answer of an operation.", object{"parameter": array(element("", object{
			"name": str, "resource": ref("Resource"), "part": array(object{"type": "object"})}, "name"))}),
		"CapabilityStatement": resource("CapabilityStatement", "What the service claims, which is what works.", with(publication, object{
			"date": ref("dateTime"), "kind": object{"const": "instance"}, "fhirVersion": object{"const": "4.0.1"}, "format": array(str), "rest": array(object{"type": "object"})}),
			"status", "date", "kind", "fhirVersion", "format"),
	}
	out := object{"Resource": element("Any resource.", object{"resourceType": str, "id": ref("id"), "meta": ref("Meta"), "language": str}, "resourceType")}
	for _, t := range src.Types {
		out[t.Name] = resource(t.Name, t.Name+" of FHIR R4.", nil)
	}
	for n, s := range named {
		out[n] = s
	}
	out["AnyResource"] = anyResource(out)
	return out
}

// anyResource validates a resource by its resourceType.
func anyResource(types object) object {
	var names []string
	for n := range types {
		if n != "Resource" {
			names = append(names, n)
		}
	}
	slices.Sort(names)
	var one list
	mapping := object{}
	for _, n := range names {
		one = append(one, ref(n))
		mapping[n] = ref(n)["$ref"]
	}
	return object{"description": "A resource, validated by its own type.", "oneOf": one, "discriminator": object{"propertyName": "resourceType", "mapping": mapping}}
}

// bundle is a Bundle of one of the types; what must be in an entry depends on it.
func bundle(description string, entry object, types ...string) object {
	kind := enum(types...)
	if len(types) == 1 {
		kind = object{"const": types[0]}
	}
	return resource("Bundle", description, object{
		"type": kind, "total": object{"type": "integer", "minimum": 0}, "timestamp": ref("instant"),
		"link":  array(element("self, first, previous and next; follow them as they stand.", object{"relation": object{"type": "string"}, "url": object{"type": "string"}}, "relation", "url")),
		"entry": array(entry),
	}, "type")
}

func bundles() object {
	str := object{"type": "string", "minLength": 1}
	res := ref("AnyResource")
	request := element("What the entry asks for.", object{
		"method": enum("GET", "HEAD", "POST", "PUT", "PATCH", "DELETE"), "url": text("Relative to the base: Observation, Device/1, Observation?code=…"),
		"ifMatch": str, "ifNoneMatch": str, "ifNoneExist": str, "ifModifiedSince": ref("instant")}, "method", "url")
	response := element("What became of the entry.", object{"status": text("Starts with the HTTP status."), "location": str, "etag": str, "lastModified": ref("instant"), "outcome": res}, "status")
	return object{
		"SearchBundle":     bundle("A page of results. What was included, and warnings, are marked by search.mode.", element("", object{"fullUrl": str, "resource": res, "search": element("", object{"mode": enum("match", "include", "outcome")})}, "resource"), "searchset"),
		"HistoryBundle":    bundle("Versions, the newest first; a deletion is an entry without resource.", element("", object{"fullUrl": str, "resource": res, "request": request, "response": response}, "request", "response"), "history"),
		"CollectionBundle": bundle("Derived resources, and the stored ones that they rest on.", element("", object{"fullUrl": str, "resource": res}, "resource"), "collection"),
		"RequestBundle":    bundle("A batch, whose entries stand alone, or a transaction, done as one or not at all. A PATCH entry carries a Binary with a JSON Patch.", element("", object{"fullUrl": text("urn:uuid:… or the URL by which other entries refer to it."), "resource": ref("Resource"), "request": request}, "request"), "batch", "transaction"),
		"ResponseBundle":   bundle("One entry for each that was sent, in the same order.", element("", object{"resource": res, "response": response}, "response"), "batch-response", "transaction-response"),
	}
}

const observationCategory = "http://terminology.hl7.org/CodeSystem/observation-category"

// entries are the drain entries of the service's own profiles.
func entries(src Source) object {
	hasExam := object{"type": "array", "items": ref("CodeableConcept"), "contains": object{"properties": object{"coding": object{"contains": object{
		"properties": object{"system": object{"const": observationCategory}, "code": object{"const": "exam"}}, "required": required("system", "code")}}}, "required": required("coding")}}
	entry := func(description string, properties object, more object, must ...string) object {
		p := object{"category": hasExam, "effectiveDateTime": described(ref("instant"), "When, to the second, with a zone; not in the future.")}
		for k, v := range properties {
			p[k] = v
		}
		rule := object{"properties": p, "required": required(append([]string{"category", "subject", "device", "effectiveDateTime", "performer"}, must...)...)}
		for k, v := range more {
			rule[k] = v
		}
		return object{"description": description, "allOf": list{ref("Observation"), rule}}
	}
	var sets []string
	for _, s := range src.Codes {
		sets = append(sets, s.Name+": "+strings.Join(s.Codes, ", ")+".")
	}
	codes := strings.Join(sets, " ")
	return object{
		"Component": element("A component: what it is about and its value.", object{
			"code": ref("CodeableConcept"), "valueQuantity": ref("Quantity"), "valueCodeableConcept": ref("CodeableConcept"), "valueString": object{"type": "string"},
			"valueBoolean": object{"type": "boolean"}, "valueInteger": object{"type": "integer"}, "dataAbsentReason": ref("CodeableConcept")}, "code"),
		"Emptying": entry("A reservoir was emptied. valueQuantity is the volume, or dataAbsentReason says why there is none; an unmeasured volume is never 0. Components: appearance (LOINC 72290-0), colour (72289-2), odour (72288-4), suction-state after closing, reservoir-fill in % before emptying, measuring-vessel, which gives the reading its resolution, instilled-volume of irrigant since the last emptying, patency, dislodged. Codes: "+codes,
			object{"valueQuantity": ref("Volume")},
			object{"oneOf": list{object{"required": required("valueQuantity")}, object{"required": required("dataAbsentReason")}}}),
		"ReservoirCheck": entry("A reservoir was looked at and not emptied: fill and suction, no volume.",
			nil, object{"not": object{"required": required("valueQuantity")}}, "component"),
		"SiteAssessment": entry("The skin and suture around a drain: redness, swelling, warmth, tenderness, leakage, pus (true: present) and suture (true: intact). An Observation of its own, so that the right to chart it can be granted apart.",
			object{"component": array(object{"allOf": list{ref("Component"), object{"anyOf": list{object{"required": required("valueBoolean")}, object{"required": required("dataAbsentReason")}}}}})},
			object{"not": object{"required": required("valueQuantity")}}, "component"),
		"IntakeOutput": object{"description": "Fluid that went in or out by another way than a drain: urine, emesis, oral, IV. It makes the balance a real one.",
			"allOf": list{ref("Observation"), object{"required": required("subject")}}},
	}
}

func schemas(src Source) object {
	out := object{
		"SmartConfiguration": element("SMART App Launch 2 configuration, as far as it is true of this deployment.", object{
			"issuer": object{"type": "string"}, "jwks_uri": object{"type": "string"}, "authorization_endpoint": object{"type": "string"}, "token_endpoint": object{"type": "string"},
			"scopes_supported": object{"type": "array", "items": object{"type": "string"}}, "capabilities": object{"type": "array", "items": object{"type": "string"}}}, "capabilities"),
		"JSONPatch": object{"description": "RFC 6902.", "type": "array", "items": element("", object{
			"op": enum("add", "remove", "replace", "move", "copy", "test"), "path": object{"type": "string"}, "from": object{"type": "string"}, "value": object{}}, "op", "path")},
	}
	for _, part := range []object{primitives(), dataTypes(), resources(src), bundles(), entries(src)} {
		for k, v := range part {
			out[k] = v
		}
	}
	return out
}
