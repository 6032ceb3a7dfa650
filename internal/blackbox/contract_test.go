package blackbox

import (
	"bytes"
	"encoding/json"
	"io"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"sync"

	"tidemark/internal/contractcheck"
)

// contract is the OpenAPI document of a service: what it describes, and a
// validator of the answers.
type contract struct {
	validator *contractcheck.Validator
	paths     map[string][]*regexp.Regexp // by method, of templates
}

// contracts keeps one contract for each base and for each text: services that
// serve the same document share a validator.
var contracts struct {
	sync.Mutex
	byBase, byText map[string]*contract
}

var parameter = regexp.MustCompile(`\\\{[^}]*\\\}`)

// contractOf reads the document that the service serves.
func contractOf(c *client) *contract {
	contracts.Lock()
	defer contracts.Unlock()
	if k, ok := contracts.byBase[c.base]; ok {
		return k
	}
	if contracts.byBase == nil {
		contracts.byBase, contracts.byText = map[string]*contract{}, map[string]*contract{}
	}
	res, err := c.http.Get(strings.TrimSuffix(c.base, "/fhir") + "/openapi.json")
	if err != nil {
		c.t.Errorf("the OpenAPI document: %v", err)
		return nil
	}
	defer res.Body.Close()
	raw, err := io.ReadAll(res.Body)
	if err != nil || res.StatusCode != http.StatusOK {
		c.t.Errorf("the OpenAPI document: %d %v", res.StatusCode, err)
		return nil
	}
	// Two services differ in their port alone, of which the validator takes no notice;
	// a validator costs seconds and half a gigabyte.
	raw = bytes.ReplaceAll(raw, []byte(strings.TrimSuffix(c.base, "/fhir")), []byte("http://tidemark.example.org"))
	k := contracts.byText[string(raw)]
	if k == nil {
		var doc struct {
			Paths map[string]map[string]any
		}
		if err := json.Unmarshal(raw, &doc); err != nil {
			c.t.Errorf("the OpenAPI document: %v", err)
			return nil
		}
		k = &contract{paths: map[string][]*regexp.Regexp{}}
		if k.validator, err = contractcheck.NewValidator(raw); err != nil {
			c.t.Errorf("the OpenAPI document: %v", err)
			return nil
		}
		for path, item := range doc.Paths {
			template := regexp.MustCompile("^" + parameter.ReplaceAllLiteralString(regexp.QuoteMeta(path), `[^/_$.][^/]*`) + "$")
			for method := range item {
				method = strings.ToUpper(method)
				k.paths[method] = append(k.paths[method], template)
			}
		}
		contracts.byText[string(raw)] = k
	}
	contracts.byBase[c.base] = k
	return k
}

// describes says whether the document has the path with this method. The suite
// also asks for what is not there, and for what FHIR knows but the document
// leaves to FHIR (HEAD, trailing slashes): nothing is promised of those.
func (k *contract) describes(method string, u *url.URL) bool {
	for _, p := range k.paths[method] {
		if p.MatchString(u.EscapedPath()) {
			return true
		}
	}
	return false
}

// unpromised are statuses that the document rightly leaves out.
var unpromised = map[int]string{
	http.StatusExpectationFailed: "the HTTP server itself answers an Expect header that it does not know, before the service sees the request",
}

// minimal says whether the answer is without a body because the client asked
// for that: OpenAPI cannot say that the body of a status may be left out.
func (a *answer) minimal(r *http.Request) bool {
	return len(a.body) == 0 && a.status < 300 && strings.Contains(strings.Join(r.Header.Values("Prefer"), ","), "return=minimal")
}

// keeps holds an answer below the base against the document.
func (c *client) keeps(a *answer, r *http.Request) {
	c.t.Helper()
	if !strings.HasPrefix(r.URL.String(), c.base) {
		return
	}
	if unpromised[a.status] != "" || a.minimal(r) {
		return
	}
	k := contractOf(c)
	if k == nil || !k.describes(r.Method, r.URL) {
		return
	}
	header := a.header.Clone()
	header.Del("Content-Encoding") // the body is unpacked already
	for _, complaint := range k.validator.Answer(r, a.status, header, a.body) {
		c.t.Errorf("%s: %d is not what the OpenAPI document allows: %.600s", a.what, a.status, complaint)
	}
}
