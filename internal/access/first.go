package access

import (
	"context"
	"errors"
	"fmt"
	"time"
)

// NewOneTimeCode draws a code of 80 bits that a person can type.
func NewOneTimeCode() string { return newCode() }

// SameCode says whether somebody typed a code, however they grouped it. It takes the same time for every code.
func SameCode(code, typed string) bool {
	return same(readCode(code), readCode(typed))
}

// HasWayIn says whether a person has a password, or a set-up code to choose one with.
func (g *Gate) HasWayIn(ctx context.Context, person string) (bool, error) {
	return g.has(ctx, person, kindPassword, kindSetup)
}

// ErrHasWayIn says that a person has a password or a set-up code already.
var ErrHasWayIn = errors.New("the person can sign in already")

// CheckPassword gives the [Weak] for a password that nobody with this name may take; nil for any other.
func (s Settings) CheckPassword(password string, p Person) error {
	secret, err := prepare(password)
	if err != nil {
		return err
	}
	return s.checkPassword(secret, p)
}

// FirstPassword gives a person who has never had one a password. The caller has made sure, by other means, that it is this
// person who chose it.
func (g *Gate) FirstPassword(ctx context.Context, by, person, password string, at time.Time) error {
	p, ok := g.Directory.Person(person)
	if !ok || p.Disabled {
		return fmt.Errorf("first password: %w", ErrUnknown)
	}
	has, err := g.HasWayIn(ctx, person)
	if err != nil {
		return err
	}
	if has {
		return ErrHasWayIn
	}
	secret, err := prepare(password)
	if err != nil {
		return err
	}
	if err := g.set.checkPassword(secret, p); err != nil {
		return err
	}
	hash, err := g.hash(ctx, secret)
	if err != nil {
		return err
	}
	if err := g.mustReport(ctx, Happening{Kind: CredentialChanged, Person: person, By: by, What: WhatPassword, At: at}); err != nil {
		return err
	}
	if err := g.Accounts.SetCredential(ctx, kindPassword, person, hash, at); err != nil {
		return fmt.Errorf("keep password: %w", err)
	}
	return nil
}
