package api

import (
	"context"
	"encoding/base64"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
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

// is sets the kind of interaction. Handlers call it first, so that a refusal is
// recorded as what was attempted.
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
	a.will(v.Key, v.Number)
}

// will names the version that a write makes; the audit record is committed with it.
func (a *auditNote) will(key store.Key, number int64) {
	a.entity = key.String() + "/_history/" + strconv.FormatInt(number, 10)
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
	return short(r)
}

// auditWrites is the record committed together with a write, so that every answered
// write has one. It is marked as written once the commit has succeeded.
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

// audited records an interaction that is no write: a read or a refusal. If it cannot
// be recorded, the caller gets that error in place of the answer.
func (s *Server) audited(in *Interaction, a *Answer, err error) (*Answer, error) {
	if in.audit.done || in.audit.interaction == "" && err == nil {
		return a, err
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
	rec := s.record(in, code, detail)
	if in.Who == nil && err != nil {
		rec.Query = "" // of nobody: the kind, the place and the time are enough
		note, wait := s.refusals.refused(rec)
		if wait != nil {
			err = wait
		}
		if !note {
			return nil, err
		}
	}
	if full := s.auditor.add(rec); full != nil {
		return nil, full
	}
	return a, err
}

// auditor writes records after the answers, in groups. How many may wait for a store
// that takes none is bounded; beyond that, requests are refused.
type auditor struct {
	in    chan store.AuditRecord
	done  chan struct{}
	ctx   context.Context // of the writes; ends soon after close
	end   context.CancelFunc
	log   func(lost int, err error)
	away  atomic.Bool  // the last try to write has failed
	mu    sync.RWMutex // held for reading while a record is put in
	ended bool         // in is closed, or about to be
}

// auditRoom is how many records may wait by default: some 4 MB.
const auditRoom = 8192

// auditWait is how long an answer waits for room while the store takes records too
// slowly; auditGrace is how long a stop waits for those still in the queue.
const (
	auditWait  = time.Second
	auditGrace = 2 * time.Second
)

func startAuditor(st auditStore, room int, log func(lost int, err error)) *auditor {
	a := &auditor{in: make(chan store.AuditRecord, room), done: make(chan struct{}), log: log}
	a.ctx, a.end = context.WithCancel(context.Background())
	go a.run(st)
	return a
}

func (a *auditor) run(st auditStore) {
	defer close(a.done)
	lost := 0
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
		lost += a.keep(st, group)
	}
	if lost > 0 {
		a.log(lost, a.ctx.Err())
	}
}

// keep writes a group, retrying until the store is back or the service stops, and
// returns how many records were lost.
func (a *auditor) keep(st auditStore, group []store.AuditRecord) (lost int) {
	for wait := 50 * time.Millisecond; ; wait = min(2*wait, 5*time.Second) {
		err := st.Audit(a.ctx, group)
		if err == nil {
			a.away.Store(false)
			return 0
		}
		if a.ctx.Err() != nil {
			return len(group)
		}
		a.log(0, err)
		if fault.Of(err).Kind != fault.Unavailable {
			return len(group)
		}
		a.away.Store(true)
		select {
		case <-time.After(wait):
		case <-a.ctx.Done():
			return len(group)
		}
	}
}

// add takes a record, or refuses it at once when there is no room and none will come.
func (a *auditor) add(r store.AuditRecord) error {
	a.mu.RLock()
	defer a.mu.RUnlock()
	if a.ended {
		return unnoted()
	}
	select {
	case a.in <- r:
		return nil
	default:
	}
	if a.away.Load() {
		return unnoted()
	}
	t := time.NewTimer(auditWait)
	defer t.Stop()
	select {
	case a.in <- r:
		return nil
	case <-t.C:
		return unnoted()
	}
}

// room says whether a record would be taken.
func (a *auditor) room() error {
	if len(a.in) == cap(a.in) && a.away.Load() {
		return unnoted()
	}
	return nil
}

func unnoted() error {
	f := fault.New(fault.Unavailable, "transient", "The access cannot be noted, since the store takes no audit records, and nothing is answered without. Try again later.")
	f.RetryAfter = 5 * time.Second
	return f
}

// close waits until all records are written, but not for a store that stays
// unreachable. It is called after the last writer; a later record is refused.
func (a *auditor) close() {
	a.mu.Lock()
	a.ended = true
	close(a.in)
	a.mu.Unlock()
	defer a.end()
	defer time.AfterFunc(auditGrace, func() {
		if a.away.Load() {
			a.end()
		}
	}).Stop()
	defer time.AfterFunc(5*auditGrace, a.end).Stop()
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
	return s.found(in, auditEvent(shownTo(g, records[0])).Bytes(), versionTag(1), records[0].At)
}

// shownTo leaves out the search text, which may name other patients, unless the
// caller may see everything.
func shownTo(g auth.Grant, r store.AuditRecord) store.AuditRecord {
	if !g.Unrestricted() {
		r.Query = ""
	}
	return r
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
	if r.Patient != "" && fhirjson.IsID(r.Patient) {
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
