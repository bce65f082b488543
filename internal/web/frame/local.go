package frame

import (
	"net/url"
	"strings"
)

// Local gives a path of this site, "/" for anything that could lead elsewhere.
func Local(path string) string {
	u, err := url.Parse(path)
	if err != nil || u.Host != "" || u.Scheme != "" || !strings.HasPrefix(path, "/") || strings.HasPrefix(path, "//") ||
		strings.ContainsAny(path, "\\\r\n") {
		return "/"
	}
	return path
}
