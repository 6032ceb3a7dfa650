package bulk

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"tidemark/internal/fault"
	"tidemark/internal/fhirjson"
	"tidemark/internal/search"
	"tidemark/internal/store"
	"tidemark/internal/store/sqlite"
)

// versions is all that a store holds.
func versions(t testing.TB, f Feed) []store.Version {
	t.Helper()
	var out []store.Version
	for after := int64(0); ; {
		vs, err := f.Changes(t.Context(), after, 1000)
		if err != nil {
			t.Fatal(err)
		}
		if len(vs) == 0 {
			return out
		}
		out, after = append(out, vs...), vs[len(vs)-1].Seq
	}
}

func (b *bench) dump(change func(*Dump)) (string, int, error) {
	dir := b.t.TempDir()
	d := &Dump{Store: b.store, Types: types, Dir: dir}
	if change != nil {
		change(d)
	}
	n, err := d.Run(b.t.Context())
	return d.Dir, n, err
}

func TestMoveKeepsEverything(t *testing.T) {
	b := newBench(t)
	b.hospital(3, 2)
	b.delete("Observation", firstOf(b, "Observation"))
	dir, n, err := b.dump(func(d *Dump) { d.Versions = true })
	if err != nil {
		t.Fatal(err)
	}
	want := versions(t, b.store)
	if n != len(want) {
		t.Errorf("%d versions, the store has %d", n, len(want))
	}
	data, err := os.ReadFile(filepath.Join(dir, HistoryFile))
	if err != nil {
		t.Fatal(err)
	}
	var m *Move
	to := openEmpty(t, func() time.Time { return m.Clock() })
	m = &Move{Store: to}
	// The first try is cut off in the middle.
	if _, err := m.Run(t.Context(), &broken{r: bytes.NewReader(data), left: len(data) * 2 / 3}); !errors.Is(err, errBroken) {
		t.Fatal(err)
	}
	half := len(versions(t, to))
	if half == 0 || half == len(want) {
		t.Fatal(half, "versions after the cut")
	}
	m = &Move{Store: to}
	c, err := m.Run(t.Context(), bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(Counts{Read: len(want), Written: len(want) - half, Skipped: half}, c); d != "" {
		t.Error(d)
	}
	if d := cmp.Diff(want, versions(t, to)); d != "" || m.Late != 0 {
		t.Error(m.Late, d)
	}
	// The projections came along.
	for _, id := range []string{firstOf(b, "Device")} {
		a, _ := b.store.Entries(t.Context(), store.EntryQuery{Drain: id})
		z, _ := to.Entries(t.Context(), store.EntryQuery{Drain: id})
		if d := cmp.Diff(a, z); d != "" || len(a) == 0 {
			t.Error(len(a), d)
		}
	}
	// Into a store with something else it does not go.
	b.put(patient("other", "x"))
	other := &Move{Store: b.store}
	if _, err := other.Run(t.Context(), bytes.NewReader(data[:bytes.IndexByte(data, '\n')+1])); !fault.Is(err, fault.Conflict) {
		t.Error(err)
	}
}

func firstOf(b *bench, typ string) string {
	b.t.Helper()
	for key := range b.standing(1 << 60) {
		if id, ok := strings.CutPrefix(key, typ+"/"); ok {
			return id
		}
	}
	b.t.Fatal("no", typ)
	return ""
}

func openEmpty(t testing.TB, clock func() time.Time) *sqlite.Store {
	t.Helper()
	st, err := sqlite.Open(t.Context(), sqlite.Options{
		Dir: t.TempDir(), Clock: clock, Logger: slog.New(slog.DiscardHandler),
		Extract: func(_ context.Context, raw []byte) (search.Doc, error) {
			n, err := fhirjson.Parse(raw)
			if err != nil {
				return search.Doc{}, err
			}
			return search.Extract(n, search.ExtractOptions{}), nil
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { st.Close() })
	return st
}

var errBroken = errors.New("the pipe broke")

// broken ends with an error after so many bytes.
type broken struct {
	r    io.Reader
	left int
}

func (b *broken) Read(p []byte) (int, error) {
	if b.left <= 0 {
		return 0, errBroken
	}
	n, err := b.r.Read(p[:min(len(p), b.left, 4096)])
	b.left -= n
	return n, err
}

func TestDumpResumes(t *testing.T) {
	b := newBench(t)
	for i := range 3500 {
		if i%500 == 0 {
			b.clock.advance(time.Second)
		}
		b.put(patient(fmt.Sprint("p", i), "x"))
	}
	b.delete("Patient", "p7")
	b.put(`{"resourceType":"Location","id":"w"}`)
	ctx, stop := context.WithCancel(t.Context())
	d := &Dump{Store: b.store, Types: []string{"Location", "Patient"}, Dir: t.TempDir(), Progress: func(done, of int64, rows int) {
		if rows > 1500 {
			stop()
		}
	}}
	if _, err := d.Run(ctx); err == nil {
		t.Fatal("was not cut off")
	}
	b.put(patient("late", "x"))
	// A line that was cut in half is taken back.
	f, err := os.OpenFile(filepath.Join(d.Dir, "Patient.ndjson"), os.O_APPEND|os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	f.WriteString(`{"resourceType":"Pat`)
	f.Close()
	other := *d
	other.Types = []string{"Patient"}
	if _, err := other.Run(t.Context()); !fault.Is(err, fault.Conflict) {
		t.Error("another export into the same folder:", err)
	}
	d.Progress = nil
	n, err := d.Run(t.Context())
	if err != nil || n != 3500 {
		t.Fatal(n, err)
	}
	data, err := os.ReadFile(filepath.Join(d.Dir, "Patient.ndjson"))
	if err != nil {
		t.Fatal(err)
	}
	seen := map[string]bool{}
	for line := range strings.Lines(string(data)) {
		n, err := fhirjson.Parse([]byte(line))
		if err != nil {
			t.Fatal(err)
		}
		seen[n.Str("id")] = true
	}
	if len(seen) != 3499 || seen["late"] || seen["p7"] {
		t.Error(len(seen), "patients")
	}
	if _, err := os.Stat(filepath.Join(d.Dir, ProgressFile)); !os.IsNotExist(err) {
		t.Error("the progress file is left over")
	}
}

// shelf is a target in memory that refuses some resources.
type shelf struct {
	have   map[store.Key]*fhirjson.Node
	writes int
	away   bool
}

func (s *shelf) Current(_ context.Context, keys []store.Key) ([]*fhirjson.Node, error) {
	out := make([]*fhirjson.Node, len(keys))
	for i, k := range keys {
		out[i] = s.have[k]
	}
	return out, nil
}

func (s *shelf) Write(_ context.Context, items []Item) error {
	if s.away {
		return fault.New(fault.Unavailable, "transient", "away")
	}
	for _, it := range items {
		if it.Tree.Str("gender") == "wrong" {
			return fault.New(fault.Rule, "code-invalid", "gender is wrong")
		}
	}
	s.writes++
	for _, it := range items {
		s.have[it.Key] = it.Tree
	}
	return nil
}

func TestLoad(t *testing.T) {
	var text strings.Builder
	for i := range 250 {
		fmt.Fprintf(&text, `{"resourceType":"Patient","id":"p%d","meta":{"versionId":"3","lastUpdated":"2026-01-01T00:00:00.000Z"},"name":[{"family":"x"}]}`+"\r\n", i)
	}
	text.WriteString("\n  \n{\"resourceType\":\"Patient\",\"id\":\"bad\",\"gender\":\"wrong\"}\n")
	text.WriteString("{nonsense\n{\"resourceType\":\"Patient\"}\n")
	text.WriteString(`{"resourceType":"Patient","id":"p3","name":[{"family":"corrected"}]}` + "\n")
	text.WriteString(`{"resourceType":"DetectedIssue","id":"f"}`) // no end of line
	sh := &shelf{have: map[store.Key]*fhirjson.Node{}}
	var refused []int
	offset, lines := int64(0), 0
	l := &Load{Target: sh, Refused: func(_ []byte, number int, _ error) error { refused = append(refused, number); return nil },
		Settled: func(at int64, n int, _ Counts) error { offset, lines = at, n; return nil }}
	c, err := l.Run(t.Context(), strings.NewReader(text.String()), 0, 0, Counts{})
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(Counts{Read: 255, Written: 251, Skipped: 1, Refused: 3}, c); d != "" {
		t.Error(d)
	}
	if d := cmp.Diff([]int{254, 255, 253}, refused); d != "" {
		t.Error(d)
	}
	if offset != int64(text.Len()) || lines != 257 {
		t.Error("settled at", offset, lines)
	}
	if got := sh.have[store.Key{Type: "Patient", ID: "p3"}].Each("name")[0].Str("family"); got != "corrected" {
		t.Error("the later line does not win:", got)
	}
	// Once more: nothing is written but what changes back and forth.
	before := sh.writes
	c, err = l.Run(t.Context(), strings.NewReader(text.String()[:offset/4]), 0, 0, Counts{})
	if err != nil || c.Written > 1 || sh.writes > before+1 {
		t.Error(c, err)
	}
}

func TestLoadGoesOn(t *testing.T) {
	var text strings.Builder
	for i := range 500 {
		text.WriteString(patient(fmt.Sprint("p", i), "x") + "\n")
	}
	sh := &shelf{have: map[store.Key]*fhirjson.Node{}}
	var offset int64
	var lines int
	var counts Counts
	l := &Load{Target: sh, Settled: func(at int64, n int, c Counts) error {
		offset, lines, counts = at, n, c
		sh.away = n == 300
		return nil
	}}
	if _, err := l.Run(t.Context(), strings.NewReader(text.String()), 0, 0, Counts{}); !fault.Is(err, fault.Unavailable) {
		t.Fatal(err)
	}
	sh.away = false
	c, err := l.Run(t.Context(), strings.NewReader(text.String()[offset:]), offset, lines, counts)
	if err != nil || c != (Counts{Read: 500, Written: 500}) || sh.writes != 5 {
		t.Error(c, sh.writes, err)
	}
}

func FuzzLines(f *testing.F) {
	for _, s := range []string{"", "\n", "a\nb", "a\r\n\r\nb\n", " \t\n{}\n"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		l := NewLines(bytes.NewReader(data), 0, 0)
		var end int64
		for {
			line, err := l.Next()
			if errors.Is(err, io.EOF) {
				break
			}
			if err != nil {
				t.Fatal(err)
			}
			if line.End <= end || line.End > int64(len(data)) || blank(line.Text) || bytes.IndexByte(line.Text, '\n') >= 0 {
				t.Fatalf("%+v", line)
			}
			if lies := bytes.TrimSuffix(data[end:line.End], []byte("\n")); !bytes.HasSuffix(lies, line.Text) {
				t.Fatalf("line %d is %q, in the file %q", line.Number, line.Text, lies)
			}
			end = line.End
			if it, err := item(line); err == nil && (it.Key.Type == "" || !logicalID(it.Key.ID)) {
				t.Fatalf("%+v", it.Key)
			}
			_, _ = readMoved(line) // must not panic
		}
		if l.offset != int64(len(data)) {
			t.Fatalf("%d of %d bytes were read", l.offset, len(data))
		}
	})
}
