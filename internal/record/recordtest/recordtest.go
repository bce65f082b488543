// Package recordtest holds the contract that every store of record logs must
// keep, a store that fails on command, and the making of small logs for tests.
package recordtest

import (
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"io"
	"time"

	"linewarden/internal/record"
)

// Start is the time of the first record of a made log.
var Start = time.Date(2026, 1, 5, 6, 0, 0, 0, time.UTC)

// Random gives an endless stream of bytes that depends on the seed only.
func Random(seed string) io.Reader { return &random{state: sha256.Sum256([]byte(seed))} }

type random struct {
	state [32]byte
	rest  []byte
}

// Read implements io.Reader.
func (r *random) Read(p []byte) (int, error) {
	n := 0
	for n < len(p) {
		if len(r.rest) == 0 {
			r.state = sha256.Sum256(r.state[:])
			out := sha256.Sum256(append([]byte("out"), r.state[:]...))
			r.rest = out[:]
		}
		k := copy(p[n:], r.rest)
		r.rest = r.rest[k:]
		n += k
	}
	return n, nil
}

// Keys are the keys of a made log.
type Keys struct {
	Site, LogID string
	Signer      *record.Signer
}

// NewKeys makes the key of a log from a seed. The same seed gives the same log
// id whatever the generation, and another key for each generation.
func NewKeys(site, seed string, generation int) (Keys, error) {
	logID, err := record.NewLogID(Random("log" + seed))
	if err != nil {
		return Keys{}, err
	}
	secret, _, err := record.GenerateKey(Random(fmt.Sprint("key", generation, seed)), site, logID)
	if err != nil {
		return Keys{}, err
	}
	signer, err := record.NewSigner(secret)
	return Keys{Site: site, LogID: logID, Signer: signer}, err
}

// Checkpoint signs the tree with the key.
func (k Keys) Checkpoint(tree *record.Tree) (string, error) {
	return k.Signer.Sign(record.Checkpoint{Site: k.Site, LogID: k.LogID, Size: tree.Size(), Root: tree.Root()})
}

// Founding gives the founding record of the key's log.
func (k Keys) Founding() (record.Envelope, error) {
	f := record.Founding{Site: k.Site, Name: "Invented plant", LogID: k.LogID, Format: record.FormatVersion, Key: k.Signer.VerifierKey(), Demo: true}
	by := record.Person{Known: record.KnownConsole}
	return record.FoundingRecord(f, record.UUIDv5(record.UUID{}, "found "+k.Site), by, Start)
}

// Note gives the n-th note of a made log (n from 0); it has four keys.
func Note(site string, n int) record.Envelope {
	command := record.DerivedID(record.SiteNamespace(site), "note", fmt.Sprint(n))
	at := Start.Add(time.Duration(n) * time.Second)
	hash := sha256.Sum256(command[:])
	body, err := json.Marshal(map[string]any{"text": fmt.Sprintf("Note %d: bath “B” tested.\n", n)})
	if err != nil {
		panic(err)
	}
	if body, err = record.Canonical(body); err != nil {
		panic(err)
	}
	return record.Envelope{
		V: 1, Site: site, ID: record.RecordID(command, 0), Command: command, CommandHash: hash, Kind: "note",
		At: at, AtKnown: record.AtDevice, RecordedAt: at.Add(150 * time.Millisecond),
		Device: &record.Device{ID: "tablet-1", Clock: at.Add(2 * time.Second), OffsetMS: 2000},
		By:     &record.Person{ID: "person-3", Name: "Ana Invented", Role: "technician", Known: record.KnownPIN},
		About: record.SortAbout([]string{
			"check:bath-test", fmt.Sprint("place:bath-", n%2+1), fmt.Sprint("series:free-cl@bath-", n%2+1), fmt.Sprint("lot:", n/50),
		}),
		Body: body,
	}
}

// Full is an envelope with every member, record 8 of a made log.
func Full() record.Envelope {
	e := Note("north", 7)
	e.Seq = 8
	e.Until = e.At.Add(time.Hour)
	e.ServerClock = e.RecordedAt.Add(-3 * time.Millisecond)
	e.LateReason = "tablet was offline \"again\""
	e.Amends = Note("north", 3).ID
	e.Findings = []record.Finding{{Code: "clock.offset", Data: map[string]string{"offset_ms": "150000", "ä": "\n", "😀": "", "\ufb33": "x"}}, {Code: "lot.unknown"}}
	return e
}
