// Package mongo owns the store on MongoDB: several processes may serve one
// replica set or sharded cluster. It holds documents, queries and the order in
// which steps are made; what search parameters mean is left to package search,
// and who may see what to the callers.
//
// # One write is one document
//
// A version is one inserted document whose _id is "Type/id/number". A clash of
// _ids is the optimistic lock: of two writers that replace the same version,
// one inserts. The document holds all that is derived from the resource, the
// body, what searches find and the typed projection, so that history, change
// feed, search and projection can never disagree, and nothing else needs to be
// atomic with it. The current version is the one with the highest number.
// Numbers have no gaps, so a version is current exactly when the next _id is
// not there: this is what reads check. The field until on an older version only
// spares them the look at most of those; it is set in the same transaction, or
// after the insert, when that can be done.
//
// Dates and times are integers, milliseconds for meta.lastUpdated and
// microseconds for all else (a BSON date ends at milliseconds). Exact numbers
// are text: Decimal128 has 34 digits and no thirds. The body is kept to the
// byte in a binary; the engine compresses blocks.
//
// # The change feed
//
// Seq must be unique and grow, and a reader that has passed a number must never
// get a lower one, though several processes write. Without transactions that
// takes care, since a number has to be taken before the version that carries it
// is inserted:
//
//   - A number is taken by inserting it, the next integer, as the _id of a
//     ledger entry that names the version to come. Two writers clash, so numbers
//     are unique and have no gaps, and each entry's time is taken not to lie
//     before that of the entry in front of it: At never falls along the feed,
//     whatever the clocks of the processes say. A counter with findAndModify
//     would be one step shorter under contention, but would leave gaps of which
//     nobody knows whether they are still to be filled, and could not order times.
//   - A number is settled when its version is there, or another writer's has its
//     _id (this one lost), or its writer declared it void. Readers get
//     what lies in front of the first unsettled number: the safe horizon.
//   - A number whose writer does not come back is given up by a reader that has
//     seen it unsettled for a whole lease, by its own monotonic clock; clocks of
//     several machines are never compared. The reader inserts a fence, then looks
//     for the version with read concern linearizable. A writer inserts, then
//     looks for a fence. Whichever insert comes second, its look sees the other:
//     a version found by the look is settled; one that comes after it was late.
//   - A late version is kept, since its caller may have been told so, but moved:
//     it gets a new number through the ledger, and one update that matches the old
//     number. Until then the feed leaves it out. The writer does that; if it died,
//     every reader of the feed does. Of several movers one update matches, and
//     entries of moves are settled and given up like others.
//   - A writer that inserted within half a lease of taking the number needs no
//     look: nobody can have waited for a whole one.
//
// A fence is kept for a day, then dropped: no command of a process that was
// stopped for longer can still arrive. If one did, its version would be read
// and found, and missing from the feed. That, and a version that was replaced
// between coming late and being moved (the feed shows the two in the order of
// their numbers of the feed, not of the resource), are the known limits.
//
// Searches do not wait for the horizon. Their first page takes a snapshot, all
// numbers up to the end of the ledger but the unsettled, and since versions are
// never changed, later pages walk the same snapshot again.
//
// # Identifiers and conditional creates
//
// An identifier that only one resource may have is claimed by a document with
// its digest as _id, before the version is inserted. Whether a claim holds is told by its
// owner's versions: it is pending while the version for which it was taken is not
// there, held while the current version lists it, else free to be taken by an
// update that matches the nonce seen. So a deletion or a changed identifier
// needs no second write, and a writer that died leaves nothing to clean up. A
// pending claim is waited for, for two seconds at most: then the caller is told
// that the other write is in doubt. When a process has seen a claim pending for
// a lease, its writer is taken for dead. Writers send the insert only within half a lease of
// the beginning, and it ends within writeTimeout. A conditional create searches,
// takes a claim on the digest of its condition in the same way, searches again,
// then inserts; the next one waits until it sees what came of it.
//
// A process whose write got no answer, or that could not give back what it had
// taken, keeps the plan (doubt.go) and decides it as soon as the server is back:
// what is there is settled, what is not is given back once nothing of it can
// arrive any more, writeTimeout after it was sent. So only the claims and
// numbers of a process that died wait for a lease.
//
// So a write in doubt can be retried with the same identifier, or the same
// condition: it is refused, or answered with what is there, when the first was
// kept, and made when it was not.
//
// # Writes go together
//
// What waits for a majority waits for the network and the disks of others. So
// all that is asked for at the same time goes together (batch.go): the claims of
// many writes by one insert, their numbers by one, and then the versions, audit
// records and marks of many writes by one transaction. Claims and number are
// taken at the same time, so that a write with an identifier, as a POST of an
// entry is, waits twice for a majority; alone it makes three commands that wait,
// and with 15 others beside it TestMajorityWaits counts 0.6 a write. A write that meets
// another one takes its claims first and its number when it has them.
//
// Of a transaction of many writes the one that clashes begins again, and the
// others go on without it. When a write conflict names none, each is made alone.
//
// # One Commit is one transaction
//
// With transactions (a replica set or sharded cluster, told by hello), the writes of a Commit
// and its audit records are written by one transaction with write concern majority.
// Reads, claims and numbers stay outside: what was read is checked by the _id of
// the version that follows it, and transactions do not queue for the end of the ledger.
//
// Without, the versions of single writes are inserted together, and then
// their audit records and marks: three waits. Of a Commit of several writes all are checked first, and any refusal of that check refuses
// all of them with nothing written. Then the versions are inserted in order by
// one command, which stops at the first that clashes. If it is the very first,
// all is made again, or refused. If others were inserted before it, it is made
// again on what is there now; should it be refused then, it and those after it
// are left out, their results are zero, the log tells at level error, and Commit
// succeeds: the first write is the one that decides, and concerns that follow
// from it are made good by the next sweep. Audit records are inserted last; if
// that fails they are kept and written when the server is back, because the write is made and the caller
// must not be told otherwise. A process that dies first loses them: that is the limit of a standalone server.
//
// # Concerns, retries, time limits
//
// Reads go to the primary with read concern majority: what was answered can not
// be rolled back, and an acknowledged write is read by every process at once.
// (A deposed primary may answer for some seconds with what was true before; a
// write based on that clashes. Only giving up a number needs linearizable.)
// Writes have concern majority, which a replica set journals. Retryable reads
// and writes are on: the driver repeats a command once after an election or a
// broken connection, and the server knows a repeated write. The URL cannot change these. An
// insert that still gets no answer is looked for; when the look fails too the
// answer is Unavailable, "in doubt".
//
// Decisive steps run under their own limit of 10 s, not the caller's, so that a
// caller who goes away leaves nothing half-known; reads end after 30 s or at the
// caller's deadline. A server is searched for 5 s, so that /readyz and callers
// are told soon: an election may take longer, and they are then refused with
// Retry-After. The pool has the driver's 100
// connections a process unless the URL says otherwise (maxPoolSize): calls are
// short, and waiting for one counts against the deadline. States have four of their
// own, so that a lease is renewed however busy the others are. Implicit sessions are
// enough, since everything that must see an own write reads the primary.
//
// # Indexes and shards
//
// Every query names the index that it walks, from the one table in index.go,
// its filter bounds that index's first field, and its sort is the order of the
// index, but for audit records of one resource, of which a page is sorted; tests
// check this on every command of the suite. What asks for current
// resources walks an index with until, so that it reads no older versions:
// TestReadsAreFlat works out, from each query and the index that it names, what a
// server would read. Projections share four compound indexes by having
// common names for what they are selected by. Indexes are sparse where most
// documents lack the fields; none is unique beside _id, none is partial. They
// are made at start, one by one where missing, which several processes may do at
// once; a database of a newer schema is refused.
//
// A search with several keys walks the index by one of them, which the server
// chooses, and filters by the rest: an index over an array cannot intersect.
// A patient's compartment is one such key.
//
// To shard, shard version and audit by {_id: "hashed"}, claim and ledger by
// nothing: they are small. Hashing keeps _id unique over the cluster, spreads
// inserts, and sends reads and updates by _id to one shard; other queries ask
// all shards, each by its index. No index is unique in any other way, which a
// sharded collection would not allow.
package mongo
