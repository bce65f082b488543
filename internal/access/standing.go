package access

import (
	"context"
	"encoding/base64"
	"errors"
	"time"
)

// Standing says whether a token opens a session, and does not move its last use: whoever only watches is not at work. An
// error says that the store could not be asked.
func (g *Gate) Standing(ctx context.Context, token string, at time.Time) (bool, error) {
	if len(token) != base64.RawURLEncoding.EncodedLen(tokenBytes) {
		return false, nil
	}
	s, _, err := g.find(ctx, tokenHash(token))
	if errors.Is(err, ErrSession) {
		return false, nil
	}
	if err != nil {
		return false, err
	}
	_, known, ok := g.allowed(s.Session, at)
	return known && ok, nil
}

// Endings counts what may have ended a session here: it has changed since another reading only where one may have.
func (g *Gate) Endings() uint64 {
	g.sessions.mu.Lock()
	defer g.sessions.mu.Unlock()
	return g.sessions.ends
}
