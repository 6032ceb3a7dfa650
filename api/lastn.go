package api

import (
	"cmp"
	"context"
	"net/http"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"tidemark/internal/auth"
	"tidemark/internal/budget"
	"tidemark/internal/fault"
	"tidemark/internal/fhirdate"
	"tidemark/internal/fhirjson"
	"tidemark/internal/search"
	"tidemark/internal/store"
)

// maxObservations bounds how many Observations $lastn and $stats look at.
const maxObservations = 20000

// lastN answers $lastn: of the Observations that a search finds, the newest
// max of every code.
func lastN(ctx context.Context, s *Server, in *Interaction, p Params) (*Answer, error) {
	g, err := in.grant("Observation", auth.Search)
	if err != nil {
		return nil, err
	}
	pairs, ignored, limit, err := lastNParams(p, in.Prefer.Strict)
	if err != nil {
		return nil, err
	}
	q, ctl, err := search.ParseQuery("Observation", pairs, s.parseOptions(in.Prefer.Strict))
	if err != nil {
		return nil, err
	}
	if err := lastNNeeds(q.Where); err != nil {
		return nil, err
	}
	for _, c := range q.Where {
		if c.Param == "patient" || c.Param == "subject" {
			in.about(c.Values)
		}
	}
	if err := s.resolve(ctx, in, &q); err != nil {
		return nil, err
	}
	q.Within = s.within("Observation", g)
	var codes groups
	var kept []candidate
	fresh := 0
	err = s.eachObservation(ctx, q, maxObservations, func(v store.Version, n *fhirjson.Node) error {
		kept = append(kept, candidate{v, codes.join(codeKeys(n.Get("code"))), taken(n, s.zone())})
		// An Observation that is not among a group's newest now will not be
		// after groups join either, so it can be dropped.
		if fresh++; fresh == store.MaxPage {
			kept, fresh = codes.newest(kept, limit), 0
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	kept = codes.newest(kept, limit)

	b := fhirjson.Obj("resourceType", "Bundle", "type", "searchset", "total", len(kept),
		"link", fhirjson.Arr(link("self", s.base+"/Observation/$lastn", append(ctl.Used, search.Pair{Name: "max", Value: strconv.Itoa(limit)}), "")))
	var entries []rawEntry
	if ctl.Summary != "count" {
		versions := make([]store.Version, len(kept))
		for i, c := range kept {
			versions[i] = c.version
		}
		if entries, err = s.matches(ctx, in, versions, ctl); err != nil {
			return nil, err
		}
	}
	if w := ignoredOutcome(append(ignored, ctl.Ignored...)); w != nil {
		entries = append(entries, rawEntry{resource: w.Bytes(), tail: mode("outcome")})
	}
	return &Answer{Status: http.StatusOK, Resource: bundleBytes(b, entries)}, nil
}

// about records for the audit whose data were requested, which may stand in a body.
func (in *Interaction) about(values []search.Value) {
	if in.audit.patient != "" || len(values) != 1 {
		return
	}
	if id, ok := strings.CutPrefix(values[0].Ref, "Patient/"); ok {
		in.audit.patient = id
	}
}

// lastNParams takes max out of the parameters; the others make a search. The operation
// decides on order and paging, so parameters for those are ignored, or refused under
// strict handling.
func lastNParams(p Params, strict bool) (pairs []search.Pair, ignored []string, limit int, err error) {
	limit = 1
	seen := false
	for _, x := range p.list {
		value := x.searchText()
		if value == "" {
			if x.value != nil || x.res != nil {
				return nil, nil, 0, fault.New(fault.Invalid, "value", "Parameter %q: send the search value as valueString, valueCoding or valueReference.", x.name)
			}
			continue
		}
		switch x.name {
		case "max":
			n, ok := positive(value)
			if !ok || seen {
				return nil, nil, 0, fault.New(fault.Invalid, "value", "max takes one whole number from 1, the number of Observations of each code.")
			}
			limit, seen = n, true
		case "_sort", "_count", "_total", search.CursorParam:
			if !strict {
				ignored = append(ignored, x.name)
				continue
			}
			return nil, nil, 0, fault.New(fault.Invalid, "not-supported", "$lastn takes no %s: it answers on one page, newest first; max says how many of each code.", x.name)
		default:
			pairs = append(pairs, search.Pair{Name: x.name, Value: value})
		}
	}
	return pairs, ignored, limit, nil
}

var searchEscape = strings.NewReplacer(`\`, `\\`, `,`, `\,`, `$`, `\$`, `|`, `\|`)

// tokenText writes a coding as a search value.
func tokenText(system, code string) string {
	return searchEscape.Replace(system) + "|" + searchEscape.Replace(code)
}

// searchText is the parameter as a search value.
func (x param) searchText() string {
	switch {
	case x.text != "" || x.value == nil:
		return x.text
	case x.value.Str("reference") != "":
		return searchEscape.Replace(x.value.Str("reference"))
	case x.value.Str("code") != "" && x.value.Get("value") == nil:
		return tokenText(x.value.Str("system"), x.value.Str("code"))
	}
	return ""
}

var positiveInt = regexp.MustCompile(`^\+?[1-9][0-9]{0,9}$`)

// positive reads R4's positiveInt.
func positive(s string) (int, bool) {
	if !positiveInt.MatchString(s) {
		return 0, false
	}
	n, err := strconv.ParseInt(s, 10, 32)
	return int(n), err == nil
}

// lastNNeeds requires whose Observations, patient or subject, and which: category or a
// parameter on a code.
func lastNNeeds(where []search.Clause) error {
	whose, which := false, false
	for _, c := range where {
		if c.Modifier == "missing" {
			continue
		}
		switch c.Param {
		case "patient", "subject":
			whose = true
		case "category":
			which = true
		}
		param, _ := search.Lookup("Observation", c.Param)
		over := func(name string) bool {
			return name == "code" || name == "combo-code" || name == "component-code"
		}
		which = which || over(c.Param) || slices.ContainsFunc(param.Components, over)
	}
	var l fault.List
	if !whose {
		l.Add("required", "", "Say whose Observations: patient=… or subject=….")
	}
	if !which {
		l.Add("required", "", "Say which Observations: category=…, code=… or another parameter over a code, such as combo-code or code-value-quantity.")
	}
	return l.As(fault.Invalid)
}

// eachObservation calls f for every match of the search, parsed. More than
// limit matches are refused.
func (s *Server) eachObservation(ctx context.Context, q search.Query, limit int, f func(store.Version, *fhirjson.Node) error) error {
	q.Type, q.Sort, q.Cursor, q.Count = "Observation", nil, "", store.MaxPage
	for {
		page, err := s.store.Search(ctx, q)
		if err != nil {
			return err
		}
		if limit -= len(page.Matches); limit < 0 {
			return fault.New(fault.Invalid, "too-costly", "More than %d Observations would have to be looked at; narrow them by code, category or date.", maxObservations)
		}
		for _, v := range page.Matches {
			n, err := budget.Parse(ctx, s.render(v))
			if err != nil {
				return unreadable(err, v)
			}
			if err := f(v, n); err != nil {
				return err
			}
		}
		if page.Next == "" {
			return nil
		}
		q.Cursor = page.Next
	}
}

// taken is the time by which $lastn and $stats order an Observation, zero without an
// effective time. For a Period it is the end, or the start while there is no end; for
// a Timing the last event; for a date its beginning.
func taken(n *fhirjson.Node, zone *time.Location) time.Time {
	at := func(text string) time.Time {
		iv, err := fhirdate.Parse(text, zone)
		if err != nil {
			return time.Time{}
		}
		return iv.Lo
	}
	switch {
	case n.Get("effectiveDateTime") != nil:
		return at(n.Str("effectiveDateTime"))
	case n.Get("effectiveInstant") != nil:
		return at(n.Str("effectiveInstant"))
	case n.Get("effectivePeriod") != nil:
		p := n.Get("effectivePeriod")
		return at(cmp.Or(p.Str("end"), p.Str("start")))
	}
	var last time.Time
	for _, e := range n.Get("effectiveTiming").Each("event") {
		if t := at(e.Text); t.After(last) {
			last = t
		}
	}
	return last
}

// candidate is an Observation that may be among the newest of its code.
type candidate struct {
	version store.Version
	code    string // one of its keys
	at      time.Time
}

// codeKeys are the codes of a CodeableConcept, which all mean the same; without a
// code, its text.
func codeKeys(cc *fhirjson.Node) []string {
	var out []string
	for _, c := range cc.Each("coding") {
		if code := c.Str("code"); code != "" {
			out = append(out, "code\x00"+c.Str("system")+"\x00"+code)
		}
	}
	if len(out) == 0 {
		out = append(out, "text\x00"+cc.Str("text"))
	}
	return out
}

// groups joins codes that some Observation gives as translations of each other,
// transitively. The zero value is empty.
type groups struct{ parent map[string]string }

// join makes one group of the keys, at least one, and returns the first.
func (g *groups) join(keys []string) string {
	if g.parent == nil {
		g.parent = map[string]string{}
	}
	first := g.find(keys[0])
	for _, k := range keys[1:] {
		g.parent[g.find(k)] = first
	}
	return keys[0]
}

// find returns the key that represents the group of a key.
func (g *groups) find(key string) string {
	root := key
	for up, ok := g.parent[root]; ok && up != root; up, ok = g.parent[root] {
		root = up
	}
	for key != root { // the next one finds it in one step
		up := g.parent[key]
		g.parent[key] = root
		key = up
	}
	return root
}

// newest keeps the limit newest of every group, and those as old as the last of them,
// newest first.
func (g *groups) newest(list []candidate, limit int) []candidate {
	slices.SortStableFunc(list, func(a, b candidate) int {
		return cmp.Or(b.at.Compare(a.at), cmp.Compare(b.version.Seq, a.version.Seq))
	})
	count, edge := map[string]int{}, map[string]time.Time{}
	var out []candidate
	for _, c := range list {
		root := g.find(c.code)
		if count[root] >= limit && !c.at.Equal(edge[root]) {
			continue
		}
		count[root]++
		edge[root] = c.at
		out = append(out, c)
	}
	return out
}
