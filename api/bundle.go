package api

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"tidemark/internal/auth"
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

// bundleForm judges a Bundle without its resources, each of which is judged
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
	raw := req.Str("url")
	rest := strings.TrimPrefix(strings.TrimPrefix(raw, s.base), "/")
	if raw == "" || strings.Contains(rest, "://") {
		return nil, fault.At(fault.Invalid, "value", at+".request.url", "%q is not a relative URL of this service, such as Observation or Observation/123.", raw)
	}
	path, query, _ := strings.Cut(rest, "?")
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
	for i, e := range entries {
		var a *Answer
		ei, err := s.entryInteraction(in, e, i)
		if err == nil {
			a, err = s.perform(ctx, ei)
			s.audited(ei, a, err)
		}
		if ctx.Err() != nil {
			return nil, ctx.Err()
		}
		out = append(out, s.responseEntry(in, a, err))
	}
	return &Answer{Status: http.StatusOK, Resource: bundleBytes(fhirjson.Obj("resourceType", "Bundle", "type", "batch-response"), out)}, nil
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
	return rawEntry{resource: a.Resource, tail: fhirjson.Obj("response", r)}
}

func statusText(n int) string { return strconv.Itoa(n) + " " + http.StatusText(n) }

// item is one entry of a transaction on its way.
type item struct {
	in      *Interaction
	index   int
	fullURL string
	plan    plan
	answer  *Answer
}

// order is the order of work of a transaction: R4 http.html, transaction rules.
func order(verb string) int {
	switch verb {
	case http.MethodDelete:
		return 0
	case http.MethodPost:
		return 1
	case http.MethodPut, http.MethodPatch:
		return 2
	}
	return 3
}

// transaction does all or nothing. It is planned, references and all, and
// then committed in one step; a plan that another writer has overtaken is
// made again.
func (s *Server) transaction(ctx context.Context, in *Interaction, entries []*fhirjson.Node) (*Answer, error) {
	for try := 0; ; try++ {
		items, err := s.planTransaction(ctx, in, entries)
		if err == nil {
			err = s.commitTransaction(ctx, in, items)
		}
		pinned := slices.ContainsFunc(items, func(it *item) bool { return it.in.IfMatch != "" })
		if fault.Is(err, fault.Precondition) && !pinned && try < 3 && isRace(err) {
			continue
		}
		if err != nil {
			return nil, err
		}
		return s.transactionAnswer(ctx, in, items)
	}
}

// isRace reports whether a precondition failed in the store, not in planning.
func isRace(err error) bool {
	for _, is := range fault.Of(err).Issues {
		if is.Code != "conflict" {
			return false
		}
	}
	return true
}

func (s *Server) planTransaction(ctx context.Context, in *Interaction, entries []*fhirjson.Node) ([]*item, error) {
	var items []*item
	for i, e := range entries {
		e = e.Clone() // planning rewrites references, and may be done again
		ei, err := s.entryInteraction(in, e, i)
		if err != nil {
			return nil, atEntry(err, i)
		}
		if order(ei.Verb) < 3 && ei.Special != "" {
			return nil, fault.At(fault.Invalid, "not-supported", fmt.Sprintf("Bundle.entry[%d].request.url", i), "Operations and searches by POST are not offered in a transaction; send them on their own.")
		}
		if order(ei.Verb) < 3 && ei.Type == "" {
			return nil, fault.At(fault.Invalid, "value", fmt.Sprintf("Bundle.entry[%d].request.url", i), "The entry names no resource type.")
		}
		items = append(items, &item{in: ei, index: i, fullURL: e.Str("fullUrl")})
	}
	to, err := s.assign(ctx, items)
	if err != nil {
		return items, err
	}
	for _, it := range items {
		if it.in.Body != nil {
			if err := s.rewrite(ctx, in, it, to); err != nil {
				return items, atEntry(err, it.index)
			}
		}
	}
	work := slices.Clone(items)
	slices.SortStableFunc(work, func(a, b *item) int { return order(a.in.Verb) - order(b.in.Verb) })
	seen := map[store.Key]int{}
	for _, it := range work {
		if it.answer != nil {
			continue
		}
		var err error
		switch order(it.in.Verb) {
		case 0:
			it.plan, err = s.planDelete(ctx, it.in)
		case 1:
			id := it.in.ID // given by assign
			it.in.ID = ""
			if it.plan, err = s.planCreate(ctx, it.in); err == nil {
				it.plan.change.Key.ID = id
				it.in.audit.entity = it.plan.change.Key.String() + "/_history/1"
			}
		case 2:
			if it.in.Verb == http.MethodPut {
				it.plan, err = s.planUpdate(ctx, it.in)
			} else {
				it.plan, err = s.planPatch(ctx, it.in)
			}
		default:
			continue
		}
		if err != nil {
			return items, atEntry(err, it.index)
		}
		if it.plan.answered != nil {
			it.answer = it.plan.answered
			continue
		}
		if other, twice := seen[it.plan.change.Key]; twice {
			return items, fault.At(fault.Invalid, "duplicate", fmt.Sprintf("Bundle.entry[%d]", it.index), "Entries %d and %d both change %s; a transaction may change a resource once.", other, it.index, it.plan.change.Key)
		}
		seen[it.plan.change.Key] = it.index
	}
	return items, nil
}

// assign gives created resources their ids and says what each fullUrl of the
// Bundle becomes.
func (s *Server) assign(ctx context.Context, items []*item) (map[string]string, error) {
	to := map[string]string{}
	for _, it := range items {
		in := it.in
		var key store.Key
		switch {
		case in.Verb == http.MethodPost:
			key = store.Key{Type: in.Type, ID: ward.NewID()}
			if in.IfNoneExist != "" {
				if _, err := in.grant(in.Type, auth.Create); err != nil {
					return nil, atEntry(err, it.index)
				}
				probe := *in
				pairs, err := search.ParsePairs(strings.TrimPrefix(in.IfNoneExist, "?"))
				if err != nil {
					return nil, atEntry(err, it.index)
				}
				probe.Query = pairs
				v, _, err := s.match(ctx, &probe)
				if err != nil {
					return nil, atEntry(err, it.index)
				}
				if v != nil {
					key = v.Key
					in.audit.is("create", "C", v.Key.String())
					it.answer = s.written(in, *v, http.StatusOK)
				}
			}
			in.ID = key.ID
		case in.Verb == http.MethodPut && in.ID != "":
			key = store.Key{Type: in.Type, ID: in.ID}
		case in.Verb == http.MethodPut:
			v, _, err := s.match(ctx, in)
			if err != nil {
				return nil, atEntry(err, it.index)
			}
			switch {
			case v != nil:
				key = v.Key
			case in.Body.Str("id") != "":
				key = store.Key{Type: in.Type, ID: in.Body.Str("id")}
			default:
				key = store.Key{Type: in.Type, ID: ward.NewID()}
				in.Body.SetAt(1, "id", fhirjson.Str(key.ID))
			}
		default:
			continue
		}
		if it.fullURL == "" {
			continue
		}
		if _, twice := to[it.fullURL]; twice {
			return nil, fault.At(fault.Invalid, "duplicate", fmt.Sprintf("Bundle.entry[%d].fullUrl", it.index), "The fullUrl stands on two entries.")
		}
		to[it.fullURL] = key.String()
	}
	return to, nil
}

// rewrite replaces the Bundle's own urls by the ids that the resources get,
// and resolves conditional references.
func (s *Server) rewrite(ctx context.Context, in *Interaction, it *item, to map[string]string) error {
	replace := func(u string) (string, bool) {
		if key, ok := to[u]; ok {
			return key, true
		}
		// A relative reference means the entry whose fullUrl has its base.
		if i := strings.LastIndex(it.fullURL, "/"+it.in.Type+"/"); i > 0 {
			if key, ok := to[it.fullURL[:i]+"/"+u]; ok {
				return key, true
			}
		}
		return u, false
	}
	for _, site := range r4.References(it.in.Body) {
		ref := site.Node.Get("reference")
		if ref == nil || ref.Kind != fhirjson.String {
			continue
		}
		if key, ok := replace(ref.Text); ok {
			ref.Text = key
			continue
		}
		typ, query, conditional := strings.Cut(ref.Text, "?")
		if !conditional || !r4.IsType(typ) {
			continue
		}
		pairs, err := search.ParsePairs(query)
		if err != nil {
			return fault.At(fault.Invalid, "value", site.Path, "%v", err)
		}
		if types[typ] == absent {
			return fault.At(fault.Precondition, "not-supported", site.Path, "This service keeps no %s to refer to.", typ)
		}
		v, _, err := s.match(ctx, &Interaction{Type: typ, Query: pairs, Who: in.Who})
		if err != nil {
			return err
		}
		if v == nil {
			return fault.At(fault.Precondition, "not-found", site.Path, "The conditional reference matches nothing.")
		}
		ref.Text = v.Key.String()
	}
	for _, site := range r4.Links(it.in.Body) {
		if site.Node.Kind != fhirjson.String {
			continue
		}
		if site.Type == "xhtml" {
			site.Node.Text = r4.RewriteNarrative(site.Node.Text, func(l string) string { l, _ = replace(l); return l })
			continue
		}
		site.Node.Text, _ = replace(site.Node.Text)
	}
	return nil
}

func (s *Server) commitTransaction(ctx context.Context, in *Interaction, items []*item) error {
	var (
		changes []ward.Change
		from    []*item
		audit   []store.AuditRecord
	)
	work := slices.Clone(items)
	slices.SortStableFunc(work, func(a, b *item) int { return order(a.in.Verb) - order(b.in.Verb) })
	for _, it := range work {
		if it.answer != nil || order(it.in.Verb) == 3 {
			continue
		}
		changes = append(changes, it.plan.change)
		from = append(from, it)
		audit = append(audit, s.auditWrites(it.in)...)
	}
	if len(changes) == 0 {
		return nil
	}
	results, err := s.ward.Commit(ctx, changes, audit)
	if refused := (*ward.Refused)(nil); errors.As(err, &refused) {
		return atEntries(refused, from)
	}
	if err != nil && len(changes) == 1 {
		return atEntry(err, from[0].index)
	}
	if err != nil {
		return err
	}
	for i, it := range from {
		it.answer = s.wrote(it.in, it.plan, results[i])
	}
	return nil
}

func (s *Server) transactionAnswer(ctx context.Context, in *Interaction, items []*item) (*Answer, error) {
	var out []rawEntry
	for _, it := range items {
		var err error
		if it.answer == nil {
			it.answer, err = s.perform(ctx, it.in)
		}
		s.audited(it.in, it.answer, err) // reads, and what needed no write
		out = append(out, s.responseEntry(in, it.answer, err))
	}
	return &Answer{Status: http.StatusOK, Resource: bundleBytes(fhirjson.Obj("resourceType", "Bundle", "type", "transaction-response"), out)}, nil
}

// atEntries joins the faults of all refused entries.
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
