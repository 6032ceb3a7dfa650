package fhirjson

import (
	"regexp"
	"strings"
	"testing"

	"tidemark/internal/fault"
)

func TestParseKeepsDigitsAndOrder(t *testing.T) {
	for _, in := range []string{
		`{"b":1.50,"a":1E-22,"c":[1.000000000000000000E-245,-0,0.0],"_d":{"extension":[{"url":"x","valueDecimal":100.00}]}}`,
		`{"given":[null,"a"],"_given":[{"id":"q"},null],"t":true,"f":false}`,
		`{"s":"tab\t quote\" back\\ é 😀 < > &"}`,
		`[]`, `{}`, `"x"`, `123456789012345678901234567890.10`,
	} {
		n, err := Parse([]byte(in))
		if err != nil {
			t.Fatalf("%s: %v", in, err)
		}
		if got := string(n.Bytes()); got != in {
			t.Errorf("got %s\nwant %s", got, in)
		}
		if !n.Equal(n.Clone()) {
			t.Errorf("%s: a clone differs", in)
		}
	}
}

func TestParseRefuses(t *testing.T) {
	for name, in := range map[string]string{
		"empty": "", "cut": `{"a":`, "trailing": `{} {}`, "duplicate": `{"a":1,"a":2}`, "nested duplicate": `{"x":[{"a":1,"a":2}]}`,
		"leading zero": `{"a":01}`, "plus": `{"a":+1}`, "bare dot": `{"a":.5}`, "NaN": `{"a":NaN}`, "BOM": "\xef\xbb\xbf{}",
		"bad utf8": "{\"a\":\"\xff\"}", "lone surrogate": `{"a":"\ud800"}`, "control": "{\"a\":\"\x01\"}",
		"deep": strings.Repeat("[", 200) + strings.Repeat("]", 200), "unclosed deep": strings.Repeat(`{"a":`, 100000), "comment": `{/*x*/}`,
	} {
		if _, err := Parse([]byte(in)); !fault.Is(err, fault.Invalid) {
			t.Errorf("%s: got %v, want an Invalid fault", name, err)
		}
	}
}

func TestSetAtAndDelete(t *testing.T) {
	n := Obj("resourceType", "Device", "status", "active")
	n.SetAt(1, "id", Str("d1"))
	n.Set("status", Str("inactive"))
	n.Delete("nothing")
	if got, want := string(n.Bytes()), `{"resourceType":"Device","id":"d1","status":"inactive"}`; got != want {
		t.Errorf("got %s, want %s", got, want)
	}
	n.Delete("id")
	if got, want := string(n.Bytes()), `{"resourceType":"Device","status":"inactive"}`; got != want {
		t.Errorf("got %s, want %s", got, want)
	}
}

func TestNilPathsReadAsAbsent(t *testing.T) {
	var n *Node
	if n.Get("a") != nil || n.Path("a", "b") != nil || n.Each("a") != nil || n.Str("a") != "" || n.IsTrue("a") {
		t.Error("a nil node must read as absent")
	}
}

func FuzzParse(f *testing.F) {
	for _, s := range []string{`{"a":[1.0,null,{"b":"c"}]}`, `[1e9]`, `{"a":1,"a":2}`, "\xef\xbb\xbf"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		n, err := Parse(data)
		if err != nil {
			if !fault.Is(err, fault.Invalid) {
				t.Fatalf("not an Invalid fault: %v", err)
			}
			return
		}
		again, err := Parse(n.Bytes())
		if err != nil || !again.Equal(n) {
			t.Fatalf("%q does not survive a round trip: %v", data, err)
		}
	})
}

func TestIsID(t *testing.T) {
	pattern := regexp.MustCompile(IDPattern)
	for _, id := range []string{"", "a", "A-1.b", strings.Repeat("x", 64), strings.Repeat("x", 65), "a/b", "ä", "a b", "a_b", "a\n"} {
		if got, want := IsID(id), pattern.MatchString(id); got != want {
			t.Errorf("IsID(%q) = %v, the pattern says %v", id, got, want)
		}
	}
}
