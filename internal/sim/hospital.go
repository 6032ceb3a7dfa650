package sim

import (
	"fmt"
	"math/rand/v2"
	"strconv"
	"time"

	"tidemark/fhirmap"
	"tidemark/internal/fhirjson"
)

// hospital is all that is simulated. Its clock counts minutes since 1970.
type hospital struct {
	Options
	start, end int64
	beds       []bed
	queue      []Step
	posted     int
}

const hospitalID = "hospital"

// Staff of a ward. Half of the nurses and assistants work by day.
const (
	nurses     = 8
	assistants = 4
)

func newHospital(o Options) *hospital {
	h := &hospital{Options: o, end: o.End.Unix() / 60}
	h.start = h.end - int64(o.Days)*24*60
	h.beds = make([]bed, o.Wards*o.Patients)
	for i := range h.beds {
		h.beds[i] = bed{h: h, ward: i / o.Patients, number: i % o.Patients, admit: never, leave: never}
		h.beds[i].plan(0)
	}
	return h
}

func (h *hospital) clock(minute int64) time.Time { return time.Unix(minute*60, 0).In(h.Zone) }

// date is the moment as FHIR text.
func (h *hospital) date(minute int64) string { return h.clock(minute).Format(layout) }

const layout = "2006-01-02T15:04:05-07:00"

// put posts a resource a number of seconds after the minute.
func (h *hospital) put(minute, seconds int64, typ, id string, b body) {
	h.post(Step{At: time.Unix(minute*60+seconds, 0).In(h.Zone), Method: Put, Type: typ, ID: id, body: b})
}

func (h *hospital) post(s Step) {
	s.order = h.posted
	h.posted++
	h.queue = append(h.queue, s)
}

func (h *hospital) node(minute int64, n *fhirjson.Node) {
	h.put(minute, 0, n.Str("resourceType"), n.Str("id"), n)
}

// open posts the resources that exist before the first patient arrives.
func (h *hospital) open() {
	place := func(id, name, kind, display, partOf string) {
		n := fhirjson.Obj("resourceType", "Location", "id", id, "identifier", identifier("places", id), "status", "active", "name", name, "mode", "instance",
			"physicalType", fhirjson.Obj("coding", fhirjson.Arr(coding(physicalType, kind, display))))
		if partOf != "" {
			n.Set("partOf", reference("Location", partOf))
		}
		h.node(h.start, n)
	}
	person := func(id, title, name string) {
		h.node(h.start, fhirjson.Obj("resourceType", "Practitioner", "id", id, "identifier", identifier("staff", id), "active", true,
			"name", fhirjson.Arr(fhirjson.Obj("text", title+" "+name, "family", name, "prefix", fhirjson.Arr(title)))))
	}
	place(hospitalID, "Simulated Hospital", "bu", "Building", "")
	for w := range h.Wards {
		place(wardID(w), fmt.Sprintf("Surgical Ward %d", w+1), "wa", "Ward", hospitalID)
		for b := range h.Patients {
			place(bedID(w, b), fmt.Sprintf("Bed %d", b+1), "bd", "Bed", wardID(w))
		}
		for i := range nurses {
			person(nurseID(w, i), "Nurse", plants[i%len(plants)])
		}
		for i := range assistants {
			person(assistantID(w, i), "Assistant", plants[(nurses+i)%len(plants)])
		}
	}
}

func wardID(w int) string         { return fmt.Sprintf("ward-%02d", w+1) }
func bedID(w, b int) string       { return fmt.Sprintf("ward-%02d-bed-%02d", w+1, b+1) }
func nurseID(w, i int) string     { return fmt.Sprintf("nurse-%02d-%d", w+1, i+1) }
func assistantID(w, i int) string { return fmt.Sprintf("assistant-%02d-%d", w+1, i+1) }

// bed is a bed and the patient in it. In a long run one patient follows another.
type bed struct {
	h            *hospital
	ward, number int
	stay         int   // number of the stay, from 0
	admit        int64 // when the patient of the stay comes, and goes
	leave        int64
	// anchor is when the stay's last hours end: at leave, or where the charting
	// ends first, there. Courses are laid out before it.
	anchor int64

	rand    *rand.Rand
	mess    *rand.Rand // random numbers for untidiness only, so that the rest is the same with and without it
	patient string     // "" while the bed is empty
	course  *Course
	tubes   []*tube
	fluids  fluids
}

const never = int64(1) << 40

// stayDays is how long a patient stays in a run of many days. Ours.
const stayDays = 5

// plan sets the dates of a stay; the stays divide the run into equal parts.
func (b *bed) plan(stay int) {
	h := b.h
	stays := int64(max(1, (h.Days+stayDays/2)/stayDays))
	length := (h.end - h.start) / stays
	from := h.start + int64(stay)*length
	b.stay, b.leave = stay, never
	if int64(stay) >= stays {
		b.admit = never
		return
	}
	number := stay*h.Patients + b.number
	b.rand = rand.New(rand.NewPCG(h.Seed, uint64(b.ward)<<32|uint64(number)))
	b.mess = rand.New(rand.NewPCG(h.Seed+1<<63, uint64(b.ward)<<32|uint64(number)))
	// All admissions are in the first third of the time, so that even the last
	// patient has a few days of history.
	b.admit = from + 5 + b.rand.Int64N(length/3)
	b.anchor = from + length
	if int64(stay) < stays-1 {
		b.anchor -= 30 + b.rand.Int64N(120)
		b.leave = b.anchor
	}
	offset := rand.New(rand.NewPCG(h.Seed, 1)).IntN(len(courses))
	b.course = &courses[(offset+b.ward*h.Patients+number)%len(courses)]
	if h.Events > 0 {
		b.course = b.measured()
	}
}

// advance simulates the bed up to until.
func (b *bed) advance(until int64) {
	for {
		if b.patient == "" {
			if b.admit >= until {
				return
			}
			b.receive()
		}
		next := b.fluids.next()
		var tube *tube // whose turn it is; nil: the other fluids'
		for _, t := range b.tubes {
			if n := t.next(); n < next {
				next, tube = n, t
			}
		}
		if b.leave < until && b.leave <= next {
			b.discharge()
			b.plan(b.stay + 1)
			continue
		}
		if next >= until {
			return
		}
		if tube != nil {
			tube.act(next)
		} else {
			b.fluids.act(next)
		}
	}
}

// between draws a whole number from lo to hi, both included.
func (b *bed) between(lo, hi int64) int64 { return lo + b.rand.Int64N(hi-lo+1) }

// chance is true with a probability in percent.
func (b *bed) chance(percent int) bool { return b.rand.IntN(100) < percent }

// receive posts the patient's arrival from theatre, drains in place.
func (b *bed) receive() {
	h, at := b.h, b.admit
	number := b.stay*h.Patients + b.number + 1
	b.patient = fmt.Sprintf("p-%02d-%d", b.ward+1, number)
	pick := b.ward*h.Patients*7 + number*3 + int(h.Seed%97)
	family, given := rivers[pick%len(rivers)], trees[(pick/len(rivers)+number)%len(trees)]
	h.node(at, fhirjson.Obj("resourceType", "Patient", "id", b.patient,
		"meta", fhirjson.Obj("tag", fhirjson.Arr(coding(actReason, "HTEST", "test health data"))),
		"identifier", identifier("patients", b.patient), "active", true,
		"name", fhirjson.Arr(fhirjson.Obj("use", "official", "family", family, "given", fhirjson.Arr(given))),
		"gender", [...]string{"female", "male"}[b.rand.IntN(2)],
		"birthDate", fmt.Sprintf("%d-%02d-%02d", 1938+b.rand.IntN(60), 1+b.rand.IntN(12), 1+b.rand.IntN(28))))
	h.node(at, b.encounter(never))
	b.tubes = nil
	for i := range b.course.ports {
		b.tubes = append(b.tubes, b.place(i))
	}
	b.fluids = b.newFluids()
}

func (b *bed) encounter(end int64) *fhirjson.Node {
	status, period, place := "in-progress", fhirjson.Obj("start", b.h.date(b.admit)), "active"
	if end != never {
		status, place = "finished", "completed"
		period.Set("end", fhirjson.Str(b.h.date(end)))
	}
	return fhirjson.Obj("resourceType", "Encounter", "id", stayID(b.patient), "identifier", identifier("stays", b.patient),
		"status", status, "class", coding(fhirmap.ActCode, "IMP", "inpatient encounter"),
		"subject", reference("Patient", b.patient), "period", period,
		"location", fhirjson.Arr(
			fhirjson.Obj("location", reference("Location", wardID(b.ward))),
			fhirjson.Obj("location", reference("Location", bedID(b.ward, b.number)), "status", place)))
}

func stayID(patient string) string { return patient + "-stay" }

// discharge posts the removal of the last drains and the patient's discharge home.
func (b *bed) discharge() {
	for _, t := range b.tubes {
		if !t.out {
			t.remove(b.leave)
		}
	}
	end := b.encounter(b.leave)
	b.h.put(b.leave, 20*60, "Encounter", end.Str("id"), end)
	b.patient, b.tubes = "", nil
}

// onDuty is one of the people of the shift, which lasts from 7 to 19 or the
// other half of the day.
func (b *bed) onDuty(at int64, assistant bool) string {
	shift := b.shift(at)
	half := int(shift & 1)
	if assistant {
		return assistantID(b.ward, half*assistants/2+(b.number+int(shift/2))%(assistants/2))
	}
	return nurseID(b.ward, half*nurses/2+(b.number/4+int(shift/2))%(nurses/2))
}

// shift numbers the shifts of the ward's clock; even ones are by day.
func (b *bed) shift(at int64) int64 {
	_, offset := b.h.clock(at).Zone()
	return (at + int64(offset)/60 - 7*60) / (12 * 60)
}

// Systems of the simulated hospital's own identifiers, and code systems that
// only what stands around a drain needs.
const (
	identifiers  = "http://hospital.example.org/"
	physicalType = "http://terminology.hl7.org/CodeSystem/location-physical-type"
	actReason    = "http://terminology.hl7.org/CodeSystem/v3-ActReason"
)

func identifier(system, value string) *fhirjson.Node {
	return fhirjson.Arr(fhirjson.Obj("system", identifiers+system, "value", value))
}

func reference(typ, id string) *fhirjson.Node { return fhirjson.Obj("reference", typ+"/"+id) }

func coding(system, code, display string) *fhirjson.Node {
	n := fhirjson.Obj("system", system, "code", code)
	if display != "" {
		n.Set("display", fhirjson.Str(display))
	}
	return n
}

func quantity(value int64, unit string) *fhirjson.Node {
	return fhirjson.Obj("value", fhirjson.Num(strconv.FormatInt(value, 10)), "unit", unit, "system", fhirmap.UCUM, "code", unit)
}

// Nobody bears these names: staff are called after plants, patients after trees
// and rivers.
var (
	plants = [...]string{"Alder", "Bracken", "Clover", "Damson", "Elder", "Fern", "Gorse", "Hawthorn", "Ivy", "Juniper", "Knapweed", "Lavender"}
	trees  = [...]string{"Acacia", "Almond", "Aspen", "Cedar", "Cypress", "Hazel", "Holly", "Laurel", "Linden", "Maple", "Myrtle", "Olive", "Poplar", "Rowan", "Spruce", "Tamarind", "Willow", "Yew", "Larch"}
	rivers = [...]string{"Aare", "Clyde", "Danube", "Ebro", "Elbe", "Garonne", "Isar", "Loire", "Mosel", "Neckar", "Oder", "Ouse", "Po", "Rhone", "Saale", "Severn", "Spree", "Tagus", "Tamar", "Tiber", "Tweed", "Vistula", "Weser"}
)
