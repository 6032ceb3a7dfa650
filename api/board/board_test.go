package board

import (
	"io"
	"net/http"
	"net/http/httptest"
	"regexp"
	"strings"
	"testing"
)

func get(t *testing.T, method, path string, header http.Header) *http.Response {
	t.Helper()
	r := httptest.NewRequest(method, path, nil)
	for k, v := range header {
		r.Header[k] = v
	}
	w := httptest.NewRecorder()
	Handler(func(ward string) Settings { return Settings{Zone: "UTC", Actions: []string{ward}} }).ServeHTTP(w, r)
	return w.Result()
}

func TestFiles(t *testing.T) {
	files, err := load()
	if err != nil {
		t.Fatal(err)
	}
	for name, f := range files {
		if f.mime == "" {
			t.Errorf("%s has no type", name)
		}
		res := get(t, "GET", "/board/"+name, nil)
		body, _ := io.ReadAll(res.Body)
		if res.StatusCode != 200 || string(body) != string(f.content) {
			t.Errorf("GET %s: %d, %d bytes", name, res.StatusCode, len(body))
		}
		if got := res.Header.Get("Content-Type"); got != f.mime {
			t.Errorf("%s is served as %q", name, got)
		}
		if csp := res.Header.Get("Content-Security-Policy"); !strings.Contains(csp, "default-src 'none'") || strings.Contains(csp, "unsafe") {
			t.Errorf("%s: policy %q", name, csp)
		}
		again := get(t, "GET", "/board/"+name, http.Header{"If-None-Match": {res.Header.Get("ETag")}})
		if again.StatusCode != http.StatusNotModified {
			t.Errorf("%s asked for again with its ETag: %d", name, again.StatusCode)
		}
	}
	for _, must := range []string{"index.html", "app.js", "board.css"} {
		if _, ok := files[must]; !ok {
			t.Errorf("%s is missing", must)
		}
	}
}

// A phone on a ward waits for each round trip: files are packed, and the page
// names the modules that the ward needs, so that the browser need not find them one
// after another. Those of other pages come later.
func TestFilesComeSoon(t *testing.T) {
	files, err := load()
	if err != nil {
		t.Fatal(err)
	}
	res := get(t, "GET", "/board/app.js", http.Header{"Accept-Encoding": {"gzip"}})
	if body, _ := io.ReadAll(res.Body); res.Header.Get("Content-Encoding") != "gzip" || len(body) > len(files["app.js"].content)/2 || !strings.Contains(strings.Join(res.Header.Values("Vary"), ","), "Accept-Encoding") {
		t.Errorf("%d of %d bytes, %v", len(body), len(files["app.js"].content), res.Header)
	}
	if again := get(t, "GET", "/board/app.js", http.Header{"Accept-Encoding": {"gzip"}, "If-None-Match": {res.Header.Get("ETag")}}); again.StatusCode != http.StatusNotModified {
		t.Errorf("asked for again: %d", again.StatusCode)
	}
	index, app := string(files["index.html"].content), string(files["app.js"].content)
	for name := range files {
		module, ok := strings.CutSuffix(name, ".js")
		if !ok || strings.Contains(name, "/") || name == "app.js" || name == "sw.js" {
			continue
		}
		first, later := strings.Contains(index, `<link rel="modulepreload" href="`+name+`">`), strings.Contains(app, "part('"+module+"')")
		if first == later {
			t.Errorf("%s: preloaded %t, asked for with its page %t", name, first, later)
		}
	}
}

func TestPaths(t *testing.T) {
	for _, c := range []struct {
		method, path string
		status       int
	}{
		{"GET", "/board/", 200}, {"HEAD", "/board/", 200}, {"GET", "/board", 308}, {"GET", "/board/none.js", 404},
		{"GET", "/board/../board.go", 404}, {"GET", "/board/static/app.js", 404}, {"POST", "/board/", 405},
	} {
		res := get(t, c.method, c.path, nil)
		if res.StatusCode != c.status {
			t.Errorf("%s %s: %d, not %d", c.method, c.path, res.StatusCode, c.status)
		}
	}
}

// The content policy allows neither a script nor a style in the page, and
// nothing from another place; a file that needs one would be dead.
func TestNothingInlineNothingRemote(t *testing.T) {
	files, err := load()
	if err != nil {
		t.Fatal(err)
	}
	inline := regexp.MustCompile(`(?i)<script(?:\s+[^>]*)?>[^<\s]|<style|\sstyle=|\son[a-z]+="|javascript:`)
	remote := regexp.MustCompile(`(?i)(?:src|href)="(?:https?:)?//|url\(["']?(?:https?:)?//|import[^;\n]*["']https?:|@import`)
	sinks := regexp.MustCompile(`\.(?:innerHTML|outerHTML)\b|insertAdjacentHTML|document\.write|\beval\(|new Function`)
	for name, f := range files {
		for _, re := range []*regexp.Regexp{inline, remote, sinks} {
			if m := re.Find(f.content); m != nil {
				t.Errorf("%s holds %q", name, m)
			}
		}
	}
}
