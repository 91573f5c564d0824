package main

import (
	"bytes"
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"go.uber.org/zap"

	"lectern/pipeline"
	"lectern/pipeline/book"
	"lectern/pipeline/page"
	"lectern/pipeline/report"
	"lectern/watcher"
)

// library keeps what lies over the chapters of a workspace: of each book its book.json,
// book.csv, listen.txt and page, and the page over all books. It is made of the reports
// alone, so it can be made anew at any time.
type library struct {
	ws    *watcher.Workspace
	hands hands
	log   *zap.Logger
	now   func() time.Time
	seen  map[string]seen   // by folder in finished/
	inbox map[string]string // the folders there, by folder in finished/; nil: not looked at
	index [sha256.Size]byte // of the page over all books, its time left out
	// madeIndex tells what that page was made of, and looks how often a book was looked into.
	madeIndex string
	looks     int
	said      string // what went wrong the last time
	// status is how it was at statusAt; the zero time calls for another look.
	status   watcher.Status
	statusAt time.Time
	// wake and woken, which waking guards, tell keep of what happens.
	wake   chan struct{}
	waking sync.Mutex
	woken  map[string]bool
	// settled are the asks that led to nothing, by the book's folder: they are not asked again
	// until something of the book is another.
	settled map[string]settled
	// refused is the last ask about a chapter, with what was said of it, by its book's folder and
	// its name: the same is not said again.
	refused map[string]string
}

func newLibrary(ws *watcher.Workspace, h hands, log *zap.Logger) *library {
	return &library{
		ws: ws, hands: h, log: log, now: time.Now,
		seen: map[string]seen{}, settled: map[string]settled{}, refused: map[string]string{}, wake: make(chan struct{}, 1), woken: map[string]bool{},
	}
}

// judge tells what a book is worth as it stands.
func (l *library) judge(s *shelf, status watcher.Status) *book.Book {
	in := book.Input{
		Name: s.name, Folder: s.folder, About: s.words.about, Reports: s.filed, Handed: s.handed, Now: l.now(),
		Version: versionText(), Chain: pipeline.Chain, Trouble: s.words.says,
	}
	if settings, err := l.hands.settingsNow(s.name); err == nil {
		in.SettingsSHA256 = settings.SHA256()
	}
	in.Waiting, in.SetAside = l.pending(s.name, status)
	in.Waiting = slices.DeleteFunc(in.Waiting, func(p book.Pending) bool {
		_, finished := s.find(p.Name)
		return finished && p.Says == beingMade
	})
	in.MadeOf = fmt.Sprintf("%x", sha256.Sum256(fmt.Append(nil, s.madeOf, in.SettingsSHA256, in.Waiting, in.SetAside)))
	return book.Judge(in)
}

// beingMade is said of a chapter that is in work.
const beingMade = "it is being made just now"

// pending returns what of a book is not finished.
func (l *library) pending(name string, status watcher.Status) (waiting, setAside []book.Pending) {
	isOurs := func(other string) bool { return watcher.Fold(other) == watcher.Fold(name) }
	for _, w := range status.Waiting {
		if isOurs(w.Book) {
			waiting = append(waiting, book.Pending{Name: l.hands.names().Parse(w.Name).Chapter, Says: w.Says})
		}
	}
	for _, m := range status.Making {
		if isOurs(m.Book) {
			waiting = append(waiting, book.Pending{Name: m.Chapter, Says: beingMade})
		}
	}
	for _, a := range status.SetAside {
		if isOurs(a.Book) {
			setAside = append(setAside, book.Pending{Name: l.hands.names().Parse(a.Name).Chapter, Says: a.Says})
		}
	}
	return waiting, setAside
}

// write writes a book's files, unless they are made of just this already.
func (l *library) write(s *shelf, b *book.Book, anew bool) error {
	if !anew && l.upToDate(s.folder, b.MadeOf) {
		return nil
	}
	table, list, drawn := &bytes.Buffer{}, &bytes.Buffer{}, &bytes.Buffer{}
	separator := l.hands.set().Book.Separator()
	err := errors.Join(
		book.WriteCSV(table, b, separator),
		book.WriteListen(list, b, s.reports()),
		page.WriteBook(drawn, page.BookInput{Book: b, Reports: s.filed, AsOf: l.now()}),
	)
	if err != nil {
		return err
	}
	text, err := report.Marshal(b)
	if err != nil {
		return err
	}
	// book.json comes last: it tells that the others are there.
	for _, f := range []struct {
		name string
		data []byte
	}{{"book.csv", table.Bytes()}, {"listen.txt", list.Bytes()}, {"index.html", drawn.Bytes()}, {"book.json", text}} {
		if err := l.ws.WriteBookFile(s.folder, f.name, f.data); err != nil {
			return err
		}
	}
	return nil
}

// upToDate tells whether a book's files are all there and made of the same.
func (l *library) upToDate(folder, madeOf string) bool {
	dir := l.ws.BookDir(folder)
	for _, name := range []string{"book.csv", "listen.txt", "index.html"} {
		if _, err := os.Lstat(filepath.Join(dir, name)); err != nil {
			return false
		}
	}
	b, err := readBook(dir)
	return err == nil && b.MadeOf == madeOf
}

func readBook(dir string) (*book.Book, error) {
	text, err := watcher.ReadPaper(filepath.Join(dir, "book.json"))
	if err != nil {
		return nil, err
	}
	b := &book.Book{}
	if err := json.Unmarshal(text, b); err != nil {
		return nil, fmt.Errorf("read book.json: %w", err)
	}
	return b, nil
}

// seen is a book, or with the folder "" the pieces of none, as it was when its folders were
// last looked into.
type seen struct {
	look    string
	book    *book.Book // nil if nothing of it is finished
	singles []book.Filed
	rooms   []*report.RoomTestReport
}

// refresh writes the files of every book of which something has changed, or with anew of
// all, and then the page over all of them. It returns the books. Each one that was looked
// into is handed to each, which may be nil.
func (l *library) refresh(ctx context.Context, anew bool, each func(*shelf)) (books []*book.Book, err error) {
	status, err := l.statusNow()
	if err != nil {
		return nil, err
	}
	l.inbox = nil
	folders, err := l.ws.BookFolders()
	if err != nil {
		return nil, err
	}
	var faults []error
	var rooms []*report.RoomTestReport
	for _, folder := range folders {
		if ctx.Err() != nil {
			return nil, ctx.Err()
		}
		look, err := l.lookAt(folder, status)
		now := l.seen[folder]
		if err == nil && (anew || now.look != look) {
			var s *shelf
			var b *book.Book
			l.looks++
			if s, b, err = l.makeBook(folder, status, anew); err == nil {
				now = seen{look: look, book: outlined(b), rooms: s.rooms}
				l.seen[folder] = now
				if each != nil {
					each(s) // which may forget that it was seen
				}
			}
		}
		if err != nil {
			faults = append(faults, fmt.Errorf("%s: %w", folder, err))
			delete(l.seen, folder)
			continue
		}
		rooms = append(rooms, now.rooms...)
		if now.book != nil {
			books = append(books, now.book)
		}
	}
	if _, err := os.Lstat(filepath.Join(l.ws.BookDir(""), "index.html")); err != nil {
		anew = true
	}
	if made := fmt.Sprint(l.statusAt, len(books), l.looks); anew || made != l.madeIndex || l.singlesChanged() {
		err := l.writeIndex(books, rooms, status, anew)
		if l.madeIndex = made; err != nil {
			l.madeIndex, faults = "", append(faults, err)
		}
	}
	return books, errors.Join(faults...)
}

// outlined is a book without the figures of its files, which its own page alone tells: there
// may be a thousand books.
func outlined(b *book.Book) *book.Book {
	if b == nil {
		return nil
	}
	out := *b
	out.Files = slices.Clone(b.Files)
	for i := range out.Files {
		out.Files[i].Figures = nil
	}
	return &out
}

// nameOf is the book's name as the narrator spelled it: that of its folder in the inbox, or
// where that is gone, of its folder in finished.
func (l *library) nameOf(folder string) (string, error) {
	if l.inbox == nil {
		var err error
		if l.inbox, err = l.ws.InboxFolders(); err != nil {
			return "", err
		}
	}
	return cmp.Or(l.inbox[watcher.Fold(folder)], folder), nil
}

// statusLasts is how long what waits is believed to be as it was, where nothing was told.
// Our choice: a look at every file of the inbox costs more than all the rest.
const statusLasts = time.Minute

func (l *library) statusNow() (watcher.Status, error) {
	if now := l.now(); l.statusAt.IsZero() || now.Sub(l.statusAt) >= statusLasts {
		status, err := l.ws.Status(l.hands.watch(), l.hands.forWatcher())
		if err != nil {
			return watcher.Status{}, err
		}
		l.status, l.statusAt = status, now
	}
	return l.status, nil
}

// makeBook writes one book's files. The book is nil if there is nothing to tell of.
func (l *library) makeBook(folder string, status watcher.Status, anew bool) (*shelf, *book.Book, error) {
	s, err := l.gather(folder)
	if err != nil {
		return nil, nil, err
	}
	if _, err := readBook(l.ws.BookDir(folder)); len(s.filed) == 0 && s.handed == nil && errors.Is(err, fs.ErrNotExist) {
		return s, nil, nil // nothing but room tests
	}
	b := l.judge(s, status)
	return s, b, l.write(s, b, anew)
}

// lookAt tells how everything looks that a book's files are made of: if it looks the same
// again, nothing has changed.
func (l *library) lookAt(folder string, status watcher.Status) (string, error) {
	name, err := l.nameOf(folder)
	if err != nil {
		return "", err
	}
	var b strings.Builder
	paths := []string{l.ws.BookDir(folder), filepath.Join(l.ws.Inbox, name), filepath.Join(l.ws.BookDir(folder), "handover")}
	for _, file := range append([]string{"about.toml", "about.toml.txt"}, coverNames...) {
		paths = append(paths, filepath.Join(l.ws.Inbox, name, file))
	}
	for _, path := range paths {
		if info, err := os.Lstat(path); err == nil {
			fmt.Fprintln(&b, info.ModTime().UnixNano(), info.Size())
		} else {
			fmt.Fprintln(&b, "none")
		}
	}
	waiting, setAside := l.pending(name, status)
	fmt.Fprintf(&b, "%q %q", waiting, setAside)
	return b.String(), nil
}

// singlesLook is how the folder of the pieces of no book looks.
func (l *library) singlesLook() string {
	info, err := os.Lstat(l.ws.BookDir(""))
	if err != nil {
		return "none"
	}
	return info.ModTime().String()
}

func (l *library) singlesChanged() bool { return l.seen[""].look != l.singlesLook() }

// lookAtSingles reads the reports of the pieces of no book, if something has changed.
func (l *library) lookAtSingles() (seen, error) {
	look := l.singlesLook()
	if was, there := l.seen[""]; there && was.look == look {
		return was, nil
	}
	s, err := l.gather("")
	if err != nil {
		return seen{}, err
	}
	l.seen[""] = seen{look: look, singles: s.filed, rooms: s.rooms}
	return l.seen[""], nil
}

// writeIndex draws the page over all books.
func (l *library) writeIndex(books []*book.Book, rooms []*report.RoomTestReport, status watcher.Status, anew bool) error {
	singles, err := l.lookAtSingles()
	if err != nil {
		return err
	}
	in := page.IndexInput{Books: books, Singles: singles.singles, Rooms: append(rooms, singles.rooms...), AsOf: l.now()}
	for _, w := range status.Waiting {
		in.Waiting = append(in.Waiting, page.Unfinished{Book: w.Book, Name: w.Name, Says: w.Says})
	}
	for _, a := range status.SetAside {
		in.SetAside = append(in.SetAside, page.Unfinished{Book: a.Book, Name: a.Name, Says: a.Says})
	}
	var drawn bytes.Buffer
	asOf := in.AsOf
	in.AsOf = time.Time{}
	if err := page.WriteIndex(&drawn, in); err != nil {
		return err
	}
	if sum := sha256.Sum256(drawn.Bytes()); anew || sum != l.index {
		l.index, in.AsOf = sum, asOf
		drawn.Reset()
		if err := page.WriteIndex(&drawn, in); err != nil {
			return err
		}
		return l.ws.WriteBookFile("", "index.html", drawn.Bytes())
	}
	return nil
}
