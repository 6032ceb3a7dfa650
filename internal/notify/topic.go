package notify

import (
	"context"
	"errors"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/google/uuid"

	"tidemark/fhirmap"
	"tidemark/internal/fault"
	"tidemark/internal/fhirdate"
	"tidemark/internal/fhirjson"
	"tidemark/internal/search"
	"tidemark/internal/store"
)

// What the R5 Backport for R4 (hl7.fhir.uv.subscriptions-backport 1.1.0) defines
// and the service has of it.
const (
	backport      = "http://hl7.org/fhir/uv/subscriptions-backport/"
	filterBy      = backport + "StructureDefinition/backport-filter-criteria"
	heartbeatBy   = backport + "StructureDefinition/backport-heartbeat-period"
	timeoutBy     = backport + "StructureDefinition/backport-timeout"
	statusProfile = backport + "StructureDefinition/backport-subscription-status-r4"
	noticeProfile = backport + "StructureDefinition/backport-subscription-notification-r4"
)

const topicPrefix = fhirBase + "/SubscriptionTopic/"

// topic is what one may be told of.
type topic struct {
	name, focus string
	kinds       []string // of a concern's changes; nil: all that is told
}

// Kinds of what is told of a concern.
const (
	opened       = "opened"
	worse        = "worse"
	acknowledged = "acknowledged"
	closed       = "closed"
)

var topics = []topic{
	{"concern", "DetectedIssue", nil},
	{"concern-opened", "DetectedIssue", []string{opened}},
	{"concern-worse", "DetectedIssue", []string{worse}},
	{"concern-acknowledged", "DetectedIssue", []string{acknowledged}},
	{"concern-closed", "DetectedIssue", []string{closed}},
	{"drain-entry", "Observation", nil},
}

// Topics are the canonical URLs of the topics.
func (e *Engine) Topics() []string { return topicURLs() }

func topicURLs() []string {
	var out []string
	for _, t := range topics {
		out = append(out, topicPrefix+t.name)
	}
	return out
}

func (t *topic) url() string { return topicPrefix + t.name }

// content is how much a notification holds.
const (
	contentEmpty = "empty"
	contentID    = "id-only"
	contentFull  = "full-resource"
)

// maxPeriod bounds a heartbeat period, in seconds: a week.
const maxPeriod = 7 * 24 * 3600

// readTopic checks what a topic Subscription has in place of criteria. It reports
// false when the criteria are not a topic of ours: they are a search then.
func (r rules) readTopic(n *fhirjson.Node, s *subscription, most time.Duration, l *fault.List) bool {
	name, ok := strings.CutPrefix(n.Str("criteria"), topicPrefix)
	if !ok {
		return false
	}
	i := slices.IndexFunc(topics, func(t topic) bool { return t.name == name })
	if i < 0 {
		l.Add("not-supported", atCriteria, "There is no topic %q; there are %s.", shorten(name), strings.Join(topicURLs(), ", "))
		s.topic = &topics[0]
	} else {
		s.topic = &topics[i]
	}
	var filters []string
	for _, x := range n.Get("_criteria").Each("extension") {
		if x.Str("url") != filterBy {
			continue
		}
		typ, rest, found := strings.Cut(x.Str("valueString"), "?")
		if !found || typ != s.topic.focus || rest == "" {
			l.Add("value", "Subscription.criteria.extension", "A filter of this topic is a search on its focus, as in %s?location=Location/ward-a; %q is none.", s.topic.focus, shorten(x.Str("valueString")))
			continue
		}
		filters = append(filters, rest)
	}
	var err error
	if s.query, s.places, err = parseCriteria(s.topic.focus+"?"+strings.Join(filters, "&"), r.parse()); err != nil {
		e := *fault.Of(err)
		e.Issues = slices.Clone(e.Issues)
		for i := range e.Issues {
			e.Issues[i].Expression = []string{"Subscription.criteria.extension"}
		}
		l.Issues = append(l.Issues, e.Issues...)
	}
	c := n.Get("channel")
	s.content = ""
	for _, x := range c.Get("_payload").Each("extension") {
		switch x.Str("url") {
		case payloadContent:
			s.content = x.Str("valueCode")
		case payloadExtension:
			l.Add("not-supported", "Subscription.channel.payload", "Payload with-context is for criteria; with a topic, full-resource has the patient and the drain beside it.")
		}
	}
	if mime := c.Str("payload"); mime != "application/fhir+json" {
		l.Add("required", "Subscription.channel.payload", "A topic needs payload application/fhir+json, with any content; %q is not offered.", shorten(mime))
	}
	if !slices.Contains([]string{contentEmpty, contentID, contentFull}, s.content) {
		l.Add("required", "Subscription.channel.payload", "A topic needs the extension backport-payload-content: empty, id-only or full-resource.")
	}
	for _, x := range c.Each("extension") {
		var to *time.Duration
		switch x.Str("url") {
		case heartbeatBy:
			to = &s.heartbeat
		case timeoutBy:
			to = &s.timeout
		default:
			continue
		}
		var seconds int
		err := errors.New("none")
		if v := x.Get("valueUnsignedInt"); v != nil {
			seconds, err = strconv.Atoi(v.Text)
		}
		if err != nil || seconds < 1 || seconds > maxPeriod {
			l.Add("value", "Subscription.channel.extension", "%s is a valueUnsignedInt of 1 to %d seconds.", x.Str("url")[len(backport+"StructureDefinition/"):], maxPeriod)
			continue
		}
		*to = time.Duration(seconds) * time.Second
	}
	if most > 0 && s.timeout > most {
		s.timeout = most
	}
	return true
}

// triggers reports whether a change that passes the filters is one of the topic.
func (t *topic) triggers(ctx context.Context, s Store, v store.Version, n *fhirjson.Node, doc search.Doc) (bool, error) {
	if t.focus == "Observation" {
		return len(drainsOf(v.Key, doc)) > 0, nil
	}
	if v.Deleted() {
		return false, nil
	}
	var before *fhirjson.Node
	if v.Number > 1 {
		old, err := s.ReadVersion(ctx, v.Key, v.Number-1)
		if err != nil && !fault.Is(err, fault.NotFound) {
			return false, err
		}
		if err == nil && !old.Deleted() {
			if before, err = fhirjson.Parse(old.Body.JSON); err != nil {
				return false, fault.Wrap(err, "read "+v.Key.String())
			}
		}
	}
	kinds := kindsOf(before, n)
	return len(kinds) > 0 && (t.kinds == nil || slices.ContainsFunc(t.kinds, func(k string) bool { return slices.Contains(kinds, k) })), nil
}

// kindsOf are what a version of a concern tells; none where it tells nothing.
func kindsOf(before, n *fhirjson.Node) []string {
	if before == nil {
		return []string{opened} // one that was charted late is over already
	}
	if !fhirmap.Announces(before, n) {
		return nil
	}
	var out []string
	if len(n.Each("mitigation")) > len(before.Each("mitigation")) {
		out = append(out, acknowledged)
	}
	if reason, again := fhirmap.Announcement(before, n); again {
		switch reason {
		case "opened", "charted-late":
			out = append(out, opened)
		case "worse", "joined":
			out = append(out, worse)
		case "closed":
			out = append(out, closed)
		default:
			out = append(out, reason) // not acknowledged in time: of the topic of all
		}
	}
	if out == nil {
		out = append(out, "other")
	}
	return out
}

// told is one event as a notification names it.
type told struct {
	number int64
	at     time.Time
	focus  *store.Version // nil where nothing of it may be shown
	beside []store.Version
}

// teller makes notifications. It is the same for those that are sent and those
// that are asked for.
type teller struct {
	store   Store
	extract search.ExtractOptions
	base    string
}

// event is what may be shown of a change. What may be read decides for the version
// and for the current one, so that a label set meanwhile counts.
func (t teller) event(ctx context.Context, v store.Version, number int64, content string, may func(*fhirjson.Node) bool) (told, error) {
	e := told{number: number, at: v.At}
	if content == contentEmpty {
		return e, nil
	}
	n, err := t.tree(ctx, v)
	if err != nil || n == nil || !may(n) {
		return e, err
	}
	now, err := t.store.Read(ctx, v.Key)
	switch {
	case fault.Is(err, fault.NotFound):
	case err != nil:
		return e, err
	case now.Erased:
		return e, nil
	case now.Number != v.Number && !now.Deleted():
		current, err := fhirjson.Parse(now.Body.JSON)
		if err != nil || !may(current) {
			return e, err
		}
	}
	e.focus = &v
	doc := search.Extract(n, t.extract)
	var keys []store.Key
	for _, param := range []string{"patient", "subject"} {
		for _, ref := range doc.Refs(param) {
			if id, ok := strings.CutPrefix(ref, "Patient/"); ok {
				keys = append(keys, store.Key{Type: "Patient", ID: id})
			}
		}
	}
	for _, id := range drainsOf(v.Key, doc) {
		keys = append(keys, store.Key{Type: "Device", ID: id})
	}
	for i, k := range keys {
		if k == v.Key || slices.Contains(keys[:i], k) {
			continue
		}
		b, err := t.store.Read(ctx, k)
		if fault.Is(err, fault.NotFound) || err == nil && b.Deleted() {
			continue
		}
		if err != nil {
			return e, err
		}
		bn, err := fhirjson.Parse(b.Body.JSON)
		if err != nil {
			return e, fault.Wrap(err, "read "+k.String())
		}
		if may(bn) {
			e.beside = append(e.beside, b)
		}
	}
	return e, nil
}

// tree is what rights to a change are tested on: of a deletion, the version before.
func (t teller) tree(ctx context.Context, v store.Version) (*fhirjson.Node, error) {
	if v.Erased {
		return nil, nil
	}
	if v.Deleted() {
		before, err := t.store.ReadVersion(ctx, v.Key, v.Number-1)
		if fault.Is(err, fault.NotFound) || err == nil && before.Deleted() {
			return nil, nil
		}
		if err != nil {
			return nil, err
		}
		v = before
	}
	return fhirjson.Parse(v.Body.JSON)
}

// status is a SubscriptionStatus as the backport writes it for R4: Parameters.
func (t teller) status(id, topic, status, kind string, total int64, content, text string, events []told) *fhirjson.Node {
	name := func(n, value string, v any) *fhirjson.Node { return fhirjson.Obj("name", n, value, v) }
	params := []*fhirjson.Node{name("subscription", "valueReference", fhirjson.Obj("reference", t.base+"/Subscription/"+id))}
	if topic != "" {
		params = append(params, name("topic", "valueCanonical", topic))
	}
	params = append(params, name("status", "valueCode", status), name("type", "valueCode", kind))
	if total >= 0 {
		params = append(params, name("events-since-subscription-start", "valueString", strconv.FormatInt(total, 10)))
	}
	for _, e := range events {
		parts := []*fhirjson.Node{name("event-number", "valueString", strconv.FormatInt(e.number, 10)), name("timestamp", "valueInstant", fhirdate.Format(e.at))}
		if e.focus != nil && content != contentEmpty {
			parts = append(parts, name("focus", "valueReference", fhirjson.Obj("reference", t.base+"/"+e.focus.Key.String())))
			for _, b := range e.beside {
				parts = append(parts, name("additional-context", "valueReference", fhirjson.Obj("reference", t.base+"/"+b.Key.String())))
			}
		}
		params = append(params, fhirjson.Obj("name", "notification-event", "part", parts))
	}
	if text != "" {
		params = append(params, name("error", "valueCodeableConcept", fhirjson.Obj("text", text)))
	}
	return fhirjson.Obj("resourceType", "Parameters", "id", uuid.NewString(), "meta", fhirjson.Obj("profile", fhirjson.Arr(statusProfile)), "parameter", params)
}

// bundle is a notification. Its first entry is the status, with a request for
// $status beside it, since a history has one in each entry (R4, bdl-3).
func (t teller) bundle(id string, status *fhirjson.Node, at time.Time, content string, events []told) (*fhirjson.Node, error) {
	entries := []*fhirjson.Node{fhirjson.Obj(
		"fullUrl", "urn:uuid:"+status.Str("id"), "resource", status,
		"request", fhirjson.Obj("method", "GET", "url", t.base+"/Subscription/"+id+"/$status"),
		"response", fhirjson.Obj("status", "200"),
	)}
	if content == contentFull {
		seen := map[string]bool{}
		for _, e := range events {
			if e.focus == nil {
				continue
			}
			for i, v := range append([]store.Version{*e.focus}, e.beside...) {
				entry := fhirjson.Obj("fullUrl", t.base+"/"+v.Key.String())
				method, url, code := "GET", v.Key.String(), "200"
				if i == 0 {
					method = string(v.Method)
					switch {
					case v.Deleted():
						code = "204"
					case v.Number == 1:
						code = "201"
					}
					if v.Method == store.Post {
						url = v.Type
					}
				}
				at := v.Key.String() + "/" + strconv.FormatInt(v.Number, 10)
				if seen[at] {
					continue
				}
				seen[at] = true
				if !v.Deleted() {
					n, err := fhirjson.Parse(v.JSON())
					if err != nil {
						return nil, fault.Wrap(err, "read "+v.Key.String())
					}
					entry.Set("resource", n)
				}
				entry.Set("request", fhirjson.Obj("method", method, "url", url))
				entry.Set("response", fhirjson.Obj("status", code, "etag", `W/"`+strconv.FormatInt(v.Number, 10)+`"`, "lastModified", fhirdate.Format(v.At)))
				entries = append(entries, entry)
			}
		}
	}
	return fhirjson.Obj("resourceType", "Bundle", "id", uuid.NewString(), "meta", fhirjson.Obj("profile", fhirjson.Arr(noticeProfile)),
		"type", "history", "timestamp", fhirdate.Format(at), "entry", entries), nil
}

// MaxEvents is how many events one answer to $events has at most.
const MaxEvents = 100

// maxEventBytes is how much of resources it has at most, beside the first event.
const maxEventBytes = 4 << 20

// Status answers $status of stored Subscriptions: a searchset of their status.
func (e *Engine) Status(ctx context.Context, of []store.Version) (*fhirjson.Node, error) {
	entries := make([]*fhirjson.Node, 0, len(of))
	for _, v := range of {
		n, err := fhirjson.Parse(v.JSON())
		if err != nil {
			return nil, fault.Wrap(err, "read "+v.Key.String())
		}
		url, total := "", int64(-1)
		if strings.HasPrefix(n.Str("criteria"), topicPrefix) {
			url = n.Str("criteria")
			if total, _, err = e.logged(ctx, v.ID, n); err != nil {
				return nil, err
			}
		}
		status := e.teller().status(v.ID, url, n.Str("status"), "query-status", total, contentEmpty, n.Str("error"), nil)
		entries = append(entries, fhirjson.Obj("fullUrl", "urn:uuid:"+status.Str("id"), "resource", status, "search", fhirjson.Obj("mode", "match")))
	}
	b := fhirjson.Obj("resourceType", "Bundle", "id", uuid.NewString(), "type", "searchset", "timestamp", fhirdate.Format(e.now()), "total", len(of))
	if len(entries) > 0 { // an array in JSON is not empty
		b.Set("entry", &fhirjson.Node{Kind: fhirjson.Array, Items: entries})
	}
	return b, nil
}

// Events answers $events: what was told, or waits to be, from one number to
// another, at most MaxEvents. may says what the caller may read; what the owner
// may not is not shown either.
func (e *Engine) Events(ctx context.Context, v store.Version, from, until int64, content string, may func(*fhirjson.Node) bool) (*fhirjson.Node, error) {
	n, err := fhirjson.Parse(v.JSON())
	if err != nil {
		return nil, fault.Wrap(err, "read "+v.Key.String())
	}
	url := n.Str("criteria")
	if !strings.HasPrefix(url, topicPrefix) {
		return nil, fault.New(fault.Invalid, "not-supported", "Only Subscriptions to a topic number and keep their events; this one has criteria.")
	}
	owner, err := readOwner(n)
	if err != nil {
		return nil, err
	}
	own := contentEmpty
	for _, x := range n.Get("channel").Get("_payload").Each("extension") {
		if x.Str("url") == payloadContent {
			own = x.Str("valueCode")
		}
	}
	if content == "" {
		content = own
	}
	total, blocks, err := e.logged(ctx, v.ID, n)
	if err != nil {
		return nil, err
	}
	var oldest int64 = 1
	if len(blocks) > 0 {
		oldest = blocks[0].First
	}
	switch {
	case from == 0:
		from = oldest
	case from < oldest && from <= total:
		return nil, fault.New(fault.Gone, "too-long", "The events before number %d are no longer kept; ask from there on, and read the resources for what was before.", oldest)
	}
	if until == 0 || until > total {
		until = total
	}
	until = min(until, from+MaxEvents-1)
	t := e.teller()
	var events []told
	both := func(n *fhirjson.Node) bool { return may(n) && e.options.May(owner, n) }
	bytes := 0
	for _, b := range blocks {
		for i, seq := range b.Seqs {
			number := b.First + int64(i)
			if number < from || number > until || bytes > maxEventBytes {
				continue
			}
			versions, err := e.options.Store.Changes(ctx, seq-1, 1)
			if err != nil {
				return nil, err
			}
			if len(versions) == 0 || versions[0].Seq != seq {
				events = append(events, told{number: number, at: v.At})
				continue
			}
			one, err := t.event(ctx, versions[0], number, content, both)
			if err != nil {
				return nil, err
			}
			if one.focus != nil && content == contentFull {
				for _, r := range append([]store.Version{*one.focus}, one.beside...) {
					bytes += len(r.Body.JSON)
				}
				if bytes > maxEventBytes && len(events) > 0 {
					continue // of the next page
				}
			}
			events = append(events, one)
		}
	}
	status := t.status(v.ID, shownTopic(url, content), n.Str("status"), "query-event", total, content, n.Str("error"), events)
	return t.bundle(v.ID, status, e.now(), content, events)
}

// shownTopic is the topic where the content says more than that something is new.
func shownTopic(url, content string) string {
	if content == contentEmpty {
		return ""
	}
	return url
}

func (e *Engine) teller() teller {
	return teller{e.options.Store, e.options.Extract, e.sender.base}
}

// logged is what the log of a Subscription's present life holds.
func (e *Engine) logged(ctx context.Context, id string, n *fhirjson.Node) (total int64, blocks []block, err error) {
	owner, err := readOwner(n)
	if err != nil {
		return 0, nil, err
	}
	if blocks, err = readBlocks(ctx, e.options.Store, id, owner.Run); err != nil || len(blocks) == 0 {
		return 0, nil, err
	}
	last := blocks[len(blocks)-1]
	return last.First + int64(len(last.Seqs)) - 1, blocks, nil
}
