package record

// StrictReader reads one text of canonical JSON, and nothing else, from its
// beginning to its end. It is for formats that are made of the same canonical
// form as a record, such as an export. Its errors are ErrNotCanonical or
// ErrInvalid and name the byte; after an error it may not be used any more.
type StrictReader struct {
	c cursor
}

// NewStrictReader begins at the first byte of s. Strings without escapes share
// memory with s.
func NewStrictReader(s string) StrictReader { return StrictReader{c: cursor{s: s}} }

// Fields reads an object whose members must stand in the order of known, each
// at most once, and calls read with the index of each to read its value.
func (r *StrictReader) Fields(known []string, read func(index int) error) error {
	return r.c.fields(known, read)
}

// List reads an array of at least one item and calls read for each of them.
func (r *StrictReader) List(read func() error) error { return r.c.list(read) }

// Text reads a string.
func (r *StrictReader) Text() (string, error) { return r.c.text() }

// Filled reads a string that may not be empty.
func (r *StrictReader) Filled(into *string) error { return r.c.filled(into) }

// Integer reads a whole number below 2^53 in magnitude.
func (r *StrictReader) Integer(into *int64) error { return r.c.number(into) }

// Hash reads 32 bytes in strict, padded base64, as AppendHash writes them.
func (r *StrictReader) Hash(into *[32]byte) error { return r.c.hash(into) }

// Value skips one value of any kind; it is checked for form.
func (r *StrictReader) Value() error { return r.c.skipValue(0) }

// Word takes these very bytes if they stand next, and reports whether they did.
func (r *StrictReader) Word(w string) bool { return r.c.takeWord(w) }

// End reports with ErrNotCanonical that the text goes on.
func (r *StrictReader) End() error { return r.c.end() }

// Errorf is ErrNotCanonical at the byte that stands next.
func (r *StrictReader) Errorf(format string, args ...any) error { return r.c.errorf(format, args...) }
