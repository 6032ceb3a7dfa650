// Package docs owns /docs, the reference of the interface as a page: it lists
// what /openapi.json describes, with parameters and examples, and sends
// requests from the browser. The page is one file and loads nothing but that
// document from the service itself, so it works without any other network. It
// knows nothing of FHIR and keeps nothing: a token lives as long as the page.
package docs

import (
	"crypto/sha256"
	_ "embed"
	"encoding/base64"
	"net/http"
	"strconv"
	"strings"
)

var (
	//go:embed page.html
	frame string
	//go:embed page.css
	style string
	//go:embed page.js
	script string
)

// Handler serves the page to anyone. Style and script stand in it, and the
// policy names them by their hashes: nothing else runs.
func Handler() http.Handler {
	page := strings.NewReplacer("/*style*/", style, "/*script*/", script).Replace(frame)
	policy := "default-src 'none'; script-src " + hash(script) + "; style-src " + hash(style) +
		"; connect-src 'self'; img-src 'self' blob: data:; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
	tag := `"` + strings.Trim(hash(page), "'")[len("sha256-"):][:16] + `"`
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", policy)
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Cache-Control", "no-cache")
		h.Set("ETag", tag)
		if r.Header.Get("If-None-Match") == tag {
			w.WriteHeader(http.StatusNotModified)
			return
		}
		h.Set("Content-Type", "text/html; charset=utf-8")
		h.Set("Content-Length", strconv.Itoa(len(page)))
		if r.Method != http.MethodHead {
			// A client that goes away while it reads has nobody to be told.
			_, _ = w.Write([]byte(page))
		}
	})
}

func hash(s string) string {
	sum := sha256.Sum256([]byte(s))
	return "'sha256-" + base64.StdEncoding.EncodeToString(sum[:]) + "'"
}
