package crash

import (
	"errors"
	"fmt"
	"net/url"
	"strings"
	"sync"
	"testing"
	"time"
)

// racers are several front ends that ask for the same at the same time, of two
// programs where they share a store.
type racers struct {
	clients []*client
	dir     string
}

func newRacers(t *testing.T, n int) *racers {
	t.Helper()
	r := &racers{dir: t.TempDir()}
	programs := []*process{serve(t, r.dir)}
	if shared != "" {
		n = min(n, 6)
		programs = append(programs, serve(t, r.dir))
	}
	tok := token(t, r.dir)
	for i := range n {
		r.clients = append(r.clients, dial(programs[i%len(programs)].base, tok))
	}
	return r
}

// race has every client ask once, at the same time. What has no answer ends the
// test: nobody is killed here.
func (r *racers) race(t *testing.T, ask func(i int, c *client) (answer, error)) []answer {
	t.Helper()
	out := make([]answer, len(r.clients))
	errs := make([]error, len(r.clients))
	begin := make(chan struct{})
	var wg sync.WaitGroup
	for i, c := range r.clients {
		wg.Go(func() {
			<-begin
			out[i], errs[i] = ask(i, c)
		})
	}
	close(begin)
	wg.Wait()
	if err := errors.Join(errs...); err != nil {
		t.Fatal(err)
	}
	return out
}

const raced = "http://example.org/race"

func person(name, identifier string) obj {
	return obj{"resourceType": "Patient", "identifier": list{obj{"system": raced, "value": identifier}}, "name": list{obj{"text": name}}}
}

// one is the only match of a search.
func (c *client) one(t *testing.T, search string) (id string) {
	t.Helper()
	n := 0
	c.all(t, search, func(b bundle) {
		for _, x := range b.Entry {
			n, id = n+1, x.Resource.ID
		}
	})
	if n != 1 {
		t.Fatalf("%s finds %d", search, n)
	}
	return id
}

// told counts how often each of the words stands in the history of a resource,
// and how many versions it has.
func (c *client) told(t *testing.T, key string, words []string) (times map[string]int, versions int) {
	t.Helper()
	times = map[string]int{}
	a := c.must(t, 200, "GET", "/"+key+"/_history?_count=1000", nil)
	var b bundle
	a.decode(t, &b)
	for _, w := range words {
		times[w] = strings.Count(string(a.body), `"`+w+`"`)
	}
	return times, len(b.Entry)
}

// kept checks the ledger of a race of updates: each was acknowledged, and its
// content stands in exactly one version.
func (r *racers) kept(t *testing.T, key string, words []string, got []answer) {
	t.Helper()
	for i, a := range got {
		if a.status != 200 && a.status != 201 {
			t.Errorf("%s, client %d: %d %s", key, i, a.status, a.clip())
		}
	}
	times, versions := r.clients[0].told(t, key, words)
	for _, w := range words {
		if times[w] != 1 {
			t.Errorf("%s: what %s was acknowledged stands in %d of %d versions", key, w, times[w], versions)
		}
	}
}

const rounds = 8

// TestRacingUpdates: of updates that nobody pinned to a version, none that is
// acknowledged is lost, and none is refused: by a condition that matches nothing
// yet, by a new id, and in transactions.
func TestRacingUpdates(t *testing.T) {
	r := newRacers(t, 32)
	words := func(round int) (out []string) {
		for i := range r.clients {
			out = append(out, fmt.Sprintf("r%d c%d", round, i))
		}
		return out
	}
	t.Run("conditional", func(t *testing.T) {
		for round := range rounds {
			who, names := fmt.Sprint("u", round), words(round)
			where := "identifier=" + url.QueryEscape(raced+"|"+who)
			got := r.race(t, func(i int, c *client) (answer, error) {
				return c.do("PUT", "/Patient?"+where, person(names[i], who))
			})
			r.kept(t, "Patient/"+r.clients[0].one(t, "/Patient?"+where), names, got)
		}
	})
	t.Run("a new id", func(t *testing.T) {
		for round := range rounds {
			key, names := fmt.Sprint("Patient/n", round), words(round)
			got := r.race(t, func(i int, c *client) (answer, error) {
				p := person(names[i], key)
				p["id"] = strings.TrimPrefix(key, "Patient/")
				return c.do("PUT", "/"+key, p)
			})
			r.kept(t, key, names, got)
		}
	})
	t.Run("in transactions", func(t *testing.T) {
		for round := range rounds {
			keys, names := []string{fmt.Sprint("Patient/a", round), fmt.Sprint("Patient/b", round)}, words(round)
			got := r.race(t, func(i int, c *client) (answer, error) {
				b := obj{"resourceType": "Bundle", "type": "transaction"}
				var entries list
				for n := range keys {
					key := keys[(n+i)%2] // in either order
					p := person(names[i], key)
					p["id"] = strings.TrimPrefix(key, "Patient/")
					entries = append(entries, obj{"resource": p, "request": obj{"method": "PUT", "url": key}})
				}
				b["entry"] = entries
				return c.do("POST", "/", b)
			})
			if got[0].status == 501 {
				t.Skip("the store has no transactions")
			}
			for _, key := range keys {
				r.kept(t, key, names, got)
			}
		}
	})
}

// TestRacingCreates: of conditional creates of one identifier one is made,
// whichever way they are sent; references to the others are to that one; no
// finding rests on a reading that was not kept.
func TestRacingCreates(t *testing.T) {
	r := newRacers(t, 24)
	c := r.clients[0]
	t.Run("in transactions", func(t *testing.T) {
		for round := range rounds {
			who := fmt.Sprint("t", round)
			where := "identifier=" + raced + "|" + who
			got := r.race(t, func(i int, c *client) (answer, error) {
				entry := func(url, method, to string, resource obj, more ...string) obj {
					q := obj{"method": method, "url": to}
					if len(more) > 0 {
						q["ifNoneExist"] = more[0]
					}
					return obj{"fullUrl": url, "request": q, "resource": resource}
				}
				const first, again = "urn:uuid:00000000-0000-4000-8000-000000000001", "urn:uuid:00000000-0000-4000-8000-000000000002"
				urine := func(subject string) obj {
					return obj{"resourceType": "Observation", "status": "final", "code": concept("http://loinc.org", "9187-6"), "subject": ref(subject),
						"effectiveDateTime": time.Now().UTC().Format(time.RFC3339), "valueQuantity": obj{"value": 100, "unit": "mL", "system": ucum, "code": "mL"},
						"note": list{obj{"text": who}}}
				}
				entries := list{entry(first, "POST", "Patient", person(who, who), where),
					entry("urn:uuid:00000000-0000-4000-8000-000000000003", "POST", "Observation", urine(first))}
				if i%2 == 1 { // the same condition twice in one Bundle
					entries = append(entries, entry(again, "POST", "Patient", person(who, who), where),
						entry("urn:uuid:00000000-0000-4000-8000-000000000004", "POST", "Observation", urine(again)))
				}
				return c.do("POST", "/", obj{"resourceType": "Bundle", "type": "transaction", "entry": entries})
			})
			if got[0].status == 501 {
				t.Skip("the store has no transactions")
			}
			want := 0
			for i, a := range got {
				if a.status != 200 {
					t.Errorf("client %d: %d %s", i, a.status, a.clip())
					continue
				}
				want += 1 + i%2
			}
			id := c.one(t, "/Patient?"+strings.ReplaceAll(where, "|", "%7C"))
			n := 0
			c.all(t, "/Observation?_count=200&subject=Patient/"+id, func(b bundle) { n += len(b.Entry) })
			if n != want {
				t.Errorf("%d of %d acknowledged readings are %s's", n, want, id)
			}
		}
	})
	t.Run("of readings", func(t *testing.T) {
		k := &keeper{name: "race", from: time.Now().Add(-24 * time.Hour).UTC().Truncate(time.Second), step: time.Minute}
		k.register(t, c)
		for round := range rounds {
			name := fmt.Sprint("e", round)
			where := "identifier=" + url.QueryEscape(ledgers+"|"+name)
			got := r.race(t, func(i int, c *client) (answer, error) {
				e := &entry{name: name, at: k.from.Add(time.Duration(round+1) * time.Minute)}
				// Each says something else, half of them what raises a finding.
				return c.do("POST", "/Observation", k.body(e, state{value: 10 + i, lost: i%2 == 0}), "If-None-Exist", where)
			})
			created := 0
			for i, a := range got {
				switch a.status {
				case 201:
					created++
				case 200:
				default:
					t.Errorf("client %d: %d %s", i, a.status, a.clip())
				}
			}
			if created != 1 {
				t.Errorf("%d were created", created)
			}
			c.one(t, "/Observation?"+where)
		}
		a := c.must(t, 200, "GET", "/DetectedIssue?_count=200&implicated=Device/"+k.drain(), nil)
		for _, part := range strings.Split(string(a.body), `"reference":"Observation/`)[1:] {
			id, _, _ := strings.Cut(part, `"`)
			c.must(t, 200, "GET", "/Observation/"+id, nil)
		}
	})
}

// TestRacingPlacements: of placements of one drain in several patients at once
// one is taken; the others are refused as what they are.
func TestRacingPlacements(t *testing.T) {
	r := newRacers(t, 12)
	c := r.clients[0]
	for i := range r.clients {
		id := fmt.Sprint("pp", i)
		c.must(t, 201, "PUT", "/Patient/"+id, obj{"resourceType": "Patient", "id": id})
	}
	for round := range 4 {
		drain := fmt.Sprint("pd", round)
		c.must(t, 201, "PUT", "/Device/"+drain, obj{"resourceType": "Device", "id": drain, "status": "active", "type": concept(local, "bulb")})
		got := r.race(t, func(i int, c *client) (answer, error) {
			return c.do("POST", "/DeviceUseStatement", obj{"resourceType": "DeviceUseStatement", "status": "active", "subject": ref(fmt.Sprint("Patient/pp", i)),
				"device": ref("Device/" + drain), "timingPeriod": obj{"start": time.Now().Add(-time.Hour).UTC().Format(time.RFC3339)}})
		})
		placed := 0
		for i, a := range got {
			switch a.status {
			case 201:
				placed++
			case 422:
			default:
				t.Errorf("client %d: %d %s", i, a.status, a.clip())
			}
		}
		n := 0
		c.all(t, "/DeviceUseStatement?device=Device/"+drain, func(b bundle) { n += len(b.Entry) })
		if placed != 1 || n != 1 {
			t.Errorf("%s: %d were told that it is theirs, %d are there", drain, placed, n)
		}
	}
}

// TestRacingAcknowledgements: each that is acknowledged as done stands in the
// issue, once, and has its Provenance.
func TestRacingAcknowledgements(t *testing.T) {
	r := newRacers(t, 8)
	c := r.clients[0]
	k := &keeper{name: "ack", from: time.Now().Add(-time.Hour).UTC().Truncate(time.Second), step: time.Minute}
	k.register(t, c)
	c.must(t, 201, "POST", "/Observation", k.body(&entry{name: "lost", at: k.from.Add(50 * time.Minute)}, state{value: 20, lost: true}))
	var id string
	c.all(t, "/DetectedIssue?implicated=Device/"+k.drain(), func(b bundle) {
		for _, x := range b.Entry {
			id = x.Resource.ID
		}
	})
	if id == "" {
		t.Fatal("lost suction raised nothing")
	}
	words := make([]string, len(r.clients))
	for i := range words {
		words[i] = fmt.Sprint("seen by ", i)
	}
	got := r.race(t, func(i int, c *client) (answer, error) {
		return c.do("POST", "/DetectedIssue/"+id+"/$acknowledge", obj{"resourceType": "Parameters", "parameter": list{obj{"name": "action", "valueString": words[i]}}})
	})
	a := c.must(t, 200, "GET", "/DetectedIssue/"+id, nil)
	for i, w := range words {
		if got[i].status != 200 {
			t.Errorf("client %d: %d %s", i, got[i].status, got[i].clip())
			continue
		}
		if n := strings.Count(string(a.body), w); n != 1 {
			t.Errorf("%q stands %d times in %s", w, n, a.clip())
		}
	}
	n := 0
	c.all(t, "/Provenance?target=DetectedIssue/"+id+"&_count=100", func(b bundle) { n += len(b.Entry) })
	if n != len(words) {
		t.Errorf("%d Provenances of %d acknowledgements", n, len(words))
	}
}

// TestRacingMerges: two merges of one person and front ends that chart of the
// record that goes: one merge is done, and nothing that was acknowledged is lost.
func TestRacingMerges(t *testing.T) {
	r := newRacers(t, 10)
	c := r.clients[0]
	for round := range 3 {
		source, target := fmt.Sprint("ms", round), fmt.Sprint("mt", round)
		for _, id := range []string{source, target} {
			c.must(t, 201, "PUT", "/Patient/"+id, obj{"resourceType": "Patient", "id": id})
		}
		note := func(text string) obj {
			return obj{"resourceType": "Observation", "status": "final", "code": obj{"text": "note"}, "subject": ref("Patient/" + source), "valueString": text}
		}
		before := c.must(t, 201, "POST", "/Observation", note("before"))
		merging := dial(c.base, mintFor(t, r.dir, "system/*.cruds __merge"))
		got := r.race(t, func(i int, c *client) (answer, error) {
			if i < 2 {
				return merging.do("POST", "/Patient/$merge", obj{"resourceType": "Parameters", "parameter": list{
					obj{"name": "source-patient", "valueReference": ref("Patient/" + source)}, obj{"name": "target-patient", "valueReference": ref("Patient/" + target)}}})
			}
			return c.do("POST", "/Observation", note(fmt.Sprint("note ", i)))
		})
		if got[0].status == 501 && got[1].status == 501 {
			t.Skip("the store has no transactions, without which nothing is merged")
		}
		merged, made := 0, map[string]bool{idOf(before.header.Get("Location")): true}
		for i, a := range got {
			switch {
			case i < 2 && a.status == 200:
				merged++
			case i >= 2 && a.status == 201:
				made[idOf(a.header.Get("Location"))] = true
			case a.status >= 500 && a.status != 503 || a.status == 403 || a.status == 404:
				t.Errorf("client %d: %d %s", i, a.status, a.clip())
			}
		}
		if merged == 0 {
			t.Errorf("no merge was done: %d %s, %d", got[0].status, got[0].clip(), got[1].status)
		}
		found := map[string]int{}
		for _, id := range []string{source, target} {
			c.all(t, "/Observation?subject=Patient/"+id+"&_count=100", func(b bundle) {
				for _, x := range b.Entry {
					found[x.Resource.ID]++
				}
			})
		}
		for id := range made {
			if found[id] != 1 {
				t.Errorf("Observation/%s was acknowledged and is found %d times", id, found[id])
			}
		}
		if len(found) != len(made) {
			t.Errorf("%d are found, %d were acknowledged", len(found), len(made))
		}
		if a := c.must(t, 200, "GET", "/Patient/"+source, nil); strings.Count(string(a.body), "replaced-by") != 1 {
			t.Errorf("the source: %s", a.clip())
		}
		if a := c.must(t, 200, "GET", "/Patient/"+target, nil); strings.Count(string(a.body), `"replaces"`) != 1 {
			t.Errorf("the target: %s", a.clip())
		}
	}
}
