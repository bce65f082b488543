package importer_test

import (
	"bytes"
	"fmt"
	"io"
	"testing"
	"time"

	"linewarden/internal/importer"
)

// minutes writes a file of n readings, one a minute, in UTC.
func minutes(n int) []byte {
	var b bytes.Buffer
	b.WriteString("Time,Cl2,pH\n")
	at := time.Date(2020, 1, 1, 0, 0, 0, 0, time.UTC)
	for i := range n {
		v := 1.5 + float64(i*7919%1000)/1000
		if i%5000 > 4990 {
			v = 0.5
		}
		fmt.Fprintf(&b, "%s,%.2f,7.%02d\n", at.Add(time.Duration(i)*time.Minute).Format(time.RFC3339), v, i%60)
	}
	return b.Bytes()
}

// BenchmarkImport gives the time of one row, on SQLite with each commit synced to disk.
func BenchmarkImport(b *testing.B) {
	s := sqliteSite(b)
	file := minutes(b.N)
	o := fromText(s, "")
	o.Open = func() (io.ReadCloser, error) { return io.NopCloser(bytes.NewReader(file)), nil }
	o.Columns = append(o.Columns, importer.Column{Quantity: "ph", Column: "pH"})
	b.ResetTimer()
	r, err := importer.Run(b.Context(), o)
	if err != nil || r.Kept != int64(b.N) {
		b.Fatalf("%v, kept %d of %d", err, r.Kept, b.N)
	}
}
