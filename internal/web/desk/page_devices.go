package desk

import (
	"errors"
	"net/url"
	"strings"
	"time"

	"github.com/gofiber/fiber/v2"

	"linewarden/internal/access"
	"linewarden/internal/gate"
	"linewarden/internal/web/frame"
)

// DevicesPage lists the enrolled devices, and enrols and revokes them.
type DevicesPage struct {
	*frame.Frame
	Form       frame.Form
	Devices    []DeviceRow
	Name, Kind string
	// Of a device enrolled just now; shown once.
	Token   string
	ForWhom string
	Here    bool // this browser is the device
	Address string
	QR      *frame.QR
}

// DeviceRow is a device in the list.
type DeviceRow struct {
	ID, Name       string
	Since, Revoked time.Time
}

func (d *Desk) newDevicesPage(f *frame.Frame) (*DevicesPage, error) {
	if _, ok := access.MayAny(f.Roles, access.ManageDevices); !ok {
		return nil, mayNot(f)
	}
	p := &DevicesPage{Frame: f, Form: frame.NewForm()}
	for _, x := range d.Site.View().Devices() {
		p.Devices = append(p.Devices, DeviceRow{x.ID, x.Name, x.Since, x.Revoked})
	}
	return p, nil
}

func (d *Desk) deviceList(c *fiber.Ctx, f *frame.Frame) error {
	p, err := d.newDevicesPage(f)
	if err != nil {
		return err
	}
	return d.show(c, fiber.StatusOK, "devices", f.T("devices.title"), p)
}

// deviceEnrol makes a token. It is on the page that answers and nowhere else.
func (d *Desk) deviceEnrol(c *fiber.Ctx, f *frame.Frame) error {
	p, err := d.newDevicesPage(f)
	if err != nil {
		return err
	}
	p.Form, p.Name, p.Kind = frame.ReadForm(c), strings.TrimSpace(c.FormValue("name")), c.FormValue("kind")
	status := fiber.StatusOK
	if made, err := d.enrolled(c, f, p); err != nil {
		status = d.Pages.Refused(c, f, &p.Form, err, map[string]string{"name": "name", "kind": "kind"})
	} else if err := d.handOver(c, p, made); err != nil {
		return err
	}
	return d.show(c, status, "devices", f.T("devices.title"), p)
}

func (d *Desk) enrolled(c *fiber.Ctx, f *frame.Frame, p *DevicesPage) (access.Enrolled, error) {
	missing := func(field string) error {
		return &gate.Fault{Status: fiber.StatusUnprocessableEntity, Code: "missing", Field: field, Message: f.T("refusal.missing")}
	}
	switch {
	case f.Stale:
		return access.Enrolled{}, gate.ErrFormToken
	case p.Name == "" || len(p.Name) > 200:
		return access.Enrolled{}, missing("name")
	case p.Kind != access.DeviceTablet && p.Kind != access.DeviceProbe:
		return access.Enrolled{}, missing("kind")
	}
	return d.door().EnrolDevice(c.UserContext(), f.Who.Person.ID, p.Name, p.Kind, d.Clock())
}

// handOver shows the token of a new device, or gives it to this browser.
func (d *Desk) handOver(c *fiber.Ctx, p *DevicesPage, made access.Enrolled) error {
	fresh, err := d.newDevicesPage(p.Frame)
	if err != nil {
		return err
	}
	p.Devices, p.ForWhom, p.Name = fresh.Devices, p.Name, ""
	if p.Here = c.FormValue("here") == "yes" && p.Kind == access.DeviceTablet; p.Here {
		d.Gate.Enrolled(c, made.Token)
		return nil
	}
	p.Token = made.Token
	if p.Kind == access.DeviceTablet {
		// The part after # stays in the tablet: it is sent to no server and stands in no log.
		p.Address = c.BaseURL() + d.Root + "/enrol"
		p.QR, err = frame.NewQR(p.Address + "#" + url.QueryEscape(made.Token))
	}
	return err
}

func (d *Desk) deviceRevoke(c *fiber.Ctx, f *frame.Frame) error {
	p, err := d.newDevicesPage(f)
	if err != nil {
		return err
	}
	err = gate.ErrFormToken
	if !f.Stale {
		err = d.door().RevokeDevice(c.UserContext(), f.Who.Person.ID, c.Params("id"), d.Clock())
	}
	if err != nil {
		return d.show(c, d.Pages.Refused(c, f, &p.Form, err, nil), "devices", f.T("devices.title"), p)
	}
	return d.Pages.Redirect(c, "/devices")
}

// EnrolPage is where a tablet takes the token that an administrator made for it.
type EnrolPage struct {
	*frame.Frame
	Wrong, Device string
}

func (d *Desk) enrolForm(c *fiber.Ctx) error {
	p := &EnrolPage{Frame: d.Pages.Frame(c, nil)}
	return d.show(c, fiber.StatusOK, "enrol", p.T("enrol.title"), p)
}

// enrolHere gives this browser the token, if it is good.
func (d *Desk) enrolHere(c *fiber.Ctx) error {
	if err := d.Gate.SameSite(c); err != nil {
		return err
	}
	p, status := &EnrolPage{Frame: d.Pages.Frame(c, nil)}, fiber.StatusOK
	token := strings.TrimSpace(c.FormValue("token"))
	dev, err := d.door().DeviceByToken(c.UserContext(), token)
	switch {
	case err == nil && dev.Kind == access.DeviceTablet:
		d.Gate.Enrolled(c, token)
		p.Device = dev.Name
	case err == nil || errors.Is(err, access.ErrDevice):
		p.Wrong, status = p.T("enrol.wrong"), fiber.StatusUnprocessableEntity
	default:
		return err
	}
	return d.show(c, status, "enrol", p.T("enrol.title"), p)
}

// TabletsPage tells how a tablet comes to trust the plant's own certificate.
type TabletsPage struct {
	*frame.Frame
	Address, Fingerprint string
	QR                   *frame.QR
}

func (d *Desk) tabletsShow(c *fiber.Ctx) error {
	if d.Authority.Fingerprint == "" {
		return fiber.ErrNotFound
	}
	w, err := d.Gate.Who(c)
	if err != nil {
		return err
	}
	p := &TabletsPage{Frame: d.Pages.Frame(c, w), Address: d.Authority.Address(), Fingerprint: d.Authority.Fingerprint}
	if p.QR, err = frame.NewQR(p.Address); err != nil {
		return err
	}
	return d.show(c, fiber.StatusOK, "tablets", p.T("tablets.title"), p)
}
