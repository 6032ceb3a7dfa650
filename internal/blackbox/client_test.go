package blackbox

import (
	"bytes"
	"compress/gzip"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// client is the only way in which the suite speaks HTTP, so that no test can
// forget to have an answer validated.
type client struct {
	t     testing.TB
	base  string
	token string
	http  *http.Client
	// unvalidated is the argument why the validators' verdict on this client's answers
	// is not asked: what it sent is itself disputed.
	unvalidated string
}

// in gives the client to a subtest.
func (c *client) in(t testing.TB) *client {
	d := *c
	d.t = t
	return &d
}

type obj = map[string]any
type list = []any

// num is a number with the digits as written.
func num(s string) json.Number { return json.Number(s) }

// answer is what came back.
type answer struct {
	t      testing.TB
	what   string
	status int
	header http.Header
	body   []byte
	tree   any
}

// do sends one request. The path is relative to the base, or absolute. A body
// that is no string or []byte is marshalled. Headers come in pairs; an empty
// value removes one that would be sent.
func (c *client) do(method, path string, body any, header ...string) *answer {
	c.t.Helper()
	a, err := c.try(method, path, body, header...)
	if err != nil {
		c.t.Fatalf("%s %s: %v", method, path, err)
	}
	return a
}

// try is do for tests whose service may go away.
func (c *client) try(method, path string, body any, header ...string) (*answer, error) {
	c.t.Helper()
	url := path
	if !strings.HasPrefix(path, "http://") {
		url = c.base + "/" + path
		if path == "" {
			url = c.base
		}
	}
	var data []byte
	switch b := body.(type) {
	case nil:
	case string:
		data = []byte(b)
	case []byte:
		data = b
	default:
		var err error
		if data, err = json.Marshal(b); err != nil {
			return nil, err
		}
	}
	var rd io.Reader
	if data != nil {
		rd = bytes.NewReader(data)
	}
	r, err := http.NewRequest(method, url, rd)
	if err != nil {
		return nil, err
	}
	if c.token != "" {
		r.Header.Set("Authorization", "Bearer "+c.token)
	}
	r.Header.Set("Accept", "application/fhir+json")
	if data != nil {
		r.Header.Set("Content-Type", "application/fhir+json")
		if method == http.MethodPatch {
			r.Header.Set("Content-Type", "application/json-patch+json")
		}
	}
	for i := 0; i+1 < len(header); i += 2 {
		if header[i+1] == "" {
			r.Header.Del(header[i])
		} else {
			r.Header.Add(header[i], header[i+1])
			if k := http.CanonicalHeaderKey(header[i]); k == "Accept" || k == "Content-Type" || k == "Authorization" {
				r.Header.Set(header[i], header[i+1])
			}
		}
	}
	res, err := c.http.Do(r)
	if err != nil {
		return nil, err
	}
	defer res.Body.Close()
	a := &answer{t: c.t, what: method + " " + strings.TrimPrefix(url, c.base), status: res.StatusCode, header: res.Header}
	if len(a.what) > 200 {
		a.what = a.what[:200] + "…"
	}
	if a.body, err = io.ReadAll(res.Body); err != nil {
		return nil, err
	}
	if a.header.Get("Content-Encoding") == "gzip" {
		z, err := gzip.NewReader(bytes.NewReader(a.body))
		if err != nil {
			return nil, err
		}
		if a.body, err = io.ReadAll(z); err != nil {
			return nil, err
		}
	}
	c.examine(a, url)
	c.keeps(a, r)
	return a, nil
}

// examine holds for every answer: JSON is FHIR that the validators accept, errors
// are OperationOutcomes, and nothing is a 5xx.
func (c *client) examine(a *answer, url string) {
	c.t.Helper()
	if a.status >= 500 {
		c.t.Errorf("%s: %d %s", a.what, a.status, a.clip())
	}
	if len(a.body) == 0 {
		return
	}
	if !strings.Contains(a.header.Get("Content-Type"), "json") {
		if a.status >= 400 {
			c.t.Errorf("%s: %d is answered as %q, not as an OperationOutcome", a.what, a.status, a.header.Get("Content-Type"))
		}
		return
	}
	var err error
	if a.tree, err = parse(a.body); err != nil {
		c.t.Errorf("%s: the body is not JSON: %v", a.what, err)
		return
	}
	if a.status < 400 && (strings.Contains(url, "/.well-known/") || !strings.HasPrefix(url, c.base)) {
		return // JSON that is not FHIR
	}
	if c.unvalidated == "" {
		for _, complaint := range complaints(a.body) {
			c.t.Errorf("%s: %d, a validator of the answer: %.600s\n%s", a.what, a.status, complaint, a.clip())
		}
	}
	if a.status >= 400 {
		if a.str("resourceType") != "OperationOutcome" {
			c.t.Errorf("%s: %d without an OperationOutcome: %s", a.what, a.status, a.clip())
			return
		}
		for _, i := range items(a.tree, "issue") {
			if s := text(i, "severity"); s != "error" && s != "fatal" || text(i, "diagnostics") == "" {
				c.t.Errorf("%s: %d with an issue that says no error: %s", a.what, a.status, a.clip())
			}
		}
	}
}

func (a *answer) clip() string {
	if len(a.body) > 1500 {
		return string(a.body[:1500]) + "…"
	}
	return string(a.body)
}

// want ends the test when the status is another.
func (a *answer) want(status ...int) *answer {
	a.t.Helper()
	if !slices.Contains(status, a.status) {
		a.t.Fatalf("%s: %d, want %v\n%s", a.what, a.status, status, a.clip())
	}
	return a
}

// check is want that goes on.
func (a *answer) check(status ...int) bool {
	a.t.Helper()
	if !slices.Contains(status, a.status) {
		a.t.Errorf("%s: %d, want %v\n%s", a.what, a.status, status, a.clip())
		return false
	}
	return true
}

// dig follows a path such as "entry.0.resource.id"; nil where it leads nowhere.
func dig(v any, path string) any {
	for _, p := range strings.Split(path, ".") {
		switch x := v.(type) {
		case map[string]any:
			v = x[p]
		case []any:
			i, err := strconv.Atoi(p)
			if err != nil || i >= len(x) {
				return nil
			}
			v = x[i]
		default:
			return nil
		}
	}
	return v
}

func text(v any, path string) string {
	switch x := dig(v, path).(type) {
	case nil:
		return ""
	case string:
		return x
	default:
		return fmt.Sprint(x)
	}
}

func items(v any, path string) []any {
	l, _ := dig(v, path).([]any)
	return l
}

func (a *answer) str(path string) string { return text(a.tree, path) }
func (a *answer) list(path string) []any { return items(a.tree, path) }

// id and version of an answered resource.
func (a *answer) id() string      { return a.str("id") }
func (a *answer) version() string { return a.str("meta.versionId") }
func (a *answer) etag() string    { return a.header.Get("ETag") }

// link is the URL of a Bundle's link, "" without one.
func (a *answer) link(relation string) string {
	for _, l := range a.list("link") {
		if text(l, "relation") == relation {
			return text(l, "url")
		}
	}
	return ""
}

// ids lists "Type/id" of a Bundle's entries of one search mode, in order;
// every mode when it is "".
func (a *answer) ids(mode string) []string {
	out := []string{}
	for _, e := range a.list("entry") {
		if mode == "" || text(e, "search.mode") == mode {
			out = append(out, text(e, "resource.resourceType")+"/"+text(e, "resource.id"))
		}
	}
	return out
}

// diagnostics joins what an OperationOutcome says.
func (a *answer) diagnostics() string {
	var out []string
	for _, i := range a.list("issue") {
		out = append(out, text(i, "diagnostics"))
	}
	return strings.Join(out, "\n")
}

// expressions are the places that an OperationOutcome names.
func (a *answer) expressions() []string {
	var out []string
	for _, i := range a.list("issue") {
		for _, e := range items(i, "expression") {
			out = append(out, fmt.Sprint(e))
		}
	}
	return out
}

// all follows a search through its pages and gives the matches.
func (c *client) all(path string) []string {
	c.t.Helper()
	var out []string
	for page := 0; path != ""; page++ {
		if page > 500 {
			c.t.Fatalf("%s: the pages do not end", path)
		}
		a := c.do("GET", path, nil).want(200)
		out = append(out, a.ids("match")...)
		path = a.link("next")
	}
	return out
}
