// Package notify carries messages about alerts to people and programs outside: e-mail, a signed webhook,
// Prometheus Alertmanager, and chat, SMS gateways and push through a library. A channel a file.
//
// A channel is given a finished message and says whether the other side took it. It keeps nothing, tries once,
// and never writes an address, a secret or what the other side answered at length into an error.
package notify

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/url"
	"strings"
	"time"
)

// What a message is about.
const (
	Raised    = "raised"
	Repeated  = "repeated"
	Escalated = "escalated"
	Renewed   = "renewed"
	Cleared   = "cleared"
	Digest    = "digest"
)

// Message is what a channel is given: worded already, in one language.
type Message struct {
	ID       string    `json:"id"` // the same for every attempt: receivers drop what they have seen
	Kind     string    `json:"kind"`
	Site     string    `json:"site"`
	SiteName string    `json:"site_name"`
	Language string    `json:"language"`
	Group    string    `json:"group,omitempty"`
	Severity string    `json:"severity,omitempty"`
	At       time.Time `json:"at"`
	Subject  string    `json:"subject"`
	Text     string    `json:"text"`
	Items    []Item    `json:"items,omitempty"`
	More     int       `json:"more,omitempty"` // alerts of the message that are not in Items
	Alerts   []Ref     `json:"alerts,omitempty"`
}

// Ref names an alert and how often it had sounded.
type Ref struct {
	Alert string `json:"alert"`
	Round int    `json:"round"`
}

// Item is one alert of a message.
type Item struct {
	Alert     string    `json:"alert"`
	Cause     string    `json:"cause"`
	Severity  string    `json:"severity"`
	Group     string    `json:"group"`
	Text      string    `json:"text"`
	Do        string    `json:"do,omitempty"`
	Point     string    `json:"point,omitempty"`
	Place     string    `json:"place,omitempty"`
	Line      string    `json:"line,omitempty"`
	Check     string    `json:"check,omitempty"`
	Deviation string    `json:"deviation,omitempty"`
	Since     time.Time `json:"since"`
	Ended     time.Time `json:"ended,omitzero"`
	Link      string    `json:"link,omitempty"`
}

// Attempt is the longest time that one attempt may take.
const Attempt = 10 * time.Second

// Failure gives the reason of an error without addresses and secrets: what a person may read on a page.
func Failure(err error) string {
	if err == nil {
		return ""
	}
	if said, ok := errors.AsType[*Refused](err); ok {
		return said.Error()
	}
	if errors.Is(err, context.DeadlineExceeded) {
		return "no answer in time"
	}
	if errors.Is(err, context.Canceled) {
		return "stopped"
	}
	if u, ok := errors.AsType[*url.Error](err); ok {
		err = u.Err
	}
	if dns, ok := errors.AsType[*net.DNSError](err); ok {
		return "the name of the server is not known: " + dns.Err
	}
	if op, ok := errors.AsType[*net.OpError](err); ok {
		if op.Timeout() {
			return "no answer in time"
		}
		return op.Op + ": " + innermost(op.Err).Error()
	}
	return strings.ToValidUTF8(clip(innermost(err).Error()), "?")
}

func innermost(err error) error {
	for {
		next := errors.Unwrap(err)
		if next == nil {
			return err
		}
		err = next
	}
}

// Refused says that the other side answered and did not take the message.
type Refused struct {
	Code int    // status or reply code; 0: none
	What string // of whom: "webhook", "mail server"
}

// Error names who refused and the code.
func (r *Refused) Error() string {
	if r.Code == 0 {
		return "the " + r.What + " did not take it"
	}
	return fmt.Sprintf("the %s answered %d", r.What, r.Code)
}

const maxFailure = 200

func clip(s string) string {
	if len(s) > maxFailure {
		return s[:maxFailure]
	}
	return s
}
