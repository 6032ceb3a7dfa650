package blackbox

import (
	"encoding/json"
	"testing"
)

// roundTrip gives a body as the tree that its JSON is, numbers as written.
func roundTrip(t testing.TB, body any) map[string]any {
	t.Helper()
	b, ok := body.([]byte)
	if s, is := body.(string); is {
		b, ok = []byte(s), true
	}
	if !ok {
		var err error
		if b, err = json.Marshal(body); err != nil {
			t.Fatal(err)
		}
	}
	tree, err := parse(b)
	if err != nil {
		t.Fatal(err)
	}
	m, _ := tree.(map[string]any)
	return m
}

// canonical writes a tree so that equal trees are equal text: members sorted,
// digits of numbers as they came.
func canonical(v any) string {
	b, err := json.Marshal(v)
	if err != nil {
		return err.Error()
	}
	return string(b)
}
