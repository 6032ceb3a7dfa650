package main

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// A variable that looks like a setting and is none ends the program.
func TestUnknownSetting(t *testing.T) {
	t.Setenv("TIDEMARK_ISUER", "https://login.hospital.example")
	var out, errw bytes.Buffer
	if code := run([]string{"version"}, &out, &errw); code != 2 || !strings.Contains(errw.String(), "TIDEMARK_ISUER") || strings.Count(errw.String(), "\n") != 1 {
		t.Errorf("exit %d: %s", code, errw.String())
	}
	os.Unsetenv("TIDEMARK_ISUER")
	t.Setenv("TIDEMARK_ISSUER", "https://login.hospital.example")
	if code := run([]string{"version"}, &out, &errw); code != 0 {
		t.Errorf("exit %d with a setting that there is", code)
	}
}

// --keep names backups by the time, with the key, and keeps the newest; what
// else lies in the folder stays. A backup brings its key back.
func TestBackupKeep(t *testing.T) {
	dir := t.TempDir()
	data, to := filepath.Join(dir, "data"), filepath.Join(dir, "backups")
	do := func(args ...string) {
		t.Helper()
		var out, errw bytes.Buffer
		if code := run(args, &out, &errw); code != 0 {
			t.Fatalf("%v: exit %d: %s", args, code, errw.String())
		}
	}
	in := filepath.Join(dir, "in.ndjson")
	if err := os.WriteFile(in, []byte(`{"resourceType":"Patient","id":"p"}`+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	do("import", "--data", data, in)
	do("token", "--data", data, "--role", "nurse") // makes the key
	if err := os.MkdirAll(to, 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(to, "notes.txt"), nil, 0o600); err != nil {
		t.Fatal(err)
	}
	var newest []string
	for range 4 {
		do("backup", "--data", data, "--keep", "2", to)
		found, _ := filepath.Glob(filepath.Join(to, "tidemark-*.db"))
		newest = append(newest, found[len(found)-1])
	}
	found, _ := filepath.Glob(filepath.Join(to, "*"))
	if len(found) != 5 { // two backups, two keys, the notes
		t.Errorf("left: %v", found)
	}
	last := newest[3]
	for _, f := range []string{newest[2], last, strings.TrimSuffix(last, ".db") + ".key"} {
		if fi, err := os.Stat(f); err != nil || fi.Mode().Perm() != 0o600 {
			t.Errorf("%s: %v %v", f, fi, err)
		}
	}
	again := filepath.Join(dir, "again")
	do("restore", last, "--data", again)
	before, _ := os.ReadFile(filepath.Join(data, "token-key.json"))
	after, err := os.ReadFile(filepath.Join(again, "token-key.json"))
	if err != nil || !bytes.Equal(before, after) {
		t.Errorf("the key did not come back: %v", err)
	}
}
