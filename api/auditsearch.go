package api

import (
	"context"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"tidemark/fhirmap"
	"tidemark/internal/auth"
	"tidemark/internal/fault"
	"tidemark/internal/fhirjson"
	"tidemark/internal/search"
	"tidemark/internal/store"
)

// AuditEvents are stored as records, and there are more of them than of anything
// else. A search is parsed like any other: the store selects by what it has indexes
// for, and the rest of the query is evaluated on each record.

// auditScan is how many records one request reads. A page that is not full by then
// is returned as it is, with a next link that continues the search.
const auditScan = 20000

// searchAudit searches AuditEvents; extra clauses are those of a compartment.
func (s *Server) searchAudit(ctx context.Context, in *Interaction, path string, extra []search.Clause) (*Answer, error) {
	g, err := in.grant("AuditEvent", auth.Search)
	if err != nil {
		return nil, err
	}
	q, ctl, err := search.ParseQuery("AuditEvent", in.Query, s.parseOptions(in.Prefer.Strict))
	if err != nil {
		return nil, err
	}
	q.Where = append(q.Where, extra...)
	q.Within = s.within("AuditEvent", g)
	if err := s.resolve(ctx, in, &q); err != nil {
		return nil, err
	}
	scan := auditScanner{s: s, g: g, q: q, of: auditQuery(q)}
	if p, only := g.Patient(); only && scan.of.Patient == "" {
		scan.of.Patient = p
	}
	var found []store.Version
	next, total := "", -1
	switch {
	case ctl.Summary == "count" || ctl.Total == "accurate" || !newestFirst(q.Sort):
		all, err := scan.all(ctx)
		if err != nil {
			return nil, err
		}
		total = len(all)
		if ctl.Summary == "count" {
			break
		}
		if found, next, err = scan.inOrder(all); err != nil {
			return nil, err
		}
	default:
		if found, next, err = scan.page(ctx); err != nil {
			return nil, err
		}
		if q.Cursor == "" && next == "" {
			total = len(found)
		}
	}
	b := fhirjson.Obj("resourceType", "Bundle", "type", "searchset")
	if total >= 0 && ctl.Total != "none" {
		b.Set("total", fhirjson.Num(strconv.Itoa(total)))
	}
	links, err := s.pageLinks(ctx, in, s.base+path, ctl.Used, next)
	if err != nil {
		return nil, err
	}
	b.Set("link", links)
	entries, err := s.matches(ctx, in, found, ctl)
	if err != nil {
		return nil, err
	}
	if w := ignoredOutcome(ctl.Ignored); w != nil {
		entries = append(entries, rawEntry{resource: w.Bytes(), tail: mode("outcome")})
	}
	return &Answer{Status: http.StatusOK, Resource: bundleBytes(b, entries)}, nil
}

// newestFirst reports whether the order is the one in which records are kept.
func newestFirst(sort []search.SortKey) bool {
	return len(sort) == 0 || sort[0].Desc && (sort[0].Param == "date" || sort[0].Param == "_lastUpdated")
}

// auditQuery is the part of a query that the store can select by: clauses with one
// value. It may match more than the query, never less.
func auditQuery(q search.Query) store.AuditQuery {
	var out store.AuditQuery
	set := func(field *string, value string) {
		if *field == "" && !strings.HasPrefix(value, "|") {
			*field = value
		}
	}
	for _, c := range q.Where {
		if len(c.Values) != 1 || c.Modifier != "" || c.Link != nil {
			continue
		}
		switch v := c.Values[0]; c.Param {
		case "_id":
			set(&out.ID, v.Code)
		case "action":
			set(&out.Action, v.Code)
		case "agent":
			set(&out.Agent, v.Ref)
		case "entity":
			set(&out.Entity, v.Ref)
		case "outcome":
			set(&out.Outcome, v.Code)
		case "patient":
			if id, ok := strings.CutPrefix(v.Ref, "Patient/"); ok {
				set(&out.Patient, id)
			}
		case "subtype":
			set(&out.Interaction, v.Code)
		}
	}
	p := q.Plan()
	if p.DateFrom != search.NoDate {
		// A record is of one millisecond, which the bound may fall into.
		out.From = time.UnixMicro(p.DateFrom).UTC().Add(-time.Millisecond)
	}
	if p.DateTo != search.MaxDate {
		out.To = time.UnixMicro(p.DateTo).UTC()
	}
	// A reference to the patient also stands in the entity. One index is enough,
	// and the patient's has only records about that patient.
	if out.Patient == "" {
		if id, ok := strings.CutPrefix(out.Entity, "Patient/"); ok {
			out.Patient, out.Entity = id, ""
		}
	}
	return out
}

type auditScanner struct {
	s  *Server
	g  auth.Grant
	q  search.Query
	of store.AuditQuery
}

// matching gives a record as a resource, when the query matches it.
func (a auditScanner) matching(r store.AuditRecord) (store.Version, search.Doc, bool) {
	n := auditEvent(shownTo(a.g, r))
	doc := a.s.doc(n)
	if !a.q.Match(doc) {
		return store.Version{}, doc, false
	}
	return store.Version{Key: store.Key{Type: "AuditEvent", ID: r.ID}, Number: 1, At: r.At, Method: store.Post, Body: fhirmap.Body(n)}, doc, true
}

// page reads on from the cursor until the page is full and one more match shows that
// there is a next page.
func (a auditScanner) page(ctx context.Context) (out []store.Version, next string, err error) {
	q := a.of
	q.Cursor, q.Count = a.q.Cursor, a.q.Count+1
	full := "" // the cursor behind the last match of the page
	for looked := 0; ; q.Count = store.MaxPage {
		records, after, err := a.s.store.AuditRecords(ctx, q)
		if err != nil {
			return nil, "", err
		}
		for i, r := range records {
			v, _, ok := a.matching(r)
			if !ok {
				continue
			}
			if len(out) == a.q.Count {
				return out, full, nil
			}
			if out = append(out, v); len(out) < a.q.Count || i+1 == len(records) {
				continue
			}
			upTo := q
			upTo.Count = i + 1
			if _, full, err = a.s.store.AuditRecords(ctx, upTo); err != nil {
				return nil, "", err
			}
		}
		if looked += len(records); after == "" {
			return out, "", nil
		}
		if len(out) == a.q.Count && full == "" {
			full = after
		}
		if looked >= auditScan {
			if full == "" {
				full = after
			}
			return out, full, nil
		}
		q.Cursor = after
	}
}

type auditMatch struct {
	version store.Version
	doc     search.Doc
}

// all collects every match, for a total or another order.
func (a auditScanner) all(ctx context.Context) (out []auditMatch, err error) {
	q := a.of
	q.Count = store.MaxPage
	for looked := 0; ; {
		records, after, err := a.s.store.AuditRecords(ctx, q)
		if err != nil {
			return nil, err
		}
		for _, r := range records {
			if v, doc, ok := a.matching(r); ok {
				out = append(out, auditMatch{v, doc})
			}
		}
		if after == "" {
			return out, nil
		}
		if looked += len(records); looked >= auditScan {
			return nil, fault.New(fault.Invalid, "too-costly", "A total, or another order than the newest first, takes more than %d AuditEvents; narrow by date, patient, agent or entity.", auditScan)
		}
		q.Cursor = after
	}
}

// inOrder sorts the matches and returns the page after the match that the cursor
// names. Records added in between are sorted by their own values.
func (a auditScanner) inOrder(all []auditMatch) (out []store.Version, next string, err error) {
	slices.SortStableFunc(all, func(x, y auditMatch) int { return a.q.Order(x.doc, y.doc) })
	from := 0
	if a.q.Cursor != "" {
		i := slices.IndexFunc(all, func(m auditMatch) bool { return m.version.ID == a.q.Cursor })
		if i < 0 {
			return nil, "", fault.New(fault.Invalid, "value", "The page link leads to an AuditEvent that is no longer there; search again without it.")
		}
		from = i + 1
	}
	to := min(from+a.q.Count, len(all))
	for _, m := range all[from:to] {
		out = append(out, m.version)
	}
	if to < len(all) {
		next = all[to-1].version.ID
	}
	return out, next, nil
}
