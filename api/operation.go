package api

import (
	"context"
	"net/http"
	"slices"
	"strings"

	"tidemark/internal/auth"
	"tidemark/internal/budget"
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

// Operation is one row of the table of operations, which the router, the rights,
// /fhir/metadata and the OpenAPI document share.
type Operation struct {
	Name       string      // with its $
	Level      Level       //
	Types      []string    // nil: every type that is kept
	Affects    bool        // changes state: POST only
	Definition string      // canonical of its OperationDefinition
	Needs      []auth.Need // what it asks of the scopes
	Spans      bool        // asks it for each type of the answer, which Run knows
	Run        func(ctx context.Context, s *Server, in *Interaction, p Params) (*Answer, error)
}

// What the operations ask of the scopes. A type that is empty is the one that
// the operation is invoked on.
var (
	readIt   = auth.Need{Actions: auth.Read}
	findIt   = auth.Need{Actions: auth.Search}
	writeIt  = auth.Need{Actions: auth.Update}
	knowIt   = auth.Need{Actions: auth.Create | auth.Update | auth.Read, Any: true}
	readings = auth.Need{Type: "Observation", Actions: auth.Read, Whole: true}
	concerns = auth.Need{Type: "DetectedIssue", Actions: auth.Read, Whole: true}
	drains   = auth.Need{Type: "Device", Actions: auth.Read, Whole: true}
	mergeIt  = auth.Need{Actions: auth.Read | auth.Update | auth.Search, Whole: true, Levels: auth.User | auth.System, Own: auth.Merging}
	purgeIt  = auth.Need{Actions: auth.Read | auth.Delete, Whole: true, Levels: auth.User | auth.System, Own: auth.Purging}
	answers  = auth.Need{Type: "DetectedIssue", Actions: auth.Read | auth.Update}
)

const hl7Operation = "http://hl7.org/fhir/OperationDefinition/"
const backportOperation = "http://hl7.org/fhir/uv/subscriptions-backport/OperationDefinition/"
const ownOperation = "http://tidemark.example.org/fhir/OperationDefinition/"

// builtin are the operations of this package.
func builtin() []Operation {
	return []Operation{
		{Name: "$drain-output", Level: AtInstance, Types: []string{"Device"}, Definition: ownOperation + "drain-output", Needs: []auth.Need{readIt, readings}, Run: drainOutput},
		{Name: "$fluid-balance", Level: AtInstance, Types: []string{"Patient"}, Definition: ownOperation + "fluid-balance", Needs: []auth.Need{readIt, readings}, Run: fluidBalance},
		{Name: "$escalation-status", Level: AtInstance, Types: []string{"Device", "Patient", "Location"}, Definition: ownOperation + "escalation-status", Needs: []auth.Need{readIt, readings, concerns}, Run: escalationStatus},
		{Name: "$emptying-due", Level: AtInstance, Types: []string{"Location"}, Definition: ownOperation + "emptying-due", Needs: []auth.Need{readIt, readings, drains}, Run: emptyingDue},
		{Name: "$handover", Level: AtInstance, Types: []string{"Location", "Patient"}, Definition: ownOperation + "handover", Needs: []auth.Need{readIt, readings, concerns, drains}, Run: handover},
		{Name: "$removal-review", Level: AtInstance, Types: []string{"Device"}, Definition: ownOperation + "removal-review", Needs: []auth.Need{readIt, readings}, Run: removalReview},
		{Name: "$acknowledge", Level: AtInstance, Types: []string{"DetectedIssue", "Device"}, Affects: true, Definition: ownOperation + "acknowledge", Needs: []auth.Need{readIt, answers}, Run: acknowledge},
		{Name: "$chart", Level: AtInstance, Types: []string{"Device"}, Definition: ownOperation + "chart", Needs: []auth.Need{readIt, readings, concerns}, Run: drainChart},
		{Name: "$lastn", Level: AtType, Types: []string{"Observation"}, Definition: hl7Operation + "Observation-lastn", Needs: []auth.Need{findIt}, Run: lastN},
		{Name: "$stats", Level: AtType, Types: []string{"Observation"}, Definition: hl7Operation + "Observation-stats", Needs: []auth.Need{findIt}, Run: stats},
		{Name: "$validate", Level: AtType, Definition: hl7Operation + "Resource-validate", Needs: []auth.Need{knowIt}, Run: validate},
		{Name: "$validate", Level: AtInstance, Definition: hl7Operation + "Resource-validate", Needs: []auth.Need{readIt}, Run: validate},
		{Name: "$everything", Level: AtInstance, Types: []string{"Patient", "Device"}, Definition: hl7Operation + "Patient-everything", Needs: []auth.Need{readIt}, Run: everything},
		{Name: "$meta", Level: AtInstance, Definition: hl7Operation + "Resource-meta", Needs: []auth.Need{readIt}, Run: meta},
		{Name: "$meta-add", Level: AtInstance, Types: typeNames(full), Affects: true, Definition: hl7Operation + "Resource-meta-add", Needs: []auth.Need{writeIt}, Run: metaAdd},
		{Name: "$meta-delete", Level: AtInstance, Types: typeNames(full), Affects: true, Definition: hl7Operation + "Resource-meta-delete", Needs: []auth.Need{writeIt}, Run: metaDelete},
		{Name: "$merge", Level: AtType, Types: []string{"Patient"}, Affects: true, Definition: hl7Operation + "Patient-merge", Needs: []auth.Need{mergeIt}, Run: mergePatients},
		{Name: "$purge", Level: AtInstance, Types: []string{"Patient"}, Affects: true, Definition: hl7Operation + "Patient-purge", Needs: []auth.Need{purgeIt}, Run: purgePatient},
		{Name: "$status", Level: AtType, Types: []string{"Subscription"}, Definition: backportOperation + "backport-subscription-status", Needs: []auth.Need{findIt}, Run: subscriptionStatus},
		{Name: "$status", Level: AtInstance, Types: []string{"Subscription"}, Definition: backportOperation + "backport-subscription-status", Needs: []auth.Need{readIt}, Run: subscriptionStatus},
		{Name: "$events", Level: AtInstance, Types: []string{"Subscription"}, Definition: backportOperation + "backport-subscription-events", Needs: []auth.Need{readIt}, Run: subscriptionEvents},
		{Name: "$expand", Level: AtType, Types: []string{"ValueSet"}, Definition: hl7Operation + "ValueSet-expand", Needs: []auth.Need{readIt}, Run: expand},
		{Name: "$expand", Level: AtInstance, Types: []string{"ValueSet"}, Definition: hl7Operation + "ValueSet-expand", Needs: []auth.Need{readIt}, Run: expand},
		{Name: "$validate-code", Level: AtType, Types: []string{"ValueSet"}, Definition: hl7Operation + "ValueSet-validate-code", Needs: []auth.Need{readIt}, Run: validateCode},
		{Name: "$validate-code", Level: AtInstance, Types: []string{"ValueSet"}, Definition: hl7Operation + "ValueSet-validate-code", Needs: []auth.Need{readIt}, Run: validateCode},
		{Name: "$lookup", Level: AtType, Types: []string{"CodeSystem"}, Definition: hl7Operation + "CodeSystem-lookup", Needs: []auth.Need{readIt}, Run: lookup},
	}
}

// scopes names what the operation asks for on a type, for people to read.
func (op Operation) scopes(typ string) string {
	var each []string
	for _, n := range op.Needs {
		text := n.Scopes(typ)
		switch {
		case op.Spans:
			text = n.Scopes("T") + " for each type T of the answer"
		case n.Whole:
			text += " (without a constraint)"
		}
		if !slices.Contains(each, text) {
			each = append(each, text)
		}
	}
	return strings.Join(each, " and ")
}

// operation finds the row and runs it.
func (s *Server) operation(ctx context.Context, in *Interaction) (*Answer, error) {
	in.audit.is("operation", "E", keyText(in))
	in.audit.query(in.Query)
	in.audit.text = strings.TrimSuffix(in.Special+"?"+in.audit.text, "?")
	op, ok := s.findOperation(in)
	if !ok {
		where := map[Level]string{AtSystem: "on the system", AtType: "on " + in.Type, AtInstance: "on one " + in.Type}[in.level()]
		return nil, fault.New(fault.NotFound, "not-supported", "No operation %s is offered %s; /fhir/metadata lists them.", in.Special, where)
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
	if !op.Spans {
		if err := in.Who.May([]string{in.Type}, op.Needs...); err != nil {
			return nil, err
		}
	}
	in.needs = op.Needs
	p, err := in.params()
	if err != nil {
		return nil, err
	}
	if op.Affects { // what it writes has limits of its own, such as the resources of a merge
		ctx, _ = budget.With(ctx, s.most.Times(10))
	}
	return op.Run(ctx, s, in, p)
}

// level is where the interaction is invoked.
func (in *Interaction) level() Level {
	switch {
	case in.ID != "":
		return AtInstance
	case in.Type != "":
		return AtType
	}
	return AtSystem
}

// findOperation finds the row of the operation that an interaction names.
func (s *Server) findOperation(in *Interaction) (Operation, bool) {
	for _, op := range s.operations[in.Special] {
		if op.Level == in.level() && op.on(in.Type) {
			return op, true
		}
	}
	return Operation{}, false
}

// on reports whether the operation is offered on the type.
func (op Operation) on(typ string) bool {
	switch {
	case op.Level == AtSystem:
		return true
	case op.Types != nil:
		return slices.Contains(op.Types, typ)
	}
	return types[typ] == full || types[typ] == derived
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
