package r4

import (
	"strings"
	"time"

	"tidemark/internal/fhirdate"
	"tidemark/internal/fhirjson"
)

// primitive validates the value of a primitive type: the JSON kind that it
// needs, and what is wrong with its text ("" when nothing is).
type primitive func(n *fhirjson.Node) (kind fhirjson.Kind, wrong string)

// maxString is R4's limit on string: 1 MB (datatypes page, section on string).
const maxString = 1 << 20

// primitives holds every primitive type of R4; the formats are the regular
// expressions and prose of the 4.0.1 datatypes page.
var primitives = map[string]primitive{
	"boolean":      func(*fhirjson.Node) (fhirjson.Kind, string) { return fhirjson.Bool, "" },
	"decimal":      func(*fhirjson.Node) (fhirjson.Kind, string) { return fhirjson.Number, "" },
	"integer":      whole(-1<<31, "an integer from -2147483648 to 2147483647"),
	"unsignedInt":  whole(0, "an integer from 0 to 2147483647"),
	"positiveInt":  whole(1, "an integer from 1 to 2147483647"),
	"string":       text(plainText),
	"markdown":     text(plainText),
	"code":         text(code),
	"id":           text(id),
	"uri":          text(uri),
	"url":          text(uri),
	"canonical":    text(uri),
	"oid":          text(oid),
	"uuid":         text(uuid),
	"base64Binary": text(base64),
	"date":         text(date),
	"dateTime":     text(dateTime),
	"instant":      text(instant),
	"time":         text(timeOfDay),
	"xhtml":        text(narrative),
}

// elementID is Element.id: a string that holds no blanks.
var elementID = text(func(s string) string {
	if strings.ContainsAny(s, " \t\r\n") {
		return "an element id holds no blanks"
	}
	return plainText(s)
})

func text(check func(string) string) primitive {
	return func(n *fhirjson.Node) (fhirjson.Kind, string) {
		if n.Kind != fhirjson.String {
			return fhirjson.String, ""
		}
		return fhirjson.String, check(n.Text)
	}
}

func whole(low int64, want string) primitive {
	wrong := "write " + want + " without fraction or exponent"
	return func(n *fhirjson.Node) (fhirjson.Kind, string) {
		if n.Kind != fhirjson.Number {
			return fhirjson.Number, ""
		}
		s := strings.TrimPrefix(n.Text, "-")
		if len(s) > 10 || s == "0" && n.Text != "0" {
			return fhirjson.Number, wrong
		}
		var v int64
		for i := 0; i < len(s); i++ {
			if s[i] < '0' || s[i] > '9' {
				return fhirjson.Number, wrong
			}
			v = v*10 + int64(s[i]-'0')
		}
		if len(s) < len(n.Text) {
			v = -v
		}
		if v < low || v > 1<<31-1 {
			return fhirjson.Number, wrong
		}
		return fhirjson.Number, ""
	}
}

func plainText(s string) string {
	if len(s) > maxString {
		return "a string holds at most 1 MB"
	}
	for i := 0; i < len(s); i++ {
		if c := s[i]; c < ' ' && c != '\t' && c != '\n' && c != '\r' {
			return "a string holds no control characters other than tab, line feed and carriage return"
		}
	}
	return ""
}

func code(s string) string {
	const wrong = "a code has no blanks at its ends and single blanks inside"
	gap := true
	for _, r := range s {
		blank := r <= ' ' || r == 0x7f || r == 0xa0 || r == 0x2028 || r == 0x2029 || r == 0xfeff
		if blank && (gap || r != ' ') {
			return wrong
		}
		gap = blank
	}
	if gap {
		return wrong
	}
	return ""
}

func id(s string) string {
	if len(s) > 64 {
		return "an id has at most 64 characters"
	}
	if !fhirjson.IsID(s) {
		return "an id is made of the letters A to Z and a to z, digits, hyphen and dot"
	}
	return ""
}

func uri(s string) string {
	for _, r := range s {
		if r <= ' ' || r == 0x7f || r == 0xa0 || r == 0x2028 || r == 0x2029 {
			return "a URI holds no blanks; write %20 for one"
		}
	}
	return ""
}

func oid(s string) string {
	const wrong = "write an OID as urn:oid:1.2.840, arcs without leading zeros"
	arcs, ok := strings.CutPrefix(s, "urn:oid:")
	if !ok || arcs == "" || arcs[0] < '0' || arcs[0] > '2' || !strings.Contains(arcs, ".") {
		return wrong
	}
	for i, arc := range strings.Split(arcs, ".") {
		if arc == "" || i == 0 && len(arc) > 1 || len(arc) > 1 && arc[0] == '0' {
			return wrong
		}
		for j := 0; j < len(arc); j++ {
			if arc[j] < '0' || arc[j] > '9' {
				return wrong
			}
		}
	}
	return ""
}

func uuid(s string) string {
	const wrong = "write a UUID as urn:uuid: and 36 lower-case characters such as c757873d-ec9a-4326-a141-556f43239520"
	hex, ok := strings.CutPrefix(s, "urn:uuid:")
	if !ok || len(hex) != 36 {
		return wrong
	}
	for i := 0; i < len(hex); i++ {
		switch c := hex[i]; {
		case i == 8 || i == 13 || i == 18 || i == 23:
			if c != '-' {
				return wrong
			}
		case !(c >= '0' && c <= '9' || c >= 'a' && c <= 'f'):
			return wrong
		}
	}
	return ""
}

// base64 allows white space between the characters, as R4 does.
func base64(s string) string {
	const wrong = "write base64 in groups of four characters (A-Z a-z 0-9 + /), padded with ="
	chars, pad := 0, 0
	for i := 0; i < len(s); i++ {
		switch c := s[i]; {
		case c == ' ' || c == '\t' || c == '\r' || c == '\n':
			continue
		case c == '=':
			pad++
		case pad == 0 && (c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9' || c == '+' || c == '/'):
		default:
			return wrong
		}
		chars++
	}
	if chars == 0 || chars%4 != 0 || pad > 2 {
		return wrong
	}
	return ""
}

func date(s string) string {
	iv, err := fhirdate.Parse(s, time.UTC)
	switch {
	case err != nil:
		return "it " + err.Error()
	case iv.Precision > fhirdate.Day:
		return "a date has no time: write YYYY, YYYY-MM or YYYY-MM-DD"
	}
	return ""
}

func dateTime(s string) string {
	iv, err := fhirdate.Parse(s, time.UTC)
	switch {
	case err != nil:
		return "it " + err.Error()
	case iv.Precision == fhirdate.Minute:
		return "a dateTime with a time needs seconds"
	case iv.Precision > fhirdate.Day && !iv.Zoned:
		return "a dateTime with a time needs a zone: append Z or an offset such as +01:00"
	}
	return ""
}

func instant(s string) string {
	if _, err := fhirdate.Instant(s); err != nil {
		return "it " + err.Error()
	}
	return ""
}

func timeOfDay(s string) string {
	const wrong = "write a time of day as hh:mm:ss, without a zone"
	clock, fraction, dotted := strings.Cut(s, ".")
	if len(clock) != 8 || clock[2] != ':' || clock[5] != ':' || dotted && fraction == "" {
		return wrong
	}
	for i, c := range []byte(clock + fraction) {
		if (c < '0' || c > '9') && i != 2 && i != 5 {
			return wrong
		}
	}
	// Second 60 is R4's leap second.
	if clock[:2] > "23" || clock[3:5] > "59" || clock[6:] > "60" {
		return wrong
	}
	return ""
}
