package mongotest

import (
	"bytes"
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"go.mongodb.org/mongo-driver/v2/bson"
	"go.mongodb.org/mongo-driver/v2/event"
	driver "go.mongodb.org/mongo-driver/v2/mongo"
	client "go.mongodb.org/mongo-driver/v2/mongo/options"

	"tidemark/internal/drain"
	"tidemark/internal/search"
	"tidemark/internal/store"
	"tidemark/internal/store/mongo"
	"tidemark/internal/store/storetest"
)

// examiner says how many documents a real server would read for the queries of
// a store. The server here walks no index; so that is worked out from the
// index that a query names, by the rules of MongoDB: a document is read when
// its entry in the index satisfies every condition on the index's fields, until
// the limit is reached. It says nothing of the entries of the index that are
// passed, and takes of several conditions on an array only one to bound it, as
// the server does, and no sort but that of the index: the test of shapes
// forbids others.
type examiner struct {
	mu      sync.Mutex
	queries []bson.Raw
}

func (x *examiner) monitor() *event.CommandMonitor {
	return &event.CommandMonitor{Started: func(_ context.Context, e *event.CommandStartedEvent) {
		if e.CommandName == "find" || e.CommandName == "aggregate" {
			x.mu.Lock()
			defer x.mu.Unlock()
			x.queries = append(x.queries, slices.Clone(e.Command))
		}
	}}
}

// take gives the queries since the last time.
func (x *examiner) take() []bson.Raw {
	x.mu.Lock()
	defer x.mu.Unlock()
	out := x.queries
	x.queries = nil
	return out
}

// examined is how many documents of a collection a query reads.
func examined(tb testing.TB, query bson.Raw, docs []bson.M, keys []string) int {
	tb.Helper()
	var q struct {
		Filter   bson.D
		Sort     bson.D
		Limit    int
		Pipeline []bson.M
	}
	if err := bson.Unmarshal(query, &q); err != nil {
		tb.Fatal(err)
	}
	if len(q.Pipeline) > 0 {
		b, err := bson.Marshal(q.Pipeline[0]["$match"])
		if err == nil {
			err = bson.Unmarshal(b, &q.Filter)
		}
		if err != nil {
			tb.Fatal(err)
		}
	}
	docs = slices.Clone(docs)
	slices.SortStableFunc(docs, func(a, b bson.M) int {
		for _, e := range q.Sort {
			if n := compare(at(a, e.Key), at(b, e.Key)); n != 0 {
				if fmt.Sprint(e.Value) == "-1" {
					n = -n
				}
				return n
			}
		}
		return 0
	})
	read, found := 0, 0
	for _, d := range docs {
		if !matches(tb, q.Filter, d, keys, map[string]bool{}) {
			continue
		}
		read++
		if matches(tb, q.Filter, d, nil, nil) {
			if found++; found == q.Limit {
				break
			}
		}
	}
	return read
}

// matches evaluates a filter, by the fields of an index alone when keys are given.
func matches(tb testing.TB, filter bson.D, doc bson.M, keys []string, bound map[string]bool) bool {
	tb.Helper()
	for _, e := range filter {
		ok := true
		switch e.Key {
		case "$and", "$or":
			ok = e.Key == "$and"
			for _, part := range e.Value.(bson.A) {
				one := matches(tb, part.(bson.D), doc, keys, bound)
				if e.Key == "$and" {
					ok = ok && one
				} else {
					ok = ok || one
				}
			}
		default:
			if keys != nil && !slices.Contains(keys, e.Key) {
				continue
			}
			v := at(doc, e.Key)
			list, array := v.(bson.A)
			if keys != nil && array {
				if bound[e.Key] {
					continue
				}
				bound[e.Key] = true
			}
			if !array {
				list = bson.A{v}
			}
			ok = slices.ContainsFunc(list, func(v any) bool { return holds(tb, v, e.Value) })
		}
		if !ok {
			return false
		}
	}
	return true
}

func holds(tb testing.TB, v, condition any) bool {
	tb.Helper()
	ops, ok := condition.(bson.D)
	if !ok {
		return (v == nil) == (condition == nil) && (v == nil || compare(v, condition) == 0)
	}
	for _, op := range ops {
		var ok bool
		switch n := compare(v, op.Value); op.Key {
		case "$gt":
			ok = n > 0
		case "$gte":
			ok = n >= 0
		case "$lt":
			ok = n < 0
		case "$lte":
			ok = n <= 0
		case "$ne":
			ok = n != 0
		case "$in":
			ok = slices.ContainsFunc(op.Value.(bson.A), func(x any) bool { return compare(v, x) == 0 })
		case "$elemMatch":
			ok = holds(tb, v, op.Value)
		default:
			tb.Fatalf("the operator %s is not known here", op.Key)
		}
		if v == nil || !ok {
			return false
		}
	}
	return true
}

func at(doc bson.M, field string) any {
	name, rest, more := strings.Cut(field, ".")
	v := doc[name]
	if !more {
		return v
	}
	switch d := v.(type) {
	case bson.D:
		b, _ := bson.Marshal(d) // it was read from one
		var m bson.M
		_ = bson.Unmarshal(b, &m)
		return at(m, rest)
	case bson.M:
		return at(d, rest)
	}
	return nil
}

func compare(a, b any) int {
	number := func(v any) (int64, bool) {
		switch n := v.(type) {
		case int32:
			return int64(n), true
		case int64:
			return n, true
		}
		return 0, false
	}
	x, ok := number(a)
	if y, both := number(b); ok && both {
		return cmp.Compare(x, y)
	}
	if x, ok := a.(bool); ok {
		if y, ok := b.(bool); ok {
			return cmp.Compare(fmt.Sprint(x), fmt.Sprint(y))
		}
	}
	if x, ok := a.(bson.Binary); ok {
		if y, ok := b.(bson.Binary); ok {
			return bytes.Compare(x.Data, y.Data)
		}
	}
	return cmp.Compare(fmt.Sprintf("%T %v", a, a), fmt.Sprintf("%T %v", b, b))
}

// TestReadsAreFlat: what is asked of current resources reads as many documents
// after a hundred versions of each as after the first.
func TestReadsAreFlat(t *testing.T) {
	versions := 100
	if testing.Short() { // the server reads all of them for every query
		versions = 10
	}
	few, many := examinedByKind(t, 1), examinedByKind(t, versions)
	// A page of one reads one more, to know whether there is a next; the
	// current version; and each of the page by its id and then whole.
	const history = "history of an instance"
	if many[history] > 5 {
		t.Errorf("%s: %d documents for a page of one", history, many[history])
	}
	delete(few, history)
	for kind, n := range few {
		if many[kind] != n || n == 0 {
			t.Errorf("%s: %d documents with one version, %d with %d", kind, n, many[kind], versions)
		}
	}
	t.Logf("documents read by kind of request: %v", few)
}

func examinedByKind(t *testing.T, versions int) map[string]int {
	t.Helper()
	ctx := context.Background()
	srv := Start(t)
	srv.PretendTransactions()
	x := &examiner{}
	o := options(srv.URL("tidemark"))
	o.Monitor = x.monitor()
	s := open(t, o)
	noon := time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)
	with := func(typ, id, more string, f store.Facts) []store.Write {
		w := storetest.Put(t, fmt.Sprintf(`{"resourceType":%q,"id":%q,"meta":{}%s}`, typ, id, more))
		w.Facts = f
		return slices.Repeat([]store.Write{w}, versions)
	}
	ml, _ := drain.ParseML("20")
	for _, ws := range [][]store.Write{
		with("Patient", "p", `,"name":[{"family":"n"}]`, store.Facts{}),
		with("Device", "d", "", store.Facts{Drain: &drain.Drain{ID: "d", Patient: "p", Ward: "w", Active: true}}),
		with("DeviceUseStatement", "u", "", store.Facts{Placement: &drain.Placement{ID: "u", Drain: "d", Patient: "p", Start: noon}}),
		with("Observation", "o", `,"status":"final","subject":{"reference":"Patient/p"}`, store.Facts{Entry: &drain.Entry{ID: "o", Drain: "d", Patient: "p", At: noon, Measured: drain.Measure{Known: true, Volume: ml}}}),
		with("Encounter", "e", "", store.Facts{Stay: &drain.Stay{ID: "e", Patient: "p", Open: true, Places: []string{"w"}, Start: noon}}),
		with("Location", "b", "", store.Facts{Place: &drain.Place{ID: "b", PartOf: "w"}}),
		with("DetectedIssue", "f", "", store.Facts{Concern: &drain.Concern{ID: "f", Drain: "d", Patient: "p", Since: noon}}),
	} {
		if _, err := s.Commit(ctx, ws, nil); err != nil {
			t.Fatal(err)
		}
	}
	// A search looks at what was written since the last one: that is not the question.
	if _, err := s.LastSeq(ctx); err != nil {
		t.Fatal(err)
	}
	shapes := newShapes()
	shapes.declared(t, o.URL)
	docs := all(t, o)
	if want := 7 * versions; len(docs) != want {
		t.Fatalf("%d documents, want %d", len(docs), want)
	}
	patient := []search.Clause{{Param: "patient", Kind: search.Reference, Values: []search.Value{{Ref: "Patient/p"}}}}
	since := []search.Clause{{Param: "_lastUpdated", Kind: search.Date, Values: []search.Value{{Prefix: "ge", Lo: noon.AddDate(-1, 0, 0), Hi: noon.AddDate(-1, 0, 0)}}}}
	out := map[string]int{}
	for kind, ask := range map[string]func() error{
		"read":              func() error { _, err := s.Read(ctx, store.Key{Type: "Observation", ID: "o"}); return err },
		"read of a version": func() error { _, err := s.ReadVersion(ctx, store.Key{Type: "Observation", ID: "o"}, 1); return err },
		"search by key": func() error {
			_, err := s.Search(ctx, search.Query{Type: "Observation", Where: patient, Count: 10})
			return err
		},
		"search by id": func() error {
			_, err := s.Search(ctx, search.Query{Type: "Observation", Sort: []search.SortKey{{Param: "_id"}}, Count: 10})
			return err
		},
		"search by update": func() error {
			_, err := s.Search(ctx, search.Query{Type: "Observation", Where: since, Sort: []search.SortKey{{Param: "_lastUpdated"}}, Count: 10})
			return err
		},
		"count by key": func() error { _, err := s.Count(ctx, search.Query{Type: "Observation", Where: patient}, 0); return err },
		"history of an instance": func() error {
			_, err := s.History(ctx, store.HistoryQuery{Type: "Observation", ID: "o", Within: [][]search.Clause{patient}, Count: 1})
			return err
		},
		"entries of a drain":   func() error { _, err := s.Entries(ctx, store.EntryQuery{Drain: "d"}); return err },
		"last entries":         func() error { _, err := s.Entries(ctx, store.EntryQuery{Drain: "d", Last: 5}); return err },
		"entries of a patient": func() error { _, err := s.Entries(ctx, store.EntryQuery{Patient: "p"}); return err },
		"latest":               func() error { _, err := s.Latest(ctx, []string{"d"}, noon.Add(time.Hour), 5); return err },
		"drain":                func() error { _, _, err := s.Drain(ctx, "d"); return err },
		"drains of a patient":  func() error { _, err := s.Drains(ctx, store.DrainQuery{Patient: "p"}); return err },
		"drains at a place":    func() error { _, err := s.Drains(ctx, store.DrainQuery{Places: []string{"w"}}); return err },
		"active drains":        func() error { _, err := s.Drains(ctx, store.DrainQuery{Limit: 10}); return err },
		"open placements":      func() error { _, err := s.OpenPlacements(ctx, "", 10); return err },
		"placements":           func() error { _, err := s.Placements(ctx, "d"); return err },
		"stays":                func() error { _, err := s.Stays(ctx, "p"); return err },
		"places":               func() error { _, err := s.PlacesWithin(ctx, "w"); return err },
		"open concerns":        func() error { _, err := s.OpenConcerns(ctx, "", 10); return err },
		"concerns of a drain":  func() error { _, err := s.Concerns(ctx, "d", noon); return err },
	} {
		x.take()
		if err := ask(); err != nil {
			t.Fatal(kind, err)
		}
		for _, q := range x.take() {
			e, err := q.IndexErr(0)
			if err != nil {
				t.Fatal(err)
			}
			if e.Value().StringValue() != "version" {
				continue // the ledger and its like, which grow with the writes of the last seconds
			}
			index := q.Lookup("hint").StringValue()
			keys := shapes.keys["version "+index]
			if index == "_id_" {
				keys = []string{"_id"}
			}
			out[kind] += examined(t, q, docs, keys)
		}
	}
	return out
}

// all reads every version.
func all(t *testing.T, o mongo.Options) []bson.M {
	t.Helper()
	ctx := context.Background()
	c, err := driver.Connect(client.Client().ApplyURI(o.URL))
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := c.Disconnect(ctx); err != nil {
			t.Error(err)
		}
	}()
	cur, err := c.Database("tidemark").Collection("version").Find(ctx, bson.D{})
	if err != nil {
		t.Fatal(err)
	}
	var out []bson.M
	if err := cur.All(ctx, &out); err != nil {
		t.Fatal(err)
	}
	return out
}
