// Command gen writes params.txt, the search parameters of the served types as
// facts: names, kinds, element paths with their JSON member names and types,
// targets, and compartments. It reads the official definitions and keeps none
// of their prose.
//
//	go run ./internal/search/gen -definitions ../shared/fhir-r4-examples/definitions
//
// The service's own parameters come from its own SearchParameter resources.
package main

import (
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
)

var types = []string{
	"AuditEvent", "CodeSystem", "DetectedIssue", "Device", "DeviceUseStatement", "Encounter", "Group", "Location",
	"Observation", "OperationDefinition", "Organization", "Patient", "Practitioner", "PractitionerRole", "Provenance",
	"SearchParameter", "StructureDefinition", "Subscription", "Task", "ValueSet",
}

// primary is the date by which a type is kept in order. Ours.
var primary = map[string]string{
	"AuditEvent": "recorded", "DetectedIssue": "identified", "DeviceUseStatement": "timing", "Encounter": "period",
	"Observation": "effective", "Patient": "birthDate", "Provenance": "recorded",
}

// dropped are parameters that are not offered: phonetic needs an algorithm of
// sound that R4 leaves open.
var dropped = map[string]bool{"phonetic": true}

// byHand are the elements of types whose definitions the source folder lacks
// (R4 4.0.1, pages of the resources), as far as parameters reach them.
var byHand = map[string]string{
	"url": "uri", "version": "string", "name": "string", "title": "string", "status": "code http://hl7.org/fhir/ValueSet/publication-status",
	"date": "dateTime", "publisher": "string", "description": "markdown", "jurisdiction": "CodeableConcept", "useContext": "UsageContext",
	"code": "code", "base": "code http://hl7.org/fhir/ValueSet/resource-types", "type": "uri", "abstract": "boolean",
}

// extra are official parameters of those types that the source folder lacks.
var extra = []searchParameter{
	{URL: "http://hl7.org/fhir/SearchParameter/SearchParameter-base", Code: "base", Type: "token", Base: []string{"SearchParameter"}, Expression: "SearchParameter.base"},
	{URL: "http://hl7.org/fhir/SearchParameter/SearchParameter-code", Code: "code", Type: "token", Base: []string{"SearchParameter"}, Expression: "SearchParameter.code"},
	{URL: "http://hl7.org/fhir/SearchParameter/StructureDefinition-type", Code: "type", Type: "uri", Base: []string{"StructureDefinition"}, Expression: "StructureDefinition.type"},
	{URL: "http://hl7.org/fhir/SearchParameter/StructureDefinition-abstract", Code: "abstract", Type: "token", Base: []string{"StructureDefinition"}, Expression: "StructureDefinition.abstract"},
	{URL: "http://hl7.org/fhir/SearchParameter/OperationDefinition-code", Code: "code", Type: "token", Base: []string{"OperationDefinition"}, Expression: "OperationDefinition.code"},
}

type searchParameter struct {
	URL, Code, Type, Expression string
	Base, Target                []string
	Component                   []struct{ Definition, Expression string }
}

type element struct {
	Path string
	Type []struct{ Code string }
	// Binding is kept for code elements: a required binding fixes the system.
	Binding struct{ Strength, ValueSet string }
}

type structure struct {
	ID       string
	Snapshot struct{ Element []element }
}

func main() {
	definitions := flag.String("definitions", "../shared/fhir-r4-examples/definitions", "folder with search-parameters.json and structure-definitions.trimmed.json")
	own := flag.String("own", "internal/profile/resources", "folder with the service's own SearchParameter-*.json")
	out := flag.String("o", "internal/search/params.txt", "file to write")
	flag.Parse()
	text, err := generate(*definitions, *own)
	if err == nil {
		err = os.WriteFile(*out, []byte(text), 0o644)
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, "gen:", err)
		os.Exit(1)
	}
}

func generate(dir, own string) (string, error) {
	params, err := bundle[searchParameter](filepath.Join(dir, "search-parameters.json"))
	if err != nil {
		return "", err
	}
	structures, err := bundle[structure](filepath.Join(dir, "structure-definitions.trimmed.json"))
	if err != nil {
		return "", err
	}
	ours, err := ownParameters(own)
	if err != nil {
		return "", err
	}
	g := generator{params: slices.Concat(params, extra, ours), elements: map[string]element{}}
	for _, s := range structures {
		for _, e := range s.Snapshot.Element {
			g.elements[e.Path] = e
		}
	}
	var b strings.Builder
	b.WriteString(`# The search parameters of the served types. Written by ./gen; do not edit.
# Facts from hl7.fhir.r4.core 4.0.1 (CC0-1.0): names, kinds, paths, targets, compartments.
# Elements of the conformance types, and the lines marked "ours", are named in gen/main.go.
# A definition that is a whole URL is one of the service's own SearchParameters.
#
# type	name
# primary	paths of the date by which the type is kept in order (ours)
# compartment	owner	parameters through which a resource belongs to it, {def} being itself
# param	name	kind	definition	paths	targets	components
#
# A path is member names, its type, =the system that a code implies, {system=x} a condition,
# # when composites use it. "=a,b@T" instead of paths means: the values of a and b that refer to a T.
`)
	base, err := g.lines("Resource")
	if err != nil {
		return "", err
	}
	fmt.Fprintf(&b, "type\tResource\n%s", base)
	owners, err := compartments(filepath.Join(dir, "..", "examples"))
	if err != nil {
		return "", err
	}
	for _, t := range types {
		lines, err := g.lines(t)
		if err != nil {
			return "", err
		}
		fmt.Fprintf(&b, "type\t%s\n", t)
		if p := primary[t]; p != "" {
			paths, err := g.expand(t, "date", t+"."+p)
			if err != nil {
				return "", err
			}
			fmt.Fprintf(&b, "primary\t%s\n", strings.Join(paths, " "))
		}
		for _, owner := range slices.Sorted(maps.Keys(owners)) {
			if by := owners[owner][t]; len(by) > 0 {
				fmt.Fprintf(&b, "compartment\t%s\t%s\n", owner, strings.Join(by, " "))
			}
		}
		b.WriteString(lines)
	}
	return b.String(), nil
}

func bundle[T any](file string) ([]T, error) {
	data, err := os.ReadFile(file)
	if err != nil {
		return nil, err
	}
	var doc struct{ Entry []struct{ Resource T } }
	if err := json.Unmarshal(data, &doc); err != nil {
		return nil, fmt.Errorf("%s: %w", file, err)
	}
	var out []T
	for _, e := range doc.Entry {
		out = append(out, e.Resource)
	}
	return out, nil
}

func ownParameters(dir string) ([]searchParameter, error) {
	files, err := filepath.Glob(filepath.Join(dir, "SearchParameter-*.json"))
	if err != nil {
		return nil, err
	}
	var out []searchParameter
	for _, file := range files {
		data, err := os.ReadFile(file)
		if err != nil {
			return nil, err
		}
		var p searchParameter
		if err := json.Unmarshal(data, &p); err != nil {
			return nil, fmt.Errorf("%s: %w", file, err)
		}
		out = append(out, p)
	}
	return out, nil
}

// compartments gives owner → type → parameters for the compartments served.
func compartments(dir string) (map[string]map[string][]string, error) {
	out := map[string]map[string][]string{}
	for _, owner := range []string{"Patient", "Device", "Encounter"} {
		data, err := os.ReadFile(filepath.Join(dir, "CompartmentDefinition-"+strings.ToLower(owner)+".json"))
		if err != nil {
			return nil, err
		}
		var doc struct {
			Resource []struct {
				Code  string
				Param []string
			}
		}
		if err := json.Unmarshal(data, &doc); err != nil {
			return nil, err
		}
		out[owner] = map[string][]string{owner: {"{def}"}}
		for _, r := range doc.Resource {
			// Ours: a Patient compartment holds no other Patient, though R4 follows
			// Patient.link. The compartment decides what a token may see, and a link
			// is no consent.
			if r.Code != owner && len(r.Param) > 0 {
				out[owner][r.Code] = r.Param
			}
		}
	}
	// Ours: R4 leaves Device out of the Patient compartment; a drain belongs to
	// the patient that it drains.
	out["Patient"]["Device"] = []string{"patient"}
	return out, nil
}

type generator struct {
	params   []searchParameter
	elements map[string]element
}

type line struct {
	searchParameter
	paths []string
	alias string
}

// lines gives the table of one type, sorted by name.
func (g *generator) lines(typ string) (string, error) {
	var all []*line
	for _, p := range g.params {
		if !slices.Contains(p.Base, typ) || p.Type == "special" || p.Expression == "" || dropped[p.Code] {
			continue
		}
		l := &line{searchParameter: p}
		if p.Code == "patient" { // the definition shared by many types also names Group
			l.Target = []string{"Patient"}
		}
		if p.Type != "composite" {
			for _, part := range strings.Split(p.Expression, " | ") {
				if part = strings.TrimSpace(part); !belongs(part, typ) {
					continue
				}
				paths, err := g.expand(typ, p.Type, part)
				if err != nil {
					return "", fmt.Errorf("%s %s: %w", typ, p.Code, err)
				}
				l.paths = append(l.paths, paths...)
			}
		}
		all = append(all, l)
	}
	slices.SortFunc(all, func(a, b *line) int { return strings.Compare(a.Code, b.Code) })
	for _, l := range all {
		l.alias = alias(l, all)
	}
	for _, l := range all {
		if l.Type == "composite" {
			g.mark(typ, l, all)
		}
	}
	var b strings.Builder
	for _, l := range all {
		where := strings.Join(l.paths, " ")
		if l.alias != "" {
			where = l.alias
		}
		targets := strings.Join(l.Target, " ")
		if len(l.Target) > 100 {
			targets = "*"
		}
		var components []string
		for _, c := range l.Component {
			components = append(components, g.code(c.Definition))
		}
		fmt.Fprintf(&b, "param\t%s\t%s\t%s\t%s\t%s\t%s\n", l.Code, l.Type,
			strings.TrimPrefix(l.URL, "http://hl7.org/fhir/SearchParameter/"), where, targets, strings.Join(components, " "))
	}
	return b.String(), nil
}

func (g *generator) code(url string) string {
	for _, p := range g.params {
		if p.URL == url {
			return p.Code
		}
	}
	return ""
}

// alias finds the parameters whose values together are those of l, so that a
// value is kept once: combo-code is code and component-code, patient is
// subject where it refers to a Patient.
func alias(l *line, all []*line) string {
	if l.Type == "composite" {
		return ""
	}
	filter := ""
	want := map[string]bool{}
	for _, p := range l.paths {
		p, f, found := strings.Cut(p, "@")
		if found {
			filter = f
		}
		want[p] = true
	}
	if l.Code == "patient" && filter == "" && len(l.paths) == 1 {
		filter = "Patient"
	}
	var of []string
	left := maps.Clone(want)
	for _, o := range all {
		if o == l || o.Type != l.Type || len(o.paths) == 0 || filter == "" && len(o.paths) >= len(l.paths) || strings.Contains(o.paths[0], "@") {
			continue
		}
		if slices.ContainsFunc(o.paths, func(p string) bool { return !want[p] }) {
			continue
		}
		of = append(of, o.Code)
		for _, p := range o.paths {
			delete(left, p)
		}
	}
	if len(of) == 0 || len(left) > 0 {
		return ""
	}
	if filter != "" {
		return "=" + strings.Join(of, ",") + "@" + filter
	}
	return "=" + strings.Join(of, ",")
}

// mark notes the paths that the composite's component expressions reach: the
// expression may be narrower than the component's parameter.
func (g *generator) mark(typ string, l *line, all []*line) {
	for _, c := range l.Component {
		code := g.code(c.Definition)
		names := []string{code}
		for _, o := range all {
			if o.Code == code && o.alias != "" {
				names = strings.Split(strings.TrimPrefix(o.alias, "="), ",")
			}
		}
		for _, o := range all {
			if !slices.Contains(names, o.Code) {
				continue
			}
			for i, p := range o.paths {
				if !strings.HasSuffix(p, "#") && g.reached(typ, l.Expression, c.Expression, p) {
					o.paths[i] = p + "#"
				}
			}
		}
	}
}

// reached reports whether path is what one of the composite's bases and the
// component's expression lead to.
func (g *generator) reached(typ, bases, expression, path string) bool {
	for _, base := range strings.Split(bases, " | ") {
		if base = strings.TrimSpace(base); !belongs(base, typ) {
			continue
		}
		for _, e := range strings.Split(expression, " | ") {
			e = strings.Replace(e, "DateTime", "dateTime", 1) // 4.0.1 writes the type so in code-value-date
			paths, err := g.expand(typ, "", base+"."+strings.TrimSpace(e))
			if err == nil && slices.Contains(paths, path) {
				return true
			}
		}
	}
	return false
}

func belongs(expression, typ string) bool {
	rest, ok := strings.CutPrefix(strings.TrimPrefix(expression, "("), typ)
	return ok && (rest == "" || rest[0] == '.' || rest[0] == ' ')
}

var (
	asForm      = regexp.MustCompile(`^\((\S+) as (\w+)\)(.*)$`)
	asCall      = regexp.MustCompile(`^(\S+)\.as\((\w+)\)(.*)$`)
	resolveForm = regexp.MustCompile(`^(\S+)\.where\(resolve\(\) is (\w+)\)$`)
	whereForm   = regexp.MustCompile(`^(\S+)\.where\(system='(\w+)'\)$`)
)

// expand turns one official expression into paths of JSON member names.
func (g *generator) expand(typ, kind, expression string) ([]string, error) {
	suffix, as := "", ""
	if strings.HasSuffix(expression, " and "+typ+".deceased != false") {
		return []string{"deceasedBoolean:exists", "deceasedDateTime:exists"}, nil
	}
	if m := resolveForm.FindStringSubmatch(expression); m != nil {
		expression, suffix = m[1], "@"+m[2]
	}
	if m := whereForm.FindStringSubmatch(expression); m != nil {
		expression, suffix = m[1], "{system="+m[2]+"}"
	}
	rest := ""
	if m := asForm.FindStringSubmatch(expression); m != nil {
		expression, as, rest = m[1], m[2], m[3]
	} else if m := asCall.FindStringSubmatch(expression); m != nil {
		expression, as, rest = m[1], m[2], m[3]
	}
	heads, err := g.walk(typ, typ, "", strings.Split(strings.TrimPrefix(expression, typ+"."), "."), as)
	if err != nil {
		return nil, err
	}
	var out []string
	for _, h := range heads {
		if rest != "" {
			h.member += rest
			e := g.elements[h.code+rest]
			if len(e.Type) == 0 {
				return nil, errors.New("no element " + h.code + rest)
			}
			h.code = name(e.Type[0].Code)
		}
		out = append(out, h.member+":"+h.code+h.system+suffix)
	}
	return out, nil
}

type head struct{ member, code, system string }

// walk follows names from the element at path, which has the given type.
func (g *generator) walk(path, typ, member string, names []string, as string) ([]head, error) {
	n, more := names[0], names[1:]
	if member != "" {
		member += "."
	}
	e, ok := g.elements[path+"."+n]
	if !ok {
		e, ok = g.elements[typ+"."+n]
	}
	if !ok {
		if c, choice := g.elements[path+"."+n+"[x]"]; choice {
			return choices(member+n, c, as, more)
		}
		if c, choice := g.elements[typ+"."+n+"[x]"]; choice {
			return choices(member+n, c, as, more)
		}
		h, found := byHand[n]
		if !found {
			return nil, fmt.Errorf("no element %s.%s", path, n)
		}
		code, set, _ := strings.Cut(h, " ")
		e.Path, e.Type = path+"."+n, []struct{ Code string }{{code}}
		if set != "" {
			e.Binding.Strength, e.Binding.ValueSet = "required", set
		}
	}
	code := name(e.Type[0].Code)
	if len(more) > 0 {
		if code == "BackboneElement" {
			return g.walk(e.Path, code, member+n, more, as)
		}
		return g.walk(code, code, member+n, more, as)
	}
	h := head{member: member + n, code: code}
	if code == "code" && e.Binding.Strength == "required" {
		set, _, _ := strings.Cut(e.Binding.ValueSet, "|")
		// The value sets reached here each hold one code system, of the same name.
		h.system = "=" + strings.Replace(set, "/ValueSet/", "/", 1)
		if strings.HasSuffix(set, "/mimetypes") {
			h.system = "=urn:ietf:bcp:13"
		}
	}
	return []head{h}, nil
}

func choices(member string, e element, as string, more []string) ([]head, error) {
	if len(more) > 0 {
		return nil, errors.New("a step behind the choice " + e.Path)
	}
	var out []head
	for _, t := range e.Type {
		if code := t.Code; as == "" || code == as {
			out = append(out, head{member: member + strings.ToUpper(code[:1]) + code[1:], code: name(code)})
		}
	}
	if len(out) == 0 {
		return nil, errors.New(e.Path + " has no " + as)
	}
	return out, nil
}

// name is the type as package search reads it: a Duration is a Quantity, and
// so on.
func name(code string) string {
	switch code {
	case "http://hl7.org/fhirpath/System.String", "id", "markdown":
		return "string"
	case "Duration", "Age", "SimpleQuantity", "Count", "Distance":
		return "Quantity"
	case "instant", "date":
		return "dateTime"
	case "canonical", "url":
		return "uri"
	}
	return code
}
