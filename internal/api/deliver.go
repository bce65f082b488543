package api

import (
	"slices"
	"time"

	"linewarden/haccp"
	"linewarden/internal/access"
	"linewarden/internal/api/reply"
	"linewarden/internal/plant"
)

// headerUnverified says, with any value, that the device knew the person of the report it delivers by a PIN that no
// server saw.
const headerUnverified = "Linewarden-Unverified"

// deliverable are the addresses of reports. Decisions and signatures are made online or not at all.
var deliverable = []string{"/readings", "/fillings", "/additions", "/part-replacements", "/drains", "/cleanings", "/service", "/clean-breaks",
	"/fixes", "/notes", "/lines/:id/started", "/lines/:id/stop", "/lots/received", "/lots/entered", "/lots/left", "/lots/fed", "/lots/removed",
	"/places/emptied", "/lots/shipped"}

// deliver holds a report that comes under a delivery grant against it. Whether the person was who signed in is known
// to the device, which tells so, and to the server, which knows who signed in there last; each may say no.
func (q *call) deliver(c *haccp.Command) error {
	g := q.who.Grant
	if g == nil {
		return nil
	}
	if !g.Covers(c.At.Truncate(time.Millisecond)) {
		return access.ErrNotCovered
	}
	last, err := q.api.Gate.Door().SignedInLast(q.UserContext(), *g, c.At)
	if err != nil {
		return err
	}
	if !last || q.Get(headerUnverified) != "" {
		c.By.Known = haccp.KnownPINUnproved
	}
	return nil
}

// handOut gives the delivery grant of the session, on an enrolled tablet.
func (q *call) handOut() (reply.Grant, error) {
	g, err := q.api.Gate.Door().HandOut(q.UserContext(), q.who.Token, q.now)
	q.Status(201)
	return reply.Grant{Token: g.Token, Person: g.Person, Device: g.Device, From: g.From, To: g.To}, err
}

// Unverified is a page of reports whose person was known by an unproved PIN only.
type Unverified struct {
	Reports []Event      `json:"reports"`
	Next    plant.Cursor `json:"next,omitempty" doc:"Cursor of the next page; missing after the last."`
}

func (q *call) listUnverified() (Unverified, error) {
	p, err := q.page()
	if err != nil {
		return Unverified{}, err
	}
	p.About = haccp.AboutUnverified
	events, next, err := q.find(p)
	out := Unverified{Reports: make([]Event, len(events)), Next: next}
	for i, e := range events {
		out.Reports[i] = eventOf(e)
	}
	return out, err
}

func (a *API) deliveryRoutes() []route {
	return []route{
		post("/session/grant", "Get a delivery grant for the session, on an enrolled tablet: leave to deliver, later and whoever is signed in then, reports of this person that happen from sign-in to sign-out, at most 72 hours. Send them to the addresses of reports with Authorization: Delivery and the token, and with "+headerUnverified+": yes where the person was known to the device by PIN only.",
			func(q *call, _ *empty) (reply.Grant, error) { return q.handOut() }).creates(),
		get("/unverified", "Reports that came from a tablet without network under a PIN that no server saw, with all that changed them since.", access.ReadRecords,
			(*call).listUnverified, slices.Concat(periodQuery, []query{orderQuery}, pageQuery)...),
	}
}
