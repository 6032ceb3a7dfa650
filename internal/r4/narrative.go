package r4

import (
	"encoding/xml"
	"errors"
	"io"
	"regexp"
	"strings"
)

// xhtmlNS is the namespace that Narrative.div must declare.
const xhtmlNS = "http://www.w3.org/1999/xhtml"

// htmlElements and htmlAttributes are what txt-1 allows: the formatting of HTML
// 4.0 chapters 7 to 11 (without 9.4, inserted and deleted text) and 15, anchors
// and images. An allow-list is safe; a list of dangerous elements is never
// complete.
var (
	htmlElements = set(`div p br h1 h2 h3 h4 h5 h6 a span b em i strong small big tt s u strike font center dfn q var abbr acronym cite
		blockquote hr address bdo kbd code samp pre sub sup img map area ul ol li dl dt dd
		table caption thead tfoot tbody colgroup col tr th td`)
	htmlAttributes = set(`title style class id lang dir accesskey tabindex name href src alt longdesc cite charset type hreflang rel rev shape
		coords target nohref usemap ismap span width height align valign char charoff summary border frame rules cellspacing
		cellpadding abbr axis headers scope rowspan colspan nowrap bgcolor clear size color face hspace vspace compact start value noshade`)
)

func set(words string) map[string]bool {
	m := map[string]bool{}
	for _, w := range strings.Fields(words) {
		m[w] = true
	}
	return m
}

var (
	errXML  = errors.New("txt-1: the narrative is not well-formed XHTML: close every element and quote every attribute")
	errRoot = errors.New(`txt-1: the narrative is one <div xmlns="` + xhtmlNS + `"> element with nothing around it`)
)

// narrative validates Narrative.div: txt-1 (safe markup only) and txt-2 (some
// content).
func narrative(s string) string {
	if len(s) > maxString {
		return "a narrative holds at most 1 MB"
	}
	// Browsers parse CDATA and malformed comments differently from XML parsers,
	// so markup could hide in them.
	if strings.Contains(s, "<![") || strings.Contains(s, "<!-->") || strings.Contains(s, "<!--->") {
		return "txt-1: the narrative holds CDATA or a malformed comment; remove it"
	}
	d := xml.NewDecoder(strings.NewReader(s))
	d.Entity = xml.HTMLEntity
	depth, roots, content := 0, 0, false
	for {
		tok, err := d.Token()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return errXML.Error()
		}
		switch tok := tok.(type) {
		case xml.StartElement:
			if depth == 0 {
				if roots++; roots > 1 || tok.Name.Local != "div" || tok.Name.Space != xhtmlNS {
					return errRoot.Error()
				}
			}
			depth++
			if tok.Name.Space != xhtmlNS || !htmlElements[tok.Name.Local] {
				return "txt-1: the narrative holds the element <" + clip(tok.Name.Local) + ">, which FHIR does not allow there; remove it"
			}
			if wrong := attributes(tok.Attr); wrong != "" {
				return wrong
			}
			content = content || tok.Name.Local == "img"
		case xml.EndElement:
			depth--
		case xml.CharData:
			blank := strings.TrimSpace(string(tok)) == ""
			if depth == 0 && !blank {
				return errRoot.Error()
			}
			content = content || !blank
		case xml.Comment:
		default:
			return "txt-1: the narrative holds a processing instruction or document type; remove it"
		}
	}
	switch {
	case roots == 0:
		return errRoot.Error()
	case !content:
		return "txt-2: the narrative is empty; give it some text or leave it out"
	}
	return ""
}

// maxAttributes bounds the search for a repeated attribute; no element of
// HTML has so many.
const maxAttributes = 64

func attributes(attrs []xml.Attr) string {
	if len(attrs) > maxAttributes {
		return "txt-1: an element of the narrative has too many attributes; remove some"
	}
	for i, a := range attrs {
		name := a.Name.Local
		for _, b := range attrs[:i] {
			if a.Name == b.Name {
				return errXML.Error()
			}
		}
		switch {
		case a.Name.Space == "" && name == "xmlns":
			if a.Value != xhtmlNS {
				return errRoot.Error()
			}
		case a.Name.Space == "xmlns": // a prefix for another namespace; its elements are refused
		case a.Name.Space == "http://www.w3.org/XML/1998/namespace" || a.Name.Space == "xml":
			if name != "lang" && name != "space" {
				return forbidden(name)
			}
		case a.Name.Space != "" || !htmlAttributes[name]:
			return forbidden(name)
		case name == "style":
			v := strings.ToLower(a.Value)
			for _, bad := range []string{"url(", "expression(", "@import", "javascript:", "behavior", "-moz-binding", `\`, "/*"} {
				if strings.Contains(v, bad) {
					return "txt-1: a style in the narrative reaches outside it or hides its text; keep plain declarations"
				}
			}
		case name == "href" || name == "src" || name == "cite" || name == "longdesc" || name == "usemap":
			if !safeLink(name, a.Value) {
				return "txt-1: a link in the narrative can run code; use http, https, mailto, tel, a relative link or, for an image, data:image"
			}
		}
	}
	return ""
}

func forbidden(attribute string) string {
	return "txt-1: the narrative holds the attribute " + clip(attribute) + ", which FHIR does not allow there; remove it"
}

func safeLink(attribute, link string) bool {
	// Browsers skip blanks and control characters inside the scheme.
	link = strings.ToLower(strings.Map(func(r rune) rune {
		if r <= ' ' || r == 0x7f || r == 0xa0 {
			return -1
		}
		return r
	}, link))
	if attribute == "src" && strings.HasPrefix(link, "data:image/") {
		return !strings.HasPrefix(link, "data:image/svg")
	}
	scheme, _, found := strings.Cut(link, ":")
	if !found || strings.ContainsAny(scheme, "/?#") {
		return true
	}
	switch scheme {
	case "http", "https", "mailto", "tel", "ftp", "urn", "cid":
		return true
	}
	return false
}

func clip(s string) string {
	if len(s) > 32 {
		return strings.ToValidUTF8(s[:32], "") + "…"
	}
	return s
}

// narrativeLink finds the target of each <a href> and <img src>. It works on
// the text, so that the rest of the markup stays as it was to the byte.
var narrativeLink = regexp.MustCompile(`(<(?:a|img)\b(?:[^>"']|"[^"]*"|'[^']*')*?\s(?:href|src)\s*=\s*)("[^"]*"|'[^']*')`)

// RewriteNarrative replaces the target of every <a href> and <img src> in a
// Narrative.div with what f returns for it. A transaction uses it to replace
// temporary links.
func RewriteNarrative(div string, f func(link string) string) string {
	return narrativeLink.ReplaceAllStringFunc(div, func(m string) string {
		part := narrativeLink.FindStringSubmatch(m)
		quote, raw := part[2][:1], part[2][1:len(part[2])-1]
		link := unescape.Replace(raw)
		if now := f(link); now != link {
			raw = escape.Replace(now)
		}
		return part[1] + quote + raw + quote
	})
}

var (
	unescape = strings.NewReplacer("&lt;", "<", "&gt;", ">", "&quot;", `"`, "&apos;", "'", "&#39;", "'", "&amp;", "&")
	escape   = strings.NewReplacer("&", "&amp;", "<", "&lt;", ">", "&gt;", `"`, "&quot;", "'", "&#39;")
)
