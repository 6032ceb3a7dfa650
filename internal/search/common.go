package search

import (
	"strings"

	"tidemark/internal/fault"
)

// ParseCommon reads the parameters of one search over at least one type into a
// query for each type, in the order of types. In R4 such a search may use only
// what all its types share: it refuses a parameter or sort key that some types
// lack or that differs in kind. The Control applies to all of them.
func ParseCommon(types []string, params []Pair, opts ParseOptions) ([]Query, Control, error) {
	var faults fault.List
	for _, pair := range params {
		if pair.Value == "" {
			continue
		}
		name, _, _ := strings.Cut(pair.Name, ":")
		if name == "_sort" {
			for _, key := range strings.Split(pair.Value, ",") {
				common(&faults, types, strings.TrimPrefix(key, "-"))
			}
			continue
		}
		name, _, _ = strings.Cut(name, ".")
		common(&faults, types, name)
	}
	if err := faults.As(fault.Invalid); err != nil {
		return nil, Control{}, err
	}
	queries := make([]Query, len(types))
	var c Control
	for i, t := range types {
		q, ctl, err := ParseQuery(t, params, opts)
		if err != nil {
			return nil, Control{}, err
		}
		if queries[i] = q; i == 0 {
			c = ctl
		}
	}
	return queries, c, nil
}

// common adds a fault if only some of the types have the parameter, or if it
// differs between them. ParseQuery deals with one that no type has.
func common(faults *fault.List, types []string, name string) {
	var with, without []string
	kinds := map[Kind]string{}
	for _, t := range types {
		p, ok := Lookup(t, name)
		if !ok {
			without = append(without, t)
			continue
		}
		with = append(with, t)
		kinds[p.Kind] = t
	}
	switch {
	case len(with) > 0 && len(without) > 0:
		faults.Add("not-supported", "", "%q is not a parameter of %s; a search over several types accepts only parameters that all of them have. List fewer types in _type, or search %s alone.", name, strings.Join(without, ", "), with[0])
	case len(kinds) > 1:
		faults.Add("not-supported", "", "%q has different meanings for %s; search the types one at a time.", name, strings.Join(with, ", "))
	}
}
