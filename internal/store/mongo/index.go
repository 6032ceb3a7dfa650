package mongo

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"go.mongodb.org/mongo-driver/v2/bson"
	"go.mongodb.org/mongo-driver/v2/mongo"
	"go.mongodb.org/mongo-driver/v2/mongo/options"

	"tidemark/internal/budget"
	"tidemark/internal/fault"
	"tidemark/internal/search"
	"tidemark/internal/store/engine"
)

// The collections.
const (
	versions = "version" // every version of every resource; see type version
	ledger   = "ledger"  // the numbers of the change feed; see type entry
	fences   = "fence"   // numbers given up; see ledger.go
	claims   = "claim"   // identifiers; see type claim
	audits   = "audit"
	states   = "state"
	meta     = "meta" // the schema's version, and the mark of the feed
)

// index is one declared index. Every query names the one that it walks.
type index struct {
	collection, name string
	keys             []string // "-" before a field that descends
	sparse           bool
}

const byID = "_id_" // every collection has it

// indexes are all that a query may name, beside byID. A sparse one leaves out
// documents that have none of its fields.
//
// What is current only is asked for through an index that has until: as the
// first fields that are all given, or as the last one, to whose bounds the
// server skips. So a query reads as many documents after a hundred versions as
// after the first.
var indexes = []index{
	{versions, "resource", []string{"type", "id", "n"}, false},                                           // current version; history of an instance
	{versions, "current", []string{"type", "id", "born", "until"}, false},                                // current versions of many; by _id
	{versions, "by_key", []string{"keys", "span", "date", "born", "until"}, true},                        // tokens, references and URIs, by the primary date
	{versions, "by_value", []string{"values", "until"}, true},                                            // string, number and quantity parameters
	{versions, "by_update", []string{"type", "at", "born", "until"}, false},                              // by _lastUpdated
	{versions, "typed", []string{"type", "seq"}, false},                                                  // history of a type
	{versions, "feed", []string{"seq"}, false},                                                           // change feed; history of the system
	{versions, "time", []string{"at", "seq"}, false},                                                     // from a time to a place in the feed
	{versions, "of_drain", []string{"fact.kind", "fact.drain", "until", "fact.at", "fact.id"}, true},     // entries, placements and concerns of a drain
	{versions, "of_patient", []string{"fact.kind", "fact.patient", "until", "fact.at", "fact.id"}, true}, // entries, drains, placements and stays of a patient
	{versions, "at_place", []string{"fact.kind", "fact.place", "until", "fact.open"}, true},              // drains at a ward, open stays, places within
	{versions, "open", []string{"fact.kind", "fact.open", "until", "fact.id"}, true},                     // active drains, open concerns
	{audits, "time", []string{"-at", "-_id"}, false},                                                     //
	{audits, "id", []string{"id"}, false},                                                                //
	{audits, "agent", []string{"agent", "-at", "-_id"}, true},                                            //
	{audits, "patient", []string{"patient", "-at", "-_id"}, true},                                        //
	{audits, "entity", []string{"entity", "-at", "-_id"}, true},                                          //
	{audits, "refused", []string{"refused", "-at", "-_id"}, true},                                        // outcomes other than success, which are few
}

// replaced are the indexes of older schemas that others have taken the place of.
var replaced = []string{"fact_place", "keys", "values", "updated", "fact_drain", "fact_patient", "fact_place_open", "fact_open"}

// schema is the version of what is written above and in type version. A
// database of a newer one is refused, so that an old process left running
// beside new ones cannot harm it at its next start. What such a process writes
// meanwhile lacks the keys of parameters that it does not know: stop the old
// processes before the first new one starts.
const schema = 4

// prepare makes the collections and indexes. Several processes may do so at
// once: what is there already is left, and none of the steps depends on who
// does it.
func (s *Store) prepare(ctx context.Context) error {
	// Transactions cannot create collections.
	for _, name := range []string{versions, ledger, fences, claims, audits, states, meta} {
		if err := s.db.CreateCollection(ctx, name); err != nil && !hasCode(err, 48) { // NamespaceExists
			return err
		}
	}
	// The schema first, so that an old program does not add its indexes to a new database.
	have, err := s.checkSchema(ctx)
	if err != nil {
		return err
	}
	for _, name := range []string{versions, audits} {
		v := s.db.Collection(name).Indexes()
		there, err := v.ListSpecifications(ctx)
		if err != nil {
			return err
		}
		for _, x := range indexes {
			if x.collection != name || slices.ContainsFunc(there, func(have mongo.IndexSpecification) bool { return have.Name == x.name }) {
				continue
			}
			o := options.Index().SetName(x.name)
			if x.sparse {
				o.SetSparse(true)
			}
			if _, err := v.CreateOne(ctx, mongo.IndexModel{Keys: x.document(), Options: o}); err != nil {
				return err
			}
		}
	}
	return s.upgrade(ctx, have)
}

// upgrade brings the documents of an older schema up to this one. It may be
// broken off and repeated, and several processes may do it at once.
func (s *Store) upgrade(ctx context.Context, from int64) error {
	if from == schema {
		return nil
	}
	for n := from + 1; n <= schema; n++ {
		for _, typ := range search.Changed[n] {
			if err := s.indexAnew(ctx, typ); err != nil {
				return fmt.Errorf("index %s anew: %w", typ, err)
			}
		}
	}
	for _, name := range replaced {
		const indexNotFound = 27
		if err := s.db.Collection(versions).Indexes().DropOne(ctx, name); err != nil && !hasCode(err, indexNotFound) {
			return fmt.Errorf("drop an index: %w", err)
		}
	}
	if from < 3 {
		if err := s.whereabouts(ctx); err != nil {
			return fmt.Errorf("read stays and places anew: %w", err)
		}
	}
	_, err := s.db.Collection(meta).UpdateOne(ctx, bson.D{is("_id", "schema")}, bson.D{is("$max", bson.D{is("version", int64(schema))})}, options.UpdateOne().SetHint(byID))
	return err
}

// whereabouts adds to the facts of Encounters and Locations what schema 3 has:
// whether a stay is finished and since when, and the kind of a place.
func (s *Store) whereabouts(ctx context.Context) error {
	for _, typ := range []string{"Encounter", "Location"} {
		err := s.eachVersion(ctx, typ, func(v *version) error {
			if v.deleted() || v.Fact == nil {
				return nil
			}
			var r struct {
				Status       string
				Period       struct{ End time.Time }
				PhysicalType struct{ Coding []struct{ Code string } }
			}
			_ = json.Unmarshal(v.Body, &r) // an end that is no instant is none
			set := bson.D{}
			if typ == "Encounter" && r.Status == "finished" {
				set = append(set, is("fact.stay.finished", true))
				if !r.Period.End.IsZero() {
					set = append(set, is("fact.stay.end", engine.Micro(r.Period.End)))
				}
			}
			if c := r.PhysicalType.Coding; typ == "Location" && len(c) > 0 {
				set = append(set, is("fact.physical", c[0].Code))
			}
			if len(set) == 0 {
				return nil
			}
			_, err := s.db.Collection(versions).UpdateOne(ctx, bson.D{is("_id", v.ID)}, bson.D{is("$set", set)}, options.UpdateOne().SetHint(byID))
			return err
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// eachVersion passes over the versions of a type, in the order of the feed.
func (s *Store) eachVersion(ctx context.Context, typ string, do func(*version) error) error {
	const some = 500
	for after := int64(math.MinInt64); ; {
		docs, err := list[version](ctx, s, versions, "typed", bson.D{is("type", typ), is("seq", bson.D{is("$gt", after)})},
			options.Find().SetSort(bson.D{is("type", 1), is("seq", 1)}).SetLimit(some))
		if err != nil {
			return err
		}
		for i := range docs {
			after = docs[i].Seq
			if err := do(&docs[i]); err != nil {
				return err
			}
		}
		if len(docs) < some {
			return nil
		}
	}
}

// indexAnew works out the keys of all versions of a type. Parameters are only
// ever added, and so far only such as are found by keys.
func (s *Store) indexAnew(ctx context.Context, typ string) error {
	return s.eachVersion(ctx, typ, func(v *version) error {
		body := v
		if v.deleted() { // it has the keys of the version before it
			var err error
			if body, err = one[version](ctx, s, versions, byID, bson.D{is("_id", versionID(v.key(), v.Number-1))}, nil); err != nil {
				return err
			}
			if body == nil || body.deleted() {
				return nil
			}
		}
		d, err := s.doc(ctx, body)
		if err != nil {
			return fmt.Errorf("read %s: %w", body.ID, err)
		}
		_, err = s.db.Collection(versions).UpdateOne(ctx, bson.D{is("_id", v.ID)}, bson.D{is("$set", bson.D{is("keys", d.Keys())})}, options.UpdateOne().SetHint(byID))
		return err
	})
}

// checkSchema writes the schema's version into an empty database, gives that
// of another, and refuses one that this program does not know.
func (s *Store) checkSchema(ctx context.Context) (int64, error) {
	c := s.db.Collection(meta)
	_, err := c.InsertOne(ctx, bson.D{{Key: "_id", Value: "schema"}, {Key: "version", Value: int64(schema)}})
	if _, clash := duplicates(err); err != nil && !clash {
		return 0, err
	}
	var have struct{ Version int64 }
	if err := c.FindOne(ctx, bson.D{{Key: "_id", Value: "schema"}}, options.FindOne().SetHint(byID)).Decode(&have); err != nil {
		return 0, err
	}
	if have.Version > schema {
		return 0, fault.New(fault.Unavailable, "exception", "The database has schema %d, this program knows %d; start the newer Tidemark that wrote it.", have.Version, schema)
	}
	return have.Version, nil
}

func (x index) document() bson.D {
	var d bson.D
	for _, k := range x.keys {
		n := int32(1)
		if k[0] == '-' {
			k, n = k[1:], -1
		}
		d = append(d, bson.E{Key: k, Value: n})
	}
	return d
}

func hasCode(err error, code int) bool {
	var e mongo.ServerError
	return errors.As(err, &e) && e.HasErrorCode(code)
}

// find runs a query that walks the named index, and passes each document to f,
// which may keep it.
func (s *Store) find(ctx context.Context, collection, index string, filter bson.D, o *options.FindOptionsBuilder, f func(bson.Raw) error) error {
	if o == nil {
		o = options.Find()
	}
	if filter == nil {
		filter = bson.D{}
	}
	cur, err := s.collection(collection).Find(ctx, filter, o.SetHint(index))
	if err != nil {
		return err
	}
	for cur.Next(ctx) {
		if err := cmp.Or(budget.Rows(ctx, 1), f(cur.Current)); err != nil {
			return errors.Join(err, cur.Close(ctx))
		}
	}
	return errors.Join(cur.Err(), cur.Close(ctx))
}

// list is find that decodes all documents.
func list[T any](ctx context.Context, s *Store, collection, index string, filter bson.D, o *options.FindOptionsBuilder) ([]T, error) {
	var out []T
	err := s.find(ctx, collection, index, filter, o, func(raw bson.Raw) error {
		var x T
		if err := bson.Unmarshal(raw, &x); err != nil {
			return fmt.Errorf("read a document of %s: %w", collection, err)
		}
		out = append(out, x)
		return nil
	})
	return out, err
}

// one is list for the first document, nil when there is none.
func one[T any](ctx context.Context, s *Store, collection, index string, filter bson.D, o *options.FindOptionsBuilder) (*T, error) {
	if o == nil {
		o = options.Find()
	}
	all, err := list[T](ctx, s, collection, index, filter, o.SetLimit(1))
	if err != nil || len(all) == 0 {
		return nil, err
	}
	return &all[0], nil
}

// is and eq keep filters readable.
func is(field string, value any) bson.E { return bson.E{Key: field, Value: value} }

func in[T any](field string, values []T) bson.E {
	return bson.E{Key: field, Value: bson.D{{Key: "$in", Value: values}}}
}
