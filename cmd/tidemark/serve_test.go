package main

import (
	"bytes"
	"path/filepath"
	"strings"
	"testing"
)

// TestNoSecretIsPrinted: a store or an issuer that cannot be reached, or whose
// URL cannot be read, ends the program with one line that says what to change, and
// without the password of the URL.
func TestNoSecretIsPrinted(t *testing.T) {
	const secret = "Bu7tercup"
	for _, c := range []struct{ name, value string }{
		{"nobody there", "mongodb://ward:" + secret + "@127.0.0.1:1/db?serverSelectionTimeoutMS=50&connectTimeoutMS=50"},
		{"a host that is not", "mongodb://ward:" + secret + "@tidemark.invalid/db?serverSelectionTimeoutMS=50&connectTimeoutMS=50"},
		{"an option that is not", "mongodb://ward:" + secret + "@127.0.0.1:1/db?w=" + secret + "&tls=perhaps"},
		{"reserved characters", "mongodb://ward:" + secret + "@@%%:x@127.0.0.1:1/db"},
		{"a port that is not", "mongodb://ward:" + secret + "@127.0.0.1:port/db"},
		{"no host", "mongodb://ward:" + secret + "@/db"},
		{"a record that is not", "mongodb+srv://ward:" + secret + "@tidemark.invalid/db?serverSelectionTimeoutMS=50"},
		{"another database", "postgres://ward:" + secret + "@127.0.0.1/db"},
		{"misspelt", "mongo://ward:" + secret + "@127.0.0.1/db"},
		{"without a scheme", "ward:" + secret + "@127.0.0.1/db"},
		{"--jwks", "http://ward:" + secret + "@tidemark.invalid/keys"},
		{"--issuer", "http://ward:" + secret + "@tidemark.invalid"},
	} {
		t.Run(c.name, func(t *testing.T) {
			for _, verbose := range []bool{false, true} {
				args := []string{"serve", "--listen=127.0.0.1:0", "--admin-listen=", "--data=" + filepath.Join(t.TempDir(), "data"), "--audience=a", "--store=" + c.value}
				if strings.HasPrefix(c.name, "--") {
					args[len(args)-1] = c.name + "=" + c.value
				}
				if verbose {
					args = append(args, "--verbose")
				}
				var out, errs bytes.Buffer
				code := run(args, &out, &errs)
				said := out.String() + errs.String()
				if code != 2 || strings.Count(said, "\n") != 1 {
					t.Errorf("exit %d with %d lines, want 2 with one: %s", code, strings.Count(said, "\n"), said)
				}
				if strings.Contains(said, secret) {
					t.Errorf("the password is printed: %s", said)
				}
			}
		})
	}
}
