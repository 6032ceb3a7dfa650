package ward

import (
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	"tidemark/internal/fault"
	"tidemark/internal/fhirjson"
	"tidemark/internal/store"
)

// refusal words an error as "code expression: text", all issues.
func refusal(err error) string {
	if err == nil {
		return ""
	}
	var words []string
	for _, is := range fault.Of(err).Issues {
		words = append(words, is.Code+" "+strings.Join(is.Expression, ",")+": "+is.Diagnostics)
	}
	return strings.Join(words, "\n")
}

func TestWrongDrain(t *testing.T) {
	after := func(hours float64) time.Time { return t0.Add(span(hours)) }
	for name, c := range map[string]struct {
		world   []obj // beside p1, p2 and d1, placed in p1 at t0
		entry   obj
		refused string // how the refusal begins, "" for none
		says    string // what it says besides
	}{
		"right":                          {nil, emptying("e", 2, "10"), "", ""},
		"unknown":                        {nil, onDrain(emptying("e", 2, "10"), "d9", "p1"), "not-found Observation.device: ", "No drain Device/d9 is registered"},
		"of another":                     {nil, onDrain(emptying("e", 2, "10"), "d1", "p2"), "business-rule Observation.subject: Wrong drain?", "at the bedside"},
		"as it was placed":               {nil, emptying("e", 0, "0"), "", ""},
		"a microsecond before placement": {nil, emptying("e", -1e-6/3600, "0"), "business-rule Observation.effective: ", "placed only at 2026-11-23T08:00:00Z"},
		"hours before placement":         {nil, emptying("e", -3, "0"), "business-rule Observation.effective: ", "placed only at"},
		"as it came out":                 {[]obj{removed(placement("d1", "p1", t0), "completed", after(2))}, emptying("e", 2, "10"), "", ""},
		"a microsecond after removal": {[]obj{removed(placement("d1", "p1", t0), "completed", after(2))}, emptying("e", 2+1e-6/3600, "10"),
			"business-rule Observation.effective: ", "removed at 2026-11-23T10:00:00Z"},
		"after it was pulled out":            {[]obj{removed(placement("d1", "p1", t0), "stopped", after(1))}, emptying("e", 2, "10"), "business-rule Observation.effective: ", "removed at"},
		"only intended":                      {[]obj{status(placement("d1", "p1", t0), "intended")}, emptying("e", 2, "10"), "business-rule Observation.device: ", "not been placed yet"},
		"placement entered in error":         {[]obj{status(placement("d1", "p1", t0), "entered-in-error")}, emptying("e", 2, "10"), "business-rule Observation.device: ", "has not been placed in any patient"},
		"no placement, the Device's patient": {[]obj{with(device("d2"), "patient", reference("Patient", "p1"))}, onDrain(emptying("e", 2, "10"), "d2", "p1"), "", ""},
		"no placement, another patient":      {[]obj{with(device("d2"), "patient", reference("Patient", "p2"))}, onDrain(emptying("e", 2, "10"), "d2", "p1"), "business-rule Observation.subject: Wrong drain?", ""},
		"no placement at all":                {[]obj{device("d2")}, onDrain(emptying("e", 2, "10"), "d2", "p1"), "business-rule Observation.device: ", "chart its DeviceUseStatement first"},
		"placed in another patient since": {[]obj{removed(placement("d1", "p2", after(-9)), "completed", after(-1)), with(placement("d1", "p1", t0), "id", "use-again")},
			emptying("e", 1, "10"), "", ""},
		"between two placements": {[]obj{removed(placement("d1", "p1", t0), "completed", after(1)), with(placement("d1", "p1", after(2)), "id", "use-again")},
			emptying("e", 1.5, "10"), "business-rule Observation.effective: ", "placed only at 2026-11-23T10:00:00Z; it was removed at 2026-11-23T09:00:00Z"},
		"of a date, on that day": {[]obj{with(placement("d1", "p1", t0), "timingPeriod", fhirjson.Obj("start", "2026-11-23", "end", "2026-11-23"))},
			emptying("e", -7, "10"), "", ""},
		"in the future, within the skew":  {nil, emptying("e", 2+5.0/60, "10"), "", ""},
		"in the future, beyond":           {nil, emptying("e", 2+5.0/60+1.0/3600, "10"), "value Observation.effective: ", "lies 5m1s in the future"},
		"entered in error, unknown drain": {nil, status(onDrain(emptying("e", 2, "10"), "d9", "p1"), "entered-in-error"), "", ""},
		"intake has no drain":             {nil, with(entry("e", 1, code("http://loinc.org", "9000-1")), "device", reference("Device", "pump"), "valueQuantity", quantity("200", "mL")), "", ""},
		"all at once":                     {nil, onDrain(emptying("e", 3, "10"), "d9", "p1"), "value Observation.effective: ", "not-found Observation.device: "},
		"elsewhere's drain of the same name": {nil, with(emptying("e", 2, "10"), "device", fhirjson.Obj("reference", "https://elsewhere.test/fhir/Device/d1")),
			"required Observation.device: ", "of this service"},
		"our own by its whole URL": {nil, with(emptying("e", 2, "10"), "device", fhirjson.Obj("reference", base+"/Device/d1")), "", ""},
	} {
		t.Run(name, func(t *testing.T) {
			h := newHospital(t)
			h.at(2)
			if len(c.world) > 0 {
				h.put(c.world...)
			}
			probe := c.entry.Clone()
			validated := refusal(h.Validate(context.Background(), probe, ""))
			_, err := h.Commit(context.Background(), puts(c.entry), nil)
			got := refusal(err)
			if !strings.HasPrefix(got, c.refused) || (c.refused == "") != (got == "") || !strings.Contains(got, c.says) {
				t.Errorf("refused as %q, want %q … %q", got, c.refused, c.says)
			}
			if err != nil && !fault.Is(err, fault.Rule) {
				t.Errorf("kind of %v", err)
			}
			if validated != got {
				t.Errorf("$validate says %q, the store %q", validated, got)
			}
			if _, err := h.db.Read(context.Background(), store.Key{Type: "Observation", ID: "e"}); fault.Is(err, fault.NotFound) != (c.refused != "") {
				t.Errorf("read after it: %v", err)
			}
		})
	}
}

// Changes of the same step count as made, in any order of the Bundle.
func TestGuardWithinOneStep(t *testing.T) {
	h := newHospital(t)
	h.at(2)
	h.put(onDrain(emptying("e1", 1, "10"), "d2", "p2"), placement("d2", "p2", t0), device("d2"))
	// The drain moves to another patient in the step that charts it there.
	h.put(onDrain(emptying("e2", 1.5, "10"), "d2", "p1"), removed(placement("d2", "p2", t0), "completed", t0.Add(time.Hour)),
		with(placement("d2", "p1", t0.Add(time.Hour)), "id", "use-d2-b"))
	// A deleted placement counts no more.
	cs := append(puts(onDrain(emptying("e3", 2, "10"), "d2", "p1")), deletion("DeviceUseStatement", "use-d2-b"))
	if _, err := h.Commit(context.Background(), cs, nil); !strings.Contains(refusal(err), "Wrong drain?") {
		t.Errorf("placement deleted in the same step: %v", err)
	}
	cs = append(puts(onDrain(emptying("e3", 2, "10"), "d2", "p1")), deletion("Device", "d2"))
	_, err := h.Commit(context.Background(), cs, nil)
	var r *Refused
	if !errors.As(err, &r) || len(r.By) != 1 || r.By[0] == nil || !strings.Contains(r.Error(), "change 0: Observation.device: No drain") {
		t.Errorf("Device deleted in the same step: %v", err)
	}
}

func TestEveryRefusedChangeIsNamed(t *testing.T) {
	h := newHospital(t)
	h.at(2)
	_, err := h.Commit(context.Background(), puts(emptying("e1", 1, "10"), with(emptying("e2", 1, "10"), "valueQuantity", quantity("35", "cc")), with(emptying("e3", 1, "1"), "status", "fnal")), nil)
	var r *Refused
	if !errors.As(err, &r) || len(r.By) != 2 || r.By[1] == nil || r.By[2] == nil {
		t.Fatalf("%v", err)
	}
	_, err = h.Commit(context.Background(), puts(onDrain(emptying("e1", 1, "10"), "d1", "p2"), emptying("e2", 1, "10"), onDrain(emptying("e3", 1, "10"), "d9", "p1")), nil)
	if !errors.As(err, &r) || len(r.By) != 2 || r.By[0] == nil || r.By[2] == nil || !fault.Is(err, fault.Rule) {
		t.Fatalf("%v", err)
	}
}

// What R4 finds of an element is not said again in our words, and what lies
// beside it is.
func TestFaultsAreSaidOnce(t *testing.T) {
	h := newHospital(t)
	h.at(2)
	n := with(emptying("e", 1, "-3"), "subject", fhirjson.Obj("reference", "Device/d1"))
	n.Delete("device")
	got := refusal(h.Validate(context.Background(), n, ""))
	for _, want := range []string{"Observation.subject", "Observation.device", "Observation.value.value"} {
		if n := strings.Count(got, " "+want+": ") + strings.Count(got, " "+want+"."); n < 1 {
			t.Errorf("%s is not in\n%s", want, got)
		}
	}
	if strings.Count(got, "Observation.subject") != 1 {
		t.Errorf("the subject twice:\n%s", got)
	}
	for _, c := range []struct {
		a, b string
		want bool
	}{
		{"Observation.value", "Observation.value.code", true},
		{"Observation.value.code", "Observation.value", true},
		{"Observation.component[1]", "Observation.component[1].value", true},
		{"Observation.component[1]", "Observation.component[10].value", false},
		{"Observation.value", "Observation.valueX", false},
	} {
		l := []fault.Issue{{Expression: []string{c.a}}}
		if got := covered(l, fault.Issue{Expression: []string{c.b}}); got != c.want {
			t.Errorf("%s covers %s: %v", c.a, c.b, got)
		}
	}
}

// An entry can be put right when its drain has long been out, or is not even
// known any more; but not be moved to where it could not have been charted.
func TestCorrectionAfterRemoval(t *testing.T) {
	h := newHospital(t)
	h.at(2)
	h.put(emptying("e1", 2, "10"), emptying("e2", 1, "20"))
	h.put(removed(placement("d1", "p1", t0), "completed", t0.Add(3*time.Hour)))
	h.at(50)
	h.put(status(emptying("e1", 2, "15"), "corrected"))
	h.put(status(emptying("e1", 2.5, "15"), "corrected"))
	if _, err := h.Commit(context.Background(), puts(status(emptying("e1", 4, "15"), "corrected")), nil); !strings.Contains(refusal(err), "removed at") {
		t.Errorf("moved to after the removal: %v", err)
	}
	// The removal turns out to have been earlier: what is charted after it has to go first.
	earlier := removed(placement("d1", "p1", t0), "completed", t0.Add(2*time.Hour))
	if _, err := h.Commit(context.Background(), puts(earlier.Clone()), nil); !strings.Contains(refusal(err), "1 charted entries") {
		t.Errorf("an entry is left outside: %v", err)
	}
	h.put(status(emptying("e1", 2.5, "16"), "entered-in-error"))
	h.put(earlier)
	if _, err := h.Commit(context.Background(), puts(status(emptying("e1", 2.5, "16"), "corrected")), nil); !strings.Contains(refusal(err), "removed at") {
		t.Errorf("taken back in: %v", err)
	}
	h.commit(deletion("Device", "d1"))
	h.put(status(emptying("e2", 1, "25"), "corrected"))
	if _, err := h.Commit(context.Background(), puts(emptying("e3", 1, "25")), nil); !strings.Contains(refusal(err), "No drain") {
		t.Errorf("new entry of a deleted Device: %v", err)
	}
	// The balance still counts what was charted of it.
	b, err := h.FluidBalance(context.Background(), "p1", Span{Period: total, Attribution: charted})
	if err != nil {
		t.Fatal(err)
	}
	if got := b.Windows[0].Drains.String(); got != "25 mL" {
		t.Errorf("drains gave %s", got)
	}
}
