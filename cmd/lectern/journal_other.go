//go:build !linux

package main

import "io"

// isJournal is false: systemd's journal is Linux's.
func isJournal(io.Writer, string) bool { return false }
