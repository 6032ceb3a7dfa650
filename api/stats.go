package api

import (
	"cmp"
	"context"
	"math/big"
	"net/http"
	"slices"
	"strings"
	"time"

	"tidemark/internal/auth"
	"tidemark/internal/fault"
	"tidemark/internal/fhirdate"
	"tidemark/internal/fhirjson"
	"tidemark/internal/search"
	"tidemark/internal/statistics"
	"tidemark/internal/store"
	"tidemark/internal/ucum"
)

const ucumSystem = "http://unitsofmeasure.org"

// maxSources bounds the source Observations of one answer, limit or not.
const maxSources = store.MaxPage

// statsRequest holds the parameters of $stats.
type statsRequest struct {
	subject    string // as a search value: Type/id or an absolute URL
	codes      []*fhirjson.Node
	from, to   time.Time // [from, to); from zero: from the first
	period     *fhirjson.Node
	statistics []statistics.Code
	include    bool
	limit      int
}

// stats answers $stats: figures over the quantities of a subject's
// Observations, one result for each code.
func stats(ctx context.Context, s *Server, in *Interaction, p Params) (*Answer, error) {
	g, err := in.grant("Observation", auth.Search)
	if err != nil {
		return nil, err
	}
	r, err := readStats(p, s.base, s.ward.Now(), s.zone())
	if err != nil {
		return nil, err
	}
	if id, ok := strings.CutPrefix(r.subject, "Patient/"); ok {
		in.audit.patient = id
	}
	within := s.within("Observation", g)
	t := newTally(r, s.base, s.zone())
	var tokens []string
	for _, c := range r.codes {
		tokens = append(tokens, tokenText(c.Str("system"), c.Str("code")))
	}
	room := maxObservations
	find := func(pairs ...search.Pair) error {
		q, _, err := search.ParseQuery("Observation", append(pairs, search.Pair{Name: "subject", Value: searchEscape.Replace(r.subject)}), s.parseOptions(true))
		if err != nil {
			return err
		}
		q.Within = within
		return s.eachObservation(ctx, q, room, func(_ store.Version, n *fhirjson.Node) error {
			room--
			t.observe(n)
			return nil
		})
	}
	pairs := []search.Pair{{Name: "combo-code", Value: strings.Join(tokens, ",")}, {Name: "date", Value: "le" + searchInstant(r.to)}}
	if !r.from.IsZero() {
		pairs = append(pairs, search.Pair{Name: "date", Value: "ge" + searchInstant(r.from)})
	}
	if err := find(pairs...); err != nil {
		return nil, err
	}
	for ids := t.wanted(); len(ids) > 0; ids = t.wanted() {
		if err := find(search.Pair{Name: "_id", Value: strings.Join(ids, ",")}); err != nil {
			return nil, err
		}
	}
	out, err := t.answer()
	if err != nil {
		return nil, err
	}
	return &Answer{Status: http.StatusOK, Resource: out.Bytes()}, nil
}

func searchInstant(t time.Time) string { return t.UTC().Format("2006-01-02T15:04:05.000000Z") }

// readStats reads the parameters; the error names every fault.
func readStats(p Params, base string, now time.Time, zone *time.Location) (statsRequest, error) {
	r := statsRequest{limit: maxSources}
	if err := p.only("subject", "code", "system", "coding", "duration", "period", "statistic", "include", "limit"); err != nil {
		return r, err
	}
	var l fault.List
	for _, name := range []string{"subject", "system", "duration", "period", "include", "limit"} {
		if p.times(name) > 1 {
			l.Add("value", "", "%s is given several times; give it once.", name)
		}
	}
	r.readSubject(p, base, &l)
	r.readCodes(p, &l)
	r.readTime(p, now, zone, &l)
	for _, text := range p.All("statistic") {
		c := statistics.Code(text)
		switch text { // the names that the parameter's own documentation uses
		case "max":
			c = statistics.Maximum
		case "min":
			c = statistics.Minimum
		}
		if c.Display() == "" {
			l.Add("code-invalid", "", "statistic %q is not one of %s.", text, statisticNames())
		} else if !slices.Contains(r.statistics, c) {
			r.statistics = append(r.statistics, c)
		}
	}
	if len(p.All("statistic")) == 0 {
		l.Add("required", "", "Name at least one statistic: %s.", statisticNames())
	}
	switch text := p.Text("include"); text {
	case "", "false":
	case "true":
		r.include = true
		if text := p.Text("limit"); text != "" {
			n, ok := positive(text)
			if !ok {
				l.Add("value", "", "limit takes a whole number from 1, not %q.", text)
			}
			r.limit = min(n, maxSources)
		}
	default:
		l.Add("value", "", "include is true or false, not %q.", text)
	}
	return r, l.As(fault.Invalid)
}

func statisticNames() string {
	var names []string
	for _, c := range statistics.Codes() {
		names = append(names, string(c))
	}
	return strings.Join(names, ", ")
}

// times counts how often a parameter is given.
func (p Params) times(name string) int {
	n := 0
	for _, x := range p.list {
		if x.name == name {
			n++
		}
	}
	return n
}

func (r *statsRequest) readSubject(p Params, base string, l *fault.List) {
	text := cmp.Or(p.Text("subject"), p.Node("subject").Str("reference"))
	if text == "" {
		l.Add("required", "", "Name the subject as Observation.subject has it: subject=Patient/123.")
		return
	}
	r.subject = strings.TrimPrefix(text, base+"/")
	if _, _, ok := cutRef(r.subject); !ok && !strings.Contains(r.subject, "://") {
		l.Add("value", "", "subject %q is no reference; write it as Type/id or as an absolute URL.", text)
	}
}

func (r *statsRequest) readCodes(p Params, l *fault.List) {
	seen := map[coding]bool{}
	add := func(c *fhirjson.Node) {
		if k := codingOf(c); !seen[k] {
			seen[k] = true
			r.codes = append(r.codes, c)
		}
	}
	codes, system := p.All("code"), p.Text("system")
	for _, code := range codes {
		if system == "" {
			l.Add("required", "", "code %q needs its system: give system beside it, or a coding.", code)
			break
		}
		add(fhirjson.Obj("system", system, "code", code))
	}
	for _, c := range p.Nodes("coding") {
		if c.Str("system") == "" || c.Str("code") == "" {
			l.Add("required", "", "A coding has a system and a code.")
			continue
		}
		clean := fhirjson.Obj("system", c.Str("system"), "code", c.Str("code"))
		if d := c.Str("display"); d != "" {
			clean.Set("display", fhirjson.Str(d))
		}
		add(clean)
	}
	if p.times("coding") > len(p.Nodes("coding")) {
		l.Add("value", "", "coding is a Coding, which only a Parameters body can carry; in a URL give code and system.")
	} else if len(codes) == 0 && p.times("coding") == 0 {
		l.Add("required", "", "Say which codes: code with system, or coding.")
	}
}

// maxHours is the longest duration: a thousand years.
const maxHours = 24 * 366 * 1000

// readTime reads duration, which ends now, or period.
func (r *statsRequest) readTime(p Params, now time.Time, zone *time.Location, l *fault.List) {
	duration, period := p.times("duration") > 0, p.times("period") > 0
	r.to = now.Add(time.Microsecond) // what was measured just now counts
	switch {
	case duration && period:
		l.Add("value", "", "Give duration or period, not both.")
	case duration:
		text := p.Text("duration")
		hours, ok := ucum.ParseDecimal(text)
		if !ok || hours.Sign() <= 0 || hours.Cmp(big.NewRat(maxHours, 1)) > 0 {
			l.Add("value", "", "duration is a positive number of hours up to %d, not %q.", maxHours, text)
			return
		}
		micros := new(big.Rat).Mul(hours, big.NewRat(int64(time.Hour/time.Microsecond), 1))
		r.from = time.UnixMicro(now.UnixMicro() - new(big.Int).Quo(micros.Num(), micros.Denom()).Int64())
		r.period = fhirjson.Obj("start", fhirdate.Format(r.from), "end", fhirdate.Format(now))
	case period:
		n := p.Node("period")
		if n == nil || n.Kind != fhirjson.Object || n.Str("start") == "" && n.Str("end") == "" {
			l.Add("value", "", "period is a Period with a start, an end or both, which only a Parameters body can carry; in a URL give duration.")
			return
		}
		for _, name := range []string{"start", "end"} {
			text := n.Str(name)
			if text == "" {
				continue
			}
			iv, err := fhirdate.Parse(text, zone)
			switch {
			case err != nil:
				l.Add("value", "", "period.%s: %q %v.", name, text, err)
				return
			case name == "start":
				r.from = iv.Lo
			default:
				r.to = iv.Hi // R4: a Period ends with the whole of its end
			}
		}
		if !r.from.Before(r.to) {
			l.Add("value", "", "period ends before it starts.")
		}
		r.period = fhirjson.Obj()
		if start := n.Str("start"); start != "" {
			r.period.Set("start", fhirjson.Str(start))
		}
		r.period.Set("end", fhirjson.Str(cmp.Or(n.Str("end"), fhirdate.Format(now))))
	default:
		l.Add("required", "", "Say over which time: duration in hours up to now, or period.")
	}
}

// tally collects the values for the statistics. An Observation counts with its own
// value under its own code, and with each component under the component's. An
// Observation with a requested code may also be a panel: its members, and the components
// of one without a value of its own, count under their own codes, requested or not.
//
// Left out altogether: Observations that are entered in error or cancelled or
// have no effective time (a member has that of its panel), and what has a modifier extension, which may turn a value into anything. A
// value without a UCUM unit, or with a comparator, is no number to compute
// with; it adds to total-count alone.
type tally struct {
	r       statsRequest
	base    string
	zone    *time.Location
	asked   []*series
	byCode  map[coding]*series // of asked
	members []*series
	byKey   map[string]*series   // of members
	codes   groups               // of the members
	panels  map[string]time.Time // ids of panel members, with the time of the panel
	queue   []string             // those not looked up yet
	counted map[place]bool
	sources []source
}

// series are the measurements of one code.
type series struct {
	code   *fhirjson.Node // CodeableConcept
	key    string         // of a panel member, in tally.codes; "" of what was asked for
	panel  bool           // the code was seen on a panel
	total  int
	values []measured
}

type measured struct {
	at     time.Time
	number *big.Rat
	unit   ucum.Unit
	text   string // the unit for people
}

type coding struct{ system, code string }

func codingOf(n *fhirjson.Node) coding { return coding{n.Str("system"), n.Str("code")} }

// place is a value within an Observation (0 its own, else a component) as
// counted in a series, so that a panel and its members do not count it twice.
type place struct {
	id    string
	index int
	in    *series
}

type source struct {
	id   string
	at   time.Time
	node *fhirjson.Node
}

func newTally(r statsRequest, base string, zone *time.Location) *tally {
	t := &tally{r: r, base: base, zone: zone, byCode: map[coding]*series{}, byKey: map[string]*series{}, panels: map[string]time.Time{}, counted: map[place]bool{}}
	for _, c := range r.codes {
		s := &series{code: fhirjson.Obj("coding", fhirjson.Arr(c))}
		t.asked = append(t.asked, s)
		t.byCode[codingOf(c)] = s
	}
	return t
}

// wanted returns the next panel members to look up, none when all have been.
func (t *tally) wanted() []string {
	n := min(len(t.queue), 200) // a search holds 1000 values at most
	ids := t.queue[:n]
	t.queue = t.queue[n:]
	return ids
}

// observe adds one Observation.
func (t *tally) observe(n *fhirjson.Node) {
	id := n.Str("id")
	panelAt, member := t.panels[id]
	at := taken(n, t.zone)
	if at.IsZero() && member {
		at = panelAt
	}
	if status := n.Str("status"); status == "entered-in-error" || status == "cancelled" ||
		n.Get("modifierExtension") != nil || at.Before(t.r.from) || !at.Before(t.r.to) || at.IsZero() {
		return
	}
	asked := t.askedFor(n.Get("code"))
	valued := hasValue(n)
	whole := member || len(asked) > 0
	panel := whole && (n.Get("hasMember") != nil || !valued && n.Get("component") != nil)
	for _, s := range asked {
		s.panel = s.panel || panel
	}
	used := false
	if whole && (valued || !panel) {
		used = t.count(id, 0, n, at, asked, whole)
	}
	for i, c := range n.Each("component") {
		if c.Get("modifierExtension") == nil && t.count(id, i+1, c, at, t.askedFor(c.Get("code")), whole && !valued) {
			used = true
		}
	}
	if whole {
		for _, m := range n.Each("hasMember") {
			t.follow(m.Str("reference"), at)
		}
	}
	if used && t.r.include && !slices.ContainsFunc(t.sources, func(s source) bool { return s.id == id }) {
		t.sources = append(t.sources, source{id, at, n})
		if len(t.sources) > 2*t.r.limit {
			t.newestSources()
		}
	}
}

func (t *tally) newestSources() {
	slices.SortStableFunc(t.sources, func(a, b source) int { return b.at.Compare(a.at) })
	t.sources = t.sources[:min(len(t.sources), t.r.limit)]
}

func hasValue(n *fhirjson.Node) bool {
	return slices.ContainsFunc(n.Members, func(m fhirjson.Member) bool { return strings.HasPrefix(m.Name, "value") })
}

// askedFor returns the series of a requested code.
func (t *tally) askedFor(code *fhirjson.Node) []*series {
	var out []*series
	for _, c := range code.Each("coding") {
		if s := t.byCode[codingOf(c)]; s != nil && !slices.Contains(out, s) {
			out = append(out, s)
		}
	}
	return out
}

// follow queues a panel member.
func (t *tally) follow(ref string, at time.Time) {
	ref, _, _ = strings.Cut(strings.TrimPrefix(ref, t.base+"/"), "/_history/")
	typ, id, ok := cutRef(ref)
	if _, known := t.panels[id]; !ok || known || typ != "Observation" {
		return
	}
	t.panels[id] = at
	t.queue = append(t.queue, id)
}

// count adds the value of an Observation or component to the requested series, or to
// one of its own if it belongs to a panel. It reports whether there was a number.
func (t *tally) count(id string, index int, n *fhirjson.Node, at time.Time, to []*series, panel bool) bool {
	if len(to) == 0 {
		if !panel {
			return false
		}
		to = []*series{t.memberSeries(n.Get("code"))}
	}
	m, ok := measure(n.Get("valueQuantity"))
	m.at = at
	for _, s := range to {
		if p := (place{id, index, s}); !t.counted[p] {
			t.counted[p] = true
			s.total++
			if ok {
				s.values = append(s.values, m)
			}
		}
	}
	return ok
}

func (t *tally) memberSeries(code *fhirjson.Node) *series {
	key := t.codes.join(codeKeys(code))
	s := t.byKey[key]
	if s == nil {
		s = &series{code: code, key: key}
		t.members = append(t.members, s)
		t.byKey[key] = s
	}
	return s
}

// measure reads a Quantity that can be computed with.
func measure(q *fhirjson.Node) (m measured, ok bool) {
	v := q.Get("value")
	if v == nil || v.Kind != fhirjson.Number || q.Str("system") != ucumSystem || q.Get("comparator") != nil || q.Str("code") == "" {
		return m, false
	}
	if m.number, ok = ucum.ParseDecimal(v.Text); !ok {
		return m, false
	}
	unit, err := ucum.Parse(q.Str("code"))
	m.unit, m.text = unit, cmp.Or(q.Str("unit"), q.Str("code"))
	return m, err == nil
}

// answer builds the Parameters: a result for every requested code, except panels that
// only have members, and one for every member with values.
func (t *tally) answer() (*fhirjson.Node, error) {
	var merged []*series // members whose codes turned out to be translations
	byRoot := map[string]*series{}
	for _, s := range t.members {
		root := t.codes.find(s.key)
		if first := byRoot[root]; first != nil {
			first.total += s.total
			first.values = append(first.values, s.values...)
			continue
		}
		byRoot[root] = s
		merged = append(merged, s)
	}
	var out []*fhirjson.Node
	for _, s := range slices.Concat(t.asked, merged) {
		if s.key == "" && s.panel && s.total == 0 || s.key != "" && len(s.values) == 0 {
			continue
		}
		n, err := t.result(s)
		if err != nil {
			return nil, err
		}
		out = append(out, fhirjson.Obj("name", "statistics", "resource", n))
	}
	t.newestSources()
	for _, s := range t.sources {
		out = append(out, fhirjson.Obj("name", "source", "resource", s.node))
	}
	return fhirjson.Obj("resourceType", "Parameters", "parameter", out), nil
}

// result is the Observation of one code.
func (t *tally) result(s *series) (*fhirjson.Node, error) {
	slices.SortStableFunc(s.values, func(a, b measured) int { return a.at.Compare(b.at) })
	origin := t.r.from
	var unit *measured // the first, in whose unit the results are
	var points []statistics.Point
	for i := range s.values {
		m := &s.values[i]
		if unit == nil {
			unit = m
			if origin.IsZero() {
				origin = m.at
			}
		}
		number, err := ucum.Convert(m.number, m.unit, unit.unit)
		if err != nil {
			return nil, fault.New(fault.Rule, "business-rule", "%s was measured in %s and in %s, which cannot be converted into each other; narrow the code or the time to one of them.",
				codeName(s.code), unit.unit.Code(), m.unit.Code())
		}
		points = append(points, statistics.Point{At: m.at, Value: number})
	}
	sample, err := statistics.NewSample(points, s.total, origin)
	if err != nil {
		return nil, fault.New(fault.Rule, "too-costly", "The statistics of %s cannot be computed: %v.", codeName(s.code), err)
	}
	var components []*fhirjson.Node
	for _, code := range t.r.statistics {
		for _, f := range sample.Figures(code) {
			c := fhirjson.Obj("code", fhirjson.Obj("coding", fhirjson.Arr(fhirjson.Obj("system", statistics.System, "code", string(code), "display", code.Display()))))
			if f.Part != "" {
				c.Get("code").Set("text", fhirjson.Str(f.Part))
			}
			switch q := figureQuantity(f, unit); {
			case q != nil:
				c.Set("valueQuantity", q)
			default:
				c.Set("dataAbsentReason", fhirjson.Obj("coding", fhirjson.Arr(fhirjson.Obj(
					"system", "http://terminology.hl7.org/CodeSystem/data-absent-reason", "code", "not-applicable", "display", "Not Applicable")),
					"text", "not defined for these values"))
			}
			components = append(components, c)
		}
	}
	return fhirjson.Obj("resourceType", "Observation", "status", "final", "code", s.code,
		"subject", fhirjson.Obj("reference", t.r.subject), "effectivePeriod", t.r.period, "component", components), nil
}

// codeName is how a message names a code.
func codeName(cc *fhirjson.Node) string {
	for _, c := range cc.Each("coding") {
		return c.Str("system") + "|" + c.Str("code")
	}
	return cc.Str("text")
}

// figureQuantity writes a figure over values in the unit; nil when it is not
// defined, or is none without values.
func figureQuantity(f statistics.Figure, of *measured) *fhirjson.Node {
	if f.Value == nil {
		return nil
	}
	value := fhirjson.Num(statisticText(f.Value))
	switch {
	case f.Scale == statistics.Number:
		return fhirjson.Obj("value", value)
	case of == nil:
		return nil
	case f.Scale == statistics.Ratio:
		return fhirjson.Obj("value", value, "unit", "1", "system", ucumSystem, "code", "1")
	}
	text, code := scaled(f.Scale, of)
	q := fhirjson.Obj("value", value, "unit", text)
	if code != "" {
		q.Set("system", fhirjson.Str(ucumSystem))
		q.Set("code", fhirjson.Str(code))
	}
	return q
}

// scaled returns the unit of a figure. A degree of a scale with its own zero is no unit
// for a difference: 2 Cel is a temperature, a spread of 2 degrees is 2 K. A spread in pH
// and the like has a unit in words and no code.
func scaled(scale statistics.Scale, of *measured) (text, code string) {
	unit := of.unit
	if scale == statistics.Value || scale == statistics.Difference && !unit.Special() {
		return of.text, unit.Code()
	}
	words := map[statistics.Scale]string{statistics.Difference: of.text, statistics.Square: of.text + " squared", statistics.Rate: of.text + " per hour"}[scale]
	if unit.Special() {
		if unit.Code() != "Cel" {
			return words, ""
		}
		unit, _ = ucum.Parse("K")
	}
	var err error
	switch scale {
	case statistics.Square:
		base := unit
		if unit, err = base.Times(base); err == nil {
			if short, bad := ucum.Parse(base.Code() + "2"); bad == nil && short.Equal(unit) {
				unit = short
			}
		}
	case statistics.Rate:
		hour, _ := ucum.Parse("h")
		unit, err = unit.Per(hour)
	}
	if err != nil {
		return words, ""
	}
	return unit.Code(), unit.Code()
}

// statisticText writes a figure exactly if that takes at most 18 digits, which R4
// requires every reader of a decimal to support, and else with 12 or 13.
func statisticText(r *big.Rat) string {
	size := len(new(big.Int).Abs(r.Num()).String()) - len(r.Denom().String()) // of the whole part, give or take one
	if places, exact := r.FloatPrec(); exact && places+max(size, 0) <= 17 {
		return ucum.FormatDecimal(r, places)
	}
	return ucum.FormatDecimal(r, max(0, 12-size))
}
