package r4

import (
	"os"
	"path/filepath"
	"testing"

	"tidemark/internal/fhirjson"
)

// own reads one of the valid resources of this package's test data.
func own(t testing.TB, name string) *fhirjson.Node {
	t.Helper()
	data, err := os.ReadFile(filepath.Join("testdata", "valid", name+".json"))
	if err != nil {
		t.Fatal(err)
	}
	return parse(t, string(data))
}

func parse(t testing.TB, text string) *fhirjson.Node {
	t.Helper()
	n, err := fhirjson.Parse([]byte(text))
	if err != nil {
		t.Fatalf("%v in %s", err, text)
	}
	return n
}

func TestOwnResourcesAreValid(t *testing.T) {
	files, err := filepath.Glob(filepath.Join("testdata", "valid", "*.json"))
	if err != nil || len(files) < 20 {
		t.Fatalf("%d files, %v", len(files), err)
	}
	for _, file := range files {
		data, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		n := parse(t, string(data))
		for _, is := range Validate(n, Options{Type: n.Str("resourceType")}).Issues {
			t.Errorf("%s: %s %v %s", filepath.Base(file), is.Code, is.Expression, is.Diagnostics)
		}
	}
}
