package web

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"path"
	"strings"

	"github.com/gofiber/fiber/v2"
)

// asset is a static file; its address carries a hash of its content, so that it may be kept for ever.
type asset struct {
	kind string
	body []byte
}

func (s *Server) readStatic() error {
	s.static, s.names = map[string]asset{}, map[string]string{}
	kinds := map[string]string{".css": "text/css; charset=utf-8", ".js": "text/javascript; charset=utf-8"}
	entries, err := staticFiles.ReadDir("static")
	if err != nil {
		return fmt.Errorf("read static files: %w", err)
	}
	for _, e := range entries {
		b, err := staticFiles.ReadFile("static/" + e.Name())
		if err != nil {
			return fmt.Errorf("read static files: %w", err)
		}
		ext := path.Ext(e.Name())
		if kinds[ext] == "" {
			return fmt.Errorf("read static files: %s has no known type", e.Name())
		}
		sum := sha256.Sum256(b)
		name := strings.TrimSuffix(e.Name(), ext) + "-" + hex.EncodeToString(sum[:6]) + ext
		s.names[e.Name()], s.static[name] = name, asset{kinds[ext], b}
	}
	return nil
}

func (s *Server) serveStatic(c *fiber.Ctx) error {
	a, ok := s.static[c.Params("name")]
	if !ok {
		return fiber.ErrNotFound
	}
	c.Set(fiber.HeaderContentType, a.kind)
	c.Set(fiber.HeaderCacheControl, "public, max-age=31536000, immutable")
	return c.Send(a.body)
}
