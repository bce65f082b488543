package record

import (
	"crypto/ed25519"
	"encoding/base64"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"

	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"
)

// Kinds of error of a signed checkpoint.
var (
	// ErrCheckpoint says that a text is not a signed checkpoint in its one form.
	ErrCheckpoint = errors.New("not a signed checkpoint")
	// ErrOtherKey says that a checkpoint is signed with a key not among those given.
	ErrOtherKey = errors.New("checkpoint is signed with another key")
	// ErrSignature says that the signature does not fit the checkpoint.
	ErrSignature = errors.New("signature of the checkpoint is bad")
)

// nextKeyLine begins the extension line of a checkpoint that hands over to a
// new key.
const nextKeyLine = "next key "

// Checkpoint says what the first Size records of a log were.
type Checkpoint struct {
	Site, LogID string
	Size        int64
	Root        tlog.Hash
	NextKey     string // verifier key of the next signer, only in a handover
}

// Origin is the first line of a checkpoint and the name of the keys that sign it.
func Origin(site, logID string) string { return "linewarden/" + site + "/" + logID }

// Text is the signed part of the checkpoint (C2SP tlog-checkpoint).
func (c Checkpoint) Text() string {
	text := Origin(c.Site, c.LogID) + "\n" + strconv.FormatInt(c.Size, 10) + "\n" + base64.StdEncoding.EncodeToString(c.Root[:]) + "\n"
	if c.NextKey != "" {
		text += nextKeyLine + c.NextKey + "\n"
	}
	return text
}

// ValidLogID reports whether the text can be a log id: 32 lower-case
// hexadecimal digits.
func ValidLogID(id string) bool {
	if len(id) != 32 {
		return false
	}
	for i := range len(id) {
		if lowerHex(id[i]) < 0 {
			return false
		}
	}
	return true
}

// NewLogID draws a log id from a source of randomness.
func NewLogID(random io.Reader) (string, error) {
	var b [16]byte
	if _, err := io.ReadFull(random, b[:]); err != nil {
		return "", fmt.Errorf("draw a log id: %w", err)
	}
	return hex.EncodeToString(b[:]), nil
}

// GenerateKey makes an Ed25519 key for a log: the secret in note form
// ("PRIVATE+KEY+…", keep it at mode 0600) and the verifier key that goes into
// the founding record.
func GenerateKey(random io.Reader, site, logID string) (secret, verifier string, err error) {
	if !ValidSite(site) || !ValidLogID(logID) {
		return "", "", fmt.Errorf("%w: site %q or log id %q is not valid", ErrInvalid, clip(site), clip(logID))
	}
	secret, verifier, err = note.GenerateKey(random, Origin(site, logID))
	if err != nil {
		return "", "", fmt.Errorf("make a key: %w", err)
	}
	return secret, verifier, nil
}

// Signer signs checkpoints.
type Signer struct {
	signer   note.Signer
	verifier string
}

// NewSigner reads a secret key in note form. The error never holds the secret.
func NewSigner(secret string) (*Signer, error) {
	bad := fmt.Errorf("%w: the secret key is not in the form PRIVATE+KEY+name+hash+data of an Ed25519 key", ErrInvalid)
	secret = strings.TrimSpace(secret)
	signer, err := note.NewSigner(secret)
	if err != nil {
		return nil, bad
	}
	seed, err := base64.StdEncoding.DecodeString(secret[max(0, len(secret)-44):])
	if err != nil || len(seed) != 1+ed25519.SeedSize {
		return nil, bad
	}
	public, ok := ed25519.NewKeyFromSeed(seed[1:]).Public().(ed25519.PublicKey)
	if !ok {
		return nil, bad
	}
	verifier, err := note.NewEd25519VerifierKey(signer.Name(), public)
	if err != nil {
		return nil, bad
	}
	return &Signer{signer, verifier}, nil
}

// VerifierKey is the public half, in note form.
func (s *Signer) VerifierKey() string { return s.verifier }

// Sign gives the signed note. The key must be one of the checkpoint's log.
func (s *Signer) Sign(c Checkpoint) (string, error) {
	if s.signer.Name() != Origin(c.Site, c.LogID) {
		return "", fmt.Errorf("%w: key of %q cannot sign for %q", ErrInvalid, s.signer.Name(), Origin(c.Site, c.LogID))
	}
	signed, err := note.Sign(&note.Note{Text: c.Text()}, s.signer)
	if err != nil {
		return "", fmt.Errorf("sign a checkpoint: %w", err)
	}
	return string(signed), nil
}

// ParseVerifierKey checks a verifier key in note form and gives the site and
// log id in its name.
func ParseVerifierKey(key string) (site, logID string, err error) {
	_, site, logID, err = openVerifier(key)
	return site, logID, err
}

func openVerifier(key string) (v note.Verifier, site, logID string, err error) {
	v, err = note.NewVerifier(key)
	if err != nil {
		return nil, "", "", fmt.Errorf("%w: %q is not a verifier key", ErrInvalid, clip(key))
	}
	raw, err := base64.StdEncoding.Strict().DecodeString(key[max(0, len(key)-44):])
	if err != nil || len(raw) != 1+ed25519.PublicKeySize {
		return nil, "", "", fmt.Errorf("%w: %q is not an Ed25519 verifier key", ErrInvalid, clip(key))
	}
	again, err := note.NewEd25519VerifierKey(v.Name(), raw[1:])
	site, logID, ok := parseOrigin(v.Name())
	if err != nil || again != key || !ok {
		return nil, "", "", fmt.Errorf("%w: %q is not a verifier key of a record log", ErrInvalid, clip(key))
	}
	return v, site, logID, nil
}

func parseOrigin(origin string) (site, logID string, ok bool) {
	rest, ok := strings.CutPrefix(origin, "linewarden/")
	if !ok {
		return "", "", false
	}
	site, logID, ok = strings.Cut(rest, "/")
	return site, logID, ok && ValidSite(site) && ValidLogID(logID)
}

// signed is a checkpoint taken apart, its signature not yet checked.
type signed struct {
	Checkpoint
	text, keyName string
	keyHash       uint32
	signature     []byte
}

// ParseCheckpoint reads a signed checkpoint without checking its signature. It
// takes exactly one form: one signature line, strict base64. Errors are
// ErrCheckpoint.
func ParseCheckpoint(signedNote string) (Checkpoint, error) {
	s, err := parseSigned(signedNote)
	return s.Checkpoint, err
}

func parseSigned(signedNote string) (signed, error) {
	var s signed
	text, line, ok := strings.Cut(signedNote, "\n\n")
	if !ok {
		return signed{}, fmt.Errorf("%w: no blank line before the signature", ErrCheckpoint)
	}
	s.text = text + "\n"
	if err := s.parseText(); err != nil {
		return signed{}, err
	}
	name, data, ok := strings.Cut(strings.TrimPrefix(line, "— "), " ")
	raw, err := base64.StdEncoding.Strict().DecodeString(strings.TrimSuffix(data, "\n"))
	if !ok || err != nil || len(raw) != 4+ed25519.SignatureSize {
		return signed{}, fmt.Errorf("%w: the signature line is not one Ed25519 signature", ErrCheckpoint)
	}
	s.keyName, s.keyHash, s.signature = name, binary.BigEndian.Uint32(raw), raw[4:]
	if signedNote != s.text+"\n— "+name+" "+base64.StdEncoding.EncodeToString(raw)+"\n" {
		return signed{}, fmt.Errorf("%w: more or other than one signature line follows the text", ErrCheckpoint)
	}
	return s, nil
}

func (s *signed) parseText() error {
	lines := strings.Split(strings.TrimSuffix(s.text, "\n"), "\n")
	if len(lines) == 4 && strings.HasPrefix(lines[3], nextKeyLine) {
		s.NextKey = strings.TrimPrefix(lines[3], nextKeyLine)
		if _, _, err := ParseVerifierKey(s.NextKey); err != nil {
			return fmt.Errorf("%w: next key: %w", ErrCheckpoint, err)
		}
		lines = lines[:3]
	}
	if len(lines) != 3 {
		return fmt.Errorf("%w: the text has %d lines instead of origin, size and root", ErrCheckpoint, len(lines))
	}
	var ok bool
	if s.Site, s.LogID, ok = parseOrigin(lines[0]); !ok {
		return fmt.Errorf("%w: %q is not the origin of a record log", ErrCheckpoint, clip(lines[0]))
	}
	size := cursor{s: lines[1]}
	n, err := size.integer()
	if err != nil || size.end() != nil || n < 0 {
		return fmt.Errorf("%w: %q is not a tree size", ErrCheckpoint, clip(lines[1]))
	}
	root, err := parseHash(lines[2])
	if err != nil {
		return fmt.Errorf("%w: the root is not the base64 of 32 bytes", ErrCheckpoint)
	}
	s.Size, s.Root = n, root
	if s.Text() != s.text {
		return fmt.Errorf("%w: the text is not in its one form", ErrCheckpoint)
	}
	return nil
}

// VerifyCheckpoint reads a signed checkpoint and checks its signature against
// the verifier keys given; key is the one that signed. Errors: ErrCheckpoint
// (form), ErrOtherKey, ErrSignature.
func VerifyCheckpoint(signedNote string, keys ...string) (c Checkpoint, key string, err error) {
	s, err := parseSigned(signedNote)
	if err != nil {
		return Checkpoint{}, "", err
	}
	for _, key := range keys {
		v, _, _, err := openVerifier(key)
		if err != nil {
			return Checkpoint{}, "", err
		}
		if v.Name() != s.keyName || v.KeyHash() != s.keyHash {
			continue
		}
		if !v.Verify([]byte(s.text), s.signature) {
			return s.Checkpoint, key, fmt.Errorf("%w: size %d", ErrSignature, s.Size)
		}
		if s.keyName != Origin(s.Site, s.LogID) {
			return s.Checkpoint, key, fmt.Errorf("%w: the key is of %q, the checkpoint of %q", ErrSignature, s.keyName, Origin(s.Site, s.LogID))
		}
		return s.Checkpoint, key, nil
	}
	return s.Checkpoint, "", fmt.Errorf("%w: key %s+%08x", ErrOtherKey, clip(s.keyName), s.keyHash)
}
