package record

import (
	"crypto/sha1" //nolint:gosec // RFC 9562 defines version 5 with SHA-1.
	"encoding/hex"
	"fmt"
	"strconv"
)

// UUID is a 128-bit id (RFC 9562). The zero value means "none".
type UUID [16]byte

// IsZero reports whether the id is the zero value.
func (u UUID) IsZero() bool { return u == UUID{} }

// String gives the lower-case text form.
func (u UUID) String() string { return string(u.appendText(make([]byte, 0, 36))) }

func (u UUID) appendText(dst []byte) []byte {
	dst = hex.AppendEncode(dst, u[0:4])
	dst = append(dst, '-')
	dst = hex.AppendEncode(dst, u[4:6])
	dst = append(dst, '-')
	dst = hex.AppendEncode(dst, u[6:8])
	dst = append(dst, '-')
	dst = hex.AppendEncode(dst, u[8:10])
	dst = append(dst, '-')
	return hex.AppendEncode(dst, u[10:16])
}

// MarshalText gives the lower-case text form.
func (u UUID) MarshalText() ([]byte, error) { return u.appendText(nil), nil }

// UnmarshalText reads the lower-case text form.
func (u *UUID) UnmarshalText(b []byte) error {
	v, err := ParseUUID(string(b))
	if err != nil {
		return err
	}
	*u = v
	return nil
}

// ParseUUID reads the lower-case text form with its four hyphens and nothing
// else; anything else, the all-zero id too, is ErrInvalid.
func ParseUUID(s string) (UUID, error) {
	var u UUID
	if len(s) != 36 || s[8] != '-' || s[13] != '-' || s[18] != '-' || s[23] != '-' {
		return UUID{}, fmt.Errorf("%w: %q is not a UUID", ErrInvalid, clip(s))
	}
	for k, i := range uuidDigits {
		hi, lo := lowerHex(s[i]), lowerHex(s[i+1])
		if hi < 0 || lo < 0 {
			return UUID{}, fmt.Errorf("%w: %q is not a UUID in lower case", ErrInvalid, clip(s))
		}
		u[k] = byte(hi<<4 | lo)
	}
	if u.IsZero() {
		return UUID{}, fmt.Errorf("%w: a UUID of zeros stands for none", ErrInvalid)
	}
	return u, nil
}

// uuidDigits says where the digits of each byte stand in the text.
var uuidDigits = [16]int{0, 2, 4, 6, 9, 11, 14, 16, 19, 21, 24, 26, 28, 30, 32, 34}

func lowerHex(c byte) int {
	switch {
	case c >= '0' && c <= '9':
		return int(c - '0')
	case c >= 'a' && c <= 'f':
		return int(c-'a') + 10
	}
	return -1
}

// UUIDv5 is the name-based id of RFC 9562 section 5.5.
func UUIDv5(namespace UUID, name string) UUID {
	buf := make([]byte, 0, 96)
	buf = append(buf, namespace[:]...)
	buf = append(buf, name...)
	sum := sha1.Sum(buf) //nolint:gosec // RFC 9562 defines version 5 with SHA-1.
	var u UUID
	copy(u[:], sum[:16])
	u[6] = u[6]&0x0f | 0x50
	u[8] = u[8]&0x3f | 0x80
	return u
}

// RecordID is the id of the record with this ordinal (from 0) of a command.
func RecordID(command UUID, ordinal int) UUID {
	return UUIDv5(command, strconv.Itoa(ordinal))
}

// DerivedID is the id of a thing that is fixed by its parts, for example site,
// kind, check, place and due time. The parts are joined as a canonical JSON
// array, so that no two lists of parts have the same name.
func DerivedID(namespace UUID, parts ...string) UUID {
	name := []byte{'['}
	for i, p := range parts {
		if i > 0 {
			name = append(name, ',')
		}
		name = AppendString(name, p)
	}
	return UUIDv5(namespace, string(append(name, ']')))
}

// SiteNamespace is the namespace of the ids that are derived within a site. It
// is UUIDv5 of the URL namespace of RFC 9562 and "linewarden:<site>".
func SiteNamespace(site string) UUID {
	return UUIDv5(namespaceURL, "linewarden:"+site)
}

// namespaceURL is the URL namespace of RFC 9562 section 6.6.
var namespaceURL = UUID{0x6b, 0xa7, 0xb8, 0x11, 0x9d, 0xad, 0x11, 0xd1, 0x80, 0xb4, 0x00, 0xc0, 0x4f, 0xd4, 0x30, 0xc8}

// clip shortens a text for an error message.
func clip(s string) string {
	if len(s) > 60 {
		return s[:60] + "…"
	}
	return s
}
