package sqlite

import (
	"context"
	"encoding/json"
	"time"

	"tidemark/internal/drain"
	"tidemark/internal/store/engine"
)

// A concern's row has columns for what queries select by, and the rest as JSON.

const (
	concernColumns = "id, drain, patient, kind, severity, since, until, life, version"

	sqlConcerns = "SELECT " + concernColumns + " FROM concern WHERE drain = ? ORDER BY since DESC, id"
	// Two parts, each with its own index.
	sqlConcernsSince = "SELECT * FROM (SELECT " + concernColumns + " FROM concern WHERE drain = ?1 AND until IS NULL UNION ALL" +
		" SELECT " + concernColumns + " FROM concern WHERE drain = ?1 AND until IS NOT NULL AND until >= ?2) ORDER BY since DESC, id"
	sqlOpenConcerns = "SELECT " + concernColumns + " FROM concern WHERE until IS NULL AND id > ? ORDER BY id LIMIT ?"
)

type lifeRow struct {
	Withdrawn bool          `json:"withdrawn,omitempty"`
	Headline  string        `json:"headline,omitempty"`
	Evidence  []evidenceRow `json:"evidence,omitempty"`
	Announced *int64        `json:"announced,omitempty"` // times in microseconds
	Reason    string        `json:"reason,omitempty"`
	Policy    string        `json:"policy,omitempty"`

	Acknowledged   *int64   `json:"acknowledged,omitempty"`
	AcknowledgedBy string   `json:"by,omitempty"`
	AtSeverity     string   `json:"atSeverity,omitempty"`
	AtHigh         []string `json:"atHigh,omitempty"`
	Void           string   `json:"void,omitempty"`
}

type evidenceRow struct {
	Rule     string   `json:"rule"`
	Severity string   `json:"severity"`
	Since    *int64   `json:"since,omitempty"`
	Text     string   `json:"text"`
	Readings []string `json:"readings,omitempty"`
}

func lifeOf(c *drain.Concern) string {
	l := lifeRow{Withdrawn: c.Withdrawn, Headline: c.Headline, Announced: engine.Micros(c.Announced.At), Reason: c.Announced.Reason, Policy: c.Policy,
		Acknowledged: engine.Micros(c.Acknowledged.At), AcknowledgedBy: c.Acknowledged.By, AtSeverity: string(c.Acknowledged.Severity), AtHigh: c.Acknowledged.High, Void: c.Acknowledged.Void}
	for _, e := range c.Evidence {
		l.Evidence = append(l.Evidence, evidenceRow{e.Rule, string(e.Severity), engine.Micros(e.Since), e.Text, e.Readings})
	}
	b, _ := json.Marshal(l) // such a struct always marshals
	return string(b)
}

func concernRow(r row) (drain.Concern, error) {
	c := drain.Concern{ID: r.text(0), Drain: r.text(1), Patient: r.text(2), Kind: r.text(3), Severity: drain.Severity(r.text(4)), Since: r.moment(5), Until: r.moment(6), Version: r.int(8)}
	var l lifeRow
	if err := json.Unmarshal([]byte(r.text(7)), &l); err != nil {
		return c, err
	}
	c.Withdrawn, c.Headline, c.Policy = l.Withdrawn, l.Headline, l.Policy
	c.Announced = drain.Announced{At: engine.Moment(l.Announced), Reason: l.Reason}
	c.Acknowledged = drain.Acknowledged{At: engine.Moment(l.Acknowledged), By: l.AcknowledgedBy, Severity: drain.Severity(l.AtSeverity), High: l.AtHigh, Void: l.Void}
	for _, e := range l.Evidence {
		c.Evidence = append(c.Evidence, drain.Evidence{Rule: e.Rule, Severity: drain.Severity(e.Severity), Since: engine.Moment(e.Since), Text: e.Text, Readings: e.Readings})
	}
	return c, nil
}

// concerns reads rows of concerns.
func (s *Store) concerns(ctx context.Context, text string, args ...any) ([]drain.Concern, error) {
	var out []drain.Concern
	err := s.read(ctx, "read concerns", func(c *conn) error {
		out = nil
		return c.rows(ctx, func(r row) error {
			x, err := concernRow(r)
			out = append(out, x)
			return err
		}, text, args...)
	})
	if err != nil {
		return nil, err
	}
	return out, nil
}

// Concerns implements store.Store, as does the method below.
func (s *Store) Concerns(ctx context.Context, drainID string, ended time.Time) ([]drain.Concern, error) {
	if ended.IsZero() {
		return s.concerns(ctx, sqlConcerns, drainID)
	}
	return s.concerns(ctx, sqlConcernsSince, drainID, engine.Micro(ended))
}

func (s *Store) OpenConcerns(ctx context.Context, after string, limit int) ([]drain.Concern, error) {
	return s.concerns(ctx, sqlOpenConcerns, after, limit)
}

// toSchema4 makes a concern of each finding: one of one rule, by whose name it
// goes. The rules then put those that are open together.
func (w *writer) toSchema4() error {
	var rows []drain.Concern
	err := w.c.quick(func(r row) error {
		c := drain.Concern{ID: r.text(0), Drain: r.text(1), Patient: r.text(2), Kind: r.text(3), Severity: drain.Severity(r.text(4)), Since: r.moment(5), Until: r.moment(6),
			Withdrawn: r.bool(7), Headline: r.text(11), Policy: r.text(12), Version: r.int(13)}
		rows = append(rows, c.OfFinding(split[string](r.text(10)), r.moment(8), r.moment(9)))
		return nil
	}, "SELECT id, drain, patient, rule, severity, since, until, withdrawn, acknowledged, announced, evidence, text, policy, version FROM finding")
	if err != nil {
		return err
	}
	for i := range rows {
		c := &rows[i]
		if err := w.c.exec(insertFact("concern", concernColumns), append(concernArgs(c.ID, c), c.Version)...); err != nil {
			return err
		}
	}
	return w.c.exec("DROP TABLE finding")
}

func concernArgs(id string, c *drain.Concern) []any {
	return []any{id, c.Drain, c.Patient, c.Kind, string(c.Severity), micros(c.Since), micros(c.Until), lifeOf(c)}
}
