package mongo

import (
	"cmp"
	"context"
	"math"
	"slices"
	"strings"
	"time"

	"go.mongodb.org/mongo-driver/v2/bson"
	"go.mongodb.org/mongo-driver/v2/mongo/options"

	"tidemark/internal/drain"
	"tidemark/internal/store"
	"tidemark/internal/store/engine"
)

// Kinds of projections.
const (
	entryKind     = "entry"
	drainKind     = "drain"
	placementKind = "placement"
	concernKind   = "finding" // the name that they had when each rule had a finding of its own
	stayKind      = "stay"
	placeKind     = "place"
	walkKind      = "walk"
)

// fact is the typed projection inside a version's document. The fields that
// queries select by have one name for all kinds, so that four indexes serve
// them all; the rest is in the document of the kind.
type fact struct {
	Kind    string `bson:"kind"`
	ID      string `bson:"id"` // logical id of the resource
	Drain   string `bson:"drain,omitempty"`
	Patient string `bson:"patient,omitempty"`
	Place   string `bson:"place,omitempty"` // ward of a drain, current place of a stay, what a place is part of
	At      int64  `bson:"at"`              // microseconds: time of an entry, start of all else
	Open    bool   `bson:"open,omitempty"`  // an active drain, an open concern, an open stay, a placement without an end

	Entry     *entryDoc     `bson:"entry,omitempty"`
	Device    *drainDoc     `bson:"device,omitempty"`
	Placement *placementDoc `bson:"placement,omitempty"`
	Concern   *concernDoc   `bson:"concern,omitempty"`
	Finding   *findingDoc   `bson:"finding,omitempty"` // of a version that was written before schema 4
	Stay      *stayDoc      `bson:"stay,omitempty"`
	Walk      *walkDoc      `bson:"walk,omitempty"`
	Name      string        `bson:"name,omitempty"`     // of a place
	Physical  string        `bson:"physical,omitempty"` // kind of a place
}

// Volumes and other exact numbers are text, as drain.Volume.Key writes it:
// Decimal128 has 34 digits, and no room for a third.
type entryDoc struct {
	Version    int64    `bson:"version"`
	Kind       string   `bson:"kind"`
	Status     string   `bson:"status"`
	Measured   *string  `bson:"measured,omitempty"`
	Absent     string   `bson:"absent,omitempty"`
	Instilled  string   `bson:"instilled"`
	Estimated  bool     `bson:"estimated,omitempty"`
	Vessel     string   `bson:"vessel,omitempty"`
	Appearance string   `bson:"appearance,omitempty"`
	Colour     string   `bson:"colour,omitempty"`
	Suction    string   `bson:"suction,omitempty"`
	Patency    string   `bson:"patency,omitempty"`
	Fill       *string  `bson:"fill,omitempty"`
	Signs      []string `bson:"signs,omitempty"`
	Assessed   bool     `bson:"assessed,omitempty"`
	Dislodged  bool     `bson:"dislodged,omitempty"`
	Route      string   `bson:"route,omitempty"`
	RouteText  string   `bson:"routeText,omitempty"`
	Kilograms  string   `bson:"kilograms"`
	DoneBy     string   `bson:"doneBy,omitempty"`
	Odour      string   `bson:"odour,omitempty"`
	Care       []string `bson:"care,omitempty"`
}

type drainDoc struct {
	Label       string `bson:"label,omitempty"`
	Type        string `bson:"type,omitempty"`
	Capacity    string `bson:"capacity"`
	Compartment string `bson:"compartment,omitempty"`
}

type placementDoc struct {
	Status string `bson:"status"`
	Start  *int64 `bson:"start,omitempty"`
	End    *int64 `bson:"end,omitempty"`
	Site   string `bson:"site,omitempty"`
	Side   string `bson:"side,omitempty"`
}

type findingDoc struct {
	Version      int64    `bson:"version"`
	Rule         string   `bson:"rule,omitempty"`
	Severity     string   `bson:"severity,omitempty"`
	Since        *int64   `bson:"since,omitempty"`
	Until        *int64   `bson:"until,omitempty"`
	Withdrawn    bool     `bson:"withdrawn,omitempty"`
	Acknowledged *int64   `bson:"acknowledged,omitempty"`
	Announced    *int64   `bson:"announced,omitempty"`
	Evidence     []string `bson:"evidence,omitempty"`
	Text         string   `bson:"text,omitempty"`
	Policy       string   `bson:"policy,omitempty"`
}

type concernDoc struct {
	Version   int64         `bson:"version"`
	Kind      string        `bson:"kind,omitempty"`
	Severity  string        `bson:"severity,omitempty"`
	Since     *int64        `bson:"since,omitempty"`
	Until     *int64        `bson:"until,omitempty"`
	Withdrawn bool          `bson:"withdrawn,omitempty"`
	Headline  string        `bson:"headline,omitempty"`
	Evidence  []evidenceDoc `bson:"evidence,omitempty"`
	Announced *int64        `bson:"announced,omitempty"`
	Reason    string        `bson:"reason,omitempty"`
	Policy    string        `bson:"policy,omitempty"`

	Acknowledged   *int64   `bson:"acknowledged,omitempty"`
	AcknowledgedBy string   `bson:"by,omitempty"`
	AtSeverity     string   `bson:"atSeverity,omitempty"`
	AtHigh         []string `bson:"atHigh,omitempty"`
	Void           string   `bson:"void,omitempty"`
}

type evidenceDoc struct {
	Rule     string   `bson:"rule"`
	Severity string   `bson:"severity"`
	Since    *int64   `bson:"since,omitempty"`
	Text     string   `bson:"text"`
	Readings []string `bson:"readings,omitempty"`
}

type stayDoc struct {
	Places   []string `bson:"places,omitempty"`
	Start    *int64   `bson:"start,omitempty"`
	Finished bool     `bson:"finished,omitempty"`
	End      *int64   `bson:"end,omitempty"`
}

type walkDoc struct {
	Start *int64 `bson:"start,omitempty"`
	End   *int64 `bson:"end,omitempty"`
}

// factOf builds the projection of a version. Its id and version are the
// resource's, whatever the fact says.
func factOf(id string, number int64, f store.Facts) *fact {
	start := func(t time.Time) int64 { return engine.Bound(t, math.MinInt64) }
	switch {
	case f.Entry != nil:
		e := f.Entry
		x := &entryDoc{Version: number, Kind: string(e.Kind), Status: e.Status, Absent: e.Measured.Absent, Instilled: e.Instilled.Key(), Estimated: e.Estimated,
			Vessel: string(e.Vessel), Appearance: string(e.Appearance), Colour: e.Colour, Suction: string(e.Suction), Patency: string(e.Patency),
			Signs: texts(e.Signs), Assessed: e.Assessed, Dislodged: e.Dislodged, Route: e.Route, RouteText: e.RouteText, Kilograms: e.Kilograms.Key(), DoneBy: e.DoneBy,
			Odour: e.Odour, Care: texts(e.Care)}
		if e.Measured.Known {
			x.Measured = new(e.Measured.Volume.Key())
		}
		if e.Fill.Known {
			x.Fill = new(e.Fill.Value.Key())
		}
		return &fact{Kind: entryKind, ID: id, Drain: e.Drain, Patient: e.Patient, At: engine.Micro(e.At), Entry: x}
	case f.Drain != nil:
		d := f.Drain
		return &fact{Kind: drainKind, ID: id, Patient: d.Patient, Place: d.Ward, Open: d.Active,
			Device: &drainDoc{d.Label, d.Type, d.Capacity.Key(), string(d.Compartment)}}
	case f.Placement != nil:
		p := f.Placement
		return &fact{Kind: placementKind, ID: id, Drain: p.Drain, Patient: p.Patient, At: start(p.Start), Open: p.End.IsZero(),
			Placement: &placementDoc{string(p.Status), engine.Micros(p.Start), engine.Micros(p.End), p.Site, p.Side}}
	case f.Concern != nil:
		c := f.Concern
		x := &concernDoc{Version: number, Kind: c.Kind, Severity: string(c.Severity), Since: engine.Micros(c.Since), Until: engine.Micros(c.Until), Withdrawn: c.Withdrawn, Headline: c.Headline,
			Announced: engine.Micros(c.Announced.At), Reason: c.Announced.Reason, Policy: c.Policy, Acknowledged: engine.Micros(c.Acknowledged.At), AcknowledgedBy: c.Acknowledged.By,
			AtSeverity: string(c.Acknowledged.Severity), AtHigh: c.Acknowledged.High, Void: c.Acknowledged.Void}
		for _, e := range c.Evidence {
			x.Evidence = append(x.Evidence, evidenceDoc{e.Rule, string(e.Severity), engine.Micros(e.Since), e.Text, e.Readings})
		}
		return &fact{Kind: concernKind, ID: id, Drain: c.Drain, Patient: c.Patient, At: start(c.Since), Open: c.Open(), Concern: x}
	case f.Stay != nil:
		x := f.Stay
		out := &fact{Kind: stayKind, ID: id, Patient: x.Patient, At: start(x.Start), Open: x.Open, Stay: &stayDoc{x.Places, engine.Micros(x.Start), x.Finished, engine.Micros(x.End)}}
		if n := len(x.Places); n > 0 {
			out.Place = x.Places[n-1]
		}
		return out
	case f.Place != nil:
		return &fact{Kind: placeKind, ID: id, Place: f.Place.PartOf, Name: f.Place.Name, Physical: f.Place.Kind}
	case f.Walk != nil:
		w := f.Walk
		return &fact{Kind: walkKind, ID: id, Patient: w.Patient, At: start(w.Start), Open: w.Open, Walk: &walkDoc{engine.Micros(w.Start), engine.Micros(w.End)}}
	}
	return nil
}

func texts[T ~string](list []T) []string {
	var out []string
	for _, x := range list {
		out = append(out, string(x))
	}
	return out
}

func volume(s string) drain.Volume {
	v, _ := drain.ParseML(s) // written by Key only
	return v
}

func (f *fact) entry() drain.Entry {
	x := f.Entry
	e := drain.Entry{ID: f.ID, Version: x.Version, Kind: drain.Kind(x.Kind), Drain: f.Drain, Patient: f.Patient, At: engine.OfMicro(f.At), Status: x.Status,
		Measured: drain.Measure{Known: x.Measured != nil, Absent: x.Absent}, Instilled: volume(x.Instilled), Estimated: x.Estimated, Vessel: drain.Vessel(x.Vessel),
		Appearance: drain.Appearance(x.Appearance), Colour: x.Colour, Suction: drain.Suction(x.Suction), Patency: drain.Patency(x.Patency), Fill: drain.Percent{Known: x.Fill != nil},
		Assessed: x.Assessed, Dislodged: x.Dislodged, Route: x.Route, RouteText: x.RouteText, Kilograms: volume(x.Kilograms), DoneBy: x.DoneBy, Odour: x.Odour}
	if x.Measured != nil {
		e.Measured.Volume = volume(*x.Measured)
	}
	if x.Fill != nil {
		e.Fill.Value = volume(*x.Fill)
	}
	for _, s := range x.Signs {
		e.Signs = append(e.Signs, drain.Sign(s))
	}
	for _, c := range x.Care {
		e.Care = append(e.Care, drain.Care(c))
	}
	return e
}

func (f *fact) drain() drain.Drain {
	d := f.Device
	return drain.Drain{ID: f.ID, Patient: f.Patient, Ward: f.Place, Label: d.Label, Type: d.Type, Capacity: volume(d.Capacity), Compartment: drain.Compartment(d.Compartment), Active: f.Open}
}

func (f *fact) placement() drain.Placement {
	p := f.Placement
	return drain.Placement{ID: f.ID, Drain: f.Drain, Patient: f.Patient, Status: drain.PlacementStatus(p.Status), Start: engine.Moment(p.Start), End: engine.Moment(p.End), Site: p.Site, Side: p.Side}
}

func (f *fact) concern() drain.Concern {
	if x := f.Finding; x != nil {
		c := drain.Concern{ID: f.ID, Version: x.Version, Drain: f.Drain, Patient: f.Patient, Kind: x.Rule, Severity: drain.Severity(x.Severity), Since: engine.Moment(x.Since), Until: engine.Moment(x.Until),
			Withdrawn: x.Withdrawn, Headline: x.Text, Policy: x.Policy}
		return c.OfFinding(x.Evidence, engine.Moment(x.Acknowledged), engine.Moment(x.Announced))
	}
	x := f.Concern
	c := drain.Concern{ID: f.ID, Version: x.Version, Drain: f.Drain, Patient: f.Patient, Kind: x.Kind, Severity: drain.Severity(x.Severity), Since: engine.Moment(x.Since), Until: engine.Moment(x.Until),
		Withdrawn: x.Withdrawn, Headline: x.Headline, Policy: x.Policy, Announced: drain.Announced{At: engine.Moment(x.Announced), Reason: x.Reason},
		Acknowledged: drain.Acknowledged{At: engine.Moment(x.Acknowledged), By: x.AcknowledgedBy, Severity: drain.Severity(x.AtSeverity), High: x.AtHigh, Void: x.Void}}
	for _, e := range x.Evidence {
		c.Evidence = append(c.Evidence, drain.Evidence{Rule: e.Rule, Severity: drain.Severity(e.Severity), Since: engine.Moment(e.Since), Text: e.Text, Readings: e.Readings})
	}
	return c
}

// endedBy reports whether a concern is over since before an instant.
func (f *fact) endedBy(t time.Time) bool {
	until := f.Finding.until()
	if f.Concern != nil {
		until = engine.Moment(f.Concern.Until)
	}
	return !f.Open && until.Before(t)
}

func (x *findingDoc) until() time.Time {
	if x == nil {
		return time.Time{}
	}
	return engine.Moment(x.Until)
}

func (f *fact) stay() drain.Stay {
	return drain.Stay{ID: f.ID, Patient: f.Patient, Open: f.Open, Places: f.Stay.Places, Start: engine.Moment(f.Stay.Start), Finished: f.Stay.Finished, End: engine.Moment(f.Stay.End)}
}

func (f *fact) walk() drain.Walk {
	return drain.Walk{ID: f.ID, Patient: f.Patient, Start: engine.Moment(f.Walk.Start), End: engine.Moment(f.Walk.End), Open: f.Open}
}

func (f *fact) place() drain.Place {
	return drain.Place{ID: f.ID, Name: f.Name, PartOf: f.Place, Kind: f.Physical}
}

// choice selects facts: by an index, as a query for the server and as a
// predicate for a version that the query did not see in time.
type choice struct {
	index  string
	filter bson.D
	holds  func(*fact) bool
	sort   bson.D // when limited
	order  func(a, b *fact) int
	limit  int // 0: all
}

// justFact is what a choice reads.
var justFact = bson.D{is("type", 1), is("id", 1), is("n", 1), is("fact", 1)}

// facts gives the facts of current versions. A version that nobody noted as
// superseded yet is recognized by the one that comes after it, and the newest
// one evaluated instead.
func (s *Store) facts(ctx context.Context, c choice) ([]*fact, error) {
	// What turns out to be superseded leaves less than the limit: ask for more.
	for ask := c.limit + 8; ; ask *= 2 {
		o := options.Find().SetProjection(justFact)
		if c.limit > 0 {
			o.SetLimit(int64(ask)).SetSort(c.sort)
		}
		found, err := list[*version](ctx, s, versions, c.index, append(slices.Clone(c.filter), is("until", int64(never))), o)
		if err != nil {
			return nil, err
		}
		next, err := s.successors(ctx, found)
		if err != nil {
			return nil, err
		}
		var out []*fact
		again := map[string]*version{}
		for i, v := range found {
			if _, newer := next[i]; newer {
				again[v.Res] = v
			} else if c.holds(v.Fact) {
				out = append(out, v.Fact)
			}
		}
		for _, v := range again {
			x, err := one[version](ctx, s, versions, "resource", bson.D{is("type", v.Type), is("id", v.Res)}, newest(justFact))
			if err != nil {
				return nil, err
			}
			there := func(f *fact) bool { return f.ID == v.Res }
			if x != nil && x.Fact != nil && c.holds(x.Fact) && !slices.ContainsFunc(out, there) {
				out = append(out, x.Fact)
			}
		}
		slices.SortFunc(out, c.order)
		if c.limit == 0 || len(found) < ask || len(out) >= c.limit {
			if c.limit > 0 && len(out) > c.limit {
				out = out[:c.limit]
			}
			return out, nil
		}
	}
}

// Orders of facts.
func byFactID(a, b *fact) int { return strings.Compare(a.ID, b.ID) }

func oldestFirst(a, b *fact) int { return cmp.Or(cmp.Compare(a.At, b.At), strings.Compare(a.ID, b.ID)) }

func newestFirst(a, b *fact) int { return cmp.Or(cmp.Compare(b.At, a.At), strings.Compare(a.ID, b.ID)) }

// of chooses the facts of a kind that name a drain or patient.
func of(kind, field, value string) choice {
	c := choice{index: "of_" + field, filter: bson.D{is("fact.kind", kind), is("fact."+field, value)}, order: byFactID}
	c.holds = func(f *fact) bool {
		return f.Kind == kind && (field == "drain" && f.Drain == value || field == "patient" && f.Patient == value)
	}
	return c
}

// ofPatients chooses the facts of a kind that name one of the patients.
func ofPatients(kind string, patients []string) choice {
	return choice{index: "of_patient", filter: bson.D{is("fact.kind", kind), in("fact.patient", patients)}, order: byFactID,
		holds: func(f *fact) bool { return f.Kind == kind && f.Patient != "" && slices.Contains(patients, f.Patient) }}
}

// at chooses the facts of a kind at places.
func at(kind string, places []string) choice {
	return choice{index: "at_place", filter: bson.D{is("fact.kind", kind), in("fact.place", places)}, order: byFactID,
		holds: func(f *fact) bool { return f.Kind == kind && f.Place != "" && slices.Contains(places, f.Place) }}
}

// openAt chooses the open ones among them.
func openAt(kind string, places []string) choice {
	c := at(kind, places)
	c.filter = append(c.filter, is("fact.open", true))
	holds := c.holds
	c.holds = func(f *fact) bool { return holds(f) && f.Open }
	return c
}

// open chooses the open facts of a kind behind an id.
func open(kind, after string, limit int) choice {
	return choice{index: "open", filter: bson.D{is("fact.kind", kind), is("fact.open", true), is("fact.id", bson.D{is("$gt", after)})},
		sort: bson.D{is("fact.id", 1)}, order: byFactID, limit: max(limit, 1),
		holds: func(f *fact) bool { return f.Kind == kind && f.Open && f.ID > after }}
}

// chosen reads facts and makes values of them.
func chosen[T any](ctx context.Context, s *Store, c choice, value func(*fact) T) ([]T, error) {
	leave, err := s.enter(ctx)
	if err != nil {
		return nil, err
	}
	defer leave()
	found, err := s.facts(ctx, c)
	if err != nil {
		return nil, wrap(ctx, err, "read a projection")
	}
	var out []T
	for _, f := range found {
		out = append(out, value(f))
	}
	return out, nil
}

// factOfID reads the fact of one resource, nil when it has none of the kind.
func (s *Store) factOfID(ctx context.Context, typ, id, kind string) (*fact, error) {
	leave, err := s.enter(ctx)
	if err != nil {
		return nil, err
	}
	defer leave()
	v, err := one[version](ctx, s, versions, "resource", bson.D{is("type", typ), is("id", id)}, newest(justFact))
	if err != nil || v == nil || v.Fact == nil || v.Fact.Kind != kind {
		return nil, wrap(ctx, err, "read a projection")
	}
	return v.Fact, nil
}

// Drain implements store.Store, as do the methods below.
func (s *Store) Drain(ctx context.Context, id string) (drain.Drain, bool, error) {
	f, err := s.factOfID(ctx, "Device", id, drainKind)
	if err != nil || f == nil {
		return drain.Drain{}, false, err
	}
	return f.drain(), true, nil
}

func (s *Store) Drains(ctx context.Context, q store.DrainQuery) ([]drain.Drain, error) {
	if q.Patient == "" && q.Places == nil {
		return chosen(ctx, s, open(drainKind, q.After, q.Limit), (*fact).drain)
	}
	leave, err := s.enter(ctx)
	if err != nil {
		return nil, err
	}
	defer leave()
	var out []drain.Drain
	if q.Patient != "" {
		out, err = s.drainsOf(ctx, q.Patient)
	} else {
		out, err = s.drainsAt(ctx, q.Places)
	}
	return out, wrap(ctx, err, "read a projection")
}

func (s *Store) drains(ctx context.Context, ids []string) ([]drain.Drain, error) {
	var out []drain.Drain
	for part := range slices.Chunk(slices.Compact(slices.Sorted(slices.Values(ids))), 500) {
		found, err := s.facts(ctx, choice{index: "current", filter: bson.D{is("type", "Device"), in("id", part)}, order: byFactID,
			holds: func(f *fact) bool { return f != nil && f.Kind == drainKind }})
		if err != nil {
			return nil, err
		}
		for _, f := range found {
			out = append(out, f.drain())
		}
	}
	return out, nil
}

func (s *Store) drainsOf(ctx context.Context, patient string) ([]drain.Drain, error) {
	own, err := s.facts(ctx, of(drainKind, "patient", patient))
	if err != nil {
		return nil, err
	}
	placed, err := s.facts(ctx, of(placementKind, "patient", patient))
	if err != nil {
		return nil, err
	}
	var ids []string
	for _, f := range own {
		ids = append(ids, f.ID)
	}
	for _, f := range placed {
		if f.Placement.Status != string(drain.PlacementError) {
			ids = append(ids, f.Drain)
		}
	}
	return s.drains(ctx, ids)
}

func (s *Store) drainsAt(ctx context.Context, places []string) ([]drain.Drain, error) {
	if len(places) == 0 {
		return nil, nil
	}
	wards, err := s.facts(ctx, openAt(drainKind, places))
	if err != nil {
		return nil, err
	}
	var ids, patients []string
	for _, f := range wards {
		ids = append(ids, f.ID)
	}
	stays, err := s.facts(ctx, openAt(stayKind, places))
	if err != nil {
		return nil, err
	}
	for _, f := range stays {
		if f.Patient != "" {
			patients = append(patients, f.Patient)
		}
	}
	slices.Sort(patients)
	for part := range slices.Chunk(slices.Compact(patients), 500) {
		own, err := s.facts(ctx, ofPatients(drainKind, part))
		if err != nil {
			return nil, err
		}
		for _, f := range own {
			if f.Open {
				ids = append(ids, f.ID)
			}
		}
		placed, err := s.facts(ctx, ofPatients(placementKind, part))
		if err != nil {
			return nil, err
		}
		for _, f := range placed {
			if f.placement().Open() {
				ids = append(ids, f.Drain)
			}
		}
	}
	idle, err := s.idleAt(ctx, places)
	if err != nil {
		return nil, err
	}
	return s.drains(ctx, append(ids, idle...))
}

// idleAt gives the drains whose Device is at a place, and out of use although
// its placement is open. They are rare, and looked for among the open placements, of
// which there are as many as drains in place: a ward has many more that are
// out of use.
func (s *Store) idleAt(ctx context.Context, places []string) ([]string, error) {
	placed, err := s.facts(ctx, choice{index: "open", filter: bson.D{is("fact.kind", placementKind), is("fact.open", true)}, order: byFactID,
		holds: func(f *fact) bool { return f.Kind == placementKind && f.placement().Open() }})
	if err != nil {
		return nil, err
	}
	var ids, out []string
	for _, f := range placed {
		ids = append(ids, f.Drain)
	}
	slices.Sort(ids)
	for part := range slices.Chunk(slices.Compact(ids), 500) {
		found, err := s.facts(ctx, choice{index: "current", filter: bson.D{is("type", "Device"), in("id", part), in("fact.place", places), is("fact.open", nil)}, order: byFactID,
			holds: func(f *fact) bool {
				return f != nil && f.Kind == drainKind && !f.Open && slices.Contains(places, f.Place)
			}})
		if err != nil {
			return nil, err
		}
		for _, f := range found {
			out = append(out, f.ID)
		}
	}
	return out, nil
}

// OpenPlacements implements store.Store.
func (s *Store) OpenPlacements(ctx context.Context, after string, limit int) ([]drain.Placement, error) {
	return chosen(ctx, s, open(placementKind, after, limit), (*fact).placement)
}

func (s *Store) Placements(ctx context.Context, drainID string) ([]drain.Placement, error) {
	c := of(placementKind, "drain", drainID)
	c.order = oldestFirst
	return chosen(ctx, s, c, (*fact).placement)
}

func (s *Store) Entries(ctx context.Context, q store.EntryQuery) ([]drain.Entry, error) {
	field, value := "drain", q.Drain
	if value == "" {
		field, value = "patient", q.Patient
	}
	if value == "" {
		return nil, ctx.Err() // entries without a drain are no drain's
	}
	c := of(entryKind, field, value)
	c.order = oldestFirst
	from, to := engine.Bound(q.From, math.MinInt64), engine.Bound(q.To, math.MaxInt64)
	c.filter = append(c.filter, is("fact.at", bson.D{is("$gte", from), is("$lt", to)}))
	holds := c.holds
	c.holds = func(f *fact) bool { return holds(f) && f.At >= from && f.At < to }
	if q.First > 0 {
		c.limit, c.sort = q.First, bson.D{is("fact.at", 1), is("fact.id", 1)}
		return chosen(ctx, s, c, (*fact).entry)
	}
	if q.Last <= 0 {
		return chosen(ctx, s, c, (*fact).entry)
	}
	c.limit, c.sort = q.Last, bson.D{is("fact.at", -1), is("fact.id", -1)}
	c.order = func(a, b *fact) int { return oldestFirst(b, a) }
	out, err := chosen(ctx, s, c, (*fact).entry)
	slices.Reverse(out)
	return out, err
}

func (s *Store) Concerns(ctx context.Context, drainID string, ended time.Time) ([]drain.Concern, error) {
	c := of(concernKind, "drain", drainID)
	c.order = newestFirst
	if !ended.IsZero() {
		holds := c.holds
		c.filter = append(c.filter, is("$or", bson.A{bson.D{is("fact.open", true)}, bson.D{is("fact.concern.until", bson.D{is("$gte", engine.Micro(ended))})},
			bson.D{is("fact.finding.until", bson.D{is("$gte", engine.Micro(ended))})}}))
		c.holds = func(f *fact) bool { return holds(f) && !f.endedBy(ended) }
	}
	return chosen(ctx, s, c, (*fact).concern)
}

func (s *Store) OpenConcerns(ctx context.Context, after string, limit int) ([]drain.Concern, error) {
	return chosen(ctx, s, open(concernKind, after, limit), (*fact).concern)
}

func (s *Store) Stays(ctx context.Context, patients ...string) ([]drain.Stay, error) {
	if len(patients) == 0 {
		return nil, ctx.Err()
	}
	c := ofPatients(stayKind, patients)
	c.order = newestFirst
	return chosen(ctx, s, c, (*fact).stay)
}

func (s *Store) Walks(ctx context.Context, patients ...string) ([]drain.Walk, error) {
	if len(patients) == 0 {
		return nil, ctx.Err()
	}
	c := ofPatients(walkKind, patients)
	holds := c.holds
	c.filter = append(c.filter, is("fact.open", true))
	c.holds = func(f *fact) bool { return holds(f) && f.Open }
	c.order = oldestFirst
	return chosen(ctx, s, c, (*fact).walk)
}

func (s *Store) Place(ctx context.Context, id string) (drain.Place, bool, error) {
	f, err := s.factOfID(ctx, "Location", id, placeKind)
	if err != nil || f == nil {
		return drain.Place{}, false, err
	}
	return f.place(), true, nil
}

func (s *Store) PlacesWithin(ctx context.Context, id string) ([]drain.Place, error) {
	self, _, err := s.Place(ctx, id)
	if err != nil {
		return nil, err
	}
	self.ID = id
	leave, err := s.enter(ctx)
	if err != nil {
		return nil, err
	}
	defer leave()
	out := []drain.Place{self}
	// Level by level; what was seen is not asked again, so that a circle ends.
	for level := []string{id}; len(level) > 0; {
		found, err := s.facts(ctx, at(placeKind, level))
		if err != nil {
			return nil, wrap(ctx, err, "read a projection")
		}
		level = nil
		for _, f := range found {
			if !slices.ContainsFunc(out, func(p drain.Place) bool { return p.ID == f.ID }) {
				out, level = append(out, f.place()), append(level, f.ID)
			}
		}
	}
	slices.SortFunc(out, func(a, b drain.Place) int { return strings.Compare(a.ID, b.ID) })
	return out, nil
}
