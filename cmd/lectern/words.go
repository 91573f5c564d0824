package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"

	"lectern/config"
	"lectern/encode"
	"lectern/pipeline/book"
	"lectern/watcher"
)

// bookWords are what a book's about.toml and cover say, and what is wrong with them.
type bookWords struct {
	about config.About
	cover []byte
	says  []string
	// unsure tells that they could not be read, so that no finished file is to be changed
	// for them.
	unsure bool
}

// keptWords is the last good copy of a book's about.toml, beside its chapters.
const keptWords = "about.toml"

// wordsOf reads a book's about.toml and cover from its inbox folder and keeps a copy of the
// first with the finished book. That copy is read where about.toml is gone or cannot be
// used. folder is the book's name in finished/.
func wordsOf(ws *watcher.Workspace, name, folder string) (w bookWords, err error) {
	if _, err := os.Lstat(filepath.Join(ws.Inbox, name)); errors.Is(err, fs.ErrNotExist) {
		w.unsure = true // she has tidied up, and the finished files keep their words
	}
	w.readCover(ws, name)
	file, text, err := ws.ReadAbout(name)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return w, w.readKept(ws, name, folder)
	case errors.Is(err, watcher.ErrNotRegular):
		w.says = append(w.says, fmt.Sprintf("%s in the book's folder is a link and not a file, so it is not read. Put the file itself there.", file))
		return w, w.readKept(ws, name, folder)
	case err != nil:
		return w, fmt.Errorf("read the book's words: %w", err)
	}
	if w.about, err = config.ReadAbout(name, text); err != nil {
		w.says = append(w.says, fmt.Sprintf("What about.toml says of the book is not used: %v Until it is corrected, what it said before holds.", err))
		w.unsure = true
		return w, w.readKept(ws, name, folder)
	}
	if other := ws.UnreadAbout(name); other != "" {
		w.says = append(w.says, fmt.Sprintf("The book's folder holds about.toml and %s; only about.toml is read. Delete the one you do not need.", other))
	}
	if err := ws.WriteBookFile(folder, keptWords, text); err != nil && !errors.Is(err, fs.ErrNotExist) { // else nothing is finished yet
		return w, fmt.Errorf("keep a copy of about.toml: %w", err)
	}
	return w, nil
}

// readKept reads the last good copy, if there is one.
func (w *bookWords) readKept(ws *watcher.Workspace, name, folder string) error {
	text, err := watcher.ReadPaper(filepath.Join(ws.BookDir(folder), keptWords))
	if err == nil {
		if w.about, err = config.ReadAbout(name, text); err == nil {
			return nil
		}
	}
	w.about, err = config.ReadAbout(name, nil)
	return err
}

// coverNames are the files that are taken for the cover, the first that is there.
var coverNames = []string{"cover.jpg", "cover.jpeg", "cover.png"}

func (w *bookWords) readCover(ws *watcher.Workspace, name string) {
	for _, file := range coverNames {
		picture, err := ws.ReadBookFile(name, file)
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil {
			w.says = append(w.says, fmt.Sprintf("%s cannot be read (%v), so no cover goes into the chapters.", file, err))
			w.unsure = true
		} else if says := encode.CoverProblem(picture); says != "" {
			w.says = append(w.says, says)
		} else {
			w.cover = picture
		}
		return
	}
}

// tagsOf are the words that belong into a chapter's MP3. all are the chapters known of its
// book, whose name is "" for a single piece.
func (w *bookWords) tagsOf(chapter string, all []string, name string) encode.Tags {
	t := book.Tags(chapter, withChapter(all, chapter), name, w.about)
	t.Cover = w.cover
	return t
}

// withChapter adds a chapter to those known of a book.
func withChapter(all []string, chapter string) []string {
	if slices.ContainsFunc(all, func(n string) bool { return watcher.Fold(n) == watcher.Fold(chapter) }) {
		return all
	}
	return append(slices.Clone(all), chapter)
}
