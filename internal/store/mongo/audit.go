package mongo

import (
	"context"
	"time"

	"go.mongodb.org/mongo-driver/v2/bson"
	"go.mongodb.org/mongo-driver/v2/mongo/options"

	"tidemark/internal/store"
	"tidemark/internal/store/engine"
)

// record is the document of an audit record. Its _id grows within a process,
// which orders records of one microsecond.
type record struct {
	OID         bson.ObjectID `bson:"_id"`
	ID          string        `bson:"id"`
	At          int64         `bson:"at"` // microseconds
	Action      string        `bson:"action"`
	Interaction string        `bson:"interaction"`
	Outcome     string        `bson:"outcome"`
	Refused     string        `bson:"refused,omitempty"` // the outcome unless it is success; few records have it, so it has an index
	Agent       string        `bson:"agent,omitempty"`
	Client      string        `bson:"client,omitempty"`
	Address     string        `bson:"address,omitempty"`
	Entity      string        `bson:"entity,omitempty"`
	Query       string        `bson:"query,omitempty"`
	Patient     string        `bson:"patient,omitempty"`
	Detail      string        `bson:"detail,omitempty"`
	Request     string        `bson:"request,omitempty"`
}

const success = "0" // http://hl7.org/fhir/audit-event-outcome

// Audit implements store.Store.
func (s *Store) Audit(ctx context.Context, records []store.AuditRecord) error {
	leave, err := s.enter(ctx)
	if err != nil {
		return err
	}
	defer leave()
	return wrap(ctx, s.insertRecords(ctx, recordsOf(records)), "write audit records")
}

// recordsOf makes documents of audit records. It assigns their _ids, so that a
// write in doubt can be repeated.
func recordsOf(records []store.AuditRecord) []record {
	docs := make([]record, len(records))
	for i, r := range records {
		docs[i] = record{bson.NewObjectID(), r.ID, engine.Micro(r.At), r.Action, r.Interaction, r.Outcome, "", r.Agent, r.Client, r.Address, r.Entity, r.Query, r.Patient, r.Detail, r.Request}
		if r.Outcome != success {
			docs[i].Refused = r.Outcome
		}
	}
	return docs
}

// insertRecords writes the audit records that are not there yet.
func (s *Store) insertRecords(ctx context.Context, records []record) error {
	if len(records) == 0 {
		return nil
	}
	docs := make([]any, len(records))
	for i, r := range records {
		docs[i] = r
	}
	_, err := s.db.Collection(audits).InsertMany(ctx, docs, options.InsertMany().SetOrdered(false))
	if _, there := duplicates(err); there {
		return nil
	}
	return err
}

// auditMark is the place of a page.
type auditMark struct {
	At  int64         `json:"a"`
	OID bson.ObjectID `json:"o"`
}

// AuditRecords implements store.Store.
func (s *Store) AuditRecords(ctx context.Context, q store.AuditQuery) ([]store.AuditRecord, string, error) {
	leave, err := s.enter(ctx)
	if err != nil {
		return nil, "", err
	}
	defer leave()
	sum := engine.Digest(q.ID, q.Agent, q.Patient, q.Entity, q.Action, q.Interaction, q.Outcome, q.From, q.To)
	var m *auditMark
	if q.Cursor != "" {
		m = new(auditMark)
		if err := engine.ReadCursor(q.Cursor, sum, m); err != nil {
			return nil, "", err
		}
	}
	filter, index := auditFilter(q, m)
	n := engine.PageSize(q.Count)
	found, err := list[record](ctx, s, audits, index, filter, options.Find().SetSort(bson.D{is("at", -1), is("_id", -1)}).SetLimit(int64(n+1)))
	if err != nil {
		return nil, "", wrap(ctx, err, "read the audit records")
	}
	next := ""
	if len(found) > n {
		found = found[:n]
		next = engine.Cursor(sum, auditMark{found[n-1].At, found[n-1].OID})
	}
	var out []store.AuditRecord
	for _, r := range found {
		out = append(out, store.AuditRecord{ID: r.ID, At: engine.OfMicro(r.At), Action: r.Action, Interaction: r.Interaction, Outcome: r.Outcome,
			Agent: r.Agent, Client: r.Client, Address: r.Address, Entity: r.Entity, Query: r.Query, Patient: r.Patient, Detail: r.Detail, Request: r.Request})
	}
	return out, next, nil
}

// The versions of an entity lie between these two, behind its own name.
const ofVersions, ofVersionsEnd = "/_history/", "/_history0"

// auditFilter selects records, and names the index by the field that leaves
// the fewest. Most records are successful reads, so their action, interaction
// and outcome have none: the walk by time filters them.
func auditFilter(q store.AuditQuery, m *auditMark) (bson.D, string) {
	var filter bson.D
	index := ""
	for _, f := range []struct{ field, value, index string }{
		{"id", q.ID, "id"}, {"patient", q.Patient, "patient"}, {"agent", q.Agent, "agent"},
		{"outcome", q.Outcome, ""}, {"interaction", q.Interaction, ""}, {"action", q.Action, ""},
	} {
		if f.value == "" {
			continue
		}
		if f.field == "outcome" && f.value != success {
			f.field, f.index = "refused", "refused"
		}
		filter = append(filter, is(f.field, f.value))
		if index == "" {
			index = f.index
		}
	}
	if q.Entity != "" { // a range of the index, of which what begins alike is left out
		filter = append(filter, is("entity", bson.D{is("$gte", q.Entity), is("$lt", q.Entity+ofVersionsEnd)}),
			is("$and", bson.A{bson.D{is("$or", bson.A{bson.D{is("entity", q.Entity)}, bson.D{is("entity", bson.D{is("$gte", q.Entity+ofVersions)})}})}}))
		if q.ID == "" {
			index = "entity"
		}
	}
	var at bson.D
	if !q.From.IsZero() {
		at = append(at, is("$gte", engine.Bound(q.From, 0)))
	}
	if !q.To.IsZero() {
		at = append(at, is("$lt", engine.Bound(q.To, 0)))
	}
	if m != nil {
		// $lte bounds the walk, $or ends it at the record.
		at = append(at, is("$lte", m.At))
		filter = append(filter, is("$or", bson.A{bson.D{is("at", bson.D{is("$lt", m.At)})}, bson.D{is("_id", bson.D{is("$lt", m.OID)})}}))
	}
	if len(at) > 0 {
		filter = append(filter, is("at", at))
	}
	if index == "" {
		index = "time"
	}
	return filter, index
}

// dropStep is how many audit records one command deletes, so that it ends in time.
const dropStep = 5000

// DropAudit implements store.Store.
func (s *Store) DropAudit(ctx context.Context, before time.Time) (int, error) {
	leave, err := s.enter(ctx)
	if err != nil {
		return 0, err
	}
	defer leave()
	total := 0
	for {
		old, err := list[record](ctx, s, audits, "time", bson.D{is("at", bson.D{is("$lt", engine.Bound(before, 0))})}, options.Find().SetSort(bson.D{is("at", -1), is("_id", -1)}).SetLimit(dropStep).SetProjection(bson.D{is("_id", 1)}))
		if err != nil {
			return total, wrap(ctx, err, "delete audit records")
		}
		ids := make([]bson.ObjectID, len(old))
		for i, r := range old {
			ids[i] = r.OID
		}
		if len(ids) > 0 {
			r, err := s.db.Collection(audits).DeleteMany(ctx, bson.D{in("_id", ids)}, options.DeleteMany().SetHint(byID))
			if err != nil {
				return total, wrap(ctx, err, "delete audit records")
			}
			total += int(r.DeletedCount)
		}
		if len(ids) < dropStep {
			return total, nil
		}
	}
}
