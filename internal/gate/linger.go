package gate

import (
	"io"
	"net"
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

// Listener gives a listener whose connections can be closed without cutting off an answer. It stands below
// TLS: tls.NewListener(gate.Listener(l), config).
func Listener(l net.Listener) net.Listener { return listener{l} }

type listener struct{ net.Listener }

// Accept waits for the next connection.
func (l listener) Accept() (net.Conn, error) {
	c, err := l.Listener.Accept()
	if err != nil {
		return nil, err
	}
	return &lingering{Conn: c}, nil
}

// lingering is a connection that may be closed slowly: RFC 9112 section 9.6 has why.
type lingering struct {
	net.Conn
	slowly atomic.Bool
}

// Close closes the connection; where it is marked, it first ends its own side and reads what still comes.
func (l *lingering) Close() error {
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

// linger marks the connection of a request to be closed slowly.
func linger(c *fiber.Ctx) {
	conn := c.Context().Conn()
	if wrapped, ok := conn.(interface{ NetConn() net.Conn }); ok {
		conn = wrapped.NetConn()
	}
	if l, ok := conn.(*lingering); ok {
		l.slowly.Store(true)
	}
}
