package blackbox

import (
	"fmt"
	"net/url"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"
)

func TestLinesHistory(t *testing.T) {
	s := serve(t)
	bare := func(id string) obj { return obj{"resourceType": "Patient", "id": id} }
	// three makes a resource with versions 1 (POST), 2 (PUT), 3 (DELETE).
	three := func(c *client, name string) string {
		id := c.patient(name)
		c.do("PUT", "Patient/"+id, bare(id)).want(200)
		c.do("DELETE", "Patient/"+id, nil).want(200, 204)
		return id
	}
	versions := func(a *answer) []string {
		var out []string
		for _, e := range a.list("entry") {
			out = append(out, strings.TrimSuffix(strings.TrimPrefix(text(e, "response.etag"), `W/"`), `"`))
		}
		return out
	}
	runLines(t, s.client(), []line{
		{"74", "instance, type and system, newest first, deletions included", func(t *testing.T, c *client) {
			id := three(c, "74")
			for _, p := range []string{"Patient/" + id + "/_history", "Patient/_history?_count=3", "_history?_count=3"} {
				h := c.do("GET", p, nil).want(200)
				if h.str("type") != "history" || !slices.Equal(versions(h)[:3], []string{"3", "2", "1"}) {
					t.Errorf("%s: %s", p, h.clip())
				}
			}
		}},
		{"75", "request and response in every entry, no version in fullUrl", func(t *testing.T, c *client) {
			three(c, "75")
			for _, p := range []string{"Patient/_history", "_history"} {
				for _, e := range c.do("GET", p, nil).want(200).list("entry") {
					m := text(e, "request.method")
					if text(e, "request.url") == "" || text(e, "response.status") == "" || (dig(e, "resource") == nil) != (m == "DELETE") || strings.Contains(text(e, "fullUrl"), "_history") || !strings.HasPrefix(text(e, "fullUrl"), c.base) {
						t.Errorf("%s: %v", p, e)
					}
				}
			}
		}},
		{"76", "what the entries say", func(t *testing.T, c *client) {
			id := three(c, "76")
			h := c.do("GET", "Patient/"+id+"/_history", nil).want(200)
			for i, want := range []string{"DELETE Patient/" + id + " 204", "PUT Patient/" + id + " 200", "POST Patient 201"} {
				e := dig(h.tree, fmt.Sprintf("entry.%d", i))
				if got := text(e, "request.method") + " " + text(e, "request.url") + " " + text(e, "response.status")[:3]; got != want {
					t.Errorf("%s, want %s", got, want)
				}
				if at, err := time.Parse(time.RFC3339, text(e, "response.lastModified")); err != nil || i > 0 && text(e, "resource.meta.lastUpdated") == "" || time.Since(at) > time.Hour {
					t.Errorf("lastModified %v", e)
				}
			}
		}},
		{"77", "pages reach every version once while others write", func(t *testing.T, c *client) {
			ids := map[string]bool{}
			for i := range 12 {
				ids[c.patient(fmt.Sprintf("77-%d", i))] = true
			}
			seen := map[string]int{}
			path := "Patient/_history?_count=5"
			for n := 0; path != "" && n < 300; n++ {
				h := c.do("GET", path, nil).want(200)
				if len(h.list("entry")) > 5 {
					t.Errorf("a page of %d", len(h.list("entry")))
				}
				for _, e := range h.list("entry") {
					seen[text(e, "fullUrl")+" "+text(e, "response.etag")]++
				}
				c.patient("77-noise")
				path = h.link("next")
			}
			found := 0
			for k, n := range seen {
				if n != 1 {
					t.Errorf("%s stands %d times", k, n)
				}
				for id := range ids {
					if strings.Contains(k, id) {
						found++
					}
				}
			}
			if found != len(ids) {
				t.Errorf("%d of %d versions", found, len(ids))
			}
		}},
		{"78", "_since is an instant, _at a time", func(t *testing.T, c *client) {
			id := c.patient("78")
			time.Sleep(20 * time.Millisecond)
			second := c.do("PUT", "Patient/"+id, bare(id)).want(200)
			time.Sleep(20 * time.Millisecond)
			c.do("PUT", "Patient/"+id, obj{"resourceType": "Patient", "id": id, "active": true}).want(200)
			at := second.str("meta.lastUpdated")
			if got := versions(c.do("GET", "Patient/"+id+"/_history?"+query("_since", at), nil).want(200)); !slices.Equal(got, []string{"3", "2"}) {
				t.Errorf("_since the second version: %v", got)
			}
			if got := versions(c.do("GET", "Patient/"+id+"/_history?"+query("_at", at), nil).want(200)); !slices.Equal(got, []string{"2"}) {
				t.Errorf("_at the second version: %v", got)
			}
			for _, bad := range []string{"2026-02-01", "2026", "yesterday", "2026-02-01T10:00:00"} {
				c.do("GET", "Patient/_history?"+query("_since", bad), nil).check(400)
			}
		}},
		{"79", "modifiers, prefixes and repetition are 400", func(t *testing.T, c *client) {
			for _, q := range []string{"_since=gt2026-02-01T10:00:00Z", "_since:missing=true", "_count=5&_count=6", "_count=x", "_count=-1", "_count:exact=5"} {
				c.do("GET", "Patient/_history?"+q, nil).check(400)
			}
		}},
		{"80", "unknown id 404, deleted 200, total counts versions", func(t *testing.T, c *client) {
			c.do("GET", "Patient/nobody/_history", nil).check(404)
			if h := c.do("GET", "Patient/"+three(c, "80")+"/_history", nil).want(200); h.str("total") != "3" {
				t.Errorf("total %s", h.str("total"))
			}
			id := c.patient("80b")
			c.do("PUT", "Patient/"+id, bare(id)).want(200)
			if h := c.do("GET", "Patient/"+id+"/_history?_count=1", nil).want(200); h.str("total") != "2" || h.link("next") == "" {
				t.Errorf("total of a page: %s", h.clip())
			}
		}},
	})
}

func TestLinesConditional(t *testing.T) {
	s := serve(t)
	crit := func(v string) string { return query("identifier", testSys+"|"+v) }
	runLines(t, s.client(), []line{
		{"81", "conditional create", func(t *testing.T, c *client) {
			a := c.do("POST", "Patient", person("81"), "If-None-Exist", crit("81")).want(201)
			b := c.do("POST", "Patient", person("81"), "If-None-Exist", crit("81")).want(200)
			if b.etag() != `W/"1"` || b.header.Get("Location") != a.header.Get("Location") || b.id() != a.id() {
				t.Errorf("%v", b.header)
			}
			c.patient("81x")
			c.patient("81x")
			c.do("POST", "Patient", person("81x"), "If-None-Exist", crit("81x")).check(412)
			if n := len(c.all("Patient?" + crit("81x"))); n != 2 {
				t.Errorf("%d", n)
			}
		}},
		{"82", "conditional update", func(t *testing.T, c *client) {
			a := c.do("PUT", "Patient?"+crit("82"), person("82")).want(201)
			b := c.do("PUT", "Patient?"+crit("82"), person("82")).want(200)
			if a.id() != b.id() || b.version() != "2" {
				t.Errorf("%s %s", a.clip(), b.clip())
			}
			p := person("82-own")
			p["id"] = "p82"
			if x := c.do("PUT", "Patient?"+crit("82-own"), p); x.status == 201 && x.id() != "p82" {
				t.Error(x.clip())
			}
			c.patient("82m")
			c.patient("82m")
			c.do("PUT", "Patient?"+crit("82m"), person("82m")).check(412)
		}},
		{"83", "one match with another id in the body", func(t *testing.T, c *client) {
			c.patient("83")
			p := person("83")
			p["id"] = "other"
			c.do("PUT", "Patient?"+crit("83"), p).check(400)
		}},
		{"84", "conditional patch", func(t *testing.T, c *client) {
			p := list{obj{"op": "add", "path": "/active", "value": true}}
			c.do("PATCH", "Patient?"+crit("84"), p).check(404)
			id := c.patient("84")
			if a := c.do("PATCH", "Patient?"+crit("84"), p).want(200); a.id() != id || a.str("active") != "true" {
				t.Error(a.clip())
			}
			c.patient("84")
			c.do("PATCH", "Patient?"+crit("84"), p).check(412)
		}},
		{"85", "conditional delete, single", func(t *testing.T, c *client) {
			c.do("DELETE", "Patient?"+crit("85"), nil).check(200, 204)
			id := c.patient("85")
			c.do("DELETE", "Patient?"+crit("85"), nil).check(200, 204)
			c.do("GET", "Patient/"+id, nil).check(410)
			one, two := c.patient("85m"), c.patient("85m")
			c.do("DELETE", "Patient?"+crit("85m"), nil).check(412)
			c.do("GET", "Patient/"+one, nil).check(200)
			c.do("GET", "Patient/"+two, nil).check(200)
		}},
		{"86", "empty or unknown criteria never mean all", func(t *testing.T, c *client) {
			id := c.patient("86")
			before := c.do("GET", "Patient?_summary=count", nil).str("total")
			for _, q := range []string{"?", "?foo=bar", "?identifier=", "?_count=1", "?_format=json", "?&&", "?_sort=_id", "", "?_total=none", "?_elements=id", "?" + crit("86") + "&foo=bar"} {
				for _, m := range []string{"DELETE", "PUT", "PATCH"} {
					var body any
					switch m {
					case "PUT":
						body = person("86x")
					case "PATCH":
						body = list{obj{"op": "add", "path": "/active", "value": true}}
					}
					if a := c.do(m, "Patient"+q, body); a.status != 400 && a.status != 412 && a.status != 405 && a.status != 404 {
						t.Errorf("%s: %d %s", a.what, a.status, a.clip())
					}
				}
				if q != "" && q != "?" && q != "?&&" { // an empty If-None-Exist may stand for none
					c.do("POST", "Patient", person("86y"), "If-None-Exist", strings.TrimPrefix(q, "?")).check(400, 412)
				}
			}
			if g := c.do("GET", "Patient/"+id, nil); g.status != 200 || g.version() != "1" {
				t.Errorf("%d %s", g.status, g.clip())
			}
			if after := c.do("GET", "Patient?_summary=count", nil).str("total"); after != before {
				t.Errorf("%s Patients became %s", before, after)
			}
		}},
		{"88", "a feature that is not offered", func(t *testing.T, c *client) {
			if a := c.do("POST", "Patient", person("88"), "If-None-Exist", "name:phonetic=x"); a.status != 400 {
				t.Errorf("%d", a.status)
			}
		}},
	})
}

// form sends a search by POST.
func (c *client) form(path, body string) *answer {
	c.t.Helper()
	return c.do("POST", path, body, "Content-Type", "application/x-www-form-urlencoded")
}

func TestLinesSearch(t *testing.T) {
	s := serve(t)
	c := s.client()
	p := c.do("PUT", "Patient/srch", obj{"resourceType": "Patient", "id": "srch", "name": list{obj{"family": "Öhm, Jr|x$y\\z"}}}).want(201).id()
	var made []string
	for i := range 7 {
		made = append(made, c.do("POST", "Observation", note(p, fmt.Sprintf("s%d", i%3), fmt.Sprintf("2026-01-%02dT10:00:00Z", i+1), nil)).want(201).id())
	}
	has := func(a *answer, part string) bool { return strings.Contains(a.link("self"), part) }
	runLines(t, c, []line{
		{"89", "GET and POST _search give the same", func(t *testing.T, c *client) {
			q := "patient=srch&code=s0"
			g := c.do("GET", "Observation?"+q, nil).want(200)
			for _, a := range []*answer{c.form("Observation/_search", q), c.form("Observation/_search?patient=srch", "code=s0")} {
				if a.check(200) && !slices.Equal(a.ids("match"), g.ids("match")) {
					t.Errorf("%v, want %v", a.ids("match"), g.ids("match"))
				}
			}
			c.do("POST", "Observation/_search", obj{"code": "s0"}).check(415)
			c.form("Observation/_search", "").check(200)
		}},
		{"90", "an empty searchset", func(t *testing.T, c *client) {
			a := c.do("GET", "Observation?code=nothing", nil).want(200)
			if a.str("type") != "searchset" || a.str("total") != "0" || dig(a.tree, "entry") != nil {
				t.Error(a.clip())
			}
		}},
		{"91", "self holds what was used", func(t *testing.T, c *client) {
			for _, a := range []*answer{c.do("GET", "Observation?patient=srch&nonsense=1&code=", nil), c.form("Observation/_search", "patient=srch&nonsense=1")} {
				self, err := url.Parse(a.want(200).link("self"))
				if err != nil || !strings.HasPrefix(self.String(), c.base+"/Observation") || self.Query().Get("patient") != "srch" || self.Query().Has("nonsense") || self.Query().Has("code") || strings.Contains(self.Path, "_search") {
					t.Errorf("%s: self %v", a.what, self)
				}
				if again := c.do("GET", a.link("self"), nil).want(200); !slices.Equal(again.ids("match"), a.ids("match")) {
					t.Errorf("self answers %v", again.ids("match"))
				}
			}
		}},
		{"92", "links are opaque, absolute, usable", func(t *testing.T, c *client) {
			a := c.do("GET", "Observation?patient=srch&_count=3", nil).want(200)
			seen := a.ids("match")
			for n := 0; a.link("next") != "" && n < 10; n++ {
				if !strings.HasPrefix(a.link("next"), c.base) {
					t.Errorf("next %q", a.link("next"))
				}
				a = c.do("GET", a.link("next"), nil).want(200)
				seen = append(seen, a.ids("match")...)
			}
			slices.Sort(seen)
			if len(seen) != 7 || len(slices.Compact(seen)) != 7 {
				t.Errorf("the pages hold %v", seen)
			}
			if a := c.do("GET", "Observation?patient=srch&_count=7", nil).want(200); a.link("next") != "" {
				t.Errorf("next on the last page: %s", a.link("next"))
			}
		}},
		{"93", "forged page tokens; an extra _count", func(t *testing.T, c *client) {
			next := c.do("GET", "Observation?patient=srch&_count=3", nil).want(200).link("next")
			u, _ := url.Parse(next)
			for name := range u.Query() {
				q := u.Query()
				if name == "patient" || name == "_count" {
					continue
				}
				for _, forged := range []string{"x", "AAAA", q.Get(name) + "x", q.Get(name)[:len(q.Get(name))/2], "%00", strings.Repeat("9", 4000), "-1", "' OR 1=1 --"} {
					q.Set(name, forged)
					if a := c.do("GET", c.base+"/Observation?"+q.Encode(), nil); a.status != 400 && a.status != 404 && a.status != 410 {
						t.Errorf("a forged token %.40q: %d", forged, a.status)
					}
				}
				q = u.Query()
				q.Set("patient", "other") // a token of another search
				if a := c.do("GET", c.base+"/Observation?"+q.Encode(), nil); a.status == 200 && len(a.ids("match")) > 0 {
					t.Errorf("a token of another search finds %v", a.ids("match"))
				}
			}
			c.do("GET", next+"&_count=1000", nil).check(200)
		}},
		{"94", "fullUrl and search.mode; nothing twice", func(t *testing.T, c *client) {
			a := c.do("GET", "Observation?patient=srch&_include=Observation:subject&_include=Observation:patient", nil).want(200)
			seen := map[string]bool{}
			for _, e := range a.list("entry") {
				full := text(e, "fullUrl")
				if seen[full] || full != c.base+"/"+text(e, "resource.resourceType")+"/"+text(e, "resource.id") {
					t.Errorf("fullUrl %q", full)
				}
				seen[full] = true
				if m := text(e, "search.mode"); m != "match" && m != "include" {
					t.Errorf("mode %q", m)
				}
			}
			if len(a.ids("match")) != 7 || !slices.Equal(a.ids("include"), []string{"Patient/srch"}) {
				t.Errorf("%v and %v", a.ids("match"), a.ids("include"))
			}
		}},
		{"95", "_count", func(t *testing.T, c *client) {
			a := c.do("GET", "Observation?patient=srch&_count=2&_include=Observation:subject", nil).want(200)
			if len(a.ids("match")) != 2 || len(a.ids("include")) != 1 {
				t.Errorf("%v", a.ids(""))
			}
			zero := c.do("GET", "Observation?patient=srch&_count=0", nil).want(200)
			if zero.str("total") != "7" || len(zero.list("entry")) != 0 {
				t.Error(zero.clip())
			}
			for _, bad := range []string{"-1", "x", "1.5", "1e3"} {
				c.do("GET", "Observation?_count="+bad, nil).check(400)
			}
			c.do("GET", "Observation?_count=1000000000", nil).check(200)
			c.do("GET", "Observation?_count=99999999999999999999999", nil).check(200, 400)
		}},
		{"96", "total and _total", func(t *testing.T, c *client) {
			a := c.do("GET", "Observation?patient=srch&_count=2&_total=accurate&_include=Observation:subject", nil).want(200)
			if a.str("total") != "7" {
				t.Errorf("total %s", a.str("total"))
			}
			for _, v := range []string{"none", "estimate"} {
				c.do("GET", "Observation?_total="+v, nil).check(200)
			}
			c.do("GET", "Observation?_total=some", nil).check(400)
		}},
		{"97", "AND, OR, escapes", func(t *testing.T, c *client) {
			for q, n := range map[string]int{"code=s0,s1": 5, "code=s0&code=s1": 0, "code=s0,s1&code=s1,s2": 2, "code=s0,": 3, query("_id", "srch", "family:exact", `Öhm\, Jr\|x\$y\\z`): 1, query("_id", "srch", "family:exact", "Öhm, Jr"): 0} {
				typ := "Observation?patient=srch&"
				if strings.Contains(q, "family") {
					typ = "Patient?"
				}
				if got := c.do("GET", typ+q, nil).want(200).ids("match"); len(got) != n {
					t.Errorf("%s finds %d, want %d", q, len(got), n)
				}
			}
		}},
		{"98", "unknown parameters", func(t *testing.T, c *client) {
			a := c.do("GET", "Observation?patient=srch&wing=west", nil).want(200)
			if len(a.ids("match")) != 7 || len(a.ids("outcome")) != 1 || has(a, "wing") {
				t.Error(a.clip())
			}
			c.do("GET", "Observation?wing=west", nil, "Prefer", "handling=strict").check(400)
			c.do("GET", "Observation?wing=west", nil, "Prefer", "handling=lenient").check(200)
		}},
		{"99", "a bad modifier or value is 400", func(t *testing.T, c *client) {
			for _, q := range []string{"code:fuzzy=x", "code:above=x", "date:exact=2026", "patient:contains=x", "date=x", "date=2026-13", "date=2026-02-30", "date=xx2026", "value-quantity=abc", "value-quantity=5|http://unitsofmeasure.org|cc",
				"code:missing=maybe", "code:=x", "_lastUpdated=x", "_id:exact=x", "status:missing=", "subject:Spaceship=1", "code:in=http://nowhere.example.org/vs", "value-quantity=1|2|3|4"} {
				want := 400
				if q == "status:missing=" {
					want = 200 // an empty value is an absent parameter
				}
				c.do("GET", "Observation?"+q, nil).check(want)
			}
		}},
		{"100", "outcome entries hold no errors", func(t *testing.T, c *client) {
			a := c.do("GET", "Observation?wing=west", nil).want(200)
			for _, e := range a.list("entry") {
				for _, i := range items(e, "resource.issue") {
					if s := text(i, "severity"); s == "error" || s == "fatal" {
						t.Errorf("%v", i)
					}
				}
			}
		}},
		{"101", "names are case-sensitive, empty values absent", func(t *testing.T, c *client) {
			if a := c.do("GET", "Observation?patient=srch&Code=s0", nil).want(200); len(a.ids("match")) != 7 {
				t.Errorf("%v", a.ids("match"))
			}
			if a := c.do("GET", "Observation?patient=srch&code=", nil).want(200); len(a.ids("match")) != 7 {
				t.Errorf("%v", a.ids("match"))
			}
		}},
		{"102", "searches of the system", func(t *testing.T, c *client) {
			want := append(c.all("Patient?_count=50"), c.all("Observation?_count=50")...)
			slices.Sort(want)
			for _, sort := range []string{"", "&_sort=-_lastUpdated"} {
				got := c.all("?_type=Patient,Observation&_count=3" + sort)
				if slices.Sort(got); !slices.Equal(got, want) {
					t.Errorf("%q: %v, want %v", sort, got, want)
				}
			}
			c.do("GET", "?_type=Patient&name=x", nil).want(200)
			c.do("GET", "?_type=Patient,Observation&code=x", nil).check(400)
			c.do("GET", "?code=x", nil).check(400)
			c.do("GET", "?_count=2", nil).want(200)
		}},
	})
	_ = made
}

func TestLinesResults(t *testing.T) {
	s := serve(t)
	c := s.client()
	b := c.bed("res", ago(80*time.Hour))
	c.do("PUT", "Encounter/enc", obj{"resourceType": "Encounter", "id": "enc", "status": "in-progress", "class": obj{"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "IMP"}, "subject": ref("Patient/res")}).want(201)
	var ids []string
	for i := range 5 {
		o := emptying(b, ago(time.Duration(60-i)*time.Hour), fmt.Sprint(10*(i+1)), "mL")
		o["encounter"], o["note"] = ref("Encounter/enc"), list{obj{"text": "n"}}
		o["meta"] = obj{"tag": list{obj{"system": "http://t", "code": fmt.Sprintf("t%d", i%2)}}, "security": list{obj{"system": "http://s", "code": "N"}}, "profile": list{"http://example.org/p/one"}, "source": "http://example.org/src"}
		o["text"] = obj{"status": "generated", "div": `<div xmlns="http://www.w3.org/1999/xhtml">x</div>`}
		ids = append(ids, c.do("POST", "Observation", o).want(201).id())
	}
	dateless := c.do("POST", "Observation", note("res", "dateless", "", nil)).want(201).id()
	runLines(t, c, []line{
		{"129", "_id, _tag, _security, _profile, _source", func(t *testing.T, c *client) {
			for q, n := range map[string]int{"_id=" + ids[0] + "," + ids[1]: 2, "_tag=http://t|t0": 3, "_tag=t1": 2, "_tag=http://x|t1": 0, "_security=http://s|N": 5, "_profile=http://example.org/p/one": 5, "_profile=http://example.org/p/ONE": 0, "_source=http://example.org/src": 5, "_id=nobody": 0, "_tag:not=t1&patient=res": 4} {
				if got := c.all("Observation?" + strings.ReplaceAll(q, "|", "%7C")); len(got) != n {
					t.Errorf("%s finds %d, want %d", q, len(got), n)
				}
			}
		}},
		{"130", "_sort", func(t *testing.T, c *client) {
			up, down := c.all("Observation?patient=res&code=9203-1&_sort=date&_count=2"), c.all("Observation?patient=res&code=9203-1&_sort=-date&_count=2")
			slices.Reverse(down)
			want := []string{}
			for _, id := range ids {
				want = append(want, "Observation/"+id)
			}
			if !slices.Equal(up, want) || !slices.Equal(down, want) {
				t.Errorf("up %v\ndown %v\nwant %v", up, down, want)
			}
			for _, sort := range []string{"date", "-date"} {
				one, two := c.all("Observation?patient=res&_sort="+sort+"&_count=2"), c.all("Observation?patient=res&_sort="+sort)
				if i := slices.Index(one, "Observation/"+dateless); !slices.Equal(one, two) || len(one) != 6 || i != 0 && i != 5 {
					t.Errorf("%s: %v and %v", sort, one, two)
				}
			}
			keys := c.all("Observation?patient=res&_sort=status,-_id")
			if len(keys) != 6 || !slices.IsSortedFunc(keys, func(a, b string) int { return strings.Compare(b, a) }) {
				t.Errorf("status,-_id: %v", keys)
			}
		}},
		{"131", "an unknown sort key", func(t *testing.T, c *client) {
			c.do("GET", "Observation?_sort=colour", nil, "Prefer", "handling=strict").check(400)
			if a := c.do("GET", "Observation?_sort=colour", nil); a.check(200) && strings.Contains(a.link("self"), "colour") {
				t.Errorf("self %s", a.link("self"))
			}
		}},
		{"132", "_include and _revinclude", func(t *testing.T, c *client) {
			a := c.do("GET", "Observation?_id="+ids[0]+"&_include=Observation:subject&_include=Observation:device:Device&_include=Observation:encounter", nil).want(200)
			got := a.ids("include")
			slices.Sort(got)
			if !slices.Equal(got, []string{"Device/" + b.drain, "Encounter/enc", "Patient/res"}) || a.str("total") != "1" {
				t.Errorf("%v total %s", got, a.str("total"))
			}
			if got := c.do("GET", "DeviceUseStatement?_id="+b.placement+"&_include=DeviceUseStatement:device&_include:iterate=Device:patient", nil).want(200).ids("include"); len(got) != 2 {
				t.Errorf("iterate: %v", got)
			}
			if got := c.do("GET", "Device?_id="+b.drain+"&_revinclude=Observation:device&_revinclude=DeviceUseStatement:device", nil).want(200).ids("include"); len(got) != 6 {
				t.Errorf("_revinclude: %v", got)
			}
			if got := c.do("GET", "Observation?_id="+ids[0]+"&_include=*", nil).want(200, 400); got.status == 200 && len(got.ids("include")) < 3 {
				t.Errorf("_include=*: %v", got.ids(""))
			}
			c.do("GET", "Observation?_include=Observation:colour", nil, "Prefer", "handling=strict").check(400)
			c.do("GET", "Observation?_include=rubbish", nil).check(200, 400)
		}},
		{"133", "includes skip what is deleted, dangling, external", func(t *testing.T, c *client) {
			gone := c.patient("133")
			o := c.do("POST", "Observation", note(gone, "x", "", nil)).want(201).id()
			c.do("DELETE", "Patient/"+gone, nil).want(200, 204)
			x := c.do("POST", "Observation", obj{"resourceType": "Observation", "status": "final", "code": obj{"text": "x"}, "subject": ref("http://elsewhere.example.org/fhir/Patient/res"), "performer": list{ref("Practitioner/never")}}).want(201).id()
			if got := c.do("GET", "Observation?_id="+o+","+x+"&_include=Observation:subject&_include=Observation:performer", nil).want(200).ids("include"); len(got) != 0 {
				t.Errorf("%v", got)
			}
		}},
		{"134", "_summary", func(t *testing.T, c *client) {
			tagged := func(v any) bool { return strings.Contains(canonical(dig(v, "meta.tag")), "SUBSETTED") }
			for _, p := range []string{"Observation?_id=" + ids[0] + "&", "Observation/" + ids[0] + "?"} {
				res := func(mode string) any {
					a := c.do("GET", p+"_summary="+mode, nil).want(200)
					if a.str("resourceType") == "Bundle" {
						return dig(a.tree, "entry.0.resource")
					}
					return a.tree
				}
				sum := res("true")
				if !tagged(sum) || dig(sum, "text") != nil || dig(sum, "note") != nil || text(sum, "status") == "" || dig(sum, "valueQuantity") == nil || dig(sum, "code") == nil {
					t.Errorf("%s true: %s", p, canonical(sum))
				}
				txt := res("text")
				if !tagged(txt) || dig(txt, "text") == nil || dig(txt, "valueQuantity") != nil || text(txt, "status") == "" || dig(txt, "code") == nil || text(txt, "id") == "" {
					t.Errorf("%s text: %s", p, canonical(txt))
				}
				data := res("data")
				if !tagged(data) || dig(data, "text") != nil || dig(data, "note") == nil {
					t.Errorf("%s data: %s", p, canonical(data))
				}
				if all := res("false"); tagged(all) || dig(all, "text") == nil || dig(all, "note") == nil {
					t.Errorf("%s false: %s", p, canonical(all))
				}
			}
			if a := c.do("GET", "Observation?patient=res&_summary=count", nil).want(200); a.str("total") != "6" || dig(a.tree, "entry") != nil {
				t.Error(a.clip())
			}
			c.do("GET", "Observation?_summary=some", nil).check(400)
		}},
		{"135", "_elements; subsets are not taken back", func(t *testing.T, c *client) {
			a := c.do("GET", "Observation?_id="+ids[0]+"&_elements=status,valueQuantity", nil).want(200)
			r := dig(a.tree, "entry.0.resource")
			if !strings.Contains(canonical(dig(r, "meta")), "SUBSETTED") || dig(r, "note") != nil || dig(r, "valueQuantity") == nil || dig(r, "code") == nil || text(r, "status") == "" || text(r, "id") == "" {
				t.Errorf("%s", canonical(r))
			}
			c.do("GET", "Observation?_summary=text&_include=Observation:subject", nil).check(400)
			if back := c.do("PUT", "Observation/"+ids[0], r); back.status < 400 {
				t.Errorf("a SUBSETTED resource is taken back: %d", back.status)
			}
			if g := c.do("GET", "Observation/"+ids[0], nil); dig(g.tree, "note") == nil {
				t.Errorf("a subset replaced the whole: %s", g.clip())
			}
		}},
		{"136", "chaining and _has", func(t *testing.T, c *client) {
			for q, n := range map[string]int{"Observation?" + query("subject:Patient.identifier", testSys+"/mrn|mrn-res"): 6, "Observation?patient.name=Testfall-res": 6, "Observation?patient.family=nobody": 0,
				"Patient?" + query("_has:Observation:patient:code", loinc+"|9203-1"): 1, "Device?_has:Observation:device:value-quantity=gt40": 1, "Device?_has:Observation:device:value-quantity=gt4000": 0, "Observation?device.patient.family=Testfall-res": 5} {
				if a := c.do("GET", q, nil); a.check(200) && len(a.ids("match")) != n {
					t.Errorf("%s finds %v, want %d", q, a.ids("match"), n)
				}
			}
			for _, bad := range []string{"Observation?subject.name=x", "Observation?patient.colour=x", "Observation?code.text=x", "Patient?_has:Observation:colour:code=x", "Patient?_has:Spaceship:patient:code=x", "Patient?_has=x", "Observation?patient.=x"} {
				c.do("GET", bad, nil).check(400)
			}
		}},
		{"137", "_text, _content, _filter, _list, _query", func(t *testing.T, c *client) {
			for _, p := range []string{"_text", "_content", "_filter", "_list", "_query"} {
				c.do("GET", "Observation?"+p+"=x", nil).check(200, 400)
				c.do("GET", "Observation?"+p+"=x", nil, "Prefer", "handling=strict").check(200, 400)
			}
		}},
		{"138", "injections match nothing and break nothing", func(t *testing.T, c *client) {
			for _, v := range []string{"' OR '1'='1", `" OR 1=1 --`, "%", "_", "%25", "x' UNION SELECT 1--", "\x00", "*", "{$ne:null}", strings.Repeat("a", 100<<10), "a%_b", `\`, "res%"} {
				for _, p := range []string{"Patient?name=", "Patient?name:contains=", "Observation?code=", "Patient?identifier=", "Observation?patient=", "Observation?_id=", "Observation?_tag=", "Observation?code:text=", "Patient?_profile="} {
					a := c.form(strings.Replace(p, "?", "/_search?", 1)[:strings.Index(strings.Replace(p, "?", "/_search?", 1), "?")], p[strings.Index(p, "?")+1:]+url.QueryEscape(v))
					if a.status != 200 && a.status != 400 {
						t.Errorf("%s%.30q: %d", p, v, a.status)
					}
					if a.status == 200 && len(a.ids("match")) > 0 {
						t.Errorf("%s%.30q finds %v", p, v, a.ids("match"))
					}
				}
			}
		}},
		{"139", "compartments", func(t *testing.T, c *client) {
			for p, n := range map[string]int{"Patient/res/Observation?code=9203-1": 5, "Patient/res/Observation": 6, "Device/" + b.drain + "/Observation": 5, "Encounter/enc/Observation": 5, "Patient/res/DeviceUseStatement": 1, "Patient/res/Encounter": 1} {
				if a := c.do("GET", p, nil); a.check(200) && len(a.ids("match")) != n {
					t.Errorf("%s: %v, want %d", p, a.ids("match"), n)
				}
			}
			if a := c.form("Patient/res/Observation/_search", "code=9203-1"); a.check(200) && len(a.ids("match")) != 5 {
				t.Errorf("POST: %v", a.ids("match"))
			}
		}},
		{"140", "a type outside the compartment", func(t *testing.T, c *client) {
			c.do("GET", "Patient/res/Location", nil).check(400, 404)
			c.do("GET", "Patient/res/Spaceship", nil).check(400, 404)
			all := c.do("GET", "Patient/res/*", nil).want(200).ids("match")
			if !slices.Contains(all, "Patient/res") || !slices.Contains(all, "Observation/"+ids[0]) {
				t.Errorf("the whole compartment: %v", all)
			}
		}},
		{"141", "the compartment of an unknown patient", func(t *testing.T, c *client) {
			if a := c.do("GET", "Patient/nobody/Observation", nil); a.status != 404 && (a.status != 200 || len(a.list("entry")) > 0) {
				t.Errorf("%d %s", a.status, a.clip())
			}
		}},
		{"142", "no invented compartments", func(t *testing.T, c *client) {
			c.do("GET", "Location/x/Observation", nil).check(400, 404)
			c.do("GET", "Observation/"+ids[0]+"/Patient", nil).check(400, 404)
		}},
	})
}

// TestPagingWhileWriting: conformance line 93: a run through the pages sees
// every match once though others add and delete.
func TestPagingWhileWriting(t *testing.T) {
	c := serve(t).client()
	p := c.patient("paging")
	var keep []string
	for i := range 60 {
		keep = append(keep, "Observation/"+c.do("POST", "Observation", note(p, "keep", fmt.Sprintf("2026-01-%02dT%02d:00:00Z", i%28+1, i/28), nil)).want(201).id())
	}
	for _, sort := range []string{"", "&_sort=date", "&_sort=-date", "&_sort=-_lastUpdated", "&_sort=code"} {
		t.Run("sort"+sort, func(t *testing.T) {
			c := c.in(t)
			stop := make(chan bool)
			var wg sync.WaitGroup
			for w := range 3 {
				wg.Add(1)
				go func() {
					defer wg.Done()
					var mine []string
					for i := 0; ; i++ {
						select {
						case <-stop:
							return
						default:
						}
						if len(mine) > 3 {
							c.do("DELETE", "Observation/"+mine[0], nil).check(200, 204)
							mine = mine[1:]
						}
						a := c.do("POST", "Observation", note(p, "keep", fmt.Sprintf("2026-01-%02dT%02d:30:00Z", (i*7+w)%28+1, i%24), obj{"valueString": "noise"}))
						if a.check(201) {
							mine = append(mine, a.id())
						}
					}
				}()
			}
			seen := map[string]int{}
			for _, id := range c.all("Observation?code=keep&_count=4" + sort) {
				seen[id]++
			}
			close(stop)
			wg.Wait()
			for _, id := range keep {
				if seen[id] != 1 {
					t.Errorf("%s is seen %d times", id, seen[id])
				}
			}
			for id, n := range seen {
				if n > 1 {
					t.Errorf("%s is seen %d times", id, n)
				}
			}
		})
	}
}

// TestParallelWrites: conformance lines 58 and 87.
func TestParallelWrites(t *testing.T) {
	c := serve(t).client()
	together := func(n int, f func(i int) int) map[int]int {
		codes := make([]int, n)
		var wg sync.WaitGroup
		start := make(chan bool)
		for i := range n {
			wg.Add(1)
			go func() {
				defer wg.Done()
				<-start
				codes[i] = f(i)
			}()
		}
		close(start)
		wg.Wait()
		out := map[int]int{}
		for _, code := range codes {
			out[code]++
		}
		return out
	}
	t.Run("line 58 fifty updates with one If-Match", func(t *testing.T) {
		c := c.in(t)
		for range 3 {
			a := c.do("POST", "Patient", person("58")).want(201)
			got := together(50, func(i int) int {
				return c.do("PUT", "Patient/"+a.id(), obj{"resourceType": "Patient", "id": a.id(), "name": list{obj{"family": fmt.Sprint("w", i)}}}, "If-Match", a.etag()).status
			})
			if got[200] != 1 || got[412] != 49 {
				t.Errorf("%v", got)
			}
			if g := c.do("GET", "Patient/"+a.id(), nil); g.version() != "2" {
				t.Errorf("version %s", g.version())
			}
		}
	})
	t.Run("line 87 twenty conditional creates", func(t *testing.T) {
		c := c.in(t)
		for round := range 3 {
			v := fmt.Sprintf("87-%d", round)
			got := together(20, func(int) int {
				return c.do("POST", "Patient", person(v), "If-None-Exist", query("identifier", testSys+"|"+v)).status
			})
			if got[201] != 1 || got[200] != 19 {
				t.Errorf("%v", got)
			}
			if n := len(c.all("Patient?" + query("identifier", testSys+"|"+v))); n != 1 {
				t.Errorf("%d resources", n)
			}
		}
	})
	t.Run("line 87 twenty conditional updates", func(t *testing.T) {
		c := c.in(t)
		got := together(20, func(int) int {
			return c.do("PUT", "Patient?"+query("identifier", testSys+"|87u"), person("87u")).status
		})
		if n := len(c.all("Patient?" + query("identifier", testSys+"|87u"))); n != 1 || got[201] != 1 {
			t.Errorf("%d resources, %v", n, got)
		}
	})
	t.Run("line 87 twenty entries with one identifier", func(t *testing.T) {
		c := c.in(t)
		b := c.bed("dup", ago(48*time.Hour))
		o := emptying(b, ago(time.Hour), "5", "mL")
		o["identifier"] = list{obj{"system": testSys, "value": "entry-87"}}
		got := together(20, func(int) int { return c.do("POST", "Observation", o).status })
		if got[201] != 1 || got[409] != 19 {
			t.Errorf("%v", got)
		}
		if out := totalOf(c.do("GET", "Device/"+b.drain+"/$drain-output?period=total", nil)); out != "5" {
			t.Errorf("the total is %s", out)
		}
	})
	t.Run("updates without If-Match all count", func(t *testing.T) {
		c := c.in(t)
		id := c.patient("last")
		got := together(20, func(i int) int { return c.do("PUT", "Patient/"+id, obj{"resourceType": "Patient", "id": id}).status })
		if got[200] != 20 {
			t.Errorf("%v", got)
		}
		if g := c.do("GET", "Patient/"+id, nil); g.version() != "21" {
			t.Errorf("version %s", g.version())
		}
	})
}
