package watcher

import (
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
)

// keptForSample finds what a sample is made of: the archived raws of the newest revision
// of the chapter it is a stretch of.
func (d *daemon) keptForSample(j *job, s shelf) ([]jobRaw, *Kept, error) {
	if own, err := d.isOwnRecording(j, s); err != nil {
		return nil, nil, err
	} else if own {
		return nil, nil, refuse("there is a %s of your own recording already, which stays; withdraw it first to have one cut from %s",
			Plain(j.Chapter), Plain(j.Ask.Of))
	}
	of, err := d.ws.shelf(j.Book, j.Ask.Of, endingMP3)
	if err != nil {
		return nil, nil, err
	}
	kept := &Kept{
		Revision: of.Recipe, Recipe: d.recipePath(of, of.Recipe),
		Report: filepath.Join(d.ws.Finished, of.Book, of.Stem+".json"),
		sample: &Sample{Of: j.Ask.Of, OfRevision: of.Recipe, FromS: j.Ask.FromS, ToS: j.Ask.ToS},
	}
	if !exists(kept.Report) {
		kept.Report = ""
	}
	if of.Recipe == 0 {
		return nil, nil, refuse("the archive holds no chapter %s to cut %s from", Plain(j.Ask.Of), Plain(j.Chapter))
	}
	paper, err := readRecipe(kept.Recipe)
	switch {
	case errors.Is(err, fs.ErrNotExist), errors.Is(err, errNotJSON), err == nil && len(paper.Raws) == 0:
		return nil, nil, refuse("the recipe of %s cannot be read; drop its recordings into the inbox again", Plain(j.Ask.Of))
	case err != nil:
		return nil, nil, fmt.Errorf("read recipe: %w", err)
	case paper.Sample != nil:
		return nil, nil, refuse("%s is a stretch of %s itself; name that chapter", Plain(j.Ask.Of), Plain(paper.Sample.Of))
	case paper.Raws[0].Role == roleRoomTest:
		return nil, nil, refuse("%s is a room test, and no chapter to cut %s from", Plain(j.Ask.Of), Plain(j.Chapter))
	}
	list, err := d.archived(j, of, paper)
	return list, kept, err
}

// isOwnRecording tells whether a name is that of a chapter of the narrator's own
// recordings, also if she has taken it away, but not if it was withdrawn.
func (d *daemon) isOwnRecording(j *job, s shelf) (bool, error) {
	if s.Sample != nil {
		return false, nil
	}
	if s.Recipe == 0 {
		return s.HasFile || exists(filepath.Join(d.ws.Finished, s.Book, s.Stem+".json")), nil
	}
	gone, err := d.ws.Withdrawn(Filed{Book: j.Book, Chapter: j.Chapter, Ending: s.Ending})
	return !gone, err
}

// archived lists the raws of a recipe, all of which must be there unless the job needs no
// sound.
func (d *daemon) archived(j *job, s shelf, paper recipe) (list []jobRaw, err error) {
	for _, r := range paper.Raws {
		at := d.ws.archivedRaw(s.Book, r)
		if j.Ask.Kind != Rename {
			says, err := d.readable(at, r)
			switch {
			case err != nil:
				return nil, err
			case says != "":
				return nil, &RefusedError{Says: says, Away: true}
			case !exists(at.path):
				return nil, refuse("%s also needs %s from the archive, which is not there any more; put it back, or drop all takes again",
					Plain(j.Chapter), Plain(r.ArchivedAs))
			}
		}
		list = append(list, jobRaw{recipeRaw: r, path: at.path})
	}
	return list, nil
}

func (d *daemon) recipePath(s shelf, revision int) string {
	return filepath.Join(d.ws.Archive, s.Book, fmt.Sprintf("%s.r%d.recipe.json", s.Stem, revision))
}

// bytesFor returns how many bytes of recordings an Ask has made again.
func (d *daemon) bytesFor(f Filed, ask Ask) (n int64, err error) {
	if ask.Kind != CutSample {
		return d.ws.rawBytes(f.In, f.raws), nil
	}
	of, err := d.ws.shelf(f.Book, ask.Of, endingMP3)
	return d.ws.rawBytes(of.Book, of.Raws), err
}
