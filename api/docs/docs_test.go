package docs

import (
	"net/http/httptest"
	"regexp"
	"strings"
	"testing"
)

func TestPageStandsAlone(t *testing.T) {
	w := httptest.NewRecorder()
	Handler().ServeHTTP(w, httptest.NewRequest("GET", "/docs", nil))
	body := w.Body.String()
	if w.Code != 200 || !strings.HasPrefix(w.Header().Get("Content-Type"), "text/html") {
		t.Fatalf("%d %s", w.Code, w.Header().Get("Content-Type"))
	}
	if m := regexp.MustCompile(`(?i)(src|href)="?(https?:)?//|@import|url\(["']?http`).FindString(body); m != "" {
		t.Errorf("the page loads something from elsewhere: %s", m)
	}
	if m := regexp.MustCompile(`(?i)<[^>]+ (on[a-z]+|style)=`).FindString(frame); m != "" {
		t.Errorf("the policy stops what stands in an attribute: %s", m)
	}
	for _, say := range []string{"does not diagnose", "examples until the", "clinician decide", "go to the bedside", "not a safe patient"} {
		if !strings.Contains(body, say) {
			t.Errorf("the page lacks the caution %q", say)
		}
	}
}

// The browser hashes what stands between the tags: the policy must name it.
func TestPolicyNamesWhatStandsInThePage(t *testing.T) {
	w := httptest.NewRecorder()
	Handler().ServeHTTP(w, httptest.NewRequest("GET", "/docs", nil))
	policy, body := w.Header().Get("Content-Security-Policy"), w.Body.String()
	if strings.Contains(policy, "unsafe") || !strings.HasPrefix(policy, "default-src 'none'") {
		t.Errorf("the policy is lax: %s", policy)
	}
	for _, tag := range []string{"script", "style"} {
		_, rest, _ := strings.Cut(body, "<"+tag+">")
		inside, _, ok := strings.Cut(rest, "</"+tag+">")
		if !ok || inside == "" || !strings.Contains(policy, tag+"-src "+hash(inside)) {
			t.Errorf("the policy does not let the %s of the page run", tag)
		}
	}
	if n := strings.Count(body, "<script"); n != 1 {
		t.Errorf("%d scripts", n)
	}
}

func TestUnchangedPageIsNotSentAgain(t *testing.T) {
	w := httptest.NewRecorder()
	Handler().ServeHTTP(w, httptest.NewRequest("GET", "/docs", nil))
	r := httptest.NewRequest("GET", "/docs", nil)
	r.Header.Set("If-None-Match", w.Header().Get("ETag"))
	again := httptest.NewRecorder()
	Handler().ServeHTTP(again, r)
	if again.Code != 304 || again.Body.Len() != 0 {
		t.Errorf("%d with %d bytes", again.Code, again.Body.Len())
	}
}
