package notify

import (
	"slices"
	"strings"

	"tidemark/internal/fault"
	"tidemark/internal/search"
)

const atCriteria = "Subscription.criteria"

// offered are the types that can be subscribed to.
var offered = []string{"Observation", "Device", "DetectedIssue"}

// parseCriteria reads a search without base or leading slash. What cannot be
// judged on one changed resource alone is refused, and so is whatever a search
// would ignore: it would silently widen the subscription.
func parseCriteria(text string, opts search.ParseOptions) (search.Query, error) {
	refuse := func(code, format string, args ...any) (search.Query, error) {
		return search.Query{}, fault.At(fault.Rule, code, atCriteria, format, args...)
	}
	typ, rest, _ := strings.Cut(text, "?")
	if !slices.Contains(offered, typ) {
		return refuse("not-supported", "Criteria begin with one of %s, without base or slash, as in Observation?code=…; %q is not offered.", strings.Join(offered, ", "), shorten(typ))
	}
	pairs, err := search.ParsePairs(rest)
	if err != nil {
		return refuse("value", "The part behind the question mark cannot be read as name=value pairs joined by &; escape it as in a URL.")
	}
	for _, p := range pairs {
		switch {
		case strings.HasPrefix(p.Name, "_has:"):
			return refuse("not-supported", "%q asks for other resources; a subscription is judged on the changed resource alone.", shorten(p.Name))
		case p.Value == "":
			return refuse("value", "%q has no value; give one or leave the parameter out.", shorten(p.Name))
		}
	}
	opts.Strict = true
	q, _, err := search.ParseQuery(typ, pairs, opts)
	if err != nil {
		e := *fault.Of(err)
		if e.Kind != fault.Invalid {
			return search.Query{}, err
		}
		e.Kind, e.Issues = fault.Rule, slices.Clone(e.Issues)
		for i := range e.Issues {
			e.Issues[i].Expression = []string{atCriteria}
		}
		return search.Query{}, &e
	}
	for _, c := range q.Where {
		if c.Link != nil {
			return refuse("not-supported", "%q is chained to other resources; a subscription is judged on the changed resource alone.", c.Param)
		}
	}
	if len(q.Where) != len(pairs) {
		// ParseQuery takes control parameters out and folds nothing else.
		for _, p := range pairs {
			name, _, _ := strings.Cut(p.Name, ":")
			if !slices.ContainsFunc(q.Where, func(c search.Clause) bool { return c.Param == name }) {
				return refuse("not-supported", "%q shapes the result of a search and has no meaning in a subscription; leave it out.", shorten(p.Name))
			}
		}
		return refuse("value", "A parameter has no value that could be read; give one or leave it out.")
	}
	return q, nil
}

func shorten(s string) string {
	const most = 60
	if r := []rune(s); len(r) > most {
		return string(r[:most]) + "…"
	}
	return s
}
