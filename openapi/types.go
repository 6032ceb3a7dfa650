package openapi

// needs says for each type what a resource needs to be accepted, and what it does here,
// for those who write one.
var needs = map[string]string{
	"Observation":        "A drain entry. An emptying needs status, category exam, the code of the compartment (wound 9203-1, for instance), subject, device, effectiveDateTime with a zone, performer, and valueQuantity in a UCUM volume, or dataAbsentReason where it was not measured; components say appearance, suction state and vessel. A reservoir check has no volume, a site assessment has the code drain-site-assessment, other intake and output have no device. Send an identifier and If-None-Exist, so that a repeated request makes no second entry.",
	"Device":             "A drain. It needs status; give it deviceName (what the staff call it), type (bulb, for instance) and the property reservoir-capacity in mL, from which the half-full time is predicted (100 mL without it). A DeviceUseStatement says in whom it is.",
	"DeviceUseStatement": "A placement: it needs status active, subject, device and timingPeriod.start; bodySite says where. A drain is in one place at a time: overlapping placements are refused. To end one, update it with status completed (or stopped, where the drain came out by itself) and timingPeriod.end.",
	"Patient":            "The person with the drain. Nothing is required; an identifier lets other systems find the record, and a name is shown on the ward page.",
	"Encounter":          "The stay in hospital: it needs status, class and subject. Its location is the bed, and the ward that the bed is partOf, where the patient's drains are listed; update it to transfer or to discharge.",
	"Location":           "A ward, a room or a bed. Give name, physicalType (wa for a ward, bd for a bed) and partOf: a bed leads to its ward by it.",
	"Practitioner":       "A member of staff, whom entries name as performer.",
	"PractitionerRole":   "What a member of staff does where.",
	"Organization":       "A hospital or a department.",
	"Group":              "Patients that are exported together: it needs type person, actual true, and members.",
	"Provenance":         "Who did what, and when: it needs target, recorded and agent. The service writes one for each correction and each acknowledgement.",
	"Task":               "A planned walk or journey: it needs status, intent, the code planned-walk, for (the patient) and restriction.period.start. The patient's drains are due before it, until it is completed, cancelled or past.",
	"Subscription":       "A request to be told: it needs status requested, reason, criteria (a search on one type, or a topic) and a rest-hook channel whose endpoint is on the service's --webhook-allow. The section on webhooks shows what is sent.",
	"DetectedIssue":      "A concern. The service writes it; $acknowledge answers it.",
	"AuditEvent":         "Who read or wrote what. The service writes it.",
}

// changing says what an update or a patch of a type does besides the new version.
var changing = map[string]string{
	"Observation":        "Send the whole entry with status corrected or amended, or entered-in-error to withdraw it; totals, concerns and due times follow at once, and a Provenance keeps who changed which version.",
	"Device":             "A drain that is made inactive while it is placed stays listed, and raises a concern.",
	"DeviceUseStatement": "A change that would leave entries outside every placement is refused.",
	"Encounter":          "A transfer moves the drains to the other ward at once; totals of before stay with the ward of before.",
}
