package sqlite

import (
	"bytes"
	"crypto/sha256"
	"encoding/base64"
	"encoding/binary"
	"encoding/json"

	"tidemark/internal/fault"
	"tidemark/internal/store"
)

// digest identifies a query, so that a cursor serves only the one it came from.
func digest(parts ...any) [8]byte {
	b, _ := json.Marshal(parts) // plain values always marshal
	sum := sha256.Sum256(b)
	return [8]byte(sum[:8])
}

// cursor is an opaque text of a few numbers.
func cursor(sum [8]byte, numbers ...int64) string {
	b := sum[:]
	for _, n := range numbers {
		b = binary.AppendVarint(b, n)
	}
	return base64.RawURLEncoding.EncodeToString(b)
}

// readCursor reads what cursor wrote for the same query.
func readCursor(text string, sum [8]byte, want int) ([]int64, error) {
	bad := fault.New(fault.Invalid, "value", "The page link is not one of this search; follow the links of the answer, or search again without it.")
	b, err := base64.RawURLEncoding.Strict().DecodeString(text)
	if err != nil || !bytes.HasPrefix(b, sum[:]) {
		return nil, bad
	}
	b = b[len(sum):]
	out := make([]int64, want)
	for i := range out {
		v, n := binary.Varint(b)
		if n <= 0 {
			return nil, bad
		}
		out[i], b = v, b[n:]
	}
	if len(b) > 0 {
		return nil, bad
	}
	return out, nil
}

// page is a page size within the limits.
func page(count int) int { return min(max(count, 1), store.MaxPage) }
