package api

import (
	"context"
	"net/http"
	"slices"
	"strings"

	"tidemark/fhirmap"
	"tidemark/internal/answer"
	"tidemark/internal/auth"
	"tidemark/internal/balance"
	"tidemark/internal/budget"
	"tidemark/internal/fault"
	"tidemark/internal/fhirdate"
	"tidemark/internal/fhirjson"
	"tidemark/internal/plot"
	"tidemark/internal/store"
	"tidemark/internal/ward"
	"tidemark/internal/window"
)

// span reads period, start, end and attribution.
func (s *Server) span(p Params) (ward.Span, error) {
	var out ward.Span
	if err := p.only("period", "start", "end", "attribution"); err != nil {
		return out, err
	}
	out.Period = window.Day
	if t := p.Text("period"); t != "" {
		var err error
		if out.Period, err = window.ParsePeriod(t); err != nil {
			return out, fault.New(fault.Invalid, "value", "period is hour, shift, day or total, not %q.", t)
		}
	}
	var err error
	if out.Attribution, err = attributed(p); err != nil {
		return out, err
	}
	for _, name := range []string{"start", "end"} {
		t := p.Text(name)
		if t == "" {
			continue
		}
		iv, err := fhirdate.Parse(t, s.zone())
		if err != nil {
			return out, fault.New(fault.Invalid, "value", "%s: %q %v.", name, t, err)
		}
		b := ward.Bound{At: iv.Lo}
		switch iv.Precision {
		case fhirdate.Day:
			b = ward.Bound{Date: t}
		case fhirdate.Year, fhirdate.Month:
			return out, fault.New(fault.Invalid, "value", "%s: %q is neither a date nor an instant.", name, t)
		default:
			if !iv.Zoned {
				return out, fault.New(fault.Invalid, "value", "%s: %q has no zone; write a + in a URL as %%2B.", name, t)
			}
		}
		if name == "start" {
			out.Start = b
		} else {
			out.End = b
		}
	}
	return out, nil
}

// attributed reads attribution.
func attributed(p Params) (balance.Attribution, error) {
	switch a := balance.Attribution(p.Text("attribution")); a {
	case "", balance.Charted:
		return balance.Charted, nil
	case balance.Spread:
		return a, nil
	default:
		return a, fault.New(fault.Invalid, "value", "attribution is charted or spread, not %q.", a)
	}
}

// reach checks that the caller may read the instance, and returns the grant on all
// that the answer is derived from; the grant may cover one patient only.
func (s *Server) reach(ctx context.Context, in *Interaction) (auth.Grant, error) {
	if _, err := s.current(ctx, in, store.Key{Type: in.Type, ID: in.ID}, auth.Read); err != nil {
		return auth.Grant{}, err
	}
	g := auth.Grant{Alternatives: []auth.Filter{{}}}
	for _, n := range in.needs {
		if n.Whole {
			g = g.And(in.Who.Meets(n, n.Type))
		}
	}
	return g, nil
}

// ownPatient hides what is derived for another patient than the token's.
func ownPatient(g auth.Grant, in *Interaction, patient string) error {
	ok := g.Matches(func(f auth.Filter) bool { return f.Patient == "" || f.Patient == patient })
	if !ok {
		return hidden(store.Key{Type: in.Type, ID: in.ID})
	}
	return nil
}

// derivedAnswer sends a Bundle, or the same as a table.
func derivedAnswer(in *Interaction, obs []*fhirjson.Node, bundle *fhirjson.Node) *Answer {
	if in.wants("text/csv", "csv") {
		return &Answer{Status: http.StatusOK, ContentType: "text/csv; charset=utf-8", Resource: fhirmap.Table(obs)}
	}
	return &Answer{Status: http.StatusOK, Resource: bundle.Bytes()}
}

// wants reports whether _format asks for one of the names.
func (in *Interaction) wants(names ...string) bool {
	for _, q := range in.Query {
		if q.Name == "_format" {
			for _, n := range names {
				if strings.EqualFold(q.Value, n) || strings.EqualFold(strings.ReplaceAll(q.Value, " ", "+"), n) {
					return true
				}
			}
			return false
		}
	}
	return false
}

func drainOutput(ctx context.Context, s *Server, in *Interaction, p Params) (*Answer, error) {
	sp, err := s.span(p)
	if err != nil {
		return nil, err
	}
	g, err := s.reach(ctx, in)
	if err != nil {
		return nil, err
	}
	sp.Only = only(g)
	out, err := s.ward.DrainOutput(ctx, in.ID, sp)
	if err != nil {
		return nil, err
	}
	if err := ownPatient(g, in, out.Patient); err != nil {
		return nil, err
	}
	obs := fhirmap.DrainOutput(out)
	return derivedAnswer(in, obs, fhirmap.Collection(s.base, obs, s.ward.Now())), nil
}

func fluidBalance(ctx context.Context, s *Server, in *Interaction, p Params) (*Answer, error) {
	sp, err := s.span(p)
	if err != nil {
		return nil, err
	}
	g, err := s.reach(ctx, in)
	if err != nil {
		return nil, err
	}
	if err := ownPatient(g, in, in.ID); err != nil {
		return nil, err
	}
	out, err := s.ward.FluidBalance(ctx, in.ID, sp)
	if err != nil {
		return nil, err
	}
	obs := fhirmap.FluidBalance(out)
	return derivedAnswer(in, obs, fhirmap.Collection(s.base, obs, s.ward.Now())), nil
}

func escalationStatus(ctx context.Context, s *Server, in *Interaction, p Params) (*Answer, error) {
	if err := p.only(); err != nil {
		return nil, err
	}
	g, err := s.reach(ctx, in)
	if err != nil {
		return nil, err
	}
	var statuses []answer.Status
	switch in.Type {
	case "Device":
		st, err := s.ward.DrainStatus(ctx, in.ID)
		if err != nil {
			return nil, err
		}
		if err := ownPatient(g, in, st.Patient); err != nil {
			return nil, err
		}
		statuses = []answer.Status{st}
	case "Patient":
		if err := ownPatient(g, in, in.ID); err != nil {
			return nil, err
		}
		statuses, err = s.ward.PatientStatus(ctx, in.ID)
	case "Location":
		if _, only := g.Patient(); only {
			return nil, hidden(store.Key{Type: in.Type, ID: in.ID})
		}
		statuses, err = s.ward.LocationStatus(ctx, in.ID)
	}
	if err != nil {
		return nil, err
	}
	obs := fhirmap.EscalationStatus(in.Type, in.ID, statuses, s.ward.Now())
	bundle := fhirmap.Collection(s.base, obs, s.ward.Now())
	if err := s.addEvidence(ctx, in, bundle, statuses); err != nil {
		return nil, err
	}
	return derivedAnswer(in, obs, bundle), nil
}

// addEvidence appends the open DetectedIssues and the readings they rest on to the
// status.
func (s *Server) addEvidence(ctx context.Context, in *Interaction, bundle *fhirjson.Node, statuses []answer.Status) error {
	var keys []store.Key
	for _, st := range statuses {
		for _, c := range st.Concerns {
			keys = append(keys, store.Key{Type: "DetectedIssue", ID: c.ID})
		}
		for _, c := range st.Concerns {
			for _, e := range c.Evidence {
				for _, id := range e.Readings {
					keys = append(keys, store.Key{Type: "Observation", ID: id})
				}
			}
		}
	}
	return s.addStored(ctx, in, bundle, keys)
}

// addStored appends stored resources to derived ones, each once and only if the
// caller may read it.
func (s *Server) addStored(ctx context.Context, in *Interaction, bundle *fhirjson.Node, keys []store.Key) error {
	seen := map[store.Key]bool{}
	for _, key := range keys {
		if seen[key] {
			continue
		}
		seen[key] = true
		v, err := s.current(ctx, in, key, auth.Read)
		if err != nil {
			if k := fault.Of(err).Kind; k == fault.NotFound || k == fault.Gone || k == fault.Forbidden {
				continue
			}
			return err
		}
		if err := budget.Bytes(ctx, len(v.Body.JSON)); err != nil {
			return err
		}
		n, err := budget.Parse(ctx, s.render(v))
		if err != nil {
			return unreadable(err, v)
		}
		fhirmap.AddEntry(bundle, s.base+"/"+key.String(), n)
	}
	return nil
}

func emptyingDue(ctx context.Context, s *Server, in *Interaction, p Params) (*Answer, error) {
	if err := p.only(); err != nil {
		return nil, err
	}
	g, err := s.reach(ctx, in)
	if err != nil {
		return nil, err
	}
	if _, only := g.Patient(); only {
		return nil, hidden(store.Key{Type: in.Type, ID: in.ID})
	}
	due, err := s.ward.EmptyingDue(ctx, in.ID)
	if err != nil {
		return nil, err
	}
	if in.Who.Grant("Patient", auth.Read).Unrestricted() {
		for i := range due {
			if due[i].Name, err = s.ward.Name(ctx, due[i].Patient); err != nil {
				return nil, err
			}
		}
	}
	tasks := fhirmap.EmptyingDue(due, s.ward.Now())
	return derivedAnswer(in, tasks, fhirmap.Collection(s.base, tasks, s.ward.Now())), nil
}

// handover answers $handover of a ward or of a patient.
func handover(ctx context.Context, s *Server, in *Interaction, p Params) (*Answer, error) {
	if err := p.only("shift", "attribution"); err != nil {
		return nil, err
	}
	var asked ward.Shift
	switch t := p.Text("shift"); t {
	case "", ward.Current, ward.Previous:
		asked.Name = t
	default:
		iv, err := fhirdate.Parse(t, s.zone())
		if err != nil || !iv.Zoned {
			return nil, fault.New(fault.Invalid, "value", "shift is current, previous, or a time with a zone, such as 2026-12-01T03:00:00Z, of the shift to review; not %q. Write a + in a URL as %%2B.", t)
		}
		asked.At = iv.Lo
	}
	attribution, err := attributed(p)
	if err != nil {
		return nil, err
	}
	g, err := s.reach(ctx, in)
	if err != nil {
		return nil, err
	}
	if in.Type == "Patient" {
		if err := ownPatient(g, in, in.ID); err != nil {
			return nil, err
		}
	} else if _, only := g.Patient(); only {
		return nil, hidden(store.Key{Type: in.Type, ID: in.ID})
	}
	out, err := s.ward.Handover(ctx, store.Key{Type: in.Type, ID: in.ID}, asked, attribution)
	if err != nil {
		return nil, err
	}
	if in.Who.Grant("Patient", auth.Read).Unrestricted() || in.Type == "Patient" {
		for i := range out.Rows {
			if out.Rows[i].Name, err = s.ward.Name(ctx, out.Rows[i].Patient); err != nil {
				return nil, err
			}
		}
	}
	if in.wants("text/csv", "csv") {
		return &Answer{Status: http.StatusOK, ContentType: "text/csv; charset=utf-8", Resource: fhirmap.HandoverTable(out)}, nil
	}
	bundle := fhirmap.Collection(s.base, fhirmap.Handover(out), s.ward.Now())
	var stored []store.Key
	for _, r := range out.Rows {
		for _, k := range r.Concerns {
			stored = append(stored, store.Key{Type: "DetectedIssue", ID: k.ID})
		}
		for _, c := range r.Corrections {
			stored = append(stored, store.Key{Type: "Observation", ID: c.After.ID})
			if c.Provenance != "" {
				stored = append(stored, store.Key{Type: "Provenance", ID: c.Provenance})
			}
		}
	}
	if err := s.addStored(ctx, in, bundle, stored); err != nil {
		return nil, err
	}
	return &Answer{Status: http.StatusOK, Resource: bundle.Bytes()}, nil
}

func removalReview(ctx context.Context, s *Server, in *Interaction, p Params) (*Answer, error) {
	if err := p.only(); err != nil {
		return nil, err
	}
	g, err := s.reach(ctx, in)
	if err != nil {
		return nil, err
	}
	out, err := s.ward.RemovalReview(ctx, in.ID)
	if err != nil {
		return nil, err
	}
	if err := ownPatient(g, in, out.Patient); err != nil {
		return nil, err
	}
	obs := fhirmap.RemovalReview(out)
	return derivedAnswer(in, obs, fhirmap.Collection(s.base, obs, s.ward.Now())), nil
}

// acknowledge answers $acknowledge of one concern, or of all open concerns of a drain.
func acknowledge(ctx context.Context, s *Server, in *Interaction, p Params) (*Answer, error) {
	if err := p.only("action", "informed", "note"); err != nil {
		return nil, err
	}
	g := in.Who.Meets(answers, "DetectedIssue")
	ids := []string{in.ID}
	if in.Type == "Device" {
		_, err := s.current(ctx, in, store.Key{Type: in.Type, ID: in.ID}, auth.Read)
		if err != nil {
			return nil, err
		}
		if ids, err = s.ward.Open(ctx, in.ID); err != nil {
			return nil, err
		}
	}
	var mine []string
	for _, id := range ids {
		key := store.Key{Type: "DetectedIssue", ID: id}
		v, err := s.store.Read(ctx, key)
		ok := false
		if err == nil {
			ok, err = s.visible(ctx, g, v)
		}
		switch {
		case err == nil && ok:
			mine = append(mine, id)
		case err != nil && !fault.Is(err, fault.NotFound):
			return nil, err
		case in.Type == "DetectedIssue":
			return nil, hidden(key)
		}
	}
	a := ward.Acknowledgement{Concerns: mine, Action: p.Text("action"), Note: p.Text("note"), By: in.Who.Subject}
	actions := 0
	for _, x := range p.list {
		switch x.name {
		case "action":
			actions++
		case "informed":
			a.Informed = append(a.Informed, ward.Informed{Reference: x.value.Str("reference"), Words: strings.TrimSpace(x.text + x.value.Str("display"))})
		}
	}
	if a.Action == "" || actions > 1 {
		return nil, fault.At(fault.Rule, "required", "Parameters.parameter.where(name='action')", "Say once what was done: the parameter action is required, such as \"assessed at the bedside, surgeon called\".")
	}
	if in.Type == "DetectedIssue" {
		var err error
		if a.Expect, err = in.expectation(); err != nil {
			return nil, err
		}
	}
	done, err := s.ward.Acknowledge(ctx, a, s.auditWrites(in))
	if err != nil {
		return nil, err
	}
	if len(done) > 0 {
		in.audit.committed(done[0])
		if s.committed != nil {
			s.committed()
		}
	}
	if in.Type == "DetectedIssue" {
		return &Answer{Status: http.StatusOK, ETag: versionTag(done[0].Number), LastModified: done[0].At, Resource: done[0].JSON()}, nil
	}
	bundle := fhirmap.Collection(s.base, nil, s.ward.Now())
	for _, v := range done {
		n, err := fhirjson.Parse(v.JSON())
		if err != nil {
			return nil, fault.Wrap(err, "read "+v.Key.String())
		}
		fhirmap.AddEntry(bundle, s.base+"/"+v.Key.String(), n)
	}
	return &Answer{Status: http.StatusOK, Resource: bundle.Bytes()}, nil
}

func itoa(i int) string { return fhirmap.Itoa(i) }

// drainChart answers $chart: the drain's course as SVG, or as PNG if _format or Accept
// asks for it.
func drainChart(ctx context.Context, s *Server, in *Interaction, p Params) (*Answer, error) {
	if err := p.only("width", "height", "dpi"); err != nil {
		return nil, err
	}
	width, err := whole(p, "width", 0)
	if err != nil {
		return nil, err
	}
	height, err := whole(p, "height", 0)
	if err != nil {
		return nil, err
	}
	dpi, err := whole(p, "dpi", 150)
	if err != nil {
		return nil, err
	}
	g, err := s.reach(ctx, in)
	if err != nil {
		return nil, err
	}
	course, patient, err := s.ward.Course(ctx, in.ID)
	if err != nil {
		return nil, err
	}
	if err := ownPatient(g, in, patient); err != nil {
		return nil, err
	}
	course.Width, course.Height = float64(width), float64(height)
	if in.Who.Grant("Patient", auth.Read).Allowed() {
		if course.Patient, err = s.ward.Name(ctx, patient); err != nil {
			return nil, err
		}
	}
	if in.wants("image/png", "png") || !slices.ContainsFunc(in.Query, asksFormat) && strings.HasPrefix(in.Accept, "image/png") {
		b, err := plot.PNG(course, dpi)
		return &Answer{Status: http.StatusOK, ContentType: "image/png", Resource: b}, err
	}
	b, err := plot.SVG(course)
	return &Answer{Status: http.StatusOK, ContentType: "image/svg+xml", Resource: b}, err
}
