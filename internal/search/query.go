package search

import (
	"time"
)

// Kind is a FHIR search parameter type.
type Kind string

// The search parameter types.
const (
	Token     Kind = "token"
	Reference Kind = "reference"
	Date      Kind = "date"
	String    Kind = "string"
	URI       Kind = "uri"
	Number    Kind = "number"
	Quantity  Kind = "quantity"
	Composite Kind = "composite"
)

// Query is a parsed search on one resource type. All clauses hold together.
type Query struct {
	Type  string
	Where []Clause
	// Within, when not empty, restricts the result to what at least one of its
	// alternatives matches (each an AND of clauses): the caller's rights.
	Within [][]Clause
	Sort   []SortKey // ties are broken by creation order, ascending
	Count  int       // page size, at least 1
	Cursor string    // opaque, from Page.Next; "" for the first page
}

// SortKey is one key of _sort.
type SortKey struct {
	Param string
	Desc  bool
}

// Clause is one parameter of a search: its values are alternatives.
type Clause struct {
	Param    string // canonical name; views such as patient on subject keep their own name
	Kind     Kind
	Modifier string // "", "missing", "not", "exact", "contains", "text", "identifier", "of-type", "above", "below"
	Values   []Value
	Link     *Link // a condition on other resources, until Resolve replaces it
	Inner    *Link // the same, of a chain, for contained resources
}

// Link is a condition on the resources at the other end of a reference:
// subject:Patient.name=x (a chain), or _has:Observation:patient:code=x.
type Link struct {
	Reverse bool   // _has: the others refer to us through Param
	Type    string // of the others
	Param   string // _has only: their reference parameter
	Where   []Clause
}

// Value is one alternative of a clause; which fields count depends on the kind.
type Value struct {
	Raw    string // as written, for self links and messages
	Prefix string // "eq" when none was written: eq ne gt lt ge le sa eb ap

	System    string // token, quantity
	AnySystem bool   // token without "|"; quantity without a system
	Code      string // token; quantity unit
	AnyCode   bool   // token "system|"; quantity without a unit

	Untyped bool   // reference: an id without a type, which several types may have
	Ref     string // reference: "Type/id", or an absolute URL that is not ours, or "|id" when no type was given

	Text   string // string, uri; token with :text, and the identifier's value with :of-type
	Folded string // string: Fold(Text) where it is prepared

	Lo, Hi time.Time // date: the interval that the value stands for

	// number and quantity: the value as written and the bounds of its implied
	// precision, exact decimals; in canonical units too where the unit is UCUM.
	Number, Low, High             string
	Base                          string // canonical unit, "" when not a UCUM unit
	BaseNumber, BaseLow, BaseHigh string

	Parts []Clause // composite: one clause per component, each with one value
	Bool  bool     // :missing
}
