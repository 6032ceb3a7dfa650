// Package search owns FHIR search: which values of a resource its search
// parameters index (Extract), what a search URL means (Parse), and whether a
// resource matches (Query.Match). The stores use Plan to find candidates
// through an index and Match to decide, so that no two stores can disagree
// about a modifier or a date boundary. It reads trees, never a database.
package search

import "time"

// Doc is what one resource offers to a search.
type Doc struct {
	Type, ID    string
	LastUpdated time.Time // set by the store
	// Date is the start of the resource's primary date (Observation.effective,
	// Encounter.period, …) in microseconds since 1970, NoDate without one.
	// DateEnd is the end of the interval that the date covers. Stores keep Date beside
	// every key, so that "the newest of this patient" is one index walk.
	Date, DateEnd int64
	Entries       []Entry
}

// NoDate is Doc.Date of a resource without a primary date. Such resources
// come last in every order.
const NoDate = -1 << 62

// Entry is one indexed value. Which fields count depends on the kind.
type Entry struct {
	// Param is the parameter that keeps the value. Views have no entries of
	// their own: patient reads those of subject, combo-code those of code and
	// component-code, a composite those of its components.
	Param string
	Kind  Kind

	System, Code string // token, quantity (unit)
	Text         string // token: display or text; string: the text as written; uri
	Ref          string // reference: "Type/id" or an absolute URL
	Version      string // reference: the version that it names; searches do not ask for it
	Contained    *Doc   // reference: the contained resource that it names, for chains
	Lo, Hi       int64  // date: [Lo, Hi) in microseconds
	Number       string // number, quantity: exact decimal as written
	Comparator   string // quantity: <, <=, >=, >
	Base         string // quantity: canonical unit
	BaseNumber   string // quantity: exact value in canonical units, decimal or n/d
	Element      int    // for composites: entries of one element instance share it; 0 when no composite reads it
	Missing      bool   // only extensions (a data-absent-reason, say) stand here
}

// Plan is the part of a query that a store can use to find candidates. Every
// condition in it is necessary; if Exact is set, Keys and Within are sufficient
// and Match need not be called.
type Plan struct {
	Type   string
	IDs    []string    // from _id; nil when not asked
	Keys   [][]int64   // a document must have at least one key of every group
	Within [][][]int64 // when not empty: and satisfy the groups of one alternative
	// DateFrom and DateTo bound the primary date: DateEnd > DateFrom and
	// Date < DateTo. NoDate and MaxDate where unbounded, when the condition
	// must be left out: documents without a date satisfy it too.
	DateFrom, DateTo int64
	Ranges           []Range  // on numbers and quantities
	Prefixes         []Prefix // on strings
	Exact            bool
}

// MaxDate is Plan.DateTo without an upper bound.
const MaxDate = 1<<62 - 1

// Range is an interval of a number or quantity parameter in canonical units, as
// floats rounded outwards. In a Plan, some value must overlap it; from
// Doc.Numbers, it is what a value covers. It serves index walks only; Match decides.
type Range struct {
	Param, Base string
	Lo, Hi      float64
}

// Prefix is a bound on a string parameter: its folded text begins with Text.
type Prefix struct{ Param, Text string }
