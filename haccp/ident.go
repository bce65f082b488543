package haccp

import (
	"crypto/sha1" //nolint:gosec // UUID version 5 is defined on SHA-1 (RFC 9562 section 5.5).
	"encoding/hex"
	"strconv"
	"strings"
)

// uuid5 returns the UUID version 5 (RFC 9562 section 5.5) of the parts, in the name space of this
// project's record ids. Parts are joined by a line feed, which none of them may hold.
func uuid5(parts ...string) string {
	h := sha1.New() //nolint:gosec // see above
	h.Write(idSpace[:])
	h.Write([]byte(strings.Join(parts, "\n")))
	b := h.Sum(nil)[:16]
	b[6] = b[6]&0x0f | 0x50
	b[8] = b[8]&0x3f | 0x80
	var d [36]byte
	hex.Encode(d[0:8], b[0:4])
	hex.Encode(d[9:13], b[4:6])
	hex.Encode(d[14:18], b[6:8])
	hex.Encode(d[19:23], b[8:10])
	hex.Encode(d[24:], b[10:])
	d[8], d[13], d[18], d[23] = '-', '-', '-', '-'
	return string(d[:])
}

// idSpace is the name space of record ids, drawn once at random and fixed for ever.
var idSpace = [16]byte{0x5e, 0x1b, 0x0f, 0x6a, 0x43, 0x9c, 0x4d, 0x27, 0x8b, 0x70, 0xd2, 0x3e, 0x91, 0x54, 0xc8, 0x0d}

// RecordID returns the id of the n-th record (from 0) of a command.
func RecordID(command string, n int) string { return uuid5(command, strconv.Itoa(n)) }
