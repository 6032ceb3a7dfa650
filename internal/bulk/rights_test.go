package bulk

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"tidemark/internal/fault"
	"tidemark/internal/fhirjson"
)

func observation(id, patient, code string, more string) string {
	return fmt.Sprintf(`{"resourceType":"Observation","id":%q%s,"status":"final","code":{"coding":[{"system":"http://loinc.org","code":%q}]},"subject":{"reference":"Patient/%s"},"effectiveDateTime":"2026-11-25T08:00:00Z"}`,
		id, more, code, patient)
}

// charted is a store with two patients and what belongs to nobody.
func charted(t *testing.T) *bench {
	b := newBench(t)
	b.put(patient("p1", "a"))
	b.put(patient("p2", "b"))
	b.put(`{"resourceType":"Location","id":"w"}`)
	b.put(observation("o1", "p1", "9192-6", ""))
	b.put(observation("o2", "p2", "9192-6", ""))
	b.put(observation("o3", "p2", "29463-7", ""))
	b.put(observation("o4", "p1", "9192-6", `,"meta":{"security":[{"system":"http://terminology.hl7.org/CodeSystem/v3-Confidentiality","code":"V"}]}`))
	b.put(`{"resourceType":"Group","id":"g","type":"person","actual":true,"member":[{"entity":{"reference":"Patient/p1"}},{"entity":{"reference":"Patient/p2"},"inactive":true}]}`)
	b.put(`{"resourceType":"Subscription","id":"s","status":"off","reason":"x","criteria":"Observation?code=1","channel":{"type":"rest-hook","endpoint":"https://x","header":["Authorization: secret"]}}`)
	return b
}

func TestRights(t *testing.T) {
	b := charted(t)
	for _, test := range []struct {
		name, scope string
		level       Level
		query       string
		want        string // keys, or the beginning of "! error"
	}{
		{"all types that are open", "system/Patient.rs user/Location.rs", OfSystem, "", "Location/w Patient/p1 Patient/p2"},
		{"patient scopes open nothing", "patient/*.rs", OfSystem, "", "!403"},
		{"patient scopes beside others", "patient/*.rs system/Location.rs", OfSystem, "", "Location/w"},
		{"reading alone is not enough", "system/*.r", OfSystem, "", "!403"},
		{"a type that is not open", "system/Patient.rs", OfSystem, "_type=Observation", "!403"},
		{"constrained", "system/Observation.rs?code=http://loinc.org|29463-7", OfSystem, "", "Observation/o3"},
		{"two constraints", "system/Observation.rs?code=http://loinc.org|29463-7 user/Observation.rs?subject=Patient/p1", OfSystem, "", "Observation/o1 Observation/o3 Observation/o4"},
		{"labels", "system/Observation.rs?_security:not=http://terminology.hl7.org/CodeSystem/v3-Confidentiality|V", OfSystem, "", "Observation/o1 Observation/o2 Observation/o3"},
		{"a constraint that cannot be evaluated", "system/Observation.rs?nonsense=1 system/Patient.rs", OfSystem, "", "Patient/p1 Patient/p2"},
		{"patients", everything, OfPatients, "", "Group/g Observation/o1 Observation/o2 Observation/o3 Observation/o4 Patient/p1 Patient/p2"},
		{"patients, some types", everything, OfPatients, "_type=Patient", "Patient/p1 Patient/p2"},
		{"group", everything, OfGroup, "_type=Observation,Patient", "Observation/o1 Observation/o4 Patient/p1"},
		{"group that may not be read", "system/Patient.rs", OfGroup, "", "!403"},
		{"group that is hidden", "system/Patient.rs system/Group.rs?_id=other", OfGroup, "", "!404"},
		{"filter", everything, OfSystem, "_type=Observation&_typeFilter=Observation%3Fcode%3D29463-7,Observation%3Fsubject%3DPatient/p1%26code%3D9192-6", "Observation/o1 Observation/o3 Observation/o4"},
		{"a filter leaves other types whole", everything, OfSystem, "_type=Observation,Patient&_typeFilter=Observation%3Fcode%3D29463-7", "Observation/o3 Patient/p1 Patient/p2"},
		{"filter within the rights", "system/Observation.rs?code=http://loinc.org|29463-7", OfSystem, "_typeFilter=Observation%3Fsubject%3DPatient/p1", ""},
	} {
		t.Run(test.name, func(t *testing.T) {
			s, who := b.service(), caller(test.scope)
			r := b.request(test.level, "g", test.query)
			if refused, ok := strings.CutPrefix(test.want, "!"); ok {
				_, err := s.Start(t.Context(), who, r, "")
				if kind := map[string]fault.Kind{"403": fault.Forbidden, "404": fault.NotFound}[refused]; !fault.Is(err, kind) {
					t.Errorf("got %v, want %s", err, refused)
				}
				return
			}
			j := b.export(s, who, r)
			if got := strings.Join(sorted(b.resources(s, who, j)), " "); got != test.want {
				t.Errorf("got  %s\nwant %s", got, test.want)
			}
			if err := s.Delete(t.Context(), who, j.ID); err != nil {
				t.Error(err)
			}
		})
	}
}

func TestUnknownGroup(t *testing.T) {
	b := charted(t)
	if _, err := b.service().Start(t.Context(), caller(everything), b.request(OfGroup, "nobody", ""), ""); !fault.Is(err, fault.NotFound) {
		t.Error(err)
	}
}

func TestPatientParameter(t *testing.T) {
	b := charted(t)
	s, who := b.service(), caller(everything)
	j := b.export(s, who, b.request(OfPatients, "", "patient=Patient/p2&_type=Observation"))
	if d := cmp.Diff([]string{"Observation/o2", "Observation/o3"}, sorted(b.resources(s, who, j))); d != "" {
		t.Error(d)
	}
	if _, err := s.Start(t.Context(), who, b.request(OfGroup, "g", "patient=Patient/p2"), ""); !fault.Is(err, fault.Invalid) {
		t.Error("a patient who is no member:", err)
	}
}

func TestElementsAndRedaction(t *testing.T) {
	b := charted(t)
	who := caller(everything)
	s := b.service(func(o *Options) {
		o.Redact = func(n *fhirjson.Node) { n.Get("channel").Set("header", fhirjson.Arr("Authorization: ***")) }
	})
	j := b.export(s, who, b.request(OfSystem, "", "_type=Subscription,Observation&_elements=effective"))
	for _, f := range j.Files {
		text := string(b.content(s, who, j, f.Name))
		if strings.Contains(text, "secret") {
			t.Error("a secret is in the export")
		}
		if f.Type == "Observation" && (strings.Contains(text, "subject") || !strings.Contains(text, "effectiveDateTime") || !strings.Contains(text, "SUBSETTED")) {
			t.Error(text)
		}
	}
	j = b.export(s, who, b.request(OfSystem, "", "_type=Subscription"))
	if text := string(b.content(s, who, j, j.Files[0].Name)); !strings.Contains(text, "Authorization: ***") {
		t.Error(text)
	}
}

// A deletion is told to those only who could read what was deleted.
func TestDeletionsWithinRights(t *testing.T) {
	b := charted(t)
	b.clock.advance(1e9)
	since := b.clock.Now()
	b.clock.advance(1e9)
	b.delete("Observation", "o2")
	b.delete("Observation", "o3")
	s, who := b.service(), caller("system/Observation.rs?code=http://loinc.org|29463-7")
	j := b.export(s, who, b.request(OfSystem, "", "_since="+instant(since)))
	if len(j.Files) != 1 || j.Files[0].Count != 1 {
		t.Fatalf("%+v", j.Files)
	}
	if text := string(b.content(s, who, j, j.Files[0].Name)); !strings.Contains(text, "Observation/o3") {
		t.Error(text)
	}
}

func sorted(m map[string]string) []string { return slices.Sorted(maps.Keys(m)) }

// TestNarrowerToken: what a job holds is served to a token of the same client
// only as far as that token opens it now (Bulk Data Access 2.0, security
// considerations: access is limited to what the scopes allow).
func TestNarrowerToken(t *testing.T) {
	b := charted(t)
	s := b.service()
	j := b.export(s, caller("system/Observation.rs system/Patient.rs"), b.request(OfSystem, "", "_type=Observation,Patient"))
	file := func(typ string) string {
		for _, f := range j.Files {
			if f.Type == typ {
				return f.Name
			}
		}
		t.Fatalf("no file of %s", typ)
		return ""
	}
	for _, c := range []struct {
		scope                             string
		observations, patients, wholeJobs bool
	}{
		{"system/Observation.rs system/Patient.rs", true, true, true},
		{"system/*.rs", true, true, true},
		{"system/Patient.rs", false, true, false},
		{"system/Observation.rs?code=http://loinc.org|29463-7 system/Patient.rs", false, true, false},
		{"system/Observation.r system/Patient.rs", false, true, false},
		{"patient/*.rs", false, false, false},
		{"openid", false, false, false},
	} {
		who := caller(c.scope)
		opens := func(typ string) bool {
			f, _, _, err := s.OpenFile(t.Context(), who, j.ID, file(typ))
			if err == nil {
				f.Close()
			} else if !fault.Is(err, fault.Forbidden) {
				t.Errorf("%s, %s: %v", c.scope, typ, err)
			}
			return err == nil
		}
		if got := opens("Observation"); got != c.observations {
			t.Errorf("%s opens Observations: %v", c.scope, got)
		}
		if got := opens("Patient"); got != c.patients {
			t.Errorf("%s opens Patients: %v", c.scope, got)
		}
		if _, _, err := s.Status(t.Context(), who, j.ID); (err == nil) != c.wholeJobs || err != nil && !fault.Is(err, fault.Forbidden) {
			t.Errorf("%s, status: %v", c.scope, err)
		}
		if !c.wholeJobs {
			if err := s.Delete(t.Context(), who, j.ID); !fault.Is(err, fault.Forbidden) {
				t.Errorf("%s, DELETE: %v", c.scope, err)
			}
		}
	}
	if err := s.Delete(t.Context(), caller("system/*.rs"), j.ID); err != nil {
		t.Error(err)
	}
}
