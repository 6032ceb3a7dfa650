package bench

import (
	"bytes"
	"cmp"
	"compress/gzip"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"maps"
	"net/http"
	"net/url"
	"runtime"
	"runtime/metrics"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"tidemark/internal/app"
	"tidemark/internal/auth"
	"tidemark/internal/budget"
	"tidemark/internal/search"
)

// costly is a request that costs as much as its kind can.
type costly struct {
	name, method, path string
	body               []byte
	header             []string
}

// worst are, for every route and class of parameters, the worst requests that a
// nurse's token can make.
func worst(h *hospital) []costly {
	var out []costly
	get := func(name, path string, query ...string) {
		q := url.Values{}
		for i := 0; i < len(query); i += 2 {
			q.Add(query[i], query[i+1])
		}
		if path += "?" + q.Encode(); len(path) > 30_000 {
			out = append(out, costly{name: name, method: "POST", path: strings.SplitN(path, "?", 2)[0] + "/_search", body: []byte(q.Encode()), header: []string{"Content-Type", "application/x-www-form-urlencoded"}})
			return
		}
		out = append(out, costly{name: name, method: "GET", path: path})
	}
	many := func(n int, text string) string {
		return strings.TrimSuffix(strings.Repeat(text+",", n), ",")
	}
	distinct := func(n int, format string) string {
		var all []string
		for i := range n {
			all = append(all, fmt.Sprintf(format, i))
		}
		return strings.Join(all, ",")
	}
	value := map[search.Kind]string{search.Token: "zz", search.String: "zz", search.URI: "http://zz", search.Reference: "Patient/zz", search.Date: "ne1900", search.Number: "ne0", search.Quantity: "ne0"}
	modifiers := map[search.Kind][]string{search.Token: {"text", "not", "missing"}, search.String: {"contains", "exact", "missing"}, search.URI: {"above", "below", "missing"},
		search.Reference: {"identifier", "missing"}, search.Date: {"missing"}, search.Number: {"missing"}, search.Quantity: {"missing"}}
	for _, typ := range search.Types() {
		get(typ, typ, "_count", "1000")
		get(typ+" counted", typ, "_summary", "count")
		get(typ+" history", typ+"/_history", "_count", "1000")
		for _, p := range search.Params(typ) {
			if p.Kind == search.Composite {
				continue
			}
			get(typ+" "+p.Name, typ, p.Name, value[p.Kind], "_count", "1000", "_total", "accurate")
			get(typ+" by "+p.Name, typ, "_sort", p.Name, "_count", "1000")
			for _, m := range modifiers[p.Kind] {
				v := value[p.Kind]
				if m == "missing" {
					v = "false"
				}
				get(typ+" "+p.Name+":"+m, typ, p.Name+":"+m, v, "_count", "1000", "_total", "accurate")
			}
		}
	}
	o := "Observation"
	get("1000 values", o, "value-string:contains", distinct(1000, "z%d"))
	get("2000 values", o, "value-string:contains", distinct(2000, "z%d"))
	get("100 parameters", o, slices.Repeat([]string{"value-string:contains", "z"}, 100)...)
	get("1000 parameters", o, slices.Repeat([]string{"value-string:contains", "z"}, 1000)...)
	get("_sort of 1000 keys", o, "_sort", many(1000, "status"))
	get("_sort of 8 keys", o, "_sort", "status,code,value-quantity,subject,performer,-device,category,-identifier")
	get("_elements of 100000", o, "_elements", many(100_000, "status"), "_count", "1000")
	get("_elements of 100", o, "_elements", distinct(100, "status.x%d"), "_count", "1000")
	get("every _include", o, "_include", "*", "_revinclude", "Provenance:target", "_include:iterate", "*", "_count", "1000")
	get("200 _include", o, slices.Repeat([]string{"_include", "Observation:subject", "_include", "Observation:device"}, 100)...)
	get("chain", o, "subject:Patient.name:contains", "a", "_count", "1000")
	get("_has", "Patient", "_has:Observation:patient:value-string:contains", "z")
	get("system search", "", "_count", "1000")
	get("system history", "_history", "_count", "1000")
	d, week := h.drains[0], h.now.Add(-400*24*time.Hour).Format(time.DateOnly)
	for _, place := range []string{h.ward, h.whole} {
		get("$escalation-status of "+place, "Location/"+place+"/$escalation-status")
		get("$emptying-due of "+place, "Location/"+place+"/$emptying-due")
	}
	get("$drain-output by hour of a year", "Device/"+d+"/$drain-output", "period", "hour", "start", week)
	get("$drain-output by day of a year", "Device/"+d+"/$drain-output", "period", "day", "start", week)
	get("$escalation-status", "Device/"+d+"/$escalation-status")
	get("$removal-review", "Device/"+d+"/$removal-review")
	get("$chart, large", "Device/"+d+"/$chart", "_format", "image/png", "width", "2400", "height", "2400", "dpi", "600")
	get("$chart, as large as may be", "Device/"+d+"/$chart", "_format", "image/png", "width", "595", "height", "420", "dpi", "430")
	get("$chart as SVG", "Device/"+d+"/$chart", "width", "2400", "height", "2400")
	get("$everything", "Device/"+d+"/$everything")
	get("$lastn", "Observation/$lastn", "max", "100", "category", "exam")
	patient := "Patient/" + strings.SplitN(d, "-d", 2)[0]
	get("$stats", "Observation/$stats", "subject", patient, "code", "9203-1", "system", "http://loinc.org", "duration", "10000", "statistic", "average,median,count", "include", "true")
	get("$everything of a patient", patient+"/$everything")
	get("AuditEvent", "AuditEvent", "_count", "1000", "entity", "Patient/zz")

	post := func(name, method, path string, body []byte, header ...string) {
		out = append(out, costly{name, method, path, body, header})
	}
	zipped := func(b []byte) []byte {
		var z bytes.Buffer
		w := gzip.NewWriter(&z)
		_, _ = w.Write(b) // of a buffer
		_ = w.Close()
		return z.Bytes()
	}
	zeros := []byte(`{"resourceType":"Bundle","type":"batch","entry":[` + many(8_000_000, "0") + `]}`)
	post("zeros, zipped", "POST", "", zipped(zeros), "Content-Encoding", "gzip")
	post("zeros of one resource, zipped", "POST", o, zipped([]byte(`{"resourceType":"Observation","component":[`+many(500_000, "0")+`]}`)), "Content-Encoding", "gzip")
	post("16 MiB", "POST", "", []byte(`{"resourceType":"Bundle","type":"batch","entry":[{"fullUrl":"`+strings.Repeat("a", 16<<20-100)+`"}]}`))
	post("17 MiB", "POST", "", []byte(`{"resourceType":"Bundle","type":"batch","entry":[{"fullUrl":"`+strings.Repeat("a", 17<<20)+`"}]}`))
	post("2 MiB of one resource", "POST", o, []byte(`{"resourceType":"Observation","note":"`+strings.Repeat("a", 2<<20)+`"}`))
	batch := func(n int, format string) []byte {
		var b bytes.Buffer
		b.WriteString(`{"resourceType":"Bundle","type":"batch","entry":[`)
		for i := range n {
			if i > 0 {
				b.WriteByte(',')
			}
			fmt.Fprintf(&b, `{"request":{"method":"GET","url":%q}}`, fmt.Sprintf(format, i))
		}
		b.WriteString("]}")
		return b.Bytes()
	}
	post("batch of 300 pages", "POST", "", batch(300, "Observation?_count=1000&x=%d"))
	post("batch of 300 wide searches", "POST", "", batch(300, "Observation?value-string:contains=z%d"))
	post("batch of 5000 reads", "POST", "", batch(5000, "Patient/%d"))
	post("batch of 300 ward answers", "POST", "", batch(300, "Location/"+h.whole+"/$emptying-due?x=%d"))
	post("transaction of 300 wide searches", "POST", "", bytes.Replace(batch(300, "Observation?value-string:contains=z%d"), []byte(`"batch"`), []byte(`"transaction"`), 1))
	one := h.later[0].body
	post("create, if none has a text", "POST", o, one, "If-None-Exist", "value-string:contains=zzz")
	post("create, if none is not", "POST", o, one, "If-None-Exist", "status:not=final&code:not=x")
	post("update what has a text", "PUT", o+"?value-string:contains=zzz", one)
	post("delete what has a text", "DELETE", o+"?value-string:contains=zzz", nil)
	at := o + "/" + h.ids[0]
	for _, n := range []int{1000, 10_000} {
		add := many(n, `{"op":"add","path":"/note/0","value":{"text":"a"}}`)
		post(fmt.Sprintf("JSON Patch of %d", n), "PATCH", at, zipped([]byte(`[{"op":"add","path":"/note","value":[]},`+add+`]`)), "Content-Encoding", "gzip", "Content-Type", "application/json-patch+json")
		test := many(n, `{"op":"test","path":"","value":{}}`)
		post(fmt.Sprintf("JSON Patch of %d tests", n), "PATCH", at, zipped([]byte(`[`+test+`]`)), "Content-Encoding", "gzip", "Content-Type", "application/json-patch+json")
		op := many(n, `{"name":"operation","part":[{"name":"type","valueCode":"add"},{"name":"path","valueString":"Observation"},{"name":"name","valueString":"note"},{"name":"value","valueAnnotation":{"text":"a"}}]}`)
		post(fmt.Sprintf("FHIRPath Patch of %d", n), "PATCH", at, zipped([]byte(`{"resourceType":"Parameters","parameter":[`+op+`]}`)), "Content-Encoding", "gzip")
	}
	post("$validate of 900 kB", "POST", o+"/$validate", []byte(`{"resourceType":"Observation","status":"final","code":{"text":"x"},"component":[`+many(9000, `{"code":{"coding":[{"system":"http://loinc.org","code":"1-1"}]},"valueString":"aaaaaaaaaaaaaaaaaaaa"}`)+`]}`))
	post("a resource of 900 kB", "POST", "Patient", []byte(`{"resourceType":"Patient","name":[`+many(30_000, `{"given":["a","b","c"]}`)+`]}`))
	return out
}

// asker sends costly requests.
type asker struct {
	tb    testing.TB
	base  string
	token string
	http  *http.Client
}

func newAsker(tb testing.TB, addr string, key *auth.LocalKey, subject string, now time.Time) *asker {
	scope, ok := auth.RoleScope("nurse")
	if !ok {
		tb.Fatal("there is no nurse")
	}
	token, err := key.Mint(auth.TokenRequest{Subject: "Practitioner/" + subject, Scope: scope, TTL: 72 * time.Hour, Now: now})
	if err != nil {
		tb.Fatal(err)
	}
	return &asker{tb, "http://" + addr + "/fhir", token, &http.Client{Transport: &http.Transport{MaxIdleConnsPerHost: 16}}}
}

func (a *asker) ask(ctx context.Context, c costly) (status int, body []byte, err error) {
	req, err := http.NewRequestWithContext(ctx, c.method, strings.TrimSuffix(a.base+"/"+c.path, "/"), bytes.NewReader(c.body))
	if err != nil {
		return 0, nil, err
	}
	req.Header.Set("Authorization", "Bearer "+a.token)
	if c.body != nil {
		req.Header.Set("Content-Type", "application/fhir+json")
	}
	for i := 0; i < len(c.header); i += 2 {
		req.Header.Set(c.header[i], c.header[i+1])
	}
	res, err := a.http.Do(req)
	if err != nil {
		return 0, nil, err
	}
	defer res.Body.Close()
	body, err = io.ReadAll(res.Body)
	return res.StatusCode, body, err
}

// charged gathers what requests have cost.
type charged struct {
	mu  sync.Mutex
	all []budget.Cost
}

func (c *charged) add(x budget.Cost) { c.mu.Lock(); defer c.mu.Unlock(); c.all = append(c.all, x) }
func (c *charged) take() (most budget.Cost) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, x := range c.all {
		most = budget.Cost{Rows: max(most.Rows, x.Rows), Values: max(most.Values, x.Values), Bytes: max(most.Bytes, x.Bytes)}
	}
	c.all = nil
	return most
}

// within serves a copy of the hospital with a budget, and tells what requests cost.
func (h *hospital) within(tb testing.TB, most budget.Cost, told func(budget.Cost)) *site {
	tb.Helper()
	s := &site{dir: h.copy(tb)}
	s.clock.Store(h.now.Unix())
	a, err := app.New(context.Background(), app.Config{
		Listen: "127.0.0.1:0", Data: s.dir, Clock: func() time.Time { return time.Unix(s.clock.Load(), 0) }, Version: "bench",
		Most: most, Charged: told, Readings: 500,
		Logger: slog.New(slog.NewTextHandler(io.Discard, &slog.HandlerOptions{Level: slog.LevelError})),
	})
	if err != nil {
		tb.Fatal(err)
	}
	s.App = a
	s.App.Start()
	return s
}

// TestCost: none of the worst requests costs more than a request may, by the
// account of rows, JSON values and bytes; what is refused is refused with what to
// change. The budget is as much smaller than in use as the hospital is.
func TestCost(t *testing.T) {
	h := fill(t, short, t.TempDir())
	most := budget.Cost{Rows: 3000, Values: 20_000, Bytes: 400_000}
	var told charged
	s := h.within(t, most, told.add)
	defer s.stop(t)
	nurse := newAsker(t, s.Addr(), s.Key(), "nurse", h.now)
	refused := map[int]int{}
	for _, c := range worst(h) {
		status, body, err := nurse.ask(context.Background(), c)
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		spent := told.take()
		// A step is charged when it is made: what ends a request is over by one. Bytes
		// may be refused before they are held.
		const row, resource = 1, 100_000
		if spent.Rows > most.Rows+row || spent.Values > most.Values+resource || spent.Bytes > most.Bytes+resource && status < 400 {
			t.Errorf("%s: cost %+v, more than %+v (status %d)", c.name, spent, most, status)
		}
		switch status {
		case 413, 422, 429:
			refused[status]++
			var o struct {
				ResourceType string
				Issue        []struct{ Code, Diagnostics string }
			}
			if json.Unmarshal(body, &o) != nil || o.ResourceType != "OperationOutcome" || len(o.Issue) == 0 || len(o.Issue[0].Diagnostics) < 30 {
				t.Errorf("%s: %d does not say what to change: %.200s", c.name, status, body)
			}
		case 200, 201, 204, 400, 403, 404, 405, 412:
		default:
			t.Errorf("%s: %d %.200s", c.name, status, body)
		}
		if len(body) > 8*int(most.Bytes) {
			t.Errorf("%s: an answer of %d bytes", c.name, len(body))
		}
	}
	if refused[422] < 20 || refused[413] < 5 {
		t.Errorf("refused were only %v", refused)
	}
	// What a nurse does goes on under the same budget.
	for _, path := range []string{"Observation/" + h.ids[0], "Device/" + h.drains[0] + "/$escalation-status", "Observation?device=Device/" + h.drains[0] + "&_sort=-date&_count=20"} {
		if status, body, err := nurse.ask(context.Background(), costly{method: "GET", path: path}); status != 200 {
			t.Errorf("%s: %d %v %.200s", path, status, err, body)
		}
	}
}

// figure is what a request has cost the machine.
type figure struct {
	name   string
	status int
	cpu    time.Duration
	peak   float64 // MB of heap and stacks above what was there before
	took   time.Duration
	spent  budget.Cost
}

func processor() time.Duration {
	var u syscall.Rusage
	if syscall.Getrusage(syscall.RUSAGE_SELF, &u) != nil {
		return 0
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

func memory() float64 {
	s := []metrics.Sample{{Name: "/memory/classes/heap/objects:bytes"}, {Name: "/memory/classes/heap/stacks:bytes"}}
	metrics.Read(s)
	return float64(s[0].Value.Uint64()+s[1].Value.Uint64()) / 1e6
}

// peak watches the memory until it is asked.
func peak() func() float64 {
	runtime.GC()
	before := memory()
	var most atomic.Uint64
	stop := make(chan struct{})
	done := make(chan struct{})
	go func() {
		defer close(done)
		for {
			select {
			case <-stop:
				return
			case <-time.After(2 * time.Millisecond):
				most.Store(max(most.Load(), uint64(max(0, memory()-before)*1000)))
			}
		}
	}()
	return func() float64 { close(stop); <-done; return float64(most.Load()) / 1000 }
}

// BenchmarkCost makes each of the worst requests alone and prints the twenty that
// take most of the processor and of memory; then charting, alone and beside a
// client that makes the worst ten over four connections.
func BenchmarkCost(b *testing.B) {
	each(b, func(b *testing.B, sc scale, h *hospital) {
		var told charged
		s := h.within(b, budget.Cost{}, told.add)
		defer s.stop(b)
		nurse := newAsker(b, s.Addr(), s.Key(), "nurse", h.now)
		var all []figure
		requests := map[string]costly{}
		for _, c := range worst(h) {
			requests[c.name] = c
			watch := peak()
			began, cpu := time.Now(), processor()
			status, _, err := nurse.ask(context.Background(), c)
			f := figure{c.name, status, processor() - cpu, watch(), time.Since(began), told.take()}
			if err != nil {
				b.Logf("%s: %v", c.name, err)
			}
			all = append(all, f)
		}
		table := func(title string, less func(a, b figure) int) []figure {
			slices.SortFunc(all, less)
			say(b, "%s, of %d requests", title, len(all))
			for _, f := range all[:min(20, len(all))] {
				say(b, "  %-44.44s %3d  %6.2f CPU s %7.1f MB %6.2f s  %7d rows %8d values %6.1f MB", f.name, f.status, f.cpu.Seconds(), f.peak, f.took.Seconds(), f.spent.Rows, f.spent.Values, float64(f.spent.Bytes)/1e6)
			}
			return all
		}
		table("most memory (with the client's own, in this process)", func(a, b figure) int { return cmp.Compare(b.peak, a.peak) })
		bad := slices.Clone(table("most of the processor", func(a, b figure) int { return cmp.Compare(b.cpu, a.cpu) })[:10])
		say(b, "statuses %v", tally(all))

		chart := &charting{newAsker(b, s.Addr(), s.Key(), "charting", h.now), h.later}
		p50, p99 := chart.run(func(e entry) { s.pass(e.at.Add(time.Minute)) })
		say(b, "charting alone: p50 %.1f ms, p99 %.1f ms", ms(p50), ms(p99))
		var abuse []costly
		for _, f := range bad {
			abuse = append(abuse, requests[f.name])
		}
		stop, _ := bombard([]*asker{newAsker(b, s.Addr(), s.Key(), "abusive", h.now)}, 4, abuse)
		p50, p99 = chart.run(func(e entry) { s.pass(e.at.Add(time.Minute)) })
		say(b, "charting beside an abusive client (%v): p50 %.1f ms, p99 %.1f ms", stop(), ms(p50), ms(p99))
		b.ReportMetric(0, "ns/op")
	})
}

// charting posts one emptying after another over one connection, for 15 s at a time.
type charting struct {
	*asker
	later []entry
}

func (c *charting) run(before func(entry)) (p50, p99 time.Duration) {
	c.tb.Helper()
	var took []time.Duration
	for end := time.Now().Add(15 * time.Second); time.Now().Before(end) && len(c.later) > 0; c.later = c.later[1:] {
		e := c.later[0]
		before(e)
		began := time.Now()
		if status, body, err := c.ask(context.Background(), costly{method: "POST", path: "Observation", body: e.body}); status != 201 && status != 422 {
			c.tb.Fatalf("charting: %d %v %.300s", status, err, body)
		}
		took = append(took, time.Since(began))
		time.Sleep(10 * time.Millisecond)
	}
	if len(took) == 0 {
		c.tb.Fatal("nothing is left to chart")
	}
	slices.Sort(took)
	return took[len(took)/2], took[len(took)*99/100]
}

// bombard has the clients make the requests in turn, over and over, each on so many
// connections, until it is stopped; that returns how many answers of each status there
// were. asked is how many requests were begun.
func bombard(clients []*asker, connections int, requests []costly) (stop func() map[int]int, asked func() int) {
	ctx, cancel := context.WithCancel(context.Background())
	var wg sync.WaitGroup
	var mu sync.Mutex
	count := map[int]int{}
	var next atomic.Int64
	for _, c := range clients {
		for range connections {
			wg.Go(func() {
				for ctx.Err() == nil {
					status, _, err := c.ask(ctx, requests[int(next.Add(1)-1)%len(requests)])
					mu.Lock()
					if err == nil {
						count[status]++
					} else if ctx.Err() == nil {
						count[0]++
					}
					mu.Unlock()
				}
			})
		}
	}
	return func() map[int]int { cancel(); wg.Wait(); return count }, func() int { return int(next.Load()) }
}

// BenchmarkCostTogether is the program itself, with its usual limits: charting alone,
// beside one client with the ten worst requests on four connections, and beside eight
// clients that make all of the worst at once; then its memory, and how long it takes
// to stop in the middle of that.
func BenchmarkCostTogether(b *testing.B) {
	bin := program(b)
	each(b, func(b *testing.B, sc scale, h *hospital) {
		dir := h.copy(b)
		key, err := auth.OpenLocalKey(dir)
		if err != nil {
			b.Fatal(err)
		}
		p := launch(b, bin, dir)
		now := time.Now()
		all := worst(h)
		// The same ten as found by BenchmarkCost: searches that find nothing in what
		// they have to read, a whole hospital, large bodies.
		var ten []costly
		for _, name := range []string{"Observation value-string:contains", "Observation date", "Observation by status", "batch of 300 pages", "batch of 300 wide searches",
			"$escalation-status of " + h.whole, "$emptying-due of " + h.whole, "16 MiB", "zeros, zipped", "create, if none has a text"} {
			if i := slices.IndexFunc(all, func(c costly) bool { return c.name == name }); i >= 0 {
				ten = append(ten, all[i])
			} else {
				b.Fatalf("there is no request %q", name)
			}
		}
		nothing := func(entry) {}
		chart := &charting{newAsker(b, p.base, key, "charting", now), h.later}
		p50, p99 := chart.run(nothing)
		_, idle := p.resident(b)
		say(b, "charting alone: p50 %.1f ms, p99 %.1f ms; %.0f MB at most", ms(p50), ms(p99), idle)
		stop, _ := bombard([]*asker{newAsker(b, p.base, key, "abusive", now)}, 4, ten)
		p50, p99 = chart.run(nothing)
		counts := stop()
		_, one := p.resident(b)
		say(b, "beside one abusive client: p50 %.1f ms, p99 %.1f ms; %.0f MB at most; answers %v", ms(p50), ms(p99), one, counts)
		var eight []*asker
		for i := range 8 {
			eight = append(eight, newAsker(b, p.base, key, fmt.Sprintf("abusive-%d", i), now))
		}
		stop, asked := bombard(eight, 4, all)
		p50, p99 = chart.run(nothing)
		for asked() < len(all) {
			time.Sleep(time.Second)
		}
		_, most := p.resident(b)
		began := time.Now()
		p.stop(b)
		took := time.Since(began)
		say(b, "beside eight with all %d: p50 %.1f ms, p99 %.1f ms; %.0f MB at most; answers %v; stopped after %.1f s", len(all), ms(p50), ms(p99), most, stop(), took.Seconds())
		b.ReportMetric(0, "ns/op")
	})
}

func tally(all []figure) string {
	n := map[int]int{}
	for _, f := range all {
		n[f.status]++
	}
	var out []string
	for _, k := range slices.Sorted(maps.Keys(n)) {
		out = append(out, fmt.Sprintf("%d: %d", k, n[k]))
	}
	return strings.Join(out, ", ")
}
