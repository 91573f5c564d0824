package main

import "fmt"

// What lectern ends with, besides 0 for all well.
const (
	exitFailed    = 1 // could not do it
	exitUsage     = 2 // wrong usage, or settings that cannot be
	exitAttention = 3 // done, but something needs attention
)

// exitError ends lectern with code. A nil err means that the command has
// already said everything.
type exitError struct {
	code int
	err  error
}

func (e *exitError) Error() string {
	if e.err == nil {
		return ""
	}
	return e.err.Error()
}

func (e *exitError) Unwrap() error { return e.err }

// wrongUsage is for a command line that cannot be meant.
func wrongUsage(format string, args ...any) error {
	return &exitError{exitUsage, fmt.Errorf(format, args...)}
}
