package api

import (
	"context"
	"encoding/base64"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"tidemark/internal/auth"
	"tidemark/internal/fault"
	"tidemark/internal/fhirdate"
	"tidemark/internal/fhirjson"
	"tidemark/internal/search"
	"tidemark/internal/store"
	"tidemark/internal/ward"
)

// auditNote gathers what the AuditEvent of an interaction will say.
type auditNote struct {
	interaction, action, entity, text, patient string
	done                                       bool // written with the commit
}

// is sets what sort of interaction it is. Handlers call it first, so that a
// refusal is noted as what was tried.
func (a *auditNote) is(interaction, action, entity string) {
	a.interaction, a.action, a.entity = interaction, action, entity
}

func (a *auditNote) query(pairs []search.Pair) {
	v := url.Values{}
	for _, p := range pairs {
		v.Add(p.Name, p.Value)
	}
	a.text = v.Encode()
	for _, p := range pairs {
		name, _, _ := strings.Cut(p.Name, ":")
		if name == "patient" || name == "subject" {
			a.patient = strings.TrimPrefix(p.Value, "Patient/")
		}
	}
}

func (a *auditNote) committed(v store.Version) {
	a.done = true
	a.entity = v.Key.String() + "/_history/" + strconv.FormatInt(v.Number, 10)
}

func (s *Server) record(in *Interaction, code, detail string) store.AuditRecord {
	r := store.AuditRecord{
		ID: ward.NewID(), At: s.ward.Now(), Action: in.audit.action, Interaction: in.audit.interaction, Outcome: code,
		Address: in.Address, Entity: in.audit.entity, Query: in.audit.text, Patient: in.audit.patient, Detail: detail, Request: in.Request,
	}
	if in.Who != nil {
		r.Agent, r.Client = in.Who.Subject, in.Who.Client
		// What a caller with rights over one patient was shown is that patient's;
		// what he was refused may be anybody's.
		if r.Patient == "" && code == "0" {
			r.Patient, _ = in.Who.Confined()
		}
	}
	if r.Patient == "" && strings.HasPrefix(r.Entity, "Patient/") {
		r.Patient, _, _ = strings.Cut(strings.TrimPrefix(r.Entity, "Patient/"), "/")
	}
	return r
}

// auditWrites is the record that is committed together with a write, so that
// no answered write can lack it. It is marked as written once the commit is through.
func (s *Server) auditWrites(in *Interaction) []store.AuditRecord {
	if in.audit.patient == "" && in.Body != nil {
		for _, name := range []string{"subject", "patient"} {
			if ref := in.Body.Path(name).Str("reference"); strings.HasPrefix(ref, "Patient/") {
				in.audit.patient = strings.TrimPrefix(ref, "Patient/")
			}
		}
	}
	return []store.AuditRecord{s.record(in, "0", "")}
}

// audited notes an interaction that was not committed with a write: a read or
// a refusal.
func (s *Server) audited(in *Interaction, a *Answer, err error) {
	if in.audit.done || in.audit.interaction == "" && err == nil {
		return
	}
	if in.audit.interaction == "" {
		in.audit.is("unknown", "E", keyText(in))
	}
	code, detail := "0", ""
	if err != nil {
		st := status(err)
		code = "4"
		if st >= 500 {
			code = "8"
		}
		detail = strconv.Itoa(st) + " " + http.StatusText(st)
	}
	s.auditor.add(s.record(in, code, detail))
}

// auditor writes records behind the answers, in groups.
type auditor struct {
	in     chan store.AuditRecord
	done   chan struct{}
	giveUp chan struct{} // closed when a store that stays away holds up the end
}

const auditQueue = 8192

func startAuditor(st auditStore, log func(error)) *auditor {
	a := &auditor{in: make(chan store.AuditRecord, auditQueue), done: make(chan struct{}), giveUp: make(chan struct{})}
	go func() {
		defer close(a.done)
		for r := range a.in {
			group := []store.AuditRecord{r}
			for len(group) < 512 {
				select {
				case r, ok := <-a.in:
					if ok {
						group = append(group, r)
						continue
					}
				default:
				}
				break
			}
			// An audit that cannot be written is tried until the store is back:
			// the queue fills, and requests wait for it rather than go unnoted.
			for wait := 50 * time.Millisecond; ; wait = min(2*wait, 5*time.Second) {
				err := st.Audit(context.Background(), group)
				if err == nil || fault.Of(err).Kind != fault.Unavailable {
					if err != nil {
						log(err)
					}
					break
				}
				log(err)
				select {
				case <-time.After(wait):
					continue
				case <-a.giveUp:
				}
				break
			}
		}
	}()
	return a
}

func (a *auditor) add(r store.AuditRecord) { a.in <- r }

// close waits until all records are written, but not long for a store that
// stays away.
func (a *auditor) close() {
	close(a.in)
	defer time.AfterFunc(10*time.Second, func() { close(a.giveUp) }).Stop()
	<-a.done
}

type auditStore interface {
	Audit(ctx context.Context, records []store.AuditRecord) error
}

func (s *Server) readAudit(ctx context.Context, in *Interaction) (*Answer, error) {
	g, err := in.grant("AuditEvent", auth.Read)
	if err != nil {
		return nil, err
	}
	records, _, err := s.store.AuditRecords(ctx, store.AuditQuery{ID: in.ID, Count: 1})
	if err != nil {
		return nil, err
	}
	if len(records) == 0 || !s.permitsTree("AuditEvent", g, auditEvent(records[0])) {
		return nil, hidden(store.Key{Type: "AuditEvent", ID: in.ID})
	}
	return s.found(in, auditEvent(records[0]).Bytes(), versionTag(1), records[0].At)
}

// auditParams are the search parameters of AuditEvent; /fhir/metadata lists them.
var auditParams = []string{"_id", "action", "agent", "date", "entity", "outcome", "patient", "subtype"}

func (s *Server) searchAudit(ctx context.Context, in *Interaction) (*Answer, error) {
	g, err := in.grant("AuditEvent", auth.Search)
	if err != nil {
		return nil, err
	}
	cursor, pairs := "", in.Query
	q := store.AuditQuery{Count: search.DefaultCount}
	if p, only := g.Patient(); only {
		q.Patient = p
	} else if !g.Unrestricted() {
		return nil, fault.New(fault.Forbidden, "forbidden", "AuditEvent is searched with a scope without constraint, such as system/AuditEvent.rs.")
	}
	var used []search.Pair
	var ignored []string
	for _, p := range pairs {
		if p.Name == search.CursorParam {
			q.Cursor, cursor = p.Value, p.Value
			continue
		}
		if p.Value == "" {
			continue
		}
		ok, err := auditParam(&q, p, s.zone())
		if err != nil {
			return nil, err
		}
		switch {
		case ok:
			used = append(used, p)
		case in.Prefer.Strict:
			return nil, fault.New(fault.Invalid, "not-supported", "AuditEvent has no search parameter %s here; it has %s.", p.Name, strings.Join(auditParams, ", "))
		default:
			ignored = append(ignored, p.Name)
		}
	}
	if p, only := g.Patient(); only {
		q.Patient = p
	}
	records, next, err := s.store.AuditRecords(ctx, q)
	if err != nil {
		return nil, err
	}
	links := []*fhirjson.Node{link("self", s.base+"/AuditEvent", used, cursor)}
	if next != "" {
		links = append(links, link("next", s.base+"/AuditEvent", used, next))
	}
	b := fhirjson.Obj("resourceType", "Bundle", "type", "searchset", "link", links)
	var entries []rawEntry
	for _, r := range records {
		entries = append(entries, rawEntry{head: fhirjson.Obj("fullUrl", s.base+"/AuditEvent/"+r.ID), resource: auditEvent(r).Bytes(), tail: mode("match")})
	}
	if w := ignoredOutcome(ignored); w != nil {
		entries = append(entries, rawEntry{resource: w.Bytes(), tail: mode("outcome")})
	}
	return &Answer{Status: http.StatusOK, Resource: bundleBytes(b, entries)}, nil
}

func auditParam(q *store.AuditQuery, p search.Pair, zone *time.Location) (bool, error) {
	value := func(prefix string) string { return strings.TrimPrefix(p.Value, prefix) }
	code := func() string { return p.Value[strings.LastIndexByte(p.Value, '|')+1:] }
	switch p.Name {
	case "_id":
		q.ID = p.Value
	case "action":
		q.Action = code()
	case "agent":
		q.Agent = p.Value
	case "entity":
		q.Entity = p.Value
	case "outcome":
		q.Outcome = code()
	case "patient":
		q.Patient = value("Patient/")
	case "subtype":
		q.Interaction = code()
	case "_count":
		n, err := strconv.Atoi(p.Value)
		if err != nil || n < 0 {
			return false, fault.New(fault.Invalid, "value", "_count takes a number from 0, not %q.", p.Value)
		}
		q.Count = min(max(n, 1), store.MaxPage)
	case "date":
		prefix, text := "eq", p.Value
		if len(text) > 2 && text[0] >= 'a' {
			prefix, text = text[:2], text[2:]
		}
		iv, err := fhirdate.Parse(text, zone)
		if err != nil {
			return false, fault.New(fault.Invalid, "value", "date: %q %v.", text, err)
		}
		switch prefix {
		case "eq":
			q.From, q.To = iv.Lo, iv.Hi
		case "ge":
			q.From = iv.Lo
		case "gt", "sa":
			q.From = iv.Hi
		case "lt", "eb":
			q.To = iv.Lo
		case "le":
			q.To = iv.Hi
		default:
			return false, fault.New(fault.Invalid, "value", "date takes eq, ge, gt, le, lt, sa or eb here, not %q.", prefix)
		}
	case "_format", "_pretty", "_sort", "_total":
	default:
		return false, nil
	}
	return true, nil
}

// auditEvent writes a record as an AuditEvent: R4, with the DICOM and FHIR
// codes that its value sets give for RESTful access.
func auditEvent(r store.AuditRecord) *fhirjson.Node {
	who := r.Agent
	if who == "" {
		who = "nobody whose token held"
	}
	agent := fhirjson.Obj("requestor", true)
	if typ, id, ok := cutRef(r.Agent); ok {
		agent.Set("who", fhirjson.Obj("reference", typ+"/"+id))
	} else {
		agent.Set("who", fhirjson.Obj("display", who))
	}
	if r.Client != "" {
		agent.Set("altId", fhirjson.Str(r.Client))
	}
	if r.Address != "" {
		agent.Set("network", fhirjson.Obj("address", r.Address, "type", "2"))
	}
	n := fhirjson.Obj(
		"resourceType", "AuditEvent", "id", r.ID,
		"meta", fhirjson.Obj("versionId", "1", "lastUpdated", fhirdate.Format(r.At)),
		"type", fhirjson.Obj("system", "http://terminology.hl7.org/CodeSystem/audit-event-type", "code", "rest", "display", "RESTful Operation"),
		"subtype", fhirjson.Arr(fhirjson.Obj("system", "http://hl7.org/fhir/restful-interaction", "code", r.Interaction)),
		"action", r.Action, "recorded", fhirdate.Format(r.At), "outcome", r.Outcome,
	)
	if r.Detail != "" {
		n.Set("outcomeDesc", fhirjson.Str(r.Detail))
	}
	n.Set("agent", fhirjson.Arr(agent))
	n.Set("source", fhirjson.Obj("observer", fhirjson.Obj("display", "Tidemark")))
	var entities []*fhirjson.Node
	if r.Entity != "" {
		e := fhirjson.Obj()
		key, _, _ := strings.Cut(r.Entity, "/_history/")
		if _, _, ok := cutRef(key); ok {
			e.Set("what", fhirjson.Obj("reference", r.Entity))
		} else { // what was asked for names no resource
			e.Set("what", fhirjson.Obj("display", printable(r.Entity)))
		}
		entities = append(entities, e)
	}
	if r.Query != "" {
		// sev-1: an entity has a name or a query, not both.
		entities = append(entities, fhirjson.Obj("query", base64.StdEncoding.EncodeToString([]byte(r.Query))))
	}
	if r.Patient != "" && idPattern(r.Patient) {
		entities = append(entities, fhirjson.Obj("what", fhirjson.Obj("reference", "Patient/"+r.Patient), "role", fhirjson.Obj("system", "http://terminology.hl7.org/CodeSystem/object-role", "code", "1", "display", "Patient")))
	}
	if r.Request != "" {
		entities = append(entities, fhirjson.Obj("what", fhirjson.Obj("identifier", fhirjson.Obj("value", r.Request)), "type", fhirjson.Obj("system", "https://profiles.ihe.net/ITI/BALP/CodeSystem/BasicAuditEntityType", "code", "XrequestId")))
	}
	if len(entities) > 0 {
		n.Set("entity", &fhirjson.Node{Kind: fhirjson.Array, Items: entities})
	}
	return n
}
