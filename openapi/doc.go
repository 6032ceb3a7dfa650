// Package openapi owns the description of the service's API for clients that
// do not read FHIR: the OpenAPI 3.1 document, the schemas in it and the
// examples. Document writes it from plain data, the Source, which package api
// reads from the tables that its router works by; the result is kept as
// openapi.json, and a test fails when the two differ.
//
// It serves that file and knows nothing else of the service: no store, no
// handler and no FHIR validation, for which the schemas are no substitute.
package openapi

//go:generate go run ./gen openapi.json

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	_ "embed"
	"encoding/hex"
	"net/http"
	"strconv"
	"strings"
)

//go:embed openapi.json
var document []byte

// JSON is the document, which the caller may not change.
func JSON() []byte { return document }

// Handler serves the document to anyone. url is where clients reach the service.
func Handler(url string) http.Handler {
	document := bytes.Replace(document, []byte(`"url": "/"`), []byte(`"url": `+strconv.Quote(url)), 1)
	document = bytes.Replace(document, []byte(`"url":"/"`), []byte(`"url":`+strconv.Quote(url)), 1)
	sum := sha256.Sum256(document)
	tag := `"` + hex.EncodeToString(sum[:8]) + `"`
	packed := pack(document)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("ETag", tag)
		h.Set("Cache-Control", "no-cache")
		h.Add("Vary", "Accept-Encoding")
		if r.Header.Get("If-None-Match") == tag {
			w.WriteHeader(http.StatusNotModified)
			return
		}
		body := document
		if strings.Contains(r.Header.Get("Accept-Encoding"), "gzip") {
			body = packed
			h.Set("Content-Encoding", "gzip")
		}
		h.Set("Content-Type", "application/json; charset=utf-8")
		h.Set("Content-Length", strconv.Itoa(len(body)))
		if r.Method != http.MethodHead {
			// A client that disconnects while it reads cannot be told.
			_, _ = w.Write(body)
		}
	})
}

// pack compresses into memory, which cannot fail.
func pack(b []byte) []byte {
	var out bytes.Buffer
	z := gzip.NewWriter(&out)
	_, _ = z.Write(b)
	_ = z.Close()
	return out.Bytes()
}
