package notify

import (
	"net/http"
	"net/textproto"
	"net/url"
	"slices"
	"strings"
	"time"

	"tidemark/internal/fault"
	"tidemark/internal/fhirdate"
	"tidemark/internal/fhirjson"
	"tidemark/internal/search"
	"tidemark/internal/store"
)

// payload is what a delivery carries.
type payload int

const (
	none payload = iota
	idOnly
	full
	withContext
)

// payloadContent is the extension of the backport that selects id-only.
const payloadContent = "http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition/backport-payload-content"

// Extensions of our own on channel.payload and channel.
const (
	payloadExtension = fhirBase + "/StructureDefinition/subscription-payload"
	secretExtension  = fhirBase + "/StructureDefinition/subscription-secret"
)

// leastSecret is the length of a secret, in bytes: that of the hash (RFC 2104, 3).
const leastSecret = 32

// subscription is a Subscription that can be served.
type subscription struct {
	id       string
	version  int64 // meta.versionId
	seq      int64
	query    search.Query
	places   [][]string // ids of Locations: one of each
	status   string
	text     string // Subscription.error
	secret   []byte // what deliveries are signed with; nil: they are not
	endpoint *url.URL
	header   http.Header
	payload  payload
	// With a topic:
	topic     *topic // nil: criteria
	content   string
	heartbeat time.Duration // 0: none
	timeout   time.Duration // 0: the service's
	end       time.Time     // zero: none
	owner     Owner
}

// rules are what a Subscription is checked by.
type rules struct {
	targets Targets
	parse   func() search.ParseOptions
	timeout time.Duration // the longest for one request
}

// read checks a Subscription and returns what serving it needs, without an owner.
func (r rules) read(n *fhirjson.Node, now time.Time) (subscription, error) {
	var l fault.List
	var s subscription
	var err error
	onTopic := r.readTopic(n, &s, r.timeout, &l)
	if onTopic {
		// It was read above.
	} else if s.query, s.places, err = parseCriteria(n.Str("criteria"), r.parse()); err != nil {
		e := fault.Of(err)
		if e.Kind != fault.Rule {
			return s, err
		}
		l.Issues = append(l.Issues, e.Issues...)
	}
	c := n.Get("channel")
	if t := c.Str("type"); t != "rest-hook" {
		l.Add("not-supported", "Subscription.channel.type", "Channel %q is not offered; use rest-hook.", shorten(t))
	}
	s.endpoint = r.readEndpoint(c.Str("endpoint"), &l)
	if !onTopic {
		s.payload = readPayload(c, &l)
	}
	s.header = readHeaders(c, &l)
	if n := secretOf(c); n != nil {
		if s.secret = []byte(n.Text); len(s.secret) < leastSecret {
			l.Add("value", "Subscription.channel.extension", "The secret that deliveries are signed with needs at least %d bytes; openssl rand -base64 32 makes one.", leastSecret)
		}
	}
	if n.Get("end") != nil {
		if s.end, err = fhirdate.Instant(n.Str("end")); err != nil {
			l.Add("value", "Subscription.end", "end is not an instant: %v", err)
		} else if !s.end.After(now) {
			l.Add("business-rule", "Subscription.end", "end has passed; give a moment in the future or leave it out.")
		}
	}
	return s, l.As(fault.Rule)
}

// load is read for a stored version.
func (r rules) load(n *fhirjson.Node, v store.Version, now time.Time) (subscription, error) {
	s, err := r.read(n, now)
	if err != nil {
		return s, err
	}
	s.id, s.version, s.seq = v.ID, v.Number, v.Seq
	s.status, s.text = n.Str("status"), n.Str("error")
	s.owner, err = readOwner(n)
	return s, err
}

func (r rules) readEndpoint(text string, l *fault.List) *url.URL {
	const at = "Subscription.channel.endpoint"
	u, err := url.Parse(text)
	switch {
	case err != nil || text == "" || u.Opaque != "" || u.Hostname() == "" || u.Port() != "" && !isPort(u.Port()):
		l.Add("value", at, "A rest-hook needs the absolute URL of the receiver, as in https://receiver.example.org/notify.")
	case u.Scheme != "http" && u.Scheme != "https":
		l.Add("not-supported", at, "The endpoint must be http or https.")
	case u.User != nil || u.RawQuery != "" || u.ForceQuery || u.Fragment != "":
		l.Add("value", at, "The endpoint must not contain a user, query or fragment: anyone who may read the Subscription sees it. Put credentials into channel.header.")
	case !r.targets.admits(u):
		l.Add("forbidden", at, "%s is not among the receivers that this service may call; ask its operator to add exactly that host and port.", shorten(target(u)))
	default:
		return u
	}
	return nil
}

func readPayload(c *fhirjson.Node, l *fault.List) payload {
	const at = "Subscription.channel.payload"
	p := none
	switch mime := c.Str("payload"); mime {
	case "":
	case "application/fhir+json":
		p = full
	default:
		l.Add("not-supported", at, "Payload %q is not offered; use application/fhir+json, or none for an empty notification.", shorten(mime))
		return none
	}
	for _, x := range c.Get("_payload").Each("extension") {
		switch content := x.Str("valueCode"); {
		case x.Str("url") == payloadExtension && content != "with-context":
			l.Add("value", at, "Payload %q is not known; use with-context.", shorten(content))
		case x.Str("url") == payloadExtension && p == none:
			l.Add("required", at, "Payload with-context needs payload application/fhir+json.")
		case x.Str("url") == payloadExtension:
			return withContext
		}
		if x.Str("url") != payloadContent {
			continue
		}
		content := x.Str("valueCode")
		switch {
		case content == "empty":
			return none
		case content != "id-only" && content != "full-resource":
			l.Add("value", at, "Payload content %q is not known; use empty, id-only or full-resource.", shorten(content))
		case p == none:
			l.Add("required", at, "Payload content %s needs payload application/fhir+json.", content)
		case content == "id-only":
			return idOnly
		}
	}
	return p
}

// ours are the header fields that a subscription may not set: those that frame the
// message or belong to one connection (RFC 9110, 7.6.1), and the service's own.
var ours = []string{"Host", "Content-Length", "Content-Type", "Content-Encoding", "Connection", "Proxy-Connection", "Proxy-Authorization",
	"Proxy-Authenticate", "Keep-Alive", "Te", "Trailer", "Transfer-Encoding", "Upgrade", "Expect", "Http2-Settings",
	"Content-Digest", "Signature", "Signature-Input", sequenceHeader, subscriptionHeader, numberHeader}

// headerText splits a line of channel.header.
func headerText(line string) (name, value string, ok bool) {
	name, value, ok = strings.Cut(line, ":")
	return strings.TrimRight(name, " \t"), strings.Trim(value, " \t"), ok
}

// secretOf is the value that holds the secret of a channel; nil when there is none.
func secretOf(channel *fhirjson.Node) *fhirjson.Node {
	for _, x := range channel.Each("extension") {
		if x.Str("url") == secretExtension {
			return x.Get("valueString")
		}
	}
	return nil
}

func readHeaders(c *fhirjson.Node, l *fault.List) http.Header {
	const at = "Subscription.channel.header"
	out := http.Header{}
	for _, h := range c.Each("header") {
		name, value, ok := headerText(h.Text)
		canonical := textproto.CanonicalMIMEHeaderKey(name)
		switch {
		case h.Kind != fhirjson.String || !ok || !isToken(name):
			l.Add("value", at, "A header is a line such as Authorization: Bearer …; one line here has no valid name in front of a colon.")
		case !isFieldValue(value):
			l.Add("value", at, "The value of header %s holds a line break or another control character.", name)
		case slices.Contains(ours, canonical):
			l.Add("forbidden", at, "Header %s belongs to the connection and cannot be set by a subscription; leave it out.", name)
		default:
			out.Add(canonical, value)
		}
	}
	return out
}

func isToken(s string) bool {
	for _, r := range s {
		if r <= ' ' || r >= 0x7f || strings.ContainsRune(`"(),/:;<=>?@[\]{}`, r) {
			return false
		}
	}
	return s != "" && len(s) <= 128
}

func isFieldValue(s string) bool {
	for i := range len(s) {
		if s[i] < ' ' && s[i] != '\t' || s[i] == 0x7f {
			return false
		}
	}
	return len(s) <= 8192
}
