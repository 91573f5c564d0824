package main

import (
	"fmt"
	"io"
	"strings"

	"lectern/pipeline/takes"
)

// listPieces prints what would be made, a line each: the chapter and its recordings in
// playing order, parted by tabs, for programs that give the work to others. Room tests are
// no chapters and are left out.
func listPieces(w io.Writer, pieces []piece) error {
	for _, p := range pieces {
		if p.raws[0].Role == takes.RoomTest {
			continue
		}
		fields := []string{p.chapter}
		for _, r := range p.raws {
			fields = append(fields, r.Path)
		}
		for _, f := range fields {
			if strings.ContainsAny(f, "\t\n\r") {
				return fmt.Errorf("the name %q has a tab or a line break in it; give the file another name", f)
			}
		}
		if _, err := fmt.Fprintln(w, strings.Join(fields, "\t")); err != nil {
			return fmt.Errorf("print the list: %w", err)
		}
	}
	return nil
}
