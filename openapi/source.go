package openapi

// Source is what the service offers, from its own tables.
type Source struct {
	Types        []Type
	Interactions []string    // of the whole system: transaction, batch, history-system, search-system
	Operations   []Operation // of the whole system
	Compartments []Compartment
	Endpoints    []Endpoint // beside FHIR, other than the fixed ones
	Codes        []CodeSet  // that the components of an emptying take
	Description  string     // of the service, cautions included
	SystemSearch string     // what a search over several types takes
	Version      string     // of what is offered, a date
	MaxEntries   int        // of a batch or transaction
	MaxCount     int        // of a page
	DefaultCount int        // of a page
}

// Type is a resource type.
type Type struct {
	Name         string
	Interactions []string // FHIR's names: read, vread, search-type, …
	Conditional  bool     // conditional create, update, patch and delete
	Paged        bool     // searches take the parameters of results, as _sort and _elements
	Search       []Param
	Include      []string // Type:parameter
	RevInclude   []string
	Profiles     []string // canonicals of the service's own
	Operations   []Operation
}

// Param is a search parameter.
type Param struct {
	Name       string
	Kind       string // FHIR's name: token, reference, date, …
	Definition string // canonical
	Targets    []string
	Components []string
}

// Operation is an extended operation of a type or of the system.
type Operation struct {
	Name        string // with its $
	Instance    bool   // invoked on one resource
	Own         bool   // the service's own, not one of FHIR's
	Affects     bool   // changes state: POST only
	Async       bool   // answers 202 and works on
	Title       string
	Description string
	Definition  string // canonical
	Scopes      string // what it asks of the token
	Params      []OperationParam
	Returns     string   // a FHIR type
	Formats     []string // media types beside FHIR JSON, chosen by _format or Accept
	Only        bool     // Formats are all there is
}

// OperationParam is an in parameter.
type OperationParam struct {
	Name, Type  string // FHIR type
	Required    bool
	Repeats     bool
	Description string
	Values      []string // all that it takes, where that is a short list
	Example     string
}

// Compartment is an owner and the types in its compartment.
type Compartment struct {
	Owner string
	Holds []string
}

// Endpoint is a URL of its own.
type Endpoint struct {
	Method, Path string
	ID, Tag      string
	Summary      string
	Description  string
	Open         bool // needs no token
	Params       []OperationParam
	Answers      []EndpointAnswer
}

// EndpointAnswer is one status that an Endpoint may answer.
type EndpointAnswer struct {
	Status      int
	Description string
	Media       string // "" for no body
	Schema      string // name in components.schemas, "" for text or bytes
}

// CodeSet is a list of codes, by the name of the element that takes them.
type CodeSet struct {
	Name  string
	Codes []string
}
