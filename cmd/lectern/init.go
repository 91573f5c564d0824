package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"lectern/config"
	"lectern/watcher"
)

func newInitCmd() *cobra.Command {
	var book string
	cmd := &cobra.Command{
		Use:   "init DIR",
		Short: "Make a workspace, or with --book a folder for a book in it",
		Long: `Init makes the folder DIR into a workspace, with an inbox for recordings and a
lectern.toml in which every setting stands with one sentence. A folder that is
a workspace already is left as it is.
With --book it makes a folder for a book of that name in the inbox of the workspace DIR,
and in it an about.toml, in which stands what can be said of a book. One that is there
already is left as it is.`,
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) != 1 {
				return wrongUsage("init needs one folder to make the workspace in, as in: lectern init books")
			}
			return nil
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			if cmd.Flags().Changed("book") {
				return initBook(newShow(cmd.OutOrStdout()), args[0], book)
			}
			made, err := makeWorkspace(args[0])
			if err != nil {
				return err
			}
			if !made {
				fmt.Fprintf(cmd.OutOrStdout(), "%s is a workspace already; nothing was changed.\n", watcher.Plain(args[0]))
				return nil
			}
			root := watcher.Plain(args[0])
			fmt.Fprintf(cmd.OutOrStdout(), `Made a workspace in %[1]s. What to do next:
  1. Look through %[2]s and compare it with what your client asks.
  2. Start it: lectern watch %[1]s
  3. Make a folder for your book in %[3]s and drop WAV recordings into it.
Finished chapters appear in %[4]s, your recordings go to %[5]s.
`, root, filepath.Join(root, watcher.SettingsFile), filepath.Join(root, "inbox"),
				filepath.Join(root, "finished"), filepath.Join(root, "archive"))
			return warnOf(newShow(cmd.ErrOrStderr()), args[0])
		},
	}
	cmd.Flags().StringVar(&book, "book", "", "the name of a book to make a folder for")
	return cmd
}

// initBook makes a book's folder in the inbox, and an about.toml in it.
func initBook(show *show, root, name string) error {
	ws, _, err := openWorkspace(root, nil)
	if err != nil {
		return err
	}
	if name == "" || name != filepath.Base(name) || name == "." || name == ".." || strings.ContainsAny(name, `/\`) || strings.HasPrefix(name, ".") {
		return wrongUsage("%q cannot be the name of a book's folder; give a name alone, as in: lectern init --book \"A Ledger of Small Tides\" books", name)
	}
	dir := filepath.Join(ws.Inbox, name)
	if err := os.Mkdir(dir, 0o770); err != nil && !errors.Is(err, fs.ErrExist) {
		return fmt.Errorf("make the book's folder: %w", err)
	}
	path := filepath.Join(dir, "about.toml")
	if err := writeNew(path, config.AboutTemplate(name)); errors.Is(err, fs.ErrExist) {
		show.line("%s is there already; nothing was changed.", path)
		return nil
	} else if err != nil {
		return fmt.Errorf("write about.toml: %w", err)
	}
	show.line("Wrote %s. Open it, and write into it what you know of the book.", path)
	return nil
}

// warnOf tells, in one sentence, what is wrong with the place of a new workspace.
func warnOf(show *show, root string) error {
	ws, settings, err := openWorkspace(root, nil)
	if err != nil {
		return err
	}
	if says := probeWarning(ws, watchSettings(settings.Watch)); says != "" {
		show.line("! %s", says)
	}
	return nil
}

// makeWorkspace makes the folders and then the settings, so that a folder
// with settings is always a whole workspace. It reports false, and does
// nothing, if root is one already.
func makeWorkspace(root string) (made bool, err error) {
	path := filepath.Join(root, watcher.SettingsFile)
	if _, err := os.Lstat(path); err == nil {
		return false, nil
	} else if !errors.Is(err, fs.ErrNotExist) {
		return false, fmt.Errorf("look for a workspace: %w", err)
	}
	if err := watcher.Create(root); err != nil {
		return false, err
	}
	if err := writeNew(path, config.Template()); err != nil {
		return false, fmt.Errorf("write settings: %w", err)
	}
	return true, nil
}

// writeNew writes a file that must not exist yet, and flushes it to disk.
func writeNew(path string, data []byte) (err error) {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o640)
	if err != nil {
		return err
	}
	defer func() {
		if err = errors.Join(err, f.Close()); err != nil {
			os.Remove(path) // half a settings file would pass for a workspace
		}
	}()
	if _, err := f.Write(data); err != nil {
		return err
	}
	return watcher.Flush(f)
}
