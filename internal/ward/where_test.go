package ward

import (
	"fmt"
	"strings"
	"testing"

	"tidemark/internal/fhirjson"
)

func location(id, in, kind string) obj {
	n := fhirjson.Obj("resourceType", "Location", "id", id, "name", "The "+id)
	if in != "" {
		n.Set("partOf", reference("Location", in))
	}
	if kind != "" {
		n.Set("physicalType", code("http://terminology.hl7.org/CodeSystem/location-physical-type", kind))
	}
	return n
}

func encounter(id, patient, state, place string) obj {
	n := fhirjson.Obj("resourceType", "Encounter", "id", id, "status", state, "class", fhirjson.Obj("system", "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code", "IMP"),
		"subject", reference("Patient", patient))
	if place != "" {
		n.Set("location", fhirjson.Arr(fhirjson.Obj("location", reference("Location", place), "status", "active")))
	}
	return n
}

// lists says of each ward which drains its status and its due list have.
func (h *hospital) lists(wards ...string) string {
	h.Helper()
	var out []string
	for _, w := range wards {
		statuses, err := h.LocationStatus(h.Context(), w)
		if err != nil {
			h.Fatal(err)
		}
		due, err := h.EmptyingDue(h.Context(), w)
		if err != nil {
			h.Fatal(err)
		}
		var a, b []string
		for _, st := range statuses {
			a = append(a, st.Drain.ID)
		}
		for _, d := range due {
			b = append(b, d.Drain.ID)
		}
		if strings.Join(a, " ") != strings.Join(b, " ") {
			h.Errorf("%s: the status lists %v, what is due %v", w, a, b)
		}
		out = append(out, fmt.Sprintf("%s: %s", w, strings.Join(a, " ")))
	}
	return strings.Join(out, ", ")
}

func (h *hospital) wantLists(when, want string, wards ...string) {
	h.Helper()
	if got := h.lists(wards...); got != want {
		h.Errorf("%s: %q, want %q", when, got, want)
	}
}

// A drain is where its patient is; a transfer moves it at once, everywhere. One
// whose placement is open is listed whatever its Device says.
func TestDrainGoesWithThePatient(t *testing.T) {
	h := newHospital(t)
	h.at(1)
	h.put(location("w1", "", "wa"), location("w2", "", "wa"), location("bed", "w1", "bd"), with(device("d1"), "location", reference("Location", "w1")), emptying("e1", 1, "10"))
	h.wantLists("without an Encounter", "w1: d1, w2: , bed: ", "w1", "w2", "bed")
	h.put(encounter("s1", "p1", "in-progress", "bed"))
	h.wantLists("in a bed", "w1: d1, w2: , bed: d1", "w1", "w2", "bed")
	h.put(encounter("s1", "p1", "in-progress", "w2"))
	h.wantLists("transferred", "w1: , w2: d1, bed: ", "w1", "w2", "bed")
	h.put(with(device("d1"), "location", reference("Location", "w1"), "status", "inactive"))
	h.wantLists("the Device is out of use, the drain in place", "w2: d1", "w2")
	h.commit(deletion("Encounter", "s1"))
	h.wantLists("and without an Encounter", "w1: d1", "w1")
	if sts, err := h.PatientStatus(t.Context(), "p1"); err != nil || len(sts) != 1 {
		t.Errorf("of the patient: %d, %v", len(sts), err)
	}
	h.put(removed(placement("d1", "p1", t0), "completed", t0.Add(span(1))))
	h.wantLists("removed", "w1: ", "w1")
}

// The sweep looks at a drain in place whose Device is out of use.
func TestSweepOfIdleDevices(t *testing.T) {
	h := newHospital(t)
	h.at(1)
	h.put(status(device("d1"), "inactive"), emptying("e1", 1, "10"))
	h.at(20)
	h.sweep(true)
	if h.one("overdue").ID == "" {
		t.Error("nothing was found overdue")
	}
}

// A patient who went home with a drain has left the ward's lists; other limits
// hold, and the drain is still among the patient's.
func TestHome(t *testing.T) {
	h := newHospital(t)
	h.at(1)
	h.put(location("w1", "", "wa"), with(device("d1"), "location", reference("Location", "w1")), encounter("s1", "p1", "in-progress", "w1"), emptying("e1", 1, "1"))
	h.wantLists("on the ward", "w1: d1", "w1")
	h.put(with(encounter("s1", "p1", "finished", "w1"), "period", fhirjson.Obj("end", t0.Add(span(1)).Format("2006-01-02T15:04:05Z07:00"))))
	h.wantLists("gone home", "w1: ", "w1")
	h.at(10)
	h.sweep(true)
	h.want("overdue", "")
	sts, err := h.PatientStatus(t.Context(), "p1")
	if err != nil || len(sts) != 1 || !sts[0].Due.At.Equal(t0.Add(span(13))) {
		t.Fatalf("%+v, %v", sts, err)
	}
	h.at(36.9)
	h.sweep(true)
	h.want("stale", "")
	h.at(37.1)
	h.sweep(true)
	h.want("stale", "moderate e1")
	h.put(encounter("s2", "p1", "in-progress", "w1"))
	h.wantLists("back again", "w1: d1", "w1")
}

// What $emptying-due says beside the time: bed, ward, fill, and the planned walk.
func TestDueList(t *testing.T) {
	h := newHospital(t)
	h.at(4)
	walk := func(state, start string) obj {
		return fhirjson.Obj("resourceType", "Task", "id", "walk", "status", state, "intent", "plan", "code", local("planned-walk"), "for", reference("Patient", "p1"),
			"restriction", fhirjson.Obj("period", fhirjson.Obj("start", start)))
	}
	h.put(location("w1", "", "wa"), location("room", "w1", "ro"), location("bed", "room", "bd"), encounter("s1", "p1", "in-progress", "bed"),
		with(patient("p1"), "name", fhirjson.Arr(fhirjson.Obj("family", "Alder", "given", fhirjson.Arr("Ann")))),
		emptying("e1", 2, "20"), emptying("e2", 3, "20"), device("d2"), placement("d2", "p1", t0), onDrain(emptying("e3", 2, "5"), "d2", "p1"))
	for _, place := range []string{"w1", "bed"} {
		rows, err := h.EmptyingDue(t.Context(), place)
		if err != nil || len(rows) != 2 {
			t.Fatalf("%s: %+v, %v", place, rows, err)
		}
		r := rows[0]
		// 20 mL/h since 3 h: 20 mL now, 50 mL at 5.5 h.
		if r.Drain.ID != "d1" || r.Bed.Name != "The bed" || r.Ward.Name != "The w1" || r.Due.Level.Text(0) != "20" || r.Due.Mark.Text(0) != "50" || r.Due.Capacity.Text(0) != "100" || !r.Due.At.Equal(t0.Add(span(5.5))) {
			t.Errorf("%s: %+v", place, r)
		}
	}
	if name, err := h.Service.Name(t.Context(), "p1"); name != "Alder, Ann" || err != nil {
		t.Errorf("%q, %v", name, err)
	}
	first := func() string {
		rows, err := h.EmptyingDue(t.Context(), "w1")
		if err != nil {
			t.Fatal(err)
		}
		return fmt.Sprint(rows[0].Due.Reason, rows[1].Due.Reason, rows[0].Due.At.Sub(t0))
	}
	h.put(walk("requested", "2026-11-23T12:30:00Z"))
	if got := first(); got != "planned planned 4h30m0s" && got != "plannedplanned4h30m0s" {
		t.Errorf("a walk in half an hour: %s", got)
	}
	h.put(walk("completed", "2026-11-23T12:30:00Z"))
	if got := first(); strings.Contains(got, "planned") {
		t.Errorf("a walk that is over: %s", got)
	}
	h.put(walk("requested", "2026-11-23T07:30:00Z"))
	if got := first(); strings.Contains(got, "planned") {
		t.Errorf("a walk that is past: %s", got)
	}
	_, err := h.Commit(t.Context(), puts(with(walk("requested", "2026-11-23T12:30:00Z"), "restriction", fhirjson.Obj("period", fhirjson.Obj("end", "2026-11-23T12:30:00Z")))), nil)
	if got := refusal(err); !strings.Contains(got, "Task.restriction.period.start") {
		t.Errorf("a walk without a time: %s", got)
	}
}

// One look that is darker is to be repeated within the hour.
func TestLookAgainIsDue(t *testing.T) {
	h := newHospital(t)
	h.at(4)
	h.put(location("w1", "", "wa"), encounter("s1", "p1", "in-progress", "w1"), emptying("e1", 2, "5", looks("serous")), emptying("e2", 3.5, "5", looks("serosanguineous")))
	due := func() string {
		rows, err := h.EmptyingDue(t.Context(), "w1")
		if err != nil || len(rows) != 1 {
			t.Fatal(rows, err)
		}
		return fmt.Sprint(rows[0].Due.Reason, " ", rows[0].Due.At.Sub(t0))
	}
	if got := due(); got != "look-again 4h30m0s" {
		t.Errorf("after one darker look: %s", got)
	}
	h.put(check("c1", 4, looks("serous")))
	if got := due(); strings.HasPrefix(got, "look-again") {
		t.Errorf("after a look that is not: %s", got)
	}
}
