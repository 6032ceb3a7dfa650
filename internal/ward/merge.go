package ward

import (
	"context"
	"encoding/json"
	"slices"
	"strings"
	"time"

	"tidemark/fhirmap"
	"tidemark/internal/fault"
	"tidemark/internal/fhirjson"
	"tidemark/internal/r4"
	"tidemark/internal/search"
	"tidemark/internal/store"
)

// MaxMerge is how many resources one merge moves. They are one transaction, and
// one that is larger would hold up everybody else.
const MaxMerge = 10000

// Merge is what $merge asks for: the source's record becomes the target's.
type Merge struct {
	Source, Target string         // ids of Patients
	Result         *fhirjson.Node // what the target becomes; nil: as it is, with the source's identifiers
	Types          []string       // whose resources may refer to a patient
	By             string         // subject of the caller
	// Audit makes the record of one version that the merge writes.
	Audit func(method store.Method, key store.Key, number int64) store.AuditRecord
}

// Merged is what a merge does, or would do.
type Merged struct {
	Result *fhirjson.Node // the target
	Number int64          // its version
	Moved  map[string]int // by type, without the two patients
}

// Total is how many resources move.
func (m Merged) Total() (n int) {
	for _, c := range m.Moved {
		n += c
	}
	return n
}

// PreviewMerge says what Merge would do, and refuses what it would refuse.
func (s *Service) PreviewMerge(ctx context.Context, m Merge) (Merged, error) {
	changes, out, err := s.planMerge(ctx, m)
	if err != nil {
		return out, err
	}
	_, err = s.prepare(changes[1]) // the target, which alone has new words
	return out, err
}

// Merge moves all that refers to the source to the target, in one step with the
// two patients and a Provenance. Nobody else writes about either meanwhile; what
// another process writes just then is moved by the sweeps that follow.
func (s *Service) Merge(ctx context.Context, m Merge) (Merged, error) {
	if !s.store.Transactions() {
		return Merged{}, fault.New(fault.Unsupported, "not-supported", "The store of this deployment has no transactions, so that a merge could not be done all or nothing; nothing was changed. Run the store as a replica set.")
	}
	if err := s.noteMerge(ctx, m); err != nil {
		return Merged{}, err
	}
	var out Merged
	names := []string{"Patient/" + m.Source, "Patient/" + m.Target}
	results, err := s.apply(ctx, names, func(ctx context.Context) (changes []Change, audit []store.AuditRecord, err error) {
		if changes, out, err = s.planMerge(ctx, m); err != nil {
			return nil, nil, err
		}
		for _, c := range changes {
			audit = append(audit, m.Audit(c.Method, c.Key, max(int64(c.Rests), 0)+1))
		}
		return changes, audit, nil
	}, manner{alone: []string{m.Source, m.Target}})
	if err != nil {
		return Merged{}, err
	}
	out.Number = results[1].Version.Number
	return out, nil
}

// planMerge gives the changes: first the source, then the target, last the Provenance.
func (s *Service) planMerge(ctx context.Context, m Merge) ([]Change, Merged, error) {
	out := Merged{Moved: map[string]int{}}
	if m.Source == m.Target {
		return nil, out, fault.New(fault.Rule, "business-rule", "Source and target are the same, Patient/%s; there is nothing to merge.", m.Source)
	}
	from, to := "Patient/"+m.Source, "Patient/"+m.Target
	source, sourceAt, err := s.mergeable(ctx, m.Source)
	if err != nil {
		return nil, out, err
	}
	target, targetAt, err := s.mergeable(ctx, m.Target)
	if err != nil {
		return nil, out, err
	}
	result := m.Result.Clone()
	switch {
	case result == nil:
		result = target.Clone()
		inherit(result, source)
		addLink(result, from, "replaces")
		narrate(target, result)
	case result.Str("id") != m.Target:
		return nil, out, fault.At(fault.Rule, "business-rule", "Parameters.parameter.where(name='result-patient').resource.id", "The result has the id %q; it has to be that of the target, %s.", result.Str("id"), m.Target)
	case !slices.ContainsFunc(result.Each("link"), func(l *fhirjson.Node) bool {
		return l.Str("type") == "replaces" && s.leads(l.Get("other").Str("reference"), from)
	}):
		return nil, out, fault.At(fault.Rule, "business-rule", "Parameters.parameter.where(name='result-patient').resource.link", "The result has no link of type replaces to %s; add it.", from)
	case mergedInto(result) != "":
		return nil, out, fault.At(fault.Rule, "business-rule", "Parameters.parameter.where(name='result-patient').resource.link", "The result has a link of type replaced-by; it is the record that stays.")
	}
	out.Result, out.Number = result, targetAt+1
	was := source.Clone()
	source.Set("active", fhirjson.Boolean(false))
	addLink(source, to, "replaced-by")
	narrate(was, source)
	put := func(key store.Key, n *fhirjson.Node, number int64, carried bool) Change {
		return Change{Method: store.Put, Key: key, Resource: n, Rests: store.Expect(number), Carried: carried}
	}
	changes := []Change{
		put(store.Key{Type: "Patient", ID: m.Source}, source, sourceAt, true),
		put(store.Key{Type: "Patient", ID: m.Target}, result, targetAt, m.Result == nil),
	}
	moved, err := s.planMoves(ctx, m.Types, m.Source, m.Target)
	if err != nil {
		return nil, out, err
	}
	for _, c := range moved {
		out.Moved[c.Key.Type]++
	}
	changes = append(changes, moved...)
	p := fhirmap.MergeProvenance(NewID(), fhirmap.VersionReference(to, targetAt+1), fhirmap.VersionReference(from, sourceAt+1), m.By, s.Now())
	return append(changes, Change{Method: store.Post, Key: store.Key{Type: "Provenance", ID: p.Str("id")}, Resource: p, Expect: store.Absent}), out, nil
}

// mergeable reads a patient that is nobody else's record by now.
func (s *Service) mergeable(ctx context.Context, id string) (*fhirjson.Node, int64, error) {
	n, number, err := s.readTree(ctx, store.Key{Type: "Patient", ID: id})
	if fault.Is(err, fault.NotFound) || fault.Is(err, fault.Gone) {
		return nil, 0, fault.New(fault.Rule, "not-found", "No Patient/%s is known.", id)
	}
	if err != nil {
		return nil, 0, err
	}
	if into := mergedInto(n); into != "" {
		return nil, 0, fault.New(fault.Rule, "business-rule", "Patient/%s was merged into Patient/%s already; name that one.", id, into)
	}
	return n, number, nil
}

// planMoves makes all that refers to one patient refer to another. What names a
// version of the one is about that version, and stays.
func (s *Service) planMoves(ctx context.Context, types []string, source, target string) ([]Change, error) {
	from, to := "Patient/"+source, "Patient/"+target
	var out []Change
	for _, typ := range types {
		within := referring(typ, from)
		if len(within) == 0 {
			continue
		}
		q := search.Query{Type: typ, Within: within, Count: store.MaxPage}
		for {
			page, err := s.store.Search(ctx, q)
			if err != nil {
				return nil, err
			}
			for _, v := range page.Matches {
				if v.Key == (store.Key{Type: "Patient", ID: source}) || v.Key == (store.Key{Type: "Patient", ID: target}) {
					continue
				}
				n, err := fhirjson.Parse(v.Body.JSON)
				if err != nil {
					return nil, fault.Wrap(err, "read "+v.Key.String())
				}
				before := n.Clone()
				if !s.redirect(n, from, to) {
					continue
				}
				if typ == "Group" {
					once(n)
				}
				narrate(before, n)
				if len(out) == MaxMerge {
					return nil, fault.New(fault.Rule, "too-costly", "More than %d resources refer to %s; a merge moves all of them in one step, and nothing was changed.", MaxMerge, from)
				}
				out = append(out, Change{Method: store.Put, Key: v.Key, Resource: n, Rests: store.Expect(v.Number), Carried: true})
			}
			if page.Next == "" {
				break
			}
			q.Cursor = page.Next
		}
	}
	return out, nil
}

// leads reports whether a reference leads to a resource here, by any of its versions.
func (s *Service) leads(reference, key string) bool {
	reference = strings.TrimPrefix(reference, s.extract.Base+"/")
	return reference == key || strings.HasPrefix(reference, key+"/_history/")
}

// redirect makes each reference to one resource one to another.
func (s *Service) redirect(n *fhirjson.Node, from, to string) (changed bool) {
	for _, m := range n.Members {
		if r := m.Value; m.Name == "reference" && r.Kind == fhirjson.String && (r.Text == from || r.Text == s.extract.Base+"/"+from) {
			r.Text = strings.TrimSuffix(r.Text, from) + to
			changed = true
		} else if s.redirect(m.Value, from, to) {
			changed = true
		}
	}
	for _, i := range n.Items {
		if s.redirect(i, from, to) {
			changed = true
		}
	}
	return changed
}

// once leaves out members of a Group that stand in it twice.
func once(n *fhirjson.Node) {
	list := n.Get("member")
	if list == nil {
		return
	}
	seen := map[string]bool{}
	list.Items = slices.DeleteFunc(list.Items, func(m *fhirjson.Node) bool {
		ref := m.Get("entity").Str("reference")
		twice := ref != "" && seen[ref]
		seen[ref] = true
		return twice
	})
}

// narrate makes a narrative anew that was generated from what has changed.
func narrate(before, after *fhirjson.Node) {
	if before.Get("text").Str("status") != "generated" {
		return
	}
	after.Delete("text")
	if fresh := r4.Narrate(after); fresh != nil {
		after.SetAt(2, "text", fresh)
	}
}

// inherit adds the identifiers of the source that the target lacks, as old ones.
func inherit(target, source *fhirjson.Node) {
	list := &fhirjson.Node{Kind: fhirjson.Array, Items: slices.Clone(target.Each("identifier"))}
	for _, id := range source.Each("identifier") {
		if slices.ContainsFunc(list.Items, func(o *fhirjson.Node) bool {
			return o.Str("system") == id.Str("system") && o.Str("value") == id.Str("value")
		}) {
			continue
		}
		id = id.Clone()
		id.Delete("_use")
		id.Set("use", fhirjson.Str("old"))
		list.Items = append(list.Items, id)
	}
	if len(list.Items) > 0 {
		target.Set("identifier", list)
	}
}

func addLink(n *fhirjson.Node, to, typ string) {
	list := &fhirjson.Node{Kind: fhirjson.Array, Items: slices.Clone(n.Each("link"))}
	list.Items = append(list.Items, fhirjson.Obj("other", fhirjson.Obj("reference", to), "type", typ))
	n.Set("link", list)
}

// Merges are noted for a while, since another process may have read where a
// patient's entries belong before a merge, and write them behind it.
const (
	mergePrefix = "ward/merge/"
	mergeLasts  = 2 * time.Minute
)

type mergeNote struct {
	Target string
	Types  []string
	At     time.Time
}

func (s *Service) noteMerge(ctx context.Context, m Merge) error {
	value, err := json.Marshal(mergeNote{m.Target, m.Types, s.Now()})
	if err != nil {
		return fault.Wrap(err, "note a merge")
	}
	_, rev, err := s.store.State(ctx, mergePrefix+m.Source)
	if err == nil {
		_, err = s.store.SetState(ctx, mergePrefix+m.Source, value, rev)
	}
	if fault.Is(err, fault.Precondition) {
		return nil // another call noted the same just then
	}
	return err
}

// settleMerges moves what was written about a source behind its merge.
func (s *Service) settleMerges(ctx context.Context) error {
	names, err := s.store.States(ctx, mergePrefix)
	for _, name := range names {
		if err == nil {
			err = s.settleMerge(ctx, name)
		}
	}
	return err
}

func (s *Service) settleMerge(ctx context.Context, name string) error {
	value, rev, err := s.store.State(ctx, name)
	if err != nil || rev == 0 {
		return err
	}
	var note mergeNote
	if err := json.Unmarshal(value, &note); err != nil {
		return fault.Wrap(err, "read the note of a merge")
	}
	source := strings.TrimPrefix(name, mergePrefix)
	n, _, err := s.readTree(ctx, store.Key{Type: "Patient", ID: source})
	if err == nil && mergedInto(n) == note.Target {
		var moved []Change
		_, err = s.apply(ctx, nil, func(ctx context.Context) (_ []Change, _ []store.AuditRecord, err error) {
			moved, err = s.planMoves(ctx, note.Types, source, note.Target)
			return moved, nil, err
		}, manner{alone: []string{source, note.Target}})
		if len(moved) > 0 && err == nil {
			s.log.Warn("what another process wrote about a patient while his record was merged is moved too", "resources", len(moved))
		}
	}
	if err != nil && !fault.Is(err, fault.NotFound) && !fault.Is(err, fault.Gone) {
		return err
	}
	if s.Now().Sub(note.At) < mergeLasts {
		return nil
	}
	_, err = s.store.SetState(ctx, name, nil, rev)
	if fault.Is(err, fault.Precondition) {
		return nil
	}
	return err
}
