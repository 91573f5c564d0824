package main

import (
	"bytes"
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"lectern/watcher"
)

// startIn is a start with home as the home folder. The page counts as made once watch has
// called draw; opened collects what was shown.
func startIn(home string, watch func(ctx context.Context, root string) error) (s *starting, said *bytes.Buffer, opened *[]string) {
	said, opened = &bytes.Buffer{}, &[]string{}
	return &starting{
		home: home, show: newShow(said), watch: watch,
		open: func(path string) error {
			*opened = append(*opened, path)
			return nil
		},
	}, said, opened
}

// draw writes the page over all books as the daemon would.
func draw(t *testing.T, root string) {
	t.Helper()
	if err := os.WriteFile(filepath.Join(root, "finished", "index.html"), []byte("<p>books"), 0o640); err != nil {
		t.Error(err)
	}
}

func TestStartMakesWatchesAndOpens(t *testing.T) {
	home := t.TempDir()
	trouble := filepath.Join(home, troubleFile)
	write(t, trouble, []byte("of last time"))
	ctx, stop := context.WithCancel(context.Background())
	s, said, opened := startIn(home, func(ctx context.Context, root string) error {
		draw(t, root)
		<-ctx.Done()
		return nil
	})
	open := s.open
	s.open = func(path string) error {
		defer stop()
		return open(path)
	}
	if err := s.run(ctx); err != nil {
		t.Fatal(err)
	}
	root := filepath.Join(home, "Lectern")
	if want := filepath.Join(root, "finished", "index.html"); len(*opened) != 1 || (*opened)[0] != want {
		t.Errorf("opened %q, want %q alone", *opened, want)
	}
	for _, name := range []string{"inbox", "lectern.toml", beginFile} {
		if _, err := os.Stat(filepath.Join(root, name)); err != nil {
			t.Errorf("start made no %s: %v", name, err)
		}
	}
	if _, err := os.Stat(trouble); err == nil {
		t.Error("the text about the trouble of last time is still there")
	}
	if !strings.Contains(said.String(), filepath.Join(root, "inbox")) {
		t.Errorf("it does not say where recordings go:\n%s", said)
	}
}

func TestStartKeepsTheWorkspaceThatIsThere(t *testing.T) {
	home := t.TempDir()
	root := filepath.Join(home, "Lectern")
	if _, err := makeWorkspace(root); err != nil {
		t.Fatal(err)
	}
	settings := filepath.Join(root, watcher.SettingsFile)
	write(t, settings, []byte("[delivery]\nhead_s = 0.7\n"))
	s, _, _ := startIn(home, func(context.Context, string) error { return nil })
	if err := s.run(t.Context()); err != nil {
		t.Fatal(err)
	}
	if text, err := os.ReadFile(settings); err != nil || string(text) != "[delivery]\nhead_s = 0.7\n" {
		t.Errorf("the settings are now %q, %v", text, err)
	}
	if _, err := os.Stat(filepath.Join(root, beginFile)); err == nil {
		t.Error("a text for beginners was put into a workspace that was there")
	}
}

// The page of last time is shown if no new one is made in a while; before there is one,
// there is nothing to show.
func TestWaitForPage(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		page := filepath.Join(t.TempDir(), "index.html")
		write(t, page, []byte("old"))
		before, err := os.Stat(page)
		if err != nil {
			t.Fatal(err)
		}
		began := time.Now()
		waitForPage(t.Context(), page, before)
		if took := time.Since(began); took != pagePatience {
			t.Errorf("waited %v beside the page of last time, want %v", took, pagePatience)
		}
		began = time.Now()
		go func() {
			<-time.After(3 * pagePatience)
			write(t, page+".new", []byte("new"))
			os.Rename(page+".new", page)
		}()
		os.Remove(page)
		waitForPage(t.Context(), page, nil)
		if took := time.Since(began); took < 3*pagePatience || took > 3*pagePatience+pageLook {
			t.Errorf("waited %v for the first page, which came after %v", took, 3*pagePatience)
		}
	})
}

// A second double-click shows the page of the daemon that runs already, and is no error.
func TestStartTwice(t *testing.T) {
	home := t.TempDir()
	held := &watcher.HeldError{PID: 12, Host: "desk"}
	s, said, opened := startIn(home, func(context.Context, string) error { return held })
	if err := s.run(t.Context()); err != nil {
		t.Fatal(err)
	}
	if len(*opened) != 1 || !strings.Contains(said.String(), "at work already") {
		t.Errorf("opened %q and said %q", *opened, said)
	}
	// The page may have been made before the daemon learns that it is the second.
	s, _, opened = startIn(home, nil)
	shown := make(chan struct{})
	s.watch = func(_ context.Context, root string) error {
		draw(t, root)
		<-shown
		return held
	}
	open := s.open
	s.open = func(path string) error {
		defer close(shown)
		return open(path)
	}
	if err := s.run(t.Context()); err != nil || len(*opened) != 1 {
		t.Errorf("run = %v, opened %q", err, *opened)
	}
}

func TestStartTellsWhatHinders(t *testing.T) {
	full := errors.New("disk full")
	for name, tt := range map[string]struct {
		prepare func(t *testing.T, root string)
		watch   error
		says    string
	}{
		"a file of that name":     {func(t *testing.T, root string) { write(t, root, nil) }, nil, "is a file"},
		"somebody's own folder":   {func(t *testing.T, root string) { write(t, filepath.Join(root, "letter.txt"), nil) }, nil, `such as "letter.txt"`},
		"somebody's own archive":  {func(t *testing.T, root string) { write(t, filepath.Join(root, "archive", "old.wav"), nil) }, nil, `such as "archive"`},
		"settings that cannot be": {func(t *testing.T, root string) { breakSettings(t, root) }, nil, "head_s"},
		"the daemon's own":        {nil, full, "disk full"},
	} {
		t.Run(name, func(t *testing.T) {
			home := t.TempDir()
			if tt.prepare != nil {
				tt.prepare(t, filepath.Join(home, "Lectern"))
			}
			s, _, opened := startIn(home, func(context.Context, string) error { return tt.watch })
			err := s.run(t.Context())
			if err == nil || !strings.Contains(err.Error(), tt.says) {
				t.Fatalf("run = %v, want it to say %q", err, tt.says)
			}
			if len(*opened) != 0 {
				t.Errorf("opened %q all the same", *opened)
			}
			if name != "settings that cannot be" && name != "the daemon's own" {
				if _, err := os.Stat(filepath.Join(home, "Lectern", "inbox")); err == nil {
					t.Error("a workspace was made in what is somebody's own")
				}
			}
		})
	}
}

func breakSettings(t *testing.T, root string) {
	if _, err := makeWorkspace(root); err != nil {
		t.Fatal(err)
	}
	write(t, filepath.Join(root, watcher.SettingsFile), []byte("[delivery]\nhead_s = \"long\"\n"))
}

// What a start left half made, and what a file manager puts everywhere, is no hindrance.
func TestStartGoesOnWithHalfAWorkspace(t *testing.T) {
	home := t.TempDir()
	root := filepath.Join(home, "Lectern")
	write(t, filepath.Join(root, ".DS_Store"), nil)
	if err := os.Mkdir(filepath.Join(root, "inbox"), 0o770); err != nil {
		t.Fatal(err)
	}
	s, _, _ := startIn(home, func(context.Context, string) error { return nil })
	if err := s.run(t.Context()); err != nil {
		t.Error(err)
	}
}

// A page that cannot be opened is a sentence that names it, and no error.
func TestStartWithoutABrowser(t *testing.T) {
	s, said, _ := startIn(t.TempDir(), nil)
	s.open = func(string) error { return errors.New("there is no browser") }
	s.watch = func(context.Context, string) error { return &watcher.HeldError{} }
	if err := s.run(t.Context()); err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(said.String(), "there is no browser") || !strings.Contains(said.String(), "Open it yourself") {
		t.Errorf("said %q", said)
	}
}

func TestTellTrouble(t *testing.T) {
	home := t.TempDir()
	var shown string
	show := func(path string) error {
		shown = path
		return nil
	}
	tellTrouble(home, errors.New("two\nlines\x1b[2J"), show)
	if shown != filepath.Join(home, troubleFile) {
		t.Errorf("shown %q", shown)
	}
	text, err := os.ReadFile(shown)
	if err != nil || !strings.Contains(string(text), "\ntwo\nlines?[2J\n") {
		t.Errorf("the text is %q, %v", text, err)
	}
	clearTrouble(home)
	if _, err := os.Stat(shown); err == nil {
		t.Error("the text is still there")
	}

	t.Setenv("TMPDIR", t.TempDir())
	tellTrouble(filepath.Join(home, "none", "such"), errors.New("no home"), show)
	text, err = os.ReadFile(shown)
	if err != nil || !strings.Contains(string(text), "no home") {
		t.Errorf("where the home folder cannot be written to, the text is %q, %v", text, err)
	}
}
