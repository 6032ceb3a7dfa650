package sqlite

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"fmt"
	"hash/crc32"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"

	"tidemark/internal/fault"
)

// markName is a file beside the data file that records the last acknowledged
// version. If the log is missing or damaged, the engine silently treats it as
// ending there and loses the rest; only a record outside the log can reveal it.
const markName = "tidemark.mark"

// mark is the progress of a store. It is written after the commit is durable and
// before it is acknowledged, so it is never ahead of the file. It is not synced
// each time, so it may be behind after a power cut.
type mark struct {
	seq, rev int64
	sum      [sha256.Size]byte // of the version of that seq
}

func (m mark) line() []byte {
	text := fmt.Appendf(nil, "tidemark mark 1 %020d %020d %x ", m.seq, m.rev, m.sum)
	return fmt.Appendf(text, "%08x\n", crc32.ChecksumIEEE(text))
}

// readMark reads the mark of a directory; ok is false when there is none that
// can be read.
func readMark(dir string, log *slog.Logger) (m mark, ok bool, err error) {
	for range 3 { // a service may be writing it
		b, err := os.ReadFile(filepath.Join(dir, markName))
		if errors.Is(err, fs.ErrNotExist) {
			return m, false, nil
		}
		if err != nil {
			return m, false, err
		}
		var sum []byte
		_, err = fmt.Sscanf(string(b), "tidemark mark 1 %d %d %x", &m.seq, &m.rev, &sum)
		copy(m.sum[:], sum)
		if err == nil && bytes.Equal(b, m.line()) {
			return m, true, nil
		}
	}
	log.Warn("the mark of acknowledged changes cannot be read; it is unknown whether the log is complete", "file", markName)
	return mark{}, false, nil
}

// versionSum is the digest of a version, which stands for all before it.
func versionSum(seq, rid, number, at int64, method string, body []byte) (sum [sha256.Size]byte) {
	h := sha256.New()
	fmt.Fprintf(h, "%d %d %d %d %s\n", seq, rid, number, at, method)
	h.Write(body)
	h.Sum(sum[:0])
	return sum
}

// sumOf returns versionSum of a stored version; false if there is none. For a
// version that was erased since, only its place can be compared.
func sumOf(c *conn, seq int64) (sum [sha256.Size]byte, ok bool, err error) {
	r, err := c.one("SELECT rid, number, at, method, body FROM version WHERE seq = ?", seq)
	if err != nil || r == nil {
		return sum, false, err
	}
	return versionSum(seq, r.int(0), r.int(1), r.int(2), r.text(3), r.blob(4)), true, nil
}

// complete compares the file with the mark. If it refuses, the caller must leave
// the connection open: closing the last one would make the engine remove the log.
func complete(c *conn, dir string, m mark) error {
	schema, err := checkSchema(c)
	if err != nil {
		return err
	}
	var seq, rev int64
	whole := m.seq == 0
	if schema > 0 {
		if seq, err = c.number("SELECT ifnull(max(seq), 0) FROM version"); err != nil {
			return err
		}
		if rev, err = c.number("SELECT ifnull(max(last), 0) FROM revision"); err != nil {
			return err
		}
		if m.seq > 0 {
			sum, ok, err := sumOf(c, m.seq)
			if err != nil {
				return err
			}
			gone, err := c.number("SELECT count(*) FROM version WHERE seq = ? AND meta = ?", m.seq, erased)
			if err != nil {
				return err
			}
			whole = ok && (sum == m.sum || gone == 1)
		}
	}
	if whole && rev >= m.rev {
		return nil
	}
	return fault.New(fault.Unavailable, "incomplete",
		"The data file in %s lacks acknowledged changes: it ends at change %d of %d. Its log %s-wal is missing or damaged, or the file is another one. "+
			"Put the log back, or restore a backup into a new directory; to go on without what is lost, delete %s there.", dir, seq, m.seq, fileName, markName)
}

// marker keeps the mark of a store that is open.
type marker struct {
	file   *os.File
	last   mark
	failed bool
	log    *slog.Logger
}

func openMark(dir string, log *slog.Logger) (*marker, error) {
	f, err := os.OpenFile(filepath.Join(dir, markName), os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, err
	}
	return &marker{file: f, log: log}, nil
}

// note moves the mark. Its length is fixed, and it is overwritten in place.
func (k *marker) note(m mark) {
	if m == k.last {
		return
	}
	_, err := k.file.WriteAt(m.line(), 0)
	if err != nil && !k.failed {
		k.log.Warn("the mark of acknowledged changes cannot be written; a lost log would not be noticed", "file", markName, "error", err)
	}
	k.failed = err != nil
	k.last = m
}

// sync makes the mark durable.
func (k *marker) sync() {
	if err := k.file.Sync(); err != nil && !k.failed {
		k.log.Warn("the mark of acknowledged changes is not on the disk", "file", markName, "error", err)
	}
}

// Close makes the mark durable and ends.
func (k *marker) Close() error { return errors.Join(k.file.Sync(), k.file.Close()) }
