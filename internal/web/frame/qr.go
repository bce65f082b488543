package frame

import (
	"fmt"
	"strings"

	"rsc.io/qr"
)

// QR is a QR code (ISO/IEC 18004) as the path of an SVG picture.
type QR struct {
	Box  string // viewBox
	Path string
}

// quietZone is the width of the margin of a symbol, in modules (ISO/IEC 18004:2015, 6.3.8).
const quietZone = 4

// NewQR draws a text, with the medium level of error correction.
func NewQR(text string) (*QR, error) {
	code, err := qr.Encode(text, qr.M)
	if err != nil {
		return nil, fmt.Errorf("draw QR code: %w", err)
	}
	var b strings.Builder
	for y := range code.Size {
		for x := 0; x < code.Size; x++ {
			n := 0
			for x+n < code.Size && code.Black(x+n, y) {
				n++
			}
			if n > 0 {
				fmt.Fprintf(&b, "M%d %dh%dv1h-%dz", x+quietZone, y+quietZone, n, n)
				x += n
			}
		}
	}
	side := code.Size + 2*quietZone
	return &QR{Box: fmt.Sprintf("0 0 %d %d", side, side), Path: b.String()}, nil
}
