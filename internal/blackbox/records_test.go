package blackbox

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"
)

// What a hospital does to records: two of one person become one, and one is
// erased. R5 patient-operation-merge.html defines the one, R6
// patient-operation-purge.html the other; R4 has neither.

// administrator is a client with the scopes of the role.
func (s *service) role(name string) *client {
	s.t.Helper()
	return s.clientWith(s.token("--role", name))
}

func mergeOf(params ...any) obj { return obj{"resourceType": "Parameters", "parameter": list(params)} }

func refParam(name, to string) obj { return obj{"name": name, "valueReference": ref(to)} }

func idParam(name, value string) obj {
	return obj{"name": name, "valueIdentifier": obj{"system": testSys + "/mrn", "value": value}}
}

// charted puts onto a bed an entry that opens a concern, one that does not, and
// what is charted of a patient without a drain.
func (c *client) charted(b bed) (entries []string) {
	c.t.Helper()
	alarming := emptying(b, ago(time.Hour), "30", "mL")
	alarming["component"] = list{obj{"code": concept(loinc, "72290-0"), "valueCodeableConcept": concept(local, "feculent")}}
	for _, o := range []obj{emptying(b, ago(3*time.Hour), "20", "mL"), alarming, urine(b.patient)} {
		entries = append(entries, c.do("POST", "Observation", o).want(201).id())
	}
	return entries
}

func urine(patient string) obj {
	return obj{"resourceType": "Observation", "status": "final", "code": concept(loinc, "9187-6"), "subject": ref("Patient/" + patient),
		"effectiveDateTime": instant(ago(2 * time.Hour)), "valueQuantity": obj{"value": num("150"), "unit": "mL", "system": ucum, "code": "mL"}}
}

func TestMerge(t *testing.T) {
	s := serve(t)
	c := s.role("administration")
	src, tgt := c.bed("src", ago(10*time.Hour)), c.bed("tgt", ago(10*time.Hour))
	entries := c.charted(src)
	c.do("POST", "Observation", emptying(tgt, ago(2*time.Hour), "11", "mL")).want(201)
	c.do("PUT", "Encounter/es", obj{"resourceType": "Encounter", "id": "es", "status": "in-progress", "class": obj{"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "IMP"}, "subject": ref(c.base + "/Patient/src")}).want(201)
	c.do("PUT", "Group/g", obj{"resourceType": "Group", "id": "g", "type": "person", "actual": true, "member": list{obj{"entity": ref("Patient/src")}, obj{"entity": ref("Patient/tgt")}}}).want(201)
	c.do("PUT", "Provenance/pv", obj{"resourceType": "Provenance", "id": "pv", "target": list{ref("Patient/src/_history/1"), ref("Observation/" + entries[0])}, "recorded": instant(ago(time.Hour)), "agent": list{obj{"who": obj{"display": "somebody"}}}}).want(201)
	concern := c.do("GET", "DetectedIssue?patient=src", nil).want(200).ids("match")
	if len(concern) == 0 {
		t.Fatal("no concern was opened before the merge")
	}
	sum := func(patient string) string {
		return c.do("GET", "Patient/"+patient+"/$fluid-balance?period=total&_format=text/csv", nil, "Accept", "text/csv").want(200).clip()
	}
	before := sum("tgt")
	ask := []any{refParam("source-patient", "Patient/src"), idParam("source-patient-identifier", "mrn-src"), idParam("target-patient-identifier", "mrn-tgt")}

	// Preview: what would happen, and nothing does.
	a := c.do("POST", "Patient/$merge", mergeOf(append(ask, obj{"name": "preview", "valueBoolean": true})...)).want(200)
	outcome := text(a.tree, "parameter.1.resource.issue.0.diagnostics")
	for _, part := range []string{"Nothing was changed", "3 Observation", "1 Encounter", "1 Device,", "1 DeviceUseStatement", "2 DetectedIssue", "1 Group"} {
		if !strings.Contains(outcome, part) {
			t.Errorf("the preview does not say %q: %s", part, outcome)
		}
	}
	if a.str("parameter.2.name") != "result" || a.str("parameter.2.resource.link.0.type") != "replaces" {
		t.Errorf("the preview's result: %s", a.clip())
	}
	if sum("tgt") != before || c.do("GET", "Patient/src", nil).want(200).version() != "1" {
		t.Fatal("the preview changed something")
	}

	a = c.do("POST", "Patient/$merge", mergeOf(ask...)).want(200)
	if names := a.str("parameter.0.name") + a.str("parameter.1.name") + a.str("parameter.2.name"); names != "inputoutcomeresult" {
		t.Errorf("the answer has %s", names)
	}
	p := c.do("GET", "Patient/src", nil).want(200)
	if dig(p.tree, "active") != false || p.str("link.0.type") != "replaced-by" || p.str("link.0.other.reference") != "Patient/tgt" {
		t.Errorf("the source: %s", p.clip())
	}
	p = c.do("GET", "Patient/tgt", nil).want(200)
	if p.str("link.0.type") != "replaces" || p.str("link.0.other.reference") != "Patient/src" || p.str("identifier.0.value") != "mrn-tgt" || p.str("identifier.1.value") != "mrn-src" || p.str("identifier.1.use") != "old" {
		t.Errorf("the target: %s", p.clip())
	}
	// The drain, its entries and its concern are the target's at once.
	if got := sum("tgt"); got == before || !strings.Contains(got, "150") {
		t.Errorf("the balance of the target: %s", got)
	}
	status := c.do("GET", "Patient/tgt/$escalation-status", nil).want(200)
	if !strings.Contains(string(status.body), concern[0]) && !strings.Contains(string(status.body), concern[1]) {
		t.Errorf("the status of the target has none of %v: %s", concern, status.body)
	}
	for _, path := range []string{"Observation?patient=src", "Device?patient=src", "DeviceUseStatement?patient=src", "Encounter?patient=src", "DetectedIssue?patient=src", "Group?member=Patient/src"} {
		if left := c.do("GET", path, nil).want(200).ids("match"); len(left) > 0 {
			t.Errorf("%s: %v", path, left)
		}
	}
	if g := c.do("GET", "Group/g", nil).want(200); len(g.list("member")) != 1 || g.str("member.0.entity.reference") != "Patient/tgt" {
		t.Errorf("the group: %s", g.clip())
	}
	if e := c.do("GET", "Encounter/es", nil).want(200); e.str("subject.reference") != c.base+"/Patient/tgt" {
		t.Errorf("an absolute reference: %s", e.clip())
	}
	if pv := c.do("GET", "Provenance/pv", nil).want(200); pv.str("target.0.reference") != "Patient/src/_history/1" {
		t.Errorf("a reference to a version moved: %s", pv.clip())
	}
	found := false
	for _, id := range c.do("GET", "Provenance?target=Patient/tgt", nil).want(200).ids("match") {
		pv := c.do("GET", id, nil).want(200)
		found = found || pv.str("activity.coding.0.code") == "merge" && pv.str("target.0.reference") == "Patient/tgt/_history/2" && pv.str("entity.0.what.reference") == "Patient/src/_history/2"
	}
	if !found {
		t.Error("no Provenance says who merged which versions")
	}
	// The past stays the source's.
	if o := c.do("GET", "Observation/"+entries[0]+"/_history/1", nil).want(200); o.str("subject.reference") != "Patient/src" {
		t.Errorf("the version before: %s", o.clip())
	}
	// Each version that was written has its AuditEvent.
	for _, entity := range []string{"Patient/src/_history/2", "Patient/tgt/_history/2", "Observation/" + entries[0] + "/_history/2"} {
		key, _, _ := strings.Cut(entity, "/_history")
		if a := c.do("GET", "AuditEvent?entity="+key, nil).want(200); !strings.Contains(string(a.body), `"`+entity+`"`) {
			t.Errorf("no AuditEvent names %s: %d of %s", entity, len(a.ids("match")), a.body)
		}
	}
	// What is charted of the source from now on is refused, and says where to go.
	for what, o := range map[string]obj{"a drain entry": emptying(src, ago(time.Minute), "5", "mL"), "urine": urine("src")} {
		if a := c.do("POST", "Observation", o); !a.check(422) || !strings.Contains(a.diagnostics(), "Patient/tgt") {
			t.Errorf("%s of the source: %s", what, a.clip())
		}
	}
	// An interface that sends the source again does not undo it.
	again := obj{"resourceType": "Patient", "id": "src", "active": true, "identifier": list{obj{"system": testSys + "/mrn", "value": "mrn-src"}}}
	if a := c.do("PUT", "Patient/src", again); !a.check(422) || !strings.Contains(a.diagnostics(), "Patient/tgt") {
		t.Errorf("the source sent again: %s", a.clip())
	}
	again["link"] = list{obj{"other": ref("Patient/tgt"), "type": "replaced-by"}}
	again["active"] = false
	c.do("PUT", "Patient/src", again).want(200)
	moved := src
	moved.patient = "tgt"
	c.do("POST", "Observation", emptying(moved, ago(time.Minute), "5", "mL")).want(201)
	// It is done once, and undone by nothing.
	if a := c.do("POST", "Patient/$merge", mergeOf(ask...)); !a.check(422) {
		t.Errorf("again: %s", a.clip())
	}
	c.do("POST", "Patient/$merge", mergeOf(refParam("source-patient", "Patient/tgt"), refParam("target-patient", "Patient/src"))).check(422)
}

// TestMergeInput: what R5 says of the parameters.
func TestMergeInput(t *testing.T) {
	s := serve(t)
	c := s.role("administration")
	for _, name := range []string{"a", "b", "c"} {
		c.bed(name, ago(time.Hour))
	}
	c.do("PUT", "Patient/d", obj{"resourceType": "Patient", "id": "d", "identifier": list{obj{"system": testSys + "/mrn", "value": "mrn-c"}}}).want(201)
	result := func(id string, link bool) obj {
		p := obj{"resourceType": "Patient", "id": id, "identifier": list{obj{"system": testSys + "/mrn", "value": "mrn-b"}}, "name": list{obj{"family": "Chosen"}}}
		if link {
			p["link"] = list{obj{"other": ref("Patient/a"), "type": "replaces"}}
		}
		return obj{"name": "result-patient", "resource": p}
	}
	a, b := refParam("source-patient", "Patient/a"), refParam("target-patient", "Patient/b")
	for what, tt := range map[string]struct {
		params list
		status int
	}{
		"no source":                      {list{b}, 400},
		"no target":                      {list{a}, 400},
		"source is target":               {list{a, refParam("target-patient", "Patient/a")}, 422},
		"a reference to a device":        {list{refParam("source-patient", "Device/a-d1"), b}, 400},
		"a source that is not there":     {list{refParam("source-patient", "Patient/zz"), b}, 422},
		"an identifier of nobody":        {list{idParam("source-patient-identifier", "zz"), b}, 422},
		"an identifier of two":           {list{idParam("source-patient-identifier", "mrn-c"), b}, 422},
		"reference and identifier apart": {list{a, idParam("source-patient-identifier", "mrn-b"), refParam("target-patient", "Patient/c")}, 422},
		"result of another":              {list{a, b, result("c", true)}, 422},
		"result without the link":        {list{a, b, result("b", false)}, 422},
		"result without the identifier":  {list{a, b, idParam("source-patient-identifier", "mrn-a"), result("b", true)}, 422},
		"a parameter that there is not":  {list{a, b, obj{"name": "batch-size", "valueInteger": 3}}, 400},
		"a preview that is neither":      {list{a, b, obj{"name": "preview", "valueString": "maybe"}}, 400},
	} {
		if x := c.do("POST", "Patient/$merge", mergeOf(tt.params...)); !x.check(tt.status) {
			t.Errorf("%s: %s", what, x.clip())
		}
	}
	c.do("GET", "Patient/$merge", nil).check(405)
	x := c.do("POST", "Patient/$merge", mergeOf(a, b, result("b", true))).want(200)
	if x.str("parameter.2.resource.name.0.family") != "Chosen" || x.str("parameter.2.resource.meta.versionId") != "2" {
		t.Errorf("the result: %s", x.clip())
	}
}

// TestRecordRights: neither is in any scope of the types; records office merges,
// administration does both.
func TestRecordRights(t *testing.T) {
	s := serve(t)
	admin := s.role("administration")
	for _, name := range []string{"a", "b"} {
		admin.bed(name, ago(time.Hour))
	}
	ask := mergeOf(refParam("source-patient", "Patient/a"), refParam("target-patient", "Patient/b"))
	for _, role := range []string{"nursing-assistant", "nurse", "analytics", "integration", "wall"} {
		c := s.role(role)
		c.do("POST", "Patient/$merge", ask).check(403)
		c.do("POST", "Patient/a/$purge", nil).check(403)
	}
	for scope, status := range map[string]int{
		"system/*.cruds": 403, "__merge": 403, "user/Patient.rs __merge": 403, "user/Patient.crus?gender=female __merge": 403, "user/Patient.crus __purge": 403,
	} {
		if strings.HasPrefix(scope, "_") {
			continue // no token without a resource scope is minted
		}
		s.clientWith(s.token("--scope", scope)).do("POST", "Patient/$merge", ask).check(status)
	}
	s.clientWith(s.token("--scope", "patient/*.cruds __merge __purge", "--patient", "a")).do("POST", "Patient/$merge", ask).check(403)
	s.clientWith(s.token("--scope", "patient/*.cruds __merge __purge", "--patient", "a")).do("POST", "Patient/a/$purge", nil).check(403)
	office := s.role("records-office")
	office.do("POST", "Patient/a/$purge", nil).check(403)
	office.do("POST", "Patient/$merge", ask).want(200)
}

// TestMergeMeanwhile: what is charted while two records become one is the
// target's in the end, or was refused.
func TestMergeMeanwhile(t *testing.T) {
	s := serve(t)
	c := s.role("administration")
	src := c.bed("src", ago(10*time.Hour))
	c.bed("tgt", ago(10*time.Hour))
	var wg sync.WaitGroup
	var mu sync.Mutex
	var kept []string
	start := make(chan struct{})
	for w := range 6 {
		wg.Go(func() {
			<-start
			for i := range 15 {
				o := emptying(src, ago(time.Duration(w*20+i)*time.Minute), fmt.Sprint(i+1), "mL")
				if w%2 == 0 {
					o = urine("src")
				}
				a, err := c.try("POST", "Observation", o)
				if err != nil {
					t.Error(err)
					return
				}
				switch a.status {
				case 201:
					mu.Lock()
					kept = append(kept, a.id())
					mu.Unlock()
				case 422:
				default:
					t.Errorf("an entry: %s", a.clip())
				}
			}
		})
	}
	close(start)
	time.Sleep(20 * time.Millisecond)
	c.do("POST", "Patient/$merge", mergeOf(refParam("source-patient", "Patient/src"), refParam("target-patient", "Patient/tgt"))).want(200)
	wg.Wait()
	if len(kept) == 0 {
		t.Fatal("nothing was charted before the merge")
	}
	for _, id := range kept {
		if o := c.do("GET", "Observation/"+id, nil).want(200); o.str("subject.reference") != "Patient/tgt" {
			t.Errorf("%s was left behind: %s", id, o.clip())
		}
	}
	t.Logf("%d of 90 entries were charted before", len(kept))
}

func TestPurge(t *testing.T) {
	s := serve(t)
	c := s.role("administration")
	b := c.bed("Quillfeather", ago(10*time.Hour))
	other := c.bed("other", ago(10*time.Hour))
	entries := c.charted(b)
	c.do("POST", "Observation", emptying(other, ago(time.Hour), "7", "mL")).want(201)
	// A correction that says why, in words, and one that moved an entry to whom it belongs.
	fixed := c.do("GET", "Observation/"+entries[0], nil).want(200).tree.(obj)
	fixed["status"], fixed["note"] = "corrected", list{obj{"text": "Quillfeather said so"}}
	c.do("PUT", "Observation/"+entries[0], fixed, "X-Provenance", `{"resourceType":"Provenance","recorded":"2026-01-01T00:00:00Z","reason":[{"text":"Quillfeather's cup"}],"agent":[{"who":{"display":"x"}}]}`).want(200)
	wrong := c.do("POST", "Observation", note("Quillfeather", "pulse", "2026-01-01T00:00:00Z", obj{"note": list{obj{"text": "of Quillfeather"}}})).want(201)
	right := wrong.tree.(obj)
	right["subject"] = ref("Patient/other")
	delete(right, "note")
	c.do("PUT", "Observation/"+wrong.id(), right).want(200)
	hand := c.do("POST", "Observation", note("other", "pulse", "2026-01-01T00:00:00Z", obj{"performer": list{ref("Patient/Quillfeather")}})).want(201).id()
	c.do("PUT", "Group/g", obj{"resourceType": "Group", "id": "g", "type": "person", "actual": true, "member": list{obj{"entity": obj{"reference": "Patient/Quillfeather", "display": "Quillfeather"}}, obj{"entity": ref("Patient/other")}}}).want(201)
	c.do("GET", "Patient?name=testfall-quillfeather", nil).want(200)
	c.do("GET", "Patient?identifier=mrn-Quillfeather", nil).want(200)
	feed := c.all("_history")

	// A drain in place is watched: it is ended first.
	c.do("POST", "Patient/Quillfeather/$purge", nil).check(422)
	c.do("PUT", "DeviceUseStatement/"+b.placement, c.placement(b, "completed", obj{"start": instant(ago(10 * time.Hour)), "end": instant(ago(time.Minute))})).want(200)
	job := c.do("GET", "$export?_type=Patient,Observation", nil, "Prefer", "respond-async").want(202).header.Get("Content-Location")
	for c.do("GET", job, nil).status == 202 {
		time.Sleep(100 * time.Millisecond)
	}
	if len(grep(t, filepath.Join(s.dir, "bulk"), "Quillfeather")) == 0 {
		t.Log("the export is zipped; that its files are gone is looked at all the same")
	}

	c.do("POST", "Patient/Quillfeather/$purge", nil).want(200)
	for _, path := range []string{"Patient/Quillfeather", "Patient/Quillfeather/_history/1", "Observation/" + entries[0], "Observation/" + entries[0] + "/_history/1",
		"Observation/" + entries[0] + "/_history/2", "Device/" + b.drain, "DeviceUseStatement/" + b.placement, "Observation/" + wrong.id() + "/_history/1"} {
		c.do("GET", path, nil).check(410)
	}
	h := c.do("GET", "Observation/"+entries[0]+"/_history", nil).want(200)
	if len(h.list("entry")) != 3 || h.str("entry.0.response.status") != "410 Gone" || dig(h.tree, "entry.0.resource") != nil {
		t.Errorf("the history: %s", h.clip())
	}
	for _, path := range []string{"Observation?patient=Quillfeather", "Device?patient=Quillfeather", "DetectedIssue?patient=Quillfeather"} {
		if left := c.do("GET", path, nil).want(200).ids("match"); len(left) > 0 {
			t.Errorf("%s: %v", path, left)
		}
	}
	// What is another's stays.
	c.do("GET", "Observation/"+hand, nil).want(200)
	c.do("GET", "Observation/"+wrong.id(), nil).want(200)
	if g := c.do("GET", "Group/g", nil).want(200); len(g.list("member")) != 1 {
		t.Errorf("the group: %s", g.clip())
	}
	// Places in the feed stay.
	after := c.all("_history")
	for _, id := range feed {
		if !strings.Contains(strings.Join(after, " "), id) {
			t.Errorf("%s is missing in the history of the system", id)
		}
	}
	c.do("GET", job, nil).check(404)
	// Who did it is known.
	found := false
	for _, e := range c.do("GET", "AuditEvent?entity=Patient/Quillfeather", nil).want(200).list("entry") {
		found = found || text(e, "resource.action") == "E" && text(e, "resource.subtype.0.code") == "operation" && text(e, "resource.outcome") == "0"
	}
	if !found {
		t.Error("no AuditEvent says who purged")
	}
	// An id that said nothing would be better; but for ids, nothing is left in any file.
	for _, word := range []string{"Testfall-Quillfeather", "testfall-quillfeather", "mrn-Quillfeather", "Quillfeather said so", "Quillfeather's cup", "of Quillfeather", "feculent"} {
		if found := grep(t, s.dir, word); len(found) > 0 {
			t.Errorf("%q is left in %v", word, found)
		}
	}
	c.do("POST", "Patient/Quillfeather/$purge", nil).want(200)
	c.do("POST", "Patient/nobody/$purge", nil).check(404)
}

// grep lists the files below a directory that hold the text.
func grep(t *testing.T, dir, word string) (found []string) {
	t.Helper()
	err := filepath.WalkDir(dir, func(path string, d os.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		b, err := os.ReadFile(path)
		if err == nil && bytes.Contains(b, []byte(word)) {
			found = append(found, path)
		}
		return err
	})
	if err != nil && !os.IsNotExist(err) {
		t.Fatal(err)
	}
	return found
}
