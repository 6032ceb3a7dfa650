package blackbox

import (
	"encoding/csv"
	"maps"
	"os/exec"
	"regexp"
	"slices"
	"strings"
	"testing"
	"unicode/utf8"
)

// sentences are the words in an answer that a nurse is shown, each with where it stands.
func sentences(n any, path string, found map[string]string) {
	switch v := n.(type) {
	case map[string]any:
		for k, x := range v {
			sentences(x, path+"."+k, found)
		}
	case []any:
		for _, x := range v {
			sentences(x, path, found)
		}
	case string:
		switch path[strings.LastIndexByte(path, '.')+1:] {
		case "text", "detail", "description":
			found[v] = path
		}
	}
}

// TestWords walks every sentence that the service words for a nurse, over a simulated
// ward on which much happens: what it may not hold, and how long a headline may be.
// The rules are those of plain words on a ward: common practice, no published source.
func TestWords(t *testing.T) {
	s := serve(t)
	c := s.client()
	if out, err := exec.Command(binary, "simulate", "--to", s.base, "--token", c.token, "--patients", "14", "--days", "4", "--seed", "3", "--events", "60").CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	found := map[string]string{}
	for _, op := range []string{"$escalation-status", "$emptying-due", "$handover"} {
		sentences(c.do("GET", "Location/ward-01/"+op, nil).want(200).tree, op, found)
	}
	for _, id := range c.all("Device?_count=100") {
		sentences(c.do("GET", id+"/$removal-review", nil).want(200).tree, "$removal-review", found)
		sentences(c.do("GET", id+"/$escalation-status", nil).want(200).tree, "$escalation-status", found)
	}
	for _, e := range c.do("GET", "DetectedIssue?_count=500", nil).want(200).list("entry") {
		sentences(e, "DetectedIssue", found)
	}
	table := c.do("GET", "Location/ward-01/$handover?_format=csv", nil).want(200)
	rows, err := csv.NewReader(strings.NewReader(string(table.body))).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for i, name := range rows[0] {
		for _, row := range rows[1:] {
			if strings.Contains(row[i], " ") {
				found[row[i]] = "$handover.csv." + name
			}
		}
	}

	banned := map[string]*regexp.Regexp{
		"an instant for machines":    regexp.MustCompile(`\d{4}-\d{2}-\d{2}T|\d{2}:\d{2}:\d{2}|[+-]\d{2}:\d{2}\b`),
		"more than one decimal":      regexp.MustCompile(`\d\.\d{2,}`),
		"the code of a rule":         regexp.MustCompile(`\b(output-rise|brisk-output|sudden-stop|reading-doubt|suction-(lost|off)|reservoir-(full|half)|output-darker|suspect-fluid|possible-swap)\b`),
		"a finding":                  regexp.MustCompile(`(?i)\bfindings?\b`),
		"a phrase nobody says":       regexp.MustCompile(`(?i)for want of|calls at|how it is is not known|is had|of ours|judge`),
		"a value of a program":       regexp.MustCompile(`%!|<nil>|\bNaN\b|\bnull\b`),
		"an empty or doubled phrase": regexp.MustCompile(`  |\.\.|, ,| \.`),
	}
	number := regexp.MustCompile(`\d+([.:]\d+)?`)
	dated := regexp.MustCompile(`(on )?\b\d{1,2} (Jan|Feb|Mar|Apr|May|Jun|Jul|Aug|Sep|Oct|Nov|Dec)\b`)
	headlines := 0
	for _, words := range slices.Sorted(maps.Keys(found)) {
		path := found[words]
		if words == "No finding: number of drains" || strings.Contains(path, ".reason.") { // a level's name; a person's own words
			continue
		}
		for what, pattern := range banned {
			if hit := pattern.FindString(words); hit != "" {
				t.Errorf("%s holds %s, %q: %s", path, what, hit, words)
			}
		}
		if strings.HasSuffix(path, ".detail") && !strings.HasPrefix(words, "charted late") {
			headlines++
			if n := len(number.FindAllString(dated.ReplaceAllString(words, ""), -1)); n > 2 || utf8.RuneCountInString(words) > 90 {
				t.Errorf("a headline of %d numbers and %d characters: %s", n, utf8.RuneCountInString(words), words)
			}
		}
	}
	if len(found) < 300 || headlines < 8 {
		t.Errorf("only %d sentences and %d headlines were read", len(found), headlines)
	}
}
