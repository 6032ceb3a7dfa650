package sqlite

import (
	"cmp"
	"hash/fnv"
	"math"
	"slices"
	"strings"

	"tidemark/internal/search"
)

// index is what one resource puts into the search indexes.
type index struct {
	keys []int64 // sorted, without doubles
	nums []numKey
	strs []strKey
	date int64
	end  int64 // of what date begins
	span int64 // from date to its end; last when it has none
}

type numKey struct {
	param int64
	value float64
}

type strKey struct {
	param int64
	text  string
}

// indexOf builds the index rows of a document.
func indexOf(d search.Doc) index {
	x := index{date: d.Date, end: d.DateEnd}
	if d.Date != search.NoDate {
		x.span = last
		if d.DateEnd < search.MaxDate {
			x.span = d.DateEnd - d.Date
		}
	}
	x.keys = d.Keys()
	slices.Sort(x.keys)
	x.keys = slices.Compact(x.keys)
	for _, n := range d.Numbers() {
		value := n.Lo
		if math.IsInf(n.Lo, 0) || math.IsInf(n.Hi, 0) {
			value = everywhere
		}
		x.nums = append(x.nums, numKey{param(d.Type, n.Param, n.Base), value})
	}
	for _, t := range d.Strings() {
		x.strs = append(x.strs, strKey{param(d.Type, t.Param, ""), prefixOf(t.Text)})
	}
	slices.SortFunc(x.nums, func(a, b numKey) int {
		return cmp.Or(cmp.Compare(a.param, b.param), cmp.Compare(a.value, b.value))
	})
	x.nums = slices.Compact(x.nums)
	slices.SortFunc(x.strs, func(a, b strKey) int {
		return cmp.Or(cmp.Compare(a.param, b.param), cmp.Compare(a.text, b.text))
	})
	x.strs = slices.Compact(x.strs)
	return x
}

// everywhere is the place in num_idx of values such as "< 5", which stand for
// a stretch: every range looks there too. Others stand at their lower bound.
var everywhere = math.Inf(1)

// prefixLength is how much of a string the index keeps.
const prefixLength = 48

// prefixOf cuts a text at prefixLength bytes. Texts are compared as bytes, so
// that a rune cut in two does no harm.
func prefixOf(s string) string {
	if len(s) > prefixLength {
		return s[:prefixLength]
	}
	return s
}

// after is the smallest text that is greater than everything beginning with
// prefix; nil when there is none.
func after(prefix string) []byte {
	b := []byte(prefix)
	for len(b) > 0 && b[len(b)-1] == 0xff {
		b = b[:len(b)-1]
	}
	if len(b) == 0 {
		return nil
	}
	b[len(b)-1]++
	return b
}

func param(typ, name, base string) int64 { return int64(hash(typ + "\x00" + name + "\x00" + base)) }

func hash(s string) uint64 {
	h := fnv.New64a()
	_, _ = h.Write([]byte(s)) // never fails
	return h.Sum64()
}

// values is a VALUES list of n rows of width columns.
func values(n, width int) string {
	one := "(?" + strings.Repeat(",?", width-1) + ")"
	return one + strings.Repeat(","+one, n-1)
}

// keyRow is a row of key_idx.
type keyRow struct{ key, date, rid int64 }

// keysAtOnce is how many rows a statement inserts: its own cost is a good part
// of that of a row.
const keysAtOnce = 64

// insertKeys writes the key_idx rows that wait, in their order in the table:
// the emptyings of one transaction have most of their keys in common, so that
// neighbours go to the same page.
func (w *writer) insertKeys() error {
	slices.SortFunc(w.keys, func(a, b keyRow) int {
		return cmp.Or(cmp.Compare(a.key, b.key), cmp.Compare(a.date, b.date), cmp.Compare(a.rid, b.rid))
	})
	for rest := w.keys; len(rest) > 0; {
		n := min(len(rest), keysAtOnce)
		for n&(n-1) != 0 { // only powers of two, to have few texts
			n &= n - 1
		}
		args := make([]any, 0, 3*keysAtOnce)
		for _, k := range rest[:n] {
			args = append(args, k.key, k.date, k.rid)
		}
		if err := w.c.exec(sqlInsertKeys[n], args...); err != nil {
			return err
		}
		rest = rest[n:]
	}
	w.keys, w.inserted = w.keys[:0], w.seq
	return nil
}

// sqlInsertKeys are the statements, by their number of rows.
var sqlInsertKeys = func() map[int]string {
	m := map[int]string{}
	for n := 1; n <= keysAtOnce; n *= 2 {
		m[n] = "INSERT OR IGNORE INTO key_idx (key, date, rid) VALUES " + values(n, 3)
	}
	return m
}()

// reindex replaces the index rows of a resource: old is what it had, both may
// be nil. Keys that it loses are remembered for the history.
func (w *writer) reindex(rid int64, typ string, old, new *index) error {
	var none index
	if old == nil {
		old = &none
	}
	if new == nil {
		new = &none
	}
	same := old.date == new.date
	for _, k := range old.keys {
		_, kept := slices.BinarySearch(new.keys, k)
		if kept && same {
			continue
		}
		if err := w.c.exec("DELETE FROM key_idx WHERE key = ? AND date = ? AND rid = ?", k, old.date, rid); err != nil {
			return err
		}
		if kept {
			continue
		}
		if err := w.c.exec("INSERT OR IGNORE INTO past_key (key, rid) VALUES (?, ?)", k, rid); err != nil {
			return err
		}
	}
	add := new.keys
	if same && len(old.keys) > 0 {
		add = slices.DeleteFunc(slices.Clone(new.keys), func(k int64) bool {
			_, had := slices.BinarySearch(old.keys, k)
			return had
		})
	}
	for _, k := range add {
		w.keys = append(w.keys, keyRow{k, new.date, rid})
	}
	for _, n := range old.nums {
		if err := w.c.exec("DELETE FROM num_idx WHERE param = ? AND value = ? AND rid = ?", n.param, n.value, rid); err != nil {
			return err
		}
	}
	for _, n := range new.nums {
		if err := w.c.exec("INSERT OR IGNORE INTO num_idx (param, value, rid) VALUES (?, ?, ?)", n.param, n.value, rid); err != nil {
			return err
		}
	}
	for _, t := range old.strs {
		if err := w.c.exec("DELETE FROM str_idx WHERE param = ? AND text = ? AND rid = ?", t.param, []byte(t.text), rid); err != nil {
			return err
		}
	}
	for _, t := range new.strs {
		if err := w.c.exec("INSERT OR IGNORE INTO str_idx (param, text, rid) VALUES (?, ?, ?)", t.param, []byte(t.text), rid); err != nil {
			return err
		}
	}
	if new.span <= minute {
		return nil
	}
	// Readers must know before the row can be seen; too much does no harm.
	if new.span > w.s.span(typ) {
		w.s.spans.Store(typ, new.span)
	}
	return w.c.exec("INSERT INTO span (type, micros) VALUES (?, ?) ON CONFLICT (type) DO UPDATE SET micros = max(micros, excluded.micros)", typ, new.span)
}
