package bulk

import (
	"bufio"
	"errors"
	"io"
	"os"

	"github.com/klauspost/compress/gzip"

	"tidemark/internal/fault"
)

// lines writes files of NDJSON, each opened with its first line.
type lines struct {
	r    *run
	file File // Name without number and ending
	out  *zipped
}

func (l *lines) write(line []byte) (err error) {
	if l.out == nil {
		name := l.r.job.name(l.file.Name, ".ndjson")
		if l.out, err = create(l.r.path(l.r.job.ID, File{Name: name, Term: l.r.job.Fence})); err != nil {
			return err
		}
		l.out.name = name
	}
	l.file.Count++
	if _, err = l.out.Write(line); err == nil {
		err = l.out.WriteByte('\n')
	}
	return writing(err)
}

// close finishes the file, if there is one, and adds it to the job, which the
// caller then keeps.
func (l *lines) close() error {
	if l.out == nil {
		return nil
	}
	out := l.out
	l.out = nil
	size, err := out.finish()
	if err != nil {
		return writing(err)
	}
	f := l.file
	f.Name, f.Size, f.Term = out.name, size, l.r.job.Fence
	l.r.job.Files = append(l.r.job.Files, f)
	l.file.Count = 0
	return nil
}

// abandon closes a file that was not finished.
func (l *lines) abandon() {
	if l.out != nil {
		l.out.abandon()
		l.out = nil
	}
}

func writing(err error) error {
	if err == nil {
		return nil
	}
	return fault.Wrap(err, "write a file of an export")
}

// zipped is a file that is compressed beside the work that fills it.
type zipped struct {
	*bufio.Writer
	name string
	f    *os.File
	pipe *io.PipeWriter
	done chan error
}

func create(path string) (*zipped, error) {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return nil, writing(err)
	}
	z, err := gzip.NewWriterLevel(f, gzip.BestSpeed)
	if err != nil {
		return nil, writing(errors.Join(err, f.Close()))
	}
	in, pipe := io.Pipe()
	out := &zipped{Writer: bufio.NewWriterSize(pipe, 256<<10), f: f, pipe: pipe, done: make(chan error, 1)}
	go func() {
		_, err := io.Copy(z, in)
		err = errors.Join(err, z.Close())
		in.CloseWithError(err) // a writer must not wait for a reader that is gone
		out.done <- err
	}()
	return out, nil
}

// finish makes the file durable and gives its size.
func (z *zipped) finish() (int64, error) {
	err := z.Flush()
	err = errors.Join(err, z.pipe.Close(), <-z.done)
	if err == nil {
		err = z.f.Sync()
	}
	var size int64
	if fi, e := z.f.Stat(); e == nil {
		size = fi.Size()
	}
	return size, errors.Join(err, z.f.Close())
}

// abandon closes a file that was not finished; it is removed before the next
// try.
func (z *zipped) abandon() {
	z.pipe.CloseWithError(errAbandoned)
	<-z.done
	_ = z.f.Close() // nobody needs what is in it
}

var errAbandoned = errors.New("the file was given up")
