package mongotest

import (
	"context"
	"slices"
	"strings"
	"sync"
	"testing"

	"go.mongodb.org/mongo-driver/v2/bson"
	"go.mongodb.org/mongo-driver/v2/event"
	driver "go.mongodb.org/mongo-driver/v2/mongo"
	client "go.mongodb.org/mongo-driver/v2/mongo/options"
)

// shapes watches what a store asks, and says which queries no index serves.
// The server ignores hints, so that what they would do is evaluated by the
// indexes that the store declared.
type shapes struct {
	mu      sync.Mutex
	keys    map[string][]string // "collection index" → its fields
	asked   map[string]bool     // "collection index" of every query
	wrong   map[string]bool
	queries int
}

func newShapes() *shapes {
	return &shapes{keys: map[string][]string{}, asked: map[string]bool{}, wrong: map[string]bool{}}
}

func (s *shapes) monitor() *event.CommandMonitor {
	return &event.CommandMonitor{Started: func(_ context.Context, e *event.CommandStartedEvent) { s.see(e.CommandName, e.Command) }}
}

func (s *shapes) see(name string, command bson.Raw) {
	s.mu.Lock()
	defer s.mu.Unlock()
	collection, _ := command.Lookup(name).StringValueOK()
	check := func(d bson.Raw, filter string) {
		f, _ := d.Lookup(filter).DocumentOK()
		sort, _ := d.Lookup("sort").DocumentOK()
		s.bounded(name, collection, d.Lookup("hint"), f, sort)
	}
	each := func(list string) {
		ds, _ := command.Lookup(list).ArrayOK()
		values, _ := ds.Values()
		for _, v := range values {
			check(v.Document(), "q")
		}
	}
	switch name {
	case "find":
		check(command, "filter")
	case "update":
		each("updates")
	case "delete":
		each("deletes")
	case "aggregate":
		stages, _ := command.Lookup("pipeline").ArrayOK()
		first, err := stages.IndexErr(0)
		if err != nil {
			s.wrong["aggregate without a stage"] = true
			return
		}
		match, _ := first.Document().Lookup("$match").DocumentOK()
		s.bounded(name, collection, command.Lookup("hint"), match, nil)
	case "insert", "create", "createIndexes", "dropIndexes", "listIndexes", "hello", "ping", "getMore", "killCursors", "endSessions":
	default:
		s.wrong["the command "+name] = true
	}
}

// bounded wants a declared index by name, whose first field the query bounds. An
// index that is walked in its order, for a sort, needs no bound.
func (s *shapes) bounded(name, collection string, hint bson.RawValue, filter, sort bson.Raw) {
	s.queries++
	index, ok := hint.StringValueOK()
	if !ok {
		s.wrong[name+" on "+collection+" without an index: "+fields(filter)] = true
		return
	}
	s.asked[collection+" "+index] = true
	keys := []string{"_id"}
	if index != "_id_" {
		keys = s.keys[collection+" "+index]
	}
	if len(keys) == 0 {
		s.wrong[name+" on "+collection+" by the index "+index+", which is not there"] = true
		return
	}
	// By id it is one record. By entity it is those of one resource and of its
	// versions, a range; the server keeps a page of them while it sorts, for the
	// query has a limit.
	few := collection == "audit" && (index == "id" || index == "entity")
	if es, _ := sort.Elements(); !inOrder(filter, keys, es) && !few {
		s.wrong[name+" on "+collection+" by "+index+" sorts in another order: "+fields(filter)+" by "+fields(sort)] = true
		return
	}
	first, _ := sort.IndexErr(0)
	if bounds(filter, keys[0]) || len(sort) > 0 && first.Key() == keys[0] {
		return
	}
	s.wrong[name+" on "+collection+" by "+index+" does not bound "+keys[0]+": "+fields(filter)] = true
}

// inOrder reports whether an index gives the order of a sort, so that the
// server sorts nothing: its fields follow each other in the index, behind others
// that the filter fixes.
func inOrder(filter bson.Raw, keys []string, sort []bson.RawElement) bool {
	for _, k := range keys {
		switch {
		case len(sort) == 0:
			return true
		case sort[0].Key() == k:
			sort = sort[1:]
		case !fixes(filter, k):
			return false
		}
	}
	return len(sort) == 0
}

// fixes reports whether a filter gives a field a value, or a few, whose walks
// the server merges.
func fixes(filter bson.Raw, field string) bool {
	es, _ := filter.Elements()
	for _, e := range es {
		switch e.Key() {
		case field:
			d, isDocument := e.Value().DocumentOK()
			if !isDocument {
				return true
			}
			op, _ := d.IndexErr(0)
			if op.Key() == "$in" {
				return true
			}
		case "$and":
			list, _ := e.Value().ArrayOK()
			values, _ := list.Values()
			if slices.ContainsFunc(values, func(v bson.RawValue) bool { return fixes(v.Document(), field) }) {
				return true
			}
		}
	}
	return false
}

// bounds reports whether a filter has a condition on the field that an index
// can use: at the top, in $and, or in every alternative of $or.
func bounds(filter bson.Raw, field string) bool {
	es, _ := filter.Elements()
	for _, e := range es {
		switch e.Key() {
		case field:
			return true
		case "$and", "$or":
			list, _ := e.Value().ArrayOK()
			values, _ := list.Values()
			has := func(v bson.RawValue) bool { return bounds(v.Document(), field) }
			every := len(values) > 0 && !slices.ContainsFunc(values, func(v bson.RawValue) bool { return !has(v) })
			if every || e.Key() == "$and" && slices.ContainsFunc(values, has) {
				return true
			}
		}
	}
	return false
}

func fields(filter bson.Raw) string {
	var out []string
	es, _ := filter.Elements()
	for _, e := range es {
		out = append(out, e.Key())
	}
	return strings.Join(out, ", ")
}

// declared reads the indexes of a database.
func (s *shapes) declared(tb testing.TB, url string) {
	tb.Helper()
	ctx := context.Background()
	c, err := driver.Connect(client.Client().ApplyURI(url))
	if err != nil {
		tb.Fatal(err)
	}
	defer func() {
		if err := c.Disconnect(ctx); err != nil {
			tb.Error(err)
		}
	}()
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, name := range []string{"version", "audit"} {
		specs, err := c.Database("tidemark").Collection(name).Indexes().ListSpecifications(ctx)
		if err != nil {
			tb.Fatal(err)
		}
		for _, x := range specs {
			es, _ := x.KeysDocument.Elements()
			var keys []string
			for _, e := range es {
				keys = append(keys, e.Key())
			}
			s.keys[name+" "+x.Name] = keys
		}
	}
}

// check fails the test with what was wrong. Every index must be of use.
func (s *shapes) check(tb testing.TB) {
	tb.Helper()
	s.mu.Lock()
	defer s.mu.Unlock()
	for text := range s.wrong {
		tb.Error(text)
	}
	for name := range s.keys {
		if !s.asked[name] {
			tb.Errorf("no query of the suite walks the index %s", name)
		}
	}
	tb.Logf("%d queries by %d indexes", s.queries, len(s.asked))
}

func TestShapes(t *testing.T) {
	s := newShapes()
	s.keys["version keys"] = []string{"keys", "span"}
	doc := func(d bson.D) bson.Raw {
		b, err := bson.Marshal(d)
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	type d = bson.D
	s.see("find", doc(d{{Key: "find", Value: "version"}, {Key: "filter", Value: d{{Key: "$and", Value: bson.A{d{{Key: "keys", Value: 1}}}}}}, {Key: "hint", Value: "keys"}}))
	s.see("delete", doc(d{{Key: "delete", Value: "claim"}, {Key: "deletes", Value: bson.A{d{{Key: "q", Value: d{{Key: "_id", Value: "x"}}}, {Key: "hint", Value: "_id_"}}}}}))
	if len(s.wrong) > 0 || s.queries != 2 {
		t.Errorf("%d queries, wrong: %v", s.queries, s.wrong)
	}
	for _, c := range []bson.Raw{
		doc(d{{Key: "find", Value: "version"}, {Key: "filter", Value: d{{Key: "keys", Value: 1}}}}),
		doc(d{{Key: "find", Value: "version"}, {Key: "filter", Value: d{{Key: "keys", Value: 1}}}, {Key: "hint", Value: "nope"}}),
		doc(d{{Key: "find", Value: "version"}, {Key: "filter", Value: d{{Key: "span", Value: 1}}}, {Key: "hint", Value: "keys"}}),
		doc(d{{Key: "find", Value: "version"}, {Key: "filter", Value: d{{Key: "keys", Value: 1}}}, {Key: "sort", Value: d{{Key: "seq", Value: 1}}}, {Key: "hint", Value: "keys"}}),
		doc(d{{Key: "find", Value: "version"}, {Key: "filter", Value: d{{Key: "$or", Value: bson.A{d{{Key: "keys", Value: 1}}, d{{Key: "n", Value: 1}}}}}}, {Key: "hint", Value: "keys"}}),
	} {
		clear(s.wrong)
		s.see("find", c)
		if len(s.wrong) != 1 {
			t.Errorf("%s passed", c)
		}
	}
}
