//go:build unix

package main

import (
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"lectern/config"
	"lectern/watcher"
)

// A book's settings are read out of a file in a folder and of nothing else: not through
// a link in the place of either, not out of what would make a reader wait for ever.
func TestSettingsNowReadsFilesOnly(t *testing.T) {
	outside := t.TempDir()
	secret := filepath.Join(outside, "about.toml")
	if err := os.WriteFile(secret, []byte("[delivery]\nhead_s = 0.9\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	inFolder := func(make func(about string) error) func(string) error {
		return func(book string) error {
			return errors.Join(os.Mkdir(book, 0o750), make(filepath.Join(book, "about.toml")))
		}
	}
	for what, make := range map[string]func(book string) error{
		"a link":            inFolder(func(about string) error { return os.Symlink(secret, about) }),
		"a link to nowhere": inFolder(func(about string) error { return os.Symlink("nowhere", about) }),
		"a link to itself":  inFolder(func(about string) error { return os.Symlink("about.toml", about) }),
		"a pipe":            inFolder(func(about string) error { return syscall.Mkfifo(about, 0o640) }),
		"a folder":          inFolder(func(about string) error { return os.Mkdir(about, 0o750) }),
		"a socket": inFolder(func(about string) error {
			l, err := net.Listen("unix", about)
			if err == nil {
				t.Cleanup(func() { l.Close() })
			}
			return err
		}),
		"the folder is a link":              func(book string) error { return os.Symlink(outside, book) },
		"the folder is a link to a sibling": func(book string) error { return os.Symlink("other", book) },
	} {
		root, err := os.MkdirTemp("", "settings") // short: a socket's path is limited
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { os.RemoveAll(root) })
		if err := watcher.Create(root); err != nil {
			t.Fatal(err)
		}
		inbox := filepath.Join(root, "inbox")
		if err := errors.Join(os.Mkdir(filepath.Join(inbox, "other"), 0o750), make(filepath.Join(inbox, "Tides"))); err != nil {
			t.Fatal(what, err)
		}
		h := newHands(&watcher.Workspace{Root: root, Inbox: inbox}, config.Default(), nil, nil)
		var bad *watcher.BadRaw
		if got, err := h.settingsNow("Tides"); !errors.As(err, &bad) || !strings.Contains(bad.Says, "is a link or a device") {
			t.Errorf("%s: head_s is %v, and it says: %v", what, got.Delivery.HeadS, err)
		}
		if _, err := h.settingsNow("../" + filepath.Base(outside)); err == nil {
			t.Errorf("settings were read from outside the inbox")
		}
	}
}

// A book's folder changes places with a link to one outside while its settings are read.
func TestSettingsNowWhileTheFolderIsSwapped(t *testing.T) {
	root, outside := t.TempDir(), t.TempDir()
	if err := watcher.Create(root); err != nil {
		t.Fatal(err)
	}
	book, link, aside := filepath.Join(root, "inbox", "Tides"), filepath.Join(root, "link"), filepath.Join(root, "aside")
	err := errors.Join(os.Mkdir(book, 0o750), os.Symlink(outside, link))
	for dir, head := range map[string]float64{book: 0.7, outside: 0.9} {
		text := fmt.Sprintf("[delivery]\nhead_s = %v\n", head)
		err = errors.Join(err, os.WriteFile(filepath.Join(dir, "about.toml"), []byte(text), 0o640))
	}
	if err != nil {
		t.Fatal(err)
	}
	end, ended := make(chan struct{}), make(chan error)
	go func() {
		for {
			select {
			case <-end:
				ended <- nil
				return
			default:
			}
			if err := errors.Join(os.Rename(book, aside), os.Rename(link, book), os.Rename(book, link), os.Rename(aside, book)); err != nil {
				ended <- err
				return
			}
		}
	}()
	h := newHands(&watcher.Workspace{Root: root, Inbox: filepath.Join(root, "inbox")}, config.Default(), nil, nil)
	read, refused := 0, 0
	for tries := 0; tries < 1_000_000 && (read < 1000 || refused < 1000); tries++ {
		switch got, err := h.settingsNow("Tides"); {
		case err != nil:
			refused++
		case got.Delivery.HeadS == 0.9:
			t.Fatalf("settings were read from outside, after %d tries", tries)
		case got.Delivery.HeadS == 0.7:
			read++
		}
	}
	close(end)
	if err := <-ended; err != nil {
		t.Fatal(err)
	}
	if read == 0 || refused == 0 {
		t.Errorf("read %d times, refused %d times: this proves little", read, refused)
	}
}
