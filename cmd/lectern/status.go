package main

import (
	"fmt"

	"github.com/spf13/cobra"
	"go.uber.org/zap"

	"lectern/watcher"
)

func newStatusCmd() *cobra.Command {
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "status [DIR]",
		Short: "Tell what waits, what is being made, and what was set aside",
		Long: `Status looks into the folders of the workspace DIR (this folder if none is given)
and tells what waits and for what, what is being made and how far it is, what was set
aside and why, and how much room is left. It needs no running lectern watch and
changes nothing. It ends with 3 if something waits for you.`,
		Args: oneWorkspace("status"),
	}
	cmd.Flags().BoolVar(&asJSON, "json", false, "write JSON")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		ws, settings, err := openWorkspace(dirOf(args), nil)
		if err != nil {
			return err
		}
		h := newHands(ws, settings, nil, zap.NewNop())
		s, err := ws.Status(h.watch(), h.forWatcher())
		if err != nil {
			return fmt.Errorf("status: %w", err)
		}
		if asJSON {
			err = writeJSON(cmd, s)
		} else {
			printStatus(newShow(cmd.OutOrStdout()), s)
		}
		if err == nil && s.NeedsYou() {
			return &exitError{code: exitAttention}
		}
		return err
	}
	return cmd
}

func printStatus(show *show, s watcher.Status) {
	if s.WatchedBy > 0 {
		show.line("lectern watches this workspace (process %d).", s.WatchedBy)
	} else {
		show.line("No lectern watches this workspace on this computer; start it with: lectern watch")
	}
	for _, says := range s.Troubles {
		show.line("! %s", says)
	}
	heading(show, "Being made", len(s.Making))
	for _, m := range s.Making {
		how := fmt.Sprintf("%.0f %%", 100*m.Share)
		if m.Alone {
			how = "begun; lectern watch goes on with it"
		}
		show.line("  %s: %s", inBook(m.Book, m.Chapter), how)
	}
	heading(show, "Waiting", len(s.Waiting))
	for _, w := range s.Waiting {
		show.line("%s %s: %s", mark(w.NeedsYou), inBook(w.Book, w.Name), w.Says)
	}
	heading(show, "Set aside", len(s.SetAside))
	for _, a := range s.SetAside {
		show.line("! %s: %s", inBook(a.Book, a.Name), a.Says)
	}
	show.line("%.1f GB free, about %s of recordings.", float64(s.Disk.FreeBytes)/1e9, counted(int(s.Disk.HoursLeft), "hour"))
}

func heading(show *show, title string, n int) {
	if n > 0 {
		show.line("%s:", title)
	}
}

func mark(needsYou bool) string {
	if needsYou {
		return "!"
	}
	return " "
}

func inBook(book, name string) string {
	switch {
	case book == "":
		return name
	case name == "":
		return book
	}
	return book + "/" + name
}
