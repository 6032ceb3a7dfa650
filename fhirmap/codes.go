package fhirmap

import "tidemark/internal/drain"

// Code systems.
const (
	Canonical = "http://tidemark.example.org/fhir"
	Local     = Canonical + "/CodeSystem/drain"
	LOINC     = "http://loinc.org"
	SNOMED    = "http://snomed.info/sct"
	UCUM      = "http://unitsofmeasure.org"
	Category  = "http://terminology.hl7.org/CodeSystem/observation-category"
	Absent    = "http://terminology.hl7.org/CodeSystem/data-absent-reason"
	ActCode   = "http://terminology.hl7.org/CodeSystem/v3-ActCode"
)

// Local codes that name what an Observation or a component is about.
const (
	CodeOutput      = "drain-output"
	CodeCheck       = "reservoir-check"
	CodeSite        = "drain-site-assessment"
	CodeSuction     = "suction-state"
	CodeFill        = "reservoir-fill"
	CodeVessel      = "measuring-vessel"
	CodeInstilled   = "instilled-volume"
	CodePatency     = "patency"
	CodeDislodged   = "dislodged"
	CodeCare        = "drain-care"
	CodeCapacity    = "reservoir-capacity"
	CodeCompartment = "compartment"
	CodeEstimated   = "estimated"
	CodeMeasured    = "measured"
	CodeOtherOutput = "other-output"
	CodeOtherIntake = "other-intake"
	CodeBlood       = "intake-blood"
	CodeIrrigation  = "intake-irrigation"
	CodeWalk        = "planned-walk"
)

// LOINC codes of the components of an emptying: exudate from wound.
const (
	LOINCAppearance = "72290-0"
	LOINCColour     = "72289-2"
	LOINCOdour      = "72288-4"
	LOINCWeight     = "29463-7" // body weight
)

// outputCodes are the codes of drain output by compartment. All are LOINC
// point-in-time volumes (property Vol), except the local one. 9203-1, 9179-3,
// 9113-2, 9129-8, 9168-6: LOINC class IO_OUT, as MIMIC-IV's and the German
// ICU module's published mappings use them.
var outputCodes = map[string]drain.Compartment{
	"9203-1": drain.Wound,
	"9179-3": drain.Peritoneal,
	"9113-2": drain.Biliary,
	"9129-8": drain.Pleural,
	"9168-6": drain.Pericardial,
}

// OutputCode is the LOINC code and display for a compartment's output; ok is false if
// only the local code fits.
func OutputCode(c drain.Compartment) (code, display string, ok bool) {
	switch c {
	case drain.Wound:
		return "9203-1", "Fluid output wound drain", true
	case drain.Peritoneal:
		return "9179-3", "Fluid output peritoneal drain", true
	case drain.Biliary:
		return "9113-2", "Fluid output biliary drain", true
	case drain.Pleural:
		return "9129-8", "Fluid output chest tube", true
	case drain.Pericardial:
		return "9168-6", "Fluid output pericardial drain", true
	}
	return "", "", false
}

// A flow is an intake or output without a drain. Only point-in-time volumes
// are listed: totals and timed codes would count a volume twice.
type flow struct {
	in    bool
	label string
}

var flows = map[string]flow{
	"9187-6":  {false, "Urine output"},
	"9195-9":  {false, "Urine output by in and out urethral catheter"},
	"79549-2": {false, "Urine output measured by nephrostomy"},
	"73704-9": {false, "Fluid output nasogastric tube"},
	"9149-6":  {false, "Fluid output gastric tube"},
	"79561-7": {false, "Fluid output enteral tube"},
	"79560-9": {false, "Fluid output gastrointestinal ostomy"},
	"9137-1":  {false, "Fluid output emesis"},
	"9217-1":  {false, "Output stool"},
	"81661-1": {false, "Blood loss"},
	"79559-1": {false, "Fluid output gastrointestinal drain"},
	"79557-5": {false, "Fluid output musculoskeletal drain"},
	"79556-7": {false, "Fluid output neurological drain"},
	"9161-1":  {false, "Fluid output miscellaneous"},
	"9000-1":  {true, "Fluid intake oral"},
	"8999-5":  {true, "Fluid intake oral, estimated"},
	"8974-8":  {true, "Fluid intake intravascular, estimated"},
	"8975-5":  {true, "Fluid intake intravascular"},
	"8953-2":  {true, "Fluid intake enteral tube"},
}

var localFlows = map[string]flow{
	CodeOtherOutput: {false, "Other output"},
	CodeOtherIntake: {true, "Other intake"},
	CodeBlood:       {true, "Intake of blood products"},
	CodeIrrigation:  {true, "Intake by irrigation"},
}

var appearances = map[string]drain.Appearance{
	"clear": drain.Clear, "serous": drain.Serous, "serosanguineous": drain.Serosanguineous, "sanguineous": drain.Sanguineous,
	"purulent": drain.Purulent, "bilious": drain.Bilious, "chylous": drain.Chylous, "feculent": drain.Feculent,
	"urine-like": drain.UrineLike, "other": drain.OtherLook,
}

// SNOMED CT codes accepted for appearance beside the local ones: those of the
// Global Patient Set (CC BY 4.0) only.
var snomedAppearances = map[string]drain.Appearance{
	"263707001": drain.Clear, "70150004": drain.Bilious, "39477002": drain.Feculent, "78014005": drain.UrineLike,
	"87612001": drain.Sanguineous,
}

var suctions = map[string]drain.Suction{"charged": drain.Charged, "lost": drain.Lost, "off": drain.Off}

var patencies = map[string]drain.Patency{"patent": drain.Patent, "sluggish": drain.Sluggish, "occluded": drain.Occluded}

var vessels = map[string]drain.Vessel{
	"medicine-cup": drain.MedicineCup, "specimen-cup": drain.SpecimenCup, "graduated-cylinder": drain.GraduatedCylinder,
	"syringe": drain.Syringe, "reservoir-markings": drain.ReservoirMarkings, "scale": drain.Scale,
}

var cares = map[string]drain.Care{
	"port-cleaned": drain.PortCleaned, "tubing-milked": drain.TubingMilked, "re-secured": drain.ReSecured,
	"dressing-changed": drain.DressingChanged, "recompressed": drain.Recompressed,
}

// foulOdour is SNOMED CT for an offensive odour, accepted beside words.
const foulOdour = "447547000"

var compartments = map[string]drain.Compartment{
	"wound": drain.Wound, "peritoneal": drain.Peritoneal, "biliary": drain.Biliary, "pleural": drain.Pleural, "pericardial": drain.Pericardial,
}

// signs are the boolean components of a site assessment: true means present.
// "suture" is the exception: true means intact.
var signs = map[string]drain.Sign{
	"redness": drain.Redness, "swelling": drain.Swelling, "warmth": drain.Warmth, "tenderness": drain.Tenderness,
	"leakage": drain.Leakage, "pus": drain.Pus,
}

const codeSuture = "suture"

// CompartmentOf is the body space that the code of an emptying names.
func CompartmentOf(system, code string) (drain.Compartment, bool) {
	c, ok := outputCodes[code]
	return c, ok && system == LOINC && c != drain.Unspecified
}
