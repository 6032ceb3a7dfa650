package bulk

import (
	"bufio"
	"errors"
	"io"

	"tidemark/internal/store"
)

// Line is one line of an NDJSON file.
type Line struct {
	Number int
	Text   []byte // valid until the next line is read
	End    int64  // offset behind the line
	Long   bool   // longer than a resource may be; Text is its beginning
}

// Lines reads NDJSON. Blank lines are passed over; carriage returns before the
// end of a line are white space.
type Lines struct {
	r      *bufio.Reader
	number int
	offset int64
	buf    []byte
}

// NewLines begins at a place in the file: offset bytes and number lines lie
// before it.
func NewLines(r io.Reader, offset int64, number int) *Lines {
	return &Lines{r: bufio.NewReaderSize(r, 256<<10), offset: offset, number: number}
}

// maxLine is the longest line that is looked at: a resource with what a
// history entry has around it.
const maxLine = store.MaxResource + 4096

// Next gives the next line that is not blank; io.EOF at the end.
func (l *Lines) Next() (Line, error) {
	for {
		line, err := l.next()
		if err != nil {
			return Line{}, err
		}
		if line.Long || !blank(line.Text) {
			return line, nil
		}
	}
}

func (l *Lines) next() (Line, error) {
	l.buf = l.buf[:0]
	line := Line{}
	read := 0
	for {
		part, err := l.r.ReadSlice('\n')
		read += len(part)
		if room := maxLine - len(l.buf); len(part) > room {
			line.Long = true
			part = part[:room]
		}
		l.buf = append(l.buf, part...)
		if errors.Is(err, bufio.ErrBufferFull) {
			continue
		}
		if err != nil && (read == 0 || !errors.Is(err, io.EOF)) {
			return Line{}, err
		}
		l.number++
		l.offset += int64(read)
		line.Number, line.End = l.number, l.offset
		line.Text = l.buf
		if n := len(line.Text); n > 0 && line.Text[n-1] == '\n' {
			line.Text = line.Text[:n-1]
		}
		return line, nil
	}
}

func blank(b []byte) bool {
	for _, c := range b {
		if c != ' ' && c != '\t' && c != '\r' {
			return false
		}
	}
	return true
}
