package main

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"github.com/spf13/cobra"
	"go.uber.org/zap"

	"lectern/pipeline/report"
	"lectern/pipeline/takes"
	"lectern/watcher"
)

func newRemakeCmd() *cobra.Command {
	var revision int
	cmd := &cobra.Command{
		Use:   "remake [BOOK [NAME]]",
		Short: "Make finished chapters again from the archive",
		Long: `Remake makes every chapter of the workspace again, or those of one book, or one
chapter, from the recordings in the archive. What comes out the same is left as it
is, and put back if you have moved it away. What comes out otherwise, because
lectern.toml, the book's about.toml or the program has changed, becomes a new
revision, and the one before moves to superseded.
With --revision an earlier revision of one chapter becomes the newest again.
A piece that belongs to no book is named alone. It works while lectern watches, too.`,
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) > 2 {
				return wrongUsage(`remake takes a book and a chapter, as in: lectern remake "A Ledger of Small Tides" "03 The Ferry"`)
			}
			return nil
		},
	}
	cmd.Flags().IntVar(&revision, "revision", 0, "bring this revision of one chapter back")
	dir, set := workspaceFlag(cmd), settingsFlag(cmd)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		a, err := newAsker(cmd, *dir, *set)
		if err != nil {
			return err
		}
		found, err := a.find(args...)
		if err != nil {
			return err
		}
		ask := watcher.Ask{Kind: watcher.Remake, Set: *set}
		if cmd.Flags().Changed("revision") {
			if len(found) != 1 || revision < 1 {
				return wrongUsage("--revision needs one chapter and a number from 1, as in: lectern remake --revision 1 BOOK NAME")
			}
			ask = watcher.Ask{Kind: watcher.BringBack, Revision: revision}
		}
		worst, one := 0, len(found) == 1
		for _, f := range found {
			if !one && f.Ending != ".mp3" {
				continue // a room test
			}
			if gone, err := a.ws.Withdrawn(f); err != nil {
				return err
			} else if gone && !one {
				a.show.line("%s: left out, because it was withdrawn or renamed; name it alone to bring it back", f.Chapter)
				continue
			}
			code := a.do(cmd.Context(), f, ask)
			if code == exitFailed || worst == 0 {
				worst = code
			}
			if cmd.Context().Err() != nil {
				break
			}
		}
		return a.endWith(cmd.Context(), worst)
	}
	return cmd
}

func newRenameCmd() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "rename OLD NEW",
		Short: "Give a finished chapter another name",
		Long: `Rename publishes a chapter that was saved under a wrong name under the right one:
its MP3, the title in it, and its report. The sound is not touched. The pair of the
old name moves to superseded; the recordings keep their names in the archive.
OLD is a chapter, or BOOK/CHAPTER where several books have one of that name. NEW is
its new name in the same book, without an ending.`,
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) != 2 {
				return wrongUsage(`rename needs the old name and the new one, as in: lectern rename "03 The Fery" "03 The Ferry"`)
			}
			return nil
		},
	}
	dir := workspaceFlag(cmd)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		a, found, err := newAskerFor(cmd, *dir, args[0])
		if err != nil {
			return err
		}
		name := strings.TrimSpace(args[1])
		switch n := a.hands.names().Parse(name + ".wav"); {
		case name == "" || strings.ContainsAny(name, `/\`):
			return wrongUsage("%q cannot be the name of a chapter; give its name alone, without a folder", args[1])
		case n.Chapter != name || n.Role != takes.Chapter || n.CopyOf != "":
			return wrongUsage("%q cannot be the name of a chapter: a name that ends like that is one of a take, a part, a copy or a test", args[1])
		}
		return a.endWith(cmd.Context(), a.do(cmd.Context(), found, watcher.Ask{Kind: watcher.Rename, NewName: name}))
	}
	return cmd
}

func newWithdrawCmd() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "withdraw NAME",
		Short: "Take a finished chapter out of finished",
		Long: `Withdraw moves a chapter's MP3 and report to superseded, with a line of history in
the report. Its recordings stay in the archive, and lectern remake brings it back.
NAME is a chapter, or BOOK/CHAPTER where several books have one of that name.`,
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) != 1 {
				return wrongUsage(`withdraw needs one chapter, as in: lectern withdraw "03 The Ferry"`)
			}
			return nil
		},
	}
	dir := workspaceFlag(cmd)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		a, found, err := newAskerFor(cmd, *dir, args[0])
		if err != nil {
			return err
		}
		return a.endWith(cmd.Context(), a.do(cmd.Context(), found, watcher.Ask{Kind: watcher.Withdraw}))
	}
	return cmd
}

// endWith brings the pages over the books up to date and ends with a code.
func (a *asker) endWith(ctx context.Context, code int) error {
	if _, err := a.library.refresh(ctx, false, nil); err != nil && ctx.Err() == nil {
		a.show.line("The pages over the books could not be made (%v); try: lectern report", err)
		code = max(code, exitFailed)
	}
	if code == 0 {
		return nil
	}
	return &exitError{code: code}
}

// asker carries out what is asked for finished chapters of one workspace.
type asker struct {
	ws      *watcher.Workspace
	hands   hands
	library *library
	show    *show
}

func newAsker(cmd *cobra.Command, dir string, set []string) (*asker, error) {
	ws, settings, err := openWorkspace(dir, set)
	if err != nil {
		return nil, err
	}
	log := newLog(cmd.ErrOrStderr(), false)
	h := newHands(ws, settings, set, log)
	return &asker{
		ws: ws, show: newShow(cmd.OutOrStdout()),
		hands: h, library: newLibrary(ws, h, log),
	}, nil
}

// newAskerFor is newAsker for one chapter.
func newAskerFor(cmd *cobra.Command, dir, name string) (*asker, watcher.Filed, error) {
	a, err := newAsker(cmd, dir, nil)
	if err != nil {
		return nil, watcher.Filed{}, err
	}
	found, err := a.findOne(name)
	return a, found, err
}

// do carries out one ask and tells how it went; it returns what to end with.
func (a *asker) do(ctx context.Context, f watcher.Filed, ask watcher.Ask) int {
	bar := a.show.bar(f.Chapter)
	set := a.hands.watch()
	set.Notice = func(e watcher.Event) {
		if e.Kind == watcher.Progress {
			bar.set(e.Share)
		}
	}
	out, err := watcher.Do(ctx, a.ws, set, a.hands.forWatcher(), zap.NewNop(), f, ask)
	bar.end()
	var refused *watcher.RefusedError
	switch {
	case ctx.Err() != nil:
		a.show.line("%s: stopped; if something was begun it goes on at the next start", f.Chapter)
		return exitFailed
	case errors.As(err, &refused):
		a.show.line("%s: %s", f.Chapter, refused.Says)
		return exitFailed
	case err != nil:
		a.show.line("%s: could not be done: %v", f.Chapter, err)
		return exitFailed
	}
	line := fmt.Sprintf("%s: %s (revision %d)", f.Chapter, out.Did, out.Revision)
	if out.Says != "" {
		line += ", " + out.Says
	}
	a.show.line("%s", line)
	if out.Verdict == report.Listen || out.Verdict == report.Fail {
		return exitAttention
	}
	return 0
}

// find returns the chapters meant by the arguments of remake: none, a book, a book
// and a chapter, or the name of one chapter.
func (a *asker) find(args ...string) ([]watcher.Filed, error) {
	all, err := a.ws.Filed()
	if err != nil {
		return nil, err
	}
	var out []watcher.Filed
	for _, f := range all {
		if len(args) == 0 || isBook(f, args[0]) && (len(args) == 1 || isChapter(f, args[1])) {
			out = append(out, f)
		}
	}
	if len(out) == 0 && len(args) == 1 {
		f, err := a.findOne(args[0])
		return []watcher.Filed{f}, err
	}
	if len(out) == 0 && len(args) == 2 {
		return nil, wrongUsage("the archive holds no chapter %q of a book %q; the names are those in the folder archive", args[1], args[0])
	}
	return out, nil
}

// findOne returns the one chapter of a name, or of BOOK/NAME.
func (a *asker) findOne(name string) (watcher.Filed, error) {
	all, err := a.ws.Filed()
	if err != nil {
		return watcher.Filed{}, err
	}
	var out []watcher.Filed
	for _, f := range all {
		if isChapter(f, name) || watcher.Fold(f.Book+"/"+f.Chapter) == watcher.Fold(name) {
			out = append(out, f)
		}
	}
	switch len(out) {
	case 0:
		return watcher.Filed{}, wrongUsage("the archive holds no chapter %q; the names are those in the folder archive", name)
	case 1:
		return out[0], nil
	}
	return watcher.Filed{}, wrongUsage("several books have a chapter %q; say which, as in %q", name, out[1].Book+"/"+out[1].Chapter)
}

func isBook(f watcher.Filed, name string) bool {
	return f.In != "" && (watcher.Fold(f.Book) == watcher.Fold(name) || watcher.Fold(f.In) == watcher.Fold(name))
}

func isChapter(f watcher.Filed, name string) bool {
	return watcher.Fold(f.Chapter) == watcher.Fold(name) || watcher.Fold(f.Stem) == watcher.Fold(name)
}
