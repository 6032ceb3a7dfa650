package auth

import (
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

func TestParseScopes(t *testing.T) {
	const all = Create | Read | Update | Delete | Search
	tests := []struct {
		in      string
		want    []Scope
		unknown []string
	}{
		{in: ""},
		{in: "  \t "},
		{in: "user/Observation.rs", want: []Scope{{User, "Observation", Read | Search, ""}}},
		{in: "patient/*.cruds", want: []Scope{{Patient, "*", all, ""}}},
		{in: "system/*.c", want: []Scope{{System, "*", Create, ""}}},
		{in: "user/Observation.cu?code=http://loinc.org|9203-1", want: []Scope{{User, "Observation", Create | Update, "code=http://loinc.org|9203-1"}}},
		{in: "user/Observation.rs?code=a,b&status=final", want: []Scope{{User, "Observation", Read | Search, "code=a,b&status=final"}}},
		{in: "user/*.r?_tag=x", want: []Scope{{User, "*", Read, "_tag=x"}}},
		{in: "user/Observation.r?code:in=http://x/vs", want: []Scope{{User, "Observation", Read, "code:in=http://x/vs"}}},
		// Version 1.
		{in: "user/Device.read", want: []Scope{{User, "Device", Read | Search, ""}}},
		{in: "user/Device.write", want: []Scope{{User, "Device", Create | Update | Delete, ""}}},
		{in: "system/*.*", want: []Scope{{System, "*", all, ""}}},
		{in: "user/Device.read?code=x", unknown: []string{"user/Device.read?code=x"}},
		// Known, and without effect.
		{in: "openid fhirUser profile launch launch/patient offline_access online_access"},
		// Order, repetition, emptiness.
		{in: "system/Observation.dus", unknown: []string{"system/Observation.dus"}},
		{in: "system/Observation.sr", unknown: []string{"system/Observation.sr"}},
		{in: "system/Observation.rr", unknown: []string{"system/Observation.rr"}},
		{in: "system/Observation.", unknown: []string{"system/Observation."}},
		{in: "system/Observation", unknown: []string{"system/Observation"}},
		{in: "system/Observation.CRUDS", unknown: []string{"system/Observation.CRUDS"}},
		{in: "system/observation.r", unknown: []string{"system/observation.r"}},
		{in: "System/Observation.r", unknown: []string{"System/Observation.r"}},
		{in: "group/Observation.r", unknown: []string{"group/Observation.r"}},
		{in: "user/Obs*.r", unknown: []string{"user/Obs*.r"}},
		{in: "user/Observation.r/x", unknown: []string{"user/Observation.r/x"}},
		// A constraint that is none must not widen the scope.
		{in: "user/Observation.r?", unknown: []string{"user/Observation.r?"}},
		{in: "user/Observation.r?code", unknown: []string{"user/Observation.r?code"}},
		{in: "user/Observation.r?code=", unknown: []string{"user/Observation.r?code="}},
		{in: "user/Observation.r?code=%20", unknown: []string{"user/Observation.r?code=%20"}},
		{in: "user/Observation.r?code=%zz", unknown: []string{"user/Observation.r?code=%zz"}},
		{in: "user/Observation.r?code=x&", unknown: []string{"user/Observation.r?code=x&"}},
		{in: "user/Observation.r?_count=5", unknown: []string{"user/Observation.r?_count=5"}},
		{in: "user/Observation.r?_include=*", unknown: []string{"user/Observation.r?_include=*"}},
		{in: "user/Observation.r?subject.name=x", unknown: []string{"user/Observation.r?subject.name=x"}},
		{in: "user/Observation.r?_has:Device:patient=x", unknown: []string{"user/Observation.r?_has:Device:patient=x"}},
		// Several, with one repeated.
		{in: "user/Device.rs nonsense user/Device.read user/Patient.r",
			want:    []Scope{{User, "Device", Read | Search, ""}, {User, "Patient", Read, ""}},
			unknown: []string{"nonsense"}},
	}
	for _, tt := range tests {
		t.Run(tt.in, func(t *testing.T) {
			got, unknown := ParseScopes(tt.in)
			if diff := cmp.Diff(tt.want, slices.Collect(got.All())); diff != "" {
				t.Errorf("scopes (-want +got):\n%s", diff)
			}
			if diff := cmp.Diff(tt.unknown, unknown); diff != "" {
				t.Errorf("unknown (-want +got):\n%s", diff)
			}
		})
	}
}

func FuzzParseScopes(f *testing.F) {
	for _, s := range []string{"user/Observation.cruds?code=a|b", "system/*.*", "patient/Device.read launch/patient", "user/X.sr", "user/X.r?a=%2", "a\x00b"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, in string) {
		got, unknown := ParseScopes(in)
		// What was understood is a fixed point of the grammar.
		again, rest := ParseScopes(got.String())
		if len(rest) > 0 || !slices.Equal(got.list, again.list) {
			t.Errorf("%q: %q reads back as %q, unknown %q", in, got, again, rest)
		}
		for _, s := range got.list {
			if s.Actions == 0 || s.Level == 0 || s.Type == "" {
				t.Errorf("%q: hollow scope %+v", in, s)
			}
		}
		if n := len(strings.Fields(in)); len(got.list)+len(unknown) > n {
			t.Errorf("%q: more scopes than words", in)
		}
	})
}

// Every subset of the letters in order is an action set and prints as itself;
// every other order of the same letters is refused.
func TestActionLetters(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		letters := rapid.Permutation([]byte(actionLetters)).Draw(t, "letters")[:rapid.IntRange(1, 5).Draw(t, "n")]
		got, unknown := ParseScopes("user/Device." + string(letters))
		if slices.IsSorted(positions(letters)) {
			if len(unknown) > 0 || got.list[0].Actions.String() != string(letters) {
				t.Fatalf("%s: got %v, unknown %v", letters, got, unknown)
			}
		} else if !got.Empty() {
			t.Fatalf("%s was accepted out of order", letters)
		}
	})
}

func positions(letters []byte) []int {
	out := make([]int, len(letters))
	for i, l := range letters {
		out[i] = strings.IndexByte(actionLetters, l)
	}
	return out
}
