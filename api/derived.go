package api

import (
	"context"
	"net/http"
	"strings"

	"tidemark/fhirmap"
	"tidemark/internal/answer"
	"tidemark/internal/auth"
	"tidemark/internal/balance"
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
	switch a := balance.Attribution(p.Text("attribution")); a {
	case "", balance.Charted:
		out.Attribution = balance.Charted
	case balance.Spread:
		out.Attribution = a
	default:
		return out, fault.New(fault.Invalid, "value", "attribution is charted or spread, not %q.", a)
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

// reach checks that the caller may read the instance and the Observations
// that an answer is derived from. Scopes that cover only some codes are
// refused: a total or a level over a part of the entries would mislead. It
// gives the grant on all of them, which may be one patient's.
func (s *Server) reach(ctx context.Context, in *Interaction, needs ...string) (auth.Grant, error) {
	if _, err := s.current(ctx, in, store.Key{Type: in.Type, ID: in.ID}, auth.Read); err != nil {
		return auth.Grant{}, err
	}
	g, err := in.grant("Observation", auth.Read)
	if err != nil {
		return g, err
	}
	if g = wholly(g); !g.Allowed() {
		return g, fault.New(fault.Forbidden, "forbidden", "This answer rests on all Observations of the drain; the token's scope covers only some codes.")
	}
	for _, t := range needs {
		of, err := in.grant(t, auth.Read)
		if err != nil {
			return g, err
		}
		if g = g.And(wholly(of)); !g.Allowed() {
			return g, fault.New(fault.Forbidden, "forbidden", "This answer rests on the Observations and each %s of the drain; the token's scopes do not cover both for one patient, or only in part.", t)
		}
	}
	return g, nil
}

// wholly is the part of a grant that is not about some resources of a patient
// only: parts do not add up to the whole.
func wholly(g auth.Grant) auth.Grant {
	var out auth.Grant
	for _, f := range g.Alternatives {
		if f.Query == "" {
			out.Alternatives = append(out.Alternatives, f)
		}
	}
	return out
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
	g, err := s.reach(ctx, in, "DetectedIssue")
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

// addEvidence puts the open DetectedIssues and the readings they rest on
// behind the status, each as far as the caller may read it.
func (s *Server) addEvidence(ctx context.Context, in *Interaction, bundle *fhirjson.Node, statuses []answer.Status) error {
	seen := map[store.Key]bool{}
	add := func(key store.Key) error {
		if seen[key] {
			return nil
		}
		seen[key] = true
		v, err := s.current(ctx, in, key, auth.Read)
		if err != nil {
			if k := fault.Of(err).Kind; k == fault.NotFound || k == fault.Gone || k == fault.Forbidden {
				return nil
			}
			return err
		}
		n, err := fhirjson.Parse(s.render(v))
		if err != nil {
			return fault.Wrap(err, "read "+key.String())
		}
		fhirmap.AddEntry(bundle, s.base+"/"+key.String(), n)
		return nil
	}
	for _, st := range statuses {
		for _, f := range st.Open {
			if err := add(store.Key{Type: "DetectedIssue", ID: f.ID}); err != nil {
				return err
			}
		}
		for _, f := range st.Open {
			for _, id := range f.Evidence {
				if err := add(store.Key{Type: "Observation", ID: id}); err != nil {
					return err
				}
			}
		}
	}
	return nil
}

func emptyingDue(ctx context.Context, s *Server, in *Interaction, p Params) (*Answer, error) {
	if err := p.only(); err != nil {
		return nil, err
	}
	g, err := s.reach(ctx, in, "Device")
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
	tasks := fhirmap.EmptyingDue(due, s.ward.Now())
	return derivedAnswer(in, tasks, fhirmap.Collection(s.base, tasks, s.ward.Now())), nil
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

func acknowledge(ctx context.Context, s *Server, in *Interaction, p Params) (*Answer, error) {
	if err := p.only("action", "informed", "note"); err != nil {
		return nil, err
	}
	g, err := in.grant("DetectedIssue", auth.Update)
	if err != nil {
		return nil, err
	}
	v, err := s.store.Read(ctx, store.Key{Type: "DetectedIssue", ID: in.ID})
	if err == nil {
		var ok bool
		if ok, err = s.visible(ctx, g, v); err == nil && !ok {
			err = hidden(v.Key)
		}
	}
	if err != nil {
		if fault.Is(err, fault.NotFound) {
			err = hidden(store.Key{Type: "DetectedIssue", ID: in.ID})
		}
		return nil, err
	}
	action := p.Text("action")
	if action == "" {
		return nil, fault.At(fault.Rule, "required", "Parameters.parameter.where(name='action')", "Say what was done: the parameter action is required, such as \"assessed at the bedside, surgeon called\".")
	}
	var informed []ward.Informed
	for _, x := range p.list {
		if x.name == "informed" {
			informed = append(informed, ward.Informed{Reference: x.value.Str("reference"), Words: strings.TrimSpace(x.text + x.value.Str("display"))})
		}
	}
	expect, err := in.expectation()
	if err != nil {
		return nil, err
	}
	res, err := s.ward.Acknowledge(ctx, ward.Acknowledgement{
		Finding: in.ID, Action: action, Note: p.Text("note"), Informed: informed, By: in.Who.Subject, Expect: expect,
	}, s.auditWrites(in))
	if err != nil {
		return nil, err
	}
	in.audit.committed(res)
	if s.committed != nil {
		s.committed()
	}
	return &Answer{Status: http.StatusOK, ETag: versionTag(res.Number), LastModified: res.At, Resource: res.JSON()}, nil
}

func itoa(i int) string { return fhirmap.Itoa(i) }

// drainChart answers $chart: the drain's course as SVG, or as PNG where _format or
// Accept ask for it.
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
	g, err := s.reach(ctx, in, "DetectedIssue")
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
	if in.wants("image/png", "png") {
		b, err := plot.PNG(course, dpi)
		return &Answer{Status: http.StatusOK, ContentType: "image/png", Resource: b}, err
	}
	b, err := plot.SVG(course)
	return &Answer{Status: http.StatusOK, ContentType: "image/svg+xml", Resource: b}, err
}
