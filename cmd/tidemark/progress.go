package main

import (
	"fmt"
	"io"
	"os"
	"time"

	"github.com/schollz/progressbar/v3"
)

// lineEvery is how often progress is told where no bar can be drawn.
const lineEvery = 10 * time.Second

// progress is a bar on standard error where that is a terminal, and elsewhere, as
// in a log, a line every ten seconds. The bar goes away when it is finished, so
// that the words behind it begin a line.
func progress(e *env, total int64, words string, more ...progressbar.Option) *progressbar.ProgressBar {
	out := e.err
	if !terminal(out) {
		out = io.Discard // an invisible bar would not count
	}
	bar := progressbar.NewOptions64(total, append([]progressbar.Option{
		progressbar.OptionSetWriter(out), progressbar.OptionSetDescription(words),
		progressbar.OptionThrottle(200 * time.Millisecond), progressbar.OptionClearOnFinish(),
		// A spinner that turns by itself reads the bar without its lock (v3.19.1).
		progressbar.OptionSetSpinnerChangeInterval(0),
	}, more...)...)
	if out == io.Discard {
		go lines(e.err, bar, words, time.NewTicker(lineEvery))
	}
	return bar
}

// lines tells how far a bar is, until it is finished.
func lines(w io.Writer, bar *progressbar.ProgressBar, words string, tick *time.Ticker) {
	defer tick.Stop()
	for range tick.C {
		if bar.IsFinished() {
			return
		}
		s := bar.State()
		if s.Max > 0 {
			fmt.Fprintf(w, "%s: %.0f %%, %d of %d, %.0f a second, %.0f s so far\n", words, s.CurrentPercent*100, s.CurrentNum, s.Max, float64(s.CurrentNum)/max(s.SecondsSince, 1), s.SecondsSince)
			continue
		}
		// Of an unknown total, CurrentNum is only the place of the spinner (v3.19.1).
		fmt.Fprintf(w, "%s: %.0f, %.0f a second, %.0f s so far\n", words, s.CurrentBytes, s.CurrentBytes/max(s.SecondsSince, 1), s.SecondsSince)
	}
}

// counting shows how many are done, of how many where that is known.
func counting() []progressbar.Option {
	return []progressbar.Option{progressbar.OptionShowCount()}
}

func terminal(w io.Writer) bool {
	f, ok := w.(*os.File)
	if !ok {
		return false
	}
	fi, err := f.Stat()
	return err == nil && fi.Mode()&os.ModeCharDevice != 0
}

// plural writes a number with its noun.
func plural(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}
