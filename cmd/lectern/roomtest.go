package main

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"lectern/config"
	"lectern/pipeline"
	"lectern/pipeline/report"
	"lectern/watcher"
)

// testRoom answers one room test of the daemon's.
func (h hands) testRoom(ctx context.Context, job watcher.Job, settings config.Chapter) (watcher.Made, error) {
	var chapters []report.Report // a single piece belongs to no book
	if job.Book != "" {
		var err error
		if chapters, err = finishedChapters(filepath.Join(h.ws.Finished, job.Filed)); err != nil {
			return watcher.Made{}, err
		}
	}
	raw := job.Raws[0]
	a, err := pipeline.TestRoom(ctx, pipeline.RoomJob{
		Book: job.Book, Name: job.Chapter, Settings: settings, Version: versionText(), Chapters: chapters, Progress: job.Progress,
		Raw: pipeline.Raw{Path: raw.Path, Name: raw.Name, Role: raw.Role},
	})
	var bad *pipeline.RawError
	switch {
	case errors.As(err, &bad):
		return watcher.Made{}, &watcher.BadRaw{Says: bad.Says}
	case err != nil:
		return watcher.Made{}, err
	}
	file := filepath.Join(job.Dir, "answer.txt")
	if err := writeNew(file, []byte(a.Text())); err != nil {
		return watcher.Made{}, fmt.Errorf("write answer: %w", err)
	}
	text := textFile(a, job.Chapter)
	return watcher.Made{
		File: file, Bytes: text.Bytes, SHA256: text.SHA256, RawSHA256: []string{a.RawSHA256()},
		Papers: func(revision int, archivedAs []string) (watcher.Papers, error) {
			return roomPapers(a, text, revision, archivedAs[0])
		},
	}, nil
}

// textFile describes the text of an answer.
func textFile(a *pipeline.RoomAnswer, name string) report.TextFile {
	sum := sha256.Sum256([]byte(a.Text()))
	return report.TextFile{Name: name + ".txt", SHA256: hex.EncodeToString(sum[:]), Bytes: int64(len(a.Text()))}
}

// roomPapers are the report and the recipe of a room test. There is no letter: the
// answer itself is the text to read.
func roomPapers(a *pipeline.RoomAnswer, text report.TextFile, revision int, archivedAs string) (watcher.Papers, error) {
	r := a.Report(revision, time.Now(), archivedAs, text)
	paper, err := report.Marshal(r)
	if err != nil {
		return watcher.Papers{}, err
	}
	recipe, err := report.Marshal(a.Recipe(revision, archivedAs))
	if err != nil {
		return watcher.Papers{}, err
	}
	return watcher.Papers{Report: paper, Recipe: recipe, Verdict: r.Verdict, Says: r.Summary()}, nil
}

// measureOne answers one room test given to master and prints the answer; it returns
// what to end with.
func measureOne(ctx context.Context, p piece, settings config.Chapter, replace bool, show *show) int {
	started := time.Now()
	r, err := measurePiece(ctx, p, settings, replace, show)
	if err != nil {
		return notMade(ctx, p, err, show)
	}
	show.line("%s: measured in %.1f s, %s", p.chapter, time.Since(started).Seconds(), r.Summary())
	for _, says := range r.RoomTest.Says {
		show.line("  %s", says)
	}
	if r.Verdict != report.Pass {
		return exitAttention
	}
	return 0
}

// measurePiece measures it: the text and its report beside
// the recording, or in the folder asked for.
func measurePiece(ctx context.Context, p piece, settings config.Chapter, replace bool, show *show) (*report.RoomTestReport, error) {
	names := []string{filepath.Join(p.dir, p.chapter+".txt"), filepath.Join(p.dir, p.chapter+".json")}
	tmp, err := workBeside(p.dir, names, replace)
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(tmp)
	bar := show.bar(p.chapter)
	a, err := pipeline.TestRoom(ctx, pipeline.RoomJob{
		Name: p.chapter, Raw: p.raws[0], Settings: settings, Version: versionText(), Progress: bar.set,
	})
	bar.end()
	if err != nil {
		return nil, err
	}
	r := a.Report(1, time.Now(), "", textFile(a, p.chapter))
	paper, err := report.Marshal(r)
	if err != nil {
		return nil, err
	}
	for i, data := range [][]byte{[]byte(a.Text()), paper} {
		half := filepath.Join(tmp, filepath.Base(names[i]))
		if err := writeNew(half, data); err != nil {
			return nil, fmt.Errorf("write answer: %w", err)
		}
		if err := put(half, names[i], replace); err != nil {
			return nil, err
		}
	}
	return r, nil
}
