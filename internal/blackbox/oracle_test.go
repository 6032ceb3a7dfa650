package blackbox

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"

	"github.com/google/fhir/go/fhirversion"
	"github.com/google/fhir/go/jsonformat"
	"github.com/santhosh-tekuri/jsonschema/v6"
)

// complaints holds a FHIR JSON document against two independent validators and a
// rule of ours for what both let pass. It gives the complaints.
func complaints(body []byte) []string {
	var out []string
	tree, err := parse(body)
	if err != nil {
		return []string{"not JSON: " + err.Error()}
	}
	out = append(out, hollow(tree, "")...)
	if whole, had := filled(tree); had {
		if body, err = json.Marshal(whole); err != nil {
			return []string{err.Error()}
		}
	}
	root, _ := tree.(map[string]any)
	typ, _ := root["resourceType"].(string)
	if typ == "" {
		return append(out, "no resourceType")
	}
	// The library cannot read Parameters.parameter.resource; JSON Schema can.
	if typ != "Parameters" {
		if err := google(body); err != nil {
			out = append(out, "google/fhir: "+err.Error())
		}
	}
	if s := schemaOf(typ); s != nil {
		doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(body))
		if err == nil {
			err = s.Validate(doc)
		}
		if err != nil {
			out = append(out, "JSON Schema: "+err.Error())
		}
	}
	return out
}

// filled replaces the nulls that align primitive arrays by a neighbour: the
// official JSON Schema does not know them, and whether the library takes them
// hangs on the version of its JSON parser. hollow says where they may stand.
func filled(v any) (any, bool) {
	found := false
	switch v := v.(type) {
	case map[string]any:
		for k, m := range v {
			if list, ok := m.([]any); ok && slices.Contains(list, nil) {
				found = true
				i := slices.IndexFunc(list, func(e any) bool { return e != nil })
				if i < 0 {
					delete(v, k)
					continue
				}
				for j := range list {
					if list[j] == nil {
						list[j] = list[i]
					}
				}
			}
			_, inside := filled(v[k])
			found = found || inside
		}
	case []any:
		for _, m := range v {
			_, inside := filled(m)
			found = found || inside
		}
	}
	return v, found
}

var unmarshaller = sync.OnceValue(func() *jsonformat.Unmarshaller {
	u, err := jsonformat.NewUnmarshaller("UTC", fhirversion.R4)
	if err != nil {
		panic(err)
	}
	return u
})

func google(body []byte) error {
	_, err := unmarshaller().Unmarshal(body)
	return err
}

// hollow finds empty objects, arrays and strings and stray nulls: no package
// catches an empty array. A null may only align a primitive array with its
// "_" partner.
func hollow(v any, at string) []string {
	var out []string
	switch v := v.(type) {
	case map[string]any:
		if len(v) == 0 {
			out = append(out, at+": empty object")
		}
		for k, m := range v {
			list, _ := m.([]any)
			for _, e := range list {
				if _, partner := v["_"+k]; e == nil && !partner && !(strings.HasPrefix(k, "_") && v[k[1:]] != nil) {
					out = append(out, at+"."+k+": null in an array")
				}
			}
			if m == nil {
				out = append(out, at+"."+k+": null")
				continue
			}
			out = append(out, hollow(m, at+"."+k)...)
		}
	case []any:
		if len(v) == 0 {
			out = append(out, at+": empty array")
		}
		for i, m := range v {
			if m != nil {
				out = append(out, hollow(m, fmt.Sprintf("%s[%d]", at, i))...)
			}
		}
	case string:
		if v == "" {
			out = append(out, at+": empty string")
		}
	}
	return out
}

// schemas is the official JSON Schema, where the npm package that carries it
// is installed; compiled type by type, since its root is a choice of 146.
var schemas struct {
	sync.Mutex
	loaded   bool
	compiler *jsonschema.Compiler
	by       map[string]*jsonschema.Schema
}

const schemaURL = "mem:///fhir.schema.json"

func schemaOf(typ string) *jsonschema.Schema {
	schemas.Lock()
	defer schemas.Unlock()
	if !schemas.loaded {
		schemas.loaded, schemas.by = true, map[string]*jsonschema.Schema{}
		f, err := os.ReadFile(filepath.Join("node_modules", "@asymmetrik", "fhir-json-schema-validator", "fhir.schema.json"))
		if err != nil {
			return nil
		}
		doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(f))
		if err != nil {
			panic(err)
		}
		admit401(doc)
		schemas.compiler = jsonschema.NewCompiler()
		if err := schemas.compiler.AddResource(schemaURL, doc); err != nil {
			panic(err)
		}
	}
	if schemas.compiler == nil {
		return nil
	}
	s, ok := schemas.by[typ]
	if !ok {
		s, _ = schemas.compiler.Compile(schemaURL + "#/definitions/" + typ) // no such type: the other validator says so
		schemas.by[typ] = s
	}
	return s
}

// admit401 brings the file, which is the one of 4.0.0, up to 4.0.1.
func admit401(doc any) {
	defs := doc.(map[string]any)["definitions"].(map[string]any)
	// R4's open types hold Meta, which $meta returns; the file leaves it out.
	defs["Parameters_Parameter"].(map[string]any)["properties"].(map[string]any)["valueMeta"] = map[string]any{"$ref": "#/definitions/Meta"}
	for _, d := range []string{"CapabilityStatement", "StructureDefinition", "ImplementationGuide", "ImplementationGuide_Resource"} {
		p := defs[d].(map[string]any)["properties"].(map[string]any)
		v, _ := p["fhirVersion"].(map[string]any)
		if items, ok := v["items"].(map[string]any); ok {
			v = items
		}
		if list, ok := v["enum"].([]any); ok {
			v["enum"] = append(list, "4.0.1")
		}
	}
}

func parse(body []byte) (any, error) {
	d := json.NewDecoder(bytes.NewReader(body))
	d.UseNumber()
	var v any
	if err := d.Decode(&v); err != nil {
		return nil, err
	}
	if d.More() {
		return nil, fmt.Errorf("more than one document")
	}
	return v, nil
}

// TestValidators makes sure that the validators see what they are there for.
func TestValidators(t *testing.T) {
	const good = `{"resourceType":"Observation","status":"final","code":{"text":"x"},"valueQuantity":{"value":1.50}}`
	if c := complaints([]byte(good)); c != nil {
		t.Errorf("a valid Observation is complained about: %v", c)
	}
	for _, bad := range []string{
		`{"resourceType":"Observation","code":{"text":"x"}}`,
		`{"resourceType":"Observation","status":"done","code":{"text":"x"}}`,
		`{"resourceType":"Observation","status":"final","code":{"text":"x"},"colour":"red"}`,
		`{"resourceType":"Observation","status":"final","code":{"text":"x"},"effectiveDateTime":"2026-02-30"}`,
		`{"resourceType":"Observation","status":"final","code":{"text":"x"},"category":[]}`,
		`{"resourceType":"Observation","status":"final","code":{"text":"x"},"subject":{}}`,
		`{"resourceType":"Observation","status":"final","code":{"text":""}}`,
		`{"resourceType":"Observation","status":"final","code":{"text":"x"},"subject":null}`,
		`{"resourceType":"Observation","status":"final","code":{"text":"x"},"category":[null]}`,
		`{"resourceType":"Bundle","type":"searchset","entry":[{"resource":{"resourceType":"Patient","active":"yes"}}]}`,
		`{"total":1}`, `[]`, `{`,
	} {
		if complaints([]byte(bad)) == nil {
			t.Errorf("nobody complains about %s", bad)
		}
	}
}
