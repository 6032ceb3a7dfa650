package sqlite

import (
	"context"
	"strings"
	"time"

	"tidemark/internal/store"
	"tidemark/internal/store/engine"
)

// auditKey is the first key of the records of a microsecond, as far as keys go: to the year
// 2141. Before 2027 there were 4096 for each, which would have ended in 2042;
// the keys of then stand in files, so that they are as they were.
func auditKey(micros int64) int64 {
	const turn = 1798761600_000000 // 2027-01-01T00:00Z
	const before, since = 4096, 512
	switch {
	case micros < first/before:
		return first
	case micros < turn:
		return micros * before
	case micros-turn > (last-turn*before)/since:
		return last
	}
	return turn*before + (micros-turn)*since
}

const auditColumns = "seq, id, at, action, interaction, outcome, agent, client, address, entity, query, patient, detail, request"

// audit appends records inside the writer's transaction.
func (w *writer) audit(records []store.AuditRecord) error {
	for i := range records {
		r := &records[i]
		at := engine.Micro(r.At)
		// Records come nearly in order, so that the next free key is the
		// first of the microsecond or right behind the last one.
		seq, next := auditKey(at), auditKey(at+1)
		if w.audits >= seq && w.audits < next {
			seq = w.audits + 1
		} else if seq <= w.audits {
			free, err := w.c.number("SELECT ifnull(max(seq) + 1, ?1) FROM audit WHERE seq >= ?1 AND seq < ?2", seq, next)
			if err != nil {
				return err
			}
			seq = free
		}
		err := w.c.exec("INSERT INTO audit ("+auditColumns+") VALUES (?,?,?,?,?,?,?,?,?,?,?,?,?,?)",
			seq, r.ID, at, r.Action, r.Interaction, r.Outcome, r.Agent, r.Client, r.Address, r.Entity, r.Query, r.Patient, r.Detail, r.Request)
		if err != nil {
			return err
		}
		w.audits = max(w.audits, seq)
	}
	return nil
}

// Audit implements store.Store.
func (s *Store) Audit(ctx context.Context, records []store.AuditRecord) error {
	if len(records) == 0 {
		return nil
	}
	return s.write(ctx, len(records) == 1, func(w *writer) error { return w.audit(records) })
}

// auditIndex names the index for a query by its most selective field.
// Outcome 0 is what nearly all records have, so its walk needs no index.
func auditIndex(q store.AuditQuery) string {
	switch {
	case q.ID != "":
		return "INDEXED BY audit_id"
	case q.Entity != "":
		return "INDEXED BY audit_entity"
	case q.Patient != "":
		return "INDEXED BY audit_patient"
	case q.Agent != "":
		return "INDEXED BY audit_agent"
	case q.Outcome != "" && q.Outcome != "0":
		return "INDEXED BY audit_outcome"
	case q.Interaction != "":
		return "INDEXED BY audit_interaction"
	case q.Action != "":
		return "INDEXED BY audit_action"
	}
	return "NOT INDEXED"
}

// The versions of an entity lie between these two, behind its own name.
const ofVersions, ofVersionsEnd = "/_history/", "/_history0"

// auditSelect builds the statement of a query.
func auditSelect(q store.AuditQuery, before int64) (string, []any) {
	var b strings.Builder
	b.WriteString("SELECT " + auditColumns + " FROM audit " + auditIndex(q) + " WHERE seq < ? AND seq >= ?")
	from := first
	if !q.From.IsZero() {
		from = auditKey(engine.Bound(q.From, 0))
	}
	if !q.To.IsZero() {
		before = min(before, auditKey(engine.Bound(q.To, 0)))
	}
	args := []any{before, from}
	for _, f := range []struct{ column, value, also string }{
		{"id", q.ID, ""}, {"patient", q.Patient, " AND patient <> ''"}, {"agent", q.Agent, " AND agent <> ''"},
		{"outcome", q.Outcome, ""}, {"interaction", q.Interaction, ""}, {"action", q.Action, ""},
	} {
		if f.value == "" {
			continue
		}
		also := f.also
		if f.column == "outcome" && f.value != "0" {
			also = " AND outcome <> '0'"
		}
		b.WriteString(" AND " + f.column + " = ?" + also)
		args = append(args, f.value)
	}
	if q.Entity != "" { // a range of the index, of which what begins alike is left out
		b.WriteString(" AND entity <> '' AND entity >= ? AND entity < ? AND (entity = ? OR entity >= ?)")
		args = append(args, q.Entity, q.Entity+ofVersionsEnd, q.Entity, q.Entity+ofVersions)
	}
	b.WriteString(" ORDER BY seq DESC LIMIT ?")
	return b.String(), append(args, engine.PageSize(q.Count)+1)
}

// AuditRecords implements store.Store.
func (s *Store) AuditRecords(ctx context.Context, q store.AuditQuery) ([]store.AuditRecord, string, error) {
	sum := engine.Digest(q.ID, q.Agent, q.Patient, q.Entity, q.Action, q.Interaction, q.Outcome, q.From, q.To)
	before := last
	if q.Cursor != "" {
		if err := engine.ReadCursor(q.Cursor, sum, &before); err != nil {
			return nil, "", err
		}
	}
	var out []store.AuditRecord
	var next string
	err := s.read(ctx, "read the audit records", func(c *conn) error {
		text, args := auditSelect(q, before)
		var seqs []int64
		err := c.rows(ctx, func(r row) error {
			seqs = append(seqs, r.int(0))
			out = append(out, store.AuditRecord{ID: r.text(1), At: r.moment(2), Action: r.text(3), Interaction: r.text(4), Outcome: r.text(5),
				Agent: r.text(6), Client: r.text(7), Address: r.text(8), Entity: r.text(9), Query: r.text(10), Patient: r.text(11), Detail: r.text(12), Request: r.text(13)})
			return nil
		}, text, args...)
		if n := engine.PageSize(q.Count); err == nil && len(out) > n {
			out = out[:n]
			next = engine.Cursor(sum, seqs[n-1])
		}
		return err
	})
	if err != nil {
		return nil, "", err
	}
	return out, next, nil
}

// dropStep is how many audit records one transaction deletes, so that writers
// need not wait for all.
const dropStep = 5000

// DropAudit implements store.Store.
func (s *Store) DropAudit(ctx context.Context, before time.Time) (int, error) {
	total := 0
	for {
		var n int64
		err := s.write(ctx, true, func(w *writer) (err error) {
			n, err = w.c.execN(sqlDropAudit, auditKey(engine.Bound(before, first)), dropStep)
			return err
		})
		if err != nil {
			return total, err
		}
		total += int(n)
		if n < dropStep {
			return total, nil
		}
	}
}

const sqlDropAudit = "DELETE FROM audit WHERE seq IN (SELECT seq FROM audit WHERE seq < ? ORDER BY seq LIMIT ?)"
