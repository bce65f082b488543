package notify

import (
	"bytes"
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"strconv"
	"time"
)

// The headers of a webhook.
const (
	HeaderTimestamp = "X-Linewarden-Timestamp" // seconds since 1970 at which this attempt was signed
	HeaderSignature = "X-Linewarden-Signature" // "v1=" and the HMAC in hex
	HeaderDelivery  = "X-Linewarden-Delivery"  // id of the message, the same for every attempt
)

// ReplayWindow is how far a receiver lets the timestamp lie from its own clock. Within it, it drops what has an
// id it has seen.
const ReplayWindow = 5 * time.Minute

// Webhook posts messages as JSON, signed with HMAC-SHA256 (RFC 2104, FIPS 180-4) over the timestamp, a period and
// the exact body.
type Webhook struct {
	url    string
	secret []byte
	client *http.Client
	clock  func() time.Time
}

// NewWebhook gives a webhook. The address must be https, or on this machine.
func NewWebhook(address string, secret []byte, clock func() time.Time) (*Webhook, error) {
	if err := checkAddress(address); err != nil {
		return nil, err
	}
	if len(secret) < minSecret {
		return nil, fmt.Errorf("the secret of a webhook has at least %d bytes", minSecret)
	}
	return &Webhook{url: address, secret: secret, client: newClient(), clock: clock}, nil
}

const minSecret = 16

// checkAddress refuses an address that would carry messages over the network in the clear.
func checkAddress(address string) error {
	u, err := url.Parse(address)
	if err != nil {
		return errors.New("this is no address")
	}
	if u.Host == "" || u.Scheme != "https" && (u.Scheme != "http" || !onLoopback(u.Hostname())) {
		return errors.New("the address must begin with https://, or with http:// on this machine")
	}
	return nil
}

func onLoopback(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

// newClient follows no redirect: what was signed for one address is not for another.
func newClient() *http.Client {
	return &http.Client{Timeout: Attempt, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
}

// Send posts one message; any answer from 200 to 299 takes it.
func (w *Webhook) Send(ctx context.Context, m Message) error {
	body, err := json.Marshal(m)
	if err != nil {
		return err
	}
	stamp := strconv.FormatInt(w.clock().Unix(), 10)
	return post(ctx, w.client, w.url, body, "webhook", map[string]string{
		HeaderTimestamp: stamp, HeaderSignature: "v1=" + hex.EncodeToString(sign(w.secret, stamp, body)), HeaderDelivery: m.ID})
}

func post(ctx context.Context, client *http.Client, address string, body []byte, what string, headers map[string]string) error {
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, address, bytes.NewReader(body))
	if err != nil {
		return err
	}
	req.Header.Set("Content-Type", "application/json")
	for k, v := range headers {
		req.Header.Set(k, v)
	}
	resp, err := client.Do(req)
	if err != nil {
		return err
	}
	defer resp.Body.Close()
	_, err = io.Copy(io.Discard, io.LimitReader(resp.Body, 1<<16)) // so that the connection can be used again
	if resp.StatusCode < 200 || resp.StatusCode > 299 {
		return &Refused{Code: resp.StatusCode, What: what}
	}
	return err
}

func sign(secret []byte, stamp string, body []byte) []byte {
	h := hmac.New(sha256.New, secret)
	h.Write([]byte(stamp + "."))
	h.Write(body)
	return h.Sum(nil)
}

// Check is what a receiver does with the headers of a request and its exact body: nil where it comes from who holds
// the secret and is no older, nor newer, than ReplayWindow.
func Check(secret []byte, timestamp, signature string, body []byte, now time.Time) error {
	n, err := strconv.ParseInt(timestamp, 10, 64)
	if err != nil {
		return errors.New("the timestamp is no number of seconds")
	}
	if now.Sub(time.Unix(n, 0)).Abs() > ReplayWindow {
		return errors.New("the timestamp lies outside the replay window")
	}
	if want := "v1=" + hex.EncodeToString(sign(secret, timestamp, body)); !hmac.Equal([]byte(want), []byte(signature)) {
		return errors.New("the signature does not fit")
	}
	return nil
}

// Heartbeat calls an address to say that Linewarden is at work; whoever watches it notices when that ends.
type Heartbeat struct {
	url    string
	client *http.Client
}

// NewHeartbeat gives a heartbeat.
func NewHeartbeat(address string) (*Heartbeat, error) {
	if err := checkAddress(address); err != nil {
		return nil, err
	}
	return &Heartbeat{address, newClient()}, nil
}

// Beat calls the address once.
func (h *Heartbeat) Beat(ctx context.Context) error {
	return post(ctx, h.client, h.url, []byte(`{"alive":true}`), "heartbeat address", nil)
}
