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

// parseCriteria reads a search without base or leading slash. It refuses what cannot be
// evaluated on the changed resource alone, and what a search would ignore, since that
// would silently widen the subscription. location is the service's own parameter: a
// drain of the resource must be at one of the places of each list.
func parseCriteria(text string, opts search.ParseOptions) (q search.Query, places [][]string, err error) {
	refuse := func(code, format string, args ...any) (search.Query, [][]string, error) {
		return search.Query{}, nil, fault.At(fault.Rule, code, atCriteria, format, args...)
	}
	typ, rest, _ := strings.Cut(text, "?")
	if !slices.Contains(offered, typ) {
		return refuse("not-supported", "Criteria begin with one of %s, without base or slash, as in Observation?code=…; %q is not offered.", strings.Join(offered, ", "), shorten(typ))
	}
	pairs, err := search.ParsePairs(rest)
	if err != nil {
		return refuse("value", "The part after the question mark cannot be read as name=value pairs joined by &; escape it as in a URL.")
	}
	for _, p := range pairs {
		switch {
		case strings.HasPrefix(p.Name, "_has:"):
			return refuse("not-supported", "%q asks for other resources; a subscription is evaluated on the changed resource alone.", shorten(p.Name))
		case p.Value == "":
			return refuse("value", "%q has no value; give one or leave the parameter out.", shorten(p.Name))
		}
	}
	pairs, places, err = cutPlaces(pairs)
	if err != nil {
		return q, nil, err
	}
	opts.Strict = true
	q, _, err = search.ParseQuery(typ, pairs, opts)
	if err != nil {
		e := *fault.Of(err)
		if e.Kind != fault.Invalid {
			return search.Query{}, nil, err
		}
		e.Kind, e.Issues = fault.Rule, slices.Clone(e.Issues)
		for i := range e.Issues {
			e.Issues[i].Expression = []string{atCriteria}
		}
		return search.Query{}, nil, &e
	}
	for _, c := range q.Where {
		if c.Link != nil {
			return refuse("not-supported", "%q is chained to other resources; a subscription is evaluated on the changed resource alone.", c.Param)
		}
	}
	if len(q.Where) != len(pairs) {
		// ParseQuery removes control parameters and normalises nothing else.
		for _, p := range pairs {
			name, _, _ := strings.Cut(p.Name, ":")
			if !slices.ContainsFunc(q.Where, func(c search.Clause) bool { return c.Param == name }) {
				return refuse("not-supported", "%q shapes the result of a search and has no meaning in a subscription; leave it out.", shorten(p.Name))
			}
		}
		return refuse("value", "A parameter has no value that could be read; give one or leave it out.")
	}
	return q, places, nil
}

// cutPlaces removes the parameter location.
func cutPlaces(pairs []search.Pair) (rest []search.Pair, places [][]string, err error) {
	for _, p := range pairs {
		name, modifier, _ := strings.Cut(p.Name, ":")
		if name != "location" {
			rest = append(rest, p)
			continue
		}
		if modifier != "" {
			return nil, nil, fault.At(fault.Rule, "not-supported", atCriteria, "location takes no modifier; write location=Location/id, more than one joined by commas.")
		}
		var any []string
		for v := range strings.SplitSeq(p.Value, ",") {
			id := strings.TrimPrefix(v, "Location/")
			if !isID(id) {
				return nil, nil, fault.At(fault.Rule, "value", atCriteria, "location names a ward, room or bed of this service, as in location=Location/id; %q is none.", shorten(v))
			}
			any = append(any, id)
		}
		places = append(places, any)
	}
	return rest, places, nil
}

// isID reports whether s is a logical id (R4 datatypes, id).
func isID(s string) bool {
	for _, r := range s {
		if !(r >= 'A' && r <= 'Z' || r >= 'a' && r <= 'z' || r >= '0' && r <= '9' || r == '-' || r == '.') {
			return false
		}
	}
	return s != "" && len(s) <= 64
}

func shorten(s string) string {
	const most = 60
	if r := []rune(s); len(r) > most {
		return string(r[:most]) + "…"
	}
	return s
}
