package blackbox

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// node runs one script of the folder node with the packages of
// package-lock.json. Where node or they are absent the test skips, unless
// TIDEMARK_REQUIRE_NODE says that it must not.
func node(t *testing.T, script string, env ...string) string {
	t.Helper()
	needNode(t)
	ctx, cancel := context.WithTimeout(t.Context(), 90*time.Second)
	defer cancel()
	cmd := exec.CommandContext(ctx, "node", "--no-warnings", filepath.Join("node", script))
	cmd.Env = append(os.Environ(), env...)
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Errorf("%s: %v\n%.4000s", script, err, out)
	}
	return string(out)
}

func needNode(t *testing.T) {
	t.Helper()
	_, err := exec.LookPath("node")
	if err == nil {
		_, err = os.Stat(filepath.Join("node_modules", "fhir-kit-client"))
	}
	if err == nil {
		return
	}
	if os.Getenv("TIDEMARK_REQUIRE_NODE") == "1" {
		t.Fatalf("node and its packages are required: %v; run npm ci in this folder", err)
	}
	t.Skipf("SKIPPED, nothing was tested with real clients: %v; run npm ci in this folder", err)
}

// TestRealClients: three FHIR clients of the npm registry drive the service.
func TestRealClients(t *testing.T) {
	needNode(t)
	s := serve(t)
	c := s.client()
	b := c.bed("npm", ago(72*time.Hour))
	for i := range 7 {
		c.do("POST", "Observation", emptying(b, ago(time.Duration(60-i)*time.Hour), "1.50", "mL")).want(201)
	}
	for _, script := range []string{"kit.mjs", "smart.mjs", "typed.mjs"} {
		t.Run(script, func(t *testing.T) {
			out := node(t, script, "BASE="+s.base, "TOKEN="+c.token, "PATIENT="+b.patient, "DRAIN="+b.drain)
			if !strings.Contains(out, "all done") {
				t.Errorf("the script did not reach its end: %s", out)
			}
		})
	}
}

// TestFHIRPath: what the service finds by a search is what the official
// expression of the parameter, evaluated by an independent engine over the
// same resources, selects; and the invariants of R4 hold in what it derives.
func TestFHIRPath(t *testing.T) {
	needNode(t)
	defs := sandbox(t, "fhir-r4-examples", "definitions")
	examples := sandbox(t, "fhir-r4-examples", "examples")
	s := serve(t)
	c := s.client()
	files, err := os.ReadDir(examples)
	if err != nil {
		t.Fatal(err)
	}
	taken := 0
	for _, f := range files {
		for _, typ := range []string{"Observation", "Patient", "Encounter", "Location", "Practitioner", "Organization", "Group", "Device"} {
			if !strings.HasPrefix(f.Name(), typ+"-") || refusedExamples[f.Name()] != "" {
				continue
			}
			body := read(t, filepath.Join(examples, f.Name()))
			tree, err := parse(body)
			if err != nil {
				t.Fatal(err)
			}
			if a := c.do("PUT", typ+"/"+text(tree, "id"), body, "Prefer", "return=minimal"); a.status == 201 {
				taken++ // three share an identifier, which only the first may hold
			}
		}
	}
	if taken < 100 {
		t.Fatalf("%d examples taken", taken)
	}
	b := c.bed("derived", ago(72*time.Hour))
	for i := range 9 {
		o := emptying(b, ago(time.Duration(60-6*i)*time.Hour), fmt.Sprint(40-3*i), "mL")
		o["component"] = list{obj{"code": concept(local, "suction-state"), "valueCodeableConcept": concept(local, []string{"charged", "lost"}[i/8])},
			obj{"code": concept(local, "measuring-vessel"), "valueCodeableConcept": concept(local, "medicine-cup")}}
		c.do("POST", "Observation", o).want(201)
	}
	out := node(t, "path.mjs", "BASE="+s.base, "TOKEN="+c.token, "DEFS="+defs, "PATIENT="+b.patient, "DRAIN="+b.drain)
	if !strings.Contains(out, "all done") {
		t.Errorf("the script did not reach its end: %s", out)
	}
	t.Log(strings.TrimSpace(out))
}

// TestForeignTokens: tokens that an independent library signs.
func TestForeignTokens(t *testing.T) {
	needNode(t)
	dir := t.TempDir()
	node(t, "tokens.mjs", "DIR="+dir)
	s := serve(t, "--jwks", filepath.Join(dir, "jwks.json"), "--issuer", "https://issuer.example.org", "--audience", "https://drains.example.org/fhir")
	tokens := strings.Fields(string(read(t, filepath.Join(dir, "tokens.txt"))))
	if len(tokens) < 8 {
		t.Fatalf("%d tokens", len(tokens))
	}
	for _, line := range tokens {
		name, token, _ := strings.Cut(line, "=")
		t.Run(name, func(t *testing.T) {
			want := 200
			if strings.HasPrefix(name, "bad-") {
				want = 401
			}
			s.clientWith(token).in(t).do("GET", "Patient", nil).check(want)
		})
	}
}
