// Package wiretest tests the MongoDB store on a real server, in a process of its own, over the wire.
//
// The server is the one of wireserver, built and started by the tests on a folder of their own: FerretDB 1.24.2
// with its SQLite handler. It speaks MongoDB's wire protocol and is not MongoDB: it has no transactions, no
// retryable writes and no replica set, accepts write concern majority without one, loses concurrent updates and
// answers queries by reading whole collections, also for a document by its _id, but in the benchmarks, which give it the
// index for that (Server.IndexIDs). So the tests keep collections below a thousand documents, and
// what belongs to replica sets (step-down, a write that the majority lost) is played by connections that cut, hold
// and answer messages on command; they need a server without TLS.
//
// LINEWARDEN_TEST_MONGODB names another server, by URI: the same tests then run there. They make databases with
// random names and drop those only.
package wiretest

import (
	"bufio"
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"time"

	"go.mongodb.org/mongo-driver/v2/bson"
	"go.mongodb.org/mongo-driver/v2/mongo"
	"go.mongodb.org/mongo-driver/v2/mongo/options"
)

// Variable names another server than the one that is built and started here.
const Variable = "LINEWARDEN_TEST_MONGODB"

// serverProgram builds the server once.
var serverProgram = sync.OnceValues(func() (string, error) {
	cache, err := os.UserCacheDir()
	if err != nil {
		return "", err
	}
	dir := filepath.Join(cache, "linewarden-ci", "wireserver")
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return "", err
	}
	path := filepath.Join(dir, fmt.Sprintf("wireserver-%d", os.Getpid()))
	build := exec.Command("go", "build", "-buildvcs=false", "-o", path, ".")
	build.Dir = filepath.Join("..", "wireserver")
	if out, err := build.CombinedOutput(); err != nil {
		return "", fmt.Errorf("build the server: %w: %s", err, out)
	}
	return path, nil
})

// Server is a running server.
type Server struct {
	URI     string // without a database
	folder  string
	process *exec.Cmd // nil: a server that was there already
}

// Start gives the server of the variable, or builds and starts one on a folder. Restart needs the latter.
func Start(folder string) (*Server, error) {
	if uri := os.Getenv(Variable); uri != "" {
		return &Server{URI: uri}, nil
	}
	s := &Server{folder: folder}
	return s, s.start("127.0.0.1:0")
}

func (s *Server) start(listen string) error {
	path, err := serverProgram()
	if err != nil {
		return err
	}
	folder, err := filepath.Abs(s.folder)
	if err != nil {
		return err
	}
	s.process = exec.Command(path, "-listen", listen, "-folder", folder)
	s.process.Stderr = os.Stderr
	if _, err := s.process.StdinPipe(); err != nil {
		return err
	}
	out, err := s.process.StdoutPipe()
	if err != nil {
		return err
	}
	if err := s.process.Start(); err != nil {
		return err
	}
	line, err := bufio.NewReader(out).ReadString('\n')
	if err != nil {
		return errors.Join(fmt.Errorf("the server did not start: %w", err), s.Stop())
	}
	s.URI = strings.TrimSuffix(strings.TrimSpace(line), "/")
	return nil
}

// Own reports whether the server was started here, so that it may be killed.
func (s *Server) Own() bool { return s.process != nil }

// Addr gives host and port.
func (s *Server) Addr() string {
	u, err := url.Parse(s.URI)
	if err != nil {
		return ""
	}
	return u.Host
}

// Kill ends the server as a power cut would.
func (s *Server) Kill() error {
	if err := s.process.Process.Kill(); err != nil {
		return err
	}
	_ = s.process.Wait() // it says that it was killed
	return nil
}

// Restart starts a server that was killed again, under the same address.
func (s *Server) Restart() error { return s.start(s.Addr()) }

// Stop ends a server that was started here.
func (s *Server) Stop() error {
	if s.process == nil || s.process.ProcessState != nil {
		return nil
	}
	if err := s.process.Process.Signal(syscall.SIGTERM); err != nil {
		return err
	}
	_ = s.process.Wait() // how it ended says nothing here
	return nil
}

// RandomDatabase gives the name of a database that is not there.
func RandomDatabase() string { return "lw_test_" + strings.ToLower(rand.Text()[:16]) }

// Within puts a database into a URI.
func Within(uri, database string) (string, error) {
	u, err := url.Parse(uri)
	if err != nil {
		return "", err
	}
	u.Path = "/" + database
	return u.String(), nil
}

// databaseOf gives the database that a URI names.
func databaseOf(uri string) string {
	u, err := url.Parse(uri)
	if err != nil {
		return ""
	}
	return strings.TrimPrefix(u.Path, "/")
}

// with does something to a database that RandomDatabase named, past the store.
func with(ctx context.Context, uri, database string, do func(*mongo.Database) error) error {
	if !strings.HasPrefix(database, "lw_test_") {
		return fmt.Errorf("database %s was not made by a test", database)
	}
	client, err := mongo.Connect(options.Client().ApplyURI(uri).SetTimeout(10 * time.Second))
	if err != nil {
		return err
	}
	return errors.Join(do(client.Database(database)), client.Disconnect(ctx))
}

// Drop drops a database that RandomDatabase named.
func Drop(ctx context.Context, uri, database string) error {
	return with(ctx, uri, database, func(db *mongo.Database) error { return db.Drop(ctx) })
}

// Count gives the number of documents in a collection.
func Count(ctx context.Context, uri, database, collection string) (n int64, err error) {
	err = with(ctx, uri, database, func(db *mongo.Database) error {
		n, err = db.Collection(collection).CountDocuments(ctx, bson.D{})
		return err
	})
	return n, err
}

// Insert adds a document.
func Insert(ctx context.Context, uri, database, collection string, doc bson.D) error {
	return with(ctx, uri, database, func(db *mongo.Database) error {
		_, err := db.Collection(collection).InsertOne(ctx, doc)
		return err
	})
}

// Change sets members of one document.
func Change(ctx context.Context, uri, database, collection string, filter, members bson.D) error {
	return with(ctx, uri, database, func(db *mongo.Database) error {
		r, err := db.Collection(collection).UpdateOne(ctx, filter, bson.D{{Key: "$set", Value: members}})
		if err == nil && r.ModifiedCount != 1 {
			err = fmt.Errorf("%d documents were changed", r.ModifiedCount)
		}
		return err
	})
}

// DeleteOne removes one document.
func DeleteOne(ctx context.Context, uri, database, collection string, filter bson.D) error {
	return with(ctx, uri, database, func(db *mongo.Database) error {
		r, err := db.Collection(collection).DeleteOne(ctx, filter)
		if err == nil && r.DeletedCount != 1 {
			err = fmt.Errorf("%d documents were removed", r.DeletedCount)
		}
		return err
	})
}

// DropCollection drops one collection.
func DropCollection(ctx context.Context, uri, database, collection string) error {
	return with(ctx, uri, database, func(db *mongo.Database) error { return db.Collection(collection).Drop(ctx) })
}
