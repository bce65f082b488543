package access

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"
)

// touchEvery is how often the last use of a session is written to the store.
const touchEvery = time.Minute

// tokenBytes is the randomness in a session or device token: 256 bits.
const tokenBytes = 32

// A Session is one signed-in person on one browser or tablet.
type Session struct {
	Person string // id
	Device string // id of the enrolled device it is bound to, or empty
	Known  string // KnownPassword or KnownPIN
	Began  time.Time
	Used   time.Time
	Ends   time.Time // in any case
}

// Opened is a new session with its token, which goes into the cookie and is
// stored nowhere.
type Opened struct {
	Token string
	Session
}

type cached struct {
	Session
	touched time.Time // last use as the store has it
}

// A cache stands in front of the store, which has the last word at least once
// in touchEvery of use.
type cache struct {
	mu   sync.Mutex
	held map[string]*cached
	ends uint64 // raised by every end, so that a read begun before it is not kept
}

func randomText(n int) string {
	b := make([]byte, n)
	rand.Read(b) // never fails: crypto/rand stops the program instead
	return base64.RawURLEncoding.EncodeToString(b)
}

func tokenHash(token string) string {
	sum := sha256.Sum256([]byte(token))
	return hex.EncodeToString(sum[:])
}

// open makes a session for the person, device and way of knowing in s.
func (g *Gate) open(ctx context.Context, s Session, at time.Time) (Opened, error) {
	at = at.UTC().Truncate(time.Millisecond)
	s.Began, s.Used, s.Ends = at, at, at.Add(g.set.Longest)
	o := Opened{Token: randomText(tokenBytes), Session: s}
	err := g.Accounts.AddSession(ctx, tokenHash(o.Token), s.Person, s.Device, s.Known, s.Began, s.Ends)
	if err != nil {
		return Opened{}, fmt.Errorf("open session: %w", err)
	}
	return o, nil
}

// Check says whose session a token opens, and moves its last use. It gives
// ErrSession for a token that is unknown, altered, idle too long, past its end,
// or of a person disabled or a device revoked since. The person is as the log
// has it now.
func (g *Gate) Check(ctx context.Context, token string, at time.Time) (Session, Person, error) {
	if len(token) != base64.RawURLEncoding.EncodedLen(tokenBytes) {
		return Session{}, Person{}, ErrSession
	}
	hash := tokenHash(token)
	s, ends, err := g.find(ctx, hash)
	if err != nil {
		return Session{}, Person{}, err
	}
	p, known, ok := g.allowed(s.Session, at)
	if !known { // the session of somebody from another site to the same accounts
		return Session{}, Person{}, ErrSession
	}
	if !ok {
		if err := g.end(context.WithoutCancel(ctx), hash); err != nil {
			g.Log.Error("run-out session not ended in the store", "error", err)
		}
		return Session{}, Person{}, ErrSession
	}
	if at.After(s.Used) {
		s.Used = at
	}
	if s.Used.Sub(s.touched) >= touchEvery {
		found, err := g.Accounts.TouchSession(ctx, hash, s.Used)
		switch {
		case err != nil:
			g.Log.Error("last use of a session not written", "error", err)
		case !found:
			g.sessions.drop(hash)
			return Session{}, Person{}, ErrSession
		default:
			s.touched = s.Used
		}
	}
	g.sessions.put(hash, s, ends)
	return s.Session, p, nil
}

// find reads the cache, then the store. The number is that of the cache's ends
// before the read.
func (g *Gate) find(ctx context.Context, hash string) (cached, uint64, error) {
	s, ends, ok := g.sessions.get(hash)
	if ok {
		return s, ends, nil
	}
	var found bool
	var err error
	s.Person, s.Device, s.Known, s.Began, s.Used, s.Ends, found, err = g.Accounts.Session(ctx, hash)
	if err != nil {
		return cached{}, 0, fmt.Errorf("read session: %w", err)
	}
	if !found {
		return cached{}, 0, ErrSession
	}
	s.touched = s.Used
	return s, ends, nil
}

// allowed tells whether a session still stands; known is false where this site has no such person or device.
func (g *Gate) allowed(s Session, at time.Time) (p Person, known, ok bool) {
	p, known = g.Directory.Person(s.Person)
	if !known || p.Disabled || !at.Before(s.Ends) {
		return Person{}, known, false
	}
	idle := g.set.Idle
	if s.Device != "" {
		d, known := g.Directory.Device(s.Device)
		if !known || d.Revoked {
			return Person{}, known, false
		}
		if onlyFloor(p.Roles) {
			idle = g.set.DeviceIdle
		}
	}
	return p, true, at.Sub(s.Used) < idle
}

// onlyFloor says whether somebody has no role but those of the floor; a person
// who may decide more gets the short idle limit everywhere.
func onlyFloor(roles []Role) bool {
	return len(roles) > 0 && !slices.ContainsFunc(roles, func(r Role) bool {
		return r != Technician && r != LineLead
	})
}

// SignOut ends the session of a token; one that is not there is no error. On an
// enrolled device, where every PIN that somebody confirms a report with opens a
// session, it ends all that the person has there. Their delivery grants cover
// nothing after that moment.
func (g *Gate) SignOut(ctx context.Context, token string, at time.Time) error {
	hash := tokenHash(token)
	s, _, err := g.find(ctx, hash)
	if err != nil && !errors.Is(err, ErrSession) {
		return err
	}
	if err == nil && s.Device != "" {
		return g.endAll(ctx, s.Person, s.Device, at)
	}
	if err := g.end(ctx, hash); err != nil {
		return err
	}
	return g.endGrants(ctx, hash, "", "", at)
}

func (g *Gate) end(ctx context.Context, hash string) error {
	g.sessions.drop(hash)
	if err := g.Accounts.EndSession(ctx, hash); err != nil {
		return fmt.Errorf("end session: %w", err)
	}
	g.sessions.drop(hash) // a read that began between the two is not kept either
	return nil
}

// EndPerson ends every session of a person, as after disabling. (A disabled
// person is refused at once in any case.) Their delivery grants cover nothing
// after that moment.
func (g *Gate) EndPerson(ctx context.Context, person string, at time.Time) error {
	return g.endAll(ctx, person, "", at)
}

func (g *Gate) endAll(ctx context.Context, person, device string, at time.Time) error {
	mine := func(s Session) bool {
		return (person == "" || s.Person == person) && (device == "" || s.Device == device)
	}
	_, err := g.Accounts.EndSessions(ctx, person, device)
	g.sessions.dropIf(mine)
	if err != nil {
		return fmt.Errorf("end sessions: %w", err)
	}
	return g.endGrants(ctx, "", person, device, at)
}

func (c *cache) get(hash string) (cached, uint64, bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if s := c.held[hash]; s != nil {
		return *s, c.ends, true
	}
	return cached{}, c.ends, false
}

// put keeps what was read unless a session ended since; that costs one read of
// the store.
func (c *cache) put(hash string, s cached, ends uint64) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.ends != ends {
		return
	}
	if old := c.held[hash]; old != nil {
		if old.Used.After(s.Used) {
			s.Used = old.Used
		}
		if old.touched.After(s.touched) {
			s.touched = old.touched
		}
		*old = s
		return
	}
	fresh := s
	c.held[hash] = &fresh
}

func (c *cache) drop(hash string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	delete(c.held, hash)
	c.ends++
}

func (c *cache) dropIf(mine func(Session) bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for hash, s := range c.held {
		if mine(s.Session) {
			delete(c.held, hash)
		}
	}
	c.ends++
}

func (c *cache) sweep(at time.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for hash, s := range c.held {
		if !at.Before(s.Ends) {
			delete(c.held, hash)
		}
	}
}

// FormToken is what a page puts into its forms: a SHA-256 over the session token behind a word of its own.
// The store, which has only another hash of the token, cannot make one.
func FormToken(token string) string {
	t := formToken(token)
	return string(t[:])
}

func formToken(token string) (text [43]byte) {
	b := make([]byte, 0, 96)
	sum := sha256.Sum256(append(append(b, "linewarden form token 2\n"...), token...))
	base64.RawURLEncoding.Encode(text[:], sum[:])
	return text
}

// FormTokenMatches says, in constant time, whether a form came from a page of
// this session.
func FormTokenMatches(token, form string) bool {
	t := formToken(token)
	return token != "" && subtle.ConstantTimeCompare(t[:], []byte(form)) == 1
}
