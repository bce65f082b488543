package frame

import "strconv"

// Signing shows what will be signed, by whom, and at which state of the log.
type Signing struct {
	Statement, Name, Role, Root string
	Wanted                      string // the roles of which one is needed, where the person holds none of them
	Size                        int64
	Wrong                       string
}

// SizeText is the number of records of the head.
func (s *Signing) SizeText() string { return strconv.FormatInt(s.Size, 10) }
