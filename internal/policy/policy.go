// Package policy owns the ward policy: the file in which a hospital states its
// thresholds, its calendar and its vessels. It reads, checks, hashes and
// overrides; what a threshold means, its type and its default belong to the
// package that obeys it (window, balance, due, escalate, concern, removal).
//
// One table of fields (fields.go) drives reading, YAML, Schema and Markdown, so
// that a threshold is added or changed in one place.
//
// # Precedence
//
// The general part of the file comes first; then the overrides of the wards in
// which the drain is, from the outermost place to the innermost; then the one of
// its compartment; then the one of the drain itself. What comes later wins,
// threshold by threshold.
//
// # Version
//
// The version is a hash of the values in effect, not of the text: comments,
// order and the choice of unit ("4 h" or "240 min") do not change it.
package policy

import (
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"maps"
	"slices"
	"strings"
	"sync"
	"time"

	"tidemark/internal/balance"
	"tidemark/internal/concern"
	"tidemark/internal/drain"
	"tidemark/internal/due"
	"tidemark/internal/escalate"
	"tidemark/internal/removal"
	"tidemark/internal/window"
)

// Caution is printed above every policy that is shown.
const Caution = "Every threshold here is an example until the hospital approves its own policy. The service informs, it does not diagnose: local protocol and the licensed clinician decide; when in doubt, go to the bedside."

// Settings are what the policy says for one drain. They share slices and maps
// with the policy and are to be read only.
type Settings struct {
	Calendar window.Calendar
	Balance  balance.Settings
	Due      due.Settings
	Escalate escalate.Rules
	Removal  removal.Criteria
	Trend    TrendSettings
	Home     HomeSettings
	Concern  concern.Settings
	// Actions are the ward's words for what was done about a concern; the ward page
	// offers them.
	Actions  []string
	Version  string // of the whole policy
	Approved string // by whom and when, in the hospital's words; "": an example only
}

// HomeSettings apply when the patient has gone home with the drain and empties
// it.
type HomeSettings struct {
	Limit time.Duration // longest time between two emptyings
	Stale time.Duration // nothing charted for so long: the state of the drain is unknown
}

// AtHome are the settings for a drain whose patient has gone home with it.
func (s Settings) AtHome() Settings {
	s.Due.Limit = s.Home.Limit
	s.Escalate.IntervalLimit, s.Escalate.StaleAfter = s.Home.Limit, s.Home.Stale
	return s
}

// TrendSettings say which intervals a trend is evaluated on.
type TrendSettings struct {
	Span    time.Duration // intervals that ended within this time count
	Minimum int           // fewer intervals than this are too few
	Alpha   float64       // level of significance
	// Least is the smallest slope that matters: so many mL in 24 h more or less from
	// one day to the next.
	Least      drain.Volume
	Confidence float64 // of the slope's interval: 1 − Alpha
}

// whole is all that a file can set.
type whole struct {
	Settings
	clockSkew time.Duration
}

// actions are the words that a page offers until the ward has its own.
var actions = []string{ // read only
	"Assessed at the bedside", "Surgical team called", "Emptied and suction restored", "Tubing checked", "Drain secured", "Dressing changed",
}

func defaults() whole {
	w := whole{
		Settings: Settings{
			Calendar: window.Standard(time.UTC),
			Balance:  balance.DefaultSettings(),
			Due:      due.DefaultSettings(),
			Escalate: escalate.Defaults(),
			Removal:  removal.Defaults(),
			Trend:    TrendSettings{Span: 72 * time.Hour, Minimum: 4, Alpha: 0.05, Confidence: 0.95, Least: drain.MLInt(5)},
			Home:     HomeSettings{Limit: 12 * time.Hour, Stale: 36 * time.Hour}, // ours
			Concern:  concern.Defaults(),
			Actions:  actions,
		},
		clockSkew: 5 * time.Minute,
	}
	w.Escalate.Vessels = w.Balance.Vessels // one set for both
	return w
}

// Policy is a valid policy. It does not change and is safe for concurrent use.
type Policy struct {
	base      whole
	values    map[string][]string // the canonical items in effect, by path, general part
	set       map[string]bool     // the paths that the file sets, general part
	overrides []override          // in the order of their selectors
	index     map[selector]int    // of overrides

	mu    sync.RWMutex
	cache map[string]Settings // by the overrides that apply
}

// maxCache bounds the combinations of overrides that are kept ready.
const maxCache = 4096

// override is an entry of the list of overrides.
type override struct {
	selector
	readings []reading
}

// selector is the target of an override.
type selector struct {
	by selectorKind
	id string
}

type selectorKind int

const (
	byWard selectorKind = iota
	byCompartment
	byDrain
)

var selectorNames = [...]string{byWard: "ward", byCompartment: "compartment", byDrain: "drain"}

func (s selector) compare(o selector) int {
	if s.by != o.by {
		return int(s.by - o.by)
	}
	return strings.Compare(s.id, o.id)
}

// Default is the policy that the service ships with.
func Default() *Policy { return build(nil, nil) }

// build makes a policy from the settings of the file.
func build(general []reading, overrides []override) *Policy {
	p := &Policy{
		base:      defaults(),
		values:    map[string][]string{},
		set:       map[string]bool{},
		overrides: overrides,
		index:     make(map[selector]int, len(overrides)),
		cache:     map[string]Settings{},
	}
	for _, f := range table().fields {
		p.values[f.path] = f.standard
	}
	for _, r := range general {
		p.values[r.field.path] = r.items
		p.set[r.field.path] = true
		r.apply(&p.base)
	}
	slices.SortFunc(p.overrides, func(a, b override) int { return a.compare(b.selector) })
	for i, o := range p.overrides {
		p.index[o.selector] = i
	}
	p.base.Version = p.hash()
	return p
}

// layered gives the general part with overrides on top of it.
func (p *Policy) layered(layers ...[]reading) whole {
	w := p.base
	// What fields change in place must be the layer's own.
	w.Balance.Vessels = maps.Clone(w.Balance.Vessels)
	w.Escalate.Vessels = w.Balance.Vessels
	w.Escalate.Off = maps.Clone(w.Escalate.Off)
	for _, l := range layers {
		for _, r := range l {
			r.apply(&w)
		}
	}
	return w
}

// For gives the settings of a drain that is at the places, the innermost first
// (bed, room, ward …, logical ids of Locations).
func (p *Policy) For(places []string, d drain.Drain) Settings {
	if len(p.overrides) == 0 {
		return p.base.Settings
	}
	var room [64]byte
	key := room[:0]
	add := func(s selector) {
		if i, ok := p.index[s]; ok {
			key = binary.AppendUvarint(key, uint64(i))
		}
	}
	for _, place := range slices.Backward(places) {
		add(selector{byWard, place})
	}
	compartment := d.Compartment
	if compartment == "" {
		compartment = drain.Unspecified
	}
	add(selector{byCompartment, string(compartment)})
	add(selector{byDrain, d.ID})
	if len(key) == 0 {
		return p.base.Settings
	}
	p.mu.RLock()
	s, ok := p.cache[string(key)]
	p.mu.RUnlock()
	if ok {
		return s
	}
	var layers [][]reading
	for rest := key; len(rest) > 0; {
		i, n := binary.Uvarint(rest)
		rest = rest[n:]
		layers = append(layers, p.overrides[i].readings)
	}
	s = p.layered(layers...).Settings
	p.mu.Lock()
	defer p.mu.Unlock()
	if len(p.cache) >= maxCache {
		clear(p.cache)
	}
	p.cache[string(key)] = s
	return s
}

// HasOverrides reports whether the location of a drain can change its settings.
func (p *Policy) HasOverrides() bool { return len(p.overrides) > 0 }

// Zone is the hospital's time zone.
func (p *Policy) Zone() *time.Location { return p.base.Calendar.Zone }

// ClockSkew is how far in the future a charted time may lie.
func (p *Policy) ClockSkew() time.Duration { return p.base.clockSkew }

// AcknowledgeWithin is the general time for acknowledging a high concern.
func (p *Policy) AcknowledgeWithin() time.Duration { return p.base.Concern.AcknowledgeWithin }

// Approved says by whom and when the hospital approved the policy; "" for a mere
// example.
func (p *Policy) Approved() string { return p.base.Approved }

// silent reports whether the file sets nothing.
func (p *Policy) silent() bool { return len(p.set) == 0 && len(p.overrides) == 0 }

// Examples are the paths of settings that the file does not set and whose
// defaults are mere examples of ours: what a hospital has not decided when it
// approves the policy.
func (p *Policy) Examples() []string {
	var paths []string
	for _, f := range table().fields {
		if f.source.basis == ours && !p.set[f.path] {
			paths = append(paths, f.path)
		}
	}
	return paths
}

// Version is a short hash of all the values in effect.
func (p *Policy) Version() string { return p.base.Version }

func (p *Policy) hash() string {
	h := sha256.New()
	for _, f := range table().fields {
		fmt.Fprintf(h, "%s=%q\n", f.path, p.values[f.path])
	}
	for _, o := range p.overrides {
		fmt.Fprintf(h, "%s %q\n", selectorNames[o.by], o.id)
		for _, r := range inTableOrder(o.readings) {
			fmt.Fprintf(h, "%s=%q\n", r.field.path, r.items)
		}
	}
	return hex.EncodeToString(h.Sum(nil))[:12]
}

func inTableOrder(readings []reading) []reading {
	return slices.SortedFunc(slices.Values(readings), func(a, b reading) int { return a.field.order - b.field.order })
}
