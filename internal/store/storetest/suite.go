// Package storetest owns the definition of a correct store: one suite that
// every engine passes, by calling Run. It is imported by tests only, and says
// nothing about how an engine does it.
package storetest

import (
	"flag"
	"fmt"
	"strings"
	"testing"

	"tidemark/internal/store"
)

// Ability is something that a deployment of an engine may lack.
type Ability string

// Abilities. A test that needs one is left out when Run is told to skip it,
// and fails when the store does not offer it.
const (
	Transactions Ability = "transactions" // several writes in one Commit
	Reopening    Ability = "reopening"    // the store is a Reopener
	Sharing      Ability = "sharing"      // the store is a Sharer
	Bulk         Ability = "bulk"         // tens of thousands of writes take seconds, not minutes
)

// Reopener closes the store as a stopped process would, and opens its data again.
type Reopener interface{ Reopen(testing.TB) store.Store }

// Sharer opens the data of an open store a second time, as another process would.
type Sharer interface{ Second(testing.TB) store.Store }

// test is one promise of the interface.
type test struct {
	name  string
	needs Ability // "" for none
	slow  bool    // left out by -short
	run   func(t *testing.T, s store.Store)
}

// Run runs the suite. open returns an empty store that is closed when its test
// ends and takes its documents from Extract. It fails when a listed test did
// not run for another reason than those that the caller can see.
func Run(t *testing.T, open func(testing.TB) store.Store, skip ...Ability) {
	t.Helper()
	ran := map[string]bool{}
	var left []string
	engine := ""
	for _, c := range tests() {
		if ran[c.name] {
			t.Fatalf("two tests are named %q", c.name)
		}
		if reason := leftOut(c, skip); reason != "" {
			left = append(left, c.name+" ("+reason+")")
			continue
		}
		t.Run(c.name, func(t *testing.T) {
			ran[c.name] = true
			s := open(t)
			engine = fmt.Sprintf("%T", s)
			c.run(t, s)
		})
		if !ran[c.name] && !filtered() {
			t.Errorf("%s did not run", c.name)
		}
	}
	t.Logf("storetest: engine %s, %d of %d tests ran", engine, len(ran), len(tests()))
	if len(left) > 0 {
		t.Logf("storetest: left out: %s", strings.Join(left, ", "))
	}
	if len(ran) == 0 && !filtered() {
		t.Error("storetest: no test ran")
	}
}

func leftOut(c test, skip []Ability) string {
	for _, a := range skip {
		if c.needs == a {
			return "without " + string(a)
		}
	}
	if c.slow && testing.Short() {
		return "-short"
	}
	return ""
}

// filtered reports whether go test was asked for single tests.
func filtered() bool {
	for _, name := range []string{"test.run", "test.skip"} {
		if f := flag.Lookup(name); f != nil && strings.Contains(f.Value.String(), "/") {
			return true
		}
	}
	return false
}

// tests lists all.
func tests() []test {
	var all []test
	for _, part := range [][]test{writeTests, searchTests, historyTests, scanTests, linearTests, factTests, serviceTests, eraseTests, modelTests} {
		all = append(all, part...)
	}
	return all
}
