// Package disk owns a disk that fails when a test wants it to: it stands
// between the embedded engine and the files of a directory, and keeps count of
// what a power cut would leave of them. Only tests import it.
//
// A failed fsync is modelled after Linux since 4.13: the kernel takes the
// pages for clean, so that what was not on the disk by then never gets there
// unless it is written anew; each open file hears of the failure once; a later
// fsync that succeeds says nothing about it.
package disk

import (
	"math/rand/v2"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"unsafe"

	"modernc.org/libc"
	"modernc.org/libc/sys/types"
	sqlite3 "modernc.org/sqlite/lib"
)

// Call is what the engine wants of a file.
type Call string

// Calls that can fail.
const (
	Open     Call = "open"
	Read     Call = "read"
	Write    Call = "write"
	Truncate Call = "truncate"
	Sync     Call = "fsync"
	Delete   Call = "delete"
)

// Answer is what the disk says.
type Answer int

// Answers. Half and Full leave the first half of a write in the file.
const (
	OK       Answer = iota
	EIO             // the device reports an error
	Half            // a write that was cut short by an error
	Full            // no space left
	ReadOnly        // as the kernel makes a file system after errors
)

// Disk is a directory whose files fail on demand.
type Disk struct {
	dir string

	mu    sync.Mutex
	rand  *rand.Rand
	fault func(c Call, file string) Answer
	files map[string]*file
}

// file is what would be left of one.
type file struct {
	durable []byte
	pending []change // since the last fsync
	failed  int      // fsyncs
}

// change is a write, or with nil data a truncation.
type change struct {
	at   int64
	data []byte
}

// handle is an open file.
type handle struct {
	d     *Disk
	name  string
	f     *file
	heard int // of failed fsyncs
	real  *sqlite3.Tsqlite3_io_methods
}

var (
	install sync.Once
	mu      sync.Mutex // of all below
	disks   = map[string]*Disk{}
	handles = map[uintptr]*handle{} // by sqlite3_file
	tables  = map[uintptr]uintptr{} // the engine's methods → ours
	vfs     sqlite3.Tsqlite3_vfs    // as it was
)

// New puts a disk under a directory until the test ends. Files have to be
// opened after it. The seed decides what a power cut leaves.
func New(tb testing.TB, dir string, seed uint64) *Disk {
	tb.Helper()
	install.Do(stand)
	d := &Disk{dir: dir, rand: rand.New(rand.NewPCG(seed, 1)), files: map[string]*file{}}
	mu.Lock()
	defer mu.Unlock()
	disks[dir] = d
	tb.Cleanup(func() {
		mu.Lock()
		defer mu.Unlock()
		delete(disks, dir)
	})
	return d
}

// Fail asks f about every call on a file, such as "tidemark.db-wal", from now
// on; nil heals the disk. f is called by one goroutine at a time.
func (d *Disk) Fail(f func(c Call, file string) Answer) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.fault = f
}

// Once fails the first call of a kind on a file, and says whether it came.
func (d *Disk) Once(call Call, name string, a Answer) (came func() bool) {
	n := 0
	d.Fail(func(c Call, file string) Answer {
		if c != call || file != name {
			return OK
		}
		if n++; n == 1 {
			return a
		}
		return OK
	})
	return func() bool {
		d.mu.Lock()
		defer d.mu.Unlock()
		return n > 0
	}
}

// PowerCut writes into another directory what the disk would hold if the power
// were cut now: what was made durable, and of the rest any part, sector by sector.
func (d *Disk) PowerCut(tb testing.TB, into string) {
	tb.Helper()
	d.mu.Lock()
	defer d.mu.Unlock()
	for name, f := range d.files {
		if filepath.Ext(name) == ".db-shm" {
			continue
		}
		left := append([]byte(nil), f.durable...)
		for _, c := range f.pending {
			left = d.part(left, c)
		}
		if err := os.WriteFile(filepath.Join(into, name), left, 0o600); err != nil {
			tb.Fatal(err)
		}
	}
}

const sector = 512

// part makes a change as a power cut or a failed fsync may leave it.
func (d *Disk) part(b []byte, c change) []byte {
	if c.data == nil {
		if d.rand.IntN(2) == 0 {
			return b
		}
		return apply(b, c)
	}
	luck := d.rand.IntN(3) // nothing of it, all of it, some sectors
	for i := int64(0); i < int64(len(c.data)); {
		n := min(sector-(c.at+i)%sector, int64(len(c.data))-i)
		if luck == 1 || luck == 2 && d.rand.IntN(2) == 0 {
			b = apply(b, change{c.at + i, c.data[i : i+n]})
		}
		i += n
	}
	return b
}

func apply(b []byte, c change) []byte {
	end := c.at + int64(len(c.data))
	if n := int64(len(b)); n < end {
		b = append(b, make([]byte, end-n)...)
	}
	if c.data == nil {
		return b[:c.at]
	}
	copy(b[c.at:], c.data)
	return b
}

// ask asks the test what becomes of a call. d.mu is held.
func (d *Disk) ask(c Call, name string) Answer {
	if d.fault == nil {
		return OK
	}
	return d.fault(c, name)
}

func of(path string) *Disk {
	mu.Lock()
	defer mu.Unlock()
	return disks[filepath.Dir(path)]
}

func find(f uintptr) *handle {
	mu.Lock()
	defer mu.Unlock()
	return handles[f]
}

// stand takes its place in the engine's own table of the operating system.
func stand() {
	tls := libc.NewTLS()
	defer tls.Close()
	own := at[sqlite3.Tsqlite3_vfs](sqlite3.Xsqlite3_vfs_find(tls, 0))
	vfs = *own
	own.FxOpen = pointer(openFile)
	own.FxDelete = pointer(deleteFile)
}

// at is the C structure at an address.
func at[T any](p uintptr) *T { return *(**T)(unsafe.Pointer(&p)) }

// pointer is a Go function as the translated C code calls it.
func pointer[F any](f F) uintptr { return *(*uintptr)(unsafe.Pointer(&f)) }

// function is the reverse of pointer.
func function[F any](p uintptr) F {
	return *(*F)(unsafe.Pointer(&p))
}

type (
	openFunc     = func(tls *libc.TLS, vfs, name, f uintptr, flags int32, out uintptr) int32
	deleteFunc   = func(tls *libc.TLS, vfs, name uintptr, sync int32) int32
	closeFunc    = func(tls *libc.TLS, f uintptr) int32
	transferFunc = func(tls *libc.TLS, f, buf uintptr, n int32, at int64) int32
	truncateFunc = func(tls *libc.TLS, f uintptr, size int64) int32
)

func openFile(tls *libc.TLS, v, name, f uintptr, flags int32, out uintptr) int32 {
	real := function[openFunc](vfs.FxOpen)
	path := ""
	if name != 0 {
		path = libc.GoString(name)
	}
	d := of(path)
	if d == nil {
		return real(tls, v, name, f, flags, out)
	}
	base := filepath.Base(path)
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.ask(Open, base) != OK {
		at[sqlite3.Tsqlite3_file](f).FpMethods = 0
		return sqlite3.SQLITE_CANTOPEN
	}
	before, _ := os.ReadFile(path) // none when it is new
	rc := real(tls, v, name, f, flags, out)
	if rc != sqlite3.SQLITE_OK {
		return rc
	}
	if d.files[base] == nil {
		d.files[base] = &file{durable: before}
	}
	mu.Lock()
	defer mu.Unlock()
	own := at[sqlite3.Tsqlite3_file](f)
	was := own.FpMethods
	handles[f] = &handle{d: d, name: base, f: d.files[base], heard: d.files[base].failed, real: at[sqlite3.Tsqlite3_io_methods](was)}
	if tables[was] == 0 {
		// For good, and in the memory of C, where the engine looks for it.
		tables[was] = libc.Xmalloc(tls, types.Size_t(unsafe.Sizeof(sqlite3.Tsqlite3_io_methods{})))
		table := at[sqlite3.Tsqlite3_io_methods](tables[was])
		*table = *at[sqlite3.Tsqlite3_io_methods](was)
		table.FxClose, table.FxRead, table.FxWrite = pointer(closeFile), pointer(readFile), pointer(writeFile)
		table.FxTruncate, table.FxSync = pointer(truncateFile), pointer(syncFile)
	}
	own.FpMethods = tables[was]
	return rc
}

func deleteFile(tls *libc.TLS, v, name uintptr, sync int32) int32 {
	path := libc.GoString(name)
	if d := of(path); d != nil {
		d.mu.Lock()
		defer d.mu.Unlock()
		if d.ask(Delete, filepath.Base(path)) != OK {
			return sqlite3.SQLITE_IOERR_DELETE
		}
		delete(d.files, filepath.Base(path))
	}
	return function[deleteFunc](vfs.FxDelete)(tls, v, name, sync)
}

func closeFile(tls *libc.TLS, f uintptr) int32 {
	h := find(f)
	mu.Lock()
	delete(handles, f) // before another opens one at this address
	mu.Unlock()
	return function[closeFunc](h.real.FxClose)(tls, f)
}

func readFile(tls *libc.TLS, f, buf uintptr, n int32, off int64) int32 {
	h := find(f)
	h.d.mu.Lock()
	answer := h.d.ask(Read, h.name)
	h.d.mu.Unlock()
	if answer != OK && answer != ReadOnly {
		return sqlite3.SQLITE_IOERR_READ
	}
	return function[transferFunc](h.real.FxRead)(tls, f, buf, n, off)
}

func writeFile(tls *libc.TLS, f, buf uintptr, n int32, off int64) int32 {
	h := find(f)
	h.d.mu.Lock()
	defer h.d.mu.Unlock()
	write := func(n int32) int32 {
		data := append([]byte{}, unsafe.Slice(at[byte](buf), n)...)
		h.f.pending = append(h.f.pending, change{off, data})
		return function[transferFunc](h.real.FxWrite)(tls, f, buf, n, off)
	}
	failure := int32(sqlite3.SQLITE_IOERR_WRITE)
	switch h.d.ask(Write, h.name) {
	case OK:
		return write(n)
	case Full:
		failure = sqlite3.SQLITE_FULL
		write(n / 2)
	case Half:
		write(n / 2)
	}
	return failure
}

func truncateFile(tls *libc.TLS, f uintptr, size int64) int32 {
	h := find(f)
	h.d.mu.Lock()
	defer h.d.mu.Unlock()
	if h.d.ask(Truncate, h.name) != OK {
		return sqlite3.SQLITE_IOERR_TRUNCATE
	}
	h.f.pending = append(h.f.pending, change{at: size})
	return function[truncateFunc](h.real.FxTruncate)(tls, f, size)
}

// syncFile fails without trying, or succeeds without it: the kernel's own
// fsync would only take time, since the model is what survives here.
func syncFile(tls *libc.TLS, f uintptr, flags int32) int32 {
	h := find(f)
	h.d.mu.Lock()
	defer h.d.mu.Unlock()
	failed := h.d.ask(Sync, h.name) != OK
	for _, c := range h.f.pending {
		if failed {
			h.f.durable = h.d.part(h.f.durable, c)
		} else {
			h.f.durable = apply(h.f.durable, c)
		}
	}
	h.f.pending = nil
	if failed {
		h.f.failed++
	}
	if h.heard != h.f.failed {
		h.heard = h.f.failed
		return sqlite3.SQLITE_IOERR_FSYNC
	}
	return sqlite3.SQLITE_OK
}
