package main

import (
	"bufio"
	"bytes"
	"fmt"
	"io"
	"net/http"
	"os"
	"strings"
	"time"

	"github.com/schollz/progressbar/v3"

	"tidemark/internal/sim"
)

type simulateCmd struct {
	Wards    int    `help:"Number of wards." default:"1"`
	Patients int    `help:"Patients of each ward." default:"30"`
	Days     int    `help:"Days charted, up to now." default:"5"`
	Seed     uint64 `help:"Seed: the same one gives the same hospital." default:"1"`
	Zone     string `help:"Time zone of the wards." default:"UTC" placeholder:"AREA/CITY"`
	End      string `help:"Instant that the charting reaches; now when left out." placeholder:"INSTANT"`
	To       string `help:"FHIR base URL of a server to post to, instead of writing NDJSON." placeholder:"URL"`
	Token    string `help:"Bearer token for --to."`
	Out      string `short:"o" help:"File for the NDJSON; standard output when left out." type:"path" placeholder:"FILE"`
}

func (c *simulateCmd) options() (sim.Options, error) {
	o := sim.Options{Seed: c.Seed, Wards: c.Wards, Patients: c.Patients, Days: c.Days, End: time.Now().Truncate(time.Minute)}
	if c.Wards < 1 || c.Patients < 1 || c.Days < 1 {
		return o, fmt.Errorf("--wards, --patients and --days are numbers from 1")
	}
	var err error
	if o.Zone, err = time.LoadLocation(c.Zone); err != nil {
		return o, fmt.Errorf("--zone %q is not a time zone such as Europe/Berlin", c.Zone)
	}
	if c.End != "" {
		if o.End, err = time.Parse(time.RFC3339, c.End); err != nil {
			return o, fmt.Errorf("--end %q is not an instant such as 2026-11-25T07:00:00Z", c.End)
		}
	}
	return o, nil
}

func (c *simulateCmd) Run(e *env) error {
	o, err := c.options()
	if err != nil {
		return err
	}
	bar := progress(e, sim.Count(o).Steps, "simulating")
	if c.To != "" {
		return c.post(e, o, bar)
	}
	var w io.Writer = e.out
	if c.Out != "" {
		f, err := os.Create(c.Out)
		if err != nil {
			return fmt.Errorf("cannot write %s (%w)", c.Out, err)
		}
		defer f.Close()
		w = f
	}
	b := bufio.NewWriterSize(w, 1<<20)
	// NDJSON holds the resources as they are in the end: a corrected entry
	// stands once more behind the first, and an importer takes the last.
	n, line := 0, []byte(nil)
	for st := range sim.Steps(o) {
		if line = st.AppendJSON(line[:0]); len(line) > 0 {
			line = append(line, '\n')
			if _, err := b.Write(line); err != nil {
				return fmt.Errorf("cannot write (%w)", err)
			}
			n++
		}
		_ = bar.Add(1) // a bar that cannot be drawn is no reason to stop
	}
	if err := b.Flush(); err != nil {
		return fmt.Errorf("cannot write (%w)", err)
	}
	_ = bar.Finish()
	fmt.Fprintf(e.err, "\nwritten %d\n", n)
	return nil
}

// post sends the steps in batches of one transaction each, in order.
func (c *simulateCmd) post(e *env, o sim.Options, bar *progressbar.ProgressBar) error {
	base := strings.TrimSuffix(c.To, "/")
	client := &http.Client{Timeout: 2 * time.Minute}
	const size = 100
	var body bytes.Buffer
	seen := map[string]bool{}
	count, written, refused := 0, 0, 0
	flush := func() error {
		if count == 0 {
			return nil
		}
		body.WriteString("]}")
		err := c.send(client, base, body.Bytes())
		if err == nil {
			written += count
		} else if _, ok := err.(refusal); ok {
			refused += count
			fmt.Fprintf(e.err, "\nrefused: %v\n", err)
			err = nil
		}
		_ = bar.Add(count)
		body.Reset()
		count = 0
		clear(seen)
		return err
	}
	var line []byte
	for st := range sim.Steps(o) {
		key := st.Type + "/" + st.ID
		if seen[key] || count == size {
			if err := flush(); err != nil {
				return err
			}
		}
		if count == 0 {
			body.WriteString(`{"resourceType":"Bundle","type":"transaction","entry":[`)
		} else {
			body.WriteByte(',')
		}
		line = st.AppendJSON(line[:0])
		if len(line) > 0 {
			fmt.Fprintf(&body, `{"resource":%s,"request":{"method":%q,"url":%q}}`, line, st.Method, key)
		} else {
			fmt.Fprintf(&body, `{"request":{"method":"DELETE","url":%q}}`, key)
		}
		seen[key] = true
		count++
	}
	if err := flush(); err != nil {
		return err
	}
	_ = bar.Finish()
	fmt.Fprintf(e.err, "\nread %d, written %d, skipped 0, refused %d\n", written+refused, written, refused)
	if refused > 0 {
		return &exit{1, fmt.Errorf("%d resources were refused", refused)}
	}
	return nil
}

// refusal is a server's no, after which the next batch may still do.
type refusal string

func (r refusal) Error() string { return string(r) }

func (c *simulateCmd) send(client *http.Client, base string, body []byte) error {
	for try := 0; ; try++ {
		req, err := http.NewRequest(http.MethodPost, base, bytes.NewReader(body))
		if err != nil {
			return fmt.Errorf("--to %q is not a URL", c.To)
		}
		req.Header.Set("Content-Type", "application/fhir+json")
		req.Header.Set("Prefer", "return=minimal")
		req.Header.Set("Authorization", "Bearer "+c.Token)
		res, err := client.Do(req)
		if err != nil {
			return fmt.Errorf("%s does not answer; is the service running there?", base)
		}
		text, _ := io.ReadAll(io.LimitReader(res.Body, 2000))
		res.Body.Close()
		switch {
		case res.StatusCode < 300:
			return nil
		case res.StatusCode == http.StatusUnauthorized, res.StatusCode == http.StatusForbidden:
			return fmt.Errorf("the server refuses the token (%d); mint one with tidemark token --role integration", res.StatusCode)
		case res.StatusCode == http.StatusTooManyRequests && try < 20, res.StatusCode == http.StatusServiceUnavailable && try < 5:
			time.Sleep(time.Second)
		default:
			return refusal(fmt.Sprintf("%d %s", res.StatusCode, strings.TrimSpace(string(text))))
		}
	}
}

// progress is a bar on standard error.
func progress(e *env, total int, words string) *progressbar.ProgressBar {
	return progressbar.NewOptions(total, progressbar.OptionSetWriter(e.err), progressbar.OptionSetDescription(words),
		progressbar.OptionShowCount(), progressbar.OptionShowIts(), progressbar.OptionThrottle(200*time.Millisecond))
}
