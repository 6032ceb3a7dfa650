// Package fhirjson owns the JSON tree of a FHIR resource: it keeps the order of
// members, the digits of every decimal and each extension on a primitive, none
// of which survive a trip through Go structs or float64. It knows JSON and
// nothing of FHIR's types; package r4 validates trees.
package fhirjson

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"strings"

	"github.com/go-json-experiment/json/jsontext"

	"tidemark/internal/fault"
)

// MaxDepth is how deeply objects and arrays may nest. The deepest official R4
// example nests to about 20; a hostile body could exhaust the stack.
const MaxDepth = 64

// Kind is the JSON type of a node.
type Kind byte

// The JSON types.
const (
	Null Kind = iota
	Bool
	Number
	String
	Object
	Array
)

// String names the kind as JSON does.
func (k Kind) String() string {
	return [...]string{"null", "boolean", "number", "string", "object", "array"}[k]
}

// Node is one JSON value. A nil *Node is an absent value: all reading methods
// accept it, so that paths can be followed without checks.
type Node struct {
	Kind    Kind
	Text    string   // the string's value, the number as written, "true" or "false"
	Members []Member // of an Object, in the order written
	Items   []*Node  // of an Array
}

// Member is one property of an object.
type Member struct {
	Name  string
	Value *Node
}

// Str makes a string node.
func Str(s string) *Node { return &Node{Kind: String, Text: s} }

// Num makes a number node from decimal text.
func Num(s string) *Node { return &Node{Kind: Number, Text: s} }

// Boolean makes a boolean node.
func Boolean(b bool) *Node {
	if b {
		return &Node{Kind: Bool, Text: "true"}
	}
	return &Node{Kind: Bool, Text: "false"}
}

// Obj makes an object from name, value pairs; a nil value leaves its member out.
// A value may be *Node, string, bool, int, or []*Node (left out when empty).
func Obj(pairs ...any) *Node {
	n := &Node{Kind: Object, Members: make([]Member, 0, len(pairs)/2)}
	for i := 0; i+1 < len(pairs); i += 2 {
		if v := value(pairs[i+1]); v != nil {
			n.Members = append(n.Members, Member{pairs[i].(string), v})
		}
	}
	return n
}

// Arr makes an array of the same values as Obj takes.
func Arr(items ...any) *Node {
	n := &Node{Kind: Array}
	for _, it := range items {
		if v := value(it); v != nil {
			n.Items = append(n.Items, v)
		}
	}
	return n
}

func value(v any) *Node {
	switch v := v.(type) {
	case *Node:
		return v
	case string:
		return Str(v)
	case bool:
		return Boolean(v)
	case int:
		return Num(fmt.Sprint(v))
	case int64:
		return Num(fmt.Sprint(v))
	case []*Node:
		if len(v) == 0 {
			return nil
		}
		return &Node{Kind: Array, Items: v}
	case nil:
		return nil
	}
	panic(fmt.Sprintf("fhirjson: no node from %T", v))
}

// Parse reads one JSON document. It refuses what JSON parsers disagree on:
// duplicate names, invalid UTF-8, a byte order mark, data after the document.
// The error is a *fault.Error of kind Invalid.
func Parse(data []byte) (*Node, error) { return ParseAtMost(data, math.MaxInt) }

// ParseAtMost is Parse for a document of at most so many values; a larger one
// is TooLarge. A tree takes some 30 times the bytes of a text such as [0,0,…].
func ParseAtMost(data []byte, values int) (*Node, error) {
	n, _, err := ParseCounted(data, values)
	return n, err
}

// ParseCounted is ParseAtMost, and says how many values it has read.
func ParseCounted(data []byte, values int) (*Node, int, error) {
	p := parser{dec: jsontext.NewDecoder(bytes.NewBuffer(data)), left: values}
	n, err := p.document(data, values)
	return n, values - max(p.left, 0), err
}

func (p *parser) document(data []byte, values int) (*Node, error) {
	if bytes.HasPrefix(data, []byte("\xef\xbb\xbf")) {
		return nil, fault.New(fault.Invalid, "structure", "The body starts with a byte order mark; FHIR JSON is UTF-8 without one.")
	}
	n, err := p.parse(0)
	switch {
	case errors.Is(err, errValues):
		return nil, fault.New(fault.TooLarge, "too-costly", "The document holds more than %d values; send it in smaller parts.", values)
	case err != nil:
		return nil, syntax(err)
	}
	if _, err := p.dec.ReadToken(); !errors.Is(err, io.EOF) {
		return nil, fault.New(fault.Invalid, "structure", "There is data after the JSON document; send exactly one.")
	}
	return n, nil
}

var (
	errDepth  = errors.New("nested too deeply")
	errValues = errors.New("too many values")
)

type parser struct {
	dec  *jsontext.Decoder
	left int // values that may still come
}

func (p *parser) parse(depth int) (*Node, error) {
	if depth > MaxDepth {
		return nil, errDepth
	}
	if p.left--; p.left < 0 {
		return nil, errValues
	}
	dec := p.dec
	tok, err := dec.ReadToken()
	if err != nil {
		return nil, err
	}
	switch tok.Kind() {
	case 'n':
		return &Node{Kind: Null}, nil
	case 't', 'f':
		return Boolean(tok.Bool()), nil
	case '"':
		return &Node{Kind: String, Text: tok.String()}, nil
	case '0':
		return &Node{Kind: Number, Text: tok.String()}, nil
	case '{':
		n := &Node{Kind: Object, Members: make([]Member, 0, 2)}
		for dec.PeekKind() != '}' {
			name, err := dec.ReadToken()
			if err != nil {
				return nil, err
			}
			m := Member{Name: name.String()} // before the next token, which reuses the buffer
			if m.Value, err = p.parse(depth + 1); err != nil {
				return nil, err
			}
			n.Members = append(n.Members, m)
		}
		_, err := dec.ReadToken()
		return n, err
	default: // '['
		n := &Node{Kind: Array}
		for dec.PeekKind() != ']' {
			item, err := p.parse(depth + 1)
			if err != nil {
				return nil, err
			}
			n.Items = append(n.Items, item)
		}
		_, err := dec.ReadToken()
		return n, err
	}
}

func syntax(err error) error {
	var se *jsontext.SyntacticError
	switch {
	case errors.Is(err, errDepth):
		return fault.New(fault.Invalid, "too-costly", "The document nests deeper than %d levels.", MaxDepth)
	case errors.Is(err, jsontext.ErrDuplicateName):
		where := ""
		if errors.As(err, &se) {
			where = " " + string(se.JSONPointer)
		}
		return fault.New(fault.Invalid, "structure", "A property is repeated in one object%s; keep one.", where)
	case errors.Is(err, io.ErrUnexpectedEOF), errors.Is(err, io.EOF):
		return fault.New(fault.Invalid, "structure", "The JSON document is empty or cut short.")
	case errors.As(err, &se):
		return fault.New(fault.Invalid, "structure", "Not JSON at byte %d%s: %v.", se.ByteOffset, at(string(se.JSONPointer)), se.Err)
	}
	return fault.New(fault.Invalid, "structure", "The body is not JSON.")
}

func at(pointer string) string {
	if pointer == "" {
		return ""
	}
	return " (at " + pointer + ")"
}

// Size is about how many bytes the value takes as JSON.
func (n *Node) Size() int {
	if n == nil {
		return 0
	}
	size := len(n.Text) + 2
	for i := range n.Members {
		size += len(n.Members[i].Name) + 4 + n.Members[i].Value.Size()
	}
	for _, it := range n.Items {
		size += 1 + it.Size()
	}
	return size
}

// Get returns the member's value, or nil.
func (n *Node) Get(name string) *Node {
	if n == nil {
		return nil
	}
	for i := range n.Members {
		if n.Members[i].Name == name {
			return n.Members[i].Value
		}
	}
	return nil
}

// Path follows member names through objects and returns what it reaches, or
// nil. It does not step into arrays; see Each.
func (n *Node) Path(names ...string) *Node {
	for _, name := range names {
		n = n.Get(name)
	}
	return n
}

// Each returns the items of the array member, the single value of another
// member, or nothing.
func (n *Node) Each(name string) []*Node {
	v := n.Get(name)
	switch {
	case v == nil:
		return nil
	case v.Kind == Array:
		return v.Items
	}
	return []*Node{v}
}

// Str returns the text of a string member, or "".
func (n *Node) Str(name string) string {
	if v := n.Get(name); v != nil && v.Kind == String {
		return v.Text
	}
	return ""
}

// IsTrue reports whether the member is the boolean true.
func (n *Node) IsTrue(name string) bool {
	v := n.Get(name)
	return v != nil && v.Kind == Bool && v.Text == "true"
}

// Set replaces the member's value in place or appends the member.
func (n *Node) Set(name string, v *Node) {
	for i := range n.Members {
		if n.Members[i].Name == name {
			n.Members[i].Value = v
			return
		}
	}
	n.Members = append(n.Members, Member{name, v})
}

// SetAt is Set, with a new member placed at position i instead of last.
func (n *Node) SetAt(i int, name string, v *Node) {
	if n.Get(name) != nil {
		n.Set(name, v)
		return
	}
	i = min(i, len(n.Members))
	n.Members = append(n.Members, Member{})
	copy(n.Members[i+1:], n.Members[i:])
	n.Members[i] = Member{name, v}
}

// Delete removes the member.
func (n *Node) Delete(name string) {
	for i := range n.Members {
		if n.Members[i].Name == name {
			n.Members = append(n.Members[:i:i], n.Members[i+1:]...)
			return
		}
	}
}

// Clone copies the tree.
func (n *Node) Clone() *Node {
	if n == nil {
		return nil
	}
	c := &Node{Kind: n.Kind, Text: n.Text}
	if n.Members != nil {
		c.Members = make([]Member, len(n.Members))
		for i, m := range n.Members {
			c.Members[i] = Member{m.Name, m.Value.Clone()}
		}
	}
	if n.Items != nil {
		c.Items = make([]*Node, len(n.Items))
		for i, it := range n.Items {
			c.Items[i] = it.Clone()
		}
	}
	return c
}

// Equal reports whether two trees hold the same values: member order has no
// meaning, digits have.
func (n *Node) Equal(o *Node) bool {
	if n == nil || o == nil {
		return n == o
	}
	if n.Kind != o.Kind || n.Text != o.Text || len(n.Members) != len(o.Members) || len(n.Items) != len(o.Items) {
		return false
	}
	for _, m := range n.Members {
		if v := o.Get(m.Name); v == nil || !m.Value.Equal(v) {
			return false
		}
	}
	for i := range n.Items {
		if !n.Items[i].Equal(o.Items[i]) {
			return false
		}
	}
	return true
}

// Append writes the tree as compact JSON.
func (n *Node) Append(dst []byte) []byte {
	switch n.Kind {
	case Null:
		return append(dst, "null"...)
	case Bool, Number:
		return append(dst, n.Text...)
	case String:
		return quote(dst, n.Text)
	case Object:
		dst = append(dst, '{')
		for i, m := range n.Members {
			if i > 0 {
				dst = append(dst, ',')
			}
			dst = append(quote(dst, m.Name), ':')
			dst = m.Value.Append(dst)
		}
		return append(dst, '}')
	default:
		dst = append(dst, '[')
		for i, it := range n.Items {
			if i > 0 {
				dst = append(dst, ',')
			}
			dst = it.Append(dst)
		}
		return append(dst, ']')
	}
}

// quote cannot fail on text that Parse accepted; text made elsewhere that is
// not UTF-8 has its bad bytes replaced.
func quote(dst []byte, s string) []byte {
	out, err := jsontext.AppendQuote(dst, s)
	if err != nil {
		out, _ = jsontext.AppendQuote(dst, strings.ToValidUTF8(s, "\uFFFD"))
	}
	return out
}

// Bytes is Append to a new slice.
func (n *Node) Bytes() []byte { return n.Append(make([]byte, 0, 1024)) }

// MarshalJSON lets a tree stand inside a Go value that is encoded.
func (n *Node) MarshalJSON() ([]byte, error) { return n.Bytes(), nil }
