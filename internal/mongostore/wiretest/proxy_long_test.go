//go:build long

package wiretest

import (
	"bytes"
	"fmt"
	"net"
	"regexp"
	"sync"
	"sync/atomic"
)

// proxy stands between an instance and its data base.
type proxy struct {
	uri, server string
	listener    net.Listener

	mu   sync.Mutex
	hit  func()        // nil: not armed
	done chan struct{} // of the arming
}

func newProxy(uri string) (*proxy, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, err
	}
	found := regexp.MustCompile(`^(mongodb://(?:[^@/]*@)?)([^/]+)(/.*)$`).FindStringSubmatch(uri)
	if found == nil {
		return nil, fmt.Errorf("the URI names no server: %q", uri)
	}
	p := &proxy{uri: found[1] + l.Addr().String() + found[3], server: found[2], listener: l}
	go p.accept()
	return p, nil
}

func (p *proxy) close() { _ = p.listener.Close() }

func (p *proxy) accept() {
	for {
		in, err := p.listener.Accept()
		if err != nil {
			return
		}
		go p.carry(in)
	}
}

func (p *proxy) carry(in net.Conn) {
	defer in.Close()
	out, err := net.Dial("tcp", p.server)
	if err != nil {
		return
	}
	defer out.Close()
	var commits atomic.Int32 // inserts of commits without an answer yet
	go func() {
		defer out.Close()
		defer in.Close()
		b := make([]byte, 1<<20)
		for {
			n, err := in.Read(b)
			if n > 0 {
				if bytes.Contains(b[:n], []byte("\x02insert\x00\x08\x00\x00\x00commits\x00")) {
					commits.Store(1)
				}
				if _, err := out.Write(b[:n]); err != nil {
					return
				}
			}
			if err != nil {
				return
			}
		}
	}()
	b := make([]byte, 1<<20)
	for {
		n, err := out.Read(b)
		if n > 0 {
			if commits.Swap(0) == 1 && p.take() {
				return // the commit is written; the instance that wrote it is gone before it hears so
			}
			if _, err := in.Write(b[:n]); err != nil {
				return
			}
		}
		if err != nil {
			return
		}
	}
}

// cutAfterCommit calls kill when the server has answered the next insert of a commit, which the instance does not
// hear of.
func (p *proxy) cutAfterCommit(kill func()) <-chan struct{} {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.hit, p.done = kill, make(chan struct{})
	return p.done
}

// disarm reports whether the cut had not come yet; if it has, it waits until it is done.
func (p *proxy) disarm() bool {
	p.mu.Lock()
	armed, done := p.hit != nil, p.done
	p.hit = nil
	p.mu.Unlock()
	if !armed {
		<-done
	}
	return armed
}

func (p *proxy) take() bool {
	p.mu.Lock()
	hit, done := p.hit, p.done
	p.hit = nil
	p.mu.Unlock()
	if hit == nil {
		return false
	}
	hit()
	close(done)
	return true
}
