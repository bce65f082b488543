package app_test

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"strings"
	"testing"
	"time"

	"linewarden/internal/app"
	"linewarden/internal/config"
)

// running starts a service that the test itself stops.
func running(t *testing.T, dir string) *app.App {
	t.Helper()
	cfg := config.Default()
	cfg.Data, cfg.Listen = dir, "127.0.0.1:0"
	a, err := app.New(t.Context(), cfg, app.Parts{Access: quick(), Logger: slog.New(slog.DiscardHandler)})
	check(t, err)
	check(t, a.Wait(t.Context()))
	check(t, a.Start())
	return a
}

// A client that goes on sending and never ends its request holds the stop up, and takes nothing from what is saved after
// it: the snapshot and the checkpoint are there, and the stop says what hung.
func TestStopWithARequestThatHangs(t *testing.T) {
	dir := founded(t)
	a := running(t, dir)
	conn, err := net.Dial("tcp", a.Addr())
	check(t, err)
	defer conn.Close()
	_, err = fmt.Fprint(conn, "POST /api/v1/readings HTTP/1.1\r\nHost: plant\r\nContent-Type: application/json\r\nContent-Length: 100000\r\n\r\n{")
	check(t, err)
	sent, quit := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(sent)
		for {
			select {
			case <-quit:
				return
			case <-time.After(100 * time.Millisecond):
				_, _ = fmt.Fprint(conn, " ") // until the service closes the connection
			}
		}
	}()
	defer func() { close(quit); <-sent }()
	time.Sleep(200 * time.Millisecond) // until the request is under way
	head := a.Site().Head()
	ctx, cancel := context.WithTimeout(context.Background(), 6*time.Second)
	defer cancel()
	err = a.Stop(ctx)
	if !errors.Is(err, context.DeadlineExceeded) || !strings.HasPrefix(err.Error(), "stop serving: ") || strings.Contains(err.Error(), "\n") || ctx.Err() != nil {
		t.Errorf("stopped with %v, and %v of its time", err, ctx.Err())
	}
	again := start(t, dir, nil)
	if !strings.Contains(again.metrics(t), `linewarden_plant_snapshots_total{result="loaded",site="vallequince-demo"} 1`) {
		t.Error("the state does not come from a snapshot")
	}
	signedAtStop(t, dir, again, head.Size)
}

// Connections on which nothing goes on do not hold the stop up: one that was never used, as browsers open them, one that
// fell silent within a request, and one that waits for its next request.
func TestStopWithConnectionsThatWait(t *testing.T) {
	a := running(t, founded(t))
	for _, send := range []string{
		"",
		"POST /api/v1/readings HTTP/1.1\r\nHost: plant\r\nContent-Type: application/json\r\nContent-Length: 100\r\n\r\n{",
		"GET /healthz HTTP/1.1\r\nHost: plant\r\n\r\n",
	} {
		conn, err := net.Dial("tcp", a.Addr())
		check(t, err)
		defer conn.Close()
		_, err = fmt.Fprint(conn, send)
		check(t, err)
	}
	time.Sleep(200 * time.Millisecond)                                       // until they are accepted
	ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second) // less than a client has for its request
	defer cancel()
	check(t, a.Stop(ctx))
}
