package search

import (
	"regexp"
	"slices"
	"strconv"
	"strings"
)

// Control is what a search requests of its result besides the matches.
type Control struct {
	Total       string   // none, estimate, accurate; "" when not asked
	Summary     string   // true, text, data, count, false; "" when not asked
	Elements    []string // as written; with a type in front they apply to that type only
	Includes    []Include
	RevIncludes []Include
	// Used are the parameters that took part, as written, for the self link;
	// Ignored the names of those that did not.
	Used    []Pair
	Ignored []string
}

// Include is one _include or _revinclude.
type Include struct {
	Source  string // type that holds the reference; "*" for any
	Param   string // its parameter; "*" for every reference parameter
	Target  string // type to include, "" for any
	Iterate bool   // follow from included resources too
}

// CursorParam is the parameter of page links that holds Query.Cursor.
const CursorParam = "_cursor"

// control reads a parameter that steers the result; it reports false for one
// that searches. If a name is repeated, the last one counts, so that a client can
// append _count to a page link.
func (p *parser) control(pair Pair) bool {
	name, modifier, modified := strings.Cut(pair.Name, ":")
	iterate := modifier == "iterate" && (name == "_include" || name == "_revinclude")
	switch name {
	case "_count", "_sort", "_total", "_summary", "_elements", "_include", "_revinclude", CursorParam:
		if modified && !iterate {
			p.faults.Add("not-supported", "", "Parameter %q does not support the modifier %q.", name, shorten(modifier))
			return true
		}
	case "_format", "_pretty":
		return true // the representation is chosen elsewhere
	default:
		return false
	}
	value, why := pair.Value, ""
	switch name {
	case CursorParam:
		p.q.Cursor = value
		return true
	case "_count":
		why = p.count(value)
	case "_sort":
		if pair.Value, why = p.sort(value); pair.Value == "" && why == "" {
			return true
		}
	case "_total":
		why = oneOf(&p.c.Total, value, "none", "estimate", "accurate")
	case "_summary":
		why = oneOf(&p.c.Summary, value, "true", "text", "data", "count", "false")
	case "_elements":
		why = p.elements(value)
	case "_include":
		why = p.include(&p.c.Includes, value, iterate)
	case "_revinclude":
		why = p.include(&p.c.RevIncludes, value, iterate)
	}
	if why != "" {
		p.faults.Add("value", "", "%s=%s: %s", name, shorten(value), why)
		return true
	}
	p.c.Used = append(p.c.Used, pair)
	return true
}

func oneOf(to *string, value string, allowed ...string) string {
	if !slices.Contains(allowed, value) {
		return "takes one of " + strings.Join(allowed, ", ") + "."
	}
	*to = value
	return ""
}

func (p *parser) count(value string) string {
	for i := 0; i < len(value); i++ {
		if value[i] < '0' || value[i] > '9' {
			return "takes a whole number from 0."
		}
	}
	n, err := strconv.Atoi(value)
	if err != nil { // beyond an int, and so beyond the maximum
		n = MaxCount
	}
	if n == 0 {
		p.c.Summary = "count"
		return ""
	}
	p.q.Count = min(n, MaxCount)
	return ""
}

// sort returns the known keys, which the self link shows.
func (p *parser) sort(value string) (used, why string) {
	p.q.Sort = nil
	var known []string
	for _, key := range strings.Split(value, ",") {
		name, desc := strings.CutPrefix(key, "-")
		if name == "" {
			continue
		}
		param, ok := Lookup(p.q.Type, name)
		if !ok || param.Kind == Composite {
			p.unknown("_sort="+shorten(key), "%q is not a parameter by which %s can be sorted.", shorten(name), p.q.Type)
			continue
		}
		if slices.ContainsFunc(p.q.Sort, func(k SortKey) bool { return k.Param == name }) {
			continue // it would never decide
		}
		p.q.Sort = append(p.q.Sort, SortKey{Param: name, Desc: desc})
		known = append(known, key)
	}
	if len(p.q.Sort) > maxSort {
		p.q.Sort = nil
		p.faults.Add("too-costly", "", "_sort accepts at most %d keys; leave some out.", maxSort)
	}
	return strings.Join(known, ","), ""
}

var elementForm = regexp.MustCompile(`^[A-Za-z][A-Za-z0-9]*(\.[A-Za-z][A-Za-z0-9]*)*$`)

func (p *parser) elements(value string) string {
	p.c.Elements = nil
	if strings.Count(value, ",") >= maxElements {
		p.faults.Add("too-costly", "", "_elements accepts at most %d names; leave some out.", maxElements)
		return ""
	}
	for _, e := range strings.Split(value, ",") {
		if e = strings.TrimSpace(e); e == "" {
			continue
		}
		if !elementForm.MatchString(e) {
			return "takes element names with commas between, such as status,code or Device.status."
		}
		p.c.Elements = append(p.c.Elements, e)
	}
	return ""
}

func (p *parser) include(to *[]Include, value string, iterate bool) string {
	const form = "is written Type:parameter or Type:parameter:TargetType, such as Observation:device:Device."
	inc := Include{Source: "*", Param: "*", Iterate: iterate}
	if value != "*" {
		f := strings.Split(value, ":")
		if len(f) < 2 || len(f) > 3 {
			return form
		}
		if inc.Source, inc.Param = f[0], f[1]; len(f) == 3 {
			inc.Target = f[2]
		}
		if !slices.Contains(Types(), inc.Source) {
			return "type " + shorten(inc.Source) + " is not served; " + form
		}
		targets := Types()
		if inc.Param != "*" {
			param, ok := Lookup(inc.Source, inc.Param)
			if !ok || param.Kind != Reference {
				return inc.Source + " has no reference parameter " + shorten(inc.Param) + "; " + form
			}
			if param.Targets != nil {
				targets = param.Targets
			}
		}
		if inc.Target != "" && !slices.Contains(targets, inc.Target) {
			return "the reference does not lead to " + shorten(inc.Target) + "."
		}
	}
	if slices.Contains(*to, inc) {
		return ""
	}
	if len(*to) == maxIncludes {
		p.faults.Add("too-costly", "", "A search accepts at most %d of each of _include and _revinclude; leave some out.", maxIncludes)
		return ""
	}
	*to = append(*to, inc)
	return ""
}
