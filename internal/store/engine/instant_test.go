package engine

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"
)

func TestInstants(t *testing.T) {
	at := time.Date(2042, 3, 1, 12, 0, 0, 1_234_567, time.UTC)
	if got := OfMilli(Milli(at)); !got.Equal(at.Truncate(time.Millisecond)) {
		t.Error(got)
	}
	if got := OfMilli(Millis(at)); !got.Equal(at.Truncate(time.Millisecond).Add(time.Millisecond)) {
		t.Error(got)
	}
	if got := OfMicro(Micro(at)); !got.Equal(at.Truncate(time.Microsecond)) {
		t.Error(got)
	}
	if got := Moment(Micros(at)); !got.Equal(at.Truncate(time.Microsecond)) || Micros(time.Time{}) != nil || !Moment(nil).IsZero() {
		t.Error(got)
	}
	if got := OfMicro(Bound(at, 0)); !got.Equal(at.Truncate(time.Microsecond).Add(time.Microsecond)) || Bound(time.Time{}, -7) != -7 {
		t.Error(got)
	}
}

// Which unit a number of a store has, only this package knows.
func TestUnitsStandHere(t *testing.T) {
	direct := regexp.MustCompile(`\.?Unix(Milli|Micro|Nano)?\(`)
	for _, dir := range []string{"../sqlite", "../mongo"} {
		files, err := filepath.Glob(dir + "/*.go")
		if err != nil || len(files) == 0 {
			t.Fatal(dir, err)
		}
		for _, f := range files {
			if strings.HasSuffix(f, "_test.go") {
				continue
			}
			b, err := os.ReadFile(f)
			if err != nil {
				t.Fatal(err)
			}
			if m := direct.Find(b); m != nil {
				t.Errorf("%s converts an instant by itself: %s", f, m)
			}
		}
	}
}
