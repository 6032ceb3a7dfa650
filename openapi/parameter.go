package openapi

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
)

func query(name, description string, schema object, example string) object {
	out := object{"name": name, "in": "query", "description": description, "schema": schema}
	// An example has the schema's type.
	n, err := strconv.Atoi(example)
	switch {
	case example == "":
	case schema["type"] == "integer" && err == nil:
		out["example"] = n
	case schema["type"] == "boolean":
		out["example"] = example == "true"
	default:
		out["example"] = example
	}
	return out
}

func (b *builder) id(typ string) object {
	return b.param("id."+typ, func() object {
		return object{"name": "id", "in": "path", "required": true, "description": "The logical id of the " + typ + ".", "schema": ref("id"), "example": exampleID(typ)}
	})
}

func (b *builder) vid() object {
	return b.param("vid", func() object {
		return object{"name": "vid", "in": "path", "required": true, "description": "The version, from 1.", "schema": ref("id"), "example": "1"}
	})
}

func (b *builder) header(name, description, example string) object {
	return b.param(name, func() object {
		return object{"name": name, "in": "header", "description": description, "schema": object{"type": "string"}, "example": example}
	})
}

func (b *builder) requestID() object {
	return b.param("X-Request-Id", func() object {
		return object{"name": "X-Request-Id", "in": "header", "description": "An id of the caller's for the request, 1 to 64 characters from A-Z, a-z, 0-9, - and '.'; it stands in the answer, the log and the AuditEvent.", "schema": ref("id")}
	})
}

func (b *builder) prefer() object {
	return b.param("Prefer.return", func() object {
		return object{"name": "Prefer", "in": "header", "description": "What a write answers: nothing, the resource (the default), or an OperationOutcome. Preference-Applied says that it was honoured.",
			"schema": enum("return=minimal", "return=representation", "return=OperationOutcome")}
	})
}

func (b *builder) handling() object {
	return b.param("Prefer.handling", func() object {
		return object{"name": "Prefer", "in": "header", "description": "strict refuses unknown search parameters; lenient, the default, ignores them with a warning.",
			"schema": enum("handling=strict", "handling=lenient")}
	})
}

func (b *builder) format() object {
	return b.param("_format", func() object {
		return query("_format", "JSON is all there is; any other format is refused with 406.", enum("json", "application/json", fhirJSON), "")
	})
}

// formats is _format of an operation that answers in several.
func (b *builder) formats(o Operation) object {
	if len(o.Formats) == 0 {
		return b.format()
	}
	values := slices.Clone(o.Formats)
	text := "The format of the answer."
	if !o.Only {
		values = append([]string{fhirJSON, "json"}, values...)
		text += " FHIR JSON is the default."
	}
	return query("_format", text, enum(values...), "")
}

func (b *builder) summary() object {
	return b.param("_summary", func() object {
		return query("_summary", "A part of each resource: the elements that R4 marks as summary, the narrative, or all but the narrative.", enum("true", "text", "data", "false"), "")
	})
}

func (b *builder) elements() object {
	return b.param("_elements", func() object {
		return query("_elements", "Only these elements, and the required ones.", object{"type": "string"}, "status,code")
	})
}

func (b *builder) count() object {
	return b.param("_count", func() object {
		return query("_count", fmt.Sprintf("Entries on a page: %d without it, %d at most; 0 in a search asks for the number of matches only.", b.src.DefaultCount, b.src.MaxCount), object{"type": "integer", "minimum": 0}, "20")
	})
}

func (b *builder) since() object {
	return b.param("_since", func() object {
		return query("_since", "Only versions since this instant.", ref("instant"), "2026-11-20T00:00:00+01:00")
	})
}

func (b *builder) at() object {
	return b.param("_at", func() object {
		return query("_at", "Only versions that were current at some moment of this time, which may be as coarse as a year.", ref("dateTime"), "2026-11-20")
	})
}

func (b *builder) cursor() object {
	return b.param("_cursor", func() object {
		return query("_cursor", "Where a page starts. Opaque: take it from the link next.", object{"type": "string"}, "")
	})
}

// everywhere reports whether every type has the parameter, defined alike.
func (p Param) everywhere() bool {
	return strings.HasPrefix(p.Definition, "http://hl7.org/fhir/SearchParameter/Resource-")
}

func (b *builder) searchParam(typ string, p Param) object {
	key := "search." + typ + "." + p.Name // apart from the elements of the type, whose names generators make types of
	if p.everywhere() {
		key = p.Name
	}
	return b.param(key, func() object {
		// Repeating a parameter means and.
		return object{"name": p.Name, "in": "query", "description": describeParam(p), "explode": true,
			"schema": object{"type": "array", "items": object{"type": "string"}}, "example": list{exampleValue(p)}}
	})
}

// types is _type of a search over several.
func (b *builder) types() object {
	return b.param("_type", func() object {
		return query("_type", "The types to search, with commas between, such as Observation,Device; all of them without it.", object{"type": "string"}, "Observation")
	})
}

// severalParams are those of a search over several types: what every type has. The
// description names the others.
func (b *builder) severalParams() list {
	out := list{b.types()}
	for _, p := range b.src.Types[0].Search {
		if p.everywhere() {
			out = append(out, b.searchParam("", p))
		}
	}
	return append(out, b.results()...)
}

// results are the parameters that control the result of a search.
func (b *builder) results() list {
	return list{b.count(), b.cursor(), b.param("_sort", func() object {
		return query("_sort", "Search parameters of the type with commas between, a minus before one for descending.", object{"type": "string"}, "-_lastUpdated")
	}), b.param("_total", func() object {
		return query("_total", "How exact Bundle.total is to be: none leaves it out, accurate always counts; without it, it is given where counting is cheap.", enum("none", "estimate", "accurate"), "")
	}), b.param("_summary.search", func() object {
		return query("_summary", "A part of each resource, or the number of matches alone.", enum("true", "text", "data", "count", "false"), "")
	}), b.elements()}
}

// searchParams are the parameters of a search on a type, those of results included.
func (b *builder) searchParams(t Type) list {
	var out list
	for _, p := range t.Search {
		out = append(out, b.searchParam(t.Name, p))
	}
	if !t.Paged {
		return append(out, b.count(), b.cursor())
	}
	out = append(out, b.results()...)
	if len(t.Include) > 0 {
		out = append(out, b.include(t.Name, "_include", "Add what the matches refer to: Type:parameter, or Type:parameter:Target. _include:iterate follows further.", t.Include))
	}
	if len(t.RevInclude) > 0 {
		out = append(out, b.include(t.Name, "_revinclude", "Add what refers to the matches: Type:parameter. _revinclude:iterate follows further.", t.RevInclude))
	}
	return out
}

func (b *builder) include(typ, name, text string, values []string) object {
	return b.param("search."+typ+"."+name, func() object {
		return object{"name": name, "in": "query", "description": text + " Offered: " + strings.Join(values, ", ") + ".", "explode": true,
			"schema": object{"type": "array", "items": object{"type": "string"}}, "example": list{values[0]}}
	})
}

// criteria are the search parameters of a conditional interaction.
func (b *builder) criteria() object {
	return b.param("criteria", func() object {
		return object{"name": "criteria", "in": "query", "required": true, "style": "form", "explode": true,
			"description": "Search parameters of the type, each by its own name, as in a search.",
			"schema":      object{"type": "object", "additionalProperties": object{"type": "string"}, "minProperties": 1},
			"example":     object{"identifier": "http://hospital.example.org/charting|example-1"}}
	})
}

// describeParam says how the values of a search parameter are written.
func describeParam(p Param) string {
	var s string
	switch p.Kind {
	case "token":
		s = "Token: code, system|code, |code without a system, or system|. Modifiers :not, :text, :in, :not-in, :missing."
	case "reference":
		s = "Reference: Type/id or an absolute URL. Modifiers :identifier, :missing and :Type; .parameter chains."
		if len(p.Targets) > 0 {
			s += " To " + strings.Join(p.Targets, ", ") + "."
		}
	case "date":
		s = "Date: a year to an instant, meant as wide as it is written; without a zone, in the ward's. Prefixes eq, ne, gt, ge, lt, le, sa, eb, ap. Modifier :missing."
	case "string":
		s = "String: the beginning, without regard to case and accents. Modifiers :exact, :contains, :missing."
	case "uri":
		s = "URI, in full. Modifiers :above, :below, :missing."
	case "number":
		s = "Number, meant as exact as it is written. Prefixes eq, ne, gt, ge, lt, le, sa, eb, ap. Modifier :missing."
	case "quantity":
		s = "Quantity: number|system|code with a prefix eq, ne, gt, ge, lt, le, sa, eb or ap. UCUM units are converted: gt1|http://unitsofmeasure.org|[foz_us] finds 35 mL. Modifier :missing."
	case "composite":
		s = "Composite: " + strings.Join(p.Components, "$") + ", each written as by itself."
	}
	return s + " Definition: " + p.Definition + "."
}

// exampleValue is a valid value of the parameter.
func exampleValue(p Param) string {
	switch p.Kind {
	case "reference":
		switch {
		case p.Name == "patient" || p.Name == "subject" || slices.Contains(p.Targets, "Patient"):
			return "Patient/example-patient"
		case p.Name == "device" || slices.Contains(p.Targets, "Device"):
			return "Device/example-drain"
		case len(p.Targets) > 0:
			return p.Targets[0] + "/example"
		}
		return "Patient/example-patient"
	case "date":
		return "ge2026-11-20"
	case "string":
		return "example"
	case "uri":
		return "http://tidemark.example.org/fhir"
	case "number":
		return "gt1"
	case "quantity":
		return "gt1|" + ucumSystem + "|[foz_us]"
	case "composite":
		var parts []string
		for _, c := range p.Components {
			switch {
			case strings.Contains(c, "quantity"):
				parts = append(parts, "gt20")
			case strings.Contains(c, "date"):
				parts = append(parts, "ge2026-11-20")
			default:
				parts = append(parts, "http://loinc.org|9203-1")
			}
		}
		return strings.Join(parts, "$")
	}
	switch p.Name {
	case "code", "combo-code":
		return "http://loinc.org|9203-1"
	case "identifier":
		return "http://hospital.example.org/charting|example-1"
	case "_id":
		return "example"
	case "status":
		return "final"
	case "category":
		return "exam"
	}
	return "example"
}

// operationParam is a parameter of an operation in a URL.
func operationParam(p OperationParam) object {
	var schema object
	switch p.Type {
	case "integer", "positiveInt", "unsignedInt":
		schema = object{"type": "integer"}
		if p.Type == "positiveInt" {
			schema["minimum"] = 1
		} else {
			schema["minimum"] = 0
		}
	case "decimal":
		schema = object{"type": "number", "format": "double", "exclusiveMinimum": 0}
	case "boolean":
		schema = object{"type": "boolean"}
	case "instant":
		schema = ref("instant")
	case "date", "dateTime":
		schema = ref("dateTime")
	default:
		schema = object{"type": "string"}
	}
	if len(p.Values) > 0 {
		schema = enum(p.Values...)
	}
	out := query(p.Name, p.Description, schema, "")
	if p.Example != "" {
		out["example"] = typed(schema, p.Example)
	}
	if p.Repeats {
		out["explode"] = true
		out["schema"] = object{"type": "array", "items": schema}
		if p.Example != "" {
			out["example"] = list{typed(schema, p.Example)}
		}
	}
	if p.Required {
		out["required"] = true
	}
	return out
}
