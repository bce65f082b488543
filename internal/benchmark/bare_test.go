package benchmark_test

import (
	"database/sql"
	"net"
	"path/filepath"
	"testing"
	"time"

	"github.com/gofiber/fiber/v2"
	_ "modernc.org/sqlite" // the database/sql driver named sqlite
)

// bareReading is the body as the bare handler parses it.
type bareReading struct {
	ID      string    `json:"id"`
	At      time.Time `json:"at"`
	AtKnown string    `json:"at_known"`
	Device  struct {
		ID       string    `json:"id"`
		Clock    time.Time `json:"clock"`
		OffsetMS int64     `json:"offset_ms"`
	} `json:"device"`
	Check       string `json:"check"`
	Place       string `json:"place"`
	SamplePoint string `json:"sample_point"`
	Entries     []struct {
		Quantity string `json:"quantity"`
		Method   string `json:"method"`
		Read     struct {
			Value string `json:"value"`
			Unit  string `json:"unit"`
		} `json:"read"`
	} `json:"entries"`
}

// bare is the service to compare with: it parses a body and appends it to one table, and does nothing else.
// One goroutine writes; it takes what waits into one transaction, as ours does.
type bare struct {
	app   *fiber.App
	db    *sql.DB
	addr  string
	inbox chan bareJob
	ended chan error
}

type bareJob struct {
	id   string
	body []byte
	done chan error
}

const bareBatch = 500

func startBare(tb testing.TB) side {
	tb.Helper()
	path := filepath.Join(tb.TempDir(), "bare.db")
	db, err := sql.Open("sqlite", "file:"+path+"?_txlock=immediate&_pragma=journal_mode(wal)&_pragma=synchronous(full)&_pragma=busy_timeout(5000)")
	if err != nil {
		tb.Fatal(err)
	}
	db.SetMaxOpenConns(1)
	// A repeated id is acknowledged and kept once, as with us: else the two would not do the same.
	if _, err := db.Exec(`CREATE TABLE reading (id TEXT PRIMARY KEY, body TEXT NOT NULL) STRICT, WITHOUT ROWID`); err != nil {
		tb.Fatal(err)
	}
	s := &bare{db: db, inbox: make(chan bareJob, 4096), ended: make(chan error, 1)}
	go func() { s.ended <- s.write() }()
	s.app = fiber.New(fiber.Config{DisableStartupMessage: true})
	s.app.Post("/readings", s.post)
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		tb.Fatal(err)
	}
	s.addr = l.Addr().String()
	go func() { _ = s.app.Listener(l) }()
	return s
}

func (s *bare) post(c *fiber.Ctx) error {
	var r bareReading
	if err := c.BodyParser(&r); err != nil {
		return err
	}
	done := make(chan error, 1)
	s.inbox <- bareJob{r.ID, append([]byte(nil), c.Body()...), done}
	if err := <-done; err != nil {
		return err
	}
	return c.SendStatus(fiber.StatusCreated)
}

func (s *bare) write() error {
	insert, err := s.db.Prepare(`INSERT INTO reading (id, body) VALUES (?, ?) ON CONFLICT DO NOTHING`)
	if err != nil {
		return err
	}
	defer insert.Close()
	for first := range s.inbox {
		jobs := []bareJob{first}
	waiting:
		for len(jobs) < bareBatch {
			select {
			case j, open := <-s.inbox:
				if !open {
					break waiting
				}
				jobs = append(jobs, j)
			default:
				break waiting
			}
		}
		err := s.commit(insert, jobs)
		for _, j := range jobs {
			j.done <- err
		}
	}
	return nil
}

func (s *bare) commit(insert *sql.Stmt, jobs []bareJob) error {
	tx, err := s.db.Begin()
	if err != nil {
		return err
	}
	defer tx.Rollback()
	in := tx.Stmt(insert) //nolint:sqlclosecheck // closed with its transaction
	for _, j := range jobs {
		if _, err := in.Exec(j.id, string(j.body)); err != nil {
			return err
		}
	}
	return tx.Commit()
}

func (s *bare) dial(tb testing.TB, n int) *client { return dialTo(tb, s.addr, "/readings", "", n) }

func (s *bare) stop(tb testing.TB) (n int) {
	tb.Helper()
	if err := s.app.Shutdown(); err != nil {
		tb.Error(err)
	}
	close(s.inbox)
	if err := <-s.ended; err != nil {
		tb.Error(err)
	}
	if err := s.db.QueryRow(`SELECT count(*) FROM reading`).Scan(&n); err != nil {
		tb.Error(err)
	}
	if err := s.db.Close(); err != nil {
		tb.Error(err)
	}
	return n
}
