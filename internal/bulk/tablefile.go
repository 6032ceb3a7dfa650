package bulk

import (
	"encoding/csv"
	"errors"
	"io"
	"os"
	"slices"

	"github.com/parquet-go/parquet-go"

	"tidemark/fhirmap"
)

// rowGroup bounds what a Parquet writer holds in memory.
const rowGroup = 20_000

// tableWriter writes one file of a flat table.
type tableWriter interface {
	write(cells []cell) error
	finish() (size int64, err error)
	abandon()
}

func createTable(path string, t Table, f Format) (tableWriter, error) {
	if f == CSV {
		return createCSV(path, t)
	}
	return createParquet(path, t)
}

// csvFile is a table as CSV (RFC 4180), compressed.
type csvFile struct {
	*zipped
	rows *rowsCSV
}

func createCSV(path string, t Table) (tableWriter, error) {
	z, err := create(path)
	if err != nil {
		return nil, err
	}
	w := &csvFile{zipped: z, rows: newCSV(z, t)}
	return w, w.rows.head()
}

func (w *csvFile) write(cells []cell) error { return w.rows.write(cells) }

func (w *csvFile) finish() (int64, error) {
	w.rows.out.Flush()
	size, err := w.zipped.finish()
	return size, errors.Join(w.rows.out.Error(), err)
}

// rowsCSV writes rows. Every cell is made harmless for a spreadsheet, which
// would take some text for a formula.
type rowsCSV struct {
	table Table
	out   *csv.Writer
	line  []string
}

func newCSV(w io.Writer, t Table) *rowsCSV {
	return &rowsCSV{table: t, out: csv.NewWriter(w), line: make([]string, len(t.Columns))}
}

func (w *rowsCSV) head() error {
	for i, c := range w.table.Columns {
		w.line[i] = c.Name
	}
	return writing(w.out.Write(w.line))
}

func (w *rowsCSV) write(cells []cell) error {
	for i, c := range cells {
		w.line[i] = fhirmap.Neutral(c.csv(w.table.Columns[i].Kind))
	}
	return writing(w.out.Write(w.line))
}

// parquetFile is a table as Parquet.
type parquetFile struct {
	table Table
	f     *os.File
	out   *parquet.GenericWriter[any]
	row   []parquet.Row
}

func createParquet(path string, t Table) (tableWriter, error) {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return nil, writing(err)
	}
	out := parquet.NewGenericWriter[any](f, schema(t), parquet.Compression(&parquet.Snappy), parquet.MaxRowsPerRowGroup(rowGroup),
		parquet.CreatedBy("tidemark", "", ""))
	return &parquetFile{table: t, f: f, out: out, row: []parquet.Row{make(parquet.Row, len(t.Columns))}}, nil
}

func (w *parquetFile) write(cells []cell) error {
	for i, c := range cells {
		w.row[0][i] = value(w.table.Columns[i], c).Level(0, level(w.table.Columns[i], c), i)
	}
	_, err := w.out.WriteRows(w.row)
	return writing(err)
}

func (w *parquetFile) finish() (int64, error) {
	err := w.out.Close()
	if err == nil {
		err = w.f.Sync()
	}
	var size int64
	if fi, e := w.f.Stat(); e == nil {
		size = fi.Size()
	}
	return size, errors.Join(err, w.f.Close())
}

func (w *parquetFile) abandon() { _ = w.f.Close() } // nobody needs what is in it

// ordered is a group whose columns stand in the table's order, not by name.
type ordered struct {
	parquet.Group
	names []string
}

// Fields implements parquet.Node.
func (o ordered) Fields() []parquet.Field {
	fs := o.Group.Fields()
	slices.SortFunc(fs, func(a, b parquet.Field) int { return slices.Index(o.names, a.Name()) - slices.Index(o.names, b.Name()) })
	return fs
}

// schema is the Parquet schema of a table.
func schema(t Table) *parquet.Schema {
	root := ordered{Group: parquet.Group{}}
	for _, c := range t.Columns {
		n := node(c.Kind)
		if c.Null {
			n = parquet.Optional(n)
		}
		root.Group[c.Name] = n
		root.names = append(root.names, c.Name)
	}
	return parquet.NewSchema(t.Name, root)
}

func node(k Kind) parquet.Node {
	switch k {
	case Decimal:
		return parquet.Decimal(Scale, Precision, parquet.Int64Type)
	case Instant:
		return parquet.Timestamp(parquet.Microsecond)
	case Date:
		return parquet.Date()
	case Integer:
		return parquet.Int(64)
	case Boolean:
		return parquet.Leaf(parquet.BooleanType)
	}
	return parquet.String()
}

// level is the definition level: 1 for a value in a column that may be null.
func level(col Column, c cell) int {
	if col.Null && c.set {
		return 1
	}
	return 0
}

func value(col Column, c cell) parquet.Value {
	if col.Null && !c.set {
		return parquet.NullValue()
	}
	switch col.Kind {
	case Decimal, Instant, Integer:
		return parquet.Int64Value(c.n)
	case Date:
		return parquet.Int32Value(int32(c.n))
	case Boolean:
		return parquet.BooleanValue(c.n != 0)
	}
	return parquet.ByteArrayValue([]byte(c.text))
}
