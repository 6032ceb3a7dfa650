package api

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"net/http"
	"slices"
	"strings"

	"tidemark/internal/fault"
	"tidemark/internal/fhirjson"
	"tidemark/internal/search"
	"tidemark/internal/store"
	"tidemark/internal/ward"
)

// mergePatients answers Patient/$merge as R5 defines it: two records of one person
// become one, in one step. https://hl7.org/fhir/R5/patient-operation-merge.html
func mergePatients(ctx context.Context, s *Server, in *Interaction, p Params) (*Answer, error) {
	if err := p.only("source-patient", "source-patient-identifier", "target-patient", "target-patient-identifier", "result-patient", "preview"); err != nil {
		return nil, err
	}
	preview := p.Text("preview")
	if preview != "" && preview != "true" && preview != "false" {
		return nil, fault.New(fault.Invalid, "value", "preview is true or false, not %q.", preview)
	}
	m := ward.Merge{Result: p.Resource("result-patient"), Types: typeNames(full, derived), By: in.Who.Subject}
	var err error
	if m.Source, err = s.patientOf(ctx, in, p, "source-patient"); err != nil {
		return nil, err
	}
	if m.Target, err = s.patientOf(ctx, in, p, "target-patient"); err != nil {
		return nil, err
	}
	in.audit.entity, in.audit.patient = "Patient/"+m.Target, m.Target
	if m.Result != nil {
		if t := m.Result.Str("resourceType"); t != "Patient" {
			return nil, fault.New(fault.Invalid, "value", "result-patient is a Patient, not a %q.", t)
		}
		for _, name := range []string{"source-patient-identifier", "target-patient-identifier"} {
			for _, id := range p.Nodes(name) {
				if !slices.ContainsFunc(m.Result.Each("identifier"), func(o *fhirjson.Node) bool { return sameIdentifier(o, id) }) {
					return nil, fault.New(fault.Rule, "business-rule", "result-patient lacks the identifier %s, by which one of the two was named; add it.", identifierText(id))
				}
			}
		}
	}
	var out ward.Merged
	if preview == "true" {
		out, err = s.ward.PreviewMerge(ctx, m)
	} else {
		m.Audit = func(method store.Method, key store.Key, number int64) store.AuditRecord {
			of := &Interaction{Who: in.Who, Request: in.Request, Address: in.Address}
			switch method {
			case store.Post:
				of.audit.is("create", "C", "")
			default:
				of.audit.is("update", "U", "")
			}
			of.audit.patient, of.audit.text = m.Target, "$merge"
			if key.Type == "Patient" {
				of.audit.patient = key.ID
			}
			of.audit.will(key, number)
			return s.record(of, "0", "")
		}
		out, err = s.ward.Merge(ctx, m)
	}
	if refused := (*ward.Refused)(nil); errors.As(err, &refused) {
		err = refused.Unwrap()
	}
	if err != nil {
		return nil, err
	}
	if preview != "true" && s.committed != nil {
		s.committed()
	}
	input := &fhirjson.Node{Kind: fhirjson.Object}
	if in.Body != nil {
		input = in.Body.Clone()
	}
	list := []any{
		fhirjson.Obj("name", "input", "resource", input),
		fhirjson.Obj("name", "outcome", "resource", information(mergedText(m, out, preview == "true"))),
	}
	result := out.Result
	if preview != "true" {
		v, err := s.store.ReadVersion(ctx, store.Key{Type: "Patient", ID: m.Target}, out.Number)
		if err != nil {
			return nil, err
		}
		if result, err = fhirjson.Parse(s.render(v)); err != nil {
			return nil, fault.Wrap(err, "read "+v.Key.String())
		}
	}
	list = append(list, fhirjson.Obj("name", "result", "resource", result))
	return &Answer{Status: http.StatusOK, Resource: fhirjson.Obj("resourceType", "Parameters", "parameter", fhirjson.Arr(list...)).Bytes()}, nil
}

func mergedText(m ward.Merge, out ward.Merged, preview bool) string {
	var parts []string
	for _, typ := range slices.Sorted(maps.Keys(out.Moved)) {
		parts = append(parts, fmt.Sprintf("%d %s", out.Moved[typ], typ))
	}
	what := "no other resource"
	if len(parts) > 0 {
		what = fmt.Sprintf("%d resources (%s)", out.Total(), strings.Join(parts, ", "))
	}
	if preview {
		return fmt.Sprintf("Nothing was changed. The merge would move %s from Patient/%s to Patient/%s, and make Patient/%s inactive. It cannot be undone.", what, m.Source, m.Target, m.Source)
	}
	return fmt.Sprintf("Patient/%s is merged into Patient/%s: %s moved.", m.Source, m.Target, what)
}

// patientOf finds one of the two patients, by reference, by identifiers, or by both.
func (s *Server) patientOf(ctx context.Context, in *Interaction, p Params, name string) (string, error) {
	ref, ids := p.Node(name), p.Nodes(name+"-identifier")
	literal := ref.Str("reference")
	if id := ref.Get("identifier"); id != nil && literal == "" {
		ids = append(ids, id)
	}
	if literal == "" && len(ids) == 0 {
		return "", fault.New(fault.Invalid, "required", "Say which patient is meant: %s, a valueReference such as Patient/123, or %s-identifier.", name, name)
	}
	found := ""
	if literal != "" {
		id, ok := strings.CutPrefix(strings.TrimPrefix(literal, s.base+"/"), "Patient/")
		if !ok || !fhirjson.IsID(id) {
			return "", fault.New(fault.Invalid, "value", "%s refers to %q; it has to be a Patient here, such as Patient/123.", name, literal)
		}
		found = id
	}
	for _, id := range ids {
		if id.Str("value") == "" {
			return "", fault.New(fault.Invalid, "required", "An identifier of %s has no value.", name)
		}
		value := search.Escape(id.Str("value"))
		if sys := id.Str("system"); sys != "" {
			value = search.Escape(sys) + "|" + value
		}
		v, _, err := s.match(ctx, in, []search.Pair{{Name: "identifier", Value: value}})
		switch {
		case fault.Is(err, fault.Precondition):
			return "", fault.New(fault.Rule, "multiple-matches", "Several patients have the identifier %s of %s.", identifierText(id), name)
		case err != nil:
			return "", err
		case v == nil:
			return "", fault.New(fault.Rule, "not-found", "No patient has the identifier %s of %s.", identifierText(id), name)
		case found != "" && found != v.ID:
			return "", fault.New(fault.Rule, "business-rule", "What names %s names two patients, Patient/%s and %s.", name, found, v.Key)
		}
		found = v.ID
	}
	return found, nil
}

func sameIdentifier(a, b *fhirjson.Node) bool {
	return a.Str("value") == b.Str("value") && (b.Str("system") == "" || a.Str("system") == b.Str("system"))
}

func identifierText(id *fhirjson.Node) string {
	return strings.TrimPrefix(id.Str("system")+"|"+id.Str("value"), "|")
}

// purgePatient answers Patient/{id}/$purge: the patient's record is gone for good. R6
// has the operation; https://hl7.org/fhir/6.0.0-ballot3/patient-operation-purge.html
func purgePatient(ctx context.Context, s *Server, in *Interaction, p Params) (*Answer, error) {
	if err := p.only(); err != nil {
		return nil, err
	}
	out, err := s.ward.Purge(ctx, ward.Purge{Patient: in.ID, Types: typeNames(full, derived), Audit: func(number int64) []store.AuditRecord {
		in.audit.will(store.Key{Type: "Patient", ID: in.ID}, number)
		return []store.AuditRecord{s.record(in, "0", "")}
	}})
	if err != nil {
		return nil, err
	}
	in.audit.done = true
	if s.committed != nil {
		s.committed()
	}
	note := fmt.Sprintf("%d resources with %d versions are erased.", out.Total(), out.Versions)
	if s.exports != nil {
		// What an export has written down already holds it too. Exports are taken again.
		n, err := s.exports.EndAll(ctx)
		if err != nil {
			return nil, err
		}
		if n > 0 {
			note += fmt.Sprintf(" %d exports that may have held them are removed; take them again.", n)
		}
	}
	return &Answer{Status: http.StatusOK, Resource: information(note).Bytes()}, nil
}
