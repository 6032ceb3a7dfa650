package r4

import (
	"strconv"
	"strings"
)

// path is the position of a walk, kept as a stack and written out only for a
// fault.
type path struct {
	root string
	segs []segment
}

type segment struct {
	name  string
	index int // -1 for an element that does not repeat
}

func (p *path) push(name string)          { p.segs = append(p.segs, segment{name, -1}) }
func (p *path) pushAt(name string, i int) { p.segs = append(p.segs, segment{name, i}) }
func (p *path) pop()                      { p.segs = p.segs[:len(p.segs)-1] }

// String gives the FHIRPath of the place.
func (p *path) String() string {
	var b strings.Builder
	b.WriteString(p.root)
	for _, s := range p.segs {
		b.WriteByte('.')
		b.WriteString(s.name)
		if s.index >= 0 {
			b.WriteByte('[')
			b.WriteString(strconv.Itoa(s.index))
			b.WriteByte(']')
		}
	}
	return b.String()
}

// child gives the FHIRPath of a member that may carry any name a client wrote.
func (p *path) child(name string) string {
	if name == "" {
		return p.String()
	}
	return p.String() + "." + identifier(name)
}

const maxName = 64 // of a property name repeated to the client

// identifier quotes a name that FHIRPath cannot read bare.
func identifier(name string) string {
	plain := name != "div"
	for i := 0; i < len(name); i++ {
		c := name[i]
		if !(c == '_' || c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || i > 0 && c >= '0' && c <= '9') {
			plain = false
		}
	}
	if len(name) > maxName {
		name = strings.ToValidUTF8(name[:maxName], "") + "…"
		plain = false
	}
	if plain {
		return name
	}
	q := strconv.Quote(name)
	return "`" + strings.ReplaceAll(strings.ReplaceAll(q[1:len(q)-1], `\"`, `"`), "`", "\\`") + "`"
}
