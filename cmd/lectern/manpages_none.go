//go:build !manpages

package main

import "github.com/spf13/cobra"

func packagersCmds() []*cobra.Command { return nil }
