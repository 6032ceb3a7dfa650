// Package mongotest owns the MongoDB-compatible server that tests use where no
// real deployment is at hand: it runs inside the test process, keeps its data
// in the test's directory and needs no installation. It is a module of its own
// so that the server's dependencies are not those of the service.
//
// The server answers as a standalone MongoDB does: it has no transactions,
// ignores hints and read concerns, and walks no index but that of _id. Its
// find-and-modify and update read first and write afterwards, which two clients
// can do at once; so the gate in front of it passes one command at a time,
// which makes every command atomic as MongoDB's are. The gate can also hold,
// cut and lose what passes it, to stand for a network and a server that fail.
//
// Tests of the store itself stand here too, since only they need the server;
// the same suite runs against a real deployment from package store/mongo.
package mongotest
