package main

import (
	"bytes"
	"compress/gzip"
	"encoding/json"
	"flag"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

var update = flag.Bool("update", false, "write the licences anew")

// TestLicences: the licences that the program prints are those of the modules
// that it is built from, on each system. With -update they are written anew.
func TestLicences(t *testing.T) {
	modules := map[string]string{} // "path version" to folder
	for _, system := range []string{"linux", "darwin", "windows"} {
		cmd := exec.Command("go", "list", "-deps", "-f", "{{with .Module}}{{if not .Main}}{{.Path}} {{.Version}}\t{{.Dir}}{{end}}{{end}}", ".")
		cmd.Env = append(os.Environ(), "GOOS="+system, "GOWORK=off", "GOFLAGS=", "CGO_ENABLED=0") // GOFLAGS may ask for the race detector, which needs cgo
		out, err := cmd.Output()
		if err != nil {
			t.Fatal(err)
		}
		for line := range strings.Lines(string(out)) {
			if name, dir, ok := strings.Cut(strings.TrimSpace(line), "\t"); ok {
				modules[name] = dir
			}
		}
	}
	var names []string
	for name := range modules {
		names = append(names, name)
	}
	slices.Sort(names)
	if len(names) < 20 {
		t.Fatalf("only %d modules", len(names))
	}
	if *update {
		write(t, names, modules)
	}
	z, err := gzip.NewReader(bytes.NewReader(licences))
	if *update {
		b, _ := os.ReadFile("licences.txt.gz")
		z, err = gzip.NewReader(bytes.NewReader(b))
	}
	if err != nil {
		t.Fatal(err)
	}
	text, err := io.ReadAll(z)
	if err != nil {
		t.Fatal(err)
	}
	var have []string
	for line := range strings.Lines(string(text)) {
		if name, ok := strings.CutPrefix(strings.TrimSpace(line), "== "); ok && strings.Contains(name, " v") {
			have = append(have, name)
		}
	}
	if !slices.Equal(have, names) {
		t.Errorf("the licences are of other modules; look at what is new, and run with -update:\nhave %v\nwant %v", have, names)
	}
	for _, word := range []string{"oidc-client-ts", "UCUM", "LOINC", "Permission is hereby granted"} {
		if !strings.Contains(string(text), word) {
			t.Errorf("nothing is said of %s", word)
		}
	}
}

// write gathers the texts, each once.
func write(t *testing.T, names []string, modules map[string]string) {
	var b bytes.Buffer
	seen := map[string]string{}
	put := func(name string, files ...string) {
		fmt.Fprintf(&b, "\n== %s\n", name)
		if len(files) == 0 {
			t.Errorf("%s has no licence", name)
		}
		for _, f := range files {
			text, err := os.ReadFile(f)
			if err != nil {
				t.Fatal(err)
			}
			if of := seen[string(text)]; of != "" {
				fmt.Fprintf(&b, "\nAs that of %s.\n", of)
				continue
			}
			seen[string(text)] = name
			fmt.Fprintf(&b, "\n%s\n", bytes.TrimSpace(text))
		}
	}
	b.WriteString("Tidemark and what it is built from, each with its licence.\n")
	put("tidemark", "../../LICENSE")
	put("UCUM", "../../internal/ucum/NOTICE")
	b.WriteString("\n== LOINC\n\nThis material contains content from LOINC (http://loinc.org). LOINC is copyright © Regenstrief Institute, Inc. and the Logical Observation Identifiers Names and Codes (LOINC) Committee and is available at no cost under the license at http://loinc.org/license.\n")
	put("oidc-client-ts", "../../api/board/static/vendor/oidc-client-ts.LICENSE.txt")
	for _, name := range names {
		var files []string
		entries, err := os.ReadDir(modules[name])
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range entries {
			upper := strings.ToUpper(e.Name())
			if !e.IsDir() && (strings.HasPrefix(upper, "LICEN") || strings.HasPrefix(upper, "COPYING") || strings.HasPrefix(upper, "NOTICE")) && !strings.HasSuffix(upper, ".GO") {
				files = append(files, filepath.Join(modules[name], e.Name()))
			}
		}
		put(name, files...)
	}
	var packed bytes.Buffer
	z, _ := gzip.NewWriterLevel(&packed, gzip.BestCompression)
	_, _ = z.Write(b.Bytes()) // into memory, which does not fail
	_ = z.Close()
	if err := os.WriteFile("licences.txt.gz", packed.Bytes(), 0o644); err != nil {
		t.Fatal(err)
	}
}

func TestBillOfMaterials(t *testing.T) {
	var b bytes.Buffer
	if err := materials(&b); err != nil {
		t.Fatal(err)
	}
	var bill struct {
		BOMFormat  string
		Components []struct{ Name, PURL string }
	}
	if err := json.Unmarshal(b.Bytes(), &bill); err != nil || bill.BOMFormat != "CycloneDX" {
		t.Fatalf("%v: %s", err, b.String())
	}
	if len(bill.Components) < 2 || !strings.HasPrefix(bill.Components[0].PURL, "pkg:golang/std@") {
		t.Errorf("%s", b.String())
	}
}
