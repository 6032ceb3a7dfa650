package policy

import (
	"encoding/json"
	"maps"
	"math/big"
	"slices"
	"strings"

	"tidemark/internal/fhirjson"
)

// Schema is the JSON Schema (draft 2020-12) of a policy file, for editors. It
// knows names, types and units; only Parse checks ranges of amounts with a unit
// and conditions on several settings.
func Schema() []byte {
	root := object(table().root, nil)
	root["$schema"] = "https://json-schema.org/draft/2020-12/schema"
	root["$id"] = "http://tidemark.example.org/policy.schema.json"
	root["title"] = "Ward policy of the drain-output service"
	root["description"] = Caution
	var choices []any
	for by, name := range selectorNames {
		scopes := []scope{everywhere}
		if selectorKind(by) == byWard {
			scopes = append(scopes, perWard)
		}
		o := object(table().root, scopes)
		id := map[string]any{"type": "string", "pattern": fhirjson.IDPattern}
		if selectorKind(by) == byCompartment {
			id = map[string]any{"enum": compartments}
		}
		o["properties"].(map[string]any)[name] = id
		o["required"] = []string{name}
		o["minProperties"] = 2
		choices = append(choices, o)
	}
	root["properties"].(map[string]any)[overridesKey] = map[string]any{
		"type":        []string{"array", "null"},
		"description": "Overrides of the settings for a ward, a compartment or a drain.",
		"items":       map[string]any{"oneOf": choices},
	}
	out, err := json.MarshalIndent(root, "", "  ")
	if err != nil {
		panic(err) // maps of plain values
	}
	return append(out, '\n')
}

// object gives the schema of a section with the fields of the scopes, nil for
// all of them; nil where it has none.
func object(s *section, scopes []scope) map[string]any {
	properties := map[string]any{}
	for _, c := range s.children {
		switch {
		case c.section != nil:
			if o := object(c.section, scopes); o != nil {
				properties[c.name] = o
			}
		case scopes == nil || slices.Contains(scopes, c.field.scope):
			properties[c.name] = c.field.jsonSchema()
		}
	}
	if len(properties) == 0 {
		return nil
	}
	o := map[string]any{"type": []string{"object", "null"}, "additionalProperties": false, "properties": properties}
	if s.doc != "" {
		o["description"] = s.doc
	}
	return o
}

func (f *field) jsonSchema() map[string]any {
	s := map[string]any{"description": f.doc + " Source: " + f.source.String() + ". " + upperFirst(f.limits()) + "."}
	maps.Copy(s, f.schema)
	return s
}

func upperFirst(s string) string { return strings.ToUpper(s[:1]) + s[1:] }

const (
	numberPattern = `(0|[1-9][0-9]*)(\.[0-9]+)?`
	clockPattern  = `([01][0-9]|2[0-3]):[0-5][0-9]`
)

// unitPattern matches the units that are read. Any UCUM unit that does not
// begin with a digit matches.
func (d dimension) unitPattern() string {
	if d.admits == nil {
		return `[^\s0-9].*`
	}
	return "(" + strings.Join(d.admits, "|") + ")"
}

// schema gives the type of an amount. Plain numbers have their range too.
func (d dimension) schema(example string, low, high *big.Rat) map[string]any {
	if d.base == "" {
		kind := "number"
		if d.check != nil {
			kind = "integer"
		}
		least, _ := low.Float64()
		most, _ := high.Float64()
		return map[string]any{"type": kind, "minimum": least, "maximum": most}
	}
	return map[string]any{"type": "string", "pattern": `^\s*` + numberPattern + `\s*` + d.unitPattern() + `\s*$`, "examples": []string{example}}
}
