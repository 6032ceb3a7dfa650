package mongotest

import (
	"context"
	"testing"
	"time"

	"go.mongodb.org/mongo-driver/v2/bson"
	driver "go.mongodb.org/mongo-driver/v2/mongo"
	client "go.mongodb.org/mongo-driver/v2/mongo/options"

	"tidemark/fhirmap"
	"tidemark/internal/search"
	"tidemark/internal/sim"
	"tidemark/internal/store"
)

// BenchmarkDocuments measures the documents of a simulated ward, for sizing: by
// type how many bytes of BSON a version has, before the engine compresses it,
// and how many entries it makes in the two indexes over arrays.
func BenchmarkDocuments(b *testing.B) {
	srv := Start(b)
	s := open(b, options(srv.URL("tidemark")))
	ctx := context.Background()
	var writes []store.Write
	seen := map[store.Key]bool{}
	for step := range sim.Steps(sim.Demo(time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC), 1)) {
		k := store.Key{Type: step.Type, ID: step.ID}
		if step.Method != sim.Put || seen[k] {
			continue
		}
		seen[k] = true
		n := step.Resource()
		facts, _ := fhirmap.Decode(n, time.UTC)
		writes = append(writes, store.Write{Key: k, Method: store.Post, Expect: store.Absent, Body: fhirmap.Body(n), Doc: search.Extract(n, search.ExtractOptions{}), Facts: facts, Claims: fhirmap.Claims(n, facts)})
		if len(writes) == 1000 {
			break
		}
	}
	for b.Loop() {
		for _, w := range writes {
			if _, err := s.Commit(ctx, []store.Write{w}, []store.AuditRecord{{ID: "7c0c54f2-7d5b-4b9e-9f0e-3a2f2c4b1d6e", At: time.Now(), Action: "C", Interaction: "create", Outcome: "0", Agent: "Practitioner/nurse-01-1",
				Client: "ward-tablet", Address: "192.0.2.17", Entity: w.Key.String(), Patient: "patient-01-01", Request: "7c0c54f2-7d5b-4b9e-9f0e-3a2f2c4b1d6e"}}); err != nil {
				b.Fatal(err)
			}
		}
		writes = nil // once is enough: the next would clash
	}
	c, err := driver.Connect(client.Client().ApplyURI(srv.URL("")))
	if err != nil {
		b.Fatal(err)
	}
	defer c.Disconnect(ctx)
	for _, collection := range []string{"version", "ledger", "audit", "claim"} {
		cur, err := c.Database("tidemark").Collection(collection).Find(ctx, bson.D{})
		if err != nil {
			b.Fatal(err)
		}
		total, count, bodies, keys, values := map[string]int{}, map[string]int{}, map[string]int{}, map[string]int{}, map[string]int{}
		length := func(field string) int {
			list, _ := cur.Current.Lookup(field).ArrayOK() // not there: none
			all, _ := list.Values()
			return len(all)
		}
		for cur.Next(ctx) {
			name, ok := cur.Current.Lookup("type").StringValueOK()
			if !ok {
				name = collection
			}
			total[name] += len(cur.Current)
			count[name]++
			keys[name] += length("keys")
			values[name] += length("values")
			if _, body, ok := cur.Current.Lookup("body").BinaryOK(); ok {
				bodies[name] += len(body)
			}
		}
		if err := cur.Err(); err != nil {
			b.Fatal(err)
		}
		for name, n := range count {
			b.ReportMetric(float64(total[name])/float64(n), name+"_B")
			b.Logf("%s: %d documents of %d bytes, of which %d are the body; %.1f keys, %.1f values", name, n, total[name]/n, bodies[name]/n,
				float64(keys[name])/float64(n), float64(values[name])/float64(n))
		}
	}
}
