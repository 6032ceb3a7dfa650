package policy

import (
	"bytes"
	"fmt"
	"strings"
)

// YAML gives the policy in effect as a file, with what each setting does, its
// default and its source beside it. Parsing it gives the same policy.
func (p *Policy) YAML() []byte {
	var b bytes.Buffer
	comment(&b, "", "Ward policy of the drain-output service, version "+p.Version()+".")
	b.WriteString("#\n")
	comment(&b, "", Caution)
	b.WriteString("#\n")
	comment(&b, "", "Units are part of each value: volumes in any UCUM unit of volume (mL, cL, L), durations in s, min, h, d or wk, shares in %. A setting that the file omits keeps its default. An approved file ends with the line ..., so that a truncated file is recognised.")
	p.section(&b, table().root, "", func(f *field) ([]string, bool) { return p.values[f.path], true }, true)
	b.WriteString("\n")
	comment(&b, "", "Overrides: for a ward (the id of a Location, and all places in it), a compartment or a drain (the id of a Device). A drain's own override wins over its compartment's, that over the ward's, an inner place over an outer one.")
	if len(p.overrides) == 0 {
		for line := range strings.Lines(exampleOverrides) {
			b.WriteString("# " + line)
		}
		b.WriteString("overrides: []\n" + closing + "\n")
		return b.Bytes()
	}
	b.WriteString("overrides:\n")
	for _, o := range p.overrides {
		fmt.Fprintf(&b, "  - %s: %s\n", selectorNames[o.by], quote(o.id))
		set := map[string][]string{}
		for _, r := range o.readings {
			set[r.field.path] = r.items
		}
		p.section(&b, table().root, "    ", func(f *field) ([]string, bool) { items, ok := set[f.path]; return items, ok }, false)
	}
	b.WriteString(closing + "\n")
	return b.Bytes()
}

// exampleOverrides shows how they are written.
const exampleOverrides = `overrides:
  - ward: "surgery-3"
    emptying: {interval: 3 h}
  - compartment: "biliary"
    findings: {brisk-output: {limits: [300 mL in 8 h]}}
  - drain: "drain-12"
    removal: {output: 50 mL/d}
`

// section writes the fields of a section that have a value.
func (p *Policy) section(b *bytes.Buffer, s *section, indent string, value func(*field) ([]string, bool), explain bool) {
	for _, c := range s.children {
		if c.section != nil {
			var inner bytes.Buffer
			p.section(&inner, c.section, indent+"  ", value, explain)
			if inner.Len() == 0 {
				continue
			}
			if explain && s.path == "" {
				b.WriteString("\n")
			}
			if explain && c.section.doc != "" {
				comment(b, indent, c.section.doc)
			}
			fmt.Fprintf(b, "%s%s:\n", indent, c.name)
			b.Write(inner.Bytes())
			continue
		}
		items, ok := value(c.field)
		if !ok {
			continue
		}
		if explain {
			if s.path == "" {
				b.WriteString("\n")
			}
			comment(b, indent, c.field.doc)
			if w := c.field.source.words; w != "" {
				comment(b, indent, upperFirst(w)+".")
			}
		}
		fmt.Fprintf(b, "%s%s:", indent, c.name)
		if !c.field.list {
			b.WriteString(" " + c.field.written(items[0]))
		}
		if explain {
			b.WriteString(" # " + c.field.limits() + "; " + string(c.field.source.basis))
		}
		b.WriteString("\n")
		if c.field.list {
			for _, item := range items {
				fmt.Fprintf(b, "%s  - %s\n", indent, c.field.written(item))
			}
		}
	}
}

// written gives an item as it stands in a file.
func (f *field) written(item string) string {
	if f.quote {
		return quote(item)
	}
	return item
}

// limits gives the default and the range as text.
func (f *field) limits() string {
	items := make([]string, len(f.standard))
	for i, item := range f.standard {
		items[i] = f.written(item)
	}
	s := "default " + strings.Join(items, ", ")
	if f.min != "" {
		s += fmt.Sprintf("; from %s to %s", f.min, f.max)
	}
	return s
}

// quote writes a YAML string in double quotes. Texts hold printable characters
// only, so that nothing but these two needs an escape.
func quote(s string) string {
	return `"` + strings.NewReplacer(`\`, `\\`, `"`, `\"`).Replace(s) + `"`
}

// comment writes a text as wrapped comment lines.
func comment(b *bytes.Buffer, indent, text string) {
	const width = 100
	line := indent + "#"
	for _, word := range strings.Fields(text) {
		if len(line) > len(indent)+1 && len([]rune(line))+1+len([]rune(word)) > width {
			b.WriteString(line + "\n")
			line = indent + "#"
		}
		line += " " + word
	}
	b.WriteString(line + "\n")
}
