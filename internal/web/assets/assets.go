// Package assets serves static files under addresses that carry a hash of their content, so that they may be
// kept for ever. They are compressed once, at the start. Pages are not: they hold what a person typed beside a form's token,
// and the length of a compressed page would tell something of the token to whoever listens.
package assets

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"fmt"
	"path"
	"strings"

	"github.com/gofiber/fiber/v2"
)

type asset struct {
	kind   string
	body   []byte
	packed []byte // by gzip
}

// Set is the files of one folder.
type Set struct {
	Names map[string]string // file name to the name with its hash
	files map[string]asset  // by the latter
}

// Read reads the files of a folder: styles, scripts and pictures.
func Read(files embed.FS, folder string) (*Set, error) {
	s := &Set{Names: map[string]string{}, files: map[string]asset{}}
	kinds := map[string]string{".css": "text/css; charset=utf-8", ".js": "text/javascript; charset=utf-8", ".svg": "image/svg+xml"}
	entries, err := files.ReadDir(folder)
	if err != nil {
		return nil, fmt.Errorf("read static files: %w", err)
	}
	for _, e := range entries {
		b, err := files.ReadFile(folder + "/" + e.Name())
		if err != nil {
			return nil, fmt.Errorf("read static files: %w", err)
		}
		ext := path.Ext(e.Name())
		if kinds[ext] == "" {
			return nil, fmt.Errorf("read static files: %s has no known type", e.Name())
		}
		sum := sha256.Sum256(b)
		name := strings.TrimSuffix(e.Name(), ext) + "-" + hex.EncodeToString(sum[:6]) + ext
		s.Names[e.Name()], s.files[name] = name, asset{kinds[ext], b, pack(b)}
	}
	return s, nil
}

// Text gives the content of a file by its own name; "" where there is none.
func (s *Set) Text(name string) string { return string(s.files[s.Names[name]].body) }

// pack compresses a file once, for all who take it so.
func pack(b []byte) []byte {
	var out bytes.Buffer
	w, err := gzip.NewWriterLevel(&out, gzip.BestCompression)
	if err == nil {
		_, err = w.Write(b)
	}
	if err == nil {
		err = w.Close()
	}
	if err != nil {
		panic(err) // a buffer takes everything, and the level is one
	}
	return out.Bytes()
}

// Serve answers with the file that the parameter name asks for.
func (s *Set) Serve(c *fiber.Ctx) error {
	a, ok := s.files[c.Params("name")]
	if !ok {
		return fiber.ErrNotFound
	}
	c.Set(fiber.HeaderContentType, a.kind)
	c.Set(fiber.HeaderCacheControl, "public, max-age=31536000, immutable")
	c.Vary(fiber.HeaderAcceptEncoding)
	if c.Get(fiber.HeaderAcceptEncoding) != "" && c.AcceptsEncodings("gzip") == "gzip" {
		c.Set(fiber.HeaderContentEncoding, "gzip")
		return c.Send(a.packed)
	}
	return c.Send(a.body)
}
