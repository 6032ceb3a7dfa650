package search

import (
	"crypto/sha256"
	"encoding/binary"
	"slices"
)

// Keys are 64-bit hashes of what an equality search asks for, so that a store
// needs one index for all of them. They are SHA-256, cut short: with a weaker
// hash a caller could craft an identifier whose key is that of another
// patient's compartment, and appear in searches that trust keys alone.

// What a key stands for, beside the type and the parameter.
const (
	keyType       = 't' // the type alone
	keyCode       = 'c' // a code of whatever system whose codes fold
	keyExactCode  = 'C' // a code of whatever system whose codes keep their case
	keySystemCode = 's' // system and code
	keySystem     = 'S' // a system with any code
	keyRef        = 'r' // a reference
	keyRefID      = 'i' // the id of a reference, for parameters that may lead to any type
	keyURI        = 'u'
)

// containedRef stands for every reference to a contained resource: a chain asks
// each that has one.
const containedRef = "#"

// hasher makes keys; it keeps its buffer between them.
type hasher struct{ buf []byte }

func (h *hasher) key(typ, param string, what byte, first, second string) int64 {
	b := append(h.buf[:0], typ...)
	b = append(b, 0)
	b = append(b, param...)
	b = append(b, 0, what)
	b = binary.AppendUvarint(b, uint64(len(first)))
	b = append(b, first...)
	b = append(b, second...)
	h.buf = b
	sum := sha256.Sum256(b)
	return int64(binary.LittleEndian.Uint64(sum[:8]))
}

// codeKey is the key of a code without regard to its system.
func (h *hasher) codeKey(typ, param, system, code string) int64 {
	if caseSensitive(system) {
		return h.key(typ, param, keyExactCode, code, "")
	}
	return h.key(typ, param, keyCode, foldCode(code), "")
}

func (h *hasher) systemCodeKey(typ, param, system, code string) int64 {
	if !caseSensitive(system) {
		code = foldCode(code)
	}
	return h.key(typ, param, keySystemCode, system, code)
}

// Keys gives the document's keys, each once: one for its type, and for every
// token, reference and URI those under which a search may ask for it.
func (d Doc) Keys() []int64 {
	h := hasher{buf: make([]byte, 0, 256)}
	out := make([]int64, 0, 3*len(d.Entries)+1)
	add := func(k int64) { out = append(out, k) }
	add(h.key(d.Type, "", keyType, "", ""))
	params := table().types[d.Type].params
	for i := range d.Entries {
		e := &d.Entries[i]
		if e.Missing {
			continue
		}
		switch e.Kind {
		case Token:
			h.token(d.Type, e.Param, e, add)
		case Reference:
			if e.Code != "" || e.System != "" {
				h.token(d.Type, e.Param+byIdentifier, e, add)
			}
			if e.Contained != nil {
				add(h.key(d.Type, e.Param, keyRef, containedRef, ""))
			}
			if e.Ref == "" {
				continue
			}
			add(h.key(d.Type, e.Param, keyRef, e.Ref, ""))
			if p, ok := params[e.Param]; ok && p.Targets == nil {
				if id, ok := localID(e.Ref); ok {
					add(h.key(d.Type, e.Param, keyRefID, id, ""))
				}
			}
		case URI:
			if e.Text != "" {
				add(h.key(d.Type, e.Param, keyURI, e.Text, ""))
			}
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}

func (h *hasher) token(typ, param string, e *Entry, add func(int64)) {
	if e.Code != "" {
		add(h.codeKey(typ, param, e.System, e.Code))
		add(h.systemCodeKey(typ, param, e.System, e.Code))
	}
	if e.System != "" {
		add(h.key(typ, param, keySystem, e.System, ""))
	}
}

// localID is the id of a reference of the form "Type/id".
func localID(ref string) (string, bool) {
	typ := refType(ref)
	if typ == "" || len(ref) == len(typ)+1 || ref[len(typ)] != '/' || ref[:len(typ)] != typ {
		return "", false
	}
	return ref[len(typ)+1:], true
}
