package haccp

import (
	"crypto/sha1" //nolint:gosec // UUID version 5 is defined on SHA-1 (RFC 9562 section 5.5).
	"encoding/hex"
	"strconv"
	"strings"
)

// uuid5 returns the UUID version 5 (RFC 9562 section 5.5) of the parts, in the name space of this
// project's derived ids. Parts are joined by a line feed, which none of them may hold.
func uuid5(parts ...string) string { return uuidIn(idSpace, strings.Join(parts, "\n")) }

func uuidIn(space [16]byte, name string) string {
	h := sha1.New() //nolint:gosec // see above
	h.Write(space[:])
	h.Write([]byte(name))
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

// parseUUID reads the 36 characters of a UUID; false for anything else.
func parseUUID(s string) (id [16]byte, ok bool) {
	if len(s) != 36 || s[8] != '-' || s[13] != '-' || s[18] != '-' || s[23] != '-' {
		return id, false
	}
	_, err := hex.Decode(id[:], []byte(s[0:8]+s[9:13]+s[14:18]+s[19:23]+s[24:]))
	return id, err == nil
}

// idSpace is the name space of record ids, drawn once at random and fixed for ever.
var idSpace = [16]byte{0x5e, 0x1b, 0x0f, 0x6a, 0x43, 0x9c, 0x4d, 0x27, 0x8b, 0x70, 0xd2, 0x3e, 0x91, 0x54, 0xc8, 0x0d}

// RecordID returns the id of the n-th record (from 0) of a command: the UUID version 5 of n in the name
// space of the command's id, the same as package record gives.
func RecordID(command string, n int) string {
	space, ok := parseUUID(command)
	if !ok {
		return uuid5(command, strconv.Itoa(n))
	}
	return uuidIn(space, strconv.Itoa(n))
}
