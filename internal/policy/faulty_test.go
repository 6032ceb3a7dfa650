package policy

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/goccy/go-yaml"
	"github.com/santhosh-tekuri/jsonschema/v6"
)

// Each faulty file with all of its faults, as faulty.txt has them.
func TestFaultyFiles(t *testing.T) {
	files, err := filepath.Glob("testdata/faulty/*.yaml")
	if err != nil || len(files) == 0 {
		t.Fatal(files, err)
	}
	var got bytes.Buffer
	for _, path := range files {
		data, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		name := filepath.Base(path)
		_, err = Parse(data, name)
		var faulty *FileError
		if !errors.As(err, &faulty) {
			t.Errorf("%s: error %v", name, err)
			continue
		}
		for _, f := range faulty.Faults {
			if f.Line < 1 || f.Line > bytes.Count(data, []byte("\n")) || f.Column < 1 {
				t.Errorf("%s: position outside the file", f)
			}
			fmt.Fprintln(&got, f)
		}
		got.WriteString("\n")
		if line := faulty.Error(); strings.Contains(line, "\n") || !strings.HasPrefix(line, name+":") {
			t.Errorf("%s: the error is not one line that begins with the file: %q", name, line)
		}
	}
	golden(t, "faulty.txt", got.Bytes())
}

func TestLoad(t *testing.T) {
	dir := t.TempDir()
	good := filepath.Join(dir, "good.yaml")
	large := filepath.Join(dir, "large.yaml")
	for path, text := range map[string]string{good: "emptying: {interval: 3 h}\n", large: strings.Repeat("# comment\n", MaxSize/10+1)} {
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	p, err := Load(good)
	if err != nil || p.base.Due.Limit.Hours() != 3 {
		t.Errorf("%v, %v", p, err)
	}
	for path, want := range map[string]string{
		filepath.Join(dir, "absent.yaml"): "absent.yaml: cannot be read (no such file or directory): check its name and permissions",
		dir:                               "is not a file but a directory, pipe or device: give a file",
		large:                             "large.yaml: is larger than 1 MiB: a policy is short, so this is probably another file",
	} {
		if _, err := Load(path); err == nil || !strings.HasSuffix(err.Error(), want) {
			t.Errorf("%s: error %v, want %s", path, err, want)
		}
	}
}

func compiled(t testing.TB) *jsonschema.Schema {
	t.Helper()
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(Schema()))
	if err != nil {
		t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	if err := c.AddResource("policy.json", doc); err != nil {
		t.Fatal(err)
	}
	s, err := c.Compile("policy.json")
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// validated gives what the schema says of a YAML text; ok is false where that is
// not a single YAML document.
func validated(t testing.TB, s *jsonschema.Schema, text []byte) (verdict error, ok bool) {
	t.Helper()
	var v any
	if err := yaml.UnmarshalWithOptions(text, &v, yaml.AllowDuplicateMapKey()); err != nil {
		return nil, false
	}
	asJSON, err := json.Marshal(v)
	if err != nil {
		return nil, false
	}
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(asJSON))
	if err != nil {
		return nil, false
	}
	return s.Validate(doc), true
}

// The schema takes every good file, and refuses those faults that a schema can
// see.
func TestSchema(t *testing.T) {
	s := compiled(t)
	for name, text := range map[string][]byte{
		"default": Default().YAML(), "full": []byte(strings.Replace(full, "90 s", "90 min", 1)), "empty section": []byte("emptying:\n"),
	} {
		if err, ok := validated(t, s, text); err != nil || !ok {
			t.Errorf("%s: %v", name, err)
		}
	}
	for path, value := range otherValues(t) {
		if err, ok := validated(t, s, []byte(yamlOf(path, value))); err != nil || !ok {
			t.Errorf("%s: %s: %v", path, value, err)
		}
	}
	refuses := map[string]bool{
		"amounts": true, "counts": true, "names": true, "shapes": true, "calendar": true, "overrides": true, "scalar": true, "long-text": true,
		"units": false, "ranges": false, "twice": false, "lists": false, "together": false, "same-selector": false, "control": false,
	}
	for name, want := range refuses {
		text, err := os.ReadFile(filepath.Join("testdata/faulty", name+".yaml"))
		if err != nil {
			t.Fatal(err)
		}
		if err, ok := validated(t, s, text); !ok || (err != nil) != want {
			t.Errorf("%s: refused %v, want %v: %v", name, err != nil, want, err)
		}
	}
	// Line by line, for a schema that refuses a file for one of its faults only.
	for _, text := range []string{
		"emptying: {interval: 4}", "emptying: {interval: 4 hours}", "emptying: {fill: 0.5}", "trend: {minimum: 4.5}", "trend: {minimum: 2}",
		"findings: {overdue: {interval: 4 h}}", "findings: {stale: {enabled: false}}", "findings: {darker: {enabled: sometimes}}", "ward: w",
		"calendar: {day-start: 7am}", `calendar: {shifts: ["07:00"]}`, "removal: {appearances: [pink]}", "removal: {appearances: []}",
		"findings: {brisk-output: {limits: [100 mL]}}", "overrides: [{emptying: {interval: 2 h}}]", "overrides: [{ward: w}]",
		"overrides: [{ward: w, drain: d, emptying: {interval: 2 h}}]", "overrides: [{drain: d, calendar: {day-start: '06:00'}}]",
		"overrides: [{ward: w, clock: {skew: 1 min}}]", "overrides: [{compartment: knee, emptying: {interval: 2 h}}]",
	} {
		if err, ok := validated(t, s, []byte(text)); !ok || err == nil {
			t.Errorf("%s: not refused", text)
		}
		if _, err := Parse([]byte(text), ""); err == nil {
			t.Errorf("%s: not refused by Parse", text)
		}
	}
}

// FuzzParse: no input makes Parse panic; a good file survives being shown, and
// every fault has words and, if any, a position.
func FuzzParse(f *testing.F) {
	f.Add([]byte("emptying: {interval: 4 h}\n"))
	f.Add([]byte(full))
	files, _ := filepath.Glob("testdata/faulty/*.yaml")
	for _, path := range files {
		data, err := os.ReadFile(path)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		p, err := Parse(data, "f.yaml")
		if err != nil {
			var faulty *FileError
			if !errors.As(err, &faulty) || len(faulty.Faults) == 0 {
				t.Fatalf("error %v", err)
			}
			for _, f := range faulty.Faults {
				if f.Words == "" || f.Line < 0 {
					t.Errorf("fault %+v", f)
				}
			}
			return
		}
		again, err := Parse(p.YAML(), "shown.yaml")
		if err != nil {
			t.Fatalf("%v\n%s", err, p.YAML())
		}
		if again.Version() != p.Version() {
			t.Errorf("version %s came back as %s", p.Version(), again.Version())
		}
	})
}
