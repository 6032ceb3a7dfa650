package search

import (
	"strings"
	"unicode"
	"unicode/utf8"

	"golang.org/x/text/unicode/norm"
)

// Fold is the form in which strings are compared: lower case, without accents
// or other combining marks, and with one apostrophe for all that are typed in
// names such as O'Brien.
func Fold(s string) string {
	plain := true
	for i := 0; i < len(s); i++ {
		if c := s[i]; c >= utf8.RuneSelf || 'A' <= c && c <= 'Z' || c == '`' {
			plain = false
			break
		}
	}
	if plain {
		return s
	}
	return strings.Map(func(r rune) rune {
		if unicode.Is(unicode.M, r) {
			return -1
		}
		return unicode.ToLower(r)
	}, norm.NFKD.String(apostrophes.Replace(s)))
}

const apostrophe = "'"

// apostrophes: typographic ones, the modifier letter, the prime, and accents
// that stand alone.
var apostrophes = strings.NewReplacer("\u2019", apostrophe, "\u2018", apostrophe, "\u02bc", apostrophe, "\u02b9", apostrophe, "\u2032", apostrophe, "\u00b4", apostrophe, "`", apostrophe)

// foldCode is the form in which codes of systems with an unknown rule are
// compared.
func foldCode(s string) string { return strings.ToLower(s) }

// exactCase lists the beginnings of systems whose codes keep their case: HL7's
// own code systems declare caseSensitive, UCUM is used in its case-sensitive
// form (UCUM 2.2), ours by our rule.
var exactCase = [...]string{"http://hl7.org/fhir/", "http://terminology.hl7.org/", "http://unitsofmeasure.org", "http://tidemark.example.org/"}

func caseSensitive(system string) bool {
	for _, p := range exactCase {
		if strings.HasPrefix(system, p) {
			return true
		}
	}
	return false
}
