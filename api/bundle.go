package api

import (
	"context"
	"encoding/base64"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"tidemark/internal/auth"
	"tidemark/internal/budget"
	"tidemark/internal/fault"
	"tidemark/internal/fhirjson"
	"tidemark/internal/r4"
	"tidemark/internal/search"
	"tidemark/internal/store"
	"tidemark/internal/ward"
)

// MaxEntries is how many entries a batch or transaction may have.
const MaxEntries = 5000

func (s *Server) bundle(ctx context.Context, in *Interaction) (*Answer, error) {
	if in.InBundle {
		return nil, fault.New(fault.Invalid, "not-supported", "A Bundle inside a Bundle is not executed.")
	}
	b := in.Body
	if b == nil || b.Kind != fhirjson.Object || b.Str("resourceType") != "Bundle" {
		return nil, fault.At(fault.Invalid, "invalid", "resourceType", "The body posted to the base must be a Bundle of type batch or transaction.")
	}
	if in.Who == nil {
		return nil, fault.New(fault.Unauthenticated, "login", "Send a bearer token in the Authorization header.")
	}
	if err := bundleForm(b); err != nil {
		return nil, err
	}
	entries := b.Each("entry")
	if len(entries) > MaxEntries {
		return nil, fault.New(fault.TooLarge, "too-costly", "The Bundle has %d entries; send at most %d.", len(entries), MaxEntries)
	}
	switch b.Str("type") {
	case "batch":
		in.audit.is("batch", "E", "")
		return s.batch(ctx, in, entries)
	case "transaction":
		in.audit.is("transaction", "E", "")
		if !s.store.Transactions() {
			return nil, fault.New(fault.Unsupported, "not-supported", "The store of this deployment has no transactions, so that a transaction Bundle could not be done all or nothing; nothing was written. Send a batch, or run the store as a replica set.")
		}
		return s.transaction(ctx, in, entries)
	}
	return nil, fault.At(fault.Invalid, "not-supported", "Bundle.type", "A Bundle of type %q is not executed; use batch or transaction.", b.Str("type"))
}

// bundleForm validates a Bundle without its resources; each of those is validated
// where it is written.
func bundleForm(b *fhirjson.Node) error {
	frame := b.Clone()
	for _, e := range frame.Each("entry") {
		if e.Kind == fhirjson.Object {
			e.Delete("resource")
		}
	}
	l := r4.Validate(frame, r4.Options{})
	if l.Failed() && r4.Kind(l) == fault.Invalid {
		return l.As(fault.Invalid)
	}
	return nil
}

// entryInteraction reads Bundle.entry[i].request.
func (s *Server) entryInteraction(in *Interaction, e *fhirjson.Node, i int) (*Interaction, error) {
	at := fmt.Sprintf("Bundle.entry[%d]", i)
	req := e.Get("request")
	if req == nil {
		return nil, fault.At(fault.Invalid, "required", at+".request", "The entry has no request: give its method and url.")
	}
	out := &Interaction{
		Verb: req.Str("method"), Who: in.Who, Request: in.Request, Address: in.Address, InBundle: true,
		IfMatch: req.Str("ifMatch"), IfNoneMatch: req.Str("ifNoneMatch"), IfNoneExist: req.Str("ifNoneExist"),
		Prefer: in.Prefer, Body: e.Get("resource"),
	}
	if t := req.Str("ifModifiedSince"); t != "" {
		out.IfModifiedSince = parseHTTPTime(t)
	}
	switch out.Verb {
	case http.MethodGet, http.MethodHead, http.MethodPost, http.MethodPut, http.MethodPatch, http.MethodDelete:
	default:
		return nil, fault.At(fault.Invalid, "value", at+".request.method", "%q is not a method of a Bundle entry.", out.Verb)
	}
	// A query may hold "://" as it is (RFC 3986, 3.4), such as a system in an
	// identifier's token; a path of ours may not.
	raw := req.Str("url")
	path, query, _ := strings.Cut(raw, "?")
	path = strings.TrimPrefix(strings.TrimPrefix(path, s.base), "/")
	if raw == "" || strings.Contains(path, "://") {
		return nil, fault.At(fault.Invalid, "value", at+".request.url", "%q is not a relative URL of this service, such as Observation or Observation/123.", raw)
	}
	pairs, err := search.ParsePairs(query)
	if err != nil {
		return nil, fault.At(fault.Invalid, "value", at+".request.url", "%v", err)
	}
	out.Query = pairs
	if err := out.setPath(path); err != nil {
		e := fault.Of(err)
		e.Issues[0].Expression = []string{at + ".request.url"}
		return nil, e
	}
	if err := offeredFormat(pairs, out.Special); err != nil {
		return nil, err
	}
	if out.Form {
		if err := out.form(); err != nil {
			return nil, err
		}
	}
	if out.Verb == http.MethodPost || out.Verb == http.MethodPut {
		if out.Special == "" && out.Body == nil {
			return nil, fault.At(fault.Invalid, "required", at+".resource", "A %s entry needs a resource.", out.Verb)
		}
	}
	if out.Verb == http.MethodPatch && out.Body.Str("resourceType") != "Parameters" {
		if out.Patch, err = patchDocument(out.Body); err != nil {
			return nil, err
		}
		out.Body = nil
	}
	return out, nil
}

// form reads the parameters of a search by POST from the resource of a Bundle
// entry, which cannot hold a form: a Binary of that type, or Parameters.
func (in *Interaction) form() error {
	switch in.Body.Str("resourceType") {
	case "":
		if in.Body != nil {
			break
		}
		return nil
	case "Parameters":
		p, err := (&Interaction{Body: in.Body}).params()
		if err != nil {
			return err
		}
		for _, x := range p.list {
			in.Query = append(in.Query, search.Pair{Name: x.name, Value: x.text})
		}
		return nil
	case "Binary":
		if in.Body.Str("contentType") != formType {
			break
		}
		data, err := decodeBase64(in.Body.Str("data"))
		if err != nil {
			return err
		}
		pairs, err := search.ParsePairs(string(data))
		in.Query = append(in.Query, pairs...)
		return err
	}
	return fault.New(fault.Media, "not-supported", "A search by POST in a Bundle has its parameters in the url, in Parameters, or in a Binary of contentType %s.", formType)
}

// formType is the type of a search by POST.
const formType = "application/x-www-form-urlencoded"

// setPath reads the path below the base.
func (in *Interaction) setPath(path string) error {
	parts := strings.Split(strings.Trim(path, "/"), "/")
	for i := range parts {
		p, err := url.PathUnescape(parts[i])
		if err != nil || strings.Contains(p, "/") {
			return fault.New(fault.Invalid, "value", "The path %q cannot be read.", path)
		}
		parts[i] = p
	}
	special := func(p string) bool { return strings.HasPrefix(p, "$") || strings.HasPrefix(p, "_") }
	unknown := fault.New(fault.NotFound, "not-found", "There is nothing at %q.", path)
	if parts[0] == "" {
		return nil
	}
	if special(parts[0]) || parts[0] == "metadata" {
		in.Special, in.Form = parts[0], parts[0] == "_search"
		if len(parts) > 1 {
			return unknown
		}
		return nil
	}
	in.Type = parts[0]
	if len(parts) > 1 {
		if special(parts[1]) {
			in.Special, in.Form = parts[1], parts[1] == "_search"
			if len(parts) > 2 {
				return unknown
			}
			return nil
		}
		in.ID = parts[1]
	}
	if len(parts) > 2 {
		in.Special = parts[2]
		switch {
		case len(parts) == 4 && parts[2] == "_history":
			in.Special, in.Version = "", parts[3]
		case len(parts) == 4 && parts[3] == "_search" && !special(parts[2]):
			in.Form = true
		case len(parts) > 3:
			return unknown
		}
	}
	return nil
}

// patchDocument takes the JSON Patch out of a Binary, as R4 has it in Bundles.
func patchDocument(b *fhirjson.Node) ([]byte, error) {
	if b.Str("resourceType") != "Binary" || !strings.HasPrefix(b.Str("contentType"), "application/json-patch+json") {
		return nil, fault.New(fault.Media, "not-supported", "A PATCH entry carries a Binary with contentType application/json-patch+json, or the Parameters of a FHIRPath Patch.")
	}
	return decodeBase64(b.Str("data"))
}

func (s *Server) batch(ctx context.Context, in *Interaction, entries []*fhirjson.Node) (*Answer, error) {
	var out []rawEntry
	held := int64(0)
	if err := s.admitReads(ctx, in, entries); err != nil {
		return nil, err
	}
	for i, e := range entries {
		var a *Answer
		ei, err := s.entryInteraction(in, e, i)
		if err == nil {
			ectx := ctx
			if step, no := s.step(ei); no == nil && step < reads { // its cost is bounded by itself; reads share one budget
				ectx, _ = budget.With(ctx, s.most)
			}
			a, err = s.perform(ectx, ei)
			err = s.fits(&held, ei, a, err)
			a, err = s.audited(ei, a, err)
		}
		if ctx.Err() != nil {
			return nil, ctx.Err()
		}
		out = append(out, s.responseEntry(in, a, err))
	}
	return &Answer{Status: http.StatusOK, Resource: bundleBytes(fhirjson.Obj("resourceType", "Bundle", "type", "batch-response"), out)}, nil
}

// fits refuses an answer that exceeds what all answers of a Bundle may hold. For a
// write it leaves out the resource instead.
func (s *Server) fits(held *int64, in *Interaction, a *Answer, err error) error {
	if err != nil || *held+int64(len(a.Resource)) <= s.most.Bytes {
		if err == nil {
			*held += int64(len(a.Resource))
		}
		return err
	}
	if in.audit.done {
		a.Resource = nil
		return nil
	}
	return fault.New(fault.TooLarge, "too-costly", "The answers of the Bundle would be more than %d MiB together; ask for this one in another.", s.most.Bytes>>20)
}

func (s *Server) responseEntry(in *Interaction, a *Answer, err error) rawEntry {
	if err != nil {
		st := status(err)
		s.logFailure(in, st, err)
		return rawEntry{tail: fhirjson.Obj("response", fhirjson.Obj("status", statusText(st), "outcome", outcome(err, in.Request)))}
	}
	r := fhirjson.Obj("status", statusText(a.Status))
	if a.Location != "" {
		r.Set("location", fhirjson.Str(a.Location))
	}
	if a.ETag != "" {
		r.Set("etag", fhirjson.Str(a.ETag))
	}
	if !a.LastModified.IsZero() {
		r.Set("lastModified", fhirjson.Str(lastModified(a.LastModified)))
	}
	if a.Note != "" {
		r.Set("outcome", information(a.Note))
	}
	res := a.Resource
	if a.ContentType != "" { // a table or a picture: R4 has Binary for what is no FHIR
		res = fhirjson.Obj("resourceType", "Binary", "contentType", a.ContentType, "data", base64.StdEncoding.EncodeToString(res)).Bytes()
	}
	return rawEntry{resource: res, tail: fhirjson.Obj("response", r)}
}

func statusText(n int) string { return strconv.Itoa(n) + " " + http.StatusText(n) }

// item is one entry of a transaction in progress.
type item struct {
	in      *Interaction
	index   int
	step    int // deletes, posts, puts, reads
	fullURL string
	key     store.Key     // of what it creates, updates or finds
	version int64         // that references to it were made to name; 0 for none
	unless  *search.Query // of a conditional create
	asked   string        // the condition that it is about, of the first of one
	plan    plan
	answer  *Answer
	same    *item // a conditional create before it with the same condition
}

// The order of work of a transaction: R4 http.html, transaction processing rules.
const (
	deletes = iota
	posts
	puts // and patches
	reads
)

// step is an entry's place in that order. A search by POST and an operation that
// changes nothing count as reads, whatever their verb.
func (s *Server) step(in *Interaction) (int, error) {
	switch op, ok := s.findOperation(in); {
	case in.Verb == http.MethodGet, in.Verb == http.MethodHead, in.Verb == http.MethodPost && in.Form:
		return reads, nil
	case in.Special != "" && in.Verb == http.MethodPost && ok && op.Affects:
		return 0, fault.New(fault.Invalid, "not-supported", "%s changes what is stored in a step of its own and is not offered in a transaction; send it alone or in a batch.", in.Special)
	case in.Special != "" && in.Verb == http.MethodPost:
		return reads, nil // an operation, or something that there is not, which reading it will say
	case in.Special != "":
		return 0, fault.New(fault.Method, "not-supported", "%s is not offered at this URL.", in.Verb)
	case in.Type == "":
		return 0, fault.New(fault.Invalid, "value", "The entry names no resource type.")
	case in.Verb == http.MethodDelete:
		return deletes, nil
	case in.Verb == http.MethodPost:
		return posts, nil
	}
	return puts, nil
}

// transaction does all or nothing. It is planned, with its references, and then
// committed in one step. On a write conflict it is planned again.
func (s *Server) transaction(ctx context.Context, in *Interaction, entries []*fhirjson.Node) (*Answer, error) {
	if err := s.admitReads(ctx, in, entries); err != nil {
		return nil, err
	}
	var names []string
	writes := 0
	for i, e := range entries {
		ei, err := s.entryInteraction(in, e, i)
		if err != nil {
			return nil, atEntry(err, i)
		}
		if err := s.admit(ctx, ei); err != nil { // before anything is locked
			return nil, err
		}
		if step, err := s.step(ei); err == nil && step < reads {
			names = append(names, ei.names()...)
			writes++
		}
	}
	ctx, _ = budget.With(ctx, s.most.Times(1+writes/100))
	var items, from []*item
	tries := 0
	results, err := s.ward.Do(ctx, names, func(ctx context.Context) (changes []ward.Change, audit []store.AuditRecord, err error) {
		if items, err = s.planTransaction(ctx, in, entries); err != nil {
			return nil, nil, err
		}
		from = nil
		for _, it := range inOrder(items) {
			if it.answer != nil || it.same != nil || it.step == reads {
				continue
			}
			changes = append(changes, it.plan.change)
			from = append(from, it)
			audit = append(audit, s.auditWrites(it.in)...)
		}
		if tries++; tries > 1 {
			err = s.among(from)
		}
		return changes, audit, err
	})
	if refused := (*ward.Refused)(nil); errors.As(err, &refused) {
		return nil, atEntries(refused, from)
	}
	if err != nil && len(from) == 1 {
		return nil, atEntry(err, from[0].index)
	}
	if err != nil {
		return nil, err
	}
	for i, it := range from {
		it.answer = s.wrote(it.in, it.plan, results[i])
	}
	for _, it := range items {
		if it.same != nil {
			v := results[slices.Index(from, it.same)].Version
			it.in.audit.is("create", "C", v.Key.String())
			it.answer = s.existing(it.in, v)
		}
	}
	return s.transactionAnswer(ctx, in, items)
}

// among refuses a condition that matches what an earlier entry writes: both entries
// would then be about one resource. Two entries with the same condition are found
// while planning.
func (s *Server) among(from []*item) error {
	for j, it := range from {
		q := it.plan.change.Unless
		if q == nil {
			continue
		}
		for _, other := range from[:j] {
			c := other.plan.change
			if c.Key.Type == q.Type && c.Resource != nil && q.Match(search.Extract(c.Resource, s.extract)) {
				return fault.At(fault.Invalid, "duplicate", fmt.Sprintf("Bundle.entry[%d].request", it.index),
					"The condition of entry %d matches the resource of entry %d; a transaction may name a resource once.", it.index, other.index)
			}
		}
	}
	return nil
}

func inOrder(items []*item) []*item {
	return slices.SortedStableFunc(slices.Values(items), func(a, b *item) int { return a.step - b.step })
}

func (s *Server) planTransaction(ctx context.Context, in *Interaction, entries []*fhirjson.Node) ([]*item, error) {
	var items []*item
	for i, e := range entries {
		e = e.Clone() // planning rewrites references, and may be done again
		ei, err := s.entryInteraction(in, e, i)
		if err != nil {
			return nil, atEntry(err, i)
		}
		step, err := s.step(ei)
		if err != nil {
			return nil, atEntry(err, i)
		}
		items = append(items, &item{in: ei, index: i, step: step, fullURL: e.Str("fullUrl")})
	}
	if err := s.assign(ctx, items); err != nil {
		return items, err
	}
	if err := s.link(ctx, in, items); err != nil {
		return items, err
	}
	seen := map[store.Key]*item{}
	for _, it := range inOrder(items) {
		if it.answer != nil || it.same != nil || it.step == reads {
			continue
		}
		var err error
		switch it.in.Verb {
		case http.MethodDelete:
			it.plan, err = s.planDelete(ctx, it.in)
		case http.MethodPost:
			it.plan, err = s.planNew(ctx, it.in, it.key, it.unless)
		case http.MethodPut:
			it.plan, err = s.planUpdate(ctx, it.in)
		default:
			it.plan, err = s.planPatch(ctx, it.in)
		}
		if err != nil {
			return items, atEntry(err, it.index)
		}
		if it.plan.answered != nil {
			it.answer = it.plan.answered
			continue
		}
		if it.version > 0 && it.step == puts { // or else what refers to it has to be planned anew
			it.plan.change.Rests = rests(it.version - 1)
		}
		if other, twice := seen[it.plan.change.Key]; twice {
			return items, fault.At(fault.Invalid, "duplicate", fmt.Sprintf("Bundle.entry[%d]", it.index), "Entries %d and %d both change %s; a transaction may change a resource once.", other.index, it.index, it.plan.change.Key)
		}
		seen[it.plan.change.Key] = it
	}
	return items, s.tryReads(ctx, items, seen)
}

// tryReads performs a transaction's reads before anything is written, so that a read
// that fails fails the whole transaction, as R4 requires. What the transaction itself
// writes is validated as it will be. The reads are repeated after the commit, on the
// result; then only another writer in between can make one fail.
func (s *Server) tryReads(ctx context.Context, items []*item, written map[store.Key]*item) error {
	for _, it := range items {
		if it.step != reads {
			continue
		}
		try := *it.in
		a, err := s.perform(ctx, &try)
		it.in.audit = try.audit // the refusal is audited as what was tried
		w := written[store.Key{Type: it.in.Type, ID: it.in.ID}]
		switch {
		case w == nil && err == nil && len(written) == 0:
			it.answer = a
		case w != nil && it.in.Special == "" && w.plan.change.Method == store.Delete && it.in.Version == "":
			err = fault.New(fault.Gone, "deleted", "The transaction deletes %s itself, before it would be read.", w.plan.change.Key)
		case w != nil && w.plan.change.Method != store.Delete && (fault.Is(err, fault.NotFound) || fault.Is(err, fault.Gone)):
			if it.in.Version == "" && s.permitsTree(it.in.Type, it.in.Who.Grant(it.in.Type, auth.Read), w.plan.change.Resource) {
				err = nil
			}
		}
		if err != nil {
			return atEntry(err, it.index)
		}
	}
	return nil
}

// assign gives created resources their ids, finds those that an update or a
// conditional create refers to, and refuses a condition that occurs twice.
func (s *Server) assign(ctx context.Context, items []*item) error {
	gone := map[store.Key]bool{} // deletions come before creates
	for _, it := range items {
		if it.step == deletes {
			key, _, found, err := s.target(ctx, it.in)
			if err != nil {
				return atEntry(err, it.index)
			}
			if it.key = key; found {
				gone[key] = true
			}
		}
	}
	under := map[string]*item{} // by condition
	for _, it := range items {
		in := it.in
		asked := ""
		switch {
		case it.step == posts:
			it.key = store.Key{Type: in.Type, ID: ward.NewID()}
			if in.IfNoneExist == "" {
				break
			}
			v, q, pairs, err := s.ifNoneExist(ctx, in, gone)
			if err != nil {
				return atEntry(err, it.index)
			}
			asked, it.unless = condition(in.Type, pairs), q
			switch first := under[asked]; {
			case v != nil:
				it.key, it.version = v.Key, v.Number
				in.audit.is("create", "C", v.Key.String())
				it.answer = s.existing(in, *v)
			case first != nil && first.step == posts:
				it.key, it.same = first.key, first
			}
		case it.step == puts && in.ID != "":
			it.key = store.Key{Type: in.Type, ID: in.ID}
		case it.step == puts:
			v, _, err := s.match(ctx, in, in.Query)
			if err != nil {
				return atEntry(err, it.index)
			}
			if in.Verb == http.MethodPut {
				asked = condition(in.Type, in.Query)
			}
			switch {
			case v != nil:
				it.key = v.Key
			case in.Verb == http.MethodPatch:
			case in.Body.Str("id") != "":
				it.key = store.Key{Type: in.Type, ID: in.Body.Str("id")}
			default:
				it.key = store.Key{Type: in.Type, ID: ward.NewID()}
				in.Body.SetAt(1, "id", fhirjson.Str(it.key.ID))
			}
		}
		if asked == "" {
			continue
		}
		first := under[asked]
		if first != nil && it.same == nil && it.answer == nil {
			return fault.At(fault.Invalid, "duplicate", fmt.Sprintf("Bundle.entry[%d].request", it.index),
				"Entries %d and %d are about what one condition names; a transaction may change a resource once.", first.index, it.index)
		}
		if first == nil {
			under[asked], it.asked = it, asked
		}
	}
	return nil
}

func (s *Server) transactionAnswer(ctx context.Context, in *Interaction, items []*item) (*Answer, error) {
	var out []rawEntry
	held := int64(0)
	for _, it := range items {
		var err error
		if it.answer == nil {
			it.answer, err = s.perform(ctx, it.in)
		}
		err = s.fits(&held, it.in, it.answer, err)
		it.answer, err = s.audited(it.in, it.answer, err) // reads, and what needed no write
		out = append(out, s.responseEntry(in, it.answer, err))
	}
	return &Answer{Status: http.StatusOK, Resource: bundleBytes(fhirjson.Obj("resourceType", "Bundle", "type", "transaction-response"), out)}, nil
}

// atEntries combines the faults of all refused entries.
func atEntries(r *ward.Refused, from []*item) error {
	out := &fault.Error{Kind: fault.Of(r.Unwrap()).Kind}
	for i, it := range from {
		if e := r.By[i]; e != nil {
			out.Issues = append(out.Issues, fault.Of(atEntry(e, it.index)).Issues...)
		}
	}
	return out
}

// atEntry puts the entry's place in front of each expression.
func atEntry(err error, i int) error {
	e := *fault.Of(err)
	e.Issues = slices.Clone(e.Issues)
	at := fmt.Sprintf("Bundle.entry[%d]", i)
	for j := range e.Issues {
		x := at
		if ex := e.Issues[j].Expression; len(ex) > 0 && strings.HasPrefix(ex[0], "Bundle.entry") {
			continue
		} else if len(ex) > 0 {
			_, path, _ := strings.Cut(ex[0], ".")
			x = at + ".resource." + path
		}
		e.Issues[j].Expression = []string{x}
	}
	return &e
}
