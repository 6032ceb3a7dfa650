package fhirjson

// IDPattern is what IsID holds a text to, for schemas.
const IDPattern = `^[A-Za-z0-9\-.]{1,64}$`

// IsID reports whether a text is a logical id: 1 to 64 letters, digits, hyphens
// and dots (https://hl7.org/fhir/R4/datatypes.html#id).
func IsID(s string) bool {
	if len(s) == 0 || len(s) > 64 {
		return false
	}
	for i := range len(s) {
		if c := s[i]; !(c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9' || c == '-' || c == '.') {
			return false
		}
	}
	return true
}
