// Command wireserver is a server that speaks the wire protocol of MongoDB, in a process of its own, for tests
// only: FerretDB with its SQLite handler on a folder. It is a module of its own, so that what it needs stays out
// of the program's module. It is not MongoDB: what differs stands in the package comment of wiretest.
package main

import (
	"context"
	"flag"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/signal"
	"syscall"

	"github.com/FerretDB/FerretDB/ferretdb"
)

func main() {
	listen := flag.String("listen", "127.0.0.1:0", "address to listen on")
	folder := flag.String("folder", "", "absolute path of the folder that keeps the data")
	flag.Parse()
	if err := serve(*listen, *folder); err != nil {
		fmt.Fprintln(os.Stderr, "wireserver:", err)
		os.Exit(1)
	}
}

// serve prints the URI that it answers under and serves until it is told to stop.
func serve(listen, folder string) error {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	go func() { // who started it holds the other end of its input, and may be killed
		_, _ = io.Copy(io.Discard, os.Stdin)
		stop()
	}()
	// In memory the server hangs on findAndModify of a document that is there; a folder it is.
	info, err := os.Stat(folder)
	if err != nil || !info.IsDir() {
		return fmt.Errorf("-folder %q is no folder", folder)
	}
	f, err := ferretdb.New(&ferretdb.Config{
		Listener: ferretdb.ListenerConfig{TCP: listen}, Logger: slog.New(slog.DiscardHandler),
		Handler: "sqlite", SQLiteURL: "file:" + folder + "/",
	})
	if err != nil {
		return err
	}
	fmt.Println(f.MongoDBURI())
	if err := f.Run(ctx); err != nil && ctx.Err() == nil {
		return err
	}
	return nil
}
