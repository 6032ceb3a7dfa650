package mongo

import (
	"cmp"
	"context"
	"maps"
	"slices"

	"go.mongodb.org/mongo-driver/v2/bson"
	"go.mongodb.org/mongo-driver/v2/mongo/options"

	"tidemark/internal/store"
	"tidemark/internal/store/engine"
)

// Erase implements store.Store. Search texts go first: by what is erased they
// are found, so that a call that was cut short can be made again. With
// transactions the rest is one; without, the deletions come first, and what
// fails behind them is made good by making the call again. What the server
// keeps of it in its own files it overwrites in its own time: OPERATING.md.
func (s *Store) Erase(ctx context.Context, e store.Erasure, audit []store.AuditRecord) ([]store.Result, error) {
	leave, err := s.enter(ctx)
	if err != nil {
		return nil, err
	}
	defer leave()
	results, err := s.eraseAll(ctx, e, recordsOf(audit))
	return results, wrap(ctx, err, "erase")
}

func (s *Store) eraseAll(ctx context.Context, e store.Erasure, records []record) ([]store.Result, error) {
	if err := cmp.Or(sized(e.Writes), s.unsay(ctx, e.Words)); err != nil {
		return nil, err
	}
	if len(e.Writes)+len(e.Whole)+len(e.Versions)+len(e.Patients) == 0 {
		return []store.Result{}, s.insertRecords(ctx, records)
	}
	if s.transactions {
		return s.commitWhole(ctx, e.Writes, records, &e)
	}
	// What would be refused in the end is refused before the first step.
	leaving := map[store.Key]bool{}
	for _, w := range e.Writes {
		leaving[w.Key] = w.Method == store.Delete
	}
	if err := s.living(ctx, &e, leaving); err != nil {
		return nil, err
	}
	results, err := []store.Result{}, error(nil)
	if len(e.Writes) == 1 {
		results, err = s.commitWhole(ctx, e.Writes, nil, nil)
	} else if len(e.Writes) > 1 {
		results, err = s.commitInOrder(ctx, e.Writes, nil)
	}
	if err != nil {
		return nil, err
	}
	ctx, cancel := s.decisive(ctx)
	defer cancel()
	if err := s.erase(ctx, &e); err != nil {
		return nil, err
	}
	return results, s.insertRecords(ctx, records)
}

// living refuses to erase what is current, but for what is to be deleted.
func (s *Store) living(ctx context.Context, e *store.Erasure, leaving map[store.Key]bool) error {
	singles := map[store.Key][]int64{}
	for _, v := range e.Versions {
		singles[v.Key] = append(singles[v.Key], v.Number)
	}
	keys := slices.Concat(e.Whole, slices.Collect(maps.Keys(singles)))
	there := map[store.Key]bool{}
	found, err := s.currents(ctx, keys)
	if err != nil {
		return err
	}
	for _, v := range found {
		k := v.key()
		there[k] = true
		if !v.deleted() && !leaving[k] && (slices.Contains(e.Whole, k) || slices.Contains(singles[k], v.Number)) {
			return engine.Living(k)
		}
	}
	for _, k := range keys {
		if !there[k] {
			return engine.NotFound(k)
		}
	}
	return nil
}

// eraseStep is how many resources or versions one command erases.
const eraseStep = 500

// erase takes away what the versions held. It can be made again.
func (s *Store) erase(ctx context.Context, e *store.Erasure) error {
	if err := s.living(ctx, e, nil); err != nil {
		return err
	}
	byType := map[string][]string{}
	for _, k := range e.Whole {
		byType[k.Type] = append(byType[k.Type], k.ID)
	}
	for typ, ids := range byType {
		for part := range slices.Chunk(ids, eraseStep) {
			if err := s.eraseVersions(ctx, bson.D{is("type", typ), in("id", part)}, "resource"); err != nil {
				return err
			}
			for _, id := range part {
				name := typ + "/" + id
				for _, entity := range []any{name, bson.D{is("$gte", name+ofVersions), is("$lt", name+ofVersionsEnd)}} {
					if err := s.silence(ctx, bson.D{is("entity", entity)}, "entity"); err != nil {
						return err
					}
				}
			}
		}
	}
	var names []string
	for _, v := range e.Versions {
		names = append(names, versionID(v.Key, v.Number))
	}
	for part := range slices.Chunk(names, eraseStep) {
		if err := s.eraseVersions(ctx, bson.D{in("_id", part)}, byID); err != nil {
			return err
		}
	}
	for _, p := range e.Patients {
		if err := s.silence(ctx, bson.D{is("patient", p)}, "patient"); err != nil {
			return err
		}
	}
	return nil
}

// eraseVersions empties the documents that a filter selects, and gives up the
// claims that they held, of which the digests would be left.
func (s *Store) eraseVersions(ctx context.Context, filter bson.D, index string) error {
	held, err := list[version](ctx, s, versions, index, filter, options.Find().SetProjection(bson.D{is("id", 1), is("claims", 1)}))
	if err != nil {
		return err
	}
	owners := map[string]bool{}
	ids := map[string]bool{}
	for _, v := range held {
		for _, c := range v.Claims {
			ids[c], owners[v.Res] = true, true
		}
	}
	for part := range slices.Chunk(slices.Sorted(maps.Keys(ids)), eraseStep) {
		if _, err := s.db.Collection(claims).DeleteMany(ctx, bson.D{in("_id", part), in("owner", slices.Sorted(maps.Keys(owners)))}, options.DeleteMany().SetHint(byID)); err != nil {
			return err
		}
	}
	gone := bson.D{}
	for _, field := range []string{"body", "keys", "values", "claims", "fact"} {
		gone = append(gone, is(field, ""))
	}
	_, err = s.db.Collection(versions).UpdateMany(ctx, filter, bson.D{
		is("$unset", gone), is("$set", bson.D{is("method", string(store.Delete)), is("erased", true), is("meta", int32(0))}),
	}, options.UpdateMany().SetHint(index))
	return err
}

// silence takes the search text from audit records.
func (s *Store) silence(ctx context.Context, filter bson.D, index string) error {
	_, err := s.db.Collection(audits).UpdateMany(ctx, filter, bson.D{is("$unset", bson.D{is("query", "")})}, options.UpdateMany().SetHint(index))
	return err
}

// unsay takes the text from audit records of searches that hold one of the words.
func (s *Store) unsay(ctx context.Context, words []string) error {
	if len(words) == 0 {
		return nil
	}
	var found []bson.ObjectID
	err := s.find(ctx, audits, "time", bson.D{is("at", bson.D{is("$gte", int64(0))})}, options.Find().SetProjection(bson.D{is("query", 1)}), func(raw bson.Raw) error {
		var r record
		if err := bson.Unmarshal(raw, &r); err != nil {
			return err
		}
		if engine.Spoken(r.Query, words) {
			found = append(found, r.OID)
		}
		return nil
	})
	if err != nil {
		return err
	}
	for part := range slices.Chunk(found, eraseStep) {
		if err := s.silence(ctx, bson.D{in("_id", part)}, byID); err != nil {
			return err
		}
	}
	return nil
}
