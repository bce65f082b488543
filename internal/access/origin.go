package access

import (
	"errors"
	"net/url"
	"strings"
)

// ErrCrossSite is the refusal of a request that another site made a browser
// send (answer 403).
var ErrCrossSite = errors.New("request comes from another site")

// CrossSite refuses a request that may change something and that a browser
// sends from another origin. It goes by Sec-Fetch-Site (W3C Fetch Metadata:
// same-origin or none pass), and, from browsers that do not send it, by whether
// the host in Origin is the host asked for. A request with neither header is
// not from a browser and passes. host is what the client asked for, behind a
// trusted proxy the one it forwards.
func CrossSite(method, origin, secFetchSite, host string) error {
	switch method {
	case "GET", "HEAD", "OPTIONS":
		return nil
	}
	switch secFetchSite {
	case "same-origin", "none":
		return nil
	case "":
	default:
		return ErrCrossSite
	}
	if origin == "" {
		return nil
	}
	u, err := url.Parse(origin)
	if err != nil || u.Host == "" || !strings.EqualFold(u.Host, host) {
		return ErrCrossSite
	}
	return nil
}
