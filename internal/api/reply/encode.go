package reply

import (
	"bytes"
	"encoding/json"
)

// appender is an answer that writes its own JSON: byte by byte what encoding/json would write without escaping
// for HTML, but faster.
type appender interface {
	AppendJSON(b []byte) ([]byte, error)
}

// Encode writes an answer, and a line end behind it.
func Encode(w *bytes.Buffer, v any) error {
	if a, ok := v.(appender); ok {
		b, err := a.AppendJSON(w.AvailableBuffer())
		if err == nil {
			_, err = w.Write(append(b, '\n'))
		}
		return err
	}
	e := json.NewEncoder(w)
	e.SetEscapeHTML(false)
	return e.Encode(v)
}
