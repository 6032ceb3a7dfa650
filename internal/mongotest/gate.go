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
	holds   map[string]*hold
}

type hold struct {
	reached chan struct{}
	release chan struct{}
}

func newGate(l net.Listener, server string) *gate {
	g := &gate{listener: l, server: server, conns: map[net.Conn]bool{}, losses: map[string]int{}, ends: map[string]bool{}, holds: map[string]*hold{}}
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
		if g.pass(client, server, request, name) != nil {
			return
		}
	}
}

var errLost = errors.New("the answer was lost")

// pass carries out one command. All but the handshake take their turn, so that
// clients notice a server that works although others wait.
func (g *gate) pass(client, server net.Conn, request []byte, name string) error {
	if name != "hello" && name != "isMaster" && name != "ismaster" && name != "ping" {
		g.one.Lock()
		defer g.one.Unlock()
	}
	g.mu.Lock()
	stopped, pretend := g.stopped, g.pretend
	g.mu.Unlock()
	if stopped {
		return errLost
	}
	if pretend {
		if answer := pretended(request, name); answer != nil {
			_, err := client.Write(answer)
			return err
		}
		request = alone(request)
	}
	if _, err := server.Write(request); err != nil {
		return err
	}
	if moreToCome(request) {
		return nil
	}
	answer, err := message(server)
	if err != nil {
		return err
	}
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
		return errLost
	}
	if lost {
		return errLost
	}
	// A client that does not read must not keep the turn.
	if err := client.SetWriteDeadline(time.Now().Add(10 * time.Second)); err != nil {
		return err
	}
	_, err = client.Write(answer)
	return err
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

// pretended answers what the server cannot: whether it is a replica set, asked
// on a database other than the driver's own admin, and the ends of transactions.
func pretended(request []byte, name string) []byte {
	var d bson.D
	switch {
	case name == "hello" && !bytes.Contains(request, []byte("\x02$db\x00\x06\x00\x00\x00admin\x00")):
		d = bson.D{{Key: "setName", Value: "pretended"}}
	case name != "commitTransaction" && name != "abortTransaction":
		return nil
	}
	doc, err := bson.Marshal(append(d, bson.E{Key: "ok", Value: 1.0}))
	if err != nil {
		return nil
	}
	out := make([]byte, 21, 21+len(doc))
	binary.LittleEndian.PutUint32(out, uint32(21+len(doc)))
	copy(out[8:12], request[4:8]) // responseTo
	binary.LittleEndian.PutUint32(out[12:], opMsg)
	return append(out, doc...)
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
