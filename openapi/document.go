package openapi

import (
	"bytes"
	"encoding/json"
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// Document writes the OpenAPI document of a service. The same source gives
// the same bytes.
func Document(src Source) ([]byte, error) {
	b := builder{src: src, paths: map[string]object{}, params: object{}}
	if err := json.Unmarshal(answersText, &b.answers); err != nil {
		return nil, err
	}
	b.service()
	b.system()
	for _, t := range src.Types {
		b.resource(t)
	}
	for _, c := range src.Compartments {
		b.compartment(c)
	}
	if b.err != nil {
		return nil, b.err
	}
	doc := struct {
		OpenAPI    string            `json:"openapi"`
		Info       object            `json:"info"`
		Servers    list              `json:"servers"`
		Security   list              `json:"security"`
		Tags       list              `json:"tags"`
		Paths      map[string]object `json:"paths"`
		Webhooks   object            `json:"webhooks"`
		Components object            `json:"components"`
	}{
		OpenAPI: "3.1.1",
		Info: object{
			"title": "Tidemark", "version": src.Version, "summary": "Output of closed-suction surgical drains, as FHIR R4.",
			"description": src.Description, "license": object{"name": "MIT", "identifier": "MIT"},
		},
		Servers:  list{object{"url": "/", "description": "The service that this document was read from."}},
		Security: list{object{"bearer": list{}}},
		Tags:     b.tags(),
		Paths:    b.paths,
		Webhooks: webhooks(),
		Components: object{
			"schemas": schemas(src), "parameters": b.params, "headers": headers(), "responses": failures(), "examples": b.samples(),
			"securitySchemes": object{"bearer": object{"type": "http", "scheme": "bearer", "bearerFormat": "JWT",
				"description": "A JWT whose scope holds SMART App Launch 2 scopes, such as user/Observation.cu?code=http://loinc.org|9203-1. /fhir/.well-known/smart-configuration says who issues it."}},
		},
	}
	var raw bytes.Buffer
	enc := json.NewEncoder(&raw)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(doc); err != nil {
		return nil, err
	}
	var out bytes.Buffer
	if err := layOut(&out, bytes.TrimSpace(raw.Bytes()), 0); err != nil {
		return nil, err
	}
	out.WriteByte('\n')
	return out.Bytes(), nil
}

// width is how long a line of the document may be before it is broken.
const width = 120

// layOut writes a JSON value with short objects and arrays on one line, so that a
// change shows as a small diff.
func layOut(w *bytes.Buffer, raw json.RawMessage, depth int) error {
	if len(raw)+depth <= width || raw[0] != '{' && raw[0] != '[' {
		w.Write(raw)
		return nil
	}
	d := json.NewDecoder(bytes.NewReader(raw))
	open, err := d.Token()
	if err != nil {
		return err
	}
	w.WriteByte(raw[0])
	for first := true; d.More(); first = false {
		if !first {
			w.WriteByte(',')
		}
		w.WriteString("\n" + strings.Repeat(" ", depth+1))
		if open == json.Delim('{') {
			name, err := d.Token()
			if err != nil {
				return err
			}
			fmt.Fprintf(w, "%q: ", name)
		}
		var value json.RawMessage
		if err := d.Decode(&value); err != nil {
			return err
		}
		if err := layOut(w, value, depth+1); err != nil {
			return err
		}
	}
	w.WriteString("\n" + strings.Repeat(" ", depth))
	w.WriteByte(raw[len(raw)-1])
	return nil
}

const (
	fhirJSON  = "application/fhir+json"
	patchJSON = "application/json-patch+json"
	formMedia = "application/x-www-form-urlencoded"
)

// The tags that are not resource types.
const (
	TagDerived = "Derived answers"
	TagSystem  = "Bundles and the system"
	TagService = "Service"
)

type builder struct {
	src     Source
	paths   map[string]object
	params  object
	answers map[string]json.RawMessage // samples, by operation
	err     error
}

func (b *builder) tags() list {
	out := list{
		object{"name": TagDerived, "description": "What the service works out from the entries: totals, balance, level of escalation, what is due, review for removal. Each informs; none diagnoses or instructs."},
		object{"name": TagSystem, "description": "Batch and transaction Bundles, searches over several types, and the history of all resources."},
	}
	for _, t := range b.src.Types {
		text := t.Name + " of FHIR R4."
		switch {
		case !slices.Contains(t.Interactions, "create") && slices.Contains(t.Interactions, "vread"):
			text += " Written by the service itself."
		case !slices.Contains(t.Interactions, "create"):
			text += " Read and searched only."
		}
		if len(t.Profiles) > 0 {
			text += " Profiles: " + strings.Join(t.Profiles, ", ") + "."
		}
		out = append(out, object{"name": t.Name, "description": text})
	}
	return append(out, object{"name": TagService, "description": "Health, metadata, documentation and the ward's board."})
}

// op is an operation of the document being built.
type op struct {
	id, tag, summary, text string
	params                 list
	body                   object
	answers                object
	open                   bool
}

// add puts an operation at its path and method, which must be free.
func (b *builder) add(method, path string, o op) {
	item := b.paths[path]
	if item == nil {
		item = object{}
		b.paths[path] = item
	}
	method = strings.ToLower(method)
	if _, taken := item[method]; taken {
		b.err = fmt.Errorf("openapi: %s %s is offered twice", method, path)
	}
	out := object{"operationId": o.id, "tags": list{o.tag}, "summary": o.summary, "responses": o.answers}
	if o.text != "" {
		out["description"] = o.text
	}
	if len(o.params) > 0 {
		out["parameters"] = o.params
	}
	if o.body != nil {
		out["requestBody"] = o.body
	}
	if o.open {
		out["security"] = list{}
	}
	item[method] = out
}

// param adds a parameter to the components once and refers to it.
func (b *builder) param(key string, make func() object) object {
	if _, known := b.params[key]; !known {
		b.params[key] = make()
	}
	return object{"$ref": "#/components/parameters/" + key}
}

func (b *builder) service() {
	plain := func(status int, text, media, schema string) EndpointAnswer {
		return EndpointAnswer{Status: status, Description: text, Media: media, Schema: schema}
	}
	fixed := []Endpoint{
		{Method: "GET", Path: "/livez", ID: "livez", Tag: TagService, Summary: "Is the process alive?", Open: true, Answers: []EndpointAnswer{plain(200, "It is.", "text/plain", "")}},
		{Method: "GET", Path: "/readyz", ID: "readyz", Tag: TagService, Summary: "Does the service answer, store included?", Open: true, Answers: []EndpointAnswer{
			plain(200, "It does.", "text/plain", ""), plain(503, "The store does not answer; Retry-After says when to ask again.", "text/plain", "")}},
		{Method: "GET", Path: "/fhir/metadata", ID: "capabilities", Tag: TagService, Summary: "CapabilityStatement: what the service offers", Open: true,
			Answers: []EndpointAnswer{plain(200, "The statement, with an ETag.", fhirJSON, "CapabilityStatement"), plain(304, "It is the one of If-None-Match.", "", ""), plain(406, "Another format than JSON was asked for.", fhirJSON, "OperationOutcome")}},
		{Method: "GET", Path: "/fhir/.well-known/smart-configuration", ID: "smart-configuration", Tag: TagService, Summary: "SMART configuration: who issues tokens", Open: true, Answers: []EndpointAnswer{plain(200, "The configuration.", "application/json", "SmartConfiguration")}},
		{Method: "GET", Path: "/board", ID: "board", Tag: TagService, Summary: "The ward's board", Description: "A page for a screen on the ward; it asks for a token and reads the FHIR interface with it.", Open: true, Answers: []EndpointAnswer{plain(200, "The page.", "text/html", "")}},
		{Method: "GET", Path: "/docs", ID: "docs", Tag: TagService, Summary: "This reference, to be used", Open: true, Answers: []EndpointAnswer{plain(200, "The page.", "text/html", "")}},
		{Method: "GET", Path: "/openapi.json", ID: "openapi", Tag: TagService, Summary: "This document", Open: true, Answers: []EndpointAnswer{plain(200, "The document, with an ETag.", "application/json", ""), plain(304, "It is the one of If-None-Match.", "", "")}},
	}
	for _, e := range append(fixed, b.src.Endpoints...) {
		o := op{id: e.ID, tag: e.Tag, summary: e.Summary, text: e.Description, open: e.Open, answers: object{}}
		for _, name := range pathNames(e.Path) {
			o.params = append(o.params, object{"name": name, "in": "path", "required": true, "schema": object{"type": "string"}})
		}
		for _, p := range e.Params {
			o.params = append(o.params, operationParam(p))
		}
		for _, a := range e.Answers {
			r := object{"description": a.Description}
			switch {
			case a.Schema != "":
				r["content"] = object{a.Media: object{"schema": ref(a.Schema)}}
			case a.Media != "":
				r["content"] = object{a.Media: object{}}
			}
			o.answers[strconv.Itoa(a.Status)] = r
		}
		if !e.Open {
			o.answers = b.failing(o.answers)
		}
		b.add(e.Method, e.Path, o)
	}
}

func pathNames(path string) []string {
	var out []string
	for part := range strings.SplitSeq(path, "/") {
		if name, ok := strings.CutPrefix(part, "{"); ok {
			out = append(out, strings.TrimSuffix(name, "}"))
		}
	}
	return out
}

func (b *builder) system() {
	offers := func(name string) bool { return slices.Contains(b.src.Interactions, name) }
	if offers("transaction") || offers("batch") {
		b.add("POST", "/fhir", op{
			id: "batch-or-transaction", tag: TagSystem, summary: "Send a batch or a transaction",
			text:    fmt.Sprintf("A transaction is done in one step or not at all, in the order DELETE, POST, PUT and PATCH, GET, whatever the order of its entries; references between entries by fullUrl and conditional references are resolved. The entries of a batch stand alone. At most %d entries. Each entry needs the scope of what it asks for. A store without transactions refuses a transaction and writes nothing.", b.src.MaxEntries),
			params:  list{b.prefer(), b.requestID()},
			body:    b.body(fhirJSON, ref("RequestBundle"), "/fhir"),
			answers: b.failing(object{"200": answer("A Bundle of answers, in the order of the entries.", "ResponseBundle", nil)}, append([]string{"405", "410"}, writing...)...),
		})
	}
	if offers("history-system") {
		b.add("GET", "/fhir/_history", op{
			id: "history-system", tag: TagSystem, summary: "History of all types", text: "Of those types that the token may search without a constraint.",
			params: list{b.count(), b.since(), b.cursor(), b.format(), b.requestID()}, answers: b.failing(object{"200": answer("A page of versions.", "HistoryBundle", nil)}),
		})
	}
	if offers("search-system") {
		params := b.severalParams()
		found := b.failing(object{"200": answer("A page of matches; link next leads to the next one.", "SearchBundle", nil)})
		b.add("GET", "/fhir", op{id: "search-system", tag: TagSystem, summary: "Search several types", text: b.src.SystemSearch, params: append(slices.Clone(params), b.handling(), b.format(), b.requestID()), answers: found})
		b.add("POST", "/fhir/_search", op{id: "search-system.post", tag: TagSystem, summary: "Search several types with a form", text: "The same as with GET, for values that should not stand in logs of URLs.",
			params: list{b.handling(), b.requestID()}, body: b.form(params), answers: b.failing(found, "413", "415")})
	}
	for _, o := range b.src.Operations {
		b.operation("/fhir", "", TagSystem, o)
	}
}

// resource adds the paths of a type.
func (b *builder) resource(t Type) {
	base := "/fhir/" + t.Name
	offers := func(name string) bool { return slices.Contains(t.Interactions, name) }
	one := base + "/{id}"
	id := b.id(t.Name)
	cut := list{b.summary(), b.elements(), b.format(), b.requestID()}
	write := list{b.prefer(), b.requestID()}
	versioned := []string{"ETag", "Last-Modified"}
	scope := func(letter string) string {
		return "Scope: user/" + t.Name + "." + letter + ", or the same with patient/ or system/."
	}
	said := func(texts ...string) string {
		return strings.Join(slices.DeleteFunc(texts, func(s string) bool { return s == "" }), " ")
	}
	written := func(created bool) object {
		out := object{"200": answer("The new version, or as Prefer asks.", t.Name, []string{"ETag", "Last-Modified", "Location"})}
		if created {
			out["201"] = answer("Created.", t.Name, []string{"ETag", "Last-Modified", "Location"})
		}
		return b.failing(out, writing...)
	}
	criteria := "The search parameters of the type select the resource; several matches are refused with 412, and criteria are required. "

	if offers("read") {
		o := op{id: t.Name + ".read", tag: t.Name, summary: "Read", text: "One resource with all elements and digits as they were sent. " + scope("r"), params: append(list{id}, cut...), answers: b.failing(object{"200": answer("The current version.", t.Name, versioned)}, "404")}
		if offers("vread") {
			o.params = append(o.params, b.header("If-None-Match", "Answer 304 when the current version is this one.", `W/"3"`), b.header("If-Modified-Since", "Answer 304 when there is no newer version.", "Fri, 20 Nov 2026 14:10:00 GMT"))
			o.answers["304"] = object{"description": "Not changed."}
			o.answers["410"] = object{"$ref": "#/components/responses/Gone"}
		}
		b.add("GET", one, o)
	}
	if offers("vread") {
		b.add("GET", one+"/_history/{vid}", op{id: t.Name + ".vread", tag: t.Name, summary: "Read a version", text: "The resource as it was in one version. " + scope("r"), params: append(list{id, b.vid()}, cut...), answers: b.failing(object{"200": answer("That version.", t.Name, versioned)}, "404", "410")})
	}
	if offers("history-instance") {
		b.add("GET", one+"/_history", op{id: t.Name + ".history-instance", tag: t.Name, summary: "History of one", text: "All versions of a resource, the newest first. " + scope("r"), params: list{id, b.count(), b.since(), b.at(), b.cursor(), b.format(), b.requestID()}, answers: b.failing(object{"200": answer("A page of versions.", "HistoryBundle", nil)}, "404")})
	}
	if offers("history-type") {
		b.add("GET", base+"/_history", op{id: t.Name + ".history-type", tag: t.Name, summary: "History of the type", text: "Versions of all resources of the type, the newest first. " + scope("s"), params: list{b.count(), b.since(), b.cursor(), b.format(), b.requestID()}, answers: b.failing(object{"200": answer("A page of versions.", "HistoryBundle", nil)})})
	}
	if offers("search-type") {
		params := b.searchParams(t)
		found := b.failing(object{"200": answer("A page of matches; link next leads to the next one.", "SearchBundle", nil)})
		b.add("GET", base, op{id: t.Name + ".search", tag: t.Name, summary: "Search", text: scope("s") + " Repeated parameters mean and; commas mean or. An unknown one is ignored with a warning in the result, or refused under Prefer: handling=strict.",
			params: append(params, b.handling(), b.format(), b.requestID()), answers: found})
		b.add("POST", base+"/_search", op{id: t.Name + ".search.post", tag: t.Name, summary: "Search with a form", text: scope("s") + " The same as with GET, for values that should not stand in logs of URLs.",
			params: list{b.handling(), b.requestID()}, body: b.form(params), answers: b.failing(found, "413", "415")})
	}
	if offers("create") {
		o := op{id: t.Name + ".create", tag: t.Name, summary: "Create", text: said(needs[t.Name], scope("c")), params: slices.Clone(write), body: b.body(fhirJSON, b.bodySchema(t.Name), base), answers: written(true)}
		if t.Conditional {
			o.params = append(o.params, b.header("If-None-Exist", "Search criteria: create only when nothing matches; one match is answered with 200 in its place.", "identifier=http://hospital.example.org/charting|example-1"))
		} else {
			delete(o.answers, "200")
		}
		b.add("POST", base, o)
	}
	ifMatch := b.header("If-Match", "The version that is to be replaced; 412 when it is no longer the current one.", `W/"3"`)
	if offers("update") {
		b.add("PUT", one, op{id: t.Name + ".update", tag: t.Name, summary: "Update, or create with this id", text: said(needs[t.Name], changing[t.Name], scope("u")), params: append(list{id, ifMatch}, write...), body: b.body(fhirJSON, b.bodySchema(t.Name), one), answers: written(true)})
		if t.Conditional {
			b.add("PUT", base, op{id: t.Name + ".update.conditional", tag: t.Name, summary: "Update what criteria select", text: said(needs[t.Name], criteria+"None: created.", scope("us")), params: append(list{b.criteria(), ifMatch}, write...), body: b.body(fhirJSON, b.bodySchema(t.Name), ""), answers: written(true)})
		}
	}
	if offers("patch") {
		b.add("PATCH", one, op{id: t.Name + ".patch", tag: t.Name, summary: "Patch", text: said(changing[t.Name], scope("u")) + " JSON Patch, or FHIRPath Patch with paths of names and indexes; the result is validated like an update.", params: append(list{id, ifMatch}, write...), body: b.patchBody(t.Name), answers: b.failing(written(false), "404", "410")})
		if t.Conditional {
			b.add("PATCH", base, op{id: t.Name + ".patch.conditional", tag: t.Name, summary: "Patch what criteria select", text: scope("us") + " " + criteria + "None: 404.", params: append(list{b.criteria(), ifMatch}, write...), body: b.patchBody(t.Name), answers: b.failing(written(false), "404")})
		}
	}
	if offers("delete") {
		gone := func() object {
			return b.failing(object{"204": object{"description": "Deleted, or not there."}}, "404", "409", "412")
		}
		b.add("DELETE", one, op{id: t.Name + ".delete", tag: t.Name, summary: "Delete", text: "The history stays; what is derived from the resource follows at once. " + scope("d"), params: list{id, ifMatch, b.requestID()}, answers: gone()})
		if t.Conditional {
			b.add("DELETE", base, op{id: t.Name + ".delete.conditional", tag: t.Name, summary: "Delete what criteria select", text: scope("ds") + " " + criteria + "None: 204.", params: list{b.criteria(), ifMatch, b.requestID()}, answers: gone()})
		}
	}
	for _, o := range t.Operations {
		tag := t.Name
		if o.Own {
			tag = TagDerived
		}
		b.operation(base, t.Name, tag, o)
	}
}

// form is the body of a search by POST, from parameters in the components.
func (b *builder) form(params list) object {
	properties := object{}
	for _, p := range params {
		key := strings.TrimPrefix(p.(object)["$ref"].(string), "#/components/parameters/")
		q := b.params[key].(object)
		// A copy: generators do not follow a reference into the middle of a parameter.
		properties[q["name"].(string)] = q["schema"]
	}
	return object{"content": object{formMedia: object{"schema": object{"type": "object", "properties": properties}}}}
}

// patchBody is a patch in either form.
func (b *builder) patchBody(typ string) object {
	part := func(name, value string, v any) object { return object{"name": name, "value" + value: v} }
	return object{"required": true, "content": object{
		patchJSON: object{"schema": ref("JSONPatch"), "example": list{object{"op": "replace", "path": "/status", "value": "amended"}}},
		fhirJSON: object{"schema": ref("Parameters"), "example": object{"resourceType": "Parameters", "parameter": list{object{"name": "operation", "part": list{
			part("type", "Code", "add"), part("path", "String", typ+".meta"), part("name", "String", "tag"),
			part("value", "Coding", object{"system": "http://hospital.example.org/tags", "code": "reviewed"}),
		}}}}},
	}}
}

// operation adds an extended operation, also by GET if it changes nothing.
func (b *builder) operation(base, typ, tag string, o Operation) {
	name := strings.TrimPrefix(o.Name, "$")
	id := name
	if typ != "" {
		id = typ + "." + name
	}
	path := base + "/" + o.Name
	var params list
	if o.Instance {
		path, params = base+"/{id}/"+o.Name, list{b.id(typ)}
		if slices.ContainsFunc(b.typeOperations(typ), func(x Operation) bool { return x.Name == o.Name && !x.Instance }) {
			id += ".one"
		}
	}
	text := o.Description
	text += " Scopes: " + o.Scopes + "."
	if o.Definition != "" {
		text += " Definition: " + o.Definition + "."
	}
	answers := func(extra ...string) object {
		if o.Async {
			return b.failing(object{"202": object{"description": "Accepted; Content-Location says where to ask how far it is."}}, append([]string{"404"}, extra...)...)
		}
		content := object{}
		if !o.Only {
			content[fhirJSON] = object{"schema": returns(o)}
			if _, ok := b.answers[o.Name]; ok && (o.Name != "$acknowledge" || typ == "DetectedIssue") {
				content[fhirJSON] = object{"schema": returns(o), "examples": object{"sample": object{"$ref": "#/components/examples/" + name}}}
			}
		}
		for _, f := range o.Formats {
			content[f] = object{}
		}
		return b.failing(object{"200": object{"description": "The answer.", "content": content}}, append([]string{"404"}, extra...)...)
	}
	if !o.Affects {
		get := slices.Clone(params)
		for _, p := range o.Params {
			if simple(p.Type) {
				get = append(get, operationParam(p))
			}
		}
		get = append(get, b.formats(o), b.requestID())
		// By GET, an operation whose parameter fits only in a body would lack it.
		if !slices.ContainsFunc(o.Params, func(p OperationParam) bool { return p.Required && !simple(p.Type) }) {
			b.add("GET", path, op{id: id, tag: tag, summary: o.Title, text: text, params: get, answers: answers()})
		}
	}
	var said []string
	for _, p := range o.Params {
		s := p.Name + " (" + p.Type
		if p.Required {
			s += ", required"
		}
		if p.Repeats {
			s += ", repeats"
		}
		said = append(said, s+"): "+p.Description)
	}
	takes := ref("Parameters")
	if o.Name == "$validate" { // the resource itself, or Parameters that hold it
		takes = ref("AnyResource")
	}
	body := object{"content": object{fhirJSON: object{"schema": takes}}, "description": strings.Join(append([]string{"A Parameters resource."}, said...), " ")}
	if ex := parametersExample(o); ex != nil {
		body["content"] = object{fhirJSON: object{"schema": takes, "example": ex}}
	}
	post := append(slices.Clone(params), b.requestID())
	extra := []string{"413", "415", "422"}
	if o.Affects {
		body["required"] = true
		post = append(post, b.header("If-Match", "The version that is to be replaced; 412 when it is no longer the current one.", `W/"3"`))
		extra = append(extra, "409", "410", "412")
	}
	postID := id + ".post"
	if o.Affects {
		postID = id
	}
	b.add("POST", path, op{id: postID, tag: tag, summary: o.Title, text: text, params: post, body: body, answers: answers(extra...)})
}

func (b *builder) typeOperations(typ string) []Operation {
	for _, t := range b.src.Types {
		if t.Name == typ {
			return t.Operations
		}
	}
	return nil
}

func returns(o Operation) object {
	if o.Name == "$events" { // a notification
		return ref("HistoryBundle")
	}
	if o.Returns == "Bundle" {
		if o.Own {
			return ref("CollectionBundle")
		}
		return ref("SearchBundle")
	}
	return ref(o.Returns)
}

// simple reports whether a parameter can stand in a URL.
func simple(typ string) bool { return typ != "" && 'a' <= typ[0] && typ[0] <= 'z' }

// parametersExample is a body with the examples of the parameters, nil
// without any.
func parametersExample(o Operation) object {
	var parts list
	for _, p := range o.Params {
		if p.Example != "" && simple(p.Type) {
			var v any = p.Example
			if n, err := strconv.Atoi(p.Example); err == nil && p.Type != "string" && p.Type != "code" {
				v = n
			}
			parts = append(parts, object{"name": p.Name, "value" + strings.ToUpper(p.Type[:1]) + p.Type[1:]: v})
		}
	}
	if parts == nil {
		return nil
	}
	return object{"resourceType": "Parameters", "parameter": parts}
}

func (b *builder) compartment(c Compartment) {
	b.add("GET", "/fhir/"+c.Owner+"/{id}/*", op{
		id: c.Owner + ".compartment", tag: c.Owner, summary: "Search the whole compartment",
		text:    "Over " + strings.Join(c.Holds, ", ") + ", as far as the token may search them, like a search over several types. Scopes: user/" + c.Owner + ".r and s for the types, or the same with patient/ or system/.",
		params:  append(append(list{b.id(c.Owner)}, b.severalParams()...), b.handling(), b.format(), b.requestID()),
		answers: b.failing(object{"200": answer("A page of matches.", "SearchBundle", nil)}, "404", "410"),
	})
	for _, holds := range c.Holds {
		for _, t := range b.src.Types {
			if t.Name != holds {
				continue
			}
			params := append(list{b.id(c.Owner)}, b.searchParams(t)...)
			b.add("GET", "/fhir/"+c.Owner+"/{id}/"+holds, op{
				id: c.Owner + ".compartment." + holds, tag: c.Owner, summary: "Search " + holds + " in the compartment",
				text:    "Scopes: user/" + c.Owner + ".r and user/" + holds + ".s, or the same with patient/ or system/.",
				params:  append(params, b.handling(), b.format(), b.requestID()),
				answers: b.failing(object{"200": answer("A page of matches.", "SearchBundle", nil)}, "404", "410"),
			})
		}
	}
}

func (b *builder) bodySchema(typ string) object {
	if typ == "Observation" {
		return object{"anyOf": list{ref("Emptying"), ref("ReservoirCheck"), ref("SiteAssessment"), ref("IntakeOutput"), ref("Observation")}}
	}
	return ref(typ)
}

// body is a request body with the examples for the path.
func (b *builder) body(media string, schema object, path string) object {
	content := object{"schema": schema}
	found := object{}
	for _, e := range Examples() {
		if e.Path == path {
			found[e.Name] = object{"summary": e.Summary, "value": e.Body}
		}
	}
	if len(found) > 0 {
		content["examples"] = found
	}
	return object{"required": true, "content": object{media: content}}
}
