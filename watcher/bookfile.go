package watcher

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"regexp"
	"slices"

	"lectern/watcher/internal/durable"
)

// What lies in finished/BOOK beside the chapters, all of it made of them: files that are
// written anew with every change, and the folders of clips and of hand-overs.
var (
	bookFiles   = []string{"book.json", "book.csv", "listen.txt", "index.html", "about.toml"}
	bookFolders = []string{"superseded", clipFolder, handoverFolder}
)

// The same in finished/ itself, where the pieces lie that belong to no book.
var (
	topFiles   = []string{"index.html"}
	topFolders = []string{"superseded", clipFolder}
)

// handoverFolder holds what was handed over when, a text and the same as JSON.
const handoverFolder = "handover"

// handoverName matches their names there, the moment.
var handoverName = regexp.MustCompile(`^[0-9]{4}-[0-9]{2}-[0-9]{2} [0-9]{6}\.(json|txt)$`)

// filesBeside returns the names of the files beside the chapters of a book, "" for those
// of none; and foldersBeside those of the folders.
func filesBeside(book string) []string {
	if book == "" {
		return topFiles
	}
	return bookFiles
}

func foldersBeside(book string) []string {
	if book == "" {
		return topFolders
	}
	return bookFolders
}

// BookFolders lists the folders of the books in finished/, in order.
func (ws *Workspace) BookFolders() ([]string, error) {
	names, err := booksIn(ws.Finished)
	names = slices.DeleteFunc(names, func(name string) bool { return slices.Contains(topFolders, name) })
	slices.Sort(names)
	return names, err
}

// FinishedFolder returns the name of the folder in finished/ of a book of the inbox, "" for
// "". It need not be there yet.
func (ws *Workspace) FinishedFolder(book string) (string, error) { return ws.filed(book) }

// InboxFolders returns the names of the folders in the inbox, each by the folded name of its
// folder in finished/.
func (ws *Workspace) InboxFolders() (map[string]string, error) {
	names, err := durable.ListFolder(ws.Inbox)
	if err != nil {
		return nil, err
	}
	slices.Sort(names)
	out := map[string]string{}
	for _, name := range names {
		if key := Fold(outStem(name)); out[key] == "" {
			out[key] = name
		}
	}
	return out, nil
}

// BookDir returns the path of a folder in finished/, "" for finished/ itself.
func (ws *Workspace) BookDir(folder string) string { return filepath.Join(ws.Finished, folder) }

// WriteBookFile writes a file that is made of a book's reports into the book's folder in
// finished/, or with folder "" into finished/ itself, in one durable step over an earlier
// one. name is book.json, book.csv, listen.txt, index.html (the only one in finished/
// itself), about.toml, or handover/ with a moment as in "2026-11-26 141500.json". What was
// handed over is never overwritten: that is an fs.ErrExist. The same content again is not
// written. Without the folder it is an fs.ErrNotExist, and a RefusedError while the disk of
// finished/ is off.
func (ws *Workspace) WriteBookFile(folder, name string, data []byte) error {
	store := durable.Store{FS: &durable.Disk{}, Tag: shortHash(thisOwner("").Host, 4)}
	return ws.writeBookFile(store, folder, name, data)
}

func (ws *Workspace) writeBookFile(store durable.Store, folder, name string, data []byte) error {
	sub, base := path.Split(name)
	switch {
	case folder != "" && (!isPlainName(folder) || slices.Contains(topFolders, folder)):
		return fmt.Errorf("write book file: %q is no book's folder", folder)
	case sub == "" && slices.Contains(filesBeside(folder), base):
	case sub == handoverFolder+"/" && folder != "" && handoverName.MatchString(base):
	default:
		return fmt.Errorf("write book file: %q is no name of one", name)
	}
	if says := ws.diskAway(ws.mounts()); says != "" {
		return refuse("%s", says)
	}
	// finished/ itself may be a link, nothing below it.
	top, err := realFolder(ws.Finished)
	if err != nil {
		return fmt.Errorf("write book file: %w", err)
	}
	dir := filepath.Join(top, folder)
	if err := isFolder(dir); err != nil {
		return fmt.Errorf("write book file: %w", err)
	}
	if sub != "" {
		if err := store.MkdirAll(dir, handoverFolder, folderPerm); err != nil {
			return err
		}
		dir = filepath.Join(dir, handoverFolder)
		if err := isFolder(dir); err != nil {
			return fmt.Errorf("write book file: %w", err)
		}
		return store.PutNew(data, top, dir, base, filePerm)
	}
	if there, err := ReadPaper(filepath.Join(dir, base)); err == nil && bytes.Equal(there, data) {
		return nil
	}
	return store.Put(data, top, dir, base, filePerm)
}

// realFolder returns the folder that a path leads to, the path itself if it is no link:
// some systems cannot resolve every path that they can open.
func realFolder(path string) (string, error) {
	if isFolder(path) == nil {
		return path, nil
	}
	return filepath.EvalSymlinks(path)
}

// isFolder returns an error if path is no folder, or a link to one.
func isFolder(path string) error {
	info, err := os.Lstat(path)
	if err == nil && !info.IsDir() {
		err = &fs.PathError{Op: "open folder", Path: path, Err: ErrNotRegular}
	}
	return err
}

// The names of a book's own settings, the second what becomes of the first where a
// system hides the ends of names.
const (
	aboutFile   = "about.toml"
	aboutHidden = "about.toml.txt"
)

// ReadAbout reads a book's own settings from its folder in the inbox, as ReadBookFile does,
// and tells the name of the file: about.toml, or about.toml.txt if there is none of that
// name. UnreadAbout tells whether there are both.
func (ws *Workspace) ReadAbout(book string) (name string, data []byte, err error) {
	data, err = ws.ReadBookFile(book, aboutFile)
	if !errors.Is(err, fs.ErrNotExist) {
		return aboutFile, data, err
	}
	data, err = ws.ReadBookFile(book, aboutHidden)
	return aboutHidden, data, err
}

// UnreadAbout returns the name of the file beside about.toml that is not read because that
// one is; "" if there is none.
func (ws *Workspace) UnreadAbout(book string) string {
	for _, name := range []string{aboutFile, aboutHidden} {
		if !exists(filepath.Join(ws.Inbox, book, name)) {
			return ""
		}
	}
	return aboutHidden
}
