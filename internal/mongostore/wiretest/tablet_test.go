package wiretest

import (
	"bufio"
	"fmt"
	"net"
	"net/url"
	"strconv"
	"time"

	"github.com/google/uuid"

	"linewarden/internal/benchmark"
	"linewarden/internal/gate"
)

// tablet is a client that costs little, so that the machine's time goes to what is measured: one kept connection and
// one request at a time.
type tablet struct {
	conn    net.Conn
	in      *bufio.Reader
	head    string // request line and headers, up to the length
	request []byte
	answer  []byte
}

func (s *service) dial(base string) (*tablet, error) {
	u, err := url.Parse(base)
	if err != nil {
		return nil, err
	}
	conn, err := net.Dial("tcp", u.Host)
	if err != nil {
		return nil, err
	}
	return &tablet{conn: conn, in: bufio.NewReaderSize(conn, 16<<10), head: "POST /api/v1/readings HTTP/1.1\r\nHost: " + u.Host + "\r\nOrigin: " + base +
		"\r\nContent-Type: application/json\r\nCookie: " + s.cookie + "\r\n" + gate.FormHeader + ": " + s.form + "\r\nContent-Length: "}, nil
}

// reading sends a reading and waits until it is acknowledged.
func (t *tablet) reading(n int) error {
	id, err := uuid.NewV7()
	if err != nil {
		return err
	}
	at := time.Now().UTC().Format("2006-01-02T15:04:05.000Z")
	body := fmt.Appendf(nil, `{"id":"%s","at":"%s","at_known":"device","device":{"id":"tablet-1","clock":"%s","offset_ms":40},`+
		`"check":"bath-test","place":"bath-1","sample_point":"outlet","entries":[`+
		`{"quantity":"free_chlorine","method":"chlorine-titration","read":{"value":"%d","unit":"mg/L"}},`+
		`{"quantity":"ph","method":"ph-meter","read":{"value":"6.%02d","unit":"pH"}},`+
		`{"quantity":"temperature","method":"thermometer","read":{"value":"12.%d","unit":"°C"}},`+
		`{"quantity":"salt","method":"salt-meter","read":{"value":"30","unit":"g/L"}}]}`,
		id, at, at, 112+n%20, 62+n%20, n%10)
	t.request = append(strconv.AppendInt(append(t.request[:0], t.head...), int64(len(body)), 10), "\r\n\r\n"...)
	t.request = append(t.request, body...)
	for range 50 {
		if _, err := t.conn.Write(t.request); err != nil {
			return err
		}
		status, err := t.read()
		switch {
		case err != nil:
			return err
		case status == 201 || status == 200:
			return nil
		case status != 503: // of an instance that is busy the same reading is asked again
			return fmt.Errorf("status %d: %s", status, t.answer)
		}
		time.Sleep(20 * time.Millisecond)
	}
	return fmt.Errorf("not taken in 50 tries: %s", t.answer)
}

// read reads one answer.
func (t *tablet) read() (status int, err error) {
	status, t.answer, err = benchmark.ReadAnswer(t.in, t.answer)
	return status, err
}
