package contractcheck

import (
	"bytes"
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"
)

// tool runs a program in a folder and gives its output; it fails when the
// program does.
func tool(t *testing.T, dir, name string, args ...string) string {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 5*time.Minute)
	defer cancel()
	cmd := exec.CommandContext(ctx, name, args...)
	cmd.Dir = dir
	cmd.Env = append(os.Environ(), "REDOCLY_TELEMETRY=off", "REDOCLY_SUPPRESS_UPDATE_NOTICE=true", "CI=true")
	out, err := cmd.CombinedOutput()
	if err != nil {
		if n := len(out); n > 6000 {
			out = out[n-6000:]
		}
		t.Errorf("%s %v: %v\n%s", filepath.Base(name), args, err, out)
	}
	return string(out)
}

// npm gives the path of a tool of package-lock.json. Where Node.js or the packages
// are absent the test skips, unless TIDEMARK_REQUIRE_NODE says that it must not.
func npm(t *testing.T, name string) string {
	t.Helper()
	path, err := filepath.Abs(filepath.Join("node_modules", ".bin", name))
	if err == nil {
		_, err = exec.LookPath("node")
	}
	if err == nil {
		_, err = os.Stat(path)
	}
	if err == nil {
		return path
	}
	if os.Getenv("TIDEMARK_REQUIRE_NODE") == "1" {
		t.Fatalf("%s is required: %v; run npm ci in this folder", name, err)
	}
	t.Skipf("SKIPPED, %s has not seen the OpenAPI document: %v; run npm ci in this folder", name, err)
	return ""
}

func documentPath(t *testing.T) string {
	t.Helper()
	path, err := filepath.Abs(filepath.Join("..", "..", "openapi", "openapi.json"))
	if err != nil {
		t.Fatal(err)
	}
	return path
}

// TestTypeScript: openapi-typescript makes types that the compiler takes as they
// are, with everything that is strict on.
func TestTypeScript(t *testing.T) {
	generate, compile := npm(t, "openapi-typescript"), npm(t, "tsc")
	dir := t.TempDir()
	tool(t, dir, generate, documentPath(t), "-o", "api.ts")
	const use = `import type { paths, components } from "./api";
type Emptying = components["schemas"]["Emptying"];
type Answer = paths["/fhir/Device/{id}/$drain-output"]["get"]["responses"]["200"];
export const ids = (a: Answer, e: Emptying): [Answer, Emptying["status"]] => [a, e.status];
`
	if err := os.WriteFile(filepath.Join(dir, "use.ts"), []byte(use), 0o600); err != nil {
		t.Fatal(err)
	}
	tool(t, dir, compile, "--noEmit", "--strict", "--skipLibCheck", "false", "--target", "es2022", "--moduleResolution", "node", "--module", "es2022", "use.ts")
}

// TestRedocly and TestSpectral: no error by their recommended rules.
func TestRedocly(t *testing.T) {
	tool(t, t.TempDir(), npm(t, "redocly"), "lint", "--extends=recommended", "--format=stylish", documentPath(t))
}

func TestSpectral(t *testing.T) {
	spectral := npm(t, "spectral")
	dir := t.TempDir()
	rules := filepath.Join(dir, "rules.yaml")
	if err := os.WriteFile(rules, []byte("extends: spectral:oas\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	tool(t, dir, spectral, "lint", "--fail-severity=error", "--quiet", "-r", rules, documentPath(t))
}

// TestGoClient: oapi-codegen makes a client from the document. It is a tool of the
// module internal/tools; where that is not installed the test skips.
func TestGoClient(t *testing.T) {
	path, err := exec.LookPath("oapi-codegen")
	if err != nil {
		path, err = filepath.Abs(filepath.Join("..", "..", ".ci", "bin", "oapi-codegen"))
		if err == nil {
			_, err = os.Stat(path)
		}
	}
	if err != nil {
		t.Skipf("SKIPPED, oapi-codegen has not seen the OpenAPI document: %v; .ci/run installs it", err)
	}
	dir := t.TempDir()
	tool(t, dir, path, "-generate", "types", "-package", "client", "-o", "client.go", documentPath(t))
	if made, err := os.ReadFile(filepath.Join(dir, "client.go")); err != nil || bytes.Contains(made, []byte("float32")) {
		t.Errorf("the client reads decimals in single precision, which loses digits: %v", err)
	}
	if fi, err := os.Stat(filepath.Join(dir, "client.go")); err == nil {
		tool(t, dir, "gofmt", "-l", "client.go")
		if fi.Size() < 10_000 {
			t.Errorf("the client has %d bytes", fi.Size())
		}
	}
}
