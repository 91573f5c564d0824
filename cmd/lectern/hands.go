package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path/filepath"
	"sync/atomic"
	"time"

	"go.uber.org/zap"

	"lectern/config"
	"lectern/encode"
	"lectern/pipeline"
	"lectern/pipeline/report"
	"lectern/pipeline/takes"
	"lectern/pipeline/wav"
	"lectern/watcher"
)

// hands are the audio side of the daemon, in the shape the watcher wants.
type hands struct {
	ws    *watcher.Workspace
	live  *live
	flags []string // of --set; they go over a book's own settings too
	log   *zap.Logger
}

// live are the settings in force, which a running daemon may be told to read anew. It may
// be used from anywhere.
type live struct{ at atomic.Pointer[inForce] }

type inForce struct {
	set   config.Settings
	names takes.Names
}

func (l *live) change(set config.Settings) { l.at.Store(&inForce{set, takes.NewNames(set.Names)}) }

// set are the workspace's settings just now.
func (h hands) set() config.Settings { return h.live.at.Load().set }

// names read the files' names by these settings.
func (h hands) names() takes.Names { return h.live.at.Load().names }

// watch says by these settings how patiently the daemon waits.
func (h hands) watch() watcher.Settings { return watchSettings(h.set().Watch) }

func newHands(ws *watcher.Workspace, set config.Settings, flags []string, log *zap.Logger) hands {
	h := hands{ws: ws, live: &live{}, flags: flags, log: log}
	h.live.change(set)
	return h
}

func (h hands) forWatcher() watcher.Hands {
	return watcher.Hands{Complete: complete, Sort: h.sortName, Make: h.make}
}

// complete looks at a raw's chunks.
func complete(path string) watcher.Completeness {
	if blank, err := isBlank(path); err == nil && blank {
		return watcher.Completeness{State: watcher.Arriving, Says: "its size is there, but nothing is in it yet"}
	}
	info, err := walkFile(path)
	var bad *wav.BadError
	var unsupported *wav.UnsupportedError
	switch {
	case errors.As(err, &bad) && bad.Incomplete:
		return watcher.Completeness{State: watcher.Arriving, Says: bad.Says}
	case errors.As(err, &bad):
		return watcher.Completeness{State: watcher.Refused, Says: bad.Says}
	case errors.As(err, &unsupported):
		return watcher.Completeness{State: watcher.Refused, Says: unsupported.Says}
	case err != nil: // the disk's or the share's trouble, not the file's
		return watcher.Completeness{State: watcher.Arriving, Says: "it cannot be read right now: " + err.Error()}
	}
	c := watcher.Completeness{State: watcher.Whole, Percent: 100, DurationS: info.DurationS()}
	if missing := info.MissingBytes(); missing > 0 {
		there := float64(info.Frames) * float64(info.BlockBytes)
		c.State, c.Percent = watcher.Arriving, 100*there/(there+float64(missing))
		c.Says = fmt.Sprintf("%.0f %% received", c.Percent)
	} else if info.Unfinalized {
		c.State = watcher.Unfinished
	}
	return c
}

// isBlank tells whether a file begins with nothing but zeros: what a copy that sets its
// size first leaves until its bytes come, or a synchronizing program in place of a file
// it has not fetched. No WAV begins so.
func isBlank(path string) (bool, error) {
	f, err := watcher.OpenRegular(path)
	if err != nil {
		return false, err
	}
	defer f.Close()
	head := make([]byte, 4096)
	n, err := io.ReadFull(f, head)
	if err != nil && err != io.ErrUnexpectedEOF {
		return false, err // of an empty file, too
	}
	return len(bytes.Trim(head[:n], "\x00")) == 0, nil
}

func walkFile(path string) (wav.Info, error) {
	f, err := watcher.OpenRegular(path)
	if err != nil {
		return wav.Info{}, err
	}
	defer f.Close()
	st, err := f.Stat()
	if err != nil {
		return wav.Info{}, err
	}
	return wav.Walk(f, st.Size())
}

// sortName reads a file's name.
func (h hands) sortName(_, name string) watcher.Sorted {
	n := h.names().Parse(name)
	s := watcher.Sorted{Chapter: n.Chapter, Key: watcher.Fold(n.Chapter), Role: n.Role, Number: n.Number}
	if n.CopyOf != "" {
		s.CopyOf = n.CopyOf
		s.Says = fmt.Sprintf("This file is named like a copy of %q. If it is to replace that chapter, give it exactly the same name; if it is another chapter, give it another name; then drop it again.", n.CopyOf)
	}
	return s
}

// make masters one chapter of the daemon's, or answers one room test.
func (h hands) make(ctx context.Context, job watcher.Job) (watcher.Made, error) {
	if job.Ask != nil {
		return h.answer(ctx, job)
	}
	settings, err := h.bookSettings(job.Book, job.Filed)
	if err != nil {
		return watcher.Made{}, err
	}
	if settings, err = withFlags(settings, h.flags); err != nil {
		return watcher.Made{}, &watcher.BadRaw{Says: fmt.Sprintf("The settings given with --set do not fit this book: %v", err)}
	}
	if len(job.Raws) == 1 && job.Raws[0].Role == takes.RoomTest {
		return h.testRoom(ctx, job, settings)
	}
	answers, err := answersSoFar(job)
	if err != nil {
		return watcher.Made{}, err
	}
	return h.master(ctx, job, making{settings: settings, answers: answers, version: versionText(), did: "made of the recordings dropped"})
}

// making is how a chapter is made: with which settings, by which version, and with what
// was answered. did is what its history says of it, origin what its recipe does.
type making struct {
	settings             config.Chapter
	answers              []report.Answer
	version, did, origin string
}

// master makes one chapter of a job's raws.
func (h hands) master(ctx context.Context, job watcher.Job, how making) (watcher.Made, error) {
	tags, err := h.tagsOf(job.Book, job.Filed, job.Chapter)
	if err != nil {
		return watcher.Made{}, err
	}
	p := pipeline.Job{
		Book: job.Book, Chapter: job.Chapter, Tags: tags,
		Dir: job.Dir, Settings: how.settings, Answers: pipeline.Answers(how.answers), Version: how.version, Progress: job.Progress,
	}
	for _, r := range job.Raws {
		raw := pipeline.Raw{Path: r.Path, Name: r.Name, Role: r.Role, Number: r.Number, AtS: -1}
		if r.Role == takes.Pickup {
			raw.AtS = takes.PlaceS(r.Name)
		}
		p.Raws = append(p.Raws, raw)
	}
	p.Replaced = job.Replaced
	if s := job.Sample; s != nil {
		p.Sample = &pipeline.Span{FromS: s.FromS, ToS: s.ToS}
		p.SampleOf = pipeline.SampleOf{Chapter: s.Of, Revision: s.OfRevision}
	}
	m, err := pipeline.Make(ctx, p)
	var raw *pipeline.RawError
	switch {
	case errors.As(err, &raw):
		return watcher.Made{}, &watcher.BadRaw{Says: raw.Says}
	case err != nil:
		return watcher.Made{}, err
	}
	return watcher.Made{
		File: m.MP3, Bytes: m.Written.Bytes, SHA256: m.Written.SHA256, RawSHA256: m.RawSHA256(),
		Beside: m.Before(), BesideSHA256: m.BeforeSHA256(),
		Papers: func(revision int, archivedAs []string) (watcher.Papers, error) {
			r, recipe := m.Report(revision, time.Now(), archivedAs), m.Recipe(revision, archivedAs)
			r.History, recipe.Origin = historyOf(job.Before), how.origin
			if revision > 1 {
				r.History = append(r.History, historyLine(revision, how.did))
			}
			return papersOf(r, recipe)
		},
	}, nil
}

// tagsOf are the words for a chapter's MP3, by what is known of its book just now. folder
// is the book's name in finished/.
func (h hands) tagsOf(name, folder, chapter string) (encode.Tags, error) {
	var words bookWords
	var all []string
	if name != "" {
		var err error
		if words, err = wordsOf(h.ws, name, folder); err != nil {
			return encode.Tags{}, err
		}
		chapters, err := finishedChapters(h.ws.BookDir(folder))
		if err != nil {
			return encode.Tags{}, err
		}
		for _, r := range chapters {
			all = append(all, r.Chapter)
		}
	}
	return words.tagsOf(chapter, all, name), nil
}

func papersOf(r *report.Report, recipeFile *report.RecipeFile) (watcher.Papers, error) {
	text, err := report.Marshal(r)
	if err != nil {
		return watcher.Papers{}, err
	}
	recipe, err := report.Marshal(recipeFile)
	if err != nil {
		return watcher.Papers{}, err
	}
	p := watcher.Papers{
		Report: text, Recipe: recipe, Verdict: r.Verdict, Says: r.Summary(), FinishedS: float64(r.Finished.DurationS),
	}
	for _, c := range r.Checks {
		if !c.Pass {
			p.Missed = append(p.Missed, c.Name)
		}
	}
	for _, raw := range r.Raws {
		p.RawsS += float64(raw.DurationS)
	}
	if letter := r.Letter(); letter != "" {
		p.PleaseRead = []byte(letter)
	}
	return p, nil
}

// bookSettings returns the settings a chapter is made with: those the book's
// earlier chapters were made with, else lectern.toml with the book's about.toml
// over it. A single piece belongs to no book. filed is the book's folder in the
// archive.
func (h hands) bookSettings(book, filed string) (config.Chapter, error) {
	if book == "" {
		return h.set().Chapter, nil
	}
	now, err := h.settingsNow(book)
	if err != nil {
		return now, err
	}
	begun, ok, err := begunWith(filepath.Join(h.ws.Archive, filed))
	if err != nil || !ok {
		return now, err
	}
	if begun != now {
		h.log.Info("the book keeps the settings its earlier chapters were made with", zap.String("book", book))
	}
	return begun, nil
}

// settingsNow returns lectern.toml with the book's about.toml over it.
func (h hands) settingsNow(book string) (config.Chapter, error) {
	now := h.set().Chapter
	if book == "" {
		return now, nil
	}
	text, err := h.ws.ReadBookFile(book, "about.toml")
	if errors.Is(err, fs.ErrNotExist) {
		return now, nil
	}
	if errors.Is(err, watcher.ErrNotRegular) {
		return now, &watcher.BadRaw{Says: "The about.toml of the book, or the folder of the book, is a link or a device and not a file or a folder, so it is not read. Put the file itself there and drop the take again."}
	}
	if err != nil {
		return now, fmt.Errorf("read the book's settings: %w", err)
	}
	if now, err = config.ReadBook(book, text, now); err != nil {
		return now, &watcher.BadRaw{Says: fmt.Sprintf("The settings of the book cannot be used: %v Correct the file and drop the take again.", err)}
	}
	return now, nil
}

// withFlags lays what --set says over a book's settings.
func withFlags(c config.Chapter, flags []string) (config.Chapter, error) {
	s := config.Default()
	s.Chapter = c
	err := config.Set(&s, flags...)
	return s.Chapter, err
}
