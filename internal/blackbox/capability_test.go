package blackbox

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"
)

// official are the search parameters of R4 by "type name", from the official
// package; nil where the references are not here.
func official(t *testing.T) map[string]map[string]string {
	t.Helper()
	tree, err := parse(read(t, sandbox(t, "fhir-r4-examples", "definitions", "search-parameters.json")))
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]map[string]string{}
	for _, e := range items(tree, "entry") {
		r := dig(e, "resource")
		for _, b := range items(r, "base") {
			base := fmt.Sprint(b)
			if out[base] == nil {
				out[base] = map[string]string{}
			}
			out[base][text(r, "code")] = text(r, "type") + " " + text(r, "url")
		}
	}
	return out
}

// probe is a value that a parameter of a type takes.
func probe(kind string) string {
	switch kind {
	case "date":
		return "ge2020-01-01"
	case "number":
		return "1"
	case "quantity":
		return "gt1|http://unitsofmeasure.org|mL"
	case "reference":
		return "Patient/x"
	case "uri":
		return "http://example.org/x"
	case "composite":
		return ""
	}
	return "x"
}

// TestCapabilityStatement: conformance lines 166 to 171: what the statement
// lists works, and what it does not list is not offered.
func TestCapabilityStatement(t *testing.T) {
	s := serve(t)
	c := s.client()
	b := c.bed("cap", ago(48*time.Hour))
	c.do("POST", "Observation", emptying(b, ago(time.Hour), "5", "mL")).want(201)
	meta := s.clientWith("").do("GET", "metadata", nil).want(200)
	resources := map[string]any{}
	for _, r := range meta.list("rest.0.resource") {
		resources[text(r, "type")] = r
	}
	interactions := func(r any) []string {
		var out []string
		for _, i := range items(r, "interaction") {
			out = append(out, text(i, "code"))
		}
		return out
	}

	t.Run("line 166 the statement itself", func(t *testing.T) {
		for path, want := range map[string]string{"resourceType": "CapabilityStatement", "status": "active", "kind": "instance", "fhirVersion": "4.0.1", "rest.0.mode": "server", "implementation.url": s.base} {
			if got := meta.str(path); got != want {
				t.Errorf("%s is %q, want %q", path, got, want)
			}
		}
		if meta.str("date") == "" || meta.str("implementation.description") == "" || len(meta.list("format")) == 0 || len(meta.list("rest")) != 1 {
			t.Error(meta.clip())
		}
		for _, typ := range []string{"Device", "DeviceUseStatement", "Observation", "Patient", "Encounter", "Location", "Practitioner", "PractitionerRole", "Organization", "Group", "Provenance", "Subscription"} {
			got := interactions(resources[typ])
			for _, want := range []string{"create", "read", "vread", "update", "patch", "delete", "history-instance", "search-type"} {
				if !slices.Contains(got, want) {
					t.Errorf("%s: %s is not offered", typ, want)
				}
			}
		}
		for typ, want := range map[string][]string{"DetectedIssue": {"read", "vread", "history-instance", "search-type"}, "AuditEvent": {"read", "search-type"}, "StructureDefinition": {"read", "search-type"}, "ValueSet": {"read", "search-type"}, "CodeSystem": {"read", "search-type"}, "SearchParameter": {"read", "search-type"}, "OperationDefinition": {"read", "search-type"}} {
			for _, w := range want {
				if !slices.Contains(interactions(resources[typ]), w) {
					t.Errorf("%s: %s is not offered", typ, w)
				}
			}
		}
	})

	t.Run("line 167 interactions work as listed, and no others", func(t *testing.T) {
		for typ, r := range resources {
			c := c.in(t)
			got := interactions(r)
			for code, req := range map[string][2]string{"create": {"POST", typ}, "update": {"PUT", typ + "/cap-none"}, "patch": {"PATCH", typ + "/cap-none"}, "delete": {"DELETE", typ + "/cap-none"}, "read": {"GET", typ + "/cap-none"}, "vread": {"GET", typ + "/cap-none/_history/1"},
				"history-instance": {"GET", typ + "/cap-none/_history"}, "history-type": {"GET", typ + "/_history"}, "search-type": {"GET", typ + "?_count=1"}} {
				var body any
				switch req[0] {
				case "POST", "PUT":
					body = obj{"resourceType": typ, "id": "cap-other", "colour": "red"} // refused once it is looked at
				case "PATCH":
					body = "[]"
				}
				a := c.do(req[0], req[1], body)
				offered := a.status != 405 && !(a.status == 404 && a.str("issue.0.code") == "not-supported")
				if want := slices.Contains(got, code); want != offered {
					t.Errorf("%s %s: listed %v, answered %d", typ, code, want, a.status)
				}
				if code == "search-type" || code == "history-type" {
					if slices.Contains(got, code) && a.status != 200 {
						t.Errorf("%s: %d", a.what, a.status)
					}
				}
			}
		}
		for _, typ := range []string{"Medication", "Condition", "Bundle", "Binary", "Appointment", "Communication"} {
			if resources[typ] == nil {
				c.in(t).do("GET", typ, nil).check(404)
			}
		}
	})

	t.Run("line 168 each search parameter works", func(t *testing.T) {
		for typ, r := range resources {
			seen := map[string]bool{}
			for _, p := range items(r, "searchParam") {
				c := c.in(t)
				name, kind := text(p, "name"), text(p, "type")
				if seen[name] {
					t.Errorf("%s: %s is listed twice", typ, name)
				}
				seen[name] = true
				if text(p, "definition") == "" {
					t.Errorf("%s: %s has no definition", typ, name)
				}
				if kind == "composite" {
					if a := c.do("GET", typ+"?"+query(name, "a$b"), nil, "Prefer", "handling=strict"); a.status != 200 && a.status != 400 || strings.Contains(a.diagnostics(), "is not a search parameter") {
						t.Errorf("%s: %d %s", a.what, a.status, a.clip())
					}
					continue
				}
				value := probe(kind)
				if a := c.do("GET", typ+"?"+query(name, value), nil, "Prefer", "handling=strict"); a.status != 200 {
					t.Errorf("%s (%s): %d %s", a.what, kind, a.status, a.diagnostics())
				} else if !strings.Contains(a.link("self"), strings.ReplaceAll(name, "_", "_")+"=") {
					t.Errorf("%s is listed and then ignored: self %s", a.what, a.link("self"))
				}
				if typ == "AuditEvent" {
					continue // kept apart: R4 modifiers are not claimed for it
				}
				if a := c.do("GET", typ+"?"+query(name+":missing", "true"), nil, "Prefer", "handling=strict"); a.status != 200 && !strings.HasPrefix(name, "_") {
					t.Errorf("%s: %d %s", a.what, a.status, a.diagnostics())
				}
			}
		}
	})

	t.Run("line 168 names and types are the official ones", func(t *testing.T) {
		known := official(t)
		for typ, r := range resources {
			if known[typ] == nil || slices.Contains([]string{"StructureDefinition", "ValueSet", "CodeSystem", "SearchParameter", "OperationDefinition"}, typ) {
				continue // the reference covers the clinical types
			}
			for _, p := range items(r, "searchParam") {
				name := text(p, "name")
				want := known[typ][name]
				if want == "" {
					want = known["Resource"][name]
				}
				if want == "" {
					want = known["DomainResource"][name]
				}
				if got := text(p, "type") + " " + text(p, "definition"); got != want && !strings.Contains(text(p, "definition"), "tidemark") {
					t.Errorf("%s %s: %q, officially %q", typ, name, got, want)
				}
			}
			if typ == "AuditEvent" {
				continue
			}
			for name := range known[typ] {
				if !slices.ContainsFunc(items(r, "searchParam"), func(p any) bool { return text(p, "name") == name }) {
					t.Logf("not offered: %s %s", typ, name)
				}
			}
		}
	})

	t.Run("line 167 includes work", func(t *testing.T) {
		for typ, r := range resources {
			c := c.in(t)
			for _, i := range items(r, "searchInclude") {
				c.do("GET", typ+"?_count=1&"+query("_include", fmt.Sprint(i)), nil, "Prefer", "handling=strict").check(200)
			}
			for _, i := range items(r, "searchRevInclude") {
				c.do("GET", typ+"?_count=1&"+query("_revinclude", fmt.Sprint(i)), nil, "Prefer", "handling=strict").check(200)
			}
		}
	})

	t.Run("line 167 operations are there", func(t *testing.T) {
		c := c.in(t)
		seen := map[string]bool{}
		for typ, r := range resources {
			for _, o := range items(r, "operation") {
				name := text(o, "name")
				seen[typ+"/$"+name] = true
				// One of the levels and methods must know it.
				known := false
				for _, path := range []string{typ + "/$" + name, typ + "/cap-none/$" + name} {
					a := c.do("GET", path, nil)
					known = known || a.status != 404 || a.str("issue.0.code") != "not-supported"
				}
				if !known {
					t.Errorf("%s/$%s is listed and unknown", typ, name)
				}
				if text(o, "definition") == "" {
					t.Errorf("%s/$%s has no definition", typ, name)
				}
				if d := text(o, "definition"); strings.HasPrefix(d, "http://tidemark.example.org/fhir/OperationDefinition/") {
					if n := len(c.all("OperationDefinition?" + query("url", d))); n != 1 {
						t.Errorf("%s leads to %d OperationDefinitions", d, n)
					}
				}
			}
		}
		for _, o := range []string{"Device/$drain-output", "Patient/$fluid-balance", "Device/$escalation-status", "Patient/$escalation-status", "Location/$escalation-status", "Location/$emptying-due", "Location/$handover", "Patient/$handover", "Device/$removal-review", "DetectedIssue/$acknowledge", "Device/$chart", "Observation/$lastn", "Observation/$stats",
			"Patient/$everything", "Device/$everything", "Observation/$validate", "Patient/$meta", "ValueSet/$expand", "ValueSet/$validate-code", "CodeSystem/$lookup"} {
			if !seen[o] {
				t.Errorf("the contract's %s is not listed", o)
			}
		}
		system := canonical(dig(meta.tree, "rest.0.operation"))
		for _, o := range []string{"export"} {
			if !strings.Contains(system, `"`+o+`"`) {
				t.Errorf("the contract's $%s is not listed at the system", o)
			}
		}
	})

	t.Run("supported profiles are served", func(t *testing.T) {
		c := c.in(t)
		n := 0
		for typ, r := range resources {
			for _, p := range items(r, "supportedProfile") {
				n++
				a := c.do("GET", "StructureDefinition?"+query("url", fmt.Sprint(p)), nil).want(200)
				if len(a.ids("match")) != 1 || a.str("entry.0.resource.type") != typ {
					t.Errorf("%s: %v", p, a.ids("match"))
				}
			}
		}
		if n == 0 {
			t.Error("no profile is supported")
		}
	})

	t.Run("line 169 flags tell the truth", func(t *testing.T) {
		c := c.in(t)
		for typ, r := range resources {
			write := slices.Contains(interactions(r), "update")
			for flag, want := range map[string]string{"updateCreate": fmt.Sprint(write), "readHistory": fmt.Sprint(slices.Contains(interactions(r), "vread"))} {
				if got := text(r, flag); got != want {
					t.Errorf("%s %s: %q, want %s", typ, flag, got, want)
				}
			}
			if write && (text(r, "conditionalCreate") != "true" || text(r, "conditionalUpdate") != "true" || text(r, "conditionalDelete") != "single" || text(r, "conditionalRead") == "") {
				t.Errorf("%s: %s", typ, canonical(r)[:200])
			}
		}
		if text(resources["Observation"], "versioning") != "versioned" {
			t.Errorf("versioning %s", text(resources["Observation"], "versioning"))
		}
		c.do("GET", "metadata", nil).check(200)
	})

	t.Run("line 170 security, rest-level interactions", func(t *testing.T) {
		if !strings.Contains(canonical(dig(meta.tree, "rest.0.security")), "SMART-on-FHIR") {
			t.Error("no SMART-on-FHIR")
		}
		rest := canonical(dig(meta.tree, "rest.0.interaction"))
		for code, req := range map[string]func() int{
			"history-system": func() int { return c.in(t).do("GET", "_history", nil).status },
			"search-system":  func() int { return c.in(t).do("GET", "?_type=Patient,Device&_lastUpdated=ge2020", nil).status },
			"transaction":    func() int { return c.in(t).do("POST", "", bundle("transaction")).status },
			"batch":          func() int { return c.in(t).do("POST", "", bundle("batch")).status },
		} {
			if listed, status := strings.Contains(rest, `"`+code+`"`), req(); listed != (status == 200) {
				t.Errorf("%s: listed %v, answered %d", code, listed, status)
			}
		}
	})

	t.Run("line 171 ETag, mode", func(t *testing.T) {
		c := s.clientWith("").in(t)
		if meta.etag() == "" {
			t.Error("no ETag")
		}
		c.do("GET", "metadata", nil, "If-None-Match", meta.etag()).check(304)
		c.do("GET", "metadata?mode=full", nil).check(200)
		c.do("GET", "metadata?mode=nonsense", nil).check(200, 400)
	})

	t.Run("smart-configuration", func(t *testing.T) {
		a := s.clientWith("").in(t).do("GET", ".well-known/smart-configuration", nil, "Accept", "text/html").want(200)
		var v obj
		if err := json.Unmarshal(a.body, &v); err != nil || v["capabilities"] == nil {
			t.Errorf("%v %s", err, a.clip())
		}
	})
}

// TestOwnConformanceResources: what the service publishes is itself valid and
// can be read, searched, expanded and looked up.
func TestOwnConformanceResources(t *testing.T) {
	c := serve(t).client()
	for _, typ := range []string{"StructureDefinition", "ValueSet", "CodeSystem", "SearchParameter", "OperationDefinition"} {
		ids := c.all(typ + "?_count=5")
		if len(ids) == 0 {
			t.Errorf("no %s", typ)
		}
		for _, id := range ids {
			a := c.do("GET", id, nil).want(200)
			if !strings.HasPrefix(a.str("url"), "http://tidemark.example.org/fhir/"+typ+"/") {
				t.Errorf("%s has url %q", id, a.str("url"))
			}
		}
	}
	for _, id := range c.all("ValueSet") {
		a := c.do("GET", id+"/$expand", nil).want(200)
		first := dig(a.tree, "expansion.contains.0")
		if first == nil {
			t.Errorf("%s expands to nothing", id)
			continue
		}
		url := c.do("GET", id, nil).str("url")
		ok := c.do("GET", "ValueSet/$validate-code?"+query("url", url, "system", text(first, "system"), "code", text(first, "code")), nil).want(200)
		no := c.do("GET", "ValueSet/$validate-code?"+query("url", url, "system", text(first, "system"), "code", "no-such-code"), nil).want(200)
		if ok.str("parameter.0.valueBoolean") != "true" || no.str("parameter.0.valueBoolean") != "false" {
			t.Errorf("%s: %s %s", url, ok.clip(), no.clip())
		}
	}
	look := c.do("GET", "CodeSystem/$lookup?"+query("system", local, "code", "suction-state"), nil).want(200)
	if !strings.Contains(look.clip(), "display") {
		t.Error(look.clip())
	}
	c.do("GET", "CodeSystem/$lookup?"+query("system", local, "code", "none-such"), nil).check(404)
	c.do("GET", "ValueSet/$expand?"+query("url", "http://nowhere.example.org"), nil).check(404)
}
