package bulk

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
	"time"

	"tidemark/internal/fault"
	"tidemark/internal/fhirdate"
	"tidemark/internal/search"
)

// Level is on what $export is invoked.
type Level string

// The levels.
const (
	OfSystem   Level = "system"
	OfPatients Level = "Patient"
	OfGroup    Level = "Group"
)

// Format is what the files hold.
type Format string

// The formats. NDJSON holds resources, the others the flat tables.
const (
	NDJSON  Format = "application/fhir+ndjson"
	CSV     Format = "text/csv"
	Parquet Format = "application/vnd.apache.parquet"
)

// Table reports whether the format is one of flat tables.
func (f Format) Table() bool { return f != NDJSON }

// Request is what a client asks for.
type Request struct {
	Level    Level     `json:"level"`
	Group    string    `json:"group,omitempty"`    // id, for OfGroup
	Types    []string  `json:"types,omitempty"`    // empty: every type that the caller may read
	Since    time.Time `json:"since,omitzero"`     //
	Until    time.Time `json:"until,omitzero"`     //
	Filters  []string  `json:"filters,omitempty"`  // "Type?query"; those of one type are alternatives
	Elements []string  `json:"elements,omitempty"` //
	Format   Format    `json:"format"`
	ByMonth  bool      `json:"byMonth,omitempty"`  // the rows of a flat table in a file for each month
	Patients []string  `json:"patients,omitempty"` // logical ids; nil: all
	// Ignored are the parts of the request that were passed over because the
	// client asked for lenient handling, in words for the error file.
	Ignored []string `json:"ignored,omitempty"`
}

// maxItems bounds every list of a request.
const maxItems = 1000

// ParseRequest reads the parameters of $export. A parameter that is not
// offered is refused; with lenient it is passed over and named in the error
// file. types are those that can be exported.
func ParseRequest(level Level, group string, pairs []search.Pair, types []string, lenient bool) (Request, error) {
	p := parser{Request: Request{Level: level, Group: group, Format: NDJSON}, types: types, lenient: lenient}
	for _, pair := range pairs {
		if pair.Value != "" {
			p.pair(pair.Name, pair.Value)
		}
	}
	p.check()
	if err := p.faults.As(fault.Invalid); err != nil {
		return Request{}, err
	}
	return p.Request, nil
}

type parser struct {
	Request
	types   []string
	lenient bool
	faults  fault.List
}

// spare notes what lenient handling passes over.
func (p *parser) spare(code, format string, args ...any) {
	if p.lenient {
		p.Ignored = append(p.Ignored, fmt.Sprintf(format, args...))
		return
	}
	p.refuse(code, format, args...)
}

func (p *parser) refuse(code, format string, args ...any) {
	p.faults.Issues = append(p.faults.Issues, fault.New(fault.Invalid, code, format, args...).Issues...)
}

func (p *parser) pair(name, value string) {
	switch name {
	case "_outputFormat":
		f, ok := format(value)
		if !ok {
			p.refuse("not-supported", "_outputFormat=%s is not offered; there are %s, and %s or %s for flat tables.", value, NDJSON, CSV, Parquet)
		}
		p.Format = f
	case "_type":
		for t := range strings.SplitSeq(value, ",") {
			switch t = strings.TrimSpace(t); {
			case t == "" || slices.Contains(p.Types, t):
			case slices.Contains(p.types, t):
				p.Types = append(p.Types, t)
			default:
				p.spare("not-supported", "_type: %q is not a type that can be exported; use %s.", t, strings.Join(p.types, ", "))
			}
		}
		if p.Types == nil {
			p.Types = []string{} // all that was named is passed over: not the same as everything
		}
	case "_since":
		p.Since = p.instant(name, value)
	case "_until":
		p.Until = p.instant(name, value)
	case "_typeFilter":
		p.Filters = append(p.Filters, splitFilters(value)...)
	case "_elements":
		for e := range strings.SplitSeq(value, ",") {
			if e = strings.TrimSpace(e); e != "" {
				p.Elements = append(p.Elements, e)
			}
		}
	case "patient":
		for ref := range strings.SplitSeq(value, ",") {
			id, ok := strings.CutPrefix(ref, "Patient/")
			if !ok || id == "" || strings.ContainsAny(id, "/?#") {
				p.refuse("value", "patient must be a reference such as Patient/123, not %q.", ref)
				continue
			}
			p.Patients = append(p.Patients, id)
		}
	case "_partition":
		if p.ByMonth = value == "month"; !p.ByMonth {
			p.spare("not-supported", "_partition=%s is not offered; there is month.", value)
		}
	case "_format", "_pretty":
	default:
		p.spare("not-supported", "$export has no parameter %s here.", name)
	}
}

// format reads _outputFormat. A plus that was not escaped in a URL arrives as
// a space.
func format(s string) (Format, bool) {
	s, _, _ = strings.Cut(strings.ToLower(s), ";")
	switch strings.ReplaceAll(strings.TrimSpace(s), " ", "+") {
	case "application/fhir+ndjson", "application/ndjson", "ndjson":
		return NDJSON, true
	case "text/csv", "csv":
		return CSV, true
	case "application/vnd.apache.parquet", "parquet":
		return Parquet, true
	}
	return NDJSON, false
}

func (p *parser) instant(name, value string) time.Time {
	// A plus before the offset that was not escaped arrives as a space.
	t, err := fhirdate.Instant(strings.ReplaceAll(value, " ", "+"))
	if err != nil {
		p.refuse("value", "%s: %q %v.", name, value, err)
	}
	return t
}

// A comma separates filters only where another "Type?" follows; others are
// part of a query.
var filterStart = regexp.MustCompile(`,[A-Z][A-Za-z]*\?`)

func splitFilters(s string) []string {
	var out []string
	for {
		at := filterStart.FindStringIndex(s)
		if at == nil {
			return append(out, s)
		}
		out, s = append(out, s[:at[0]]), s[at[0]+1:]
	}
}

// check checks the parameters together.
func (p *parser) check() {
	if max(len(p.Filters), len(p.Elements), len(p.Patients)) > maxItems {
		p.refuse("too-costly", "A list in the request has more than %d items; split the export.", maxItems)
		return
	}
	if !p.Since.IsZero() && !p.Until.IsZero() && p.Until.Before(p.Since) {
		p.refuse("value", "_until is before _since; nothing lies between them.")
	}
	if len(p.Patients) > 0 && p.Level == OfSystem {
		p.refuse("not-supported", "patient is a parameter of Patient/$export and Group/[id]/$export.")
	}
	if p.Format.Table() {
		p.checkTable()
		return
	}
	if p.Level != OfSystem {
		in := search.Compartments("Patient")
		p.Types = slices.DeleteFunc(p.Types, func(t string) bool {
			if slices.Contains(in, t) {
				return false
			}
			p.spare("not-supported", "_type: a %s belongs to no patient; export it at system level.", t)
			return true
		})
	}
	if p.ByMonth {
		p.spare("not-supported", "_partition applies to flat tables only.")
		p.ByMonth = false
	}
	keep := p.Filters[:0]
	for _, f := range p.Filters {
		_, err := parseFilter(f, search.ParseOptions{})
		typ, _, _ := strings.Cut(f, "?")
		if err == nil && (!slices.Contains(p.types, typ) || p.Types != nil && !slices.Contains(p.Types, typ)) {
			err = fault.New(fault.Invalid, "value", "it is about %s, which is not exported", typ)
		}
		if err != nil {
			p.spare("not-supported", "_typeFilter %q: %s.", f, strings.TrimSuffix(err.Error(), "."))
			continue
		}
		keep = append(keep, f)
	}
	p.Filters = keep
}

func (p *parser) checkTable() {
	if !p.Until.IsZero() || p.Elements != nil {
		p.refuse("not-supported", "_until and _elements do not apply to flat tables; narrow them with _typeFilter=Observation?date=ge2026-11-18.")
	}
	if p.Types != nil && !slices.Equal(p.Types, []string{"Observation"}) {
		p.refuse("value", "Flat tables are made of Observations: leave _type out, or send _type=Observation.")
	}
	for _, f := range p.Filters {
		if _, err := parseTableFilter(f, search.ParseOptions{}); err != nil {
			p.refuse("not-supported", "_typeFilter %q: %s.", f, strings.TrimSuffix(err.Error(), "."))
		}
	}
}

// parseFilter reads "Type?query". What cannot be checked on one resource alone
// is refused, and so is whatever a search would ignore.
func parseFilter(text string, opts search.ParseOptions) (search.Query, error) {
	typ, rest, ok := strings.Cut(text, "?")
	if !ok || !slices.Contains(search.Types(), typ) {
		return search.Query{}, fault.New(fault.Invalid, "value", "a filter is a search such as Observation?code=…")
	}
	pairs, err := search.ParsePairs(rest)
	if err != nil {
		return search.Query{}, fault.New(fault.Invalid, "value", "its query cannot be read; escape it as in a URL")
	}
	if opts.Expand == nil {
		opts.Expand = func(string) ([]search.Coding, error) { return nil, nil }
	}
	opts.Strict = true
	q, _, err := search.ParseQuery(typ, pairs, opts)
	if err != nil {
		return search.Query{}, err
	}
	for _, c := range q.Where {
		if c.Link != nil {
			return search.Query{}, fault.New(fault.Invalid, "not-supported", "%q is chained to other resources, and a filter is evaluated on one resource alone", c.Param)
		}
	}
	if len(q.Where) != len(pairs) || len(pairs) == 0 {
		return search.Query{}, fault.New(fault.Invalid, "not-supported", "it contains something other than conditions on the resource")
	}
	return search.Query{Type: typ, Where: q.Where}, nil
}

// tableParams are what rows of a table can be narrowed by.
var tableParams = []string{"date", "patient", "subject", "device"}

func parseTableFilter(text string, opts search.ParseOptions) (search.Query, error) {
	q, err := parseFilter(text, opts)
	if err != nil {
		return q, err
	}
	if q.Type != "Observation" {
		return q, fault.New(fault.Invalid, "not-supported", "flat tables are narrowed by Observation?…")
	}
	for _, c := range q.Where {
		if !slices.Contains(tableParams, c.Param) {
			return q, fault.New(fault.Invalid, "not-supported", "rows of a flat table are narrowed by %s, not by %s", strings.Join(tableParams, ", "), c.Param)
		}
	}
	return q, nil
}
