package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zaptest/observer"

	"lectern/config"
	"lectern/pipeline/book"
	"lectern/pipeline/report"
	"lectern/watcher"
)

// aWorkspace has one book in its inbox, of which something is finished.
func aWorkspace(t *testing.T) *watcher.Workspace {
	t.Helper()
	root := filepath.Join(t.TempDir(), "books")
	if _, err := makeWorkspace(root); err != nil {
		t.Fatal(err)
	}
	ws, _, err := openWorkspace(root, nil)
	if err != nil {
		t.Fatal(err)
	}
	for _, dir := range []string{ws.Inbox, ws.Finished} {
		if err := os.Mkdir(filepath.Join(dir, "Tides"), 0o750); err != nil {
			t.Fatal(err)
		}
	}
	return ws
}

func TestWordsOfABook(t *testing.T) {
	ws := aWorkspace(t)
	inbox := filepath.Join(ws.Inbox, "Tides")
	put := func(name, text string) { write(t, filepath.Join(inbox, name), []byte(text)) }
	look := func(title string, says ...string) bookWords {
		t.Helper()
		w, err := wordsOf(ws, "Tides", "Tides")
		if err != nil || w.about.Title != title || len(w.says) != len(says) {
			t.Fatalf("title %q, says %q, %v; want %q and %d sentences", w.about.Title, w.says, err, title, len(says))
		}
		for i, want := range says {
			if !strings.Contains(w.says[i], want) {
				t.Errorf("it says %q, want %q in it", w.says[i], want)
			}
		}
		return w
	}
	look("") // nothing told at all
	put("about.toml.txt", "\ufefftitle = \"Hidden\"\n")
	look("Hidden")
	put("about.toml", "title = \"Tides\"\n")
	look("Tides", "about.toml.txt")
	if err := os.Remove(filepath.Join(inbox, "about.toml.txt")); err != nil {
		t.Fatal(err)
	}
	// What cannot be read leaves what was said before, and changes no finished file.
	put("about.toml", "titel = \"Ebb\"\n")
	if w := look("Tides", "titel"); !w.unsure {
		t.Error("words that cannot be read are taken for sure")
	}
	put("about.toml", "title = \"Ebb\"\n")
	put("cover.png", "no picture")
	if w := look("Ebb", "picture"); w.cover != nil {
		t.Error("what is no picture is taken for the cover")
	}
	put("cover.png", string(pictured(t)))
	if w := look("Ebb"); len(w.cover) == 0 || w.unsure {
		t.Errorf("a cover of %d bytes, unsure: %v", len(w.cover), w.unsure)
	}
	// She has tidied up: the finished files keep their words.
	if err := os.RemoveAll(inbox); err != nil {
		t.Fatal(err)
	}
	if w := look("Ebb"); !w.unsure {
		t.Error("the words of a book whose folder is gone would be taken out of its files")
	}
}

func TestSampleIsWanted(t *testing.T) {
	ferry := &report.Report{Chapter: "03 The Ferry", Revision: 2}
	sample := func(of string, revision int, fromS, toS float64) *report.Report {
		r := &report.Report{Chapter: "Sample", Revision: 1}
		r.Recipe.Sample = &report.SampleOf{Chapter: of, Revision: revision, FromS: report.Seconds(fromS), ToS: report.Seconds(toS)}
		return r
	}
	wish := config.Sample{Chapter: "03 the ferry", FromS: 10, ToS: 130}
	for name, c := range map[string]struct {
		wish   config.Sample
		there  []*report.Report
		wanted bool
	}{
		"nothing wished":           {config.Sample{FromS: -1, ToS: -1}, []*report.Report{ferry}, false},
		"the chapter is not there": {wish, nil, false},
		"not there yet":            {wish, []*report.Report{ferry}, true},
		"there":                    {wish, []*report.Report{ferry, sample("03 The Ferry", 2, 10, 130)}, false},
		"of an earlier revision":   {wish, []*report.Report{ferry, sample("03 The Ferry", 1, 10, 130)}, true},
		"from elsewhere":           {wish, []*report.Report{ferry, sample("03 The Ferry", 2, 20, 130)}, true},
		"of another chapter":       {wish, []*report.Report{ferry, sample("04 Ebb", 2, 10, 130)}, true},
		"a recording of her own":   {wish, []*report.Report{ferry, {Chapter: "Sample"}}, false},
	} {
		s := &shelf{folder: "Tides", name: "Tides", words: bookWords{about: config.About{Sample: c.wish}}}
		for _, r := range c.there {
			s.filed = append(s.filed, book.Filed{Stem: r.Chapter, Report: r})
		}
		ask, wanted := sampleWanted(s)
		if wanted != c.wanted || wanted && (ask.Of != "03 The Ferry" || ask.FromS != 10 || ask.ToS != 130) {
			t.Errorf("%s: wanted %v, %+v", name, wanted, ask)
		}
	}
}

// What is refused is asked again when something of the book is another, and said again if
// it is something else that is asked for.
func TestRefusedIsAskedAgainWhenTheBookChanges(t *testing.T) {
	ws := aWorkspace(t)
	core, logged := observer.New(zap.WarnLevel)
	log := zap.New(core)
	l := newLibrary(ws, newHands(ws, config.Default(), nil, log), log)
	s := &shelf{folder: "Tides", name: "Tides", madeOf: "one"}
	ask := watcher.Ask{Kind: watcher.Retag, Tags: []byte("{}")}
	for i, c := range []struct {
		madeOf, tags string
		lines        int
	}{{"one", "{}", 1}, {"one", "{}", 1}, {"two", "{}", 1}, {"two", "{}", 1}, {"three", `{"title": "Tides"}`, 2}, {"three", `{"title": "Tides"}`, 2}} {
		s.madeOf, ask.Tags = c.madeOf, []byte(c.tags)
		if did := l.ask(t.Context(), s, "03 The Ferry", ask); did || logged.Len() != c.lines {
			t.Errorf("ask %d: done %v, %d lines, want %d: %v", i, did, logged.Len(), c.lines, logged.All())
		}
		if asked := l.settled["Tides"]; asked.madeOf != c.madeOf || len(asked.asks) != 1 {
			t.Errorf("ask %d: asked %+v", i, asked)
		}
	}
}

// The latest hand-over is the latest by its own moment, whatever its name says.
func TestLastHandover(t *testing.T) {
	dir := t.TempDir()
	if h, err := lastHandover(dir); h != nil || err != nil {
		t.Errorf("%v, %v before any", h, err)
	}
	at := time.Date(2026, time.October, 25, 0, 30, 0, 0, time.UTC)
	for name, at := range map[string]time.Time{"2026-10-25 023000": at, "2026-10-25 020500": at.Add(35 * time.Minute)} { // the clock was set back between
		text, err := report.Marshal(book.NewHandover(&book.Book{}, at))
		if err != nil {
			t.Fatal(err)
		}
		write(t, filepath.Join(dir, "handover", name+".json"), text)
	}
	write(t, filepath.Join(dir, "handover", "2026-12-01 100000.json"), []byte("{"))
	h, err := lastHandover(dir)
	if err != nil || h == nil || !h.HandedOverAt.Equal(at.Add(35*time.Minute)) {
		t.Errorf("%+v, %v", h, err)
	}
}
