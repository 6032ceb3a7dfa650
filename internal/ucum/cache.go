package ucum

import (
	"errors"
	"strings"
	"sync"
	"sync/atomic"
)

// A memo remembers definitions by code in two generations: when the young one
// is full it becomes the old one, and what is still asked for moves back. So
// memory is bounded, and a flood of odd codes cannot keep the usual ones out.
type memo struct {
	young, old atomic.Pointer[sync.Map]
	n          atomic.Int32
}

// Codes longer than maxMemoLen are not worth their room.
const (
	memoSize   = 512 // of each generation
	maxMemoLen = 64
)

// parsed is the one memo. It holds only what Parse would find again, so it
// changes no answer.
var parsed memo

func (m *memo) get(code string) *definition {
	if g := m.young.Load(); g != nil {
		if d, ok := g.Load(code); ok {
			return d.(*definition)
		}
	}
	if g := m.old.Load(); g != nil {
		if d, ok := g.Load(code); ok {
			m.put(d.(*definition))
			return d.(*definition)
		}
	}
	return nil
}

func (m *memo) put(d *definition) {
	young := m.young.Load()
	if young == nil || m.n.Add(1) > memoSize {
		fresh := new(sync.Map)
		if !m.young.CompareAndSwap(young, fresh) {
			return // another goroutine turned the generation over
		}
		m.old.Store(young)
		m.n.Store(1)
		young = fresh
	}
	young.Store(d.code, d)
}

// Parse reads a unit written in case-sensitive UCUM. The error is a
// [*ParseError].
func Parse(code string) (Unit, error) {
	d, err := lookUp(code)
	if err != nil {
		e := &ParseError{Code: strings.Clone(code), Suggestion: Suggest(code)}
		if s, ok := errors.AsType[*syntaxError](err); ok {
			e.Offset, e.Reason = s.offset, s.reason
			if s.vague && e.Suggestion != "" {
				e.Reason = ""
			}
		}
		return Unit{}, e
	}
	return Unit{d}, nil
}

// lookUp defines the code or remembers it. Failures are not remembered: they
// are rare and each may be another.
func lookUp(code string) (*definition, error) {
	if d := parsed.get(code); d != nil {
		return d, nil
	}
	d, err := define(strings.Clone(code)) // the code may be a piece of a large request
	if err == nil && len(code) <= maxMemoLen {
		parsed.put(d)
	}
	return d, err
}

func define(code string) (*definition, error) {
	parts, err := unitTable().parse(code)
	if err != nil {
		return nil, err
	}
	v, err := evaluate(parts)
	if err != nil {
		return nil, err
	}
	d := &definition{code: code, display: display(parts), value: v, base: v.base(), parts: parts}
	d.caution = caution(parts, d)
	return d, nil
}
