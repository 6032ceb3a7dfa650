package api

import (
	"bytes"
	"context"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"tidemark/internal/auth"
	"tidemark/internal/fault"
	"tidemark/internal/fhirjson"
	"tidemark/internal/policy"
	"tidemark/internal/profile"
	"tidemark/internal/r4"
	"tidemark/internal/search"
	"tidemark/internal/store"
	"tidemark/internal/store/sqlite"
	"tidemark/internal/ward"
)

var testNow = time.Date(2026, 3, 10, 12, 0, 0, 0, time.UTC)

const testBase = "https://fhir.example.org/fhir"

// chart is a server over an embedded store with the Observations of patients p
// and q.
func chart(t *testing.T, observations ...string) *Server {
	t.Helper()
	ctx := context.Background()
	clock := func() time.Time { return testNow }
	log := slog.New(slog.DiscardHandler)
	extract := search.ExtractOptions{Base: testBase, Zone: time.UTC}
	st, err := sqlite.Open(ctx, sqlite.Options{Dir: t.TempDir(), Clock: clock, Logger: log, Extract: func(_ context.Context, raw []byte) (search.Doc, error) {
		n, err := fhirjson.Parse(raw)
		if err != nil {
			return search.Doc{}, err
		}
		return search.Extract(n, extract), nil
	}})
	if err != nil {
		t.Fatal(err)
	}
	library, err := profile.New()
	if err != nil {
		t.Fatal(err)
	}
	w := ward.New(st, ward.Options{Policy: policy.Default, Extract: extract, Clock: clock, Logger: log,
		Validate: func(*fhirjson.Node) *fault.List { return &fault.List{} }})
	s := New(Options{Store: st, Ward: w, Conformance: library, Policy: policy.Default, Extract: extract, Logger: log, BaseURL: testBase})
	t.Cleanup(func() {
		s.Close()
		st.Close()
	})
	resources := append([]string{`{"resourceType":"Patient","id":"p"}`, `{"resourceType":"Patient","id":"q"}`}, observations...)
	for _, text := range resources {
		n := parsed(t, text)
		_, err := w.Commit(ctx, []ward.Change{{Method: store.Put, Key: store.Key{Type: n.Str("resourceType"), ID: n.Str("id")}, Resource: n}}, nil)
		if err != nil {
			t.Fatalf("%s: %v", text, err)
		}
	}
	return s
}

func parsed(t testing.TB, text string) *fhirjson.Node {
	t.Helper()
	n, err := fhirjson.Parse([]byte(text))
	if err != nil {
		t.Fatalf("%s: %v", text, err)
	}
	return n
}

// observation is the JSON of one; more are further members, with a comma before.
func observation(id, when, codes, more string) string {
	var codings []string
	for _, c := range strings.Split(codes, ",") {
		codings = append(codings, fmt.Sprintf(`{"system":"urn:c","code":%q}`, c))
	}
	return fmt.Sprintf(`{"resourceType":"Observation","id":%q,"status":"final","category":[{"coding":[{"system":"urn:cat","code":"x"}]}],
		"code":{"coding":[%s]},"subject":{"reference":"Patient/p"},"effectiveDateTime":"2026-03-%sZ"%s}`, id, strings.Join(codings, ","), when, more)
}

// ask runs an operation with the parameters of a URL.
func ask(t *testing.T, s *Server, run func(context.Context, *Server, *Interaction, Params) (*Answer, error), scope, query string, body *fhirjson.Node) (*fhirjson.Node, error) {
	t.Helper()
	scopes, unknown := auth.ParseScopes(scope)
	if len(unknown) > 0 {
		t.Fatalf("scopes %v", unknown)
	}
	pairs, err := search.ParsePairs(query)
	if err != nil {
		t.Fatal(err)
	}
	in := &Interaction{Verb: "GET", Type: "Observation", Query: pairs, Body: body, Who: &auth.Principal{Subject: "x", Scopes: scopes, Patient: "p"}}
	p, err := in.params()
	if err != nil {
		t.Fatal(err)
	}
	a, err := run(context.Background(), s, in, p)
	if err != nil {
		return nil, err
	}
	return parsed(t, string(a.Resource)), nil
}

func matchIDs(bundle *fhirjson.Node) []string {
	ids := []string{}
	for _, e := range bundle.Each("entry") {
		if e.Get("search").Str("mode") == "match" {
			ids = append(ids, e.Get("resource").Str("id"))
		}
	}
	return ids
}

func TestLastN(t *testing.T) {
	s := chart(t,
		observation("a1", "01T08:00:00", "a", ""),
		observation("a2", "02T08:00:00", "a", ""),
		observation("a3", "03T08:00:00", "a", ""),
		observation("a3twin", "03T08:00:00", "a", ""),
		observation("b1", "01T09:00:00", "b", ""),
		observation("cd", "01T07:00:00", "c,d", ""),
		observation("de", "04T07:00:00", "d,e", ""),
		observation("e1", "02T07:00:00", "e", ""),
		strings.Replace(observation("wrong", "05T07:00:00", "b", ""), `"final"`, `"entered-in-error"`, 1),
		strings.Replace(observation("other", "06T07:00:00", "a", ""), "Patient/p", "Patient/q", 1),
	)
	const all = "user/*.cruds"
	for _, c := range []struct {
		query string
		want  []string
	}{
		{"patient=p&category=x", []string{"wrong", "de", "a3twin", "a3"}},
		{"subject=Patient/p&category=x&status:not=entered-in-error", []string{"de", "a3twin", "a3", "b1"}},
		{"patient=p&code=urn:c|a&max=2", []string{"a3twin", "a3"}},
		{"patient=p&code=urn:c|a&max=3", []string{"a3twin", "a3", "a2"}},
		{"patient=p&combo-code=c,d,e&max=2", []string{"de", "e1"}},
		{"patient=p&code=urn:c|a&date=lt2026-03-02", []string{"a1"}},
		{"patient=p&code=none", []string{}},
		{"patient=nobody&category=x", []string{}},
		{"patient=p,q&code=a", []string{"other"}},
		{"patient=p&code=b&_sort=date&_count=1", []string{"wrong"}},
	} {
		t.Run(c.query, func(t *testing.T) {
			b, err := ask(t, s, lastN, all, c.query, nil)
			if err != nil {
				t.Fatal(err)
			}
			if d := cmp.Diff(c.want, matchIDs(b)); d != "" {
				t.Error(d)
			}
			if got := b.Get("total").Text; got != fmt.Sprint(len(c.want)) || b.Str("type") != "searchset" {
				t.Errorf("total %s of a %s", got, b.Str("type"))
			}
			if l := r4.Validate(b, r4.Options{}); l.Failed() {
				t.Errorf("not R4: %v", l.Issues)
			}
			if l := b.Each("link"); len(l) != 1 || l[0].Str("relation") != "self" || !strings.HasPrefix(l[0].Str("url"), testBase+"/Observation/$lastn?") {
				t.Errorf("links %s", b.Get("link").Bytes())
			}
		})
	}
	for _, query := range []string{"", "category=x", "patient=p", "patient=p&status=final", "patient:missing=false&category=x", "patient=p&code:missing=false",
		"patient=p&category=x&max=0", "patient=p&category=x&max=-1", "patient=p&category=x&max=1.5", "patient=p&category=x&max=99999999999",
		"patient=p&category=x&max=1&max=2", "patient=p&category=x&date=yesterday"} {
		if _, err := ask(t, s, lastN, all, query, nil); !fault.Is(err, fault.Invalid) {
			t.Errorf("%q: %v, want Invalid", query, err)
		}
	}

	// What the caller may not see is not among the newest.
	b, err := ask(t, s, lastN, "patient/Observation.rs", "patient=p,q&code=a", nil)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff([]string{"a3twin", "a3"}, matchIDs(b)); d != "" {
		t.Errorf("patient scope: %s", d)
	}
	if _, err := ask(t, s, lastN, "user/Patient.rs", "patient=p&code=a", nil); !fault.Is(err, fault.Forbidden) {
		t.Errorf("without a scope: %v", err)
	}

	body := parsed(t, `{"resourceType":"Parameters","parameter":[{"name":"max","valuePositiveInt":2},{"name":"subject","valueReference":{"reference":"Patient/p"}},
		{"name":"code","valueCoding":{"system":"urn:c","code":"b"}},{"name":"_summary","valueCode":"count"}]}`)
	if b, err = ask(t, s, lastN, all, "", body); err != nil {
		t.Fatal(err)
	}
	if b.Get("total").Text != "2" || b.Get("entry") != nil {
		t.Errorf("by POST: %s", b.Bytes())
	}
}

func TestEachObservationIsBounded(t *testing.T) {
	s := chart(t, observation("a1", "01T08:00:00", "a", ""), observation("a2", "02T08:00:00", "a", ""))
	for limit, refused := range map[int]bool{1: true, 2: false} {
		n := 0
		err := s.eachObservation(context.Background(), search.Query{}, limit, func(store.Version, *fhirjson.Node) error { n++; return nil })
		if refused != fault.Is(err, fault.Invalid) || !refused && n != 2 {
			t.Errorf("at most %d: %d seen, %v", limit, n, err)
		}
	}
	if _, err := ask(t, s, lastN, "user/*.cruds", "patient=p&code=a&_sort=date", nil); err != nil {
		t.Error(err)
	}
	if _, _, _, err := lastNParams(Params{list: []param{{name: "_sort", text: "date"}}}, true); !fault.Is(err, fault.Invalid) {
		t.Errorf("strict handling ignores _sort: %v", err)
	}
}

// Both stand in the table of operations, at the type, for GET and POST.
func TestObservationOperationsAreOffered(t *testing.T) {
	s := chart(t, observation("a1", "09T08:00:00", "a", quantity("30", "mL")))
	scopes, _ := auth.ParseScopes("user/Observation.rs")
	for name, query := range map[string]string{"$lastn": "patient=p&code=a", "$stats": "subject=Patient/p&code=a&system=urn:c&duration=48&statistic=sum"} {
		pairs, err := search.ParsePairs(query)
		if err != nil {
			t.Fatal(err)
		}
		for _, verb := range []string{"GET", "POST"} {
			in := &Interaction{Verb: verb, Type: "Observation", Special: name, Query: pairs, Who: &auth.Principal{Subject: "x", Scopes: scopes}}
			a, err := s.perform(context.Background(), in)
			if err != nil || a.Status != 200 {
				t.Errorf("%s %s: %v %v", verb, name, a, err)
			}
			if in.audit.patient != "p" {
				t.Errorf("%s %s: the audit names patient %q", verb, name, in.audit.patient)
			}
		}
	}
}

// The table of the operation's definition, and translations that join groups
// whatever the order.
func TestGroups(t *testing.T) {
	coded := func(codes ...string) *fhirjson.Node {
		var list []*fhirjson.Node
		for _, c := range codes {
			list = append(list, fhirjson.Obj("system", "urn:c", "code", c))
		}
		return fhirjson.Obj("coding", list, "text", "ignored")
	}
	text := func(s string) *fhirjson.Node { return fhirjson.Obj("text", s) }
	for name, c := range map[string]struct {
		codes []*fhirjson.Node
		want  int
	}{
		"all differ":     {[]*fhirjson.Node{coded("a"), coded("b"), coded("c")}, 3},
		"a translation":  {[]*fhirjson.Node{coded("a"), coded("b"), coded("a", "c")}, 2},
		"joins both":     {[]*fhirjson.Node{coded("a"), coded("b"), coded("a", "b")}, 1},
		"joins later":    {[]*fhirjson.Node{coded("a", "b"), coded("c", "d"), coded("e"), coded("d", "a")}, 2},
		"text exactly":   {[]*fhirjson.Node{text("textM"), text("Text"), text("t e x t"), text("Text")}, 3},
		"text or code":   {[]*fhirjson.Node{text("a"), coded("a")}, 2},
		"another system": {[]*fhirjson.Node{coded("a"), fhirjson.Obj("coding", fhirjson.Arr(fhirjson.Obj("system", "urn:other", "code", "a")))}, 2},
		"no system":      {[]*fhirjson.Node{coded("a"), fhirjson.Obj("coding", fhirjson.Arr(fhirjson.Obj("code", "a")))}, 2},
		"nothing said":   {[]*fhirjson.Node{nil, fhirjson.Obj()}, 1},
	} {
		var g groups
		var keys []string
		for _, cc := range c.codes {
			keys = append(keys, g.join(codeKeys(cc)))
		}
		roots := map[string]bool{}
		for _, k := range keys {
			roots[g.find(k)] = true
		}
		if len(roots) != c.want {
			t.Errorf("%s: %d groups, want %d", name, len(roots), c.want)
		}
	}
}

// Cutting in between, as every page does, changes nothing, though groups join
// later; and the result is what the definition says, worked out plainly.
func TestNewest(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		type obs struct {
			codes []string
			at    int
		}
		gen := rapid.Custom(func(t *rapid.T) obs {
			return obs{rapid.SliceOfN(rapid.SampledFrom(strings.Split("abcdefgh", "")), 1, 2).Draw(t, "codes"), rapid.IntRange(0, 6).Draw(t, "at")}
		})
		list := rapid.SliceOfN(gen, 0, 30).Draw(rt, "observations")
		limit := rapid.IntRange(1, 4).Draw(rt, "max")
		every := rapid.IntRange(1, 8).Draw(rt, "page")

		var g groups
		var kept []candidate
		for i, o := range list {
			kept = append(kept, candidate{store.Version{Seq: int64(i)}, g.join(o.codes), testNow.Add(time.Duration(o.at) * time.Hour)})
			if i%every == 0 {
				kept = g.newest(kept, limit)
			}
		}
		kept = g.newest(kept, limit)
		var got []int64
		for i, c := range kept {
			got = append(got, c.version.Seq)
			if i > 0 && c.at.After(kept[i-1].at) {
				rt.Fatal("not newest first")
			}
		}

		// Plainly: the group of an observation is what can be reached over
		// shared codes; it stays when fewer than limit of them are newer.
		var want []int64
		for i := range list {
			group := map[int]bool{i: true}
			for grown := true; grown; {
				grown = false
				for j, o := range list {
					for k := range group {
						if !group[j] && slices.ContainsFunc(o.codes, func(c string) bool { return slices.Contains(list[k].codes, c) }) {
							group[j], grown = true, true
						}
					}
				}
			}
			newer := 0
			for j := range group {
				if list[j].at > list[i].at {
					newer++
				}
			}
			if newer < limit {
				want = append(want, int64(i))
			}
		}
		slices.Sort(got)
		if d := cmp.Diff(want, got); d != "" {
			rt.Fatal(d)
		}
	})
}

func TestTaken(t *testing.T) {
	for text, want := range map[string]string{
		`{"effectiveDateTime":"2026-03-01T08:00:00+01:00"}`:                           "2026-03-01T07:00:00Z",
		`{"effectiveDateTime":"2026-03-01"}`:                                          "2026-03-01T00:00:00Z",
		`{"effectiveInstant":"2026-03-01T08:00:00.5Z"}`:                               "2026-03-01T08:00:00.5Z",
		`{"effectivePeriod":{"start":"2026-03-01","end":"2026-03-02T06:00:00Z"}}`:     "2026-03-02T06:00:00Z",
		`{"effectivePeriod":{"start":"2026-03-01"}}`:                                  "2026-03-01T00:00:00Z",
		`{"effectiveTiming":{"event":["2026-03-03T01:00:00Z","2026-03-02","wrong"]}}`: "2026-03-03T01:00:00Z",
		`{"effectiveDateTime":"soon"}`:                                                "0001-01-01T00:00:00Z",
		`{}`:                                                                          "0001-01-01T00:00:00Z",
	} {
		if got := taken(parsed(t, text), time.UTC).UTC().Format(time.RFC3339Nano); got != want {
			t.Errorf("%s: %s, want %s", text, got, want)
		}
	}
}

// Whatever is sent, reading it neither panics nor gives a limit below one.
func FuzzObservationParams(f *testing.F) {
	f.Add("patient=p&code=a&max=3", `{"resourceType":"Parameters","parameter":[{"name":"max","valuePositiveInt":2}]}`)
	f.Add("max=&max=1", `{"resourceType":"Parameters","parameter":[{"name":"code","valueCoding":{"code":"a"}},{"name":"x","valueReference":null}]}`)
	f.Fuzz(func(t *testing.T, query, body string) {
		pairs, err := search.ParsePairs(query)
		if err != nil {
			return
		}
		n, err := fhirjson.Parse([]byte(body))
		if err != nil {
			return
		}
		p, err := (&Interaction{Query: pairs, Body: n}).params()
		if err != nil {
			return
		}
		if pairs, _, limit, err := lastNParams(p, false); err == nil {
			if limit < 1 {
				t.Fatalf("max %d", limit)
			}
			if q, _, err := search.ParseQuery("Observation", pairs, search.ParseOptions{}); err == nil {
				_ = lastNNeeds(q.Where)
			}
		}
		if r, err := readStats(p, testBase, testNow, time.UTC); err == nil {
			if len(r.codes) == 0 || len(r.statistics) == 0 || r.subject == "" || r.limit < 1 || !r.from.Before(r.to) || bytes.Contains(r.period.Bytes(), []byte("null")) {
				t.Fatalf("%+v", r)
			}
		}
	})
}
