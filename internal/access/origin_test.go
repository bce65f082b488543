package access

import "testing"

// The values of Sec-Fetch-Site are those of W3C Fetch Metadata, section 2.4.
func TestCrossSite(t *testing.T) {
	const host = "plant.example:8443"
	for _, c := range []struct {
		method, origin, site, host string
		ok                         bool
	}{
		{"GET", "https://evil.example", "cross-site", host, true},
		{"HEAD", "https://evil.example", "cross-site", host, true},
		{"OPTIONS", "https://evil.example", "cross-site", host, true},
		{"POST", "https://plant.example:8443", "same-origin", host, true},
		{"POST", "", "same-origin", host, true},
		{"POST", "", "none", host, true},
		{"POST", "https://evil.example", "cross-site", host, false},
		{"POST", "https://plant.example:8443", "cross-site", host, false},
		{"DELETE", "https://other.plant.example", "same-site", host, false},
		{"POST", "", "cross-site", host, false},
		{"POST", "", "unheard-of", host, false},
		{"POST", "", "Same-Origin", host, false},
		{"POST", "https://plant.example:8443", "", host, true},
		{"PUT", "https://PLANT.example:8443", "", host, true},
		{"POST", "https://plant.example", "", host, false},
		{"POST", "https://plant.example:8443.evil.example", "", host, false},
		{"POST", "null", "", host, false},
		{"POST", "https://", "", host, false},
		{"POST", "://", "", host, false},
		{"POST", "https://evil.example", "", host, false},
		{"PATCH", "https://evil.example", "", "", false},
		{"get", "https://evil.example", "", host, false},
		{"POST", "", "", host, true}, // no browser
	} {
		if err := CrossSite(c.method, c.origin, c.site, c.host); (err == nil) != c.ok {
			t.Errorf("%s from %q, %q: %v; want passed %v", c.method, c.origin, c.site, err, c.ok)
		}
	}
}
