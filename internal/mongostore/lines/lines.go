// Package lines keeps the records of a commit as one string of a document, a record on each line.
package lines

import (
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
	for i, rec := range r {
		if strings.IndexByte(rec, '\n') >= 0 || rec == "" {
			return 0, nil, fmt.Errorf("%w: the record in place %d of a commit is not one line", record.ErrInvalid, i)
		}
	}
	t, data, err := bson.MarshalValue(strings.Join(r, "\n"))
	return byte(t), data, err
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
