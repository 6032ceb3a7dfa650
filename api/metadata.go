package api

import (
	"crypto/sha256"
	"encoding/hex"
	"net/http"
	"slices"
	"sort"
	"strings"

	"github.com/gin-gonic/gin"

	"tidemark/internal/escalate"
	"tidemark/internal/fault"
	"tidemark/internal/fhirjson"
	"tidemark/internal/search"
)

// released is CapabilityStatement.date: when what the service offers last
// changed.
const released = "2026-12-01"

// metadata answers /fhir/metadata. It is built from the tables that the
// router and the search read, so that it claims what works.
func (s *Server) metadata(c *gin.Context) {
	pairs, err := search.ParsePairs(c.Request.URL.RawQuery)
	if err == nil {
		err = acceptable(c.Request, pairs, "")
	}
	if err != nil {
		s.fail(c, err)
		return
	}
	body, tag := s.statement()
	c.Header("ETag", tag)
	c.Header("Cache-Control", "no-cache")
	if c.GetHeader("If-None-Match") == tag {
		c.Status(http.StatusNotModified)
		return
	}
	c.Data(http.StatusOK, "application/fhir+json; charset=utf-8", body)
}

// statement is the CapabilityStatement and its ETag.
func (s *Server) statement() (body []byte, tag string) {
	body = s.capabilities().Bytes()
	sum := sha256.Sum256(body)
	return body, `W/"` + hex.EncodeToString(sum[:8]) + `"`
}

// capabilityStatement is metadata as an entry of a Bundle asks for it.
func (s *Server) capabilityStatement(in *Interaction) (*Answer, error) {
	in.audit.is("capabilities", "R", "")
	if in.Verb != http.MethodGet && in.Verb != http.MethodHead {
		return nil, fault.New(fault.Method, "not-supported", "metadata is read with GET.")
	}
	body, tag := s.statement()
	return &Answer{Status: http.StatusOK, ETag: tag, Resource: body}, nil
}

func (s *Server) capabilities() *fhirjson.Node {
	var resources []*fhirjson.Node
	for _, t := range typeNames() {
		resources = append(resources, s.capability(t))
	}
	rest := fhirjson.Obj(
		"mode", "server",
		"documentation", "Every request but /fhir/metadata and /fhir/.well-known/smart-configuration needs a bearer token. Quantity searches convert between UCUM units. Dates without a zone are read in the ward's zone. Transaction Bundles are done in one step or not at all. A FHIRPath Patch takes paths of names and indexes, such as Patient.name[0].given[1], and no other FHIRPath. A narrative that a patch leaves as it was beside data that it changes is generated anew where its status is generated, dropped where it is extensions or empty, and the patch is refused where it is additional; a Warning header, or response.outcome in a Bundle, says which.",
		"security", fhirjson.Obj(
			"cors", len(s.origins) > 0,
			"service", fhirjson.Arr(fhirjson.Obj("coding", fhirjson.Arr(fhirjson.Obj("system", "http://terminology.hl7.org/CodeSystem/restful-security-service", "code", "SMART-on-FHIR")), "text", "SMART App Launch 2 scopes in OAuth2 bearer tokens")),
			"description", "SMART App Launch 2 scopes; see .well-known/smart-configuration.",
		),
		"resource", resources,
		"interaction", fhirjson.Arr(fhirjson.Obj("code", "transaction"), fhirjson.Obj("code", "batch"), fhirjson.Obj("code", "history-system"), fhirjson.Obj("code", "search-system", "documentation", systemSearch)),
	)
	if ops := s.operationNodes("", AtSystem); len(ops) > 0 {
		rest.Set("operation", &fhirjson.Node{Kind: fhirjson.Array, Items: ops})
	}
	return fhirjson.Obj(
		"resourceType", "CapabilityStatement", "id", "tidemark",
		"url", "http://tidemark.example.org/fhir/CapabilityStatement/tidemark", "version", s.version,
		"name", "Tidemark", "title", "Tidemark drain output service", "status", "active", "date", released, "publisher", "Tidemark",
		"description", "Output of closed-suction surgical drains: entries in, fluid balance and escalation status out. "+escalate.Caution+" Thresholds are examples until the hospital approves its own policy. A silent service is not a safe patient.",
		"kind", "instance",
		"software", fhirjson.Obj("name", "Tidemark", "version", s.version),
		"implementation", fhirjson.Obj("description", "Tidemark drain output service", "url", s.base),
		"fhirVersion", "4.0.1", "format", fhirjson.Arr("application/fhir+json", "json"),
		"patchFormat", fhirjson.Arr("application/json-patch+json", "application/fhir+json"),
		"rest", fhirjson.Arr(rest),
	)
}

func (s *Server) capability(t string) *fhirjson.Node {
	code := func(names ...string) []*fhirjson.Node {
		var out []*fhirjson.Node
		for _, n := range names {
			out = append(out, fhirjson.Obj("code", n))
		}
		return out
	}
	n := fhirjson.Obj("type", t)
	if t == "Subscription" && s.topics != nil {
		var list []*fhirjson.Node
		for _, url := range s.topics.Topics() {
			list = append(list, fhirjson.Obj("url", topicExtension, "valueCanonical", url))
		}
		n.SetAt(0, "extension", &fhirjson.Node{Kind: fhirjson.Array, Items: list})
	}
	if profiles := s.profilesOf(t); len(profiles) > 0 {
		var list []*fhirjson.Node
		for _, p := range profiles {
			list = append(list, fhirjson.Str(p))
		}
		n.Set("supportedProfile", &fhirjson.Node{Kind: fhirjson.Array, Items: list})
	}
	set := func(pairs ...any) {
		for _, m := range fhirjson.Obj(pairs...).Members {
			n.Set(m.Name, m.Value)
		}
	}
	switch types[t] {
	case full:
		set("interaction", code("read", "vread", "update", "patch", "delete", "history-instance", "history-type", "create", "search-type"),
			"versioning", "versioned", "readHistory", true, "updateCreate", true, "conditionalCreate", true, "conditionalRead", "full-support",
			"conditionalUpdate", true, "conditionalDelete", "single")
	case derived:
		set("interaction", code("read", "vread", "history-instance", "history-type", "search-type"), "versioning", "versioned", "readHistory", true,
			"updateCreate", false, "conditionalRead", "full-support")
	default:
		set("interaction", code("read", "search-type"), "versioning", "no-version", "readHistory", false, "updateCreate", false)
	}
	set("referencePolicy", fhirjson.Arr("literal"))
	var params, includes, reverse []*fhirjson.Node
	for _, p := range search.Params(t) {
		params = append(params, fhirjson.Obj("name", p.Name, "definition", p.URL, "type", string(p.Kind)))
		if p.Kind == search.Reference {
			includes = append(includes, fhirjson.Str(t+":"+p.Name))
		}
	}
	for _, from := range typeNames(full, derived) {
		for _, p := range search.Params(from) {
			if p.Kind == search.Reference && slices.Contains(p.Targets, t) && types[t] != access && types[t] != constant {
				reverse = append(reverse, fhirjson.Str(from+":"+p.Name))
			}
		}
	}
	if len(includes) > 0 && types[t] != constant {
		set("searchInclude", &fhirjson.Node{Kind: fhirjson.Array, Items: includes})
	}
	if len(reverse) > 0 {
		set("searchRevInclude", &fhirjson.Node{Kind: fhirjson.Array, Items: reverse})
	}
	set("searchParam", params, "operation", append(s.operationNodes(t, AtType), s.operationNodes(t, AtInstance)...))
	return n
}

// operationNodes lists the operations of a type and level, each once.
func (s *Server) operationNodes(t string, level Level) []*fhirjson.Node {
	var names []string
	by := map[string]Operation{}
	for name, ops := range s.operations {
		for _, op := range ops {
			if op.Level != level || !op.on(t) {
				continue
			}
			if level == AtInstance && s.hasOperation(name, t, AtType) {
				continue // one entry of a name is enough
			}
			if _, seen := by[name]; !seen {
				names = append(names, name)
				by[name] = op
			}
		}
	}
	sort.Strings(names)
	var out []*fhirjson.Node
	for _, n := range names {
		out = append(out, fhirjson.Obj("name", strings.TrimPrefix(n, "$"), "definition", by[n].Definition, "documentation", "Scopes: "+by[n].scopes(t)+"."))
	}
	return out
}

func (s *Server) hasOperation(name, t string, level Level) bool {
	for _, op := range s.operations[name] {
		if op.Level == level && (op.Types == nil || slices.Contains(op.Types, t)) {
			return true
		}
	}
	return false
}

// profilesOf are the service's own profiles of a type.
func (s *Server) profilesOf(t string) []string {
	var out []string
	for _, sd := range s.conformance.All("StructureDefinition") {
		if sd.Str("type") == t && sd.Str("derivation") == "constraint" {
			out = append(out, sd.Str("url"))
		}
	}
	return out
}
