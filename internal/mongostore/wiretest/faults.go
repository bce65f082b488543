package wiretest

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"io"
	"net"
	"slices"
	"sync"
	"time"

	"go.mongodb.org/mongo-driver/v2/bson"
)

// Action is what becomes of one command on its way to the server.
type Action int

// The actions.
const (
	Pass       Action = iota
	CutBefore         // the connection breaks, and the server never hears of the command
	CutAfter          // the server carries the command out, and the connection breaks before the answer
	Replace           // the server never hears of the command; another answer is given
	ReplaceOut        // the server carries the command out; another answer is given
	Twice             // the server hears of the command twice, as from a driver that tries again; its second answer is given
)

// Fault says what becomes of which command.
type Fault struct {
	Command    string // such as insert
	Collection string // empty: any
	Action     Action
	Answer     bson.D        // of Replace and ReplaceOut
	Times      int           // how often; 0: once
	ThenDown   bool          // the server is gone afterwards
	Hold       chan struct{} // before anything else, until it is closed; nil: not
}

// Faults opens connections and does to them what it is told. It is a dialer of the driver. It reads the
// messages of the wire protocol (OP_MSG) and so needs a connection without TLS.
type Faults struct {
	mu     sync.Mutex
	plan   []Fault
	delay  time.Duration
	down   bool
	conns  map[*conn]bool
	seen   map[string]int
	dialer net.Dialer
}

// NewFaults makes connections that work.
func NewFaults() *Faults { return &Faults{conns: map[*conn]bool{}, seen: map[string]int{}} }

// Plan sets what happens next: each fault to the next command that it is for.
func (f *Faults) Plan(faults ...Fault) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.plan = slices.Clone(faults)
}

// Slow holds every command for a while.
func (f *Faults) Slow(delay time.Duration) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.delay = delay
}

// Down breaks all connections and refuses new ones, or lets them be made again.
func (f *Faults) Down(down bool) {
	f.mu.Lock()
	f.down = down
	var all []*conn
	for c := range f.conns {
		all = append(all, c)
	}
	f.mu.Unlock()
	if down {
		for _, c := range all {
			c.Close()
		}
	}
}

// Left is the number of planned faults that have not happened.
func (f *Faults) Left() int {
	f.mu.Lock()
	defer f.mu.Unlock()
	return len(f.plan)
}

// Seen is how often a command was sent for a collection.
func (f *Faults) Seen(command, collection string) int {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.seen[command+" "+collection]
}

// DialContext opens a connection.
func (f *Faults) DialContext(ctx context.Context, network, address string) (net.Conn, error) {
	f.mu.Lock()
	down := f.down
	f.mu.Unlock()
	if down {
		return nil, errors.New("connection refused on command")
	}
	under, err := f.dialer.DialContext(ctx, network, address)
	if err != nil {
		return nil, err
	}
	c := &conn{Conn: under, faults: f}
	f.mu.Lock()
	f.conns[c] = true
	f.mu.Unlock()
	return c, nil
}

// next takes what is planned for a command.
func (f *Faults) next(command, collection string) (Fault, time.Duration) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.seen[command+" "+collection]++
	i := slices.IndexFunc(f.plan, func(p Fault) bool {
		return p.Command == command && (p.Collection == "" || p.Collection == collection)
	})
	if i < 0 {
		return Fault{}, f.delay
	}
	fault := f.plan[i]
	if f.plan[i].Times--; f.plan[i].Times <= 0 {
		f.plan = slices.Delete(f.plan, i, i+1)
	}
	return fault, f.delay
}

// conn is one connection. The driver uses it from one goroutine at a time.
type conn struct {
	net.Conn
	faults *Faults
	out    []byte       // of a message that is not whole yet
	in     bytes.Buffer // answers that are given in place of the server's
}

// Close ends the connection.
func (c *conn) Close() error {
	c.faults.mu.Lock()
	delete(c.faults.conns, c)
	c.faults.mu.Unlock()
	return c.Conn.Close()
}

// Read gives an answer of our own first.
func (c *conn) Read(p []byte) (int, error) {
	if c.in.Len() > 0 {
		return c.in.Read(p)
	}
	return c.Conn.Read(p)
}

const (
	headerSize = 16
	opMsg      = 2013
)

// Write hands whole messages on.
func (c *conn) Write(p []byte) (int, error) {
	c.out = append(c.out, p...)
	for len(c.out) >= headerSize {
		n := int(binary.LittleEndian.Uint32(c.out))
		if len(c.out) < n {
			break
		}
		if err := c.message(c.out[:n]); err != nil {
			return 0, err
		}
		c.out = c.out[n:]
	}
	return len(p), nil
}

func (c *conn) message(m []byte) error {
	command, collection := commandOf(m)
	fault, delay := c.faults.next(command, collection)
	if delay > 0 && command != "hello" && command != "isMaster" {
		time.Sleep(delay)
	}
	if fault.Hold != nil {
		<-fault.Hold
	}
	if fault.ThenDown {
		defer c.faults.Down(true)
	}
	cut := errors.New("connection cut on command")
	switch fault.Action {
	case CutBefore:
		return errors.Join(cut, c.Close())
	case Replace:
		return c.answer(m, fault.Answer)
	}
	if _, err := c.Conn.Write(m); err != nil {
		return err
	}
	if fault.Action == Pass {
		return nil
	}
	if err := c.discard(); err != nil {
		return err
	}
	switch fault.Action {
	case CutAfter:
		return errors.Join(cut, c.Close())
	case ReplaceOut:
		return c.answer(m, fault.Answer)
	}
	_, err := c.Conn.Write(m) // Twice
	return err
}

// discard reads one answer of the server, so that the command was carried out for certain.
func (c *conn) discard() error {
	var size [4]byte
	if _, err := io.ReadFull(c.Conn, size[:]); err != nil {
		return err
	}
	_, err := io.CopyN(io.Discard, c.Conn, int64(binary.LittleEndian.Uint32(size[:]))-4)
	return err
}

// answer gives a reply to a message.
func (c *conn) answer(m []byte, reply bson.D) error {
	body, err := bson.Marshal(reply)
	if err != nil {
		return err
	}
	var b []byte
	b = binary.LittleEndian.AppendUint32(b, uint32(headerSize+5+len(body)))
	b = binary.LittleEndian.AppendUint32(b, 1)
	b = append(b, m[4:8]...) // the id of the message answered
	b = binary.LittleEndian.AppendUint32(b, opMsg)
	b = append(b, 0, 0, 0, 0, 0) // flags, and the kind of section: one document
	c.in.Write(append(b, body...))
	return nil
}

// commandOf gives the name of the command in a message, and the collection that it is about.
func commandOf(m []byte) (command, collection string) {
	if binary.LittleEndian.Uint32(m[12:]) != opMsg {
		return "", ""
	}
	for rest := m[headerSize+4:]; len(rest) > 5; {
		n := int(binary.LittleEndian.Uint32(rest[1:]))
		if rest[0] != 0 { // a sequence of documents
			if n+1 > len(rest) {
				return "", ""
			}
			rest = rest[1+n:]
			continue
		}
		first, err := bson.Raw(rest[1 : 1+n]).IndexErr(0)
		if err != nil {
			return "", ""
		}
		collection, _ = first.Value().StringValueOK()
		return first.Key(), collection
	}
	return "", ""
}
