package assets

import (
	"compress/gzip"
	"embed"
	"io"
	"net/http/httptest"
	"testing"

	"github.com/gofiber/fiber/v2"
)

//go:embed testdata
var files embed.FS

// A file comes packed to whoever takes that, and is the same either way.
func TestServe(t *testing.T) {
	s, err := Read(files, "testdata")
	if err != nil {
		t.Fatal(err)
	}
	app := fiber.New()
	app.Get("/:name", s.Serve)
	want, err := files.ReadFile("testdata/a.css")
	if err != nil {
		t.Fatal(err)
	}
	for _, accept := range []string{"", "gzip, br", "br", "gzip;q=0"} {
		r := httptest.NewRequest("GET", "/"+s.Names["a.css"], nil)
		r.Header.Set("Accept-Encoding", accept)
		res, err := app.Test(r, -1)
		if err != nil {
			t.Fatal(err)
		}
		defer res.Body.Close()
		body := io.Reader(res.Body)
		packed := res.Header.Get("Content-Encoding") == "gzip"
		if packed != (accept == "gzip, br") || res.Header.Get("Vary") == "" {
			t.Errorf("accepting %q: packed %v, vary %q", accept, packed, res.Header.Get("Vary"))
		}
		if packed {
			if body, err = gzip.NewReader(body); err != nil {
				t.Fatal(err)
			}
		}
		got, err := io.ReadAll(body)
		if err != nil || string(got) != string(want) {
			t.Errorf("accepting %q: %q, %v", accept, got, err)
		}
	}
	r, err := app.Test(httptest.NewRequest("GET", "/a.css", nil), -1)
	if err != nil || r.StatusCode != 404 {
		t.Errorf("a name without its hash: %v, %v", r, err)
	}
	_ = r.Body.Close()
}
