// Package peers lets instances of the service that share a database tell each other what they have just written, so that
// the others need not ask the database for it. It is a courtesy: what does not arrive is read from the database, and what
// arrives is checked like everything that is read from there.
//
// Everything goes one way over TCP, from who wrote to each of the others: 32 bytes of salt, an empty frame, then frames of four bytes of
// length and the documents, sealed by AES-256-GCM with a key that follows from the salt and one that lies in the database. Who has not
// got that can neither read along nor be believed. A connection that is played again does no harm: what is told is known by then.
package peers

import (
	"context"
	"crypto/aes"
	"crypto/cipher"
	"crypto/hkdf"
	"crypto/rand"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"slices"
	"sync"
	"time"
)

// KeySize is the length of a key, in bytes.
const KeySize = 32

const (
	label       = "linewarden peers 1" // what the key of a connection is for
	saltSize    = 32
	mostFrame   = 32 << 20 // bytes of a frame
	mostSealed  = 4 << 20  // bytes of documents after which a frame takes no more
	mostConns   = 64       // that send to one instance
	waiting     = 256      // documents that may wait for one peer
	dialWithin  = 2 * time.Second
	sendWithin  = 2 * time.Second
	idleFor     = 10 * time.Minute // after which a connection without a frame is closed,
	helloWithin = 10 * time.Second // or without the first one
	again       = time.Second      // after which a peer that did not answer is tried again
)

var errFrame = errors.New("this is no frame of an instance that has the key")

// seal makes or opens the frames of one connection, in their order. Each connection has a key of its own, made from the
// common one and a salt that its sender draws, so that no nonce is ever used twice under a key (NIST SP 800-38D, section 8).
type seal struct {
	aead  cipher.AEAD
	count uint64 // frames so far
}

func newSeal(key, salt []byte) (*seal, error) {
	if len(key) != KeySize {
		return nil, fmt.Errorf("a key of %d bytes, want %d", len(key), KeySize)
	}
	own, err := hkdf.Key(sha256.New, key, salt, label, KeySize)
	if err != nil {
		return nil, err
	}
	block, err := aes.NewCipher(own)
	if err != nil {
		return nil, err
	}
	aead, err := cipher.NewGCM(block)
	return &seal{aead: aead}, err
}

// nonce gives that of the next frame: its number.
func (s *seal) nonce() []byte {
	out := make([]byte, s.aead.NonceSize())
	binary.BigEndian.PutUint64(out[len(out)-8:], s.count)
	s.count++
	return out
}

// frame seals documents, each with its length before it.
func (s *seal) frame(docs [][]byte) []byte {
	size := 0
	for _, d := range docs {
		size += 4 + len(d)
	}
	plain := make([]byte, 0, size)
	for _, d := range docs {
		plain = binary.BigEndian.AppendUint32(plain, uint32(len(d))) //nolint:gosec // mostFrame bounds it
		plain = append(plain, d...)
	}
	out := make([]byte, 0, 4+size+s.aead.Overhead())
	out = binary.BigEndian.AppendUint32(out, uint32(size+s.aead.Overhead())) //nolint:gosec // mostFrame bounds it
	return s.aead.Seal(out, s.nonce(), plain, nil)
}

// read reads the next frame and gives its documents. The first one is empty and short: so much is read from anybody.
func (s *seal) read(r io.Reader) ([][]byte, error) {
	var length [4]byte
	if _, err := io.ReadFull(r, length[:]); err != nil {
		return nil, err
	}
	n := int(binary.BigEndian.Uint32(length[:]))
	if n < s.aead.Overhead() || n > mostFrame || s.count == 0 && n > s.aead.Overhead() {
		return nil, errFrame
	}
	sealed, err := io.ReadAll(io.LimitReader(r, int64(n))) // a length that is a lie takes no memory
	if err == nil && len(sealed) < n {
		err = io.ErrUnexpectedEOF
	}
	if err != nil {
		return nil, err
	}
	plain, err := s.aead.Open(nil, s.nonce(), sealed, nil)
	if err != nil {
		return nil, errFrame
	}
	var docs [][]byte
	for len(plain) > 0 {
		if len(plain) < 4 {
			return nil, errFrame
		}
		n := int(binary.BigEndian.Uint32(plain))
		if plain = plain[4:]; n > len(plain) {
			return nil, errFrame
		}
		docs, plain = append(docs, plain[:n:n]), plain[n:]
	}
	return docs, nil
}

// Serve takes what others send until ctx ends, and closes the listener. deliver is called with each document; its errors are logged.
func Serve(ctx context.Context, l net.Listener, key []byte, deliver func(doc []byte) error, logger *slog.Logger) error {
	if len(key) != KeySize {
		return errors.Join(fmt.Errorf("a key of %d bytes, want %d", len(key), KeySize), l.Close())
	}
	stop := context.AfterFunc(ctx, func() { _ = l.Close() })
	defer stop()
	slots := make(chan struct{}, mostConns)
	var serving sync.WaitGroup
	defer serving.Wait()
	for {
		conn, err := l.Accept()
		if err != nil {
			if ctx.Err() != nil {
				return nil
			}
			return fmt.Errorf("listen for other instances: %w", err)
		}
		select {
		case slots <- struct{}{}:
		default:
			_ = conn.Close()
			continue
		}
		serving.Go(func() {
			defer func() { <-slots }()
			defer context.AfterFunc(ctx, func() { _ = conn.Close() })()
			defer conn.Close()
			if err := take(conn, key, deliver, logger); ctx.Err() == nil && !errors.Is(err, io.EOF) {
				logger.Warn("another instance is no longer listened to", "from", conn.RemoteAddr().String(), "error", err)
			}
		})
	}
}

// take takes what one connection brings, and gives why that ended.
func take(conn net.Conn, key []byte, deliver func(doc []byte) error, logger *slog.Logger) error {
	if err := conn.SetReadDeadline(time.Now().Add(helloWithin)); err != nil {
		return err
	}
	var salt [saltSize]byte
	if _, err := io.ReadFull(conn, salt[:]); err != nil {
		return err
	}
	s, err := newSeal(key, salt[:])
	if err != nil {
		return err
	}
	for {
		docs, err := s.read(conn)
		if err == nil {
			err = conn.SetReadDeadline(time.Now().Add(idleFor))
		}
		if err != nil {
			return err
		}
		for _, d := range docs {
			if err := deliver(d); err != nil {
				logger.Warn("what another instance told is not taken", "from", conn.RemoteAddr().String(), "error", err)
			}
		}
	}
}

// Post sends documents to the other instances. Its methods may be called by several goroutines at once.
type Post struct {
	key    []byte
	logger *slog.Logger

	mu    sync.Mutex
	lines map[string]*line // by address
	over  bool
	work  sync.WaitGroup
}

// line is the way to one peer.
type line struct {
	docs chan []byte
	quit chan struct{}
}

// NewPost gives a post without anybody to send to.
func NewPost(key []byte, logger *slog.Logger) (*Post, error) {
	if len(key) != KeySize {
		return nil, fmt.Errorf("a key of %d bytes, want %d", len(key), KeySize)
	}
	return &Post{key: key, logger: logger, lines: map[string]*line{}}, nil
}

// To sets whom is sent to.
func (p *Post) To(addresses []string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.over {
		return
	}
	wanted := map[string]bool{}
	for _, a := range addresses {
		wanted[a] = true
		if p.lines[a] == nil {
			x := &line{docs: make(chan []byte, waiting), quit: make(chan struct{})}
			p.lines[a] = x
			p.work.Go(func() { p.run(a, x) })
		}
	}
	for a, x := range p.lines {
		if !wanted[a] {
			close(x.quit)
			delete(p.lines, a)
		}
	}
}

// Send sends a document to everybody, and waits for nobody: who is slow does without.
func (p *Post) Send(doc []byte) {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, x := range p.lines {
		select {
		case x.docs <- doc:
		default:
		}
	}
}

// Close ends all sending.
func (p *Post) Close() {
	p.To(nil)
	p.mu.Lock()
	p.over = true
	p.mu.Unlock()
	p.work.Wait()
}

// run sends what comes to one peer.
func (p *Post) run(address string, x *line) {
	var c *call
	defer func() { c.close() }()
	away, since := false, time.Time{}
	for {
		var docs [][]byte
		select {
		case <-x.quit:
			return
		case d := <-x.docs:
			docs = x.more(d)
		}
		if away && time.Since(since) < again {
			continue
		}
		err := error(nil)
		if c == nil {
			c, err = dial(address, p.key)
		}
		if err == nil {
			err = c.send(docs)
		}
		if err != nil {
			c.close()
			c = nil
			if since = time.Now(); !away {
				p.logger.Info("another instance is told nothing for now", "address", address, "error", err)
			}
		}
		away = err != nil
	}
}

// call is a connection to a peer; nil: there is none.
type call struct {
	conn net.Conn
	seal *seal
}

func dial(address string, key []byte) (*call, error) {
	salt := make([]byte, saltSize)
	rand.Read(salt)
	s, err := newSeal(key, salt)
	if err != nil {
		return nil, err
	}
	conn, err := net.DialTimeout("tcp", address, dialWithin)
	if err != nil {
		return nil, err
	}
	c := &call{conn, s}
	if err := c.write(slices.Concat(salt, s.frame(nil))); err != nil {
		c.close()
		return nil, err
	}
	return c, nil
}

func (c *call) send(docs [][]byte) error { return c.write(c.seal.frame(docs)) }

func (c *call) write(b []byte) error {
	if err := c.conn.SetWriteDeadline(time.Now().Add(sendWithin)); err != nil {
		return err
	}
	_, err := c.conn.Write(b)
	return err
}

func (c *call) close() {
	if c != nil {
		_ = c.conn.Close()
	}
}

// more gives a document and those that wait behind it.
func (x *line) more(d []byte) [][]byte {
	docs, size := [][]byte{d}, len(d)
	for size < mostSealed {
		select {
		case d := <-x.docs:
			docs, size = append(docs, d), size+len(d)
		default:
			return docs
		}
	}
	return docs
}
