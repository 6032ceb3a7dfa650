package api

import (
	"fmt"
	"slices"

	"tidemark/internal/fhirjson"
	"tidemark/internal/profile"
	"tidemark/internal/search"
	"tidemark/openapi"
)

// Describe returns what the service offers as the plain data of the OpenAPI document.
// It reads the CapabilityStatement and the table of operations, so that all three
// agree; operations are those that New is given.
func Describe(lib *profile.Library, operations ...Operation) (openapi.Source, error) {
	s := &Server{conformance: lib, operations: map[string][]Operation{}}
	rows := append(append(builtin(), exportOperations(nil)...), operations...)
	for _, op := range rows {
		s.operations[op.Name] = append(s.operations[op.Name], op)
	}
	statement := s.capabilities()
	rest := statement.Each("rest")[0]
	src := openapi.Source{
		Interactions: codes(rest.Each("interaction")),
		Description: statement.Str("description") + " When in doubt, or when an answer says that its data are stale, go to the bedside: $escalation-status says when they are.\n\n" +
			rest.Str("documentation") + " Every GET answers HEAD too. Every error is an OperationOutcome: expression says where, diagnostics what to do. Every answer carries X-Request-Id.",
		SystemSearch: systemSearch, Version: released, MaxEntries: MaxEntries, MaxCount: search.MaxCount, DefaultCount: search.DefaultCount,
	}
	for _, r := range rest.Each("resource") {
		src.Types = append(src.Types, describeType(r))
	}
	for _, owner := range typeNames(full) {
		c := openapi.Compartment{Owner: owner}
		for _, t := range search.Compartments(owner) {
			if types[t] == full || types[t] == derived {
				c.Holds = append(c.Holds, t)
			}
		}
		if c.Holds != nil {
			src.Compartments = append(src.Compartments, c)
		}
	}
	for _, op := range rows {
		described, err := describeOperation(lib, op)
		if err != nil {
			return src, err
		}
		if op.Name == "$export" && src.Endpoints == nil {
			src.Endpoints = exportEndpoints()
		}
		if op.Level == AtSystem {
			src.Operations = append(src.Operations, described)
			continue
		}
		for i, t := range src.Types {
			if op.on(t.Name) {
				described.Scopes = op.scopes(t.Name)
				src.Types[i].Operations = append(src.Types[i].Operations, described)
			}
		}
	}
	for _, set := range []struct{ name, id string }{
		{"code", "drain-output-code"}, {"appearance", "drain-appearance"}, {"suction-state", "suction-state"},
		{"measuring-vessel", "measuring-vessel"}, {"patency", "patency"},
	} {
		expanded, err := lib.Expand("http://tidemark.example.org/fhir/ValueSet/" + set.id)
		if err != nil {
			return src, err
		}
		cs := openapi.CodeSet{Name: set.name}
		for _, c := range expanded {
			cs.Codes = append(cs.Codes, c.Code)
		}
		src.Codes = append(src.Codes, cs)
	}
	return src, nil
}

func codes(list []*fhirjson.Node) []string {
	var out []string
	for _, n := range list {
		out = append(out, n.Str("code"))
	}
	return out
}

func texts(list []*fhirjson.Node) []string {
	var out []string
	for _, n := range list {
		out = append(out, n.Text)
	}
	return out
}

func describeType(r *fhirjson.Node) openapi.Type {
	name := r.Str("type")
	t := openapi.Type{
		Name: name, Interactions: codes(r.Each("interaction")), Conditional: types[name] == full, Paged: true,
		Include: texts(r.Each("searchInclude")), RevInclude: texts(r.Each("searchRevInclude")), Profiles: texts(r.Each("supportedProfile")),
	}
	for _, p := range r.Each("searchParam") {
		known, _ := search.Lookup(name, p.Str("name"))
		t.Search = append(t.Search, openapi.Param{
			Name: p.Str("name"), Kind: p.Str("type"), Definition: p.Str("definition"), Targets: known.Targets, Components: known.Components,
		})
	}
	return t
}

// describeOperation takes the texts from the service's own definition, or from the
// table of FHIR's operations.
func describeOperation(lib *profile.Library, op Operation) (openapi.Operation, error) {
	out := openapi.Operation{Name: op.Name, Instance: op.Level == AtInstance, Affects: op.Affects, Definition: op.Definition, Scopes: op.scopes("")}
	def, own := lib.ByURL(op.Definition)
	if !own {
		words, ok := standard[op.Name]
		if !ok {
			return out, fmt.Errorf("api: operation %s has neither a definition of the service's own nor words in the table of standard ones", op.Name)
		}
		out.Title, out.Description, out.Returns, out.Async, out.Params = words.title, words.text, words.returns, words.async, words.params
		if op.Level == AtInstance {
			// The instance stands for what names it otherwise.
			out.Params = slices.DeleteFunc(slices.Clone(out.Params), func(p openapi.OperationParam) bool { return p.Name == "url" })
			for i := range out.Params {
				if out.Params[i].Name == "resource" {
					out.Params[i].Required = false
				}
			}
		}
		return out, nil
	}
	out.Own, out.Title, out.Description = true, def.Str("title"), def.Str("description")
	for _, p := range def.Each("parameter") {
		if p.Str("use") == "out" {
			out.Returns = p.Str("type")
			continue
		}
		q := openapi.OperationParam{
			Name: p.Str("name"), Type: p.Str("type"), Required: p.Get("min").Text != "0", Repeats: p.Str("max") == "*", Description: p.Str("documentation"),
		}
		words := ownParams[q.Name]
		q.Values, q.Example = words.values, words.example
		out.Params = append(out.Params, q)
	}
	out.Formats = formats[op.Name]
	out.Only = out.Returns == "Binary"
	return out, nil
}

// exportEndpoints are the URLs that a bulk export answers at after its
// kick-off.
func exportEndpoints() []openapi.Endpoint {
	const fhir, words = "application/fhir+json", "OperationOutcome"
	job := "/fhir" + exportPath + "{job}"
	missing := openapi.EndpointAnswer{Status: 404, Description: "No such export of this caller's.", Media: fhir, Schema: words}
	return []openapi.Endpoint{
		{Method: "GET", Path: job, ID: "export.status", Tag: openapi.TagSystem, Summary: "How far an export is", Answers: []openapi.EndpointAnswer{
			{Status: 200, Description: "Done: the manifest with the files.", Media: "application/json"},
			{Status: 202, Description: "Under way; Retry-After says when to ask again, X-Progress how far it is."}, missing}},
		{Method: "DELETE", Path: job, ID: "export.delete", Tag: openapi.TagSystem, Summary: "Cancel an export, or delete its files", Answers: []openapi.EndpointAnswer{
			{Status: 202, Description: "Deleted.", Media: fhir, Schema: words}, missing}},
		{Method: "GET", Path: job + "/{file}", ID: "export.file", Tag: openapi.TagSystem, Summary: "A file of an export", Description: "In the format that the kick-off asked for.", Answers: []openapi.EndpointAnswer{
			{Status: 200, Description: "The file.", Media: "*/*"}, missing}},
	}
}

// formats are the media types that operations answer in beside FHIR JSON.
var formats = map[string][]string{
	"$drain-output": {"text/csv"}, "$handover": {"text/csv"}, "$emptying-due": {"text/csv"}, "$fluid-balance": {"text/csv"}, "$escalation-status": {"text/csv"}, "$removal-review": {"text/csv"},
	"$chart": {"image/svg+xml", "image/png"},
}

// ownParams adds what a form needs to the definitions.
var ownParams = map[string]struct {
	values  []string
	example string
}{
	"period":      {[]string{"hour", "shift", "day", "total"}, "day"},
	"attribution": {[]string{"charted", "spread"}, "charted"},
	"start":       {nil, "2026-11-20"},
	"end":         {nil, "2026-11-22"},
	"action":      {nil, "assessed at the bedside, surgeon called"},
	"note":        {nil, "tubing was kinked"},
}

var (
	valueSetVersion = openapi.OperationParam{Name: "valueSetVersion", Type: "string", Description: "Version of the value set."}
	displayLanguage = openapi.OperationParam{Name: "displayLanguage", Type: "code", Description: "English is all there is.", Example: "en"}
)

// standard holds the service's texts for FHIR's own operations.
var standard = map[string]struct {
	title, text, returns string
	async                bool
	params               []openapi.OperationParam
}{
	"$validate": {title: "Validate", text: "Validates a resource against R4 and the service's profiles and rules; nothing is stored. The answer is 200 for good and bad resources alike.", returns: "OperationOutcome", params: []openapi.OperationParam{
		{Name: "resource", Type: "Resource", Required: true, Description: "The resource. A body that is no Parameters is taken for it."},
		{Name: "mode", Type: "code", Description: "What is meant to be done with it.", Values: []string{"create", "update", "delete", "profile"}},
		{Name: "profile", Type: "uri", Description: "Canonical of a profile of the service's that it is to conform to."},
	}},
	"$everything": {title: "Everything", text: "The resource, all of its compartment and what these refer to, as far as the token may read them, on one page.", returns: "Bundle", params: []openapi.OperationParam{
		{Name: "start", Type: "date", Description: "Only what is dated from here on.", Example: "2026-11-20"},
		{Name: "end", Type: "date", Description: "Only what is dated up to here.", Example: "2026-11-22"},
		{Name: "_since", Type: "instant", Description: "Only what changed since.", Example: "2026-11-20T00:00:00+01:00"},
		{Name: "_type", Type: "code", Repeats: true, Description: "Only these types.", Example: "Observation"},
	}},
	"$merge": {title: "Merge two records of one person", text: "Everything that refers to the source patient refers to the target afterwards, in one step: drains, entries and concerns are the target's at once. The source becomes inactive with a link replaced-by, the target gets its identifiers as old ones and a link replaces, and a Provenance says who did it. Earlier versions, and references to versions, stay as they were. Nothing undoes it but another merge into a third record. It takes the scope __merge, and moves up to 10,000 resources.", returns: "Parameters", params: []openapi.OperationParam{
		{Name: "source-patient", Type: "Reference", Description: "The record that goes into the other; or its identifiers."},
		{Name: "source-patient-identifier", Type: "Identifier", Repeats: true, Description: "All of them have to be the source's."},
		{Name: "target-patient", Type: "Reference", Description: "The record that stays; or its identifiers."},
		{Name: "target-patient-identifier", Type: "Identifier", Repeats: true, Description: "All of them have to be the target's."},
		{Name: "result-patient", Type: "Patient", Description: "What the target is to be afterwards, with its id and a link of type replaces to the source."},
		{Name: "preview", Type: "boolean", Description: "Say what would move, and change nothing.", Example: "true"},
	}},
	"$purge": {title: "Erase a patient's record", text: "Every version of the patient, of what is in his compartment or was, of his drains and of the Provenances about them is erased for good. Ids, version numbers and places in the change feed stay, and answer 410; AuditEvents lose what was searched with; exports that the service keeps are removed. Backups hold what they held. Refused while a drain is in place. It takes the scope __purge.", returns: "OperationOutcome"},
	"$status": {title: "Status of Subscriptions", text: "The status of a Subscription, or of all that the token may read, as the R5 Backport for R4 writes it: Parameters in a searchset. With a topic, events-since-subscription-start says how many events there have been.", returns: "Bundle", params: []openapi.OperationParam{
		{Name: "id", Type: "id", Description: "Subscriptions by id, for the type; commas mean or. One Subscription ignores it."},
		{Name: "status", Type: "code", Description: "Their status, for the type; commas mean or. One Subscription ignores it.", Example: "error"},
	}},
	"$events": {title: "Events of a Subscription", text: "The events of a Subscription to a topic, sent or waiting, as a notification: a history whose first entry is the status. An answer has at most 100 events or 4 MB of resources; ask again from the number after the last. Each event is shown as far as both the token and the owner of the Subscription may read it, otherwise only its number and time.", returns: "Bundle", params: []openapi.OperationParam{
		{Name: "eventsSinceNumber", Type: "string", Description: "The first number; without it, the oldest kept.", Example: "1"},
		{Name: "eventsUntilNumber", Type: "string", Description: "The last number.", Example: "20"},
		{Name: "content", Type: "code", Description: "How much of each event; without it, as the Subscription says.", Values: []string{"empty", "id-only", "full-resource"}},
	}},
	"$meta":        {title: "Profiles, tags and labels", text: "The meta of the current version.", returns: "Parameters"},
	"$meta-add":    {title: "Add profiles, tags or labels", text: "Writes a version with these beside those that are there.", returns: "Parameters", params: []openapi.OperationParam{{Name: "meta", Type: "Meta", Required: true, Description: "What to add."}}},
	"$meta-delete": {title: "Remove profiles, tags or labels", text: "Writes a version without these.", returns: "Parameters", params: []openapi.OperationParam{{Name: "meta", Type: "Meta", Required: true, Description: "What to remove."}}},
	"$expand": {title: "Expand a value set", text: "The codes of one of the service's value sets.", returns: "ValueSet", params: []openapi.OperationParam{
		{Name: "url", Type: "uri", Required: true, Description: "Canonical of the value set.", Example: "http://tidemark.example.org/fhir/ValueSet/drain-appearance"},
		{Name: "filter", Type: "string", Description: "Only codes and displays that hold this text.", Example: "ser"},
		{Name: "offset", Type: "integer", Description: "How many to pass over, from 0.", Example: "0"},
		{Name: "count", Type: "integer", Description: "How many to give; 0 asks for the total.", Example: "10"},
		{Name: "includeDesignations", Type: "boolean", Description: "Whether to give other words for a code.", Example: "false"},
		{Name: "includeDefinition", Type: "boolean", Description: "Whether to give the definition of the set.", Example: "false"},
		{Name: "activeOnly", Type: "boolean", Description: "All codes are active.", Example: "true"},
		{Name: "excludeNested", Type: "boolean", Description: "Nothing is nested.", Example: "true"},
		valueSetVersion, displayLanguage,
	}},
	"$validate-code": {title: "Is a code in a value set?", text: "For the service's value sets.", returns: "Parameters", params: []openapi.OperationParam{
		{Name: "url", Type: "uri", Required: true, Description: "Canonical of the value set.", Example: "http://tidemark.example.org/fhir/ValueSet/drain-appearance"},
		{Name: "system", Type: "uri", Description: "System of the code.", Example: "http://tidemark.example.org/fhir/CodeSystem/drain"},
		{Name: "code", Type: "code", Description: "The code; or send coding or codeableConcept.", Example: "serous"},
		{Name: "display", Type: "string", Description: "A display that is to be checked."},
		{Name: "coding", Type: "Coding", Description: "Code and system in one."},
		{Name: "codeableConcept", Type: "CodeableConcept", Description: "One of its codings has to be in the set."},
		{Name: "systemVersion", Type: "string", Description: "Version of the system, beside code."},
		{Name: "abstract", Type: "boolean", Description: "No code is abstract."},
		valueSetVersion, displayLanguage,
	}},
	"$lookup": {title: "Look a code up", text: "For the service's code system.", returns: "Parameters", params: []openapi.OperationParam{
		{Name: "system", Type: "uri", Description: "System of the code.", Example: "http://tidemark.example.org/fhir/CodeSystem/drain"},
		{Name: "code", Type: "code", Description: "The code; or send coding.", Example: "serous"},
		{Name: "coding", Type: "Coding", Description: "Code and system in one."},
		{Name: "version", Type: "string", Description: "Version of the system, beside code."},
		{Name: "property", Type: "code", Repeats: true, Description: "What to tell beside name, version and display: definition, designation, group. All of it without this.", Example: "definition"},
		displayLanguage,
	}},
	"$lastn": {title: "The newest of each code", text: "Of the Observations that a search finds, the newest of every code. It needs patient or subject, and category or a code; other search parameters narrow it.", returns: "Bundle", params: []openapi.OperationParam{
		{Name: "max", Type: "positiveInt", Description: "How many of each code, from 1; 1 without it.", Example: "1"},
		{Name: "patient", Type: "string", Description: "Whose.", Example: "Patient/example-patient"},
		{Name: "category", Type: "string", Description: "Which category.", Example: "exam"},
		{Name: "code", Type: "string", Description: "Which codes, with commas between.", Example: "http://loinc.org|9203-1"},
	}},
	"$stats": {title: "Statistics over Observations", text: "Figures over the quantities of a subject's Observations, one result for each code.", returns: "Parameters", params: []openapi.OperationParam{
		{Name: "subject", Type: "uri", Required: true, Description: "Whose Observations, as Observation.subject has it.", Example: "Patient/example-patient"},
		{Name: "code", Type: "string", Repeats: true, Description: "Which codes, each of the system beside it; or send coding.", Example: "9203-1"},
		{Name: "system", Type: "uri", Description: "System of the codes.", Example: "http://loinc.org"},
		{Name: "coding", Type: "Coding", Repeats: true, Description: "Code and system in one."},
		{Name: "duration", Type: "decimal", Description: "Hours up to now, above 0; or send period.", Example: "720"},
		{Name: "period", Type: "Period", Description: "From when to when."},
		{Name: "statistic", Type: "code", Required: true, Repeats: true, Description: "Which figures, such as average, maximum, minimum, count, median, std-dev.", Example: "average"},
		{Name: "include", Type: "boolean", Description: "Whether to add the Observations that the figures rest on.", Example: "false"},
		{Name: "limit", Type: "positiveInt", Description: "How many of these to add at most.", Example: "10"},
	}},
	"$export": {title: "Bulk export", text: "Bulk Data Access 2.0: starts an export of all that the token may read. Send Prefer: respond-async.", returns: "Parameters", async: true, params: []openapi.OperationParam{
		{Name: "_outputFormat", Type: "string", Description: "application/fhir+ndjson, the default; text/csv or application/vnd.apache.parquet for flat tables: emptyings, drain-days, placements, concerns, site assessments, intake and output, patients.", Example: "text/csv"},
		{Name: "_partition", Type: "code", Description: "month: with flat tables, files of one month each, by the ward's day of a row; the manifest names the month.", Example: "month"},
		{Name: "_since", Type: "instant", Description: "Only what changed since.", Example: "2026-11-20T00:00:00+01:00"},
		{Name: "_type", Type: "string", Description: "Only these types, with commas between.", Example: "Observation"},
	}},
}
