package main

import (
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"lectern/pipeline/book"
	"lectern/pipeline/report"
	"lectern/watcher"
)

func newHandoverCmd() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "handover BOOK",
		Short: "Write down what is handed over now",
		Long: `Handover writes into the book's folder handover, in finished, which files are handed
over now: their names, revisions, lengths and sums, as a text and as JSON, with the
moment in their names. From then on the book's page and book.json tell what has changed
since. It hands over nothing itself and changes no chapter. What is still to do is told,
and written down as well; it ends with 3 if there is anything.`,
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) != 1 {
				return wrongUsage(`handover needs one book, as in: lectern handover "A Ledger of Small Tides"`)
			}
			return nil
		},
	}
	dir := workspaceFlag(cmd)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		l, err := openLibrary(cmd, *dir)
		if err != nil {
			return err
		}
		h, name, err := l.handOver(args[0])
		if err != nil {
			return err
		}
		if _, err := l.refresh(cmd.Context(), false, nil); err != nil {
			return fmt.Errorf("make the pages: %w", err)
		}
		show := newShow(cmd.OutOrStdout())
		show.line("%s: %s written down, %.2f finished hours (%s), in handover/%s.txt",
			h.Book, counted(len(h.Files), "file"), float64(h.FinishedHours), h.FinishedClock, name)
		printToDo(show, h.ToDo)
		if len(h.ToDo) > 0 {
			return &exitError{code: exitAttention}
		}
		return nil
	}
	return cmd
}

// handoverMoment is how the moment stands in a record's name, in the time of this place.
const handoverMoment = "2006-01-02 150405"

// handOver writes the record of what is finished of a book. name is that of the record,
// without its ending.
func (l *library) handOver(wanted string) (h *book.Handover, name string, err error) {
	folders, err := l.ws.BookFolders()
	if err != nil {
		return nil, "", err
	}
	status, err := l.ws.Status(l.hands.watch(), l.hands.forWatcher())
	if err != nil {
		return nil, "", err
	}
	for _, folder := range folders {
		s, err := l.gather(folder)
		if err != nil {
			return nil, "", err
		}
		if watcher.Fold(folder) != watcher.Fold(wanted) && watcher.Fold(s.name) != watcher.Fold(wanted) {
			continue
		}
		if len(s.filed) == 0 {
			break
		}
		now := l.now().Truncate(time.Second)
		h, name := book.NewHandover(l.judge(s, status), now), now.Format(handoverMoment)
		text, err := report.Marshal(h)
		if err != nil {
			return nil, "", err
		}
		// The JSON comes last: it is what the next look believes.
		for _, f := range []struct {
			ending string
			data   []byte
		}{{".txt", []byte(h.Text())}, {".json", text}} {
			if err := l.ws.WriteBookFile(folder, "handover/"+name+f.ending, f.data); err != nil {
				return nil, "", fmt.Errorf("write down what is handed over: %w", err)
			}
		}
		if err := l.ws.WriteDiary(folder, now, diaryOfHandover(h, name)); err != nil {
			return nil, "", fmt.Errorf("%s is written down in handover/%s.txt, but the diary does not tell of it: %w", h.Book, name, err)
		}
		return h, name, nil
	}
	return nil, "", wrongUsage("nothing is finished of a book %q; the names are those of the folders in finished", wanted)
}

// diaryOfHandover tells, in a line of diary, what was handed over.
func diaryOfHandover(h *book.Handover, name string) string {
	says := fmt.Sprintf("handed over: %s, %.2f finished hours, as handover/%s.txt tells", counted(len(h.Files), "file"), float64(h.FinishedHours), name)
	if n := len(h.ToDo); n > 0 {
		says += fmt.Sprintf("; %s still to do", counted(n, "thing"))
	}
	return says
}
