package main

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"strings"
	"time"
)

type readyCommand struct {
	URL string `arg:"" help:"Address of the service." default:"http://127.0.0.1:8080"`
}

// Help is shown by --help.
func (readyCommand) Help() string {
	return `Exits 0 where the service takes commands, or 1 and says why it does not. It is for health checks in
containers, which hold no other program, and for scripts.

Example:
  linewarden ready http://127.0.0.1:8080`
}

const readyTimeout = 3 * time.Second

// Run asks a service whether it is ready.
func (c *readyCommand) Run(ctx context.Context, t *terminal) error {
	ctx, cancel := context.WithTimeout(ctx, readyTimeout)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, strings.TrimRight(c.URL, "/")+"/readyz", nil)
	if err != nil {
		return err
	}
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		return err
	}
	defer res.Body.Close()
	text, err := io.ReadAll(io.LimitReader(res.Body, 4<<10))
	if err != nil {
		return err
	}
	if res.StatusCode != http.StatusOK {
		return fmt.Errorf("%s: %s", c.URL, strings.TrimSpace(string(text)))
	}
	t.print("%s", strings.TrimSpace(string(text)))
	return nil
}
