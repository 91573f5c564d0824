package main

import (
	"fmt"
	"slices"

	"github.com/spf13/cobra"

	"lectern/pipeline/book"
)

func newReportCmd() *cobra.Command {
	return &cobra.Command{
		Use:   "report [DIR]",
		Short: "Make the pages and lists over the finished books anew",
		Long: `Report reads the reports of the finished chapters of the workspace DIR (this folder if
none is given) and writes, for each book, its page (index.html), book.json, book.csv and
listen.txt anew, and the page over all books. lectern watch does this by itself at every
change. It tells what is to be done before a book is handed over, and ends with 3 if
there is anything.`,
		Args: oneWorkspace("report"),
		RunE: func(cmd *cobra.Command, args []string) error {
			l, err := openLibrary(cmd, dirOf(args))
			if err != nil {
				return err
			}
			books, err := l.refresh(cmd.Context(), true, nil)
			if err != nil {
				return fmt.Errorf("make the pages: %w", err)
			}
			show := newShow(cmd.OutOrStdout())
			if len(books) == 0 {
				show.line("No book is finished yet; there is only the page over all books.")
			}
			attention := false
			for _, b := range books {
				show.line("%s: %s, %s finished hours (%s)", b.Book, counted(b.Finished(), "file"), fmt.Sprintf("%.2f", float64(b.FinishedHours)), b.FinishedClock)
				printToDo(show, b.ToDo)
				attention = attention || len(b.ToDo) > 0
			}
			if attention {
				return &exitError{code: exitAttention}
			}
			return nil
		},
	}
}

func printToDo(show *show, list []book.ToDo) {
	if len(list) == 0 {
		show.line("  Ready to hand over.")
		return
	}
	if slices.ContainsFunc(list, func(t book.ToDo) bool { return t.Blocks }) {
		show.line("  To do before handing over:")
	} else {
		show.line("  Nothing is in the way of handing over. To look at first:")
	}
	for _, t := range list {
		show.line("  %s %s", mark(t.Blocks), t.Says)
	}
}

// openLibrary opens the library of a workspace for one command.
func openLibrary(cmd *cobra.Command, dir string) (*library, error) {
	ws, settings, err := openWorkspace(dir, nil)
	if err != nil {
		return nil, err
	}
	log := newLog(cmd.ErrOrStderr(), false)
	return newLibrary(ws, newHands(ws, settings, nil, log), log), nil
}
