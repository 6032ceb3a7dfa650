package storetest

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"tidemark/internal/budget"
	"tidemark/internal/drain"
	"tidemark/internal/fault"
	"tidemark/internal/fhirjson"
	"tidemark/internal/search"
	"tidemark/internal/store"
)

// Extract is what searches find in a stored resource: what every store under
// test is opened with.
func Extract(ctx context.Context, raw []byte) (search.Doc, error) {
	n, err := budget.Parse(ctx, raw)
	if err != nil {
		return search.Doc{}, err
	}
	return search.Extract(n, search.ExtractOptions{}), nil
}

// Put makes a write out of a resource's JSON, which holds `"meta":{`.
func Put(tb testing.TB, json string) store.Write {
	tb.Helper()
	doc, err := Extract(context.Background(), []byte(json))
	if err != nil {
		tb.Fatalf("%v in %s", err, json)
	}
	const meta = `"meta":{`
	at := strings.Index(json, meta)
	if at < 0 {
		tb.Fatalf("no meta in %s", json)
	}
	return store.Write{
		Key: store.Key{Type: doc.Type, ID: doc.ID}, Method: store.Put,
		Body: store.Body{JSON: []byte(json), Meta: at + len(meta)}, Doc: doc,
	}
}

// remove makes a write that deletes.
func remove(typ, id string) store.Write {
	return store.Write{Key: store.Key{Type: typ, ID: id}, Method: store.Delete}
}

// patient is a small resource: its text tells its versions apart.
func patient(tb testing.TB, id, text string) store.Write {
	tb.Helper()
	return Put(tb, fmt.Sprintf(`{"resourceType":"Patient","id":%q,"meta":{},"name":[{"family":%s}]}`, id, fhirjson.Str(text).Bytes()))
}

// reading is an Observation of a patient at a time, with a value in mL.
type reading struct {
	id, patient, device, code, status, at, value, more string
}

func (r reading) write(tb testing.TB) store.Write {
	tb.Helper()
	var b strings.Builder
	fmt.Fprintf(&b, `{"resourceType":"Observation","id":%q,"meta":{}`, r.id)
	fmt.Fprintf(&b, `,"status":%q,"code":{"coding":[{"system":"http://loinc.org","code":%q}]}`, or(r.status, "final"), or(r.code, "9203-1"))
	if r.patient != "" {
		fmt.Fprintf(&b, `,"subject":{"reference":"Patient/%s"}`, r.patient)
	}
	if r.device != "" {
		fmt.Fprintf(&b, `,"device":{"reference":"Device/%s"}`, r.device)
	}
	if r.at != "" {
		fmt.Fprintf(&b, `,"effectiveDateTime":%q`, r.at)
	}
	if r.value != "" {
		fmt.Fprintf(&b, `,"valueQuantity":{"value":%s,"unit":"mL","system":"http://unitsofmeasure.org","code":"mL"}`, r.value)
	}
	b.WriteString(r.more + "}")
	return Put(tb, b.String())
}

func or(s, otherwise string) string {
	if s == "" {
		return otherwise
	}
	return s
}

// noon is a time that the tests count from.
var noon = time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)

// stamp is noon and so many minutes as FHIR text.
func stamp(minutes int) string {
	return noon.Add(time.Duration(minutes) * time.Minute).Format(time.RFC3339)
}

// query parses the parameters of a search, "name=value" each.
func query(tb testing.TB, typ string, params ...string) search.Query {
	tb.Helper()
	var pairs []search.Pair
	for _, p := range params {
		name, value, _ := strings.Cut(p, "=")
		pairs = append(pairs, search.Pair{Name: name, Value: value})
	}
	q, _, err := search.ParseQuery(typ, pairs, search.ParseOptions{Now: noon, Strict: true})
	if err != nil {
		tb.Fatalf("%s?%v: %v", typ, params, err)
	}
	return q
}

// commit writes and fails the test when it cannot.
func commit(tb testing.TB, s store.Store, writes ...store.Write) []store.Result {
	tb.Helper()
	r, err := s.Commit(context.Background(), writes, nil)
	if err != nil {
		tb.Fatalf("commit: %v (%v)", err, errors.Unwrap(err))
	}
	if len(r) != len(writes) {
		tb.Fatalf("%d results of %d writes", len(r), len(writes))
	}
	return r
}

// commitEach writes resources in order, one Commit each.
func commitEach(tb testing.TB, s store.Store, writes ...store.Write) {
	tb.Helper()
	for _, w := range writes {
		commit(tb, s, w)
	}
}

// refused checks that a write is refused with the kind.
func refused(tb testing.TB, s store.Store, kind fault.Kind, writes ...store.Write) *fault.Error {
	tb.Helper()
	_, err := s.Commit(context.Background(), writes, nil)
	return isFault(tb, err, kind)
}

func isFault(tb testing.TB, err error, kind fault.Kind) *fault.Error {
	tb.Helper()
	var f *fault.Error
	if !errors.As(err, &f) {
		tb.Fatalf("got %v, want a fault of kind %d", err, kind)
	}
	if f.Kind != kind {
		tb.Fatalf("got kind %d (%v), want %d", f.Kind, f, kind)
	}
	if len(f.Issues) == 0 || f.Issues[0].Code == "" || f.Issues[0].Diagnostics == "" {
		tb.Fatalf("fault without a text for the client: %#v", f)
	}
	return f
}

// pages walks all pages of a search and returns the ids in order.
func pages(tb testing.TB, s store.Store, q search.Query) []string {
	tb.Helper()
	var out []string
	for n := 0; ; n++ {
		p, err := s.Search(context.Background(), q)
		if err != nil {
			tb.Fatalf("search: %v (%v)", err, errors.Unwrap(err))
		}
		if len(p.Matches) > q.Count {
			tb.Fatalf("a page of %d with count %d", len(p.Matches), q.Count)
		}
		if p.Prev != (n > 0) {
			tb.Fatalf("page %d: Prev is %v", n, p.Prev)
		}
		if p.Next != "" && len(p.Matches) < q.Count {
			tb.Fatalf("page %d has %d of %d resources and a next page", n, len(p.Matches), q.Count)
		}
		for _, v := range p.Matches {
			if v.Type != q.Type || v.Deleted() || len(v.Body.JSON) == 0 {
				tb.Fatalf("match %+v of a search for %s", v.Key, q.Type)
			}
			out = append(out, v.ID)
		}
		if p.Next == "" {
			return out
		}
		q.Cursor = p.Next
	}
}

// found checks the result of a search, over pages of several sizes.
func found(tb testing.TB, s store.Store, q search.Query, want ...string) {
	tb.Helper()
	for _, size := range []int{1, 2, 3, 50} {
		q.Count = size
		if got := pages(tb, s, q); !slices.Equal(got, want) {
			tb.Errorf("count %d: got %v, want %v", size, got, want)
		}
	}
	if n, err := s.Count(context.Background(), q, 0); err != nil || n != len(want) {
		tb.Errorf("Count is %d, %v; want %d", n, err, len(want))
	}
}

// sameVersion checks what was read against what was written.
func sameVersion(tb testing.TB, got, want store.Version) {
	tb.Helper()
	if got.Key != want.Key || got.Number != want.Number || got.Seq != want.Seq || !got.At.Equal(want.At) || got.Method != want.Method ||
		got.Body.Meta != want.Body.Meta || !bytes.Equal(got.Body.JSON, want.Body.JSON) {
		tb.Errorf("got  %+v\nwant %+v", got, want)
	}
}

func entry(id, drainID, patientID string, at time.Time, ml string) *drain.Entry {
	v, _ := drain.ParseML(ml)
	return &drain.Entry{ID: id, Kind: drain.Emptying, Drain: drainID, Patient: patientID, At: at, Status: "final", Measured: drain.Measure{Known: true, Volume: v}}
}

// with adds a projection to a write.
func with(w store.Write, f store.Facts) store.Write {
	w.Facts = f
	return w
}
