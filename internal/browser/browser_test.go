package browser

import (
	"bufio"
	"context"
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"syscall"
	"testing"
	"time"
)

// TestBrowser drives the board with headless Chromium against the real
// binary. It needs chromium, node, and the packages of package-lock.json;
// without them it is skipped, unless TIDEMARK_REQUIRE_BROWSER=1.
func TestBrowser(t *testing.T) {
	bin, chromium, node := browser(t)
	base, token, data := demo(t, bin)
	drive(t, node, "board.e2e.mjs", "BASE="+base, "TOKEN="+token, "DATA="+data, "BIN="+bin, "CHROMIUM="+chromium, "SHOTS="+os.Getenv("TIDEMARK_SHOTS"), "TZ=UTC")
}

// TestDocs drives the interface reference.
func TestDocs(t *testing.T) {
	bin, chromium, node := browser(t)
	base, token, _ := demo(t, bin)
	drive(t, node, "docs.e2e.mjs", "BASE="+base, "TOKEN="+token, "CHROMIUM="+chromium, "SHOTS="+os.Getenv("TIDEMARK_SHOTS"), "TZ=UTC")
}

// TestSignIn signs in at a real OpenID provider.
func TestSignIn(t *testing.T) {
	bin, chromium, node := browser(t)
	drive(t, node, "signin.e2e.mjs", "BIN="+bin, "CHROMIUM="+chromium, "DIR="+t.TempDir(), "TZ=UTC")
}

// BenchmarkWard measures how soon the ward page can be used on a phone.
func BenchmarkWard(b *testing.B) {
	bin, chromium, node := browser(b)
	base, token, _ := demo(b, bin)
	for b.Loop() {
		cmd := exec.Command(node, "speed.e2e.mjs")
		cmd.Env = append(os.Environ(), "BASE="+base, "TOKEN="+token, "CHROMIUM="+chromium)
		out, err := cmd.Output()
		if err != nil {
			b.Fatalf("%v: %s", err, out)
		}
		var took struct{ Drains, First, Again float64 }
		if err := json.Unmarshal(out, &took); err != nil {
			b.Fatalf("%v: %s", err, out)
		}
		b.ReportMetric(took.Drains, "drains")
		b.ReportMetric(took.First, "ms-first-visit")
		b.ReportMetric(took.Again, "ms-next-visit")
	}
	b.ReportMetric(0, "ns/op")
}

func drive(t *testing.T, node, script string, env ...string) {
	t.Helper()
	cmd := exec.Command(node, "--test", "--test-reporter=spec", script)
	cmd.Env = append(os.Environ(), env...)
	out, err := cmd.CombinedOutput()
	t.Logf("%s", out)
	if err != nil {
		t.Fatal(err)
	}
}

// browser finds what the tests need, and builds the program.
func browser(t testing.TB) (bin, chromium, node string) {
	t.Helper()
	if testing.Short() {
		t.Skip("a browser takes its time")
	}
	missing := func(what string) {
		t.Helper()
		if os.Getenv("TIDEMARK_REQUIRE_BROWSER") == "1" {
			t.Fatal(what)
		}
		t.Skip("THE BOARD WAS NOT TESTED IN A BROWSER: " + what)
	}
	chromium = os.Getenv("TIDEMARK_CHROMIUM")
	for _, name := range []string{"chromium", "chromium-browser", "google-chrome"} {
		if p, err := exec.LookPath(name); err == nil && chromium == "" {
			chromium = p
		}
	}
	if chromium == "" {
		missing("chromium is not installed; or name it in TIDEMARK_CHROMIUM")
	}
	node, err := exec.LookPath("node")
	if err != nil {
		missing("node is not installed")
	}
	for _, name := range []string{"playwright-core", "oidc-provider"} {
		if _, err := os.Stat("node_modules/" + name); err == nil {
			continue
		}
		npm := exec.Command("npm", "ci", "--ignore-scripts", "--no-audit", "--no-fund")
		if out, err := npm.CombinedOutput(); err != nil {
			missing("npm ci in internal/browser: " + err.Error() + "\n" + string(out))
		}
	}
	bin = filepath.Join(t.TempDir(), "tidemark")
	if out, err := exec.Command("go", "build", "-o", bin, "../../cmd/tidemark").CombinedOutput(); err != nil {
		t.Fatalf("go build: %v\n%s", err, out)
	}
	return bin, chromium, node
}

// demo starts the demonstration and gives its origin, a token, and the folder
// of its key.
func demo(t testing.TB, bin string) (origin, token, data string) {
	tmp := t.TempDir()
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Minute)
	defer cancel()
	cmd := exec.Command(bin, "demo", "--listen", "127.0.0.1:0", "--admin-listen=")
	cmd.Env = append(os.Environ(), "TMPDIR="+tmp)
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := cmd.Process.Signal(syscall.SIGTERM); err != nil {
			t.Error(err)
		}
		if err := cmd.Wait(); err != nil {
			t.Error("the demonstration did not end well:", err)
		}
	})
	lines := make(chan string)
	go func() {
		defer close(lines)
		for s := bufio.NewScanner(out); s.Scan(); {
			lines <- s.Text()
		}
	}()
	want := regexp.MustCompile(`^(?:Base URL: (\S+)/fhir|export TOKEN=(\S+))$`)
	for origin == "" || token == "" {
		select {
		case line, ok := <-lines:
			if !ok {
				t.Fatal("the demonstration ended early")
			}
			if m := want.FindStringSubmatch(line); m != nil {
				origin, token = origin+m[1], token+m[2]
			}
		case <-ctx.Done():
			t.Fatal("the demonstration does not start")
		}
	}
	go func() {
		for range lines { // drain what it prints later
		}
	}()
	dirs, err := filepath.Glob(filepath.Join(tmp, "tidemark-demo-*"))
	if err != nil || len(dirs) != 1 {
		t.Fatal("no data folder of the demonstration:", dirs, err)
	}
	return origin, token, dirs[0]
}
