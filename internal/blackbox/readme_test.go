package blackbox

import (
	"encoding/json"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"
)

// block is a fenced block of shell of the README.
type block struct {
	heading string
	script  string
}

// blocks gives the shell blocks of a section, in order.
func blocks(t *testing.T, readme, section string) []block {
	t.Helper()
	_, rest, ok := strings.Cut(readme, "\n## "+section+"\n")
	if !ok {
		t.Fatalf("the README has no section %q", section)
	}
	rest, _, _ = strings.Cut(rest, "\n## ")
	var out []block
	heading, in := "", false
	for line := range strings.Lines(rest) {
		switch {
		case strings.HasPrefix(line, "### "):
			heading = strings.TrimSpace(line[4:])
		case strings.HasPrefix(line, "```sh"):
			out, in = append(out, block{heading: heading}), true
		case strings.HasPrefix(line, "```"):
			in = false
		case in:
			out[len(out)-1].script += line
		}
	}
	return out
}

func readme(t *testing.T) string {
	t.Helper()
	data, err := os.ReadFile(filepath.Join("..", "..", "README.md"))
	if err != nil {
		t.Fatal(err)
	}
	return string(data)
}

// freePort gives an address that nobody listens on at this moment.
func freePort(t testing.TB) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}

// values reads the JSON at the begin of each of some texts that follow each
// other, and gives what is no JSON as text.
func values(t *testing.T, out string) (trees []any, rest string) {
	t.Helper()
	for out = strings.TrimSpace(out); strings.HasPrefix(out, "{"); out = strings.TrimSpace(out) {
		var raw json.RawMessage
		d := json.NewDecoder(strings.NewReader(out))
		if err := d.Decode(&raw); err != nil {
			t.Errorf("what is printed is no JSON: %v\n%.300s", err, out)
			return trees, out
		}
		tree, err := parse(raw)
		if err != nil {
			t.Error(err)
		}
		for _, complaint := range complaints(raw) {
			t.Errorf("%s\n%.300s", complaint, raw)
		}
		trees, out = append(trees, tree), out[d.InputOffset():]
	}
	return trees, out
}

// TestREADME pastes the section "The first ten minutes" into one shell, as it
// stands but for the substitutions below, and holds what is printed against
// what the prose promises.
func TestREADME(t *testing.T) {
	dir := t.TempDir()
	listen, receiver := freePort(t), freePort(t)
	as := strings.NewReplacer(
		"go build -o tidemark ./cmd/tidemark", fmt.Sprintf("cp %q tidemark", binary),
		"127.0.0.1:8080", listen,
		"127.0.0.1:9099", receiver,
		"/tmp/", dir+"/",
	)
	env := append(os.Environ(), "TIDEMARK_LISTEN="+listen, "TIDEMARK_ADMIN_LISTEN=", "TIDEMARK_VERBOSE=true")

	steps := []struct {
		has   string // in the block
		check func(t *testing.T, out string)
	}{
		{"tidemark serve", func(t *testing.T, out string) {
			if strings.TrimSpace(out) != "ready" {
				t.Errorf("%q", out)
			}
		}},
		{"DeviceUseStatement/u1", func(t *testing.T, out string) { created(t, out, "Patient", "Device", "DeviceUseStatement") }},
		{"$drain-output", func(t *testing.T, out string) {
			first, rest := values(t, out)
			lines := strings.Split(rest, "\n")
			if len(first) != 1 || text(first[0], "resourceType") != "Observation" || !strings.HasPrefix(rest, "code,text,subject,") {
				t.Fatalf("an Observation and CSV are promised: %.500s", out)
			}
			if !slices.ContainsFunc(lines, func(l string) bool {
				return strings.HasPrefix(l, "drain-output-total") && strings.Contains(l, ",35,mL,")
			}) {
				t.Errorf("no total of 35 mL:\n%s", rest)
			}
			if i := strings.Index(rest, "\n{"); i < 0 {
				t.Error("no escalation status")
			} else if status, more := values(t, rest[i:]); len(status) != 1 || more != "" || text(status[0], "entry.0.resource.valueCodeableConcept.coding.0.code") != "none" {
				t.Errorf("a single good emptying leaves the level at none: %.900s", rest[i:])
			}
		}},
		{"Subscription", func(t *testing.T, out string) {
			if trees, _ := values(t, out); len(trees) != 1 || text(trees[0], "status") != "requested" {
				t.Errorf("%s", out)
			}
		}},
		{"$fluid-balance", func(t *testing.T, out string) {
			trees, csv := values(t, out)
			if len(trees) != 2 || len(items(trees[0], "entry")) != 1 || text(trees[1], "total") != "1" {
				t.Errorf("two searches with one match each: %.900s", out)
			}
			if !strings.Contains(csv, "net-balance") || !strings.Contains(csv, ",-35,mL,") {
				t.Errorf("no balance of -35 mL:\n%s", csv)
			}
		}},
		{"$export", func(t *testing.T, out string) {
			if got := strings.Fields(out); strings.Join(got, " ") != "200 concern-1.parquet drain-day-1.parquet emptying-1.parquet intake-output-1.parquet manifest.json patient-1.parquet placement-1.parquet site-assessment-1.parquet" {
				t.Errorf("%q", got)
			}
			parquets(t, filepath.Join(dir, "week"))
		}},
		{"tidemark export", func(t *testing.T, out string) {
			if log := said(t, filepath.Join(dir, "log")); out != "" || !regexp.MustCompile(`(?m)^read [45], written [45], skipped 0, refused 0$`).MatchString(log) {
				t.Errorf("an emptying, a placement, a patient and, by the hour, one or two ward days of the drain are to be fetched: %q\n%s", out, log)
			}
		}},
		{"ValueSet", func(t *testing.T, out string) {
			if trees, _ := values(t, out); len(trees) != 1 || text(trees[0], "resourceType") != "ValueSet" || len(items(trees[0], "expansion.contains")) < 10 {
				t.Errorf("%.500s", out)
			}
		}},
		{"drain-site-assessment", func(t *testing.T, out string) { created(t, out, "Observation", "Observation") }},
		{"If-None-Exist", func(t *testing.T, out string) {
			first, rest := values(t, out)
			code, rest, _ := strings.Cut(rest, "\n")
			second, again := values(t, rest)
			if len(first) != 1 || len(second) != 1 || text(first[0], "id") == "" || text(first[0], "id") != text(second[0], "id") || code != "201" || strings.TrimSpace(again) != "200" {
				t.Errorf("201 and then 200 with the same entry are promised:\n%s", out)
			}
		}},
		{`"cc"`, func(t *testing.T, out string) {
			trees, code := values(t, out)
			if len(trees) != 1 || text(trees[0], "resourceType") != "OperationOutcome" || strings.TrimSpace(code) != "422" {
				t.Fatalf("%s", out)
			}
			if says := strings.TrimSuffix(text(trees[0], "issue.0.diagnostics"), "."); !strings.Contains(readme(t), "is answered 422 with\n`"+says+"`") {
				t.Errorf("the prose does not quote the answer, %q", says)
			}
		}},
	}

	var script strings.Builder
	paste := blocks(t, readme(t), "The first ten minutes")
	if len(paste) != len(steps) {
		t.Fatalf("%d blocks, and %d checks of them", len(paste), len(steps))
	}
	for i, b := range paste {
		if !strings.Contains(b.script, steps[i].has) {
			t.Fatalf("block %d, under %q, was expected to hold %q:\n%s", i+1, b.heading, steps[i].has, b.script)
		}
		fmt.Fprintf(&script, "%s\necho; echo '=== end of block'\n", as.Replace(b.script))
	}
	name := filepath.Join(dir, "paste.sh")
	if err := os.WriteFile(name, []byte(script.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command("bash", name)
	cmd.Dir, cmd.Env = dir, env
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true} // what it leaves in the background goes with it
	out, log := filepath.Join(dir, "out"), filepath.Join(dir, "log")
	create := func(path string) *os.File {
		f, err := os.Create(path)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { f.Close() })
		return f
	}
	cmd.Stdout, cmd.Stderr = create(out), create(log) // files: what stays in the background must not hold Wait
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL) })
	timer := time.AfterFunc(4*time.Minute, func() { _ = syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL) })
	defer timer.Stop()
	err := cmd.Wait()
	if err != nil {
		t.Errorf("the shell ends with %v\n%s", err, said(t, log))
	}

	// The receiver prints both concerns: fluid darker than before, and a sign at the
	// site. Its lines stand among the shell's, also behind an answer without a line's
	// end.
	line := regexp.MustCompile(`receiver: .*\n`)
	got := func() []string { return line.FindAllString(said(t, out), -1) }
	for deadline := time.Now().Add(time.Minute); len(got()) < 2 && time.Now().Before(deadline); time.Sleep(20 * time.Millisecond) {
	}
	all := strings.Join(got(), "")
	for kind, rule := range map[string]string{"fluid": "darker", "site": "site-signs"} {
		if !regexp.MustCompile(`receiver: [0-9]+ PUT /tidemark/DetectedIssue/\S+ \{.*"code":"` + kind + `".*"code":"` + rule + `"`).MatchString(all) {
			t.Errorf("the receiver did not print %s, %s:\n%s\n%s", kind, rule, all, said(t, log))
		}
	}

	printed := strings.Split(line.ReplaceAllString(said(t, out), ""), "=== end of block\n")
	if len(printed) != len(steps)+1 {
		t.Fatalf("%d blocks ran:\n%s\n%s", len(printed)-1, said(t, out), said(t, log))
	}
	for i, s := range steps {
		t.Run(fmt.Sprintf("%s, %s", paste[i].heading, s.has), func(t *testing.T) { s.check(t, strings.TrimSpace(printed[i])) })
	}

	statuses := map[string]int{}
	for _, m := range regexp.MustCompile(`msg=request .*status=(\d+)`).FindAllStringSubmatch(said(t, log), -1) {
		statuses[m[1]]++
	}
	if statuses["422"] != 1 || statuses["200"] == 0 || statuses["201"] == 0 {
		t.Errorf("answers by status: %v", statuses)
	}
	for s, n := range statuses {
		if s != "422" && s != "429" && !strings.HasPrefix(s, "2") { // 429: polled too early, which the recipe expects
			t.Errorf("%d answers with status %s\n%s", n, s, said(t, log))
		}
	}
	if strings.Contains(said(t, log), "level=ERROR") {
		t.Errorf("the service's log:\n%s", said(t, log))
	}
}

func said(t *testing.T, path string) string {
	t.Helper()
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return string(data)
}

// created checks the answer to a transaction that creates resources.
func created(t *testing.T, out string, types ...string) {
	t.Helper()
	trees, rest := values(t, out)
	if len(trees) != 1 || rest != "" || text(trees[0], "type") != "transaction-response" || len(items(trees[0], "entry")) != len(types) {
		t.Fatalf("a transaction of %d entries: %s", len(types), out)
	}
	for i, e := range items(trees[0], "entry") {
		if text(e, "resource.resourceType") != types[i] || text(e, "response.status") != "201 Created" {
			t.Errorf("entry %d: %v", i, e)
		}
	}
}

// parquets wants the two tables, whole: Parquet begins and ends with PAR1
// (parquet.apache.org, file format).
func parquets(t *testing.T, dir string) {
	t.Helper()
	for _, name := range []string{"emptying-1.parquet", "drain-day-1.parquet"} {
		data, err := os.ReadFile(filepath.Join(dir, name))
		if err != nil {
			t.Error(err)
			continue
		}
		if s := string(data); len(s) < 12 || !strings.HasPrefix(s, "PAR1") || !strings.HasSuffix(s, "PAR1") {
			t.Errorf("%s is no Parquet file", name)
		}
	}
}

// TestREADMEFlags: the commands and flags that the README names are there, and
// it names every command.
func TestREADMEFlags(t *testing.T) {
	text := readme(t)
	helps := map[string]string{}
	help := func(command string) string {
		if helps[command] == "" {
			out, err := exec.Command(binary, append(strings.Fields(command), "--help")...).CombinedOutput()
			if err != nil {
				t.Errorf("tidemark %s --help: %v %s", command, err, out)
			}
			helps[command] = string(out) + "\n"
		}
		return helps[command]
	}
	has := func(help, flag string) bool {
		return regexp.MustCompile(`(?m)(^|[ ,\[])` + regexp.QuoteMeta(flag) + `(=|\s|$)`).MatchString(help)
	}
	_, table, _ := strings.Cut(text, "| command | does |\n")
	table, _, _ = strings.Cut(table, "\n\n")
	var named []string
	for line := range strings.Lines(table) {
		cell := strings.Split(line, "|")[1]
		for _, m := range regexp.MustCompile("`([a-z ]+)`").FindAllStringSubmatch(cell, -1) {
			named = append(named, m[1])
			help(m[1])
		}
	}
	if len(named) < 8 {
		t.Fatalf("the table names only %v", named)
	}
	all := ""
	for _, m := range regexp.MustCompile(`(?m)^  ([a-z]+(?: [a-z]+)?)(?: |$)`).FindAllStringSubmatch(help(""), -1) {
		if m[1] != "version" && !slices.Contains(named, m[1]) {
			t.Errorf("the README does not name the command %q", m[1])
		}
	}
	for _, n := range append(named, "version") {
		all += help(n)
	}
	flag := regexp.MustCompile(`(?:^|[\s\[(])(--[a-z][a-z-]+)`)
	// In the blocks each flag belongs to its command.
	lines := regexp.MustCompile("(?m)^.*tidemark (serve|token|export|import|simulate|demo|backup|restore|policy [a-z]+)\\b([^)\n|&]*)").FindAllStringSubmatch(strings.ReplaceAll(text, "\\\n", " "), -1)
	if len(lines) < 6 {
		t.Errorf("only %d lines call the program", len(lines))
	}
	checked := 0
	for _, l := range lines {
		for _, f := range flag.FindAllStringSubmatch(l[2], -1) {
			checked++
			if !has(help(l[1]), f[1]) {
				t.Errorf("tidemark %s has no %s, which the README names in %q", l[1], f[1], strings.TrimSpace(l[0]))
			}
		}
	}
	// In prose and tables it belongs to some command.
	prose := regexp.MustCompile("(?s)```.*?```").ReplaceAllString(text, "")
	for _, span := range regexp.MustCompile("`[^`]+`").FindAllString(prose, -1) {
		for _, f := range flag.FindAllStringSubmatch(strings.Trim(span, "`"), -1) {
			checked++
			if f[1] != "--help" && !has(all, f[1]) {
				t.Errorf("no command has %s, which the README names in %s", f[1], span)
			}
		}
	}
	if checked < 12 {
		t.Errorf("only %d flags were checked", checked)
	}
}
