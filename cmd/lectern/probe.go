package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"github.com/spf13/cobra"

	"lectern/config"
	"lectern/watcher"
)

func newProbeCmd() *cobra.Command {
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "probe [DIR]",
		Short: "Try whether a place can be trusted with recordings",
		Long: `Probe tries the workspace DIR (this folder if none is given), or a folder in which you
mean to make one: whether lectern may work there, whether the disk keeps its promises,
whether new recordings are noticed, how much fits, and more. Each line is ok, or has an
exclamation mark and tells what to do. It removes what it makes, touches nothing of
yours, and may run while lectern watches.
It ends with 0 if all is well, 3 if there is something to do, 1 if it could not try.`,
		Args: oneWorkspace("probe"),
	}
	set := settingsFlag(cmd)
	cmd.Flags().BoolVar(&asJSON, "json", false, "write JSON")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		p, err := probe(cmd.Context(), dirOf(args), *set)
		if err != nil {
			return err
		}
		if asJSON {
			err = writeJSON(cmd, p)
		} else {
			printProbe(newShow(cmd.OutOrStdout()), p)
		}
		if err == nil && !p.OK {
			return &exitError{code: exitAttention}
		}
		return err
	}
	return cmd
}

// probe tries a workspace, or a folder that is none yet. A workspace that cannot be
// opened is something to do.
func probe(ctx context.Context, dir string, set []string) (watcher.Probe, error) {
	if _, err := os.Lstat(filepath.Join(dir, watcher.SettingsFile)); err != nil {
		settings := config.Default()
		if err := config.Set(&settings, set...); err != nil {
			return watcher.Probe{}, err
		}
		return watcher.ProbeFolder(ctx, dir, watchSettings(settings.Watch))
	}
	ws, settings, err := openWorkspace(dir, set)
	var bad *config.Error
	switch {
	case errors.As(err, &bad):
		return watcher.Probe{}, err
	case err != nil:
		return watcher.Probe{Schema: watcher.ProbeSchema, Lines: []watcher.ProbeLine{{What: "place", Says: err.Error()}}}, nil
	}
	return ws.Probe(ctx, watchSettings(settings.Watch))
}

func printProbe(show *show, p watcher.Probe) {
	todo := 0
	for _, l := range p.Lines {
		word := "ok"
		if !l.OK {
			word = "! "
			todo++
		}
		show.line("%s  %s: %s", word, l.What, l.Says)
	}
	verdict := "All is well here"
	if todo > 0 {
		verdict = counted(todo, "thing") + " to do"
	}
	show.line("%s; tried in %.1f s.", verdict, p.TookS)
}

// probePatience is how long a probe may hold up another command. Our choice.
const probePatience = 2300 * time.Millisecond

// probeWarning tries a workspace before it is used and says in one sentence what is wrong
// with it, "" if all is well. A disk that does not answer holds up nobody for long.
func probeWarning(ws *watcher.Workspace, w watcher.Settings) string {
	ctx, cancel := context.WithTimeout(context.Background(), probePatience)
	found := make(chan watcher.Probe, 1)
	go func() {
		defer cancel()
		p, _ := ws.Probe(ctx, w) // what was found until it ended is worth saying
		found <- p
	}()
	late := time.NewTimer(probePatience + 100*time.Millisecond)
	defer late.Stop()
	select {
	case p := <-found:
		return warningOf(p, ws.Root)
	case <-late.C:
		return fmt.Sprintf("this place answers very slowly; lectern probe %s tells more", watcher.Plain(ws.Root))
	}
}

// warningOf makes one sentence of what a probe found.
func warningOf(p watcher.Probe, root string) string {
	first, more := "", 0
	for _, l := range p.Lines {
		switch {
		case l.OK:
		case first == "":
			first = l.Says
		default:
			more++
		}
	}
	switch {
	case first == "":
		return ""
	case more > 0:
		first += fmt.Sprintf(" (and %d more)", more)
	}
	return fmt.Sprintf("%s; lectern probe %s tells more", watcher.Plain(first), watcher.Plain(root))
}
