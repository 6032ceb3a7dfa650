package bulk

import (
	"bytes"
	"fmt"
	"strings"

	"encoding/csv"
)

// DictionaryCSV is the data dictionary of the flat tables as CSV: a row for
// each column.
func DictionaryCSV() []byte {
	var b bytes.Buffer
	w := csv.NewWriter(&b)
	_ = w.Write([]string{"table", "column", "type", "unit", "may_be_empty", "meaning"}) // a bytes.Buffer does not fail
	for _, t := range Tables() {
		for _, c := range t.Columns {
			_ = w.Write([]string{t.Name, c.Name, string(c.Kind), c.Unit, fmt.Sprint(c.Null), c.Words})
		}
	}
	w.Flush()
	return b.Bytes()
}

// DictionaryMarkdown is the data dictionary for people.
func DictionaryMarkdown() []byte {
	var b strings.Builder
	b.WriteString("# Flat tables\n\nDecimals are DECIMAL(18,6) in Parquet, rounded half to even from the exact value; CSV has the same value without trailing zeros. " +
		"Instants are UTC: microseconds in Parquet, RFC 3339 in CSV. In CSV an apostrophe stands before text that a spreadsheet would take for a formula.\n")
	for _, t := range Tables() {
		fmt.Fprintf(&b, "\n## %s\n\n%s\n\n| column | type | unit | may be empty | meaning |\n|---|---|---|---|---|\n", t.Name, t.Words)
		for _, c := range t.Columns {
			null := ""
			if c.Null {
				null = "yes"
			}
			fmt.Fprintf(&b, "| `%s` | %s | %s | %s | %s |\n", c.Name, c.Kind, c.Unit, null, c.Words)
		}
	}
	return []byte(b.String())
}
