package gate

import (
	"io"
	"net"
	"net/http"
	"testing"
	"time"

	"github.com/gofiber/fiber/v2"
)

// A connection is quiet when no request is answered on it and no byte has gone over it for a while; a long answer is not.
func TestQuietConnections(t *testing.T) {
	inner, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	l := Listener(inner)
	app := fiber.New(fiber.Config{DisableStartupMessage: true})
	begun, end := make(chan struct{}), make(chan struct{})
	app.Use(func(c *fiber.Ctx) error {
		x := connOf(c)
		if x == nil {
			t.Error("the request has no connection")
			return nil
		}
		x.under.Add(1)
		defer x.under.Add(-1)
		close(begun)
		<-end
		return c.SendString("done")
	})
	served := make(chan error, 1)
	go func() { served <- app.Listener(l) }()
	unused, err := net.Dial("tcp", inner.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	defer unused.Close()
	answered := make(chan error, 1)
	go func() {
		res, err := http.Get("http://" + inner.Addr().String())
		if err == nil {
			_, err = io.ReadAll(res.Body)
			_ = res.Body.Close()
		}
		answered <- err
	}()
	<-begun
	open := func() int {
		l.mu.Lock()
		defer l.mu.Unlock()
		return len(l.open)
	}
	for open() != 2 { // until both are accepted
		time.Sleep(time.Millisecond)
	}
	if n := len(l.quiet(time.Now())); n != 0 {
		t.Errorf("%d connections are quiet at once", n)
	}
	later := time.Now().Add(2 * quietFor)
	if n := len(l.quiet(later)); n != 1 {
		t.Errorf("%d connections are quiet while one is answered, want 1", n)
	}
	close(end)
	if err := <-answered; err != nil {
		t.Fatal(err)
	}
	for len(l.quiet(later)) != 2 { // the answer is read before the server knows that it was written
		time.Sleep(time.Millisecond)
	}
	http.DefaultClient.CloseIdleConnections()
	if err := unused.Close(); err != nil {
		t.Fatal(err)
	}
	if err := app.Shutdown(); err != nil {
		t.Fatal(err)
	}
	if err := <-served; err != nil {
		t.Fatal(err)
	}
	if n := open(); n != 0 {
		t.Errorf("%d connections are open at the end", n)
	}
}
