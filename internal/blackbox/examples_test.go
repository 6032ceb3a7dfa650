package blackbox

import (
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
)

// served are the types that take writes.
var served = []string{"Device", "DeviceUseStatement", "Observation", "Patient", "Encounter", "Location", "Practitioner", "PractitionerRole", "Organization", "Group", "Provenance", "Subscription"}

// refusedExamples are official examples that the service refuses, each for a
// reason that is argued here.
var refusedExamples = map[string]string{
	"DeviceUseStatement-example.json":  "breaks its own definition: reasonReference names a Procedure, which R4 4.0.1 does not allow there (reference notes of the example set)",
	"Observation-clinical-gender.json": "breaks its own definition: performer is an Encounter, which R4 4.0.1 does not allow there",
	"Subscription-example-error.json":  "a client may create a Subscription only as requested or off (conformance line 211), and the endpoint is not on the allow-list",
	"Subscription-example.json":        "the endpoint is not on the allow-list of rest-hook targets",
}

// disputed are examples that the validators, not the service, find fault with.
var disputed = map[string]string{
	"DeviceUseStatement-example.json":  "reason is a Procedure",
	"Observation-clinical-gender.json": "performer is an Encounter",
}

var lastUpdated = regexp.MustCompile(`"lastUpdated":"[^"]*"`)

// TestOfficialExamples puts every official example of a served type in, and
// reads it back unchanged: digits, _fields, contained resources.
func TestOfficialExamples(t *testing.T) {
	dir := sandbox(t, "fhir-r4-examples", "examples")
	files, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	s := serve(t)
	c := s.client()
	taken := 0
	for _, f := range files {
		typ, _, _ := strings.Cut(f.Name(), "-")
		if !slices.Contains(served, typ) {
			continue
		}
		t.Run(f.Name(), func(t *testing.T) {
			c := c.in(t)
			c.unvalidated = disputed[f.Name()]
			body := read(t, filepath.Join(dir, f.Name()))
			tree, err := parse(body)
			if err != nil {
				t.Fatal(err)
			}
			id := text(tree, "id")
			post := c.do("POST", typ, body)
			if reason, refused := refusedExamples[f.Name()]; refused {
				if post.status < 400 {
					t.Errorf("taken, though %s", reason)
				}
				return
			}
			if !post.check(201) {
				return
			}
			taken++
			sameButMeta(t, body, c.do("GET", typ+"/"+post.id(), nil).want(200))
			// An identifier that only one Observation may hold is free again.
			c.do("DELETE", typ+"/"+post.id(), nil).want(200, 204)
			if !c.do("PUT", typ+"/"+id, body).check(201) {
				return
			}
			got := c.do("GET", typ+"/"+id, nil).want(200)
			sameButMeta(t, body, got)
			if got.id() != id {
				t.Errorf("id %s", got.id())
			}
			// In again what came out: a round trip has no end.
			again := c.do("PUT", typ+"/"+id, got.body).want(200)
			one := strings.Replace(lastUpdated.ReplaceAllString(string(got.body), ""), `"versionId":"1"`, `"versionId":"2"`, 1)
			c.do("DELETE", typ+"/"+id, nil).want(200, 204)
			if two := lastUpdated.ReplaceAllString(string(again.body), ""); one != two {
				t.Errorf("the second round differs:\n%s\n%s", one, two)
			}
		})
	}
	if taken < 100 {
		t.Errorf("only %d examples were taken", taken)
	}
}

// toleratedMutations are mutants that the service takes; argued one by one.
var toleratedMutations = map[string]string{
	"id bad char": "a create ignores the client's id, as R4 has it; a PUT of the same is refused (lines 5, 36, 54)",
	"id 65 chars": "the same",
}

// TestObservationMutations: six valid Observations and those with one defect
// each: 201 for the valid ones, 400 or 422 for the others.
func TestObservationMutations(t *testing.T) {
	tree, err := parse(read(t, sandbox(t, "fhir-r4-examples", "negative", "observation-mutations.json")))
	if err != nil {
		t.Fatal(err)
	}
	c := serve(t).client()
	for _, m := range tree.([]any) {
		t.Run(text(m, "name"), func(t *testing.T) {
			c := c.in(t)
			a := c.do("POST", "Observation", dig(m, "resource"))
			valid, tolerated := text(m, "valid") == "true", toleratedMutations[text(m, "name")] != ""
			switch {
			case valid && a.status != 201:
				t.Errorf("a valid one is refused: %d %s", a.status, a.clip())
			case !valid && a.status < 400 && !tolerated:
				t.Errorf("%s: taken: %s", text(m, "class"), a.clip())
			case !valid && a.status >= 400 && len(a.expressions()) == 0 && text(m, "class") != "structure":
				t.Errorf("no expression: %s", a.clip())
			}
			if valid && a.status == 201 {
				sameButMeta(t, dig(m, "resource"), c.do("GET", "Observation/"+a.id(), nil).want(200))
			}
		})
	}
}
