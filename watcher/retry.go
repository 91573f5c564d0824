package watcher

import (
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"slices"
	"time"

	"go.uber.org/zap"

	"lectern/watcher/internal/durable"
)

// TryAgain moves a recording that was set aside back into the inbox, under its own
// name, where it is a new one. Its note goes once it is solved.
func (ws *Workspace) TryAgain(a Aside) error {
	if !isPlainName(a.Name) {
		return refuse("the report of %s names no plain file; move the recording from setaside to the inbox by hand", Plain(a.Name))
	}
	inbox, err := ws.inboxFolder(a.Book)
	if err != nil {
		return err
	}
	store := durable.Store{FS: &durable.Disk{}, Tag: shortHash(thisOwner("").Host, 4)}
	if err := store.MkdirAll(ws.Inbox, inbox, inboxPerm); err != nil {
		return err
	}
	from := filepath.Join(ws.SetAside, a.Book, outStem(stemOf(a.Name))+".wav")
	err = store.Give(from, filepath.Join(ws.Inbox, inbox), a.Name)
	switch {
	case errors.Is(err, fs.ErrExist):
		return refuse("another recording of that name waits in the inbox; it is tried first")
	case errors.Is(err, fs.ErrNotExist) && exists(from):
		return refuse("%s in the inbox is a link and not a folder, so nothing is put there; make it a folder and try again", Plain(inbox))
	}
	return err
}

// inboxFolder returns the book folder of the inbox that is filed under a name.
func (ws *Workspace) inboxFolder(filed string) (string, error) {
	names, err := durable.ListFolder(ws.Inbox)
	if err != nil {
		return "", err
	}
	slices.Sort(names)
	for _, name := range names {
		if filed != "" && sameName(outStem(name), filed) {
			return name, nil
		}
	}
	return filed, nil
}

// TakeAsIs claims a recording that is shorter than its header promises, as it stands,
// with whatever else of its chapter waits. A running daemon, or the next one, goes on
// with it.
func (ws *Workspace) TakeAsIs(s Settings, hands Hands, book, name string) error {
	s.unlocked = true
	d := newDaemon(ws, s.withDefaults(), hands, zap.NewNop())
	now := time.Now()
	for range looksMin {
		d.scanAll(now)
		now = now.Add(d.quiet())
	}
	var t *tracked
	if state := d.folders[book]; state != nil {
		t = state.files[name]
	}
	switch {
	case t == nil && exists(filepath.Join(ws.Inbox, book, name)):
		return refuse("%s is no WAV recording that lies in the inbox itself; lectern status tells what to do about it", Plain(name))
	case t == nil:
		return refuse("%s is not in the inbox any more", Plain(name))
	}
	var files []*tracked
	for _, other := range d.folders[book].files {
		if other.key != t.key {
			continue
		}
		path := filepath.Join(ws.Inbox, book, other.name)
		if open, err := hasWriter(path); err != nil {
			return fmt.Errorf("look at recording: %w", err)
		} else if open == yes {
			return refuse("%s is still open in the program that writes it; close it there first", Plain(other.name))
		}
		other.complete = d.askComplete(path)
		switch {
		case other.complete.State == Refused && other != t:
			return refuse("%s belongs to the same chapter. %s", Plain(other.name), other.complete.Says)
		case other.complete.State == Refused:
			return refuse("%s", other.complete.Says)
		case other.complete.State == Arriving && other != t:
			return refuse("%s belongs to the same chapter and is not all there either", Plain(other.name))
		}
		files = append(files, other)
	}
	if t.sorted.Says != "" {
		asks, err := d.isQuestion(t)
		if err != nil {
			return err
		}
		if asks {
			return refuse("%s", t.sorted.Says)
		}
	}
	if t.complete.State == Whole {
		return refuse("%s is all there, and is taken by itself as soon as lectern watches", Plain(name))
	}
	b := d.batchOf(book, files, "")
	for i := range b.Raws {
		b.Raws[i].AsIs = b.Raws[i].name() == name
	}
	if problem, err := d.question(b); err != nil || problem != "" {
		return errors.Join(err, refuse("%s", problem))
	}
	j, err := d.claim(b)
	if errors.Is(err, errLost) {
		return refuse("%s has changed just now, or its chapter is in work; try again in a while", Plain(name))
	}
	if j != nil {
		released := d.me
		released.Released = true
		err = errors.Join(err, writeLease(j.Dir, released))
	}
	return err
}
