package blackbox

import (
	"encoding/json"
	"fmt"
	"os/exec"
	"strconv"
	"strings"
	"testing"
	"time"
)

// charted is an entry of a drain with its appearance and suction.
func charted(b bed, at time.Time, ml int, look string, more ...any) obj {
	e := emptying(b, at, strconv.Itoa(ml), "mL")
	e["component"] = append(list{
		obj{"code": concept(loinc, "72290-0"), "valueCodeableConcept": concept(local, look)},
		obj{"code": concept(local, "suction-state"), "valueCodeableConcept": concept(local, "charged")},
	}, more...)
	return e
}

// steady charts a drain every four hours up to two hours ago: about 20 mL, serous.
func (c *client) steady(b bed) {
	c.t.Helper()
	var all list
	for h := 26; h >= 2; h -= 4 {
		all = append(all, obj{"request": obj{"method": "POST", "url": "Observation"}, "resource": charted(b, ago(time.Duration(h)*time.Hour), 20+h%3, "serous")})
	}
	c.do("POST", "", obj{"resourceType": "Bundle", "type": "transaction", "entry": all}).want(200)
}

// concerns are the open concerns of a drain: kind, severity, headline.
func (c *client) concerns(b bed) []string {
	c.t.Helper()
	var out []string
	for _, e := range c.do("GET", "Device/"+b.drain+"/$escalation-status", nil).want(200).list("entry") {
		if text(e, "resource.resourceType") == "DetectedIssue" {
			out = append(out, text(e, "resource.code.coding.0.code")+" "+text(e, "resource.severity")+": "+text(e, "resource.detail"))
		}
	}
	return out
}

// TestCupsOfOneEmptying: two cups a minute apart are one emptying, in the totals, in
// the time until the next one, and for the rules.
func TestCupsOfOneEmptying(t *testing.T) {
	c := serve(t).client()
	b := c.bed("cups", ago(30*time.Hour))
	c.do("PUT", "Location/w", obj{"resourceType": "Location", "id": "w", "name": "Ward", "physicalType": concept("http://terminology.hl7.org/CodeSystem/location-physical-type", "wa")}).want(201)
	device := c.do("GET", "Device/"+b.drain, nil).want(200).tree.(map[string]any)
	device["location"] = ref("Location/w")
	c.do("PUT", "Device/"+b.drain, device).want(200)
	at := ago(10 * time.Minute)
	for h := 28; h > 0; h -= 4 { // 50 mL every four hours
		c.do("POST", "Observation", charted(b, at.Add(-time.Duration(h)*time.Hour), 50, "serous")).want(201)
	}
	c.do("POST", "Observation", charted(b, at, 30, "serous")).want(201)
	c.do("POST", "Observation", charted(b, at.Add(time.Minute), 20, "serous")).want(201)

	out := c.do("GET", "Device/"+b.drain+"/$drain-output?"+query("period", "total", "start", instant(at.Add(-time.Hour)), "end", instant(at.Add(2*time.Minute))), nil).want(200)
	told := 0
	for _, e := range out.list("entry") {
		switch code := text(e, "resource.code.coding.0.code"); {
		case strings.HasPrefix(code, "drain-output-total"):
			told++
			if v := fmt.Sprint(dig(e, "resource.valueQuantity.value")); v != "50" {
				t.Errorf("total %s mL, want 50", v)
			}
		case code == "drain-output-rate":
			told++
			// 50 mL in the four hours and a minute since the last emptying.
			if v, err := strconv.ParseFloat(fmt.Sprint(dig(e, "resource.valueQuantity.value")), 64); err != nil || v < 12.3 || v > 12.6 {
				t.Errorf("rate %v mL/h, want about 12.5", v)
			}
		}
	}
	if told != 2 {
		t.Errorf("one total and one rate, not %d of them", told)
	}
	due := c.do("GET", "Location/w/$emptying-due", nil).want(200).list("entry")
	if len(due) != 1 {
		t.Fatalf("%d drains are due", len(due))
	}
	end, err := time.Parse(time.RFC3339, text(due[0], "resource.restriction.period.end"))
	if in := time.Until(end); err != nil || in < 3*time.Hour+40*time.Minute || in > 4*time.Hour {
		t.Errorf("due in %v, want about 4 h after the last cup: %s", in, text(due[0], "resource.description"))
	}
	if got := c.concerns(b); len(got) != 0 {
		t.Errorf("two cups of one emptying raise %q", got)
	}
}

// TestLooks: one look a rank darker asks for another look, a second one calls; from
// serous to sanguineous calls at once.
func TestLooks(t *testing.T) {
	c := serve(t).client()
	b := c.bed("pinker", ago(30*time.Hour))
	c.steady(b)
	if got := c.concerns(b); len(got) != 0 {
		t.Fatalf("a steady drain raises %q", got)
	}
	c.do("POST", "Observation", charted(b, ago(40*time.Minute), 8, "serosanguineous")).want(201)
	got := c.concerns(b)
	if len(got) != 1 || !strings.HasPrefix(got[0], "fluid moderate: ") || !strings.Contains(strings.ToLower(got[0]), "look again") {
		t.Errorf("one look a rank darker: %q", got)
	}
	c.do("POST", "Observation", charted(b, ago(5*time.Minute), 4, "serosanguineous")).want(201)
	if got = c.concerns(b); len(got) != 1 || !strings.HasPrefix(got[0], "fluid high: ") {
		t.Errorf("a second such look: %q", got)
	}
	red := c.bed("red", ago(30*time.Hour))
	c.steady(red)
	c.do("POST", "Observation", charted(red, ago(5*time.Minute), 10, "sanguineous")).want(201)
	if got = c.concerns(red); len(got) != 1 || !strings.HasPrefix(got[0], "fluid high: ") {
		t.Errorf("serous, then sanguineous: %q", got)
	}
}

// TestOccluded: a drain charted as occluded calls at once. That one which is blocked
// in silence is found within 12 h is measured over simulated wards: TestAims of
// package replay.
func TestOccluded(t *testing.T) {
	c := serve(t).client()
	b := c.bed("blocked", ago(30*time.Hour))
	c.steady(b)
	c.do("POST", "Observation", charted(b, ago(5*time.Minute), 0, "serous", obj{"code": concept(local, "patency"), "valueCodeableConcept": concept(local, "occluded")})).want(201)
	if got := c.concerns(b); len(got) != 1 || !strings.HasPrefix(got[0], "function high: ") {
		t.Errorf("occluded: %q", got)
	}
}

// TestPlacedElsewhere: a drain that is in place in one patient cannot be placed in
// another; nothing changes, and its open concern stays.
func TestPlacedElsewhere(t *testing.T) {
	s := serve(t)
	c := s.client()
	b, other := c.bed("has-it", ago(30*time.Hour)), c.bed("has-another", ago(30*time.Hour))
	c.steady(b)
	c.do("POST", "Observation", charted(b, ago(5*time.Minute), 10, "sanguineous")).want(201)
	before := c.concerns(b)
	placement := obj{"resourceType": "DeviceUseStatement", "status": "active", "subject": ref("Patient/" + other.patient), "device": ref("Device/" + b.drain), "timingPeriod": obj{"start": instant(ago(time.Hour))}}
	nurse := s.clientWith(s.token("--role", "nurse", "--subject", "Practitioner/n1"))
	a := nurse.do("POST", "DeviceUseStatement", placement).want(422)
	if a.diagnostics() == "" {
		t.Error("refused without a reason")
	}
	if n := len(c.do("GET", "DeviceUseStatement?device=Device/"+b.drain, nil).want(200).list("entry")); n != 1 {
		t.Errorf("%d placements", n)
	}
	if after := c.concerns(b); len(after) != 1 || fmt.Sprint(after) != fmt.Sprint(before) {
		t.Errorf("concerns %q, before %q", after, before)
	}
	device := c.do("GET", "Device/"+b.drain, nil).want(200)
	if text(device.tree, "patient.reference") != "Patient/"+b.patient {
		t.Errorf("the drain has moved: %s", device.clip())
	}
}

// TestReplayOfAStore: tidemark policy replay over the store of a service that was used
// announces what the service announced, and knows what was acknowledged. What an
// acknowledgement changes: TestAcknowledgementsOfTheData of package replay.
func TestReplayOfAStore(t *testing.T) {
	s := serve(t)
	c := s.client()
	b := c.bed("bleeds-on", ago(30*time.Hour))
	c.steady(b)
	acknowledge := obj{"resourceType": "Parameters", "parameter": list{obj{"name": "action", "valueString": "surgeon called"}}}
	for _, minutes := range []int{50, 40, 30, 20, 10, 5} {
		c.do("POST", "Observation", charted(b, ago(time.Duration(minutes)*time.Minute), 60, "sanguineous")).want(201)
		if minutes == 40 { // darker, and brisk
			c.do("POST", "Device/"+b.drain+"/$acknowledge", acknowledge).want(200)
		}
	}
	announced := map[string]int{} // by kind
	for _, e := range c.do("GET", "DetectedIssue?implicated=Device/"+b.drain, nil).want(200).list("entry") {
		at := map[string]bool{}
		for _, v := range c.do("GET", "DetectedIssue/"+text(e, "resource.id")+"/_history", nil).want(200).list("entry") {
			for _, x := range items(v, "resource.extension") {
				if strings.HasSuffix(text(x, "url"), "/announced") {
					at[text(x, "valueDateTime")] = true
				}
			}
		}
		announced[text(e, "resource.code.coding.0.code")] += len(at)
	}
	if announced["fluid"] < 2 {
		t.Fatalf("the service announced %v, and not the bleed twice", announced)
	}
	s.stop()
	out, err := exec.Command(binary, "policy", "replay", "--data", s.dir, "--acknowledge", "0s", "--format", "json").Output()
	if err != nil {
		t.Fatal(err)
	}
	var result struct {
		Counts []struct {
			Ward, Concern, Rule, Severity         string
			Announcements, Closings, Acknowledged int
		}
	}
	if err := json.Unmarshal(out, &result); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	got, acknowledged := map[string]int{}, 0
	for _, n := range result.Counts {
		if n.Ward == "all" && n.Rule == "" {
			got[n.Concern] += n.Announcements + n.Closings
			acknowledged += n.Acknowledged
		}
	}
	if fmt.Sprint(got) != fmt.Sprint(announced) || acknowledged == 0 {
		t.Errorf("the replay announces %v, the service did %v; %d acknowledged: %s", got, announced, acknowledged, out)
	}
}
