package engine

import (
	"cmp"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"tidemark/internal/fault"
	"tidemark/internal/store"
)

type list struct {
	items []int
	last  bool // all of it comes after a hundred
}

func (l *list) Peek() (int, bool, error) {
	if len(l.items) == 0 {
		return 0, false, nil
	}
	return l.items[0], true, nil
}
func (l *list) Drop()           { l.items = l.items[1:] }
func (l *list) Last(c int) bool { return l.last && c <= 100 }

// TestMerge: the merge of sorted lists is their sorted union.
func TestMerge(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := Merge[int, *list]{Compare: cmp.Compare[int]}
		var want []int
		draw := func(lo, hi int) []int {
			out := slices.Compact(slices.Sorted(slices.Values(rapid.SliceOfN(rapid.IntRange(lo, hi), 0, 8).Draw(t, "list"))))
			want = append(want, out...)
			return out
		}
		m.Held = draw(0, 120)
		for range rapid.IntRange(0, 4).Draw(t, "sources") {
			m.Sources = append(m.Sources, &list{items: draw(0, 30)})
		}
		m.Sources = append(m.Sources, &list{items: draw(101, 110), last: true})
		want = slices.Compact(slices.Sorted(slices.Values(want)))
		var got []int
		for {
			c, ok, err := m.Next()
			if err != nil {
				t.Fatal(err)
			}
			if !ok {
				break
			}
			got = append(got, c)
		}
		if !slices.Equal(got, want) {
			t.Fatalf("got %v, want %v", got, want)
		}
	})
}

func TestExpect(t *testing.T) {
	at := func(n int64) *Current { return &Current{Number: n} }
	gone := &Current{Number: 2, Deleted: true}
	for name, c := range map[string]struct {
		method store.Method
		expect store.Expect
		cur    *Current
		kind   fault.Kind
		ok     bool
	}{
		"create":                   {store.Put, store.Any, nil, 0, true},
		"bring back":               {store.Put, store.Any, gone, 0, true},
		"post over":                {store.Post, store.Absent, at(1), fault.Conflict, false},
		"post over a deletion":     {store.Post, store.Absent, gone, fault.Conflict, false},
		"update what is not there": {store.Put, store.Exists, nil, fault.NotFound, false},
		"update what is deleted":   {store.Put, store.Exists, gone, fault.Gone, false},
		"delete what is not there": {store.Delete, store.Any, nil, fault.NotFound, false},
		"delete twice":             {store.Delete, store.Any, gone, 0, true},
		"If-Match":                 {store.Put, 2, at(2), 0, true},
		"If-Match of another":      {store.Put, 2, at(3), fault.Precondition, false},
		"If-Match of none":         {store.Put, 2, nil, fault.Precondition, false},
	} {
		err := Expect(&store.Write{Method: c.method, Expect: c.expect}, c.cur)
		if c.ok != (err == nil) || !c.ok && !fault.Is(err, c.kind) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func TestMillis(t *testing.T) {
	at := time.UnixMilli(5).UTC()
	if Millis(at) != 5 || Millis(at.Add(time.Nanosecond)) != 6 || Millis(at.Add(-time.Nanosecond)) != 5 {
		t.Error("a fraction counts as the next")
	}
}
