//go:build manpages

package main

import (
	"fmt"

	"github.com/spf13/cobra"
	"github.com/spf13/cobra/doc"
)

// packagersCmds are the commands that only who builds a package needs. A program built
// without the tag manpages has none of them, nor what writes manual pages.
func packagersCmds() []*cobra.Command {
	return []*cobra.Command{{
		Use:    "manpages DIR",
		Short:  "Write a manual page for lectern and one for each command",
		Hidden: true,
		Args:   cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			root := cmd.Root()
			root.DisableAutoGenTag = true
			// The date on the pages is SOURCE_DATE_EPOCH, if that is set.
			header := &doc.GenManHeader{Section: "1", Source: "Lectern", Manual: "Lectern"}
			if err := doc.GenManTree(root, header, args[0]); err != nil {
				return fmt.Errorf("write manual pages: %w", err)
			}
			return nil
		},
	}}
}
