package api

import (
	"context"
	"errors"
	"net/http"
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

// A plan is a write that is ready to be committed: alone, or with the others
// of a transaction.
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

// maxTries is how often a write that others overtake is planned anew; each
// time at least one of them has got through.
const maxTries = 64

// single plans and commits one write. A write that nobody pinned to a version
// is planned again when another writer came between.
func (s *Server) single(ctx context.Context, in *Interaction, f func(context.Context, *Interaction) (plan, error)) (*Answer, error) {
	for try := 0; ; try++ {
		p, err := f(ctx, in)
		if err != nil || p.answered != nil {
			return p.answered, err
		}
		cctx, span := s.tracer.Start(ctx, "commit")
		results, err := s.ward.Commit(cctx, []ward.Change{p.change}, s.auditWrites(in))
		span.End()
		if fault.Is(err, fault.Precondition) && in.IfMatch == "" && p.change.Expect > 0 && try < maxTries {
			continue
		}
		if err != nil {
			return nil, err
		}
		return s.wrote(in, p, results[0]), nil
	}
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
	case r.Existing:
		return s.written(in, r.Version, http.StatusOK)
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
	in.audit.is("create", "C", in.Type)
	p := plan{in: in}
	if err := offered(in.Type, "create", full); err != nil {
		return p, err
	}
	if in.ID != "" {
		return p, fault.New(fault.Method, "not-supported", "Create with POST %s, or with PUT %s/%s.", in.Type, in.Type, in.ID)
	}
	g, err := in.grant(in.Type, auth.Create)
	if err != nil {
		return p, err
	}
	n, err := in.resource()
	if err != nil {
		return p, err
	}
	if err := s.mayWrite(in.Type, g, n, auth.Create); err != nil {
		return p, err
	}
	n.Delete("id")
	key := store.Key{Type: in.Type, ID: ward.NewID()}
	in.audit.entity = key.String() + "/_history/1"
	p.change = ward.Change{Method: store.Post, Key: key, Resource: n, Expect: store.Absent, Only: only(g)}
	if in.IfNoneExist != "" {
		pairs, err := search.ParsePairs(strings.TrimPrefix(in.IfNoneExist, "?"))
		if err != nil {
			return p, fault.New(fault.Invalid, "value", "If-None-Exist: %v", err)
		}
		q, err := s.criteria(in, pairs)
		if err != nil {
			return p, err
		}
		if err := s.resolve(ctx, in, &q); err != nil {
			return p, err
		}
		p.change.Unless = &q
	}
	return p, s.beforeWrite(ctx, in, n, nil)
}

// criteria reads a conditional interaction's search. It narrows to what the
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
func (s *Server) match(ctx context.Context, in *Interaction) (*store.Version, search.Query, error) {
	q, err := s.criteria(in, in.Query)
	if err != nil {
		return nil, q, err
	}
	if err := s.resolve(ctx, in, &q); err != nil {
		return nil, q, err
	}
	page, err := s.store.Search(ctx, q)
	if err != nil {
		return nil, q, err
	}
	switch len(page.Matches) {
	case 0:
		return nil, q, nil
	case 1:
		return &page.Matches[0], q, nil
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
		v, q, err := s.match(ctx, in)
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
	if !idPattern(key.ID) {
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
	if expect == store.Any && before != nil {
		expect = store.Expect(number)
	}
	if before == nil && in.IfMatch != "" {
		if !g.Unrestricted() {
			return p, hidden(key)
		}
		return p, fault.New(fault.Precondition, "conflict", "If-Match names a version, but %s is not there.", key)
	}
	if err := stale(key, expect, number); err != nil {
		return p, err
	}
	if err := s.mayWrite(in.Type, g, n, auth.Update); err != nil {
		return p, err
	}
	n.Set("id", fhirjson.Str(key.ID))
	p.change = ward.Change{Method: store.Put, Key: key, Resource: n, Expect: expect, Unless: unless, Only: only(g)}
	return p, s.beforeWrite(ctx, in, n, before)
}

// target is what a patch or a deletion is about: the instance, or what its
// criteria select, and the version that the caller expects there.
func (s *Server) target(ctx context.Context, in *Interaction) (key store.Key, expect store.Expect, found bool, err error) {
	key = store.Key{Type: in.Type, ID: in.ID}
	if in.ID == "" {
		v, _, err := s.match(ctx, in)
		if err != nil || v == nil {
			return key, 0, false, err
		}
		key = v.Key
	}
	expect, err = in.expectation()
	return key, expect, true, err
}

// stale says early, with the entry's place, what the commit would say too.
func stale(key store.Key, expect store.Expect, number int64) error {
	if expect > 0 && int64(expect) != number {
		return fault.New(fault.Precondition, "conflict", "%s is at version %d, not %d; read it again and repeat the change on that.", key, number, expect)
	}
	return nil
}

// only is the one patient of whom the caller of a write may know.
func only(g auth.Grant) string {
	patient, _ := g.Patient()
	return patient
}

// replaced reads what a write replaces; nil when there is nothing. What the
// grant does not let through is hidden, a deletion too.
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
		return nil, 0, err
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
	g, err := in.grant(in.Type, auth.Update)
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
	if expect == store.Any || expect == store.Exists {
		expect = store.Expect(v.Number)
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
	if err := s.mayWrite(in.Type, g, n, auth.Update); err != nil {
		return p, err
	}
	p.change = ward.Change{Method: store.Put, Key: key, Resource: n, Expect: expect, Only: only(g)}
	return p, s.beforeWrite(ctx, in, n, before)
}

// patched applies the patch to what clients see of the version, so that it
// cannot copy a secret to where it shows. The id and type may not change; what
// it does to meta.versionId and lastUpdated has no effect.
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
		if err := r4.Patch(n, in.Body); err != nil {
			return nil, err
		}
	}
	if n.Str("id") != v.ID || n.Str("resourceType") != v.Type {
		return nil, fault.New(fault.Rule, "value", "A patch may not change id or resourceType.")
	}
	return n, nil
}

// applyJSONPatch applies an RFC 6902 document.
func applyJSONPatch(v store.Version, raw, doc []byte) ([]byte, error) {
	ops, err := jsonpatch.DecodePatch(doc)
	if err != nil {
		return nil, fault.New(fault.Invalid, "structure", "The body is not a JSON Patch document: an array of operations with op and path (RFC 6902).")
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
	if expect == store.Any {
		expect = store.Expect(number)
	}
	p.change = ward.Change{Method: store.Delete, Key: key, Expect: expect}
	return p, nil
}
