package browsertest

import (
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/gofiber/fiber/v2"

	"linewarden/internal/gate"
	site "linewarden/internal/plant"
	"linewarden/internal/web"
)

// notPages are the routes that answer with something else than a page to look at, and what that is. A new route is
// either come to by the links of the pages, stands in unlinked, or stands here.
var notPages = map[string]string{
	"/static/:name":         "a file",
	"/sw.js":                "a script",
	"/manifest.webmanifest": "a description for the browser",
	"/device/clock":         "data for a script",
	"/device/kit":           "data for a script",
	"/display/now":          "data for a script",
	"/log.csv":              "a file",
	"/log.ndjson":           "a file",
	"/readings.csv":         "a file",
	"/b/:place":             "leads on to the form of the place",
	"/scan":                 "leads on to what the label stands for",

	"/verify/linewarden-verify.html": "a file",

	// Pages that the invented plant has nothing for: nobody has begun an exercise or a recall there.
	"/exercises/:id": "of an exercise",
	"/recalls/:id":   "of a recall",
}

// pageRoutes lists the routes of a plant's pages.
func pageRoutes(t *testing.T) []string {
	t.Helper()
	s, err := web.New(web.Options{Site: new(site.Site), Gate: new(gate.Gate), Clock: time.Now})
	if err != nil {
		t.Fatal(err)
	}
	app := fiber.New()
	s.Register(app)
	var out []string
	for _, r := range app.GetRoutes(true) {
		if r.Method == fiber.MethodGet && notPages[r.Path] == "" {
			out = append(out, r.Path)
		}
	}
	if len(out) < 40 {
		t.Fatalf("only %d routes: %v", len(out), out)
	}
	slices.Sort(out)
	return slices.Compact(out)
}

var parameter = regexp.MustCompile(`:[a-z]+`)

// routeOf gives the route that serves an address, the most exact where there are several; "": none.
func routeOf(routes []string, address string) string {
	path, _, _ := strings.Cut(address, "?")
	best := ""
	for _, r := range routes {
		if r == path {
			return r
		}
		exact := regexp.MustCompile("^" + parameter.ReplaceAllString(r, "[^/]+") + "$").MatchString(path)
		if exact && (best == "" || strings.Count(r, ":") < strings.Count(best, ":")) {
			best = r
		}
	}
	return best
}
