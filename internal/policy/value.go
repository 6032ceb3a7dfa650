package policy

import (
	"errors"
	"fmt"
	"maps"
	"math/big"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"

	"tidemark/internal/drain"
	"tidemark/internal/ucum"
	"tidemark/internal/window"
)

// field is one line of a policy file.
type field struct {
	path     string // "findings.sudden-stop.rate"
	doc      string // what it does
	source   source
	scope    scope
	unit     string   // in which it is shown, "" for none
	min, max string   // as text with the unit; "" for none
	standard []string // default, canonical
	list     bool     // several items
	quote    bool     // written in quotes
	plain    bool     // read only without quotes
	schema   map[string]any
	read     func(items []string) (canonical []string, apply func(*whole), err error)
	order    int // in the table
}

// reading is a field that a file sets.
type reading struct {
	field *field
	items []string // canonical
	apply func(*whole)
}

// scope says where a field may be set.
type scope int

const (
	everywhere scope = iota
	perWard          // in general and for a ward
	general          // in general only
)

// source says where a figure comes from.
type source struct {
	basis basis
	words string
}

type basis string

const (
	published basis = "published"
	cp        basis = "common practice, no published source"
	ours      basis = "ours, an example that the hospital must replace"
	local     basis = "the hospital's own choice"
)

func (s source) String() string {
	if s.words == "" {
		return string(s.basis)
	}
	return string(s.basis) + "; " + s.words
}

// spec is what every field has besides its type.
type spec struct {
	path, doc string
	source    source
	scope     scope
}

func (s spec) field() field { return field{path: s.path, doc: s.doc, source: s.source, scope: s.scope} }

// places is the number of decimals to which amounts are kept.
const places = 6

// dimension is a kind of amount. Amounts are held as exact numbers of base.
type dimension struct {
	words string // "a duration"
	base  string // UCUM
	// shown are units in which an amount is written, the finest last; the field's
	// own goes first.
	shown  []string
	admits []string // units that are read; nil is every one that UCUM converts
	check  func(*big.Rat) error
}

var (
	durations = dimension{words: "a duration", base: "ns", shown: []string{"d", "h", "min", "s", "ns"}, admits: []string{"s", "min", "h", "d", "wk"},
		check: func(r *big.Rat) error {
			if !r.IsInt() || !r.Num().IsInt64() {
				return errors.New("is not a whole number of nanoseconds")
			}
			return nil
		}}
	volumes = dimension{words: "a volume", base: "mL"}
	rates   = dimension{words: "a rate", base: "mL/h"}
	shares  = dimension{words: "a share", base: "%", admits: []string{"%"}}
	numbers = dimension{words: "a plain number"}
	counts  = dimension{words: "a whole number", check: func(r *big.Rat) error {
		if !r.IsInt() {
			return errors.New("is not a whole number")
		}
		return nil
	}}
)

// parse reads an amount and gives it in base. example says how to write one.
func (d dimension) parse(raw, example string) (*big.Rat, error) {
	text := strings.TrimSpace(raw)
	number := text[:len(text)-len(strings.TrimLeft(text, "+-0123456789.,"))]
	code := strings.TrimSpace(text[len(number):])
	value, ok := ucum.ParseDecimal(number)
	switch {
	case number == "":
		return nil, fmt.Errorf("%q does not begin with a number: write %s, such as %s", raw, d.words, example)
	case strings.Contains(number, ","):
		return nil, fmt.Errorf("%q has a comma: write a decimal point and no thousands separator", raw)
	case !ok:
		return nil, fmt.Errorf("%q is not a decimal number: write it with digits and at most one decimal point, such as %s", number, example)
	case d.base == "":
		if code != "" {
			return nil, fmt.Errorf("%q has a unit, but %s is required: write %s", raw, d.words, example)
		}
		return value, nil
	case code == "":
		return nil, fmt.Errorf("%q has no unit: write the unit after the number, such as %s", raw, example)
	case d.admits != nil && !slices.Contains(d.admits, code):
		if better := ucum.Suggest(code); slices.Contains(d.admits, better) {
			return nil, fmt.Errorf("%q is not the code of a unit: write %s %s", code, number, better)
		}
		return nil, fmt.Errorf("%q is not a unit for %s here: use %s, such as %s", code, d.words, strings.Join(d.admits, ", "), example)
	}
	unit, err := ucum.Parse(code)
	if err != nil {
		if better := ucum.Suggest(code); better != "" {
			return nil, fmt.Errorf("%q is not a UCUM unit: write %s %s", code, number, better)
		}
		return nil, fmt.Errorf("%q is not a UCUM unit: write %s, such as %s", code, d.words, example)
	}
	base, err := ucum.Parse(d.base)
	if err != nil {
		return nil, err
	}
	if !unit.Exact() || !unit.Commensurable(base) {
		return nil, fmt.Errorf("%q is not a unit of %s: write one, such as %s", code, strings.TrimPrefix(d.words, "a "), example)
	}
	if advice := ucum.Caution(code); advice != "" {
		return nil, fmt.Errorf("%q may not mean what you intend: %s", code, advice)
	}
	return ucum.Convert(value, unit, base)
}

// format writes an amount in the unit, or in a finer one where that takes fewer
// than places decimals. It fails where no decimal is exact.
func (d dimension) format(v *big.Rat, unit string) (string, error) {
	if d.base == "" {
		if text, ok := decimal(v); ok {
			return text, nil
		}
		return "", fmt.Errorf("has more than %d decimals", places)
	}
	base, err := ucum.Parse(d.base)
	if err != nil {
		return "", err
	}
	units := []string{unit}
	if i := slices.Index(d.shown, unit); i >= 0 {
		units = d.shown[i:]
	}
	for _, code := range units {
		to, err := ucum.Parse(code)
		if err != nil {
			return "", err
		}
		shown, err := ucum.Convert(v, base, to)
		if err != nil {
			return "", err
		}
		if text, ok := decimal(shown); ok {
			return text + " " + code, nil
		}
	}
	return "", fmt.Errorf("has no exact value in %s with %d decimals: write it in %s", unit, places, unit)
}

func decimal(v *big.Rat) (string, bool) {
	n, exact := v.FloatPrec()
	return ucum.FormatDecimal(v, places), exact && n <= places
}

// amount makes a field that holds an amount. get gives the default.
func amount(s spec, d dimension, unit, least, most string, get func(*whole) *big.Rat, set func(*whole, *big.Rat)) field {
	f := s.field()
	f.unit, f.min, f.max = unit, least, most
	f.plain = d.base == ""
	f.standard = standardOf(get, func(v *big.Rat) (string, error) { return d.format(v, unit) })
	low, high := must(d.parse(least, "")), must(d.parse(most, ""))
	f.schema = d.schema(f.standard[0], low, high)
	example := f.standard[0]
	f.read = func(items []string) ([]string, func(*whole), error) {
		v, err := d.parse(items[0], example)
		if err != nil {
			return nil, nil, err
		}
		switch {
		case v.Cmp(low) < 0:
			return nil, nil, fmt.Errorf("%s is too low: the least that is accepted is %s", items[0], least)
		case v.Cmp(high) > 0:
			return nil, nil, fmt.Errorf("%s is too high: the most that is accepted is %s", items[0], most)
		}
		if d.check != nil {
			if err := d.check(v); err != nil {
				return nil, nil, fmt.Errorf("%s %w", items[0], err)
			}
		}
		text, err := d.format(v, unit)
		if err != nil {
			return nil, nil, fmt.Errorf("%s %w", items[0], err)
		}
		return []string{text}, func(w *whole) { set(w, v) }, nil
	}
	return f
}

func standardOf[T any](get func(*whole) T, format func(T) (string, error)) []string {
	w := defaults()
	return []string{must(format(get(&w)))}
}

// must is for values in the table itself.
func must[T any](v T, err error) T {
	if err != nil {
		panic(err)
	}
	return v
}

func duration(s spec, unit, least, most string, to ...func(*whole) *time.Duration) field {
	return amount(s, durations, unit, least, most,
		func(w *whole) *big.Rat { return new(big.Rat).SetInt64(int64(*to[0](w))) },
		func(w *whole, v *big.Rat) {
			for _, t := range to {
				*t(w) = time.Duration(v.Num().Int64())
			}
		})
}

// exact makes fields that hold exact numbers: volumes, rates, shares and plain
// numbers.
func exact(s spec, d dimension, unit, least, most string, to ...func(*whole) *drain.Volume) field {
	return amount(s, d, unit, least, most,
		func(w *whole) *big.Rat { return to[0](w).Rat() },
		func(w *whole, v *big.Rat) {
			for _, t := range to {
				*t(w) = drain.ML(v)
			}
		})
}

func count(s spec, least, most string, to func(*whole) *int) field {
	return amount(s, counts, "", least, most,
		func(w *whole) *big.Rat { return new(big.Rat).SetInt64(int64(*to(w))) },
		func(w *whole, v *big.Rat) { *to(w) = int(v.Num().Int64()) })
}

// toggle makes a field that is true or false.
func toggle(s spec, get func(*whole) bool, set func(*whole, bool)) field {
	f := s.field()
	f.plain = true
	f.standard = standardOf(get, func(b bool) (string, error) { return strconv.FormatBool(b), nil })
	f.schema = map[string]any{"type": "boolean"}
	f.read = func(items []string) ([]string, func(*whole), error) {
		switch items[0] {
		case "true", "false":
			on := items[0] == "true"
			return items, func(w *whole) { set(w, on) }, nil
		}
		return nil, nil, fmt.Errorf("%q is neither true nor false: write one of them", items[0])
	}
	return f
}

// text makes a field of text. parse gives its meaning and the text to keep.
// schema is what an editor can check.
func text[T any](s spec, get func(*whole) string, parse func(string) (T, string, error), set func(*whole, T), schema map[string]any) field {
	f := s.field()
	f.quote = true
	f.standard = standardOf(get, func(s string) (string, error) { return s, nil })
	f.schema = map[string]any{"type": "string"}
	maps.Copy(f.schema, schema)
	f.read = func(items []string) ([]string, func(*whole), error) {
		v, kept, err := parse(items[0])
		if err != nil {
			return nil, nil, err
		}
		return []string{kept}, func(w *whole) { set(w, v) }, nil
	}
	return f
}

// list makes a field of several items. check validates them together; schema is
// what an editor can check of each.
func list[T any](s spec, get func(*whole) []T, parse func(string) (T, error), format func(T) string, check func([]T) error, set func(*whole, []T), schema map[string]any) field {
	f := s.field()
	f.list, f.quote = true, true
	w := defaults()
	for _, v := range get(&w) {
		f.standard = append(f.standard, format(v))
	}
	item := map[string]any{"type": "string"}
	maps.Copy(item, schema)
	f.schema = map[string]any{"type": "array", "minItems": 1, "items": item}
	f.read = func(items []string) ([]string, func(*whole), error) {
		values := make([]T, len(items))
		kept := make([]string, len(items))
		for i, item := range items {
			v, err := parse(item)
			if err != nil {
				return nil, nil, &itemError{i, err}
			}
			values[i], kept[i] = v, format(v)
		}
		if len(items) == 0 {
			return nil, nil, fmt.Errorf("the list is empty: give at least one item, such as %q", f.standard[0])
		}
		if err := check(values); err != nil {
			return nil, nil, err
		}
		return kept, func(w *whole) { set(w, values) }, nil
	}
	return f
}

// itemError says which item of a list is wrong.
type itemError struct {
	item int
	err  error
}

func (e *itemError) Error() string { return e.err.Error() }

// maxWords bounds a text.
const maxWords = 200

func words(s string) (value, kept string, err error) {
	s = strings.TrimSpace(s)
	for _, r := range s {
		if !unicode.IsPrint(r) {
			return "", "", fmt.Errorf("the text holds %U, which cannot be printed: write it on one line, without control characters", r)
		}
	}
	if len(s) > maxWords {
		return "", "", fmt.Errorf("the text is %d bytes long: shorten it to %d", len(s), maxWords)
	}
	return s, s, nil
}

func zone(s string) (*time.Location, string, error) {
	// LoadLocation reads "" and "Local" as the zone of this machine, which need
	// not be the ward's.
	if s == "" || s == "Local" {
		return nil, "", fmt.Errorf("%q is not the name of a time zone: write a name of the IANA database, such as Europe/Berlin", s)
	}
	z, err := time.LoadLocation(s)
	if err != nil {
		return nil, "", fmt.Errorf("%q is not a time zone of the IANA database: write one, such as Europe/Berlin", s)
	}
	return z, s, nil
}

func clock(s string) (window.ClockTime, string, error) {
	c, err := window.ParseClock(s)
	return c, c.String(), err
}

// shift reads "07:00 day".
func shift(s string) (window.Shift, error) {
	start, name, _ := strings.Cut(strings.TrimSpace(s), " ")
	at, err := window.ParseClock(start)
	if err != nil {
		return window.Shift{}, fmt.Errorf("%q does not begin with a time of day: write the start and the name of the shift, such as 07:00 day", s)
	}
	if name, _, err = words(name); err != nil {
		return window.Shift{}, err
	}
	if name == "" {
		return window.Shift{}, fmt.Errorf("%q has no shift name: write the start and the name, such as 07:00 day", s)
	}
	return window.Shift{Name: name, Start: at}, nil
}
