package ucum

import (
	"strconv"
	"strings"
)

// The limits keep hostile codes cheap; no code in use comes near them.
const (
	maxCodeLen  = 200
	maxDepth    = 64
	maxExponent = 300
)

// A part is one component of a term with the operator before it.
type part struct {
	div        bool
	number     string // digits, when the component is a number
	prefix     *prefix
	atom       *atom
	exponent   int
	group      []part // a term in parentheses
	annotation string // with its braces, "" when absent
	written    string // as written, without annotation
	offset     int
}

// A fault in a code: where it is, and what is wrong there.
type syntaxError struct {
	offset int
	reason string
	vague  bool // the reason says less than a suggestion would
}

func (e *syntaxError) Error() string { return e.reason }

type parser struct {
	table *table
	code  string
	pos   int
	depth int
}

func (t *table) parse(code string) ([]part, error) {
	switch {
	case code == "":
		return nil, &syntaxError{reason: `it is empty where a code such as "mL" is needed`}
	case len(code) > maxCodeLen:
		return nil, &syntaxError{offset: maxCodeLen, reason: "it is longer than " + strconv.Itoa(maxCodeLen) + " characters"}
	}
	p := &parser{table: t, code: code}
	parts, err := p.term(true)
	if err != nil {
		return nil, err
	}
	if p.pos < len(code) {
		return nil, p.unexpected()
	}
	return parts, nil
}

func (p *parser) peek() byte {
	if p.pos < len(p.code) {
		return p.code[p.pos]
	}
	return 0
}

func (p *parser) fail(at int, reason string) error {
	return &syntaxError{offset: at, reason: reason}
}

// unexpected names the character that no component or operator can start with.
func (p *parser) unexpected() error {
	switch c := p.peek(); {
	case p.pos >= len(p.code):
		return p.fail(p.pos, "it ends where a unit should follow")
	case c == ')':
		return p.fail(p.pos, `")" closes nothing`)
	case c == '{':
		return p.fail(p.pos, "an annotation may only follow a unit, and only once")
	case c == '}':
		return p.fail(p.pos, `"}" closes nothing`)
	case c == '+' || c == '-' || digit(c):
		return p.fail(p.pos, "a number may not follow directly here")
	case c == ' ' || c == '\t' || c == '\n' || c == '\r':
		return p.fail(p.pos, "it contains white space")
	case c >= 0x80:
		return p.fail(p.pos, "it contains a character outside ASCII")
	case c == '/' || c == '.':
		return p.fail(p.pos, "a unit should stand before "+strconv.Quote(string(c)))
	default:
		return p.fail(p.pos, `units must be joined by "." or "/"`)
	}
}

// term reads components joined by operators. Only a whole code may start with
// a solidus, and that solidus divides by the first component alone.
func (p *parser) term(whole bool) ([]part, error) {
	var parts []part
	div := false
	if whole && p.peek() == '/' {
		div = true
		p.pos++
	}
	for {
		c, err := p.component()
		if err != nil {
			return nil, err
		}
		c.div = div
		parts = append(parts, c)
		switch p.peek() {
		case '.':
			div = false
		case '/':
			div = true
		default:
			return parts, nil
		}
		p.pos++
	}
}

func (p *parser) component() (part, error) {
	c := part{offset: p.pos, exponent: 1}
	var err error
	switch b := p.peek(); {
	case b == '(':
		return p.group()
	case b == '{':
		c.annotation, err = p.annotation()
		return c, err
	case digit(b):
		c.number = p.digits()
		if next := p.peek(); c.number == "10" && (next == '*' || next == '^') {
			c.number = ""
			p.pos++
			c.atom = p.table.atoms[p.code[c.offset:p.pos]]
			if c.exponent, err = p.exponent(); err != nil {
				return c, err
			}
		}
	default:
		if c.prefix, c.atom, err = p.symbol(); err != nil {
			return c, err
		}
		if c.exponent, err = p.exponent(); err != nil {
			return c, err
		}
	}
	c.written = p.code[c.offset:p.pos]
	if p.peek() == '{' {
		c.annotation, err = p.annotation()
		return c, err
	}
	return c, p.boundary(c)
}

// boundary refuses a component that runs into the next one.
func (p *parser) boundary(c part) error {
	b := p.peek()
	if b == 0 && p.pos >= len(p.code) || b == '.' || b == '/' || b == ')' {
		return nil
	}
	if c.number != "" && symbolByte(b) {
		return p.fail(p.pos, `a number must be joined to a unit by "."`)
	}
	return p.unexpected()
}

func (p *parser) group() (part, error) {
	c := part{offset: p.pos, exponent: 1}
	if p.depth++; p.depth > maxDepth {
		return c, p.fail(p.pos, "its parentheses are nested too deeply")
	}
	p.pos++
	var err error
	if c.group, err = p.term(false); err != nil {
		return c, err
	}
	if p.peek() != ')' {
		if p.pos < len(p.code) {
			return c, p.unexpected()
		}
		return c, p.fail(p.pos, `")" is missing`)
	}
	p.pos++
	p.depth--
	c.written = p.code[c.offset:p.pos]
	switch b := p.peek(); {
	case b == '+' || b == '-' || digit(b):
		return c, p.fail(p.pos, "parentheses may not take an exponent")
	case b == '{':
		return c, p.fail(p.pos, "parentheses may not take an annotation")
	}
	return c, p.boundary(c)
}

func (p *parser) annotation() (string, error) {
	start := p.pos
	for p.pos++; p.pos < len(p.code); p.pos++ {
		switch b := p.code[p.pos]; {
		case b == '}':
			p.pos++
			if b := p.peek(); digit(b) || symbolByte(b) || b == '+' || b == '-' || b == '(' {
				return "", p.fail(p.pos, `after an annotation only "." or "/" may follow`)
			}
			return p.code[start:p.pos], nil
		case b == '{':
			return "", p.fail(p.pos, "an annotation may not hold another one")
		case b < 33 || b > 126:
			return "", p.fail(p.pos, "an annotation may hold no white space and nothing outside ASCII")
		}
	}
	return "", p.fail(start, `"}" is missing`)
}

func (p *parser) digits() string {
	start := p.pos
	for digit(p.peek()) {
		p.pos++
	}
	return p.code[start:p.pos]
}

// exponent reads an optional signed exponent; without one it is 1.
func (p *parser) exponent() (int, error) {
	start := p.pos
	if b := p.peek(); b == '+' || b == '-' {
		p.pos++
	} else if !digit(b) {
		return 1, nil
	}
	if p.digits() == "" {
		return 0, p.fail(start, "a sign must be followed by an exponent")
	}
	n, err := strconv.Atoi(p.code[start:p.pos])
	if err != nil || n > maxExponent || n < -maxExponent {
		return 0, p.fail(start, "its exponent is larger than "+strconv.Itoa(maxExponent))
	}
	return n, nil
}

// symbol reads a unit with or without a prefix. Square brackets protect the
// digits and operators between them.
func (p *parser) symbol() (*prefix, *atom, error) {
	start := p.pos
	for symbolByte(p.peek()) {
		if p.peek() == '[' {
			end := strings.IndexByte(p.code[p.pos:], ']')
			if end < 0 {
				return nil, nil, p.fail(p.pos, `"]" is missing`)
			}
			p.pos += end
		}
		p.pos++
	}
	s := p.code[start:p.pos]
	if s == "" {
		return nil, nil, p.unexpected()
	}
	pre, a, nonMetric := p.table.resolve(s)
	switch {
	case a != nil:
		return pre, a, nil
	case nonMetric != nil:
		return nil, nil, p.fail(start, strconv.Quote(nonMetric.code)+" takes no prefix")
	case p.table.twoPrefixes(s):
		return nil, nil, &syntaxError{offset: start, reason: strconv.Quote(s) + " has two prefixes", vague: s == p.code}
	case s == p.code:
		return nil, nil, p.fail(start, "")
	default:
		return nil, nil, p.fail(start, "it has no unit "+strconv.QuoteToASCII(s))
	}
}

// resolve looks a symbol up whole and then as prefix and unit. nonMetric is
// the unit that would have matched if it took a prefix.
func (t *table) resolve(s string) (pre *prefix, a, nonMetric *atom) {
	if a := t.atoms[s]; a != nil {
		return nil, a, nil
	}
	for n := 2; n >= 1; n-- {
		if len(s) <= n {
			continue
		}
		pre, a := t.prefixes[s[:n]], t.atoms[s[n:]]
		switch {
		case pre == nil || a == nil:
		case a.metric:
			return pre, a, nil
		case a.function == nil || nonMetric == nil:
			nonMetric = a
		}
	}
	return nil, nil, nonMetric
}

func (t *table) twoPrefixes(s string) bool {
	if len(s) < 3 || t.prefixes[s[:1]] == nil {
		return false
	}
	pre, a, _ := t.resolve(s[1:])
	return pre != nil && a != nil
}

func digit(b byte) bool { return '0' <= b && b <= '9' }

func symbolByte(b byte) bool {
	switch b {
	case '"', '(', ')', '+', '-', '.', '/', '=', ']', '{', '}':
		return false
	}
	return 33 <= b && b <= 126 && !digit(b)
}
