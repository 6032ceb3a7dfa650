package bulk

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"io/fs"
	"os"
	"path/filepath"

	"tidemark/internal/fault"
	"tidemark/internal/fhirjson"
	"tidemark/internal/store"
)

// Dump writes what a store holds into plain NDJSON files of a folder: one for
// each type, or the one of all versions (HistoryFile). It goes on where a dump
// into the same folder was cut off, with the same horizon.
type Dump struct {
	Store    DumpStore
	Source   string // names the store, so that a part of another's is not gone on with
	Types    []string
	Versions bool
	Dir      string
	Redact   func(*fhirjson.Node)           // of a Subscription; all versions are never redacted
	Progress func(done, of int64, rows int) // places in the feed
}

// DumpStore is the part of a store that a dump reads.
type DumpStore interface {
	Feed
	Scanner
	ReadVersion(ctx context.Context, key store.Key, number int64) (store.Version, error)
	LastSeq(ctx context.Context) (int64, error)
}

// HistoryFile is the name of the file with all versions.
const HistoryFile = "history.ndjson"

// ProgressFile keeps where a dump stands. It is removed at the end.
const ProgressFile = ".tidemark-export.json"

// dumpPlace is where a dump stands.
type dumpPlace struct {
	Source   string   `json:"source,omitempty"`
	Versions bool     `json:"versions"`
	Types    []string `json:"types"`
	Horizon  int64    `json:"horizon"`
	Unit     int      `json:"unit"`  // types that are done
	After    int64    `json:"after"` // place in the feed up to which the file reaches
	Size     int64    `json:"size"`  // of the file
	Rows     int      `json:"rows"`
}

// Run writes the files and says how many resources or versions they hold.
func (d *Dump) Run(ctx context.Context) (int, error) {
	if err := os.MkdirAll(d.Dir, 0o700); err != nil {
		return 0, fault.Wrap(err, "make the folder")
	}
	p, err := d.place(ctx)
	if err != nil {
		return 0, err
	}
	files := d.Types
	if d.Versions {
		files = []string{""}
	}
	for p.Unit < len(files) {
		if err := d.file(ctx, files[p.Unit], &p); err != nil {
			return p.Rows, err
		}
		p.Unit, p.After, p.Size = p.Unit+1, 0, 0
		if err := d.keep(p); err != nil {
			return p.Rows, err
		}
	}
	return p.Rows, os.Remove(filepath.Join(d.Dir, ProgressFile))
}

// place reads where the dump stands, or fixes the horizon of a new one.
func (d *Dump) place(ctx context.Context) (dumpPlace, error) {
	want := dumpPlace{Source: d.Source, Versions: d.Versions, Types: d.Types}
	data, err := os.ReadFile(filepath.Join(d.Dir, ProgressFile))
	if errors.Is(err, fs.ErrNotExist) {
		want.Horizon, err = d.Store.LastSeq(ctx)
		if err == nil {
			err = d.keep(want)
		}
		return want, err
	}
	var have dumpPlace
	if err == nil {
		err = json.Unmarshal(data, &have)
	}
	if err != nil {
		return want, fault.Wrap(err, "read "+ProgressFile)
	}
	a, _ := json.Marshal(dumpPlace{Source: have.Source, Versions: have.Versions, Types: have.Types}) // plain values
	b, _ := json.Marshal(want)
	if string(a) != string(b) {
		return want, fault.New(fault.Conflict, "conflict", "The folder holds part of another export; give another folder, or remove %s to start again.", ProgressFile)
	}
	return have, nil
}

func (d *Dump) keep(p dumpPlace) error {
	data, err := json.Marshal(p)
	if err != nil {
		return fault.Wrap(err, "write "+ProgressFile)
	}
	return Replace(filepath.Join(d.Dir, ProgressFile), data)
}

// Replace writes a small file in one step.
func Replace(path string, data []byte) error {
	part := path + ".partial"
	if err := os.WriteFile(part, data, 0o600); err != nil {
		return fault.Wrap(err, "write "+filepath.Base(path))
	}
	if err := os.Rename(part, path); err != nil {
		return fault.Wrap(err, "write "+filepath.Base(path))
	}
	return nil
}

// file writes one file from where it stands.
func (d *Dump) file(ctx context.Context, typ string, p *dumpPlace) error {
	name := HistoryFile
	if typ != "" {
		name = typ + ".ndjson"
	}
	f, err := os.OpenFile(filepath.Join(d.Dir, name), os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return fault.Wrap(err, "open "+name)
	}
	defer f.Close() // closed with its error below where all went well
	if err := f.Truncate(p.Size); err != nil {
		return fault.Wrap(err, "shorten "+name)
	}
	if _, err := f.Seek(p.Size, 0); err != nil {
		return fault.Wrap(err, "go on in "+name)
	}
	w := bufio.NewWriterSize(f, 1<<20)
	for p.After < p.Horizon {
		var page []store.Version
		if typ == "" {
			page, err = d.Store.Changes(ctx, p.After, pageRows)
		} else {
			page, err = d.Store.Scan(ctx, typ, p.After, p.Horizon, pageRows)
		}
		if err != nil {
			return err
		}
		if len(page) == 0 {
			break
		}
		for _, v := range page {
			if v.Seq > p.Horizon {
				break
			}
			p.After = v.Seq
			line, err := d.line(typ, v)
			if err != nil {
				return err
			}
			if line == nil {
				continue
			}
			n, err := w.Write(append(line, '\n'))
			if err != nil {
				return fault.Wrap(err, "write "+name)
			}
			p.Size += int64(n)
			p.Rows++
		}
		if page[len(page)-1].Seq > p.Horizon {
			p.After = p.Horizon
		}
		if err := w.Flush(); err != nil {
			return fault.Wrap(err, "write "+name)
		}
		if err := d.keep(*p); err != nil {
			return err
		}
		if d.Progress != nil {
			d.Progress(p.After, p.Horizon, p.Rows)
		}
	}
	if err := f.Sync(); err != nil {
		return fault.Wrap(err, "write "+name)
	}
	if p.Size == 0 {
		return os.Remove(f.Name()) // no file for a type without resources
	}
	return f.Close()
}

func (d *Dump) line(typ string, v store.Version) ([]byte, error) {
	if typ == "" {
		return HistoryLine(v), nil
	}
	if v.Deleted() {
		return nil, nil
	}
	if typ != "Subscription" || d.Redact == nil {
		return v.JSON(), nil
	}
	n, err := fhirjson.Parse(v.JSON())
	if err != nil {
		return nil, fault.Wrap(err, "read "+v.Key.String())
	}
	d.Redact(n)
	return n.Bytes(), nil
}
