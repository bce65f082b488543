package notify

import (
	"bufio"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"encoding/base64"
	"encoding/hex"
	"io"
	"math/big"
	"mime"
	"mime/quotedprintable"
	"net"
	"net/mail"
	"strings"
	"sync"
	"testing"
	"time"
)

func hexOf(b []byte) string { return hex.EncodeToString(b) }

func plainHMAC(key, data []byte) []byte {
	h := hmac.New(sha256.New, key)
	h.Write(data)
	return h.Sum(nil)
}

// mailServer is a mail server on loopback that speaks enough of SMTP (RFC 5321), STARTTLS (RFC 3207) and AUTH PLAIN (RFC 4954)
// to take a message, and refuses on command.
type mailServer struct {
	t        *testing.T
	l        net.Listener
	cert     tls.Certificate
	roots    *x509.CertPool
	security string
	mu       sync.Mutex
	got      []string
	to       []string
	auth     string
	encr     bool
	refuse   string // answer to the end of the text instead of 250
	hang     bool
}

func newMailServer(t *testing.T, security string) *mailServer {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	tmpl := &x509.Certificate{SerialNumber: big.NewInt(1), NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour), IsCA: true,
		BasicConstraintsValid: true, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, KeyUsage: x509.KeyUsageDigitalSignature | x509.KeyUsageCertSign}
	der, err := x509.CreateCertificate(rand.Reader, tmpl, tmpl, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	leaf, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	s := &mailServer{t: t, security: security, roots: x509.NewCertPool(), cert: tls.Certificate{Certificate: [][]byte{der}, PrivateKey: key}}
	s.roots.AddCert(leaf)
	if s.l, err = net.Listen("tcp", "127.0.0.1:0"); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.l.Close() })
	go func() {
		for {
			c, err := s.l.Accept()
			if err != nil {
				return
			}
			go s.talk(c)
		}
	}()
	return s
}

func (s *mailServer) talk(c net.Conn) {
	defer c.Close()
	set := &tls.Config{Certificates: []tls.Certificate{s.cert}}
	encrypted := s.security == TLS
	if encrypted {
		c = tls.Server(c, set)
	}
	r := bufio.NewReader(c)
	say := func(text string) { io.WriteString(c, text+"\r\n") }
	say("220 test")
	for {
		line, err := r.ReadString('\n')
		if err != nil {
			return
		}
		line = strings.TrimSpace(line)
		word, rest, _ := strings.Cut(line, " ")
		switch strings.ToUpper(word) {
		case "EHLO":
			say("250-test")
			if s.security == StartTLS && !encrypted {
				say("250-STARTTLS")
			}
			say("250 AUTH PLAIN")
		case "STARTTLS":
			say("220 go")
			c = tls.Server(c, set)
			r, encrypted = bufio.NewReader(c), true
		case "AUTH":
			_, code, _ := strings.Cut(rest, " ")
			b, err := base64.StdEncoding.DecodeString(code)
			if err != nil {
				s.t.Error(err)
			}
			s.mu.Lock()
			s.auth = string(b)
			s.mu.Unlock()
			say("235 ok")
		case "MAIL", "RCPT":
			s.mu.Lock()
			if word == "RCPT" {
				s.to = append(s.to, rest)
			}
			s.mu.Unlock()
			say("250 ok")
		case "DATA":
			s.mu.Lock()
			hang := s.hang
			s.mu.Unlock()
			if hang {
				time.Sleep(time.Minute)
			}
			say("354 go")
			var b strings.Builder
			for {
				text, err := r.ReadString('\n')
				if err != nil || text == ".\r\n" {
					break
				}
				b.WriteString(strings.TrimPrefix(text, "."))
			}
			s.mu.Lock()
			s.got, s.encr = append(s.got, b.String()), encrypted
			refuse := s.refuse
			s.mu.Unlock()
			if refuse != "" {
				say(refuse)
				continue
			}
			say("250 taken")
		case "QUIT":
			say("221 bye")
			return
		default:
			say("502 no")
		}
	}
}

func (s *mailServer) channel(t *testing.T) *MailChannel {
	t.Helper()
	c, err := NewMail(Mail{Server: s.l.Addr().String(), Security: s.security, User: "plant", Password: "p4ss", From: "Plant <plant@example.org>",
		To: []string{"manager@example.org", "lead@example.org"}, Roots: &tls.Config{RootCAs: s.roots, MinVersion: tls.VersionTLS12}})
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func TestMailArrivesWhole(t *testing.T) {
	for _, security := range []string{StartTLS, TLS} {
		t.Run(security, func(t *testing.T) {
			s := newMailServer(t, security)
			if err := s.channel(t).Send(t.Context(), sample()); err != nil {
				t.Fatal(err)
			}
			s.mu.Lock()
			defer s.mu.Unlock()
			if !s.encr || s.auth != "\x00plant\x00p4ss" || len(s.to) != 2 {
				t.Fatalf("encrypted %v, auth %q, to %v", s.encr, s.auth, s.to)
			}
			m, err := mail.ReadMessage(strings.NewReader(s.got[0]))
			if err != nil {
				t.Fatal(err)
			}
			subject, err := new(mime.WordDecoder).DecodeHeader(m.Header.Get("Subject"))
			if err != nil || subject != sample().Subject || m.Header.Get("Message-Id") != "<"+sample().ID+"@example.org>" {
				t.Errorf("subject %q, id %q, %v", subject, m.Header.Get("Message-Id"), err)
			}
			text, err := io.ReadAll(quotedprintable.NewReader(m.Body))
			if err != nil || strings.ReplaceAll(string(text), "\r\n", "\n") != sample().Text {
				t.Errorf("text %q, %v", text, err)
			}
		})
	}
}

func TestMailRefusesAndHangs(t *testing.T) {
	s := newMailServer(t, StartTLS)
	s.mu.Lock()
	s.refuse = "452 4.3.1 no room for s3cret@example.org"
	s.mu.Unlock()
	if got := Failure(s.channel(t).Send(t.Context(), sample())); got != "the mail server answered 452" {
		t.Errorf("%q", got)
	}
	s.mu.Lock()
	s.hang = true
	s.mu.Unlock()
	ctx, cancel := context.WithTimeout(t.Context(), 300*time.Millisecond)
	defer cancel()
	if got := Failure(s.channel(t).Send(ctx, sample())); got != "no answer in time" {
		t.Errorf("%q", got)
	}
}

func TestMailWantsEncryptionAndTheRightCertificate(t *testing.T) {
	s := newMailServer(t, "none") // offers no STARTTLS
	c := s.channelOf(t, StartTLS, s.roots)
	if err := c.Send(t.Context(), sample()); err == nil || !strings.Contains(err.Error(), "no encryption") {
		t.Errorf("sent in the clear: %v", err)
	}
	s = newMailServer(t, StartTLS)
	if err := s.channelOf(t, StartTLS, x509.NewCertPool()).Send(t.Context(), sample()); err == nil {
		t.Error("a server whose certificate nobody vouches for was believed")
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(s.got) != 0 || s.auth != "" {
		t.Error("something was said to a server that is not proved")
	}
}

func (s *mailServer) channelOf(t *testing.T, security string, roots *x509.CertPool) *MailChannel {
	t.Helper()
	c, err := NewMail(Mail{Server: s.l.Addr().String(), Security: security, User: "u", Password: "p", From: "a@b.example", To: []string{"c@d.example"},
		Roots: &tls.Config{RootCAs: roots, MinVersion: tls.VersionTLS12}})
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func TestMailSettings(t *testing.T) {
	good := Mail{Server: "mail.example.org:587", From: "a@b.example", To: []string{"c@d.example"}}
	for name, change := range map[string]func(*Mail){
		"no port": func(m *Mail) { m.Server = "mail.example.org" }, "odd security": func(m *Mail) { m.Security = "maybe" },
		"in the clear to elsewhere": func(m *Mail) { m.Security = Plain }, "nobody to send to": func(m *Mail) { m.To = nil },
		"from nobody": func(m *Mail) { m.From = "x" }, "to nobody": func(m *Mail) { m.To = []string{"x\r\nBcc: y@z"} },
	} {
		m := good
		change(&m)
		if _, err := NewMail(m); err == nil {
			t.Errorf("%s: taken", name)
		}
	}
	if _, err := NewMail(good); err != nil {
		t.Error(err)
	}
}
