package sim

import (
	"slices"
	"strconv"
	"time"

	"tidemark/fhirmap"
	"tidemark/internal/drain"
)

// observation is one entry, kept small until it is written as JSON.
type observation struct {
	id, status string
	patient    string
	device     string // "" for what has no drain
	code       string // category and code as JSON
	at         int64  // minutes
	posted     int64  // seconds
	zone       *time.Location
	by         string

	value     int64 // µL, mg, or eighths of an ounce; without a unit there is none
	unit      unit
	absent    string
	remark    string
	estimated bool
	looks     drain.Appearance
	colour    string
	suction   drain.Suction
	fill      int64 // percent; −1 not charted
	vessel    drain.Vessel
	instilled int64 // µL
	patency   drain.Patency
	dislodged bool
	milked    bool
	assessed  bool
	signs     []drain.Sign
}

// unit is a unit of charting.
type unit byte

const (
	noUnit unit = iota
	millilitre
	decilitre
	litre
	cubicCentimetre
	ounce
	kilogram
)

// units of volume that drains are charted in, millilitre first.
var units = [...]unit{millilitre, decilitre, litre, cubicCentimetre, ounce}

// ounceSize is the US fluid ounce in µL, to the µL.
const ounceSize = 29_574

// written says how a value in µL, mg or eighths becomes a number: times, and a
// power of ten to divide by.
var written = [...]struct {
	times  int64
	digits int
	json   string
}{
	millilitre:      {1, 3, quantityEnd("mL", "mL")},
	decilitre:       {1, 5, quantityEnd("dL", "dL")},
	litre:           {1, 6, quantityEnd("L", "L")},
	cubicCentimetre: {1, 3, quantityEnd("cm3", "cm3")},
	ounce:           {125, 3, quantityEnd("fl oz", "[foz_us]")},
	kilogram:        {1, 6, quantityEnd("kg", "kg")},
}

func quantityEnd(unit, code string) string {
	return `,"unit":"` + unit + `","system":"` + fhirmap.UCUM + `","code":"` + code + `"}`
}

// Category and code of an entry, as JSON.
var (
	codeCheck = about("exam", fhirmap.Local, fhirmap.CodeCheck, "")
	codeSite  = about("exam", fhirmap.Local, fhirmap.CodeSite, "")

	codeUrine   = about("exam", fhirmap.LOINC, "9187-6", "Urine output")
	codeEmesis  = about("exam", fhirmap.LOINC, "9137-1", "Fluid output emesis")
	codeOral    = about("exam", fhirmap.LOINC, "9000-1", "Fluid intake oral Measured")
	codeIV      = about("exam", fhirmap.LOINC, "8975-5", "")
	codeEnteral = about("exam", fhirmap.LOINC, "8953-2", "Fluid intake enteral tube Measured")
	codeWeight  = about("vital-signs", fhirmap.LOINC, fhirmap.LOINCWeight, "Body weight")

	codeOutput = func() map[drain.Compartment]string {
		m := map[drain.Compartment]string{}
		for _, c := range []drain.Compartment{drain.Wound, drain.Peritoneal, drain.Biliary, drain.Pleural} {
			code, display, _ := fhirmap.OutputCode(c)
			m[c] = about("exam", fhirmap.LOINC, code, display)
		}
		return m
	}()
)

func (p *port) output() string { return codeOutput[p.space] }

func about(category, system, code, display string) string {
	return `,"category":[{"coding":[{"system":"` + fhirmap.Category + `","code":"` + category + `"}]}],"code":` + concept(system, code, display, "")
}

func concept(system, code, display, text string) string {
	s := `{"coding":[{"system":"` + system + `","code":"` + code + `"`
	if display != "" {
		s += `,"display":"` + display + `"`
	}
	s += `}]`
	if text != "" {
		s += `,"text":"` + text + `"`
	}
	return s + `}`
}

// The components, each up to its value.
var (
	startAppearance = component(fhirmap.LOINC, fhirmap.LOINCAppearance, "Appearance of Exudate from wound") + localValue
	startColour     = component(fhirmap.LOINC, fhirmap.LOINCColour, "Color of Exudate from wound") + `"valueCodeableConcept":`
	startSuction    = component(fhirmap.Local, fhirmap.CodeSuction, "") + localValue
	startPatency    = component(fhirmap.Local, fhirmap.CodePatency, "") + localValue
	startVessel     = component(fhirmap.Local, fhirmap.CodeVessel, "") + localValue
	startFill       = component(fhirmap.Local, fhirmap.CodeFill, "") + `"valueQuantity":{"value":`
	startInstilled  = component(fhirmap.Local, fhirmap.CodeInstilled, "") + `"valueQuantity":{"value":`
	endFill         = quantityEnd("%", "%") + `}`
	dislodgedTrue   = component(fhirmap.Local, fhirmap.CodeDislodged, "") + `"valueBoolean":true}`

	tubeMilked = component(fhirmap.Local, fhirmap.CodeCare, "") + localValue + string(drain.TubingMilked) + localEnd

	methodMeasured  = concept(fhirmap.Local, fhirmap.CodeMeasured, "", "")
	methodEstimated = concept(fhirmap.Local, fhirmap.CodeEstimated, "", "")

	// Colours: SNOMED CT Global Patient Set where it has one.
	colours = map[string]string{
		"yellow": concept(fhirmap.SNOMED, "371244009", "", "yellow"),
		"green":  concept(fhirmap.SNOMED, "371246006", "", "green"),
		"brown":  concept(fhirmap.SNOMED, "371254008", "", "brown"),
		"red":    concept(fhirmap.SNOMED, "371240000", "", "red"),
		"white":  concept(fhirmap.SNOMED, "371251000", "", "white"),
		"pink":   `{"text":"pink"}`,
	}

	// Signs of a site assessment in the order written; pus is charted only where
	// there is some.
	siteSigns = [...]struct {
		sign  drain.Sign
		start string
	}{
		{drain.Redness, signStart("redness")}, {drain.Swelling, signStart("swelling")}, {drain.Warmth, signStart("warmth")},
		{drain.Tenderness, signStart("tenderness")}, {drain.Leakage, signStart("leakage")}, {drain.Pus, signStart("pus")},
		{drain.SutureLoose, signStart("suture")},
	}
)

const (
	localValue = `"valueCodeableConcept":{"coding":[{"system":"` + fhirmap.Local + `","code":"`
	localEnd   = `"}]}}`
)

func component(system, code, display string) string {
	return `{"code":` + concept(system, code, display, "") + `,`
}

func signStart(code string) string {
	return component(fhirmap.Local, code, "") + `"valueBoolean":`
}

// Append writes the Observation. No text in it needs escaping: they are ids and
// constants.
func (o *observation) Append(b []byte) []byte {
	b = append(b, `{"resourceType":"Observation","id":"`...)
	b = append(b, o.id...)
	b = append(b, `","identifier":[{"system":"`+identifiers+`charting","value":"`...)
	b = append(b, o.id...)
	b = append(b, `"}],"status":"`...)
	b = append(b, o.status...)
	b = append(b, '"')
	b = append(b, o.code...)
	b = append(b, `,"subject":{"reference":"Patient/`...)
	b = append(b, o.patient...)
	b = append(b, `"},"encounter":{"reference":"Encounter/`...)
	b = append(b, o.patient...)
	b = append(b, `-stay"},"effectiveDateTime":"`...)
	b = time.Unix(o.at*60, 0).In(o.zone).AppendFormat(b, layout)
	b = append(b, `","issued":"`...)
	b = time.Unix(o.posted, 0).In(o.zone).AppendFormat(b, layout)
	b = append(b, `","performer":[{"reference":"Practitioner/`...)
	b = append(b, o.by...)
	b = append(b, `"}]`...)
	if o.unit != noUnit {
		b = append(b, `,"valueQuantity":{"value":`...)
		b = appendQuantity(b, o.value, o.unit)
	}
	if o.absent != "" {
		b = append(b, `,"dataAbsentReason":{"coding":[{"system":"`+fhirmap.Absent+`","code":"`...)
		b = append(b, o.absent...)
		b = append(b, `"}]}`...)
	}
	if o.remark != "" {
		b = append(b, `,"note":[{"text":"`...)
		b = append(b, o.remark...)
		b = append(b, `"}]`...)
	}
	if o.device != "" && o.unit != noUnit {
		b = append(b, `,"method":`...)
		if o.estimated {
			b = append(b, methodEstimated...)
		} else {
			b = append(b, methodMeasured...)
		}
	}
	if o.device != "" {
		b = append(b, `,"device":{"reference":"Device/`...)
		b = append(b, o.device...)
		b = append(b, `"}`...)
	}
	return append(o.components(b), '}')
}

func (o *observation) components(b []byte) []byte {
	first := len(b)
	start := func(s string) {
		if len(b) == first {
			b = append(b, `,"component":[`...)
		} else {
			b = append(b, ',')
		}
		b = append(b, s...)
	}
	code := func(s, code string) {
		if code != "" {
			start(s)
			b = append(b, code...)
			b = append(b, localEnd...)
		}
	}
	code(startAppearance, string(o.looks))
	if o.colour != "" {
		start(startColour)
		b = append(b, colours[o.colour]...)
		b = append(b, '}')
	}
	code(startSuction, string(o.suction))
	if o.fill >= 0 {
		start(startFill)
		b = strconv.AppendInt(b, o.fill, 10)
		b = append(b, endFill...)
	}
	code(startVessel, string(o.vessel))
	if o.instilled > 0 {
		start(startInstilled)
		b = append(appendQuantity(b, o.instilled, millilitre), '}')
	}
	code(startPatency, string(o.patency))
	if o.milked {
		start(tubeMilked)
	}
	if o.dislodged {
		start(dislodgedTrue)
	}
	if o.assessed {
		for _, s := range siteSigns {
			present := slices.Contains(o.signs, s.sign)
			if s.sign == drain.Pus && !present {
				continue
			}
			start(s.start)
			b = strconv.AppendBool(b, present != (s.sign == drain.SutureLoose)) // suture: true is intact
			b = append(b, '}')
		}
	}
	if len(b) > first {
		b = append(b, ']')
	}
	return b
}

func appendQuantity(b []byte, v int64, u unit) []byte {
	w := &written[u]
	return append(appendDecimal(b, v*w.times, w.digits), w.json...)
}

// appendDecimal writes n / 10^digits without trailing zeros; n is not negative.
func appendDecimal(b []byte, n int64, digits int) []byte {
	for digits > 0 && n%10 == 0 {
		n, digits = n/10, digits-1
	}
	if digits == 0 {
		return strconv.AppendInt(b, n, 10)
	}
	pow := int64(1)
	for range digits {
		pow *= 10
	}
	b = append(strconv.AppendInt(b, n/pow, 10), '.')
	for rest := n % pow; pow > 1; rest %= pow {
		pow /= 10
		b = append(b, byte('0'+rest/pow))
	}
	return b
}
