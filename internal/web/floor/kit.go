package floor

import (
	"context"
	"encoding/json"
	"slices"
	"strings"
	"time"

	"github.com/gofiber/fiber/v2"

	"linewarden/haccp"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
	"linewarden/internal/plant"
	"linewarden/internal/web/frame"
)

// Kit is what a tablet keeps to work without network.
type Kit struct {
	Now    time.Time         `json:"now"`
	Lang   string            `json:"lang"`
	Zone   string            `json:"zone"`
	Pages  []string          `json:"pages"`  // addresses to keep, below the root
	Assets []string          `json:"assets"` // static files of these pages
	Words  map[string]string `json:"words"`
	Sheets map[string]Sheet  `json:"sheets"` // by check@place
	Dues   []Due             `json:"dues"`
}

// Due is a check that falls due at a place.
type Due struct {
	Key   string    `json:"key"` // check@place
	Path  string    `json:"path"`
	Title string    `json:"title"`
	Name  string    `json:"name"`
	At    time.Time `json:"at"`
}

// Sheet is what the form of one check at one place takes along: what the device can say at once about a value.
type Sheet struct {
	Check, Place string   `json:"-"`
	Title        string   `json:"title"` // of the place
	Name         string   `json:"name"`  // of the check
	Limits       []Bound  `json:"limits"`
	Later        []Later  `json:"later"` // limits that only the server judges
	Points       []Advice `json:"points"`
	Cautions     []string `json:"cautions"`
	Retest       int      `json:"retest"` // minutes after an outside value until the next test
	Previous     string   `json:"previous,omitempty"`
	PreviousAt   string   `json:"previous_at,omitempty"`
	Floor        *Bound   `json:"floor,omitempty"` // below it chlorine gas may come off
	FloorText    string   `json:"floor_text,omitempty"`
	Dose         *Dose    `json:"dose,omitempty"`
	Procedure    string   `json:"procedure,omitempty"` // where there is no dose without the server
}

// Later is a limit that only the server judges.
type Later struct {
	Kind string `json:"kind"`
	Text string `json:"text"`
}

// Bound is one limit as decimal strings, inclusive at both ends.
type Bound struct {
	Point    string `json:"point"`
	Quantity string `json:"quantity"`
	Label    string `json:"label"`
	Kind     string `json:"kind"`
	Text     string `json:"text"` // the limit in words
	Unit     string `json:"unit,omitempty"`
	Min      string `json:"min,omitempty"`
	Max      string `json:"max,omitempty"`
	YesNo    string `json:"yes_no,omitempty"` // the answer that is inside
}

// Advice is what the plan says to do at a control point.
type Advice struct {
	Point        string   `json:"point"`
	Instructions string   `json:"instructions"`
	Fixes        []string `json:"fixes"`
}

// words are the messages that the scripts of a tablet use.
var words = []string{
	"device.saved", "device.saved-offline", "device.waiting-one", "device.waiting-many", "device.refused-count", "device.not-judged",
	"device.first-judgement", "device.verdict-inside", "device.verdict-act", "device.verdict-outside", "device.verdict-not-evaluated",
	"device.todo", "device.again-by", "device.again-form", "device.previous", "device.cautions", "device.logged-waiting",
	"device.no-dose", "device.dose", "device.dose-once", "device.dose-none",
	"who.wrong-pin", "who.wrong-badge", "who.badge-offline", "who.no-camera", "who.no-grant", "who.not-covered", "who.other", "who.checking", "who.unverified",
	"waiting.unconfirmed", "waiting.waiting", "waiting.refused", "waiting.confirm", "waiting.put-away", "waiting.by", "waiting.unverified",
	"form.bad-number", "form.two-ways", "form.decimals", "form.thousands", "form.missing", "gap.in", "gap.ago", "gap.now",
}

func marshal(v any) ([]byte, error) { return json.Marshal(v) }

// kit answers with the kit of the plan in force.
func (fl *Floor) kit(c *fiber.Ctx, f *frame.Frame) error {
	k := Kit{Now: f.Now.UTC().Truncate(time.Millisecond), Lang: string(f.Lang), Zone: f.Location.String(), Pages: []string{"/", "/places", "/waiting", "/device/offline"},
		Words: map[string]string{}, Sheets: map[string]Sheet{}, Dues: []Due{}}
	for _, name := range fl.Assets {
		k.Assets = append(k.Assets, "/static/"+name)
	}
	slices.Sort(k.Assets)
	for _, w := range words {
		k.Words[w] = f.T(w)
	}
	for _, d := range f.State.DueList(f.Now) {
		k.Dues = append(k.Dues, Due{d.Check + "@" + d.Place, "/checks/" + d.Check + "/" + d.Place, d.PlaceName, d.CheckName, d.Due})
	}
	if f.Plan != nil {
		for i := range f.Plan.Checks {
			check := &f.Plan.Checks[i]
			for _, id := range check.Places {
				place := frame.FindPlace(f.Plan, id)
				if place == nil {
					continue
				}
				s, err := fl.sheet(c.UserContext(), f, check, place)
				if err != nil {
					return err
				}
				k.Pages, k.Sheets[check.ID+"@"+id] = append(k.Pages, "/checks/"+check.ID+"/"+id), s
			}
		}
		for _, p := range f.Plan.Places {
			if FirstCheck(f, p.ID) != "" {
				k.Pages = append(k.Pages, "/b/"+p.ID)
			}
			if p.Kind == plan.Bath {
				for _, act := range []string{"added", "filled", "part-replaced", "drained", "cleaned"} {
					k.Pages = append(k.Pages, "/baths/"+p.ID+"/"+act)
				}
			}
		}
	}
	b, err := marshal(k)
	if err != nil {
		return err
	}
	c.Set(fiber.HeaderContentType, fiber.MIMEApplicationJSON)
	return c.Send(b)
}

// sheet lays out what a form takes along.
func (fl *Floor) sheet(ctx context.Context, f *frame.Frame, check *plan.Check, place *plan.Place) (Sheet, error) {
	s := SheetOf(f, f.Plan, check, place)
	var err error
	if s.Dose, err = table(ctx, fl.Records, f, check, place); err != nil {
		return s, err
	}
	found, _, err := fl.Records.Find(ctx, plant.Query{About: "check:" + check.ID + "@" + place.ID, Kind: haccp.KindReading, Limit: 1, Descending: true})
	if err != nil || len(found) == 0 {
		return s, err
	}
	if b, ok := found[0].Body.(*haccp.Reading); ok {
		values := make([]string, 0, len(b.Entries))
		for i := range b.Entries {
			values = append(values, f.Word("quantity", b.Entries[i].Quantity)+" "+f.Value(b.Entries[i].Result().String()))
		}
		s.Previous, s.PreviousAt = strings.Join(values, ", "), f.At(found[0].At)
	}
	return s, nil
}

// defaultRetest is how soon a test is wanted again where the plan names no mixing time, in minutes; the same as that
// of package haccp (common practice, no source).
const defaultRetest = 10

// SheetOf gives what a check at a place takes along by the plan alone.
func SheetOf(f *frame.Frame, p *plan.Plan, check *plan.Check, place *plan.Place) Sheet {
	s := Sheet{Check: check.ID, Place: place.ID, Title: place.Name, Name: check.Name, Limits: []Bound{}, Later: []Later{}, Points: []Advice{}, Cautions: []string{}}
	s.Retest = max(int(place.Mixing.Std()/time.Minute), defaultRetest)
	chlorine := false
	for i := range p.Points {
		pt := &p.Points[i]
		if !slices.Contains(check.Points, pt.ID) || !slices.Contains(pt.Places, place.ID) {
			continue
		}
		s.Points = append(s.Points, Advice{pt.ID, pt.Instructions, fixesOf(p, pt)})
		for _, l := range pt.Limits {
			chlorine = chlorine || frame.InvolvesChlorine(l.Quantity)
			if b, ok := boundOf(f, pt.ID, l); ok {
				s.Limits = append(s.Limits, b)
			} else {
				s.Later = append(s.Later, Later{string(l.Kind), f.Bounds(l)})
			}
		}
	}
	for _, key := range frame.CautionsFor(chlorine) {
		s.Cautions = append(s.Cautions, f.T(key))
	}
	if place.Dosing != nil && chlorine {
		s.Procedure = place.Dosing.Procedure
	}
	if place.PHFloor != nil {
		s.Floor = &Bound{Quantity: string(quantity.PH), Unit: place.PHFloor.Unit, Min: place.PHFloor.Value.String()}
		s.FloorText = f.T("caution.low-ph")
	}
	return s
}

func fixesOf(p *plan.Plan, pt *plan.Point) []string {
	out := []string{}
	for _, id := range pt.Fixes {
		for _, x := range p.Fixes {
			if x.ID == id {
				out = append(out, strings.TrimSuffix(x.Name+": "+x.Instructions, ": "))
			}
		}
	}
	return out
}

// boundOf gives a limit that a device can judge: one on a measured value, with nothing to compute and no instrument of
// record or guard band to look at.
func boundOf(f *frame.Frame, point string, l plan.Limit) (Bound, bool) {
	q, err := quantity.Get(quantity.ID(l.Quantity))
	if err != nil || l.Computed() || q.Computed() || l.GuardBand != nil || l.Instrument != "" {
		return Bound{}, false
	}
	b := Bound{Point: point, Quantity: l.Quantity, Label: f.Word("quantity", l.Quantity), Kind: string(l.Kind), Text: f.Ends(l)}
	switch {
	case l.YesNo != nil:
		b.YesNo = "no"
		if *l.YesNo {
			b.YesNo = "yes"
		}
		return b, true
	case l.Min == nil && l.Max == nil, l.Min != nil && l.Max != nil && l.Min.Unit != l.Max.Unit:
		return Bound{}, false
	}
	for _, end := range []struct {
		amount *plan.Amount
		into   *string
	}{{l.Min, &b.Min}, {l.Max, &b.Max}} {
		if end.amount != nil {
			*end.into, b.Unit = end.amount.Value.String(), end.amount.Unit
		}
	}
	return b, true
}
