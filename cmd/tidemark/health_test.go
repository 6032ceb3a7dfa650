package main

import (
	"bytes"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
)

func TestHealth(t *testing.T) {
	status := http.StatusOK
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path != "/readyz" {
			t.Errorf("asked for %s", r.URL.Path)
		}
		w.WriteHeader(status)
		w.Write([]byte("the disk is full\n"))
	}))
	ask := func() (int, string) {
		var out, errs bytes.Buffer
		code := run([]string{"health", "--url", server.URL + "/"}, &out, &errs)
		return code, out.String() + errs.String()
	}
	if code, text := ask(); code != 0 || text != "ready\n" {
		t.Errorf("ready: exit %d, %q", code, text)
	}
	status = http.StatusServiceUnavailable
	if code, text := ask(); code != 1 || !strings.Contains(text, "503") || !strings.Contains(text, "the disk is full") {
		t.Errorf("not ready: exit %d, %q", code, text)
	}
	server.Close()
	if code, text := ask(); code != 1 || !strings.Contains(text, "not ready") {
		t.Errorf("nobody there: exit %d, %q", code, text)
	}
}
