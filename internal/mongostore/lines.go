package mongostore

import (
	"fmt"
	"strings"

	"go.mongodb.org/mongo-driver/v2/bson"

	"linewarden/internal/record"
)

// lines are the records of a commit as they are stored: one string with a record on each line. Canonical bytes hold no
// line break. One string is smaller than an array of as many, and cheaper for the server to take apart.
type lines []string

// MarshalBSONValue implements bson.ValueMarshaler.
func (l lines) MarshalBSONValue() (kind byte, data []byte, err error) {
	for i, rec := range l {
		if strings.IndexByte(rec, '\n') >= 0 || rec == "" {
			return 0, nil, fmt.Errorf("%w: the record in place %d of a commit is not one line", record.ErrInvalid, i)
		}
	}
	t, data, err := bson.MarshalValue(strings.Join(l, "\n"))
	return byte(t), data, err
}

// UnmarshalBSONValue implements bson.ValueUnmarshaler.
func (l *lines) UnmarshalBSONValue(kind byte, data []byte) error {
	var text string
	if err := bson.UnmarshalValue(bson.Type(kind), data, &text); err != nil {
		return fmt.Errorf("%w: the records of a commit: %w", record.ErrTampered, err)
	}
	*l = strings.Split(text, "\n")
	return nil
}
