package floor

import (
	"cmp"
	"slices"
	"time"

	"github.com/gofiber/fiber/v2"

	"linewarden/haccp"
	"linewarden/haccp/plan"
	"linewarden/internal/access"
	"linewarden/internal/plant"
	"linewarden/internal/web/frame"
)

// LabelsPage is a sheet of labels to print, one for each place where a check is done.
type LabelsPage struct {
	*frame.Frame
	Labels []Label
}

// Label names a place and leads a camera to its form.
type Label struct {
	Name, Address string
	QR            *frame.QR
}

func (fl *Floor) labels(c *fiber.Ctx, f *frame.Frame) error {
	p := &LabelsPage{Frame: f}
	if f.Plan != nil {
		for _, x := range f.Plan.Places {
			if !slices.ContainsFunc(f.Plan.Checks, func(ch plan.Check) bool { return slices.Contains(ch.Places, x.ID) }) {
				continue
			}
			l := Label{Name: x.Name, Address: c.BaseURL() + fl.Root + "/b/" + x.ID}
			var err error
			if l.QR, err = frame.NewQR(l.Address); err != nil {
				return err
			}
			p.Labels = append(p.Labels, l)
		}
	}
	return fl.Pages.Show(c, fiber.StatusOK, "labels", f.T("labels.title"), p)
}

// FirstCheck gives the check whose form a label of a place opens: the one that is due first there, else the first of
// the plan; "" where the plan has none.
func FirstCheck(f *frame.Frame, place string) string {
	var here []haccp.DueItem
	for _, d := range f.State.DueList(f.Now) {
		if d.Place == place {
			here = append(here, d)
		}
	}
	if len(here) > 0 {
		return slices.MinFunc(here, func(a, b haccp.DueItem) int { return cmp.Compare(a.Due.UnixNano(), b.Due.UnixNano()) }).Check
	}
	if f.Plan != nil {
		for _, ch := range f.Plan.Checks {
			if slices.Contains(ch.Places, place) {
				return ch.ID
			}
		}
	}
	return ""
}

// UnverifiedPage is the manager's list of reports whose person was known by an unproved PIN only.
type UnverifiedPage struct {
	*frame.Frame
	Rows []UnverifiedRow
	More bool // there are older ones
}

// UnverifiedRow is one report.
type UnverifiedRow struct {
	ID, Kind, By, Device, Place string
	At, Recorded                time.Time
	Reviewed                    bool // in a signed review of records
}

const unverifiedShown = 100

func (fl *Floor) unverified(c *fiber.Ctx, f *frame.Frame) error {
	if _, ok := access.MayAny(f.Roles, access.ReadRecords); !ok {
		return &haccp.Refusal{Kind: haccp.ErrForbidden, Code: "role-may-not", Message: f.T("refusal.role-may-not")}
	}
	found, next, err := fl.Records.Find(c.UserContext(), plant.Query{About: haccp.AboutUnverified, Limit: unverifiedShown, Descending: true})
	if err != nil {
		return err
	}
	p := &UnverifiedPage{Frame: f, More: next != ""}
	for _, e := range found {
		if e.Amends != "" || e.By.Known != haccp.KnownPINUnproved {
			continue // a change carries the keys of what it changes
		}
		row := UnverifiedRow{ID: e.ID, Kind: f.Word("kind", e.Kind), By: e.By.Name, At: e.At, Recorded: e.RecordedAt,
			Reviewed: slices.ContainsFunc(f.State.Reviews, func(r haccp.ReviewSpan) bool { return r.From <= e.Seq && e.Seq <= r.To })}
		if e.Device != nil {
			row.Device = e.Device.ID
			if d, ok := f.State.Device(e.Device.ID); ok {
				row.Device = d.Name
			}
		}
		switch b := e.Body.(type) {
		case *haccp.Reading:
			row.Place = f.PlaceName(b.Place)
		case *haccp.Bath:
			row.Place = f.PlaceName(b.Place)
		}
		p.Rows = append(p.Rows, row)
	}
	return fl.Pages.Show(c, fiber.StatusOK, "unverified", f.T("unverified.title"), p)
}
