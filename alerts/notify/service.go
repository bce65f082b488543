package notify

import (
	"context"
	"errors"
	"io"
	"log" //nolint:depguard // the library takes no other logger; it is given one that says nothing
	"sync/atomic"

	"github.com/nicholas-fedor/shoutrrr"
	"github.com/nicholas-fedor/shoutrrr/pkg/router"
	"github.com/nicholas-fedor/shoutrrr/pkg/types"
)

// Service sends through a chat, SMS or push service that the library shoutrrr knows. Its address holds the secret.
type Service struct {
	router *router.ServiceRouter
	busy   atomic.Bool
}

// NewService gives a channel to the service at an address in the library's form, such as
// "generic+https://gateway.example.org/sms". The address is in no error.
func NewService(address string) (*Service, error) {
	r, err := shoutrrr.NewSender(log.New(io.Discard, "", 0), address)
	if err != nil {
		return nil, errors.New("the address of the service is not one that the library knows: see its list of services")
	}
	return &Service{router: r}, nil
}

// Send sends the text with its subject. The library takes no context: an attempt that does not end in time counts as
// failed, and none is begun while the one before is still under way.
func (s *Service) Send(ctx context.Context, m Message) error {
	if !s.busy.CompareAndSwap(false, true) {
		return errors.New("the attempt before has not ended")
	}
	done := make(chan error, 1)
	go func() {
		defer s.busy.Store(false)
		var failed error
		for _, err := range s.router.Send(m.Text, &types.Params{"title": m.Subject}) {
			if err != nil {
				failed = &Refused{What: "service"} // what the library says may hold the address
			}
		}
		done <- failed
	}()
	select {
	case err := <-done:
		return err
	case <-ctx.Done():
		return ctx.Err()
	}
}
