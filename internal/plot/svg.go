package plot

import (
	"bytes"
	"encoding/xml"
	"fmt"
	"hash/fnv"
	"html"
	"regexp"
	"strconv"
	"strings"

	"gonum.org/v1/plot/vg"

	"tidemark/internal/fault"
)

var (
	texts  = regexp.MustCompile(`(?s)<text ([^>]*)>([^<]*)</text>`)
	size   = regexp.MustCompile(`font-size="([^"]*)px"`)
	styles = regexp.MustCompile(`style="([^"]*)"`)
	header = regexp.MustCompile(`(?s)^.*?<svg width="([^"]*)" height="([^"]*)" viewBox="([^"]*)"[^>]*>`)
)

// accessible turns the canvas's document into one that a screen reader can read
// and that needs no style attribute, which a strict content security policy
// would ignore: presentation attributes do the same.
func accessible(drawn []byte, c Course) ([]byte, error) {
	head := header.FindSubmatchIndex(drawn)
	if head == nil {
		return nil, fault.Wrap(fmt.Errorf("no svg element in %d bytes", len(drawn)), "drawing the chart")
	}
	body := styles.ReplaceAllFunc(drawn[head[1]:], func(m []byte) []byte {
		return []byte(attributes(string(m[len(`style="`) : len(m)-1])))
	})
	body = texts.ReplaceAllFunc(body, measured)
	title := clean(c.Title)
	if title == "" {
		title = "Course of a drain"
	}
	desc := c.describe()
	// Two charts in one page must not share ids; the same chart keeps its own.
	sum := fnv.New32a()
	sum.Write(body)
	sum.Write([]byte(title + desc))
	id := fmt.Sprintf("course-%08x", sum.Sum32())
	var out bytes.Buffer
	fmt.Fprintf(&out, `<?xml version="1.0" encoding="UTF-8"?>
<svg xmlns="http://www.w3.org/2000/svg" width="%s" height="%s" viewBox="%s" role="img" aria-labelledby="%s-title %s-desc" xml:lang="en">
<title id="%s-title">%s</title>
<desc id="%s-desc">%s</desc>`,
		drawn[head[2]:head[3]], drawn[head[4]:head[5]], drawn[head[6]:head[7]], id, id, id, escape(title), id, escape(desc))
	out.Write(body)
	return out.Bytes(), nil
}

// measured holds a text to the width for which the page was laid out, since a
// viewer that has none of the fonts may use a wider one.
func measured(element []byte) []byte {
	m := texts.FindSubmatch(element)
	s := size.FindSubmatch(m[1])
	if s == nil {
		return element
	}
	points, err := strconv.ParseFloat(string(s[1]), 64)
	if err != nil {
		return element
	}
	f := face{vg.Length(points), bytes.Contains(m[1], []byte(`font-weight="bold"`))}
	width := f.width(html.UnescapeString(string(m[2])))
	return fmt.Appendf(nil, `<text %s textLength="%.2f" lengthAdjust="spacingAndGlyphs">%s</text>`, m[1], width.Points(), m[2])
}

func escape(s string) string {
	var b strings.Builder
	xml.EscapeText(&b, []byte(s)) // a Builder takes everything
	return b.String()
}

// attributes turns "a:b;c:d" into a="b" c="d".
func attributes(style string) string {
	var out []string
	for _, pair := range strings.Split(style, ";") {
		name, value, ok := strings.Cut(pair, ":")
		switch {
		case !ok || name == "font-variant" || value == "none" && strings.HasPrefix(name, "stroke"):
			continue // both are the default
		case name == "font-family":
			value += ", Arial, Helvetica, sans-serif"
		case name == "font-style" && value == "normal", name == "font-weight" && value == "normal":
			continue
		}
		out = append(out, name+`="`+value+`"`)
	}
	return strings.Join(out, " ")
}
