package main

import (
	"errors"
	"fmt"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"
	"go.uber.org/zap"

	"lectern/watcher"
)

func newRetryCmd() *cobra.Command {
	var asIs bool
	cmd := &cobra.Command{
		Use:   "retry [--as-is] NAME",
		Short: "Try a recording that was set aside again, or take one that stopped half-way",
		Long: `Retry puts recordings that were set aside back into the inbox, as if you had dropped
them again. With --as-is it takes a recording in the inbox that is shorter than its
beginning announces, and of which no more will come, as it stands.
NAME is a recording, a chapter, or BOOK/NAME where several books have one of that name.`,
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) != 1 {
				return wrongUsage(`retry needs one name, as in: lectern retry "03 The Ferry"`)
			}
			return nil
		},
	}
	cmd.Flags().BoolVar(&asIs, "as-is", false, "take a recording that is not all there as it stands")
	dir := workspaceFlag(cmd)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		ws, settings, err := openWorkspace(*dir, nil)
		if err != nil {
			return err
		}
		h := newHands(ws, settings, nil, zap.NewNop())
		watch := h.watch()
		s, err := ws.Status(watch, h.forWatcher())
		if err != nil {
			return err
		}
		show := newShow(cmd.OutOrStdout())
		if asIs {
			return takeAsIs(show, ws, watch, h, s, args[0])
		}
		return tryAgain(show, ws, h, s, args[0])
	}
	return cmd
}

func tryAgain(show *show, ws *watcher.Workspace, h hands, s watcher.Status, name string) error {
	var found []watcher.Aside
	books := map[string]bool{}
	for _, a := range s.SetAside {
		if h.isNamed(a.Book, a.Name, name) {
			found, books[a.Book] = append(found, a), true
		}
	}
	switch {
	case len(found) == 0:
		return wrongUsage("nothing named %q is set aside; lectern status tells what is", name)
	case len(books) > 1:
		return wrongUsage("%q is set aside in several books; say which, as in %q", name, found[len(found)-1].Book+"/"+name) // a piece of no book is listed first
	}
	failed := false
	for _, a := range found {
		err := ws.TryAgain(a)
		if told, err := say(show, inBook(a.Book, a.Name), "back in the inbox; it is tried again as soon as lectern watches", err); err != nil {
			return err
		} else if !told {
			failed = true
		}
	}
	if failed {
		return &exitError{code: exitFailed}
	}
	return nil
}

func takeAsIs(show *show, ws *watcher.Workspace, watch watcher.Settings, h hands, s watcher.Status, name string) error {
	var found []watcher.Wait
	for _, w := range s.Waiting {
		if w.Name != "" && h.isNamed(w.Book, w.Name, name) {
			found = append(found, w)
		}
	}
	switch len(found) {
	case 0:
		return wrongUsage("no recording named %q waits in the inbox; lectern status tells what does", name)
	case 1:
	default:
		return wrongUsage("several recordings are meant by %q; give the whole name of one, as in %q", name, inBook(found[1].Book, found[1].Name))
	}
	w := found[0]
	err := ws.TakeAsIs(watch, h.forWatcher(), w.Book, w.Name)
	told, err := say(show, inBook(w.Book, w.Name), "taken as it stands; it is made as soon as lectern watches", err)
	if err == nil && !told {
		return &exitError{code: exitFailed}
	}
	return err
}

// say tells how it went. It returns false after a refusal, and other errors.
func say(show *show, name, done string, err error) (bool, error) {
	var refused *watcher.RefusedError
	switch {
	case errors.As(err, &refused):
		show.line("%s: %s", name, refused.Says)
		return false, nil
	case err != nil:
		return false, fmt.Errorf("%s: %w", name, err)
	}
	show.line("%s: %s", name, done)
	return true, nil
}

// isNamed tells whether a file of a book is meant by a name: its own, that without
// the ending, that of its chapter, or one of these behind BOOK/.
func (h hands) isNamed(book, file, name string) bool {
	for _, n := range []string{file, strings.TrimSuffix(file, filepath.Ext(file)), h.names().Parse(file).Chapter} {
		if watcher.Fold(n) == watcher.Fold(name) || watcher.Fold(book+"/"+n) == watcher.Fold(name) {
			return true
		}
	}
	return false
}
