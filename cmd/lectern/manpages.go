//go:build manpages

package main

import (
	"fmt"
	"os"

	"github.com/spf13/cobra/doc"
)

// main, built with the tag manpages, writes a manual page for lectern and one for each
// command into a folder. It is the packages' and not the program's: the program does not
// carry what makes manual pages. The pages bear the date in SOURCE_DATE_EPOCH, in seconds.
func main() {
	if len(os.Args) != 2 {
		fmt.Fprintln(os.Stderr, "name one folder for the manual pages")
		os.Exit(exitUsage)
	}
	if err := writeManPages(os.Args[1]); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(exitFailed)
	}
}

func writeManPages(dir string) error {
	root := newRootCmd()
	root.DisableAutoGenTag = true
	if err := doc.GenManTree(root, &doc.GenManHeader{Section: "1", Source: "Lectern", Manual: "Lectern"}, dir); err != nil {
		return fmt.Errorf("write manual pages: %w", err)
	}
	return nil
}
