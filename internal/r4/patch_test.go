package r4

import (
	"fmt"
	"strings"
	"testing"

	"tidemark/internal/fault"
	"tidemark/internal/fhirjson"
)

// op writes an operation: parts as name=JSON of the value, where the value's
// type stands before a colon.
func op(kind, path string, parts ...string) string {
	list := []string{fmt.Sprintf(`{"name":"type","valueCode":%q},{"name":"path","valueString":%q}`, kind, path)}
	for _, p := range parts {
		name, value, _ := strings.Cut(p, "=")
		typ, value, _ := strings.Cut(value, ":")
		if typ == "part" {
			list = append(list, fmt.Sprintf(`{"name":%q,"part":%s}`, name, value))
			continue
		}
		list = append(list, fmt.Sprintf(`{"name":%q,"value%s":%s}`, name, typ, value))
	}
	return `{"name":"operation","part":[` + strings.Join(list, ",") + `]}`
}

func patch(t *testing.T, resource string, ops ...string) (string, error) {
	t.Helper()
	n := parse(t, resource)
	err := Patch(n, parse(t, `{"resourceType":"Parameters","parameter":[`+strings.Join(ops, ",")+`]}`))
	return string(n.Bytes()), err
}

// The behaviours of HL7's published cases (FHIR/fhir-test-cases,
// r4/patch/fhir-path-tests.xml: primitives, nested ones, complex and anonymous
// types, lists), written out in our own, and some of ours.
func TestPatch(t *testing.T) {
	ids := func(values ...string) string {
		var list []string
		for _, v := range values {
			list = append(list, fmt.Sprintf(`{"system":"http://e","value":%q}`, v))
		}
		return `"identifier":[` + strings.Join(list, ",") + `]`
	}
	const newID = `value=Identifier:{"system":"http://e","value":"3"}`
	index := func(name string, i int) string { return fmt.Sprintf("%s=Integer:%d", name, i) }
	for _, c := range []struct {
		name, before string
		ops          []string
		after        string // without what is the same: resourceType
	}{
		{"nothing", `"birthDate":"1920-01-01"`, nil, `"birthDate":"1920-01-01"`},
		{"replace a primitive", `"birthDate":"1920-01-01"`, []string{op("replace", "Patient.birthDate", `value=Date:"1930-01-01"`)}, `"birthDate":"1930-01-01"`},
		{"delete a primitive", `"active":true,"birthDate":"1920-01-01"`, []string{op("delete", "Patient.birthDate")}, `"active":true`},
		{"add a primitive", `"active":true`, []string{op("add", "Patient", `name=String:"birthDate"`, `value=Date:"1930-01-01"`)}, `"active":true,"birthDate":"1930-01-01"`},
		{"delete what is not there", `"active":true`, []string{op("delete", "Patient.birthDate"), op("delete", "Patient.contact[3].name.text")}, `"active":true`},
		{"replace in a list", `"contact":[{"name":{"text":"a"},"gender":"male"}]`, []string{op("replace", "Patient.contact[0].gender", `value=Code:"female"`)}, `"contact":[{"name":{"text":"a"},"gender":"female"}]`},
		{"a list of one needs no index", `"contact":[{"gender":"male"}]`, []string{op("replace", "Patient.contact.gender", `value=Code:"female"`)}, `"contact":[{"gender":"female"}]`},
		{"delete nested", `"contact":[{"name":{"text":"a"},"gender":"male"}]`, []string{op("delete", "Patient.contact[0].gender")}, `"contact":[{"name":{"text":"a"}}]`},
		{"what a deletion empties goes too", `"contact":[{"name":{"text":"a"},"gender":"male"}]`, []string{op("delete", "Patient.contact[0].name.text")}, `"contact":[{"gender":"male"}]`},
		{"up to the list", `"active":true,"contact":[{"gender":"male"}]`, []string{op("delete", "Patient.contact[0].gender")}, `"active":true`},
		{"add nested", `"contact":[{"name":{"text":"a"}}]`, []string{op("add", "Patient.contact[0]", `name=String:"gender"`, `value=Code:"male"`)}, `"contact":[{"name":{"text":"a"},"gender":"male"}]`},
		{"add complex", `"active":true`, []string{op("add", "Patient", `name=String:"maritalStatus"`, `value=CodeableConcept:{"text":"m"}`)}, `"active":true,"maritalStatus":{"text":"m"}`},
		{"replace complex, with its id", `"maritalStatus":{"id":"1","text":"m"}`, []string{op("replace", "Patient.maritalStatus", `value=CodeableConcept:{"id":"2","text":"n"}`)}, `"maritalStatus":{"id":"2","text":"n"}`},
		{"delete complex", `"active":true,"maritalStatus":{"text":"m"}`, []string{op("delete", "Patient.maritalStatus")}, `"active":true`},
		{"add an anonymous type", `"active":true`, []string{op("add", "Patient", `name=String:"contact"`, `value=part:[{"name":"name","valueHumanName":{"text":"a"}},{"name":"telecom","valueContactPoint":{"value":"1"}},{"name":"telecom","valueContactPoint":{"value":"2"}}]`)},
			`"active":true,"contact":[{"name":{"text":"a"},"telecom":[{"value":"1"},{"value":"2"}]}]`},
		{"delete an anonymous type", `"active":true,"contact":[{"gender":"male"}]`, []string{op("delete", "Patient.contact[0]")}, `"active":true`},
		{"operations follow one another", ids("1", "2"), []string{op("replace", "Patient.identifier[0].value", `value=String:"2"`), op("replace", "Patient.identifier[1].value", `value=String:"1"`)}, ids("2", "1")},
		{"add appends", ids("1", "2"), []string{op("add", "Patient", `name=String:"identifier"`, newID)}, ids("1", "2", "3")},
		{"insert at the end", ids("1", "2"), []string{op("insert", "Patient.identifier", index("index", 2), newID)}, ids("1", "2", "3")},
		{"insert between", ids("1", "2"), []string{op("insert", "Patient.identifier", index("index", 1), newID)}, ids("1", "3", "2")},
		{"insert first", ids("1", "2"), []string{op("insert", "Patient.identifier", index("index", 0), newID)}, ids("3", "1", "2")},
		{"insert into none", `"active":true`, []string{op("insert", "Patient.identifier", index("index", 0), newID)}, `"active":true,` + ids("3")},
		{"delete an item", ids("1", "2", "3"), []string{op("delete", "Patient.identifier[1]")}, ids("1", "3")},
		{"move forwards", ids("1", "2", "3", "4"), []string{op("move", "Patient.identifier", index("source", 0), index("destination", 3))}, ids("2", "3", "4", "1")},
		{"move backwards", ids("1", "2", "3", "4"), []string{op("move", "Patient.identifier", index("source", 3), index("destination", 1))}, ids("1", "4", "2", "3")},
		{"move nowhere", ids("1", "2"), []string{op("move", "Patient.identifier", index("source", 1), index("destination", 1))}, ids("1", "2")},
		// Ours: choices, primitives with extensions, lists of them, digits.
		{"another type of a choice", `"deceasedBoolean":true`, []string{op("replace", "Patient.deceased", `value=DateTime:"2026-01-01"`)}, `"deceasedDateTime":"2026-01-01"`},
		{"add a choice", `"active":true`, []string{op("add", "Patient", `name=String:"multipleBirth"`, `value=Integer:2`)}, `"active":true,"multipleBirthInteger":2`},
		{"delete a choice", `"active":true,"multipleBirthInteger":2`, []string{op("delete", "Patient.multipleBirth")}, `"active":true`},
		{"a primitive loses its extension", `"active":true,"birthDate":"1920","_birthDate":{"id":"b"}`, []string{op("replace", "Patient.birthDate", `value=Date:"1930"`)}, `"active":true,"birthDate":"1930"`},
		{"primitives keep their partners", `"name":[{"given":["a",null,"c"],"_given":[null,{"id":"b"},null]}]`, []string{op("move", "Patient.name.given", index("source", 1), index("destination", 0)), op("delete", "Patient.name.given[1]")}, `"name":[{"given":[null,"c"],"_given":[{"id":"b"},null]}]`},
		{"insert a primitive", `"name":[{"given":["a"]}]`, []string{op("insert", "Patient.name[0].given", index("index", 0), `value=String:"z"`)}, `"name":[{"given":["z","a"]}]`},
		{"extensions are elements", `"active":true`, []string{op("add", "Patient", `name=String:"extension"`, `value=part:[{"name":"url","valueUri":"http://e"},{"name":"value","valueDecimal":1.500}]`)}, `"active":true,"extension":[{"url":"http://e","valueDecimal":1.500}]`},
		{"the narrative", `"text":{"status":"generated","div":"x"}`, []string{op("delete", "Patient.text")}, ``},
	} {
		got, err := patch(t, `{"resourceType":"Patient",`+c.before+`}`, c.ops...)
		want := strings.TrimSuffix(`{"resourceType":"Patient",`+c.after, ",") + "}"
		if err != nil || got != want {
			t.Errorf("%s: %v\n got %s\nwant %s", c.name, err, got, want)
		}
	}
}

// A patch may be applied again, to another version: it must not have changed.
func TestPatchIsNotChanged(t *testing.T) {
	p := parse(t, `{"resourceType":"Parameters","parameter":[`+op("add", "Patient", `name=String:"maritalStatus"`, `value=CodeableConcept:{"text":"m"}`)+`,`+op("replace", "Patient.maritalStatus.text", `value=String:"n"`)+`]}`)
	before := string(p.Bytes())
	if err := Patch(parse(t, `{"resourceType":"Patient"}`), p); err != nil || string(p.Bytes()) != before {
		t.Errorf("%v: %s became %s", err, before, p.Bytes())
	}
}

func TestPatchRefuses(t *testing.T) {
	const resource = `{"resourceType":"Patient","active":true,"birthDate":"1920","name":[{"text":"a"},{"text":"b"}],"contained":[{"resourceType":"Device","id":"d"}]}`
	for says, ops := range map[string]string{
		"named operation":         `{"name":"op"}`,
		"the part type":           `{"name":"operation","part":[{"name":"type","valueCode":"test"}]}`,
		`needs a part "value"`:    op("replace", "Patient.active"),
		`has no part "name"`:      op("replace", "Patient.active", `name=String:"x"`, `value=Boolean:true`),
		"given twice":             op("delete", "Patient.active", `path=String:"x"`),
		"begins with the type":    op("delete", "Device.status"),
		"names and indexes":       op("delete", "Patient.name.where(text='a')"),
		"has no element colour":   op("delete", "Patient.colour"),
		"selects 2 elements":      op("delete", "Patient.name"),
		"already exists":          op("add", "Patient", `name=String:"active"`, `value=Boolean:false`),
		"selects nothing that co": op("replace", "Patient.gender", `value=Code:"male"`),
		"selects nothing":         op("insert", "Patient.contact[0].telecom", `index=Integer:0`, `value=ContactPoint:{}`),
		"is not a list":           op("insert", "Patient.active", `index=Integer:0`, `value=Boolean:true`),
		"index is a valueInteger": op("insert", "Patient.name", `index=Integer:3`, `value=HumanName:{}`),
		"source is a valueInt":    op("move", "Patient.name", `source=Integer:2`, `destination=Integer:0`),
		"nothing to move":         op("move", "Patient.telecom", `source=Integer:0`, `destination=Integer:0`),
		"must be one of boolean":  op("add", "Patient", `name=String:"deceased"`, `value=String:"x"`),
		"contained":               op("delete", "Patient.contained[0].id"),
		"continue into birthDate": op("delete", "Patient.birthDate.extension"),
		"does not delete the":     op("delete", "Patient"),
		"does not replace the":    op("replace", "Patient", `value=Patient:{}`),
		"the value is missing":    op("add", "Patient", `name=String:"gender"`, `value=part:[]`),
		"no child elements":       op("add", "Patient", `name=String:"gender"`, `value=part:[{"name":"x"}]`),
	} {
		if _, err := patch(t, resource, ops); !fault.Is(err, fault.Rule) || !strings.Contains(err.Error(), says) {
			t.Errorf("%s: %v does not say %q", ops, err, says)
		}
	}
	if err := Patch(parse(t, resource), parse(t, `{"resourceType":"Patient"}`)); !fault.Is(err, fault.Invalid) {
		t.Errorf("no Parameters: %v", err)
	}
}

// FuzzPatch: whatever the operations, nothing panics, and what comes out is JSON.
func FuzzPatch(f *testing.F) {
	for _, o := range []string{op("add", "Patient", `name=String:"gender"`, `value=part:[{"name":"x"}]`), op("move", "Patient.name", `source=Integer:1`, `destination=Integer:0`),
		op("delete", "Patient.name[0].given[1]"), op("replace", "Patient.deceased", `value=DateTime:"2026"`), op("insert", "Patient.name.given", `index=Integer:0`, `value=String:"x"`)} {
		f.Add(`{"resourceType":"Patient","name":[{"given":["a",null],"_given":[null,{"id":"x"}]},{"text":"b"}],"deceasedBoolean":true}`, `{"resourceType":"Parameters","parameter":[`+o+`]}`)
	}
	f.Fuzz(func(t *testing.T, resource, ops string) {
		n, err := fhirjson.Parse([]byte(resource))
		if err != nil {
			return
		}
		p, err := fhirjson.Parse([]byte(ops))
		if err != nil || Patch(n, p) != nil {
			return
		}
		if _, err := fhirjson.Parse(n.Bytes()); err != nil {
			t.Errorf("%s: %v", n.Bytes(), err)
		}
	})
}
