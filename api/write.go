package api

import (
	"bytes"
	"context"
	"errors"
	"net/http"
	"net/url"
	"slices"
	"strings"

	jsonpatch "github.com/evanphx/json-patch/v5"

	"tidemark/internal/auth"
	"tidemark/internal/fault"
	"tidemark/internal/fhirjson"
	"tidemark/internal/r4"
	"tidemark/internal/search"
	"tidemark/internal/store"
	"tidemark/internal/ward"
)

// A plan is a write ready to be committed, alone or with the others of a transaction.
type plan struct {
	in     *Interaction
	change ward.Change
	// answered holds the answer of an interaction that needs no write.
	answered *Answer
}

func (s *Server) create(ctx context.Context, in *Interaction) (*Answer, error) {
	return s.single(ctx, in, s.planCreate)
}

func (s *Server) update(ctx context.Context, in *Interaction) (*Answer, error) {
	return s.single(ctx, in, s.planUpdate)
}

func (s *Server) patch(ctx context.Context, in *Interaction) (*Answer, error) {
	return s.single(ctx, in, s.planPatch)
}

func (s *Server) remove(ctx context.Context, in *Interaction) (*Answer, error) {
	return s.single(ctx, in, s.planDelete)
}

// single plans and commits one write.
func (s *Server) single(ctx context.Context, in *Interaction, f func(context.Context, *Interaction) (plan, error)) (*Answer, error) {
	ctx, span := s.tracer.Start(ctx, "commit")
	defer span.End()
	var p plan
	results, err := s.ward.Do(ctx, in.names(), func(ctx context.Context) (_ []ward.Change, _ []store.AuditRecord, err error) {
		if p, err = f(ctx, in); err != nil || p.answered != nil {
			return nil, nil, err
		}
		changes, audit := []ward.Change{p.change}, s.auditWrites(in)
		if in.Provenance != nil {
			with, err := s.accompany(ctx, in)
			if err != nil {
				return nil, nil, err
			}
			changes, audit = append(changes, with.change), append(audit, s.auditWrites(with.in)...)
		}
		return changes, audit, nil
	})
	if refused := (*ward.Refused)(nil); errors.As(err, &refused) {
		if e := refused.By[0]; e != nil {
			return nil, e
		}
		return nil, inHeader(refused.Unwrap())
	}
	if err != nil || p.answered != nil {
		return p.answered, err
	}
	return s.wrote(in, p, results[0]), nil
}

// names are the resource and the condition of a write, for ward.Do.
func (in *Interaction) names() []string {
	switch {
	case in.ID != "" && in.Verb != http.MethodPost:
		return []string{in.Type + "/" + in.ID}
	case in.Verb != http.MethodPost:
		return []string{condition(in.Type, in.Query)}
	case in.IfNoneExist != "":
		if pairs, err := in.noneExist(); err == nil {
			return []string{condition(in.Type, pairs)}
		}
	}
	return nil
}

// condition is the same for equal conditions in another order.
func condition(typ string, pairs []search.Pair) string {
	v := url.Values{}
	for _, p := range pairs {
		v.Add(p.Name, p.Value)
	}
	for _, values := range v {
		slices.Sort(values)
	}
	return typ + "?" + v.Encode()
}

func (s *Server) wrote(in *Interaction, p plan, r store.Result) *Answer {
	in.audit.committed(r.Version)
	if s.committed != nil {
		s.committed()
	}
	switch {
	case p.change.Method == store.Delete:
		a := &Answer{Status: http.StatusNoContent}
		if r.Version.Number > 0 {
			a.ETag = versionTag(r.Version.Number)
		}
		return a
	case r.Created:
		return s.written(in, r.Version, http.StatusCreated)
	}
	return s.written(in, r.Version, http.StatusOK)
}

// body checks that there is a resource of the URL's type.
func (in *Interaction) resource() (*fhirjson.Node, error) {
	if in.Body == nil {
		return nil, fault.New(fault.Invalid, "required", "The request has no body: send the %s as application/fhir+json.", in.Type)
	}
	if in.Body.Kind != fhirjson.Object {
		return nil, fault.New(fault.Invalid, "structure", "The body is a JSON %s, not a resource.", in.Body.Kind)
	}
	if t := in.Body.Str("resourceType"); t != in.Type {
		return nil, fault.At(fault.Invalid, "invalid", "resourceType", "The body is a %q, the URL names %s.", t, in.Type)
	}
	return in.Body.Clone(), nil
}

func (s *Server) planCreate(ctx context.Context, in *Interaction) (plan, error) {
	if in.ID != "" {
		return plan{in: in}, fault.New(fault.Method, "not-supported", "Create with POST %s, or with PUT %s/%s.", in.Type, in.Type, in.ID)
	}
	var unless *search.Query
	if in.IfNoneExist != "" {
		in.audit.is("create", "C", in.Type)
		v, q, _, err := s.ifNoneExist(ctx, in, nil)
		if err != nil {
			return plan{in: in}, err
		}
		if v != nil {
			in.audit.entity = v.Key.String()
			return plan{in: in, answered: s.existing(in, *v)}, nil
		}
		unless = q
	}
	return s.planNew(ctx, in, store.Key{Type: in.Type, ID: ward.NewID()}, unless)
}

// ifNoneExist evaluates the condition of a create. It returns the match, leaving out
// what the transaction deletes, or the query that nothing may match at the commit.
func (s *Server) ifNoneExist(ctx context.Context, in *Interaction, but map[store.Key]bool) (*store.Version, *search.Query, []search.Pair, error) {
	if err := offered(in.Type, "create", full); err != nil {
		return nil, nil, nil, err
	}
	if _, err := in.grant(in.Type, auth.Create); err != nil {
		return nil, nil, nil, err
	}
	pairs, err := in.noneExist()
	if err != nil {
		return nil, nil, nil, err
	}
	v, q, err := s.matchBut(ctx, in, pairs, but)
	return v, &q, pairs, err
}

// noneExist reads If-None-Exist. R4 puts the query alone there; some clients send the
// URL of the search before it, whose type must be right.
func (in *Interaction) noneExist() ([]search.Pair, error) {
	text := in.IfNoneExist
	if path, query, ok := strings.Cut(text, "?"); ok && !strings.Contains(path, "=") {
		if typ := path[strings.LastIndexByte(path, '/')+1:]; typ != "" && typ != in.Type {
			return nil, fault.New(fault.Invalid, "value", "If-None-Exist searches %q, but a %s is to be created.", typ, in.Type)
		}
		text = query
	}
	pairs, err := search.ParsePairs(text)
	if err != nil {
		return nil, fault.New(fault.Invalid, "value", "If-None-Exist: %v", err)
	}
	return pairs, nil
}

// planNew plans a create under that key.
func (s *Server) planNew(ctx context.Context, in *Interaction, key store.Key, unless *search.Query) (plan, error) {
	in.audit.is("create", "C", in.Type)
	p := plan{in: in}
	if err := offered(in.Type, "create", full); err != nil {
		return p, err
	}
	g, err := in.grant(in.Type, auth.Create)
	if err != nil {
		return p, err
	}
	n, err := in.resource()
	if err != nil {
		return p, err
	}
	// The id that it will get decides whose compartment a Patient is.
	n.SetAt(1, "id", fhirjson.Str(key.ID))
	if err := s.mayWrite(in.Type, g, n, auth.Create); err != nil {
		return p, err
	}
	in.audit.will(key, 1)
	p.change = ward.Change{Method: store.Post, Key: key, Resource: n, Expect: store.Absent, Unless: unless, Only: only(g)}
	return p, s.beforeWrite(ctx, in, n, nil)
}

// criteria reads the search of a conditional interaction. It is limited to what the
// caller may search, and may never mean "all".
func (s *Server) criteria(in *Interaction, pairs []search.Pair) (search.Query, error) {
	g, err := in.grant(in.Type, auth.Search)
	if err != nil {
		return search.Query{}, err
	}
	q, ctl, err := search.ParseQuery(in.Type, pairs, s.parseOptions(true))
	if err != nil {
		return q, err
	}
	if len(q.Where) == 0 || len(ctl.Ignored) > 0 {
		return q, fault.New(fault.Precondition, "value", "A conditional interaction needs search criteria, such as identifier=system|value.")
	}
	q.Within, q.Count = s.within(in.Type, g), 2
	return q, nil
}

// match runs a conditional search: none, one, or a refusal for several.
func (s *Server) match(ctx context.Context, in *Interaction, pairs []search.Pair) (*store.Version, search.Query, error) {
	return s.matchBut(ctx, in, pairs, nil)
}

// matchBut is match without the given ones.
func (s *Server) matchBut(ctx context.Context, in *Interaction, pairs []search.Pair, but map[store.Key]bool) (*store.Version, search.Query, error) {
	q, err := s.criteria(in, pairs)
	if err != nil {
		return nil, q, err
	}
	if err := s.resolve(ctx, in, &q); err != nil {
		return nil, q, err
	}
	found, err := s.two(ctx, q, but)
	if err != nil {
		return nil, q, err
	}
	switch len(found) {
	case 0:
		return nil, q, nil
	case 1:
		return &found[0], q, nil
	}
	return nil, q, fault.New(fault.Precondition, "multiple-matches", "Several resources match the criteria; make them select one.")
}

func (s *Server) planUpdate(ctx context.Context, in *Interaction) (plan, error) {
	in.audit.is("update", "U", keyText(in))
	p := plan{in: in}
	if err := offered(in.Type, "update", full); err != nil {
		return p, err
	}
	g, err := in.grant(in.Type, auth.Update)
	if err != nil {
		return p, err
	}
	n, err := in.resource()
	if err != nil {
		return p, err
	}
	key := store.Key{Type: in.Type, ID: in.ID}
	id := n.Str("id")
	var unless *search.Query
	if in.ID == "" { // conditional update
		v, q, err := s.match(ctx, in, in.Query)
		if err != nil {
			return p, err
		}
		switch {
		case v != nil && id != "" && id != v.ID:
			return p, fault.At(fault.Invalid, "value", in.Type+".id", "The criteria select %s, the body has id %s; leave the id out or make them agree.", v.Key, id)
		case v != nil:
			key = v.Key
		case id == "":
			key.ID, unless = ward.NewID(), &q
		default:
			key.ID = id
		}
	} else if id != in.ID {
		return p, fault.At(fault.Invalid, "value", in.Type+".id", "The body has id %q, the URL %s; an update needs the same id in both.", id, in.ID)
	}
	if !fhirjson.IsID(key.ID) {
		return p, fault.At(fault.Invalid, "value", in.Type+".id", "An id has 1 to 64 characters from A-Z, a-z, 0-9, - and '.'.")
	}
	expect, err := in.expectation()
	if err != nil {
		return p, err
	}
	before, number, err := s.replaced(ctx, in.Type, key, g, auth.Update)
	if err != nil {
		return p, err
	}
	if before == nil && in.IfMatch != "" {
		if !g.Unrestricted() {
			return p, hidden(key)
		}
		return p, fault.New(fault.Precondition, "conflict", "If-Match names a version, but %s is not there.", key)
	}
	if before != nil && in.noneMatch(number) {
		return p, fault.New(fault.Precondition, "conflict", "If-None-Match: %s does not hold: %s is there, at version %d.", in.IfNoneMatch, key, number)
	}
	if err := stale(key, expect, number); err != nil {
		return p, err
	}
	if err := s.mayWrite(in.Type, g, n, auth.Update); err != nil {
		return p, err
	}
	n.Set("id", fhirjson.Str(key.ID))
	in.audit.will(key, number+1)
	p.change = ward.Change{Method: store.Put, Key: key, Resource: n, Expect: expect, Rests: rests(number), Unless: unless, Only: only(g), By: in.Who.Subject}
	return p, s.beforeWrite(ctx, in, n, before)
}

// target is what a patch or a deletion applies to, the instance or the match of its
// criteria, and the version that the caller expects.
func (s *Server) target(ctx context.Context, in *Interaction) (key store.Key, expect store.Expect, found bool, err error) {
	key = store.Key{Type: in.Type, ID: in.ID}
	if in.ID == "" {
		v, _, err := s.match(ctx, in, in.Query)
		if err != nil || v == nil {
			return key, 0, false, err
		}
		key = v.Key
	}
	expect, err = in.expectation()
	return key, expect, true, err
}

// stale reports early, with the entry's place, what the commit would report.
func stale(key store.Key, expect store.Expect, number int64) error {
	if expect > 0 && int64(expect) != number {
		return fault.New(fault.Precondition, "conflict", "%s is at version %d, not %d; read it again and repeat the change on that.", key, number, expect)
	}
	return nil
}

// rests makes a plan depend on the version that it read, 0 for none.
func rests(number int64) store.Expect {
	if number == 0 {
		return store.Absent
	}
	return store.Expect(number)
}

// only is the one patient whom the caller of a write may know about.
func only(g auth.Grant) string {
	patient, _ := g.Patient()
	return patient
}

// replaced reads what a write replaces, nil when there is nothing, and the
// number of its version or of its deletion. What the grant does not cover is hidden,
// even a deletion.
func (s *Server) replaced(ctx context.Context, typ string, key store.Key, g auth.Grant, a auth.Action) (*fhirjson.Node, int64, error) {
	v, err := s.store.Read(ctx, key)
	if fault.Is(err, fault.NotFound) {
		_ = s.unknown(ctx, g, key) // whether that is a fault, the caller knows
		return nil, 0, nil
	}
	if err != nil {
		return nil, 0, err
	}
	if v.Deleted() {
		ok, err := s.visible(ctx, g, v)
		if err == nil && !ok {
			err = hidden(key)
		}
		return nil, v.Number, err
	}
	ok, err := s.permitsVersion(g, v)
	if err == nil && !ok {
		err = hidden(key)
	}
	if err != nil {
		return nil, 0, err
	}
	n, err := fhirjson.Parse(v.Body.JSON)
	if err != nil {
		return nil, 0, fault.Wrap(err, "read "+key.String())
	}
	return n, v.Number, s.mayWrite(typ, g, n, a)
}

func (s *Server) planPatch(ctx context.Context, in *Interaction) (plan, error) {
	in.audit.is("patch", "U", keyText(in))
	p := plan{in: in}
	if err := offered(in.Type, "patch", full); err != nil {
		return p, err
	}
	// A patch reveals what is there: by test operations, by paths that exist, and by
	// its answer. So it takes the right to read as well.
	g, err := in.grant(in.Type, auth.Update|auth.Read)
	if err != nil {
		return p, err
	}
	key, expect, found, err := s.target(ctx, in)
	if err != nil {
		return p, err
	}
	if !found {
		return p, fault.New(fault.NotFound, "not-found", "Nothing matches the criteria.")
	}
	v, err := s.store.Read(ctx, key)
	if err != nil {
		if fault.Is(err, fault.NotFound) {
			err = s.unknown(ctx, g, key)
		}
		return p, err
	}
	if ok, err := s.visible(ctx, g, v); err != nil || !ok {
		if err == nil {
			err = hidden(key)
		}
		return p, err
	}
	if v.Deleted() {
		return p, fault.New(fault.Gone, "deleted", "%s has been deleted.", key)
	}
	if err := stale(key, expect, v.Number); err != nil {
		return p, err
	}
	before, err := fhirjson.Parse(v.Body.JSON)
	if err != nil {
		return p, fault.Wrap(err, "read "+key.String())
	}
	if err := s.mayWrite(in.Type, g, before, auth.Update); err != nil {
		return p, err
	}
	n, err := s.patched(v, in)
	if err != nil {
		return p, err
	}
	if in.note, err = freshNarrative(before, n); err != nil {
		return p, err
	}
	if err := s.mayWrite(in.Type, g, n, auth.Update); err != nil {
		return p, err
	}
	in.audit.will(key, v.Number+1)
	p.change = ward.Change{Method: store.Put, Key: key, Resource: n, Expect: expect, Rests: rests(v.Number), Only: only(g), By: in.Who.Subject}
	return p, s.beforeWrite(ctx, in, n, before)
}

// patched applies the patch to what clients see of the version, so that it cannot copy
// a secret to a visible place. The id and type may not change; a change of
// meta.versionId and lastUpdated has no effect.
func (s *Server) patched(v store.Version, in *Interaction) (n *fhirjson.Node, err error) {
	raw := s.render(v)
	if in.Body == nil {
		if raw, err = applyJSONPatch(v, raw, in.Patch); err != nil {
			return nil, err
		}
	}
	if n, err = fhirjson.Parse(raw); err != nil {
		return nil, err
	}
	if in.Body != nil {
		if err := patchOperations(len(in.Body.Each("parameter")), len(raw), in.Body.Size()); err != nil {
			return nil, err
		}
		if err := r4.Patch(n, in.Body); err != nil {
			return nil, err
		}
	}
	if n.Str("id") != v.ID || n.Str("resourceType") != v.Type {
		return nil, fault.New(fault.Rule, "value", "A patch may not change id or resourceType.")
	}
	return n, nil
}

// freshNarrative handles a narrative that a patch left unchanged beside data that it
// changed, so that nobody reads an outdated text. A generated narrative is generated
// again, the patch is refused if the narrative says more than the data, and any other
// narrative is removed. It returns what was done.
func freshNarrative(before, after *fhirjson.Node) (note string, err error) {
	text := after.Get("text")
	if text == nil || before.Get("text") == nil || !bytes.Equal(text.Bytes(), before.Get("text").Bytes()) || bytes.Equal(data(before), data(after)) {
		return "", nil
	}
	switch text.Str("status") {
	case "additional":
		return "", fault.At(fault.Rule, "business-rule", after.Str("resourceType")+".text", "The narrative says more than the data (status additional) and the patch leaves it as it was, so that it may no longer be true; change or remove text in the same patch.")
	case "generated":
		if fresh := r4.Narrate(after); fresh != nil {
			after.Set("text", fresh)
			return "The narrative was generated anew from the data.", nil
		}
	}
	after.Delete("text")
	return "The narrative was dropped, since the data beside it changed.", nil
}

// data is a resource without narrative and meta.
func data(n *fhirjson.Node) []byte {
	c := &fhirjson.Node{Kind: fhirjson.Object}
	for _, m := range n.Members {
		if m.Name != "text" && m.Name != "meta" {
			c.Members = append(c.Members, m)
		}
	}
	return c.Bytes()
}

// applyJSONPatch applies an RFC 6902 document.
func applyJSONPatch(v store.Version, raw, doc []byte) ([]byte, error) {
	ops, err := jsonpatch.DecodePatch(doc)
	if err != nil {
		return nil, fault.New(fault.Invalid, "structure", "The body is not a JSON Patch document: an array of operations with op and path (RFC 6902).")
	}
	if err := patchOperations(len(ops), len(raw), len(doc)); err != nil {
		return nil, err
	}
	for _, op := range ops {
		path, _ := op.Path()
		from, _ := op.From()
		for token := range strings.SplitSeq(path+"/"+from, "/") {
			// RFC 6901, 4: an index has no leading zero; no element is named by digits.
			if len(token) > 1 && token[0] == '0' && strings.Trim(token, "0123456789") == "" {
				return nil, fault.New(fault.Invalid, "value", "The patch names the index %s; write it without leading zeros (RFC 6901).", token)
			}
		}
	}
	opts := jsonpatch.NewApplyOptions()
	opts.AccumulatedCopySizeLimit = store.MaxResource
	out, err := ops.ApplyWithOptions(raw, opts)
	if err != nil {
		if errors.Is(err, jsonpatch.ErrTestFailed) {
			return nil, fault.New(fault.Rule, "conflict", "A test operation of the patch does not hold for version %d; nothing was changed.", v.Number)
		}
		return nil, fault.New(fault.Rule, "value", "The patch cannot be applied to version %d: %v. Nothing was changed.", v.Number, err)
	}
	return out, nil
}

func (s *Server) planDelete(ctx context.Context, in *Interaction) (plan, error) {
	in.audit.is("delete", "D", keyText(in))
	p := plan{in: in}
	if err := offered(in.Type, "delete", full); err != nil {
		return p, err
	}
	g, err := in.grant(in.Type, auth.Delete)
	if err != nil {
		return p, err
	}
	key, expect, found, err := s.target(ctx, in)
	if err != nil {
		return p, err
	}
	if !found {
		p.answered = &Answer{Status: http.StatusNoContent}
		return p, nil
	}
	before, number, err := s.replaced(ctx, in.Type, key, g, auth.Delete)
	if err != nil {
		return p, err
	}
	if before == nil {
		// Deleting what is not there succeeds like deleting twice, except for
		// callers from whom resources may be hidden.
		if !g.Unrestricted() {
			return p, hidden(key)
		}
		if in.IfMatch != "" {
			return p, fault.New(fault.Precondition, "conflict", "If-Match names a version, but %s is not there.", key)
		}
		p.answered = &Answer{Status: http.StatusNoContent}
		return p, nil
	}
	if err := stale(key, expect, number); err != nil {
		return p, err
	}
	in.audit.will(key, number+1)
	p.change = ward.Change{Method: store.Delete, Key: key, Expect: expect, Rests: rests(number)}
	return p, nil
}
