package sqlite

import (
	"context"
	"errors"
	"fmt"
	"sync/atomic"
	"testing"

	"tidemark/internal/search"
	"tidemark/internal/store"
	"tidemark/internal/store/storetest"
)

// The condition of a write that many rows may match is asked outside the one
// writer, which then reads only what was written since.
func TestConditionOutside(t *testing.T) {
	type outside struct{}
	var inside atomic.Int64 // resources read by the writer
	o := options(t)
	o.Extract = func(ctx context.Context, raw []byte) (search.Doc, error) {
		if ctx.Value(outside{}) == nil {
			inside.Add(1)
		}
		return storetest.Extract(ctx, raw)
	}
	s := openIn(t, o, nil)
	ctx := context.WithValue(context.Background(), outside{}, true)
	patient := func(id, name string) store.Write {
		w := storetest.Put(t, fmt.Sprintf(`{"resourceType":"Patient","id":%q,"meta":{},"name":[{"family":%q}]}`, id, name))
		w.Expect = store.Absent
		return w
	}
	for i := range 300 {
		if _, err := s.Commit(ctx, []store.Write{patient(fmt.Sprint("p", i), "Alder")}, nil); err != nil {
			t.Fatal(err)
		}
	}
	where := func(name, value string) *search.Query {
		q, _, err := search.ParseQuery("Patient", []search.Pair{{Name: name, Value: value}}, search.ParseOptions{})
		if err != nil {
			t.Fatal(err)
		}
		return &q
	}
	zed := where("family:contains", "zed")
	inside.Store(0)
	w := patient("z1", "Zed")
	w.Unless = zed
	if _, err := s.Commit(ctx, []store.Write{w}, nil); err != nil {
		t.Fatal(err)
	}
	if n := inside.Load(); n > 0 {
		t.Errorf("the writer has read %d resources for a condition that matches nothing", n)
	}
	w = patient("z2", "Zed")
	w.Unless = zed
	if _, err := s.Commit(ctx, []store.Write{w}, nil); !errors.Is(err, store.ErrMatched) {
		t.Errorf("what is there already: %v", err)
	}
	// Written by another between the asking and the writing.
	yew := where("family:contains", "yew")
	since, err := s.unless(ctx, *yew)
	if err != nil || since == few {
		t.Fatal(since, err)
	}
	if _, err := s.Commit(ctx, []store.Write{patient("o", "Oak"), patient("y", "Yew")}, nil); err != nil {
		t.Fatal(err)
	}
	inside.Store(0)
	err = s.write(ctx, true, func(w *writer) error {
		return w.unmatched(&change{Write: store.Write{Unless: yew}, since: since})
	})
	if !errors.Is(err, store.ErrMatched) {
		t.Errorf("what another wrote meanwhile: %v", err)
	}
	if n := inside.Load(); n < 1 || n > 2 {
		t.Errorf("the writer has read %d resources, of which two were new", n)
	}
	// The writes before it in the same step count.
	elm := where("family:contains", "elm")
	a, b := patient("e1", "Elm"), patient("e2", "Elm")
	a.Unless, b.Unless = elm, elm
	if _, err := s.Commit(ctx, []store.Write{a, b}, nil); !errors.Is(err, store.ErrMatched) {
		t.Errorf("two of one condition in one step: %v", err)
	}
	// Where too much is new, the write is planned again.
	since, err = s.unless(ctx, *where("family:contains", "ash"))
	if err != nil {
		t.Fatal(err)
	}
	for i := range 3 {
		var ws []store.Write
		for k := range 200 {
			ws = append(ws, patient(fmt.Sprintf("m%d-%d", i, k), "Maple"))
		}
		if _, err := s.Commit(ctx, ws, nil); err != nil {
			t.Fatal(err)
		}
	}
	err = s.write(ctx, true, func(w *writer) error {
		return w.unmatched(&change{Write: store.Write{Unless: where("family:contains", "ash")}, since: since})
	})
	if !errors.Is(err, store.ErrMatched) {
		t.Errorf("600 new ones: %v", err)
	}
	// An exact key that few have is asked by the writer.
	if since, err := s.unless(ctx, *where("identifier", "s|1")); err != nil || since != few {
		t.Errorf("by identifier: %d, %v", since, err)
	}
}
