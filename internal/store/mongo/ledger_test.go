package mongo

import (
	"context"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"tidemark/internal/fault"

	"tidemark/internal/store/engine"
)

func TestWaits(t *testing.T) {
	for _, c := range []struct {
		name string
		e    entry
		seqs map[string]int64
		want bool
	}{
		{"not there", entry{Seq: 5, Version: "v"}, nil, true},
		{"there", entry{Seq: 5, Version: "v"}, map[string]int64{"v": 5}, false},
		{"another writer's is there", entry{Seq: 5, Version: "v"}, map[string]int64{"v": 6}, false},
		{"void", entry{Seq: 5, Version: "v", Void: true}, nil, false},
		{"a move not made", entry{Seq: 9, Version: "v", From: 5}, map[string]int64{"v": 5}, true},
		{"a move made", entry{Seq: 9, Version: "v", From: 5}, map[string]int64{"v": 9}, false},
		{"a move overtaken", entry{Seq: 9, Version: "v", From: 5}, map[string]int64{"v": 8}, false},
	} {
		if got := c.e.waits(c.seqs); got != c.want {
			t.Errorf("%s: %v", c.name, got)
		}
	}
}

func TestSnapshotHas(t *testing.T) {
	n := snapshot{Settled: 4, Top: 9, Pending: []int64{5, 8}}
	for seq, want := range map[int64]bool{1: true, 4: true, 5: false, 6: true, 8: false, 9: true, 10: false} {
		if n.has(seq) != want {
			t.Errorf("%d: %v", seq, !want)
		}
	}
	if !everything.has(1 << 60) {
		t.Error("everything lacks something")
	}
}

func TestWatch(t *testing.T) {
	var w watch
	if w.age("a", time.Second) != 0 {
		t.Error("what is seen first has an age")
	}
	for i := range 2000 {
		w.age(strings.Repeat("x", i), -time.Hour)
	}
	if len(w.first) > 1001 {
		t.Errorf("%d claims are remembered", len(w.first))
	}
}

func TestPauseEnds(t *testing.T) {
	if err := pause(context.Background(), maxTries); !fault.Is(err, fault.Unavailable) {
		t.Errorf("got %v", err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if err := pause(ctx, 5); err != nil && err != context.Canceled {
		t.Errorf("got %v", err)
	}
}

func TestCursor(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := mark{snapshot{rapid.Int64().Draw(t, "settled"), rapid.Int64().Draw(t, "top"), rapid.SliceOfN(rapid.Int64(), 1, 3).Draw(t, "pending")}, place{rapid.Int64().Draw(t, "n"), rapid.String().Draw(t, "id"), rapid.Int64().Draw(t, "born")}}
		sum := engine.Digest("Patient", m.Place.Born)
		var got mark
		if err := engine.ReadCursor(engine.Cursor(sum, m), sum, &got); err != nil || got.Place.Born != m.Place.Born || got.Place.N != m.Place.N || got.Snapshot.Pending[0] != m.Snapshot.Pending[0] {
			t.Fatalf("%+v, %v", got, err)
		}
		if err := engine.ReadCursor(engine.Cursor(sum, m), engine.Digest("Patient", m.Place.Born+1), &got); !fault.Is(err, fault.Invalid) {
			t.Fatalf("another query's cursor: %v", err)
		}
	})
}

func FuzzReadCursor(f *testing.F) {
	sum := engine.Digest("Patient")
	f.Add(engine.Cursor(sum, mark{}))
	f.Add(engine.Cursor(sum, mark{snapshot{1, 2, []int64{3}}, place{4, "x", 5}}) + "A")
	f.Add("")
	f.Fuzz(func(t *testing.T, text string) {
		var m mark
		if err := engine.ReadCursor(text, sum, &m); err != nil && !fault.Is(err, fault.Invalid) {
			t.Errorf("%q: %v", text, err)
		}
	})
}
