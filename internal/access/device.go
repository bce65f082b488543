package access

import (
	"context"
	"fmt"
	"strings"
	"time"

	"github.com/google/uuid"
)

// An Enrolled is a new device with its token, which is shown once and stored
// nowhere in the clear.
type Enrolled struct {
	ID    string
	Token string
}

// EnrolDevice makes a token for a tablet or a probe and reports DeviceEnrolled;
// the device counts as enrolled once the log, and so the Directory, has it. The
// caller has seen to it that by may do so.
func (g *Gate) EnrolDevice(ctx context.Context, by, name, kind string, at time.Time) (Enrolled, error) {
	if kind != DeviceTablet && kind != DeviceProbe {
		return Enrolled{}, fmt.Errorf("enrol device: kind is %q; want %s or %s", kind, DeviceTablet, DeviceProbe)
	}
	if strings.TrimSpace(name) == "" {
		return Enrolled{}, fmt.Errorf("enrol device: it needs a name, such as where it hangs")
	}
	id := uuid.NewString()
	token := kind + "." + id + "." + randomText(tokenBytes)
	if err := g.Accounts.SetCredential(ctx, kindDevice, id, tokenHash(token), at); err != nil {
		return Enrolled{}, fmt.Errorf("keep device token: %w", err)
	}
	h := Happening{Kind: DeviceEnrolled, Device: id, DeviceName: name, DeviceKind: kind, By: by, At: at}
	if err := g.mustReport(ctx, h); err != nil {
		if _, derr := g.Accounts.DropCredential(ctx, kindDevice, id, ""); derr != nil {
			g.Log.Error("token of a device that was not enrolled is left over", "error", derr)
		}
		return Enrolled{}, err
	}
	return Enrolled{ID: id, Token: token}, nil
}

// RevokeDevice makes the token worthless and ends the sessions on the device.
func (g *Gate) RevokeDevice(ctx context.Context, by, id string, at time.Time) error {
	d, ok := g.Directory.Device(id)
	if !ok {
		return fmt.Errorf("revoke device: %w", ErrUnknown)
	}
	if !d.Revoked {
		if err := g.mustReport(ctx, Happening{Kind: DeviceRevoked, Device: id, By: by, At: at}); err != nil {
			return err
		}
	}
	if _, err := g.Accounts.DropCredential(ctx, kindDevice, id, ""); err != nil {
		return fmt.Errorf("drop device token: %w", err)
	}
	return g.endAll(ctx, "", id, at)
}

// DeviceByToken says whose token this is. It gives ErrDevice for one that is
// unknown, altered or revoked. A token is the kind of device, its id and 256
// random bits; the stored hash is over all three. A probe acts under DeviceRole
// and KnownDevice.
func (g *Gate) DeviceByToken(ctx context.Context, token string) (Device, error) {
	part := strings.Split(token, ".")
	if len(part) != 3 || len(token) > 200 {
		return Device{}, ErrDevice
	}
	kind, id := part[0], part[1]
	stored, _, found, err := g.Accounts.Credential(ctx, kindDevice, id)
	if err != nil {
		return Device{}, fmt.Errorf("read device token: %w", err)
	}
	if !found || !same(stored, tokenHash(token)) {
		return Device{}, ErrDevice
	}
	d, ok := g.Directory.Device(id)
	if !ok || d.Revoked {
		return Device{}, ErrDevice
	}
	d.Kind = kind
	return d, nil
}

// tablet is the enrolled tablet that a token is of; ErrDevice for any other.
func (g *Gate) tablet(ctx context.Context, token string) (Device, error) {
	d, err := g.DeviceByToken(ctx, token)
	if err == nil && d.Kind != DeviceTablet {
		err = ErrDevice
	}
	if err != nil {
		return Device{}, err
	}
	return d, nil
}
