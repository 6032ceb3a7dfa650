package plot

import (
	"bytes"
	"encoding/xml"
	"fmt"
	"hash/fnv"
	"strings"
)

// document makes a document of what was drawn, which a screen reader can read.
func document(body []byte, c Course) []byte {
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
	width, height := num(c.Width), num(c.Height)
	fmt.Fprintf(&out, `<?xml version="1.0" encoding="UTF-8"?>
<svg xmlns="http://www.w3.org/2000/svg" width="%spt" height="%spt" viewBox="0 0 %s %s" role="img" aria-labelledby="%s-title %s-desc" xml:lang="en">
<title id="%s-title">%s</title>
<desc id="%s-desc">%s</desc>
`,
		width, height, width, height, id, id, id, escape(title), id, escape(desc))
	out.Write(body)
	out.WriteString("</svg>\n")
	return out.Bytes()
}

func escape(s string) string {
	var b strings.Builder
	xml.EscapeText(&b, []byte(s)) // a Builder takes everything
	return b.String()
}
