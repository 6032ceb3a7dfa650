package auth

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"tidemark/internal/fault"
)

func principal(t testing.TB, scope, patient string) *Principal {
	t.Helper()
	s, unknown := ParseScopes(scope)
	if len(unknown) > 0 {
		t.Fatalf("unknown scopes %q", unknown)
	}
	return &Principal{Subject: "Practitioner/n1", Scopes: s, Patient: patient}
}

func TestGrant(t *testing.T) {
	tests := []struct {
		name, scope, patient, resourceType string
		action                             Action
		want                               []Filter
	}{
		{"none", "", "", "Device", Read, nil},
		{"other type", "user/Patient.cruds", "", "Device", Read, nil},
		{"other action", "user/Device.cuds", "", "Device", Read, nil},
		{"search is not read", "user/Device.s", "", "Device", Read, nil},
		{"read is not search", "user/Device.r", "", "Device", Search, nil},
		{"exact", "user/Device.r", "", "Device", Read, []Filter{{}}},
		{"star", "system/*.r", "", "Device", Read, []Filter{{}}},
		{"patient", "patient/Observation.rs", "p1", "Observation", Search, []Filter{{Patient: "p1"}}},
		{"patient scope without patient", "patient/Observation.rs", "", "Observation", Search, nil},
		{"patient beside user scope", "patient/Observation.rs user/Observation.rs?code=a", "p1", "Observation", Search, []Filter{{Patient: "p1"}, {Query: "code=a"}}},
		{"widest wins", "patient/Observation.rs user/Observation.rs?code=a user/*.rs", "p1", "Observation", Search, []Filter{{}}},
		{"wider of the same patient", "patient/Observation.r?code=a patient/*.r", "p1", "Observation", Read, []Filter{{Patient: "p1"}}},
		{"query of more parts is narrower", "user/Observation.r?code=a&status=final user/Observation.r?code=a", "", "Observation", Read, []Filter{{Query: "code=a"}}},
		{"constraint of the other action does not count", "user/Observation.c?code=a user/Observation.r?code=b", "", "Observation", Create, []Filter{{Query: "code=a"}}},
		{"set needs each", "user/Observation.u?code=a user/Observation.s", "", "Observation", Search | Update, []Filter{{Query: "code=a"}}},
		{"set, one missing", "user/Observation.u", "", "Observation", Search | Update, nil},
		{"set, both constrained", "user/Observation.u?code=a user/Observation.s?status=final", "", "Observation", Search | Update, []Filter{{Query: "code=a&status=final"}}},
		{"set, patient and query", "patient/Observation.u user/Observation.s?code=a", "p1", "Observation", Search | Update, []Filter{{Patient: "p1", Query: "code=a"}}},
		{"empty action", "system/*.cruds", "", "Observation", 0, nil},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got := principal(t, tt.scope, tt.patient).Grant(tt.resourceType, tt.action)
			if diff := cmp.Diff(tt.want, got.Alternatives); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
			if got.Allowed() != (len(tt.want) > 0) {
				t.Errorf("Allowed() = %t", got.Allowed())
			}
		})
	}
	var nobody *Principal
	if nobody.Grant("Device", Read).Allowed() {
		t.Error("nobody is allowed")
	}
}

func TestGrantPatient(t *testing.T) {
	tests := []struct {
		scope string
		only  bool
	}{
		{"patient/Observation.r", true},
		{"patient/Observation.r?code=a patient/Observation.r?code=b", true},
		{"patient/Observation.r user/Observation.r?code=a", false},
		{"user/Observation.r", false},
		{"user/Device.r", false},
	}
	for _, tt := range tests {
		id, only := principal(t, tt.scope, "p1").Grant("Observation", Read).Patient()
		if only != tt.only || only != (id == "p1") {
			t.Errorf("%s: %q, %t", tt.scope, id, only)
		}
	}
}

// The grant of a set of scopes lets through exactly what some scope lets
// through, and a set of actions what each action lets through.
func TestGrantIsUnion(t *testing.T) {
	scope := rapid.Custom(func(t *rapid.T) string {
		s := rapid.SampledFrom([]string{"patient", "user", "system"}).Draw(t, "level") + "/" +
			rapid.SampledFrom([]string{"*", "Observation", "Device"}).Draw(t, "type") + "." +
			rapid.SampledFrom([]string{"r", "s", "rs", "cruds", "u", "us"}).Draw(t, "actions")
		return s + rapid.SampledFrom([]string{"", "", "?code=a", "?code=b", "?status=x", "?code=a&status=x", "?status=x&code=a"}).Draw(t, "query")
	})
	rapid.Check(t, func(rt *rapid.T) {
		words := rapid.SliceOfN(scope, 0, 6).Draw(rt, "scopes")
		p := principal(t, strings.Join(words, " "), "p1")
		// A resource: whose it is, and its code and status.
		subject := rapid.SampledFrom([]string{"p1", "p2"}).Draw(rt, "subject")
		facts := []string{
			"code=" + rapid.SampledFrom([]string{"a", "b"}).Draw(rt, "code"),
			"status=" + rapid.SampledFrom([]string{"x", "y"}).Draw(rt, "status"),
		}
		holds := func(f Filter) bool {
			if f.Patient != "" && f.Patient != subject {
				return false
			}
			for part := range strings.SplitSeq(f.Query, "&") {
				if part != "" && !slices.Contains(facts, part) {
					return false
				}
			}
			return true
		}
		plain := func(a Action) bool {
			for s := range p.Scopes.All() {
				f := Filter{Query: s.Query}
				if s.Level == Patient {
					f.Patient = "p1"
				}
				if (s.Type == "*" || s.Type == "Observation") && s.Actions&a != 0 && holds(f) {
					return true
				}
			}
			return false
		}
		for _, a := range []Action{Read, Search, Update, Delete} {
			if got, want := p.Grant("Observation", a).Matches(holds), plain(a); got != want {
				rt.Fatalf("%v, %s: got %t, want %t", words, a, got, want)
			}
		}
		if got, want := p.Grant("Observation", Search|Update).Matches(holds), plain(Search) && plain(Update); got != want {
			rt.Fatalf("%v, search and update: got %t, want %t", words, got, want)
		}
	})
}

func TestMay(t *testing.T) {
	readings := Need{Type: "Observation", Actions: Read, Whole: true}
	export := Need{Actions: Read | Search, Levels: User | System}
	known := Need{Actions: Create | Update | Read, Any: true}
	device := []string{"Device"}
	tests := []struct {
		scope string
		needs []Need
		types []string
		want  bool
	}{
		{"user/Device.r user/Observation.r", []Need{{Actions: Read}, readings}, device, true},
		{"user/Device.s user/Observation.r", []Need{{Actions: Read}, readings}, device, false},
		{"user/Device.r", []Need{{Actions: Read}, readings}, device, false},
		{"user/Device.r user/Observation.r?code=http://loinc.org|9203-1", []Need{{Actions: Read}, readings}, device, false},
		{"patient/Device.r patient/Observation.r", []Need{{Actions: Read}, readings}, device, true},
		{"user/Device.u", []Need{{Actions: Read | Update}}, device, false},
		{"user/Device.ru", []Need{{Actions: Read | Update}}, device, true},
		{"user/Device.c", []Need{known}, device, true},
		{"user/Device.s", []Need{known}, device, false},
		{"system/*.rs", []Need{export}, []string{"Patient", "Observation"}, true},
		{"patient/*.rs", []Need{export}, []string{"Patient", "Observation"}, false},
		{"system/Patient.rs", []Need{export}, []string{"Patient", "Observation"}, false},
		{"system/*.r", []Need{export}, []string{"Patient"}, false},
		{"user/Device.cruds", []Need{{}}, device, false}, // a need of nothing is a mistake
	}
	for _, tt := range tests {
		t.Run(fmt.Sprint(tt.scope, tt.needs), func(t *testing.T) {
			err := principal(t, tt.scope, "p1").May(tt.types, tt.needs...)
			if (err == nil) != tt.want {
				t.Errorf("got %v, want allowed %t", err, tt.want)
			}
			if err != nil && !fault.Is(err, fault.Forbidden) {
				t.Errorf("%v is not Forbidden", err)
			}
		})
	}
}

func BenchmarkGrantNurse(b *testing.B) {
	scope, _ := RoleScope("nurse")
	p := principal(b, scope, "")
	b.ReportAllocs()
	for b.Loop() {
		if !p.Grant("Observation", Create).Unrestricted() {
			b.Fatal("refused")
		}
	}
}
