//go:build !windows

package main

import "github.com/spf13/cobra"

// systemCmds are the commands of this system alone.
func systemCmds() []*cobra.Command { return nil }
