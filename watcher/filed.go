package watcher

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

// Filed is a chapter, or a room test, as the archive knows it.
type Filed struct {
	Book, Chapter string // as the narrator spelled them
	// In and Stem are the names of its folder and of its files, without endings.
	In, Stem string
	Ending   string // of its finished file
	Revision int    // the newest with a recipe
	raws     []recipeRaw
}

// rawBytes is the size of the recordings of a book's folder, as far as they are at hand.
func (ws *Workspace) rawBytes(in string, raws []recipeRaw) (n int64) {
	for _, r := range raws {
		if info, err := os.Lstat(ws.archivedRaw(in, r).path); err == nil {
			n += info.Size()
		}
	}
	return n
}

// Filed lists every chapter and room test the archive holds a recipe of, by book
// and name. A recipe that cannot be read is left out; Audit tells of it.
func (ws *Workspace) Filed() ([]Filed, error) {
	books, err := booksIn(ws.Archive)
	if err != nil {
		return nil, err
	}
	var out []Filed
	for _, in := range append(books, "") {
		names, err := namesIn(filepath.Join(ws.Archive, in))
		if err != nil {
			return nil, err
		}
		newest := map[string]Filed{}
		for _, name := range names {
			m := revisionName.FindStringSubmatch(name)
			if m == nil || m[3] != "recipe.json" {
				continue
			}
			f := Filed{In: in, Stem: m[1], Revision: revisionOf(m[2])}
			if f.Revision > newest[f.Stem].Revision {
				newest[f.Stem] = f
			}
		}
		for _, f := range newest {
			if err := ws.describe(&f); errors.Is(err, errNotJSON) || errors.Is(err, fs.ErrNotExist) {
				continue
			} else if err != nil {
				return nil, err
			}
			out = append(out, f)
		}
	}
	slices.SortFunc(out, func(a, b Filed) int { return strings.Compare(a.In+"\x00"+a.Stem, b.In+"\x00"+b.Stem) })
	return out, nil
}

// describe reads a chapter's own names out of its newest recipe. They are believed
// only if they lead back to where the recipe lies.
func (ws *Workspace) describe(f *Filed) error {
	paper, err := readRecipe(filepath.Join(ws.Archive, f.In, fmt.Sprintf("%s.r%d.recipe.json", f.Stem, f.Revision)))
	if err != nil {
		return err
	}
	f.Book, f.Chapter, f.raws = f.In, f.Stem, paper.Raws
	if book := fromHex(paper.BookHex, paper.Book); sameName(outStem(book), f.In) {
		f.Book = book
	}
	if chapter := fromHex(paper.ChapterHex, paper.Chapter); sameName(outStem(chapter), f.Stem) {
		f.Chapter = chapter
	}
	f.Ending = endingMP3
	if len(f.raws) > 0 {
		f.Ending = endingFor(f.raws[0].Role)
	}
	return nil
}

// ReportOf returns the path of a chapter's report in finished/. There may be none.
func (ws *Workspace) ReportOf(f Filed) (string, error) {
	s, err := ws.shelf(f.Book, f.Chapter, f.Ending)
	return filepath.Join(ws.Finished, s.Book, s.Stem+".json"), err
}

// Withdrawn tells whether a chapter is in finished/ no more because somebody
// withdrew or renamed it.
func (ws *Workspace) Withdrawn(f Filed) (bool, error) {
	s, err := ws.shelf(f.Book, f.Chapter, f.Ending)
	if err != nil || exists(filepath.Join(ws.Finished, s.Book, s.Stem+".json")) {
		return false, err
	}
	var report struct {
		State string `json:"state"`
	}
	err = readJSON(filepath.Join(ws.Finished, s.Book, "superseded", fmt.Sprintf("%s.r%d.json", s.Stem, s.Highest)), &report)
	return report.State == stateWithdrawn, ignoreMissing(err)
}
