package mongotest

import (
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"
	"time"

	"tidemark/api"
	"tidemark/internal/auth"
	"tidemark/internal/fault"
	"tidemark/internal/fhirjson"
	"tidemark/internal/policy"
	"tidemark/internal/profile"
	"tidemark/internal/search"
	"tidemark/internal/ward"
)

// TestSystemSearch: a search over several types pages over this engine as it
// does over the embedded one, whose tests stand beside package api.
func TestSystemSearch(t *testing.T) {
	st := open(t, options(Start(t).URL("tidemark")))
	key, err := auth.OpenLocalKey(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	verifier, err := auth.NewVerifier(context.Background(), auth.Config{Local: key})
	if err != nil {
		t.Fatal(err)
	}
	lib, err := profile.New()
	if err != nil {
		t.Fatal(err)
	}
	p := policy.Default()
	current := func() *policy.Policy { return p }
	w := ward.New(st, ward.Options{Policy: current, Clock: time.Now, Logger: slog.New(slog.DiscardHandler), Validate: func(*fhirjson.Node) *fault.List { return &fault.List{} }})
	s := api.New(api.Options{Store: st, Ward: w, Verifier: verifier, Conformance: lib, Policy: current, Extract: search.ExtractOptions{Base: "http://x/fhir"}, Logger: slog.New(slog.DiscardHandler), BaseURL: "http://x/fhir"})
	t.Cleanup(s.Close)
	token, err := key.Mint(auth.TokenRequest{Subject: "Practitioner/t", Scope: "system/*.cruds", TTL: time.Hour, Now: time.Now()})
	if err != nil {
		t.Fatal(err)
	}
	do := func(want int, method, target, body string) []byte {
		t.Helper()
		r := httptest.NewRequest(method, target, strings.NewReader(body))
		r.Header.Set("Authorization", "Bearer "+token)
		if body != "" {
			r.Header.Set("Content-Type", "application/fhir+json")
		}
		rec := httptest.NewRecorder()
		s.Handler().ServeHTTP(rec, r)
		if rec.Code != want {
			t.Fatalf("%s %s: %d, want %d: %s", method, target, rec.Code, want, rec.Body)
		}
		return rec.Body.Bytes()
	}
	put := func(id string, i int) {
		t.Helper()
		typ := []string{"Location", "Patient"}[i%2]
		name := `"n"`
		if typ == "Patient" {
			name = `[{"family":"n"}]`
		}
		body := fmt.Sprintf(`{"resourceType":%q,"id":%q,"meta":{"tag":[{"code":"x"}]},"name":%s}`, typ, id, name)
		do(http.StatusCreated, "PUT", "/fhir/"+typ+"/"+id, body)
	}
	var want []string
	for i := range 7 {
		id := string(rune('a' + i))
		put(id, i)
		want = append(want, id)
	}
	for _, sort := range []string{"&_sort=_id", "&_sort=-_id", ""} {
		var got []string
		next := "/fhir?_type=Patient,Location&_tag=x&_count=2" + sort
		for n := 0; next != ""; n++ {
			var b struct {
				Total *int
				Link  []struct{ Relation, URL string }
				Entry []struct{ Resource struct{ ID string } }
			}
			if err := json.Unmarshal(do(http.StatusOK, "GET", next, ""), &b); err != nil {
				t.Fatal(err)
			}
			if n == 0 && (b.Total == nil || *b.Total != len(want)) {
				t.Errorf("%s: total %v", next, b.Total)
			}
			next = ""
			for _, l := range b.Link {
				if l.Relation == "next" {
					next = strings.TrimPrefix(l.URL, "http://x")
				}
			}
			for _, e := range b.Entry {
				got = append(got, e.Resource.ID)
			}
			if n == 0 { // what comes between the pages moves nothing
				put("between", 0)
			}
		}
		got = slices.DeleteFunc(got, func(id string) bool { return id == "between" })
		expect := slices.Clone(want)
		switch sort {
		case "&_sort=-_id":
			slices.Reverse(expect)
		case "":
			slices.Sort(got) // of one type after the other
		}
		if !slices.Equal(got, expect) {
			t.Errorf("%q: %v, want %v", sort, got, expect)
		}
		do(http.StatusOK, "GET", "/fhir/Patient/b/*", "")
		do(http.StatusNoContent, "DELETE", "/fhir/Location/between", "")
	}
}
