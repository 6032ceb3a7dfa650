package notify

import (
	"context"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"tidemark/internal/fault"
	"tidemark/internal/fhirjson"
	"tidemark/internal/search"
)

const receiver = "https://receiver.example.org/notify"

func hookEngine(tb testing.TB) *Engine {
	m := newMemory()
	o := options(tb, m, m.update, "receiver.example.org:443", "127.0.0.1:9000", "*:8443")
	o.Now = func() time.Time { return time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC) }
	return New(o)
}

func TestCriteria(t *testing.T) {
	for _, c := range []struct{ in, names string }{
		{"Observation?code=http://loinc.org|9203-1", ""},
		{"Observation", ""},
		{"Observation?", ""},
		{"DetectedIssue?implicated=Device/d1", ""},
		{"Device?patient=Patient/p1", ""},
		{"Observation?code:not=a&_id=1&_lastUpdated=gt2026", ""},
		{"DetectedIssue?severity=high,moderate&location=Location/ward-a,ward-b", ""},
		{"DetectedIssue?location:missing=true", "location"},
		{"DetectedIssue?location=Patient/p1", "location"},
		{"DetectedIssue?location=", "location"},
		{"", "begin with"},
		{"/Observation?code=a", "begin with"},
		{"https://x.example.org/fhir/Observation?code=a", "begin with"},
		{"Patient?name=x", "begin with"},
		{"Observation?nonsense=1", "nonsense"},
		{"Observation?code:nonsense=1", "nonsense"},
		{"Observation?subject:Patient.name=x", "chained"},
		{"Observation?_has:Provenance:target:agent=x", "_has"},
		{"Observation?_count=5", "_count"},
		{"Observation?_sort=date", "_sort"},
		{"Observation?_include=Observation:subject", "_include"},
		{"Observation?_summary=true", "_summary"},
		{"Observation?code=", "code"},
		{"Observation?code=a&code=,", "value"},
		{"Observation?date=yesterday", "date"},
		{"Observation?code=%zz", "escape"},
	} {
		q, _, err := parseCriteria(c.in, search.ParseOptions{})
		switch {
		case c.names == "" && err != nil:
			t.Errorf("%q: %v", c.in, err)
		case c.names == "" && !strings.HasPrefix(c.in, q.Type):
			t.Errorf("%q: type %q", c.in, q.Type)
		case c.names == "":
		case !fault.Is(err, fault.Rule) || !strings.Contains(err.Error(), c.names) || !strings.HasPrefix(err.Error(), atCriteria):
			t.Errorf("%q: %v, want a refusal (422) that names %q", c.in, err, c.names)
		}
	}
}

func FuzzCriteria(f *testing.F) {
	for _, s := range []string{"Observation?code=a|b,c", "Device?_id=1&_id=2", "Observation?a.b=c", "DetectedIssue?implicated=Device/1", "Observation?%", "Observation?code=,"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		q, places, err := parseCriteria(s, search.ParseOptions{})
		if err != nil {
			if !fault.Is(err, fault.Rule) {
				t.Fatalf("%q: %v is not a refusal", s, err)
			}
			return
		}
		// What is accepted narrows at least by each parameter that was written.
		_, rest, _ := strings.Cut(s, "?")
		pairs, err := search.ParsePairs(rest)
		if err != nil || len(q.Where)+len(places) < len(pairs) {
			t.Fatalf("%q: %d parameters, %d clauses (%v)", s, len(pairs), len(q.Where), err)
		}
	})
}

func TestHookJudgesTheChannel(t *testing.T) {
	set := func(path string, v *fhirjson.Node) func(*fhirjson.Node) {
		return func(n *fhirjson.Node) {
			if name, ok := strings.CutPrefix(path, "channel."); ok {
				n.Get("channel").Set(name, v)
				return
			}
			n.Set(path, v)
		}
	}
	header := func(lines ...any) func(*fhirjson.Node) { return set("channel.header", fhirjson.Arr(lines...)) }
	content := func(code string) func(*fhirjson.Node) {
		return set("channel._payload", fhirjson.Obj("extension", fhirjson.Arr(fhirjson.Obj("url", payloadContent, "valueCode", code))))
	}
	for what, c := range map[string]struct {
		change func(*fhirjson.Node)
		at     string // "" when it is accepted
	}{
		"as it is":           {func(*fhirjson.Node) {}, ""},
		"no payload":         {func(n *fhirjson.Node) { n.Get("channel").Delete("payload") }, ""},
		"id-only":            {content("id-only"), ""},
		"empty":              {content("empty"), ""},
		"unknown content":    {content("half"), "Subscription.channel.payload"},
		"id-only, no MIME":   {func(n *fhirjson.Node) { content("id-only")(n); n.Get("channel").Delete("payload") }, "Subscription.channel.payload"},
		"xml":                {set("channel.payload", fhirjson.Str("application/fhir+xml")), "Subscription.channel.payload"},
		"active":             {set("status", fhirjson.Str("active")), "Subscription.status"},
		"error":              {set("status", fhirjson.Str("error")), "Subscription.status"},
		"no status":          {func(n *fhirjson.Node) { n.Delete("status") }, "Subscription.status"},
		"websocket":          {set("channel.type", fhirjson.Str("websocket")), "Subscription.channel.type"},
		"no channel":         {func(n *fhirjson.Node) { n.Delete("channel") }, "Subscription.channel.type"},
		"end to come":        {set("end", fhirjson.Str("2026-03-02T00:00:00Z")), ""},
		"end past":           {set("end", fhirjson.Str("2026-03-01T11:59:59Z")), "Subscription.end"},
		"end without time":   {set("end", fhirjson.Str("2026-03-02")), "Subscription.end"},
		"criteria":           {set("criteria", fhirjson.Str("Observation?x=y")), "Subscription.criteria"},
		"other host":         {set("channel.endpoint", fhirjson.Str("https://other.example.org/")), "Subscription.channel.endpoint"},
		"other port":         {set("channel.endpoint", fhirjson.Str("https://receiver.example.org:444/")), "Subscription.channel.endpoint"},
		"other scheme":       {set("channel.endpoint", fhirjson.Str("http://receiver.example.org/")), "Subscription.channel.endpoint"},
		"port by name":       {set("channel.endpoint", fhirjson.Str("http://RECEIVER.example.org.:443/")), ""},
		"listed loopback":    {set("channel.endpoint", fhirjson.Str("http://127.0.0.1:9000/")), ""},
		"loopback":           {set("channel.endpoint", fhirjson.Str("http://127.0.0.1:8443/")), "Subscription.channel.endpoint"},
		"loopback in v6":     {set("channel.endpoint", fhirjson.Str("http://[::ffff:127.0.0.1]:8443/")), "Subscription.channel.endpoint"},
		"localhost":          {set("channel.endpoint", fhirjson.Str("http://localhost:8443/")), "Subscription.channel.endpoint"},
		"metadata service":   {set("channel.endpoint", fhirjson.Str("http://169.254.169.254:8443/")), "Subscription.channel.endpoint"},
		"public by wildcard": {set("channel.endpoint", fhirjson.Str("https://any.example.net:8443/x")), ""},
		"user in the URL":    {set("channel.endpoint", fhirjson.Str("https://u:p@receiver.example.org/")), "Subscription.channel.endpoint"},
		"query in the URL":   {set("channel.endpoint", fhirjson.Str(receiver+"?key=1")), "Subscription.channel.endpoint"},
		"no URL":             {set("channel.endpoint", fhirjson.Str("receiver")), "Subscription.channel.endpoint"},
		"file":               {set("channel.endpoint", fhirjson.Str("file:///etc/passwd")), "Subscription.channel.endpoint"},
		"header":             {header("X-Ward: 3", "X-Ward: 4"), ""},
		"header, line break": {header("X-Ward: 3\r\nHost: x"), "Subscription.channel.header"},
		"header, no colon":   {header("X-Ward"), "Subscription.channel.header"},
		"header, bad name":   {header("X Ward: 3"), "Subscription.channel.header"},
		"Host":               {header("host: x"), "Subscription.channel.header"},
		"Content-Length":     {header("content-length: 3"), "Subscription.channel.header"},
		"Transfer-Encoding":  {header("Transfer-Encoding: chunked"), "Subscription.channel.header"},
		"Connection":         {header("Connection: close"), "Subscription.channel.header"},
		"ours":               {header("tidemark-sequence: 1"), "Subscription.channel.header"},
	} {
		n := request(receiver)
		c.change(n)
		err := hookEngine(t).Hook(context.Background(), caller(t, "Practitioner/n1", "user/*.cruds"), n, nil)
		switch {
		case c.at == "" && err != nil:
			t.Errorf("%s: %v", what, err)
		case c.at != "" && (!fault.Is(err, fault.Rule) || !strings.Contains(err.Error(), c.at)):
			t.Errorf("%s: %v, want a refusal (422) at %s", what, err, c.at)
		}
	}
}

func TestHookKeepsTheOwner(t *testing.T) {
	e, ctx := hookEngine(t), context.Background()
	nurse := caller(t, "Practitioner/n1", "user/Observation.rs?code=a user/Subscription.cruds")
	forged := fhirjson.Obj("url", Canonical, "valueString", `{"subject":"Practitioner/chief","scope":"system/*.cruds"}`)
	kept := fhirjson.Obj("url", "http://example.org/other", "valueString", "x")
	n := request(receiver)
	n.Set("extension", fhirjson.Arr(forged, kept, forged))
	if err := e.Hook(ctx, nurse, n, nil); err != nil {
		t.Fatal(err)
	}
	o, err := readOwner(n)
	if err != nil || o.Subject != nurse.Subject || o.Scope != nurse.Scopes.String() || o.Run == "" {
		t.Fatalf("owner %+v, %v", o, err)
	}
	if got := o.Principal(); got.Subject != nurse.Subject || got.Client != nurse.Client || got.Scopes.String() != nurse.Scopes.String() {
		t.Errorf("principal %+v", got)
	}
	shown := n.Clone()
	Redact(shown)
	if text := string(shown.Bytes()); strings.Contains(text, Canonical) || strings.Contains(text, "s3cr3t") || !strings.Contains(text, "http://example.org/other") {
		t.Errorf("shown: %s", text)
	}

	t.Run("without the right to read", func(t *testing.T) {
		err := e.Hook(ctx, caller(t, "x", "user/Subscription.cruds user/Device.rs"), request(receiver), nil)
		if !fault.Is(err, fault.Forbidden) {
			t.Error(err)
		}
	})
	t.Run("without a token", func(t *testing.T) {
		if err := e.Hook(ctx, nil, request(receiver), nil); !fault.Is(err, fault.Unauthenticated) {
			t.Error(err)
		}
	})
	t.Run("a run lasts until off", func(t *testing.T) {
		again := shown.Clone()
		if err := e.Hook(ctx, nurse, again, n); err != nil {
			t.Fatal(err)
		}
		if o2, _ := readOwner(again); o2.Run != o.Run {
			t.Error("requested again: another run")
		}
		off := shown.Clone()
		off.Set("status", fhirjson.Str("off"))
		if err := e.Hook(ctx, nurse, off, n); err != nil {
			t.Fatal(err)
		}
		on := shown.Clone()
		if err := e.Hook(ctx, nurse, on, off); err != nil {
			t.Fatal(err)
		}
		if o2, _ := readOwner(on); o2.Run == o.Run {
			t.Error("on after off: the same run")
		}
	})
	t.Run("anybody may switch off", func(t *testing.T) {
		off := shown.Clone()
		off.Set("status", fhirjson.Str("off"))
		if err := e.Hook(ctx, caller(t, "Practitioner/n2", "user/Subscription.u"), off, n); err != nil {
			t.Fatal(err)
		}
		if o2, _ := readOwner(off); o2 != o {
			t.Errorf("owner is now %+v", o2)
		}
	})
}

func TestHeaderValuesStayWithOwnerAndReceiver(t *testing.T) {
	e, ctx := hookEngine(t), context.Background()
	owner, other := caller(t, "Practitioner/n1", "user/*.cruds"), caller(t, "Practitioner/n2", "user/*.cruds")
	before := request(receiver)
	if err := e.Hook(ctx, owner, before, nil); err != nil {
		t.Fatal(err)
	}
	shown := before.Clone()
	Redact(shown)
	moved := func(n *fhirjson.Node) *fhirjson.Node {
		n = n.Clone()
		n.Get("channel").Set("endpoint", fhirjson.Str("https://thief.example.net:8443/"))
		return n
	}
	value := func(n *fhirjson.Node) string { return n.Get("channel").Each("header")[0].Text }

	same := shown.Clone()
	if err := e.Hook(ctx, owner, same, before); err != nil || value(same) != "Authorization: "+secret {
		t.Errorf("masked value sent back: %v, %s", err, value(same))
	}
	fresh := moved(shown)
	fresh.Get("channel").Set("header", fhirjson.Arr("Authorization: another"))
	if err := e.Hook(ctx, other, fresh, before); err != nil || value(fresh) != "Authorization: another" {
		t.Errorf("new value by another: %v, %s", err, value(fresh))
	}
	for what, c := range map[string]struct {
		n     *fhirjson.Node
		owner bool
	}{
		"masked, other receiver":         {moved(shown), true},
		"masked, by another":             {shown.Clone(), false},
		"patched, other receiver, other": {moved(before), false},
		"patched, by another":            {before.Clone(), false},
	} {
		who := other
		if c.owner {
			who = owner
		}
		if err := e.Hook(ctx, who, c.n, before); !fault.Is(err, fault.Rule) || strings.Contains(err.Error(), "s3cr3t") {
			t.Errorf("%s: %v", what, err)
		}
	}
	create := shown.Clone()
	if err := e.Hook(ctx, owner, create, nil); !fault.Is(err, fault.Rule) {
		t.Errorf("masked value in a create: %v", err)
	}
}

// What a client reads and sends back is what was stored.
func TestRedactThenHookIsIdentity(t *testing.T) {
	e, who := hookEngine(t), caller(t, "Practitioner/n1", "user/*.cruds")
	rapid.Check(t, func(t *rapid.T) {
		var headers []*fhirjson.Node
		for _, h := range rapid.SliceOfN(rapid.StringMatching(`(X-A|X-B|Authorization) ?: ?[a-zA-Z0-9=]{0,12}`), 0, 5).Draw(t, "headers") {
			headers = append(headers, fhirjson.Str(h))
		}
		n := request(receiver)
		n.Get("channel").Delete("header")
		if len(headers) > 0 {
			n.Get("channel").Set("header", &fhirjson.Node{Kind: fhirjson.Array, Items: headers})
		}
		if err := e.Hook(context.Background(), who, n, nil); err != nil {
			t.Fatal(err)
		}
		again := n.Clone()
		Redact(again)
		if err := e.Hook(context.Background(), who, again, n); err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(string(n.Bytes()), string(again.Bytes())); d != "" {
			t.Fatal(d)
		}
	})
}

func TestTargetsRefuseNonsense(t *testing.T) {
	for _, s := range []string{"", "host", "host:", ":80", "host:0", "host:99999", "host:http", "https://host:443"} {
		if _, err := ParseTargets([]string{s}); err == nil {
			t.Errorf("%q is taken for a target", s)
		}
	}
	u, _ := url.Parse("https://[2001:db8::1]/x")
	if got := target(u); got != "[2001:db8::1]:443" {
		t.Error(got)
	}
}
