package peers

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"slices"
	"sync"
	"testing"
	"time"
)

var quiet = slog.New(slog.DiscardHandler)

// station is an instance that takes what it is told.
type station struct {
	address string
	mu      sync.Mutex
	docs    []string
}

func (s *station) got() []string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Clone(s.docs)
}

func listen(t *testing.T, key []byte, at string) *station {
	t.Helper()
	l, err := net.Listen("tcp", at)
	if err != nil {
		t.Fatal(err)
	}
	s := &station{address: l.Addr().String()}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() {
		done <- Serve(ctx, l, key, func(doc []byte) error {
			s.mu.Lock()
			defer s.mu.Unlock()
			s.docs = append(s.docs, string(doc))
			return errors.New("logged only")
		}, quiet)
	}()
	t.Cleanup(func() {
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
	return s
}

func post(t *testing.T, key []byte, to ...string) *Post {
	t.Helper()
	p, err := NewPost(key, quiet)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(p.Close)
	p.To(to)
	return p
}

func until(t *testing.T, what string, yes func() bool) {
	t.Helper()
	for end := time.Now().Add(20 * time.Second); !yes(); time.Sleep(2 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatal(what, "never came")
		}
	}
}

var one, two = bytes.Repeat([]byte{1}, KeySize), bytes.Repeat([]byte{2}, KeySize)

// What is sent arrives at everybody, in order; who has another key is not believed, and who is not there holds nobody up.
func TestEverybodyIsTold(t *testing.T) {
	a, b := listen(t, one, "127.0.0.1:0"), listen(t, one, "127.0.0.1:0")
	gone, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	nobody := gone.Addr().String()
	if err := gone.Close(); err != nil {
		t.Fatal(err)
	}
	p := post(t, one, a.address, b.address, nobody)
	stranger := post(t, two, a.address)
	var want []string
	for i := range 100 {
		want = append(want, fmt.Sprint("document ", i))
		p.Send([]byte(want[i]))
		stranger.Send([]byte("forged"))
	}
	for _, s := range []*station{a, b} {
		until(t, "everything", func() bool { return len(s.got()) == len(want) })
		if !slices.Equal(s.got(), want) {
			t.Errorf("told %q", s.got())
		}
	}
	p.To([]string{b.address})
	p.Send([]byte("for b alone"))
	until(t, "the last", func() bool { return len(b.got()) == len(want)+1 })
	if n := len(a.got()); n != len(want) {
		t.Errorf("who is not on the list got %d documents, want %d", n, len(want))
	}
	p.Close()
	p.To([]string{a.address})
	p.Send([]byte("after the end"))
}

// A peer that goes and comes back is told again.
func TestPeerComesBack(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	address := l.Addr().String()
	p := post(t, one, address)
	p.Send([]byte("lost"))
	conn, err := l.Accept()
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(conn.Close(), l.Close()); err != nil {
		t.Fatal(err)
	}
	s := listen(t, one, address)
	until(t, "a document", func() bool {
		p.Send([]byte("again"))
		return len(s.got()) > 0
	})
}

func sealOf(t testing.TB, key []byte, salt string) *seal {
	t.Helper()
	s, err := newSeal(key, []byte(salt))
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// Frames that are cut, altered, out of their order, sealed with another key or for another connection, or that lie about
// their length are refused, whatever is in them.
func TestFramesRefused(t *testing.T) {
	sender := sealOf(t, one, "salt")
	first, good := sender.frame(nil), sender.frame([][]byte{[]byte("a"), nil, []byte("bcd")})
	reads := func(s *seal, b []byte) ([][]byte, error) { return s.read(bytes.NewReader(b)) }
	begun := func(key []byte, salt string) *seal {
		s := sealOf(t, key, salt)
		s.count = 1
		return s
	}
	s := sealOf(t, one, "salt")
	if docs, err := reads(s, first); err != nil || len(docs) != 0 {
		t.Fatalf("%q %v", docs, err)
	}
	docs, err := reads(s, good)
	if err != nil || len(docs) != 3 || string(docs[0]) != "a" || len(docs[1]) != 0 || string(docs[2]) != "bcd" {
		t.Fatalf("%q %v", docs, err)
	}
	for i := range good {
		bad := bytes.Clone(good)
		bad[i] ^= 1
		if docs, err := reads(begun(one, "salt"), bad); err == nil {
			t.Errorf("byte %d altered: %q", i, docs)
		}
		if _, err := reads(begun(one, "salt"), good[:i]); !errors.Is(err, io.ErrUnexpectedEOF) && !errors.Is(err, io.EOF) {
			t.Errorf("cut after %d bytes: %v", i, err)
		}
	}
	for name, c := range map[string]struct {
		seal  *seal
		frame []byte
	}{
		"another key": {begun(two, "salt"), good}, "another connection": {begun(one, "other"), good}, "the second as the first": {sealOf(t, one, "salt"), good},
		"again": {s, good}, "no length": {s, []byte{0, 0, 0, 0}}, "a length of 4 GB": {s, []byte{0xff, 0xff, 0xff, 0xff}},
		"a long one before anything": {sealOf(t, one, "salt"), []byte{0, 1, 0, 0}},
	} {
		if _, err := reads(c.seal, c.frame); !errors.Is(err, errFrame) {
			t.Errorf("%s: %v", name, err)
		}
	}
	for _, key := range [][]byte{nil, one[1:]} {
		if _, err := NewPost(key, quiet); err == nil {
			t.Errorf("a key of %d bytes is taken", len(key))
		}
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		if err := Serve(t.Context(), l, key, nil, quiet); err == nil {
			t.Errorf("served with a key of %d bytes", len(key))
		}
	}
}

// FuzzFrame reads whatever comes: it gives documents or an error, and no more than came.
func FuzzFrame(f *testing.F) {
	s := sealOf(f, one, "salt")
	s.count = 1
	f.Add(s.frame([][]byte{[]byte("document")}))
	f.Add([]byte{0, 0, 1, 0})
	f.Fuzz(func(t *testing.T, in []byte) {
		s := sealOf(t, one, "salt")
		s.count = 1
		docs, err := s.read(bytes.NewReader(in))
		total := 0
		for _, d := range docs {
			total += len(d)
		}
		if err != nil && docs != nil || total > len(in) {
			t.Errorf("%d documents of %d bytes from %d, %v", len(docs), total, len(in), err)
		}
	})
}

func TestBook(t *testing.T) {
	var b Book
	at := time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)
	for _, c := range []struct {
		after time.Duration
		list  map[string]int64
		want  []string
	}{
		{0, map[string]int64{"b": 7, "a": 1}, []string{"a", "b"}},
		{29 * time.Second, map[string]int64{"b": 7, "a": 2}, []string{"a", "b"}},
		{31 * time.Second, map[string]int64{"b": 7, "a": 2}, []string{"a"}},
		{70 * time.Second, map[string]int64{"b": 8, "a": 2}, []string{"b"}},
		{71 * time.Second, map[string]int64{"a": 2}, nil},
		{72 * time.Second, map[string]int64{"a": 2, "b": 8}, []string{"b"}},
	} {
		if got := b.Look(c.list, at.Add(c.after)); !slices.Equal(got, c.want) {
			t.Errorf("after %v: %v, want %v", c.after, got, c.want)
		}
	}
}
