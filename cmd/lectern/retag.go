package main

import (
	"encoding/json"
	"fmt"
	"path/filepath"
	"slices"

	"lectern/encode"
	"lectern/pipeline"
	"lectern/pipeline/report"
	"lectern/watcher"
)

// retag writes the words asked for into a copy of the finished MP3, whose sound stays what
// it is. The cover is the one that lies with the book now; if it is not the one that was
// meant, nothing is done, and the next look asks anew.
func (h hands) retag(job watcher.Job) (watcher.Made, error) {
	r, err := readReport(job.Kept.Report)
	if err != nil {
		return watcher.Made{}, err
	}
	var want report.Tags
	if err := json.Unmarshal(job.Ask.Tags, &want); err != nil {
		return watcher.Made{}, &watcher.BadRaw{Says: "The words to be written cannot be read any more."}
	}
	if r.Tags != nil && *r.Tags == want {
		return watcher.Made{}, nil
	}
	var words bookWords
	words.readCover(h.ws, job.Book)
	tags := encode.Tags{
		Title: want.Title, Album: want.Album, Artist: want.Artist, Narrator: want.Narrator, Track: want.Track,
		Genre: want.Genre, Year: want.Year, Language: want.Language, Publisher: want.Publisher, Cover: words.cover,
	}
	if *pipeline.TellTags(tags) != want {
		return watcher.Made{}, &watcher.BadRaw{Says: "The cover is not the one it was a moment ago."}
	}
	made := watcher.Made{File: filepath.Join(job.Dir, "chapter.mp3")}
	w, err := encode.Retag(job.Kept.File, made.File, pipeline.Tags(job.Book, job.Chapter, r.MadeBy.Version, tags))
	if err != nil {
		return watcher.Made{}, fmt.Errorf("write the words into the MP3: %w", err)
	}
	if w.AudioSHA256 != r.Finished.AudioSHA256 {
		return watcher.Made{}, &watcher.BadRaw{Says: fmt.Sprintf("The MP3 of %s is not the one its report tells of: it was changed by hand.", job.Chapter)}
	}
	made.Bytes, made.SHA256 = w.Bytes, w.SHA256
	made.Papers = func(revision int, _ []string) (watcher.Papers, error) {
		r.Tags, r.Finished.SHA256, r.Finished.Bytes = &want, w.SHA256, w.Bytes
		r.History = slices.Concat(r.History, []string{historyLine(revision, "its words were written anew")})
		text, err := report.Marshal(&r)
		return watcher.Papers{Report: text, Verdict: r.Verdict, Says: r.Summary()}, err
	}
	return made, nil
}
