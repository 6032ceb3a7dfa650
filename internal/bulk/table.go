package bulk

import (
	"fmt"
	"math/big"
	"strconv"
	"strings"
	"time"

	"tidemark/internal/drain"
)

// Kind is the type of a column.
type Kind string

// Kinds of columns, and how they stand in the files.
const (
	Text    Kind = "text"    // Parquet STRING
	Decimal Kind = "decimal" // Parquet DECIMAL(18,6); CSV without trailing zeros
	Instant Kind = "instant" // Parquet TIMESTAMP in UTC microseconds; CSV RFC 3339 in UTC
	Date    Kind = "date"    // Parquet DATE; CSV YYYY-MM-DD
	Integer Kind = "integer" // Parquet INT(64)
	Boolean Kind = "boolean" // Parquet BOOLEAN; CSV true, false
)

// Decimals of a column have Scale decimals, rounded half to even from the exact
// value, and Precision digits in all.
const (
	Scale     = 6
	Precision = 18
)

// Column describes one column of a flat table.
type Column struct {
	Name  string
	Kind  Kind
	Unit  string // UCUM; "" for none
	Null  bool   // may be empty
	Words string // what it says
}

// Table describes a flat table.
type Table struct {
	Name    string
	Words   string
	Columns []Column
	Monthly bool // its rows have a day, so that its files may be by month
}

// Tables are the flat tables, in the order of the dictionary.
func Tables() []Table {
	return []Table{emptyings().table(), drainDays().table(), placements().table(), concerns().table(), assessments().table(), fluids().table(), patients().table(), changes().table()}
}

// spec is a table with the way from a row to its cells.
type spec[R any] struct {
	name, words string
	day         func(R) string // the ward's day of a row, "" where it is not known; nil: rows have none
	columns     []column[R]
}

type column[R any] struct {
	Column
	of func(R) cell
}

func (s spec[R]) table() Table {
	t := Table{Name: s.name, Words: s.words, Monthly: s.day != nil}
	for _, c := range s.columns {
		t.Columns = append(t.Columns, c.Column)
	}
	return t
}

func (s spec[R]) cells(row R, into []cell) []cell {
	into = into[:0]
	for _, c := range s.columns {
		into = append(into, c.of(row))
	}
	return into
}

// cell is one value: text for Text, n for all else. A cell that is not set is
// empty in CSV and null in Parquet.
type cell struct {
	set  bool
	text string
	n    int64
}

func text[T ~string](s T) cell { return cell{set: s != "", text: string(s)} }
func integer(n int) cell       { return cell{set: true, n: int64(n)} }

func boolean(b bool) cell {
	if b {
		return cell{set: true, n: 1}
	}
	return cell{set: true}
}

func at(t time.Time) cell {
	if t.IsZero() {
		return cell{}
	}
	return cell{set: true, n: t.UnixMicro()}
}

// date reads the day of a label such as 2026-11-25.
func date(label string) cell {
	t, err := time.Parse(time.DateOnly, label)
	if err != nil {
		return cell{}
	}
	return cell{set: true, n: t.Unix() / (24 * 60 * 60)}
}

// decimal rounds to Scale decimals, half to even. A value with more digits than
// Precision, which no drain gives, is left empty.
func decimal(r *big.Rat) cell {
	if r == nil {
		return cell{}
	}
	scaled := new(big.Rat).Mul(r, big.NewRat(1_000_000, 1))
	q, rest := new(big.Int).DivMod(scaled.Num(), scaled.Denom(), new(big.Int)) // q ≤ scaled < q+1
	switch c := rest.Lsh(rest, 1).Cmp(scaled.Denom()); {
	case c > 0, c == 0 && q.Bit(0) == 1:
		q.Add(q, big.NewInt(1))
	}
	if q.CmpAbs(largest()) > 0 {
		return cell{}
	}
	return cell{set: true, n: q.Int64()}
}

func largest() *big.Int { return big.NewInt(999_999_999_999_999_999) }

func volume(v drain.Volume) cell { return decimal(v.Rat()) }

func measured(v drain.Volume, known bool) cell {
	if !known {
		return cell{}
	}
	return volume(v)
}

func float(f float64, known bool) cell {
	r := new(big.Rat)
	if !known || r.SetFloat64(f) == nil {
		return cell{}
	}
	return decimal(r)
}

func list(items []string) cell { return text(strings.Join(items, " ")) }

// csv is the cell as CSV has it, not yet neutralised.
func (c cell) csv(k Kind) string {
	if !c.set {
		return ""
	}
	switch k {
	case Decimal:
		sign, n := "", c.n
		if n < 0 {
			sign, n = "-", -n
		}
		s := fmt.Sprintf("%s%d.%06d", sign, n/1_000_000, n%1_000_000)
		return strings.TrimSuffix(strings.TrimRight(s, "0"), ".")
	case Instant:
		return time.UnixMicro(c.n).UTC().Format(time.RFC3339Nano)
	case Date:
		return time.Unix(c.n*24*60*60, 0).UTC().Format(time.DateOnly)
	case Integer:
		return strconv.FormatInt(c.n, 10)
	case Boolean:
		return strconv.FormatBool(c.n != 0)
	}
	return c.text
}
