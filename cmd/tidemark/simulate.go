package main

import (
	"bufio"
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"hash/maphash"
	"io"
	"os"
	"os/signal"
	"strconv"
	"syscall"
	"time"

	"github.com/alecthomas/kong"
	"github.com/schollz/progressbar/v3"

	"tidemark/internal/bulk"
	"tidemark/internal/sim"
	"tidemark/internal/store"
)

// hospital is what hospital to simulate.
type hospital struct {
	Wards    int    `help:"Number of wards." default:"1"`
	Patients int    `help:"Patients of each ward." default:"30"`
	Days     int    `help:"Days charted, up to now." default:"5"`
	Seed     uint64 `help:"Seed: the same one gives the same hospital." default:"1"`
	Zone     string `help:"Time zone of the wards." default:"UTC" placeholder:"AREA/CITY"`
	End      string `help:"Instant that the charting reaches; now when left out." placeholder:"INSTANT"`
	Events   int    `help:"Instead of the usual courses: drains that heal, and so many in a hundred of them with one event at a random time, to measure rules on." placeholder:"PERCENT"`

	Tidy      bool    `help:"A ward that works and charts by the book: none of the following."`
	Scatter   float64 `help:"Scatter of what forms between emptyings (coefficient of variation, in percent)." default:"${scatter}"`
	Misjudged float64 `help:"Looks misjudged by one rank, in percent." default:"${misjudged}"`
	Boluses   float64 `help:"Intervals with a bolus after a walk or milking, in percent." default:"${boluses}"`
	Rounds    float64 `help:"How early and late rounds are (standard deviation, in minutes)." default:"${rounds}"`
	Skipped   float64 `help:"Rounds that pass a drain by, in percent." default:"${skipped}"`
	Cups      float64 `help:"Emptyings charted in two cups, in percent." default:"${cups}"`
	Doubles   float64 `help:"Emptyings that two people chart, in percent." default:"${doubles}"`
	Corrected float64 `help:"Entries that are wrong at first and put right later, in percent." default:"${corrected}"`
	Late      float64 `help:"Entries charted one to six hours late, in percent." default:"${late}"`
	Vessels   float64 `help:"Readings with the wrong vessel charted, in percent." default:"${vessels}"`
	Exact     bool    `help:"Readings to 0.1 mL, not to the vessel's graduation."`
}

// untidiness is the defaults of the flags, for kong.
func untidiness() kong.Vars {
	u := sim.Usual()
	v := kong.Vars{}
	for name, x := range map[string]float64{
		"scatter": u.Scatter, "misjudged": u.Misjudged, "boluses": u.Boluses, "rounds": u.Rounds, "skipped": u.Skipped, "cups": u.Cups,
		"doubles": u.Doubles, "corrected": u.Corrected, "late": u.Late, "vessels": u.Vessels,
	} {
		v[name] = strconv.FormatFloat(x, 'f', -1, 64)
	}
	return v
}

type simulateCmd struct {
	hospital `embed:""`
	To       string `help:"FHIR base URL of a server to post to, instead of writing NDJSON." placeholder:"URL"`
	Token    string `help:"Bearer token for --to."`
	Out      string `short:"o" help:"File for the NDJSON; standard output when left out." type:"path" placeholder:"FILE"`
	Truth    string `help:"File for what really happened, as NDJSON: drain, event, onset, end." type:"path" placeholder:"FILE"`
}

func (c *hospital) options() (sim.Options, error) {
	o := sim.Options{Seed: c.Seed, Wards: c.Wards, Patients: c.Patients, Days: c.Days, End: time.Now().Truncate(time.Minute), Events: c.Events}
	if c.Wards < 1 || c.Patients < 1 || c.Days < 1 {
		return o, fmt.Errorf("--wards, --patients and --days are numbers from 1")
	}
	if !c.Tidy {
		o.Untidy = sim.Untidy{
			Scatter: c.Scatter, Misjudged: c.Misjudged, Boluses: c.Boluses, Rounds: c.Rounds, Skipped: c.Skipped, Cups: c.Cups,
			Doubles: c.Doubles, Corrected: c.Corrected, Late: c.Late, Vessels: c.Vessels, Exact: c.Exact,
		}
	}
	for name, x := range map[string]float64{
		"events": float64(c.Events), "misjudged": c.Misjudged, "boluses": c.Boluses, "skipped": c.Skipped, "cups": c.Cups, "doubles": c.Doubles,
		"corrected": c.Corrected, "late": c.Late, "vessels": c.Vessels, "scatter": c.Scatter / 2, "rounds": c.Rounds / 2,
	} {
		if !(x >= 0 && x <= 100) {
			return o, fmt.Errorf("--%s is a number from 0 to 100; --scatter and --rounds go to 200", name)
		}
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
	bar := progress(e, int64(sim.Count(o).Steps), "simulating", counting()...)
	defer bar.Finish() // a bar that cannot be drawn is no reason to stop
	if c.Truth == "" {
		return c.run(e, o, bar)
	}
	f, err := os.Create(c.Truth)
	if err != nil {
		return fmt.Errorf("cannot write %s (%w)", c.Truth, err)
	}
	w := json.NewEncoder(f)
	var failed error
	o.Truth = func(t sim.Event) { failed = cmp.Or(failed, w.Encode(t)) }
	err = c.run(e, o, bar)
	if failed = errors.Join(failed, f.Close()); failed != nil {
		failed = fmt.Errorf("cannot write %s (%w)", c.Truth, failed)
	}
	return cmp.Or(err, failed)
}

func (c *simulateCmd) run(e *env, o sim.Options, bar *progressbar.ProgressBar) error {
	if c.To != "" {
		ctx, stop := signal.NotifyContext(context.Background(), syscall.SIGINT, syscall.SIGTERM)
		defer stop()
		counts, err := c.post(ctx, o, e, bar)
		_ = bar.Finish()
		if err != nil && ctx.Err() != nil {
			fmt.Fprintln(e.err, counts)
			return &exit{1, errors.New("interrupted; what was posted stays. A file from --out, brought in with tidemark import --to, goes on where it was cut off")}
		}
		return conclude(ctx, e, counts, "", err)
	}
	if c.Out == "" {
		return c.write(e, o, e.out, bar)
	}
	f, err := os.Create(c.Out)
	if err != nil {
		return fmt.Errorf("cannot write %s (%w)", c.Out, err)
	}
	return errors.Join(c.write(e, o, f, bar), f.Close())
}

// write writes the resources as they are in the end, each once: an import of
// the file that is repeated must not bring back what was corrected. Each stands
// where it first came up, so that references lead to what stands before.
func (c *simulateCmd) write(e *env, o sim.Options, w io.Writer, bar *progressbar.ProgressBar) error {
	last := lastly(o)
	b := bufio.NewWriterSize(w, 1<<20)
	n, line := 0, []byte(nil)
	for st := range sim.Steps(o) {
		_ = bar.Add(1)
		line = st.AppendJSON(line[:0])
		key := store.Key{Type: st.Type, ID: st.ID}
		if in, ok := last[key]; ok {
			line, last[key] = append(line[:0], in...), nil // once
		}
		if len(line) > 0 {
			line = append(line, '\n')
			if _, err := b.Write(line); err != nil {
				return fmt.Errorf("cannot write (%w)", err)
			}
			n++
		}
	}
	if err := b.Flush(); err != nil {
		return fmt.Errorf("cannot write (%w)", err)
	}
	_ = bar.Finish()
	fmt.Fprintln(e.err, "written", n)
	return nil
}

// lastly gives each resource that has more than one step, and some others, as
// it is in the end, nil where it is deleted. Which resources came before is kept
// as bits of a hash, so that a large hospital fits into memory.
func lastly(o sim.Options) map[store.Key][]byte {
	o.Truth = nil                                   // once is enough
	bits := uint64(64 * (sim.Count(o).Steps/4 + 1)) // 16 a step
	seen := make([]uint64, bits/64)
	seed := maphash.MakeSeed()
	last := map[store.Key][]byte{}
	for st := range sim.Steps(o) {
		key := store.Key{Type: st.Type, ID: st.ID}
		h := maphash.Comparable(seed, key) % bits
		if seen[h/64]&(1<<(h%64)) != 0 {
			last[key] = st.AppendJSON(nil)
		}
		seen[h/64] |= 1 << (h % 64)
	}
	return last
}

// post sends the steps in batches of one transaction each, in order.
func (c *simulateCmd) post(ctx context.Context, o sim.Options, e *env, bar *progressbar.ProgressBar) (bulk.Counts, error) {
	var counts bulk.Counts
	cl, err := newCaller("--to", c.To, c.Token)
	if err != nil {
		return counts, err
	}
	const size = 100
	var body bytes.Buffer
	seen := map[string]bool{}
	count := 0
	flush := func() error {
		if count == 0 {
			return nil
		}
		body.WriteString("]}")
		counts.Read += count
		_, err := cl.post(ctx, body.Bytes(), "return=minimal")
		switch {
		case err == nil:
			counts.Written += count
		case bulk.Refusal(err):
			counts.Refused += count
			_ = bar.Clear()
			fmt.Fprintf(e.err, "refused: a transaction of %d resources: %v\n", count, err)
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
				return counts, err
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
	err = flush()
	return counts, err
}
