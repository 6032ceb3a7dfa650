package search

import (
	"math/big"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"tidemark/internal/fault"
	"tidemark/internal/fhirdate"
	"tidemark/internal/fhirjson"
	"tidemark/internal/ucum"
)

// Pair is one parameter of a search URL or form, decoded, in the order written.
type Pair struct{ Name, Value string }

// ParsePairs reads a query string or a form, strictly and in order.
func ParsePairs(s string) ([]Pair, error) {
	var out []Pair
	for part := range strings.SplitSeq(strings.TrimPrefix(s, "?"), "&") {
		if part == "" {
			continue
		}
		name, value, _ := strings.Cut(part, "=")
		n, err := url.QueryUnescape(name)
		if err == nil {
			value, err = url.QueryUnescape(value)
		}
		if err != nil || !utf8.ValidString(n) || !utf8.ValidString(value) {
			return nil, fault.New(fault.Invalid, "value", "A parameter is not URL-encoded UTF-8.")
		}
		out = append(out, Pair{n, value})
	}
	return out, nil
}

// Coding is a member of an expanded value set.
type Coding struct{ System, Code string }

// ParseOptions hold what the search text itself does not say.
type ParseOptions struct {
	Base   string         // our base URL, as for Extract
	Zone   *time.Location // for dates without a zone; UTC when nil
	Now    time.Time      // for ap on dates
	Strict bool           // Prefer: handling=strict: unknown parameters are refused
	Count  int            // page size when _count is absent; DefaultCount when 0
	// Expand gives the codes of a value set for :in and :not-in, which are
	// refused when it is nil.
	Expand func(canonical string) ([]Coding, error)
}

// Limits on one search.
const (
	DefaultCount = 50
	MaxCount     = 1000 // what a larger _count is lowered to; store.MaxPage
	maxValues    = 1000 // alternatives in one search, expanded value sets aside
	maxDepth     = 4    // links in a chain
	maxParams    = 100  // parameters of a search
	maxSort      = 8    // keys of a sort
	maxElements  = 100  // names of _elements
	maxIncludes  = 20   // each of _include and _revinclude
)

// ParseQuery reads the parameters of a search on one type. Its errors are
// *fault.Error of kind Invalid with an issue for every parameter at fault; of
// kind Rule where all is too costly and nothing worse.
func ParseQuery(typ string, params []Pair, opts ParseOptions) (Query, Control, error) {
	if opts.Zone == nil {
		opts.Zone = time.UTC
	}
	opts.Base = strings.TrimSuffix(opts.Base, "/")
	p := parser{opts: opts, q: Query{Type: typ, Count: DefaultCount}}
	if opts.Count > 0 {
		p.q.Count = min(opts.Count, MaxCount)
	}
	if _, ok := table().types[typ]; !ok {
		return Query{}, Control{}, fault.New(fault.Invalid, "not-supported", "There is no search on type %q.", typ)
	}
	if len(params) > maxParams {
		return Query{}, Control{}, fault.New(fault.Rule, "too-costly", "A search accepts at most %d parameters; leave some out, or join alternatives with commas.", maxParams)
	}
	for _, pair := range params {
		if pair.Value == "" {
			continue // R4: an empty value is an absent parameter
		}
		if !p.control(pair) {
			p.search(pair)
		}
	}
	if p.c.Summary == "text" && len(p.c.Includes)+len(p.c.RevIncludes) > 0 {
		p.faults.Add("invalid", "", "_summary=text cannot be joined with _include or _revinclude; leave one out.")
	}
	kind := fault.Invalid
	if !slices.ContainsFunc(p.faults.Issues, func(is fault.Issue) bool { return is.Code != "too-costly" }) {
		kind = fault.Rule // valid but too costly
	}
	if err := p.faults.As(kind); err != nil {
		return Query{}, Control{}, err
	}
	return p.q, p.c, nil
}

type parser struct {
	opts   ParseOptions
	q      Query
	c      Control
	faults fault.List
	values int
}

func (p *parser) search(pair Pair) {
	if pair.Name == "_query" { // changes the meaning of the search: never ignore it
		p.refuse("not-supported", "There is no named query %q here; leave _query out.", shorten(pair.Value))
		return
	}
	c, state := p.clause(p.q.Type, pair.Name, pair.Value, 0)
	switch state {
	case read:
		p.q.Where = append(p.q.Where, c)
		p.c.Used = append(p.c.Used, pair)
	case unknown:
		p.unknown(pair.Name, "%q is not a search parameter of %s; the CapabilityStatement lists them.", shorten(pair.Name), p.q.Type)
	}
}

// unknown ignores a parameter, or refuses it under strict handling.
func (p *parser) unknown(name, format string, args ...any) {
	if p.opts.Strict {
		p.faults.Add("not-supported", "", format, args...)
		return
	}
	p.c.Ignored = append(p.c.Ignored, name)
}

// state is the outcome for a parameter.
type state int

const (
	read    state = iota
	empty         // nothing but empty alternatives
	unknown       // no parameter of that name
	refused       // a fault was noted
)

func (p *parser) refuse(code, format string, args ...any) (Clause, state) {
	p.faults.Add(code, "", format, args...)
	return Clause{}, refused
}

// clause reads one parameter on a type, with its chain.
func (p *parser) clause(typ, name, value string, depth int) (Clause, state) {
	if depth > maxDepth {
		return p.refuse("too-costly", "A chain may have %d links at most.", maxDepth)
	}
	if name == "_has" {
		return p.refuse("value", "_has is written _has:Type:parameter:searched, such as _has:Observation:patient:code.")
	}
	if rest, ok := strings.CutPrefix(name, "_has:"); ok {
		return p.reverse(typ, rest, value, depth)
	}
	if head, rest, ok := strings.Cut(name, "."); ok {
		return p.chain(typ, head, rest, value, depth)
	}
	base, modifier, modified := strings.Cut(name, ":")
	param, ok := Lookup(typ, base)
	if !ok {
		return Clause{}, unknown
	}
	if modified && modifier == "" {
		return p.refuse("value", "%q ends in a colon; write a modifier after it or leave it out.", name)
	}
	c := Clause{Param: base, Kind: param.Kind, Modifier: modifier}
	target := ""
	switch {
	case !allowed(param, modifier):
		return p.refuse("not-supported", "Parameter %q (%s) does not support the modifier %q; it supports %s.", base, param.Kind, shorten(modifier), strings.Join(modifiers(param), ", "))
	case param.Kind == Reference && isTypeName(modifier):
		c.Modifier, target = "", modifier
	case modifier == "in" || modifier == "not-in":
		if c.Modifier = ""; modifier == "not-in" {
			c.Modifier = "not"
		}
	}
	before := len(p.faults.Issues)
	pieces := split(value, ',')
	some := false
	for _, raw := range pieces {
		if raw == "" {
			continue
		}
		some = true
		if p.values++; p.values > maxValues {
			return p.refuse("too-costly", "A search may hold %d values at most; split it.", maxValues)
		}
		values, why := p.valuesOf(typ, param, modifier, target, raw)
		if why != "" {
			p.faults.Add("value", "", "%s=%s: %s", name, shorten(raw), why)
			continue
		}
		c.Values = append(c.Values, values...)
	}
	switch {
	case len(p.faults.Issues) > before:
		return Clause{}, refused
	case !some:
		return Clause{}, empty
	}
	return c, read
}

// chain reads subject:Patient.name, where head is what stands before the dot.
func (p *parser) chain(typ, head, rest, value string, depth int) (Clause, state) {
	base, target, typed := strings.Cut(head, ":")
	param, ok := Lookup(typ, base)
	if !ok {
		return Clause{}, unknown
	}
	if param.Kind != Reference {
		return p.refuse("not-supported", "%q is not a reference, so nothing can be chained to it.", base)
	}
	if !typed {
		served := param.served()
		if len(served) != 1 {
			return p.refuse("value", "%q may refer to several types; choose one, as in %s:%s.%s.", base, base, append(served, "Patient")[0], shorten(rest))
		}
		target = served[0]
	}
	if !slices.Contains(param.served(), target) {
		return p.refuse("value", "%q does not refer to %q; it refers to %s.", base, shorten(target), strings.Join(param.served(), ", "))
	}
	inner, state := p.clause(target, rest, value, depth+1)
	switch state {
	case unknown:
		return p.refuse("not-supported", "%q is not a search parameter of %s, so %s.%s cannot be searched.", shorten(rest), target, head, shorten(rest))
	case read:
		return Clause{Param: base, Kind: Reference, Link: &Link{Type: target, Where: []Clause{inner}}}, read
	}
	return Clause{}, state
}

// reverse reads _has:Observation:patient:code, without its beginning.
func (p *parser) reverse(typ, rest, value string, depth int) (Clause, state) {
	parts := strings.SplitN(rest, ":", 3)
	if len(parts) != 3 {
		return p.refuse("value", "Write _has as _has:Type:reference:parameter=value, for instance _has:Observation:patient:code=9203-1.")
	}
	param, ok := Lookup(parts[0], parts[1])
	if !ok || param.Kind != Reference || !slices.Contains(param.served(), typ) {
		return p.refuse("not-supported", "%s has no reference parameter %q that leads to %s.", shorten(parts[0]), shorten(parts[1]), typ)
	}
	inner, state := p.clause(parts[0], parts[2], value, depth+1)
	switch state {
	case unknown:
		return p.refuse("not-supported", "%q is not a search parameter of %s, so _has cannot use it.", shorten(parts[2]), parts[0])
	case read:
		return Clause{Param: "_has", Kind: Reference, Link: &Link{Reverse: true, Type: parts[0], Param: parts[1], Where: []Clause{inner}}}, read
	}
	return Clause{}, state
}

// served lists the target types of a reference that this service holds.
func (p Param) served() []string {
	var out []string
	for _, t := range Types() {
		if (p.Targets == nil || slices.Contains(p.Targets, t)) && (p.only == "" || p.only == t) {
			out = append(out, t)
		}
	}
	return out
}

// modifiers lists what a parameter takes, for messages.
func modifiers(p Param) []string {
	switch p.Kind {
	case Token:
		if p.Name == idParam {
			return []string{"missing", "not"}
		}
		if p.identifier {
			return []string{"missing", "not", "text", "in", "not-in", "of-type"}
		}
		return []string{"missing", "not", "text", "in", "not-in"}
	case String:
		return []string{"missing", "exact", "contains"}
	case URI:
		return []string{"missing", "above", "below"}
	case Reference:
		return append([]string{"missing", "identifier"}, p.Targets...)
	}
	return []string{"missing"}
}

func allowed(p Param, modifier string) bool {
	if modifier == "" || slices.Contains(modifiers(p), modifier) {
		return true
	}
	// A parameter that may refer to anything takes every served type.
	return p.Kind == Reference && p.Targets == nil && slices.Contains(p.served(), modifier)
}

func isTypeName(s string) bool { return s != "" && 'A' <= s[0] && s[0] <= 'Z' }

// valuesOf reads one alternative, still escaped. why says what is wrong with
// it and what to write; it is "" when all is well.
func (p *parser) valuesOf(typ string, param Param, modifier, target, raw string) (values []Value, why string) {
	v := Value{Raw: raw, Prefix: "eq"}
	switch modifier {
	case "missing":
		if raw != "true" && raw != "false" {
			return nil, ":missing takes true or false."
		}
		v.Bool = raw == "true"
		return []Value{v}, ""
	case "in", "not-in":
		return p.expand(unescape(raw))
	case "text":
		v.Text = unescape(raw)
		v.Folded = Fold(v.Text)
		return []Value{v}, ""
	case "of-type":
		f := split(raw, '|')
		if len(f) != 3 || f[0] == "" || f[1] == "" || f[2] == "" {
			return nil, "write :of-type as system|code|value, with the system and code of the identifier's type."
		}
		v.System, v.Code, v.Text = unescape(f[0]), unescape(f[1]), unescape(f[2])
		return []Value{v}, ""
	case "identifier":
		why = v.token(raw)
		return []Value{v}, why
	}
	switch param.Kind {
	case Token:
		why = v.token(raw)
	case Reference:
		return p.references(param, target, v)
	case Date:
		why = p.date(&v, raw)
	case String:
		v.Text = unescape(raw)
		v.Folded = Fold(v.Text)
	case URI:
		v.Text = unescape(raw)
	case Number:
		why = v.number(raw)
	case Quantity:
		why = v.quantity(raw)
	case Composite:
		why = p.composite(&v, typ, param, raw)
	}
	return []Value{v}, why
}

func (p *parser) expand(canonical string) ([]Value, string) {
	if p.opts.Expand == nil {
		return nil, "value sets are not expanded here; list the codes instead."
	}
	codes, err := p.opts.Expand(canonical)
	if err != nil {
		return nil, "the value set cannot be expanded: " + fault.Of(err).Error()
	}
	values := make([]Value, len(codes))
	for i, c := range codes {
		values[i] = Value{Raw: canonical, Prefix: "eq", System: c.System, Code: c.Code}
	}
	return values, ""
}

// token reads code, system|code, |code or system|.
func (v *Value) token(raw string) string {
	system, code, piped := cut(raw, '|')
	if !piped {
		v.Code, v.AnySystem = unescape(raw), true
		return ""
	}
	if v.System, v.Code = unescape(system), unescape(code); v.Code == "" {
		if v.System == "" {
			return "a token is code, system|code, |code or system|."
		}
		v.AnyCode = true
	}
	return ""
}

// manyTargets is the number of types up to which an id without a type is
// written out as one reference for each.
const manyTargets = 8

func (p *parser) references(param Param, target string, v Value) ([]Value, string) {
	const form = "a reference is an id, Type/id or an absolute URL."
	s := unescape(v.Raw)
	if strings.Contains(s, "/_history/") {
		return nil, "searches follow references without a version; leave out /_history."
	}
	if strings.HasPrefix(s, "#") {
		return nil, "contained resources are not found by id; " + form
	}
	s = relative(s, p.opts.Base)
	switch {
	case strings.Contains(s, "://") || strings.HasPrefix(s, "urn:"):
		v.Ref = s
		return []Value{v}, ""
	case fhirjson.IsID(s):
		types := param.Targets
		if param.only != "" {
			types = []string{param.only}
		}
		if target != "" {
			types = []string{target}
		}
		v.Untyped = len(types) != 1
		if len(types) == 0 || len(types) > manyTargets {
			v.Ref = "|" + s
			return []Value{v}, ""
		}
		values := make([]Value, len(types))
		for i, t := range types {
			values[i], values[i].Ref = v, t+"/"+s
		}
		return values, ""
	}
	id, ok := localID(s)
	if !ok || !fhirjson.IsID(id) {
		return nil, form
	}
	if target != "" && refType(s) != target {
		return nil, "the modifier asks for " + target + ", the value for another type; leave one of them out."
	}
	v.Ref = s
	return []Value{v}, ""
}

var prefixes = []string{"eq", "ne", "gt", "lt", "ge", "le", "sa", "eb", "ap"}

// prefix cuts the comparison off a value.
func (v *Value) prefix(s string) (rest, why string) {
	if s == "" || s[0] < 'a' || s[0] > 'z' {
		return s, ""
	}
	if len(s) > 2 && slices.Contains(prefixes, s[:2]) {
		v.Prefix = s[:2]
		return s[2:], ""
	}
	return "", "has an unknown prefix; write one of " + strings.Join(prefixes, ", ") + " and a value after it, or the value alone."
}

func (p *parser) date(v *Value, raw string) string {
	s, why := v.prefix(unescape(raw))
	if why != "" {
		return why
	}
	iv, err := fhirdate.Parse(s, p.opts.Zone)
	if err != nil {
		if strings.Contains(s, " ") {
			return "holds a space; in a URL the + of a zone is written %2B."
		}
		return err.Error() + "."
	}
	v.Lo, v.Hi = iv.Lo, iv.Hi
	if v.Prefix == "ap" && !p.opts.Now.IsZero() {
		// R4 suggests 10 % of the distance to now.
		now := p.opts.Now.Unix()
		by := max(v.Lo.Unix()-now, now-v.Hi.Unix(), 0) / 10
		v.Lo, v.Hi = time.Unix(v.Lo.Unix()-by, 0).UTC(), time.Unix(v.Hi.Unix()+by, 0).UTC()
	}
	return ""
}

const numberForm = "is not a decimal number such as 5.4, -3 or 1e2."

// number reads a prefix and a number into the exact value and the bounds of
// its precision.
func (v *Value) number(s string) string {
	s, why := v.prefix(s)
	if why != "" {
		return why
	}
	r, ok := ucum.ParseDecimal(s)
	if !ok {
		return numberForm
	}
	low, high := v.bounds(s, r)
	v.Number, v.Low, v.High = s, ratText(low), ratText(high)
	return ""
}

// bounds gives the interval that a number stands for: half a unit of its last
// digit to both sides (100 is [99.5, 100.5)). A single digit with an exponent
// counts as having one decimal, because R4's 1e2 is [95, 105). ap adds a tenth
// of the value.
func (v *Value) bounds(s string, r *big.Rat) (low, high *big.Rat) {
	mantissa, exponent, scientific := strings.Cut(strings.ToLower(strings.TrimPrefix(s, "-")), "e")
	_, decimals, _ := strings.Cut(mantissa, ".")
	last := -len(decimals)
	if scientific {
		e, _ := strconv.Atoi(exponent) // ParseDecimal has read it
		last += e
		if len(mantissa) == 1 {
			last--
		}
	}
	half, _ := new(big.Rat).SetString("5e" + strconv.Itoa(last-1))
	if v.Prefix == "ap" {
		if tenth := new(big.Rat).Abs(new(big.Rat).Quo(r, big.NewRat(10, 1))); tenth.Cmp(half) > 0 {
			half = tenth
		}
	}
	return new(big.Rat).Sub(r, half), new(big.Rat).Add(r, half)
}

// quantity reads number, number|system|code or number||code.
func (v *Value) quantity(raw string) string {
	f := split(raw, '|')
	if len(f) != 1 && len(f) != 3 {
		return "a quantity is number, number|system|code or number||code."
	}
	number := unescape(f[0])
	if why := v.number(number); why != "" {
		return why
	}
	v.AnySystem, v.AnyCode = true, true
	if len(f) == 1 {
		return ""
	}
	v.System, v.Code = unescape(f[1]), unescape(f[2])
	v.AnySystem, v.AnyCode = v.System == "", v.Code == ""
	if v.System != ucumSystem || v.AnyCode {
		return ""
	}
	u, err := ucum.Parse(v.Code)
	if err != nil {
		return "the unit: " + err.Error() + "."
	}
	if !u.Exact() {
		return "" // compared as written; see canonical
	}
	convert := func(s string) string {
		c, base, err := ucum.ToCanonical(rat(s), u)
		if err != nil {
			return ""
		}
		v.Base = base
		return ratText(c)
	}
	v.BaseNumber, v.BaseLow, v.BaseHigh = convert(v.Number), convert(v.Low), convert(v.High)
	if v.BaseNumber == "" || v.BaseLow == "" || v.BaseHigh == "" {
		v.Base = ""
	}
	return ""
}

func (p *parser) composite(v *Value, typ string, param Param, raw string) string {
	f := split(raw, '$')
	if len(f) != len(param.Components) {
		return "a value of this parameter joins " + strings.Join(param.Components, " and ") + " with $, as in code$value."
	}
	for i, name := range param.Components {
		component, _ := Lookup(typ, name)
		if f[i] == "" {
			return "the part for " + name + " is empty."
		}
		values, why := p.valuesOf(typ, component, "", "", f[i])
		if why != "" {
			return "the part for " + name + ": " + why
		}
		v.Parts = append(v.Parts, Clause{Param: name, Kind: component.Kind, Values: values})
	}
	return ""
}

// split cuts at each sep that no backslash escapes; the pieces stay escaped.
func split(s string, sep byte) []string {
	var out []string
	for {
		before, after, ok := cut(s, sep)
		out = append(out, before)
		if !ok {
			return out
		}
		s = after
	}
}

func cut(s string, sep byte) (before, after string, ok bool) {
	for i := 0; i < len(s); i++ {
		switch s[i] {
		case '\\':
			i++
		case sep:
			return s[:i], s[i+1:], true
		}
	}
	return s, "", false
}

// unescape turns \, \| \$ and \\ into the character; any other backslash
// stands for itself.
func unescape(s string) string {
	if strings.IndexByte(s, '\\') < 0 {
		return s
	}
	b := make([]byte, 0, len(s))
	for i := 0; i < len(s); i++ {
		if s[i] == '\\' && i+1 < len(s) && strings.IndexByte(`,|$\`, s[i+1]) >= 0 {
			i++
		}
		b = append(b, s[i])
	}
	return string(b)
}

// Escape writes a text as a value of a search, in which \ | , and $ mean something.
func Escape(s string) string {
	return strings.NewReplacer(`\`, `\\`, `,`, `\,`, `|`, `\|`, `$`, `\$`).Replace(s)
}

// shorten keeps messages readable whatever was sent.
func shorten(s string) string {
	if r := []rune(s); len(r) > 60 {
		s = string(r[:60]) + "…"
	}
	return strings.ToValidUTF8(s, "\uFFFD")
}
