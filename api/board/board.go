// Package board owns the ward page: static files that show a ward's drains,
// one drain's course, and a form to chart an emptying. The files hold no
// patient data and need no token; what they show they ask of the public
// interface under /fhir with the token of whoever looks. Nothing is built:
// what lies in static is what the browser runs.
package board

import (
	"bytes"
	"crypto/sha256"
	"embed"
	"encoding/base64"
	"io/fs"
	"net/http"
	"path"
	"strings"
	"time"
)

//go:embed static
var static embed.FS

// contentPolicy lets the page load its own files, talk to its own origin, and
// show pictures that it fetched with the token itself (blob:). Nothing inline,
// nothing from elsewhere, in no frame.
const contentPolicy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; connect-src 'self'; " +
	"manifest-src 'self'; worker-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"

// mimes names the types itself: the machine's own table may lack or twist one.
var mimes = map[string]string{
	".html": "text/html; charset=utf-8", ".css": "text/css; charset=utf-8", ".js": "text/javascript; charset=utf-8",
	".svg": "image/svg+xml", ".webmanifest": "application/manifest+json",
}

type file struct {
	name, mime, etag string
	content          []byte
}

// Handler serves the files under /board/.
func Handler() http.Handler {
	files, err := load()
	if err != nil {
		panic("board: " + err.Error()) // the files are part of the program
	}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.Method != http.MethodGet && r.Method != http.MethodHead {
			w.Header().Set("Allow", "GET, HEAD")
			http.Error(w, "The board's files are only read.", http.StatusMethodNotAllowed)
			return
		}
		if r.URL.Path == "/board" {
			http.Redirect(w, r, "/board/", http.StatusPermanentRedirect)
			return
		}
		name := strings.TrimPrefix(r.URL.Path, "/board/")
		if name == "" {
			name = "index.html"
		}
		f, ok := files[name]
		h := w.Header()
		h.Set("Content-Security-Policy", contentPolicy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("Permissions-Policy", "camera=(), geolocation=(), microphone=()")
		if !ok {
			http.Error(w, "The board has no such file.", http.StatusNotFound)
			return
		}
		h.Set("Content-Type", f.mime)
		h.Set("ETag", f.etag)
		// Ask each time: after an update of the service all files must be of one version.
		h.Set("Cache-Control", "no-cache")
		http.ServeContent(w, r, f.name, time.Time{}, bytes.NewReader(f.content))
	})
}

func load() (map[string]file, error) {
	root, err := fs.Sub(static, "static")
	if err != nil {
		return nil, err
	}
	files := map[string]file{}
	return files, fs.WalkDir(root, ".", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		content, err := fs.ReadFile(root, name)
		if err != nil {
			return err
		}
		sum := sha256.Sum256(content)
		files[name] = file{name, mimes[path.Ext(name)], `"` + base64.RawURLEncoding.EncodeToString(sum[:12]) + `"`, content}
		return nil
	})
}
