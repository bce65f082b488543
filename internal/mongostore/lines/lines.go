// Package lines keeps the records of a commit as one string of a document, a record on each line.
package lines

import (
	"encoding/binary"
	"fmt"
	"strings"

	"go.mongodb.org/mongo-driver/v2/bson"

	"linewarden/internal/record"
)

// Records are the canonical bytes of a commit's records, which hold no line break. One string is smaller than an array
// of as many, and cheaper for a server to take apart. Records that are not one line each are record.ErrInvalid, and a
// member that is no string is record.ErrTampered.
type Records []string

// MarshalBSONValue implements bson.ValueMarshaler.
func (r Records) MarshalBSONValue() (kind byte, data []byte, err error) {
	size := len(r)
	for i, rec := range r {
		if strings.IndexByte(rec, '\n') >= 0 || rec == "" {
			return 0, nil, fmt.Errorf("%w: the record in place %d of a commit is not one line", record.ErrInvalid, i)
		}
		size += len(rec)
	}
	// A string of BSON: its length with the zero at its end, the text, the zero (bsonspec.org, version 1.1).
	data = binary.LittleEndian.AppendUint32(make([]byte, 0, 4+max(size, 1)), uint32(max(size, 1))) //nolint:gosec // a document has 16 MiB at most
	for i, rec := range r {
		if i > 0 {
			data = append(data, '\n')
		}
		data = append(data, rec...)
	}
	return byte(bson.TypeString), append(data, 0), nil
}

// UnmarshalBSONValue implements bson.ValueUnmarshaler.
func (r *Records) UnmarshalBSONValue(kind byte, data []byte) error {
	var text string
	if err := bson.UnmarshalValue(bson.Type(kind), data, &text); err != nil {
		return fmt.Errorf("%w: the records of a commit: %w", record.ErrTampered, err)
	}
	*r = strings.Split(text, "\n")
	return nil
}
