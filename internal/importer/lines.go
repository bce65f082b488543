package importer

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
)

// Limits of a file.
const (
	maxLine   = 1 << 20 // bytes of one line
	maxFolded = 64      // lines that one quoted cell may run over
)

// lineReader reads the lines of a CSV file as RFC 4180 describes them: cells in quotes may hold the
// separator, doubled quotes and line ends. A quote that is never closed spoils its own line only, not
// the rest of the file. A byte order mark is passed over, a line may end in CR LF, LF or CR LF mixed.
type lineReader struct {
	in    *bufio.Reader
	comma byte
	line  int64    // of the last line read, from 1
	ahead [][]byte // lines read and not used yet
	begun bool
	cells [][]byte
	text  []byte // holds unquoted cells
}

// errLine says why a line could not be taken apart; reading may go on.
type errLine struct{ what string }

func (e *errLine) Error() string { return e.what }

func newLineReader(in io.Reader, comma byte) *lineReader {
	return &lineReader{in: bufio.NewReaderSize(in, 256<<10), comma: comma}
}

// raw gives the next line without its end. It stays valid until used.
func (r *lineReader) raw() ([]byte, error) {
	if len(r.ahead) > 0 {
		l := r.ahead[0]
		r.ahead = r.ahead[1:]
		return l, nil
	}
	line, err := r.in.ReadSlice('\n')
	if errors.Is(err, bufio.ErrBufferFull) {
		line, err = r.long(line)
	}
	if err != nil && (!errors.Is(err, io.EOF) || len(line) == 0) {
		return nil, err
	}
	line = bytes.TrimSuffix(bytes.TrimSuffix(line, []byte("\n")), []byte("\r"))
	if !r.begun {
		r.begun = true
		line, err = begin(line)
		return line, err
	}
	return line, nil
}

// begin passes over a byte order mark and refuses what is no text in UTF-8.
func begin(line []byte) ([]byte, error) {
	for _, mark := range [...]string{"\xff\xfe", "\xfe\xff"} {
		if bytes.HasPrefix(line, []byte(mark)) {
			return nil, errors.New("the file is UTF-16: save it as CSV in UTF-8")
		}
	}
	if bytes.HasPrefix(line, []byte("PK\x03\x04")) {
		return nil, errors.New("the file is a workbook or an archive: save the sheet as CSV")
	}
	return bytes.TrimPrefix(line, []byte("\xef\xbb\xbf")), nil
}

// long reads on where a line is longer than the buffer, up to maxLine; of a longer line it keeps that much
// and passes over the rest.
func (r *lineReader) long(head []byte) ([]byte, error) {
	line := bytes.Clone(head)
	for {
		more, err := r.in.ReadSlice('\n')
		if len(line) <= maxLine {
			line = append(line, more...)
		}
		if !errors.Is(err, bufio.ErrBufferFull) {
			return line, err
		}
	}
}

// next gives the cells of the next line that has any, and the line it begins on. The cells stay valid until
// the next call. An *errLine is a fault of that line alone.
func (r *lineReader) next() (cells [][]byte, line int64, err error) {
	for {
		l, err := r.raw()
		if err != nil {
			return nil, r.line + 1, err
		}
		r.line++
		if len(bytes.TrimSpace(l)) == 0 {
			continue
		}
		if len(l) > maxLine {
			return nil, r.line, &errLine{fmt.Sprintf("the line is longer than %d bytes", maxLine)}
		}
		line = r.line
		if bytes.IndexByte(l, '"') >= 0 {
			cells, err = r.quoted(l)
		} else {
			cells = r.plain(l)
		}
		if err == nil && blank(cells) {
			continue
		}
		return cells, line, err
	}
}

func blank(cells [][]byte) bool {
	for _, c := range cells {
		if len(bytes.TrimSpace(c)) > 0 {
			return false
		}
	}
	return true
}

// plain takes a line without quotes apart.
func (r *lineReader) plain(l []byte) [][]byte {
	r.cells = r.cells[:0]
	for {
		i := bytes.IndexByte(l, r.comma)
		if i < 0 {
			r.cells = append(r.cells, l)
			return r.cells
		}
		r.cells = append(r.cells, l[:i])
		l = l[i+1:]
	}
}

var (
	errOpen  = &errLine{"a quote is opened and not closed"}
	errAfter = &errLine{"after a closing quote something follows that is no separator"}
)

// quoted takes a line with quotes apart, with the lines it runs on over. Where that fails only the first
// line is used up.
func (r *lineReader) quoted(first []byte) ([][]byte, error) {
	whole := bytes.Clone(first) // reading on would overwrite it
	cells, err := r.split(whole)
	var taken [][]byte
	for err == errOpen && len(taken) < maxFolded && len(whole) < maxLine { //nolint:errorlint // never wrapped
		more, readErr := r.raw()
		if readErr != nil {
			break
		}
		more = bytes.Clone(more)
		taken = append(taken, more)
		whole = append(append(whole, '\n'), more...)
		cells, err = r.split(whole)
	}
	if err != nil {
		r.ahead = append(taken, r.ahead...)
		return nil, err
	}
	r.line += int64(len(taken))
	return cells, nil
}

// split takes text with quotes apart. A quote inside a cell that does not begin with one stands for itself.
func (r *lineReader) split(l []byte) ([][]byte, error) {
	r.cells, r.text = r.cells[:0], make([]byte, 0, len(l))
	for {
		var cell []byte
		if len(l) > 0 && l[0] == '"' {
			from := len(r.text)
			rest, err := r.unquote(l[1:])
			if err != nil {
				return nil, err
			}
			cell, l = r.text[from:], rest
		} else {
			i := bytes.IndexByte(l, r.comma)
			if i < 0 {
				i = len(l)
			}
			cell, l = l[:i], l[i:]
		}
		r.cells = append(r.cells, cell)
		if len(l) == 0 {
			return r.cells, nil
		}
		if l[0] != r.comma {
			return nil, errAfter
		}
		l = l[1:]
	}
}

// unquote appends the cell that ends at the next lone quote to text and gives what follows it.
func (r *lineReader) unquote(l []byte) (rest []byte, err error) {
	for {
		i := bytes.IndexByte(l, '"')
		if i < 0 {
			return nil, errOpen
		}
		r.text = append(r.text, l[:i]...)
		if i+1 == len(l) || l[i+1] != '"' {
			return l[i+1:], nil
		}
		r.text = append(r.text, '"')
		l = l[i+2:]
	}
}
