package policy

import (
	"flag"
	"fmt"
	"maps"
	"math/big"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"

	"tidemark/internal/balance"
	"tidemark/internal/concern"
	"tidemark/internal/drain"
	"tidemark/internal/due"
	"tidemark/internal/escalate"
	"tidemark/internal/removal"
	"tidemark/internal/window"
)

var update = flag.Bool("update", false, "write golden files")

func golden(t *testing.T, name string, got []byte) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *update {
		if err := os.WriteFile(path, got, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(string(want), string(got)); d != "" {
		t.Errorf("%s (-want +got; -update writes it anew):\n%s", name, d)
	}
}

func parse(t *testing.T, text string) *Policy {
	t.Helper()
	p, err := Parse([]byte(text), "ward.yaml")
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// settingsDiff compares zones by name and numbers by value.
func settingsDiff(want, got Settings) string {
	return cmp.Diff(want, got, cmpopts.EquateEmpty(),
		cmp.Comparer(func(a, b *time.Location) bool { return a.String() == b.String() }),
		cmp.Comparer(func(a, b *big.Rat) bool { return a.Cmp(b) == 0 }))
}

// The defaults are those of the packages that obey them.
func TestDefault(t *testing.T) {
	p := Default()
	want := Settings{
		Calendar: window.Standard(time.UTC), Balance: balance.DefaultSettings(), Due: due.DefaultSettings(),
		Escalate: escalate.Defaults(), Removal: removal.Defaults(),
		Trend:   TrendSettings{Span: 72 * time.Hour, Minimum: 4, Alpha: 0.05, Least: drain.MLInt(5), Confidence: 0.95},
		Home:    HomeSettings{Limit: 12 * time.Hour, Stale: 36 * time.Hour},
		Concern: concern.Defaults(), Actions: actions, Version: p.Version(),
	}
	if d := settingsDiff(want, p.For(nil, drain.Drain{})); d != "" {
		t.Errorf("-want +got:\n%s", d)
	}
	if p.ClockSkew() != 5*time.Minute || p.Zone() != time.UTC || p.HasOverrides() || p.Approved() != "" {
		t.Errorf("skew %v, zone %v, overrides %v, approved %q", p.ClockSkew(), p.Zone(), p.HasOverrides(), p.Approved())
	}
	for _, text := range []string{"", "# nothing\n", "---\n", "emptying:\n# interval: 2 h\n", "overrides:\n"} {
		if got := parse(t, text).Version(); got != p.Version() {
			t.Errorf("%q has version %s, the default has %s", text, got, p.Version())
		}
	}
}

// At home other limits hold, and nothing else changes.
func TestAtHome(t *testing.T) {
	want := parse(t, "emptying:\n  interval: 10 h\n").For(nil, drain.Drain{})
	got := parse(t, "home:\n  interval: 10 h\n  stale: 20 h\n").For(nil, drain.Drain{}).AtHome()
	want.Escalate.StaleAfter, want.Home, want.Version = 20*time.Hour, got.Home, got.Version
	if d := settingsDiff(want, got); d != "" {
		t.Errorf("-want +got:\n%s", d)
	}
}

// Reading the default of every field changes nothing, so that what a field sets
// is where its default comes from.
func TestFieldSetsWhatItGets(t *testing.T) {
	for _, f := range table().fields {
		w := Default().layered()
		kept, apply, err := f.read(f.standard)
		if err != nil {
			t.Errorf("%s: %v", f.path, err)
			continue
		}
		apply(&w)
		if !slices.Equal(kept, f.standard) {
			t.Errorf("%s: %q is kept as %q", f.path, f.standard, kept)
		}
		if d := settingsDiff(Default().base.Settings, w.Settings); d != "" {
			t.Errorf("%s: the default changes the settings (-want +got):\n%s", f.path, d)
		}
	}
}

// Every exported setting of the rule packages can be set by the file.
func TestEverySettingHasAField(t *testing.T) {
	leaves := func(w whole) map[string]string {
		m := map[string]string{}
		var walk func(string, reflect.Value)
		walk = func(path string, v reflect.Value) {
			if v.Kind() == reflect.Struct && v.Type() != reflect.TypeFor[drain.Volume]() {
				for i := range v.NumField() {
					walk(path+"."+v.Type().Field(i).Name, v.Field(i))
				}
				return
			}
			m[path] = fmt.Sprintf("%+v", v)
			if v.Type() == reflect.TypeFor[balance.Vessels]() {
				for _, k := range v.MapKeys() {
					walk(path+"."+k.String(), v.MapIndex(k))
				}
			}
		}
		walk("", reflect.ValueOf(w))
		return m
	}
	before := leaves(Default().layered())
	changed := map[string]bool{".Settings.Version": true, ".Settings.Balance.EstimatedPercent.Known": true,
		".Settings.Escalate.StaleAfter": true} // by home.stale, in AtHome
	for path, text := range otherValues(t) {
		p := parse(t, yamlOf(path, text))
		for leaf, value := range leaves(p.layered()) {
			if before[leaf] != value {
				changed[leaf] = true
			}
		}
	}
	for leaf := range before {
		if !changed[leaf] {
			t.Errorf("no field changes %s", leaf)
		}
	}
}

// otherValues gives, for every field, a value that is not its default.
func otherValues(t *testing.T) map[string]string {
	t.Helper()
	other := map[string]string{
		"approved": `"Nursing board, 2026-03-01"`, "calendar.zone": "Europe/Berlin", "calendar.day-start": `"06:30"`,
		"calendar.shifts": `["06:00 early", "14:00 late", "22:00 night"]`, "removal.appearances": "[serous]", "acknowledgement.actions": `["Surgeon on call told"]`,
		"findings.brisk-output.limits": "[150 mL in 2 h]",
		"findings.reservoir-full.fill": "90 %", "removal.output": "20 mL/d",
	}
	for _, f := range table().fields {
		if _, ok := other[f.path]; ok {
			continue
		}
		switch {
		case f.min != "" && f.min != f.standard[0]:
			other[f.path] = f.min
		case f.max != "":
			other[f.path] = f.max
		case f.standard[0] == "true":
			other[f.path] = "false"
		case f.standard[0] == "false":
			other[f.path] = "true"
		default:
			t.Fatalf("no other value for %s", f.path)
		}
	}
	// The least graduation is fine, the least capacity is below the graduation.
	for path := range other {
		if strings.HasSuffix(path, ".capacity") {
			other[path] = "5000 mL"
		}
	}
	return other
}

// yamlOf writes a single setting: a.b: v.
func yamlOf(path, value string) string {
	var b strings.Builder
	for i, name := range strings.Split(path, ".") {
		if i > 0 {
			b.WriteString("\n" + strings.Repeat("  ", i))
		}
		b.WriteString(name + ":")
	}
	return b.String() + " " + value + "\n"
}

func TestVersionChangesWithEachField(t *testing.T) {
	seen := map[string]string{Default().Version(): "the default"}
	others := otherValues(t)
	note := func(what string, p *Policy) {
		if first, ok := seen[p.Version()]; ok {
			t.Errorf("%s and %s have the same version", what, first)
		}
		seen[p.Version()] = what
	}
	for _, path := range slices.Sorted(maps.Keys(others)) {
		note(path, parse(t, yamlOf(path, others[path])))
	}
	for _, text := range []string{
		"overrides: [{ward: w1, emptying: {interval: 2 h}}]",
		"overrides: [{ward: w2, emptying: {interval: 2 h}}]",
		"overrides: [{drain: w1, emptying: {interval: 2 h}}]",
		"overrides: [{ward: w1, emptying: {interval: 3 h}}]",
		"overrides: [{ward: w1, emptying: {grace: 2 h}}]",
	} {
		note(text, parse(t, text))
	}
	if len(Default().Version()) != 12 {
		t.Errorf("version %q", Default().Version())
	}
}

func TestVersionIgnoresTheWriting(t *testing.T) {
	a := parse(t, `
emptying: {interval: 3 h, capacity: 150 mL}
findings:
  output-rise: {volume: 30 mL}
overrides:
  - {ward: w1, trend: {span: 2 d}}
  - {drain: d1, trend: {span: 1 d}}
`)
	b := parse(t, `
findings: {output-rise: {volume: 0.03 L}}   # the same
emptying:
  capacity: "0.15 L"
  interval: 180min
overrides:
  - drain: d1
    trend: {span: 24 h}
  - trend: {span: 48 h}
    ward: w1
`)
	if a.Version() != b.Version() {
		t.Errorf("versions %s and %s", a.Version(), b.Version())
	}
	if d := cmp.Diff(string(a.YAML()), string(b.YAML())); d != "" {
		t.Errorf("-a +b:\n%s", d)
	}
}

const full = `
approved: "Surgical \"board\" \\ 2026-03-01"
calendar: {zone: Australia/Lord_Howe, day-start: "06:00", shifts: ["06:00 early", "14:00 late", "22:00 night"]}
vessels:
  syringe: {capacity: 50 mL, graduation: 0.5 mL, tolerance: 1 mL}
  estimate: 12.5 %
  shared-tolerance: true
emptying: {interval: 90 s, grace: 1 min, fill: 33.3 %, capacity: 400 mL}
overrides:
  - ward: ward-7
    calendar: {day-start: "00:00"}
    findings:
      brisk-output: {limits: [1 dL in 30 min, 0.3 L in 12 h]}
      long-dwell: {enabled: false}
  - compartment: biliary
    findings: {brisk-output: {enabled: false}}
  - drain: "007"
    removal: {appearances: [bilious], output: 100 mL/d, today: false}
`

func TestRoundTrip(t *testing.T) {
	text := strings.Replace(full, "90 s", "90 min", 1)
	for name, p := range map[string]*Policy{"default": Default(), "full": parse(t, text)} {
		shown := p.YAML()
		again, err := Parse(shown, "shown.yaml")
		if err != nil {
			t.Fatalf("%s: %v\n%s", name, err, shown)
		}
		if again.Version() != p.Version() {
			t.Errorf("%s: version %s came back as %s", name, p.Version(), again.Version())
		}
		if d := cmp.Diff(string(shown), string(again.YAML())); d != "" {
			t.Errorf("%s: -first +second:\n%s", name, d)
		}
		d7 := drain.Drain{ID: "007", Compartment: drain.Biliary}
		if d := settingsDiff(p.For([]string{"ward-7"}, d7), again.For([]string{"ward-7"}, d7)); d != "" {
			t.Errorf("%s: -first +second:\n%s", name, d)
		}
		golden(t, name+".yaml", shown)
	}
	golden(t, "schema.json", Schema())
}

func TestEveryFigureSaysItsSource(t *testing.T) {
	shown := string(Default().YAML())
	head, _, _ := strings.Cut(shown, "\ncalendar:")
	if !strings.Contains(strings.ReplaceAll(head, "\n# ", " "), "an example until the hospital approves its own policy") {
		t.Errorf("the head does not carry the caution:\n%s", head)
	}
	for _, f := range table().fields {
		if f.doc == "" || f.source.basis == "" {
			t.Errorf("%s: no doc or no source", f.path)
		}
		if f.source.basis == published && !strings.Contains(f.source.words, " et al. ") {
			t.Errorf("%s is called published without naming where", f.path)
		}
	}
	n := 0
	for _, b := range []basis{published, cp, ours, local} {
		n += strings.Count(shown, "; "+string(b)+"\n")
	}
	if n != len(table().fields) {
		t.Errorf("%d sources beside %d fields", n, len(table().fields))
	}
	for _, s := range table().root.children {
		if s.section != nil && s.section.doc == "" {
			t.Errorf("section %s has no doc", s.name)
		}
	}
}

func TestRead(t *testing.T) {
	p := parse(t, strings.Replace(full, "90 s", "90 min", 1))
	s := p.For(nil, drain.Drain{})
	if s.Due.Limit != 90*time.Minute || s.Escalate.IntervalLimit != 90*time.Minute || s.Escalate.Grace != time.Minute {
		t.Errorf("due %+v, escalate %v %v", s.Due, s.Escalate.IntervalLimit, s.Escalate.Grace)
	}
	if got := s.Due.HalfFraction.RatString(); got != "333/1000" {
		t.Errorf("fill %s", got)
	}
	if got := s.Balance.EstimatedPercent.Value.Key(); got != "12.5" {
		t.Errorf("estimate %s", got)
	}
	want := balance.VesselSpec{Capacity: drain.MLInt(50), Graduation: drain.MLInt(1), Tolerance: drain.MLInt(1), Source: wardsOwn}
	want.Graduation, _ = drain.ParseML("0.5")
	for _, vessels := range []balance.Vessels{s.Balance.Vessels, s.Escalate.Vessels} {
		if d := cmp.Diff(want, vessels[drain.Syringe]); d != "" {
			t.Errorf("-want +got:\n%s", d)
		}
		if vessels[drain.Scale].Source != balance.CommonPractice {
			t.Errorf("the scale's figures come from %q", vessels[drain.Scale].Source)
		}
	}
	if s.Approved != `Surgical "board" \ 2026-03-01` || p.Zone().String() != "Australia/Lord_Howe" {
		t.Errorf("approved %q, zone %v", s.Approved, p.Zone())
	}
	w := p.For([]string{"bed-1", "ward-7"}, drain.Drain{ID: "x"})
	if d := cmp.Diff([]escalate.BriskLimit{{Volume: drain.MLInt(100), Within: 30 * time.Minute}, {Volume: drain.MLInt(300), Within: 12 * time.Hour}}, w.Escalate.Brisk); d != "" {
		t.Errorf("-want +got:\n%s", d)
	}
	if w.Calendar.DayStart != (window.ClockTime{}) || !w.Escalate.Off["long-dwell"] || w.Escalate.Off["darker"] || s.Escalate.Off["long-dwell"] {
		t.Errorf("ward: %v, off %v", w.Calendar.DayStart, w.Escalate.Off)
	}
	b := p.For([]string{"ward-7"}, drain.Drain{ID: "007", Compartment: drain.Biliary})
	if d := cmp.Diff(map[string]bool{"brisk-output": true, "long-dwell": true}, b.Escalate.Off); d != "" {
		t.Errorf("-want +got:\n%s", d)
	}
	if b.Removal.DailyLimit.Key() != "100" || b.Removal.Today || b.Version != p.Version() {
		t.Errorf("removal %+v, version %s", b.Removal, b.Version)
	}
}

// Each amount is accepted at both ends of its range and refused just beyond.
func TestRanges(t *testing.T) {
	for _, f := range table().fields {
		if f.min == "" {
			continue
		}
		beyond := func(text string, by int64) string {
			number, unit, _ := strings.Cut(text, " ")
			v, ok := drain.ParseML(number)
			if !ok {
				t.Fatal(text)
			}
			step := big.NewRat(by, 1_000_000)
			if f.unit == "" {
				step = big.NewRat(by, 1)
			}
			return strings.TrimSpace(v.Add(drain.ML(step)).Key() + " " + unit)
		}
		for text, want := range map[string]bool{f.min: true, f.max: true, beyond(f.min, -1): false, beyond(f.max, 1): false} {
			if _, _, err := f.read([]string{text}); (err == nil) != want {
				t.Errorf("%s: %s: error %v", f.path, text, err)
			}
		}
	}
}

func TestExampleOverrides(t *testing.T) {
	p := parse(t, exampleOverrides)
	if len(p.overrides) != 3 {
		t.Errorf("%d overrides", len(p.overrides))
	}
	shown := string(Default().YAML())
	_, tail, _ := strings.Cut(shown, "# overrides:\n")
	if want := strings.Count(exampleOverrides, "\n") - 1; strings.Count(tail, "# ") < want {
		t.Errorf("the default does not show them:\n%s", tail)
	}
}

func TestTrendConfidence(t *testing.T) {
	s := parse(t, "trend: {significance: 10 %}").For(nil, drain.Drain{})
	if s.Trend.Alpha != 0.1 || s.Trend.Confidence != 0.9 {
		t.Errorf("%+v", s.Trend)
	}
}

func TestPrecedence(t *testing.T) {
	p := parse(t, `
emptying: {interval: 5 h}
overrides:
  - {drain: d1, emptying: {interval: 1 h}}
  - {compartment: wound, emptying: {interval: 2 h}}
  - {ward: bed-1, emptying: {interval: 150 min}}
  - {ward: ward-1, emptying: {interval: 3 h, grace: 1 min}}
  - {compartment: unspecified, emptying: {interval: 6 h}}
`)
	wound := drain.Drain{ID: "other", Compartment: drain.Wound}
	pleural := drain.Drain{ID: "other", Compartment: drain.Pleural}
	for _, c := range []struct {
		name   string
		places []string
		drain  drain.Drain
		want   time.Duration
		grace  time.Duration
	}{
		{"general", nil, pleural, 5 * time.Hour, time.Hour},
		{"unknown ward", []string{"ward-9"}, pleural, 5 * time.Hour, time.Hour},
		{"ward", []string{"bed-9", "room-1", "ward-1"}, pleural, 3 * time.Hour, time.Minute},
		{"inner place over ward", []string{"bed-1", "ward-1"}, pleural, 150 * time.Minute, time.Minute},
		{"compartment over ward", []string{"bed-1", "ward-1"}, wound, 2 * time.Hour, time.Minute},
		{"drain over all", []string{"bed-1", "ward-1"}, drain.Drain{ID: "d1", Compartment: drain.Wound}, time.Hour, time.Minute},
		{"drain alone", nil, drain.Drain{ID: "d1", Compartment: drain.Pleural}, time.Hour, time.Hour},
		{"no compartment is unspecified", nil, drain.Drain{}, 6 * time.Hour, time.Hour},
	} {
		for range 2 { // made, then from the cache
			s := p.For(c.places, c.drain)
			if s.Due.Limit != c.want || s.Escalate.Grace != c.grace {
				t.Errorf("%s: interval %v, grace %v", c.name, s.Due.Limit, s.Escalate.Grace)
			}
		}
	}
}

// An override of one ward must not leak into others, nor into the general part.
func TestOverridesDoNotLeak(t *testing.T) {
	p := parse(t, `
overrides:
  - ward: a
    vessels: {syringe: {graduation: 5 mL}}
    findings: {darker: {enabled: false}}
  - ward: b
    vessels: {syringe: {graduation: 2 mL}}
`)
	d := drain.Drain{Compartment: drain.Wound}
	for range 2 {
		for place, want := range map[string]string{"a": "5", "b": "2", "c": "1"} {
			s := p.For([]string{place}, d)
			if got := s.Balance.Vessels[drain.Syringe].Graduation.Key(); got != want {
				t.Errorf("%s: graduation %s, want %s", place, got, want)
			}
			if s.Escalate.Off["darker"] != (place == "a") {
				t.Errorf("%s: off %v", place, s.Escalate.Off)
			}
		}
	}
	if got := balance.DefaultVessels()[drain.Syringe].Graduation.Key(); got != "1" {
		t.Errorf("the default itself changed to %s", got)
	}
}

func TestCacheIsBounded(t *testing.T) {
	var b strings.Builder
	b.WriteString("overrides:\n")
	for i := range maxCache + 10 {
		fmt.Fprintf(&b, "  - {drain: d%d, emptying: {interval: %d min}}\n", i, 15+i%100)
	}
	p := parse(t, b.String())
	for i := range maxCache + 10 {
		if got, want := p.For(nil, drain.Drain{ID: fmt.Sprintf("d%d", i)}).Due.Limit, time.Duration(15+i%100)*time.Minute; got != want {
			t.Fatalf("d%d: %v, want %v", i, got, want)
		}
	}
	if n := len(p.cache); n > maxCache {
		t.Errorf("%d settings are kept", n)
	}
}

func TestForIsSafeTogether(t *testing.T) {
	p := parse(t, "overrides: [{ward: w, emptying: {interval: 2 h}}, {drain: d, emptying: {grace: 1 h}}]")
	done := make(chan bool)
	for range 8 {
		go func() {
			ok := true
			for i := range 200 {
				s := p.For([]string{"w"}, drain.Drain{ID: []string{"d", "e"}[i%2]})
				ok = ok && s.Due.Limit == 2*time.Hour
			}
			done <- ok
		}()
	}
	for range 8 {
		if !<-done {
			t.Error("wrong interval")
		}
	}
}

func BenchmarkFor(b *testing.B) {
	text := "overrides:\n  - {compartment: wound, emptying: {interval: 2 h}}\n"
	for i := range 200 {
		text += fmt.Sprintf("  - {ward: ward-%d, emptying: {interval: 3 h}}\n", i)
	}
	p, err := Parse([]byte(text), "")
	if err != nil {
		b.Fatal(err)
	}
	d := drain.Drain{ID: "d", Compartment: drain.Wound}
	places := []string{"bed-1", "room-1", "ward-7"}
	b.ReportAllocs()
	for b.Loop() {
		p.For(places, d)
	}
}

func BenchmarkParse(b *testing.B) {
	text := Default().YAML()
	for b.Loop() {
		if _, err := Parse(text, ""); err != nil {
			b.Fatal(err)
		}
	}
}

// Whatever a file sets, in whatever order: the policy survives being shown, the
// order of settings and overrides does not matter, and a drain gets exactly what
// the layers that apply to it set, the later one winning.
func TestLayersProperty(t *testing.T) {
	others := otherValues(t)
	// Together they would not fit: a test of its own has these.
	delete(others, "findings.reservoir-full.fill")
	byPath := map[string]*field{}
	for _, f := range table().fields {
		byPath[f.path] = f
	}
	var free []string // may be set in every layer
	for _, path := range slices.Sorted(maps.Keys(others)) {
		if byPath[path].scope == everywhere {
			free = append(free, path)
		}
	}
	selectors := []setting{{"ward", "outer"}, {"ward", "inner"}, {"compartment", "wound"}, {"drain", "d1"}} // the later wins
	rapid.Check(t, func(rt *rapid.T) {
		want := map[string]string{}
		paths := rapid.SliceOfDistinct(rapid.SampledFrom(free), rapid.ID[string])
		draw := func(layer string) (settings []setting) {
			for _, path := range paths.Draw(rt, layer) {
				want[path] = rapid.SampledFrom([]string{others[path], flow(byPath[path])}).Draw(rt, path)
				settings = append(settings, setting{path, want[path]})
			}
			return settings
		}
		general := draw("general")
		var items []string
		for _, s := range selectors {
			if own := draw(s.path); len(own) > 0 {
				items = append(items, mapping(append(own, s)))
			}
		}
		text := func(general []setting, items []string) string {
			return mapping(append(slices.Clone(general), setting{"overrides", "[" + strings.Join(items, ", ") + "]"}))
		}
		p, err := Parse([]byte(text(general, items)), "")
		if err != nil {
			rt.Fatal(err)
		}
		shuffled, err := Parse([]byte(text(rapid.Permutation(general).Draw(rt, "order"), rapid.Permutation(items).Draw(rt, "items"))), "")
		if err != nil {
			rt.Fatal(err)
		}
		shown, err := Parse(p.YAML(), "")
		if err != nil {
			rt.Fatal(err)
		}
		if p.Version() != shuffled.Version() || p.Version() != shown.Version() {
			rt.Errorf("versions %s, shuffled %s, shown %s", p.Version(), shuffled.Version(), shown.Version())
		}
		var flat []setting
		for path, value := range want {
			flat = append(flat, setting{path, value})
		}
		alone, err := Parse([]byte(mapping(flat)), "")
		if err != nil {
			rt.Fatal(err)
		}
		got := p.For([]string{"inner", "elsewhere", "outer"}, drain.Drain{ID: "d1", Compartment: drain.Wound})
		wanted := alone.For(nil, drain.Drain{})
		wanted.Version = p.Version()
		if d := settingsDiff(wanted, got); d != "" {
			rt.Errorf("-want +got:\n%s", d)
		}
	})
}

// flow writes the default of a field.
func flow(f *field) string {
	items := make([]string, len(f.standard))
	for i, item := range f.standard {
		items[i] = f.written(item)
	}
	if f.list {
		return "[" + strings.Join(items, ", ") + "]"
	}
	return items[0]
}

// setting is a path with its value as written.
type setting struct{ path, value string }

// mapping writes settings as one mapping, in their order: {a: {b: v, c: w}}.
func mapping(settings []setting) string {
	var names []string
	inner := map[string][]setting{}
	leaves := map[string]string{}
	for _, s := range settings {
		name, rest, nested := strings.Cut(s.path, ".")
		if !slices.Contains(names, name) {
			names = append(names, name)
		}
		if nested {
			inner[name] = append(inner[name], setting{rest, s.value})
		} else {
			leaves[name] = s.value
		}
	}
	parts := make([]string, len(names))
	for i, name := range names {
		value, leaf := leaves[name]
		if !leaf {
			value = mapping(inner[name])
		}
		parts[i] = name + ": " + value
	}
	return "{" + strings.Join(parts, ", ") + "}"
}
