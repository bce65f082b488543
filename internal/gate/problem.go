package gate

import (
	"encoding/json"
	"errors"
	"math"
	"net/http"
	"strconv"
	"strings"
	"time"

	"github.com/gofiber/fiber/v2"

	"linewarden/haccp"
	"linewarden/internal/access"
	"linewarden/internal/plant"
	"linewarden/internal/record"
	"linewarden/internal/wording"
)

// ProblemType is the media type of a problem document (RFC 9457).
const ProblemType = "application/problem+json"

// Problem is a problem document as of RFC 9457: what is wrong, where, and what to do. It tells nothing of how
// the service works inside.
type Problem struct {
	Type    string   `json:"type"`              // "about:blank": the status says which kind it is
	Title   string   `json:"title"`             // of the status
	Status  int      `json:"status"`            // of HTTP
	Detail  string   `json:"detail"`            // for the person, in their language
	Code    string   `json:"code"`              // stable word for programs
	Field   string   `json:"field,omitempty"`   // member of the request, such as entries[0].read.value
	Pointer string   `json:"pointer,omitempty"` // the same as a JSON Pointer in a fragment (RFC 6901)
	Items   []string `json:"items,omitempty"`   // a list that belongs to the detail
	Request string   `json:"request,omitempty"` // id to find the answer in the service's log

	After time.Duration `json:"-"` // when to try again; 0: nothing is said about it
}

// Fault is a refusal that the rules of control do not know: of the form or the way of a request.
type Fault struct {
	Status  int
	Code    string
	Field   string
	Message string
	Data    map[string]string
	Items   []string
}

// Error gives the message with the field in front.
func (f *Fault) Error() string {
	if f.Field == "" {
		return f.Message
	}
	return f.Field + ": " + f.Message
}

// Language gives the language a request asks for: by the query member lang, the cookie of that name, or
// Accept-Language.
func Language(c *fiber.Ctx) wording.Language {
	return wording.Match(c.Query("lang"), c.Cookies("lang"), c.Get(fiber.HeaderAcceptLanguage))
}

// Fail answers a request with what an error means to its sender.
func (g *Gate) Fail(c *fiber.Ctx, err error) error {
	p := g.Explain(c, err)
	if p.After > 0 {
		c.Set(fiber.HeaderRetryAfter, strconv.Itoa(int(math.Ceil(p.After.Seconds()))))
	}
	if p.Status == fiber.StatusRequestEntityTooLarge {
		linger(c)
	}
	if g.opt.Page != nil && !isAPI(c.Path()) {
		return g.opt.Page(c, p)
	}
	b, jerr := json.Marshal(p)
	if jerr != nil {
		return jerr
	}
	c.Set(fiber.HeaderContentType, ProblemType)
	c.Set(fiber.HeaderVary, fiber.HeaderAcceptLanguage)
	return c.Status(p.Status).Send(b)
}

// Explain gives the problem document of an error in the language of the request. What the sender cannot act
// on is logged with its chain and shown as an internal error.
func (g *Gate) Explain(c *fiber.Ctx, err error) *Problem {
	r, status, after := refusalOf(err)
	lang := Language(c)
	id, _ := c.Locals(keyRequest).(string)
	if status >= fiber.StatusInternalServerError {
		g.opt.Logger.Error("request not answered", "request", id, "route", c.Route().Path, "status", status, "error", err)
	}
	p := &Problem{Type: "about:blank", Title: title(lang, status), Status: status, Code: r.Code, Detail: lang.Refusal(r),
		Field: r.Field, Pointer: Pointer(r.Field), Items: r.Items, Request: id, After: after}
	if p.Code == "" {
		p.Code = "refused"
	}
	return p
}

func title(lang wording.Language, status int) string {
	if k := "status." + strconv.Itoa(status); wording.Has(k) {
		return lang.Text(k)
	}
	return http.StatusText(status)
}

// Pointer turns the name of a field, such as entries[0].read.value, into a JSON Pointer as a URI fragment.
func Pointer(field string) string {
	if field == "" {
		return ""
	}
	if field[0] == '[' { // the body itself is a list
		field = strings.Replace(field[1:], "]", "", 1)
	}
	return "#/" + strings.NewReplacer("[", "/", "].", "/", "]", "", ".", "/", "~", "~0").Replace(field)
}

// known is the table of errors that are no refusals of the rules: first match counts.
var known = []struct {
	err     error
	status  int
	code    string
	message string
}{
	{access.ErrSignIn, 401, "sign-in", "name or password is not right"},
	{access.ErrSession, 401, "not-signed-in", "sign in first"},
	{access.ErrDevice, 401, "device-not-enrolled", "this device is not enrolled, or was revoked"},
	{access.ErrLocked, 429, codeLocked, "too many failed attempts: try again in {wait}, or ask an administrator"},
	{access.ErrBusy, 503, "busy", "too many sign-ins at this moment: try again"},
	{access.ErrChanged, 409, "credential-changed", "the credential was changed by somebody else meanwhile: sign in again"},
	{access.ErrUnknown, 404, "unknown-person-or-device", "there is no such person or device, or it is disabled"},
	{access.ErrGrant, 401, "grant-unknown", "this delivery grant is not known: sign in again on this device and send the report again"},
	{access.ErrNotCovered, 403, "grant-not-covering", "this happened before sign-in, after sign-out or too long after sign-in on this device: confirm it with your PIN to send it"},
	{access.ErrCrossSite, 403, "cross-site", "the request comes from another site"},
	{ErrFormToken, 403, "form-token", "the form token is missing or not of this session: get one from GET /api/v1/session and send it as X-Form-Token"},
	{plant.ErrBehind, 503, "behind", "this instance of the service has not seen what you saw yet: ask again in a moment"},
	{plant.ErrBusy, 503, "busy", "the service is busy: send the same command again"},
	{plant.ErrReplaying, 503, "replaying", "the service still reads its record log: send the same command again in a moment"},
	{plant.ErrUnknown, 503, "stopped", "the log holds a record that this version does not know: it is not recording"},
	{plant.ErrStopped, 503, "stopped", "the service has stopped recording: write it down on paper and call the responsible person"},
	{plant.ErrClosed, 503, "closed", "the service is being stopped: send the same command again in a moment"},
	{record.ErrTooLarge, 422, "too-large", "this is too large for one record"},
}

var kinds = []struct {
	err    error
	status int
}{
	{haccp.ErrInvalid, 422}, {haccp.ErrNotFound, 404}, {haccp.ErrConflict, 409}, {haccp.ErrForbidden, 403},
}

// refusalOf turns an error into what its sender is told, a status and a time to try again.
func refusalOf(err error) (r *haccp.Refusal, status int, after time.Duration) {
	if wait, ok := plant.RetryAfter(err); ok {
		after = wait
	}
	if wait, ok := errors.AsType[*access.Wait](err); ok {
		after = wait.After
	}
	var refusal *haccp.Refusal
	var fault *Fault
	var weak *access.Weak
	var http *fiber.Error
	switch {
	case errors.As(err, &refusal):
		return refusal, statusOf(refusal), 0
	case errors.As(err, &fault):
		return &haccp.Refusal{Code: fault.Code, Field: fault.Field, Message: fault.Message, Data: fault.Data, Items: fault.Items}, fault.Status, 0
	case errors.As(err, &weak):
		return &haccp.Refusal{Code: "weak-" + weakField(weak), Field: weakField(weak), Message: weak.Error()}, 422, 0
	case errors.As(err, &http):
		return ofHTTP(http), http.Code, 0
	}
	for _, k := range known {
		if errors.Is(err, k.err) {
			if k.status == fiber.StatusServiceUnavailable && after == 0 {
				after = time.Second
			}
			r := &haccp.Refusal{Code: k.code, Message: k.message}
			if k.code == codeLocked {
				wait := waitText(after)
				r.Message, r.Data = strings.ReplaceAll(k.message, "{wait}", wait), map[string]string{"wait": wait}
			}
			return r, k.status, after
		}
	}
	for _, k := range kinds {
		if errors.Is(err, k.err) {
			return &haccp.Refusal{Code: "refused", Message: err.Error()}, k.status, 0
		}
	}
	return &haccp.Refusal{Code: "internal", Message: "something went wrong inside the service: send it again, or write it down on paper"},
		fiber.StatusInternalServerError, 0
}

// codeLocked says that a wait stands before the next attempt.
const codeLocked = "locked"

// waitText writes a wait, rounded up: a wait that is over is one second.
func waitText(d time.Duration) string {
	switch {
	case d > 2*time.Hour:
		return strconv.Itoa(int(math.Ceil(d.Hours()))) + " h"
	case d > 2*time.Minute:
		return strconv.Itoa(int(math.Ceil(d.Minutes()))) + " min"
	}
	return strconv.Itoa(max(int(math.Ceil(d.Seconds())), 1)) + " s"
}

// weakField names the member that held a secret which cannot be taken.
func weakField(w *access.Weak) string {
	if w.Reason == access.WeakPIN || w.Reason == access.WeakPINForm {
		return "pin"
	}
	return "password"
}

func statusOf(r *haccp.Refusal) int {
	for _, k := range kinds {
		if errors.Is(r.Kind, k.err) {
			return k.status
		}
	}
	return fiber.StatusUnprocessableEntity
}

// ofHTTP words the errors that fiber itself finds.
func ofHTTP(e *fiber.Error) *haccp.Refusal {
	switch e.Code {
	case fiber.StatusNotFound:
		return &haccp.Refusal{Code: "no-such-address", Message: "there is nothing at this address"}
	case fiber.StatusMethodNotAllowed:
		return &haccp.Refusal{Code: "method-not-allowed", Message: "this address does not take that method"}
	case fiber.StatusRequestEntityTooLarge:
		return &haccp.Refusal{Code: "body-too-large", Message: "the body is larger than 1 MiB: nothing was stored; send less at a time"}
	case fiber.StatusRequestHeaderFieldsTooLarge:
		return &haccp.Refusal{Code: "header-too-large", Message: "the header of the request is too large"}
	case fiber.StatusRequestTimeout:
		return &haccp.Refusal{Code: "too-slow", Message: "the request did not arrive in time: send it again"}
	}
	return &haccp.Refusal{Code: "bad-request", Message: "the request cannot be read"}
}
