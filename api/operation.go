package api

import (
	"context"
	"net/http"
	"slices"
	"strings"

	"tidemark/internal/fault"
	"tidemark/internal/fhirjson"
)

// Level is where an operation is invoked.
type Level int

// The levels of operations.
const (
	AtSystem Level = iota
	AtType
	AtInstance
)

// Operation is one row of the table of operations, which the router and
// /fhir/metadata share.
type Operation struct {
	Name       string   // with its $
	Level      Level    //
	Types      []string // nil: every type that is kept
	Affects    bool     // changes state: POST only
	Definition string   // canonical of its OperationDefinition
	Run        func(ctx context.Context, s *Server, in *Interaction, p Params) (*Answer, error)
}

const hl7Operation = "http://hl7.org/fhir/OperationDefinition/"
const ownOperation = "http://tidemark.example.org/fhir/OperationDefinition/"

// builtin are the operations of this package.
func builtin() []Operation {
	return []Operation{
		{Name: "$drain-output", Level: AtInstance, Types: []string{"Device"}, Definition: ownOperation + "drain-output", Run: drainOutput},
		{Name: "$fluid-balance", Level: AtInstance, Types: []string{"Patient"}, Definition: ownOperation + "fluid-balance", Run: fluidBalance},
		{Name: "$escalation-status", Level: AtInstance, Types: []string{"Device", "Patient", "Location"}, Definition: ownOperation + "escalation-status", Run: escalationStatus},
		{Name: "$emptying-due", Level: AtInstance, Types: []string{"Location"}, Definition: ownOperation + "emptying-due", Run: emptyingDue},
		{Name: "$removal-review", Level: AtInstance, Types: []string{"Device"}, Definition: ownOperation + "removal-review", Run: removalReview},
		{Name: "$acknowledge", Level: AtInstance, Types: []string{"DetectedIssue"}, Affects: true, Definition: ownOperation + "acknowledge", Run: acknowledge},
		{Name: "$chart", Level: AtInstance, Types: []string{"Device"}, Definition: ownOperation + "chart", Run: drainChart},
		{Name: "$lastn", Level: AtType, Types: []string{"Observation"}, Definition: hl7Operation + "Observation-lastn", Run: lastN},
		{Name: "$stats", Level: AtType, Types: []string{"Observation"}, Definition: hl7Operation + "Observation-stats", Run: stats},
		{Name: "$validate", Level: AtType, Definition: hl7Operation + "Resource-validate", Run: validate},
		{Name: "$validate", Level: AtInstance, Definition: hl7Operation + "Resource-validate", Run: validate},
		{Name: "$everything", Level: AtInstance, Types: []string{"Patient", "Device"}, Definition: hl7Operation + "Patient-everything", Run: everything},
		{Name: "$meta", Level: AtInstance, Definition: hl7Operation + "Resource-meta", Run: meta},
		{Name: "$meta-add", Level: AtInstance, Types: typeNames(full), Affects: true, Definition: hl7Operation + "Resource-meta-add", Run: metaAdd},
		{Name: "$meta-delete", Level: AtInstance, Types: typeNames(full), Affects: true, Definition: hl7Operation + "Resource-meta-delete", Run: metaDelete},
		{Name: "$expand", Level: AtType, Types: []string{"ValueSet"}, Definition: hl7Operation + "ValueSet-expand", Run: expand},
		{Name: "$expand", Level: AtInstance, Types: []string{"ValueSet"}, Definition: hl7Operation + "ValueSet-expand", Run: expand},
		{Name: "$validate-code", Level: AtType, Types: []string{"ValueSet"}, Definition: hl7Operation + "ValueSet-validate-code", Run: validateCode},
		{Name: "$validate-code", Level: AtInstance, Types: []string{"ValueSet"}, Definition: hl7Operation + "ValueSet-validate-code", Run: validateCode},
		{Name: "$lookup", Level: AtType, Types: []string{"CodeSystem"}, Definition: hl7Operation + "CodeSystem-lookup", Run: lookup},
	}
}

// operation finds the row and runs it.
func (s *Server) operation(ctx context.Context, in *Interaction) (*Answer, error) {
	in.audit.is("operation", "E", keyText(in))
	in.audit.query(in.Query)
	in.audit.text = strings.TrimSuffix(in.Special+"?"+in.audit.text, "?")
	level := AtSystem
	switch {
	case in.ID != "":
		level = AtInstance
	case in.Type != "":
		level = AtType
	}
	for _, op := range s.operations[in.Special] {
		if op.Level != level || op.Types != nil && !slices.Contains(op.Types, in.Type) {
			continue
		}
		if op.Types == nil && level != AtSystem && types[in.Type] != full && types[in.Type] != derived {
			continue
		}
		switch {
		case in.Verb == http.MethodPost:
		case in.Verb == http.MethodGet && !op.Affects:
		default:
			return nil, fault.New(fault.Method, "not-supported", "%s is invoked with %s.", op.Name, map[bool]string{true: "POST", false: "GET or POST"}[op.Affects])
		}
		if in.Who == nil {
			return nil, fault.New(fault.Unauthenticated, "login", "Send a bearer token in the Authorization header.")
		}
		p, err := in.params()
		if err != nil {
			return nil, err
		}
		return op.Run(ctx, s, in, p)
	}
	where := "on the system"
	switch level {
	case AtType:
		where = "on " + in.Type
	case AtInstance:
		where = "on one " + in.Type
	}
	return nil, fault.New(fault.NotFound, "not-supported", "No operation %s is offered %s; /fhir/metadata lists them.", in.Special, where)
}

// Params are the parameters of an operation, from the URL or a Parameters body.
type Params struct{ list []param }

type param struct {
	name  string
	text  string         // of primitives
	value *fhirjson.Node // value[x] of a Parameters body
	res   *fhirjson.Node
}

// params reads them. A body that is not a Parameters stands for the parameter
// "resource", as R4 allows it.
func (in *Interaction) params() (Params, error) {
	var p Params
	for _, q := range in.Query {
		if q.Value != "" {
			p.list = append(p.list, param{name: q.Name, text: q.Value})
		}
	}
	if in.Body == nil {
		return p, nil
	}
	if in.Body.Str("resourceType") != "Parameters" {
		p.list = append(p.list, param{name: "resource", res: in.Body})
		return p, nil
	}
	for i, e := range in.Body.Each("parameter") {
		name := e.Str("name")
		if name == "" {
			return p, fault.At(fault.Invalid, "required", "Parameters.parameter["+itoa(i)+"].name", "The parameter has no name.")
		}
		x := param{name: name, res: e.Get("resource")}
		for _, m := range e.Members {
			if strings.HasPrefix(m.Name, "value") {
				x.value = m.Value
				switch m.Value.Kind {
				case fhirjson.String, fhirjson.Number, fhirjson.Bool:
					x.text = m.Value.Text
				}
			}
		}
		p.list = append(p.list, x)
	}
	return p, nil
}

// Text is the primitive value of a parameter, "" without one.
func (p Params) Text(name string) string {
	for _, x := range p.list {
		if x.name == name {
			return x.text
		}
	}
	return ""
}

// All are the primitive values of a repeating parameter; commas separate too.
func (p Params) All(name string) []string {
	var out []string
	for _, x := range p.list {
		if x.name == name && x.text != "" {
			out = append(out, splitComma(x.text)...)
		}
	}
	return out
}

// Node is the complex value of a parameter.
func (p Params) Node(name string) *fhirjson.Node {
	for _, x := range p.list {
		if x.name == name && x.value != nil {
			return x.value
		}
	}
	return nil
}

// Nodes are the complex values of a repeating parameter.
func (p Params) Nodes(name string) []*fhirjson.Node {
	var out []*fhirjson.Node
	for _, x := range p.list {
		if x.name == name && x.value != nil {
			out = append(out, x.value)
		}
	}
	return out
}

// Resource is a resource parameter.
func (p Params) Resource(name string) *fhirjson.Node {
	for _, x := range p.list {
		if x.name == name && x.res != nil {
			return x.res
		}
	}
	return nil
}

// only refuses parameters that an operation does not have: a misspelt one
// would change the answer's meaning silently.
func (p Params) only(names ...string) error {
	for _, x := range p.list {
		switch x.name {
		case "_format", "_pretty":
			continue
		}
		if !slices.Contains(names, x.name) {
			return fault.New(fault.Invalid, "not-supported", "There is no parameter %s here; there are %s.", x.name, strings.Join(names, ", "))
		}
	}
	return nil
}
