package benchmark

import (
	"bufio"
	"bytes"
	"fmt"
	"io"
	"strconv"
)

var contentLength = []byte("content-length:")

// ReadAnswer reads one answer of HTTP/1.1 with a length, for a load generator that is to cost little. The body is read
// into the room given, or into a larger one.
func ReadAnswer(in *bufio.Reader, room []byte) (status int, body []byte, err error) {
	length := 0
	for first := true; ; first = false {
		line, err := in.ReadSlice('\n')
		if err != nil {
			return 0, room, fmt.Errorf("read an answer: %w", err)
		}
		switch {
		case first && len(line) > 12:
			if status, err = strconv.Atoi(string(line[9:12])); err != nil {
				return 0, room, fmt.Errorf("read the status of an answer: %w", err)
			}
		case len(line) > len(contentLength) && bytes.EqualFold(line[:len(contentLength)], contentLength):
			if length, err = strconv.Atoi(string(bytes.TrimSpace(line[len(contentLength):]))); err != nil {
				return 0, room, fmt.Errorf("read the length of an answer: %w", err)
			}
		}
		if len(line) <= 2 {
			break
		}
	}
	if cap(room) < length {
		room = make([]byte, length)
	}
	room = room[:length]
	_, err = io.ReadFull(in, room)
	return status, room, err
}
