package access

import (
	"encoding/base64"
	"encoding/hex"
	"strings"
	"testing"
)

// Hashes of the password "password" with the salt "somesalt". The first three
// are in the tests of golang.org/x/crypto/argon2 v0.59.0, which had them from
// the program of the reference implementation; the last is of that
// implementation's own tests, from memory. (The vector of RFC
// 9106 section 5.3 has a secret and associated data, which PHC hashes have not.)
var references = []struct {
	params Params
	key    string // hex
}{
	{Params{64, 1, 1}, "655ad15eac652dc59f7170a7332bf49b8469be1fdb9c28bb"},
	{Params{64, 2, 1}, "068d62b26455936aa6ebe60060b0a65870dbfa3ddf8d41f7"},
	{Params{64, 2, 2}, "350ac37222f436ccb5c0972f1ebd3bf6b958bf2071841362"},
	{Params{65536, 2, 1}, "09316115d5cf24ed5a15a31a3ba326e5cf32edc24702987c02b6566f61913cf7"},
}

func TestHashesOfTheReferenceImplementation(t *testing.T) {
	for _, r := range references {
		key, err := hex.DecodeString(r.key)
		if err != nil {
			t.Fatal(err)
		}
		s := "$argon2id$v=19$" + r.params.String() + "$c29tZXNhbHQ$" + base64.RawStdEncoding.EncodeToString(key)
		h, err := parsePHC(s)
		if err != nil {
			t.Errorf("%s: %v", s, err)
			continue
		}
		if h.Params != r.params || string(h.salt) != "somesalt" {
			t.Errorf("%s: read as %v with salt %q", s, h.Params, h.salt)
		}
		if !h.matches("password") {
			t.Errorf("%s: does not match its password", s)
		}
		if h.matches("Password") || h.matches("") {
			t.Errorf("%s: matches another password", s)
		}
		if len(h.key) == keyBytes && r.params.hashWith("password", h.salt) != s {
			t.Errorf("%s: hashed again as %s", s, r.params.hashWith("password", h.salt))
		}
	}
}

func TestHashIsSalted(t *testing.T) {
	p := Params{8, 1, 1}
	a, err := p.hash("the same words")
	if err != nil {
		t.Fatal(err)
	}
	b, err := p.hash("the same words")
	if err != nil {
		t.Fatal(err)
	}
	if a == b {
		t.Error("two hashes of one password are the same")
	}
}

const good = "$argon2id$v=19$m=65536,t=2,p=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc"

func TestDamagedHashIsRefused(t *testing.T) {
	for _, s := range []string{
		"", "password", "$", good[1:], good + "$", good + "=",
		strings.Replace(good, "argon2id", "argon2i", 1),
		strings.Replace(good, "v=19", "v=16", 1),
		strings.Replace(good, "m=65536,", "", 1),
		strings.Replace(good, "m=65536", "m=065536", 1),
		strings.Replace(good, "m=65536", "m=+65536", 1),
		strings.Replace(good, "m=65536", "m=4294967295", 1),
		strings.Replace(good, "m=65536", "m=7", 1),
		strings.Replace(good, "t=2", "t=0", 1),
		strings.Replace(good, "t=2", "t=1000000", 1),
		strings.Replace(good, "p=1", "p=257", 1),
		strings.Replace(good, "p=1", "p=0", 1),
		strings.Replace(good, "t=2,p=1", "p=1,t=2", 1),
		strings.Replace(good, "c29tZXNhbHQ", "c29t", 1),
		strings.Replace(good, "c29tZXNhbHQ", "c29tZXNhbHR", 1), // bits left over
		strings.Replace(good, "PPc", "P!c", 1),
		good[:len(good)-30],
	} {
		if h, err := parsePHC(s); err == nil {
			t.Errorf("%q was read as %v", s, h)
		}
	}
}

func FuzzParsePHC(f *testing.F) {
	f.Add(good)
	f.Add("$argon2id$v=19$m=8,t=1,p=1$$")
	f.Fuzz(func(t *testing.T, s string) {
		h, err := parsePHC(s)
		if err == nil && (h.String() != s || h.Memory > maxParams.Memory) {
			t.Errorf("%q was read as %s", s, h)
		}
	})
}
