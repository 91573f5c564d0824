//go:build !windows

package main

import "os"

// calledAlone tells whether the program was started by a file manager or the like, not by
// somebody at a terminal nor by a script: those give it nothing to read.
func calledAlone() bool {
	in, err := os.Stdin.Stat()
	if err != nil {
		return false
	}
	nothing, err := os.Stat(os.DevNull)
	return err == nil && os.SameFile(in, nothing) && !isTerminal(os.Stdout) && !isTerminal(os.Stderr)
}

// keepWindowOpen does nothing: a program has no window of its own here.
func keepWindowOpen(err error) error { return err }
