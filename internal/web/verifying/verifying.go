// Package verifying serves the page on which anybody checks an exported record log in the browser.
//
// The file is read by a script on the page and is sent nowhere. The same page can be saved as one file, which works from a
// disk without any server: whoever does not trust the plant's server keeps a copy from elsewhere. The script gives the same
// answers, in the same words, as the command line; they are held against each other over damaged files.
package verifying

import (
	"crypto/sha256"
	"fmt"
	"html/template"

	"github.com/gofiber/fiber/v2"

	"linewarden/internal/gate"
	"linewarden/internal/record/evidence"
	"linewarden/internal/web/frame"
)

// Verifying serves the page. All members are required.
type Verifying struct {
	Pages frame.Pages
	Gate  *gate.Gate
	// Text gives the content of a static file.
	Text func(name string) string
}

// SavedAs is the name of the page as one file.
const SavedAs = "linewarden-verify.html"

// scripts run in this order.
var scripts = []string{"canon.js", "evidence.js", "verify.js", "verifypage.js"}

// Kinds are the kinds of fault that a check of an export can find.
func Kinds() []evidence.FaultKind {
	return []evidence.FaultKind{evidence.FaultHeader, evidence.FaultRecord, evidence.FaultReplaced, evidence.FaultCut, evidence.FaultCheckpoint,
		evidence.FaultSignature, evidence.FaultOtherKey, evidence.FaultSince}
}

// Register adds the routes. The page is for everybody: it shows nothing of the plant.
func (v *Verifying) Register(app fiber.Router) {
	app.Get("/verify", v.show)
	app.Get("/verify/"+SavedAs, v.save)
}

// Page is the page, within the frame of the others.
type Page struct {
	*frame.Frame
	Scripts []string
	SavedAs string
	Sum     string // SHA-256 of the page as one file, in this language
}

// file is the page as one file.
type file struct {
	*frame.Frame
	Style  template.CSS
	Script template.JS
}

func (v *Verifying) show(c *fiber.Ctx) error {
	w, err := v.Gate.Who(c)
	if err != nil {
		return err
	}
	f := v.Pages.Frame(c, w)
	text, err := v.text(f)
	if err != nil {
		return err
	}
	p := &Page{Frame: f, Scripts: scripts, SavedAs: SavedAs, Sum: fmt.Sprintf("%x", sha256.Sum256([]byte(text)))}
	return v.Pages.Show(c, fiber.StatusOK, "verify", f.T("verify.title"), p)
}

// text gives the page as one file. It depends on the language only, so that its hash may be compared between plants.
func (v *Verifying) text(f *frame.Frame) (string, error) {
	p := &file{Frame: &frame.Frame{Lang: f.Lang, Title: f.T("verify.title")}, Style: template.CSS(v.Text("site.css"))} //nolint:gosec // our own file
	for _, name := range scripts {
		p.Script += template.JS(v.Text(name) + "\n") //nolint:gosec // our own files
	}
	return v.Pages.Render("verify-file", p)
}

func (v *Verifying) save(c *fiber.Ctx) error {
	text, err := v.text(v.Pages.Frame(c, nil))
	if err != nil {
		return err
	}
	c.Set(fiber.HeaderContentType, "text/html; charset=utf-8")
	c.Set(fiber.HeaderContentDisposition, `attachment; filename="`+SavedAs+`"`)
	return c.SendString(text)
}
