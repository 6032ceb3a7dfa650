package api

import (
	"context"
	"net/http"
	"strconv"
	"time"

	"tidemark/internal/auth"
	"tidemark/internal/fault"
	"tidemark/internal/fhirdate"
	"tidemark/internal/fhirjson"
	"tidemark/internal/r4"
	"tidemark/internal/search"
	"tidemark/internal/store"
)

func (s *Server) read(ctx context.Context, in *Interaction) (*Answer, error) {
	in.audit.is("read", "R", in.Type+"/"+in.ID)
	switch types[in.Type] {
	case constant:
		if _, err := in.grant(in.Type, auth.Read); err != nil {
			return nil, err
		}
		raw, ok := s.conformance.Read(in.Type, in.ID)
		if !ok {
			return nil, hidden(store.Key{Type: in.Type, ID: in.ID})
		}
		return s.found(in, raw, "", time.Time{})
	case access:
		return s.readAudit(ctx, in)
	}
	v, err := s.current(ctx, in, store.Key{Type: in.Type, ID: in.ID}, auth.Read)
	if err != nil {
		return nil, err
	}
	if notModified(in, v) {
		return &Answer{Status: http.StatusNotModified, ETag: versionTag(v.Number), LastModified: v.At}, nil
	}
	return s.found(in, s.render(v), versionTag(v.Number), v.At)
}

// current reads the current version if the caller may see it. A hidden resource looks
// like one that does not exist; a deletion is shown only to those who may see the
// version before it.
func (s *Server) current(ctx context.Context, in *Interaction, key store.Key, a auth.Action) (store.Version, error) {
	g, err := in.grant(key.Type, a)
	if err != nil {
		return store.Version{}, err
	}
	v, err := s.store.Read(ctx, key)
	if err != nil {
		if fault.Is(err, fault.NotFound) {
			return v, s.unknown(ctx, g, key)
		}
		return v, err
	}
	ok, err := s.visible(ctx, g, v)
	if err != nil {
		return v, err
	}
	if !ok {
		return v, hidden(key)
	}
	if v.Erased {
		return v, fault.New(fault.Gone, "deleted", "%s was deleted and its content erased.", key)
	}
	if v.Deleted() {
		return v, fault.New(fault.Gone, "deleted", "%s has been deleted; its history is still there.", key)
	}
	return v, nil
}

func (s *Server) visible(ctx context.Context, g auth.Grant, v store.Version) (bool, error) {
	if g.Unrestricted() {
		return true, nil
	}
	if v.Erased {
		return false, nil // nobody knows any more whose it was
	}
	if v.Deleted() {
		if v.Number == 1 {
			return false, nil
		}
		before, err := s.store.ReadVersion(ctx, v.Key, v.Number-1)
		if err != nil {
			return false, err
		}
		if v = before; v.Deleted() {
			return false, nil
		}
	}
	return s.permitsVersion(g, v)
}

// found is the answer with one resource, cut down by _summary and _elements.
func (s *Server) found(in *Interaction, raw []byte, tag string, at time.Time) (*Answer, error) {
	a := &Answer{Status: http.StatusOK, ETag: tag, LastModified: at, Resource: raw}
	summary, elements := "", []string(nil)
	for _, p := range in.Query {
		switch p.Name {
		case "_summary":
			summary = p.Value
		case "_elements":
			elements = splitComma(p.Value)
		}
	}
	if summary == "" && elements == nil || summary == "false" {
		return a, nil
	}
	n, err := fhirjson.Parse(raw)
	if err != nil {
		return nil, fault.Wrap(err, "read a stored resource")
	}
	cut, err := s.cut(n, summary, elements)
	if err != nil {
		return nil, err
	}
	a.Resource = cut.Bytes()
	return a, nil
}

// cut applies _summary and _elements.
func (s *Server) cut(n *fhirjson.Node, summary string, elements []string) (*fhirjson.Node, error) {
	switch summary {
	case "true", "text", "data":
		return r4.Summary(n, r4.SummaryMode(summary)), nil
	case "", "false":
	default:
		return nil, fault.New(fault.Invalid, "value", "_summary takes true, text, data, count or false, not %q.", summary)
	}
	if len(elements) > 0 {
		return r4.Elements(n, elements), nil
	}
	return n, nil
}

func notModified(in *Interaction, v store.Version) bool {
	if in.IfNoneMatch != "" {
		return in.noneMatch(v.Number)
	}
	return !in.IfModifiedSince.IsZero() && !v.At.Truncate(time.Second).After(in.IfModifiedSince)
}

func (s *Server) vread(ctx context.Context, in *Interaction) (*Answer, error) {
	key := store.Key{Type: in.Type, ID: in.ID}
	in.audit.is("vread", "R", key.String()+"/_history/"+in.Version)
	if err := offered(in.Type, "vread", full, derived); err != nil {
		return nil, err
	}
	g, err := in.grant(in.Type, auth.Read)
	if err != nil {
		return nil, err
	}
	number, ok := etag(in.Version)
	if !ok {
		return nil, s.unknown(ctx, g, store.Key{Type: in.Type, ID: in.ID + "/_history/" + in.Version})
	}
	v, err := s.versionOf(ctx, in, key, number)
	if err != nil {
		return nil, err
	}
	return s.found(in, s.render(v), versionTag(v.Number), v.At)
}

// versionOf reads one version that the caller may see.
func (s *Server) versionOf(ctx context.Context, in *Interaction, key store.Key, number int64) (store.Version, error) {
	g, err := in.grant(key.Type, auth.Read)
	if err != nil {
		return store.Version{}, err
	}
	named := store.Key{Type: key.Type, ID: key.ID + "/_history/" + strconv.FormatInt(number, 10)}
	v, err := s.store.ReadVersion(ctx, key, number)
	if fault.Is(err, fault.NotFound) {
		return v, s.unknown(ctx, g, named)
	}
	if err != nil {
		return v, err
	}
	ok, err := s.visible(ctx, g, v)
	if err == nil && ok {
		ok, err = s.stillVisible(ctx, g, v)
	}
	if err == nil && !ok {
		err = hidden(named)
	}
	if err == nil && v.Erased {
		err = fault.New(fault.Gone, "deleted", "The content of version %d of %s was erased.", number, key)
	} else if err == nil && v.Deleted() {
		err = fault.New(fault.Gone, "deleted", "Version %d of %s is its deletion.", number, key)
	}
	return v, err
}

// stillVisible reports whether the caller may see the current version of a resource:
// one that was moved to another patient takes its history along.
func (s *Server) stillVisible(ctx context.Context, g auth.Grant, v store.Version) (bool, error) {
	if g.Unrestricted() {
		return true, nil
	}
	now, err := s.store.Read(ctx, v.Key)
	if err != nil || now.Number == v.Number {
		return err == nil, err
	}
	return s.visible(ctx, g, now)
}

// history answers for an instance, a type, or the system.
func (s *Server) history(ctx context.Context, in *Interaction) (*Answer, error) {
	what := "history-system"
	switch {
	case in.ID != "":
		what = "history-instance"
	case in.Type != "":
		what = "history-type"
	}
	in.audit.is(what, "R", keyText(in))
	in.audit.query(in.Query)
	if in.Verb != http.MethodGet {
		return nil, fault.New(fault.Method, "not-supported", "History is read with GET.")
	}
	q := store.HistoryQuery{Type: in.Type, ID: in.ID, Count: search.DefaultCount}
	g := auth.Grant{Alternatives: []auth.Filter{{}}} // of the system: only what has no restriction is in it
	if in.Type != "" {
		if err := offered(in.Type, "history", full, derived); err != nil {
			return nil, err
		}
		a := auth.Search
		if in.ID != "" {
			a = auth.Read
		}
		var err error
		if g, err = in.grant(in.Type, a); err != nil {
			return nil, err
		}
		q.Within = s.within(in.Type, g)
	} else {
		// A system history shows the types that the caller may search; where
		// the grants of types differ in reach, only unrestricted types show.
		if in.Who == nil {
			return nil, fault.New(fault.Unauthenticated, "login", "Send a bearer token in the Authorization header.")
		}
		for _, t := range typeNames(full, derived) {
			if in.Who.Grant(t, auth.Search).Unrestricted() {
				q.Types = append(q.Types, t)
			}
		}
		if len(q.Types) == 0 {
			return nil, fault.New(fault.Forbidden, "forbidden", "The history of the system needs a scope such as system/*.s without a constraint.")
		}
	}
	seen := map[string]bool{}
	var used []search.Pair
	for _, p := range in.Query {
		if seen[p.Name] && p.Name != "_format" {
			return nil, fault.New(fault.Invalid, "value", "%s is given twice; send it once.", p.Name)
		}
		seen[p.Name] = true
		if err := historyParam(&q, p, s.zone()); err != nil {
			return nil, err
		}
		switch p.Name {
		case "_count", "_since", "_at":
			used = append(used, p)
		}
	}
	if in.ID != "" {
		v, err := s.store.Read(ctx, store.Key{Type: in.Type, ID: in.ID})
		if fault.Is(err, fault.NotFound) {
			return nil, s.unknown(ctx, g, store.Key{Type: in.Type, ID: in.ID})
		}
		if err != nil {
			return nil, err
		}
		if ok, err := s.visible(ctx, g, v); err != nil || !ok {
			if err == nil {
				err = hidden(v.Key)
			}
			return nil, err
		}
	}
	page, err := s.store.History(ctx, q)
	if err != nil {
		return nil, err
	}
	if at := valueOf(used, "_at"); at != "" {
		iv, _ := fhirdate.Parse(at, s.zone()) // read once before
		page = currentAt(page, iv.Lo)
	}
	path := "/_history"
	if k := keyText(in); k != "" {
		path = "/" + k + path
	}
	links, err := s.pageLinks(ctx, in, s.base+path, used, page.Next)
	if err != nil {
		return nil, err
	}
	b := fhirjson.Obj("resourceType", "Bundle", "type", "history")
	if page.Total >= 0 {
		b.Set("total", fhirjson.Num(strconv.Itoa(page.Total)))
	}
	b.Set("link", links)
	var entries []rawEntry
	for _, v := range page.Versions {
		ok, err := s.stillVisible(ctx, g, v)
		if err != nil {
			return nil, err
		}
		if ok {
			entries = append(entries, s.historyEntry(v))
		}
	}
	return &Answer{Status: http.StatusOK, Resource: bundleBytes(b, entries)}, nil
}

func (s *Server) historyEntry(v store.Version) rawEntry {
	method, url, code := string(v.Method), v.Key.String(), "200 OK"
	switch {
	case v.Method == store.Post:
		url, code = v.Type, "201 Created"
	case v.Erased:
		code = "410 Gone"
	case v.Deleted():
		code = "204 No Content"
	case v.Number == 1:
		code = "201 Created"
	}
	e := rawEntry{
		head: fhirjson.Obj("fullUrl", s.base+"/"+v.Key.String()),
		tail: fhirjson.Obj(
			"request", fhirjson.Obj("method", method, "url", url),
			"response", fhirjson.Obj("status", code, "etag", versionTag(v.Number), "lastModified", lastModified(v.At)),
		),
	}
	if !v.Deleted() {
		e.resource = s.render(v)
	}
	return e
}

func keyText(in *Interaction) string {
	if in.ID != "" {
		return in.Type + "/" + in.ID
	}
	return in.Type
}

// historyParam reads one parameter of a history; modifiers and prefixes have
// no meaning there.
func historyParam(q *store.HistoryQuery, p search.Pair, zone *time.Location) error {
	switch p.Name {
	case "_count":
		n, err := strconv.Atoi(p.Value)
		if err != nil || n < 0 {
			return fault.New(fault.Invalid, "value", "_count takes a whole number from 0, not %q.", p.Value)
		}
		q.Count = min(max(n, 1), store.MaxPage)
	case "_since":
		t, err := fhirdate.Instant(p.Value)
		if err != nil {
			return fault.New(fault.Invalid, "value", "_since: %q %v.", p.Value, err)
		}
		q.Since = t
	case "_at":
		iv, err := fhirdate.Parse(p.Value, zone)
		if err != nil {
			return fault.New(fault.Invalid, "value", "_at: %q %v.", p.Value, err)
		}
		if q.ID == "" {
			return fault.New(fault.Invalid, "not-supported", "_at is offered for the history of one resource; use _since here.")
		}
		q.Until = iv.Hi.Add(-time.Millisecond)
	case search.CursorParam:
		q.Cursor = p.Value
	case "_format", "_pretty", "_summary", "_elements":
	default:
		return fault.New(fault.Invalid, "not-supported", "History takes _count, _since and _at, not %s.", p.Name)
	}
	return nil
}

func valueOf(pairs []search.Pair, name string) string {
	for _, p := range pairs {
		if p.Name == name {
			return p.Value
		}
	}
	return ""
}

// currentAt keeps the versions that were current at some moment from lo on:
// those made since, and the one that was current at lo.
func currentAt(page store.HistoryPage, lo time.Time) store.HistoryPage {
	for i, v := range page.Versions {
		if !v.At.After(lo) {
			page.Versions, page.Next = page.Versions[:i+1], ""
			break
		}
	}
	page.Total = -1
	if page.Next == "" {
		page.Total = len(page.Versions)
	}
	return page
}
