package policy

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"
	"github.com/goccy/go-yaml/token"

	"tidemark/internal/drain"
	"tidemark/internal/escalate"
	"tidemark/internal/fhirjson"
)

// MaxSize is the most bytes that a policy file may have.
const MaxSize = 1 << 20

// Fault is one thing that is wrong with a file; its text says how to fix it.
type Fault struct {
	File         string
	Line, Column int // from 1; 0 for the file as a whole
	Words        string
}

func (f Fault) String() string {
	if f.Line == 0 {
		return f.File + ": " + f.Words
	}
	return fmt.Sprintf("%s:%d:%d: %s", f.File, f.Line, f.Column, f.Words)
}

// FileError says all that is wrong with a file.
type FileError struct{ Faults []Fault } // at least one, in the order of the file

// Error is one line: the first fault and the number of the others.
func (e *FileError) Error() string {
	s := e.Faults[0].String()
	if n := len(e.Faults) - 1; n > 0 {
		s += fmt.Sprintf(" (and %d more)", n)
	}
	return s
}

// Load reads the file.
func Load(path string) (*Policy, error) {
	whole := func(format string, args ...any) error {
		return &FileError{[]Fault{{File: path, Words: fmt.Sprintf(format, args...)}}}
	}
	info, err := os.Stat(path)
	if err != nil {
		return nil, whole("cannot be read (%v): check its name and permissions", plain(err))
	}
	if !info.Mode().IsRegular() {
		return nil, whole("is not a file but a directory, pipe or device: give a file")
	}
	if info.Size() > MaxSize {
		return nil, whole("%s", tooLarge)
	}
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, whole("cannot be read (%v): check its name and permissions", plain(err))
	}
	p, err := Parse(data, path)
	switch {
	case err != nil:
		return nil, err
	case p.silent():
		return nil, whole("sets nothing, so it was probably cut short: every threshold would be an example. Start without a policy if that is intended, or restore the file")
	case p.Approved() != "" && !bytes.HasSuffix(bytes.TrimRight(data, " \t\r\n"), []byte("\n"+closing)):
		return nil, whole("is approved, but does not end with the closing line %q, so part of it may be missing: restore the file, or add the line if the file is complete", closing)
	}
	return p, nil
}

// closing is the last line of an approved file. It distinguishes a truncated
// file from one that leaves much to the defaults. It is YAML's own end of a
// document.
const closing = "..."

const tooLarge = "is larger than 1 MiB: a policy is short, so this is probably another file"

// plain drops the path, which the message has already.
func plain(err error) error {
	var path *os.PathError
	if errors.As(err, &path) {
		return path.Err
	}
	return err
}

// Parse reads a policy. The error is a *FileError with every fault. What the file
// does not set keeps its default.
func Parse(data []byte, filename string) (*Policy, error) {
	r := reader{file: filename}
	p := r.read(data)
	if len(r.faults) > 0 {
		slices.SortStableFunc(r.faults, func(a, b Fault) int { return cmp.Or(a.Line-b.Line, a.Column-b.Column) })
		return nil, &FileError{r.faults}
	}
	return p, nil
}

// reader reads one file.
type reader struct {
	file   string
	faults []Fault
}

func (r *reader) fault(t *token.Token, format string, args ...any) {
	f := Fault{File: r.file, Words: fmt.Sprintf(format, args...)}
	if t != nil && t.Position != nil {
		f.Line, f.Column = t.Position.Line, t.Position.Column
	}
	r.faults = append(r.faults, f)
}

func (r *reader) read(data []byte) *Policy {
	if len(data) > MaxSize {
		r.fault(nil, tooLarge)
		return nil
	}
	root, ok := r.document(bytes.TrimPrefix(data, []byte("\ufeff")))
	if !ok {
		return nil
	}
	in := layer{readings: map[string]at{}}
	r.section(table().root, root, &in)
	if len(r.faults) > 0 {
		return nil
	}
	general := in.list()
	p := build(general, nil)
	r.check(p.layered(), in)
	var overrides []override
	for _, o := range in.overrides {
		own := layer{readings: o.readings}
		overrides = append(overrides, override{o.selector, own.list()})
		r.check(p.layered(own.list()), own)
	}
	return build(general, overrides)
}

// layer is what the general part or one override sets.
type layer struct {
	readings  map[string]at
	overrides []placed // of the general part
	override  bool
	selector  selector
}

// at is a reading and its position.
type at struct {
	reading
	token *token.Token
}

// placed is an override and its position.
type placed struct {
	selector
	token    *token.Token
	readings map[string]at
}

func (l layer) list() []reading {
	var list []reading
	for _, a := range l.readings {
		list = append(list, a.reading)
	}
	return inTableOrder(list)
}

// document parses the YAML; a nil node is an empty file.
func (r *reader) document(data []byte) (ast.Node, bool) {
	file, err := parser.ParseBytes(data, 0, parser.AllowDuplicateMapKey())
	if err != nil {
		var syntax yaml.Error
		if errors.As(err, &syntax) {
			r.fault(syntax.GetToken(), notYAML, oneLine(syntax.GetMessage()))
		} else {
			r.fault(nil, notYAML, oneLine(err.Error()))
		}
		return nil, false
	}
	var root ast.Node
	for i, d := range file.Docs {
		if i > 0 && d.Body != nil {
			r.fault(start(d.Body), "starts a second document: keep the policy in one document")
			return nil, false
		}
		if d.Body != nil {
			root = d.Body
		}
	}
	return root, true
}

const notYAML = "the file is not valid YAML near here (%s): indent with spaces, and put text with special characters in quotes"

func oneLine(s string) string {
	return strings.Join(strings.Fields(strings.ReplaceAll(s, "'\t'", "tab")), " ")
}

// start is where a node begins; the library gives a mapping the position of its
// first colon.
func start(n ast.Node) *token.Token {
	t := n.GetToken()
	if m, ok := n.(ast.MapNode); ok {
		if it := m.MapRange(); it.Next() {
			if k := it.Key().GetToken(); t == nil || k.Position.Offset < t.Position.Offset {
				return k
			}
		}
	}
	return t
}

// section reads the settings of a section into the layer.
func (r *reader) section(s *section, node ast.Node, into *layer) {
	what := s.path
	if what == "" {
		what = "a policy"
	}
	entries, ok := r.entries(node, what)
	if !ok {
		return
	}
	seen := map[string]*token.Token{}
	for _, e := range entries {
		name, key := e.name, e.key
		if first, ok := seen[name]; ok {
			r.fault(key, "%q is given twice, first in line %d: keep one of them", name, first.Position.Line)
			continue
		}
		seen[name] = key
		if s.path == "" {
			if _, selects := selects(name); into.override && selects {
				continue // read already
			}
			if name == overridesKey {
				if into.override {
					r.fault(key, "an override cannot contain overrides: add another item to the list")
				} else {
					r.overrides(e.value, into)
				}
				continue
			}
		}
		c, ok := s.child(name)
		switch {
		case !ok:
			r.unknown(s, name, key, into)
		case c.section != nil:
			r.section(c.section, e.value, into)
		default:
			r.field(c.field, e, into)
		}
	}
}

// unknown suggests the setting that was probably meant.
func (r *reader) unknown(s *section, name string, key *token.Token, into *layer) {
	if s.path == "findings."+escalate.Stale && name == "enabled" {
		r.fault(key, "stale cannot be switched off: silence must never read as safety; raise stale.after instead")
		return
	}
	known := s.names()
	if s.path == "" {
		if into.override {
			known = append(known, selectorNames[:]...)
		} else if _, ok := selects(name); ok {
			r.fault(key, "%q selects the target of an override: move it into an item of the list %q", name, overridesKey)
			return
		} else {
			known = append(known, overridesKey)
		}
	}
	for _, f := range table().fields {
		if strings.HasSuffix(f.path, "."+name) && name != "enabled" {
			if parent := strings.TrimSuffix(f.path, "."+name); nearest(name, known) == "" && !strings.HasPrefix(f.path, "vessels.") {
				r.fault(key, "%q does not belong here: it belongs in %s", name, parent)
				return
			}
		}
	}
	if better := nearest(name, known); better != "" {
		r.fault(key, "%q is unknown here: did you mean %q?", name, better)
		return
	}
	r.fault(key, "%q is unknown here: use %s", name, strings.Join(known, ", "))
}

// entry is one key with its value.
type entry struct {
	name  string
	key   *token.Token
	value ast.Node
}

// entries gives the keys of a mapping. A section that is empty, as when all of it
// is commented out, sets nothing.
func (r *reader) entries(node ast.Node, what string) ([]entry, bool) {
	if node == nil || node.Type() == ast.NullType {
		return nil, true
	}
	m, ok := node.(ast.MapNode)
	if !ok || node.Type() == ast.AnchorType || node.Type() == ast.AliasType {
		if !r.refused(node) {
			r.fault(start(node), "%s is a mapping of names to values: write one \"name: value\" on each line", what)
		}
		return nil, false
	}
	var entries []entry
	for it := m.MapRange(); it.Next(); {
		k := it.Key()
		key := k.GetToken()
		if k.IsMergeKey() || !isScalar(k) {
			r.fault(key, "a name is required here: merge keys and composed keys are not supported, so write the settings out")
			continue
		}
		entries = append(entries, entry{name: scalar(k), key: key, value: it.Value()})
	}
	return entries, true
}

// refused names the YAML features that a policy may not use.
func (r *reader) refused(node ast.Node) bool {
	switch node.Type() {
	case ast.AnchorType, ast.AliasType:
		r.fault(node.GetToken(), "anchors and aliases are not supported: write the value out")
	case ast.TagType, ast.DirectiveType:
		r.fault(node.GetToken(), "tags and directives are not supported: write the plain value")
	default:
		return false
	}
	return true
}

func isScalar(n ast.Node) bool {
	switch n.Type() {
	case ast.StringType, ast.IntegerType, ast.FloatType, ast.BoolType, ast.InfinityType, ast.NanType, ast.LiteralType:
		return true
	}
	return false
}

// scalar gives the text of a scalar as it stands in the file.
func scalar(n ast.Node) string {
	if l, ok := n.(*ast.LiteralNode); ok {
		return l.Value.Value
	}
	if s, ok := n.(*ast.StringNode); ok {
		return s.Value
	}
	return n.GetToken().Value
}

func quoted(n ast.Node) bool {
	switch n.GetToken().Type {
	case token.SingleQuoteType, token.DoubleQuoteType:
		return true
	}
	return n.Type() == ast.LiteralType
}

func (r *reader) field(f *field, e entry, into *layer) {
	switch {
	case into.override && f.scope == general:
		r.fault(e.key, "%s applies to the whole hospital: set it in the general part, not in an override", f.path)
		return
	case into.override && f.scope == perWard && into.selector.by != byWard:
		r.fault(e.key, "%s can differ between wards only: move it into an override with %q, or into the general part", f.path, selectorNames[byWard])
		return
	}
	items, nodes, ok := r.items(f, e)
	if !ok {
		return
	}
	kept, apply, err := f.read(items)
	if err != nil {
		where := e.key
		var item *itemError
		if errors.As(err, &item) {
			where = nodes[item.item].GetToken()
		} else if len(nodes) > 0 {
			where = nodes[0].GetToken()
		}
		r.fault(where, "%s: %v", f.path, err)
		return
	}
	into.readings[f.path] = at{reading{f, kept, apply}, e.key}
}

// items gives the text of a value, or of each item of a list.
func (r *reader) items(f *field, e entry) ([]string, []ast.Node, bool) {
	node := e.value
	if node == nil || node.Type() == ast.NullType {
		r.fault(e.key, "%s has no value: write one, such as %s, or remove the line to keep the default", f.path, f.example())
		return nil, nil, false
	}
	nodes := []ast.Node{node}
	if f.list {
		seq, ok := node.(*ast.SequenceNode)
		if !ok {
			if !r.refused(node) {
				r.fault(start(node), "%s is a list: write one item on each line, such as - %s", f.path, f.example())
			}
			return nil, nil, false
		}
		nodes = seq.Values
	}
	items := make([]string, len(nodes))
	for i, n := range nodes {
		switch {
		case n == nil || n.Type() == ast.NullType:
			r.fault(e.key, "%s has an empty item: fill it in or remove it", f.path)
			return nil, nil, false
		case !isScalar(n):
			if !r.refused(n) {
				r.fault(start(n), "%s is a single value: write it like %s", f.path, f.example())
			}
			return nil, nil, false
		case f.plain && quoted(n):
			r.fault(n.GetToken(), "%s: remove the quotes and write %s", f.path, scalar(n))
			return nil, nil, false
		}
		items[i] = scalar(n)
	}
	return items, nodes, true
}

// example shows how a value of the field is written.
func (f *field) example() string {
	if len(f.standard) == 0 || f.standard[0] == "" {
		return `"text"`
	}
	return f.written(f.standard[0])
}

const overridesKey = "overrides"

func selects(name string) (selectorKind, bool) {
	i := slices.Index(selectorNames[:], name)
	return selectorKind(i), i >= 0
}

// overrides reads the list of overrides.
func (r *reader) overrides(node ast.Node, into *layer) {
	if node == nil || node.Type() == ast.NullType {
		return
	}
	seq, ok := node.(*ast.SequenceNode)
	if !ok {
		if !r.refused(node) {
			r.fault(start(node), "%s is a list: begin each item with \"- ward: ID\", \"- compartment: NAME\" or \"- drain: ID\"", overridesKey)
		}
		return
	}
	lines := map[selector]int{}
	for _, item := range seq.Values {
		if item == nil || item.Type() == ast.NullType {
			where := node.GetToken()
			if item != nil {
				where = item.GetToken()
			}
			r.fault(where, "an override is empty: fill it in or remove it")
			continue
		}
		entries, ok := r.entries(item, "an override")
		if !ok {
			continue
		}
		who, key, ok := r.selector(entries, item)
		if !ok {
			continue
		}
		if first, twice := lines[who]; twice {
			r.fault(key, "a second override for %s %s; the first is in line %d: merge the two", selectorNames[who.by], who.id, first)
			continue
		}
		lines[who] = key.Position.Line
		own := layer{readings: map[string]at{}, override: true, selector: who}
		before := len(r.faults)
		r.section(table().root, item, &own)
		if len(own.readings) == 0 && len(r.faults) == before {
			r.fault(key, "the override for %s %s sets nothing: add a section to it or remove it", selectorNames[who.by], who.id)
		}
		into.overrides = append(into.overrides, placed{who, key, own.readings})
	}
}

var compartments = []drain.Compartment{drain.Wound, drain.Peritoneal, drain.Biliary, drain.Pleural, drain.Pericardial, drain.Unspecified}

// selector reads the target of an override.
func (r *reader) selector(entries []entry, item ast.Node) (who selector, key *token.Token, ok bool) {
	for _, e := range entries {
		by, selects := selects(e.name)
		if !selects {
			continue
		}
		if key != nil && by != who.by {
			r.fault(e.key, "an override applies to one ward, compartment or drain: split it into separate items")
			return who, key, false
		}
		if key != nil {
			continue // a name given twice: the section says so
		}
		key = e.key
		who.by = by
		if e.value == nil || !isScalar(e.value) {
			r.fault(e.key, "%s: write a single id or name", e.name)
			return who, key, false
		}
		who.id = scalar(e.value)
		switch {
		case by == byCompartment && !slices.Contains(compartments, drain.Compartment(who.id)):
			r.fault(e.value.GetToken(), "%q is not a compartment: use one of %s", who.id, join(compartments))
			return who, key, false
		case !fhirjson.IsID(who.id):
			r.fault(e.value.GetToken(), "%q is not a logical id: write the id of the %s, up to 64 letters, digits, - and .", who.id, map[selectorKind]string{byWard: "Location", byDrain: "Device"}[by])
			return who, key, false
		}
	}
	if key == nil {
		r.fault(start(item), "the override has no target: begin it with \"ward: ID\", \"compartment: NAME\" or \"drain: ID\"")
		return who, key, false
	}
	return who, key, true
}

// check looks at fields that must fit each other, where the layer sets one.
func (r *reader) check(w whole, l layer) {
	for _, c := range checks() {
		var where *token.Token
		for _, path := range c.paths {
			if a, ok := l.readings[path]; ok && (where == nil || a.token.Position.Offset > where.Position.Offset) {
				where = a.token
			}
		}
		if where == nil {
			continue
		}
		if wrong := c.wrong(&w); wrong != "" {
			r.fault(where, "%s", wrong)
		}
	}
}

// nearest gives the known name that differs least, if by little.
func nearest(name string, known []string) string {
	best, least := "", 3
	for _, k := range known {
		if d := distance(name, k); d < least && d < len(k) {
			best, least = k, d
		}
	}
	return best
}

// distance counts the letters to insert, delete or replace.
func distance(a, b string) int {
	if len(a) > 64 {
		return len(a)
	}
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diagonal := row[0]
		row[0] = i + 1
		for j := range len(b) {
			next := diagonal
			if a[i] != b[j] {
				next = 1 + min(diagonal, row[j], row[j+1])
			}
			diagonal, row[j+1] = row[j+1], next
		}
	}
	return row[len(b)]
}
