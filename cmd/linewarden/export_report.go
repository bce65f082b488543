package main

import (
	"context"
	"errors"
	"io"

	"linewarden/internal/app"
)

func (c *exportCommand) report(context.Context, *terminal, *app.Folder, string, io.Writer) error {
	return errors.New("not built yet")
}
