package access

import (
	"crypto/rand"
	"crypto/subtle"
	"encoding/base64"
	"errors"
	"fmt"
	"strconv"
	"strings"

	"golang.org/x/crypto/argon2"
)

// Params are the costs of an argon2id hash (RFC 9106).
type Params struct {
	Memory  uint32 // KiB
	Time    uint32 // passes
	Threads uint8  // lanes
}

// DefaultParams is the minimum of the OWASP Password Storage Cheat Sheet for
// argon2id: 19 MiB, two passes, one lane.
var DefaultParams = Params{Memory: 19 * 1024, Time: 2, Threads: 1}

// maxParams bounds what a stored hash may ask of this machine.
var maxParams = Params{Memory: 1 << 20, Time: 16, Threads: 16}

const (
	saltBytes = 16
	keyBytes  = 32
)

// String writes the costs as they stand in a hash.
func (p Params) String() string {
	return fmt.Sprintf("m=%d,t=%d,p=%d", p.Memory, p.Time, p.Threads)
}

func (p Params) under(q Params) bool {
	return p.Memory < q.Memory || p.Time < q.Time || p.Threads < q.Threads
}

// hash returns the PHC string of a secret with a fresh salt.
func (p Params) hash(secret string) (string, error) {
	salt := make([]byte, saltBytes)
	if _, err := rand.Read(salt); err != nil {
		return "", fmt.Errorf("draw salt: %w", err)
	}
	return p.hashWith(secret, salt), nil
}

func (p Params) hashWith(secret string, salt []byte) string {
	key := argon2.IDKey([]byte(secret), salt, p.Time, p.Memory, p.Threads, keyBytes)
	return phc{p, salt, key}.String()
}

// A phc is one hash in PHC string form:
// $argon2id$v=19$m=…,t=…,p=…$salt$key, base64 without padding.
type phc struct {
	Params
	salt, key []byte
}

func (h phc) String() string {
	enc := base64.RawStdEncoding
	return fmt.Sprintf("$argon2id$v=%d$%s$%s$%s", argon2.Version, h.Params, enc.EncodeToString(h.salt), enc.EncodeToString(h.key))
}

var errPHC = errors.New("stored hash is damaged")

// parsePHC reads a hash strictly: one that is not byte for byte what String
// writes is refused, and so is one that asks for more than maxParams.
func parsePHC(s string) (phc, error) {
	f := strings.Split(s, "$")
	if len(f) != 6 || f[0] != "" || f[1] != "argon2id" {
		return phc{}, fmt.Errorf("%w: not an argon2id PHC string", errPHC)
	}
	var h phc
	var err error
	if h.Params, err = parseParams(f[3]); err != nil {
		return phc{}, err
	}
	enc := base64.RawStdEncoding.Strict()
	if h.salt, err = enc.DecodeString(f[4]); err != nil || len(h.salt) < 8 {
		return phc{}, fmt.Errorf("%w: salt", errPHC)
	}
	if h.key, err = enc.DecodeString(f[5]); err != nil || len(h.key) < 16 || len(h.key) > 64 {
		return phc{}, fmt.Errorf("%w: key", errPHC)
	}
	if h.String() != s {
		return phc{}, fmt.Errorf("%w: not in its one form", errPHC)
	}
	return h, nil
}

func parseParams(s string) (Params, error) {
	var n [3]uint64
	f := strings.Split(s, ",")
	if len(f) != len(n) {
		return Params{}, fmt.Errorf("%w: costs", errPHC)
	}
	for i, name := range []string{"m=", "t=", "p="} {
		digits, ok := strings.CutPrefix(f[i], name)
		v, err := strconv.ParseUint(digits, 10, 32)
		if !ok || err != nil {
			return Params{}, fmt.Errorf("%w: costs", errPHC)
		}
		n[i] = v
	}
	m := maxParams
	if n[0] < 8 || n[0] > uint64(m.Memory) || n[1] < 1 || n[1] > uint64(m.Time) || n[2] < 1 || n[2] > uint64(m.Threads) {
		return Params{}, fmt.Errorf("%w: costs out of range", errPHC)
	}
	return Params{Memory: uint32(n[0]), Time: uint32(n[1]), Threads: uint8(n[2])}, nil
}

// matches says whether the secret gives the key, in constant time.
func (h phc) matches(secret string) bool {
	key := argon2.IDKey([]byte(secret), h.salt, h.Time, h.Memory, h.Threads, uint32(len(h.key)))
	return subtle.ConstantTimeCompare(key, h.key) == 1
}
