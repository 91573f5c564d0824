package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"time"

	"lectern/encode"
	"lectern/pipeline"
	"lectern/pipeline/report"
	"lectern/pipeline/takes"
	"lectern/watcher"
)

// answer does the audio side of what is asked for a chapter finished before.
func (h hands) answer(ctx context.Context, job watcher.Job) (watcher.Made, error) {
	if job.Ask.Kind == watcher.Withdraw {
		return h.withdraw(job)
	}
	if job.Ask.Kind == watcher.Retag {
		return h.retag(job)
	}
	recipe, err := readRecipe(job.Kept.Recipe)
	if err != nil {
		return watcher.Made{}, err
	}
	switch {
	case job.Ask.Kind == watcher.CutSample:
		return h.cutSample(ctx, job, recipe)
	case recipe.Raws[0].Role == takes.RoomTest:
		return watcher.Made{}, &watcher.BadRaw{Says: fmt.Sprintf("%s is a room test, not a chapter. It can be withdrawn; to have it measured again, drop its recording into the inbox.", job.Chapter)}
	case job.Ask.Kind == watcher.Rename:
		return h.rename(job, recipe)
	case job.Ask.Kind == watcher.BringBack && job.Kept.File != "":
		return h.bringBack(job, recipe)
	}
	if job.Ask.Kind == watcher.Settle {
		return h.settle(ctx, job, recipe)
	}
	return h.remake(ctx, job, recipe)
}

// remake makes a chapter again: an earlier revision with its own settings, the
// newest with those that hold now. Where neither the settings nor the chain have
// changed the file says it was made by the version that made it first, so that it
// comes out the same to the bit.
func (h hands) remake(ctx context.Context, job watcher.Job, recipe report.RecipeFile) (watcher.Made, error) {
	how := making{settings: recipe.Settings, answers: recipe.Answers, version: versionText()}
	how.did = fmt.Sprintf("revision %d brought back", job.Kept.Revision)
	if job.Ask.Kind == watcher.Remake {
		how.did = "made again of the archived recordings"
		now, err := h.settingsNow(job.Book)
		if err == nil {
			now, err = withFlags(now, job.Ask.Set)
		}
		if err != nil {
			return watcher.Made{}, asBadRaw(err)
		}
		how.settings = now
	}
	if how.settings == recipe.Settings && recipe.MadeBy.Chain == pipeline.Chain {
		how.version = recipe.MadeBy.Version
	}
	if job.Ask.Kind == watcher.BringBack {
		how.origin = report.BroughtBack
	}
	return h.master(ctx, job, how)
}

// cutSample makes the sample of a chapter, with the settings and the answers that the
// chapter was made with.
func (h hands) cutSample(ctx context.Context, job watcher.Job, recipe report.RecipeFile) (watcher.Made, error) {
	return h.master(ctx, job, making{
		settings: recipe.Settings, answers: recipe.Answers, version: versionText(),
		did: "cut from " + job.Sample.Of, origin: report.CutSample,
	})
}

// bringBack takes the very file of an earlier revision, which is kept.
func (h hands) bringBack(job watcher.Job, recipe report.RecipeFile) (watcher.Made, error) {
	r, err := readReport(job.Kept.Report)
	if err != nil {
		return watcher.Made{}, err
	}
	made := watcher.Made{
		File: filepath.Join(job.Dir, "chapter.mp3"), Bytes: r.Finished.Bytes, SHA256: r.Finished.SHA256,
		RawSHA256: rawSums(recipe),
	}
	if err := copyNew(job.Kept.File, made.File); err != nil {
		return watcher.Made{}, fmt.Errorf("copy the earlier file: %w", err)
	}
	before := historyOf(job.Before)
	made.Papers = func(revision int, _ []string) (watcher.Papers, error) {
		r := r
		r.State, r.Revision = report.StateFinished, revision
		r.Before = nil // clips of earlier revisions are not kept
		r.Finished.Name = job.Chapter + ".mp3"
		r.History = slices.Concat(before, []string{historyLine(revision, fmt.Sprintf("revision %d brought back", job.Kept.Revision))})
		recipe := recipe
		recipe.Revision, recipe.Origin = revision, report.BroughtBack
		return papersOf(&r, &recipe)
	}
	return made, nil
}

// rename writes the chapter's name into a copy of the finished file, whose sound
// stays what it is.
func (h hands) rename(job watcher.Job, recipe report.RecipeFile) (watcher.Made, error) {
	r, err := readReport(job.Kept.Report)
	if err != nil {
		return watcher.Made{}, err
	}
	if job.Kept.File == "" {
		return watcher.Made{}, &watcher.BadRaw{Says: fmt.Sprintf("The MP3 of %s is not in finished. Bring it back first: lectern remake %q %q", job.Chapter, job.Book, job.Chapter)}
	}
	name := job.Ask.NewName
	made := watcher.Made{File: filepath.Join(job.Dir, "chapter.mp3"), RawSHA256: rawSums(recipe)}
	words, err := h.tagsOf(job.Book, job.Filed, name)
	if err != nil {
		return watcher.Made{}, err
	}
	tags := pipeline.Tags(job.Book, name, r.MadeBy.Version, words)
	w, err := encode.Retag(job.Kept.File, made.File, tags)
	if err != nil {
		return watcher.Made{}, fmt.Errorf("write the new name into the MP3: %w", err)
	}
	if w.AudioSHA256 != r.Finished.AudioSHA256 {
		return watcher.Made{}, &watcher.BadRaw{Says: fmt.Sprintf("The MP3 of %s is not the one its report tells of: it was changed by hand. Move it away and bring the right one back first: lectern remake %q %q", job.Chapter, job.Book, job.Chapter)}
	}
	made.Bytes, made.SHA256 = w.Bytes, w.SHA256
	made.Papers = func(revision int, _ []string) (watcher.Papers, error) {
		was := r.Revision
		old := r
		old.State = report.StateWithdrawn
		old.History = slices.Concat(r.History, []string{historyLine(was, "renamed to "+name)})
		withdrawn, err := report.Marshal(&old)
		if err != nil {
			return watcher.Papers{}, err
		}
		fresh := r
		fresh.Chapter, fresh.Revision, fresh.Tags = name, revision, pipeline.TellTags(tags)
		fresh.Finished.Name, fresh.Finished.SHA256, fresh.Finished.Bytes = name+".mp3", w.SHA256, w.Bytes
		fresh.History = slices.Concat(r.History, []string{historyLine(revision, fmt.Sprintf("renamed from %s (its revision %d)", job.Chapter, was))})
		recipe := recipe
		recipe.Chapter, recipe.ChapterHex, recipe.Revision, recipe.Origin = name, "", revision, report.Renamed
		recipe.Finished.SHA256, recipe.Finished.Bytes = w.SHA256, w.Bytes
		p, err := papersOf(&fresh, &recipe)
		p.Withdrawn = withdrawn
		return p, err
	}
	return made, nil
}

// withdraw writes the report that goes to superseded. That of a room test stays as it
// is: it has no history.
func (h hands) withdraw(job watcher.Job) (watcher.Made, error) {
	text, err := watcher.ReadPaper(job.Kept.Report)
	if err != nil {
		return watcher.Made{}, fmt.Errorf("read report: %w", err)
	}
	return watcher.Made{Papers: func(revision int, _ []string) (watcher.Papers, error) {
		var r report.Report
		if err := json.Unmarshal(text, &r); err != nil || r.State != report.StateFinished {
			return watcher.Papers{Withdrawn: text}, nil
		}
		r.State = report.StateWithdrawn
		r.History = append(r.History, historyLine(revision, "withdrawn"))
		withdrawn, err := report.Marshal(&r)
		return watcher.Papers{Withdrawn: withdrawn}, err
	}}, nil
}

func historyLine(revision int, did string) string {
	return fmt.Sprintf("%s, revision %d: %s", time.Now().UTC().Format("2006-01-02"), revision, did)
}

// historyOf returns the history of the report at path, and none if there is none.
func historyOf(path string) []string {
	r, err := readReport(path)
	if err != nil || r.History == nil {
		return []string{}
	}
	return r.History
}

func readReport(path string) (r report.Report, err error) {
	text, err := watcher.ReadPaper(path)
	if err == nil {
		err = json.Unmarshal(text, &r)
	}
	if err != nil {
		return r, fmt.Errorf("read report: %w", err)
	}
	return r, nil
}

func readRecipe(path string) (r report.RecipeFile, err error) {
	text, err := watcher.ReadPaper(path)
	if err == nil {
		err = json.Unmarshal(text, &r)
	}
	if err == nil && len(r.Raws) == 0 {
		err = errors.New("it names no recording")
	}
	if err != nil {
		return r, fmt.Errorf("read recipe: %w", err)
	}
	return r, nil
}

func rawSums(r report.RecipeFile) (sums []string) {
	for _, raw := range r.Raws {
		sums = append(sums, raw.SHA256)
	}
	return sums
}

// copyNew copies a file to a new one and flushes it to disk.
func copyNew(from, to string) (err error) {
	in, err := watcher.OpenRegular(from)
	if err != nil {
		return err
	}
	defer in.Close()
	out, err := os.OpenFile(to, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o640)
	if err != nil {
		return err
	}
	_, err = io.Copy(out, in)
	return errors.Join(err, watcher.Flush(out), out.Close())
}

// asBadRaw makes the sentence of wrong settings one for the narrator.
func asBadRaw(err error) error {
	var bad *watcher.BadRaw
	if errors.As(err, &bad) || errors.Is(err, fs.ErrPermission) {
		return err
	}
	return &watcher.BadRaw{Says: err.Error()}
}
