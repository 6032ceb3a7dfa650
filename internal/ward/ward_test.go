package ward

import (
	"cmp"
	"context"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"tidemark/fhirmap"
	"tidemark/internal/drain"
	"tidemark/internal/fault"
	"tidemark/internal/fhirjson"
	"tidemark/internal/policy"
	"tidemark/internal/profile"
	"tidemark/internal/r4"
	"tidemark/internal/search"
	"tidemark/internal/store"
	"tidemark/internal/store/sqlite"
)

// base is where the tests' service is said to listen.
const base = "http://tidemark.test/fhir"

// t0 is when the drains of the tests were placed: a Monday morning in winter.
var t0 = time.Date(2026, 11, 23, 8, 0, 0, 0, time.UTC)

// hospital is a core over the real embedded store, with a clock and a policy
// that the test sets.
type hospital struct {
	testing.TB
	*Service
	db *sqlite.Store

	mu     sync.Mutex
	now    time.Time
	policy *policy.Policy
}

func (h *hospital) clock() time.Time {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.now
}

// at sets the clock, in hours after t0.
func (h *hospital) at(hours float64) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.now = t0.Add(span(hours))
}

func span(hours float64) time.Duration { return time.Duration(hours * float64(time.Hour)) }

func (h *hospital) policies() *policy.Policy {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.policy
}

// rule sets the policy.
func (h *hospital) rule(yaml string) {
	h.Helper()
	p, err := policy.Parse([]byte(yaml), "test.yaml")
	if err != nil {
		h.Fatal(err)
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	h.policy = p
}

var library = sync.OnceValues(profile.New)

func validator(tb testing.TB) Validator {
	lib, err := library()
	if err != nil {
		tb.Fatal(err)
	}
	return func(n *fhirjson.Node) *fault.List {
		l := r4.Validate(n, r4.Options{})
		if l.Failed() && r4.Kind(l) == fault.Invalid {
			return l
		}
		l.Issues = append(l.Issues, lib.Validate(n).Issues...)
		return l
	}
}

// open makes a hospital over the store of a directory.
func open(tb testing.TB, dir string) *hospital {
	tb.Helper()
	h := &hospital{TB: tb, now: t0, policy: policy.Default()}
	extract := search.ExtractOptions{Base: base, Zone: time.UTC}
	db, err := sqlite.Open(context.Background(), sqlite.Options{
		Dir: dir, Clock: h.clock, Logger: slog.New(slog.DiscardHandler),
		Extract: func(_ context.Context, raw []byte) (search.Doc, error) {
			n, err := fhirjson.Parse(raw)
			if err != nil {
				return search.Doc{}, err
			}
			return search.Extract(n, extract), nil
		},
	})
	if err != nil {
		tb.Fatal(err)
	}
	h.db = db
	tb.Cleanup(func() { _ = db.Close() })
	h.Service = h.another(db)
	return h
}

// another is a further process over the same store.
func (h *hospital) another(st Store) *Service {
	return New(st, Options{
		Policy: h.policies, Validate: validator(h.TB), Extract: search.ExtractOptions{Base: base, Zone: time.UTC},
		Clock: h.clock, Logger: slog.New(slog.DiscardHandler), Recheck: time.Minute,
	})
}

// newHospital has one patient p1 with a drain d1 placed at t0.
func newHospital(tb testing.TB) *hospital {
	tb.Helper()
	h := open(tb, tb.TempDir())
	h.put(patient("p1"), patient("p2"), device("d1"), placement("d1", "p1", t0))
	return h
}

type obj = *fhirjson.Node

func patient(id string) obj { return fhirjson.Obj("resourceType", "Patient", "id", id) }

func device(id string) obj {
	return fhirjson.Obj("resourceType", "Device", "id", id, "status", "active",
		"deviceName", fhirjson.Arr(fhirjson.Obj("name", "Drain "+id, "type", "user-friendly-name")))
}

// placement is the DeviceUseStatement of a drain, by the drain's id.
func placement(id, patient string, start time.Time, more ...any) obj {
	n := fhirjson.Obj("resourceType", "DeviceUseStatement", "id", "use-"+id, "status", "active",
		"subject", reference("Patient", patient), "device", reference("Device", id),
		"timingPeriod", fhirjson.Obj("start", start.Format(time.RFC3339)))
	return with(n, more...)
}

func removed(n obj, status string, end time.Time) obj {
	n.Set("status", fhirjson.Str(status))
	n.Get("timingPeriod").Set("end", fhirjson.Str(end.Format(time.RFC3339)))
	return n
}

func reference(typ, id string) obj { return fhirjson.Obj("reference", typ+"/"+id) }

func with(n obj, more ...any) obj {
	for _, m := range fhirjson.Obj(more...).Members {
		n.Set(m.Name, m.Value)
	}
	return n
}

func code(system, code string) obj {
	return fhirjson.Obj("coding", fhirjson.Arr(fhirjson.Obj("system", system, "code", code)))
}

func local(c string) obj { return code(fhirmap.Local, c) }

func quantity(value, unit string) obj {
	return fhirjson.Obj("value", fhirjson.Num(value), "unit", unit, "system", fhirmap.UCUM, "code", unit)
}

// part is a component; a string value is a local code.
func part(name string, value any) obj {
	system := fhirmap.Local
	if name[0] >= '0' && name[0] <= '9' {
		system = fhirmap.LOINC
	}
	c := fhirjson.Obj("code", code(system, name))
	switch v := value.(type) {
	case string:
		c.Set("valueCodeableConcept", local(v))
	case bool:
		c.Set("valueBoolean", fhirjson.Obj("x", v).Get("x"))
	case obj:
		c.Set("valueQuantity", v)
	}
	return c
}

func looks(appearance string) obj { return part(fhirmap.LOINCAppearance, appearance) }

// entry is an Observation of drain d1 in p1 at so many hours after t0.
func entry(id string, hours float64, about obj, parts ...obj) obj {
	n := fhirjson.Obj("resourceType", "Observation", "id", id, "status", "final", "code", about,
		"subject", reference("Patient", "p1"), "effectiveDateTime", t0.Add(span(hours)).Format(time.RFC3339Nano),
		"device", reference("Device", "d1"))
	if len(parts) > 0 {
		n.Set("component", &fhirjson.Node{Kind: fhirjson.Array, Items: parts})
	}
	return n
}

// emptying of some mL in a syringe of 60 mL, graduated in 1 mL.
func emptying(id string, hours float64, ml string, parts ...obj) obj {
	parts = append([]obj{part(fhirmap.CodeVessel, "syringe")}, parts...)
	return with(entry(id, hours, code(fhirmap.LOINC, "9203-1"), parts...), "valueQuantity", quantity(ml, "mL"))
}

func check(id string, hours float64, parts ...obj) obj {
	return entry(id, hours, local(fhirmap.CodeCheck), parts...)
}

func site(id string, hours float64, parts ...obj) obj {
	return entry(id, hours, local(fhirmap.CodeSite), parts...)
}

func onDrain(n obj, drain, patient string) obj {
	return with(n, "device", reference("Device", drain), "subject", reference("Patient", patient))
}

func status(n obj, status string) obj { return with(n, "status", status) }

func puts(ns ...obj) []Change {
	var cs []Change
	for _, n := range ns {
		cs = append(cs, Change{Method: store.Put, Key: store.Key{Type: n.Str("resourceType"), ID: n.Str("id")}, Resource: n.Clone()})
	}
	return cs
}

func deletion(typ, id string) Change {
	return Change{Method: store.Delete, Key: store.Key{Type: typ, ID: id}}
}

// put commits the resources in one step.
func (h *hospital) put(ns ...obj) {
	h.Helper()
	h.commit(puts(ns...)...)
}

func (h *hospital) commit(cs ...Change) []store.Result {
	h.Helper()
	res, err := h.Commit(context.Background(), cs, nil)
	if err != nil {
		h.Fatalf("commit: %v (cause %v)", err, fault.Of(err).Cause)
	}
	return res
}

func (h *hospital) sweep(all bool) int {
	h.Helper()
	n, err := h.Sweep(context.Background(), all)
	if err != nil {
		h.Fatal(err)
	}
	return n
}

// concerns lists all concerns of d1 that there ever were, the oldest first, and
// checks that the resource says what the projection does.
func (h *hospital) concerns() []drain.Concern {
	h.Helper()
	all, err := h.db.Concerns(context.Background(), "d1", time.Time{})
	if err != nil {
		h.Fatal(err)
	}
	slices.SortFunc(all, func(a, b drain.Concern) int {
		return cmp.Or(a.Since.Compare(b.Since), cmp.Compare(a.Kind, b.Kind), a.Announced.At.Compare(b.Announced.At), cmp.Compare(a.ID, b.ID))
	})
	for _, c := range all {
		v, err := h.db.Read(context.Background(), store.Key{Type: "DetectedIssue", ID: c.ID})
		if err != nil {
			h.Fatal(err)
		}
		n, err := fhirjson.Parse(v.JSON())
		if err != nil {
			h.Fatal(err)
		}
		if err := validator(h.TB)(n).As(fault.Rule); err != nil {
			h.Errorf("DetectedIssue of %s: %v", c.Kind, err)
		}
		facts, _ := fhirmap.Decode(n, time.UTC)
		facts.Concern.Version = c.Version
		if got, want := fmt.Sprintf("%+v", *facts.Concern), fmt.Sprintf("%+v", c); got != want {
			h.Errorf("the resource says\n%s, the projection\n%s", got, want)
		}
	}
	return all
}

// life is the concerns that rest on one rule in words, or did when they ended:
// "high e1 e2; low e3 over".
func (h *hospital) life(rule string) string {
	h.Helper()
	var lives []string
	for _, c := range h.concerns() {
		for _, e := range c.Evidence {
			if e.Rule != rule {
				continue
			}
			words := append([]string{string(e.Severity)}, e.Readings...)
			switch {
			case c.Withdrawn:
				words = append(words, "withdrawn")
			case !c.Open():
				words = append(words, "over")
			}
			lives = append(lives, strings.Join(words, " "))
		}
	}
	return strings.Join(lives, "; ")
}

func (h *hospital) want(rule, life string) {
	h.Helper()
	if got := h.life(rule); got != life {
		h.Errorf("%s at %s: %q, want %q", rule, h.clock().Format("01-02 15:04"), got, life)
	}
}

// one gives the only concern that rests on a rule.
func (h *hospital) one(rule string) drain.Concern {
	h.Helper()
	cs := slices.DeleteFunc(h.concerns(), func(c drain.Concern) bool { return !c.Holds(rule) })
	if len(cs) != 1 {
		h.Fatalf("%s: %d concerns, want one", rule, len(cs))
	}
	return cs[0]
}

// text is the sentence of a rule.
func (h *hospital) text(rule string) string {
	h.Helper()
	for _, e := range h.one(rule).Evidence {
		if e.Rule == rule {
			return e.Text
		}
	}
	return ""
}

func (h *hospital) level(want string) {
	h.Helper()
	st, err := h.DrainStatus(context.Background(), "d1")
	if err != nil {
		h.Fatal(err)
	}
	if st.Level != want {
		h.Errorf("level at %s: %q, want %q", h.clock().Format("01-02 15:04"), st.Level, want)
	}
}
