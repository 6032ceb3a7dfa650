package ward

import (
	"context"
	"maps"
	"slices"
	"strings"
	"time"

	"tidemark/fhirmap"
	"tidemark/internal/drain"
	"tidemark/internal/fault"
	"tidemark/internal/fhirjson"
	"tidemark/internal/search"
	"tidemark/internal/store"
)

// purgeStep is how many resources are erased in one step: of most patients all.
// Of a record that is larger the Patient goes last, so that a purge that was cut
// short is made whole by asking again.
const purgeStep = 5000

// Purge is what $purge asks for.
type Purge struct {
	Patient string
	Types   []string // whose resources may be about a patient
	Audit   func(number int64) []store.AuditRecord
	Dry     bool // say what would be erased, and erase nothing
}

// Purged is what is erased.
type Purged struct {
	Resources map[string]int // by type
	Versions  int
}

// Total is how many resources are erased.
func (p Purged) Total() (n int) {
	for _, c := range p.Resources {
		n += c
	}
	return n
}

// Purge erases a patient's record: every version of what is in his compartment
// or was, of his drains and of the Provenances about them. Of a resource that is
// another's by now, the versions go in which it was his; of a Group he is left out.
func (s *Service) Purge(ctx context.Context, p Purge) (Purged, error) {
	key := store.Key{Type: "Patient", ID: p.Patient}
	defer s.names.lock([]string{key.String()})()
	unlock, err := s.alone(ctx, p.Patient)
	if err != nil {
		return Purged{}, err
	}
	defer unlock()
	for try := 1; ; try++ {
		out, err := s.purge(ctx, key, p)
		// Others may have changed what is erased, though not who it is about.
		if err == nil || try == maxTries || !fault.Is(err, fault.Precondition) && !fault.Is(err, fault.Conflict) {
			return out, err
		}
	}
}

// record is what is to be erased of a patient.
type record struct {
	whole    []store.Key
	deletes  map[store.Key]int64 // the current version of what is not deleted
	versions []store.VersionOf
	leave    []store.Write // of Groups
	words    []string
	count    int // of versions
}

// deletions are those of the keys that are not deleted yet.
func (r *record) deletions(keys []store.Key) (out []store.Write) {
	for _, k := range keys {
		if number, ok := r.deletes[k]; ok {
			out = append(out, store.Write{Key: k, Method: store.Delete, Expect: store.Expect(number)})
		}
	}
	return out
}

func (s *Service) purge(ctx context.Context, key store.Key, p Purge) (Purged, error) {
	if _, err := s.store.Read(ctx, key); err != nil {
		return Purged{}, err
	}
	drains, err := s.store.Drains(ctx, store.DrainQuery{Patient: p.Patient})
	if err != nil {
		return Purged{}, err
	}
	for _, d := range drains {
		placements, err := s.store.Placements(ctx, d.ID)
		if err != nil {
			return Purged{}, err
		}
		for _, pl := range placements {
			if pl.Patient == p.Patient && pl.Open() {
				return Purged{}, fault.New(fault.Rule, "business-rule", "Device/%s is in place in this patient, and is watched: end DeviceUseStatement/%s first, or withdraw it if it never was true.", d.ID, pl.ID)
			}
		}
	}
	r, err := s.recordOf(ctx, key, p.Types)
	if err != nil {
		return Purged{}, err
	}
	out := Purged{Resources: map[string]int{}, Versions: r.count}
	for _, k := range r.whole {
		out.Resources[k.Type]++
	}
	if p.Dry {
		return out, nil
	}
	steps := slices.Collect(slices.Chunk(r.whole, purgeStep)) // the Patient is the last
	for i, keys := range steps {
		e := store.Erasure{Writes: r.deletions(keys), Whole: keys, Words: r.words, More: true}
		var audit []store.AuditRecord
		if i == len(steps)-1 {
			e.Writes, e.Versions, e.More = slices.Concat(r.leave, e.Writes), r.versions, false
			e.Patients = []string{p.Patient}
			audit = p.Audit(r.deletes[key] + 1)
		}
		if _, err := s.store.Erase(ctx, e, audit); err != nil {
			return out, err
		}
		r.words = nil // said once
	}
	s.mu.Lock()
	delete(s.called, p.Patient)
	s.mu.Unlock()
	for _, d := range drains {
		s.forget(d.ID)
	}
	return out, nil
}

// recordOf gathers what there is of a patient, now and in the past.
func (s *Service) recordOf(ctx context.Context, key store.Key, types []string) (*record, error) {
	found := map[store.Key][]int64{key: nil}
	his := map[store.Key]bool{key: true}
	var broken error
	note := func(v store.Version) {
		if !v.Deleted() && v.Key != key {
			n, err := fhirjson.Parse(v.Body.JSON)
			if err != nil {
				broken = fault.Wrap(err, "read "+v.Key.String())
				return
			}
			if s.ofAnother(n, key.String()) {
				return // he had a hand in it, and it is about somebody else
			}
			his[v.Key] = true
		}
		found[v.Key] = append(found[v.Key], v.Number)
	}
	for _, typ := range types {
		within := about(typ, key.ID)
		if len(within) == 0 {
			continue
		}
		if err := s.everyVersion(ctx, store.HistoryQuery{Type: typ, Within: within}, note); err != nil {
			return nil, err
		}
	}
	if err := s.everyVersion(ctx, store.HistoryQuery{Type: key.Type, ID: key.ID}, note); err != nil {
		return nil, err
	}
	// A Provenance says why something was corrected, in words.
	if slices.Contains(types, "Provenance") {
		names := slices.SortedFunc(maps.Keys(found), func(a, b store.Key) int { return strings.Compare(a.String(), b.String()) })
		for some := range slices.Chunk(names, 100) {
			var refs []string
			for _, k := range some {
				refs = append(refs, k.String())
			}
			if err := s.everyVersion(ctx, store.HistoryQuery{Type: "Provenance", Within: referring("Provenance", refs...)}, note); err != nil {
				return nil, err
			}
		}
	}
	maps.DeleteFunc(found, func(k store.Key, _ []int64) bool { return !his[k] })
	if broken != nil {
		return nil, broken
	}
	return s.sortOut(ctx, key, found)
}

// ofAnother reports whether a resource is about another patient, and not this.
func (s *Service) ofAnother(n *fhirjson.Node, patient string) bool {
	for _, name := range []string{"subject", "patient", "for"} {
		ref := strings.TrimPrefix(n.Get(name).Str("reference"), s.extract.Base+"/")
		if strings.HasPrefix(ref, "Patient/") {
			return !s.leads(ref, patient)
		}
	}
	return false
}

// about gives the ways in which a resource of the type is part of a patient's
// record, as alternatives of a search.
func about(typ, patient string) (within [][]search.Clause) {
	if typ == "Patient" { // the link of another record to this one makes it no part of it
		return nil
	}
	if slices.Contains(search.Compartments("Patient"), typ) {
		within = append(within, []search.Clause{search.InCompartment("Patient", patient)})
	}
	return append(within, referring(typ, "Patient/"+patient)...)
}

// everyVersion reads all versions that the query selects.
func (s *Service) everyVersion(ctx context.Context, q store.HistoryQuery, each func(store.Version)) error {
	q.Count = store.MaxPage
	for {
		page, err := s.store.History(ctx, q)
		if err != nil {
			return err
		}
		for _, v := range page.Versions {
			each(v)
		}
		if page.Next == "" {
			return nil
		}
		q.Cursor = page.Next
	}
}

// sortOut tells what goes as a whole from what is another's by now.
func (s *Service) sortOut(ctx context.Context, patient store.Key, found map[store.Key][]int64) (*record, error) {
	r := &record{deletes: map[store.Key]int64{}}
	for k, numbers := range found {
		if k == patient {
			continue
		}
		slices.Sort(numbers)
		numbers = slices.Compact(numbers)
		cur, err := s.store.Read(ctx, k)
		if err != nil {
			return nil, err
		}
		r.count += len(numbers)
		mine := slices.Contains(numbers, cur.Number)
		switch {
		case mine && k.Type == "Group" && !cur.Deleted():
			w, err := s.leaveGroup(cur, patient)
			if err != nil {
				return nil, err
			}
			r.leave = append(r.leave, w)
			fallthrough
		case !mine:
			for _, n := range numbers {
				r.versions = append(r.versions, store.VersionOf{Key: k, Number: n})
			}
			continue
		}
		r.whole = append(r.whole, k)
		if !cur.Deleted() {
			r.deletes[k] = cur.Number
		}
	}
	slices.SortFunc(r.whole, func(a, b store.Key) int { return strings.Compare(a.String(), b.String()) })
	r.whole = append(r.whole, patient)
	r.count += len(found[patient])
	cur, err := s.store.Read(ctx, patient)
	if err != nil {
		return nil, err
	}
	if !cur.Deleted() {
		r.deletes[patient] = cur.Number
	}
	words := map[string]bool{}
	err = s.everyVersion(ctx, store.HistoryQuery{Type: patient.Type, ID: patient.ID}, func(v store.Version) {
		if n, err := fhirjson.Parse(v.Body.JSON); err == nil && !v.Deleted() {
			callings(n, words)
		}
	})
	r.words = slices.Sorted(maps.Keys(words))
	return r, err
}

// callings adds what people search a patient by that is his own: identifiers,
// family names, ways to reach him. What is shorter than three letters would be
// found in everything.
func callings(n *fhirjson.Node, words map[string]bool) {
	add := func(w string) {
		if len(w) >= 3 {
			words[w] = true
		}
	}
	for _, x := range n.Each("identifier") {
		add(x.Str("value"))
	}
	for _, x := range n.Each("name") {
		add(x.Str("family"))
	}
	for _, x := range n.Each("telecom") {
		add(x.Str("value"))
	}
}

// leaveGroup takes the patient out of a Group that others are in.
func (s *Service) leaveGroup(v store.Version, patient store.Key) (store.Write, error) {
	n, err := fhirjson.Parse(v.Body.JSON)
	if err != nil {
		return store.Write{}, fault.Wrap(err, "read "+v.Key.String())
	}
	if list := n.Get("member"); list != nil {
		list.Items = slices.DeleteFunc(list.Items, func(m *fhirjson.Node) bool { return s.leads(m.Get("entity").Str("reference"), patient.String()) })
		if len(list.Items) == 0 {
			n.Delete("member")
		}
	}
	n.Delete("text")
	return store.Write{Key: v.Key, Method: store.Put, Expect: store.Expect(v.Number), Body: fhirmap.Body(n), Doc: search.Extract(n, s.extract)}, nil
}

// Old is what PurgeOld erases.
type Old struct {
	Before time.Time
	Types  []string                   // whose resources may be about a patient
	Audit  func() []store.AuditRecord // of each step
	Dry    bool                       // count, and erase nothing
	Each   func(Aged)                 // told as it goes on; nil for nobody
}

// Aged counts what was old.
type Aged struct {
	Patients, Resources, Versions int
}

// PurgeOld erases what has been over since before a time: the records of
// patients of whom nothing was written, charted or planned since and who have no
// drain in place and no open Encounter; resources that were deleted before it;
// and versions that others have replaced before it.
func (s *Service) PurgeOld(ctx context.Context, o Old) (Aged, error) {
	a := aging{Service: s, Old: o, gone: map[store.Key]bool{}}
	q := search.Query{Type: "Patient", Count: 100}
	for {
		page, err := s.store.Search(ctx, q)
		if err != nil {
			return a.total, err
		}
		for _, v := range page.Matches {
			over, err := s.overSince(ctx, v, o)
			if err == nil && over {
				err = a.patient(ctx, v.Key)
			}
			if err != nil {
				return a.total, err
			}
		}
		if err := a.step(ctx); err != nil {
			return a.total, err
		}
		if page.Next == "" {
			break
		}
		q.Cursor = page.Next
	}
	err := a.past(ctx)
	if err == nil && a.erased {
		_, err = s.store.Erase(ctx, store.Erasure{}, nil) // the last, after which nothing is left in files
	}
	return a.total, err
}

// aging is the work on what is old, some patients or some of the feed at a time.
type aging struct {
	*Service
	Old
	next   store.Erasure
	total  Aged
	erased bool
	gone   map[store.Key]bool // of patients: their past is counted with them
}

func (a *aging) patient(ctx context.Context, key store.Key) error {
	r, err := a.recordOf(ctx, key, a.Types)
	if err != nil {
		return err
	}
	a.total.Patients++
	if a.Dry {
		for _, k := range r.whole {
			a.gone[k] = true
		}
	}
	a.total.Resources += len(r.whole)
	a.total.Versions += r.count
	e := &a.next
	// A Group may be left by several: each of them in a step of its own.
	if len(r.leave) > 0 && len(e.Writes) > 0 || len(e.Whole) > purgeStep {
		if err := a.step(ctx); err != nil {
			return err
		}
	}
	e.Writes = slices.Concat(e.Writes, r.leave, r.deletions(r.whole))
	e.Whole, e.Versions, e.Words = append(e.Whole, r.whole...), append(e.Versions, r.versions...), append(e.Words, r.words...)
	e.Patients = append(e.Patients, key.ID)
	return nil
}

// step erases what is gathered.
func (a *aging) step(ctx context.Context) error {
	e := a.next
	if len(e.Whole)+len(e.Versions) == 0 {
		return nil
	}
	if a.next = (store.Erasure{}); !a.Dry {
		e.More = true
		a.erased = true
		if _, err := a.store.Erase(ctx, e, a.Audit()); err != nil {
			return err
		}
	}
	if a.Each != nil {
		a.Each(a.total)
	}
	return nil
}

// overSince reports whether nothing of a patient is of after the time, and
// nothing of him is open.
func (s *Service) overSince(ctx context.Context, patient store.Version, o Old) (bool, error) {
	if !patient.At.Before(o.Before) {
		return false, nil
	}
	stays, err := s.store.Stays(ctx, patient.ID)
	if err != nil {
		return false, err
	}
	for _, st := range stays {
		if st.Open || !st.End.IsZero() && !st.End.Before(o.Before) {
			return false, nil
		}
	}
	drains, err := s.store.Drains(ctx, store.DrainQuery{Patient: patient.ID})
	if err != nil {
		return false, err
	}
	for _, d := range drains {
		placements, err := s.store.Placements(ctx, d.ID)
		if err != nil {
			return false, err
		}
		if slices.ContainsFunc(placements, func(p drain.Placement) bool { return p.Patient == patient.ID && (p.Open() || !p.End.Before(o.Before)) }) {
			return false, nil
		}
	}
	entries, err := s.store.Entries(ctx, store.EntryQuery{Patient: patient.ID, From: o.Before, First: 1})
	if err != nil || len(entries) > 0 {
		return false, err
	}
	for _, typ := range o.Types {
		within := about(typ, patient.ID)
		if typ == "Group" || len(within) == 0 {
			continue
		}
		page, err := s.store.History(ctx, store.HistoryQuery{Type: typ, Within: within, Since: o.Before, Count: 1})
		if err != nil || len(page.Versions) > 0 {
			return false, err
		}
	}
	return true, nil
}

// past erases, along the feed, what was deleted or replaced before the time.
func (a *aging) past(ctx context.Context) error {
	const some = 500
	for after := int64(0); ; {
		vs, err := a.store.Changes(ctx, after, some)
		if err != nil || len(vs) == 0 {
			return err
		}
		for _, v := range vs {
			if after = v.Seq; !v.At.Before(a.Before) {
				return a.step(ctx) // times never fall along the feed
			}
			if v.Erased || a.gone[v.Key] {
				continue
			}
			cur, err := a.store.Read(ctx, v.Key)
			if err != nil {
				return err
			}
			switch {
			case cur.Number == v.Number && v.Deleted():
				a.next.Whole = append(a.next.Whole, v.Key)
				a.total.Resources++
				a.total.Versions++
			case cur.Number != v.Number && !v.Deleted():
				next, err := a.store.ReadVersion(ctx, v.Key, v.Number+1)
				if err != nil {
					return err
				}
				if next.At.Before(a.Before) {
					a.next.Versions = append(a.next.Versions, store.VersionOf{Key: v.Key, Number: v.Number})
					a.total.Versions++
				}
			}
		}
		if err := a.step(ctx); err != nil {
			return err
		}
	}
}
