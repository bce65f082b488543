package benchmark_test

import (
	"bufio"
	"fmt"
	"math/rand/v2"
	"net"
	"strconv"
	"testing"
	"time"

	"linewarden/internal/benchmark"
)

// client is one tablet: one kept connection, one person, one request at a time.
type client struct {
	conn   net.Conn
	in     *bufio.Reader
	head   string // request line and headers, up to the length
	rand   *rand.Rand
	n      int
	tablet int
	// scattered has single readings outside among others inside at the same moment, so that every one of them
	// opens a case of its own; no water does that, but it is the hardest for the rules.
	scattered bool
	request   []byte // the last one
	body      []byte
	answer    []byte
}

// dialTo connects a client that posts to a path with some headers, each ended by CR LF.
func dialTo(tb testing.TB, addr, path, headers string, n int) *client {
	tb.Helper()
	conn, err := net.Dial("tcp", addr)
	if err != nil {
		tb.Fatal(err)
	}
	return &client{conn: conn, in: bufio.NewReaderSize(conn, 16<<10), tablet: n, rand: rand.New(rand.NewPCG(uint64(n), 7)),
		head: "POST " + path + " HTTP/1.1\r\nHost: " + addr + "\r\nContent-Type: application/json\r\n" + headers + "Content-Length: "}
}

func (c *client) close() { _ = c.conn.Close() }

// reading sends a reading, or once in a while the last one again, and waits for the answer. Fresh tells that
// it was a new one.
func (c *client) reading() (fresh bool, err error) {
	c.n++
	fresh = c.n%repeatOf != 0
	if fresh {
		c.fill(time.Now())
		c.request = append(strconv.AppendInt(append(c.request[:0], c.head...), int64(len(c.body)), 10), "\r\n\r\n"...)
		c.request = append(c.request, c.body...)
	}
	if _, err := c.conn.Write(c.request); err != nil {
		return false, err
	}
	status, err := c.read()
	if err != nil {
		return false, err
	}
	if status != 201 && (fresh || status != 200) {
		return false, fmt.Errorf("status %d: %s\n%s", status, c.answer, c.body)
	}
	return fresh, nil
}

// read reads one answer.
func (c *client) read() (status int, err error) {
	status, c.answer, err = benchmark.ReadAnswer(c.in, c.answer)
	return status, err
}

const clockLayout = "2006-01-02T15:04:05.000Z"

// fill writes the body of a reading of one of three checks.
func (c *client) fill(now time.Time) {
	at := now.UTC().Format(clockLayout)
	outside := now.UnixMilli()%(outsideFor*outsideOf) < outsideFor
	if c.scattered {
		outside = c.rand.IntN(outsideOf) == 0
	}
	b := append(c.body[:0], `{"id":"`...)
	b = c.appendUUID(b, now)
	b = fmt.Appendf(b, `","at":"%s","at_known":"device","device":{"id":"tablet-%d","clock":"%s","offset_ms":40},`, at, c.tablet, at)
	switch c.n % 3 {
	case 0:
		chlorine := 112 + c.rand.IntN(26)
		if outside {
			chlorine = 90
		}
		b = fmt.Appendf(b, `"check":"bath-test","place":"bath-%d","sample_point":"outlet","entries":[`+
			`{"quantity":"free_chlorine","method":"chlorine-titration","read":{"value":"%d","unit":"mg/L"}},`+
			`{"quantity":"ph","method":"ph-meter","read":{"value":"6.%02d","unit":"pH"}},`+
			`{"quantity":"temperature","method":"thermometer","read":{"value":"1%d.%d","unit":"°C"}},`+
			`{"quantity":"salt","method":"salt-meter","read":{"value":"%d","unit":"g/L"}}]}`,
			1+c.rand.IntN(2), chlorine, 62+c.rand.IntN(26), c.rand.IntN(10), c.rand.IntN(10), 25+c.rand.IntN(10))
	case 1:
		strength := 60 + c.rand.IntN(30)
		if outside {
			strength = 40
		}
		b = fmt.Appendf(b, `"check":"hand-dip-test","place":"hand-dip","entries":[{"quantity":"free_chlorine","method":"chlorine-strip",`+
			`"read":{"value":"%d","unit":"ppm"}}]}`, strength)
	default:
		degrees := c.rand.IntN(4)
		if outside {
			degrees = 6
		}
		b = fmt.Appendf(b, `"check":"cold-room-check","place":"cold-room","entries":[{"quantity":"temperature","method":"thermometer",`+
			`"read":{"value":"%d.%d","unit":"°C"}}]}`, degrees, c.rand.IntN(10))
	}
	c.body = b
}

// appendUUID writes a UUID of version 7 (RFC 9562 section 5.7), as a tablet makes them.
func (c *client) appendUUID(b []byte, now time.Time) []byte {
	ms, r, s := uint64(now.UnixMilli()), c.rand.Uint64(), c.rand.Uint64()
	return fmt.Appendf(b, "%08x-%04x-7%03x-%04x-%012x", ms>>16, ms&0xffff, r&0xfff, 0x8000|s>>50, s&0xffffffffffff)
}
