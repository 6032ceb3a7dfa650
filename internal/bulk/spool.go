package bulk

import (
	"bufio"
	"encoding/binary"
	"errors"
	"maps"
	"os"
	"slices"
)

// spool keeps the rows of a table on disk until the file of each month is
// written, one after another: in memory are the places of the rows alone, at
// most Options.FileRows and the rows of one drain.
type spool struct {
	f    *os.File
	out  *bufio.Writer
	end  int64
	rows map[string][]span // by month
	buf  []byte
}

// span is where a row lies.
type span struct {
	at   int64
	size int
}

func newSpool(path string) (*spool, error) {
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return nil, writing(err)
	}
	return &spool{f: f, out: bufio.NewWriter(f), rows: map[string][]span{}}, nil
}

func (s *spool) add(month string, cells []cell) error {
	b := s.buf[:0]
	for _, c := range cells {
		if !c.set {
			b = append(b, 0)
			continue
		}
		b = binary.AppendVarint(append(b, 1), c.n)
		b = append(binary.AppendUvarint(b, uint64(len(c.text))), c.text...)
	}
	s.buf = b
	s.rows[month] = append(s.rows[month], span{s.end, len(b)})
	s.end += int64(len(b))
	_, err := s.out.Write(b)
	return writing(err)
}

// months are those of the rows, in order.
func (s *spool) months() []string { return slices.Sorted(maps.Keys(s.rows)) }

// each hands over the rows of a month in the order in which they came.
func (s *spool) each(month string, into []cell, row func([]cell) error) error {
	if err := s.out.Flush(); err != nil {
		return writing(err)
	}
	for _, at := range s.rows[month] {
		b := slices.Grow(s.buf[:0], at.size)[:at.size]
		s.buf = b
		if _, err := s.f.ReadAt(b, at.at); err != nil {
			return writing(err)
		}
		into = into[:0]
		for len(b) > 0 {
			var c cell
			c.set, b = b[0] != 0, b[1:]
			if c.set {
				n, used := binary.Varint(b)
				size, more := binary.Uvarint(b[used:])
				from := used + more
				c.n, c.text, b = n, string(b[from:from+int(size)]), b[from+int(size):]
			}
			into = append(into, c)
		}
		if err := row(into); err != nil {
			return err
		}
	}
	return nil
}

// remove removes the file.
func (s *spool) remove() error { return errors.Join(s.f.Close(), os.Remove(s.f.Name())) }
