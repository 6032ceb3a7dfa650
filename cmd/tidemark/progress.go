package main

import (
	"io"
	"os"
	"time"

	"github.com/schollz/progressbar/v3"
)

// progress is a bar on standard error where that is a terminal, and nothing
// elsewhere: in a log or a pipe it would bury what is said. It goes away when it
// is finished, so that the words behind it begin a line.
func progress(e *env, total int64, words string, more ...progressbar.Option) *progressbar.ProgressBar {
	return progressbar.NewOptions64(total, append([]progressbar.Option{
		progressbar.OptionSetWriter(e.err), progressbar.OptionSetDescription(words), progressbar.OptionSetVisibility(terminal(e.err)),
		progressbar.OptionThrottle(200 * time.Millisecond), progressbar.OptionClearOnFinish(),
		// A spinner that turns by itself reads the bar without its lock (v3.19.1).
		progressbar.OptionSetSpinnerChangeInterval(0),
	}, more...)...)
}

func counting() []progressbar.Option {
	return []progressbar.Option{progressbar.OptionShowCount(), progressbar.OptionShowIts()}
}

func terminal(w io.Writer) bool {
	f, ok := w.(*os.File)
	if !ok {
		return false
	}
	fi, err := f.Stat()
	return err == nil && fi.Mode()&os.ModeCharDevice != 0
}
