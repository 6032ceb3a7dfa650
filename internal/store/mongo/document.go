package mongo

import (
	"context"
	"fmt"
	"math"
	"strconv"
	"time"
	"unicode/utf8"

	"go.mongodb.org/mongo-driver/v2/bson"

	"tidemark/internal/search"
	"tidemark/internal/store"
	"tidemark/internal/store/engine"
)

// version is the document of one version of one resource. Inserting it is the
// write; of what it holds, only Seq, At and Until are ever changed, Keys by
// an upgrade, and all that it says of the resource by an erasure.
type version struct {
	ID      string   `bson:"_id"` // "Type/id/number": a clash is the optimistic lock
	Type    string   `bson:"type"`
	Res     string   `bson:"id"`
	Number  int64    `bson:"n"`
	Seq     int64    `bson:"seq"`
	At      int64    `bson:"at"` // milliseconds: a BSON date has no more, and an int needs no conversion
	Method  string   `bson:"method"`
	Born    int64    `bson:"born"`  // Seq of the first version, for ties; kept although Seq may change
	Until   int64    `bson:"until"` // Seq of the next version as far as it was noted, else never
	Meta    int32    `bson:"meta"`
	Body    []byte   `bson:"body,omitempty"`
	Keys    []int64  `bson:"keys,omitempty"` // search.Doc.Keys; a deletion has those of the version before it, for rights in the history
	Span    int32    `bson:"span"`
	Date    int64    `bson:"date"`
	DateEnd int64    `bson:"dateEnd"`
	Values  []string `bson:"values,omitempty"` // strings and numbers, each as a row of an index; see textRow and numberRow
	Claims  []string `bson:"claims,omitempty"` // keys of claims that it holds
	Fact    *fact    `bson:"fact,omitempty"`
	Erased  bool     `bson:"erased,omitempty"` // then Method is that of a deletion
}

// never is version.Until of the current version.
const never = math.MaxInt64

// Spans. A date range reaches back a day for those of a day at most; the few
// that last longer are walked from their first, and those without a date come last.
const (
	undated  = 0
	withinIt = 1 // a day
	longer   = 2
)

const day = int64(24 * time.Hour / time.Microsecond)

func versionID(k store.Key, n int64) string {
	return k.Type + "/" + k.ID + "/" + strconv.FormatInt(n, 10)
}

func (v *version) key() store.Key { return store.Key{Type: v.Type, ID: v.Res} }

func (v *version) deleted() bool { return v.Method == string(store.Delete) }

// next is the _id of the version that comes after it.
func (v *version) next() string { return versionID(v.key(), v.Number+1) }

// stored is the version as package store has it.
func (v *version) stored() store.Version {
	out := store.Version{Key: v.key(), Number: v.Number, Seq: v.Seq, At: engine.OfMilli(v.At), Method: store.Method(v.Method), Erased: v.Erased}
	if !v.deleted() {
		out.Body = store.Body{JSON: v.Body, Meta: int(v.Meta)}
	}
	return out
}

// index fills in what searches find.
func (v *version) index(d search.Doc) {
	v.Keys = d.Keys()
	v.Date, v.DateEnd = d.Date, d.DateEnd
	switch {
	case d.Date == search.NoDate:
		v.Span = undated
	case d.DateEnd-d.Date <= day:
		v.Span = withinIt
	default:
		v.Span = longer
	}
	for _, p := range d.Strings() {
		v.Values = append(v.Values, textRow(d.Type, p))
	}
	for _, r := range d.Numbers() {
		v.Values = append(v.Values, numberRow(d.Type, r))
	}
}

// maxText is how many bytes of a string are indexed; Match sees the rest.
const maxText = 64

func textRow(typ string, p search.Prefix) string {
	return typ + "|" + p.Param + "|" + cut(p.Text)
}

// cut ends a text at a whole character.
func cut(s string) string {
	if len(s) <= maxText {
		return s
	}
	n := maxText
	for !utf8.RuneStart(s[n]) {
		n--
	}
	return s[:n]
}

// after is the least text above all that begin with s; "" when there is none.
func after(s string) string {
	for s != "" {
		r, n := utf8.DecodeLastRuneInString(s)
		s = s[:len(s)-n]
		switch {
		case r == utf8.MaxRune:
			continue
		case r == 0xD7FF: // the surrogates are no characters
			return s + "\uE000"
		}
		return s + string(r+1)
	}
	return ""
}

// numberRow is a number or quantity as text that sorts by value. One that
// stands for all above or below it has a row of its own.
func numberRow(typ string, r search.Range) string {
	if math.IsInf(r.Lo, 0) || math.IsInf(r.Hi, 0) {
		return numberPrefix(typ, r) + openNumber
	}
	return numberPrefix(typ, r) + sortable(r.Lo)
}

const openNumber = "~"

func numberPrefix(typ string, r search.Range) string {
	return typ + "|" + r.Param + "|" + r.Base + "|"
}

// sortable writes a float in hexadecimal so that texts sort as the numbers do:
// as the bits of floats do, once those below zero are turned round.
func sortable(f float64) string {
	b := math.Float64bits(f)
	if b>>63 == 1 {
		b = ^b
	} else {
		b |= 1 << 63
	}
	return fmt.Sprintf("%016x", b)
}

// numberCondition is what a version with a value in the range satisfies.
// Rows hold the lower of two neighbouring floats, so the bound is taken lower too.
func numberCondition(typ string, r search.Range) bson.E {
	lo := math.Nextafter(math.Nextafter(r.Lo, math.Inf(-1)), math.Inf(-1))
	p := numberPrefix(typ, r)
	return is("$or", bson.A{
		bson.D{is("values", bson.D{is("$elemMatch", bson.D{is("$gte", p+sortable(lo)), is("$lte", p+sortable(r.Hi))})})},
		bson.D{is("values", p+openNumber)},
	})
}

// textCondition is what a version with a string of the prefix satisfies.
func textCondition(typ string, p search.Prefix) bson.E {
	row := textRow(typ, p)
	bounds := bson.D{is("$gte", row)}
	if end := after(row); end != "" {
		bounds = append(bounds, is("$lt", end))
	}
	return is("values", bson.D{is("$elemMatch", bounds)})
}

// doc is what searches find in a version.
func (s *Store) doc(ctx context.Context, v *version) (search.Doc, error) {
	d, err := s.extract(ctx, v.Body)
	if err != nil {
		return d, err
	}
	d.Type, d.ID, d.LastUpdated = v.Type, v.Res, engine.OfMilli(v.At)
	return d, nil
}
