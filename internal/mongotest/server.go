package mongotest

import (
	"context"
	"log/slog"
	"net"
	"strings"
	"testing"
	"time"

	"go.mongodb.org/mongo-driver/v2/bson"

	"github.com/FerretDB/FerretDB/ferretdb"
)

// Server is a running server.
type Server struct {
	gate *gate
}

// Start starts a server that ends with the test.
func Start(tb testing.TB) *Server {
	tb.Helper()
	return StartIn(tb, tb.TempDir())
}

// StartIn starts a server on a directory that may hold an earlier one's data.
func StartIn(tb testing.TB, dir string) *Server {
	tb.Helper()
	f, err := ferretdb.New(&ferretdb.Config{
		Listener:  ferretdb.ListenerConfig{TCP: "127.0.0.1:0"},
		Handler:   "sqlite",
		SQLiteURL: "file:" + strings.TrimSuffix(dir, "/") + "/",
		Logger:    slog.New(slog.DiscardHandler),
	})
	if err != nil {
		tb.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- f.Run(ctx) }()
	address := strings.Trim(strings.TrimPrefix(f.MongoDBURI(), "mongodb://"), "/")
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		cancel()
		tb.Fatal(err)
	}
	s := &Server{newGate(l, address)}
	tb.Cleanup(func() {
		s.gate.close()
		cancel()
		if err := <-done; err != nil {
			tb.Error(err)
		}
	})
	return s
}

// URL names a database on the server, for mongo.Options.
func (s *Server) URL(database string) string {
	return "mongodb://" + s.gate.address() + "/" + database
}

// Stop makes the server unreachable: connections break, new ones are refused
// with an end. Resume takes it back.
func (s *Server) Stop() { s.gate.stop() }

// Resume ends Stop.
func (s *Server) Resume() { s.gate.resume() }

// LoseAnswers makes the next n commands, such as "insert version", be carried
// out without an answer: the connection breaks instead.
func (s *Server) LoseAnswers(command string, n int) { s.gate.lose(command, n) }

// PretendTransactions has the server say that it is a replica set, and take
// commands of a transaction as if there were none: they are carried out at
// once, one by one, and never rolled back. It shows whether the steps of a
// transaction are the right ones, and nothing about isolation.
func (s *Server) PretendTransactions() {
	s.gate.mu.Lock()
	defer s.gate.mu.Unlock()
	s.gate.pretend = true
}

// StopAfter is Stop once the next command of the name was carried out, before
// its answer is sent.
func (s *Server) StopAfter(command string) { s.gate.stopAfter(command) }

// Hold makes the next command of the name wait, once it is sent, until release
// is called. Others pass it.
func (s *Server) Hold(command string) (reached <-chan struct{}, release func()) {
	return s.gate.hold(command)
}

// Delay makes every command that waits for a majority wait so long for it,
// beside others, as members on a network do.
func (s *Server) Delay(d time.Duration) {
	s.gate.mu.Lock()
	defer s.gate.mu.Unlock()
	s.gate.delay = d
}

// Wire has the server say that it speaks no newer protocol than this version.
func (s *Server) Wire(version int) {
	s.gate.mu.Lock()
	defer s.gate.mu.Unlock()
	s.gate.wire = version
}

// Refuse answers the next n commands of the name with an error, without
// carrying them out.
func (s *Server) Refuse(command string, n int, code int, labels ...string) {
	s.gate.mu.Lock()
	defer s.gate.mu.Unlock()
	for range n {
		s.gate.errors[command] = append(s.gate.errors[command], bson.D{{Key: "ok", Value: 0.0}, {Key: "errmsg", Value: "refused by the test"}, {Key: "code", Value: int32(code)}, {Key: "errorLabels", Value: labels}})
	}
}

// WithoutHello has the server know the command hello by its older name alone, as
// those before 4.4.2 do.
func (s *Server) WithoutHello() {
	s.gate.mu.Lock()
	defer s.gate.mu.Unlock()
	s.gate.old = true
}
