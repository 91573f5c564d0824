package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"lectern/watcher"
)

const (
	// homeFolder is the workspace that start makes, in the home folder.
	homeFolder = "Lectern"
	// pagePatience is how long start waits for the page to be made before it opens the
	// one of last time, and pageLook how often it looks. Our choice.
	pagePatience = 10 * time.Second
	pageLook     = 100 * time.Millisecond
)

func newStartCmd() *cobra.Command {
	var atLogin, notAtLogin, noPage bool
	cmd := &cobra.Command{
		Use:   "start",
		Short: "Make the folder Lectern in your home folder, watch it, and open its page",
		Long: `Start is what a double-click on the program does: it makes the folder Lectern in
your home folder, watches it, and opens its page in your browser. A folder of that
name that it made before is used as it is. If Lectern is at work there already, its
page is opened and that is all.
Where there is no terminal, the log is written to lectern.log in your own folder for
things that need not last, and what hinders the start to a text in your home folder.`,
		Args: cobra.NoArgs,
	}
	cmd.Flags().BoolVar(&atLogin, "at-login", false, "start now, and from now on whenever you log in")
	cmd.Flags().BoolVar(&notAtLogin, "not-at-login", false, "no longer start when you log in; does nothing else")
	cmd.Flags().BoolVar(&noPage, "no-page", false, "do not open the page")
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		out := newShow(cmd.OutOrStdout())
		if atLogin && notAtLogin {
			return wrongUsage("--at-login and --not-at-login contradict each other; give one")
		}
		if notAtLogin {
			return notStartAtLogin(out)
		}
		open := openWithSystem
		if noPage {
			open = func(string) error { return nil }
		}
		home, err := homeDir()
		s := &starting{home: home, show: out, open: open, watch: watchFromStart}
		if err == nil && atLogin {
			err = startAtLogin(out)
		}
		if err == nil {
			err = s.run(cmd.Context())
		}
		if err != nil && !isTerminal(os.Stderr) {
			tellTrouble(home, err, open)
		}
		return keepWindowOpen(err)
	}
	return cmd
}

// starting is one start of the workspace in the home folder.
type starting struct {
	home  string
	show  *show
	open  func(path string) error                      // shows a file to the person
	watch func(ctx context.Context, root string) error // the daemon
}

// run makes the workspace if there is none, watches it until ctx ends, and shows its page.
func (s *starting) run(ctx context.Context) error {
	root := filepath.Join(s.home, homeFolder)
	if err := makeHomeWorkspace(root); err != nil {
		return err
	}
	ws, _, err := openWorkspace(root, nil)
	if err != nil {
		return err
	}
	page := filepath.Join(ws.Finished, "index.html")
	before, _ := os.Stat(page) // nil: there is none yet
	watching, stop := context.WithCancel(ctx)
	defer stop()
	ended := make(chan error, 1)
	go func() { ended <- s.watch(watching, root) }()

	made := make(chan struct{})
	go func() {
		waitForPage(watching, page, before)
		close(made)
	}()
	select {
	case <-made:
		if ctx.Err() != nil {
			return <-ended // stopped before there was anything to show
		}
		clearTrouble(s.home)
		for _, line := range runningWords(ws, runtime.GOOS) {
			s.show.line("%s", line)
		}
		s.openPage(page)
		if err = <-ended; errors.Is(err, watcher.ErrHeld) {
			return nil // the page of the other one is open
		}
		return err
	case err = <-ended:
		if !errors.Is(err, watcher.ErrHeld) {
			return err
		}
		clearTrouble(s.home)
		s.show.line("Lectern is at work already. Its page is %s", page)
		s.openPage(page)
		return nil
	}
}

// openPage opens the page, or says where it is if it cannot be opened.
func (s *starting) openPage(page string) {
	if err := s.open(page); err != nil {
		s.show.line("The page could not be opened (%s). Open it yourself: %s", err, page)
	}
}

// waitForPage returns when the page is another than before, when ctx ends, or when there
// was one before and it has waited long enough.
func waitForPage(ctx context.Context, page string, before fs.FileInfo) {
	if before != nil {
		var stop context.CancelFunc
		ctx, stop = context.WithTimeout(ctx, pagePatience)
		defer stop()
	}
	for {
		now, err := os.Stat(page)
		if err == nil && (before == nil || !os.SameFile(now, before) || !now.ModTime().Equal(before.ModTime())) {
			return
		}
		select {
		case <-ctx.Done():
			return
		case <-time.After(pageLook):
		}
	}
}

// makeHomeWorkspace makes the workspace and a text that says how to begin. A folder of
// that name that holds something else is somebody's own, and is not touched.
func makeHomeWorkspace(root string) error {
	info, err := os.Stat(root)
	switch {
	case err == nil && !info.IsDir():
		return fmt.Errorf("%s is a file, but Lectern needs a folder of that name. Rename the file, then start Lectern again", root)
	case err == nil:
		if err := refuseForeign(root); err != nil {
			return err
		}
	case !errors.Is(err, fs.ErrNotExist):
		return fmt.Errorf("look for the folder %s: %w", homeFolder, err)
	}
	made, err := makeWorkspace(root)
	if errors.Is(err, fs.ErrPermission) {
		return fmt.Errorf("the folder %s may not be made. Ask whoever looks after this computer to let you write into your home folder: %w", root, err)
	}
	if err != nil || !made {
		return err
	}
	if err := writeNew(filepath.Join(root, beginFile), []byte(beginWords(runtime.GOOS))); err != nil && !errors.Is(err, fs.ErrExist) {
		return fmt.Errorf("write %s: %w", beginFile, err)
	}
	return nil
}

// refuseForeign refuses a folder that is no workspace and holds what no start can have
// left half made.
func refuseForeign(root string) error {
	if _, err := os.Lstat(filepath.Join(root, watcher.SettingsFile)); err == nil {
		return nil
	}
	entries, err := os.ReadDir(root)
	if err != nil {
		return fmt.Errorf("look into the folder %s: %w", homeFolder, err)
	}
	for _, e := range entries {
		switch name := e.Name(); {
		case strings.HasPrefix(name, "."), strings.EqualFold(name, "desktop.ini"):
			continue // a file manager's own
		case name == "inbox", name == "working", name == "setaside", name == "finished", name == "archive":
			if inside, err := os.ReadDir(filepath.Join(root, name)); err == nil && len(inside) == 0 {
				continue
			}
		}
		return fmt.Errorf("%s is there already and holds other things, such as %q; Lectern does not touch it. Rename that folder, then start Lectern again", root, e.Name())
	}
	return nil
}

// homeDir returns the absolute path of the home folder, which must be there: an account
// without one is not given one.
func homeDir() (string, error) {
	home, err := os.UserHomeDir()
	if err == nil {
		home, err = filepath.Abs(home)
	}
	if err == nil {
		_, err = os.Stat(home)
	}
	if err != nil {
		return "", fmt.Errorf("your home folder could not be found, so there is no place for the folder %s: %w", homeFolder, err)
	}
	return home, nil
}

// watchFromStart runs the daemon on root. Its log goes to the terminal if there is one,
// and to a file if not.
func watchFromStart(ctx context.Context, root string) error {
	if isTerminal(os.Stderr) {
		return runWatch(ctx, os.Stderr, root)
	}
	path, err := startLogPath()
	if err != nil {
		return err
	}
	log := openLog(path)
	defer log.Close()
	return runWatch(ctx, log, root)
}
