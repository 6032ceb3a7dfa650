package blackbox

import (
	"os"
	"os/exec"
	"testing"
)

// TestNodeClients: an ordinary FHIR client, a SMART-style client and a
// FHIRPath engine from the npm registry. It skips where node or the packages
// are absent, and fails there with TIDEMARK_REQUIRE_NODE=1.
func TestNodeClients(t *testing.T) {
	node, err := exec.LookPath("node")
	if err == nil {
		_, err = os.Stat("node_modules/fhir-kit-client")
	}
	if err != nil {
		if os.Getenv("TIDEMARK_REQUIRE_NODE") == "1" {
			t.Fatalf("node clients: %v; run npm ci in internal/blackbox", err)
		}
		t.Skipf("SKIPPED, nothing tested: %v; run npm ci in internal/blackbox", err)
	}
	c := serve(t).client()
	out, err := exec.Command(node, "clients.mjs", c.base, c.token).CombinedOutput()
	t.Logf("%s", out)
	if err != nil {
		t.Fatal(err)
	}
}
