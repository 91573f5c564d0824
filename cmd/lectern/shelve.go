package main

import (
	"context"
	"errors"
	"fmt"

	"github.com/spf13/cobra"

	"lectern/watcher"
)

func newShelveCmd() *cobra.Command {
	var to, from, disk string
	var back bool
	cmd := &cobra.Command{
		Use:   "shelve BOOK (--to FOLDER | --back)",
		Short: "Move a book's recordings to another disk, or bring them back",
		Long: `Shelve makes room: it copies the recordings and recipes that the archive holds of
BOOK to FOLDER/BOOK on another disk and reads every copy back. When all of them are safe
there, it removes the recordings from the archive. The recipes stay, and a note beside
them tells which recordings lie on which disk. What is finished stays as it is.
lectern audit counts them as shelved. When a pickup or a command needs one of them,
you are told which disk to connect, and work goes on by itself when it is there.
With --back all of them are copied back to the archive; the copies on the disk stay.
If it is interrupted, nothing is lost: repeat the command. It works while lectern
watches, too.`,
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) != 1 {
				return wrongUsage(`shelve takes one book, as in: lectern shelve "A Ledger of Small Tides" --to /media/shelf`)
			}
			return nil
		},
	}
	cmd.Flags().StringVar(&to, "to", "", "a folder on another disk, which must be there")
	cmd.Flags().StringVar(&disk, "disk", "", "what you call that disk; its label if not given")
	cmd.Flags().BoolVar(&back, "back", false, "bring the recordings back to the archive")
	cmd.Flags().StringVar(&from, "from", "", "with --back: the folder where the disk is now, if that has changed")
	dir := workspaceFlag(cmd)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		switch {
		case back == (to != ""):
			return wrongUsage("shelve needs either --to with a folder on another disk, or --back")
		case back && disk != "", !back && from != "":
			return wrongUsage("--disk goes with --to, and --from with --back")
		}
		ws, settings, err := openWorkspace(*dir, nil)
		if err != nil {
			return err
		}
		in, err := bookInArchive(ws, args[0])
		if err != nil {
			return err
		}
		show := newShow(cmd.OutOrStdout())
		bar := show.bar(args[0])
		where := watcher.Shelf{Dir: to, Disk: disk, Progress: bar.set, Warn: func(says string) { show.line("! %s: %s.", in, says) }}
		var out watcher.Shelved
		if back {
			where.Dir = from
			out, err = watcher.Unshelve(cmd.Context(), ws, watchSettings(settings.Watch), in, where)
		} else {
			out, err = watcher.Shelve(cmd.Context(), ws, watchSettings(settings.Watch), in, where)
		}
		bar.end()
		return tellShelved(cmd.Context(), show, watcher.Plain(in), back, out, err)
	}
	return cmd
}

// tellShelved tells how a move ended.
func tellShelved(ctx context.Context, show *show, in string, back bool, out watcher.Shelved, err error) error {
	var refused *watcher.RefusedError
	switch {
	case ctx.Err() != nil && err != nil:
		show.line("%s: stopped; nothing is lost. Repeat the command to go on", in)
		return &exitError{code: exitFailed}
	case errors.As(err, &refused):
		show.line("%s: %s", in, refused.Says)
		return &exitError{code: exitFailed}
	case err != nil:
		show.line("%s: not finished, and nothing is lost; repeat the command (%v)", in, err)
		return &exitError{code: exitFailed}
	}
	recordings := counted(out.Recordings, "recording")
	size := fmt.Sprintf("%.1f GB", float64(out.Bytes)/1e9)
	switch {
	case out.Recordings == 0 && back:
		show.line("%s: all its recordings that can be found are in the archive", in)
	case out.Recordings == 0:
		show.line("%s: all its recordings are shelved already", in)
	case back:
		show.line("%s: %s (%s) copied back to the archive; the disk %q keeps its copies", in, recordings, size, out.Disk)
	default:
		show.line("%s: %s (%s) shelved on the disk %q, in %s. They lie nowhere else now: keep a second copy", in, recordings, size,
			out.Disk, watcher.Plain(out.Folder))
	}
	for _, says := range out.Left {
		show.line("! %s: %s", in, says)
	}
	if len(out.Left) > 0 {
		return &exitError{code: exitAttention}
	}
	return nil
}

// bookInArchive returns the name of a book's folder in the archive.
func bookInArchive(ws *watcher.Workspace, name string) (string, error) {
	all, err := ws.Filed()
	if err != nil {
		return "", err
	}
	for _, f := range all {
		if isBook(f, name) {
			return f.In, nil
		}
	}
	return "", wrongUsage("the archive holds no book %q; the names are those of the folders in archive", name)
}
