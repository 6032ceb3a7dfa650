package mongotest

import (
	"bytes"
	"encoding/binary"
	"errors"
	"io"
	"net"
	"slices"
	"sync"
	"time"

	"go.mongodb.org/mongo-driver/v2/bson"
)

// gate passes messages between clients and the server, one command at a time.
type gate struct {
	listener net.Listener
	server   string

	one sync.Mutex // held while a command is carried out

	mu      sync.Mutex
	conns   map[net.Conn]bool
	stopped bool
	losses  map[string]int
	ends    map[string]bool // commands after which the server is away
	pretend bool            // transactions
	old     bool            // hello is not known
	holds   map[string]*hold
	delay   time.Duration // of what waits for a majority
	wire    int           // the newest version of the protocol that is told, 0 the server's
	errors  map[string][]bson.D
}

type hold struct {
	reached chan struct{}
	release chan struct{}
}

func newGate(l net.Listener, server string) *gate {
	g := &gate{listener: l, server: server, conns: map[net.Conn]bool{}, losses: map[string]int{}, ends: map[string]bool{}, holds: map[string]*hold{}, errors: map[string][]bson.D{}}
	go g.run()
	return g
}

func (g *gate) address() string { return g.listener.Addr().String() }

func (g *gate) run() {
	for {
		c, err := g.listener.Accept()
		if err != nil {
			return
		}
		go g.serve(c)
	}
}

func (g *gate) serve(client net.Conn) {
	defer client.Close()
	server, err := net.Dial("tcp", g.server)
	if err != nil {
		return
	}
	defer server.Close()
	g.mu.Lock()
	if g.stopped {
		g.mu.Unlock()
		return
	}
	g.conns[client] = true
	g.mu.Unlock()
	defer func() {
		g.mu.Lock()
		delete(g.conns, client)
		g.mu.Unlock()
	}()
	for {
		request, err := message(client)
		if err != nil {
			return
		}
		name := command(request)
		if h := g.held(name); h != nil {
			close(h.reached)
			<-h.release
		}
		answer, err := g.pass(server, request, name)
		if err != nil {
			return
		}
		if answer == nil {
			continue
		}
		if g.waits(request) { // beside others, who may go on meanwhile
			time.Sleep(g.delayed())
		}
		// A client that does not read must not keep others waiting.
		if client.SetWriteDeadline(time.Now().Add(10*time.Second)) != nil {
			return
		}
		if _, err := client.Write(answer); err != nil {
			return
		}
	}
}

var errLost = errors.New("the answer was lost")

// pass carries out one command and gives the answer, nil when none is wanted.
// All but the handshake take their turn, so that clients notice a server that
// works although others wait.
func (g *gate) pass(server net.Conn, request []byte, name string) ([]byte, error) {
	if name != "hello" && name != "isMaster" && name != "ismaster" && name != "ping" {
		g.one.Lock()
		defer g.one.Unlock()
	}
	g.mu.Lock()
	stopped, pretend, wire := g.stopped, g.pretend, g.wire
	var failure bson.D
	if list := g.errors[name]; len(list) > 0 {
		failure, g.errors[name] = list[0], list[1:]
	}
	g.mu.Unlock()
	if stopped {
		return nil, errLost
	}
	if failure != nil {
		return reply(request, failure)
	}
	if ours := !bytes.Contains(request, driversOwn); g.isOld() && name == "hello" && ours {
		return reply(request, bson.D{{Key: "ok", Value: 0.0}, {Key: "errmsg", Value: "no such command: 'hello'"}, {Key: "code", Value: int32(59)}})
	}
	if pretend {
		if d := pretended(request, name); d != nil {
			answer, err := reply(request, append(d, bson.E{Key: "ok", Value: 1.0}))
			if err == nil {
				err = g.lost(name)
			}
			return answer, err
		}
		request = alone(request)
	}
	if _, err := server.Write(request); err != nil {
		return nil, err
	}
	if moreToCome(request) {
		return nil, nil
	}
	answer, err := message(server)
	if err != nil {
		return nil, err
	}
	if field := []byte("\x10maxWireVersion\x00"); wire > 0 {
		if at := bytes.Index(answer, field); at >= 0 {
			binary.LittleEndian.PutUint32(answer[at+len(field):], uint32(wire))
		}
	}
	return answer, g.lost(name)
}

// lost reports, by an error, that the answer to a command that was carried out
// does not arrive.
func (g *gate) lost(name string) error {
	g.mu.Lock()
	lost := g.losses[name] > 0
	if lost {
		g.losses[name]--
	}
	ends := g.ends[name]
	delete(g.ends, name)
	g.mu.Unlock()
	if ends {
		g.stop()
	}
	if ends || lost {
		return errLost
	}
	return nil
}

func (g *gate) delayed() time.Duration {
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.delay
}

// waits reports whether a command waits until a majority of members has it:
// those with that write concern, which in a transaction is its end alone.
func (g *gate) waits(request []byte) bool {
	return g.delayed() > 0 && bytes.Contains(request, []byte("\x02w\x00\x09\x00\x00\x00majority\x00"))
}

// message reads one message of the wire protocol: its length comes first.
func message(r io.Reader) ([]byte, error) {
	var head [4]byte
	if _, err := io.ReadFull(r, head[:]); err != nil {
		return nil, err
	}
	n := binary.LittleEndian.Uint32(head[:])
	if n < 16 || n > 64<<20 {
		return nil, errors.New("no message of the wire protocol")
	}
	b := make([]byte, n)
	copy(b, head[:])
	_, err := io.ReadFull(r, b[4:])
	return b, err
}

const opMsg = 2013

func isMsg(b []byte) bool {
	return len(b) > 21 && binary.LittleEndian.Uint32(b[12:]) == opMsg
}

// moreToCome reports whether the client wants no answer.
func moreToCome(b []byte) bool { return isMsg(b) && binary.LittleEndian.Uint32(b[16:])&2 != 0 }

// command names what a message asks for: the first field of its document,
// and the collection, as in "insert version".
func command(b []byte) string {
	if !isMsg(b) {
		return ""
	}
	for sections := b[20:]; len(sections) > 5; {
		if sections[0] == 0 {
			e, err := bson.Raw(sections[1:]).IndexErr(0)
			if err != nil {
				return ""
			}
			if c, ok := e.Value().StringValueOK(); ok {
				return e.Key() + " " + c
			}
			return e.Key()
		}
		sections = sections[1+binary.LittleEndian.Uint32(sections[1:]):]
	}
	return ""
}

// driversOwn is in what the driver asks of itself: the database admin.
var driversOwn = []byte("\x02$db\x00\x06\x00\x00\x00admin\x00")

func (g *gate) isOld() bool {
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.old
}

// pretended answers what the server cannot: whether it is a replica set, asked
// on a database other than the driver's own admin, and the ends of transactions.
// It is nil for what the server is to answer.
func pretended(request []byte, name string) bson.D {
	switch {
	case (name == "hello" || name == "isMaster") && !bytes.Contains(request, driversOwn):
		return bson.D{{Key: "setName", Value: "pretended"}}
	case name == "commitTransaction" || name == "abortTransaction":
		return bson.D{{Key: "pretended", Value: true}}
	}
	return nil
}

// reply makes the answer to a request.
func reply(request []byte, d bson.D) ([]byte, error) {
	doc, err := bson.Marshal(d)
	if err != nil {
		return nil, err
	}
	out := make([]byte, 21, 21+len(doc))
	binary.LittleEndian.PutUint32(out, uint32(21+len(doc)))
	copy(out[8:12], request[4:8]) // responseTo
	binary.LittleEndian.PutUint32(out[12:], opMsg)
	return append(out, doc...), nil
}

// alone takes a command out of its transaction.
func alone(request []byte) []byte {
	for at := 20; isMsg(request) && at+5 <= len(request); {
		end := at + 1 + int(binary.LittleEndian.Uint32(request[at+1:]))
		if request[at] != 0 {
			at = end
			continue
		}
		var d bson.D
		if bson.Unmarshal(request[at+1:end], &d) != nil {
			return request
		}
		d = slices.DeleteFunc(d, func(e bson.E) bool {
			return e.Key == "autocommit" || e.Key == "startTransaction" || e.Key == "txnNumber" || e.Key == "readConcern"
		})
		doc, err := bson.Marshal(d)
		if err != nil {
			return request
		}
		out := slices.Concat(request[:at+1], doc, request[end:])
		binary.LittleEndian.PutUint32(out, uint32(len(out)))
		return out
	}
	return request
}

func (g *gate) stop() {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.stopped = true
	for c := range g.conns {
		c.Close()
	}
}

func (g *gate) resume() {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.stopped = false
}

func (g *gate) lose(command string, n int) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.losses[command] = n
}

func (g *gate) stopAfter(command string) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.ends[command] = true
}

func (g *gate) hold(command string) (<-chan struct{}, func()) {
	h := &hold{make(chan struct{}), make(chan struct{})}
	g.mu.Lock()
	defer g.mu.Unlock()
	g.holds[command] = h
	return h.reached, sync.OnceFunc(func() { close(h.release) })
}

func (g *gate) held(command string) *hold {
	g.mu.Lock()
	defer g.mu.Unlock()
	h := g.holds[command]
	delete(g.holds, command)
	return h
}

func (g *gate) close() {
	g.listener.Close()
	g.stop()
}
