package notify

import (
	"bytes"
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"mime"
	"mime/quotedprintable"
	"net"
	"net/mail"
	"net/smtp"
	"net/textproto"
	"strings"
	"time"
)

// How a mail server is spoken to.
const (
	StartTLS = "starttls" // STARTTLS, required (RFC 3207)
	TLS      = "tls"      // TLS from the first byte (RFC 8314)
	Plain    = "plain"    // no encryption: only to this machine
)

// Mail says how e-mail is sent.
type Mail struct {
	Server   string // host:port
	Security string // StartTLS, TLS or Plain; "": StartTLS
	User     string // "": no sign-in
	Password string
	From     string
	To       []string
	Roots    *tls.Config // nil: the machine's own authorities
}

// MailChannel sends e-mail by SMTP (RFC 5321).
type MailChannel struct {
	Mail
	host string
	to   []string
	from *mail.Address
}

// NewMail checks the settings and gives the channel.
func NewMail(m Mail) (*MailChannel, error) {
	host, _, err := net.SplitHostPort(m.Server)
	if err != nil {
		return nil, errors.New("the mail server is written as host:port, such as mail.example.org:587")
	}
	if m.Security == "" {
		m.Security = StartTLS
	}
	switch {
	case m.Security != StartTLS && m.Security != TLS && m.Security != Plain:
		return nil, fmt.Errorf("security %q is not one of starttls, tls, plain", m.Security)
	case m.Security == Plain && !onLoopback(host):
		return nil, errors.New("without encryption mail goes to a server on this machine only")
	case len(m.To) == 0:
		return nil, errors.New("name at least one address to send to")
	}
	c := &MailChannel{Mail: m, host: host}
	if c.from, err = mail.ParseAddress(m.From); err != nil {
		return nil, errors.New("from is no e-mail address")
	}
	for _, to := range m.To {
		a, err := mail.ParseAddress(to)
		if err != nil {
			return nil, errors.New("to holds something that is no e-mail address")
		}
		c.to = append(c.to, a.Address)
	}
	return c, nil
}

// Send delivers one message to the server. It counts as taken when the server has answered the end of its text.
func (c *MailChannel) Send(ctx context.Context, m Message) error {
	conn, err := (&net.Dialer{}).DialContext(ctx, "tcp", c.Server)
	if err != nil {
		return err
	}
	defer conn.Close()
	if end, ok := ctx.Deadline(); ok {
		if err := conn.SetDeadline(end); err != nil {
			return err
		}
	}
	stop := context.AfterFunc(ctx, func() { conn.SetDeadline(time.Unix(1, 0)) }) //nolint:errcheck // a connection that cannot be cut is closed below
	defer stop()
	if err := c.talk(conn, m); err != nil {
		if reply, ok := errors.AsType[*textproto.Error](err); ok {
			return &Refused{Code: reply.Code, What: "mail server"}
		}
		return err
	}
	return nil
}

func (c *MailChannel) talk(conn net.Conn, m Message) error {
	set := &tls.Config{MinVersion: tls.VersionTLS12}
	if c.Roots != nil {
		set = c.Roots.Clone()
	}
	set.ServerName = c.host
	if c.Security == TLS {
		conn = tls.Client(conn, set)
	}
	s, err := smtp.NewClient(conn, c.host)
	if err != nil {
		return err
	}
	defer s.Close()
	if c.Security == StartTLS {
		if ok, _ := s.Extension("STARTTLS"); !ok {
			return errors.New("the mail server offers no encryption (STARTTLS)")
		}
		if err := s.StartTLS(set); err != nil {
			return err
		}
	}
	if c.User != "" {
		if err := s.Auth(smtp.PlainAuth("", c.User, c.Password, c.host)); err != nil {
			return err
		}
	}
	if err := s.Mail(c.from.Address); err != nil {
		return err
	}
	for _, to := range c.to {
		if err := s.Rcpt(to); err != nil {
			return err
		}
	}
	w, err := s.Data()
	if err != nil {
		return err
	}
	text, err := c.text(m)
	if err != nil {
		return err
	}
	if _, err := w.Write(text); err != nil {
		return err
	}
	if err := w.Close(); err != nil {
		return err
	}
	s.Quit() //nolint:errcheck // the server has taken the message
	return nil
}

// text writes the message in the internet message format (RFC 5322) with its id as Message-ID, so that mail
// programs show it once however often it was sent.
func (c *MailChannel) text(m Message) ([]byte, error) {
	_, domain, _ := strings.Cut(c.from.Address, "@")
	var b bytes.Buffer
	for _, h := range [][2]string{
		{"From", c.from.String()}, {"To", strings.Join(c.to, ", ")}, {"Subject", mime.QEncoding.Encode("utf-8", oneLine(m.Subject))},
		{"Date", m.At.Format(time.RFC1123Z)}, {"Message-ID", "<" + m.ID + "@" + domain + ">"}, {"Auto-Submitted", "auto-generated"},
		{"MIME-Version", "1.0"}, {"Content-Language", m.Language},
		{"Content-Type", "text/plain; charset=utf-8"}, {"Content-Transfer-Encoding", "quoted-printable"},
	} {
		b.WriteString(h[0] + ": " + h[1] + "\r\n")
	}
	b.WriteString("\r\n")
	q := quotedprintable.NewWriter(&b)
	if _, err := q.Write([]byte(strings.ReplaceAll(m.Text, "\n", "\r\n"))); err != nil {
		return nil, err
	}
	if err := q.Close(); err != nil {
		return nil, err
	}
	return b.Bytes(), nil
}

func oneLine(s string) string { return strings.Join(strings.Fields(s), " ") }
