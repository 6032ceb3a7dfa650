// Package crash owns the trying of what the service promises when things go
// wrong: the program is killed, its disk fills up, its clock steps, its files
// are damaged, and afterwards everything that it acknowledged must be there,
// once. It has tests only, and drives the program itself over HTTP; what an
// engine does within one process is tried in package storetest.
//
// TIDEMARK_CRASH_CYCLES=500 makes that many kills instead of some tens;
// TIDEMARK_SOAK=1h lets the soak last that long instead of some seconds.
// TIDEMARK_CRASH_STORE=mongodb://… has the programs serve a MongoDB deployment
// instead of the embedded store, in databases whose names begin with that of the
// URL; module mongotest runs it with its own server.
package crash
