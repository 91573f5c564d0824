package main

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"lectern/pipeline/book"
	"lectern/pipeline/report"
	"lectern/watcher"
)

// shelf is one book as its folders tell of it.
type shelf struct {
	folder string // in finished/
	name   string // as the narrator spelled it
	words  bookWords
	filed  []book.Filed
	rooms  []*report.RoomTestReport
	handed *book.Handover
	madeOf string
}

// names are those of the finished chapters.
func (s *shelf) names() (out []string) {
	for _, f := range s.filed {
		out = append(out, f.Report.Chapter)
	}
	return out
}

func (s *shelf) reports() (out []*report.Report) {
	for _, f := range s.filed {
		out = append(out, f.Report)
	}
	return out
}

// gather reads a book's folder in finished/, "" for the pieces of no book. A report that
// cannot be read is passed over: audit tells of it.
func (l *library) gather(folder string) (*shelf, error) {
	s := &shelf{folder: folder}
	dir := l.ws.BookDir(folder)
	names, err := jsonIn(dir)
	if err != nil {
		return nil, err
	}
	if folder != "" {
		if s.name, err = l.nameOf(folder); err != nil {
			return nil, err
		}
	}
	sum := sha256.New()
	for _, name := range names {
		text, err := watcher.ReadPaper(filepath.Join(dir, name))
		if err != nil {
			continue
		}
		fmt.Fprintf(sum, "%q %x\n", name, sha256.Sum256(text))
		s.add(strings.TrimSuffix(name, ".json"), text)
	}
	if folder != "" {
		if s.words, err = wordsOf(l.ws, s.name, folder); err != nil {
			return nil, err
		}
		if s.handed, err = lastHandover(dir); err != nil {
			return nil, err
		}
		if s.handed != nil {
			fmt.Fprintln(sum, s.handed.HandedOverAt)
		}
	}
	fmt.Fprintf(sum, "%s %+v %x %v", versionText(), s.words.about, sha256.Sum256(s.words.cover), s.words.says)
	s.madeOf = hex.EncodeToString(sum.Sum(nil))
	return s, nil
}

// finishedChapters reads the reports of a book's finished chapters. What cannot be
// read as one, or is being replaced just now, is left out: it is about what there is.
func finishedChapters(dir string) (out []report.Report, err error) {
	names, err := jsonIn(dir)
	if err != nil {
		return nil, err
	}
	for _, name := range names {
		if r, err := readReport(filepath.Join(dir, name)); err == nil && r.State == report.StateFinished {
			out = append(out, r)
		}
	}
	return out, nil
}

// add takes a report, if the text is one.
func (s *shelf) add(stem string, text []byte) {
	var head struct{ Schema, State string }
	if json.Unmarshal(text, &head) != nil || head.Schema != report.Schema {
		return
	}
	switch head.State {
	case report.StateFinished:
		r := &report.Report{}
		if json.Unmarshal(text, r) == nil {
			s.filed = append(s.filed, book.Filed{Stem: stem, Report: r})
		}
	case report.StateRoomTest:
		r := &report.RoomTestReport{}
		if json.Unmarshal(text, r) == nil {
			s.rooms = append(s.rooms, r)
		}
	}
}

// jsonIn lists the JSON files of a folder, in order; none if there is no such folder.
func jsonIn(dir string) (names []string, err error) {
	entries, err := os.ReadDir(dir)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("look for reports: %w", err)
	}
	for _, e := range entries {
		if e.Type().IsRegular() && strings.HasSuffix(e.Name(), ".json") && e.Name() != "book.json" {
			names = append(names, e.Name())
		}
	}
	return names, nil
}

// lastHandover reads the latest record of what was handed over of a book that can be read;
// nil if there is none. The names tell the time of some place, and may run backwards where
// its clock does.
func lastHandover(dir string) (last *book.Handover, err error) {
	names, err := jsonIn(filepath.Join(dir, "handover"))
	if err != nil {
		return nil, err
	}
	for _, name := range names {
		text, err := watcher.ReadPaper(filepath.Join(dir, "handover", name))
		if err != nil {
			return nil, fmt.Errorf("read what was handed over: %w", err)
		}
		h := &book.Handover{}
		if json.Unmarshal(text, h) != nil || h.Schema != book.HandoverSchema {
			continue
		}
		if last == nil || h.HandedOverAt.After(last.HandedOverAt) {
			last = h
		}
	}
	return last, nil
}

func (s *shelf) find(chapter string) (*report.Report, bool) {
	for _, f := range s.filed {
		if watcher.Fold(f.Report.Chapter) == watcher.Fold(chapter) {
			return f.Report, true
		}
	}
	return nil, false
}
