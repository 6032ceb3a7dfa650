package sqlite

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"tidemark/internal/drain"
	"tidemark/internal/fault"
	"tidemark/internal/store"
	"tidemark/internal/store/storetest"
)

// TestErasedBytes: nothing of what was erased is left in any file of the
// directory, also where trees had been split and values moved before, while the
// service runs and after a restart.
func TestErasedBytes(t *testing.T) {
	t.Run("of a file of now", func(t *testing.T) { erasedBytes(t, true) })
	t.Run("of a file in which deletions were left", func(t *testing.T) { erasedBytes(t, false) })
}

func erasedBytes(t *testing.T, overwrites bool) {
	ctx := context.Background()
	o := options(t)
	s := openIn(t, o, nil)
	if !overwrites { // as before secure_delete was set
		if err := s.write(ctx, true, func(w *writer) error { return w.c.script("PRAGMA secure_delete = 0") }); err != nil {
			t.Fatal(err)
		}
	}
	const word = "Quillfeather"
	var gone []store.Key
	var writes []store.Write
	// People of many names, so that the trees of names and entries split amid
	// those that go, and values long enough to need pages of their own.
	for i := range 400 {
		name, id := fmt.Sprintf("Name%03d", i), fmt.Sprintf("p%03d", i)
		if i%4 == 0 {
			name = fmt.Sprintf("%s%03d", word, i)
			gone = append(gone, store.Key{Type: "Patient", ID: id}, store.Key{Type: "Observation", ID: "o" + id})
		}
		w := storetest.Put(t, fmt.Sprintf(`{"resourceType":"Patient","id":%q,"meta":{},"name":[{"family":%q}],"address":[{"text":%q}]}`, id, name, bytes.Repeat([]byte(name), 1+i%5*200)))
		w.Claims = []string{"urn:mrn|" + name}
		e := storetest.Put(t, fmt.Sprintf(`{"resourceType":"Observation","id":"o%s","meta":{},"status":"final","code":{"text":%q},"subject":{"reference":"Patient/%s"}}`, id, name, id))
		e.Facts.Entry = &drain.Entry{ID: "o" + id, Drain: "d", Patient: id, At: time.Unix(1_700_000_000+int64(i*7919%400), 0).UTC(), Kind: drain.Emptying, Colour: name}
		writes = append(writes, w, e)
	}
	for range 2 { // the second time, all is replaced
		for from := 0; from < len(writes); from += 40 {
			if _, err := s.Commit(ctx, writes[from:from+40], []store.AuditRecord{{ID: fmt.Sprint(from), At: o.Clock(), Outcome: "0", Query: "family=" + word}}); err != nil {
				t.Fatal(err)
			}
		}
		for i := range writes {
			if e := writes[i].Facts.Entry; e != nil {
				later := *e
				later.At = later.At.Add(time.Duration(i*31%400) * time.Minute)
				writes[i].Facts.Entry = &later
			}
		}
	}
	if !overwrites {
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
		s = openIn(t, o, nil)
	}
	var deletions []store.Write
	for _, k := range gone {
		deletions = append(deletions, store.Write{Key: k, Method: store.Delete})
	}
	if found := holding(t, o.Dir, word); len(found) == 0 {
		t.Fatal("nothing held the word before")
	}
	if _, err := s.Erase(ctx, store.Erasure{Writes: deletions, Whole: gone, Words: []string{word}}, nil); err != nil {
		t.Fatal(err, fault.Of(err).Cause)
	}
	if found := holding(t, o.Dir, word); len(found) > 0 {
		t.Errorf("beside the running service: %v", found)
	}
	for i, w := range writes {
		v, err := s.Read(ctx, w.Key)
		if err != nil || v.Erased != (i/2%4 == 0) {
			t.Fatalf("%s: erased %v, %v", w.Key, v.Erased, err)
		}
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if found := holding(t, o.Dir, word); len(found) > 0 {
		t.Errorf("after the end: %v", found)
	}
	s = openIn(t, o, nil) // the mark is about a version that was erased, or one behind it
	err := s.read(ctx, "check", func(c *conn) error {
		row, err := c.one("PRAGMA integrity_check")
		if err == nil && row.text(0) != "ok" {
			t.Errorf("the file is damaged: %s", row.text(0))
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
}

// TestErasedMark: a process that dies right after an erasure starts again,
// although the version that its mark is about is gone.
func TestErasedMark(t *testing.T) {
	ctx := context.Background()
	o := options(t)
	s := openIn(t, o, nil)
	for _, family := range []string{"a", "b"} {
		if _, err := s.Commit(ctx, []store.Write{storetest.Put(t, `{"resourceType":"Patient","id":"p","meta":{},"name":[{"family":"`+family+`"}]}`)}, nil); err != nil {
			t.Fatal(err)
		}
	}
	mark, err := os.ReadFile(filepath.Join(o.Dir, markName))
	if err != nil {
		t.Fatal(err)
	}
	k := store.Key{Type: "Patient", ID: "p"}
	if _, err := s.Erase(ctx, store.Erasure{Writes: []store.Write{{Key: k, Method: store.Delete}}, Whole: []store.Key{k}}, nil); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(o.Dir, markName), mark, 0o600); err != nil {
		t.Fatal(err)
	}
	openIn(t, o, nil)
}

// holding lists the files that hold the word.
func holding(t *testing.T, dir, word string) (found []string) {
	t.Helper()
	files, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range files {
		b, err := os.ReadFile(filepath.Join(dir, f.Name()))
		if err != nil {
			t.Fatal(err)
		}
		if n := bytes.Count(b, []byte(word)); n > 0 {
			found = append(found, fmt.Sprintf("%s: %d times", f.Name(), n))
		}
	}
	return found
}
