// Package board owns the ward page: static files that show a ward's drains,
// one drain's course, and a form to chart an entry. The files hold no patient
// data and need no token; what they show they ask of the public interface under
// /fhir with the token of whoever looks. Nothing is built: what lies in static
// is what the browser runs. Beside them stands settings.json, what a page needs
// of the ward's policy before anybody has signed in.
package board

import (
	"bytes"
	"crypto/sha256"
	"embed"
	"encoding/base64"
	"encoding/json"
	"io/fs"
	"net/http"
	"net/url"
	"path"
	"strings"
	"time"

	"github.com/klauspost/compress/gzhttp"
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
	".svg": "image/svg+xml", ".txt": "text/plain; charset=utf-8", ".webmanifest": "application/manifest+json",
}

type file struct {
	name, mime, etag string
	content          []byte
}

// Settings are what the page needs of the ward's policy and of the service's
// set-up. They hold nothing about patients.
type Settings struct {
	Zone     string            `json:"zone"`     // IANA name
	DayStart string            `json:"dayStart"` // 07:00
	Shifts   []string          `json:"shifts"`   // starts, in their order
	Interval float64           `json:"interval"` // between two emptyings at most, in hours
	Fill     float64           `json:"fill"`     // at which a reservoir is to be emptied, in %
	Capacity float64           `json:"capacity"` // of a reservoir that states none, in mL
	Vessels  map[string]Vessel `json:"vessels"`  // by code
	Actions  []string          `json:"actions"`  // the ward's words for what was done
	Approved string            `json:"approved,omitempty"`
	SignIn   *SignIn           `json:"signIn,omitempty"` // nil: by pasting a token
}

// Vessel is a measuring vessel, in mL.
type Vessel struct {
	Capacity   float64 `json:"capacity"`
	Graduation float64 `json:"graduation"`
}

// SignIn names the hospital's issuer, and the board as its client.
type SignIn struct {
	Issuer   string `json:"issuer"`
	Client   string `json:"client"`
	Scope    string `json:"scope"`
	FHIR     string `json:"fhir"`               // the aud of a SMART App Launch
	Resource string `json:"resource,omitempty"` // RFC 8707
}

// Handler serves the files under /board/. settings gives those of a ward, by the
// id of its Location, and the general ones for "". The page may also talk to
// the issuer, for sign-in.
func Handler(settings func(ward string) Settings) http.Handler {
	files, err := load()
	if err != nil {
		panic("board: " + err.Error()) // the files are part of the program
	}
	// Text packs to a quarter, which a phone on a ward notices.
	return gzhttp.GzipHandler(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.Method != http.MethodGet && r.Method != http.MethodHead {
			w.Header().Set("Allow", "GET, HEAD")
			http.Error(w, "The board's files are only read.", http.StatusMethodNotAllowed)
			return
		}
		if r.URL.Path == "/board" {
			w.Header().Set("Location", "board/") // relative: a proxy may show the service below a path of its own
			w.WriteHeader(http.StatusPermanentRedirect)
			return
		}
		name := strings.TrimPrefix(r.URL.Path, "/board/")
		if name == "" {
			name = "index.html"
		}
		f, ok := files[name]
		h := w.Header()
		h.Set("Content-Security-Policy", policyFor(settings("").SignIn))
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("Permissions-Policy", "camera=(), geolocation=(), microphone=()")
		if name == "settings.json" {
			h.Set("Content-Type", "application/json")
			h.Set("Cache-Control", "no-cache")
			// A client that goes away while it reads has nobody to be told.
			_ = json.NewEncoder(w).Encode(settings(r.URL.Query().Get("ward")))
			return
		}
		if !ok {
			http.Error(w, "The board has no such file.", http.StatusNotFound)
			return
		}
		h.Set("Content-Type", f.mime)
		h.Set("ETag", f.etag)
		// Ask each time: after an update of the service all files must be of one version.
		h.Set("Cache-Control", "no-cache")
		http.ServeContent(w, r, f.name, time.Time{}, bytes.NewReader(f.content))
	}))
}

// policyFor lets the page ask the issuer too, where there is one.
func policyFor(in *SignIn) string {
	if in == nil {
		return contentPolicy
	}
	u, err := url.Parse(in.Issuer)
	if err != nil || u.Host == "" {
		return contentPolicy
	}
	return strings.Replace(contentPolicy, "connect-src 'self'", "connect-src 'self' "+u.Scheme+"://"+u.Host, 1)
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
		files[name] = file{name, mimes[path.Ext(name)], `W/"` + base64.RawURLEncoding.EncodeToString(sum[:12]) + `"`, content}
		return nil
	})
}
