package haccp

import (
	"errors"
	"fmt"
)

// The kinds of refusals. Use errors.Is to tell them apart.
var (
	ErrInvalid   = errors.New("not valid")
	ErrNotFound  = errors.New("not found")
	ErrConflict  = errors.New("in conflict with what is recorded")
	ErrForbidden = errors.New("not allowed")
)

// Refusal says why a command was refused: what, where and what to do. Code and Data serve translation.
type Refusal struct {
	Kind    error             // one of the kinds above
	Field   string            // the field of the command, "" where none
	Code    string            // stable word for translation, such as "unknown-check"
	Data    map[string]string // what the message names
	Message string            // plain English
	Items   []string          // a list that belongs to the message: what a start lacks, ...
	Format  string            // what Message was made of, with Args: the key of its translation
	Args    []any
}

// Error returns the plain English message with the field in front.
func (r *Refusal) Error() string {
	if r.Field == "" {
		return r.Message
	}
	return r.Field + ": " + r.Message
}

// Unwrap returns the kind of the refusal.
func (r *Refusal) Unwrap() error { return r.Kind }

func refuse(kind error, field, code, format string, args ...any) *Refusal {
	return &Refusal{Kind: kind, Field: field, Code: code, Message: fmt.Sprintf(format, args...), Format: format, Args: args}
}

func invalid(field, code, format string, args ...any) *Refusal {
	return refuse(ErrInvalid, field, code, format, args...)
}
