package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"sync"
	"time"

	"github.com/spf13/cobra"

	"lectern/config"
	"lectern/watcher"
)

// watchFlags are what the command line of watch says.
type watchFlags struct {
	set                      []string
	poll, asJSON             bool
	service, listen, logFile string
}

func newWatchCmd() *cobra.Command {
	var f watchFlags
	cmd := &cobra.Command{
		Use:   "watch [DIR...]",
		Short: "Run the daemon: master whatever is dropped into a workspace's inbox",
		Long: `Watch masters every recording that is dropped into the inbox of the workspace
DIR (this folder if none is given), until it is stopped with Ctrl-C. A recording
is taken once it is all there and has been quiet for a few seconds. Stopping is
safe at any time: work that was begun is taken up again at the next start.

Several DIRs are looked after by one daemon: each gets its share of the computer, and
one that cannot be watched does not keep the others from it. With --service the
workspaces, and all that concerns the daemon itself, stand in a file.
Run without a terminal, the signal SIGHUP has it read all settings anew; they hold
for the next recording.`,
		RunE: func(cmd *cobra.Command, args []string) error { return f.watch(cmd, args) },
	}
	flags := cmd.Flags()
	flags.StringArrayVar(&f.set, "set", nil, setUsage)
	flags.BoolVar(&f.poll, "poll", false, "look again and again instead of waiting to be told of changes, for network folders")
	flags.BoolVar(&f.asJSON, "json", false, "write the log as JSON, one object a line, as it is when run by a service")
	flags.StringVar(&f.service, "service", "", "read which workspaces to watch, and how, from this file")
	flags.StringVar(&f.listen, "listen", "", "answer at this address of this computer, as in 127.0.0.1:9310: /healthz, /metrics and the finished pages")
	flags.StringVar(&f.logFile, "log-file", "", "write the log to this file as well, as JSON; when it has grown large it goes on in a new one")
	return cmd
}

func (f watchFlags) watch(cmd *cobra.Command, args []string) error {
	set, err := f.serviceOf(args)
	if err != nil {
		return err
	}
	log, endLog, err := newLogTo(cmd.ErrOrStderr(), f.asJSON, LogFile{set.LogFile, set.LogFileMaxMiB, set.LogFilesKept})
	if err != nil {
		return err
	}
	defer endLog()
	var reload <-chan struct{}
	if !isTerminal(cmd.ErrOrStderr()) && !isTerminalIn(cmd.InOrStdin()) {
		reload = wantHangups(cmd.Context())
	}
	if err := newService(set, f.service, f.set, f.poll, log).run(cmd.Context(), reload); err != nil {
		return err
	}
	log.Info("stopped")
	return nil
}

// serviceOf is what the command line makes of a service.
func (f watchFlags) serviceOf(dirs []string) (config.Service, error) {
	set := config.DefaultService()
	set.Workspaces = dirs
	switch {
	case f.service != "" && len(dirs) > 0:
		return set, wrongUsage("give either --service with a file that names the workspaces, or their folders, not both")
	case f.service != "":
		var err error
		if set, err = config.LoadService(f.service); err != nil {
			return set, err
		}
	case len(dirs) == 0:
		set.Workspaces = []string{"."}
	}
	if f.listen != "" {
		if says := config.CheckListen(f.listen); says != "" {
			return set, wrongUsage("--listen: %s", says)
		}
		set.Listen = f.listen
	}
	if f.logFile != "" {
		set.LogFile = f.logFile
	}
	return set, nil
}

func isTerminalIn(r io.Reader) bool {
	f, ok := r.(*os.File)
	return ok && isTerminal(f)
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
	w.Begun = func() { kept.Go(func() { l.keep(keeping) }) }
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
