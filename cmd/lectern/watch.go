package main

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"sync"
	"time"

	"github.com/spf13/cobra"
	"go.uber.org/zap"

	"lectern/config"
	"lectern/watcher"
)

func newWatchCmd() *cobra.Command {
	var poll, asJSON bool
	var file LogFile
	cmd := &cobra.Command{
		Use:   "watch [DIR]",
		Short: "Run the daemon: master whatever is dropped into a workspace's inbox",
		Long: `Watch masters every recording that is dropped into the inbox of the workspace
DIR (this folder if none is given), until it is stopped with Ctrl-C. A recording
is taken once it is all there and has been quiet for a few seconds. Stopping is
safe at any time: work that was begun is taken up again at the next start.`,
		Args: oneWorkspace("watch"),
	}
	set := settingsFlag(cmd)
	cmd.Flags().BoolVar(&poll, "poll", false, "look again and again instead of waiting to be told of changes, for network folders")
	cmd.Flags().BoolVar(&asJSON, "json", false, "write the log as JSON, one object a line, as it is when run by a service")
	cmd.Flags().StringVar(&file.Path, "log-file", "", "write the log to this file as well, as JSON; when it has grown large it goes on in a new one")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		ws, settings, err := openWorkspace(dirOf(args), *set)
		if err != nil {
			return err
		}
		log, endLog, err := newLogTo(cmd.ErrOrStderr(), asJSON, file)
		if err != nil {
			return err
		}
		defer endLog()
		log = log.With(zap.String(fieldWorkspace, filepath.Base(ws.Root)))
		h := newHands(ws, settings, *set, log)
		w := watchSettings(settings.Watch)
		w.PollOnly = poll
		if err := watchAndKeep(cmd.Context(), newLibrary(ws, settings, h, log), w); err != nil {
			return err
		}
		log.Info("stopped")
		return nil
	}
	return cmd
}

// watchAndKeep runs the daemon and keeps the library beside it. What the daemon tells is
// passed on to w.Notice, if there is one.
func watchAndKeep(ctx context.Context, l *library, w watcher.Settings) error {
	notice := w.Notice
	w.Notice = func(e watcher.Event) {
		if notice != nil {
			notice(e)
		}
		if e.Kind != watcher.Progress {
			l.wakeFor(e.Book)
		}
	}
	keeping, stop := context.WithCancel(context.Background())
	var kept sync.WaitGroup
	kept.Go(func() { l.keep(keeping, l.watch.Rescan) })
	err := watcher.Run(ctx, l.ws, w, l.hands.forWatcher(), l.log)
	stop()
	kept.Wait()
	return err
}

// openWorkspace finds the workspace and its settings. What is no workspace is
// wrong usage, and nothing is made.
func openWorkspace(dir string, set []string) (*watcher.Workspace, config.Settings, error) {
	// Before the settings are looked for, so that the sentence is about the folder.
	_, err := watcher.Open(dir, "", "")
	if errors.Is(err, watcher.ErrNotWorkspace) {
		return nil, config.Settings{}, wrongUsage("%w", err)
	}
	settings, err := config.Load(filepath.Join(dir, watcher.SettingsFile))
	if err != nil {
		return nil, settings, err
	}
	if err := config.Set(&settings, set...); err != nil {
		return nil, settings, err
	}
	ws, err := watcher.Open(dir, settings.Folders.Finished, settings.Folders.Archive)
	if err != nil {
		return nil, settings, fmt.Errorf("open workspace: %w", err)
	}
	return ws, settings, nil
}

func watchSettings(w config.Watch) watcher.Settings {
	s := func(seconds float64) time.Duration { return time.Duration(seconds * float64(time.Second)) }
	return watcher.Settings{
		Quiet: s(w.QuietS), NetworkQuiet: s(w.NetworkQuietS), UnfinishedWait: s(w.UnfinishedWaitS),
		Rescan: s(w.RescanS), Jobs: w.Jobs, RawMaxBytes: int64(w.RawMaxGiB * (1 << 30)),
	}
}
