package mongo

import (
	"bytes"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"

	"tidemark/internal/fault"
	"tidemark/internal/store"
)

// digest identifies a query, so that a cursor serves only the one it came from.
func digest(parts ...any) []byte {
	b, _ := json.Marshal(parts) // plain values always marshal
	sum := sha256.Sum256(b)
	return sum[:8]
}

// cursor is the opaque text of a place.
func cursor(sum []byte, place any) string {
	b, _ := json.Marshal(place)
	return base64.RawURLEncoding.EncodeToString(append(bytes.Clone(sum), b...))
}

// readCursor reads what cursor wrote for the same query.
func readCursor(text string, sum []byte, place any) error {
	b, err := base64.RawURLEncoding.Strict().DecodeString(text)
	if err != nil || !bytes.HasPrefix(b, sum) || json.Unmarshal(b[len(sum):], place) != nil {
		return badCursor()
	}
	return nil
}

func badCursor() error {
	return fault.New(fault.Invalid, "value", "The page link is not one of this search; follow the links of the answer, or search again without it.")
}

// page is a page size within the limits.
func page(count int) int { return min(max(count, 1), store.MaxPage) }
