package web

import (
	"bytes"
	"strings"

	"github.com/gofiber/fiber/v2"

	"linewarden/haccp"
	"linewarden/internal/report"
	"linewarden/internal/web/frame"
)

func (s *Server) readLog(c *fiber.Ctx, f *frame.Frame) (haccp.Log, frame.Day, frame.Day, error) {
	from, to, err := f.Period(c, 28)
	if err != nil {
		return haccp.Log{}, from, to, err
	}
	l, err := s.site.CorrectiveLog(c.UserContext(), from.At, to.At, f.Now)
	return report.Narrow(l, c.Query("point"), strings.TrimSpace(c.Query("lot"))), from, to, err
}

func (s *Server) logShow(c *fiber.Ctx, f *frame.Frame) error {
	l, from, to, err := s.readLog(c, f)
	if err != nil {
		return err
	}
	p := frame.NewLogPage(f, l, from.Label, to.Label)
	p.Narrowed(c.Query("point"), strings.TrimSpace(c.Query("lot")))
	return s.show(c, fiber.StatusOK, "log", f.T("log.title"), p)
}

// logFile answers with the log as CSV or NDJSON.
func (s *Server) logFile(c *fiber.Ctx, f *frame.Frame) error {
	l, from, to, err := s.readLog(c, f)
	if err != nil {
		return err
	}
	var b bytes.Buffer
	name := "corrective-actions-" + from.Label + "-" + to.Label
	head := f.ReportHead()
	if head.Part = report.Part(c.Query("point"), strings.TrimSpace(c.Query("lot"))); head.Part != "" {
		name += "-part"
	}
	if strings.HasSuffix(c.Path(), ".ndjson") {
		if err := report.CorrectiveNDJSON(&b, l, head); err != nil {
			return err
		}
		return sendFile(c, name+".ndjson", ndjsonType, b.Bytes())
	}
	if err := report.CorrectiveCSV(&b, l, head); err != nil {
		return err
	}
	return sendFile(c, name+".csv", csvType, b.Bytes())
}
