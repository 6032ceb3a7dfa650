package blackbox

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"regexp"
	"strings"
	"testing"
	"time"
)

// TestDemo pastes what the demonstration prints.
func TestDemo(t *testing.T) {
	s := &service{t: t, dir: t.TempDir()}
	s.launch([]string{"demo", "--seed", "7", "--listen", "127.0.0.1:0", "--admin-listen", ""}, regexp.MustCompile(`^Base URL: (\S+)$`), "stdout")
	t.Cleanup(s.stop)
	deadline := time.Now().Add(3 * time.Minute)
	for !strings.Contains(s.log.String(), "Ctrl-C") && time.Now().Before(deadline) {
		time.Sleep(10 * time.Millisecond)
	}
	var export string
	var curls []string
	for _, l := range strings.Split(s.log.String(), "\n") {
		switch {
		case strings.HasPrefix(l, "export TOKEN="):
			export = l
		case strings.HasPrefix(l, "curl "):
			curls = append(curls, l)
		}
	}
	if export == "" || len(curls) != 3 {
		t.Fatalf("the demonstration prints a token and three curl lines, not %d:\n%s", len(curls), s.log)
	}
	c := s.clientWith(strings.TrimPrefix(export, "export TOKEN="))
	for _, line := range curls {
		out, err := shell(context.Background(), "set -e\n"+export+"\n"+line)
		if err != nil {
			t.Errorf("%s: %v\n%.500s", line, err, out)
			continue
		}
		for _, complaint := range complaints([]byte(out)) {
			t.Errorf("%s: %s", line, complaint)
		}
		tree, _ := parse([]byte(out))
		if text(tree, "resourceType") != "Bundle" || len(items(tree, "entry")) == 0 {
			t.Errorf("%s answers no Bundle with entries: %.300s", line, out)
		}
		// The same line without the token shows nothing.
		bare, _ := shell(context.Background(), strings.Replace(line, "$TOKEN", "", 1))
		if tree, _ := parse([]byte(bare)); text(tree, "resourceType") != "OperationOutcome" {
			t.Errorf("%s without a token: %.300s", line, bare)
		}
	}
	if a := c.do("GET", "Patient?_summary=count", nil).want(200); a.str("total") < "3" && len(a.str("total")) < 2 {
		t.Errorf("a ward of about 30 patients, not %s", a.str("total"))
	}
	// The same seed makes the same ward.
	ids := c.all("Device?_count=200")
	s2 := &service{t: t, dir: t.TempDir()}
	s2.launch([]string{"demo", "--seed", "7", "--listen", "127.0.0.1:0", "--admin-listen", ""}, regexp.MustCompile(`^Base URL: (\S+)$`), "stdout")
	t.Cleanup(s2.stop)
	deadline = time.Now().Add(3 * time.Minute)
	for !strings.Contains(s2.log.String(), "Ctrl-C") && time.Now().Before(deadline) {
		time.Sleep(10 * time.Millisecond)
	}
	token := regexp.MustCompile(`export TOKEN=(\S+)`).FindStringSubmatch(s2.log.String())
	if token == nil {
		t.Fatal("no token")
	}
	if again := s2.clientWith(token[1]).all("Device?_count=200"); strings.Join(ids, " ") != strings.Join(again, " ") {
		t.Errorf("two demonstrations of one seed differ: %v and %v", ids, again)
	}
}

// The ward's day of the default policy: UTC, from 07:00.
func wardDay(t time.Time) time.Time {
	d := time.Date(t.Year(), t.Month(), t.Day(), 7, 0, 0, 0, time.UTC)
	if t.Before(d) {
		d = d.AddDate(0, 0, -1)
	}
	return d
}

// volumes maps the start of each window of a derived Bundle to its volume.
func volumes(a *answer) map[string]string {
	out := map[string]string{}
	for _, e := range a.list("entry") {
		r := dig(e, "resource")
		if v := text(r, "valueQuantity.value"); v != "" && text(r, "valueQuantity.code") == "mL" && text(r, "effectivePeriod.start") != "" {
			out[text(r, "effectivePeriod.start")] = v
		}
	}
	return out
}

func totalOf(a *answer) string {
	a.t.Helper()
	v := volumes(a)
	if len(v) != 1 {
		a.t.Fatalf("%s: one window expected, not %v\n%s", a.what, v, a.clip())
	}
	for _, x := range v {
		return x
	}
	return ""
}

// TestEmptyingCounts: issue 2: 0.5 [foz_us] in, unchanged out, 14.787 mL in
// the day's total; a correction changes the totals at once.
// The US fluid ounce is 29.5735295625 mL by definition (UCUM), half of it
// 14.78676478125 mL.
func TestEmptyingCounts(t *testing.T) {
	c := serve(t).client()
	day := wardDay(ago(30 * time.Hour))
	b := c.bed("oz", day.Add(-48*time.Hour))
	sent := emptying(b, day.Add(3*time.Hour), "0.5", "[foz_us]")
	made := c.do("POST", "Observation", sent).want(201)
	back := c.do("GET", "Observation/"+made.id(), nil).want(200)
	if !bytes.Contains(back.body, []byte(`"value":0.5`)) || back.str("valueQuantity.code") != "[foz_us]" {
		t.Errorf("the value comes back as %s", back.clip())
	}
	sameButMeta(t, sent, back)

	total := fmt.Sprintf("Device/%s/$drain-output?period=day&%s", b.drain, query("start", instant(day), "end", instant(day.Add(24*time.Hour))))
	if got := totalOf(c.do("GET", total, nil).want(200)); got != "14.787" && got != "14.78676478125" {
		t.Errorf("the day's total is %s mL, not 14.787 to the digits", got)
	}
	bal := c.do("GET", fmt.Sprintf("Patient/%s/$fluid-balance?period=day&%s", b.patient, query("start", instant(day), "end", instant(day.Add(24*time.Hour)))), nil).want(200)
	if !strings.Contains(string(bal.body), "14.78") {
		t.Errorf("the patient's balance does not hold the drain's output: %s", bal.clip())
	}

	sent["id"] = made.id()
	sent["status"] = "corrected"
	sent["valueQuantity"] = obj{"value": num("20.0"), "unit": "mL", "system": ucum, "code": "mL"}
	put := c.do("PUT", "Observation/"+made.id(), sent, "If-Match", made.etag()).want(200)
	if put.version() != "2" {
		t.Errorf("the correction is version %s", put.version())
	}
	if got := totalOf(c.do("GET", total, nil).want(200)); got != "20" && got != "20.0" && got != "20.000" {
		t.Errorf("after the correction the total is %s", got)
	}
	c.do("PUT", "Observation/"+made.id(), sent, "If-Match", made.etag()).want(412)
	sent["status"] = "entered-in-error"
	c.do("PUT", "Observation/"+made.id(), sent, "If-Match", put.etag()).want(200)
	if got := volumes(c.do("GET", total, nil).want(200)); len(got) > 0 && strings.Trim(fmt.Sprint(mapValues(got)), "[]0. ") != "" {
		t.Errorf("an entry made in error still counts: %v", got)
	}
	// Deleting is as good as withdrawing.
	x := c.do("POST", "Observation", emptying(b, day.Add(5*time.Hour), "7", "mL")).want(201)
	if got := totalOf(c.do("GET", total, nil).want(200)); got != "7" {
		t.Errorf("a new entry makes %s", got)
	}
	c.do("DELETE", "Observation/"+x.id(), nil).want(204)
	if got := volumes(c.do("GET", total, nil).want(200)); strings.Trim(fmt.Sprint(mapValues(got)), "[]0. ") != "" {
		t.Errorf("a deleted entry still counts: %v", got)
	}
}

func mapValues(m map[string]string) []string {
	var out []string
	for _, v := range m {
		out = append(out, v)
	}
	return out
}

// sameButMeta: what was sent comes back, but for id and the meta of the service.
func sameButMeta(t testing.TB, sent any, got *answer) {
	t.Helper()
	tree, _ := got.tree.(map[string]any)
	want := roundTrip(t, sent)
	delete(want, "id")
	have := map[string]any{}
	for k, v := range tree {
		if k != "id" && k != "meta" {
			have[k] = v
		}
	}
	m, _ := want["meta"].(map[string]any)
	delete(want, "meta")
	if a, b := canonical(want), canonical(have); a != b {
		t.Errorf("%s: sent and returned differ:\n%s\n%s", got.what, a, b)
	}
	for k, v := range m {
		if k == "versionId" || k == "lastUpdated" {
			continue
		}
		if a, b := canonical(v), canonical(dig(tree, "meta."+k)); a != b {
			t.Errorf("%s: meta.%s: sent %s, returned %s", got.what, k, a, b)
		}
	}
}

// TestWrongEntriesRefused: each refusal names the place and the fix.
func TestWrongEntriesRefused(t *testing.T) {
	c := serve(t).client()
	placed := ago(72 * time.Hour)
	b := c.bed("right", placed)
	other := c.bed("wrong", placed)
	gone := c.bed("gone", placed)
	c.do("PUT", "DeviceUseStatement/"+gone.placement, c.placement(gone, "completed", obj{"start": instant(placed), "end": instant(placed.Add(24 * time.Hour))})).want(200)
	loose := "loose-d1"
	c.do("PUT", "Device/"+loose, obj{"resourceType": "Device", "id": loose, "status": "active", "type": concept(local, "bulb")}).want(201)
	at := ago(2 * time.Hour)

	change := func(f func(o obj)) obj {
		o := emptying(b, at, "35", "mL")
		f(o)
		return o
	}
	quantity := func(value, unit string) obj {
		return change(func(o obj) {
			o["valueQuantity"] = obj{"value": num(value), "unit": unit, "system": ucum, "code": unit}
		})
	}
	for _, tc := range []struct {
		name   string
		body   any
		status []int
		says   string // in diagnostics
		at     string // in an expression
	}{
		{"cc is no UCUM unit", quantity("35", "cc"), []int{422}, "mL", "valueQuantity|value"},
		{"mls is no UCUM unit", quantity("35", "mls"), []int{422}, "mL", "value"},
		{"a rate, and no UCUM", quantity("35", "ml/hr"), []int{422}, "UCUM", "value"},
		{"a mass is no volume", quantity("35", "kg"), []int{422}, "volume", "value"},
		{"negative volume", quantity("-1", "mL"), []int{422}, "", "value"},
		{"seven decimals", quantity("1.1234567", "mL"), []int{422}, "6", "value"},
		{"no unit at all", change(func(o obj) { o["valueQuantity"] = obj{"value": num("35")} }), []int{422}, "", "value"},
		{"other patient's drain", change(func(o obj) { o["device"] = ref("Device/" + other.drain) }), []int{422}, "rong drain", "subject"},
		{"the right drain, another patient", change(func(o obj) { o["subject"] = ref("Patient/" + other.patient) }), []int{422}, "rong drain", "subject"},
		{"unknown drain", change(func(o obj) { o["device"] = ref("Device/nowhere") }), []int{422}, "nowhere", "device"},
		{"removed drain", change(func(o obj) { o["device"], o["subject"] = ref("Device/"+gone.drain), ref("Patient/"+gone.patient) }), []int{422}, "removed", "Observation."},
		{"not yet placed", change(func(o obj) { o["effectiveDateTime"] = instant(placed.Add(-time.Hour)) }), []int{422}, "placed", "Observation."},
		{"never placed", change(func(o obj) { o["device"] = ref("Device/" + loose) }), []int{422}, "placed", "Observation."},
		{"no device on an emptying", change(func(o obj) { delete(o, "device") }), []int{422}, "", "device"},
		{"no subject", change(func(o obj) { delete(o, "subject") }), []int{422}, "", "subject"},
		{"no time", change(func(o obj) { delete(o, "effectiveDateTime") }), []int{422}, "", "effective"},
		{"a date without a time", change(func(o obj) { o["effectiveDateTime"] = at.Format("2006-01-02") }), []int{422}, "", "effective"},
		{"a time without a zone", change(func(o obj) { o["effectiveDateTime"] = at.Format("2006-01-02T15:04:05") }), []int{400, 422}, "zone", "effective"},
		{"the future", change(func(o obj) { o["effectiveDateTime"] = instant(ago(-6 * time.Hour)) }), []int{422}, "future", "effective"},
		{"an impossible date", change(func(o obj) { o["effectiveDateTime"] = "2026-02-30T10:00:00Z" }), []int{400, 422}, "", "effective"},
		{"negative irrigant", change(func(o obj) {
			o["component"] = list{obj{"code": concept(local, "instilled-volume"), "valueQuantity": obj{"value": num("-5"), "system": ucum, "code": "mL"}}}
		}), []int{422}, "", "component"},
		{"irrigant in cc", change(func(o obj) {
			o["component"] = list{obj{"code": concept(local, "instilled-volume"), "valueQuantity": obj{"value": num("5"), "unit": "cc", "system": ucum, "code": "cc"}}}
		}), []int{422}, "mL", "component"},
		{"unknown suction state", change(func(o obj) {
			o["component"] = list{obj{"code": concept(local, "suction-state"), "valueCodeableConcept": concept(local, "roaring")}}
		}), []int{422}, "code", "component"},
		{"two faults at once", change(func(o obj) {
			o["valueQuantity"] = obj{"value": num("35"), "system": ucum, "code": "cc"}
			o["effectiveDateTime"] = instant(ago(-6 * time.Hour))
		}), []int{422}, "mL", "value"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			a := c.in(t).do("POST", "Observation", tc.body)
			if !a.check(tc.status...) {
				return
			}
			if !strings.Contains(a.diagnostics(), tc.says) {
				t.Errorf("no advice %q in %q", tc.says, a.diagnostics())
			}
			found := false
			for _, e := range a.expressions() {
				for _, want := range strings.Split(tc.at, "|") {
					found = found || strings.Contains(e, want)
				}
			}
			if !found {
				t.Errorf("no expression names %s: %v", tc.at, a.expressions())
			}
		})
	}
	if n := len(c.all("Observation?_count=50")); n != 0 {
		t.Errorf("refused entries left %d Observations", n)
	}

	// What is odd but possible is taken.
	for name, o := range map[string]obj{
		"a measured zero": quantity("0", "mL"),
		"in litres":       quantity("0.035", "L"),
		"more than any bulb holds": func() obj {
			o := quantity("480", "mL")
			o["component"] = list{obj{"code": concept(local, "measuring-vessel"), "valueCodeableConcept": concept(local, "medicine-cup")}}
			return o
		}(),
		"not measured": change(func(o obj) {
			delete(o, "valueQuantity")
			o["dataAbsentReason"] = concept("http://terminology.hl7.org/CodeSystem/data-absent-reason", "not-performed")
		}),
		"six decimals": quantity("1.123456", "mL"),
	} {
		t.Run(name, func(t *testing.T) { c.in(t).do("POST", "Observation", o).check(201) })
	}

	t.Run("a second entry with the identifier", func(t *testing.T) {
		c := c.in(t)
		o := change(func(o obj) { o["identifier"] = list{obj{"system": testSys + "/entry", "value": "e-1"}} })
		first := c.do("POST", "Observation", o).want(201)
		c.do("POST", "Observation", o).check(409)
		again := c.do("POST", "Observation", o, "If-None-Exist", query("identifier", testSys+"/entry|e-1")).want(200)
		if again.id() != first.id() {
			t.Errorf("the conditional create returns %s, not the first, %s", again.id(), first.id())
		}
	})
	t.Run("the guard holds for update and patch too", func(t *testing.T) {
		c := c.in(t)
		made := c.do("POST", "Observation", quantity("12", "mL")).want(201)
		o := quantity("12", "mL")
		o["id"], o["device"] = made.id(), ref("Device/"+other.drain)
		c.do("PUT", "Observation/"+made.id(), o).check(422)
		c.do("PATCH", "Observation/"+made.id(), list{obj{"op": "replace", "path": "/device/reference", "value": "Device/" + other.drain}}).check(422)
		c.do("PATCH", "Observation/"+made.id(), list{obj{"op": "replace", "path": "/valueQuantity/code", "value": "cc"}}).check(422)
		if got := c.do("GET", "Observation/"+made.id(), nil).want(200); got.version() != "1" {
			t.Errorf("a refused change made version %s", got.version())
		}
	})
}

// TestEntryEscalates: a lost suction is an open escalation until it is mended.
func TestEntryEscalates(t *testing.T) {
	c := serve(t).client()
	b := c.bed("leak", ago(48*time.Hour))
	look := func(suction string, at time.Time) string {
		o := emptying(b, at, "10", "mL")
		o["component"] = list{obj{"code": concept(local, "suction-state"), "valueCodeableConcept": concept(local, suction)}}
		return c.do("POST", "Observation", o).want(201).id()
	}
	open := func() []string {
		var out []string
		for _, e := range c.do("GET", "Device/"+b.drain+"/$escalation-status", nil).want(200).list("entry") {
			if text(e, "resource.resourceType") == "DetectedIssue" {
				for _, ev := range items(e, "resource.evidence") {
					out = append(out, text(e, "resource.code.coding.0.code")+" "+text(ev, "code.0.coding.0.code"))
				}
			}
		}
		return out
	}
	look("charged", ago(3*time.Hour))
	if got := open(); strings.Contains(strings.Join(got, " "), "function suction-lost") {
		t.Errorf("a charged reservoir is %v", got)
	}
	lost := look("lost", ago(time.Hour))
	if got := open(); !strings.Contains(strings.Join(got, " "), "function suction-lost") {
		t.Errorf("lost suction is not among the open concerns: %v", got)
	}
	issue := c.do("GET", "DetectedIssue?"+query("implicated", "Device/"+b.drain), nil).want(200)
	if len(issue.ids("match")) == 0 {
		t.Errorf("the DetectedIssue is not found by its drain: %s", issue.clip())
	}
	// The evidence is withdrawn: the escalation is closed, with history.
	c.do("PATCH", "Observation/"+lost, list{obj{"op": "replace", "path": "/status", "value": "entered-in-error"}}).want(200)
	if got := open(); strings.Contains(strings.Join(got, " "), "function suction-lost") {
		t.Errorf("withdrawn evidence leaves %v open", got)
	}
	for _, id := range issue.ids("match") {
		if h := c.do("GET", id+"/_history", nil).want(200); len(h.list("entry")) < 2 {
			t.Errorf("%s has no history of its end: %s", id, h.clip())
		}
	}
}

func read(t testing.TB, path string) []byte {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return b
}
