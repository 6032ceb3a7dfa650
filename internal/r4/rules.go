package r4

import (
	"strings"
	"time"

	"tidemark/internal/fhirdate"
	"tidemark/internal/fhirjson"
)

// rule is one invariant of severity error: the test, and what to change when it
// fails. n is the element that carries it.
type rule struct {
	key   string
	fix   string
	holds func(n *fhirjson.Node, s scope) bool
}

// scope is what an invariant may look at beyond its own element.
type scope struct {
	root      *fhirjson.Node            // %rootResource: the resource that holds the contained ones
	resource  *fhirjson.Node            // %resource: the nearest resource
	id        string                    // of resource, where that is a contained one
	contained map[string]*fhirjson.Node // the contained resources of root by id
	local     []mention                 // references to contained resources, met so far in root
}

// mention is one "#id" in a reference, uri, url or canonical.
type mention struct {
	id   string
	in   *fhirjson.Node // the resource in which it stands
	inID string         // the id of that, where it is a contained one
}

// ruleFor finds the invariant of an element. Two of R4's keys stand for two
// different rules; theirs are entered with the path.
func ruleFor(path, key string) *rule {
	r, ok := rules[path+":"+key]
	if !ok {
		if r, ok = rules[key]; !ok {
			return nil
		}
	}
	r.key = key
	return &r
}

const ucum = "http://unitsofmeasure.org"

// rules are the invariants of the 4.0.1 definitions, each under its key.
// Comments say where a test reads a rule more or less strictly than its
// FHIRPath expression.
var rules = map[string]rule{
	"dom-2": {fix: "a contained resource may not contain resources itself; move them up to the outer resource", holds: func(n *fhirjson.Node, _ scope) bool {
		return every(n, "contained", func(c *fhirjson.Node) bool { return !has(c, "contained") })
	}},
	"dom-3": {fix: "every contained resource is referred to as #id from the resource around it, or refers to it as #; add the reference or leave the resource out", holds: func(n *fhirjson.Node, s scope) bool {
		if n != s.root {
			return true // resources in a contained resource break dom-2, which is reported already
		}
		used, uses := map[string]bool{}, map[*fhirjson.Node]bool{}
		for _, m := range s.local {
			switch {
			case m.id == "":
				uses[m.in] = true
			case m.inID != m.id:
				used[m.id] = true
			}
		}
		return every(n, "contained", func(c *fhirjson.Node) bool { return c.Kind != fhirjson.Object || used[c.Str("id")] || uses[c] })
	}},
	"dom-4": {fix: "a contained resource has no meta.versionId and no meta.lastUpdated; remove them", holds: func(n *fhirjson.Node, _ scope) bool {
		return every(n, "contained", func(c *fhirjson.Node) bool {
			return !has(c.Get("meta"), "versionId") && !has(c.Get("meta"), "lastUpdated")
		})
	}},
	"dom-5": {fix: "a contained resource has no meta.security; label the outer resource", holds: func(n *fhirjson.Node, _ scope) bool {
		return every(n, "contained", func(c *fhirjson.Node) bool { return !has(c.Get("meta"), "security") })
	}},

	"ext-1": {fix: "an extension has either a value or nested extensions: exactly one of the two", holds: func(n *fhirjson.Node, _ scope) bool {
		return has(n, "extension") != hasChoice(n, "value")
	}},
	// "#" alone points from a contained resource to the one around it.
	"ref-1": {fix: "a reference that starts with # names the id of a contained resource; add that resource or correct the id", holds: func(n *fhirjson.Node, s scope) bool {
		local, ok := strings.CutPrefix(n.Str("reference"), "#")
		if !ok || local == "" && s.resource != s.root {
			return true
		}
		return s.contained[local] != nil
	}},
	"per-1": {fix: "a period may not end before it starts; correct start or end", holds: func(n *fhirjson.Node, _ scope) bool {
		return !after(n.Str("start"), n.Str("end"))
	}},
	"qty-3":  {fix: "a coded unit needs its system; add system, " + ucum + " for UCUM", holds: together("code", "system")},
	"sqty-1": {fix: "a quantity here is exact; remove the comparator", holds: without("comparator")},
	// Values of different units are not compared.
	"rng-2": {fix: "low may not be above high; swap or correct them", holds: func(n *fhirjson.Node, _ scope) bool {
		low, high := n.Get("low"), n.Get("high")
		a, b := low.Get("value"), high.Get("value")
		if !isNumber(a) || !isNumber(b) || low.Str("code") != high.Str("code") || low.Str("system") != high.Str("system") || low.Str("unit") != high.Str("unit") {
			return true
		}
		return compareDecimals(a.Text, b.Text) <= 0
	}},
	"rat-1": {fix: "a ratio has numerator and denominator, or neither and an extension", holds: func(n *fhirjson.Node, _ scope) bool {
		return has(n, "numerator") == has(n, "denominator") && (has(n, "numerator") || has(n, "extension"))
	}},
	"age-1": {fix: "an age above zero has a UCUM code of time, such as a, mo, wk or d", holds: func(n *fhirjson.Node, s scope) bool {
		return measured(n) && (n.Get("value") == nil || sign(n.Get("value")) > 0)
	}},
	"dis-1": {fix: "a distance has a UCUM code of length, such as cm", holds: func(n *fhirjson.Node, _ scope) bool { return measured(n) }},
	"drt-1": {fix: "a duration with a code has a value and the system " + ucum, holds: func(n *fhirjson.Node, _ scope) bool {
		return !has(n, "code") || n.Str("system") == ucum && has(n, "value")
	}},
	"cnt-3": {fix: "a count is a whole number with the code 1, in UCUM if a system is given", holds: func(n *fhirjson.Node, _ scope) bool {
		return measured(n) && (!has(n, "code") || n.Str("code") == "1") && (n.Get("value") == nil || !strings.Contains(n.Get("value").Text, "."))
	}},
	"att-1": {fix: "an attachment with data needs contentType", holds: together("data", "contentType")},
	"cpt-2": {fix: "a contact point with a value needs its system, such as phone or email", holds: together("value", "system")},
	"exp-1": {fix: "an expression needs expression or reference", holds: oneOf("expression", "reference")},
	"drq-1": {fix: "a filter has either path or searchParam", holds: eitherOr("path", "searchParam")},
	"drq-2": {fix: "a filter has either path or searchParam", holds: eitherOr("path", "searchParam")},
	"trd-1": {fix: "a trigger has timing or data, not both", holds: func(n *fhirjson.Node, _ scope) bool {
		return !has(n, "data") || !hasChoice(n, "timing")
	}},
	"trd-2": {fix: "a trigger with a condition needs data", holds: together("condition", "data")},
	"trd-3": {fix: "a named event needs name, a periodic one timing, a data event data", holds: func(n *fhirjson.Node, _ scope) bool {
		switch t := n.Str("type"); {
		case t == "named-event":
			return has(n, "name")
		case t == "periodic":
			return hasChoice(n, "timing")
		case strings.HasPrefix(t, "data-"):
			return has(n, "data")
		}
		return true
	}},

	"tim-1": {fix: "duration needs durationUnit", holds: together("duration", "durationUnit")},
	"tim-2": {fix: "period needs periodUnit", holds: together("period", "periodUnit")},
	"tim-4": {fix: "duration may not be negative", holds: func(n *fhirjson.Node, _ scope) bool { return sign(n.Get("duration")) >= 0 }},
	"tim-5": {fix: "period may not be negative", holds: func(n *fhirjson.Node, _ scope) bool { return sign(n.Get("period")) >= 0 }},
	"tim-6": {fix: "periodMax needs period", holds: together("periodMax", "period")},
	"tim-7": {fix: "durationMax needs duration", holds: together("durationMax", "duration")},
	"tim-8": {fix: "countMax needs count", holds: together("countMax", "count")},
	"tim-9": {fix: "offset needs a when other than C, CM, CD or CV", holds: func(n *fhirjson.Node, _ scope) bool {
		return !has(n, "offset") || has(n, "when") && every(n, "when", func(w *fhirjson.Node) bool {
			return w.Text != "C" && w.Text != "CM" && w.Text != "CD" && w.Text != "CV"
		})
	}},
	"tim-10": {fix: "timeOfDay and when exclude each other", holds: notBoth("timeOfDay", "when")},

	"obs-3": {fix: "a reference range has low, high or text; add one", holds: oneOf("low", "high", "text")},
	"obs-6": {fix: "dataAbsentReason says why there is no value; remove it or the value", holds: func(n *fhirjson.Node, _ scope) bool {
		return !has(n, "dataAbsentReason") || !hasChoice(n, "value")
	}},
	// Codings are the same when system and code are: the expression compares
	// display texts too, which would let the same code through.
	"obs-7": {fix: "a component repeats the code of the observation, which has a value of its own; remove one of the values", holds: func(n *fhirjson.Node, _ scope) bool {
		if !hasChoice(n, "value") || !has(n, "component") {
			return true
		}
		type coding struct{ system, code string }
		own := map[coding]bool{}
		for _, c := range n.Get("code").Each("coding") {
			if c.Str("code") != "" {
				own[coding{c.Str("system"), c.Str("code")}] = true
			}
		}
		return every(n, "component", func(c *fhirjson.Node) bool {
			return every(c.Get("code"), "coding", func(c *fhirjson.Node) bool { return !own[coding{c.Str("system"), c.Str("code")}] })
		})
	}},
	"pat-1": {fix: "a contact has name, telecom, address or organization; add one", holds: oneOf("name", "telecom", "address", "organization")},
	"org-1": {fix: "an organization has a name or an identifier; add one", holds: oneOf("name", "identifier")},
	"org-2": {fix: "an address of an organization cannot have the use home", holds: notHome},
	"org-3": {fix: "a contact point of an organization cannot have the use home", holds: notHome},
	"grp-1": {fix: "only a group with actual = true has members", holds: func(n *fhirjson.Node, _ scope) bool {
		return !has(n, "member") || n.IsTrue("actual")
	}},
	"sev-1": {fix: "an entity has name or query, not both", holds: notBoth("name", "query")},

	"Parameters.parameter:inv-1": {fix: "a parameter has one of a value, a resource or parts", holds: onePart},
	"Task:inv-1": {fix: "lastModified may not be before authoredOn", holds: func(n *fhirjson.Node, _ scope) bool {
		return !after(n.Str("authoredOn"), n.Str("lastModified"))
	}},

	"bdl-1": {fix: "only a searchset or history bundle has a total", holds: func(n *fhirjson.Node, _ scope) bool {
		return !has(n, "total") || n.Str("type") == "searchset" || n.Str("type") == "history"
	}},
	"bdl-2": {fix: "only a searchset bundle has entry.search", holds: func(n *fhirjson.Node, _ scope) bool {
		return n.Str("type") == "searchset" || every(n, "entry", func(e *fhirjson.Node) bool { return !has(e, "search") })
	}},
	"bdl-3": {fix: "every entry of a batch, transaction or history has a request, and no entry of another bundle", holds: func(n *fhirjson.Node, _ scope) bool {
		t := n.Str("type")
		want := t == "batch" || t == "transaction" || t == "history"
		return every(n, "entry", func(e *fhirjson.Node) bool { return has(e, "request") == want })
	}},
	"bdl-4": {fix: "every entry of a batch-response, transaction-response or history has a response, and no entry of another bundle", holds: func(n *fhirjson.Node, _ scope) bool {
		t := n.Str("type")
		want := t == "batch-response" || t == "transaction-response" || t == "history"
		return every(n, "entry", func(e *fhirjson.Node) bool { return has(e, "response") == want })
	}},
	"bdl-5": {fix: "an entry has a resource, a request or a response; add one", holds: oneOf("resource", "request", "response")},
	"bdl-7": {fix: "two entries have the same fullUrl; give each its own (or different versions)", holds: func(n *fhirjson.Node, _ scope) bool {
		if n.Str("type") == "history" {
			return true
		}
		seen := map[string]bool{}
		return every(n, "entry", func(e *fhirjson.Node) bool {
			url := e.Str("fullUrl")
			if url == "" {
				return true
			}
			url += " " + e.Path("resource", "meta").Str("versionId")
			fresh := !seen[url]
			seen[url] = true
			return fresh
		})
	}},
	"bdl-8": {fix: "fullUrl names a resource, not a version; remove /_history/ and what follows it", holds: func(n *fhirjson.Node, _ scope) bool {
		return !strings.Contains(n.Str("fullUrl"), "/_history/")
	}},
	"bdl-9": {fix: "a document has an identifier with system and value", holds: func(n *fhirjson.Node, _ scope) bool {
		return n.Str("type") != "document" || has(n.Get("identifier"), "system") && has(n.Get("identifier"), "value")
	}},
	"bdl-10": {fix: "a document has a timestamp", holds: func(n *fhirjson.Node, _ scope) bool {
		return n.Str("type") != "document" || n.Get("timestamp") != nil
	}},
	"bdl-11": {fix: "a document begins with a Composition", holds: func(n *fhirjson.Node, _ scope) bool {
		return n.Str("type") != "document" || first(n.Each("entry")).Get("resource").Str("resourceType") == "Composition"
	}},
	"bdl-12": {fix: "a message begins with a MessageHeader", holds: func(n *fhirjson.Node, _ scope) bool {
		return n.Str("type") != "message" || first(n.Each("entry")).Get("resource").Str("resourceType") == "MessageHeader"
	}},

	"cpb-1": {fix: "a capability statement has rest, messaging or document", holds: oneOf("rest", "messaging", "document")},
	"cpb-2": {fix: "a capability statement has description, software or implementation", holds: oneOf("description", "software", "implementation")},
	"cpb-3": {fix: "only a statement of kind instance has a messaging endpoint", holds: func(n *fhirjson.Node, _ scope) bool {
		return n.Str("kind") == "instance" || every(n, "messaging", func(m *fhirjson.Node) bool { return !has(m, "endpoint") })
	}},
	"cpb-7": {fix: "two documents have the same profile and mode", holds: func(n *fhirjson.Node, _ scope) bool {
		return distinct(n, "document", func(d *fhirjson.Node) string { return d.Str("profile") + " " + d.Str("mode") })
	}},
	"cpb-9": {fix: "two resource entries have the same type; describe each type once", holds: func(n *fhirjson.Node, _ scope) bool {
		return distinct(n, "resource", func(r *fhirjson.Node) string { return r.Str("type") })
	}},
	"cpb-12": {fix: "two search parameters have the same name", holds: func(n *fhirjson.Node, _ scope) bool {
		return distinct(n, "searchParam", func(p *fhirjson.Node) string { return p.Str("name") })
	}},
	"cpb-14": {fix: "a statement of kind instance needs implementation", holds: func(n *fhirjson.Node, _ scope) bool {
		return n.Str("kind") != "instance" || has(n, "implementation")
	}},
	"cpb-15": {fix: "a statement of kind capability has software and no implementation", holds: func(n *fhirjson.Node, _ scope) bool {
		return n.Str("kind") != "capability" || !has(n, "implementation") && has(n, "software")
	}},
	"cpb-16": {fix: "a statement of kind requirements has neither software nor implementation", holds: func(n *fhirjson.Node, _ scope) bool {
		return n.Str("kind") != "requirements" || !has(n, "implementation") && !has(n, "software")
	}},
}

// has reports whether an element exists: with a value, or with extensions only.
func has(n *fhirjson.Node, name string) bool {
	return n.Get(name) != nil || n.Get("_"+name) != nil
}

// hasChoice is has for an element such as value[x].
func hasChoice(n *fhirjson.Node, name string) bool {
	if n == nil {
		return false
	}
	for i := range n.Members {
		rest, ok := strings.CutPrefix(strings.TrimPrefix(n.Members[i].Name, "_"), name)
		if ok && rest != "" && rest[0] >= 'A' && rest[0] <= 'Z' {
			return true
		}
	}
	return false
}

func every(n *fhirjson.Node, name string, f func(*fhirjson.Node) bool) bool {
	for _, it := range n.Each(name) {
		if !f(it) {
			return false
		}
	}
	return true
}

func distinct(n *fhirjson.Node, name string, key func(*fhirjson.Node) string) bool {
	seen := map[string]bool{}
	return every(n, name, func(it *fhirjson.Node) bool {
		k := key(it)
		fresh := !seen[k]
		seen[k] = true
		return fresh
	})
}

func first(ns []*fhirjson.Node) *fhirjson.Node {
	if len(ns) == 0 {
		return nil
	}
	return ns[0]
}

// together is the test "a needs b".
func together(a, b string) func(*fhirjson.Node, scope) bool {
	return func(n *fhirjson.Node, _ scope) bool { return !has(n, a) || has(n, b) }
}

func without(name string) func(*fhirjson.Node, scope) bool {
	return func(n *fhirjson.Node, _ scope) bool { return !has(n, name) }
}

func notBoth(a, b string) func(*fhirjson.Node, scope) bool {
	return func(n *fhirjson.Node, _ scope) bool { return !has(n, a) || !has(n, b) }
}

func eitherOr(a, b string) func(*fhirjson.Node, scope) bool {
	return func(n *fhirjson.Node, _ scope) bool { return has(n, a) != has(n, b) }
}

func oneOf(names ...string) func(*fhirjson.Node, scope) bool {
	return func(n *fhirjson.Node, _ scope) bool {
		for _, name := range names {
			if has(n, name) {
				return true
			}
		}
		return false
	}
}

func notHome(n *fhirjson.Node, _ scope) bool { return n.Str("use") != "home" }

func onePart(n *fhirjson.Node, _ scope) bool {
	count := 0
	for _, there := range []bool{has(n, "part"), hasChoice(n, "value"), has(n, "resource")} {
		if there {
			count++
		}
	}
	return count == 1
}

// measured is the part that the rules of Age, Count and Distance share.
func measured(n *fhirjson.Node) bool {
	return (has(n, "code") || !has(n, "value")) && (!has(n, "system") || n.Str("system") == ucum)
}

// after reports whether one date text is certainly later than another. Dates of
// different precision overlap and are not ordered; a date without a zone may be
// off by up to 14 hours against one with a zone.
func after(start, end string) bool {
	if start == "" || end == "" {
		return false
	}
	a, errA := fhirdate.Parse(start, time.UTC)
	b, errB := fhirdate.Parse(end, time.UTC)
	if errA != nil || errB != nil {
		return false
	}
	slack := time.Duration(0)
	if a.Zoned != b.Zoned {
		slack = 14 * time.Hour
	}
	return !a.Lo.Before(b.Hi.Add(slack))
}
