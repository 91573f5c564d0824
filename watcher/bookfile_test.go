package watcher

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"lectern/watcher/internal/durable"
)

func withOneChapter(t testing.TB) *Workspace {
	t.Helper()
	root, err := os.MkdirTemp(memoryDisk(), "book")
	check(t, err)
	t.Cleanup(func() { os.RemoveAll(root) })
	ws := openWorkspace(t, root, "finished", "archive")
	drop(t, ws, "Tides/01 Harbor.wav", "harbor")
	check(t, drive(ws, &dyingDisk{}))
	return ws
}

func TestWriteBookFile(t *testing.T) {
	ws := withOneChapter(t)
	const stamp = "2026-11-26 141500"
	for _, c := range []struct {
		folder, name string
		ok           bool
	}{
		{"Tides", "book.json", true}, {"Tides", "book.csv", true}, {"Tides", "listen.txt", true}, {"Tides", "index.html", true},
		{"Tides", "about.toml", true}, {"Tides", "handover/" + stamp + ".json", true}, {"Tides", "handover/" + stamp + ".txt", true},
		{"", "index.html", true},
		{"", "book.json", false}, {"", "about.toml", false}, {"", "handover/" + stamp + ".txt", false},
		{"Tides", "01 Harbor.json", false}, {"Tides", "Book.json", false}, {"Tides", "", false}, {"Tides", ".", false}, {"Tides", "..", false},
		{"Tides", "../Tides/book.json", false}, {"Tides", "./book.json", false}, {"Tides", "superseded/book.json", false},
		{"Tides", "handover/book.json", false}, {"Tides", "handover/../book.json", false}, {"Tides", "handover/" + stamp + ".html", false},
		{"Tides", "handover/more/" + stamp + ".txt", false}, {"Tides", `handover\` + stamp + ".txt", false}, {"Tides", "book.json\x00", false},
		{"..", "index.html", false}, {".", "index.html", false}, {"../finished/Tides", "book.json", false}, {"/", "index.html", false},
		{"listen", "book.json", false}, {"superseded", "book.json", false}, {"Nowhere", "book.json", false},
	} {
		err := ws.WriteBookFile(c.folder, c.name, []byte("text"))
		if (err == nil) != c.ok {
			t.Errorf("%q in %q: %v", c.name, c.folder, err)
		}
		if c.ok && content(t, filepath.Join(ws.BookDir(c.folder), filepath.FromSlash(c.name))) != "text" {
			t.Errorf("%q in %q was not written", c.name, c.folder)
		}
	}
	if err := ws.WriteBookFile("Nowhere", "book.json", nil); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("a book that is not there: %v, want fs.ErrNotExist", err)
	}
	if got := audited(t, ws); !got.Clean || len(got.Notes) > 0 {
		t.Errorf("audit: %+v %+v", got.Exceptions, got.Notes)
	}
}

// The same content is not written again, and what was handed over never.
func TestWriteBookFileTwice(t *testing.T) {
	ws := withOneChapter(t)
	path := filepath.Join(ws.Finished, "Tides", "book.json")
	write := func(text string) { check(t, ws.WriteBookFile("Tides", "book.json", []byte(text))) }
	write("one")
	long := time.Unix(1e9, 0)
	check(t, os.Chtimes(path, long, long))
	first, err := os.Lstat(path)
	check(t, err)
	write("one")
	again, err := os.Lstat(path)
	check(t, err)
	if !again.ModTime().Equal(long) || !os.SameFile(first, again) {
		t.Error("the same content was written again")
	}
	write("two")
	if got := content(t, path); got != "two" {
		t.Errorf("it holds %q", got)
	}
	const name = "handover/2026-11-26 141500.json"
	check(t, ws.WriteBookFile("Tides", name, []byte("one")))
	for _, text := range []string{"one", "two"} {
		if err := ws.WriteBookFile("Tides", name, []byte(text)); !errors.Is(err, fs.ErrExist) {
			t.Errorf("%q over what was handed over: %v, want fs.ErrExist", text, err)
		}
	}
	if got := content(t, filepath.Join(ws.Finished, "Tides", name)); got != "one" {
		t.Errorf("what was handed over is %q", got)
	}
}

func TestWriteBookFileFollowsNoLink(t *testing.T) {
	for name, c := range map[string]struct {
		plant func(t *testing.T, book, outside string)
		file  string
		ok    bool
	}{
		"the book": {func(t *testing.T, book, outside string) {
			check(t, os.Rename(book, book+" elsewhere"))
			check(t, os.Symlink(outside, book))
		}, "book.json", false},
		"the book of a hand-over": {func(t *testing.T, book, outside string) {
			check(t, os.Rename(book, book+" elsewhere"))
			check(t, os.Symlink(outside, book))
		}, "handover/2026-11-26 141500.txt", false},
		"the file": {func(t *testing.T, book, outside string) {
			check(t, os.Symlink(filepath.Join(outside, "hers"), filepath.Join(book, "book.json")))
		}, "book.json", true}, // which takes the link's place
		"the folder of hand-overs": {func(t *testing.T, book, outside string) {
			check(t, os.Symlink(outside, filepath.Join(book, "handover")))
		}, "handover/2026-11-26 141500.txt", false},
		"a hand-over": {func(t *testing.T, book, outside string) {
			check(t, os.Mkdir(filepath.Join(book, "handover"), 0o750))
			check(t, os.Symlink(filepath.Join(outside, "hers"), filepath.Join(book, "handover", "2026-11-26 141500.txt")))
		}, "handover/2026-11-26 141500.txt", false},
	} {
		t.Run(name, func(t *testing.T) {
			ws, outside := withOneChapter(t), t.TempDir()
			check(t, os.WriteFile(filepath.Join(outside, "hers"), []byte("hers"), 0o640))
			c.plant(t, filepath.Join(ws.Finished, "Tides"), outside)
			err := ws.WriteBookFile("Tides", c.file, []byte("text"))
			if (err == nil) != c.ok {
				t.Errorf("it ended with %v", err)
			}
			if c.ok && content(t, filepath.Join(ws.Finished, "Tides", c.file)) != "text" {
				t.Error("it was not written")
			}
			if names, err := namesIn(outside); err != nil || len(names) != 1 || content(t, filepath.Join(outside, "hers")) != "hers" {
				t.Errorf("outside lie %q %v", names, err)
			}
		})
	}
	t.Run("finished itself may be one", func(t *testing.T) {
		ws := withOneChapter(t)
		check(t, os.Rename(ws.Finished, filepath.Join(ws.Root, "elsewhere")))
		check(t, os.Symlink(filepath.Join(ws.Root, "elsewhere"), ws.Finished))
		check(t, ws.WriteBookFile("", "index.html", []byte("text")))
		check(t, ws.WriteBookFile("Tides", "book.json", []byte("text")))
		askFor(t, ws, "01 Harbor", words("new"))
		if got := content(t, filepath.Join(ws.Root, "elsewhere", "Tides", "01 Harbor.mp3")); got != "harbor|new" {
			t.Errorf("the chapter is %q", got)
		}
	})
}

// A crash at any call of the disk leaves the old file or the new one, and what else it
// leaves is swept.
func TestWriteBookFileCrash(t *testing.T) {
	for _, name := range []string{"book.json", "handover/2026-11-26 141500.txt"} {
		clean := &dyingDisk{}
		check(t, withOneChapter(t).writeBookFile(durable.Store{FS: clean, Tag: "x"}, "Tides", name, []byte("new")))
		seen := map[string]bool{}
		for n := 1; n <= clean.calls; n++ {
			ws := withOneChapter(t)
			old := ""
			if name == "book.json" {
				old = "old"
				check(t, ws.WriteBookFile("Tides", name, []byte(old)))
			}
			path := filepath.Join(ws.Finished, "Tides", filepath.FromSlash(name))
			if err := ws.writeBookFile(durable.Store{FS: &dyingDisk{dieAt: n}, Tag: "x"}, "Tides", name, []byte("new")); err == nil {
				t.Errorf("%s: it did not die at call %d", name, n)
			}
			got := content(t, path)
			if got != old && got != "new" {
				t.Errorf("%s: died at call %d: it holds %q", name, n, got)
			}
			seen[got] = true
			d := newDaemon(ws, Settings{FreeMarginBytes: 1}.withDefaults(), testHands(), testLog())
			d.sweep(time.Now().Add(2 * strayAge))
			if a := audited(t, ws); !a.Clean {
				t.Errorf("%s: died at call %d: %+v", name, n, a.Exceptions)
			}
		}
		if len(seen) != 2 {
			t.Errorf("%s: only %v was seen in %d crashes", name, seen, clean.calls)
		}
		t.Logf("%s: %d crashes", name, clean.calls)
	}
}

func TestWriteBookFileWithoutItsDisk(t *testing.T) {
	ws := withOneChapter(t)
	// As if finished had lain on a disk that was mounted there.
	check(t, ws.keepMounts(durable.Store{FS: &durable.Disk{}}, []mount{{Folder: ws.Finished, Point: ws.Finished}}))
	var refused *RefusedError
	for _, folder := range []string{"", "Tides"} {
		if err := ws.WriteBookFile(folder, "index.html", []byte("x")); !errors.As(err, &refused) {
			t.Errorf("it ended with %v", err)
		}
		if exists(filepath.Join(ws.Finished, folder, "index.html")) {
			t.Error("it was written")
		}
	}
}

func TestFoldersOfBooks(t *testing.T) {
	ws := withOneChapter(t)
	drop(t, ws, "Rope: a life/01 Knot.wav", "knot")
	drop(t, ws, "Loud.wav", "loud") // of no book, with a clip
	check(t, drive(ws, &dyingDisk{}))
	drop(t, ws, "Loud.wav", "louder")
	check(t, drive(ws, &dyingDisk{}))
	for _, name := range []string{"superseded", clipFolder} {
		if !exists(filepath.Join(ws.Finished, name)) {
			t.Fatalf("there is no %s beside the books", name)
		}
	}
	rope := outStem("Rope: a life")
	folders, err := ws.BookFolders()
	if err != nil || !slices.Equal(folders, []string{rope, "Tides"}) {
		t.Errorf("%q, %v", folders, err)
	}
	for book, want := range map[string]string{"Rope: a life": rope, "TIDES": "Tides", "": "", "New": "New"} {
		if got, err := ws.FinishedFolder(book); err != nil || got != want {
			t.Errorf("%q lies in %q, %v; want %q", book, got, err, want)
		}
	}
	inbox, err := ws.InboxFolders()
	for folder, want := range map[string]string{rope: "Rope: a life", "Tides": "Tides", "Gone": ""} {
		if got := inbox[Fold(folder)]; err != nil || got != want {
			t.Errorf("%q is %q, %v; want %q", folder, got, err, want)
		}
	}
}

func TestReadAbout(t *testing.T) {
	ws := newWorkspace(t)
	put := func(name, text string) {
		check(t, os.MkdirAll(filepath.Join(ws.Inbox, "Tides"), 0o770))
		check(t, os.WriteFile(filepath.Join(ws.Inbox, "Tides", name), []byte(text), 0o640))
	}
	want := func(name, text, unread string) {
		t.Helper()
		got, data, err := ws.ReadAbout("Tides")
		if err != nil || got != name || string(data) != text || ws.UnreadAbout("Tides") != unread {
			t.Errorf("read %q of %q, %v, not %q", data, got, err, ws.UnreadAbout("Tides"))
		}
	}
	if _, _, err := ws.ReadAbout("Tides"); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("there is none, and reading it ends with %v", err)
	}
	put("about.toml.txt", "hidden")
	want("about.toml.txt", "hidden", "")
	put("about.toml", "plain")
	want("about.toml", "plain", "about.toml.txt")
	check(t, os.Remove(filepath.Join(ws.Inbox, "Tides", "about.toml.txt")))
	want("about.toml", "plain", "")
	check(t, os.Rename(filepath.Join(ws.Inbox, "Tides", "about.toml"), filepath.Join(ws.Root, "elsewhere")))
	for _, name := range []string{"about.toml.txt", "about.toml"} {
		check(t, os.Symlink(filepath.Join(ws.Root, "elsewhere"), filepath.Join(ws.Inbox, "Tides", name)))
		if got, data, err := ws.ReadAbout("Tides"); !errors.Is(err, ErrNotRegular) || got != name {
			t.Errorf("a link is read as %q of %q, %v", data, got, err)
		}
	}
}
