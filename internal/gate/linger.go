package gate

import (
	"context"
	"io"
	"net"
	"sync"
	"sync/atomic"
	"time"

	"github.com/gofiber/fiber/v2"
)

// How much of a body over the limit is read and thrown away, and for how long, so that its sender gets to
// read the answer instead of a reset connection.
const (
	lingerBytes = 64 << 20
	lingerTime  = 5 * time.Second
)

// quietFor is how long nothing has gone on over a connection that is closed when the service stops. A browser opens
// connections that it never uses; a server cannot tell them from those whose first request is on its way.
const quietFor = 2 * time.Second

// Listening is a listener whose connections can be closed without cutting off an answer.
type Listening struct {
	net.Listener
	mu   sync.Mutex
	open map[*lingering]struct{}
}

// Listener makes a listener one that knows its connections. It stands below TLS:
// tls.NewListener(gate.Listener(l), config).
func Listener(l net.Listener) *Listening {
	return &Listening{Listener: l, open: map[*lingering]struct{}{}}
}

// Accept waits for the next connection.
func (l *Listening) Accept() (net.Conn, error) {
	c, err := l.Listener.Accept()
	if err != nil {
		return nil, err
	}
	x := &lingering{Conn: c, of: l}
	x.moved()
	l.mu.Lock()
	l.open[x] = struct{}{}
	l.mu.Unlock()
	return x, nil
}

// Release closes every connection on which nothing goes on: no request, no byte for two seconds. It looks again and
// again until ctx ends.
func (l *Listening) Release(ctx context.Context) {
	t := time.NewTicker(quietFor / 20)
	defer t.Stop()
	for {
		for _, x := range l.quiet(time.Now()) {
			_ = x.Conn.Close() // nobody waits for anything on it
		}
		select {
		case <-ctx.Done():
			return
		case <-t.C:
		}
	}
}

func (l *Listening) quiet(now time.Time) (list []*lingering) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for x := range l.open {
		if x.under.Load() == 0 && now.UnixNano()-x.last.Load() > int64(quietFor) {
			list = append(list, x)
		}
	}
	return list
}

// lingering is a connection that may be closed slowly: RFC 9112 section 9.6 has why.
type lingering struct {
	net.Conn
	of     *Listening
	slowly atomic.Bool
	under  atomic.Int32 // requests being answered and writes under way
	last   atomic.Int64 // when a byte last went over it, in nanoseconds since 1970
}

func (l *lingering) moved() { l.last.Store(time.Now().UnixNano()) }

func (l *lingering) Read(b []byte) (int, error) {
	n, err := l.Conn.Read(b)
	l.moved()
	return n, err
}

func (l *lingering) Write(b []byte) (int, error) {
	l.under.Add(1)
	n, err := l.Conn.Write(b)
	l.moved()
	l.under.Add(-1)
	return n, err
}

// Close closes the connection; where it is marked, it first ends its own side and reads what still comes.
func (l *lingering) Close() error {
	l.of.mu.Lock()
	delete(l.of.open, l)
	l.of.mu.Unlock()
	half, ok := l.Conn.(interface{ CloseWrite() error })
	if !ok || !l.slowly.Swap(false) {
		return l.Conn.Close()
	}
	err := half.CloseWrite()
	if err == nil {
		err = l.Conn.SetReadDeadline(time.Now().Add(lingerTime))
	}
	if err == nil {
		_, _ = io.CopyN(io.Discard, l.Conn, lingerBytes) // whatever ends it, the connection is closed next
	}
	return l.Conn.Close()
}

// connOf gives the connection of a request; nil where it came over another listener.
func connOf(c *fiber.Ctx) *lingering {
	conn := c.Context().Conn()
	if wrapped, ok := conn.(interface{ NetConn() net.Conn }); ok {
		conn = wrapped.NetConn()
	}
	l, _ := conn.(*lingering)
	return l
}

// linger marks the connection of a request to be closed slowly.
func linger(c *fiber.Ctx) {
	if l := connOf(c); l != nil {
		l.slowly.Store(true)
	}
}
